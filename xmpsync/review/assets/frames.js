// One frame on the page: its pair of pictures with a wipe between before and now, its faces, its numbers.
import { el, numbersText, signed } from "./dom.js";

export const NEAR = "600px"; // pictures are fetched when they come this near to the window
const wanted = new IntersectionObserver((entries) => {
  for (const entry of entries) if (entry.isIntersecting) { wanted.unobserve(entry.target); entry.target.fill(); }
}, { rootMargin: NEAR });

export function loadAllPictures() {
  for (const box of document.querySelectorAll(".picture")) if (box.fill) box.fill();
}

export function faceName(face) {
  if (face.person) return face.person;
  return face.perhaps ? `perhaps ${face.perhaps}` : "unknown";
}

export function faceWords(face) {
  if (!face.de00 || !face.ev) return face.why ? `not measured: ${face.why}` : "no reference to compare with";
  const text = `ΔE ${face.de00[0].toFixed(1)} → ${face.de00[1].toFixed(1)}, level ${signed(face.ev[0], 2)} → ${signed(face.ev[1], 2)} EV`;
  return face.why ? `${text} (not counted: ${face.why})` : text;
}

export function isOff(face, tolerance) {
  return !!face.de00 && (face.de00[1] > tolerance.de00 || Math.abs(face.ev[1]) > tolerance.ev);
}

export function picture(frame, page, { faces = true, wipe = 50, label = true } = {}) {
  const box = el("div", { class: "picture", css: { "aspect-ratio": String(frame.aspect), "--wipe": `${wipe}%` } });
  box.fill = () => {
    box.fill = () => {};
    const [before, now] = page.pictures(frame);
    box.prepend(
      el("img", { src: before, alt: `${frame.name} before`, decoding: "async" }),
      el("img", { src: now, alt: `${frame.name} now`, class: "now", decoding: "async" }),
    );
  };
  box.append(el("i", { class: "edge", "aria-hidden": "true" }));
  if (faces) for (const face of frame.faces) {
    const [left, top, width, height] = face.box;
    const style = { left: `${left * 100}%`, top: `${top * 100}%`, width: `${width * 100}%`, height: `${height * 100}%` };
    const mark = page.alive
      ? el("button", { class: "face", type: "button", css: style, "aria-label": `${faceName(face)} in ${frame.name}: what to do`, onclick: () => page.onface(frame, face) })
      : el("i", { class: "face", css: style });
    if (isOff(face, page.data.tolerance)) mark.classList.add("off");
    if (label) mark.append(el("span", { "aria-hidden": page.alive ? "true" : null }, faceName(face)));
    box.append(mark);
  }
  wanted.observe(box);
  return box;
}

export function pair(frame, page, options = {}) {
  const box = picture(frame, page, options);
  const set = (value) => box.style.setProperty("--wipe", `${value}%`);
  const slide = el("input", {
    type: "range", min: 0, max: 100, step: 5, value: options.wipe ?? 50, "aria-label": `${frame.name}: how much of the picture, from the left, shows before (percent)`,
    oninput: (event) => set(event.target.value),
  });
  box.addEventListener("pointermove", (event) => {
    if (event.pointerType === "mouse" && event.buttons !== 1) return;
    const rect = box.getBoundingClientRect();
    slide.value = String(Math.round(((event.clientX - rect.left) / rect.width) * 100));
    set(slide.value);
  });
  box.style.touchAction = "pan-y";
  return [box, el("div", { class: "wipe" }, el("span", {}, "before"), slide, el("span", {}, "now"))];
}

export function facts(frame) {
  const values = el("dl", { class: "values" },
    el("dt", {}, "before"), el("dd", {}, numbersText(frame.before)),
    el("dt", {}, "now"), el("dd", {}, numbersText(frame.after)));
  if (frame.after) values.append(el("dt", {}, "sure to"), el("dd", {}, `±${frame.sd.mired.toFixed(1)} mired, ±${frame.sd.tint.toFixed(1)} tint, ±${frame.sd.ev.toFixed(2)} EV`));
  const list = el("ul", {}, frame.faces.map((face) => el("li", {}, `${faceName(face)}: ${faceWords(face)}`)));
  const findings = frame.findings.map((finding) => el("div", {},
    el("p", {}, el("b", {}, `${finding.name}. `), finding.advice),
    finding.local.length ? el("ul", {}, finding.local.map((d) => el("li", {}, `${d.who} still needs: ${d.words} (${d.numbers})`))) : null));
  return [...findings, values, list];
}

const BASIS = {
  faces: "by its own faces", group: "by its light", "as-shot": "as shot", reference: "the reference: never changed",
  held: "held as it is", "left-alone": "left alone",
};

export function card(frame, page, { place = false } = {}) {
  const link = place
    ? el("a", { href: `#frame=${frame.key}`, onclick: (event) => { event.preventDefault(); page.goto(frame.key); } }, "its place in the series")
    : null;
  return el("article", { class: "card", id: place ? `hand-${frame.key}` : `frame-${frame.key}`, "data-key": frame.key },
    ...pair(frame, page, { label: place }),
    el("h3", {}, el("button", { type: "button", onclick: () => page.open(frame) , "aria-label": `${frame.name}, show large` }, frame.name)),
    el("p", { class: "faint" }, BASIS[frame.basis]),
    ...facts(frame), link);
}
