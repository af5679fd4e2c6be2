// The channel tiles: value, unit, age, quality. Tiles are made once and then only their texts change.
import { el, text, attribute } from "./dom.js";
import { number, span, DASH } from "./format.js";

const tiles = new Map();

export function shown(channel, si) { return si === null || si === undefined ? null : si * channel.shown_scale + channel.shown_offset; }
export function unitText(channel) { return channel.shown_unit.replace("deg", "°").replace("ohm", "Ω"); }

function tile(channel) {
  const parts = { label: el("span"), sign: el("span"), value: el("span"), unit: el("small"), note: el("div", { class: "note" }) };
  const root = el("article", { class: "channel", "data-role": channel.role, "aria-label": channel.label },
    el("div", { class: "label" }, parts.label, parts.sign), el("div", { class: "value" }, parts.value, " ", parts.unit), parts.note);
  return { root, ...parts };
}

export function drawChannels(root, channels) {
  for (const channel of channels) {
    let made = tiles.get(channel.name);
    if (!made) { made = tile(channel); tiles.set(channel.name, made); root.append(made.root); }
    text(made.label, channel.label === channel.name || channel.name === channel.role ? channel.label : `${channel.label} · ${channel.name}`);
    text(made.sign, { low_side: "LOW", suction_line: "LOW", high_side: "HIGH", liquid_line: "HIGH", discharge_line: "HIGH" }[channel.role] || "");
    const scale = Math.abs(channel.shown_scale || 1);
    text(made.value, channel.open_circuit ? "open" : channel.over_range ? "over range" : number(channel.shown, channel.uncertainty ? channel.uncertainty * scale : 0));
    text(made.unit, channel.shown === null || channel.shown === undefined ? "" : unitText(channel));
    attribute(made.root, "data-stale", channel.stale);
    text(made.note, note(channel));
  }
}

function note(channel) {
  if (channel.value === null && !channel.open_circuit && channel.count === 0) { return "no reading yet"; }
  if (channel.stale) { return `✗ no data for ${span(channel.age_s)}`; }
  const words = channel.quality.filter((word) => !["source time", "open circuit", "over range"].includes(word));
  if (channel.overdue) { words.unshift("calibration overdue"); }
  const range = channel.uncertainty ? `± ${number(channel.uncertainty * Math.abs(channel.shown_scale))}` : "";
  if (channel.against === "gauge") { words.push("gauge"); }
  return [words.length ? `${words.every((word) => word === "gauge") ? "" : "! "}${words.join(", ")}` : "", range].filter(Boolean).join("  ") || DASH;
}
