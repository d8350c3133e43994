// Document: what was clicked, every change of which can be undone, kept in the browser's storage.
//
// All points are pixels of the photo as shown, y downwards. Nothing here draws.

const MOST_STEPS = 400;
const store = { past: [], future: [], state: freshState() };

function freshState() {
  return {
    flipped: false,
    scale: { way: "length", points: [], lengths: [100, 100], unit: "mm" },
    prints: [{ sign: CONFIG.sign, no: 1, foot: "" }],
    marks: [],
  };
}

function change(edit) {
  store.past.push(JSON.stringify(store.state));
  if (store.past.length > MOST_STEPS) store.past.shift();
  store.future = [];
  edit(store.state);
  keep();
}

function step(from, to) {
  if (!from.length) return false;
  to.push(JSON.stringify(store.state));
  store.state = JSON.parse(from.pop());
  keep();
  return true;
}

const undo = () => step(store.past, store.future);
const redo = () => step(store.future, store.past);

// Storage may be missing or forbidden on a page opened from a file: then nothing is kept.
function storage() {
  try {
    return window.localStorage;
  } catch {
    return null;
  }
}

const keptUnder = () => `carnivore-sign tracing ${CONFIG.photoHash}`;

function keep() {
  try {
    storage()?.setItem(keptUnder(), JSON.stringify(store.state));
  } catch {
    // Full or forbidden: saving to a file is the way that always works.
  }
}

function recall() {
  try {
    const kept = JSON.parse(storage()?.getItem(keptUnder()) ?? "null");
    if (!isState(kept) || (!kept.marks.length && !kept.scale.points.length)) return false;
    store.state = kept;
    return true;
  } catch {
    return false;
  }
}

// Whether what was kept is a record that this page can go on with.
function isState(kept) {
  const { scale, prints, marks } = kept ?? {};
  const arePoints = (points) => Array.isArray(points) && points.every(isPoint);
  const isPrint = ({ sign, no, foot }) =>
    typeof sign === "string" && Number.isInteger(no) && typeof foot === "string";
  const isMark = ({ print, part, points }) =>
    print in prints && CONFIG.parts.includes(part) && arePoints(points) && points.length > 0;
  return (
    Object.hasOwn(MIN_POINTS, scale?.way ?? "") && arePoints(scale.points) &&
    Array.isArray(scale.lengths) && Object.hasOwn(CONFIG.mmPerUnit, scale.unit) &&
    Array.isArray(prints) && prints.length > 0 &&
    prints.every(isPrint) &&
    Array.isArray(marks) && marks.every(isMark)
  );
}

function forget() {
  change((state) => Object.assign(state, freshState()));
}

const marksOf = (print) => store.state.marks.filter((mark) => mark.print === print);

// Finished marks of a print in millimetres, and the open ones; none without a scale.
function groundMarks(print, scale) {
  return marksOf(print).map((mark) => {
    const mm = scale?.toMm ? mark.points.map(scale.toMm) : [];
    return { ...mark, mm: mm.some((point) => !point) ? [] : mm, source: mark };
  });
}

// Mirror the photo, and everything that was clicked on it.
function flip(state) {
  const over = ([x, y]) => [CONFIG.width - x, y];
  state.flipped = !state.flipped;
  state.scale.points = state.scale.points.map(over);
  for (const mark of state.marks) mark.points = mark.points.map(over);
}
