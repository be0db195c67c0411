// Help by hand: the lines of a joint dragged to where its faces are, joint 1 marked, a joint added or
// struck, the ring's outline shown by three points. The help is kept in the form in which it is sent.

import { el, svg } from "./dom.js";
import { along, midpoint, turned, unit } from "./points.js";

const ARM = 46; // css pixels from a line's end to the knob that drags it, so that a finger hides no edge
const ASIDE = 26; // css pixels by which the knobs of the two faces stand apart
const STEP = { plain: 1, shift: 10 };

const NOTHING = { first_joint_px: null, outline_px: null, faces: {}, added_px: [], struck: [] };

export class Hand {
  constructor(group, viewer, changed) {
    this.group = group;
    this.viewer = viewer;
    this.changed = changed;
    this.open = false;
    this.mode = null; // "add" or "outline" while the next touches place points
    this.points = [];
    this.handles = [];
    this.help = structuredClone(NOTHING);
    this.joints = [];
    this.joint = null;
    this.shift = 0; // by how many joints the help counts on from the report
  }

  /** Start from the help that the check was measured with. */
  take(help, joints) {
    this.help = structuredClone({ ...NOTHING, ...help });
    this.joints = joints;
    this.joint = null;
    this.shift = 0;
    this.draw();
  }

  get given() {
    const { first_joint_px: first, outline_px: outline, faces, added_px: added, struck } = this.help;
    return Boolean(first || outline || Object.keys(faces).length || added.length || struck.length);
  }

  show(open) {
    this.open = open;
    if (!open) this.mode = null;
    this.draw();
  }

  /** The joint whose lines can be dragged now. */
  select(number) {
    this.joint = this.joints.find((joint) => joint.number === number) ?? null;
    this.draw();
  }

  /** Place points by the next touches; asked a second time, stop. */
  place(mode) {
    this.mode = this.mode === mode ? null : mode;
    this.points = [];
    this.draw();
  }

  /** A touch on the photo; returns whether it was used. */
  touch(point) {
    if (!this.open || !this.mode) return false;
    if (this.mode === "add") {
      this.help.added_px.push(point);
      this.mode = null;
    } else {
      this.points.push(point);
      if (this.points.length === 3) {
        this.help.outline_px = this.points;
        this.mode = null;
      }
    }
    this.draw();
    return true;
  }

  /** Number the joints from this one. What was given by number moves along. */
  markFirst() {
    this.help.first_joint_px = midpoint(...this.joint.place_px);
    this.countFrom(this.joint.number);
  }

  /** Number them from 12 o'clock again, as the program does by itself. */
  unmarkFirst() {
    this.help.first_joint_px = null;
    this.countFrom(this.joints.reduce((one, other) => (other.angle_deg < one.angle_deg ? other : one)).number);
  }

  /** Let the help count from a joint of the report. */
  countFrom(number) {
    const count = this.joints.length;
    const first = this.key(number);
    const anew = (old) => ((Number(old) - first + count) % count) + 1;
    this.help.faces = Object.fromEntries(Object.entries(this.help.faces).map(([old, lines]) => [anew(old), lines]));
    this.help.struck = this.help.struck.map(anew);
    this.shift = (this.shift + first - 1) % count;
    this.draw();
  }

  strike() {
    const number = this.key(this.joint.number);
    this.help.struck = this.help.struck.includes(number)
      ? this.help.struck.filter((one) => one !== number)
      : [...this.help.struck, number];
    delete this.help.faces[number];
    this.draw();
  }

  reset() {
    delete this.help.faces[this.key(this.joint.number)];
    this.draw();
  }

  clear() {
    this.help = structuredClone(NOTHING);
    this.shift = 0;
    this.draw();
  }

  /** The number under which a joint of the report shown stands in the help. */
  key(number) {
    const count = this.joints.length;
    return ((number - 1 - this.shift + count) % count) + 1;
  }

  /** The number that a joint of the help bears in the report shown, and so in the photo. */
  shown(key) {
    return ((Number(key) - 1 + this.shift) % this.joints.length) + 1;
  }

  /** What was given so far: a sentence each, and how to take it back. */
  list() {
    const { help } = this;
    const lines = [];
    if (help.first_joint_px) lines.push(["Joint 1 is marked.", () => this.unmarkFirst()]);
    if (help.outline_px) lines.push(["The ring is shown by three points.", () => (help.outline_px = null)]);
    for (const number of Object.keys(help.faces)) {
      lines.push([`The lines of joint ${this.shown(number)} are set.`, () => delete help.faces[number]]);
    }
    help.added_px.forEach((_, index) => lines.push(["A joint is added.", () => help.added_px.splice(index, 1)]));
    for (const number of help.struck) {
      lines.push([`Joint ${this.shown(number)} is struck out.`, () => (help.struck = help.struck.filter((one) => one !== number))]);
    }
    return lines.map(([text, undo]) => el("li", {}, `${text} `, el("button", {
      type: "button",
      onclick: () => {
        undo();
        this.draw();
      },
    }, "Take back")));
  }

