// The start page: a photo, what gives the scale, what the ring should be; then off to be measured.

import { Outbox } from "./outbox.js";
import { PlanForm, put, take } from "./plan-form.js";
import { ask, askJson } from "./server.js";
import { Shelf } from "./shelf.js";

const RING = "lightgap.ring";
const LOOK_MS = 1500;
const WELCOME = "lightgap.knows";
const FIRST_RING = { plan: { segments: 12, joint: "closed", outline: "polygon" }, reference: "auto" };

const find = (selector) => document.querySelector(selector);
const form = find("#ask");
let again = new URLSearchParams(location.search).get("again");
const largest = Number(find(".start").dataset.largest);
let photos = [];

const planForm = new PlanForm(find("#plan"), find("#ring-view"));

// ---- the photo ----

/** Take the chosen photos, or add them as photos of the ring that is there already. */
function choose(files, added = false) {
  const chosen = [...files];
  if (!chosen.length) return;
  const large = chosen.find((file) => file.size > largest);
  if (large) {
    tell(`${large.name} is too large for the page.`, "Send the photo as the camera wrote it, JPEG or HEIC.");
    return;
  }
  tell();
  photos = added ? [...photos, ...chosen] : chosen;
  if (added) form.elements.together.value = "yes";
  const names = photos.map((file) => file.name).join(", ");
  show(URL.createObjectURL(photos[0]), photos.length === 1 ? names : `${photos.length} photos: ${names}`);
}

function forgetPhotos() {
  photos = [];
  form.elements.together.value = "";
  find("#chosen").hidden = true;
  find("#drop").hidden = false;
  find("#file").value = find("#camera").value = find("#more").value = "";
}

function show(source, name) {
  const figure = find("#chosen");
  const image = figure.querySelector("img");
  image.hidden = false;
  figure.querySelector("p").hidden = true;
  image.onerror = () => {
    image.hidden = true;
    figure.querySelector("p").hidden = false;
  };
  image.src = source;
  figure.querySelector("figcaption span").textContent = name;
  find("#shown-rings").hidden = photos.length < 2;
  find("#more-label").hidden = !photos.length;
  sayMeasure();
  figure.hidden = false;
  find("#drop").hidden = true;
}

/** Say on the button what it will do. */
function sayMeasure() {
  const one = photos.length < 2 || isTogether();
  find("#send").textContent = again ? "Measure this photo again" : one ? "Measure this ring" : `Measure ${photos.length} rings`;
}

function isTogether() {
  return photos.length > 1 && form.elements.together.value === "yes";
}

for (const input of [find("#camera"), find("#file")]) {
  input.addEventListener("change", () => choose(input.files));
}
find("#more").addEventListener("change", () => choose(find("#more").files, true));
for (const radio of form.elements.together) radio.addEventListener("change", sayMeasure);
find("#other").addEventListener("click", () => {
  forgetPhotos();
  again = null;
  sayMeasure();
  find("#file").focus();
});
for (const kind of ["dragover", "dragleave", "drop"]) {
  // The whole page takes the drop: a file dropped beside the box must not replace the page.
  document.addEventListener(kind, (event) => {
    event.preventDefault();
    find("#drop").classList.toggle("over", kind === "dragover");
    if (kind === "drop") choose(event.dataTransfer.files);
  });
}
document.addEventListener("paste", (event) => choose(event.clipboardData.files));

// ---- the scale ----

function reference() {
  const kind = form.elements.reference.value;
  if (kind === "sheet" && find("#sheet-size").value) return `sheet:${find("#sheet-size").value}`;
  return kind;
}

function showScale() {
  for (const part of document.querySelectorAll("[data-under]")) {
    part.hidden = !part.dataset.under.split(" ").includes(form.elements.reference.value);
  }
}
for (const radio of form.elements.reference) radio.addEventListener("change", showScale);

/** What the printed bars measure, as two texts; null when nobody measured them. */
function bars() {
  const typed = [...document.querySelectorAll("[data-bar]")].map((field) => field.value.trim().replace(",", "."));
  return typed.some(Boolean) ? typed : null;
}

// ---- remembered from the last ring ----

function remember() {
  const { plan } = planForm.read();
  const measured = find("#measured-size");
  localStorage.setItem(RING, JSON.stringify({
    plan,
    reference: reference(),
    measured_mm: measured.value ? take(measured) : null,
    bars: bars(),
    on_blocks: find("#on-blocks").checked,
  }));
}

function recall(ring) {
  const [kind, detail] = (ring.reference ?? "auto").split(":");
  form.elements.reference.value = kind;
  if (kind === "sheet" && detail) find("#sheet-size").value = detail;
  if (ring.measured_mm) put(find("#measured-size"), ring.measured_mm);
  const [x, y] = document.querySelectorAll("[data-bar]");
  [x.value, y.value] = ring.bars ?? ["", ""];
  find("#on-blocks").checked = Boolean(ring.on_blocks);
  showScale();
  planForm.fill(ring.plan);
}

