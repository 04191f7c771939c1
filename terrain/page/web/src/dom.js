// Small helpers for elements. Text always goes in as text, never as markup.

export const $ = (id) => document.getElementById(id);

export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "class") node.className = value;
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

const SVG = "http://www.w3.org/2000/svg";

export function svg(tag, attributes = {}, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, String(value));
  node.append(...children);
  return node;
}

let timer = 0;
export function notice(text) {
  const box = $("notice");
  box.textContent = text;
  box.classList.toggle("shown", Boolean(text));
  clearTimeout(timer);
  if (text) timer = setTimeout(() => notice(""), 9000);
}

export function when(iso) {
  return String(iso).replace("T", " ").replace("+00:00", " UTC").replace("Z", " UTC");
}

export const round = (value, digits) => (Math.round(value * 10 ** digits) / 10 ** digits + 0).toFixed(digits);
