// What the pressures point at: causes ranked by their share, each with what speaks for and against it; and what would not have shown.
import { $, el, redraw, show } from "./dom.js";
import { number, words } from "./format.js";

const LEAST = 0.02, MOST_SHOWN = 4;

// What the evidence does not part is named together.
export const causeNames = (cause) => [cause.cause, ...(cause.or || [])].join(" or ");

export function causeRow(cause) {
  const bar = el("span", { class: "share" });
  bar.style.width = `${(100 * cause.likelihood).toFixed(0)}%`;
  return el("li", { class: "cause" }, el("div", {}, el("strong", {}, `${cause.share || `${(100 * cause.likelihood).toFixed(0)} %`} `), words(causeNames(cause))), el("div", { class: "share-track", "aria-hidden": "true" }, bar),
    cause.for.length ? el("div", { class: "soft" }, `for it: ${cause.for.join("; ")}`) : null, cause.against.length ? el("div", { class: "soft" }, `against it: ${cause.against.join("; ")}`) : null);
}

export const shownCauses = (causes) => (causes || []).filter((cause) => cause.likelihood >= LEAST).sort((a, b) => b.likelihood - a.likelihood).slice(0, MOST_SHOWN);

function blindRow(spot) {
  const seen = spot.smallest ? `would have shown from ${number(spot.smallest.value, 1)} ${spot.smallest.unit} on` : `would not have shown${spot.most ? ` up to ${number(spot.most.value, 1)} ${spot.most.unit}` : ""}`;
  return el("li", {}, el("strong", {}, `${words(spot.cause)}: `), seen);
}

// The smallest fault of each cause that these instruments on this day would have shown.
export function blindSpots(spots, name) {
  return spots && spots.length ? el("details", { "data-key": `blind ${name}` }, el("summary", {}, "What this would not have shown"), el("ul", { class: "reasons" }, ...spots.map(blindRow))) : null;
}

// Of the watch in focus, or of another that follows the same running loop and found something.
function told(watch, watches) {
  const details = (watch && watch.details) || {};
  const found = details.causes ? watch : details.channels && watches.find((each) => each.details && each.details.causes);
  return found && found.verdict.verdict !== "pass" ? found.details.causes : [];
}

export function drawCauses(watch, watches) {
  const causes = shownCauses(told(watch, watches));
  show($("cause-sheet"), causes.length > 0);
  redraw($("causes"), JSON.stringify(causes), () => causes.map(causeRow));
}
