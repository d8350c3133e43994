// Start: fields and buttons are bound to the record, the photo is shown, earlier work is recalled.

function bindFields() {
  const number = (field) => Number(field.value.replace(",", "."));
  const bind = (id, edit) =>
    byId(id).addEventListener("change", (event) => {
      say("");
      edit(event.target);
      refresh();
    });
  bind("way", (field) => {
    change((state) => Object.assign(state.scale, { way: field.value, points: [] }));
    ui.tool = "scale";
  });
  bind("unit", (field) => change((state) => (state.scale.unit = field.value)));
  bind("length-one", (field) => change((state) => (state.scale.lengths[0] = number(field))));
  bind("length-two", (field) => change((state) => (state.scale.lengths[1] = number(field))));
  bind("prints", (field) => goToPrint(Number(field.value)));
  bind("sign", (field) => change((state) => (state.prints[ui.print].sign = field.value.trim())));
  bind("no", (field) => {
    const no = number(field);
    if (Number.isInteger(no) && no > 0) change((state) => (state.prints[ui.print].no = no));
    else say("The number of a print is a whole number from 1.");
  });
  bind("foot", (field) => change((state) => (state.prints[ui.print].foot = field.value)));
  for (const id of ["length-one", "length-two"]) {
    byId(id).addEventListener("change", afterScale);
  }
  byId("file").addEventListener("change", async (event) => {
    const [file] = event.target.files;
    if (!file) return;
    say(fromGeoJson(await file.text()));
    event.target.value = "";
    if (scaleFrom(store.state.scale)?.toMm) ui.tool = "edit";
    letGo();
    refresh();
  });
}

function bindButtons() {
  for (const button of document.querySelectorAll("[data-command]")) {
    const command = COMMANDS.find((one) => one.id === button.dataset.command);
    const keys = keysShown(command.keys);
    button.title = `${command.what} (${keys.join(" or ")})`;
    const spoken = command.keys.map((key) => key.replace("Ctrl", "Control").replace(" ", "Space"));
    button.setAttribute("aria-keyshortcuts", spoken.join(" "));
    button.addEventListener("click", () => runCommand(command.id));
  }
  document.addEventListener("keydown", onKey);
}

function bindStage() {
  canvas.addEventListener("pointerdown", onDown);
  canvas.addEventListener("pointermove", onMove);
  canvas.addEventListener("pointerup", onUp);
  canvas.addEventListener("pointercancel", onUp);
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", onWheel, { passive: false });
  new ResizeObserver(() => {
    resized();
    redraw();
  }).observe(canvas);
}

async function start() {
  listKeys();
  bindFields();
  bindButtons();
  bindStage();
  view.showCross = isBlunt();
  try {
    await photo.decode();
  } catch {
    byId("step").textContent = "The photo cannot be shown by this browser. Make the page anew.";
    return;
  }
  fit();
  if (recall()) {
    ui.tool = scaleFrom(store.state.scale)?.toMm ? "edit" : "scale";
    say("Your earlier work on this photo is here again. To begin afresh: Ctrl+Delete.");
  }
  canvas.focus({ preventScroll: true });
  refresh();
  document.body.dataset.ready = "yes";
}

start();
