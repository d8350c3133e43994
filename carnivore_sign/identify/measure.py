"""Identification room: the face of measuring, from outlines or calipers to one row a print.

An outline is never drawn twice alike. The errors given are the standard deviations of each
measure over a few retracings: every outline is displaced by a smooth random curve (harmonics 0
to 3 along it: shifted, swollen, turned, bent), whose SD at each point is `tracing_error_mm`.
The curves come from a fixed seed unless a generator is handed in. An error of the scale is
added to lengths and areas.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.axis import AXIS_WAYS
from carnivore_sign.identify.caliper import measure_calipers
from carnivore_sign.identify.foot import FootSigns, foot_probabilities, foot_words
from carnivore_sign.identify.marks import CARPAL_PAD, CLAWS, DEWCLAW, PAD, Marks, place_marks
from carnivore_sign.identify.measuring import MEASURED, measure_marks
from carnivore_sign.identify.shapes import FloatArray, IntArray, Rings, polygon_moments
from carnivore_sign.identify.splitting import note_rows, split_overlaps
from carnivore_sign.identify.symmetry import mirror_overlap, nearly_overlap_at
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.outline_checks import FAULTS, PLAUSIBLE_LENGTH_MM, check_outlines

#: SD of a traced outline at each of its points, from a sharp photo (working choice; common
#: practice, no source).
TRACING_ERROR_MM: Final = 0.5

_BLOCK_PRINTS: Final = 128
_SEED: Final = 20


def measure_print(
    outlines: pd.DataFrame,
    *,
    tracing_error_mm: float = TRACING_ERROR_MM,
    scale_error_fraction: float | pd.Series = 0.0,
    caliper_error_mm: float = 1.0,
    retracings: int = 6,
    rng: np.random.Generator | None = None,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Measure prints from their outlines, or take caliper measurements of them.

    Parameters
    ----------
    outlines : DataFrame
        Either outlines, one a row: ``print`` (any label), ``part`` (one of `PRINT_PARTS`),
        ``geometry`` (shapely polygons in mm, seen from above, x to the right and y upwards;
        see `read_outlines`), and ``foot`` (one of `FEET`) where the observer stated it. Or,
        without a ``geometry`` column, caliper measurements, one print a row: any of
        ``length_mm``, ``width_mm``, ``pad_width_mm``, ``pad_length_mm``,
        ``toe_<2 to 5>_length_mm``, ``toe_<2 to 5>_width_mm``, ``foot``; ``print`` if the index
        is no name.
    tracing_error_mm : float
        SD of the outlines at each of their points.
    scale_error_fraction : float or Series
        Relative SD of the scale, such as ``PhotoScale.error_fraction``; of each print by its
        name, where they were traced on several photos.
    caliper_error_mm : float
        SD of a caliper measurement.
    retracings : int
        How many retracings the errors rest on; 0 leaves the errors missing. The errors
        themselves are uncertain by about 1 / sqrt(2 (n - 1)) of their size.
    rng : Generator, optional
        Source of the retracings; without it they are the same every time.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        Index the print, in order of first appearance. Every name of `MEASURED` and its
        ``<name>_error``; ``toe_3_lead_mm`` and ``toe_2_lead_mm`` (over toes 4 and 5, on the
        likelier side or as numbered) with ``toes_numbered_by``; ``toe_count``, ``claw_count``,
        ``dewclaw``, ``carpal_pad``, ``diagonals_clear``; ``p_overlap``, ``second_print_marks``,
        ``stray_marks``; ``p_front``, ``p_hind``, ``p_left``, ``p_right`` and the words
        ``front_or_hind``, ``side``, ``foot``; ``axis_from``, ``method``, ``notes``.

    Raises
    ------
    InputError
        If a column is missing, or an option is out of range.

    Notes
    -----
    A measure whose marks are missing is NaN. Faulty outlines are set aside and told in
    ``notes``; `check_outlines` tells which rows they are.

    Examples
    --------
    >>> import shapely
    >>> pad = shapely.box(-20, -15, 20, 15)
    >>> places = [(-30, 25), (-11, 45), (11, 45), (30, 25)]
    >>> marks = [pad, *(shapely.Point(x, y).buffer(9) for x, y in places)]
    >>> parts = ["pad", "toe", "toe", "toe", "toe"]
    >>> drawn = pd.DataFrame({"print": "A", "part": parts, "geometry": marks})
    >>> measured = measure_print(drawn)
    >>> measured.loc["A", ["length_mm", "width_mm", "pad_width_mm"]].astype(float).round(1).tolist()
    [69.0, 78.0, 40.0]
    """
    _check_options(tracing_error_mm, scale_error_fraction, caliper_error_mm, retracings)
    if "geometry" not in outlines:
        return measure_calipers(outlines, error_mm=caliper_error_mm)
    checked = check_outlines(outlines)
    names = pd.Index(outlines["print"].dropna().unique(), name="print")
    kept = checked.kept
    row = names.get_indexer(kept["print"])
    kept, row = _in_order(kept, row)
    split = split_overlaps(kept, row, len(names))
    first, of = kept[split.first], row[split.first]
    marks, placing = place_marks(first, of, len(names))
    blocks = [
        _measure_block(block, tracing_error_mm, retracings, rng)
        for block in with_progress(_blocks(marks), "measuring prints", show=show_progress)
    ]
    measured = pd.concat(blocks, ignore_index=True).set_index(names) if blocks else _nothing(names)
    _add_scale_error(measured, scale_error_fraction)
    measured["p_overlap"] = split.p_overlap
    measured["second_print_marks"] = split.second_marks
    measured["stray_marks"] = split.stray_marks
    measured["method"] = "outlines"
    notes = _notes(names, checked.faults, split.notes, placing.misnumbered)
    notes = _check_lengths(measured, notes)
    measured["notes"] = _check_sides(measured, marks, kept, row, notes)
    measured["foot"] = pd.Series(measured["foot"].to_numpy(), index=names, dtype=TEXT)
    return measured


