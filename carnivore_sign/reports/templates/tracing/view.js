// View: the photo, and what was clicked on it, drawn on a canvas. Nothing here changes the record.

const STYLE = {
  toe: "#0b64b0", pad: "#b8460b", claw: "#6a1b7a", other: "#0b6b4f",
  scale: "#111111", casing: "rgba(255, 255, 255, 0.92)", cross: "#d6006c",
};
const LOUPE_PX = 132;
const LOUPE_SHARE = 0.27;
const LOUPE_TIMES = 3;

const photo = document.getElementById("photo");
const canvas = document.getElementById("stage");
const view = {
  zoom: 1, left: 0, top: 0, whole: true, size: [0, 0],
  cross: null, showCross: false, grid: false, held: null,
};

const toScreen = ([x, y]) => [x * view.zoom + view.left, y * view.zoom + view.top];
const toPhoto = ([x, y]) => [(x - view.left) / view.zoom, (y - view.top) / view.zoom];
const stageSize = () => [canvas.clientWidth, canvas.clientHeight];

function fit() {
  const [width, height] = stageSize();
  view.zoom = Math.min(width / CONFIG.width, height / CONFIG.height);
  view.left = (width - CONFIG.width * view.zoom) / 2;
  view.top = (height - CONFIG.height * view.zoom) / 2;
  view.cross = [width / 2, height / 2];
  view.whole = true;
}

// The stage has another size: what was in its middle stays there.
function resized() {
  const [width, height] = stageSize();
  const [dx, dy] = [(width - view.size[0]) / 2, (height - view.size[1]) / 2];
  view.size = [width, height];
  if (view.whole) fit();
  else {
    pan(dx, dy);
    moveCross(0, 0);
  }
}

function zoomAt(times, [x, y]) {
  const [width, height] = stageSize();
  const whole = Math.min(width / CONFIG.width, height / CONFIG.height);
  const zoom = Math.min(Math.max(view.zoom * times, whole / 2), Math.max(16, whole * 2));
  const ratio = zoom / view.zoom;
  view.left = x - (x - view.left) * ratio;
  view.top = y - (y - view.top) * ratio;
  view.zoom = zoom;
  pan(0, 0);
}

// Move the photo, some of which always stays in sight.
function pan(dx, dy) {
  view.whole = false;
  const [width, height] = stageSize();
  const margin = 40;
  const inSight = (value, size, room) => Math.min(Math.max(value, margin - size), room - margin);
  view.left = inSight(view.left + dx, CONFIG.width * view.zoom, width);
  view.top = inSight(view.top + dy, CONFIG.height * view.zoom, height);
}

// Move the cross; at the edge of the stage the photo moves under it instead.
function moveCross(dx, dy) {
  const size = stageSize();
  const [x, y] = [view.cross[0] + dx, view.cross[1] + dy];
  const kept = [x, y].map((value, at) => Math.min(Math.max(value, 24), size[at] - 24));
  if (kept[0] !== x || kept[1] !== y) pan(kept[0] - x, kept[1] - y);
  view.cross = kept;
}

let drawAsked = false;

function redraw() {
  if (drawAsked) return;
  drawAsked = true;
  requestAnimationFrame(() => {
    drawAsked = false;
    draw();
  });
}

function draw() {
  const [width, height] = stageSize();
  const dense = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * dense) || canvas.height !== Math.round(height * dense)) {
    canvas.width = Math.round(width * dense);
    canvas.height = Math.round(height * dense);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(dense, 0, 0, dense, 0, 0);
  pen.clearRect(0, 0, width, height);
  drawScene(pen, toScreen, view.zoom, view.left, view.top);
  const focus = view.held ?? (view.showCross ? view.cross : null);
  if (focus) drawLoupe(pen, focus, width, height);
  if (view.showCross) drawCross(pen, view.cross, 22);
  Object.assign(canvas.dataset, { zoom: view.zoom, left: view.left, top: view.top });
}

function drawScene(pen, place, zoom, left, top) {
  drawPhoto(pen, zoom, left, top);
  if (view.grid) drawGrid(pen, place);
  store.state.marks.forEach((mark, at) => drawMark(pen, place, mark, at));
  drawScale(pen, place);
}

function drawPhoto(pen, zoom, left, top) {
  pen.save();
  pen.translate(left, top);
  pen.scale(zoom, zoom);
  if (store.state.flipped) {
    pen.translate(CONFIG.width, 0);
    pen.scale(-1, 1);
  }
  pen.imageSmoothingEnabled = zoom < 4;
  pen.drawImage(photo, 0, 0, CONFIG.width, CONFIG.height);
  pen.restore();
}

