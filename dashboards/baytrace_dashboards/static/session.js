// One session's page: outcome, evidence, pictures, story, ledger, steps, sign-off, downloads.
import { $, el, text } from "./dom.js";
import { keepDrafts } from "./drafts.js";
import { day, clock, figure, span, words, SIGN } from "./format.js";
import { get, post } from "./live.js";
import { drawPictures } from "./pictures.js";

const id = decodeURIComponent(location.pathname.split("/").pop());
const api = `/api/sessions/${encodeURIComponent(id)}`;

function facts(root, pairs) { root.replaceChildren(...pairs.filter(([, value]) => value).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)])); }

function verdictCard(name, verdict) {
  const rows = Object.entries(verdict.evidence).map(([key, data]) => { const shown = figure(data); return el("tr", {}, el("th", { scope: "row" }, words(key)), el("td", {}, `${shown.value} ${shown.unit}`), el("td", { class: "soft" }, shown.interval)); });
  const coils = verdict.coils ? el("ul", { class: "coils" }, ...verdict.coils.map((coil) => el("li", { class: "coil" }, el("div", { class: "n" }, `Coil ${coil.position}`), el("div", { class: "ohm" }, coil.at_reference || coil.resistance ? `${figure(coil.at_reference || coil.resistance).value} Ω` : "—"), el("div", {}, coil.finding)))) : null;
  return el("article", { class: "sheet now", "data-outcome": verdict.verdict }, el("h3", {}, words(name)), el("p", {}, el("span", { class: "chip", "data-outcome": verdict.verdict }, SIGN[verdict.verdict]), " ", el("strong", {}, verdict.finding)),
    el("ul", {}, ...verdict.reasons.map((reason) => el("li", {}, reason))), coils, el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": `Evidence of ${words(name)}` }, el("table", {}, el("tbody", {}, ...rows))));
}

function story(record) {
  const rows = [[record.started, "session started", (record.people || []).join(", ")]];
  for (const mark of record.marks || []) { rows.push([mark.time, `mark: ${mark.text}`, mark.who]); }
  for (const note of record.notes || []) { rows.push([note.time, `note: ${note.text}`, note.who]); }
  for (const alarm of record.alarms || []) { rows.push([alarm.time, `alarm ${alarm.action || alarm.state}: ${alarm.name || alarm.alarm}${alarm.comment ? ` (${alarm.comment})` : ""}`, alarm.who]); }
  for (const gap of record.gaps || []) { rows.push([gap.from || gap.time, `gap${gap.channel ? ` in ${gap.channel}` : ""}: ${span(gap.seconds)} (${gap.cause})`, ""]); }
  for (const step of record.clock_steps || []) { rows.push([step.time, `the clock was set by ${step.step_s} s`, ""]); }
  if (record.closed) { rows.push([record.closed, `session ended${record.comment ? `: ${record.comment}` : ""}`, record.closed_by]); }
  rows.sort((a, b) => (a[0] < b[0] ? -1 : 1));
  $("story").replaceChildren(...rows.map(([time, what, who]) => el("tr", {}, el("td", {}, clock(time)), el("td", {}, what), el("td", {}, who || ""))));
}

function downloads(record) {
  const all = record.closed ? [["pack", "Trace pack (zip)"], ["report.pdf", "Report (PDF)"], ["report.html", "Report (HTML)"], ["readings.csv", "Readings (CSV)"], ["readings.parquet", "Readings (Parquet)"]] : [];
  $("downloads").replaceChildren(...(all.length ? all.map(([path, name]) => el("a", { class: "big", href: `${api}/${path}`, download: "" }, name)) : [el("p", {}, "The session is still running; end it to take its pack.")]));
}

function steps(record) {
  const sign = { done: "✓ done", skipped: "– skipped", open: "… open", failed: "✗ failed", "left open": "! left open" };
  $("steps").replaceChildren(...(record.steps || []).map((step) => el("li", { class: "step" },
    el("div", {}, el("strong", {}, step.text), " ", el("span", { class: "chip" }, sign[step.state] || step.state), step.who ? el("span", { class: "soft" }, ` ${step.who}`) : null),
    step.caution ? el("p", { class: "caution" }, step.caution) : null, step.note ? el("p", { class: "soft" }, step.note) : null,
    step.state === "open" && !record.closed ? el("div", { class: "marks" }, el("div", { class: "row" }, el("button", { class: "big", type: "button", onclick: () => send("steps", { step: step.id, state: "done", who: who() }) }, "Done"), el("button", { class: "big", type: "button", onclick: () => send("steps", { step: step.id, state: "skipped", who: who() }) }, "Skip"))) : null)));
}

function who() { return localStorage.getItem("who") || ""; }

// `field` is emptied once what stood in it is recorded
async function send(what, body, field) {
  text($("page-error"), "");
  try {
    await post(`${api}/${what}`, body);
    if (field) { field.value = ""; }
    await load();
  } catch (error) { text($("page-error"), error.message); $("page-error").scrollIntoView(); }
}

function sheet(record) {
  const rows = (record.ledger || []).map((entry) => [words(entry.entry), `${entry.value} ${entry.unit || ""} ${entry.who ? `(${entry.who})` : ""}`]);
  const balances = Object.entries((record.sheet && record.sheet.balances) || {}).map(([name, data]) => [words(name), data.value === undefined ? String(data) : `${figure(data).value} ${figure(data).unit}`]);
  const asked = ((record.sheet && record.sheet.missing) || []).map((entry) => [words(entry.entry || entry), "not entered yet"]);
  facts($("ledger"), [...rows, ...balances, ...asked]);
}

function entries(list) {
  if (!$("e-entry").childElementCount) { $("e-entry").replaceChildren(...list.map((entry) => el("option", { value: entry.id, "data-unit": entry.unit }, `${entry.text} (${entry.unit})`))); }
}

async function load() {
  const record = await get(api);
  text($("title"), record.title || record.id);
  document.title = record.title || record.id;
  $("outcome-sheet").dataset.outcome = record.outcome || "none";
  text($("outcome"), record.closed ? `${SIGN[record.outcome] || record.outcome}: ${Object.entries(record.verdicts).map(([name, verdict]) => `${words(name)} ${verdict.finding}`).join(", ")}` : "Still running");
  facts($("facts"), [["Vehicle", Object.values(record.vehicle || {}).join(" ")], ["Refrigerant", record.refrigerant], ["Label charge", record.label_g ? `${record.label_g} g` : ""], ["People", (record.people || []).join(", ")], ["Started", day(record.started)], ["Ended", day(record.closed)], ["Session", record.id], ["Readings", String(record.readings || "")]].map(([name, value]) => [name, value === "—" ? "" : value]));
  downloads(record);
  $("verdicts").replaceChildren(...Object.entries(record.verdicts).map(([name, verdict]) => verdictCard(name, verdict)));
  story(record);
  steps(record);
  sheet(record);
  entries(record.entries || []);
  $("signatures").replaceChildren(...(record.sign_offs || []).map((each) => el("li", {}, el("time", {}, day(each.time)), el("strong", {}, each.who), el("span", {}, each.comment || ""))));
  $("instruments").replaceChildren(...(record.instruments || []).map((each) => el("tr", {}, el("td", {}, each.name), el("td", {}, each.instrument), el("td", {}, each.unit), el("td", {}, each.accuracy), el("td", {}, (each.calibration && each.calibration.calibrated) || "—"), el("td", {}, (each.calibration && each.calibration.due) || "—"), el("td", {}, (each.calibration && each.calibration.certificate) || "—"))));
  return record;
}

$("entry-form").addEventListener("submit", (event) => { event.preventDefault(); const option = $("e-entry").selectedOptions[0]; send("ledger", { entry: option.value, value: Number($("e-value").value.replace(",", ".")), unit: option.dataset.unit, who: who() }, $("e-value")); });
$("note-form").addEventListener("submit", (event) => { event.preventDefault(); send("notes", { text: $("n-text").value, who: who() }, $("n-text")); });
$("sign-form").addEventListener("submit", (event) => { event.preventDefault(); localStorage.setItem("who", $("s-who").value); send("sign-off", { who: $("s-who").value, comment: $("s-comment").value }, $("s-comment")); });
keepDrafts();
$("s-who").value = who();
load().then((record) => drawPictures($("pictures"), api, record)).catch((error) => text($("page-error"), error.message));
