// The sample photographs: one touch checks one.

import { el } from "./dom.js";
import { ask } from "./server.js";

const find = (selector) => document.querySelector(selector);

async function check(name, button) {
  button.disabled = true;
  try {
    const { id } = await ask(`/api/samples/${name}/checks`, { method: "POST" });
    location.assign(`/checks/${id}`);
  } catch (error) {
    tell(error);
    button.disabled = false;
  }
}

function tell({ message, hint }) {
  find("#problem").hidden = false;
  find("#problem h2").textContent = message;
  find("#problem p").textContent = hint;
}

function card({ name, title, about }) {
  return el("li", {}, el(
    "button",
    { type: "button", onclick: (event) => check(name, event.currentTarget) },
    el("img", { src: `/api/samples/${name}/photo`, alt: "", loading: "lazy" }),
    el("span", { class: "said" }, el("strong", {}, title), el("span", {}, about)),
  ));
}

ask("/api/samples")
  .then((samples) => find("#shelf").replaceChildren(...samples.map(card)))
  .catch(tell);
