// What every page of the log does: send what was typed, delete with a way back, keep the units.

import { el } from "./dom.js";
import { ask, askJson, send } from "./server.js";
import { onUnits } from "./units.js";

const UNDO = "lightgap.undo";
const INTO = "lightgap.into";
const RING = "lightgap.ring";
const COOKIE = "lightgap-units";

const find = (selector) => document.querySelector(selector);

// ---- units: the pages come written from the server, which reads a cookie ----

onUnits((unit) => {
  const told = () => document.cookie.split("; ").find((part) => part.startsWith(`${COOKIE}=`))?.split("=")[1] ?? "mm";
  if (told() === unit) return;
  document.cookie = `${COOKIE}=${unit}; path=/; max-age=31536000; samesite=lax`;
  // Where cookies are forbidden, the pages stay in millimetres.
  if (told() === unit) location.reload();
});

// ---- sending ----

/** Turn a form's fields into JSON: "notes.wood" goes into {notes: {wood}}. */
function bodyOf(form) {
  const body = {};
  for (const [name, value] of new FormData(form)) {
    const keys = name.split(".");
    const last = keys.pop();
    let place = body;
    for (const key of keys) place = place[key] ??= {};
    place[last] = value;
  }
  return body;
}

/** Go where the answer leads: "/log/builds/{build_id}"; else show the page anew. */
export function go(then, answer) {
  if (!then) return location.reload();
  location.assign(then.replace(/\{(\w+)\}/g, (_, key) => answer?.[key] ?? ""));
}

/** Say beside the form or the button what went wrong. */
export function tellAt(place, { message, hint }) {
  place.parentElement.querySelector(":scope > .problem")?.remove();
  const box = el("div", { class: "problem", role: "alert", tabindex: "-1" }, el("p", {}, el("strong", {}, message)), el("p", {}, hint ?? ""));
  place.before(box);
  box.scrollIntoView({ block: "nearest" });
}

async function sendFrom(element, body) {
  const [method, path] = element.dataset.send.split(" ");
  const button = element.querySelector("button.first, button:not([type=button])") ?? element;
  button.disabled = true;
  try {
    go(element.dataset.then, await askJson(method, path, body));
  } catch (error) {
    tellAt(element, error);
    button.disabled = false;
  }
}

async function sendFile(form) {
  const [button, bar] = [form.querySelector("button"), form.querySelector("progress")];
  button.disabled = true;
  bar.hidden = false;
  try {
    go(form.dataset.then, await send(form.dataset.file, new FormData(form), (share) => (bar.value = share)));
  } catch (error) {
    tellAt(form, error);
    button.disabled = false;
    bar.hidden = true;
  }
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.send) {
    event.preventDefault();
    sendFrom(form, bodyOf(form));
  } else if (form.dataset.file) {
    event.preventDefault();
    sendFile(form);
  }
});

document.addEventListener("click", (event) => {
  const button = event.target.closest("button, a");
  if (!button) return;
  const { send: path, body, delete: record, forget, into } = button.dataset;
  if (path) sendFrom(button, body ? JSON.parse(body) : {});
  else if (record) remove(button, record);
  else if (forget) forgetNote(button, forget);
  else if (into) {
    event.preventDefault();
    checkInto(button, JSON.parse(into));
  } else if (button.dataset.print !== undefined) window.print();
});

// ---- deleting, and the way back ----

async function remove(button, record) {
  const { name, then } = button.dataset;
  try {
    await ask(`/api/log/${record}`, { method: "DELETE" });
  } catch (error) {
    tellAt(button, error);
    return;
  }
  later({ said: `Deleted: ${name}.`, method: "POST", path: `/api/log/${record}/restore`, then: `/log/${record}` });
  location.assign(then);
}

async function forgetNote(button, path) {
  const { key, text } = button.dataset;
  try {
    await askJson("PUT", path, { key, text: null });
  } catch (error) {
    tellAt(button, error);
    return;
  }
  later({ said: `Removed the note on ${key}.`, method: "PUT", path, body: { key, text }, then: location.pathname });
  location.reload();
}

/** Offer the undoing on the page that comes next. */
function later(undo) {
  sessionStorage.setItem(UNDO, JSON.stringify(undo));
}

function offerUndo() {
  const kept = sessionStorage.getItem(UNDO);
  if (!kept) return;
  sessionStorage.removeItem(UNDO);
  const { said, method, path, body, then } = JSON.parse(kept);
  const bar = find("#undo");
  const button = bar.querySelector("button");
  bar.querySelector("p").textContent = said;
  bar.hidden = false;
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await askJson(method, path, body ?? {});
      if (then === location.pathname) location.reload();
      else location.assign(then);
    } catch (error) {
      bar.querySelector("p").textContent = `${error.message} ${error.hint}`;
      button.disabled = false;
    }
  });
}

// ---- to the start page, with the ring's numbers filled in ----

async function checkInto(link, into) {
  try {
    if (into.ring_id) {
      const { plan } = await ask(`/api/log/rings/${into.ring_id}`);
      const before = JSON.parse(localStorage.getItem(RING) ?? "{}");
      const onBlocks = plan.reference_height_mm > 0;
      localStorage.setItem(RING, JSON.stringify({ reference: "auto", ...before, plan, on_blocks: onBlocks }));
    }
  } catch (error) {
    tellAt(link, error);
    return;
  }
  // What this tab checks next is offered to be kept there.
  sessionStorage.setItem(INTO, JSON.stringify(into));
  location.assign(link.href);
}

// ---- a text grows with what is in it ----

for (const area of document.querySelectorAll("textarea")) {
  const grow = () => {
    area.rows = Math.max(1, area.value.split("\n").length);
  };
  area.addEventListener("input", grow);
  grow();
}

offerUndo();
