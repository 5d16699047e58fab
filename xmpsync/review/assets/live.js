// The page alive: choices go to the server, its answer is drawn; then look at the lines, write, take back.
import { el, tell } from "./dom.js";
import { Page } from "./main.js";
import { askTools, button, faceTools, frameTools, lightTools, marksList, personTools } from "./tools.js";

document.body.classList.add("alive");
let token = "", busy = Promise.resolve();
const dialog = document.getElementById("large");

async function ask(path, body) {
  const options = body === undefined ? {} : { method: "POST", headers: { "x-token": token, "content-type": "application/json" }, body: JSON.stringify(body) };
  let answer;
  try { answer = await fetch(path, options); } catch { tell("The server does not answer: was `xmpsync review` stopped? Choices are kept; start it again.", true); throw new Error("no answer"); }
  const found = await answer.json().catch(() => ({ error: "The server's answer cannot be read. Reload the page." }));
  if (!answer.ok) { tell(found.error ?? "Refused.", true); throw new Error(found.error); }
  return found;
}

const start = await ask("/document");
token = start.live.token;
const desk = el("section", { class: "desk", "aria-label": "Choices" });
let page = null;

// One after the other: a choice is made on what the page then shows.
function choose(choice, said) {
  busy = busy.then(async () => {
    tell("Working it out…");
    try { redraw(await ask("/choose", { ...choice, version: page.data.live.version })); tell(said); } catch { await newer(); }
  });
  return busy;
}

// What another tab or a run changed since is drawn.
async function newer() {
  try { if ((await ask("/version")).version !== page.data.live.version) { const large = page.large; redraw(await ask(`/document?since=${page.data.live.version}`)); return large; } } catch { /* told already */ }
  return null;
}
document.addEventListener("visibilitychange", () => { if (!document.hidden) busy = busy.then(newer); });
addEventListener("focus", () => { busy = busy.then(newer); });

// How to find the focused thing again after everything is drawn anew.
function whereFocusIs() {
  const at = document.activeElement;
  const nudge = at?.closest("[data-nudge]");
  if (nudge && at.dataset.step) return `${dialog.contains(at) ? "dialog " : `#${at.closest(".chapter")?.id} `}[data-nudge="${nudge.dataset.nudge}"] [data-step="${at.dataset.step}"]`;
  const label = at?.getAttribute?.("aria-label");
  return label ? `${at.localName}[aria-label="${CSS.escape(label)}"]` : null;
}

function redraw(data) {
  const y = scrollY, large = page.large, focus = whereFocusIs(), within = dialog.scrollTop;
  const open = [...document.querySelectorAll("details[open]")].map((d) => d.querySelector("summary").textContent);
  page.show(data);
  drawDesk();
  const frame = large && page.byKey.get(large);
  if (frame) { page.open(frame); dialog.scrollTop = within; } else if (dialog.open) dialog.close();
  for (const d of document.querySelectorAll("details")) if (open.includes(d.querySelector("summary").textContent)) d.open = true;
  scrollTo({ top: y, behavior: "instant" });
  if (focus) document.querySelector(focus)?.focus({ preventScroll: true });
}

function drawDesk() {
  const { live, chosen } = page.data;
  const newest = [...live.runs].reverse().find((run) => run.command === "correct" && run.state !== "rolled back");
  const files = (n) => `${n} ${n === 1 ? "file" : "files"}`;
  const stands = !chosen ? "Nothing is chosen yet." : live.changes ? `${files(live.changes)} would change; nothing is written before you say so.` : newest ? `Written: the files hold what this page shows (${files(newest.files)}, ${newest.time} UTC).` : "Nothing would change.";
  desk.replaceChildren(
    el("div", { class: "bar" },
      button("See what would be written", showPlan, { on: chosen, main: true }),
      button("Undo", () => choose({ do: "undo" }, "Undone."), { on: live.undo }),
      button("Redo", () => choose({ do: "redo" }, "Done again."), { on: live.redo }),
      newest ? button("Take back what was written", takeBack, { label: `Take run ${newest.run} back` }) : null,
      el("span", { class: "faint", id: "stands" }, stands)),
    el("details", {}, el("summary", {}, "Marks, command line, runs"),
      el("h3", {}, "What is marked"), ...marksList(page, choose),
      el("h3", {}, "The same as a command line"), el("pre", { tabindex: "0" }, live.commands.join("\n")),
      button("Copy the command line", () => navigator.clipboard.writeText(live.commands.join("\n")).then(() => tell("Copied."), () => tell("Select the lines and copy them."))),
      el("h3", {}, "Runs"),
      live.runs.length ? el("ul", {}, live.runs.map((run) => el("li", {}, `${run.run}: ${run.command}, ${files(run.files)}, ${run.time} UTC, ${run.state}`))) : el("p", {}, "Nothing was written yet.")));
}

