// What the living page adds: every tool hands a choice to `choose` and draws nothing itself.
import { el, signed } from "./dom.js";
import { crop, faceName, faceWords } from "./frames.js";

const STEP = { warmer: 5, tint: 2, ev: 0.1 }; // about what a trained eye sees side by side: mired, tint, EV
const SETTLE_MS = 350; // steps of one key that is held go out together

export const button = (text, action, { on = true, main = false, pressed = null, label = null } = {}) =>
  el("button", { type: "button", class: main ? "main" : null, disabled: !on, "aria-pressed": pressed === null ? null : String(pressed), "aria-label": label, onclick: action }, text);

export function nudgeWords(nudge) {
  const [warmer, tint, ev] = nudge;
  const parts = [
    warmer && `${Math.abs(warmer)} mired ${warmer > 0 ? "warmer" : "cooler"}`,
    tint && `${Math.abs(tint)} of tint ${tint > 0 ? "more magenta" : "greener"}`,
    ev && `${signed(ev, 2)} EV`].filter(Boolean);
  return parts.length ? parts.join(", ") : "nothing";
}

// Six ways to go from here. The arrow keys do it too: left cooler, right warmer, up brighter, down darker,
// Page Up more magenta, Page Down greener.
export function nudgePad(what, kind, frame, nudge, choose) {
  const sum = { warmer: 0, tint: 0, ev: 0 };
  let timer = null;
  const told = el("p", { class: "faint", role: "status" });
  const now = () => [nudge[0] + sum.warmer, nudge[1] + sum.tint, nudge[2] + sum.ev].map((v) => Math.round(v * 1000) / 1000);
  const say = () => { told.textContent = now().some((v) => v) ? `Added by you to ${what}: ${nudgeWords(now())}.` : "Nothing is added by you. Arrow keys on a button here do the same."; };
  const send = () => { const wish = { ...sum }; Object.assign(sum, { warmer: 0, tint: 0, ev: 0 }); choose({ do: kind, frame: frame.key, ...wish }, `${what}: ${nudgeWords([nudge[0] + wish.warmer, nudge[1] + wish.tint, nudge[2] + wish.ev].map((v) => Math.round(v * 1000) / 1000))}.`); };
  const step = (key, by) => { sum[key] += by * STEP[key]; say(); clearTimeout(timer); timer = setTimeout(send, SETTLE_MS); };
  const keys = { ArrowLeft: ["warmer", -1], ArrowRight: ["warmer", 1], ArrowUp: ["ev", 1], ArrowDown: ["ev", -1], PageUp: ["tint", 1], PageDown: ["tint", -1] };
  const one = (text, key, by) => el("button", { type: "button", "data-step": `${key}${by}`, onclick: () => step(key, by) }, text);
  say();
  return el("div", { class: "nudge", role: "group", "aria-label": `Nudge ${what}: arrow keys left and right for cooler and warmer, up and down for brighter and darker, Page Up and Page Down for tint`, "data-nudge": kind,
    onkeydown: (event) => { const to = keys[event.key]; if (!to) return; event.preventDefault(); step(...to); } },
  el("div", { class: "bar" }, one("cooler", "warmer", -1), one("warmer", "warmer", 1), one("darker", "ev", -1), one("brighter", "ev", 1), one("greener", "tint", -1), one("more magenta", "tint", 1),
    button("none", () => choose({ do: kind, frame: frame.key, value: -1 }, `${what}: nothing added.`), { on: nudge.some((v) => v), label: `Take the nudge of ${what} away` })), told);
}