def _check_options(
    tracing_mm: float, scale_fraction: float | pd.Series, caliper_mm: float, retracings: int
) -> None:
    for name, value in (("tracing_error_mm", tracing_mm), ("caliper_error_mm", caliper_mm),
                        ("scale_error_fraction", scale_fraction)):  # fmt: skip
        numbers = np.asarray(value, dtype=float)
        if not (np.isfinite(numbers) & (numbers >= 0)).all():
            raise InputError(f"{name} is {value}", remedy="Give a number of 0 or more.")
    if retracings < 0 or retracings == 1:
        raise InputError(
            f"{retracings} retracings give no spread", remedy="Give 2 or more, or 0 for no errors."
        )


def _in_order(kept: gpd.GeoDataFrame, row: IntArray) -> tuple[gpd.GeoDataFrame, IntArray]:
    order = np.argsort(row, kind="stable")
    return kept.iloc[order], row[order]


def _blocks(marks: Marks) -> list[Marks]:
    """Cut the marks into blocks of prints whose arrays stay small."""
    begins = range(0, marks.count, _BLOCK_PRINTS)
    return [_some(marks, begin, min(begin + _BLOCK_PRINTS, marks.count)) for begin in begins]


def _some(marks: Marks, begin: int, end: int) -> Marks:
    first, last = np.searchsorted(marks.row, [begin, end])
    return Marks(
        marks.rings.take(np.arange(first, last)),
        marks.row[first:last] - begin,
        marks.place[first:last],
        marks.placed[begin:end],
        marks.numbered_from_left[begin:end],
    )


def _measure_block(
    marks: Marks, tracing_mm: float, retracings: int, rng: np.random.Generator | None
) -> pd.DataFrame:
    """Measure a block of prints, once as drawn and then as retraced."""
    if not len(marks.rings):
        return _nothing(pd.RangeIndex(marks.count))
    values, way = measure_marks(marks)
    whole = marks.complete()
    core = marks.rings.take(marks.core(whole))
    values["symmetry_iou"] = np.full(marks.count, np.nan)
    axis = np.zeros((0, 2))
    if whole.any():
        values["symmetry_iou"][whole], axis = mirror_overlap(core)
    errors = dict.fromkeys(MEASURED, np.full(marks.count, np.nan))
    if retracings:
        again = _retrace(marks, tracing_mm, retracings, rng or np.random.default_rng(_SEED))
        errors = _spread_of(again, marks, whole, axis, retracings)
    table = {}
    for name in MEASURED:
        table[name] = values[name]
        table[f"{name}_error"] = np.where(np.isfinite(values[name]), errors[name], np.nan)
    frame = pd.DataFrame(table).assign(axis_from=np.array(AXIS_WAYS)[way])
    return frame.assign(**_marks_seen(marks), **_feet(marks, frame))


