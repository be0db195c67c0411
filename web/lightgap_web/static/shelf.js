// The checks of this sitting as a list of pictures with their first sentence; several of one ring can be
// picked and measured together.

import { el, icon } from "./dom.js";
import { askJson } from "./server.js";
import { onUnits, units } from "./units.js";

const find = (selector) => document.querySelector(selector);

export class Shelf {
  constructor() {
    this.list = find("#shelf");
    this.checks = [];
    this.picked = null; // a set of ids while the person picks
    find("#pick").addEventListener("click", () => this.startPicking());
    find("#pick-stop").addEventListener("click", () => this.stopPicking());
    find("#pick-done").addEventListener("click", () => this.together());
    onUnits(() => this.draw());
  }

  /** Show checks; cards that did not change stay as they are. */
  fill(checks) {
    this.checks = checks;
    this.draw();
  }

  draw() {
    const { checks } = this;
    find("#picking").hidden = checks.length < 2;
    const now = JSON.stringify([checks, units(), this.picked !== null]);
    if (this.list.dataset.shown === now) return;
    this.list.dataset.shown = now;
    this.list.replaceChildren(...checks.map((check) => el("li", {}, this.picked ? this.choice(check) : link(check))));
  }

  choice(check) {
    return el("button", {
      type: "button",
      class: "pick-card",
      "aria-pressed": String(this.picked.has(check.id)),
      onclick: (event) => this.toggle(check.id, event.currentTarget),
    }, picture(check), said(check));
  }

  toggle(id, card) {
    if (!this.picked.delete(id)) this.picked.add(id);
    card.setAttribute("aria-pressed", String(this.picked.has(id)));
    this.say();
  }

  say(words) {
    const count = this.picked?.size ?? 0;
    find("#pick").hidden = this.picked !== null;
    find("#pick-done").hidden = find("#pick-stop").hidden = this.picked === null;
    find("#pick-done").disabled = count < 2;
    const told = count === 0 ? "Touch the checks whose photos show the same ring." : `${count} picked.`;
    find("#pick-say").textContent = words ?? (this.picked ? told : "");
  }

  startPicking() {
    this.picked = new Set();
    this.say();
    this.draw();
    find("#shelf button")?.focus();
  }

  stopPicking() {
    this.picked = null;
    this.say();
    this.draw();
    find("#pick").focus();
  }

  async together() {
    find("#pick-done").disabled = true;
    try {
      // The one that was taken first gives the numbers.
      const checks = [...this.checks].reverse().map(({ id }) => id).filter((id) => this.picked.has(id));
      const { id } = await askJson("POST", "/api/together", { checks });
      location.assign(`/checks/${id}`);
    } catch (error) {
      this.say(`${error.message} ${error.hint}`);
    }
  }
}

function link(check) {
  return el("a", { href: `/checks/${check.id}` }, picture(check), said(check));
}

function said(check) {
  return el("span", { class: "said" },
    el("strong", {}, check.state === "done" ? [icon(check.verdict), " "] : null, stateWords(check)),
    check.photos > 1 ? el("span", { class: "small" }, `${check.photos} photos together`) : null,
    el("span", {}, check.headline?.[units()] ?? check.plan[units()]));
}

function picture(check) {
  if (!check.photo) return el("span", { class: "blank" });
  return el("img", { src: `/api/checks/${check.id}/photo?size=small`, alt: "", loading: "lazy" });
}

function stateWords({ state, verdict }) {
  if (state === "done") return verdict[0].toUpperCase() + verdict.slice(1);
  return { failed: "Not measured", waiting: "Waiting", measuring: "Being measured" }[state];
}
