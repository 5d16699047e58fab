// The page itself: first screen, questions, frames that need a hand, lights as chapters, filters kept in the fragment.
import { el, fillAll, lazy, tell } from "./dom.js";
import { basisWords, card, crop, faceName, facts, pair, picture } from "./frames.js";
import { ribbon } from "./ribbon.js";
import { skins } from "./skins.js";

const FILTERS = ["finding", "light", "person", "name", "sort"];
const PIECE = 24; // cards that are made together when they come near the window

export class Page {
  constructor(data, pictures) {
    this.alive = false;
    this.pictures = pictures;
    this.onface = () => {};
    this.decorate = () => []; // what only the living page adds, by place
    this.openedLight = null;
    this.large = null; // key of the frame shown large
    this.show(data);
    addEventListener("hashchange", () => this.follow()); // back, forward, or an address that was typed
    addEventListener("beforeprint", fillAll);
    document.querySelector(".skip").addEventListener("click", (event) => this.lead(event, "hand"));
    this.follow();
  }

  show(data) {
    // the server tells a frame that is the same as before by its key alone
    data.frames = data.frames.map((frame) => (typeof frame === "string" ? this.byKey.get(frame) : frame));
    this.data = data;
    this.byKey = new Map(data.frames.map((frame) => [frame.key, frame]));
    this.tolerance = data.chosen ? data.tolerance : null; // nothing is off before a skin is chosen
    this.state = this.read();
    document.title = `Skin of ${data.shoot}`;
    if (this.openedLight !== null && !data.lights.some((light) => light.light === this.openedLight)) this.openedLight = null;
    const top = document.getElementById("top"), main = document.getElementById("main"), foot = document.getElementById("foot");
    top.replaceChildren(this.head());
    this.ribbonPlace = el("div", {}, ribbon(this, this.openedLight));
    this.series = el("div", { id: "chapters" });
    main.replaceChildren(this.first(), this.ribbonPlace, ...[this.hand(), this.questions()].filter(Boolean),
      el("section", { "aria-label": "Light by light" }, el("h2", { id: "series", tabindex: "-1" }, "Light by light"), this.filters(), this.series),
      skins(this), ...this.decorate("out"));
    foot.replaceChildren(...this.foot());
    this.list();
    this.surround();
  }

  head() {
    const bar = el("div", { class: "bar surround", role: "group", "aria-label": "Grey around the pictures" }, el("span", { class: "faint" }, "Surround"), [["", "as the system"], ["dark", "dark"], ["light", "light"]].map(([value, text]) =>
      el("button", { type: "button", value, onclick: () => { this.state.grey = value; this.write(); this.surround(); } }, text)));
    return el("div", { class: "head" }, el("span", {}, this.data.shoot), bar);
  }

  surround() {
    const grey = this.state.grey ?? "";
    if (grey) document.documentElement.dataset.surround = grey; else delete document.documentElement.dataset.surround;
    for (const b of document.querySelectorAll(".surround button")) b.setAttribute("aria-pressed", String(b.value === grey));
  }

  // A short way to a part of the page.
  way(to, text) {
    return el("a", { href: `#${to}`, onclick: (event) => this.lead(event, to) }, text);
  }
  lead(event, to) {
    event.preventDefault(); // the address holds what is looked at
    const part = document.getElementById(to);
    part?.scrollIntoView();
    part?.focus({ preventScroll: true });
  }

