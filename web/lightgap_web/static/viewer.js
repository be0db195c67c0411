// The photo, zoomed and moved: one SVG whose units are the photo's own pixels.
// Wheel, pinch, drag and keys change the viewBox; whoever draws on it is told of every change.

const NEAREST_PX = 30; // photo pixels across the view at the most
const TAP_MOVE = 7; // css pixels that a finger may slip while it taps
const TWEEN_MS = 220;

export class Viewer {
  constructor(element, { onTap, onView }) {
    this.element = element;
    this.image = element.querySelector("image");
    this.onTap = onTap;
    this.onView = onView;
    this.size = { width: 4, height: 3 };
    this.home = { x: 0, y: 0, w: 4, h: 3 };
    this.view = this.home;
    this.pointers = new Map();
    this.listen();
    new ResizeObserver(() => this.set(this.view)).observe(element);
  }

  /** Show a photo of so many pixels; pixel centres lie at whole numbers. */
  open(href, width, height) {
    this.size = { width, height };
    for (const [name, value] of Object.entries({ href, x: -0.5, y: -0.5, width, height })) {
      this.image.setAttribute(name, value);
    }
    this.setHome({ x: 0, y: 0, w: width, h: height });
  }

  /** Say what "the whole ring" is, and show it. */
  setHome(box) {
    this.home = box;
    this.set(box);
  }

  /** Photo pixels per css pixel. */
  get scale() {
    return this.view.w / (this.element.getBoundingClientRect().width || 1);
  }

  get middle() {
    return [this.view.x + this.view.w / 2, this.view.y + this.view.h / 2];
  }

  /** From a place on the screen to photo pixels. */
  toPhoto(clientX, clientY) {
    const frame = this.element.getBoundingClientRect();
    return [
      this.view.x + (clientX - frame.left) * this.scale,
      this.view.y + (clientY - frame.top) * this.scale,
    ];
  }

  /** Show a box, grown to the element's own proportions. */
  set(box) {
    const frame = this.element.getBoundingClientRect();
    const aspect = (frame.width || 4) / (frame.height || 3);
    const { width, height } = this.size;
    const widest = 1.3 * Math.max(width, height * aspect);
    const w = Math.min(Math.max(box.w, box.h * aspect, NEAREST_PX), widest);
    const h = w / aspect;
    const x = Math.min(Math.max(box.x + box.w / 2, 0), width) - w / 2;
    const y = Math.min(Math.max(box.y + box.h / 2, 0), height) - h / 2;
    this.view = { x, y, w, h };
    this.element.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    this.onView();
  }

  /** Glide to a box. */
  goTo(box) {
    cancelAnimationFrame(this.tween);
    if (matchMedia("(prefers-reduced-motion: reduce)").matches) {
      this.set(box);
      return;
    }
    const from = this.view;
    const began = performance.now();
    const step = (now) => {
      const t = Math.min((now - began) / TWEEN_MS, 1);
      const ease = t * (2 - t);
      const between = (key) => from[key] + (box[key] - from[key]) * ease;
      this.set({ x: between("x"), y: between("y"), w: between("w"), h: between("h") });
      if (t < 1) this.tween = requestAnimationFrame(step);
    };
    this.tween = requestAnimationFrame(step);
  }

  /** Come closer by a factor, keeping one place of the photo where it is. */
  zoom(factor, at = this.middle) {
    const { x, y, w, h } = this.view;
    const f = 1 / factor;
    this.set({ x: at[0] + (x - at[0]) * f, y: at[1] + (y - at[1]) * f, w: w * f, h: h * f });
  }

  pan(dx, dy) {
    this.set({ ...this.view, x: this.view.x + dx, y: this.view.y + dy });
  }

  listen() {
    const on = (name, handler) => this.element.addEventListener(name, handler, { passive: false });
    on("wheel", (event) => {
      event.preventDefault();
      const speed = event.ctrlKey ? 0.01 : 0.0016;
      this.zoom(Math.exp(-event.deltaY * speed), this.toPhoto(event.clientX, event.clientY));
    });
    on("pointerdown", (event) => this.down(event));
    on("pointermove", (event) => this.move(event));
    on("pointerup", (event) => this.up(event));
    on("pointercancel", (event) => this.pointers.delete(event.pointerId));
    on("keydown", (event) => this.key(event));
  }

  down(event) {
    if (event.button > 0) return;
    cancelAnimationFrame(this.tween);
    this.element.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    this.slipped = this.pointers.size > 1 ? Infinity : 0;
    this.element.classList.add("dragging");
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return;
    const now = { x: event.clientX, y: event.clientY };
    this.slipped += Math.hypot(now.x - before.x, now.y - before.y);
    const other = [...this.pointers].find(([id]) => id !== event.pointerId)?.[1];
    this.pointers.set(event.pointerId, now);
    if (!other) {
      if (this.slipped > TAP_MOVE) this.pan((before.x - now.x) * this.scale, (before.y - now.y) * this.scale);
      return;
    }
    const apart = (p) => Math.hypot(p.x - other.x, p.y - other.y);
    const half = (p) => [(p.x + other.x) / 2, (p.y + other.y) / 2];
    const [from, to] = [half(before), half(now)];
    this.pan((from[0] - to[0]) * this.scale, (from[1] - to[1]) * this.scale);
    this.zoom(apart(now) / Math.max(apart(before), 1), this.toPhoto(...to));
  }

  up(event) {
    if (!this.pointers.delete(event.pointerId)) return;
    this.element.classList.toggle("dragging", this.pointers.size > 0);
    if (this.slipped <= TAP_MOVE) this.onTap(this.toPhoto(event.clientX, event.clientY));
  }

  key(event) {
    if (event.defaultPrevented || event.altKey || event.ctrlKey || event.metaKey) return;
    const step = this.view.w * 0.12;
    const actions = {
      "+": () => this.zoom(1.3),
      "=": () => this.zoom(1.3),
      "-": () => this.zoom(1 / 1.3),
      0: () => this.goTo(this.home),
      ArrowLeft: () => this.pan(-step, 0),
      ArrowRight: () => this.pan(step, 0),
      ArrowUp: () => this.pan(0, -step),
      ArrowDown: () => this.pan(0, step),
    };
    if (!actions[event.key]) return;
    event.preventDefault();
    actions[event.key]();
  }
}
