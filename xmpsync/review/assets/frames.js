// One frame on the page: its pair of pictures with a wipe between before and now, its faces, its numbers.
import { el, lazy, numbersText, signed } from "./dom.js";

const PERHAPS = 0.5; // from this probability on a guess at a person is worth a word

export function faceName(face) {
  if (face.person) return face.person;
  return face.perhaps && face.probability >= PERHAPS ? `perhaps ${face.perhaps}` : "not known";
}

export function faceWords(face) {
  if (!face.de00 || !face.ev) return face.person && face.why ? `not judged: ${face.why}` : face.why ? "not judged" : "no reference to compare with";
  const text = `ΔE ${face.de00[0].toFixed(1)} → ${face.de00[1].toFixed(1)}, brightness ${signed(face.ev[0], 2)} → ${signed(face.ev[1], 2)} EV`;
  return face.why ? `${text} (not counted: ${face.why})` : text;
}

// Why a face is off or does not count, in the words of its frame's findings.
export function whyOff(frame, face, tolerance) {
  if (!isOff(face, tolerance)) return "";
  const why = frame.findings.filter((f) => f.work).map((f) => f.name);
  return `; still off${why.length ? `: ${why.join(", ")}` : ""}`;
}

export function isOff(face, tolerance) {
  return !!tolerance && !!face.de00 && (face.de00[1] > tolerance.de00 || Math.abs(face.ev[1]) > tolerance.ev);
}

export function picture(frame, page, { faces = true, wipe = 50, label = true } = {}) {
  const box = el("div", { class: "picture", css: { "--aspect": String(frame.aspect), "--wipe": `${wipe}%` } });
  lazy(box, () => {
    const [before, now] = page.pictures(frame);
    const who = frame.faces?.length ? ` with ${frame.faces.map(faceName).join(", ")}` : "";
    const images = [el("img", { src: before, alt: now === before ? `${frame.name}${who}` : `${frame.name} before${who}`, decoding: "async" })];
    if (now !== before) images.push(el("img", { src: now, alt: `${frame.name} now`, class: "now", decoding: "async" }));
    box.prepend(...images);
  });
  if (wipe > 0) box.append(el("i", { class: "edge", "aria-hidden": "true" }));
  if (faces) for (const face of frame.faces ?? []) {
    const [left, top, width, height] = face.box;
    const style = { left: `${left * 100}%`, top: `${top * 100}%`, width: `${width * 100}%`, height: `${height * 100}%` };
    const off = isOff(face, page.tolerance);
    const mark = page.alive
      ? el("button", { class: "face", type: "button", css: style, "aria-label": `${faceName(face)} in ${frame.name}${off ? ", still off" : ""}: what to do`, onclick: () => page.onface(frame, face) })
      : el("i", { class: "face", css: style });
    if (off) mark.classList.add("off");
    if (!face.person) mark.classList.add("unknown");
    if (label) mark.append(el("span", { "aria-hidden": page.alive ? "true" : null }, faceName(face)));
    box.append(mark);
  }
  return box;
}

// One face alone, as it is now: the picture behind a window of the face's size.
export function crop(frame, face, page, width = 7) {
  const [left, top, w, h] = face.box;
  const wide = Math.min(1, Math.max(w, (h / frame.aspect)) * 1.5), high = wide * frame.aspect; // a square in pixels
  const box = el("div", { class: "crop", css: { width: `${width}rem`, height: `${width}rem` } });
  return lazy(box, () => {
    const x = Math.min(Math.max(left + w / 2 - wide / 2, 0), 1 - wide), y = Math.max(0, Math.min(top + h / 2 - high / 2, 1 - high));
    box.append(el("img", { src: page.pictures(frame)[1], alt: `A face in ${frame.name}`, decoding: "async", css: { width: `${100 / wide}%`, left: `${(-100 * x) / wide}%`, top: `${(-100 * y) / high}%` } }));
  });
}

export function pair(frame, page, options = {}) {
  const [was, is] = page.pictures(frame);
  if (was === is) return [picture(frame, page, { ...options, wipe: 0 })];
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
  const whole = (text, value) => el("button", { type: "button", onclick: () => { slide.value = String(value); set(value); } }, text);
  return [box, el("p", { class: "printed" }, "Left of the line before, right of it now."), el("div", { class: "wipe" }, whole("before", 100), slide, whole("now", 0))];
}

const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1);

// What is to be done first, then how each face stands, then the numbers.
export function facts(frame, page) {
  const { chosen } = page.data; // before a look is chosen nothing is compared with it
  const findings = frame.findings.filter((f) => chosen || f.code !== "person-never-linked-to-a-reference").map((finding) => el("div", {},
    el("p", {}, el("b", {}, `${sentence(finding.name)}. `), finding.advice),
    finding.local.length ? el("ul", {}, finding.local.map((d) => el("li", {}, `${d.who} still needs: ${d.words} (${d.numbers})`))) : null));
  const list = frame.faces.length ? el("ul", {}, frame.faces.map((face) => el("li", {}, chosen ? `${faceName(face)}: ${faceWords(face)} ` : `${faceName(face)} `, page.decorate("face", frame, face)))) : null;
  const values = el("dl", { class: "values" }, el("dt", {}, chosen ? "before" : "stands at"), el("dd", {}, numbersText(frame.before, frame.shot)));
  if (chosen) values.append(el("dt", {}, "now"), el("dd", {}, numbersText(frame.after)));
  if (frame.after) values.append(el("dt", {}, "sure to"), el("dd", {}, `±${frame.sd.mired.toFixed(1)} mired, ±${frame.sd.tint.toFixed(1)} tint, ±${frame.sd.ev.toFixed(2)} EV`));
  return [...findings, list, values].filter(Boolean);
}

const BASIS = {
  faces: "by its own faces", group: "follows its light", "as-shot": "as shot", reference: "the reference: never changed",
  held: "held as it is", "left-alone": "left alone", "by-hand": "by your nudge alone",
};

export function basisWords(frame, page) {
  if (!page.data.chosen && frame.basis !== "reference") return "as it stands";
  const nudge = frame.nudge?.some((v) => v) ? ", nudged by you" : "";
  return BASIS[frame.basis] + nudge;
}

export function card(frame, page, { place = false } = {}) {
  const link = place
    ? el("a", { href: `#frame=${frame.key}`, onclick: (event) => { event.preventDefault(); page.goto(frame.key); } }, "its place in the series")
    : null;
  return el("article", { class: "card", id: place ? `hand-${frame.key}` : `frame-${frame.key}`, "data-key": frame.key },
    ...pair(frame, page, { label: place }),
    el(place ? "h3" : "h4", {}, el("button", { type: "button", onclick: () => page.open(frame), "aria-label": `${frame.name}, show large` }, frame.name)),
    el("p", { class: "faint" }, basisWords(frame, page)),
    ...facts(frame, page), link);
}
