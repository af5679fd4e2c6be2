// Alarms are seen (list, tab title) and heard (after one touch, as browsers ask); neither needs a network.
import { $, el, show, text } from "./dom.js";
import { clock } from "./format.js";
import { post } from "./live.js";

let current = null;
let audio = null;
let beeping = false;

export function drawAlarms(frame, title) {
  const alarms = (frame.alarms || []).filter((alarm) => alarm.state !== "normal");
  const calling = alarms.filter((alarm) => alarm.state.includes("unacknowledged"));
  show($("alarm-sheet"), alarms.length > 0);
  document.title = calling.length ? `⚠ ${calling.length} alarm${calling.length > 1 ? "s" : ""} · ${title}` : title;
  const shape = alarms.map((alarm) => `${alarm.id}${alarm.state}${alarm.text}`).join();
  if ($("alarms").dataset.shape !== shape) {
    $("alarms").dataset.shape = shape;
    const quiet = alarms.filter((alarm) => !calling.includes(alarm));
    $("alarms").replaceChildren(...calling.map(row));
    $("quiet-alarms").replaceChildren(...quiet.map(row));
    show($("quiet"), quiet.length > 0);
    text($("quiet-count"), `${quiet.length} that no longer call${quiet.length === 1 ? "s" : ""}`);
  }
  beep(calling.length > 0 && $("sound").checked);
}

function row(alarm) {
  const calls = alarm.state.includes("unacknowledged");
  const answered = alarm.state === "acknowledged" || alarm.state === "shelved" || alarm.state === "suppressed";
  return el("li", { class: "alarm", "data-state": calls ? "unacknowledged" : alarm.state },
    el("span", { class: "text" }, `${calls ? "⚠" : "•"} ${alarm.name}`), el("span", {}, `${alarm.text ? `${alarm.text} ` : ""}${alarm.priority} · ${alarm.state} · since ${clock(alarm.since)}`),
    answered ? null : el("button", { class: "big", type: "button", onclick: () => ask(alarm) }, "Acknowledge"));
}

function ask(alarm) {
  current = alarm;
  text($("ack-text"), alarm.text);
  text($("ack-error"), "");
  $("a-who").value = localStorage.getItem("who") || "";
  $("ack-dialog").showModal();
}

export function installAlarms() {
  const send = async (event, what) => {
    event.preventDefault();
    const who = $("a-who").value.trim();
    if (!who) { text($("ack-error"), "Say who you are."); $("a-who").focus(); return; }
    localStorage.setItem("who", who);
    try {
      await post(`/api/alarms/${encodeURIComponent(current.id)}/${what}`, { who, comment: $("a-comment").value });
      $("ack-dialog").close();
    } catch (error) { text($("ack-error"), error.message); }
  };
  $("ack-go").addEventListener("click", (event) => send(event, "acknowledge"));
  $("shelve-go").addEventListener("click", (event) => send(event, "shelve"));
  $("sound").addEventListener("change", () => { if ($("sound").checked) { audio = audio || new AudioContext(); audio.resume(); } });
}

function beep(wanted) {
  if (!wanted || !audio || beeping) { return; }
  beeping = true;
  const tone = audio.createOscillator(), level = audio.createGain();
  tone.frequency.value = 740;
  level.gain.setValueAtTime(0.0001, audio.currentTime);
  level.gain.exponentialRampToValueAtTime(0.4, audio.currentTime + 0.05);
  level.gain.exponentialRampToValueAtTime(0.0001, audio.currentTime + 0.6);
  tone.connect(level).connect(audio.destination);
  tone.start(); tone.stop(audio.currentTime + 0.65);
  tone.onended = () => setTimeout(() => { beeping = false; }, 1400);
}
