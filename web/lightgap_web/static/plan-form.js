// The numbers of a ring: read from the form, checked and drawn by the server while they are typed.

import { drawn, el } from "./dom.js";
import { askJson } from "./server.js";
import { onUnits, readLength, readNumber, units, writeLength } from "./units.js";

const PAUSE_MS = 180;
const EXAMPLE = { across_flats_mm: 240, width_mm: 32, thickness_mm: 19, gap_mm: 3, gap_deg: 2 };
const UNJUDGED = /^(-|–|no|off|none)$/i;
const NEEDS = { gap_mm: ["spaced", "tapered"], gap_deg: ["tapered"] };

export class PlanForm {
  constructor(root, view) {
    this.root = root;
    this.view = view;
    this.fields = [...root.querySelectorAll("input[data-key]")];
    this.asked = 0;
    this.needed = new Set(); // what was found empty when the person wanted to go on
    this.words = null;
    this.example();
    root.addEventListener("input", (event) => {
      if (event.target.dataset.length !== undefined) delete event.target.dataset.mm;
      this.changed();
    });
    root.addEventListener("change", () => this.changed());
    root.addEventListener("focusin", (event) => this.light(event.target.dataset.key));
    for (const button of root.querySelectorAll("[data-step]")) {
      button.addEventListener("click", () => this.step(Number(button.dataset.step)));
    }
    onUnits(() => this.showUnits());
  }

  /** Put a plan into the fields. */
  fill(plan) {
    for (const name of ["outline", "joint"]) {
      const radio = this.root.querySelector(`[name=${name}][value=${plan[name]}]`);
      if (radio) radio.checked = true;
    }
    for (const field of this.fields) {
      const value = valueAt(plan, field.dataset.key);
      if (value === false) field.value = "no";
      else if (value !== undefined && value !== null) put(field, value);
    }
    this.changed();
  }

  /** Read the form: the plan's keys, and what is wrong by key. */
  read() {
    const plan = { joint: this.choice("joint"), outline: this.choice("outline") };
    const wrong = {};
    const empty = [];
    for (const field of this.fields) {
      const key = field.dataset.key;
      if (!this.applies(key)) continue;
      if (field.value.trim() === "") {
        if (!this.optional(key)) empty.push(key);
        continue;
      }
      const value = key.startsWith("tolerance.") && UNJUDGED.test(field.value.trim()) ? false : take(field);
      if (Number.isNaN(value)) wrong[key] = "This is not a number.";
      else setAt(plan, key, value);
    }
    return { plan, wrong, empty };
  }

  /** Say beside each field what is wrong; take the focus to the first if asked. */
  tell(wrong, focus = false) {
    for (const field of this.fields) {
      const key = field.dataset.key;
      const needed = this.needed.has(key) && field.value.trim() === "" ? "This number is needed." : "";
      const sentence = wrong[key] ?? needed;
      document.getElementById(`${field.id}-wrong`).textContent = sentence;
      field.toggleAttribute("aria-invalid", false);
      if (sentence) field.setAttribute("aria-invalid", "true");
    }
    document.getElementById("plan-wrong").textContent = wrong.plan ?? "";
    const first = this.fields.find((field) => field.hasAttribute("aria-invalid"));
    if (focus && first) {
      first.closest("details")?.setAttribute("open", "");
      first.focus();
    }
  }

  /** Tell every empty field that it is needed. */
  tellEmpty(empty, wrong) {
    this.needed = new Set(empty);
    this.tell(wrong, true);
  }

