// The little of the DOM that every page needs. Text is always set as text: nothing from outside becomes markup.
export const $ = (id) => document.getElementById(id);

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) { continue; }
    if (name.startsWith("on")) { node.addEventListener(name.slice(2), value); } else { node.setAttribute(name, value === true ? "" : value); }
  }
  node.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return node;
}

export function el(tag, attributes = {}, ...children) { return fill(document.createElement(tag), attributes, children); }
export function svg(tag, attributes = {}, ...children) { return fill(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children); }
export function text(node, value) { if (node.textContent !== value) { node.textContent = value; } }
export function attribute(node, name, value) { if (node.getAttribute(name) !== String(value)) { node.setAttribute(name, value); } }
export function show(node, shown) { if (node.hidden === shown) { node.hidden = !shown; } }

// Draws only when `shape` (what the drawing depends on) has changed, and keeps what a person was at: see `standing`.
export function redraw(root, shape, draw) {
  if (root.dataset.shape === shape) { return; }
  root.dataset.shape = shape;
  const restore = standing(root);
  root.replaceChildren(...draw());
  restore();
}

const named = (node) => node.dataset.key || node.id;
const placeOf = (node) => (node.dataset.key ? `[data-key="${CSS.escape(node.dataset.key)}"]` : `#${CSS.escape(node.id)}`);

// The keyboard's place and caret, what is written or chosen and not sent, and what is unfolded: by `data-key` or id.
function standing(root) {
  const active = document.activeElement, inside = root !== active && root.contains(active) && named(active);
  const place = inside ? placeOf(active) : "", caret = inside && active.selectionStart !== undefined ? [active.selectionStart, active.selectionEnd] : null;
  const fields = [...(root.matches("select") ? [root] : []), ...root.querySelectorAll("input, textarea, select")];
  const written = fields.filter((field) => named(field) && field.value && field.type !== "checkbox").map((field) => [placeOf(field), field.value]);
  const unfolded = [...root.querySelectorAll("details[open]")].filter(named).map(placeOf);
  const find = (where) => (root.matches(where) ? root : root.querySelector(where));
  return () => {
    for (const [where, value] of written) { const field = find(where); if (field && (field.tagName !== "SELECT" || [...field.options].some((option) => option.value === value))) { field.value = value; } }
    for (const where of unfolded) { const details = find(where); if (details) { details.open = true; } }
    const again = place && find(place);
    if (again) { again.focus({ preventScroll: true }); if (caret && again.setSelectionRange) { again.setSelectionRange(...caret); } }
  };
}
