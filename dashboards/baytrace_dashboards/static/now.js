// What is going on now: the sentence, the deciding figure very large, time left, caution; and the parts of the job.
// The bench says which part is at work (`frame.focus`); a person may look at another one meanwhile.
import { $, el, text, attribute, redraw, show } from "./dom.js";
import { called, figure, powerOf, span, words, SIGN } from "./format.js";
import { inGaugeUnit, told } from "./units.js";
import { rolesOf } from "./watches.js";

const LEFT = "Expected to take";
const SELF_EVIDENT = ["time", "evidence", "settled", "label charge"];
let chosen = null, job = null;

export function focus(frame) {
  const watches = frame.watches || [];
  const said = frame.focus && frame.focus.watch;
  return watches.find((each) => each.watch === chosen) || watches.find((each) => each.watch === said) || null;
}

export function expectedMark(frame) {
  const watches = new Map((frame.watches || []).map((each) => [each.watch, each]));
  const said = frame.focus || {};
  // while a part is at work only its own mark is offered: nobody should be led to open a valve during a hold
  for (const name of said.why === "at work" ? [said.watch] : [said.watch, said.next]) {
    const mark = watches.get(name) && watches.get(name).details && watches.get(name).details.mark;
    if (mark) { return mark; }
  }
  return "";
}

export function drawNow(frame) {
  const session = frame.session ? frame.session.id : null;
  if (session !== job) { job = session; chosen = null; } // what was looked at in another job
  const watch = focus(frame);
  const busy = Boolean(frame.session && watch);
  text($("now-title"), busy ? words(watch.watch) : "Now");
  attribute($("now"), "data-outcome", busy ? watch.verdict.verdict : "none");
  if (!busy) {
    text($("sentence"), frame.session ? "The session is starting." : "No session is running.");
    text($("coming"), frame.session ? "" : "Readings are kept all the same.");
    for (const id of ["spoken", "figure-name", "interval", "time-left", "waiting-for", "why"]) { text($(id), ""); }
    drawFigure({ value: "", unit: "" });
    for (const id of ["progress", "caution", "verdict-chip", "back-to-job", "silence"]) { show($(id), false); }
    return;
  }
  text($("sentence"), told(frame, watch, watch.sentence));
  // a voice reads changes of phase and verdict, not every second of a clock
  text($("spoken"), `${words(watch.watch)}: ${watch.phase}, ${SIGN[watch.verdict.verdict].slice(2)}${watch.verdict.finding === "undecided" ? "" : `, ${watch.verdict.finding}`}`);
  drawVerdict(frame, watch);
  drawSilence(frame, watch);
  const allowed = inGaugeUnit(frame, watch, watch.details && watch.details.against), power = allowed ? powerOf(allowed.value) : 0;
  const [name, data] = deciding(frame, watch, power);
  text($("figure-name"), name);
  drawFigure(data);
  text($("interval"), [data.interval, name !== LEFT && against(allowed, power)].filter(Boolean).join(" · "));
  drawClock(watch, name === LEFT);
  show($("caution"), Boolean(watch.caution));
  text($("caution"), watch.caution || "");
  drawComing(frame, watch);
}

// A figure that rests on a silent instrument is old, and the page says so beside it.
function drawSilence(frame, watch) {
  const roles = rolesOf(watch.watch);
  const silent = frame.channels.filter((channel) => channel.stale && roles.includes(channel.role));
  show($("silence"), silent.length > 0);
  text($("silence"), silent.length ? `✗ No data: ${silent.slice(0, 3).map((channel) => (channel.count ? `${called(channel)} for ${span(channel.age_s)}` : `${called(channel)} was never heard`)).join(", ")}${silent.length > 3 ? ` and ${silent.length - 3} more` : ""}. What is said here is older.` : "");
}

