// Every bench as one card: what it does, how long yet, alarms, when it was last heard of.
import { $, attribute, el, show, text } from "./dom.js";
import { follow } from "./live.js";
import { span, words, SIGN } from "./format.js";

const SILENT_S = 60;

function card(bench) {
  const state = bench.state === "offline" ? "offline" : bench.seen_s > SILENT_S && bench.session ? "no news" : "online";
  const calling = (bench.alarms || []).filter((alarm) => String(alarm.state).includes("unacknowledged"));
  const sign = { offline: "✗ offline", "no news": `! no news for ${span(bench.seen_s)}`, online: "● online" }[state];
  const watches = (bench.watches || []).map((each) => el("li", {}, el("strong", {}, words(each.watch)), " ", el("span", { class: "chip", "data-outcome": each.verdict }, SIGN[each.verdict] || each.verdict), el("div", {}, each.sentence || each.phase), each.time_left_s > 0 ? el("div", { class: "soft" }, `about ${span(each.time_left_s)} more`) : null));
  const safe = /^https?:\/\//.test(bench.url || "") ? bench.url : null;
  return el("li", { class: "sheet now", "data-outcome": calling.length || state === "offline" ? "fail" : "none" },
    el("h2", {}, safe ? el("a", { href: safe }, bench.bench) : bench.bench, " ", el("span", { class: "chip" }, sign)),
    calling.length ? el("p", { class: "error" }, `⚠ ${calling.map((alarm) => alarm.name || alarm.text).join("; ")}`) : null,
    el("p", {}, bench.session ? [bench.session.title, bench.session.refrigerant].filter(Boolean).join(" · ") : "no session"), el("ul", { class: "log" }, ...watches));
}

follow({
  onFrame: (frame) => { show($("empty"), frame.benches.length === 0); text($("broker"), `broker ${frame.broker}`); $("benches").replaceChildren(...frame.benches.map(card)); },
  onReset: () => {},
  onLink: (state) => { attribute($("link-state"), "data-state", state); text($("link-state"), { waiting: "connecting …", live: "● live", lost: "✗ connection lost: this page is old" }[state]); },
});
