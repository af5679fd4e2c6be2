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

// Draws only when `shape` (what the drawing depends on) has changed, and keeps the keyboard's place by `data-key`.
export function redraw(root, shape, draw) {
  if (root.dataset.shape === shape) { return; }
  root.dataset.shape = shape;
  const focused = root.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  root.replaceChildren(...draw());
  if (focused) { const again = root.querySelector(`[data-key="${CSS.escape(focused)}"]`); if (again) { again.focus(); } }
}
