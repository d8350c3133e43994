// Measure: sizes of one print from its outlines in millimetres, defined as `measure_print` does.
//
// A measure whose marks are missing is NaN: nothing is filled in.

const isToe = (part) => part.startsWith("toe");
const isClaw = (part) => part.startsWith("claw");
const numberOf = (part) => Number(part.slice(-1)) || 0;

// Order toes from left to right around the pad, as seen from above with the toes ahead.
function leftToRight(toes, pad) {
  if (!pad) return leftToRightAlone(toes);
  const middle = [mean(toes.map((toe) => toe.at[0])), mean(toes.map((toe) => toe.at[1]))];
  const [fx, fy] = [middle[0] - pad[0], middle[1] - pad[1]];
  const turnOf = ({ at }) => {
    const [x, y] = [at[0] - pad[0], at[1] - pad[1]];
    return Math.atan2(fx * y - fy * x, x * fx + y * fy);
  };
  return [...toes].sort((one, two) => turnOf(two) - turnOf(one));
}

// Without a pad, four toes lie along their line, the outer two behind the middle two.
function leftToRightAlone(toes) {
  const [mx, my] = [mean(toes.map((toe) => toe.at[0])), mean(toes.map((toe) => toe.at[1]))];
  let [xx, xy, yy] = [0, 0, 0];
  for (const { at } of toes) {
    const [x, y] = [at[0] - mx, at[1] - my];
    [xx, xy, yy] = [xx + x * x, xy + x * y, yy + y * y];
  }
  const turn = Math.atan2(2 * xy, xx - yy) / 2;
  const across = [Math.cos(turn), Math.sin(turn)];
  const along = ({ at }) => (at[0] - mx) * across[0] + (at[1] - my) * across[1];
  const sorted = [...toes].sort((one, two) => along(one) - along(two));
  if (toes.length < 4) return sorted;
  const forward = [0, 1].map((axis) =>
    mean([sorted[1].at[axis], sorted[2].at[axis]]) - mean([sorted[0].at[axis], sorted[3].at[axis]]),
  );
  return across[0] * forward[1] - across[1] * forward[0] < 0 ? sorted.reverse() : sorted;
}

// Put toes into four places from left to right; `runs` is 1 where the numbers run 2 to 5 that
// way (a right foot), -1 where they run the other way, 0 where they tell nothing.
function placeToes(toes, pad) {
  const places = [null, null, null, null];
  if (!toes.length || toes.length > 4) return { places, runs: 0, placed: false, wrong: false };
  const sorted = leftToRight(toes, pad);
  const numbers = sorted.map((toe) => numberOf(toe.part));
  const numbered = numbers.every(Boolean) && numbers.length > 1;
  const rises = numbers.slice(1).map((number, at) => number - numbers[at]);
  const up = numbered && rises.every((rise) => rise > 0);
  const down = numbered && rises.every((rise) => rise < 0);
  sorted.forEach((toe, at) => {
    const number = numbers[at];
    places[up ? number - 2 : down ? 5 - number : at] = toe;
  });
  const runs = Number(up) - Number(down);
  return { places, runs, placed: toes.length === 4 || runs !== 0, wrong: numbered && !runs };
}

// The forward direction: from the pad to the four toes, or the second best that is left.
function longAxis(places, placed, pad) {
  const middleOfToes = (some) => {
    const known = some.map((at) => places[at]);
    if (known.some((toe) => !toe)) return null;
    return [0, 1].map((axis) => mean(known.map((toe) => toe.at[axis])));
  };
  const [all, inner, outer] = [[0, 1, 2, 3], [1, 2], [0, 3]].map(middleOfToes);
  const ways = [
    [pad, all],
    [pad, placed ? inner : null],
    [pad, placed ? outer : null],
    [outer, inner],
  ];
  const way = ways.find(([from, to]) => from && to);
  return way ? unitVector(...way) : null;
}

// Measure the finished marks of one print: a list of { part, points } in millimetres.
function measurePrint(marks) {
  const shapes = marks.map((mark) => ({ ...mark, at: centroidOf(mark.points) }));
  const toes = shapes.filter((mark) => isToe(mark.part));
  const pads = shapes.filter((mark) => mark.part === "pad");
  const pad = pads.length === 1 ? pads[0] : null;
  const { places, runs, placed, wrong } = placeToes(toes, pad && pad.at);
  const forward = toes.length <= 4 && pads.length <= 1 ? longAxis(places, placed, pad && pad.at) : null;
  const sizes = toes.length <= 4 && pads.length <= 1 ? areasOf(toes, pad) : {};
  if (!forward) return { ...sizes, runs, wrong };
  const turned = (mark) => turnForward(mark.points, forward);
  const found = { ...sizes, ...extentsOf(shapes, places, pad, turned), runs, wrong };
  const tip = (toe) => (toe ? Math.max(...turned(toe).map((point) => point[1])) : NaN);
  found.toe_3_lead_mm = placed && runs ? (tip(places[1]) - tip(places[2])) * runs : NaN;
  return found;
}

function areasOf(toes, pad) {
  const toe = mean(toes.map((each) => areaOf(each.points)));
  const whole = pad ? areaOf(pad.points) : NaN;
  return { pad_area_mm2: whole, toe_area_mm2: toe, toes_in_pad_ratio: whole / toe };
}

function extentsOf(shapes, places, pad, turned) {
  const found = {};
  if (pad) [found.pad_width_mm, found.pad_length_mm] = extentOf(turned(pad));
  const toes = places.filter(Boolean);
  if (!pad || toes.length < 3) return found;
  const claws = shapes.filter((mark) => isClaw(mark.part));
  const [width, length] = extentOf([pad, ...toes].flatMap(turned));
  const [, clawed] = extentOf([pad, ...toes, ...claws].flatMap(turned));
  if (places[1] && places[2]) [found.length_mm, found.length_with_claws_mm] = [length, clawed];
  if (toes.length === 4) found.width_mm = width;
  found.length_to_width = found.length_mm / found.width_mm;
  return found;
}
