// Pairing on the computer's own page: a code for the phone, and what the phone has sent.

import { el } from "./dom.js";
import { ask, askJson } from "./server.js";
import { Shelf } from "./shelf.js";

const LOOK_MS = 1500;

const find = (selector) => document.querySelector(selector);
let until = 0;
let paired = 0;
let shelf = null;

async function fresh() {
  const link = await askJson("POST", "/api/phone/links", { address: find("#address").value });
  const code = find("#code");
  URL.revokeObjectURL(code.src);
  code.src = URL.createObjectURL(new Blob([link.svg], { type: "image/svg+xml" }));
  code.hidden = false;
  find("#link").textContent = link.url;
  find("#hello").textContent = link.hello;
  until = Date.now() + link.seconds * 1000;
}

async function look() {
  const now = await ask("/api/phone").catch(() => null);
  if (now) {
    // A code serves once: after each phone the next one is shown.
    if (now.paired > paired || Date.now() > until) await fresh().catch(() => {});
    paired = now.paired;
    const words = paired === 0 ? "No phone is paired yet." : paired === 1 ? "One phone is paired." : `${paired} phones are paired.`;
    if (find("#paired").textContent !== words) find("#paired").textContent = words;
  }
  const minutes = Math.max(1, Math.round((until - Date.now()) / 60000));
  const valid = `Serves one phone, for ${minutes === 1 ? "one more minute" : `${minutes} more minutes`}.`;
  if (find("#valid").textContent !== valid) find("#valid").textContent = valid;
  const checks = await ask("/api/checks").catch(() => []);
  shelf.fill(checks.filter((check) => check.from_phone));
  setTimeout(look, LOOK_MS);
}

if (find("#pairing")) {
  shelf = new Shelf();
  find("#fresh").addEventListener("click", fresh);
  find("#address").addEventListener("change", fresh);
  look().catch((error) => find("#pairing").append(el("p", { class: "wrong" }, error.message)));
}
