// The charge: mass as a bar against the label with its tolerance, then which channels have settled and what still moves.
import { $, el, redraw, show, text } from "./dom.js";
import { number, span } from "./format.js";
import { shown, unitText } from "./bands.js";

const place = (node, from, to, most) => { node.style.left = `${(100 * from) / most}%`; node.style.width = `${(100 * Math.max(to - from, 0)) / most}%`; return node; };

function massBar(mass, charging) {
  const label = mass.label_g, tolerance = mass.tolerance_g || 0, charged = mass.charged_g, [low, high] = massEnds(mass);
  const most = Math.max(label ? label * 1.2 : 0, charged * 1.1 + (mass.uncertainty_g || 0), 50);
  const bar = el("div", { class: "mass-bar", role: "img", "aria-label": massWords(mass, charging) });
  if (label) { bar.append(place(el("span", { class: "tolerance" }), Math.max(label - tolerance, 0), label + tolerance, most)); }
  bar.append(place(el("span", { class: "filled" }), 0, Math.max(charged, 0), most));
  bar.append(place(el("span", { class: "spread" }), Math.max(low, 0), Math.min(high, most), most));
  if (label) { bar.append(place(el("span", { class: "label-line" }), label, label, most), place(el("span", { class: "label-word" }, `label ${number(label, 1)} g`), label, label, most)); }
  return bar;
}

function massEnds(mass) {
  const half = mass.uncertainty_g || 0, known = (end, otherwise) => (end === undefined ? otherwise : end);
  const low = known(mass.low_g, mass.charged_g - half), high = known(mass.high_g, mass.charged_g + half);
  return [low === null ? 0 : low, high === null ? Infinity : high]; // null: the scale does not tell
}

function massWords(mass, charging) {
  const [low, high] = massEnds(mass), even = Math.abs(high + low - 2 * mass.charged_g) < 1;
  const width = even ? `± ${number(mass.charged_g - low, 1)} g` : Number.isFinite(high) ? `from ${number(Math.max(low, 0), 1)} to ${number(high, 1)} g` : `at least ${number(Math.max(low, 0), 1)} g`;
  const near = `${number(mass.charged_g, 1)} g in (${width})`;
  if (!mass.label_g) { return `${near}. No label charge is set, so it is not judged.`; }
  const off = mass.charged_g - mass.label_g, least = mass.label_g - mass.tolerance_g, most = mass.label_g + mass.tolerance_g;
  const where = low > most ? "✗ too much" : high < least ? (mass.flowing || charging ? `${number(-off, 1)} g to go` : "✗ too little")
    : low >= least && high <= most ? "✓ on the label" : "? it may lie beyond the tolerance";
  return `${near} of ${number(mass.label_g, 1)} g ± ${number(mass.tolerance_g, 1)} g: ${where}`;
}

function settledCard(entry, channel) {
  const mean = channel ? `${number(shown(channel, entry.mean), Math.abs(channel.shown_scale) * (channel.uncertainty || 0) / 5)} ${unitText(channel)}` : "";
  const wait = entry.settled ? "" : entry.expected_s > 0 ? `about ${span(entry.expected_s)} more` : "";
  return el("li", { class: "settling", "data-settled": String(entry.settled) },
    el("strong", {}, `${entry.settled ? "✓" : "…"} ${entry.label}`), el("span", {}, mean),
    el("span", { class: "soft" }, entry.settled ? "settled" : `${stillMoving(entry, channel) || "not watched for long enough"}${wait ? `; ${wait}` : ""}`));
}

function stillMoving(entry, channel) {
  if (entry.still_to_come === undefined) { return ""; }
  const scale = channel ? Math.abs(channel.shown_scale) : 1;
  return `still moving, up to ${number(entry.still_to_come * scale, entry.still_to_come * scale / 3)} ${channel ? unitText(channel).replace("°C", "K") : ""} to come`;
}

export function drawCharge(watch, channels) {
  const details = (watch && watch.details) || {};
  const settling = details.channels || [];
  show($("charge-sheet"), Boolean(details.mass) || settling.length > 0);
  show($("mass-box"), Boolean(details.mass));
  text($("charge-title"), details.mass ? "Charge and settling" : "Settling");
  if (details.mass) {
    const mass = details.mass, charging = watch.phase === "charging"; // a pause before the end is marked is not too little
    redraw($("mass"), JSON.stringify([mass.charged_g, mass.low_g, mass.high_g, mass.label_g, mass.flowing, charging]), () => [massBar(mass, charging)]);
    const more = [mass.flowing && mass.rate_g_s > 0.05 ? `going in at ${number(mass.rate_g_s, 0.1)} g/s` : "", mass.touched && mass.touched.length ? `tank touched ${mass.touched.length}×, not counted` : ""].filter(Boolean);
    text($("mass-words"), [massWords(mass, charging), ...more].join("; "));
  }
  const byRole = new Map(channels.map((channel) => [channel.role, channel]));
  redraw($("settling"), JSON.stringify(settling), () => settling.map((entry) => settledCard(entry, byRole.get(entry.role))));
  show($("settling"), settling.length > 0);
  const cycle = details.cycle;
  text($("cycle-words"), cycle ? `The compressor cycles every ${span(cycle.period_s)}${Number.isFinite(cycle.duty) ? `, on for ${(100 * cycle.duty).toFixed(0)} % of it` : ""}; means of whole cycles are judged.` : "");
}