// A place in the picture, by pointer or by arrow keys; what may be done with it is shown below.
export function placeTool(frame, box, choose) {
  const mark = el("i", { class: "place", hidden: true, "aria-hidden": "true" });
  box.append(mark);
  const name = el("input", { name: "whose", "aria-label": "Whose skin", placeholder: "whose (may stay empty)" });
  const at = { x: 0.5, y: 0.5 };
  const does = el("div", { class: "bar", hidden: true });
  const put = () => { mark.hidden = false; does.hidden = false; mark.style.left = `${at.x * 100}%`; mark.style.top = `${at.y * 100}%`; where.textContent = `Place: ${Math.round(at.x * 100)} % from the left, ${Math.round(at.y * 100)} % from the top.`; };
  const where = el("span", { class: "faint", role: "status" });
  does.append(where,
    button("Skin here is right", () => choose({ do: "reference-place", frame: frame.key, x: at.x, y: at.y, person: name.value }, "This skin is the reference now."), { main: true }), el("label", {}, "whose", name),
    button("There is skin here", () => choose({ do: "skin", frame: frame.key, x: at.x, y: at.y, person: name.value }, "Skin is measured here from now on.")),
    button("This is neutral", () => choose({ do: "neutral", frame: frame.key, x: at.x, y: at.y }, "Marked as neutral.")));
  const keys = { ArrowLeft: ["x", -1], ArrowRight: ["x", 1], ArrowUp: ["y", -1], ArrowDown: ["y", 1] };
  const point = el("button", { type: "button", "aria-label": "Point at a place in the picture: arrow keys move it, with Shift in small steps", onclick: put, onkeydown: (event) => {
    const to = keys[event.key];
    if (!to) return;
    event.preventDefault();
    at[to[0]] = Math.min(1, Math.max(0, at[to[0]] + to[1] * (event.shiftKey ? 0.005 : 0.02)));
    put();
  } }, "Point at a place");
  let down = null;
  box.addEventListener("pointerdown", (event) => { down = [event.clientX, event.clientY]; });
  box.addEventListener("click", (event) => {
    if (event.target.closest(".face") || !down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 5) return;
    const rect = box.getBoundingClientRect();
    at.x = (event.clientX - rect.left) / rect.width;
    at.y = (event.clientY - rect.top) / rect.height;
    put();
  });
  return [point, does];
}

export function frameTools(page, frame, box, choose) {
  const [point, does] = placeTool(frame, box, choose);
  const own = page.data.lights.find((light) => light.light === frame.light);
  const tools = [el("div", { class: "bar" },
    button("This frame is right", () => choose({ do: "reference-frame", frame: frame.key }, `${frame.name} is the reference now.`), { main: true }),
    button("Hold it as it is", () => choose({ do: "hold", frame: frame.key }, frame.held ? "It follows again." : "It stays as it is."), { pressed: frame.held }),
    button("Leave it out", () => choose({ do: "leave-out", frame: frame.key }, `${frame.name} neither changes nor counts.`)), point), does];
  if (page.data.chosen && !["reference", "held"].includes(frame.basis)) {
    tools.push(el("h3", {}, "A little more"), nudgePad(frame.name, "nudge", frame, frame.nudge ?? [0, 0, 0], choose));
    if (own) tools.push(el("details", { open: own.nudge.some((v) => v) }, el("summary", {}, "The same for all frames of this light"), nudgePad(own.name, "nudge-light", frame, own.nudge, choose)));
  }
  return tools;
}

export function lightTools(page, light, own, choose) {
  if (!page.data.chosen) return [];
  return [el("div", { class: "bar" }, el("label", {}, "How far to the reference (%)",
    el("input", { type: "number", min: 0, max: 100, step: 10, value: Math.round(light.strength * 100), onchange: (event) => choose({ do: "strength", frame: own[0].key, value: Number(event.target.value) / 100 }, `${light.name}: ${event.target.value} %.`) }))),
  el("details", { open: light.nudge.some((v) => v) }, el("summary", {}, "A little more for all frames of this light"), nudgePad(light.name, "nudge-light", own[0], light.nudge, choose))];
}

// One face: is its skin right, whose is it? Two questions, each answered by one press.
export function faceTools(page, frame, face, choose, close) {
  const done = (choice, said) => { close(); choose({ frame: frame.key, face: face.id, ...choice }, said); };
  const who = face.person ?? "this person";
  return [el("div", { class: "ask" }, crop(frame, face, page, 9), el("div", {}, el("h2", {}, `${faceName(face)} in ${frame.name}`), el("p", { class: "faint" }, faceWords(face)),
    el("h3", {}, "Does the skin look right here?"),
    el("div", { class: "bar" },
      button("This skin is right", () => done({ do: "reference-face", person: face.person ?? "" }, `This skin is ${who}'s reference now.`), { main: true }),
      button("This frame is right, for everybody in it", () => done({ do: "reference-frame" }, `${frame.name} is the reference for everybody in it.`))),
    el("h3", {}, face.person ? `Is it not ${face.person}?` : "Whose face is it?"),
    ...nameTools(page, frame, face, (person) => done({ do: "name-face", person }, `It is ${person}.`)),
    el("div", { class: "bar" },
      face.person ? button("Somebody else, I do not know who", () => done({ do: "part" }, "Parted: this face is somebody else.")) : null,
      button("Close", close))))];
}

