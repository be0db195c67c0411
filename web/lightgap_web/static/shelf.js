// The checks of this sitting as a list of pictures with their first sentence.

import { el, icon } from "./dom.js";
import { units } from "./units.js";

/** Show checks on a shelf; cards that did not change stay as they are. */
export function fillShelf(shelf, checks) {
  const now = JSON.stringify([checks, units()]);
  if (shelf.dataset.shown === now) return;
  shelf.dataset.shown = now;
  shelf.replaceChildren(...checks.map((check) => el("li", {}, el(
    "a",
    { href: `/checks/${check.id}` },
    picture(check),
    el("span", { class: "said" },
      el("strong", {}, check.state === "done" ? [icon(check.verdict), " "] : null, stateWords(check)),
      el("span", {}, check.headline?.[units()] ?? check.plan[units()])),
  ))));
}

function picture(check) {
  if (!check.photo) return el("span", { class: "blank" });
  return el("img", { src: `/api/checks/${check.id}/photo?size=small`, alt: "", loading: "lazy" });
}

function stateWords({ state, verdict }) {
  if (state === "done") return verdict[0].toUpperCase() + verdict.slice(1);
  return { failed: "Not measured", waiting: "Waiting", measuring: "Being measured" }[state];
}
