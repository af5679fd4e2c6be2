// The list of sessions; searching needs no request.
import { $, el, show, text } from "./dom.js";
import { day, words, SIGN } from "./format.js";
import { get } from "./live.js";

let sessions = [];

function draw() {
  const wanted = $("search").value.trim().toLowerCase().split(/\s+/).filter(Boolean);
  const found = sessions.filter((each) => { const all = JSON.stringify(each).toLowerCase(); return wanted.every((word) => all.includes(word)); });
  show($("empty"), found.length === 0);
  text($("empty"), sessions.length ? "Nothing matches." : "No session was started on this bench yet.");
  show($("list"), found.length > 0);
  $("rows").replaceChildren(...found.map((each) => el("tr", {},
    el("td", {}, el("a", { href: `/sessions/${encodeURIComponent(each.id)}` }, day(each.started))), el("td", {}, el("a", { href: `/sessions/${encodeURIComponent(each.id)}` }, each.title || each.id)),
    el("td", {}, Object.values(each.vehicle || {}).join(" ")),
    el("td", {}, each.closed ? el("span", { class: "chip", "data-outcome": each.outcome }, SIGN[each.outcome] || each.outcome) : el("span", { class: "chip" }, "… running")),
    el("td", {}, Object.entries(each.findings || {}).map(([watch, finding]) => `${words(watch)}: ${finding}`).join("; ")))));
}

$("search").addEventListener("input", draw);
get("/api/sessions").then((all) => { sessions = all; draw(); }).catch((error) => text($("empty"), error.message));
