// The whole shoot at a glance: a row is a person, a column a frame, a gap a change of light.
// Each row holds two bands of skin: above as it was, below as it is now. What is still off is framed.
import { el, svg } from "./dom.js";
import { faceWords, isOff } from "./frames.js";

const MERGE_FROM = 240; // frames past which a column would be thinner than 4 px on a desktop: lights are merged
const STRIPES = 10; // faces of one person in one light that a merged cell shows side by side, spread over its time
const GAP = 6, BAND = 18;

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
  const rows = data.persons.map((person) => row(page, person, places, total, merged));
  const cell = el("p", { id: "cell", class: "faint", "aria-live": "polite" }, "Arrow keys or the pointer tell what a patch is; Enter or a click leads to it.");
  const ticks = el("div", { class: "row" }, el("span"), el("div", { class: "lights" }, places.map((p) => el("button", {
    type: "button", css: { left: `${(100 * p.x) / total}%`, width: `${(100 * p.width) / total}%` },
    title: p.light.name, "aria-label": `${p.light.name}: ${merged ? "open" : "go to"}`,
    onclick: () => (merged ? page.openLight(p.light.light) : page.gotoLight(p.light.light)),
  }, String(p.light.light + 1)))));
  const back = open !== null ? el("button", { type: "button", onclick: () => page.openLight(null) }, "All lights again") : null;
  return el("section", { "aria-label": "Skin, person by person, through the day" },
    el("h2", {}, "Skin, person by person, through the day"),
    el("p", { class: "faint" }, "Two bands for each person: above before, below now. Gaps are changes of light, numbered below. A frame around a patch: still off by more than the tolerance."),
    back, el("div", { class: "ribbon" }, rows, ticks), cell);
}

function row(page, person, places, total, merged) {
  const drawing = svg("svg", { viewBox: `0 0 ${total} ${2 * BAND + 2}`, preserveAspectRatio: "none", role: "img", tabindex: "0",
    "aria-label": `${person.name}: ${person.faces} faces, before above, now below` });
  const stops = [];
  for (const { light, frames, x, width } of places) {
    drawing.append(svg("rect", { class: "none", x, y: 0, width, height: 2 * BAND + 2 }));
    let found = [];
    frames.forEach((frame, column) => {
      const face = frame.faces.find((f) => f.person === person.name && f.colour);
      if (face) found.push({ frame, face, column });
    });
    const off = found.filter((f) => isOff(f.face, page.data.tolerance));
    const count = found.length;
    if (merged && count > STRIPES) found = Array.from({ length: STRIPES }, (_, i) => found[Math.floor((i * count) / STRIPES)]);
    found.forEach((f, i) => {
      const w = merged ? width / found.length : 20;
      const at = merged ? x + i * w : x + f.column * 20;
      for (const now of [0, 1]) drawing.append(svg("rect", { x: at, y: now * (BAND + 2), width: w + 0.2, height: BAND, fill: f.face.colour[now] }));
      if (!merged && isOff(f.face, page.data.tolerance)) drawing.append(svg("rect", { class: "off", x: at + 1, y: BAND + 3, width: w - 2, height: BAND - 2 }));
      stops.push({ x: at, width: w, key: f.frame.key, text: `${person.name} in ${f.frame.name}, ${light.name}: ${faceWords(f.face)}` });
    });
    if (merged && off.length) {
      drawing.append(svg("rect", { class: "off", x: x + 1, y: BAND + 3, width: width - 2, height: BAND - 2 }));
      for (const s of stops.slice(-found.length)) s.text += ` (${off.length} of ${count} faces here are off)`;
    }
  }
  let at = -1;
  const here = svg("rect", { class: "here", visibility: "hidden", y: 1, height: 2 * BAND });
  drawing.append(here);
  const show = (i) => {
    at = i;
    const stop = stops[i];
    for (const [k, v] of [["x", stop.x], ["width", stop.width], ["visibility", "visible"]]) here.setAttribute(k, v);
    document.getElementById("cell").textContent = stop.text;
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
    else if (event.key === "Enter" && at >= 0) page.goto(stops[at].key);
    else return;
    event.preventDefault();
  });
  const name = el("button", { type: "button", class: "who", onclick: () => page.gotoPerson(person.name) }, person.name);
  return el("div", { class: "row" }, name, drawing);
}
