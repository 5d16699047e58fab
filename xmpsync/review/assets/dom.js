// Small helpers: elements from words, numbers with their units.

export function el(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key === "css") for (const [k, v] of Object.entries(value)) node.style.setProperty(k, v);
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat().filter((c) => c !== null && c !== undefined));
  return node;
}

const SVG = "http://www.w3.org/2000/svg";
export function svg(name, attributes = {}, ...children) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) if (value !== null) node.setAttribute(key, value);
  node.append(...children);
  return node;
}

export function signed(value, digits) {
  return (value < 0 ? "−" : "+") + Math.abs(value).toFixed(digits);
}

export function numbersText(n, shot = null) {
  if (!n) return "unchanged";
  const said = (kelvin, tint) => `${Math.round(kelvin)} K, tint ${signed(tint ?? 0, 0)}`;
  const white = n.kelvin !== null ? said(n.kelvin, n.tint) : shot ? `as shot (about ${said(...shot)})` : "as shot";
  return `${white}, ${n.ev ? signed(n.ev, 2) : "0"} EV`;
}

// A box that makes what is in it only when it comes near the window (`box.fill`).
export const NEAR = "600px";
const wanted = new IntersectionObserver((entries) => {
  for (const entry of entries) if (entry.isIntersecting) { wanted.unobserve(entry.target); entry.target.fill?.(); }
}, { rootMargin: NEAR });
export function lazy(box, make) {
  box.fill = () => { box.fill = null; make(); };
  box.classList.add("lazy");
  wanted.observe(box);
  return box;
}
export function fillAll() { for (let boxes; (boxes = [...document.querySelectorAll(".lazy")].filter((b) => b.fill)).length;) for (const b of boxes) b.fill(); }

const told = document.getElementById("told");
// A sentence at the top of the window; one that tells of trouble stays until the next. A modal dialog hides all else.
export function tell(sentence, trouble = false) {
  const dialog = document.getElementById("large");
  const place = dialog.open ? dialog : document.body;
  if (told.parentNode !== place) place.append(told);
  told.textContent = sentence;
  clearTimeout(tell.timer);
  if (!trouble) tell.timer = setTimeout(() => { told.textContent = ""; }, 8000);
}
document.getElementById("large").addEventListener("close", () => document.body.append(told));
