// Panel: fields, buttons, measurements and notes beside the photo, kept true to the record.

const byId = (id) => document.getElementById(id);

function nameOf(part) {
  return CONFIG.partNames[part];
}

// What is written on a mark: the number of a toe, c and a number for a claw.
const SHORT = Object.fromEntries(CONFIG.parts.map((part) => [part, shortOf(part)]));

function shortOf(part) {
  const named = { toe: "t", claw: "c", dewclaw: "1", carpal_pad: "cp" };
  if (Object.hasOwn(named, part)) return named[part];
  return numberOf(part) ? `${isClaw(part) ? "c" : ""}${numberOf(part)}` : part;
}

const SCALE_STEPS = {
  length: ["Click one end of a known length.", "Click its other end."],
  corners: [
    "Click a corner of a square or card that lies beside the print.",
    "Click the next corner, clockwise.", "Click the third corner.", "Click the last corner.",
  ],
  rulers: [
    "Click the zero of the first ruler.", "Click the far end of the first ruler.",
    "Click the zero of the second ruler, which points a quarter turn to the left.",
    "Click the far end of the second ruler.",
  ],
};

// Text with a capital letter at its start and a full stop at its end.
function sentence(text) {
  return `${text[0].toUpperCase()}${text.slice(1)}${/[.!?]$/.test(text) ? "" : "."}`;
}

function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

// What to do next, in one line above the photo.
function nextStep(scale) {
  const { scale: clicked } = store.state;
  if (scale?.fault) return scale.fault;
  if (ui.tool === "scale") {
    const step = SCALE_STEPS[clicked.way][clicked.points.length];
    return step ?? "The scale is clicked. Choose a part to trace.";
  }
  const chosen = store.state.marks[ui.mark];
  if (ui.tool === "edit") {
    return chosen
      ? `${nameOf(chosen.part)} is chosen: drag its points; drag an edge for a new one.`
      : "Tap an outline to mend it, or choose a part to trace.";
  }
  const open = openMark();
  const far = isBlunt() && view.whole ? " Zoom in on it first." : "";
  if (!open) return `${nameOf(ui.part)}: ${isBlunt() ? "tap" : "click"} round its edge.${far}`;
  const left = leastPoints(ui.part) - open.points.length;
  if (left > 0) return `${nameOf(ui.part)}: ${left} more ${left > 1 ? "points" : "point"} at least.`;
  return `${nameOf(ui.part)}: go on round, then click the first point or Close.`;
}

function refresh() {
  stayInRange();
  const scale = scaleFrom(store.state.scale);
  const told = new Set([ui.message, nextStep(scale)].filter(Boolean));
  byId("step").textContent = [...told].join(" ");
  showScale(scale);
  showPrints();
  showParts();
  showMeasures(scale);
  document.body.dataset.tool = ui.tool;
  for (const button of document.querySelectorAll("[data-tool]")) {
    button.setAttribute("aria-pressed", String(button.dataset.tool === ui.tool));
  }
  byId("grid").setAttribute("aria-pressed", String(view.grid));
  byId("flip").setAttribute("aria-pressed", String(store.state.flipped));
  for (const [id, steps] of [["undo", store.past], ["redo", store.future]]) {
    const buttons = document.querySelectorAll(`[data-command="${id}"]`);
    for (const button of buttons) button.disabled = !steps.length;
  }
  redraw();
}

function setField(id, value) {
  const field = byId(id);
  if (document.activeElement !== field) field.value = value;
}

function showScale(scale) {
  const { way, lengths, unit, points } = store.state.scale;
  setField("way", way);
  setField("unit", unit);
  setField("length-one", lengths[0]);
  setField("length-two", lengths[1]);
  byId("second-length").hidden = way === "length";
  const first = { length: "Its length", rulers: "First ruler", corners: "First side" };
  byId("first-label").textContent = first[way];
  byId("second-label").textContent = way === "rulers" ? "Second ruler" : "Next side";
  byId("way-note").textContent = CONFIG.wayNotes[way];
  const state = byId("scale-state");
  state.className = scale?.fault ? "fault" : "state";
  state.textContent = scale?.fault ?? (scale
    ? `Set. A length read from it errs by about ${(100 * scale.error).toFixed(1)} % from the clicks.`
    : `${points.length} of ${MIN_POINTS[way]} points clicked.`);
}

