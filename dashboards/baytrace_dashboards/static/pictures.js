// Pictures of a whole session: pressures of the loop, the vacuum on a log scale, temperatures, mass, coils. Marks as lines.
import { el } from "./dom.js";
import { get } from "./live.js";

const GROUPS = [
  ["Vacuum (Pa, logarithmic)", ["system_pressure"], (x) => x, "log"],
  ["Pressures (kPa, absolute)", ["low_side", "high_side"], (x) => x / 1000, "linear"],
  ["Temperatures (°C)", ["suction_line", "liquid_line", "discharge_line", "vent_air", "ambient_air", "system_temperature"], (x) => x - 273.15, "linear"],
  ["Tank (g)", ["tank_mass"], (x) => x * 1000, "linear"],
  ["Coils (Ω)", ["coil_resistance"], (x) => (x > 1e5 ? NaN : x), "linear"],
];
const LOOK = { low_side: ["#0a4fa8", "solid"], suction_line: ["#0a4fa8", [2, 3]], high_side: ["#b3171d", [8, 3]], liquid_line: ["#b3171d", "solid"], discharge_line: ["#b3171d", [2, 3]], vent_air: ["#0d6b39", "solid"], ambient_air: ["#7a5200", [6, 3]] };
const DASH_WORDS = { solid: "solid", "2,3": "dotted", "8,3": "long dashes", "6,3": "dashes" };

function script(name) { return new Promise((done, fail) => document.head.append(el("script", { src: `/bokeh/${name}`, onload: done, onerror: () => fail(new Error("the chart code could not be loaded")) }))); }

export async function drawPictures(root, api, record) {
  await script("bokeh.min.js");
  await script("bokeh-api.min.js");
  const B = window.Bokeh;
  for (const [title, roles, map, scale] of GROUPS) {
    const channels = (record.instruments || []).filter((each) => roles.includes(each.role));
    if (!channels.length) { continue; }
    const past = await get(`${api}/readings?points=720${channels.map((each) => `&channel=${encodeURIComponent(each.name)}`).join("")}`);
    const drawn = channels.filter((each) => past.channels[each.name].count > 0);
    if (!drawn.length) { continue; }
    const plot = B.Plotting.figure({ sizing_mode: "stretch_width", height: 280, x_axis_type: "datetime", y_axis_type: scale, output_backend: "canvas", tools: "xpan,xwheel_zoom,reset", toolbar_location: null });
    const words = [];
    for (const each of drawn) {
      const row = past.channels[each.name];
      const [color, dash] = LOOK[each.role] || ["#16181c", "solid"];
      const y = row.value.map((value) => (value === null ? NaN : map(value)));
      plot.line({ x: row.time_ms, y, line_color: color, line_dash: dash, line_width: 2 });
      words.push(`${each.name}: ${DASH_WORDS[String(dash)]}`);
    }
    for (const mark of record.marks || []) { plot.add_layout(new B.Span({ location: Date.parse(mark.time), dimension: "height", line_color: "#545b66", line_dash: [3, 5], line_width: 1 })); }
    const box = el("div", { class: "chart" });
    root.append(el("h3", {}, title), box, el("p", { class: "soft" }, `${words.join("; ")}; thin vertical lines are marks`));
    await B.Plotting.show(plot, box);
  }
}
