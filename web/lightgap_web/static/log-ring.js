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

  // Chosen before this script ran, or remembered by the browser, a choice holds too.
  const onChoice = (name, show) => {
    for (const radio of document.querySelectorAll(`[name=${name}]`)) {
      radio.addEventListener("change", () => show(radio.value));
      if (radio.checked) show(radio.value);
    }
  };
  onChoice("view", (view) => {
    slider.classList.toggle("beside", view === "beside");
    range.hidden = view === "beside";
  });
  onChoice("quantity", (quantity) => {
    for (const table of document.querySelectorAll("[data-quantity]")) table.hidden = table.dataset.quantity !== quantity;
  });
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
