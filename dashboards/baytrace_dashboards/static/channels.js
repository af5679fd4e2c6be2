// The channel tiles: value, unit, age, quality, limits as bands. Tiles are made once and then only their parts change.
import { el, text, attribute, redraw } from "./dom.js";
import { called, span, spread, DASH } from "./format.js";
import { bandsOf, bandWords, standing, strip, standingWords, unitText, valueWords } from "./bands.js";

const SIDE = { low_side: "LOW", suction_line: "LOW", high_side: "HIGH", liquid_line: "HIGH", discharge_line: "HIGH" };
const SHOWN_BANDS = 3;
const tiles = new Map();

function tile(channel) {
  const parts = { label: el("span"), side: el("span", { class: "side" }), value: el("span"), unit: el("small"), age: el("span", { class: "age" }), range: el("span"), bands: el("div", { class: "bands" }), note: el("div", { class: "note" }) };
  const root = el("article", { class: "channel", "data-role": channel.role, "data-channel": channel.name, "aria-label": called(channel) },
    el("div", { class: "label" }, parts.label, parts.side), el("div", { class: "value" }, parts.value, " ", parts.unit), el("div", { class: "small" }, parts.range, parts.age), parts.bands, parts.note);
  return { root, ...parts };
}

export function drawChannels(root, channels) {
  for (const channel of channels) {
    let made = tiles.get(channel.name);
    if (!made) { made = tile(channel); tiles.set(channel.name, made); root.append(made.root); }
    text(made.label, called(channel));
    text(made.side, SIDE[channel.role] || "");
    text(made.value, valueWords(channel));
    text(made.unit, channel.shown === null || channel.shown === undefined ? "" : unitText(channel));
    attribute(made.value, "class", channel.open_circuit || channel.over_range ? "in-words" : made.value.textContent.length + made.unit.textContent.length > 10 ? "long" : "");
    text(made.range, [channel.uncertainty ? `± ${spread(channel.uncertainty * Math.abs(channel.shown_scale))}` : "", channel.against === "gauge" ? "gauge" : ""].filter(Boolean).join(" "));
    text(made.age, channel.age_s === undefined || channel.stale ? "" : channel.age_s < 1.5 ? "now" : `${span(channel.age_s)} ago`);
    attribute(made.root, "data-stale", Boolean(channel.stale));
    attribute(made.root, "data-doubt", Boolean(channel.overdue || channel.found_off));
    drawBands(made.bands, channel);
    text(made.note, note(channel));
  }
}

function drawBands(root, channel) {
  const bands = channel.stale ? [] : bandsOf(channel).slice(0, SHOWN_BANDS);
  const half = (channel.uncertainty || 0) * Math.abs(channel.shown_scale);
  const value = channel.shown ?? null;
  redraw(root, JSON.stringify([bands, value, half]), () => bands.map((band) => {
    const where = standing(band, value, half);
    return el("div", { class: "band", "data-standing": where, "data-kind": band.kind }, strip(band, value, half, channel.role === "system_pressure"), el("span", {}, `${standingWords(band, where)} ${bandWords(band, unitText(channel))}`));
  }));
}

function note(channel) {
  if (channel.stale) { return channel.count ? `✗ no data for ${span(channel.age_s)}` : "✗ never heard"; }
  if (channel.count === 0) { return "no reading yet"; }
  const said = channel.quality.filter((word) => !["source time", "open circuit", "over range"].includes(word));
  if (channel.found_off) { said.unshift(channel.found_off); }
  if (channel.overdue) { said.unshift("calibration overdue"); }
  return said.length ? `! ${said.join(", ")}` : "";
}

// Overdue calibration is said where nobody can miss it: such an instrument cannot give a pass.
export function drawDue(sheet, line, channels) {
  const due = channels.filter((channel) => channel.overdue).map(called);
  const off = channels.filter((channel) => channel.found_off).map(called);
  sheet.hidden = !due.length && !off.length;
  const said = [];
  if (due.length) { said.push(`Calibration overdue: ${due.join(", ")}.`); }
  if (off.length) { said.push(`Found off in a field check: ${off.join(", ")}.`); }
  text(line, said.length ? `${said.join(" ")} What rests on them can only be undecided, never a pass.` : DASH);
}
