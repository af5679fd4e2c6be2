"""What is wrong with a page as it stands in the browser: for people who cannot see or point well, and for anyone's eye.

`barriers` runs axe-core over it (WCAG 2.0 to 2.2, A and AA). `misfits` measures boxes: sideways scrolling, targets smaller than
`TARGET_PX`, text cut by a box that hides what does not fit, text on text. A canvas is a picture and is not looked into.
"""

import functools
from importlib.resources import files

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
TARGET_PX = 44
"""WCAG 2.2, success criterion 2.5.5 (enhanced target size): 44 by 44 CSS pixels; links within a sentence are excepted there."""


@functools.cache
def axe_core():
    return files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


def barriers(page):
    """One line for each fault axe-core finds, with the element."""
    if not page.evaluate("() => Boolean(window.axe)"):
        page.evaluate(axe_core())
    options = {"runOnly": {"type": "tag", "values": WCAG}, "resultTypes": ["violations"]}
    found = page.evaluate("options => window.axe.run(document, options)", options)
    return [
        f"{page.url}: {fault['id']}: {fault['help']}: {node['html'][:160]}"
        for fault in found["violations"]
        for node in fault["nodes"]
    ]


def misfits(page):
    """One line for each thing that scrolls sideways, is too small to hit, cut or overlapped."""
    found = page.evaluate(_MEASURE, {"target": TARGET_PX})
    return [f"{page.url} at {page.viewport_size['width']}: {line}" for line in found]


_MEASURE = """
({ target }) => {
  const found = [];
  const open = [...document.querySelectorAll("dialog[open]")].pop();
  const root = open || document.body;
  const brief = (node) => `${node.tagName.toLowerCase()}${node.id ? `#${node.id}` : ""} "${(node.innerText || node.value || "").trim().slice(0, 50)}"`;
  const seen = (node) => node.checkVisibility({ visibilityProperty: true, opacityProperty: true }) && node.getBoundingClientRect().width > 0;
  const offscreen = (box) => box.right <= 0 || box.bottom <= -scrollY;

  const wide = document.scrollingElement.scrollWidth - document.documentElement.clientWidth;
  if (wide > 0) {
    const out = [...document.body.querySelectorAll("*")].filter((node) => seen(node) && node.getBoundingClientRect().right > innerWidth + 1).slice(0, 3);
    found.push(`scrolls sideways by ${wide} px, because of ${out.map(brief).join(", ")}`);
  }
  if (open && open.scrollWidth > open.clientWidth + 1) { found.push(`the dialog scrolls sideways by ${open.scrollWidth - open.clientWidth} px`); }

  // targets
  const controls = root.querySelectorAll("a[href], button, input, select, textarea, summary, [role=button]");
  for (const node of controls) {
    if (!seen(node) || node.disabled) { continue; }
    const own = node.getBoundingClientRect();
    if (offscreen(own)) { continue; }
    if (node.matches("a[href]") && getComputedStyle(node).display === "inline") {
      const around = node.closest("p, li, td, dd, h1, h2, h3, h4, blockquote");
      const words = (text) => text.replace(/[^\\p{L}\\p{N}]+/gu, "");
      if (around && words(around.innerText) !== words(node.innerText)) { continue; }
    }
    let box = own;
    for (const label of node.labels || []) {
      if (label.contains(node)) { box = label.getBoundingClientRect(); }
    }
    if (box.width < target - 0.5 || box.height < target - 0.5) { found.push(`target of ${Math.round(box.width)} x ${Math.round(box.height)} px: ${brief(node)}`); }
  }

  // text: where each piece stands, and whether a box around it hides a part
  const pieces = [];
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode, holder = text.parentElement;
    if (!text.data.trim() || !seen(holder) || holder.closest("script, style, option, canvas, .skip")) { continue; }
    const range = document.createRange();
    range.selectNodeContents(text);
    // words for those who listen stand in a box of a pixel
    if ([holder, holder.parentElement].some((node) => node && getComputedStyle(node).position === "absolute" && node.getBoundingClientRect().width <= 2)) { continue; }
    const clips = [];
    let scrolls = false;
    for (let node = holder; node && node !== root.parentElement; node = node.parentElement) {
      const style = getComputedStyle(node);
      if (/(auto|scroll)/.test(style.overflowX + style.overflowY)) { scrolls = true; break; }
      if (/(hidden|clip)/.test(style.overflowX + style.overflowY)) { clips.push(node.getBoundingClientRect()); }
    }
    for (const rect of range.getClientRects()) {
      if (rect.width < 1 || rect.height < 1 || offscreen(rect)) { continue; }
      for (const clip of clips) {
        if (rect.left < clip.left - 1.5 || rect.right > clip.right + 1.5 || rect.top < clip.top - 3 || rect.bottom > clip.bottom + 3) {
          found.push(`cut: "${text.data.trim().slice(0, 60)}"`);
        }
      }
      if (!scrolls && (rect.right > innerWidth + 1 || rect.left < -1)) { found.push(`runs out of the window: "${text.data.trim().slice(0, 60)}"`); }
      if (!scrolls) { pieces.push({ holder, rect, text: text.data.trim().slice(0, 40), size: parseFloat(getComputedStyle(holder).fontSize) }); }
    }
  }

  // text on text; a line box is higher than its letters by a fifth of their size above and below
  pieces.sort((a, b) => a.rect.top - b.rect.top);
  for (let i = 0; i < pieces.length; i += 1) {
    for (let j = i + 1; j < pieces.length && pieces[j].rect.top < pieces[i].rect.bottom; j += 1) {
      const a = pieces[i], b = pieces[j];
      if (a.holder === b.holder || a.holder.contains(b.holder) || b.holder.contains(a.holder)) { continue; }
      const across = Math.min(a.rect.right, b.rect.right) - Math.max(a.rect.left, b.rect.left);
      const down = Math.min(a.rect.bottom - a.size / 5, b.rect.bottom - b.size / 5) - Math.max(a.rect.top + a.size / 5, b.rect.top + b.size / 5);
      if (across > 2 && down > 1) { found.push(`"${a.text}" lies on "${b.text}"`); }
    }
  }

  // a value in a field that cannot be read whole, and a word broken out of its button
  for (const node of root.querySelectorAll("button, .big, summary, select")) {
    if (seen(node) && node.scrollWidth > node.clientWidth + 2) { found.push(`its words do not fit: ${brief(node)}`); }
  }
  return [...new Set(found)];
}
"""
