// The verdicts of a session: finding, reasons, causes, coils, and every figure with its interval.
import { el } from "./dom.js";
import { figure, symbols, words, SIGN } from "./format.js";
import { coilCard, limitWords } from "./coils.js";
import { blindSpots, causeNames, causeRow, shownCauses } from "./causes.js";
import { runsTable } from "./runs.js";

const SHOWN_AT_ONCE = 4;

function evidenceRow([key, data]) {
  const shown = figure(data);
  return el("tr", {}, el("th", { scope: "row" }, words(key)), el("td", {}, el("strong", {}, `${shown.value} ${shown.unit}`)), el("td", { class: "soft" }, shown.interval));
}

function evidence(name, verdict) {
  const rows = Object.entries({ ...verdict.evidence, ...verdict.also });
  if (!rows.length) { return null; }
  const table = (some, label) => el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": label }, el("table", {}, el("tbody", {}, ...some.map(evidenceRow))));
  if (rows.length <= SHOWN_AT_ONCE + 1) { return table(rows, `Figures of ${name}`); }
  return el("details", { "data-key": `figures ${name}` }, el("summary", {}, `The figures it rests on (${rows.length})`), table(rows, `Figures of ${name}`));
}

function coils(verdict, settings) {
  if (!verdict.coils) { return null; }
  const limits = settings && (settings.low_ohm !== undefined || settings.high_ohm !== undefined) ? { low: settings.low_ohm ?? null, high: settings.high_ohm ?? null, reference_c: settings.reference_c ?? 20 } : null;
  return el("div", {}, limits ? el("p", { class: "soft" }, limitWords(limits)) : null, el("ul", { class: "coils" }, ...verdict.coils.map((coil) => coilCard(coil, limits, ""))));
}

export function verdictCard(name, verdict, settings) {
  const causes = verdict.verdict === "pass" ? [] : shownCauses(verdict.causes);
  // the ranked causes stand in their own list; the reasons that repeat them need not
  const reasons = causes.length ? verdict.reasons.filter((reason) => !causes.some((cause) => reason.startsWith(`${causeNames(cause)} (`))) : verdict.reasons;
  return el("article", { class: "sheet now", "data-outcome": verdict.verdict, "aria-label": words(name) },
    el("h3", {}, words(name)), el("p", {}, el("span", { class: "chip", "data-outcome": verdict.verdict }, SIGN[verdict.verdict]), " ", el("strong", { class: "finding" }, verdict.finding)),
    el("ul", { class: "reasons" }, ...reasons.map((reason) => el("li", {}, symbols(reason)))),
    causes.length ? el("ol", { class: "causes" }, ...causes.map(causeRow)) : null, blindSpots(verdict.blind, words(name)), coils(verdict, settings), runsTable(words(name), verdict), evidence(words(name), verdict));
}
