// The bench page: every frame of the stream is the newest whole state; each module draws its own part of it.
import { $, attribute, el, text } from "./dom.js";
import { follow, get } from "./live.js";
import { clock } from "./format.js";
import { drawChannels } from "./channels.js";
import { drawNow, drawParts, focus } from "./now.js";
import { drawTrend, forgetTrend } from "./trend.js";
import { drawAlarms, installAlarms } from "./alarms.js";
import { drawWork, installWork } from "./work.js";

let latest = null;
let name = "Bench";

function draw(frame) {
  latest = frame;
  text($("bench-time"), clock(frame.time));
  drawChannels($("channels"), frame.channels);
  drawNow(frame);
  drawParts($("parts"), frame, () => draw(latest));
  drawAlarms(frame, name);
  drawWork(frame);
  drawInstruments(frame.instruments);
  drawTrend(frame, frame.session ? focus(frame) : null);
}

function drawInstruments(instruments) {
  const shape = JSON.stringify(instruments);
  if ($("instruments").dataset.shape === shape) { return; }
  $("instruments").dataset.shape = shape;
  const sign = { up: "✓ up", opening: "… opening", silent: "! silent", lost: "✗ lost" };
  $("instruments").replaceChildren(...instruments.map((each) => el("tr", {}, el("td", {}, each.name), el("td", {}, `${sign[each.state] || each.state} ${each.detail || ""}`),
    el("td", {}, Object.values(each.facts).join(", ")), el("td", {}, Object.entries(each.counts).map(([what, times]) => `${times} ${what}`).join(", ")))));
}

const LINK = { waiting: "connecting …", live: "● live", lost: "✗ connection lost: figures are old" };
follow({
  onFrame: draw,
  onReset: forgetTrend,
  onLink: (state) => { attribute($("link-state"), "data-state", state); text($("link-state"), LINK[state]); },
});
installAlarms();
installWork();
get("/api/bench").then((bench) => { name = bench.name; text($("bench-name"), bench.name); document.title = bench.name; }).catch(() => {});
