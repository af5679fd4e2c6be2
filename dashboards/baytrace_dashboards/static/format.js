// Numbers and times for people. A figure that is not there is a dash, never a zero.
export const DASH = "—";
export const SIGN = { pass: "✓ pass", fail: "✗ fail", undecided: "? undecided" };

export function number(value, uncertainty) {
  if (value === null || value === undefined || !Number.isFinite(value)) { return DASH; }
  const size = Math.abs(value);
  if (uncertainty > 0) {
    const digits = Math.min(6, Math.max(0, -Math.floor(Math.log10(uncertainty))));
    if (size < 1e6 && size >= 1e-4) { return value.toFixed(digits); }
  }
  if (size !== 0 && (size < 1e-3 || size >= 1e6)) { return value.toExponential(2).replace("e-", "×10⁻").replace("e+", "×10^"); }
  return size >= 1000 ? value.toFixed(0) : size >= 100 ? value.toFixed(1) : size >= 1 ? value.toFixed(2) : value.toPrecision(3);
}

export function span(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) { return DASH; }
  const whole = Math.max(0, Math.round(seconds));
  const h = Math.floor(whole / 3600), m = Math.floor((whole % 3600) / 60), s = whole % 60;
  if (h) { return `${h} h ${m} min`; }
  return m ? `${m} min ${String(s).padStart(2, "0")} s` : `${s} s`;
}

export function clock(text) { return text ? new Date(text).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" }) : DASH; }
export function day(text) { return text ? new Date(text).toLocaleString([], { year: "numeric", month: "short", day: "2-digit", hour: "2-digit", minute: "2-digit" }) : DASH; }
export function words(name) { const text = (name || "").replaceAll("_", " "); return text.charAt(0).toUpperCase() + text.slice(1); }

const SUPER = { "0": "⁰", "1": "¹", "2": "²", "3": "³", "4": "⁴", "5": "⁵", "6": "⁶", "7": "⁷", "8": "⁸", "9": "⁹", "-": "⁻" };
export const raised = (power) => String(power).split("").map((c) => SUPER[c] || c).join("");

const SHOWN = { "1": "", "Pa*m3/s": "Pa·m³/s", degC: "°C", K: "K", ohm: "Ω" };
export function figure(data) {
  if (!data) { return { value: DASH, unit: "", interval: "" }; }
  let { value, low, high, unit } = data;
  const size = Math.abs(value);
  let shownUnit = SHOWN[unit] ?? unit;
  if (unit === "s") { return { value: span(value), unit: "", interval: low === undefined ? "" : `${span(low)} to ${span(high)}` }; }
  if (unit === "Pa" && size >= 10000) { value /= 1000; low /= 1000; high /= 1000; shownUnit = "kPa"; }
  let power = 0;
  if (value !== 0 && Math.abs(value) < 1e-3) { power = Math.floor(Math.log10(Math.abs(value))); }
  const f = 10 ** -power;
  const show = (x) => number(x * f);
  const tail = power ? `×10${raised(power)} ` : "";
  const between = Number.isFinite(low) && Number.isFinite(high) ? `between ${show(low)} and ${show(high)} ${tail}${shownUnit} (95 %)` : "";
  return { value: show(value), unit: `${tail}${shownUnit}`, interval: between };
}
