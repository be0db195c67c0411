// One check: how far it is, then what is wrong, the photo with its joints, the figures, what to do.

import { el, icon, sign, unbroken } from "./dom.js";
import { Hand } from "./hand.js";
import { Overlay } from "./overlay.js";
import { ask, askJson } from "./server.js";
import { FigureTable } from "./table.js";
import { onUnits, units } from "./units.js";
import { Viewer } from "./viewer.js";

const WAIT_MS = 300;
const KEEP_TRYING_MS = 1500;

const find = (selector) => document.querySelector(selector);
const id = find("#check").dataset.id;
const path = `/api/checks/${id}`;

let check = null;
let chosen = null;
let worstFirst = true;

const viewer = new Viewer(find("#photo"), { onTap: touched, onView: arrange });
const overlay = new Overlay(find("#photo .overlay"), viewer, choose);
const hand = new Hand(find("#photo .hands"), viewer, showHelp);
const table = new FigureTable(find("#table"), choose);

// ---- following the work ----

async function follow() {
  for (;;) {
    try {
      check = await ask(path);
    } catch (error) {
      if (!error.lost) {
        showFailure(error.message, error.hint);
        return;
      }
      find("#step").textContent = `${error.message} ${error.hint}`;
      await pause(KEEP_TRYING_MS);
      continue;
    }
    showProgress();
    if (check.photo) showPhoto();
    if (check.state === "done" || check.state === "failed") break;
    await pause(WAIT_MS);
  }
  showEnd();
}

function pause(milliseconds) {
  return new Promise((resolve) => setTimeout(resolve, milliseconds));
}

function showProgress() {
  const working = check.state === "waiting" || check.state === "measuring";
  find("#progress").hidden = !working;
  find("#progress-title").textContent = `Measuring ${check.name}`;
  find("#progress progress").value = check.share;
  const step = find("#step");
  const words = `${check.step[0].toUpperCase()}${check.step.slice(1)}…`;
  // Only a new step is written, so that a screen reader says each of them once.
  if (step.textContent !== words) step.textContent = words;
  find("#verdict").hidden = working || !check.report;
  find("#help").hidden = working;
  find("#lines").hidden = !check.report;
}

/** Show the photo; of several it may be another one as soon as they are compared. */
function showPhoto() {
  const source = `${path}/photo?place=${check.base}`;
  if (viewer.source === source) return;
  find("#look").hidden = false;
  find("#facts").hidden = false;
  viewer.source = source;
  viewer.open(source, check.photo.width_px, check.photo.height_px);
}

function showEnd() {
  const failed = check.state === "failed";
  if (failed) showFailure(check.error.message, check.error.hint);
  else find("#failed").hidden = true;
  hand.take(check.by_hand, check.report?.joints ?? []);
  showParts();
  if (check.report) showReport();
  if (!failed) find("#verdict").focus({ preventScroll: true });
}

function showFailure(message, hint) {
  find("#progress").hidden = true;
  find("#failed").hidden = false;
  find("#failed h1").textContent = message;
  find("#failed p").textContent = hint;
  find("#change").href = `/?again=${id}`;
  const several = check?.photos.length > 1;
  // Of a photo that cannot be read, or is smeared, no number is wrong.
  const another = !check?.photo || check.needs_another_photo;
  find("#change").hidden = another;
  find("#another").classList.toggle("first", another);
  find("[data-hand-outline]").hidden = another || several;
  find("#failed [data-apart]").hidden = !several;
  document.title = `Not measured - lightgap`;
}

// ---- the answer ----

function showReport() {
  for (const part of ["#figures", "#keep"]) find(part).hidden = false;
  overlay.draw(check.report, tagWords);
  viewer.setHome(overlay.box);
  showWords();
  const [worst] = check.shown[units()].joint_order;
  if (chosen || check.report.verdict !== "in tolerance") select(chosen ?? { kind: "joint", number: worst });
  document.title = `${check.report.verdict} - ${check.name} - lightgap`;
}

/** Everything that holds a figure: drawn again when the units change. */
function showWords() {
  if (!check?.report) return;
  const { report } = check;
  const shown = check.shown[units()];
  const box = find("#verdict");
  box.hidden = check.state === "measuring" || check.state === "waiting";
  box.className = `verdict is-${sign(report.verdict).name}`;
  const word = report.verdict[0].toUpperCase() + report.verdict.slice(1);
  box.querySelector(".word").replaceChildren(icon(report.verdict), word);
  box.querySelector("h1").textContent = unbroken(`${shown.headline}.`);
  box.querySelector(".plan").textContent = `${check.plan_words[units()]}. Scale from ${report.reference.name}.`;
  showFrom(report.photos);
  find("#picture").href = `${path}/picture?units=${units()}`;
  showAdvice(shown.advice);
  showNotes(report);
  drawTable();
}

