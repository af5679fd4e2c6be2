// Numbers and times for people. A figure that is not there is a dash, never a zero.
export const DASH = "—";
export const SIGN = { pass: "✓ pass", fail: "✗ fail", undecided: "? undecided" };

export function number(value, uncertainty) { return plain(value, uncertainty).replace(/^-(0(\.0+)?)$/, "$1"); }

function plain(value, uncertainty) {
  if (value === null || value === undefined || !Number.isFinite(value)) { return DASH; }
  const size = Math.abs(value);
  if (uncertainty >= 100) { const step = 10 ** (Math.floor(Math.log10(uncertainty)) - 1); return (Math.round(value / step) * step).toFixed(0); }
  if (uncertainty > 0) {
    const digits = Math.min(6, Math.max(0, -Math.floor(Math.log10(uncertainty))));
    if (size < 1e6 && size >= 1e-4) { return value.toFixed(digits); }
  }
  if (size !== 0 && (size < 1e-3 || size >= 1e6)) { const [head, power] = value.toExponential(2).split("e"); return `${head}×10${raised(Number(power))}`; }
  return size === 0 || size >= 1000 ? value.toFixed(0) : size >= 100 ? value.toFixed(1) : size >= 1 ? value.toFixed(2) : value.toPrecision(3);
}

// Half an interval, with two digits.
export function spread(value) { return value > 0 ? number(value, value / (value < 100 ? 10 : 1)) : DASH; }

export function span(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) { return DASH; }
  const whole = Math.max(0, Math.round(seconds));
  const h = Math.floor(whole / 3600), m = Math.floor((whole % 3600) / 60), s = whole % 60;
  if (h) { return `${h} h ${m} min`; }
  return m ? `${m} min ${String(s).padStart(2, "0")} s` : `${s} s`;
}

// Times are those of the reader's place. Its offset stands in the bar and beside every date; a time of day that had another one
// than now (the clocks were changed since) says so, and an hour that comes twice is told apart.
export function zone(ms = Date.now()) {
  const minutes = -new Date(ms).getTimezoneOffset(), size = Math.abs(minutes), rest = size % 60;
  return `UTC${minutes ? `${minutes > 0 ? "+" : "−"}${Math.floor(size / 60)}${rest ? `:${String(rest).padStart(2, "0")}` : ""}` : ""}`;
}
const unlessNow = (text) => (zone(Date.parse(text)) === zone() ? "" : ` ${zone(Date.parse(text))}`);
const TIME = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
export function clock(text) { return text ? new Date(text).toLocaleTimeString([], { ...TIME, second: "2-digit" }) + unlessNow(text) : DASH; }
export function minute(text) { return text ? new Date(text).toLocaleTimeString([], TIME) + unlessNow(text) : DASH; }
export function day(text) { return text ? `${new Date(text).toLocaleString([], { year: "numeric", month: "short", day: "2-digit", ...TIME })} ${zone(Date.parse(text))}` : DASH; }
export function words(name) { const text = (name || "").replaceAll("_", " "); return text.charAt(0).toUpperCase() + text.slice(1); }
// A channel as the bench calls it: what it measures, and its own name where it has one.
export function called(channel) { const label = channel.label || words(channel.role); return channel.name === channel.role ? label : `${label} (${channel.name})`; }
export function count(number_, one, many) { return `${number_} ${number_ === 1 ? one : many}`; }

const SUPER = { "0": "⁰", "1": "¹", "2": "²", "3": "³", "4": "⁴", "5": "⁵", "6": "⁶", "7": "⁷", "8": "⁸", "9": "⁹", "-": "⁻" };
export const raised = (power) => String(power).split("").map((c) => SUPER[c] || c).join("");

const SHOWN = { "1": "", "Pa*m3/s": "Pa·m³/s", "mbar*L/s": "mbar·L/s", degC: "°C", degF: "°F", K: "K", ohm: "Ω", "g/a": "g a year", "1/K": "per K" };
export function unitWords(unit) { return SHOWN[unit] ?? unit; }

// A sentence of the bench with its units as they are written on instruments.
const WRITTEN = [[/\bdegC\b/g, "°C"], [/\bdegF\b/g, "°F"], [/\bohm\b/g, "Ω"], [/\b(Pa)[ *]m3\/s/g, "$1·m³/s"], [/\bmbar[ *]L\/s/g, "mbar·L/s"]];
export function symbols(said) { return WRITTEN.reduce((text, [unit, symbol]) => text.replace(unit, symbol), said || ""); }

export const powerOf = (size) => (size > 0 && size < 1e-3 ? Math.floor(Math.log10(size)) : 0);

// `given` is a power of ten to write it in, such as that of a limit beside it; else that of the largest of the value and its ends.
export function figure(data, given = 0) {
  if (!data) { return { value: DASH, unit: "", interval: "" }; }
  let { value, low, high, unit } = data;
  let shownUnit = unitWords(unit);
  if (unit === "s") { return { value: span(value), unit: "", interval: low === undefined ? "" : `${span(low)} to ${span(high)}` }; }
  if (unit === "1" && Number.isInteger(value) && low === undefined) { return { value: String(value), unit: "", interval: "" }; }
  if (unit === "Pa/s") { value *= 60; low *= 60; high *= 60; shownUnit = "Pa/min"; }
  if (unit === "Pa" && Math.abs(value) >= 10000) { value /= 1000; low /= 1000; high /= 1000; shownUnit = "kPa"; }
  const known = Number.isFinite(low) && Number.isFinite(high);
  // nothing found: what can be said is how much it is at most
  const most = known && value === 0 && low === 0 && high > 0;
  const size = known ? Math.max(Math.abs(low), Math.abs(high)) : Math.abs(value);
  const power = given || powerOf(size);
  const half = known ? (high - low) / 2 * 10 ** -power : 0;
  const shown = (x) => { const scaled = x * 10 ** -power; return number(Math.abs(scaled) < half / 100 ? 0 : scaled, half > 0 && !most ? half / 10 : data.uncertainty || 0); };
  const tail = power ? `×10${raised(power)} ` : "";
  const between = known ? `between ${shown(low)} and ${shown(high)} ${tail}${shownUnit} (95 %)` : "";
  return { value: most ? `< ${shown(high)}` : shown(value), unit: `${tail}${shownUnit}`, interval: between };
}
