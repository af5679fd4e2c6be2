// What the watches say is in Pa and kPa. On the bench it is read beside the gauges, so it is told in their own units, with no more
// digits than were said (two at least). The record keeps what was said.
import { unitText } from "./bands.js";
import { symbols } from "./format.js";
import { rolesOf } from "./watches.js";

const VACUUM = "system_pressure", SIDES = ["low_side", "high_side"];
const NUMBER = String.raw`(\d+(?:\.\d+)?(?:e[-+]?\d+)?)`;
const IN_VACUUM = new RegExp(String.raw`${NUMBER} Pa(\/min)?(?![\w/·])`, "g");
const STILL_MOVING = new RegExp(`(low|high)( side still moving, up to )${NUMBER} kPa`, "g");
const FACTORS = { Pa: [1, ""], "Pa/s": [60, "/min"] };

const channelOf = (frame, role) => frame.channels.find((channel) => channel.role === role);

// The gauge a watch is told in: none where it hears other pressures too, or where the gauge shows Pa or counts from the air.
function gaugeOf(frame, watch) {
  const roles = rolesOf(watch.watch);
  const gauge = roles.includes(VACUUM) && !SIDES.some((role) => roles.includes(role)) ? channelOf(frame, VACUUM) : null;
  return gauge && gauge.against === "absolute" && gauge.shown_unit !== "Pa" ? gauge : null;
}

function turned(number, factor, channel) {
  const digits = Math.max(2, number.replace(/e.*/, "").replace(".", "").replace(/^0+/, "").length);
  return `${Number((Number(number) * factor * Math.abs(channel.shown_scale)).toPrecision(digits))} ${unitText(channel)}`;
}

export function told(frame, watch, sentence) {
  const gauge = gaugeOf(frame, watch);
  const moving = (all, side, words, number) => { const channel = channelOf(frame, `${side}_side`); return channel ? `${side}${words}${turned(number, 1000, channel)}` : all; };
  const written = symbols(sentence).replace(STILL_MOVING, moving);
  return gauge ? written.replace(IN_VACUUM, (all, number, per = "") => `${turned(number, 1, gauge)}${per}`) : written;
}

export function inGaugeUnit(frame, watch, data) {
  const gauge = data && FACTORS[data.unit] ? gaugeOf(frame, watch) : null;
  if (!gauge) { return data; }
  const [factor, per] = FACTORS[data.unit];
  const ends = ["value", "low", "high"].filter((end) => Number.isFinite(data[end])).map((end) => [end, data[end] * factor * gauge.shown_scale]);
  const uncertainty = data.unit === "Pa" && gauge.uncertainty ? (gauge.uncertainty * gauge.shown_scale) / 2 : 0; // as the tile does
  return { ...data, ...Object.fromEntries(ends), uncertainty, unit: `${unitText(gauge)}${per}` };
}
