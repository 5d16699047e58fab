// The page itself: first screen, frames that need a hand, lights as chapters, filters kept in the fragment.
import { el, tell } from "./dom.js";
import { card, facts, loadAllPictures, pair, picture } from "./frames.js";
import { ribbon } from "./ribbon.js";
import { skins } from "./skins.js";

const FILTERS = ["finding", "light", "person", "name", "sort"];

export class Page {
  constructor(data, pictures) {
    this.alive = false;
    this.pictures = pictures;
    this.onface = () => {};
    this.decorate = () => [];
    this.openedLight = null;
    this.show(data);
    addEventListener("hashchange", () => this.follow());
    addEventListener("beforeprint", () => { this.fillAll(); loadAllPictures(); });
    this.follow();
  }

  show(data) {
    this.data = data;
    this.byKey = new Map(data.frames.map((frame) => [frame.key, frame]));
    this.state = this.read();
    const top = document.getElementById("top"), main = document.getElementById("main"), foot = document.getElementById("foot");
    top.replaceChildren(this.surround(), this.first());
    this.ribbonPlace = el("div", {}, ribbon(this, this.openedLight));
    this.series = el("div", { id: "chapters" });
    main.replaceChildren(this.ribbonPlace, this.hand(), el("section", { "aria-label": "Light by light" }, el("h2", { id: "series" }, "Light by light"), this.filters(), this.series), skins(this));
    foot.replaceChildren(...this.foot());
    this.list();
  }

  surround() {
    const choose = (value) => {
      if (value) document.documentElement.dataset.surround = value; else delete document.documentElement.dataset.surround;
      for (const b of bar.querySelectorAll("button")) b.setAttribute("aria-pressed", String(b.value === value));
    };
    const now = document.documentElement.dataset.surround ?? "";
    const bar = el("div", { class: "bar surround", role: "group", "aria-label": "Grey around the pictures" }, [["", "Grey as the system"], ["dark", "Dark grey"], ["light", "Light grey"]].map(([value, text]) =>
      el("button", { type: "button", value, "aria-pressed": String(value === now), onclick: () => choose(value) }, text)));
    return bar;
  }

  first() {
    const { data } = this;
    const shown = data.references.map((r) => this.byKey.get(r.key)).filter(Boolean);
    const left = shown.length ? picture(shown[0], this, { wipe: 0 }) : el("p", {}, "The reference is given as numbers, not as a frame.");
    if (shown.length) left.classList.add("whole");
    const names = data.references.flatMap((r) => r.said).join(", ");
    return el("div", { class: "first" },
      el("div", {}, left, el("p", { class: "faint" }, `The look you chose: ${names}. Every face of a person is brought to the skin that this person has there; nobody is brought to another's.`)),
      el("div", {}, el("p", { class: "faint" }, data.shoot), el("h1", {}, data.headline), data.sentences.map((s) => el("p", {}, s)), ...this.decorate("first")));
  }

  hand() {
    const frames = this.data.hand.map((key) => this.byKey.get(key));
    return el("section", { "aria-label": "Frames that need a hand" }, el("h2", { id: "hand", tabindex: "-1" }, "Need a hand"),
      frames.length ? el("p", { class: "faint" }, "Worst first. Dashed outlines: a face that is still off.") : el("p", {}, "Nothing needs a hand."),
      el("div", { class: "cards" }, frames.map((frame) => card(frame, this, { place: true }))));
  }

  filters() {
    const { data, state } = this;
    const names = new Map(data.frames.flatMap((f) => f.findings.map((x) => [x.code, x.name])));
    const choice = (key, label, options) => el("label", {}, label, el("select", { name: key, onchange: (e) => this.set(key, e.target.value) },
      options.map(([value, text]) => el("option", { value, selected: (state[key] ?? "") === value }, text))));
    this.search = el("input", { type: "search", name: "name", value: state.name ?? "", oninput: (e) => this.set("name", e.target.value) });
    return el("form", { class: "bar", role: "search", "aria-label": "Which frames", onsubmit: (e) => e.preventDefault() },
      choice("finding", "Finding", [["", "any"], ["hand", "needs a hand"], ...names]),
      choice("light", "Light", [["", "any"], ...data.lights.map((l) => [String(l.light), l.name])]),
      choice("person", "Person", [["", "anyone"], ["?", "unknown"], ...data.persons.map((p) => [p.name, p.name])]),
      el("label", {}, "Name", this.search),
      choice("sort", "Order", [["", "time"], ["worst", "worst first"]]),
      el("button", { type: "button", onclick: () => { for (const key of FILTERS) delete this.state[key]; this.write(); this.show(this.data); } }, "All frames"));
  }

  read() { return Object.fromEntries(new URLSearchParams(location.hash.slice(1))); }
  write() { history.replaceState(null, "", `#${new URLSearchParams(this.state)}`); }
  set(key, value) { if (value) this.state[key] = value; else delete this.state[key]; delete this.state.frame; this.write(); this.list(); }