// A face is given a name: one of those that are known, or another. `say` takes it.
function nameTools(page, frame, face, say) {
  const name = el("input", { name: "person", "aria-label": `Name of this face in ${frame.name}`, autocomplete: "off", size: 12, maxlength: 200, list: "everybody" });
  const known = page.data.persons.filter((p) => p.name !== face.person);
  return [el("div", { class: "bar" }, known.slice(0, 12).map((p) => button(p.name, () => say(p.name), { label: `It is ${p.name}` }))),
    el("form", { class: "bar", onsubmit: (event) => { event.preventDefault(); if (name.value.trim()) say(name.value.trim()); else name.focus(); } }, el("label", {}, known.length ? "or" : "Name", name), el("button", { type: "submit" }, "Name"),
      known.length > 12 ? el("datalist", { id: "everybody" }, known.map((p) => el("option", { value: p.name }))) : null)];
}

export const askTools = (page, frame, face, choose) => nameTools(page, frame, face, (person) => choose({ do: "name-face", frame: frame.key, face: face.id, person }, `It is ${person}.`));

export function personTools(page, person, choose) {
  const name = el("input", { value: person.name, "aria-label": `New name of ${person.name}`, autocomplete: "off", size: 14 });
  const others = page.data.persons.filter((p) => p.name !== person.name);
  const who = el("select", { "aria-label": `Who is the same person as ${person.name}` }, others.map((p) => el("option", { value: p.name }, p.name)));
  return [el("details", {}, el("summary", {}, `Name or join ${person.name}`),
    el("form", { class: "bar", onsubmit: (event) => { event.preventDefault(); choose({ do: "name-person", other: person.name, person: name.value }, `${person.name} is called ${name.value}.`); } }, name, el("button", { type: "submit" }, "Rename")),
    others.length ? el("div", { class: "bar" }, who, button("is the same person", () => choose({ do: "join", other: person.name, person: who.value }, `${person.name} and ${who.value} are one.`))) : null,
    el("p", { class: "faint" }, "To part two who were taken for one, open a frame and click the face."))];
}

// Marks that are in force, each with a way to take it away.
export function marksList(page, choose) {
  const { data } = page;
  const drop = (text, said) => button("Take away", () => choose({ do: "drop", text }, said), { label: `Take away ${text}` });
  const items = [
    ...data.references.flatMap((r) => r.said).map((text) => el("li", {}, `right skin: ${text} `, drop(text, "Taken away."))),
    ...data.marks.map((m) => el("li", {}, `${m.kind === "neutral" ? "neutral" : "skin"}: ${m.text}${m.cast ? `, cast ΔE ${m.cast[0]} → ${m.cast[1]}` : ""} `, drop(m.text, "Taken away."))),
    ...data.live.answers.map((name) => el("li", {}, `named by you: ${name} `, button("Forget", () => choose({ do: "forget", person: name }, `${name} is forgotten.`), { label: `Forget what was said about ${name}` })))];
  const number = (label, value, kind) => el("label", {}, label, el("input", { type: "number", min: 0, max: 100, step: 10, value: Math.round(value * 100), onchange: (event) => choose({ do: kind, value: Number(event.target.value) / 100 }, `${label}: ${event.target.value}.`) }));
  return [items.length ? el("ul", {}, items) : el("p", {}, "Nothing is marked yet."),
    el("div", { class: "bar" }, data.chosen ? number("All lights: how far to the reference (%)", data.live.strength, "strength-all") : null,
      data.marks.some((m) => m.kind === "neutral") ? number("How much marked neutrals count (%)", data.live.weight, "neutral-weight") : null)];
}
