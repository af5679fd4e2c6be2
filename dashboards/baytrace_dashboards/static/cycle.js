// The pressure-enthalpy picture of the running loop: the fluid's dome, and the loop as it runs, drawn over it.
import { $, el, redraw, show, svg, text } from "./dom.js";
import { get } from "./live.js";
import { number } from "./format.js";

const LEFT = 58, RIGHT = 14, TOP = 14, BOTTOM = 46, NARROW = 520;
let W = 720, H = 430;
const NAMES = { suction: "suction", discharge: "discharge", liquid: "liquid", valve: "after the valve" };
const domes = new Map();

function dome(fluid, again) {
  if (!domes.has(fluid)) {
    domes.set(fluid, null);
    get(`/api/dome?fluid=${encodeURIComponent(fluid)}`).then((made) => { domes.set(fluid, made); again(); }).catch(() => setTimeout(() => domes.delete(fluid), 5000));
  }
  return domes.get(fluid);
}

function scales(made, points) {
  const enthalpies = [...made.bubble, ...made.dew].map(([h]) => h).concat(points.map((point) => point.enthalpy));
  const pressures = points.map((point) => point.pressure);
  const lowest = Math.min(...pressures) / 1.8, highest = Math.max(...pressures, made.critical_pa) * 1.25;
  const h0 = Math.min(...enthalpies), h1 = Math.max(...enthalpies), room = (h1 - h0) * 0.06;
  const x = (h) => LEFT + ((h - h0 + room) / (h1 - h0 + 2 * room)) * (W - LEFT - RIGHT);
  const y = (p) => H - BOTTOM - (Math.log(p / lowest) / Math.log(highest / lowest)) * (H - TOP - BOTTOM);
  return { x, y, lowest, highest, h0: h0 - room, h1: h1 + room };
}

const path = (points) => points.map(([x, y], index) => `${index ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join(" ");

function axes(s) {
  const made = [];
  for (let power = 4; power <= 7; power += 1) {
    for (const lead of [1, 2, 5]) {
      const p = lead * 10 ** power;
      if (p < s.lowest || p > s.highest) { continue; }
      made.push(svg("line", { class: "grid", x1: LEFT, x2: W - RIGHT, y1: s.y(p), y2: s.y(p) }), svg("text", { x: LEFT - 8, y: s.y(p) + 6, "text-anchor": "end" }, `${p / 1e5}`));
    }
  }
  const step = 50_000 * Math.ceil((s.h1 - s.h0) / (W / 100) / 50_000);
  for (let h = Math.ceil(s.h0 / step) * step; h < s.h1; h += step) {
    made.push(svg("line", { class: "grid", x1: s.x(h), x2: s.x(h), y1: TOP, y2: H - BOTTOM }), svg("text", { x: s.x(h), y: H - BOTTOM + 20, "text-anchor": "middle" }, `${h / 1000}`));
  }
  made.push(svg("text", { x: W - RIGHT, y: H - 6, "text-anchor": "end" }, "enthalpy, kJ/kg"), svg("text", { x: LEFT + 6, y: TOP + 14 }, "bar absolute"));
  return made;
}

function picture(made, points) {
  const s = scales(made, points);
  const at = (point) => [s.x(point.enthalpy), s.y(point.pressure)];
  const inside = ([, p]) => p >= s.lowest;
  const curve = [...made.bubble.filter(inside), ...made.dew.filter(inside).reverse()].map(([h, p]) => [s.x(h), s.y(p)]);
  const [one, two, three, four] = points;
  const root = svg("svg", { viewBox: `0 0 ${W} ${H}`, class: "ph", role: "img", "aria-label": words(made, points) }, ...axes(s));
  root.append(svg("path", { class: "dome", d: path(curve) }));
  if (two.pressure > made.critical_pa) {
    root.append(svg("line", { class: "critical", x1: LEFT, x2: W - RIGHT, y1: s.y(made.critical_pa), y2: s.y(made.critical_pa) }), svg("text", { class: "critical-word", x: LEFT + 6, y: s.y(made.critical_pa) - 7 }, `critical${narrow() ? "" : " pressure"} ${number(made.critical_pa / 1e5)} bar`));
  }
  root.append(svg("path", { class: "low", d: path([at(four), at(one)]) }), svg("path", { class: "high", d: path([at(two), at(three)]) }), svg("path", { class: "step", d: path([at(three), at(four)]) }),
    svg("path", { class: two.measured ? "step" : "step assumed", d: path([at(one), at(two)]) }));
  for (const point of points) { root.append(...label(point, at(point))); }
  return root;
}

function label(point, [x, y]) {
  const right = point.name === "suction" || point.name === "discharge";
  const below = point.name === "suction" || point.name === "valve";
  const end = right && x > W - 150;
  return [svg("circle", { class: "point", cx: x, cy: y, r: 11 }), svg("text", { class: "point-number", x, y: y + 5, "text-anchor": "middle" }, `${point.point}`),
    svg("text", { class: "point-word", x: end ? x - 16 : right ? x + 16 : x - 16, y: below ? y + 24 : y - 12, "text-anchor": right && !end ? "start" : "end" }, `${number(point.temperature, 0.1)} °C`)];
}

function words(made, points) {
  return `${made.fluid}: ${points.map((point) => `${point.point} ${NAMES[point.name]} ${number(point.temperature, 0.1)} °C at ${number(point.pressure / 1e5, 0.01)} bar absolute${point.measured ? "" : " (assumed, not measured)"}`).join("; ")}`;
}

function remark(made, points) {
  const high = points[1].pressure;
  if (high > made.critical_pa) { return "The high side stands above the critical pressure: the gas cools and does not condense, so there is no condensing temperature and no subcooling."; }
  return "Left of the dome is liquid, right of it vapour: point 1 should lie to its right (superheat), point 3 to its left (subcooling).";
}

const narrow = () => $("cycle").clientWidth > 0 && $("cycle").clientWidth < NARROW;

export function drawCycle(watch, again) {
  const details = (watch && watch.details) || {};
  const points = details.cycle_points;
  show($("cycle-sheet"), Boolean(points && points.length === 4));
  if (!points || points.length !== 4) { return; }
  const made = dome(details.fluid, again);
  if (!made) { return; }
  [W, H] = narrow() ? [390, 380] : [720, 430];
  text($("cycle-title"), `Pressure and enthalpy, ${made.fluid}`);
  redraw($("cycle"), JSON.stringify([points, narrow()]), () => [picture(made, points)]);
  redraw($("cycle-key"), JSON.stringify(points.map((point) => [point.temperature.toFixed(1), point.measured])), () => [
    ...points.map((point) => el("li", {}, `${point.point} ${NAMES[point.name]}${point.measured ? "" : " (assumed)"}`)), el("li", { class: "soft whole" }, remark(made, points))]);
}