  changed() {
    for (const key of Object.keys(NEEDS)) {
      this.root.querySelector(`[data-field=${key}]`).hidden = !this.applies(key);
    }
    const round = this.choice("outline") === "round";
    for (const word of document.querySelectorAll("[data-size-word]")) {
      const name = round ? "diameter" : "across flats";
      word.textContent = word.closest("#plan") ? name[0].toUpperCase() + name.slice(1) : name;
    }
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.look(), PAUSE_MS);
  }

  async look() {
    const { plan, wrong, empty } = this.read();
    const mine = ++this.asked;
    let answer = null;
    let unlike = wrong;
    if (!Object.keys(wrong).length) {
      try {
        answer = await askJson("POST", "/api/plan", { ...pickExample(empty), ...plan });
      } catch (error) {
        const key = this.keyIn(error.message);
        unlike = { [key ?? "plan"]: `${this.inWords(error.message)} ${this.inWords(error.hint)}` };
      }
    }
    if (mine !== this.asked) return;
    this.answer = answer;
    this.whole = answer !== null && empty.length === 0;
    this.tell(unlike);
    this.view.classList.toggle("stale", !this.whole);
    if (answer) this.draw(answer);
    this.caption(empty);
  }

  draw(answer) {
    this.view.querySelector("div").replaceChildren(drawn(answer.drawing));
    this.light(document.activeElement?.dataset?.key);
    this.showUnits();
  }

  caption(empty = []) {
    const caption = this.view.querySelector("figcaption");
    if (!this.answer) caption.textContent = "No ring has these numbers; see below.";
    else if (empty.length) caption.textContent = "Type the sizes, and the drawing follows.";
    else {
      const { mitre, outer_length: length } = this.answer.figures[units()];
      caption.replaceChildren(
        el("strong", {}, this.answer.words[units()]),
        el("br"),
        `Each segment: mitre ${mitre}, outer edge ${length}`,
      );
    }
  }

  /** Which field a sentence about the plan is about: the plan's own key stands in it. */
  keyIn(message) {
    const part = /tolerance/.test(message) ? "tolerance." : "";
    const at = (key) => message.indexOf(key.replace("tolerance.", ""));
    return this.fields
      .map((field) => field.dataset.key)
      .filter((key) => key.startsWith(part) && at(key) >= 0)
      .sort((one, other) => at(one) - at(other) || one.length - other.length)[0];
  }

  /** Say a plan's keys by the names that stand on the page. */
  inWords(sentence) {
    return sentence.replace(/\b[a-z]+(_[a-z]+)*_(mm|deg)\b/g, (key, _rest, unit) => {
      const label = this.root.querySelector(`label[for="${key}"], label[for="tolerance.${key}"]`);
      return label ? `${label.textContent.trim()} (${unit === "mm" ? "mm" : "°"})` : key;
    });
  }

  showUnits() {
    for (const mark of document.querySelectorAll("[data-unit]")) mark.textContent = units() === "mm" ? "mm" : "in";
    for (const field of document.querySelectorAll("input[data-length]")) {
      field.inputMode = units() === "mm" ? "decimal" : "text";
      if (field.dataset.mm) field.value = writeLength(Number(field.dataset.mm));
      else if (field.value && !Number.isNaN(readLength(field.value, field.dataset.unit))) {
        put(field, readLength(field.value, field.dataset.unit));
      }
      field.dataset.unit = units();
    }
    const limits = this.answer?.figures[units()].tolerance ?? {};
    for (const field of this.fields) {
      const key = field.dataset.key;
      if (key.startsWith("tolerance.")) field.placeholder = number(limits[key.slice(10)]) ?? "not judged";
      else if (key === "gap_mm" && this.optional(key) && this.answer) field.placeholder = writeLength(this.answer.plan.gap_mm);
    }
    if (this.answer) this.caption(this.read().empty);
    this.example();
  }

  example() {
    for (const field of this.fields) {
      const value = EXAMPLE[field.dataset.key];
      if (value && !(this.optional(field.dataset.key) && this.answer)) field.placeholder = `such as ${field.dataset.angle === undefined ? writeLength(value) : value}`;
    }
  }

  light(key) {
    for (const line of this.view.querySelectorAll(".dimension")) {
      line.classList.toggle("lit", line.dataset.key === key);
    }
  }

  step(by) {
    const field = this.root.querySelector("#segments");
    field.value = Math.max(3, (Number(field.value) || 12) + by);
    this.changed();
  }

  choice(name) {
    return this.root.querySelector(`[name=${name}]:checked`).value;
  }

  /** What may stay empty: limits have their usual values, a tapered gap points at the centre by itself. */
  optional(key) {
    return key.startsWith("tolerance.") || (key === "gap_mm" && this.choice("joint") === "tapered");
  }

  applies(key) {
    return !NEEDS[key] || NEEDS[key].includes(this.choice("joint"));
  }
}

/** Read any of the page's number fields in the program's own unit. */
export function take(field) {
  if (field.dataset.length === undefined) return readNumber(field.value);
  return field.dataset.mm ? Number(field.dataset.mm) : readLength(field.value);
}

/** Write a number into a field; a length keeps its exact millimetres until it is typed over. */
export function put(field, value) {
  if (field.dataset.length === undefined) {
    field.value = String(value);
    return;
  }
  field.dataset.mm = value;
  field.dataset.unit = units();
  field.value = writeLength(value);
}

function pickExample(empty) {
  return Object.fromEntries(empty.filter((key) => EXAMPLE[key]).map((key) => [key, EXAMPLE[key]]));
}

function number(shown) {
  return shown?.replace(/ ?(mm|in|°)$/, "");
}

function valueAt(plan, key) {
  return key.split(".").reduce((part, name) => part?.[name], plan);
}

function setAt(plan, key, value) {
  const [first, second] = key.split(".");
  if (second === undefined) plan[first] = value;
  else (plan[first] ??= {})[second] = value;
}
