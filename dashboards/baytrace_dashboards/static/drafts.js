// What was being written when a page went away is there again when it comes back, in this tab only: kept for each field of a page
// that has an id, until it was sent (the field is then empty) or the tab is closed. Names, search words and what stands in a dialog are not kept.
const KEPT = "main input:not([type=password], [type=checkbox], [type=search], [autocomplete=name]), main textarea";
const place = `drafts ${location.pathname}`;

function fields() { return [...document.querySelectorAll(KEPT)].filter((field) => field.id); }

export function keepDrafts() {
  const kept = JSON.parse(sessionStorage.getItem(place) || "{}");
  for (const field of fields()) { if (kept[field.id] && !field.value) { field.value = kept[field.id]; } }
  addEventListener("pagehide", () => {
    const written = Object.fromEntries(fields().filter((field) => field.value).map((field) => [field.id, field.value]));
    sessionStorage.setItem(place, JSON.stringify(written));
  });
}