  first() {
    const { data } = this;
    const words = el("div", { class: "words" }, el("h1", {}, data.headline),
      data.sentences.map(({ about, text, to }) => el("p", {}, el("b", {}, to ? this.way(to, about) : about), " ", text)),
      data.figures.length ? el("details", {}, el("summary", {}, "The figures behind this"), el("ul", {}, data.figures.map((line) => el("li", {}, line)))) : null,
      ...(this.alive ? this.decorate("first") : [el("p", { class: "faint" }, "To choose another look, say who somebody is, write and take back: ", el("code", {}, "xmpsync review SHOOT"), " serves this page alive.")]));
    if (!data.chosen) return el("div", { class: "first none" }, words, this.candidates());
    const shown = data.references.map((r) => this.byKey.get(r.key)).filter(Boolean);
    if (!shown.length) return el("div", { class: "first none" }, words, el("p", { class: "faint" }, "The look is given as numbers, not as a frame."));
    const more = shown.slice(1).map((frame) => [" ", el("button", { type: "button", class: "link", onclick: () => this.open(frame) }, frame.name)]).flat();
    return el("div", { class: "first" },
      el("div", {}, picture(shown[0], this, { wipe: 0 }), el("p", { class: "faint" }, `The look you chose: ${shown[0].name}. `,
        ...(more.length ? ["Also:", ...more, ". "] : []), "Everybody is brought to the skin they have there themselves. It is never changed.")),
      words);
  }

  candidates() {
    const frames = this.data.candidates.map((c) => [c, this.byKey.get(c.key)]).filter(([, frame]) => frame);
    if (!frames.length) return el("p", {}, "No frame here shows skin that could serve as a reference. Where there is skin that was not found, open a frame below and point at it.");
    return el("div", {}, el("h2", {}, "Frames that would serve well"), el("div", { class: "cards" }, frames.map(([c, frame]) => el("article", { class: "card" },
      picture(frame, this, { wipe: 0 }), el("h3", {}, el("button", { type: "button", onclick: () => this.open(frame), "aria-label": `${frame.name}, show large` }, frame.name)),
      el("p", {}, c.reasons.join(", ")), ...this.decorate("candidate", frame)))));
  }

  questions() {
    const asked = this.data.ask.map(({ key, id }) => { const frame = this.byKey.get(key); return frame && [frame, frame.faces.find((f) => f.id === id)]; }).filter((a) => a?.[1] && !a[1].person);
    if (!asked.length) return null;
    const unknown = this.data.frames.flatMap((frame) => frame.faces.filter((f) => !f.person && f.colour));
    const how = this.alive ? "" : " On the command line: xmpsync people SHOOT --name FRAME@x,y=NAME, or on the living page: xmpsync review SHOOT.";
    const settles = (face) => {
      const others = face.perhaps ? unknown.filter((f) => f.perhaps === face.perhaps).length - 1 : 0;
      return `${faceName(face)}${others > 0 ? `; ${others} more ${others === 1 ? "face waits" : "faces wait"} for this answer` : ""}`;
    };
    return el("section", { "aria-label": "Whose skin is this?" }, el("h2", { id: "ask", tabindex: "-1" }, "Whose skin is this?"),
      el("p", { class: "faint wide" }, `${unknown.length} ${unknown.length === 1 ? "face is" : "faces are"} not known for certain. A name for one of these may settle others like it.${how}`),
      el("div", { class: "cards asks" }, asked.map(([frame, face]) => el("article", { class: "card ask" }, crop(frame, face, this),
        el("div", {}, el("h3", {}, el("button", { type: "button", onclick: () => this.open(frame), "aria-label": `${frame.name}, show large` }, frame.name)), el("p", { class: "faint" }, settles(face)), ...this.decorate("ask", frame, face))))));
  }

  hand() {
    const frames = this.data.hand.map((key) => this.byKey.get(key));
    return el("section", { "aria-label": "Frames that need a hand" }, el("h2", { id: "hand", tabindex: "-1" }, "Need a hand"),
      frames.length ? el("p", { class: "faint wide" }, "Worst first: what each face still needs, for local work in your editor. A dashed outline: a face that is still off; a dotted one: not known whose.") : el("p", {}, this.data.chosen ? "Nothing needs a hand." : "To be seen once a skin is chosen."),
      el("div", { class: "cards" }, frames.map((frame) => card(frame, this, { place: true }))));
  }

