// Working the session: start, marks, end.
import { $, el, show, text } from "./dom.js";
import { get, post } from "./live.js";
import { clock, words, SIGN } from "./format.js";

const USUAL = ["pump on", "isolated", "charge start", "charge end", "engine on", "engine fast", "engine off"];
let latest = null;

export function drawWork(frame) {
  latest = frame;
  const session = frame.session;
  show($("no-session"), !session);
  show($("in-session"), Boolean(session));
  if (!session) { text($("session-facts"), "No session is running."); return; }
  text($("session-facts"), [session.title, session.refrigerant, Object.values(session.vehicle || {}).join(" ")].filter(Boolean).join(" · "));
  const shape = session.marks.length + session.id;
  if ($("mark-log").dataset.shape === shape) { return; }
  $("mark-log").dataset.shape = shape;
  $("mark-log").replaceChildren(...session.marks.slice().reverse().map((mark) => el("li", {}, el("time", {}, clock(mark.time)), el("span", {}, mark.text), el("span", { class: "soft" }, mark.who))));
}

async function mark(what) {
  text($("mark-error"), "");
  try { await post("/api/marks", { text: what, who: localStorage.getItem("who") || "" }); } catch (error) { text($("mark-error"), error.message); }
}

function numeric(id) { const value = $(id).value.trim().replace(",", "."); return value === "" ? null : Number(value); }

function request() {
  const plan = {};
  for (const box of $("f-watches").querySelectorAll("input:checked")) { plan[box.value] = {}; }
  const put = (watch, key, value) => { if (plan[watch] && value !== null) { plan[watch][key] = value; } };
  put("evacuation", "volume_l", numeric("f-volume"));
  put("pressure_hold", "volume_l", numeric("f-volume"));
  put("sweep", "coils", numeric("f-coils"));
  put("sweep", "low_ohm", numeric("f-low"));
  put("sweep", "high_ohm", numeric("f-high"));
  const vehicle = {};
  if ($("f-vehicle").value) { vehicle.model = $("f-vehicle").value; }
  if ($("f-plate").value) { vehicle.number = $("f-plate").value; }
  return { title: $("f-title").value, vehicle, refrigerant: $("f-refrigerant").value, label_g: numeric("f-label"), people: $("f-who").value ? [$("f-who").value] : [], plan };
}

async function openStart() {
  text($("start-error"), "");
  if (!$("f-watches").childElementCount) {
    const watches = await get("/api/watches");
    const usual = new Set(["evacuation", "charge", "pressures", "sweep"]);
    $("f-watches").replaceChildren(...watches.map((watch) => el("label", { class: "check" }, el("input", { type: "checkbox", value: watch.name, checked: usual.has(watch.name) }), `${words(watch.name)}: ${watch.summary}`)));
  }
  $("f-who").value = localStorage.getItem("who") || "";
  $("start-dialog").showModal();
}

async function start(event) {
  event.preventDefault();
  if (!$("start-form").reportValidity()) { return; }
  if ($("f-who").value) { localStorage.setItem("who", $("f-who").value); }
  try { await post("/api/sessions", request()); $("start-dialog").close(); } catch (error) { text($("start-error"), error.message); }
}

function openClose() {
  text($("close-error"), "");
  $("c-who").value = localStorage.getItem("who") || "";
  $("close-verdicts").replaceChildren(...(latest.watches || []).map((each) => el("li", { class: "part" }, el("strong", {}, words(each.watch)), " ", el("span", { class: "chip", "data-outcome": each.verdict.verdict }, SIGN[each.verdict.verdict]), ` ${each.verdict.finding}`)));
  $("close-dialog").showModal();
}

async function close(event) {
  event.preventDefault();
  const id = latest.session.id;
  try {
    await post(`/api/sessions/${encodeURIComponent(id)}/close`, { who: $("c-who").value, comment: $("c-comment").value });
    location.href = `/sessions/${encodeURIComponent(id)}`;
  } catch (error) { text($("close-error"), error.message); }
}

export function installWork() {
  $("mark-buttons").replaceChildren(...USUAL.map((what) => el("button", { class: "big", type: "button", onclick: () => mark(what) }, words(what))));
  $("mark-send").addEventListener("click", () => { const what = $("mark-text").value.trim(); if (what) { mark(what); $("mark-text").value = ""; } });
  $("mark-text").addEventListener("keydown", (event) => { if (event.key === "Enter") { $("mark-send").click(); } });
  $("open-start").addEventListener("click", () => openStart().catch((error) => text($("mark-error"), error.message)));
  $("open-close").addEventListener("click", openClose);
  $("start-go").addEventListener("click", start);
  $("close-go").addEventListener("click", close);
}