// A line with a pale casing, so that it shows on any ground.
function stroke(pen, points, { color, wide = 2.5, closed = false, dash = [] }) {
  if (points.length < 2) return;
  pen.beginPath();
  points.forEach(([x, y], at) => (at ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  if (closed) pen.closePath();
  pen.lineJoin = "round";
  pen.setLineDash([]);
  pen.strokeStyle = STYLE.casing;
  pen.lineWidth = wide + 3;
  pen.stroke();
  pen.setLineDash(dash);
  pen.strokeStyle = color;
  pen.lineWidth = wide;
  pen.stroke();
  pen.setLineDash([]);
}

function dot(pen, [x, y], { color, size = 4, hollow = false }) {
  pen.beginPath();
  pen.arc(x, y, size, 0, 2 * Math.PI);
  pen.lineWidth = 2;
  pen.fillStyle = hollow ? STYLE.casing : color;
  pen.strokeStyle = hollow ? color : STYLE.casing;
  pen.fill();
  pen.stroke();
}

function label(pen, text, [x, y], color) {
  pen.font = "bold 15px system-ui, sans-serif";
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.lineWidth = 4;
  pen.strokeStyle = STYLE.casing;
  pen.strokeText(text, x, y);
  pen.fillStyle = color;
  pen.fillText(text, x, y);
}

function colorOf(part) {
  if (isToe(part)) return STYLE.toe;
  if (isClaw(part)) return STYLE.claw;
  return part === "pad" ? STYLE.pad : STYLE.other;
}

function drawMark(pen, place, mark, at) {
  const points = mark.points.map(place);
  const color = colorOf(mark.part);
  const mine = mark.print === ui.print;
  const chosen = at === ui.mark;
  const closed = mark.closed && points.length > 2;
  const dash = mark.closed ? [] : [7, 5];
  stroke(pen, points, { color, closed, dash, wide: chosen ? 4 : mine ? 2.5 : 1.5 });
  if (!mark.closed || chosen) {
    points.forEach((point, number) => {
      dot(pen, point, { color, hollow: number !== ui.point || !chosen });
    });
    if (!mark.closed && points.length) dot(pen, points[0], { color, size: 6 });
  }
  if (mark.closed) {
    label(pen, SHORT[mark.part], isClaw(mark.part) ? aboveOf(points) : centroidOf(points), color);
  }
}

// A claw mark is too small to write on.
function aboveOf(points) {
  const [left, top, right] = boundsOf(points);
  return [(left + right) / 2, top - 12];
}

function drawScale(pen, place) {
  const { way, points } = store.state.scale;
  const at = points.map(place);
  const lines = way === "corners" ? [at] : [at.slice(0, 2), at.slice(2)];
  for (const line of lines) {
    const wide = ui.tool === "scale" ? 2 : 1;
    stroke(pen, line, { color: STYLE.scale, closed: line.length > 3, dash: [10, 4], wide });
  }
  at.forEach((point, number) => {
    dot(pen, point, { color: STYLE.scale, hollow: true, size: 5 });
    if (ui.tool === "scale") label(pen, String(number + 1), [point[0], point[1] - 16], STYLE.scale);
  });
}

// Lines 10 mm apart on the ground: where they lie askew, the scale is wrong.
function drawGrid(pen, place) {
  const scale = scaleFrom(store.state.scale);
  if (!scale?.toPx) return;
  const corners = [[0, 0], [CONFIG.width, 0], [CONFIG.width, CONFIG.height], [0, CONFIG.height]];
  const reached = corners.map(scale.toMm).filter(Boolean);
  const [left, low, right, high] = boundsOf(reached).map((edge) => Math.round(edge / 10) * 10);
  if (right - left > 3000 || high - low > 3000) return;
  pen.lineWidth = 1;
  pen.strokeStyle = "rgba(255, 255, 255, 0.75)";
  const line = (one, two) => {
    const ends = [one, two].map(scale.toPx);
    if (ends.some((end) => !end)) return;
    const [from, to] = ends.map(place);
    pen.beginPath();
    pen.moveTo(...from);
    pen.lineTo(...to);
    pen.stroke();
  };
  for (let x = left; x <= right; x += 10) line([x, low], [x, high]);
  for (let y = low; y <= high; y += 10) line([left, y], [right, y]);
}

function drawCross(pen, [x, y], size) {
  for (const [color, wide] of [[STYLE.casing, 5], [STYLE.cross, 2]]) {
    pen.strokeStyle = color;
    pen.lineWidth = wide;
    pen.beginPath();
    for (const way of [-1, 1]) {
      pen.moveTo(x + 5 * way, y);
      pen.lineTo(x + size * way, y);
      pen.moveTo(x, y + 5 * way);
      pen.lineTo(x, y + size * way);
    }
    pen.stroke();
  }
  dot(pen, [x, y], { color: STYLE.cross, size: 1.5 });
}

// What lies under the cross, or under a finger, larger, in the corner away from it.
function drawLoupe(pen, focus, width, height) {
  const half = Math.min(LOUPE_PX, width * LOUPE_SHARE, 1.5 * height * LOUPE_SHARE) / 2;
  const middle = [focus[0] < width / 2 ? width - half - 10 : half + 10, half + 10];
  const zoom = view.zoom * LOUPE_TIMES;
  const [x, y] = toPhoto(focus);
  const [left, top] = [middle[0] - x * zoom, middle[1] - y * zoom];
  pen.save();
  pen.beginPath();
  pen.arc(...middle, half, 0, 2 * Math.PI);
  pen.fillStyle = "#ffffff";
  pen.fill();
  pen.clip();
  drawScene(pen, ([px, py]) => [px * zoom + left, py * zoom + top], zoom, left, top);
  drawCross(pen, middle, 18);
  pen.restore();
  pen.beginPath();
  pen.arc(...middle, half, 0, 2 * Math.PI);
  pen.lineWidth = 3;
  pen.strokeStyle = STYLE.scale;
  pen.stroke();
}