  filters() {
    const { data, state } = this;
    const names = new Map(data.frames.flatMap((f) => f.findings.map((x) => [x.code, x.name])));
    const choice = (key, label, options) => el("label", {}, label, el("select", { name: key, onchange: (e) => this.set(key, e.target.value) },
      options.map(([value, text]) => el("option", { value, selected: (state[key] ?? "") === value }, text))));
    return el("form", { class: "bar", role: "search", "aria-label": "Which frames", onsubmit: (e) => e.preventDefault() },
      choice("finding", "Finding", [["", "any"], ["hand", "needs a hand"], ...names]),
      choice("light", "Light", [["", "any"], ...data.lights.map((l) => [String(l.light), l.name])]),
      choice("person", "Person", [["", "anyone"], ["?", "not known"], ...data.persons.map((p) => [p.name, p.name])]),
      el("label", {}, "Name", el("input", { type: "search", name: "name", value: state.name ?? "", oninput: (e) => this.set("name", e.target.value) })),
      choice("sort", "Order", [["", "time"], ["worst", "worst first"]]),
      el("button", { type: "button", onclick: () => { this.allFrames(); this.write(); this.refilter(); } }, "All frames"));
  }

  // What is looked at stands in the address. Each step is one that the browser's back takes away; letters of a search
  // and walking from frame to frame are part of the step before.
  read() { return Object.fromEntries(new URLSearchParams(location.hash.slice(1))); }
  write({ step = true } = {}) {
    for (const key of Object.keys(this.state)) if (!this.state[key]) delete this.state[key];
    const hash = `#${new URLSearchParams(this.state)}`;
    if (hash === (location.hash || "#")) return;
    if (step) history.pushState(null, "", hash); else history.replaceState(null, "", hash);
  }
  allFrames() { for (const key of [...FILTERS, "frame"]) delete this.state[key]; }
  set(key, value) { const typing = key === "name" && !!this.state.name; this.state[key] = value; delete this.state.frame; this.write({ step: !typing }); this.list(); }
  filter(key, value) { this.allFrames(); this.set(key, value); this.refilter(); document.getElementById("series").scrollIntoView(); }
  refilter() { document.querySelector("form[role=search]").replaceWith(this.filters()); this.list(); }

  wanted(frame) {
    const { finding, light, person, name } = this.state;
    if (finding === "hand" && !frame.hand) return false;
    if (finding && finding !== "hand" && !frame.findings.some((f) => f.code === finding)) return false;
    if (light && String(frame.light) !== light) return false;
    if (person && !frame.faces.some((f) => (person === "?" ? !f.person && f.colour : f.person === person))) return false;
    return !name || frame.path.toLowerCase().includes(name.toLowerCase());
  }

  list() {
    const frames = this.data.frames.filter((frame) => this.wanted(frame));
    const chapter = (title, own, extra = [], id = null) => {
      const pieces = [];
      for (let i = 0; i < own.length; i += PIECE) {
        const part = own.slice(i, i + PIECE);
        const piece = el("div", { class: "cards", css: { "min-height": `${Math.ceil(part.length / 4) * 24}rem`, "margin-bottom": "1rem" } });
        piece.keys = new Set(part.map((f) => f.key));
        lazy(piece, () => { piece.append(...part.map((f) => card(f, this))); piece.style.minHeight = ""; });
        pieces.push(piece);
      }
      return el("section", { class: "chapter", id, "aria-label": title }, el("h3", {}, title), ...extra, ...pieces);
    };
    const all = this.data.frames.length;
    const found = el("p", { class: "faint", role: "status" }, frames.length === all ? `${all} of ${all} frames` : `${frames.length} of ${all} frames: the others are filtered away`);
    if (this.state.sort === "worst") {
      this.series.replaceChildren(found, chapter("Worst first", [...frames].sort((a, b) => b.worst - a.worst || (a.name < b.name ? -1 : 1))));
      return;
    }
    const byLight = new Map();
    for (const frame of frames) { if (!byLight.has(frame.light)) byLight.set(frame.light, []); byLight.get(frame.light).push(frame); }
    const chapters = this.data.lights.map((light) => {
      const own = byLight.get(light.light);
      if (!own) return null;
      const part = Math.round(light.strength * 100);
      const about = el("p", { class: "faint" }, `${own.length} ${own.length === 1 ? "frame" : "frames"}${!this.data.chosen ? ", as they stand" : part === 100 ? ", brought all the way to the reference" : `, brought ${part} % of the way to the reference`}`);
      return chapter(light.name, own, [about, ...this.decorate("light", light, own)], `light-${light.light}`);
    });
    this.series.replaceChildren(found, ...chapters.filter(Boolean));
  }