def _nothing(index: pd.Index) -> pd.DataFrame:
    """Return the table of prints of which no outline was left."""
    names = [each for name in MEASURED for each in (name, f"{name}_error")]
    frame = pd.DataFrame(np.nan, index=index, columns=names)
    none = np.zeros(len(index), dtype=np.intp)
    half = np.full(len(index), 0.5)
    chances = {"p_front": half, "p_hind": half, "p_left": half, "p_right": half}
    return frame.assign(
        axis_from="none", toe_count=none, claw_count=none, dewclaw=False, carpal_pad=False,
        diagonals_clear=pd.array([None] * len(index), dtype="boolean"),
        **chances, **foot_words(chances),
        toe_3_lead_mm=np.nan, toe_2_lead_mm=np.nan, toes_numbered_by="unknown",
    )  # fmt: skip


def _retrace(marks: Marks, sd_mm: float, retracings: int, rng: np.random.Generator) -> Marks:
    """Return the marks retraced, as that many times more prints."""
    rings = marks.rings
    count = len(rings)
    step = np.hypot(*(rings.xy[rings.following] - rings.xy).T)
    gone = np.cumsum(step) - step
    gone = gone - gone[rings.start][rings.ring_of_vertex]
    around = np.add.reduceat(step, rings.start)[rings.ring_of_vertex]
    phase = 2.0 * np.pi * gone / np.maximum(around, 1e-12)
    waves = [np.full_like(phase, np.sqrt(0.5))]
    waves += [wave(turn * phase) for turn in (1, 2, 3) for wave in (np.cos, np.sin)]
    basis = np.stack(waves) * np.sqrt(2.0 / 7.0) * sd_mm
    weight = rng.normal(size=(len(basis), retracings, count, 2))
    moved = np.zeros((retracings, *rings.xy.shape))
    for wave, sizes in zip(basis, weight, strict=True):
        moved += wave[:, None] * sizes[:, rings.ring_of_vertex]
    shift = np.arange(retracings)[:, None]
    return Marks(
        Rings(
            (rings.xy + moved).reshape(-1, 2),
            np.append((rings.start + shift * len(rings.xy)).ravel(), retracings * len(rings.xy)),
        ),
        (marks.row + shift * marks.count).ravel(),
        np.tile(marks.place, retracings),
        np.tile(marks.placed, retracings),
        np.tile(marks.numbered_from_left, retracings),
    )


def _spread_of(
    again: Marks,
    marks: Marks,
    whole: npt.NDArray[np.bool_],
    axis: FloatArray,
    retracings: int,
) -> dict[str, FloatArray]:
    """Return the SD of each measure over the retracings.

    The overlap of a retraced print is taken about the axis found before: at the best axis a
    small change of axis changes the overlap only in second order.
    """
    values, _ = measure_marks(again)
    values["symmetry_iou"] = np.full(again.count, np.nan)
    if whole.any():
        repeated = np.tile(whole, retracings)
        core = again.rings.take(again.core(repeated))
        values["symmetry_iou"][repeated] = nearly_overlap_at(core, np.tile(axis, (retracings, 1)))
    turns = values["axis_deg"].reshape(retracings, marks.count)
    values["axis_deg"] = (turns - turns[0] + 180.0) % 360.0
    return {
        name: value.reshape(retracings, marks.count).std(axis=0, ddof=1)
        for name, value in values.items()
    }


def _marks_seen(marks: Marks) -> dict[str, object]:
    def count(these: npt.NDArray[np.bool_]) -> IntArray:
        return np.bincount(marks.row[these], minlength=marks.count)

    return {
        "toe_count": count(marks.place < PAD),
        "claw_count": count(np.isin(marks.place, CLAWS)),
        "dewclaw": count(marks.place == DEWCLAW) > 0,
        "carpal_pad": count(marks.place == CARPAL_PAD) > 0,
    }


