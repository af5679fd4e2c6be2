// Limits as bands: where the value stands between them, in words and as a strip. Colour is never the only sign.
import { el } from "./dom.js";
import { number, unitWords } from "./format.js";

export function shown(channel, si) { return si === null || si === undefined ? null : si * channel.shown_scale + channel.shown_offset; }
export function unitText(channel) { return unitWords(channel.shown_unit.replace(/^deg([CF])$/, "deg$1")); }

// The bands of a channel in its own unit, `low` below `high`.
export function bandsOf(channel) {
  return (channel.bands || []).map((band) => {
    const ends = [shown(channel, band.low), shown(channel, band.high)];
    if (channel.shown_scale < 0) { ends.reverse(); }
    return { name: band.name, kind: band.kind, low: ends[0], high: ends[1] };
  });
}

export function bandWords(band, unit) {
  const digits = (x) => Number(x.toPrecision(3)).toLocaleString("en", { maximumSignificantDigits: 3, useGrouping: false });
  const range = band.low === null ? `below ${digits(band.high)}` : band.high === null ? `above ${digits(band.low)}` : `${digits(band.low)} to ${digits(band.high)}`;
  const name = band.kind !== "limit" ? band.name : band.name === "limit" ? "limit" : `limit “${band.name}”`;
  return `${name}: ${range} ${unit}`;
}

// Where value ± half stands: "inside", "outside" or "unsure" when its interval lies across an end.
export function standing(band, value, half) {
  if (value === null || !Number.isFinite(value)) { return "unknown"; }
  const low = band.low ?? -Infinity, high = band.high ?? Infinity;
  if (value - half >= low && value + half <= high) { return "inside"; }
  return value + half < low || value - half > high ? "outside" : "unsure";
}

const STANDING = { inside: "✓ within", outside: "✗ outside", unsure: "? too near to tell,", unknown: "" };
const REACHED = { ...STANDING, inside: "✓ reached,", outside: "… not yet," };
export const standingWords = (band, where) => (band.kind === "target" ? REACHED : STANDING)[where];

// A strip with the allowed part solid, the rest hatched, and the value as a needle with its interval.
export function strip(band, value, half, logarithmic) {
  const ends = [band.low, band.high, value].filter((x) => x !== null && Number.isFinite(x) && (!logarithmic || x > 0));
  const f = logarithmic ? Math.log10 : (x) => x;
  const least = Math.min(...ends.map(f)), most = Math.max(...ends.map(f));
  const room = (most - least || Math.abs(most) || 1) * 0.3;
  const place = (x) => Math.min(100, Math.max(0, ((f(x) - (least - room)) / (most - least + 2 * room)) * 100));
  const root = el("div", { class: "strip", "aria-hidden": "true" });
  const part = (kind, from, to) => { const node = el("span", { class: kind }); node.style.left = `${from}%`; node.style.width = `${Math.max(to - from, 0)}%`; root.append(node); };
  part("allowed", band.low === null ? 0 : place(band.low), band.high === null ? 100 : place(band.high));
  if (value !== null && Number.isFinite(value) && (!logarithmic || value > 0)) {
    if (half > 0 && (!logarithmic || value > half)) { part("spread", place(value - half), place(value + half)); }
    part("needle", place(value), place(value));
  }
  return root;
}

export function valueWords(channel) {
  if (channel.open_circuit) { return "open"; }
  if (channel.over_range) { return "over range"; }
  return number(channel.shown, channel.uncertainty ? channel.uncertainty * Math.abs(channel.shown_scale || 1) / 2 : 0);
}
