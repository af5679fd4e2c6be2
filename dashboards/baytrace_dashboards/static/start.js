// Starting a session: from a preset or by hand; what to watch, and each watch's own settings.
import { $, el, text } from "./dom.js";
import { get, iAm, me, post } from "./live.js";
import { symbols, words } from "./format.js";
import { numeric, settingsForm } from "./settings.js";
import { allWatches } from "./watches.js";

const ASKED_ABOVE = ["refrigerant", "label_g"];
let presets = [], chosen = null;
const forms = new Map();

async function prepare() {
  if (forms.size) { return; }
  const [watches, listed] = await Promise.all([allWatches(), get("/api/presets")]);
  presets = listed;
  $("f-preset").replaceChildren(el("option", { value: "" }, "By hand"), ...["bench.toml", "package"].flatMap((from) => {
    const options = presets.filter((preset) => preset.from === from).map((preset) => el("option", { value: preset.name }, preset.title));
    return options.length ? [el("optgroup", { label: from === "package" ? "Ready made" : "This shop's" }, ...options)] : [];
  }));
  $("f-refrigerants").replaceChildren(...[...new Set(presets.map((preset) => preset.refrigerant).filter(Boolean))].map((name) => el("option", { value: name })));
  $("f-watches").replaceChildren(...watches.map((watch) => {
    const form = settingsForm(watch, ASKED_ABOVE);
    const box = el("input", { type: "checkbox", value: watch.name, id: `w-${watch.name}`, checked: watch.usual });
    const follow = () => { form.node.hidden = !box.checked; };
    box.addEventListener("change", follow);
    follow();
    forms.set(watch.name, { box, form, follow, usual: watch.usual });
    return el("div", { class: "watch-choice" }, el("label", { class: "check", for: box.id }, box, el("span", {}, el("strong", {}, words(watch.name)), `: ${symbols(watch.summary)}`)), form.node);
  }));
}

function fill(preset) {
  chosen = preset;
  $("f-title").value = preset.job || $("f-title").value;
  $("f-vehicle").value = preset.vehicle.model || "";
  $("f-plate").value = preset.vehicle.number || "";
  $("f-refrigerant").value = preset.refrigerant;
  $("f-label").value = preset.label_g ?? "";
  const planned = Object.keys(preset.plan);
  for (const [name, { box, form, follow, usual }] of forms) {
    box.checked = planned.length ? planned.includes(name) : usual;
    form.fill(preset.plan[name] || {});
    follow();
  }
}

const EMPTY = { job: "", vehicle: {}, refrigerant: "", label_g: null, plan: {}, fields: {} };

function request() {
  const plan = {};
  for (const [name, { box, form }] of forms) { if (box.checked) { plan[name] = form.values(); } }
  if (!Object.keys(plan).length) { throw new Error("Choose at least one thing to watch."); }
  const vehicle = { ...(chosen ? chosen.vehicle : {}) };
  for (const [key, id] of [["model", "f-vehicle"], ["number", "f-plate"]]) { if ($(id).value.trim()) { vehicle[key] = $(id).value.trim(); } else { delete vehicle[key]; } }
  const label = $("f-label").value.trim();
  return { title: $("f-title").value.trim(), vehicle, refrigerant: $("f-refrigerant").value.trim(), label_g: label ? numeric(label, { name: "label charge" }) : null,
    people: $("f-who").value.trim() ? [$("f-who").value.trim()] : [], plan, fields: chosen ? chosen.fields : {} };
}

async function start(event) {
  event.preventDefault();
  text($("start-error"), "");
  if (!$("start-form").reportValidity()) { return; }
  iAm($("f-who").value.trim());
  try { await post("/api/sessions", request()); $("start-dialog").close(); } catch (error) { text($("start-error"), error.message); $("start-error").scrollIntoView({ block: "center" }); }
}

export function installStart() {
  $("open-start").addEventListener("click", async () => {
    text($("start-error"), ""); text($("mark-error"), "");
    try { await prepare(); } catch (error) { text($("mark-error"), error.message); return; }
    $("f-who").value = me();
    $("start-dialog").showModal();
  });
  $("f-preset").addEventListener("change", () => fill(presets.find((preset) => preset.name === $("f-preset").value) || EMPTY));
  $("start-go").addEventListener("click", start);
}
