// The figures of joints, segments and ring: the strings come from the server, in words and in cells.

import { drawn, el, icon, sign, unbroken } from "./dom.js";
import { units } from "./units.js";

const UNIT = { mm: "mm", inch: "in" };

/** Name of each value and what it is called; the first four stand in the row, all of them below it. */
const COLUMNS = {
  joints: [
    ["inside", "Gap inside"],
    ["middle", "Gap middle"],
    ["outside", "Gap outside"],
    ["taper", "Taper"],
    ["pitch", "Place round the ring"],
    ["skew", "Lean from the centre"],
  ],
  segments: [
    ["start", "Mitre at its start"],
    ["end", "Mitre at its end"],
    ["length", "Outer length"],
    ["radial", "In or out of the ring"],
    ["included", "Angle between its faces"],
    ["twist", "Twist"],
  ],
};
const IN_ROW = 4;
/** The heading of the row's columns: a group, its unit, and what stands under it. */
const HEADINGS = {
  joints: [["Gap", "length", ["inside", "middle", "outside"]], ["Taper", "°", [""]]],
  segments: [["Mitre", "°", ["start", "end"]], ["Length", "length", [""]], ["In, out", "length", [""]]],
};
const FINDING_OF = { start: ["mitre_deg", "start"], end: ["mitre_deg", "end"], taper: ["taper_deg", null],
  inside: ["gap_mm", "inside"], middle: ["gap_mm", "middle"], outside: ["gap_mm", "outside"],
  length: ["outer_length_mm", null], radial: ["radial_offset_mm", null] };

export class FigureTable {
  constructor(place, choose) {
    this.place = place;
    this.choose = choose;
    this.rows = new Map();
  }

  draw(kind, check, worstFirst) {
    this.kind = kind;
    this.rows.clear();
    const shown = check.shown[units()];
    if (kind === "ring" || kind === "plot") {
      this.place.replaceChildren(kind === "ring" ? ringFigures(check.report, shown) : this.plot(shown.plot));
      return;
    }
    const columns = COLUMNS[kind];
    const items = check.report[kind].map((item, index) => ({ item, told: shown[kind][index] }));
    const order = worstFirst ? shown[kind === "joints" ? "joint_order" : "segment_order"] : items.map((one) => one.item.number);
    const numbered = new Map(items.map((one) => [one.item.number, one]));
    this.place.replaceChildren(el(
      "table",
      {},
      el("caption", {}, `${kind === "joints" ? "Joints" : "Segments"}, ${worstFirst ? "worst first" : "clockwise"}; ± is the 95 % uncertainty.`),
      heading(kind),
      el("tbody", {}, order.flatMap((number) => this.row(numbered.get(number), columns))),
    ));
  }

  row({ item, told }, columns) {
    const kind = this.kind.slice(0, -1);
    const id = `${kind}-${item.number}`;
    const pick = () => this.choose({ kind, number: item.number });
    const button = el(
      "button",
      { type: "button", class: "row-button", "aria-expanded": "false", "aria-controls": `${id}-more`,
        "aria-label": `${kind} ${item.number}, ${item.verdict}` },
      icon(item.verdict), String(item.number), el("span", { class: "word" }, sign(item.verdict).word),
    );
    const row = el(
      "tr",
      { class: `row is-${sign(item.verdict).name}`, id, onclick: pick },
      el("th", { scope: "row" }, button),
      columns.slice(0, IN_ROW).map(([name]) => cell(told.values[name], worst(item, name))),
    );
    const more = el("tr", { class: `more is-${sign(item.verdict).name}`, id: `${id}-more`, hidden: true },
      el("td", { colspan: IN_ROW + 1 }, details(item, told, columns)));
    this.rows.set(item.number, { row, more, button });
    return [row, more];
  }

  /** Gap and taper round the ring; a joint touched in it is chosen. */
  plot(drawing) {
    const plot = drawn(drawing);
    plot.addEventListener("click", (event) => {
      const joint = event.target.closest("[data-joint]");
      if (joint) this.choose({ kind: "joint", number: Number(joint.dataset.joint) });
    });
    return plot;
  }

