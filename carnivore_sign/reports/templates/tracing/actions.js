// Actions: what a click, a key or a button does to the record; and which tool is at hand.

// ui.mark and ui.point: what is chosen, as places in state.marks and in its points; -1 is none.
const ui = { tool: "scale", print: 0, part: "toe_2", mark: -1, point: -1, message: "" };

const ONCE_ONLY = CONFIG.parts.filter((part) => part !== "toe" && part !== "claw");
const leastPoints = (part) => (isClaw(part) ? 2 : 3);

function say(message) {
  ui.message = message;
}

function openMark() {
  const { marks } = store.state;
  return marks.find((mark) => mark.print === ui.print && mark.part === ui.part && !mark.closed);
}

function letGo() {
  ui.mark = -1;
  ui.point = -1;
}

// After an undo, or a file that was read, what was chosen may be gone.
function stayInRange() {
  const { marks, prints } = store.state;
  ui.print = Math.min(ui.print, prints.length - 1);
  if (ui.mark >= marks.length) letGo();
  if (ui.mark >= 0 && ui.point >= marks[ui.mark].points.length) ui.point = -1;
}

function placePoint(point, reach) {
  if (ui.tool === "scale") placeScalePoint(point);
  else if (ui.tool === "trace") placeTracePoint(point, reach);
  else choose(point, reach);
}

function placeScalePoint(point) {
  const { scale } = store.state;
  if (scale.points.length >= MIN_POINTS[scale.way]) {
    say("The scale is clicked already. Drag its points, or click it anew (S).");
    return;
  }
  change((state) => state.scale.points.push(point));
  afterScale();
}

// Once the scale stands, tracing begins.
function afterScale() {
  const scale = scaleFrom(store.state.scale);
  if (scale?.fault) say(scale.fault);
  else if (scale && ui.tool === "scale") {
    ui.tool = "trace";
    say("The scale is set.");
  }
}

function renewScale() {
  ui.tool = "scale";
  letGo();
  if (store.state.scale.points.length) change((state) => (state.scale.points = []));
}

function placeTracePoint(point, reach) {
  const open = openMark();
  if (!open) {
    startMark(point);
    return;
  }
  const near = (other) => distance(point, other) <= reach;
  if (open.points.length >= 3 && near(open.points[0])) {
    finish();
    return;
  }
  if (near(open.points[open.points.length - 1]) && reach > 0) {
    if (distance(point, open.points[open.points.length - 1]) <= reach / 4) return;
  }
  const at = store.state.marks.indexOf(open);
  change((state) => state.marks[at].points.push(point));
}

function startMark(point) {
  const { marks } = store.state;
  const there = marks.findIndex((mark) => mark.print === ui.print && mark.part === ui.part);
  if (there >= 0 && ONCE_ONLY.includes(ui.part)) {
    Object.assign(ui, { tool: "edit", mark: there, point: -1 });
    say(`${nameOf(ui.part)} is traced already: mend it, or delete it (Delete) to trace it anew.`);
    return;
  }
  const mark = { print: ui.print, part: ui.part, points: [point], closed: false };
  change((state) => state.marks.push(mark));
}

function finish() {
  const open = openMark();
  if (!open) {
    say("No outline is open.");
    return;
  }
  const least = leastPoints(open.part);
  if (open.points.length < least) {
    say(`${nameOf(open.part)} needs ${least} points at least.`);
    return;
  }
  const at = store.state.marks.indexOf(open);
  change((state) => (state.marks[at].closed = true));
  goOn(open.part);
}

// What comes next: the toe or pad that is still missing, or nothing.
function goOn(part) {
  const next = missingParts(marksOf(ui.print));
  if (!CORE.includes(part)) {
    if (ONCE_ONLY.includes(part)) ui.tool = "edit";
    say(`${nameOf(part)} is traced.`);
  } else if (next.length) {
    choosePart(next[0]);
    say(`${nameOf(part)} is traced.`);
  } else {
    Object.assign(ui, { tool: "edit" });
    letGo();
    say("Toes and pad are traced. Add claw marks if there are any, or save.");
  }
}

// Choose the part to trace; one that is traced already is chosen to be mended.
function choosePart(part) {
  ui.part = part;
  const { marks } = store.state;
  const there = marks.findIndex(
    (mark) => mark.print === ui.print && mark.part === part && mark.closed,
  );
  const mend = there >= 0 && ONCE_ONLY.includes(part);
  Object.assign(ui, { tool: mend ? "edit" : "trace", mark: mend ? there : -1, point: -1 });
}

// The vertex nearest to a place: { mark, point } or, of the scale, { scalePoint }.
function vertexAt(place, reach) {
  const { marks, scale } = store.state;
  const candidates = [];
  if (ui.tool !== "trace" || !openMark()) {
    scale.points.forEach((at, scalePoint) => candidates.push({ scalePoint, at }));
  }
  marks.forEach((mark, number) => {
    const reachable = ui.tool === "edit" ? mark.print === ui.print : mark === openMark();
    if (ui.tool === "scale" || !reachable) return;
    mark.points.forEach((at, point) => candidates.push({ mark: number, point, at }));
  });
  const gaps = candidates.map((one) => ({ ...one, gap: distance(one.at, place) }));
  const ranked = gaps.filter((one) => one.gap <= reach);
  const isChosen = (one) => Number(one.mark === ui.mark);
  ranked.sort((one, two) => isChosen(two) - isChosen(one) || one.gap - two.gap);
  return ranked[0] ?? null;
}

