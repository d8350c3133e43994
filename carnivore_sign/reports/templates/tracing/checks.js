// Checks: what is wrong, or missing, in the marks of a print, in the words of the library.

const CORE = ["toe_2", "toe_3", "toe_4", "toe_5", "pad"];

// Everything to be said of a print: a list of { text, mark } (mark -1: of the print as a whole).
function checkPrint(print, marks, measured) {
  const told = [...checkMarks(marks), ...checkSizes(marks), ...checkNumbers(print, measured)];
  const toes = marks.filter((mark) => isToe(mark.part)).length;
  if (toes > 4) told.push({ mark: -1, text: sentence(WORDS.manyToes) });
  if (marks.filter((mark) => mark.part === "pad").length > 1) {
    told.push({ mark: -1, text: sentence(WORDS.manyPads) });
  }
  const [low, high] = CONFIG.plausibleLengthMm;
  const length = Number.isFinite(measured.length_mm) ? measured.length_mm : 2 * measured.pad_width_mm;
  if (length < low || length > high) told.push({ mark: -1, text: sentence(WORDS.notMillimetres) });
  return told;
}

function missingParts(marks) {
  const unnumbered = marks.filter((mark) => mark.part === "toe").length;
  const missing = CORE.filter((part) => !marks.some((mark) => mark.part === part));
  const toes = missing.filter(isToe).slice(unnumbered);
  return [...toes, ...missing.filter((part) => part === "pad")];
}

function checkMarks(marks) {
  const told = [];
  marks.forEach((mark, at) => {
    const say = (text) => told.push({ mark: at, text: sentence(`${nameOf(mark.part)}: ${text}`) });
    if (!mark.closed) {
      if (!isClaw(mark.part) || mark.mm.length < 2) say(WORDS.open);
      return;
    }
    if (mark.mm.length > 2 && crossesItself(mark.mm)) say(WORDS.crossing);
    if (mark.mm.length > 2 && areaOf(mark.mm) === 0) say(WORDS.noArea);
    const before = marks.slice(0, at).filter((other) => other.closed);
    if (before.some((other) => nearlySame(other.mm, mark.mm))) say(WORDS.twice);
    else if (numberOf(mark.part) && isToe(mark.part)) {
      if (before.some((other) => other.part === mark.part)) say(WORDS.sameNumber);
    }
  });
  return told;
}

// Whether two outlines nearly coincide, by their boxes and areas.
function nearlySame(one, two) {
  if (one.length < 3 || two.length < 3) return false;
  const [first, second] = [boundsOf(one), boundsOf(two)];
  const size = Math.max(...extentOf(one));
  const near = first.every((edge, at) => Math.abs(edge - second[at]) < 0.1 * size);
  const ratio = areaOf(one) / areaOf(two);
  return near && ratio > 0.9 && ratio < 1 / 0.9;
}

function checkSizes(marks) {
  const sized = marks.filter((mark) => mark.closed && (isToe(mark.part) || mark.part === "pad"));
  const sizes = sized.map((mark) => Math.sqrt(areaOf(mark.mm)));
  const sorted = [...sizes].sort((one, two) => one - two);
  const half = sorted.length >> 1;
  const usual = sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
  return sized.flatMap((mark, at) => {
    const odd = sizes[at] > usual * CONFIG.unitFactor || sizes[at] < usual / CONFIG.unitFactor;
    const text = sentence(`${nameOf(mark.part)}: ${WORDS.oddSize}`);
    return odd ? [{ mark: marks.indexOf(mark), text }] : [];
  });
}

// Numbers of toes against their places, and against the foot that was stated.
function checkNumbers(print, measured) {
  if (measured.wrong) return [{ mark: -1, text: sentence(WORDS.misnumbered) }];
  const right = print.foot.startsWith("right") ? 1 : print.foot.startsWith("left") ? -1 : 0;
  return right * measured.runs < 0 ? [{ mark: -1, text: sentence(WORDS.otherFoot) }] : [];
}
