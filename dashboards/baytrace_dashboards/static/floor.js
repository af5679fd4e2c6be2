// Every bench as one card: what it does, how long yet, alarms, when it was last heard of.
import { $, attribute, el, redraw, show, text } from "./dom.js";
import { follow } from "./live.js";
import { count, span, symbols, words, SIGN } from "./format.js";

const SILENT_S = 60, TITLE = "Floor";

const calling = (bench) => (bench.alarms || []).filter((alarm) => String(alarm.state).includes("unacknowledged"));

function part(each, online) {
  return el("li", {}, el("strong", {}, words(each.watch)), " ", el("span", { class: "chip", "data-outcome": each.verdict }, SIGN[each.verdict] || each.verdict), el("div", {}, symbols(each.sentence || each.phase)),
    online && each.time_left_s > 0 ? el("div", { class: "soft" }, `about ${span(each.time_left_s)} more`) : null);
}

function card(bench) {
  const state = bench.state === "offline" ? "offline" : bench.seen_s > SILENT_S && bench.session ? "no news" : "online";
  const alarms = calling(bench), online = state === "online";
  const sign = { offline: "✗ offline", "no news": "! no news", online: "● online" }[state];
  const safe = /^https?:\/\//.test(bench.url || "") ? bench.url : null;
  return el("li", { class: "sheet now", "data-outcome": alarms.length || state === "offline" ? "fail" : "none" },
    el("h2", {}, safe ? el("a", { href: safe, "data-key": bench.bench }, bench.bench) : bench.bench, " ", el("span", { class: "chip" }, sign)),
    alarms.length ? el("p", { class: "calls" }, `⚠ ${alarms.map((alarm) => alarm.name || alarm.text).join("; ")}`) : null,
    online ? null : el("p", { class: "soft" }, `last heard of ${span(bench.seen_s)} ago${bench.session ? "; what follows was said then" : ""}`),
    el("p", {}, bench.session ? [bench.session.title, bench.session.refrigerant].filter(Boolean).join(" · ") : "no session"), el("ul", { class: "log" }, ...(bench.watches || []).map((each) => part(each, online))));
}

// The age of a bench that is heard changes nothing that is shown.
const shape = (bench) => JSON.stringify(bench.state === "online" && bench.seen_s <= SILENT_S ? { ...bench, seen_s: 0 } : bench);

function draw(frame) {
  const alarms = frame.benches.reduce((sum, bench) => sum + calling(bench).length, 0);
  document.title = alarms ? `⚠ ${count(alarms, "alarm", "alarms")} · ${TITLE}` : TITLE;
  show($("empty"), frame.benches.length === 0);
  text($("broker"), `broker ${frame.broker}`);
  redraw($("benches"), frame.benches.map(shape).join(), () => frame.benches.map(card));
}

const LINK = { waiting: "connecting …", live: "● live", lost: "✗ connection lost: this page is old" };
follow({
  onFrame: draw,
  onReset: () => {},
  onLink: (state) => { attribute($("link-state"), "data-state", state); text($("link-state"), LINK[state]); if (state === "lost") { document.title = `✗ connection lost · ${TITLE}`; } },
});
