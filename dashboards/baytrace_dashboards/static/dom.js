// The little of the DOM that every page needs. Text is always set as text: nothing from outside becomes markup.
export const $ = (id) => document.getElementById(id);

export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) { continue; }
    if (name.startsWith("on")) { node.addEventListener(name.slice(2), value); } else { node.setAttribute(name, value === true ? "" : value); }
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

export function text(node, value) { if (node.textContent !== value) { node.textContent = value; } }
export function attribute(node, name, value) { if (node.getAttribute(name) !== String(value)) { node.setAttribute(name, value); } }
export function show(node, shown) { if (node.hidden === shown) { node.hidden = !shown; } }
