// One session's page: outcome, downloads, verdicts, steps, pictures, story, sheet, sign-off, instruments.
import { $, attribute, el, redraw, show, text } from "./dom.js";
import { keepDrafts } from "./drafts.js";
import { called, day, number, unitWords, words, SIGN } from "./format.js";
import { get } from "./live.js";
import { drawPictures } from "./pictures.js";
import { drawSheet, drawSteps, installSheet } from "./sheet.js";
import { drawStory } from "./story.js";
import { verdictCard } from "./verdicts.js";

const id = decodeURIComponent(location.pathname.split("/").pop());
const api = `/api/sessions/${encodeURIComponent(id)}`;
const EVERY_MS = 5000;
const FILES = [["pack", "Trace pack (zip)"], ["report.pdf", "Report (PDF)"], ["report.html", "Report (web page)"], ["readings.csv", "Readings (CSV)"], ["readings.parquet", "Readings (Parquet)"]];

function outcome(record) {
  attribute($("outcome-sheet"), "data-outcome", record.outcome || "none");
  text($("outcome"), record.closed ? SIGN[record.outcome] || record.outcome : "… still running");
  redraw($("outcome-parts"), JSON.stringify(Object.entries(record.verdicts).map(([name, verdict]) => [name, verdict.verdict, verdict.finding])), () => Object.entries(record.verdicts).map(([name, verdict]) => el("li", {}, el("span", { class: "chip", "data-outcome": verdict.verdict }, SIGN[verdict.verdict]), ` ${words(name)}: `, el("strong", {}, verdict.finding))));
  const facts = [["Vehicle", Object.values(record.vehicle || {}).join(" ")], ["Refrigerant", record.refrigerant], ["Label charge", record.label_g ? `${record.label_g} g` : ""], ["People", (record.people || []).join(", ")], ["Started", day(record.started)], ["Ended", record.closed ? day(record.closed) : ""],
    ...Object.entries(record.fields || {}).map(([name, value]) => [words(name), value]), ["Bench", record.bench], ["Session", record.id]];
  redraw($("facts"), JSON.stringify(facts), () => facts.filter(([, value]) => value).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
}

function doubts(record) {
  const due = (record.instruments || []).filter((each) => each.overdue);
  const off = (record.instruments || []).flatMap((each) => (each.checks || []).filter((check) => check.finding === "off").map(() => called(each)));
  show($("due-sheet"), due.length + off.length > 0);
  text($("due-line"), [due.length ? `Calibration overdue: ${due.map((each) => `${called(each)} (${each.instrument}, due ${each.calibration.due})`).join("; ")}.` : "", off.length ? `Found off in a field check: ${[...new Set(off)].join(", ")}.` : "", "What rests on them can only be undecided, never a pass."].filter(Boolean).join(" "));
}

function checkWords(checks) {
  const said = (check) => `${check.finding === "off" ? "✗ off" : "✓ agrees"}, ${check.day}, ${check.check}: ${number(check.difference)} ${unitWords(check.unit)}, ± ${number(check.allowed)} allowed`;
  return (checks || []).map(said).join("; ") || "—";
}

function instruments(record) {
  redraw($("instruments"), JSON.stringify(record.instruments), () => (record.instruments || []).map((each) => { const said = each.calibration || {}; return el("tr", {}, el("th", { scope: "row" }, called(each)), el("td", {}, each.instrument), el("td", {}, unitWords(each.unit)), el("td", {}, each.accuracy), el("td", {}, said.calibrated || "—"), el("td", {}, each.overdue ? el("strong", { class: "overdue" }, `! ${said.due}, overdue`) : said.due || "—"), el("td", {}, said.certificate || "—"), el("td", {}, checkWords(each.checks))); }));
}

async function load() {
  const record = await get(api);
  text($("title"), record.title || record.id);
  document.title = record.title || record.id;
  outcome(record);
  doubts(record);
  redraw($("downloads"), String(Boolean(record.closed)), () => (record.closed ? FILES.map(([path, name]) => el("a", { class: "big lesser", href: `${api}/${path}`, download: "" }, name)) : [el("p", {}, "The session is still running; end it on the bench page to take its pack.")]));
  redraw($("verdicts"), JSON.stringify(record.verdicts), () => Object.entries(record.verdicts).map(([name, verdict]) => verdictCard(name, verdict, record.plan[name])));
  drawSteps(record);
  drawStory(record);
  drawSheet(record);
  instruments(record);
  return record;
}

installSheet(api, load);
keepDrafts();
load().then((record) => {
  drawPictures($("pictures"), api, record).catch((error) => text($("pictures"), error.message));
  if (!record.closed) { const timer = setInterval(() => { if (!document.hidden) { load().then((now) => { if (now.closed) { clearInterval(timer); } }).catch(() => {}); } }, EVERY_MS); }
}, (error) => {
  text($("page-error"), error.message);
  for (const part of document.querySelectorAll("main > :not(#page-error)")) { show(part, false); }
});
