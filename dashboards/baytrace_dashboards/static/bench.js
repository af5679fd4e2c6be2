// The bench page: every frame of the stream is the newest whole state; each module draws its own part of it.
import { $, attribute, el, redraw, show, text } from "./dom.js";
import { keepDrafts } from "./drafts.js";
import { follow, get } from "./live.js";
import { clock, span, zone } from "./format.js";
import { drawChannels, drawDue } from "./channels.js";
import { drawNow, drawParts, focus } from "./now.js";
import { drawCoils } from "./coils.js";
import { drawCharge } from "./charge.js";
import { drawCycle } from "./cycle.js";
import { drawCauses } from "./causes.js";
import { drawTrend, forgetTrend, installTrend } from "./trend.js";
import { drawAlarms, installAlarms } from "./alarms.js";
import { installSound } from "./sound.js";
import { drawWork, installWork } from "./work.js";

let latest = null;
let name = "Bench";
const again = () => { if (latest) { draw({ ...latest, trends: {} }); } };

function draw(frame) {
  latest = frame;
  const watch = frame.session ? focus(frame) : null;
  text($("bench-time"), `${clock(frame.time)} ${zone()}`);
  drawNow(frame);
  drawAlarms(frame, name);
  drawDue($("due-sheet"), $("due-line"), frame.channels);
  drawWork(frame);
  drawParts($("parts"), frame, again);
  drawCoils(watch && watch.details && watch.details.coils ? watch : null);
  drawCharge(watch, frame.channels);
  drawCycle(watch, again);
  drawCauses(watch, frame.watches || []);
  drawChannels($("channels"), frame.channels);
  drawInstruments(frame.instruments);
  drawTrend(frame, watch);
}

const STATE = { up: "✓ up", opening: "… opening", silent: "! silent", lost: "✗ lost" };
function drawInstruments(instruments) {
  redraw($("instruments"), JSON.stringify(instruments), () => instruments.map((each) => el("tr", {}, el("th", { scope: "row" }, each.name), el("td", {}, `${STATE[each.state] || each.state} ${each.detail || ""}`),
    el("td", {}, Object.values(each.facts).join(", ")), el("td", {}, Object.entries(each.counts).map(([what, times]) => `${times} ${what}`).join(", ")))));
}

const LINK = { waiting: "connecting …", live: "● live", lost: "✗ connection lost" };
function link(state, seconds) {
  attribute($("link-state"), "data-state", state);
  text($("link-state"), LINK[state]);
  show($("lost-banner"), state === "lost");
  attribute(document.body, "data-link", state);
  if (state === "lost") {
    text($("lost-for"), `✗ Connection to the bench lost: everything below is ${span(seconds)} old.`);
    document.title = `✗ connection lost · ${name}`;
  }
}

keepDrafts();
installAlarms();
installSound();
installWork();
installTrend(again);
follow({ onFrame: draw, onReset: forgetTrend, onLink: link });
document.addEventListener("visibilitychange", () => { if (!document.hidden) { again(); } });
get("/api/bench").then((bench) => { name = bench.name; text($("bench-name"), bench.name); document.title = bench.name; }).catch(() => {});