def _feet(marks: Marks, frame: pd.DataFrame) -> dict[str, object]:
    """Tell the foot, and from it how far toe 3 and toe 2 lead."""
    length = frame["length_mm"].to_numpy()
    shown = marks.spread_out(polygon_moments(marks.rings).centroid)
    angle = np.radians(frame["axis_deg"].to_numpy())
    apart = shown - shown[:, [PAD]]
    leftward = np.cos(angle)[:, None] * -apart[..., 0] + np.sin(angle)[:, None] * apart[..., 1]
    chances = foot_probabilities(
        FootSigns(
            frame["left_lead_mm"].to_numpy() / length,
            frame["left_lead_mm_error"].to_numpy() / length,
            frame["length_to_width"].to_numpy(),
            frame["toes_in_pad_ratio"].to_numpy(),
            np.sign(leftward[:, DEWCLAW]),
            np.sign(leftward[:, CARPAL_PAD]),
        )
    )
    numbered = marks.numbered_from_left
    right = np.where(numbered != 0, numbered, np.sign(chances["p_right"] - 0.5))
    by = np.where(numbered != 0, "as given", np.where(right != 0, "likelier side", "unknown"))
    right = np.where(right == 0, np.nan, right)
    rooms = frame[["left_diagonal_room_mm", "right_diagonal_room_mm"]].min(axis=1, skipna=False)
    return {
        "toe_3_lead_mm": frame["left_lead_mm"].to_numpy() * right,
        "toe_2_lead_mm": frame["left_outer_lead_mm"].to_numpy() * right,
        "toes_numbered_by": by,
        "diagonals_clear": (rooms > 0).astype("boolean").mask(rooms.isna()),
        **chances,
        **foot_words(chances),
    }


def _add_scale_error(measured: pd.DataFrame, of_scale: float | pd.Series) -> None:
    """Join the error of the scale to lengths, areas (twice) and curvature, in squares."""
    fraction = of_scale.reindex(measured.index) if isinstance(of_scale, pd.Series) else of_scale
    if not np.any(fraction):
        return
    for name in MEASURED:
        power = 2.0 if name.endswith("_mm2") else float(name.endswith(("_mm", "_per_mm")))
        error = f"{name}_error"
        measured[error] = np.hypot(measured[error], power * fraction * measured[name])


def _notes(
    names: pd.Index, faults: pd.DataFrame, overlaps: npt.NDArray[np.object_],
    misnumbered: npt.NDArray[np.bool_],
) -> pd.Series:  # fmt: skip
    """Put what was wrong with each print into words."""
    notes = pd.Series(overlaps, index=names, dtype=object)
    told = faults["part"].astype(str) + ": " + faults["fault"] + " (" + faults["done"] + ")"
    joined = told.groupby(faults["print"]).agg("; ".join).reindex(names)
    for name, words in joined.dropna().items():
        notes[name] = "; ".join(part for part in (notes[name], words) if part)
    return note_rows(
        notes,
        misnumbered,
        FAULTS["misnumbered"],
    )


def _check_lengths(measured: pd.DataFrame, notes: pd.Series) -> pd.Series:
    """Take out the sizes of prints that were not drawn in millimetres; their shapes stay."""
    low, high = PLAUSIBLE_LENGTH_MM
    size = measured["length_mm"].fillna(2.0 * measured["pad_width_mm"])
    odd = (size.notna() & ~size.between(low, high)).to_numpy()
    if not odd.any():
        return notes
    sized = [name for name in MEASURED if name.endswith(("_mm", "_mm2", "_per_mm"))]
    sized += ["toe_3_lead_mm", "toe_2_lead_mm"]
    sized += [f"{name}_error" for name in sized if name in MEASURED]
    measured.loc[odd, sized] = np.nan
    return note_rows(
        notes,
        odd,
        FAULTS["notMillimetres"],
    )


def _check_sides(
    measured: pd.DataFrame, marks: Marks, kept: gpd.GeoDataFrame, row: IntArray, notes: pd.Series
) -> pd.Series:
    """Tell where numbers, leading toe, dewclaw and the stated foot contradict each other."""
    right = measured["p_right"].to_numpy()
    given = marks.numbered_from_left
    against = ((given > 0) & (right < 0.1)) | ((given < 0) & (right > 0.9))
    notes = note_rows(
        notes,
        against,
        "the toes are numbered from the other side than leading toe, dewclaw and carpal pad tell: "
        "the photo may be mirrored, or the toes numbered from the outside",
    )
    if "foot" not in kept:
        return notes
    stated = pd.Series(kept["foot"].to_numpy(), index=row).dropna().groupby(level=0).first()
    stated = stated.reindex(range(marks.count)).fillna("").astype(str)
    side = np.select([stated.str.startswith("left"), stated.str.startswith("right")], [-1, 1], 0)
    mirrored = (side * given < 0) | ((side > 0) & (right < 0.1)) | ((side < 0) & (right > 0.9))
    return note_rows(
        notes,
        np.asarray(mirrored),
        FAULTS["otherFoot"],
    )
