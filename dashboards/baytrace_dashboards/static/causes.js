// What the pattern of the pressures points at: causes ranked by their share, each with what speaks for and against it.
import { $, el, redraw, show } from "./dom.js";
import { words } from "./format.js";

const LEAST = 0.02, MOST_SHOWN = 4;

export function causeRow(cause) {
  const bar = el("span", { class: "share" });
  bar.style.width = `${(100 * cause.likelihood).toFixed(0)}%`;
  return el("li", { class: "cause" }, el("div", {}, el("strong", {}, `${cause.share || `${(100 * cause.likelihood).toFixed(0)} %`} `), words(cause.cause)), el("div", { class: "share-track", "aria-hidden": "true" }, bar),
    cause.for.length ? el("div", { class: "soft" }, `for it: ${cause.for.join("; ")}`) : null, cause.against.length ? el("div", { class: "soft" }, `against it: ${cause.against.join("; ")}`) : null);
}

export const shownCauses = (causes) => (causes || []).filter((cause) => cause.likelihood >= LEAST).sort((a, b) => b.likelihood - a.likelihood).slice(0, MOST_SHOWN);

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
