// The sweep: coils in engine order, values filling in, each with its place between the limits, and which is next.
import { $, el, redraw, show } from "./dom.js";
import { figure, number } from "./format.js";
import { strip } from "./bands.js";

const SIGNS = { within: "✓ within", low: "✗ low", high: "✗ high", open: "✗ open", short: "✗ short", missing: "not yet", unsteady: "? unsteady", undecided: "? undecided" };
export const coilSign = (finding) => SIGNS[finding] || `? ${finding}`;

export function coilCard(coil, limits, state) {
  const at = coil.at_reference || coil.resistance;
  const half = at && Number.isFinite(at.high) ? (at.high - at.low) / 2 : 0;
  const banded = at && limits && (limits.low !== null || limits.high !== null);
  return el("li", { class: "coil", "data-finding": coil.finding, "data-state": state || null },
    el("div", { class: "n" }, `Coil ${coil.position}`, state ? el("strong", {}, { next: " ▶ next", now: " ● now" }[state]) : null),
    el("div", { class: "ohm" }, at ? figure(at).value : "–", el("small", {}, at ? " Ω" : "")),
    el("div", { class: "spread" }, half ? `± ${number(half, half / 10)} Ω` : ""),
    banded ? strip(limits, at.value, half, false) : el("div", { class: "strip none" }),
    el("div", { class: "sign" }, coilSign(coil.finding)),
    coil.note && coil.finding !== "missing" ? el("div", { class: "soft" }, coil.note) : null);
}

export function limitWords(limits) {
  if (!limits || (limits.low === null && limits.high === null)) { return "No limits are set: the coils are compared with each other."; }
  const range = limits.low === null ? `at most ${limits.high} Ω` : limits.high === null ? `at least ${limits.low} Ω` : `${limits.low} to ${limits.high} Ω`;
  return `Allowed: ${range} at ${limits.reference_c} °C.`;
}

export function drawCoils(watch) {
  const details = (watch && watch.details) || {};
  const coils = details.coils || [];
  show($("coil-sheet"), Boolean(watch && details.coils));
  if (!coils.length) {
    redraw($("coils"), "none", () => [el("li", { class: "soft" }, "No coil has been touched yet.")]);
    return;
  }
  const state = (coil) => (details.touching ? (coil.position === details.now ? "now" : "") : coil.position === details.next ? "next" : "");
  redraw($("coils"), JSON.stringify([coils, details.next, details.now, details.touching, details.limits]), () => coils.map((coil) => coilCard(coil, details.limits, state(coil))));
  $("coil-limits").textContent = limitWords(details.limits);
}
