"use strict";
const data = JSON.parse(document.getElementById("data").textContent);
const at = (id) => document.getElementById(id);
const names = [...Object.keys(data.taxa), ""];
const answers = [];
let place = 0;
let chosen = null;
let open = true;

const unwrap = (item) => JSON.parse(atob([...item.answer].reverse().join("")));
const percent = (share) => `${Math.round(100 * share)}\u00a0%`;

function element(tag, text, css) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  if (css) made.className = css;
  return made;
}

function mark(tag, attributes) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function draw(item) {
  const [left, top, wide, high] = item.frame;
  const svg = mark("svg", {viewBox: item.frame.join(" "), role: "img", "aria-label": `A print; ${item.marks.length} marks; the bar is 5 cm long`});
  svg.append(mark("rect", {x: left, y: top, width: wide, height: high, fill: data.sand}));
  for (const one of item.marks) svg.append(mark("path", one));
  svg.append(mark("path", {d: `M${left + 6} ${top + high - 7}h50`, stroke: data.ink, "stroke-width": 1.4}));
  const words = mark("text", {x: left + 6, y: top + high - 10, "font-size": 6, fill: data.ink});
  words.textContent = "5 cm";
  svg.append(words);
  at("picture").replaceChildren(svg);
}

function choose(name) {
  if (!open) return;
  chosen = name;
  [...at("names").children].forEach((button, number) => button.setAttribute("aria-pressed", names[number] === name));
  at("answer").disabled = false;
}

function ask() {
  const item = data.prints[place];
  open = true;
  chosen = null;
  at("where").textContent = `Print ${place + 1} of ${data.prints.length}, ${item.level}`;
  draw(item);
  [...at("names").children].forEach((button) => button.setAttribute("aria-pressed", false));
  at("answer").disabled = true;
  at("reveal").hidden = true;
  at("ask").hidden = false;
  at("names").firstChild.focus();
}

function weightRow([character, seen, weight]) {
  const row = document.createElement("tr");
  const odds = 10 ** Math.abs(weight);
  const scale = element("div", undefined, "scale");
  const bar = element("div", undefined, weight > 0 ? "bar for-puma" : "bar for-dog");
  const reach = Math.min(Math.abs(weight) / 0.8, 1) * 50;
  bar.style.width = `${reach}%`;
  bar.style.left = weight > 0 ? "50%" : `${50 - reach}%`;
  scale.append(bar);
  const cell = document.createElement("td");
  cell.append(scale);
  cell.title = `${odds.toFixed(1)} to 1 for ${weight > 0 ? data.taxa.puma : data.taxa.dog}`;
  row.append(element("th", character), element("td", `${seen}, ${odds.toFixed(1)}\u00a0to\u00a01`), cell);
  return row;
}

function answer() {
  if (!open || chosen === null) return;
  open = false;
  const item = data.prints[place];
  const truth = unwrap(item);
  answers.push({print: item.name, taxon: truth.taxon, named: chosen, confidence: Number(at("sure").value) / 100, pPuma: truth.pPuma});
  const was = `The drawn print is of a ${data.taxa[truth.taxon]}.`;
  at("verdict").textContent = chosen === "" ? was : `${chosen === truth.taxon ? "Right." : "Not so."} ${was}`;
  at("library").textContent = `By its measures alone the library gives puma ${percent(truth.pPuma)} (prior 50 %).`;
  at("why").tBodies[0].replaceChildren(...truth.why.map(weightRow));
  at("ask").hidden = true;
  at("reveal").hidden = false;
  at("next").textContent = place + 1 < data.prints.length ? "Next print" : "Your score";
  at("verdict").focus();
}

function goOn() {
  place += 1;
  if (place < data.prints.length) ask();
  else end();
}

function wilson(hits, count) {
  if (!count) return [0, 1];
  const z = 1.959963984540054;
  const share = hits / count;
  const middle = (share + z * z / (2 * count)) / (1 + z * z / count);
  const reach = z / (1 + z * z / count) * Math.sqrt(share * (1 - share) / count + z * z / (4 * count * count));
  return [Math.max(0, middle - reach), Math.min(1, middle + reach)];
}

const between = ([low, high]) => `${percent(low)} to ${percent(high)}`;

function number(value, what, name) {
  const box = element("div", what);
  const strong = element("b", value);
  strong.id = name;
  box.prepend(strong);
  return box;
}