async function showPlan() {
  tell("Reading the sidecars again…");
  let plan;
  try { await busy; plan = await ask("/plan", {}); } catch { return; }
  if (plan.version !== page.data.live.version) await newer(); // a sidecar changed meanwhile: the page follows
  const write = button(`Write ${plan.files.length} ${plan.files.length === 1 ? "file" : "files"}`, async () => {
    write.disabled = true;
    tell("Writing…");
    try { const done = await ask("/write", { plan: plan.plan }); dialog.close(); redraw(done.page); tell(done.said); } catch { write.disabled = false; await newer(); }
  }, { on: plan.files.length > 0, main: true });
  dialog.onclose = () => { page.large = null; desk.querySelector("button").focus(); };
  dialog.setAttribute("aria-label", "What would be written");
  dialog.replaceChildren(el("h2", {}, plan.files.length ? `${plan.files.length} ${plan.files.length === 1 ? "file" : "files"} would change` : "Nothing would change"),
    el("p", { class: "wide" }, "Temperature, tint and exposure, and what makes an editor use them; every other byte stays. RAW files are not touched. The originals are kept, and all of it can be taken back. Every changed line:"),
    plan.troubles.length ? el("ul", {}, plan.troubles.map((t) => el("li", {}, t))) : "",
    el("div", { class: "bar" }, write, button("Not now", () => dialog.close())),
    el("pre", { tabindex: "0", "aria-label": "Changes line by line" }, plan.diff + (plan.cut ? `\n… and ${plan.cut} characters more` : "")));
  if (!dialog.open) dialog.showModal();
  (plan.files.length ? write : dialog.querySelector(".bar button:last-child")).focus();
  tell("");
}

async function takeBack() {
  tell("Taking back…");
  try { const done = await ask("/rollback", {}); redraw(done.page); tell(done.said); } catch { await newer(); }
}

function askFace(frame, face) {
  const back = page.large;
  dialog.onclose = () => { const large = page.byKey.get(back); if (large) page.closed(large); };
  dialog.setAttribute("aria-label", "One face");
  const close = () => { const again = back && page.byKey.get(back); if (again) page.open(again); else dialog.close(); };
  dialog.replaceChildren(...faceTools(page, frame, face, choose, close));
  if (!dialog.open) dialog.showModal();
}

const adds = {
  frame: (frame, box) => frameTools(page, frame, box, choose),
  light: (light, own) => lightTools(page, light, own, choose),
  face: (frame, face) => (face.person || !face.colour ? [] : [el("button", { type: "button", class: "link", onclick: () => askFace(frame, face), "aria-label": `Say whose face this is in ${frame.name}` }, "Say whose it is")]),
  ask: (frame, face) => askTools(page, frame, face, choose),
  person: (person) => personTools(page, person, choose),
  candidate: (frame) => [button("This frame is right", () => choose({ do: "reference-frame", frame: frame.key }, `${frame.name} is the reference now.`), { main: true, label: `${frame.name} is right` })],
  first: () => [el("p", { class: "faint" }, page.data.chosen ? "Another look? Click any face, here or below, and say that its skin is right." : "Click a face in any frame, or take one of the frames here.")],
  out: () => (page.data.out.length ? [el("section", { "aria-label": "Left out" }, el("h2", {}, "Left out by you"), el("div", { class: "cards" }, page.data.out.map((f) => el("article", { class: "card" },
    el("img", { src: f.pictures[0], alt: f.name, loading: "lazy", class: "alone" }), el("h3", {}, f.name), button("Take it in again", () => choose({ do: "leave-out", frame: f.key }, `${f.name} counts again.`), { label: `Take ${f.name} in again` })))))] : []),
};
page = new Page(start, (frame) => frame.pictures);
page.alive = true;
page.onface = askFace;
page.decorate = (where, ...things) => adds[where]?.(...things) ?? [];
document.getElementById("main").after(desk);
page.show(start);
drawDesk();
if (start.live.kept) tell("The choices made last time are in force again. Undo goes back through them.");
