// Elements and figures. Every text goes through `shown` and into a text node: nothing is markup.

/** What may turn text round or act on its reader, made visible; the same marks as the terminal shows. */
const ACTS = /[\u0000-\u001f\u007f-\u009f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ufffe\uffff]|[\u{e0000}-\u{e007f}]/gu;
const shown = (text) => String(text).replace(ACTS, (c) => `\\u{${c.codePointAt(0).toString(16)}}`);

/** An element with attributes (functions become listeners), and its children: text or elements. */
function el(name, attributes, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes ?? {})) {
    if (typeof value === "function") node.addEventListener(key, value);
    else if (value === true) node.setAttribute(key, "");
    else if (value !== false && value != null) node.setAttribute(key, shown(value));
  }
  node.append(...children.flat().filter((c) => c != null && c !== "").map((c) => (c instanceof Node ? c : document.createTextNode(shown(c)))));
  return node;
}

function mark(verdict) {
  const name = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(name, "svg");
  svg.setAttribute("class", "mark");
  svg.setAttribute("viewBox", "0 0 28 12");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(name, "use");
  const known = document.getElementById(`mark-${verdict}`) ? verdict : "judged-not";
  use.setAttribute("href", `#mark-${known}`);
  svg.append(use);
  return svg;
}

/** A verdict: a mark of its own, and always its word. */
const verdict = (word) => el("span", { class: `verdict is-${word ?? "none"}` }, mark(word), word ?? "not judged");

const minus = (text) => text.replace("-", "\u2212");
const fixed = (value, digits) => (value == null ? "\u2013" : minus(value.toFixed(digits).replace(/^-(?=[0.]*$)/, "")));

/** Metres with a thin space between thousands; a line never breaks in them. */
function metres(value, digits = 1) {
  if (value == null) return "\u2013";
  const [whole, part] = Math.abs(value).toFixed(digits).split(".");
  const sign = value < 0 && Number(value.toFixed(digits)) !== 0 ? "\u2212" : "";
  return sign + whole.replace(/\B(?=(\d{3})+$)/g, "\u202f") + (part ? `.${part}` : "") + "\u00a0m";
}

/** A place with its sigma; where distances begin there is none. */
function placed(value, sigma) {
  const text = metres(value);
  return sigma > 0 ? text.replace("\u00a0m", `\u00a0\u00b1\u00a0${Math.max(sigma, 0.1).toFixed(1)}\u00a0m`) : text;
}

/** A figure with its sigma, to the sigma's second place where that is known. */
function measured(value, sigma, unit) {
  if (value == null) return "\u2013";
  if (sigma == null) return `${fixed(value, 3)} ${unit}`;
  const digits = sigma >= 0.1 ? 2 : 3;
  return `${fixed(value, digits)} \u00b1 ${Math.max(sigma, 10 ** -digits).toFixed(digits)} ${unit}`;
}

const end_letter = (direction) => (direction === "b-to-a" ? "b" : "a");

/** What a trace is that counts for nothing: another was taken later, or the plan asks for none. */
const is_beside = (test) => test.verdict === "superseded" || test.verdict === "surplus";

/** How a trace is called: its wavelength and the end it was taken from. */
const trace_name = (test) =>
  `${test.wavelength_nm ?? "?"} nm from ${test.direction ? end_letter(test.direction) : "an unknown end"}${is_beside(test) ? `, ${test.verdict}` : ""}`;

/** A reflectance to its sigma's first places; a saturated one is a bound. */
function reflectance(value, sigma, is_bound) {
  if (value == null) return "\u2013";
  if (is_bound || sigma == null) return `above ${fixed(value, 1)} dB`;
  const digits = sigma < 0.095 ? 2 : 1;
  return `${fixed(value, digits)} \u00b1 ${Math.max(sigma, 10 ** -digits).toFixed(digits)} dB`;
}

/** Colours that fibres and tubes have in the cable, as painted dots; the word always stands beside. */
/** Of "striped blue" the dye is the last word. */
function swatch(color) {
  const words = color.split(" ");
  const striped = words.length > 1 ? " striped" : "";
  return el("span", { class: `swatch dye-${words.at(-1)}${striped}`, "aria-hidden": "true" });
}

const plural = (count, one, many) => `${count} ${count === 1 ? one : many}`;

/** A box for what may be wider than the screen; only where it is, Tab stops at it so that arrow keys scroll. */
function scroll_box(label, attributes, ...children) {
  const box = el("div", { class: "scroll", role: "region", "aria-label": label, ...attributes }, ...children);
  scrollers.observe(box);
  return box;
}

const mind_scroll = (box) => {
  if (box.scrollWidth > box.clientWidth) box.tabIndex = 0;
  else box.removeAttribute("tabindex");
};
const scrollers = new ResizeObserver((boxes) => boxes.forEach((one) => mind_scroll(one.target)));

/**
 * A table that becomes a card for each row where the screen is narrow: each cell then carries its
 * heading, and roles keep it a table for those who hear it.
 */
function table(caption, heads, rows, id) {
  // A heading stands over its figures.
  const side = (i) => rows[0]?.children[i]?.classList.contains("figure") && "figure";
  const node = el("table", { id: id ?? false, role: "table" }, el("caption", {}, caption),
    el("thead", { role: "rowgroup" }, el("tr", { role: "row" }, heads.map((h, i) => el("th", { scope: "col", role: "columnheader", class: side(i) }, h)))),
    el("tbody", { role: "rowgroup" }, rows.map((row) => labelled(row, heads))));
  return scroll_box(caption, { class: "cards scroll" }, node);
}

function labelled(row, heads) {
  row.setAttribute("role", "row");
  [...row.children].forEach((cell, i) => {
    cell.setAttribute("role", cell.tagName === "TH" ? "rowheader" : "cell");
    cell.dataset.head = heads[i];
    if (cell.textContent === "" || cell.textContent === "\u2013") cell.classList.add("empty");
  });
  return row;
}