function summary() {
  const told = answers.filter((one) => one.named !== "");
  const right = told.filter((one) => one.named === one.taxon).length;
  const brier = told.reduce((sum, one) => sum + (one.confidence - (one.named === one.taxon)) ** 2, 0) / told.length;
  const bins = data.edges.slice(0, -1).map((low, bin) => {
    const high = data.edges[bin + 1];
    const last = bin === data.edges.length - 2;
    const mine = told.filter((one) => one.confidence >= low && (last || one.confidence < high));
    return {low, high, mine, hits: mine.filter((one) => one.named === one.taxon).length};
  });
  return {told, right, brier, bins};
}

function ratesRow(words, hits, count) {
  const row = document.createElement("tr");
  row.append(element("th", words), element("td", count ? `${hits} of ${count}` : "none shown"), element("td", between(wilson(hits, count))));
  return row;
}

function end() {
  const {told, right, brier, bins} = summary();
  at("asking").hidden = true;
  at("ending").hidden = false;
  at("where").textContent = "Your score";
  at("score").textContent = told.length ? `${right} of ${told.length} right` : "Nothing named: undecided is an answer too";
  const library = answers.filter((one) => (one.pPuma > 0.5 ? "puma" : "dog") === one.taxon).length;
  at("numbers").replaceChildren(
    number(told.length ? percent(right / told.length) : "none", "right", "accuracy"),
    number(told.length ? brier.toFixed(3) : "none", "Brier score (0 best, 0.25 a coin)", "brier"),
    number(String(answers.length - told.length), "left open", "left-open"),
    number(`${library} of ${answers.length}`, "right by the library's measures", "library-right"),
  );
  at("curve").tBodies[0].replaceChildren(...bins.filter((bin) => bin.mine.length).map((bin) => {
    const row = document.createElement("tr");
    const mean = bin.mine.reduce((sum, one) => sum + one.confidence, 0) / bin.mine.length;
    row.append(
      element("td", bin.low ? `${percent(bin.low)} to ${percent(bin.high)}` : `under ${percent(bin.high)}`),
      element("td", String(bin.mine.length)), element("td", percent(mean)),
      element("td", percent(bin.hits / bin.mine.length)), element("td", between(wilson(bin.hits, bin.mine.length))),
    );
    return row;
  }));
  const pumas = answers.filter((one) => one.taxon === "puma");
  const dogs = answers.filter((one) => one.taxon === "dog");
  at("rates").tBodies[0].replaceChildren(
    ratesRow("Pumas that you named puma", pumas.filter((one) => one.named === "puma").length, pumas.length),
    ratesRow("Dogs that you named puma", dogs.filter((one) => one.named === "puma").length, dogs.length),
  );
  at("score").focus();
}

function field(text) {
  const safe = /^[=+\-@\t\r]/.test(text) ? `'${text}` : text;
  return /[",\n\r]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

function save(event) {
  event.preventDefault();
  const who = at("who").value.trim();
  if (!who) { at("who").focus(); return; }
  const lines = answers.map((one) => [who, one.print, one.taxon, one.named, one.confidence.toFixed(2)].map(field).join(","));
  const text = ["observer,print,taxon,named_as,confidence", ...lines].join("\r\n") + "\r\n";
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], {type: "text/csv"}));
  link.download = "practice-answers.csv";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

function sayHowSure() {
  at("said").textContent = `${at("sure").value} %`;
}

function key(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || event.target.type === "text" || !at("ending").hidden) return;
  if (event.key === "Enter") {
    event.preventDefault();
    if (!open) goOn();
    else if (chosen === null && event.target.tagName === "BUTTON") event.target.click();
    else answer();
  } else if (open && ["1", "2", "3"].includes(event.key)) {
    choose(names[Number(event.key) - 1]);
  } else if (open && (event.key === "-" || event.key === "+")) {
    at("sure").value = Number(at("sure").value) + (event.key === "+" ? 5 : -5);
    sayHowSure();
  }
}

names.forEach((name) => {
  const button = element("button", name ? data.taxa[name] : "cannot tell");
  button.type = "button";
  button.dataset.name = name;
  button.addEventListener("click", () => choose(name));
  at("names").append(button);
});
at("sure").addEventListener("input", sayHowSure);
at("ask").addEventListener("submit", (event) => { event.preventDefault(); answer(); });
at("next").addEventListener("click", goOn);
at("keep").addEventListener("submit", save);
document.addEventListener("keydown", key);
ask();
