// What is going on now: the sentence, the deciding figure very large, time left, caution; and the parts of the job.
import { $, el, text, attribute, show } from "./dom.js";
import { figure, span, words, SIGN } from "./format.js";

let chosen = null;

export function focus(frame) {
  const watches = frame.watches || [];
  return watches.find((each) => each.watch === chosen) || watches.find((each) => each.active) || watches.find((each) => each.verdict.verdict === "undecided") || watches[watches.length - 1];
}

export function drawNow(frame) {
  const watch = focus(frame);
  if (!frame.session || !watch) {
    text($("sentence"), frame.session ? "The session is starting." : "No session is running. Readings are kept all the same.");
    for (const id of ["figure", "figure-name", "interval", "time-left", "waiting-for"]) { text($(id), ""); }
    show($("progress"), false); show($("caution"), false); show($("coil-row"), false);
    attribute($("now"), "data-outcome", "none");
    return;
  }
  text($("sentence"), watch.sentence);
  const data = figure(watch.verdict.evidence[watch.headline]);
  text($("figure-name"), watch.headline && watch.verdict.evidence[watch.headline] ? words(watch.headline) : "");
  drawFigure(watch.headline && watch.verdict.evidence[watch.headline] ? data : { value: "", unit: "", interval: "" });
  attribute($("now"), "data-outcome", watch.verdict.verdict);
  show($("progress"), Number.isFinite(watch.progress));
  if (Number.isFinite(watch.progress)) { $("progress").value = watch.progress; }
  text($("time-left"), Number.isFinite(watch.time_left_s) && watch.time_left_s > 0 ? `about ${span(watch.time_left_s)} more` : "");
  text($("waiting-for"), watch.waiting_for ? `waiting for ${watch.waiting_for}` : "");
  show($("caution"), Boolean(watch.caution));
  text($("caution"), watch.caution || "");
  drawCoils(watch);
}

function drawFigure(data) {
  const node = $("figure");
  if (node.dataset.shown === data.value + data.unit) { return; }
  node.dataset.shown = data.value + data.unit;
  node.replaceChildren(data.value, " ", el("small", {}, data.unit));
  text($("interval"), data.interval);
}

function drawCoils(watch) {
  const coils = watch.verdict.coils;
  show($("coil-row"), Boolean(coils && coils.length));
  if (!coils) { return; }
  const next = watch.details && watch.details.next;
  $("coils").replaceChildren(...coils.map((coil) => {
    const at = coil.at_reference || coil.resistance;
    return el("li", { class: "coil", "data-next": coil.position === next }, el("div", { class: "n" }, `Coil ${coil.position}`),
      el("div", { class: "ohm" }, at ? `${figure(at).value} Ω` : "…"), el("div", {}, coilSign(coil.finding)));
  }));
}

function coilSign(finding) { return { within: "✓ within", low: "✗ low", high: "✗ high", open: "✗ open", short: "✗ short", missing: "… not yet", unsteady: "? unsteady" }[finding] || `? ${finding}`; }

export function drawParts(root, frame, again) {
  const current = focus(frame);
  const watches = frame.watches || [];
  const shape = watches.map((each) => `${each.watch}|${each.phase}|${each.verdict.verdict}|${each.verdict.finding}|${current && current.watch}`).join();
  if (root.dataset.shape === shape) { return; }
  root.dataset.shape = shape;
  const held = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.watch : null;
  root.replaceChildren(...watches.map((each) => el("li", { class: "part", "aria-current": current && each.watch === current.watch ? "true" : "false" },
    el("button", { type: "button", "data-watch": each.watch, "aria-pressed": each.watch === chosen, onclick: () => { chosen = chosen === each.watch ? null : each.watch; again(); } },
      el("div", { class: "what" }, words(each.watch)), el("div", { class: "phase" }, words(each.phase)),
      el("span", { class: "chip", "data-outcome": each.verdict.verdict }, SIGN[each.verdict.verdict]), " ",
      el("span", {}, each.verdict.finding === "undecided" ? "" : each.verdict.finding)))));
  if (held) { const again_ = root.querySelector(`[data-watch="${held}"]`); if (again_) { again_.focus(); } }
}
