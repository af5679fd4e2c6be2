// Alarms are seen (list, tab title) and heard (after one touch, as browsers ask); neither needs a network.
import { $, el, redraw, show, text } from "./dom.js";
import { clock, count, minute, symbols, zone } from "./format.js";
import { iAm, me, post } from "./live.js";
import { ring } from "./sound.js";

const ASKS = {
  acknowledge: { title: "Acknowledge", comment: "Comment", go: "Acknowledge" },
  shelve: { title: "Shelve for a while", comment: "Why", go: "Shelve" },
  unshelve: { title: "Bring back", comment: "Comment", go: "Bring it back" },
  suppress: { title: "Suppress by design", comment: "Reason (must be given)", go: "Suppress" },
  unsuppress: { title: "Bring back", comment: "Comment", go: "Bring it back" },
  reset: { title: "Reset a latched alarm", comment: "Comment", go: "Reset" },
};
const PRIORITY = { critical: "‼ critical", high: "! high", medium: "medium", low: "low" };
const FIRST = 2; // more at once would push what is going on out of sight
let asked = null;

export const calls = (alarm) => alarm.state.includes("unacknowledged");

export function drawAlarms(frame, title) {
  const alarms = (frame.alarms || []).filter((alarm) => alarm.state !== "normal");
  const calling = alarms.filter(calls);
  const quiet = alarms.filter((alarm) => !calls(alarm));
  show($("alarm-sheet"), calling.length > 0);
  document.title = calling.length ? `⚠ ${count(calling.length, "alarm", "alarms")} · ${title}` : title;
  const first = calling.length > FIRST + 1 ? calling.slice(0, FIRST) : calling, rest = calling.slice(first.length);
  redraw($("alarms"), shape(first), () => first.map(row));
  redraw($("rest-alarms"), shape(rest), () => rest.map(row));
  show($("more-alarms"), rest.length > 0);
  text($("more-count"), `${rest.length} more are calling`);
  show($("ack-calling"), calling.length > 1);
  text($("ack-calling"), `Acknowledge all ${calling.length}`);
  $("ack-calling").onclick = () => ask("acknowledge", calling);
  redraw($("quiet-alarms"), shape(quiet), () => quiet.map(row));
  show($("quiet"), quiet.length > 0);
  text($("quiet-count"), `${count(quiet.length, "alarm does", "alarms do")} not call: ${summed(quiet)}`);
  const returned = quiet.filter((alarm) => alarm.state === "returned");
  show($("ack-returned"), returned.length > 1);
  text($("ack-returned"), `Acknowledge all ${returned.length} that came and went`);
  $("ack-returned").onclick = () => ask("acknowledge", returned);
  ring(calling.length > 0);
}

const shape = (alarms) => alarms.map((alarm) => `${alarm.id}${alarm.state}${alarm.text}${alarm.until_ns}${alarm.since_ns}${alarm.flapping}`).join() + zone();

function summed(quiet) {
  const states = new Map();
  for (const alarm of quiet) { states.set(alarm.state, (states.get(alarm.state) || 0) + 1); }
  return [...states].map(([state, times]) => `${times} ${state}`).join(", ");
}

function row(alarm) {
  const calling = calls(alarm);
  const actions = { returned: ["acknowledge", "shelve", "suppress"], acknowledged: ["shelve", "suppress"], shelved: ["unshelve"], suppressed: ["unsuppress"], "latched acknowledged": ["reset"] }[alarm.state] || ["acknowledge", "shelve", "suppress"];
  const until = alarm.state === "shelved" && alarm.until_ns ? ` until ${minute(new Date(alarm.until_ns / 1e6).toISOString())}` : "";
  const said = [PRIORITY[alarm.priority] || alarm.priority, `${alarm.state}${until}`, `since ${clock(alarm.since)}`, alarm.flapping ? "comes and goes" : "", alarm.who ? `${alarm.who}${alarm.comment ? `: ${alarm.comment}` : ""}` : "", alarm.state === "suppressed" ? alarm.suppressed : ""];
  return el("li", { class: "alarm", "data-state": calling ? "unacknowledged" : alarm.state, "data-priority": alarm.priority },
    el("div", { class: "text" }, el("strong", {}, `${calling ? "⚠" : "•"} ${alarm.name}`), alarm.text ? el("div", { class: "todo" }, symbols(alarm.text)) : null, el("div", { class: "soft" }, said.filter(Boolean).join(" · "))),
    el("div", { class: "actions" }, ...actions.map((action, index) => el("button", { class: `big${index ? " lesser" : ""}`, type: "button", "data-key": `${action} ${alarm.id}`, onclick: () => ask(action, [alarm]) }, { acknowledge: "Acknowledge", shelve: "Shelve …", unshelve: "Bring back", suppress: "Suppress …", unsuppress: "Bring back", reset: "Reset" }[action]))));
}

function ask(action, alarms) {
  asked = { action, alarms };
  const words = ASKS[action];
  text($("ack-title"), words.title);
  text($("ack-text"), alarms.map((alarm) => `${alarm.name}${alarm.text ? `: ${symbols(alarm.text)}` : ""}`).join("; "));
  text($("a-comment-word"), words.comment);
  text($("ack-go"), words.go);
  show($("shelve-time"), action === "shelve");
  $("a-comment").required = action === "suppress";
  $("a-comment").value = "";
  text($("ack-error"), "");
  $("a-who").value = me();
  $("ack-dialog").showModal();
}

async function send(event) {
  event.preventDefault();
  const who = $("a-who").value.trim(), comment = $("a-comment").value.trim();
  if (!who) { text($("ack-error"), "Say who you are."); $("a-who").focus(); return; }
  if ($("a-comment").required && !comment) { text($("ack-error"), "Give the reason."); $("a-comment").focus(); return; }
  iAm(who);
  const body = { who, comment, ...(asked.action === "shelve" ? { minutes: Number($("a-minutes").value) } : {}) };
  try {
    for (const alarm of asked.alarms) { await post(`/api/alarms/${encodeURIComponent(alarm.id)}/${asked.action}`, body); }
    $("ack-dialog").close();
  } catch (error) { text($("ack-error"), error.message); }
}

export function installAlarms() {
  $("ack-go").addEventListener("click", send);
}
