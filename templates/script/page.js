// One script in parts (the order stands in reportgen/render/html.py). Without it the page is a plain report.
const SVG = "http://www.w3.org/2000/svg";
const WORDS = JSON.parse(document.body.dataset.words || "{}");
const say = (key) => WORDS[key] || key;
const language = document.documentElement.lang || "en";
// Six digits: as many as a value has that is kept in single precision.
const number = (value, digits = 6) => Number.isFinite(value)
  ? new Intl.NumberFormat(language, { maximumSignificantDigits: digits, useGrouping: false }).format(value).replace("-", "−") : "–";
const signed = (value, digits = 6) => (value > 0 ? "+" : "") + number(value, digits);

const element = (name, attributes, parent) => {
  const made = document.createElementNS(SVG, name);
  for (const key of Object.keys(attributes)) made.setAttribute(key, attributes[key]);
  if (parent) parent.append(made);
  return made;
};
const button = (text, title, parent, act) => {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  if (title) { made.title = title; made.setAttribute("aria-label", title); }
  made.addEventListener("click", act);
  parent.append(made);
  return made;
};
