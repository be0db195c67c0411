// The joints drawn over the photo: each face where it was measured, and a sign outside the ring with the
// joint's number. Signs keep their size on the screen whatever the zoom.

import { shape, sign, svg } from "./dom.js";
import { along, boxOf, distanceTo, midpoint, turned, unit } from "./points.js";

const BESIDE = 4; // css pixels from a face to its line, on the wood's side, so that the joint stays in view
const AWAY = 26; // css pixels from a joint's outer end to its sign
const REACH = 34; // css pixels within which a touch takes a joint
const TEXT_FROM = 0.72; // signs smaller than this share bear no number

export class Overlay {
  constructor(group, viewer, choose) {
    this.group = group;
    this.viewer = viewer;
    this.choose = choose;
    this.joints = [];
    this.segments = [];
  }

  /** Draw a report's joints; ``label(joint)`` says one in words. */
  draw(report, label) {
    this.segments = report.segments.map((segment, index) => {
      const next = report.joints[(index + 1) % report.joints.length];
      const corners = [...ends(report.joints[index], "b"), ...ends(next, "a").reverse()];
      return {
        number: segment.number,
        corners,
        body: svg("polygon", { class: `segment is-${sign(segment.verdict).name}`, points: corners.join(" ") }),
        label: svg("g", { class: "label", hidden: true }, svg("text", {}, `segment ${segment.number}`)),
      };
    });
    this.joints = report.joints.map((joint) => this.joint(joint, label(joint)));
    const worstLast = [...this.joints].sort((one, other) => rank(one.verdict) - rank(other.verdict));
    this.group.replaceChildren(
      ...this.segments.map((segment) => segment.body),
      ...worstLast.map((joint) => joint.group),
      ...this.segments.map((segment) => segment.label),
    );
    this.rove(this.joints[0]?.number);
  }

  joint(joint, label) {
    const [inner, outer] = joint.place_px;
    const lines = joint.faces_px
      ? ["a", "b"].map((face) => ({ ends: joint.faces_px[face], side: face === "a" ? -BESIDE : BESIDE, element: svg("line", { class: "face" }) }))
      : [{ ends: joint.place_px, side: 0, element: svg("line", { class: "place" }) }];
    const text = svg("text", {}, String(joint.number));
    const tag = svg(
      "g",
      {
        class: "tag",
        role: "button",
        "aria-label": label,
        "aria-pressed": "false",
        tabindex: "-1",
        onkeydown: (event) => this.key(event, joint.number),
      },
      shape(joint.verdict, 1.25),
      text,
    );
    const stem = svg("line", { class: "stem" });
    return {
      number: joint.number,
      verdict: joint.verdict,
      place: [inner, outer],
      outward: unit(inner, outer),
      tag,
      text,
      stem,
      lines,
      group: svg("g", { class: `joint is-${sign(joint.verdict).name}` }, ...lines.map((line) => line.element), stem, tag),
    };
  }

  /** Place the signs for the present zoom. */
  arrange() {
    const scale = this.viewer.scale;
    const places = this.joints.map((joint) => along(joint.place[1], joint.outward, AWAY * scale));
    const spacing = places.map((place, index) => {
      const next = places[(index + 1) % places.length];
      return Math.hypot(next[0] - place[0], next[1] - place[1]) / scale;
    });
    const room = Math.min(...spacing) / 27;
    this.joints.forEach((joint, index) => {
      const wide = joint.verdict !== "in tolerance" || this.chosenJoint === joint.number;
      const size = Math.min(Math.max(room, wide ? 0.85 : 0.4), 1.1);
      const [x, y] = places[index];
      joint.tag.setAttribute("transform", `translate(${x} ${y}) scale(${size * scale})`);
      joint.text.toggleAttribute("hidden", size < TEXT_FROM);
      const [x1, y1] = joint.place[1];
      set(joint.stem, { x1, y1, x2: x, y2: y });
      const across = turned(joint.outward);
      for (const { ends: both, side, element } of joint.lines) {
        const [from, to] = both.map((end) => along(end, across, side * scale));
        set(element, { x1: from[0], y1: from[1], x2: to[0], y2: to[1] });
      }
    });
    for (const segment of this.segments) {
      const [x, y] = midpoint(...segment.corners);
      segment.label.setAttribute("transform", `translate(${x} ${y}) scale(${scale})`);
    }
  }

  /** Mark what is chosen: {kind: "joint" | "segment", number}, or nothing. */
  mark(chosen) {
    this.chosenJoint = chosen?.kind === "joint" ? chosen.number : null;
    for (const joint of this.joints) {
      const on = joint.number === this.chosenJoint;
      joint.group.classList.toggle("chosen", on);
      joint.tag.setAttribute("aria-pressed", String(on));
      if (on) this.rove(joint.number);
    }
    for (const segment of this.segments) {
      const on = chosen?.kind === "segment" && chosen.number === segment.number;
      segment.body.classList.toggle("chosen", on);
      segment.label.toggleAttribute("hidden", !on);
    }
    this.arrange();
  }

  /** What a touch at a place of the photo means. */
  at(point) {
    const scale = this.viewer.scale;
    const near = this.joints
      .map((joint) => ({ joint, away: distanceTo(point, joint.place[0], along(joint.place[1], joint.outward, AWAY * scale)) }))
      .sort((one, other) => one.away - other.away)[0];
    const segment = this.segments.find(({ corners }) => inside(point, corners));
    // Deep in a segment's wood the segment is meant, however coarse the zoom.
    if (near && near.away < REACH * scale && !(segment && near.away > 0.3 * width(segment.corners))) {
      return { kind: "joint", number: near.joint.number };
    }
    return segment ? { kind: "segment", number: segment.number } : null;
  }

  /** The box to look at for what is chosen. */
  boxFor({ kind, number }) {
    const found = this[`${kind}s`].find((one) => one.number === number);
    return boxOf(kind === "joint" ? found.place : found.corners, kind === "joint" ? 0.45 : 0.35);
  }

  /** The box of the whole ring with its signs. */
  get box() {
    return boxOf(this.joints.map((joint) => joint.place[1]), 0.16);
  }

  /** One stop for the Tab key; the arrow keys go from joint to joint. */
  rove(number) {
    for (const joint of this.joints) joint.tag.setAttribute("tabindex", joint.number === number ? "0" : "-1");
  }

  key(event, number) {
    const count = this.joints.length;
    const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (by) {
      const next = this.joints.find((joint) => joint.number === ((number - 1 + by + count) % count) + 1);
      this.rove(next.number);
      next.tag.focus({ preventScroll: true });
    } else if (event.key === "Enter" || event.key === " ") this.choose({ kind: "joint", number });
    else return;
    event.preventDefault();
    event.stopPropagation();
  }
}

function ends(joint, face) {
  return [...(joint.faces_px?.[face] ?? joint.place_px)];
}

function set(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
}

function rank(verdict) {
  return ["in tolerance", "not measured", "too close to call", "out of tolerance"].indexOf(verdict);
}

function width(corners) {
  return Math.hypot(corners[1][0] - corners[2][0], corners[1][1] - corners[2][1]);
}

/** Whether a point lies in a polygon: crossings of a ray to the right. */
function inside([x, y], corners) {
  let crossings = 0;
  corners.forEach(([x1, y1], index) => {
    const [x2, y2] = corners[(index + 1) % corners.length];
    if (y1 > y !== y2 > y && x < x1 + ((y - y1) / (y2 - y1)) * (x2 - x1)) crossings += 1;
  });
  return crossings % 2 === 1;
}