function showPrints() {
  const list = byId("prints");
  list.replaceChildren(
    ...store.state.prints.map((print, at) => {
      const count = marksOf(at).length;
      const text = `${printName(print)} (${count} ${count === 1 ? "mark" : "marks"})`;
      return new Option(text, at, false, at === ui.print);
    }),
  );
  const print = store.state.prints[ui.print];
  setField("sign", print.sign);
  setField("no", print.no);
  setField("foot", print.foot);
}

function showParts() {
  const mine = marksOf(ui.print);
  for (const chip of document.querySelectorAll("[data-part]")) {
    const { part } = chip.dataset;
    const there = mine.filter((mark) => mark.part === part);
    const done = there.some((mark) => mark.closed);
    chip.setAttribute("aria-pressed", String(part === ui.part && ui.tool !== "scale"));
    chip.classList.toggle("done", done);
    const count = there.length > 1 ? there.length : "";
    chip.querySelector(".tick").textContent = done ? `✓${count}` : there.length ? "…" : "";
  }
}

function shown(value, unit, digits = 1) {
  if (!Number.isFinite(value)) return "–";
  const text = value.toFixed(digits).replace(/^-(0\.?0*)$/, "$1"); // no zero below zero
  return `${text}${unit ? `\u202f${unit}` : ""}`;
}

function showMeasures(scale) {
  const print = store.state.prints[ui.print];
  const marks = groundMarks(ui.print, scale);
  const whole = marks.filter((mark) => mark.closed && mark.mm.length);
  const measured = scale?.toMm ? measurePrint(whole.map(({ part, mm }) => ({ part, points: mm }))) : {};
  for (const output of document.querySelectorAll("[data-measure]")) {
    const { measure, unit, digits } = output.dataset;
    output.textContent = shown(measured[measure] ?? NaN, unit, Number(digits));
  }
  const told = scale?.toMm ? checkPrint(print, marks, measured) : [];
  if (marks.some((mark) => mark.source.points.length && scale?.toMm && !mark.mm.length)) {
    told.push({ mark: -1, text: sentence(WORDS.horizon) });
  }
  const missing = missingParts(marks);
  const notes = told.map(({ text }) => element("li", { class: "fault" }, text));
  if (!scale) notes.unshift(element("li", {}, "Sizes are shown once the scale is set."));
  if (missing.length && marks.length) {
    const names = missing.map((part) => nameOf(part).toLowerCase());
    notes.push(element("li", {}, `Not traced: ${names.join(", ")}.`));
  }
  if (!notes.length) notes.push(element("li", {}, "Nothing stands out."));
  byId("notes").replaceChildren(...notes);
}

function keysShown(keys) {
  const words = { " ": "Space", ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓" };
  return keys.map((key) => {
    const parts = key === "+" ? ["+"] : key.split(/\+(?=.)/);
    const shownKey = (part) => words[part] ?? (part.length === 1 ? part.toUpperCase() : part);
    return parts.map(shownKey).join("+");
  });
}

function listKeys() {
  const rows = new Map();
  for (const command of COMMANDS) {
    rows.set(command.what, [...(rows.get(command.what) ?? []), ...keysShown(command.keys)]);
  }
  const made = [...rows].map(([what, keys]) => {
    const cells = keys.flatMap((key, at) => [...(at ? [" "] : []), element("kbd", {}, key)]);
    return element("tr", {}, element("th", { scope: "row" }, what), element("td", {}, ...cells));
  });
  byId("key-list").replaceChildren(...made);
}
