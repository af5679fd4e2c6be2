// Bokeh, loaded once and only when a picture is wanted; the page works without it. Times are drawn as local ones.
import { el } from "./dom.js";

let ready = null;

export function loadPlots() {
  if (!ready) {
    ready = ["bokeh.min.js", "bokeh-api.min.js"].reduce((before, name) => before.then(() => new Promise((done, fail) => {
      document.head.append(el("script", { src: `/bokeh/${name}`, onload: done, onerror: () => { ready = null; fail(new Error("the chart code could not be loaded")); } }));
    })), Promise.resolve()).then(() => { window.Bokeh.set_log_level("error"); return window.Bokeh; });
  }
  return ready;
}

// Puts a plot into `box`, as a picture: it takes no keyboard focus (its figures stand beside it in words) and no pointer.
export async function showPlot(plot, box) {
  await window.Bokeh.Plotting.show(plot, box);
  for (const drawn of box.children) { drawn.inert = true; }
}

// One offset a picture, so that no line folds back when the clocks are changed: that of now, or of the instant told.
let told = null;
export function drawnAt(ms) { told = ms; }
export const local = (ms) => ms - new Date(told ?? Date.now()).getTimezoneOffset() * 60_000;

export const LOOK = {
  low_side: ["#0a4fa8", "solid", "solid"], suction_line: ["#0a4fa8", [2, 3], "dotted"], high_side: ["#b3171d", [9, 4], "long dashes"], liquid_line: ["#b3171d", "solid", "solid"],
  discharge_line: ["#b3171d", [2, 3], "dotted"], vent_air: ["#0d6b39", "solid", "solid"], ambient_air: ["#7a5200", [6, 3], "dashes"], system_temperature: ["#545b66", [2, 3], "dotted"],
};
export const lookOf = (role) => LOOK[role] || ["#16181c", "solid", "solid"];

// A sample of a line for the key under a picture.
export function sample(color, dash) {
  const line = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  line.setAttribute("viewBox", "0 0 44 10"); line.setAttribute("width", "44"); line.setAttribute("height", "10"); line.setAttribute("aria-hidden", "true");
  const drawn = document.createElementNS("http://www.w3.org/2000/svg", "line");
  for (const [name, value] of Object.entries({ x1: 0, x2: 44, y1: 5, y2: 5, stroke: color, "stroke-width": 3, "stroke-dasharray": Array.isArray(dash) ? dash.join(" ") : "none" })) { drawn.setAttribute(name, value); }
  line.append(drawn);
  return line;
}

// Words of times must not touch, also after the telephone was turned.
export function fitTicks(plot) {
  for (const axis of plot.xaxes) { axis.ticker.desired_num_ticks = window.innerWidth < 560 ? 3 : window.innerWidth < 1240 ? 4 : 7; }
}

export function timePlot(B, options) {
  const plot = B.Plotting.figure({ x_axis_type: "datetime", output_backend: "canvas", tools: "", toolbar_location: null, background_fill_color: "#fffefb", border_fill_color: "#fffefb", outline_line_color: "#c9c5ba", ...options });
  const hours = { milliseconds: "%H:%M:%S", seconds: "%H:%M:%S", minsec: "%H:%M:%S", minutes: "%H:%M", hourmin: "%H:%M", hours: "%H:%M", days: "%d %b" };
  fitTicks(plot);
  for (const axis of plot.xaxes) { axis.formatter = new B.DatetimeTickFormatter({ ...hours, context: null }); }
  // 750000, not 7.500e+5: a gauge shows no powers of ten
  if (options.y_axis_type === "log") { for (const axis of plot.yaxes) { axis.formatter = new B.BasicTickFormatter({ use_scientific: false }); } }
  for (const axis of [...plot.xaxes, ...plot.yaxes]) { axis.major_label_text_font_size = "15px"; axis.axis_label_text_font_size = "15px"; axis.axis_label_text_font_style = "normal"; axis.major_label_text_color = "#16181c"; axis.minor_tick_line_color = null; }
  return plot;
}