  goto(key) {
    const pieces = () => [...this.series.querySelectorAll(".cards")];
    let piece = pieces().find((p) => p.keys?.has(key));
    if (!piece) { this.allFrames(); this.refilter(); piece = pieces().find((p) => p.keys?.has(key)); }
    piece?.fill?.();
    this.state.frame = this.went = key;
    this.write();
    const target = document.getElementById(`frame-${key}`);
    target?.scrollIntoView({ block: "center" });
    target?.querySelector("h4 button")?.focus({ preventScroll: true });
  }
  gotoLight(light) { document.getElementById(`light-${light}`)?.scrollIntoView({ block: "start" }); }
  gotoPerson(name) { document.getElementById(`person-${this.data.persons.findIndex((p) => p.name === name)}`)?.scrollIntoView({ block: "center" }); }
  lightNumber(light) { return this.data.lights.find((l) => l.light === light)?.number; }
  openLight(light) { this.openedLight = light; this.ribbonPlace.replaceChildren(ribbon(this, light)); this.ribbonPlace.querySelector("button")?.focus(); }
  follow() {
    const before = this.state, dialog = document.getElementById("large");
    this.state = this.read();
    this.surround();
    if (FILTERS.some((key) => before[key] !== this.state[key])) this.refilter();
    const large = this.byKey.get(this.state.large);
    if (large && this.large !== large.key) this.open(large);
    else if (!large && this.large && dialog.open) dialog.close();
    else if (this.state.frame && this.state.frame !== this.went) this.goto(this.state.frame);
  }

  open(frame) {
    const dialog = document.getElementById("large");
    const order = this.data.frames.filter((f) => this.wanted(f));
    const step = (by) => { const next = order[order.findIndex((f) => f.key === frame.key) + by]; if (next) this.open(next); else tell("No more frames this way."); };
    const sides = pair(frame, this);
    const walking = !!this.large;
    this.large = this.state.large = frame.key;
    this.write({ step: !walking });
    dialog.setAttribute("aria-label", `${frame.name}, large`);
    const said = dialog.querySelector("#told");
    dialog.replaceChildren(
      el("div", { class: "bar top" }, el("h2", {}, frame.name), el("button", { type: "button", onclick: () => step(-1) }, "Earlier"), el("button", { type: "button", onclick: () => step(1) }, "Later"),
        el("button", { type: "button", onclick: () => dialog.close() }, "Close")),
      el("div", { class: "sides" }, el("div", {}, ...sides, ...this.decorate("frame", frame, sides[0])), el("div", {}, el("p", { class: "faint" }, basisWords(frame, this)), ...facts(frame, this))));
    if (said) dialog.append(said);
    dialog.onclose = () => this.closed(frame);
    if (!dialog.open) dialog.showModal();
    sides[0].fill?.();
  }
  closed(frame) {
    this.large = null;
    if (this.state.large) { delete this.state.large; this.write(); }
    document.querySelector(`#frame-${frame.key} h4 button, #hand-${frame.key} h3 button`)?.focus({ preventScroll: true });
  }

  foot() {
    const { data } = this;
    return [
      data.notes.length ? el("section", { "aria-label": "Notes" }, el("h2", {}, "Notes"), el("ul", {}, data.notes.map((n) => el("li", {}, n)))) : null,
      el("p", { class: "faint" }, `The pictures are made from the camera's linear data by the colour model, with one plain tone curve, in sRGB. Your editor's own look will differ: judge colour there, on a calibrated display. ΔE is CIEDE2000 at equal luminance, EV are stops. Each person keeps their own skin colour. xmpsync ${data.tool_version}`),
    ].filter(Boolean);
  }
}
