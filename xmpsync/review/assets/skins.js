// The skin of one person: a*, b* at the person's own luminance with the tolerance drawn to scale, the level beside it.
import { el, lazy, svg, signed } from "./dom.js";
import { faceWords, isOff, whyOff } from "./frames.js";

const SIZE = 230, LEVEL = 70, EDGE = 22;

export function skins(page) {
  return el("section", { "aria-label": "Skin of each person" },
    el("h2", { id: "skins" }, "Skin of each person"),
    el("p", { class: "faint" }, `Each mark is a face. A ring: before; a filled dot: now; a filled square: now, and still off. The outline is the tolerance of ${page.data.tolerance.de00} ΔE (CIEDE2000) around the person's own colour, the band that of ${page.data.tolerance.ev} EV. a*, b* are CIELAB at the person's own luminance.`),
    page.data.persons.length ? null : el("p", {}, "Nobody yet: a person is somebody whose skin was measured."),
    el("div", { class: "skins" }, page.data.persons.map((person) => one(page, person))));
}

function one(page, person) {
  const faces = [];
  for (const frame of page.data.frames) for (const face of frame.faces) if (face.person === person.name && face.ab && face.ev) faces.push({ frame, face });
  const kind = person.referenced ? "has a reference" : "no reference: own colour estimated";
  const box = el("article", { class: "skin", id: `person-${page.data.persons.indexOf(person)}` },
    el("h3", {}, el("i", { class: "swatch", css: { background: person.colour }, "aria-hidden": "true" }), person.name),
    el("p", { class: "faint" }, `${person.faces} faces, ${kind}. Own colour: L* ${person.lightness}, a* ${person.ab[0]}, b* ${person.ab[1]}.`));
  if (person.alike.length) box.append(el("p", {}, `Looks so much like ${person.alike.join(", ")} that names are needed to be sure.`));
  box.append(...page.decorate("person", person));
  if (!faces.length) return box;
  const off = faces.filter(({ face }) => isOff(face, page.tolerance));
  const item = ({ frame, face }) => el("li", {}, el("a", { href: `#frame=${frame.key}`, onclick: (event) => { event.preventDefault(); page.goto(frame.key); } }, frame.name), `, light ${page.lightNumber(frame.light)}: ${faceWords(face)}${whyOff(frame, face, page.tolerance)}`);
  const every = el("details", { ontoggle: () => { if (every.children.length === 1) every.append(el("ul", {}, faces.map(item))); } }, el("summary", {}, "Every face as a list"));
  const rest = lazy(el("div", { class: "drawn" }), () => {
    rest.append(chart(page, person, faces));
    if (off.length) rest.append(el("p", {}, el("b", {}, "Still off:")), el("ul", {}, off.map(item)));
  });
  box.append(rest, every);
  return box;
}

function chart(page, person, faces) {
  const all = faces.flatMap(({ face }) => face.ab).concat(person.contour);
  const reach = Math.max(4, ...all.map(([a, b]) => Math.max(Math.abs(a - person.ab[0]), Math.abs(b - person.ab[1])))) * 1.08;
  const x = (a) => EDGE + ((a - person.ab[0] + reach) / (2 * reach)) * SIZE;
  const y = (b) => SIZE - ((b - person.ab[1] + reach) / (2 * reach)) * SIZE + 6;
  const tallest = Math.max(0.6, ...faces.flatMap(({ face }) => face.ev.map(Math.abs))) * 1.08;
  const level = (ev) => SIZE / 2 - (ev / tallest) * (SIZE / 2) + 6;
  const left = EDGE + SIZE + 50;
  const drawing = svg("svg", { viewBox: `0 0 ${left + LEVEL + 20} ${SIZE + 30}`, role: "img",
    "aria-label": `${person.name}: skin before and now. The same numbers stand in the list below.` });
  const line = { fill: "none", stroke: "currentColor" };
  drawing.append(
    svg("rect", { x: EDGE, y: 6, width: SIZE, height: SIZE, ...line, "stroke-opacity": 0.4 }),
    svg("path", { d: `M${person.contour.map(([a, b]) => `${x(a).toFixed(1)} ${y(b).toFixed(1)}`).join("L")}Z`, ...line, "stroke-width": 1.5, "stroke-dasharray": "5 3" }),
    svg("path", { d: `M${x(person.ab[0]) - 6} ${y(person.ab[1])}h12M${x(person.ab[0])} ${y(person.ab[1]) - 6}v12`, ...line }),
    svg("rect", { x: left, y: 6, width: LEVEL, height: SIZE, ...line, "stroke-opacity": 0.4 }),
    svg("rect", { x: left, y: level(page.data.tolerance.ev), width: LEVEL, height: level(-page.data.tolerance.ev) - level(page.data.tolerance.ev), ...line, "stroke-dasharray": "5 3" }));
  const words = [[EDGE, SIZE + 22, `a* ${(person.ab[0] - reach).toFixed(0)} to ${(person.ab[0] + reach).toFixed(0)}, b* upward on the same scale`], [left - 44, 16, `${signed(tallest, 1)} EV`], [left - 44, SIZE + 6, `${signed(-tallest, 1)} EV`]];
  for (const [tx, ty, text] of words) { const t = svg("text", { x: tx, y: ty }); t.textContent = text; drawing.append(t); }
  faces.forEach(({ face, frame }, i) => {
    const along = left + 6 + ((i + 0.5) / faces.length) * (LEVEL - 12);
    for (const [cx, cy, now] of [[x(face.ab[0][0]), y(face.ab[0][1]), 0], [x(face.ab[1][0]), y(face.ab[1][1]), 1], [along, level(face.ev[0]), 0], [along, level(face.ev[1]), 1]]) {
      const mark = !now ? svg("circle", { cx, cy, r: 3.5, ...line })
        : isOff(face, page.tolerance) ? svg("rect", { x: cx - 4, y: cy - 4, width: 8, height: 8, fill: "currentColor" })
          : svg("circle", { cx, cy, r: 3, fill: "currentColor" });
      const title = svg("title"); title.textContent = `${frame.name} ${now ? "now" : "before"}`; mark.append(title);
      drawing.append(mark);
    }
  });
  return drawing;
}
