// One trend: channels against time, with their limits as bands, what was marked, gaps as gaps, and a fitted curve with its interval.
// The window is filled from the bench's history (decimated there) and then goes on with the live stream; at most MOST points a
// series are kept, and nothing is drawn while the page is hidden.
import { el } from "./dom.js";
import { called } from "./format.js";
import { get } from "./live.js";
import { bandsOf, bandWords, shown, unitText } from "./bands.js";
import { LOOK, fitTicks, local, lookOf, sample, timePlot } from "./plots.js";

const MOST = 720;
const BAND = "#0d6b39", NONE = { x: [], y: [] };

export class Panel {
  constructor(B, spec, channels) {
    this.spec = spec;
    // until it is filled its axes would show times and pressures that never were
    this.node = el("div", { class: "chart unfilled", role: "img", "aria-label": `Trend of ${channels.map((channel) => channel.label).join(" and ")}; the figures stand in the channels below` });
    this.key = el("ul", { class: "chart-key" }, el("li", {}, "asking for what was read …"));
    this.series = new Map();
    this.start = null;
    this.filled = false;
    this.make(B, channels);
  }

  make(B, channels) {
    this.x = new B.Range1d({ start: 0, end: 1 });
    this.y = new B.Range1d({ start: this.spec.scale === "log" ? 1 : 0, end: 10 });
    this.plot = timePlot(B, { sizing_mode: "stretch_both", y_axis_type: this.spec.scale || "linear", x_range: this.x, y_range: this.y });
    for (const axis of this.plot.yaxes) { axis.axis_label = channels.length ? unitText(channels[0]) : ""; }
    const source = (columns) => new B.ColumnDataSource({ data: Object.fromEntries(columns.map((name) => [name, []])) });
    const of = (...names) => Object.fromEntries(names.map((name) => [name, { field: name }]));
    this.bands = source(["left", "right", "bottom", "top", "color"]);
    this.plot.quad({ ...of("left", "right", "bottom", "top"), source: this.bands, fill_color: { field: "color" }, fill_alpha: 0.1, line_color: { field: "color" }, line_width: 2, line_dash: "8 4" });
    this.holes = source(["left", "right", "bottom", "top"]);
    this.plot.quad({ ...of("left", "right", "bottom", "top"), source: this.holes, fill_color: "#d8d3c6", fill_alpha: 0.5, line_color: null, hatch_pattern: "/", hatch_color: "#545b66", hatch_alpha: 0.5, hatch_scale: 14 });
    this.marks = source(["x", "low", "high", "text"]);
    this.plot.segment({ x0: { field: "x" }, x1: { field: "x" }, y0: { field: "low" }, y1: { field: "high" }, source: this.marks, line_color: "#545b66", line_dash: "3 5", line_width: 1.5 });
    this.plot.text({ x: { field: "x" }, y: { field: "high" }, text: { field: "text" }, source: this.marks, text_font_size: "13px", text_color: "#3c424c", angle: Math.PI / 2, text_align: "right", text_baseline: "bottom", x_offset: -3, y_offset: 4 });
    this.interval = source(["x", "low", "high"]);
    this.plot.varea({ x: { field: "x" }, y1: { field: "low" }, y2: { field: "high" }, source: this.interval, fill_color: "#2d3f8f", fill_alpha: 0.18 });
    this.fit = source(["x", "y"]);
    this.limit = source(["x", "y"]);
    for (const channel of channels) {
      const [color, dash] = lookOf(channel.role);
      const drawn = source(["x", "y"]);
      this.plot.line(of("x").x, of("y").y, { source: drawn, line_color: color, line_width: 2.5, line_dash: dash });
      this.series.set(channel.name, { channel, drawn, x: [], y: [] });
    }
    this.plot.line(of("x").x, of("y").y, { source: this.fit, line_color: "#2d3f8f", line_width: 4, line_dash: [2, 4] });
    this.plot.line(of("x").x, of("y").y, { source: this.limit, line_color: "#8a4b00", line_width: 2.5, line_dash: [12, 5] });
  }

  // History from `start` (ms); what arrives live meanwhile waits for it.
  async load(start) {
    const mine = (this.asked = {});
    this.start = start;
    this.filled = false;
    for (const series of this.series.values()) { series.waiting = []; }
    const names = [...this.series.keys()].map((name) => `&channel=${encodeURIComponent(name)}`).join("");
    const past = await get(`/api/readings?points=${MOST}&from=${encodeURIComponent(new Date(start).toISOString())}${names}`);
    if (mine !== this.asked) { return; }
    for (const [name, row] of Object.entries(past.channels)) {
      const series = this.series.get(name);
      series.x = []; series.y = [];
      this.add(series, row);
      for (const late of series.waiting) { this.add(series, late); }
      series.waiting = [];
    }
    this.filled = true;
  }