function drawTable() {
  const kind = find("[name=figures]:checked").value;
  const order = find("#order");
  order.hidden = !["joints", "segments"].includes(kind);
  order.textContent = worstFirst ? "Clockwise ↻" : "Worst first ↓";
  order.setAttribute("aria-label", worstFirst ? "Put them in clockwise order" : "Put the worst first");
  table.draw(kind, check, worstFirst);
  // The plot is wider than a phone; what can be scrolled must be reached by keys.
  find("#table").toggleAttribute("tabindex", false);
  if (kind === "plot") find("#table").setAttribute("tabindex", "0");
  table.mark(chosen);
}

function showAdvice(advice) {
  find("#advice").hidden = advice.length === 0;
  find("#advice ul").replaceChildren(...advice.map((item) => el("li", {}, el("details", {},
    el("summary", {}, unbroken(item.title)),
    el("p", {}, unbroken(item.action)),
    el("p", { class: "small" }, unbroken(item.cause)),
    el("div", { class: "buttons" },
      item.joints.map((number) => whereButton("joint", number)),
      item.segments.map((number) => whereButton("segment", number)))))));
  // What may hurt stands open, and once.
  const cautions = new Set(advice.map((item) => item.caution).filter(Boolean));
  find("#cautions").replaceChildren(...[...cautions].map((text) => el("p", { class: "caution" }, text)));
}

function whereButton(kind, number) {
  return el("button", { type: "button", class: "where", onclick: () => choose({ kind, number }) }, `${kind} ${number}`);
}

function showNotes(report) {
  const left = report.reference.cards.filter((card) => !card.used);
  // What is said of each photo stands beside it.
  const said = new Set(report.photos.map((photo) => photo.why));
  const notes = [...report.notes.filter((note) => !said.has(note)), ...left.map((card) => `Card ${card.number} was left out: ${card.reason}`)];
  find("#notes").hidden = notes.length === 0;
  find("#notes-title").textContent = report.photos.length ? "About these photos" : "About this photo";
  find("#notes ul").replaceChildren(...[...new Set(notes)].map((text) => el("li", {}, text)));
}

// ---- several photos ----

const PARTS = {
  base: "Joined; the joints are shown in it",
  joined: "Joined",
  "left out": "Left out",
  "not measured": "Not measured",
};

/** Which photos the answer comes from; each can be left out, or taken in again, by one touch. */
function showParts() {
  const { photos } = check;
  find("#photos").hidden = photos.length < 2;
  find("#photos [data-apart]").hidden = check.state === "failed";
  find("#photos .parts").replaceChildren(...photos.map((photo, place) => el("li", { class: photo.why ? "doubted" : null },
    photo.seen ? el("img", { src: `${path}/photo?size=small&place=${place}`, alt: "" }) : el("span", { class: "blank" }),
    el("span", { class: "said" },
      el("strong", {}, photo.name),
      el("span", {}, photo.left_out ? "Left out by you" : PARTS[photo.part] ?? "Not joined yet"),
      photo.why && !photo.left_out ? el("span", { class: "small" }, photo.why) : null),
    el("button", { type: "button", onclick: () => leaveOut(place, !photo.left_out) }, photo.left_out ? "Take it in" : "Leave it out"))));
}

/** Say above all else how many photos the answer comes from, and whether they contradict each other. */
function showFrom(photos) {
  const joined = photos.filter(({ part }) => part === "base" || part === "joined");
  const doubted = joined.some(({ why }) => why);
  find("#verdict .from").hidden = photos.length < 2;
  find("#verdict .from").classList.toggle("doubted", doubted);
  find("#verdict .from span").textContent = `From ${joined.length} of ${photos.length} photos${doubted ? ", which contradict each other" : ""}.`;
}

async function leaveOut(place, out) {
  const left_out = check.photos.flatMap((photo, other) => ((other === place ? out : photo.left_out) ? [other] : []));
  try {
    await askJson("PUT", path, { left_out });
  } catch (error) {
    find("#photos-say").textContent = `${error.message} ${error.hint}`;
    return;
  }
  find("#photos-say").textContent = "";
  find("#progress").scrollIntoView({ block: "nearest" });
  await follow();
}

async function takeApart(button) {
  button.disabled = true;
  try {
    await ask(`${path}/apart`, { method: "POST" });
    location.assign("/#earlier");
  } catch (error) {
    find("#photos-say").textContent = `${error.message} ${error.hint}`;
    button.disabled = false;
  }
}

function tagWords(joint) {
  const said = check.shown[units()].joints[joint.number - 1].reasons[0];
  return `Joint ${joint.number}, ${joint.verdict}${said ? `: ${said}` : ""}`;
}

// ---- choosing a joint, in the photo or in the table ----

/** Choose by hand, from anywhere: look at it, open its row. */
function choose(next) {
  const same = chosen && chosen.kind === next.kind && chosen.number === next.number;
  select(same && !hand.open ? null : next);
  viewer.goTo(chosen ? overlay.boxFor(chosen) : viewer.home);
}

