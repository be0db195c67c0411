// Two photos of one ring: a slider that uncovers the one beneath the other, and the figure compared.

import { ask } from "./server.js";

const find = (selector) => document.querySelector(selector);
const slider = find("#slider");

if (slider) {
  const range = find("#cut");
  const pair = slider.querySelector(".pair");
  const cut = () => pair.style.setProperty("--cut", `${range.value}%`);
  range.addEventListener("input", cut);
  cut();

  // The picture itself can be dragged too; up and down still scroll the page.
  const follow = (event) => {
    if (slider.classList.contains("beside")) return;
    const { left, width } = pair.getBoundingClientRect();
    range.value = String(Math.round((100 * (event.clientX - left)) / width));
    cut();
  };
  pair.addEventListener("pointerdown", (event) => {
    pair.setPointerCapture(event.pointerId);
    follow(event);
  });
  pair.addEventListener("pointermove", (event) => pair.hasPointerCapture(event.pointerId) && follow(event));
  pair.addEventListener("dragstart", (event) => event.preventDefault());

  for (const radio of document.querySelectorAll("[name=view]")) {
    radio.addEventListener("change", () => {
      slider.classList.toggle("beside", radio.value === "beside" && radio.checked);
      range.hidden = slider.classList.contains("beside");
    });
  }
  for (const radio of document.querySelectorAll("[name=quantity]")) {
    radio.addEventListener("change", () => {
      for (const table of document.querySelectorAll("[data-quantity]")) table.hidden = table.dataset.quantity !== radio.value;
    });
  }
}

// How the ring was turned is told by the wood; that takes a second or two, so the page asks for it.
const looking = find("#looking");
if (looking) {
  const { match, then } = looking.dataset;
  ask(match)
    .then(({ turn, face_down }) => location.replace(`${then}&turn=${turn}${face_down ? "&face_down=true" : ""}#compare`))
    .catch(({ message, hint }) => {
      looking.querySelector("p").textContent = `${message} ${hint ?? ""}`;
    });
}
