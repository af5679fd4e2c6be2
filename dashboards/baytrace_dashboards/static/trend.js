// One trend at a time, of what the focused watch is about: server-decimated history, then live points, and the fitted curve with
// its band. Bokeh draws on a canvas; windows are bounded (MOST points a series) and redrawn at most twice a second.
import { $, el, text } from "./dom.js";
import { get } from "./live.js";
import { shown, unitText } from "./channels.js";

const MOST = 720;
const ROLES = { evacuation: ["system_pressure"], pressure_hold: ["high_side", "low_side", "system_pressure"], charge: ["low_side", "high_side"], pressures: ["low_side", "high_side"], sweep: ["coil_resistance"] };
const LOOK = { low_side: ["#0a4fa8", "solid"], high_side: ["#b3171d", [8, 3]], system_pressure: ["#16181c", "solid"], coil_resistance: ["#2d3f8f", "solid"] };
let ready = null;
let picture = null;
let fitted = null;

function load() {
  if (!ready) {
    ready = ["bokeh.min.js", "bokeh-api.min.js"].reduce((before, name) => before.then(() => new Promise((done, fail) => {
      const script = el("script", { src: `/bokeh/${name}`, onload: done, onerror: () => fail(new Error(name)) });
      document.head.append(script);
    })), Promise.resolve());
  }
  return ready;
}

function make(watch, channels) {
  const B = window.Bokeh;
  const log = watch === "evacuation";
  const plot = B.Plotting.figure({ sizing_mode: "stretch_both", x_axis_type: "datetime", y_axis_type: log ? "log" : "linear", output_backend: "canvas", tools: "xpan,xwheel_zoom,reset", toolbar_location: null });
  const axes = [...plot.xaxes, ...plot.yaxes];
  for (const axis of axes) { axis.major_label_text_font_size = "14px"; axis.axis_label_text_font_size = "15px"; }
  for (const axis of plot.yaxes) { axis.axis_label = channels.length ? unitText(channels[0]) : ""; }
  const band = new B.ColumnDataSource({ data: { x: [], low: [], high: [] } });
  plot.varea({ x: { field: "x" }, y1: { field: "low" }, y2: { field: "high" }, source: band, fill_color: "#2d3f8f", fill_alpha: 0.18 });
  const fit = new B.ColumnDataSource({ data: { x: [], y: [] } });
  plot.line({ field: "x" }, { field: "y" }, { source: fit, line_color: "#2d3f8f", line_width: 3, line_dash: [2, 4] });
  const series = new Map();
  for (const channel of channels) {
    const [color, dash] = LOOK[channel.role] || ["#545b66", "solid"];
    const source = new B.ColumnDataSource({ data: { x: [], y: [] } });
    plot.line({ field: "x" }, { field: "y" }, { source, line_color: color, line_width: 2.5, line_dash: dash });
    series.set(channel.name, { channel, source, x: [], y: [] });
  }
  return { watch, plot, series, band, fit, names: channels.map((channel) => channel.name).join() };
}

function key(channels, hasFit) {
  const rows = channels.map((channel) => el("li", {}, `${{ low_side: "solid blue", high_side: "dashed red" }[channel.role] || "line"}: ${channel.label} (${unitText(channel)})`));
  if (hasFit) { rows.push(el("li", {}, "dotted, with band: fitted curve and its 95 % interval")); }
  $("chart-key").replaceChildren(...rows);
}

function chosen(frame, watch) {
  const roles = ROLES[watch] || ["low_side", "high_side"];
  return frame.channels.filter((channel) => roles.includes(channel.role));
}

async function build(frame, watch) {
  const channels = chosen(frame, watch);
  await load();
  picture = make(watch, channels);
  const mine = picture;
  const since = frame.session ? `&from=${encodeURIComponent(frame.session.started)}` : "";
  if (channels.length) {
    const past = await get(`/api/readings?points=${MOST}${since}${channels.map((channel) => `&channel=${encodeURIComponent(channel.name)}`).join("")}`);
    for (const [name, row] of Object.entries(past.channels)) { add(mine.series.get(name), row); }
  }
  if (mine !== picture) { return; }
  $("chart").replaceChildren();
  await window.Bokeh.Plotting.show(mine.plot, $("chart"));
  key(channels, false);
}

function add(series, row) {
  if (!series) { return; }
  const last = series.x.length ? series.x[series.x.length - 1] : -Infinity;
  row.time_ms.forEach((time, index) => {
    if (time > last) { series.x.push(time); const value = shown(series.channel, row.value[index]); series.y.push(value === null ? NaN : value); }
  });
  if (series.x.length > MOST * 1.5) { thin(series); }
  series.fresh = true;
}

// keeps the lowest and highest of each stretch, as the server does
function thin(series) {
  const x = [], y = [], half = MOST / 2;
  for (let stretch = 0; stretch < half / 2; stretch += 1) {
    const first = Math.floor((stretch * series.x.length) / (half / 2)), end = Math.floor(((stretch + 1) * series.x.length) / (half / 2));
    let low = -1, high = -1, gap = -1;
    for (let i = first; i < end; i += 1) {
      if (Number.isNaN(series.y[i])) { gap = i; continue; }
      if (low < 0 || series.y[i] < series.y[low]) { low = i; }
      if (high < 0 || series.y[i] > series.y[high]) { high = i; }
    }
    for (const i of [...new Set([low, high, gap])].filter((i) => i >= 0).sort((a, b) => a - b)) { x.push(series.x[i]); y.push(series.y[i]); }
  }
  series.x = x; series.y = y;
}

export function drawTrend(frame, focused) {
  const watch = focused ? focused.watch : "none";
  const names = chosen(frame, watch).map((channel) => channel.name).join();
  if (!picture || picture.watch !== watch || picture.names !== names) {
    if (picture && picture.building) { return; }
    picture = { watch, names, building: true, series: new Map() };
    build(frame, watch).catch((error) => { picture = { watch, names, series: new Map() }; text($("chart"), `The chart could not load (${error.message}); the figures are live.`); });
    return;
  }
  if (picture.building) { return; }
  for (const channel of frame.channels) { const series = picture.series.get(channel.name); if (series) { series.channel = channel; } }
  for (const [name, row] of Object.entries(frame.trends)) { add(picture.series.get(name), row); }
  if (document.hidden || !picture.plot) { return; }
  for (const series of picture.series.values()) { if (series.fresh) { series.fresh = false; series.source.data = { x: series.x.slice(), y: series.y.slice() }; } }
  drawFit(focused);
}

function drawFit(focused) {
  const curve = focused && focused.curve;
  const series = [...picture.series.values()].find((each) => curve && each.channel.role === curve.role);
  const stamp = curve && series ? curve.value.join() : "";
  if (stamp === fitted) { return; }
  fitted = stamp;
  if (!curve || !series) { picture.fit.data = { x: [], y: [] }; picture.band.data = { x: [], low: [], high: [] }; return; }
  const map = (values) => values.map((value) => shown(series.channel, value));
  picture.fit.data = { x: curve.time_ms.slice(), y: map(curve.value) };
  if (curve.low.length) { picture.band.data = { x: curve.time_ms.slice(), low: map(curve.low), high: map(curve.high) }; }
  key([...picture.series.values()].map((each) => each.channel), true);
}

export function forgetTrend() { picture = null; fitted = null; }
