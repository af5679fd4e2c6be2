// The runs of a loop side by side: each run a column with its conditions and figures, and what moved since the loop was worked on.
import { el } from "./dom.js";
import { figure, symbols, words } from "./format.js";

const SHOWN = ["ambient_temperature", "ambient_humidity", "low_side_pressure", "high_side_pressure", "evaporating_temperature", "condensing_temperature", "superheat", "subcooling", "pressure_ratio", "vent_temperature", "vent_depression"];

const cell = (data) => { if (!data) { return ""; } const shown = figure(data); return `${shown.value} ${shown.unit}`.trim(); };
const moved = (run) => [...(run.said || []), ...(run.not_compared || []).map((why) => `not compared, ${why}`)];

export function runsTable(name, verdict) {
  const runs = verdict.running || [];
  if (runs.length < 2) { return null; }
  const row = (label, cells) => el("tr", {}, el("th", { scope: "row" }, label), ...cells.map((each) => el("td", {}, each)));
  const keys = SHOWN.filter((key) => runs.some((run) => run.evidence[key]));
  const body = [row("Marked", runs.map((run) => Object.values(run.conditions || {}).join(", "))), row("Settled", runs.map((run) => (run.settled ? "yes" : "no"))), ...keys.map((key) => row(words(key), runs.map((run) => cell(run.evidence[key]))))];
  const said = runs.flatMap((run, index) => moved(run).map((each) => el("li", {}, symbols(`Run ${index + 1} against the run before the work: ${each}`))));
  return el("details", { "data-key": `runs ${name}` }, el("summary", {}, `Every run of the loop (${runs.length})`),
    el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": `Runs of ${name}` }, el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Figure"), ...runs.map((run, index) => el("th", { scope: "col" }, `${index + 1}: ${run.state}`)))), el("tbody", {}, ...body))),
    said.length ? el("ul", {}, ...said) : null);
}
