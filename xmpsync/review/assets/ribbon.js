// The whole shoot at a glance: a row is a person, a column a frame, a gap a change of light.
// Each row holds two bands of skin: above as it was, below as it is now. What is still off is framed.
import { el, svg } from "./dom.js";
import { faceWords, isOff, whyOff } from "./frames.js";

const MERGE_FROM = 240; // frames past which a column would be thinner than 4 px on a desktop: lights are merged
const STRIPES = 10; // faces of one person in one light that a merged cell shows side by side, spread over its time
const GAP = 6, BAND = 15;

export function ribbon(page, open = null) {
  const { data } = page;
  const byLight = new Map(data.lights.map((light) => [light.light, []]));
  for (const frame of data.frames) byLight.get(frame.light)?.push(frame);
  const merged = data.frames.length > MERGE_FROM && open === null;
  const lights = data.lights.filter((light) => open === null || light.light === open);
  const places = []; // one per light: where it lies and what its columns are
  let x = 0;
  for (const light of lights) {
    const frames = byLight.get(light.light);
    const width = merged ? 14 + 8 * Math.log2(1 + frames.length) : 20 * frames.length;
    places.push({ light, frames, x, width });
    x += width + GAP;
  }
  const total = Math.max(1, x - GAP);
  const rows = data.persons.map((person) => row(page, person.name, places, total, merged));
  if (data.frames.some((frame) => frame.faces.some((face) => !face.person && face.colour))) rows.push(row(page, null, places, total, merged));
  const cell = el("p", { id: "cell", class: "faint wide", "aria-live": "polite" }, "Point at a patch, or walk along a row with the arrow keys, to read what it is; a click or Enter leads to its frame.");
  const ticks = el("div", { class: "row" }, el("span", { class: "who faint" }, "light"), el("div", { class: "lights" }, places.map((p) => el("button", {
    type: "button", css: { left: `${(100 * p.x) / total}%`, width: `${(100 * p.width) / total}%` },
    title: p.light.name, "aria-label": `${p.light.name}: ${merged ? "open" : "go to"}`,
    onclick: () => (merged ? page.openLight(p.light.light) : page.gotoLight(p.light.light)),
  }, String(p.light.number)))));
  const back = open !== null ? el("button", { type: "button", onclick: () => page.openLight(null) }, "All lights again") : null;
  const how = data.chosen ? "each face above as it was, below as it is now" : "the skin as it stands";
  if (!rows.length) return el("section", { "aria-label": "Skin" }, el("p", { class: "faint" }, "No face with skin was found, so there is no row to show."));
  return el("section", { "aria-label": "Skin, person by person, through the day" },
    el("h2", { id: "ribbon", tabindex: "-1" }, "Skin, person by person, through the day"),
    el("p", { class: "faint wide" }, `A row is a person, ${how}; a gap is a change of light.${data.chosen ? " A framed patch is still off by more than the tolerance." : ""}${merged ? " Each block is one light; its number opens it frame by frame." : ""}`),
    back, el("div", { class: "ribbon" }, rows, ticks), cell);
}

// The faces of one person (null: nobody known) in a light: where each lies in its column and what it says.
function found(page, name, frames) {
  const out = [];
  frames.forEach((frame, column) => {
    const own = frame.faces.filter((f) => (name === null ? !f.person : f.person === name) && f.colour);
    const shown = name === null ? own : own.slice(0, 1);
    shown.forEach((face, i) => out.push({ frame, face, column, part: i, parts: shown.length }));
  });
  return out;
}

// Still off: a frame of both greys, one inside the other, so that it shows on any skin.
const framed = (x, width) => ["ground", "off"].map((kind) => svg("rect", { class: kind, x: x + 1, y: BAND + 3, width: Math.max(1, width - 2), height: BAND - 2 }));

function row(page, name, places, total, merged) {
  const title = name ?? "not known";
  const stops = [], shapes = [];
  let n = 0, nOff = 0;
  for (const { light, frames, x, width } of places) {
    shapes.push(svg("rect", { class: "none", x, y: 0, width, height: 2 * BAND + 2 }));
    let own = found(page, name, frames);
    const off = own.filter((f) => isOff(f.face, page.tolerance));
    const count = own.length;
    n += count; nOff += off.length;
    if (merged && count > STRIPES) own = Array.from({ length: STRIPES }, (_, i) => own[Math.floor((i * count) / STRIPES)]);
    own.forEach((f, i) => {
      const w = merged ? width / own.length : 20 / f.parts;
      const at = merged ? x + i * w : x + f.column * 20 + f.part * w;
      for (const now of [0, 1]) shapes.push(svg("rect", { x: at, y: now * (BAND + 2), width: w + 0.2, height: BAND, fill: f.face.colour[now] }));
      if (!merged && isOff(f.face, page.tolerance)) shapes.push(...framed(at, w));
      stops.push({ x: at, width: w, key: f.frame.key, text: `${title} in ${f.frame.name}, ${light.name}: ${faceWords(f.face)}${whyOff(f.frame, f.face, page.tolerance)}`, more: merged && off.length ? ` (${off.length} of ${count} faces here are off)` : "" });
    });
    if (merged && off.length) shapes.push(...framed(x, width));
  }
  const drawing = svg("svg", { viewBox: `0 0 ${total} ${2 * BAND + 2}`, preserveAspectRatio: "none", role: "application", tabindex: "0",
    "aria-roledescription": "row of skin patches", "aria-describedby": "cell",
    "aria-label": `${title}: ${n} faces, ${nOff} still off. Left and right read them, Enter leads to the frame` }, ...shapes);
  let at = -1;
  const here = svg("rect", { class: "here", visibility: "hidden", y: 1, height: 2 * BAND });
  drawing.append(here);
  const show = (i) => {
    at = i;
    const stop = stops[i];
    for (const [k, v] of [["x", stop.x], ["width", stop.width], ["visibility", "visible"]]) here.setAttribute(k, v);
    document.getElementById("cell").textContent = stop.text + stop.more;
  };
  const nearest = (event) => {
    const rect = drawing.getBoundingClientRect();
    const x = ((event.clientX - rect.left) / rect.width) * total;
    return stops.findIndex((s) => x >= s.x && x <= s.x + s.width);
  };
  drawing.addEventListener("pointermove", (event) => { const i = nearest(event); if (i >= 0) show(i); });
  drawing.addEventListener("click", (event) => { const i = nearest(event); if (i >= 0) page.goto(stops[i].key); });
  drawing.addEventListener("blur", () => here.setAttribute("visibility", "hidden"));
  drawing.addEventListener("keydown", (event) => {
    if (!stops.length) return;
    if (event.key === "ArrowRight") show(Math.min(stops.length - 1, at + 1));
    else if (event.key === "ArrowLeft") show(Math.max(0, at - 1));
    else if (event.key === "Home") show(0);
    else if (event.key === "End") show(stops.length - 1);
    else if (event.key === "Enter" && at >= 0) page.goto(stops[at].key);
    else return;
    event.preventDefault();
  });
  const head = name === null
    ? el("button", { type: "button", class: "who", onclick: () => page.filter("person", "?") }, title)
    : el("button", { type: "button", class: "who", onclick: () => page.gotoPerson(name) }, name);
  return el("div", { class: "row" }, head, drawing);
}
