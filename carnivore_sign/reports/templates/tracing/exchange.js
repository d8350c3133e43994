// Exchange: outlines written as GeoJSON in millimetres on a plane of their own, and read again.
//
// One feature per mark. The member `tracing` holds how the scale was set, so that a file can be
// opened again on its photo and worked on.

const printName = (print) => `${print.sign.trim() || CONFIG.stem}/${print.no}`;
const rounded = (value) => Math.round(value * 1000) / 1000;

function featureOf(mark, print, scale) {
  const points = mark.points.map((point) => scale.toMm(point)).map((point) => point.map(rounded));
  const polygon = mark.closed && points.length > 2;
  const properties = {
    print: printName(print), part: mark.part, unit: "mm", foot: print.foot || null,
    sign: print.sign.trim() || CONFIG.stem, print_no: print.no,
  };
  const geometry = polygon
    ? { type: "Polygon", coordinates: [[...points, points[0]]] }
    : { type: "LineString", coordinates: points };
  return { type: "Feature", properties, geometry };
}

// The file as text, or { fault }.
function toGeoJson() {
  const { state } = store;
  const scale = scaleFrom(state.scale);
  if (!scale) return { fault: sentence(WORDS.scaleFirst) };
  if (scale.fault) return { fault: scale.fault };
  const drawn = state.marks.filter((mark) => mark.points.length > 1);
  if (!drawn.length) return { fault: sentence(WORDS.nothingDrawn) };
  if (drawn.some((mark) => mark.points.some((point) => !scale.toMm(point)))) {
    return { fault: sentence(WORDS.horizon) };
  }
  const order = state.prints.map((_, at) => drawn.filter((mark) => mark.print === at));
  const features = order.flatMap((marks, at) =>
    marks.map((mark) => featureOf(mark, state.prints[at], scale)),
  );
  const tracing = {
    photo: CONFIG.photo, photo_sha256: CONFIG.photoHash,
    width_px: CONFIG.width, height_px: CONFIG.height,
    flipped: state.flipped, scale: state.scale, scale_error_fraction: scale.error,
  };
  return { text: JSON.stringify({ type: "FeatureCollection", tracing, features }, null, 1) };
}

const isPoint = (point) =>
  Array.isArray(point) && point.length >= 2 && point.slice(0, 2).every(Number.isFinite);

// Read a file of outlines into the state; returns what is to be said about it.
function fromGeoJson(text) {
  let content;
  try {
    content = JSON.parse(text);
  } catch {
    return sentence(WORDS.noGeoJson);
  }
  if (content?.type !== "FeatureCollection" || !Array.isArray(content.features)) {
    return sentence(WORDS.noGeoJson);
  }
  const next = structuredClone(store.state);
  const own = ownScale(content.tracing);
  if (own) [next.scale, next.flipped] = [own, content.tracing.flipped === true];
  const scale = scaleFrom(next.scale);
  if (!scale?.toPx) return sentence(WORDS.scaleFirst);
  const left = placeFeatures(next, content.features, scale);
  change((state) => Object.assign(state, next));
  const other = content.tracing && content.tracing.photo_sha256 !== CONFIG.photoHash;
  const told = [`${content.features.length - left} outlines read`];
  if (left) told.push(`${left} could not be read: no known part, unit or shape`);
  if (other) told.push(WORDS.otherPhoto);
  return `${told.join("; ")}.`;
}

// How the scale was set in a file, if that is there whole.
function ownScale(tracing) {
  const scale = tracing?.scale;
  const whole =
    scale && Object.hasOwn(MIN_POINTS, scale.way) && Array.isArray(scale.points) &&
    scale.points.length === MIN_POINTS[scale.way] && scale.points.every(isPoint) &&
    Array.isArray(scale.lengths) && scale.lengths.length === 2 &&
    scale.lengths.every(Number.isFinite) && Object.hasOwn(CONFIG.mmPerUnit, scale.unit);
  if (!whole) return null;
  const { way, points, lengths, unit } = scale;
  return { way, points, lengths, unit };
}

// Put features in the place of the prints and marks there are; returns how many were left out.
function placeFeatures(state, features, scale) {
  const prints = [];
  const marks = [];
  for (const feature of features) {
    const about = feature?.properties ?? {};
    const shape = feature?.geometry;
    const line = shape?.type === "Polygon" ? shape.coordinates?.[0] : shape?.coordinates;
    const factor = millimetresIn(about.unit ?? "mm");
    const part = partOf(about.part);
    if (!part || !factor || !Array.isArray(line) || !line.length || !line.every(isPoint)) continue;
    const points = line.map(([x, y]) => scale.toPx([x * factor, y * factor]));
    if (points.some((point) => !point)) continue;
    const first = line[0];
    const last = line[line.length - 1];
    const closed = line.length > 3 && first[0] === last[0] && first[1] === last[1];
    if (closed) points.pop();
    const name = String(about.print ?? "");
    let print = prints.findIndex((one) => one.name === name);
    if (print < 0) print = prints.push({ name, ...printFrom(about, name) }) - 1;
    const finished = closed || (isClaw(part) && points.length > 1);
    marks.push({ print, part, points, closed: finished });
  }
  if (marks.length) {
    state.prints = prints.map(({ sign, no, foot }) => ({ sign, no, foot }));
    state.marks = marks;
  }
  return features.length - marks.length;
}

// Parts and units as people write them; undefined for what is none.
function partOf(written) {
  const plain = String(written).trim().toLowerCase().replace(/[\s-]+/g, "_");
  return Object.hasOwn(CONFIG.partWords, plain) ? CONFIG.partWords[plain] : undefined;
}

function millimetresIn(unit) {
  const plain = String(unit).trim().toLowerCase();
  return Object.hasOwn(CONFIG.unitWords, plain) ? CONFIG.unitWords[plain] : undefined;
}

function printFrom(about, name) {
  const parts = /^(.*)\/(\d+)$/.exec(name);
  const no = Number(about.print_no ?? parts?.[2] ?? 1);
  return {
    sign: String(about.sign ?? parts?.[1] ?? name),
    no: Number.isInteger(no) && no > 0 ? no : 1,
    foot: CONFIG.feet.includes(about.foot) ? about.foot : "",
  };
}

function download(text, name) {
  const address = URL.createObjectURL(new Blob([text], { type: "application/geo+json" }));
  const link = document.createElement("a");
  link.href = address;
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
}
