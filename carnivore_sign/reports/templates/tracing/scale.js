// Scale: from pixels of the photo to millimetres on the ground, and back, in three ways.
//
// Pixels have y downwards, millimetres have y upwards. A matrix is a list of three rows.

const MIN_POINTS = { length: 2, rulers: 4, corners: 4 };

function multiply(a, b) {
  return a.map((row) => b[0].map((_, at) => row.reduce((sum, one, k) => sum + one * b[k][at], 0)));
}

function determinant(m) {
  return (
    m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) -
    m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
    m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
  );
}

function inverse(m) {
  const whole = determinant(m);
  const minor = (row, column) => {
    const [r1, r2] = [0, 1, 2].filter((at) => at !== row);
    const [c1, c2] = [0, 1, 2].filter((at) => at !== column);
    const sign = (row + column) % 2 ? -1 : 1;
    return sign * (m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]);
  };
  return [0, 1, 2].map((row) => [0, 1, 2].map((column) => minor(column, row) / whole));
}

function depthAt(matrix, [x, y]) {
  return matrix[2][0] * x + matrix[2][1] * y + matrix[2][2];
}

// The place that a map gives a point; null on or beyond the horizon of the photo.
function mapped(matrix, [x, y]) {
  const depth = depthAt(matrix, [x, y]);
  if (!(depth > 0)) return null;
  return [0, 1].map((row) => (matrix[row][0] * x + matrix[row][1] * y + matrix[row][2]) / depth);
}

// Solve a square set of linear equations; null if it has no one answer.
function solve(rows) {
  const table = rows.map((row) => [...row]);
  const count = table.length;
  for (let at = 0; at < count; at += 1) {
    let best = at;
    for (let row = at + 1; row < count; row += 1) {
      if (Math.abs(table[row][at]) > Math.abs(table[best][at])) best = row;
    }
    if (Math.abs(table[best][at]) < 1e-12) return null;
    [table[at], table[best]] = [table[best], table[at]];
    for (let row = 0; row < count; row += 1) {
      if (row === at) continue;
      const share = table[row][at] / table[at][at];
      for (let k = at; k <= count; k += 1) table[row][k] -= share * table[at][k];
    }
  }
  return table.map((row, at) => row[count] / row[at]);
}

// The perspective map that takes four seen points to four lying ones, of like size.
function perspective(seen, lying) {
  const size = Math.max(...extentOf(seen), 1e-9);
  const wide = Math.max(...extentOf(lying), 1e-9);
  const rows = [];
  seen.forEach((point, at) => {
    const [x, y] = [(point[0] - seen[0][0]) / size, (point[1] - seen[0][1]) / size];
    const [u, v] = [lying[at][0] / wide, lying[at][1] / wide];
    rows.push([x, y, 1, 0, 0, 0, -u * x, -u * y, u], [0, 0, 0, x, y, 1, -v * x, -v * y, v]);
  });
  const found = solve(rows);
  if (!found) return null;
  const inner = [found.slice(0, 3), found.slice(3, 6), [found[6], found[7], 1]];
  const toInner = [[1 / size, 0, -seen[0][0] / size], [0, 1 / size, -seen[0][1] / size], [0, 0, 1]];
  return multiply([[wide, 0, 0], [0, wide, 0], [0, 0, 1]], multiply(inner, toInner));
}

function threeInLine(points) {
  const size = Math.max(...extentOf(points)) ** 2;
  return [0, 1, 2, 3].some((left) => {
    const [one, two, three] = points.filter((_, at) => at !== left);
    return Math.abs(side(one, two, three)) <= 1e-6 * size;
  });
}

function isMirrored(matrix, seen) {
  return seen.some((point) => !(depthAt(matrix, point) > 0)) || determinant(matrix) >= 0;
}

// What a scale comes to: { toMm, toPx, error } or { fault }, or null while points are missing.
function scaleFrom(scale) {
  const { way, points } = scale;
  if (points.length < MIN_POINTS[way]) return null;
  const factor = CONFIG.mmPerUnit[scale.unit];
  const sizes = scale.lengths.map((length) => length * factor);
  const wanted = way === "length" ? sizes.slice(0, 1) : sizes;
  if (!wanted.every((size) => Number.isFinite(size) && size > 0)) return { fault: sentence(WORDS.noLength) };
  const found = { length: byLength, rulers: byRulers, corners: byCorners }[way](points, sizes);
  if (found.fault) return found;
  const back = inverse(found.matrix);
  return {
    matrix: found.matrix,
    error: (Math.SQRT2 * CONFIG.clickErrorPx) / found.across,
    toMm: (point) => mapped(found.matrix, point),
    toPx: (point) => mapped(back, point),
  };
}

function byLength(points, [length]) {
  const apart = distance(points[0], points[1]);
  if (apart === 0) return { fault: sentence(WORDS.zeroScale) };
  const factor = length / apart;
  const matrix = [[factor, 0, 0], [0, -factor, 0], [0, 0, 1]];
  return { matrix, across: apart };
}

function byRulers(points, [first, second]) {
  const one = [points[1][0] - points[0][0], points[1][1] - points[0][1]];
  const two = [points[3][0] - points[2][0], points[3][1] - points[2][1]];
  const crossed = one[0] * two[1] - two[0] * one[1];
  const size = Math.max(...one.map(Math.abs), ...two.map(Math.abs)) ** 2;
  if (Math.abs(crossed) < 1e-9 * Math.max(size, 1e-300)) return { fault: sentence(WORDS.sameWay) };
  const linear = [
    [(first * two[1]) / crossed, (-first * two[0]) / crossed],
    [(-second * one[1]) / crossed, (second * one[0]) / crossed],
  ];
  const [x, y] = points[0];
  const matrix = [...linear.map((row) => [...row, -row[0] * x - row[1] * y]), [0, 0, 1]];
  if (isMirrored(matrix, [points[0]])) return { fault: `${sentence(WORDS.mirrored)} ${WORDS.clickRulers}` };
  return { matrix, across: Math.min(Math.hypot(...one), Math.hypot(...two)) };
}

function byCorners(points, [along, down]) {
  if (threeInLine(points)) return { fault: sentence(WORDS.inLine) };
  const lying = [[0, 0], [along, 0], [along, -down], [0, -down]];
  const matrix = perspective(points, lying);
  if (!matrix) return { fault: sentence(WORDS.inLine) };
  if (isMirrored(matrix, points)) return { fault: `${sentence(WORDS.mirrored)} ${WORDS.clickAgain}` };
  return { matrix, across: Math.hypot(...extentOf(points)) / Math.SQRT2 };
}