// While a part is at work its sentence says what is missing; when it is over without a decision the reason does.
function drawVerdict(frame, watch) {
  const { verdict, finding, reasons } = watch.verdict, chip = $("verdict-chip");
  const open = verdict === "undecided", over = watch.progress >= 1 && !watch.waiting_for;
  show(chip, !open || over);
  attribute(chip, "data-outcome", verdict);
  text(chip, finding === verdict ? SIGN[verdict] : `${SIGN[verdict]} · ${finding}`);
  const asks = open ? over : verdict === "fail" && (!(watch.details && watch.details.causes) || Boolean(watch.verdict.laws && watch.verdict.laws.length));
  text($("why"), asks ? told(frame, watch, reasons[0] || "") : "");
}

// What decides now: what the watch wants shown, else its headline, in the power of ten of its limit; else the time that is left.
function deciding(frame, watch, power) {
  const wanted = watch.details && watch.details.shown;
  if (wanted) { return [words(wanted.name), figure(inGaugeUnit(frame, watch, wanted))]; }
  const evidence = watch.verdict.evidence[watch.headline];
  if (evidence) { return [words(watch.headline), figure(inGaugeUnit(frame, watch, evidence), power)]; }
  if (watch.time_left_s > 0) { return [LEFT, { value: span(watch.time_left_s), unit: "more", interval: "" }]; }
  return ["", { value: "", unit: "", interval: "" }];
}

function against(allowed, power) {
  const said = allowed && figure(allowed, power);
  return said ? `allowed up to ${said.value} ${said.unit}` : "";
}

function drawFigure(data) {
  redraw($("figure"), data.value + data.unit, () => [...inParts(data.value), el("small", {}, data.unit && ` ${data.unit}`)]);
  show($("figure-box"), Boolean(data.value));
}

// Of "19 min 17 s" the numbers are large and the words small, each word nearer to its own number than to the next.
function inParts(value) { return value.split(/ *([a-z]+)/).filter(Boolean).map((part) => (/[a-z]/.test(part) ? el("small", {}, ` ${part}`) : part)); }

function drawClock(watch, inFigure) {
  const known = Number.isFinite(watch.progress);
  show($("progress"), known && (watch.progress > 0 || watch.time_left_s > 0));
  if (known) { attribute($("progress"), "value", watch.progress.toFixed(3)); }
  text($("time-left"), watch.time_left_s > 0 && !inFigure ? `about ${span(watch.time_left_s)} more` : "");
  text($("waiting-for"), watch.waiting_for && !SELF_EVIDENT.includes(watch.waiting_for) ? `waiting for ${watch.waiting_for}` : "");
}

function drawComing(frame, watch) {
  const said = frame.focus || {};
  const away = chosen && said.watch && said.watch !== chosen;
  show($("back-to-job"), Boolean(away));
  if (away) { text($("back-to-job"), `Back to what is at work: ${words(said.watch)}`); }
  const next = said.watch === watch.watch && said.why !== "at work" && (frame.watches || []).find((each) => each.watch === said.next);
  text($("coming"), next ? `Next, ${words(next.watch).toLowerCase()}: ${told(frame, next, next.sentence)}` : "");
}

export function drawParts(root, frame, again) {
  const current = focus(frame);
  const said = frame.focus || {};
  const watches = frame.watches || [];
  $("back-to-job").onclick = () => { chosen = null; again(); };
  show(root.parentElement, watches.length > 0);
  const shape = watches.map((each) => `${each.watch}|${each.phase}|${each.verdict.verdict}|${each.verdict.finding}`).join() + JSON.stringify(said) + (current && current.watch) + chosen;
  redraw(root, shape, () => watches.map((each) => {
    const at = said.why === "at work" && said.watch === each.watch;
    return el("li", { class: "part", "aria-current": current && each.watch === current.watch ? "true" : "false", "data-outcome": each.verdict.verdict },
      el("button", { type: "button", "data-key": each.watch, "aria-pressed": String(each.watch === chosen), onclick: () => { chosen = chosen === each.watch ? null : each.watch; again(); } },
        el("span", { class: "what" }, `${at ? "▶ " : ""}${words(each.watch)}`), el("span", { class: "phase" }, words(each.phase)),
        el("span", { class: "chip", "data-outcome": each.verdict.verdict }, SIGN[each.verdict.verdict]), " ",
        el("span", { class: "finding" }, each.verdict.finding === "undecided" ? "" : each.verdict.finding)));
  }));
}
