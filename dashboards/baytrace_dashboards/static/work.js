// Working the session: the mark the job waits for as one large button, the other marks, notes, and the end.
import { $, attribute, el, redraw, show, text } from "./dom.js";
import { iAm, me, post } from "./live.js";
import { clock, SIGN, words, zone } from "./format.js";
import { expectedMark } from "./now.js";
import { installStart } from "./start.js";
import { told } from "./units.js";
import { allWatches, marksOf } from "./watches.js";

let latest = null, job = null;

export function drawWork(frame) {
  latest = frame;
  const session = frame.session;
  if ((session && session.id) !== job) { job = session && session.id; text($("mark-said"), ""); text($("mark-error"), ""); }
  show($("no-session"), !session);
  show($("in-session"), Boolean(session));
  if (!session) { text($("session-facts"), "No session is running."); return; }
  text($("session-facts"), [session.title, session.refrigerant, Object.values(session.vehicle || {}).join(" ")].filter(Boolean).join(" · "));
  attribute($("open-session"), "href", `/sessions/${encodeURIComponent(session.id)}`);
  drawButtons(frame);
  redraw($("mark-log"), session.id + session.marks.length + zone(), () => session.marks.slice().reverse().map((mark) => el("li", {}, el("time", {}, clock(mark.time)), el("strong", {}, mark.text), el("span", { class: "soft" }, mark.who))));
}

function drawButtons(frame) {
  const expected = expectedMark(frame);
  show($("mark-next"), Boolean(expected));
  text($("mark-next-text"), words(expected));
  const offered = [...new Set((frame.watches || []).flatMap((each) => marksOf(each.watch)))].filter((mark) => mark !== expected);
  redraw($("mark-buttons"), offered.join(), () => offered.map((what) => el("button", { class: "big lesser", type: "button", "data-key": what, onclick: () => mark(what) }, words(what))));
}

async function mark(what) {
  text($("mark-error"), "");
  try {
    await post("/api/marks", { text: what, who: me() });
    text($("mark-said"), `✓ Marked: ${what}`);
    return true;
  } catch (error) { text($("mark-said"), ""); text($("mark-error"), error.message); return false; }
}

async function note() {
  const said = $("note-text").value.trim();
  if (!said || !latest.session) { return; }
  text($("mark-error"), "");
  try {
    await post(`/api/sessions/${encodeURIComponent(latest.session.id)}/notes`, { text: said, who: me() });
    $("note-text").value = "";
    text($("mark-said"), "✓ Note kept");
  } catch (error) { text($("mark-error"), error.message); }
}

function openClose() {
  text($("close-error"), "");
  $("c-who").value = me();
  $("close-verdicts").replaceChildren(...(latest.watches || []).map((each) => el("li", { class: "part" }, el("strong", {}, words(each.watch)), " ", el("span", { class: "chip", "data-outcome": each.verdict.verdict }, SIGN[each.verdict.verdict]), ` ${each.verdict.finding === "undecided" ? "" : each.verdict.finding}`,
    each.verdict.verdict === "undecided" && each.verdict.reasons.length ? el("div", { class: "soft" }, told(latest, each, each.verdict.reasons[0])) : null)));
  $("close-dialog").showModal();
}

async function close(event) {
  event.preventDefault();
  const id = latest.session.id;
  iAm($("c-who").value.trim());
  try {
    await post(`/api/sessions/${encodeURIComponent(id)}/close`, { who: $("c-who").value.trim(), comment: $("c-comment").value });
    location.href = `/sessions/${encodeURIComponent(id)}`;
  } catch (error) { text($("close-error"), error.message); }
}

export function installWork() {
  allWatches().catch(() => {});
  $("mark-next").addEventListener("click", () => mark(expectedMark(latest)));
  $("mark-send").addEventListener("click", async () => { const what = $("mark-text").value.trim(); if (what && await mark(what)) { $("mark-text").value = ""; } });
  $("mark-text").addEventListener("keydown", (event) => { if (event.key === "Enter") { $("mark-send").click(); } });
  $("note-send").addEventListener("click", note);
  $("open-close").addEventListener("click", openClose);
  $("close-go").addEventListener("click", close);
  installStart();
}
