// Commands: everything that can be done, once, with its keys; buttons and the list of keys use it.

const NUDGE_PX = 10;

function arrow(dx, dy, fine) {
  view.showCross = true;
  const size = fine ? 1 : NUDGE_PX;
  const mark = ui.tool === "edit" && ui.point >= 0 ? store.state.marks[ui.mark] : null;
  if (!mark) {
    moveCross(dx * size, dy * size);
    return;
  }
  const [x, y] = mark.points[ui.point];
  const far = (fine ? size : size / 5) / view.zoom;
  const place = [x + dx * far, y + dy * far];
  change(() => movePoint(ui, place));
  view.cross = toScreen(place);
  moveCross(0, 0);
}

function showKeys() {
  const list = document.getElementById("keys");
  list.open = !list.open;
  list.scrollIntoView({ block: "nearest" });
}

const choosing = (part, keys) => ({
  id: `part-${part}`, keys, what: `Trace ${nameOf(part).toLowerCase()}`,
  run: () => choosePart(part),
});

const arrows = (prefix, fine) =>
  [["ArrowLeft", -1, 0], ["ArrowRight", 1, 0], ["ArrowUp", 0, -1], ["ArrowDown", 0, 1]].map(
    ([key, dx, dy]) => ({
      id: `${prefix}${key}`, keys: [prefix + key], onStage: true,
      what: `Move the cross, or the chosen point${fine ? ", finely" : ""}`,
      run: () => arrow(dx, dy, fine),
    }),
  );

const COMMANDS = [
  ...arrows("", false),
  ...arrows("Shift+", true),
  { id: "place", keys: ["Enter", " "], onStage: true, what: "Set a point at the cross",
    run: () => { view.showCross = true; placePoint(toPhoto(view.cross), closeEnough(false)); } },
  { id: "finish", keys: ["c"], what: "Close the outline", run: finish },
  { id: "back", keys: ["Backspace"], what: "Take back the last, or the chosen, point", run: takeBack },
  { id: "remove", keys: ["Delete"], what: "Delete the chosen outline", run: () => removeMark() },
  { id: "undo", keys: ["z", "Ctrl+z"], what: "Undo",
    run: () => { if (!undo()) say("Nothing to undo."); } },
  { id: "redo", keys: ["y", "Ctrl+y", "Ctrl+Shift+z"], what: "Redo",
    run: () => { if (!redo()) say("Nothing to redo."); } },
  { id: "edit", keys: ["e"], what: "Mend outlines, or go on tracing",
    run: () => { ui.tool = ui.tool === "edit" ? "trace" : "edit"; letGo(); } },
  { id: "letgo", keys: ["Escape"], what: "Let go of what is chosen", run: letGo },
  { id: "scale", keys: ["s"], what: "Click the scale anew", run: renewScale },
  choosing("toe_2", ["2"]),
  choosing("toe_3", ["3"]),
  choosing("toe_4", ["4"]),
  choosing("toe_5", ["5"]),
  choosing("toe", ["t"]),
  choosing("pad", ["p"]),
  choosing("claw_2", ["Shift+2"]),
  choosing("claw_3", ["Shift+3"]),
  choosing("claw_4", ["Shift+4"]),
  choosing("claw_5", ["Shift+5"]),
  choosing("claw", ["l"]),
  choosing("dewclaw", ["1"]),
  choosing("carpal_pad", ["k"]),
  { id: "nextmark", keys: ["]"], what: "Choose the next outline", run: () => stepMark(1) },
  { id: "lastmark", keys: ["["], what: "Choose the outline before", run: () => stepMark(-1) },
  { id: "nextpoint", keys: ["."], what: "Choose the next point", run: () => stepPoint(1) },
  { id: "lastpoint", keys: [","], what: "Choose the point before", run: () => stepPoint(-1) },
  { id: "insert", keys: ["i"], what: "Insert a point behind the chosen one", run: insertPoint },
  { id: "addprint", keys: ["n"], what: "Begin another print", run: addPrint },
  { id: "nextprint", keys: ["b"], what: "Go to the next print", run: () => goToPrint(ui.print + 1) },
  { id: "zoomin", keys: ["+", "="], what: "Zoom in", run: () => zoomAt(1.25, zoomCentre()) },
  { id: "zoomout", keys: ["-"], what: "Zoom out", run: () => zoomAt(0.8, zoomCentre()) },
  { id: "fit", keys: ["0"], what: "Show the whole photo", run: fit },
  { id: "grid", keys: ["g"], what: "Show a grid of 10 mm", run: () => { view.grid = !view.grid; } },
  { id: "flip", keys: ["m"], what: "Mirror the photo", run: () => change(flip) },
  { id: "save", keys: ["Ctrl+s", "w"], what: "Save the outlines", run: save },
  { id: "load", keys: ["Ctrl+o", "o"], what: "Open saved outlines",
    run: () => document.getElementById("file").click() },
  { id: "afresh", keys: ["Ctrl+Delete"], what: "Begin afresh (can be undone)",
    run: () => { forget(); Object.assign(ui, { tool: "scale", print: 0 }); letGo(); } },
  { id: "keys", keys: ["?", "h"], what: "Show the keys",
    run: showKeys },
];

const KEYS = new Map(COMMANDS.flatMap((command) => command.keys.map((key) => [key, command])));

const zoomCentre = () => (view.showCross ? view.cross : stageSize().map((size) => size / 2));

function runCommand(id) {
  const command = COMMANDS.find((one) => one.id === id);
  say("");
  command.run();
  refresh();
}

// The name of a pressed key: digits by their place, so that Shift+2 is the same on any keyboard.
function keyName(event) {
  const digit = /^(?:Digit|Numpad)([0-5])$/.exec(event.code);
  const named = event.key.length > 1;
  const control = event.ctrlKey || event.metaKey ? "Ctrl+" : "";
  const shifted = event.shiftKey && (digit || named || control) ? "Shift+" : "";
  const key = digit && event.shiftKey ? digit[1] : named ? event.key : event.key.toLowerCase();
  return control + shifted + key;
}

function onKey(event) {
  if (event.key === "Enter" && event.target.closest?.("input")) canvas.focus({ preventScroll: true });
  if (event.altKey || event.target.closest?.("input, select, textarea")) return;
  const command = KEYS.get(keyName(event));
  if (!command) return;
  const onStage = document.activeElement === canvas || document.activeElement === document.body;
  if (command.onStage && !onStage) return;
  event.preventDefault();
  runCommand(command.id);
}
