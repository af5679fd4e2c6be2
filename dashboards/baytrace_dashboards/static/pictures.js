// Pictures of a whole session: pressures of the loop, the vacuum on a log scale, temperatures, mass, coils. Marks as lines.
import { $, el, text } from "./dom.js";
import { called, zone } from "./format.js";
import { get } from "./live.js";
import { drawnAt, loadPlots, local, lookOf, sample, timePlot, showPlot } from "./plots.js";

const GROUPS = [
  ["Vacuum (Pa, logarithmic)", ["system_pressure"], (x) => x, "log"],
  ["Pressures (kPa, absolute)", ["low_side", "high_side"], (x) => x / 1000, "linear"],
  ["Temperatures (°C)", ["suction_line", "liquid_line", "discharge_line", "vent_air", "ambient_air", "system_temperature"], (x) => x - 273.15, "linear"],
  ["Tank (g)", ["tank_mass"], (x) => x * 1000, "linear"],
  ["Coils (Ω)", ["coil_resistance"], (x) => (x > 1e5 ? NaN : x), "linear"],
];

function marksOn(B, plot, marks) {
  for (const mark of marks) {
    plot.add_layout(new B.Span({ location: local(Date.parse(mark.time)), dimension: "height", line_color: "#545b66", line_dash: [3, 5], line_width: 1 }));
  }
}

async function picture(B, root, api, record, [title, roles, map, scale]) {
  const channels = (record.instruments || []).filter((each) => roles.includes(each.role));
  if (!channels.length) { return; }
  const past = await get(`${api}/readings?points=720${channels.map((each) => `&channel=${encodeURIComponent(each.name)}`).join("")}`);
  const values = (each) => past.channels[each.name].value.map((value) => (value === null ? NaN : map(value)));
  const drawn = channels.filter((each) => past.channels[each.name] && values(each).some((value) => Number.isFinite(value) && (scale !== "log" || value > 0)));
  if (!drawn.length) { return; }
  const plot = timePlot(B, { sizing_mode: "stretch_width", height: 300, y_axis_type: scale });
  for (const each of drawn) {
    const [color, dash] = lookOf(each.role);
    plot.line({ x: past.channels[each.name].time_ms.map(local), y: values(each), line_color: color, line_dash: dash, line_width: 2.5 });
  }
  marksOn(B, plot, record.marks || []);
  const box = el("div", { class: "session-picture", role: "img", "aria-label": `${title} over the session` });
  root.append(el("figure", {}, el("figcaption", {}, el("h3", {}, title)), box, el("ul", { class: "chart-key" }, ...drawn.map((each) => { const [color, dash, word] = lookOf(each.role); return el("li", {}, sample(color, dash), `${called(each)}, ${word}`); }), el("li", {}, sample("#545b66", [3, 5]), "a mark"))));
  await showPlot(plot, box);
}

export async function drawPictures(root, api, record) {
  const B = await loadPlots();
  drawnAt(Date.parse(record.started));
  text($("pictures-title"), `Pictures (times in ${zone(Date.parse(record.started))})`);
  for (const group of GROUPS) { await picture(B, root, api, record, group); }
  if (!root.childElementCount) { root.append(el("p", { class: "soft" }, "Nothing was read that could be drawn.")); }
}
