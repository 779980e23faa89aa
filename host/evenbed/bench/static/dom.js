// Small helpers for the page's own elements.
const SVG = "http://www.w3.org/2000/svg";

export const $ = (id) => document.getElementById(id);

// Set a text only where it changes: what stays the same is neither laid out nor read out again.
export function text(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

export function attr(element, name, value) {
  const v = String(value);
  if (element.getAttribute(name) !== v) element.setAttribute(name, v);
}

export function show(element, visible) {
  if (element.hidden === visible) element.hidden = !visible;
}

export function able(button, can) {
  if (button.disabled === can) button.disabled = !can;
}

export function el(name, attributes = {}, ...children) {
  const e = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "onclick") e.addEventListener("click", value);
    else if (value !== null && value !== undefined && value !== false) e.setAttribute(key, value === true ? "" : value);
  }
  e.append(...children.filter((c) => c !== null));
  return e;
}

export function svg(name, attributes = {}, ...children) {
  const e = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
  e.append(...children);
  return e;
}