  take(channels, trends) {
    for (const channel of channels) { const series = this.series.get(channel.name); if (series) { series.channel = channel; } }
    for (const [name, row] of Object.entries(trends)) {
      const series = this.series.get(name);
      if (!series) { continue; }
      if (this.filled) { this.add(series, row); } else if (series.waiting) { series.waiting.push(row); }
    }
  }

  add(series, row) {
    const gap = (series.channel.gap_s || 10) * 1000;
    row.time_ms.forEach((time, index) => {
      const last = series.x.length ? series.x[series.x.length - 1] : -Infinity;
      if (time <= last) { return; }
      const value = shown(series.channel, row.value[index]);
      if (Number.isFinite(last) && time - last > gap * Math.max(1, this.coarse || 1) && !Number.isNaN(series.y[series.y.length - 1])) { series.x.push((last + time) / 2); series.y.push(NaN); }
      series.x.push(time);
      series.y.push(value === null ? NaN : value);
    });
    this.trim(series);
  }

  trim(series) {
    let old = 0;
    while (old < series.x.length && series.x[old] < this.start) { old += 1; }
    if (old) { series.x.splice(0, old); series.y.splice(0, old); }
    if (series.x.length > MOST * 1.5) { thin(series); }
  }

  draw(frame, status) {
    if (!this.filled) { return; }
    const now = Date.parse(frame.time);
    const curve = this.spec.fit && status ? status.curve : null;
    const end = Math.max(now, curve ? curve.time_ms[curve.time_ms.length - 1] : 0);
    const left = local(this.grows ? this.firstSeen(end) : this.start), right = local(end);
    const low = [], high = [];
    const holes = { left: [], right: [], bottom: [], top: [] };
    for (const series of this.series.values()) {
      series.drawn.data = { x: series.x.map(local), y: series.y.slice() };
      for (const y of series.y) { if (Number.isFinite(y) && (this.spec.scale !== "log" || y > 0)) { low.push(y); high.push(y); } }
      this.gaps(series, now, holes);
    }
    const span = [Math.min(...low), Math.max(...high)];
    this.curve(curve, status, span);
    const bands = [...this.series.values()].flatMap(({ channel }) => bandsOf(channel).map((band) => ({ ...band, color: LOOK[channel.role] ? lookOf(channel.role)[0] : BAND, of: channel })));
    this.limits(bands, span);
    if (!Number.isFinite(span[0])) { span[0] = this.spec.scale === "log" ? 1 : 0; span[1] = 10; }
    const noise = Math.max(0, ...[...this.series.values()].map(({ channel }) => (channel.uncertainty || 0) * Math.abs(channel.shown_scale)));
    const [bottom, top] = room(span, this.spec.scale === "log", this.spec.fit ? 0 : 4 * noise);
    fitTicks(this.plot);
    this.x.setv({ start: left, end: right + (right - left) * 0.02 });
    this.y.setv({ start: bottom, end: top });
    const edge = (value, open) => (value === null ? open : value);
    this.bands.data = { left: bands.map(() => left), right: bands.map(() => right + (right - left) * 0.02), bottom: bands.map((band) => edge(band.low, bottom)), top: bands.map((band) => edge(band.high, top)), color: bands.map((band) => band.color) };
    this.holes.data = { ...holes, bottom: holes.left.map(() => bottom), top: holes.left.map(() => top) };
    const marks = ((frame.session && frame.session.marks) || []).filter((mark) => Date.parse(mark.time) >= this.start);
    this.marks.data = { x: marks.map((mark) => local(Date.parse(mark.time))), low: marks.map(() => bottom), high: marks.map(() => top), text: marks.map((mark) => mark.text.slice(0, 24)) };
    this.node.hidden = !low.length;
    this.node.classList.remove("unfilled");
    this.words(bands, curve, status, holes.left.length > 0);
  }

  // A bench that has just begun to read fills its picture, a minute of it at least.
  firstSeen(end) {
    const first = Math.min(...[...this.series.values()].map((series) => series.x[0] ?? Infinity));
    return Math.max(this.start, Math.min(first, end - 60_000));
  }

  gaps(series, now, holes) {
    const { x, y } = series, least = (series.channel.gap_s || 10) * 1000;
    let heard = -1; // a stretch without values may hold several points: it reaches from the last value to the next one
    y.forEach((value, index) => {
      if (Number.isNaN(value)) { return; }
      if (heard >= 0 && index - heard > 1 && x[index] - x[heard] >= least) { holes.left.push(local(x[heard])); holes.right.push(local(x[index])); }
      heard = index;
    });
    const last = series.x[series.x.length - 1];
    if (series.channel.stale && last) { holes.left.push(local(last)); holes.right.push(local(now)); }
  }

