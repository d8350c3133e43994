// Geometry: outlines as lists of [x, y], measured as the library measures them; exact for polygons.

function distance(one, two) {
  return Math.hypot(one[0] - two[0], one[1] - two[1]);
}

function mean(values) {
  const known = values.filter(Number.isFinite);
  return known.length ? known.reduce((sum, value) => sum + value, 0) / known.length : NaN;
}

// Twice the signed area of the triangle from the first vertex, for every edge of a ring.
function fanOf(ring) {
  const [x0, y0] = ring[0];
  return ring.map(([x, y], at) => {
    const [nextX, nextY] = ring[(at + 1) % ring.length];
    const one = [x - x0, y - y0];
    const two = [nextX - x0, nextY - y0];
    return { one, two, cross: one[0] * two[1] - two[0] * one[1] };
  });
}

function areaOf(ring) {
  return Math.abs(fanOf(ring).reduce((sum, part) => sum + part.cross, 0)) / 2;
}

// Centroid of the area; of a line, or of points on one, that of its length.
function centroidOf(ring) {
  const parts = fanOf(ring);
  const doubled = parts.reduce((sum, part) => sum + part.cross, 0);
  const size = extentOf(ring);
  if (Math.abs(doubled) < 1e-9 * Math.max(size[0], size[1], 1e-9) ** 2) return middleOf(ring);
  const sum = [0, 0];
  for (const { one, two, cross } of parts) {
    sum[0] += cross * (one[0] + two[0]);
    sum[1] += cross * (one[1] + two[1]);
  }
  return [ring[0][0] + sum[0] / (3 * doubled), ring[0][1] + sum[1] / (3 * doubled)];
}

function middleOf(line) {
  if (line.length === 1) return line[0];
  let total = 0;
  const sum = [0, 0];
  for (let at = 1; at < line.length; at += 1) {
    const step = distance(line[at - 1], line[at]);
    total += step;
    sum[0] += (step * (line[at - 1][0] + line[at][0])) / 2;
    sum[1] += (step * (line[at - 1][1] + line[at][1])) / 2;
  }
  return total ? [sum[0] / total, sum[1] / total] : line[0];
}

function boundsOf(points) {
  const xs = points.map((point) => point[0]);
  const ys = points.map((point) => point[1]);
  return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
}

function extentOf(points) {
  const [left, low, right, high] = boundsOf(points);
  return [right - left, high - low];
}

function lengthOf(line) {
  return line.slice(1).reduce((sum, point, at) => sum + distance(line[at], point), 0);
}

// Turn points so that `forward` (a unit vector) is y, and x runs to its right.
function turnForward(points, forward) {
  const [fx, fy] = forward;
  return points.map(([x, y]) => [x * fy - y * fx, x * fx + y * fy]);
}

function unitVector(from, to) {
  const size = distance(from, to);
  return size > 0 ? [(to[0] - from[0]) / size, (to[1] - from[1]) / size] : null;
}

function isInside(point, ring) {
  let inside = false;
  for (let at = 0, before = ring.length - 1; at < ring.length; before = at, at += 1) {
    const [x1, y1] = ring[at];
    const [x2, y2] = ring[before];
    const spans = y1 > point[1] !== y2 > point[1];
    if (spans && point[0] < ((x2 - x1) * (point[1] - y1)) / (y2 - y1) + x1) inside = !inside;
  }
  return inside;
}

function side(one, two, three) {
  return (two[0] - one[0]) * (three[1] - one[1]) - (two[1] - one[1]) * (three[0] - one[0]);
}

function crosses(a, b, c, d) {
  return side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0;
}

function crossesItself(ring) {
  const count = ring.length;
  for (let one = 0; one < count; one += 1) {
    for (let two = one + 2; two < count; two += 1) {
      if (one === 0 && two === count - 1) continue;
      const [c, d] = [ring[two], ring[(two + 1) % count]];
      if (crosses(ring[one], ring[one + 1], c, d)) return true;
    }
  }
  return false;
}

// The place on the segment nearest to a point, and how far off it is.
function nearestOnSegment(point, one, two) {
  const along = [two[0] - one[0], two[1] - one[1]];
  const size = along[0] ** 2 + along[1] ** 2;
  const raw = size ? ((point[0] - one[0]) * along[0] + (point[1] - one[1]) * along[1]) / size : 0;
  const share = Math.min(Math.max(raw, 0), 1);
  const place = [one[0] + share * along[0], one[1] + share * along[1]];
  return { place, gap: distance(point, place) };
}