function select(next) {
  chosen = next;
  if (chosen) {
    const tab = find(`[name=figures][value=${chosen.kind}s]`);
    const plotted = chosen.kind === "joint" && find("[name=figures][value=plot]").checked;
    if (!tab.checked && !plotted) {
      tab.checked = true;
      drawTable();
    }
  }
  overlay.mark(chosen);
  table.mark(chosen);
  hand.select(chosen?.kind === "joint" ? chosen.number : null);
}

function touched(point) {
  if (hand.touch(point)) return;
  const next = overlay.at(point);
  if (!next) return;
  // A touch on the photo keeps the zoom: the person sees already what was touched.
  const same = chosen?.kind === next.kind && chosen.number === next.number;
  select(same && !hand.open ? null : next);
  if (chosen) table.show(chosen.number);
}

function arrange() {
  overlay.arrange();
  hand.arrange();
}

// ---- help by hand ----

function showHelp() {
  const number = hand.joint?.number;
  find("#hand").hidden = !hand.open;
  find("#photo").classList.toggle("helping", hand.open);
  find("#help").setAttribute("aria-pressed", String(hand.open));
  find("#photo").classList.toggle("placing", hand.mode !== null);
  find("#hand-joint").hidden = !number;
  find("#hand-strike").textContent = hand.help.struck.includes(hand.key(number)) ? "There is a joint here after all" : "There is no joint here";
  find("#hand-reset").hidden = !hand.help.faces[hand.key(number)];
  find("#hand-add").hidden = hand.joints.length === 0;
  find("#hand-add").setAttribute("aria-pressed", String(hand.mode === "add"));
  find("#hand-outline").setAttribute("aria-pressed", String(hand.mode === "outline"));
  find("#hand-place").hidden = hand.mode === null;
  find("#hand-list").replaceChildren(...hand.list());
  find("#hand-measure").disabled = !hand.given && !check?.by_hand;
  find("#hand-clear").hidden = !hand.given;
  const say = sayHelp(number);
  if (find("#hand-say").textContent !== say) find("#hand-say").textContent = say;
}

function sayHelp(number) {
  if (hand.mode === "add") return "Touch the photo where the missed joint is.";
  if (hand.mode === "outline") {
    const left = 3 - hand.points.length;
    return `Touch the outer edge of the ring at ${left} ${left === 3 ? "places, well apart" : left === 2 ? "more places" : "more place"}.`;
  }
  if (number) return `Joint ${number}: drag the knobs A and B until each line lies on the edge of its segment.`;
  return hand.joints.length ? "Touch the joint that needs help." : "Show where the ring is, then measure again.";
}

function openHand(open) {
  hand.show(open);
  if (open) {
    if (chosen?.kind === "joint") viewer.goTo(overlay.boxFor(chosen));
    find("#facts").prepend(find("#hand"));
    // On a phone what to do stands below the photo: both must be in sight.
    find("#look").scrollIntoView({ block: "start" });
  }
}

async function measureAgain() {
  find("#hand-measure").disabled = true;
  try {
    await askJson("PUT", path, { by_hand: hand.given ? hand.help : null });
  } catch (error) {
    find("#hand-say").textContent = `${error.message} ${error.hint}`;
    find("#hand-measure").disabled = false;
    return;
  }
  hand.show(false);
  find("#progress").scrollIntoView({ block: "nearest" });
  await follow();
}

// ---- wiring ----

for (const button of document.querySelectorAll("[data-zoom]")) {
  button.addEventListener("click", () => viewer.zoom(Number(button.dataset.zoom)));
}
find("#whole").addEventListener("click", () => viewer.goTo(viewer.home));
find("#lines").addEventListener("click", () => hideLines());
find("#photo").addEventListener("keydown", (event) => event.key.toLowerCase() === "h" && hideLines());
function hideLines() {
  const bare = find("#photo").classList.toggle("bare");
  find("#lines").setAttribute("aria-pressed", String(!bare));
}
for (const radio of document.querySelectorAll("[name=figures]")) radio.addEventListener("change", drawTable);
find("#order").addEventListener("click", () => {
  worstFirst = !worstFirst;
  drawTable();
});
find("#help").addEventListener("click", () => openHand(!hand.open));
for (const button of document.querySelectorAll("[data-apart]")) {
  button.addEventListener("click", () => takeApart(button));
}
find("[data-hand-outline]").addEventListener("click", () => {
  openHand(true);
  hand.place("outline");
  find("#photo").scrollIntoView({ block: "center" });
});
const onHand = { first: "markFirst", strike: "strike", reset: "reset", clear: "clear" };
for (const [name, method] of Object.entries(onHand)) find(`#hand-${name}`).addEventListener("click", () => hand[method]());
find("#hand-add").addEventListener("click", () => hand.place("add"));
find("#hand-outline").addEventListener("click", () => hand.place("outline"));
find("#hand-place").addEventListener("click", () => hand.touch(viewer.middle));
find("#hand-measure").addEventListener("click", measureAgain);
onUnits(showWords);
follow();
