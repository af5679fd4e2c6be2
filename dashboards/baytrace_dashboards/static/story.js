// What happened, in the order it happened: marks, notes, alarms, gaps, verdicts, steps of the clock.
import { $, el, redraw } from "./dom.js";
import { called, clock, span, zone } from "./format.js";

export function storyRows(record) {
  const rows = [[record.started, "▶", "session started", (record.people || []).join(", ")]];
  for (const mark of record.marks || []) { rows.push([mark.time, "⚑", `mark: ${mark.text}`, mark.who]); }
  for (const note of record.notes || []) { rows.push([note.time, "✎", `note: ${note.text}`, note.who]); }
  for (const alarm of record.alarms || []) { rows.push([alarm.time, "!", `alarm ${alarm.action || alarm.state}: ${alarm.name || alarm.alarm}${alarm.comment ? ` (${alarm.comment})` : ""}`, alarm.who]); }
  const known = new Map((record.instruments || []).map((each) => [each.name, called(each)])), name = (channel) => known.get(channel) || channel;
  for (const gap of record.gaps || []) { rows.push([gap.from || gap.time, "╳", `gap${gap.channel ? ` in ${name(gap.channel)}` : ""}: ${span(gap.seconds)} (${gap.cause})`, ""]); }
  for (const silence of record.silences || []) { rows.push([silence.time, silence.stale ? "╳" : "○", silence.stale ? `${name(silence.channel)} fell silent` : `${name(silence.channel)} is heard again`, ""]); }
  for (const step of record.clock_steps || []) { rows.push([step.time, "!", `the clock was set by ${step.step_s} s`, ""]); }
  if (record.closed) { rows.push([record.closed, "■", `session ended${record.comment ? `: ${record.comment}` : ""}`, record.closed_by]); }
  for (const each of record.sign_offs || []) { rows.push([each.time, "✓", "signed off", each.who]); }
  return rows.sort((a, b) => (a[0] < b[0] ? -1 : 1));
}

export function drawStory(record) {
  const rows = storyRows(record);
  redraw($("story"), JSON.stringify(rows) + zone(), () => rows.map(([time, sign, what, who]) => el("tr", {}, el("td", {}, clock(time)), el("td", {}, `${sign} ${what}`), el("td", {}, who || ""))));
}