function lastRing() {
  try {
    return JSON.parse(localStorage.getItem(RING)) ?? FIRST_RING;
  } catch {
    return FIRST_RING;
  }
}

// ---- sending ----

function tell(message = "", hint = "") {
  const box = find("#problem");
  box.hidden = !message;
  box.querySelector("h2").textContent = message;
  box.querySelector("p").textContent = hint;
  if (message) box.scrollIntoView({ block: "center" });
}

/** Read all that is asked, or say what is missing and return null. */
function asked() {
  const { plan, wrong, empty } = planForm.read();
  if (empty.length || Object.keys(wrong).length) {
    planForm.tellEmpty(empty, wrong);
    return null;
  }
  let scale = reference();
  if (scale === "across-flats") {
    const field = find("#measured-size");
    const size = take(field);
    const bad = !(size > 0);
    find("#measured-size-wrong").textContent = bad ? "Type the size that you measured." : "";
    if (bad) {
      field.focus();
      return null;
    }
    scale = `across-flats:${size}`;
  }
  if (!photos.length && !again) {
    tell("There is no photo yet.", "Take or choose a photo of the ring first.");
    find("#file").focus();
    return null;
  }
  if (find("#on-blocks").checked) plan.reference_height_mm = plan.thickness_mm;
  return { plan, reference: scale, bars: bars() };
}

const outbox = new Outbox(({ waiting, share, error, name }) => {
  const bar = find("#sending");
  bar.hidden = share === null;
  bar.value = share ?? 0;
  find("#send-note").textContent = sendingWords(waiting, share, error);
  if (error && !error.passes) tell(`${name}: ${error.message}`, error.hint);
  if (error) showEarlier();
});

function sendingWords(waiting, share, error) {
  const one = waiting === 1;
  if (error?.passes) {
    const kept = one ? "The photo is kept here and" : `${waiting} photos are kept here and`;
    return `${error.message} ${kept} tried again by itself. ${error.hint}`;
  }
  if (share === null) return "";
  return one ? "Sending the photo…" : `Sending, ${waiting} photos to go…`;
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const all = asked();
  if (!all) return;
  remember();
  tell();
  find("#send").disabled = true;
  try {
    if (photos.length) await sendPhotos(all);
    else await changeNumbers(all);
  } catch (error) {
    tell(error.message, error.hint);
  }
  find("#send").disabled = false;
});

/** One ring: on to its answer. Several, or some from before: they show up on the shelf. */
async function sendPhotos({ plan, reference, bars }) {
  const fields = { plan: JSON.stringify(plan), reference, ...(bars ? { printed_bar: bars.join(" ") } : {}) };
  const before = (await outbox.waiting()).length;
  const checks = isTogether() ? [photos] : photos.map((photo) => [photo]);
  await outbox.add(checks, fields);
  if (checks.length > 1) forgetPhotos();
  const taken = await outbox.flush();
  if (before + checks.length === 1 && taken.length === 1) location.assign(`/checks/${taken[0].id}`);
  else await showEarlier();
}

async function changeNumbers({ plan, reference, bars }) {
  const numbers = { plan, reference, printed_bar: bars?.map(Number) ?? null };
  const { id } = await askJson("PUT", `/api/checks/${again}`, numbers);
  location.assign(`/checks/${id}`);
}

// ---- earlier checks, and the first visit ----

const shelf = new Shelf();
let earlier = [];
let looking = null;

async function showEarlier() {
  clearTimeout(looking);
  earlier = await ask("/api/checks").catch(() => earlier);
  drawEarlier();
  const working = earlier.some(({ state }) => state === "waiting" || state === "measuring");
  looking = setTimeout(showEarlier, working ? LOOK_MS : 10 * LOOK_MS);
}

function drawEarlier() {
  find("#earlier").hidden = earlier.length === 0;
  shelf.fill(earlier);
}

async function start() {
  if (!again) {
    recall(lastRing());
    return;
  }
  const check = await ask(`/api/checks/${again}`);
  const [kind, size] = check.reference.split(":");
  recall({
    plan: check.plan,
    reference: kind === "across-flats" ? kind : check.reference,
    measured_mm: kind === "across-flats" ? Number(size) : null,
    bars: check.printed_bar,
    on_blocks: check.plan.reference_height_mm > 0,
  });
  show(`/api/checks/${again}/photo`, check.name);
  sayMeasure();
}

find("#welcome").hidden = localStorage.getItem(WELCOME) === "yes";
find("#welcome-done").addEventListener("click", () => {
  localStorage.setItem(WELCOME, "yes");
  find("#welcome").hidden = true;
});
start().catch((error) => tell(error.message, error.hint));
showEarlier();
// What was left over from a lost connection goes first.
outbox.flush().then((taken) => taken.length && showEarlier());
