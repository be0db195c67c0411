// Points of the photo as [x, y].

export function unit([x1, y1], [x2, y2]) {
  const length = Math.hypot(x2 - x1, y2 - y1) || 1;
  return [(x2 - x1) / length, (y2 - y1) / length];
}

/** Go from a point in a direction. */
export function along([x, y], [dx, dy], length) {
  return [x + dx * length, y + dy * length];
}

/** A quarter turn clockwise as seen. */
export function turned([dx, dy]) {
  return [-dy, dx];
}

export function midpoint(...points) {
  const sum = points.reduce(([x, y], point) => [x + point[0], y + point[1]], [0, 0]);
  return [sum[0] / points.length, sum[1] / points.length];
}

/** Distance from a point to the line from one end to the other. */
export function distanceTo([x, y], [x1, y1], [x2, y2]) {
  const [dx, dy] = [x2 - x1, y2 - y1];
  const t = Math.min(Math.max(((x - x1) * dx + (y - y1) * dy) / (dx * dx + dy * dy || 1), 0), 1);
  return Math.hypot(x - x1 - t * dx, y - y1 - t * dy);
}

/** The box around points, with a margin as a share of its longer side. */
export function boxOf(points, margin) {
  const xs = points.map(([x]) => x);
  const ys = points.map(([, y]) => y);
  const [x, y] = [Math.min(...xs), Math.min(...ys)];
  const [w, h] = [Math.max(...xs) - x, Math.max(...ys) - y];
  const room = margin * Math.max(w, h);
  return { x: x - room, y: y - room, w: w + 2 * room, h: h + 2 * room };
}