// The edge of the chosen mark at a place: where a new vertex would go.
function edgeAt(place, reach) {
  const mark = store.state.marks[ui.mark];
  if (ui.tool !== "edit" || !mark) return null;
  const { points } = mark;
  const edges = points.map((point, at) => ({
    mark: ui.mark,
    point: at + 1,
    ...nearestOnSegment(place, point, points[(at + 1) % points.length]),
  }));
  edges.sort((one, two) => one.gap - two.gap);
  return edges.length && edges[0].gap <= reach ? edges[0] : null;
}

function choose(place, reach) {
  const vertex = vertexAt(place, reach);
  if (vertex && vertex.mark !== undefined) {
    Object.assign(ui, { mark: vertex.mark, point: vertex.point });
    return;
  }
  const within = store.state.marks.findIndex(
    ({ print, closed, points }) =>
      print === ui.print && closed && points.length > 2 && isInside(place, points),
  );
  Object.assign(ui, { mark: within, point: -1 });
  if (within >= 0) ui.part = store.state.marks[within].part;
}

function movePoint(hit, place) {
  if (hit.scalePoint !== undefined) store.state.scale.points[hit.scalePoint] = place;
  else store.state.marks[hit.mark].points[hit.point] = place;
}

function insertPoint() {
  const mark = store.state.marks[ui.mark];
  if (!mark || ui.point < 0) {
    say("Choose a point first (E, then . or a click).");
    return;
  }
  const after = mark.points[(ui.point + 1) % mark.points.length];
  const middle = [0, 1].map((axis) => (mark.points[ui.point][axis] + after[axis]) / 2);
  const at = ui.mark;
  ui.point += 1;
  change((state) => state.marks[at].points.splice(ui.point, 0, middle));
}

// Take back the last point of an open outline, or of the scale, or the chosen point.
function takeBack() {
  const { scale, marks } = store.state;
  const open = ui.tool === "trace" ? openMark() : null;
  if (ui.tool === "scale" && scale.points.length) change((state) => state.scale.points.pop());
  else if (open) removePoint(marks.indexOf(open), open.points.length - 1);
  else if (ui.mark >= 0 && ui.point >= 0) removePoint(ui.mark, ui.point);
  else say("No point is chosen.");
}

function removePoint(mark, point) {
  const { points, closed, part } = store.state.marks[mark];
  if (points.length <= (closed ? leastPoints(part) : 1)) {
    removeMark(mark);
    return;
  }
  change((state) => state.marks[mark].points.splice(point, 1));
  ui.point = Math.min(ui.point, points.length - 2);
}

function removeMark(mark = -1) {
  const open = store.state.marks.indexOf(openMark());
  const gone = mark >= 0 ? mark : ui.mark >= 0 ? ui.mark : open;
  if (gone < 0) {
    say("No outline is chosen.");
    return;
  }
  const { part } = store.state.marks[gone];
  change((state) => state.marks.splice(gone, 1));
  letGo();
  Object.assign(ui, { part, tool: "trace" });
  say(`${nameOf(part)} is deleted; undo (Z) brings it back.`);
}

function addPrint() {
  const { prints } = store.state;
  const { sign } = prints[ui.print];
  const taken = prints.filter((print) => print.sign === sign).map((print) => print.no);
  change((state) => state.prints.push({ sign, no: Math.max(...taken) + 1, foot: "" }));
  goToPrint(store.state.prints.length - 1);
}

function goToPrint(print) {
  ui.print = (print + store.state.prints.length) % store.state.prints.length;
  letGo();
  const next = missingParts(marksOf(ui.print));
  if (ui.tool !== "scale") choosePart(next[0] ?? "toe_2");
  say(`Print ${printName(store.state.prints[ui.print])}.`);
}

function stepMark(by) {
  const mine = store.state.marks.flatMap((mark, at) => (mark.print === ui.print ? [at] : []));
  if (!mine.length) return;
  const now = mine.indexOf(ui.mark);
  const next = now < 0 ? (by > 0 ? 0 : mine.length - 1) : (now + by + mine.length) % mine.length;
  Object.assign(ui, { tool: "edit", mark: mine[next], point: -1 });
  ui.part = store.state.marks[ui.mark].part;
}

function stepPoint(by) {
  if (ui.mark < 0) stepMark(1);
  const mark = store.state.marks[ui.mark];
  if (!mark) return;
  const count = mark.points.length;
  ui.point = ui.point < 0 ? 0 : (ui.point + by + count) % count;
  view.cross = toScreen(mark.points[ui.point]);
  moveCross(0, 0);
}

function save() {
  const names = store.state.prints.map(printName);
  if (new Set(names).size < names.length) {
    say(sentence(WORDS.sameName));
    return;
  }
  const file = toGeoJson();
  if (file.fault) say(file.fault);
  else {
    download(file.text, CONFIG.saveAs);
    const open = store.state.marks.some((mark) => !mark.closed);
    say(`Saved as ${CONFIG.saveAs}${open ? "; an outline in it is still open" : ""}.`);
  }
}
