// Below the answer of a check: keep it with its ring, in a build that is there or in a new one.

import { el } from "./dom.js";
import { ask, askJson } from "./server.js";

const INTO = "lightgap.into";
const NEW = "new";
const LOOK_MS = 1000;

const find = (selector) => document.querySelector(selector);
const section = find("#log-keep");
const id = section.dataset.check;
let segments = null;
let shown = null;

/** Follow the check: it may be measured again, and what it then says is not kept yet. */
async function follow() {
  try {
    const check = await ask(`/api/checks/${id}`);
    const state = check.state === "done" || check.state === "failed" ? JSON.stringify(check.report ?? check.error) : null;
    section.hidden = !state;
    if (state && state !== shown) {
      shown = state;
      segments = check.plan.segments;
      find("#log-unmeasured").hidden = check.state !== "failed";
      await showKept();
    }
  } catch (error) {
    if (!error.lost) return;
  }
  setTimeout(follow, LOOK_MS);
}

async function showKept() {
  const { check_id: kept, said } = await ask(`/api/log/kept/${id}`);
  tellKept(kept, said);
  if (!kept) await fillBuilds();
}

function tellKept(kept, said) {
  find("#log-form").hidden = Boolean(kept);
  find("#log-kept").hidden = !kept;
  if (!kept) return;
  find("#log-kept strong").textContent = `Kept: ${said}.`;
  find("#log-kept a").href = `/log/checks/${kept}`;
}

/** Where the person came from: a ring or a build of the log. */
function into() {
  return JSON.parse(sessionStorage.getItem(INTO) ?? "{}");
}

async function fillBuilds() {
  const wanted = into();
  if (wanted.ring_id && !wanted.build_id) {
    wanted.build_id = await ask(`/api/log/rings/${wanted.ring_id}`).then((ring) => ring.build_id, () => null);
  }
  const { items } = await ask("/api/log/builds");
  if (wanted.build_id && !items.some((build) => build.id === wanted.build_id)) {
    const named = await ask(`/api/log/builds/${wanted.build_id}`).catch(() => null);
    if (named) items.push(named);
  }
  find("#log-build").replaceChildren(
    ...items.map((build) => el("option", { value: build.id }, build.name)),
    el("option", { value: NEW }, "A new build"),
  );
  find("#log-build").value = wanted.build_id ?? items[0]?.id ?? NEW;
  await fillRings(wanted.ring_id);
}

async function fillRings(wanted) {
  const build = find("#log-build").value;
  const rings = build === NEW ? [] : (await ask(`/api/log/builds/${build}`)).rings;
  const fitting = rings.filter((ring) => ring.plan.segments === segments);
  find("#log-ring").replaceChildren(
    ...[...fitting].reverse().map((ring) => el("option", { value: ring.id }, `${ring.position}. ${ring.title}`)),
    el("option", { value: NEW }, rings.length ? "A new ring on top" : "The lowest ring"),
  );
  // Without a ring that was asked for, a new one: two rings mixed up would be worse than one to move.
  find("#log-ring").value = fitting.some((ring) => ring.id === wanted) ? wanted : NEW;
  showFields();
}

function showFields() {
  const newBuild = find("#log-build").value === NEW;
  find("#log-new-build-field").hidden = !newBuild;
  find("#log-ring-field").hidden = newBuild;
  find("#log-ring-name-field").hidden = find("#log-ring").value !== NEW;
  find("#log-wood-field").hidden = !newBuild;
}

function notes(kind) {
  return Object.fromEntries([...document.querySelectorAll(`[data-${kind}]`)].map((field) => [
    field.getAttribute(`data-${kind}`), field.value,
  ]));
}

async function keep(event) {
  event.preventDefault();
  const [build, ring] = [find("#log-build").value, find("#log-ring").value];
  const asked = {
    check: id,
    notes: notes("note"),
    ...(build === NEW ? { new_build: find("#log-new-build").value, build_notes: notes("build-note") } : { build_id: Number(build) }),
    ...(ring === NEW || build === NEW ? { ring_name: find("#log-ring-name").value } : { ring_id: Number(ring) }),
  };
  const button = find("#log-form button");
  button.disabled = true;
  find("#log-wrong").textContent = "";
  try {
    const { build_id, ring_id } = await askJson("POST", "/api/log/checks", asked);
    // The next ring photographed in this tab most likely belongs to the same build.
    sessionStorage.setItem(INTO, JSON.stringify(into().ring_id === ring_id ? { build_id, ring_id } : { build_id }));
    await showKept();
    find("#log-kept a").focus({ preventScroll: true });
  } catch (error) {
    find("#log-wrong").textContent = `${error.message} ${error.hint}`;
    if (build === NEW && !find("#log-new-build").value.trim()) find("#log-new-build").focus();
  }
  button.disabled = false;
}

find("#log-build").addEventListener("change", () => fillRings());
find("#log-ring").addEventListener("change", showFields);
find("#log-form").addEventListener("submit", keep);
follow();
