// The settings of a watch as a form, drawn from the rows the bench serves: nothing about any watch is known here.
// Only what differs from the default is sent; the bench's own models check it.
import { el } from "./dom.js";
import { symbols, unitWords, words } from "./format.js";

const shownDefault = (row) => (row.default === null || row.default === "" ? "" : row.kind === "number" ? `${Number(row.default.toPrecision(6))}` : `${row.default}`);

function field(row, id) {
  if (row.kind === "choice" || row.kind === "yes or no") {
    const choices = row.kind === "choice" ? row.choices : ["no", "yes"];
    const usual = row.kind === "choice" ? row.default : row.default ? "yes" : "no";
    const listed = row.needed ? ["", ...choices] : choices;
    const select = el("select", { id }, ...[...new Set(listed)].map((choice) => el("option", { value: choice }, choice === "" ? "as the bench sees fit" : words(choice))));
    select.value = usual ?? "";
    return select;
  }
  if (row.kind === "grid") { return el("textarea", { id, placeholder: (row.default || []).map((line) => line.join("  ")).join("\n"), rows: 5 }); }
  if (row.kind === "document") { return el("textarea", { id, placeholder: "{ }", rows: 5, spellcheck: "false" }); }
  const input = el("input", { id, inputmode: row.kind === "number" || row.kind === "whole" ? "decimal" : "text", autocomplete: "off", placeholder: shownDefault(row), list: row.known ? `${id}-known` : null });
  return input;
}

function bounds(row) {
  const low = row.least ?? row.above, high = row.most ?? row.below;
  if (low === undefined && high === undefined) { return ""; }
  if (high === undefined) { return low === 0 ? "" : `${row.above === undefined ? "at least" : "above"} ${low}`; }
  return low === undefined ? `at most ${high}` : `${low} to ${high}`;
}

function rowNode(row, id) {
  const input = field(row, id);
  const unit = unitWords(row.unit || "");
  const origin = row.source ? `Default ${row.kind === "grid" ? "table" : shownDefault(row)}${unit ? ` ${unit}` : ""}: ${row.source}${row.note ? ` (${row.note})` : ""}` : "";
  return el("div", { class: "setting" }, el("label", { for: id }, `${words(row.label)}${unit ? ` (${unit})` : ""}${row.needed ? ", must be given" : ""}`), input,
    row.known ? el("datalist", { id: `${id}-known` }, ...row.known.map((name) => el("option", { value: name }))) : null,
    el("p", { class: "help" }, symbols([row.text, bounds(row), origin].filter(Boolean).join(" · "))));
}

// A form for one watch: `node`, `values()` as the plan wants them, `fill(settings)` from a preset. `skip` names rows asked elsewhere.
export function settingsForm(watch, skip) {
  const rows = watch.rows.filter((row) => !skip.includes(row.name));
  const id = (row) => `s-${watch.name}-${row.name}`;
  const made = new Map(rows.map((row) => [row.name, row.kind === "rows" ? listForm(row, id(row)) : rowNode(row, id(row))]));
  const first = rows.filter((row) => row.ask || row.needed || row.kind === "rows"), rest = rows.filter((row) => !first.includes(row));
  const node = el("div", { class: "settings", "data-watch": watch.name }, el("div", { class: "form-grid" }, ...first.map((row) => made.get(row.name).node || made.get(row.name))),
    rest.length ? el("details", {}, el("summary", {}, `Limits and settings of ${words(watch.name).toLowerCase()} (${rest.length})`), el("div", { class: "form-grid" }, ...rest.map((row) => made.get(row.name)))) : null);
  return {
    node,
    values() {
      const found = {};
      for (const row of rows) {
        const value = row.kind === "rows" ? made.get(row.name).values() : read(row, node.querySelector(`#${CSS.escape(id(row))}`));
        if (value !== undefined) { found[row.name] = value; }
      }
      return found;
    },
    fill(settings) {
      for (const row of rows) { if (row.kind === "rows") { made.get(row.name).fill(settings[row.name] || []); } else { write(row, node.querySelector(`#${CSS.escape(id(row))}`), settings[row.name]); } }
      const changed = rest.some((row) => settings[row.name] !== undefined);
      if (changed) { node.querySelector("details").open = true; }
    },
  };
}

function read(row, input) {
  const said = input.value.trim();
  if (row.kind === "choice") { return said === (row.default ?? "") ? undefined : said; }
  if (row.kind === "yes or no") { return (said === "yes") === Boolean(row.default) ? undefined : said === "yes"; }
  if (said === "") { return undefined; }
  if (row.kind === "number" || row.kind === "whole") { return numeric(said, row); }
  if (row.kind === "document") { return documentIn(said, row); }
  if (row.kind === "grid") { return said.split("\n").map((line) => line.trim()).filter(Boolean).map((line) => line.split(/[\s;]+/).map((cell) => numeric(cell, row))); }
  return row.kind === "list" ? said.split(/[\s,;]+/).filter(Boolean) : said;
}

function documentIn(said, row) {
  try { return JSON.parse(said); } catch (error) { throw new Error(`${words(row.name)}: this is no JSON (${error.message})`); }
}

export function numeric(said, row) {
  const value = Number(said.replace(",", "."));
  if (!Number.isFinite(value)) { throw new Error(`${words(row.name)}: “${said}” is no number`); }
  return value;
}

function write(row, input, value) {
  if (row.kind === "choice") { input.value = value ?? row.default ?? ""; } else if (row.kind === "yes or no") { input.value = (value ?? row.default) ? "yes" : "no"; } else if (value === undefined || value === null) { input.value = ""; } else { input.value = row.kind === "document" ? JSON.stringify(value, null, 1) : row.kind === "grid" ? value.map((line) => line.join("  ")).join("\n") : Array.isArray(value) ? value.join(", ") : String(value); }
}

// A setting that is a list of lines, each with settings of its own (a session's limits).
function listForm(row, id) {
  const lines = el("div", { class: "lines" });
  const forms = [];
  const add = (values = {}) => {
    const number_ = forms.length + 1;
    const inner = settingsForm({ name: `${id.slice(2)}-${number_}`, rows: row.rows.map((each) => ({ ...each, ask: ["channel", "high", "low", "unit", "name"].includes(each.name) })) }, []);
    inner.fill(values);
    const box = el("fieldset", { class: "line" }, el("legend", {}, `${words(row.name)} ${number_}`), inner.node, el("button", { type: "button", class: "big lesser", onclick: () => { forms.splice(forms.indexOf(inner), 1); box.remove(); } }, "Take it out"));
    forms.push(inner);
    lines.append(box);
  };
  const node = el("div", { class: "setting whole" }, el("p", { class: "help" }, row.text), lines, el("button", { type: "button", class: "big lesser", onclick: () => add() }, "Add a line"));
  return { node, values: () => (forms.length ? forms.map((form) => form.values()) : undefined), fill: (values) => { lines.replaceChildren(); forms.length = 0; values.forEach(add); } };
}

