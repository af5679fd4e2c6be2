// What people put into the record: steps ticked, entries of the sheet, notes, sign-off.
import { $, el, redraw, show, text } from "./dom.js";
import { day, figure, number, unitWords, words } from "./format.js";
import { iAm, me, post } from "./live.js";
import { numeric } from "./settings.js";

const STATE = { done: "✓ done", skipped: "– skipped", open: "… open", failed: "✗ failed", "left open": "! left open" };
let api = "", again = () => {};

async function send(what, body, done = () => {}) {
  text($("page-error"), "");
  try { await post(`${api}/${what}`, body); done(); await again(); } catch (error) { text($("page-error"), error.message); $("page-error").scrollIntoView({ block: "center" }); }
}

export function drawSteps(record) {
  const open = record.steps.filter((step) => step.state === "open" || step.state === "left open").length;
  text($("steps-title"), `Steps of the job${record.steps.length ? `: ${record.steps.length - open} of ${record.steps.length} done` : ""}`);
  redraw($("steps"), JSON.stringify([record.steps, record.closed]), () => record.steps.map((step) => stepRow(step, record)));
}

function stepRow(step, record) {
  const live = step.state === "open" && !record.closed;
  return el("li", { class: "step", "data-state": step.state },
    el("div", {}, el("strong", {}, step.text), " ", el("span", { class: "chip", "data-outcome": { done: "pass", failed: "fail" }[step.state] || "" }, STATE[step.state] || step.state), step.who ? el("span", { class: "soft" }, ` ${step.who}`) : null),
    step.caution && live ? el("p", { class: "caution" }, step.caution) : null, step.note ? el("p", { class: "soft" }, step.note) : null,
    ...(step.asks || []).map((asked) => askRow(asked, step, record)),
    live ? el("div", { class: "row" }, ...[["done", "Done"], ["skipped", "Skip"]].map(([state, name]) => el("button", { class: "big lesser", type: "button", "data-key": `${state} ${step.id}`, "aria-label": `${name}: ${step.text}`, onclick: () => send("steps", { step: step.id, state, who: me() }) }, name))) : null);
}

function askRow(asked, step, record) {
  const known = asked.value !== undefined ? asked : asked.figure;
  const said = known && known.value !== undefined ? `${number(known.value, 0.1)} ${known.unit || asked.unit}` : "not entered";
  if (record.closed) { return el("p", { class: "soft" }, `${asked.text}: ${said}`); }
  const id = `ask-${step.id}-${asked.entry}`;
  const input = el("input", { id, inputmode: "decimal", autocomplete: "off", placeholder: known && known.value !== undefined ? said : "" });
  const enter = () => { if (input.value.trim()) { enterValue(asked.entry, input.value, asked.unit, () => { $(id).value = ""; }); } };
  return el("div", { class: "entry" }, el("label", { for: id }, `${asked.text} (${asked.unit})`), el("div", { class: "row" }, input, el("button", { class: "big lesser", type: "button", "data-key": id, "aria-label": `Enter: ${asked.text}`, onclick: enter }, "Enter")));
}

function enterValue(entry, said, unit, done) {
  let value;
  try { value = numeric(said, { name: entry }); } catch (error) { text($("page-error"), error.message); return; }
  send("ledger", { entry, value, unit, who: me() }, done);
}

// A job that asks for no refrigerant and no oil, and was told of none, misses none.
function missing(record, sheet) {
  const asked = new Set(record.steps.flatMap((step) => step.asks || []).map((each) => each.entry));
  return (sheet.missing || []).filter((entry) => asked.has(entry.entry) || (record.ledger || []).length > 0);
}

// What lies below nothing is called by what it is: 31.5 g under the label, not -31.5 g over it.
export function balance([name, data]) {
  if (!(data.value < 0) || !name.includes("_over_")) { return [name, data]; }
  const turned = { ...data, value: -data.value, ...(data.low === undefined ? {} : { low: -data.high, high: -data.low }) };
  return [name.replace("_over_", "_under_"), turned];
}

export function drawSheet(record) {
  const shown = (data) => (data && data.value !== undefined ? `${figure(data).value} ${figure(data).unit}${figure(data).interval ? ` (${figure(data).interval})` : ""}` : String(data));
  const sheet = record.sheet || {};
  const rows = [
    ...(record.ledger || []).map((entry) => [words(entry.entry), `${entry.value} ${unitWords(entry.unit || "")} ${entry.who ? `(${entry.who})` : ""}`]),
    ...Object.entries(sheet.balances || {}).map(balance).map(([name, data]) => [words(name), shown(data)]),
    ...(sheet.unusable || []).map((entry) => [words(entry.entry), `✗ ${entry.value} ${entry.unit || ""}: ${entry.why}`]),
    ...missing(record, sheet).map((entry) => [entry.text || words(entry.entry), "… not entered yet"]),
  ];
  redraw($("ledger"), JSON.stringify(rows), () => rows.flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
  redraw($("notes"), JSON.stringify(record.notes), () => (record.notes || []).map((note) => el("li", {}, el("time", {}, day(note.time)), el("span", {}, note.text), el("span", { class: "soft" }, note.who || ""))));
  redraw($("e-entry"), JSON.stringify(record.entries), () => (record.entries || []).map((entry) => el("option", { value: entry.id, "data-unit": entry.unit }, `${entry.text} (${entry.unit})`)));
  show($("entry-form"), !record.closed);
  show($("note-form"), !record.closed);
  show($("sign-form"), Boolean(record.closed));
  text($("sign-words"), record.closed ? (record.sign_offs.length ? "" : "Nobody has signed this session off yet.") : "It can be signed off when it has ended.");
  redraw($("signatures"), JSON.stringify(record.sign_offs), () => (record.sign_offs || []).map((each) => el("li", {}, el("time", {}, day(each.time)), el("strong", {}, `✓ ${each.who}`), el("span", {}, [each.role, each.comment].filter(Boolean).join(": ")))));
}

export function installSheet(address, load) {
  api = address;
  again = load;
  $("entry-form").addEventListener("submit", (event) => { event.preventDefault(); const option = $("e-entry").selectedOptions[0]; if (option && $("e-value").value.trim()) { enterValue(option.value, $("e-value").value, option.dataset.unit, () => { $("e-value").value = ""; }); } });
  $("note-form").addEventListener("submit", (event) => { event.preventDefault(); const said = $("n-text").value.trim(); if (said) { send("notes", { text: said, who: me() }, () => { $("n-text").value = ""; }); } });
  $("sign-form").addEventListener("submit", (event) => { event.preventDefault(); const who = $("s-who").value.trim(); iAm(who); send("sign-off", { who, role: $("s-role").value.trim() || "quality", comment: $("s-comment").value }, () => { $("s-comment").value = ""; }); });
  $("s-who").value = me();
}