  draw() {
    this.handles = [];
    const drawn = [];
    if (this.open) {
      for (const point of [...this.help.added_px, ...this.points]) drawn.push(this.cross(point));
      (this.help.outline_px ?? []).forEach((point, index) => drawn.push(this.pointHandle(point, index)));
      if (this.joint && !this.help.struck.includes(this.key(this.joint.number))) drawn.push(...this.lines());
    }
    const focused = this.group.querySelector(":focus")?.dataset.name;
    this.group.replaceChildren(...drawn);
    if (focused) this.group.querySelector(`[data-name="${focused}"]`)?.focus({ preventScroll: true });
    this.arrange();
    this.changed();
  }

  /** Both faces of the chosen joint, with a knob for each end. */
  lines() {
    const faces = this.facesNow();
    return ["a", "b"].flatMap((face) => {
      const line = svg("line", { class: "hand-line" });
      this.handles.push({ place: () => setLine(line, faces[face]) });
      return [line, ...[0, 1].map((end) => this.endHandle(faces, face, end))];
    });
  }

  facesNow() {
    const set = this.help.faces[this.key(this.joint.number)] ?? this.joint.faces_px;
    if (set) return structuredClone({ a: set.a, b: set.b });
    const [inner, outer] = this.joint.place_px;
    const across = turned(unit(inner, outer));
    const beside = (by) => [inner, outer].map((point) => along(point, across, by * this.viewer.scale));
    return { a: beside(-3), b: beside(3) };
  }

  endHandle(faces, face, end) {
    const where = `joint ${this.joint.number}, face ${face.toUpperCase()}, ${end ? "outer" : "inner"} end`;
    const [inner, outer] = this.joint.place_px;
    const outward = unit(inner, outer);
    const aside = face === "a" ? -ASIDE : ASIDE;
    return this.handle(`${face}${end}`, face.toUpperCase(), where, {
      point: () => faces[face][end],
      arm: () => along(along([0, 0], outward, end ? ARM : -ARM), turned(outward), aside),
      move: (point) => {
        faces[face][end] = point;
        this.help.faces[this.key(this.joint.number)] = faces;
      },
    });
  }

  pointHandle(point, index) {
    return this.handle(`outline${index}`, String(index + 1), `point ${index + 1} of the outline`, {
      point: () => this.help.outline_px[index],
      arm: () => [0, -ARM],
      move: (to) => {
        this.help.outline_px[index] = to;
      },
    });
  }

  /** A knob on an arm: dragged by pointer, nudged by the arrow keys. */
  handle(name, letter, where, { point, arm, move }) {
    const [dx, dy] = arm();
    const group = svg(
      "g",
      { class: "handle", role: "button", tabindex: "0", "data-name": name, "aria-label": `Move ${where}: arrow keys, with Shift ten pixels` },
      svg("line", { class: "arm", x1: 0, y1: 0, x2: dx, y2: dy }),
      svg("circle", { class: "point", r: 4 }),
      svg("circle", { class: "grip", cx: dx, cy: dy, r: 24 }),
      svg("circle", { class: "knob", cx: dx, cy: dy, r: 12 }),
      svg("text", { x: dx, y: dy }, letter),
    );
    const place = () => {
      const [x, y] = point();
      group.setAttribute("transform", `translate(${x} ${y}) scale(${this.viewer.scale})`);
    };
    const moved = (to) => {
      move(to);
      this.arrange();
      this.changed();
    };
    this.handles.push({ place });
    group.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      group.focus({ preventScroll: true });
      group.setPointerCapture(event.pointerId);
      const [x, y] = this.viewer.toPhoto(event.clientX, event.clientY);
      const [px, py] = point();
      const drag = (next) => {
        const [nx, ny] = this.viewer.toPhoto(next.clientX, next.clientY);
        moved([px + nx - x, py + ny - y]);
      };
      group.addEventListener("pointermove", drag);
      for (const end of ["pointerup", "pointercancel"]) {
        group.addEventListener(end, () => group.removeEventListener("pointermove", drag), { once: true });
      }
    });
    for (const kind of ["pointermove", "pointerup"]) {
      group.addEventListener(kind, (event) => event.stopPropagation());
    }
    group.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!by) return;
      event.preventDefault();
      event.stopPropagation();
      moved(along(point(), by, event.shiftKey ? STEP.shift : STEP.plain));
    });
    return group;
  }

  cross(point) {
    const mark = svg("path", { class: "cross", d: "M-14 0H-4M4 0H14M0-14V-4M0 4V14" });
    this.handles.push({ place: () => mark.setAttribute("transform", `translate(${point[0]} ${point[1]}) scale(${this.viewer.scale})`) });
    return mark;
  }

  /** Place everything for the present zoom. */
  arrange() {
    for (const { place } of this.handles) place();
  }
}

function setLine(line, [[x1, y1], [x2, y2]]) {
  for (const [name, value] of Object.entries({ x1, y1, x2, y2 })) line.setAttribute(name, value);
}