  curve(curve, status, span) {
    const series = curve && [...this.series.values()].find((each) => each.channel.role === curve.role);
    if (!series) { this.fit.data = { ...NONE }; this.interval.data = { x: [], low: [], high: [] }; this.limit.data = { ...NONE }; return; }
    const map = (values) => values.map((value) => shown(series.channel, value));
    const x = curve.time_ms.map(local);
    this.fit.data = { x, y: map(curve.value) };
    this.interval.data = curve.low.length ? { x, low: map(curve.low), high: map(curve.high) } : { x: [], low: [], high: [] };
    for (const y of map(curve.value)) { span[0] = Math.min(span[0], y); span[1] = Math.max(span[1], y); }
    // what little is known at first leaves a wide fan: so much of it is shown that the readings are not flattened
    const [least, most] = [span[0], span[1]], reach = most - least;
    for (const y of [...map(curve.low), ...map(curve.high)]) { span[0] = Math.min(span[0], Math.max(y, least - reach)); span[1] = Math.max(span[1], Math.min(y, most + reach)); }
    const line = status.details.limit_line;
    this.limit.data = line ? { x: line.time_ms.map(local), y: map(line.value) } : { ...NONE };
    if (line) { const top = Math.max(...map(line.value)); if (top - span[0] < 6 * (span[1] - span[0])) { span[1] = Math.max(span[1], top); } }
  }

  // A limit near the readings is brought into the picture; one far away would flatten them and is only named.
  limits(bands, span) {
    const wide = this.spec.scale === "log" ? Infinity : Math.max(span[1] - span[0], Math.abs(span[1]) * 0.1) * 2;
    for (const band of bands) {
      for (const end of [band.low, band.high]) {
        if (end !== null && (this.spec.scale !== "log" || end > 0) && end > span[0] - wide && end < span[1] + wide) { span[0] = Math.min(span[0], end); span[1] = Math.max(span[1], end); }
      }
    }
  }

  words(bands, curve, status, holes) {
    const drawn = [...this.series.values()];
    const rows = drawn.map(({ channel }) => { const [color, dash, word] = lookOf(channel.role); return [sample(color, dash), `${called(channel)}, ${unitText(channel)}${channel.against === "gauge" ? " gauge" : ""}, ${word}`]; });
    if (this.node.hidden) { rows.push(["", "nothing within its range in this time"]); }
    for (const band of bands) { rows.push([sample(band.color, [8, 4]), `${drawn.length > 1 ? `${called(band.of)}, ` : ""}${bandWords(band, unitText(band.of))}`]); }
    if (curve) { rows.push([sample("#2d3f8f", [2, 4]), "fitted curve with its 95 % interval"]); }
    if (curve && status.details.limit_line) { rows.push([sample("#8a4b00", [12, 5]), "slope of a leak at the limit; only what does not level off counts"]); }
    if (holes) { rows.push([el("span", { class: "hatch" }), "no data"]); }
    const shape = rows.map((row) => row[1]).join();
    if (this.key.dataset.shape === shape) { return; }
    this.key.dataset.shape = shape;
    this.key.replaceChildren(...rows.map((row) => el("li", {}, ...row)));
  }
}

// Never so narrow that the noise of the instrument looks like an event.
function room([low, high], logarithmic, least) {
  if (logarithmic) { const f = Math.max((high / low) ** 0.08 * 1.05, Math.sqrt(Math.max(10 / (high / low), 1))); return [low / f, high * f]; }
  if (high - low < least) { const middle = (low + high) / 2; low = middle - least / 2; high = middle + least / 2; }
  const extra = (high - low || Math.abs(high) * 0.02 || 1) * 0.1;
  return [low - extra, high + extra];
}

// Keeps the lowest and highest of each stretch, and a gap where there was one, as the server does.
function thin(series) {
  const x = [], y = [], stretches = MOST / 4;
  for (let stretch = 0; stretch < stretches; stretch += 1) {
    const first = Math.floor((stretch * series.x.length) / stretches), end = Math.floor(((stretch + 1) * series.x.length) / stretches);
    let low = -1, high = -1, gap = -1;
    for (let i = first; i < end; i += 1) {
      if (Number.isNaN(series.y[i])) { gap = i; continue; }
      if (low < 0 || series.y[i] < series.y[low]) { low = i; }
      if (high < 0 || series.y[i] > series.y[high]) { high = i; }
    }
    for (const i of [...new Set([low, high, gap])].filter((each) => each >= 0).sort((a, b) => a - b)) { x.push(series.x[i]); y.push(series.y[i]); }
  }
  series.x = x; series.y = y;
}
