// The page alive: a face becomes the reference, a frame is held, a light keeps part of its colour; then look, write, take back.
import { el, tell } from "./dom.js";
import { Page } from "./main.js";
import { faceName } from "./frames.js";

document.body.classList.add("alive");
let token = "";

async function post(path, body) {
  const answer = await fetch(path, { method: "POST", headers: { "x-token": token, "content-type": "application/json" }, body: JSON.stringify(body ?? {}) });
  const found = await answer.json().catch(() => ({ error: "The server said nothing that can be read. Reload the page." }));
  if (!answer.ok) { tell(found.error ?? "Refused."); throw new Error(found.error); }
  return found;
}

const start = await (await fetch("/document")).json();
token = start.live.token;
const desk = el("section", { class: "desk", "aria-label": "Choices" });
let page = null;

async function choose(choice, said) {
  tell("Working it out…");
  try { redraw(await post("/choose", choice)); tell(said); } catch { /* told already */ }
}

function redraw(data) {
  const y = scrollY, large = document.getElementById("large");
  if (large.open) large.close();
  page.show(data);
  drawDesk();
  scrollTo(0, y);
}

function drawDesk() {
  const { live } = page.data;
  const button = (text, action, on = true, main = false) => el("button", { type: "button", class: main ? "main" : null, disabled: !on, onclick: action }, text);
  const newest = [...live.runs].reverse().find((run) => run.command === "correct" && run.state !== "rolled back");
  desk.replaceChildren(
    el("div", { class: "bar" },
      button("See what would be written", showPlan, true, true),
      button("Undo", () => choose({ do: "undo" }, "Undone."), live.undo),
      button("Redo", () => choose({ do: "redo" }, "Done again."), live.redo),
      button(newest ? `Take run ${newest.run} back` : "Nothing to take back", takeBack, !!newest)),
    el("details", {}, el("summary", {}, "The same as a command line, and the runs"), el("pre", { tabindex: "0" }, live.command),
      button("Copy the command line", () => navigator.clipboard.writeText(live.command).then(() => tell("Copied."), () => tell("Select the line and copy it."))),
      live.runs.length ? el("ul", {}, live.runs.map((run) => el("li", {}, `${run.run}: ${run.command}, ${run.files} files, ${run.time} UTC, ${run.state}`))) : el("p", {}, "Nothing was written yet.")));
}

async function showPlan() {
  tell("Reading the sidecars again…");
  let plan;
  try { plan = await post("/plan"); } catch { return; }
  const dialog = document.getElementById("large");
  const write = el("button", { type: "button", class: "main", disabled: !plan.files.length, onclick: async () => {
    write.disabled = true;
    try { const done = await post("/write", { plan: plan.plan }); dialog.close(); redraw(done.page); tell(done.said); } catch { write.disabled = false; }
  } }, `Write ${plan.files.length} files`);
  dialog.onclose = () => desk.querySelector("button").focus();
  dialog.replaceChildren(el("h2", {}, `${plan.files.length} files would change`), el("p", {}, "Every changed line. The originals are kept; the run can be taken back."),
    el("div", { class: "bar" }, write, el("button", { type: "button", onclick: () => dialog.close() }, "Not now")),
    el("pre", { tabindex: "0", "aria-label": "Changes line by line" }, plan.diff + (plan.cut ? `\n… and ${plan.cut} characters more` : "")));
  if (!dialog.open) dialog.showModal();
  write.focus();
  tell("");
}

async function takeBack() {
  tell("Taking back…");
  try { const done = await post("/rollback"); redraw(done.page); tell(done.said); } catch { /* told already */ }
}

function askFace(frame, face) {
  const dialog = document.getElementById("large");
  const name = el("input", { name: "person", value: face.person ?? face.perhaps ?? "", "aria-label": "Whose face" });
  dialog.onclose = null;
  dialog.replaceChildren(el("h2", {}, `${faceName(face)} in ${frame.name}`),
    el("div", { class: "bar" }, el("label", {}, "Name", name),
      el("button", { type: "button", class: "main", onclick: () => { dialog.close(); choose({ do: "reference-face", frame: frame.key, face: face.id, person: name.value }, "This skin is the reference now."); } }, "This skin is right"),
      el("button", { type: "button", onclick: () => { dialog.close(); choose({ do: "reference-frame", frame: frame.key }, `${frame.name} is the reference for everybody in it.`); } }, "This frame is right, for everybody in it"),
      el("button", { type: "button", onclick: () => dialog.close() }, "Neither")));
  if (!dialog.open) dialog.showModal();
}

page = new Page(start, (frame) => frame.pictures);
page.alive = true;
page.onface = askFace;
page.decorate = (where, thing, own) => {
  if (where === "frame") return [el("div", { class: "bar" },
    el("button", { type: "button", onclick: () => choose({ do: "reference-frame", frame: thing.key }, `${thing.name} is the reference now.`) }, "This frame is right"),
    el("button", { type: "button", "aria-pressed": String(thing.held), onclick: () => choose({ do: "hold", frame: thing.key }, thing.held ? "It follows again." : "It stays as it is.") }, "Hold it as it is"))];
  if (where === "light") return [el("div", { class: "bar" }, el("label", {}, "How far to the reference (%)",
    el("input", { type: "number", min: 0, max: 100, step: 10, value: Math.round(thing.strength * 100), onchange: (event) => choose({ do: "strength", frame: own[0].key, value: Number(event.target.value) / 100 }, `${thing.name}: ${event.target.value} %.`) })))];
  return [];
};
document.getElementById("main").after(desk);
page.show(start);
drawDesk();