  wanted(frame) {
    const { finding, light, person, name } = this.state;
    if (finding === "hand" && !frame.hand) return false;
    if (finding && finding !== "hand" && !frame.findings.some((f) => f.code === finding)) return false;
    if (light && String(frame.light) !== light) return false;
    if (person && !frame.faces.some((f) => (person === "?" ? !f.person : f.person === person))) return false;
    return !name || frame.path.toLowerCase().includes(name.toLowerCase());
  }

  list() {
    const frames = this.data.frames.filter((frame) => this.wanted(frame));
    const fill = new IntersectionObserver((entries) => { for (const e of entries) if (e.isIntersecting) { fill.unobserve(e.target); e.target.fillCards(); } }, { rootMargin: "800px" });
    const chapter = (title, own, extra = [], id = null) => {
      // long chapters are cut into pieces of 24 cards, each made when it comes near the window
      const pieces = [];
      for (let i = 0; i < own.length; i += 24) {
        const part = own.slice(i, i + 24);
        const piece = el("div", { class: "cards", css: { "min-height": `${Math.ceil(part.length / 4) * 24}rem`, "margin-bottom": "1rem" } });
        piece.keys = new Set(part.map((f) => f.key));
        piece.fillCards = () => { piece.fillCards = () => {}; piece.append(...part.map((f) => card(f, this))); piece.style.minHeight = ""; };
        fill.observe(piece);
        pieces.push(piece);
      }
      return el("section", { class: "chapter", id, "aria-label": title }, el("h3", {}, title), ...extra, ...pieces);
    };
    const found = el("p", { class: "faint", role: "status" }, `${frames.length} of ${this.data.frames.length} frames`);
    if (this.state.sort === "worst") {
      this.series.replaceChildren(found, chapter("Worst first", [...frames].sort((a, b) => b.worst - a.worst || (a.name < b.name ? -1 : 1))));
      return;
    }
    const chapters = this.data.lights.map((light) => {
      const own = frames.filter((f) => f.light === light.light);
      if (!own.length) return null;
      const about = el("p", { class: "faint" }, `${own.length} frames; strength ${Math.round(light.strength * 100)} %${light.strength === 1 ? " (all the way to the reference)" : " of the way to the reference"}`);
      return chapter(light.name, own, [about, ...this.decorate("light", light, own)], `light-${light.light}`);
    });
    this.series.replaceChildren(found, ...chapters.filter(Boolean));
  }

  fillAll() { for (const piece of this.series.querySelectorAll(".cards")) piece.fillCards?.(); }

  goto(key) {
    const pieces = [...this.series.querySelectorAll(".cards")];
    let piece = pieces.find((p) => p.keys?.has(key));
    if (!piece) { for (const k of FILTERS) delete this.state[k]; this.list(); piece = [...this.series.querySelectorAll(".cards")].find((p) => p.keys?.has(key)); }
    piece?.fillCards?.();
    this.state.frame = key;
    this.write();
    const target = document.getElementById(`frame-${key}`);
    target?.scrollIntoView({ block: "center" });
    target?.querySelector("h3 button")?.focus({ preventScroll: true });
  }
  gotoLight(light) { document.getElementById(`light-${light}`)?.scrollIntoView({ block: "start" }); }
  gotoPerson(name) { document.getElementById(`person-${this.data.persons.findIndex((p) => p.name === name)}`)?.scrollIntoView({ block: "center" }); }
  openLight(light) { this.openedLight = light; this.ribbonPlace.replaceChildren(ribbon(this, light)); this.ribbonPlace.querySelector("button")?.focus(); }
  follow() { this.state = this.read(); this.list(); if (this.state.frame) this.goto(this.state.frame); }

  open(frame) {
    const dialog = document.getElementById("large");
    const order = this.data.frames.filter((f) => this.wanted(f));
    const step = (by) => { const next = order[order.findIndex((f) => f.key === frame.key) + by]; if (next) this.open(next); else tell("No more frames this way."); };
    const sides = pair(frame, this);
    sides[0].style.maxWidth = `${66 * frame.aspect}vh`;
    dialog.replaceChildren(
      el("div", { class: "bar" }, el("h2", {}, frame.name), el("button", { type: "button", onclick: () => step(-1) }, "Earlier"), el("button", { type: "button", onclick: () => step(1) }, "Later"),
        el("button", { type: "button", onclick: () => dialog.close() }, "Close")),
      ...sides, ...this.decorate("frame", frame), ...facts(frame));
    dialog.onclose = () => document.querySelector(`#frame-${frame.key} h3 button`)?.focus();
    if (!dialog.open) dialog.showModal();
    sides[0].fill();
  }

  foot() {
    const { data } = this;
    return [
      data.notes.length ? el("section", {}, el("h2", {}, "Notes"), el("ul", {}, data.notes.map((n) => el("li", {}, n)))) : null,
      el("p", { class: "faint" }, `The pictures are made from the camera's linear data by the colour model, with one plain tone curve, in sRGB. Your editor's own look will differ: judge colour there, on a calibrated display. Each person keeps their own skin colour. xmpsync ${data.tool_version}`),
    ].filter(Boolean);
  }
}
