// Which trends are shown for the part in focus, and over which time; panels are made once and kept.
import { $, el, show, text } from "./dom.js";
import { loadPlots, showPlot } from "./plots.js";
import { Panel } from "./panel.js";

const PRESSURES = { roles: ["low_side", "high_side"] };
const VIEWS = {
  evacuation: (status) => [status.curve ? { roles: ["system_pressure"], fit: true } : { roles: ["system_pressure"], scale: "log" }],
  pressure_hold: (status) => (status.curve ? [{ roles: [status.curve.role], fit: true }] : [PRESSURES]),
  charge: (status) => (status.details && status.details.channels ? [PRESSURES] : [{ roles: ["tank_mass"] }]),
  pressures: () => [PRESSURES],
  sweep: () => [{ roles: ["coil_resistance"], short: true }],
};
const USUAL_MS = 15 * 60_000, SHORT_MS = 4 * 60_000;
const WINDOWS = { "5 min": 5 * 60_000, "30 min": 30 * 60_000 };
const panels = new Map();
let redrawn = () => {};
let B = null, failed = "", current = "", within = localStorage.getItem("window") || "this part";

function wanted(frame, status) {
  if (!status || !frame.session) { return [{ roles: ["system_pressure"], scale: "log" }, PRESSURES]; }
  return (VIEWS[status.watch] || (() => [PRESSURES]))(status);
}

// Moves in steps, so that a rolling window does not ask for history at every frame.
function startOf(frame, status, spec) {
  const now = Date.parse(frame.time);
  const began = frame.session ? Date.parse(frame.session.started) : now - USUAL_MS;
  if (within === "whole session") { return began; }
  if (WINDOWS[within]) { return Math.max(now - WINDOWS[within], frame.session ? began : 0); }
  if (spec.fit && status && status.curve) { return status.curve.time_ms[0]; }
  return spec.scale === "log" && frame.session ? began : Math.max(now - (spec.short ? SHORT_MS : USUAL_MS), frame.session ? began : 0);
}

function panelFor(spec, frame) {
  const channels = frame.channels.filter((channel) => spec.roles.includes(channel.role));
  if (!channels.length) { return null; }
  const key = `${spec.scale || ""}|${spec.fit ? "fit" : ""}|${channels.map((channel) => channel.name).join()}`;
  if (!panels.has(key)) { panels.set(key, new Panel(B, spec, channels)); }
  return panels.get(key);
}

export function drawTrend(frame, status) {
  if (!B) { begin(); return; }
  const shown = wanted(frame, status).map((spec) => [spec, panelFor(spec, frame)]).filter(([, panel]) => panel);
  const key = shown.map(([, panel]) => [...panel.series.keys()].join() + (panel.spec.scale || "") + Boolean(panel.spec.fit)).join("/");
  if (key !== current) { current = key; place(shown); }
  show($("trend-sheet"), shown.length > 0);
  for (const [spec, panel] of shown) {
    const start = startOf(frame, status, spec);
    const rolls = panel.start !== null && start > panel.start && start - panel.start < 120_000;
    if (panel.start === null || (!rolls && Math.abs(start - panel.start) > 1000)) { panel.load(start).then(() => { text($("trend-words"), ""); redrawn(); }).catch((error) => { panel.start = null; text($("trend-words"), error.message); }); } else if (rolls) { panel.start = start; }
    panel.grows = !frame.session && within === "this part";
    panel.take(frame.channels, frame.trends);
    if (!document.hidden) { panel.draw(frame, status); }
  }
}

function place(shown) {
  $("chart").replaceChildren(...shown.map(([, panel]) => el("div", {}, panel.node, panel.key)));
  for (const [, panel] of shown) {
    panel.start = null;
    if (!panel.placed) { panel.placed = true; showPlot(panel.plot, panel.node); }
  }
}

function begin() {
  if (failed) { return; }
  failed = "loading";
  loadPlots().then((made) => { B = made; failed = ""; }).catch((error) => { text($("chart-empty"), `The chart could not be drawn (${error.message}); the figures are live.`); setTimeout(() => { failed = ""; }, 5000); });
}

export function installTrend(again) {
  redrawn = again; // a bench that hears nothing sends no frame for a while
  const names = ["this part", ...Object.keys(WINDOWS), "whole session"];
  const buttons = names.map((name) => el("button", { type: "button", class: "pick", "aria-pressed": String(name === within), onclick: () => pick(name) }, name.charAt(0).toUpperCase() + name.slice(1)));
  const pick = (name) => {
    within = name;
    localStorage.setItem("window", name);
    buttons.forEach((button, index) => button.setAttribute("aria-pressed", String(names[index] === name)));
    for (const panel of panels.values()) { panel.start = null; }
    again();
  };
  $("trend-window").replaceChildren(...buttons);
}

export function forgetTrend() { for (const panel of panels.values()) { panel.start = null; } }
