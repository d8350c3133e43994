// Pointer: mouse, pen and fingers on the photo. A tap sets a point, a drag moves a point or the
// photo, two fingers and the wheel zoom.

const TAP_PX = 6;
const fingers = new Map();
let gesture = null;

// Whether the pointer of this device is a finger.
function isBlunt() {
  return window.matchMedia("(pointer: coarse)").matches;
}

// How near is near, in pixels of the photo: a finger is blunter than a mouse.
function closeEnough(touch) {
  return (touch ? 12 : 8) / view.zoom;
}

function placeOf(event) {
  const box = canvas.getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
}

function onDown(event) {
  canvas.setPointerCapture(event.pointerId);
  const place = placeOf(event);
  fingers.set(event.pointerId, place);
  const touch = event.pointerType === "touch";
  if (fingers.size === 2) {
    endDrag();
    gesture = { kind: "pinch" };
    return;
  }
  const reach = closeEnough(touch);
  const hit = event.button ? null : vertexAt(toPhoto(place), reach) ?? edgeAt(toPhoto(place), reach / 2);
  gesture = { kind: "press", start: place, last: place, hit, touch, pans: event.button > 0 };
}

function onMove(event) {
  if (!fingers.has(event.pointerId)) {
    if (event.pointerType === "mouse" && (event.movementX || event.movementY)) hideCross();
    return;
  }
  const place = placeOf(event);
  if (gesture?.kind === "pinch") pinch(event.pointerId, place);
  fingers.set(event.pointerId, place);
  if (!gesture || gesture.kind === "pinch") return;
  if (gesture.kind === "press" && distance(place, gesture.start) > TAP_PX) startDrag();
  if (gesture.kind === "pan") pan(place[0] - gesture.last[0], place[1] - gesture.last[1]);
  if (gesture.kind === "drag") {
    movePoint(gesture.hit, toPhoto(place));
    view.held = place;
  }
  gesture.last = place;
  if (gesture.kind !== "press") refresh();
}

function startDrag() {
  const { hit } = gesture;
  if (!hit || gesture.pans) {
    gesture.kind = "pan";
    return;
  }
  gesture.kind = "drag";
  change((state) => {
    if (hit.place) state.marks[hit.mark].points.splice(hit.point, 0, hit.place);
  });
  if (hit.mark !== undefined && ui.tool === "edit") Object.assign(ui, { mark: hit.mark, point: hit.point });
}

function endDrag() {
  if (gesture?.kind === "drag") {
    keep();
    if (gesture.hit.scalePoint !== undefined) afterScale();
  }
  view.held = null;
}

function onUp(event) {
  if (!fingers.delete(event.pointerId)) return;
  endDrag();
  if (gesture?.kind === "press" && !gesture.pans && event.type === "pointerup") {
    say("");
    placePoint(toPhoto(gesture.start), closeEnough(gesture.touch));
  }
  if (!fingers.size) gesture = null;
  refresh();
}

function pinch(moved, place) {
  const [other] = [...fingers].filter(([id]) => id !== moved).map(([, at]) => at);
  const before = fingers.get(moved);
  const middle = [(place[0] + other[0]) / 2, (place[1] + other[1]) / 2];
  const was = [(before[0] + other[0]) / 2, (before[1] + other[1]) / 2];
  pan(middle[0] - was[0], middle[1] - was[1]);
  zoomAt(distance(place, other) / Math.max(distance(before, other), 1), middle);
  redraw();
}

function onWheel(event) {
  event.preventDefault();
  const lines = event.deltaMode ? event.deltaY * 30 : event.deltaY;
  zoomAt(Math.exp(-lines / 400), placeOf(event));
  redraw();
}

function hideCross() {
  if (!view.showCross || isBlunt()) return;
  view.showCross = false;
  redraw();
}