  /** Open the chosen one's row, close the others. */
  mark(chosen) {
    for (const joint of this.place.querySelectorAll("[data-joint]")) {
      joint.classList.toggle("chosen", chosen?.kind === "joint" && Number(joint.dataset.joint) === chosen.number);
    }
    for (const [number, { row, more, button }] of this.rows) {
      const on = chosen !== null && chosen.kind === this.kind.slice(0, -1) && chosen.number === number;
      row.classList.toggle("chosen", on);
      more.hidden = !on;
      button.setAttribute("aria-expanded", String(on));
    }
  }

  /** Bring the chosen one's row into view. */
  show(number) {
    this.rows.get(number)?.row.scrollIntoView({ block: "nearest" });
  }
}

function heading(kind) {
  const unit = (of) => (of === "°" ? "°" : UNIT[units()]);
  return el("thead", {},
    el("tr", {},
      el("th", { scope: "col", rowspan: 2 }, kind === "joints" ? "Joint" : "Segment"),
      HEADINGS[kind].map(([name, of, under]) => (under.length === 1
        ? el("th", { scope: "col", rowspan: 2 }, `${name}, ${unit(of)}`)
        : el("th", { scope: "colgroup", colspan: under.length, class: "group" }, `${name}, ${unit(of)}`)))),
    el("tr", {}, HEADINGS[kind].flatMap(([, , under]) => (under.length === 1 ? [] : under.map((name) => el("th", { scope: "col" }, name))))));
}

function worst(item, name) {
  const [quantity, place] = FINDING_OF[name];
  return item.findings.some((one) => one.quantity === quantity && one.place === place && one.verdict === "out of tolerance");
}

function cell({ cell: text, full, reason }, out) {
  const [value, uncertainty] = text.split("±");
  return el("td", { class: out ? "worst" : null, title: reason ?? full },
    value, uncertainty ? el("span", { class: "u" }, `±${uncertainty}`) : null);
}

function details(item, told, columns) {
  const said = [...told.reasons, ...(item.doubts ?? [])];
  if (item.by_hand) said.push("Started from lines set by hand.");
  if (item.blocked_mm) said.push(told.blocked);
  if (item.filled) said.push(`Filled with ${item.filled}.`);
  return [
    said.length ? el("ul", { class: "reasons" }, said.map((text) => el("li", {}, unbroken(text)))) : null,
    el("dl", { class: "values" }, columns.flatMap(([name, heading]) => figureLine(heading, told.values[name]))),
    budgets(columns.map(([name, heading]) => [heading, told.values[name]])),
  ];
}

function figureLine(heading, { full, reason }) {
  return [el("dt", {}, heading), el("dd", {}, unbroken(reason ? `${full}: ${reason}` : full))];
}

function ringFigures(report, shown) {
  const rows = Object.entries(shown.ring.values);
  return el("div", { class: `is-${sign(report.ring.verdict).name}` },
    el("p", {}, icon(report.ring.verdict), ` The ring as a whole: ${report.ring.verdict}.`),
    shown.ring.reasons.length ? el("ul", { class: "reasons" }, shown.ring.reasons.map((text) => el("li", {}, text))) : null,
    el("dl", { class: "values" }, rows.flatMap(([heading, value]) => figureLine(heading, value))),
    budgets(rows));
}

/** Where each ± comes from: the contributions of each value, the largest first. */
function budgets(named) {
  const known = named.filter(([, value]) => value.budget.length);
  if (!known.length) return null;
  return el("details", { class: "budget" },
    el("summary", {}, "Where the ± comes from"),
    known.map(([heading, value]) => el("table", {},
      el("caption", {}, `${heading}: ${value.full}`),
      el("tbody", {}, value.budget.map((part) => el("tr", {},
        el("th", { scope: "row" }, part.name), el("td", {}, `±${part.shown}`), el("td", {}, bar(part.share))))))),
    el("p", { class: "small" }, "Each line is the 95 % uncertainty from that cause alone; they add up as the root of the sum of squares."));
}

function bar(share) {
  const strip = el("span", { class: "bar" });
  strip.style.width = `${Math.round(100 * share)}%`;
  return strip;
}
