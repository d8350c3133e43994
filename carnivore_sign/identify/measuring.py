"""Identification room: every measure of placed marks, one array each.

All arrays run over prints. A measure whose marks are missing is NaN: nothing is filled in.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from carnivore_sign.identify.axis import AXIS_WAYS, long_axis, turn_forward
from carnivore_sign.identify.marks import CLAWS, PAD, Marks
from carnivore_sign.identify.pad import pad_axes, pad_edges, pad_shape
from carnivore_sign.identify.ridge import line_room, ridge_bend
from carnivore_sign.identify.shapes import (
    FloatArray,
    Moments,
    Rings,
    angularity,
    polygon_moments,
    skewness_along,
)

#: Every measure, with what it is. Each has an error beside it, in ``<name>_error``.
MEASURED: Final[dict[str, str]] = {
    "length_mm": "extent of toes and pad along the axis",
    "width_mm": "extent of toes and pad across the axis",
    "length_with_claws_mm": "extent along the axis with the claw marks",
    "width_with_claws_mm": "extent across the axis with the claw marks",
    "length_to_width": "length over width, without claws",
    "area_mm2": "area of toes and pad together",
    "pad_length_mm": "extent of the pad along the axis",
    "pad_width_mm": "extent of the pad across the axis",
    "pad_area_mm2": "area of the pad",
    "toe_area_mm2": "mean area of the toes",
    "toe_length_mm": "mean extent of the toes along their own long axes",
    "toe_width_mm": "mean extent of the toes across their own long axes",
    "toes_in_pad_ratio": "area of the pad over the mean area of a toe",
    "axis_deg": "direction of the axis, clockwise from y of the drawing",
    "left_lead_mm": "how far the left middle toe is ahead of the right one; below 0, behind",
    "left_lead_deg": "angle of the line across the tips of the two middle toes",
    "left_outer_lead_mm": "how far the left outer toe is ahead of the right one",
    "left_outer_lead_deg": "angle of the line across the tips of the two outer toes",
    "lead_ratio": "lead of the foremost middle toe over the length, whichever side it is on",
    "symmetry_iou": "overlap with the reflection about the best axis, over their union",
    "pad_rear_lobes": "lobes of the pad's rear edge",
    "pad_rear_dent_deg": "inward turn of the shallower of the two deepest dents in the rear edge",
    "pad_rear_deepest_dent_deg": "inward turn of the deepest dent in the rear edge",
    "pad_front_lobes": "lobes of the pad's front edge",
    "pad_front_dent_deg": "inward turn of the deepest dent in the front edge",
    "pad_front_width_ratio": "pad width a tenth of its length behind its front, over its width",
    "pad_top_to_base_ratio": "pad width at four fifths of its length over that at one fifth",
    "pad_pinch_ratio": "depth of the hollows in the pad's sides over its width",
    "toe_elongation": "mean length over width of the toes",
    "toe_taper": "mean skewness of the toes along their long axes; above 0 narrower in front",
    "outer_toe_angularity": "how far the turning of the outer toes is gathered in corners",
    "ridge_curvature_per_mm": "1 / radius of the middle line between toes and pad",
    "left_diagonal_room_mm": "widest strip from ahead on the left to behind on the right",
    "right_diagonal_room_mm": "widest strip from ahead on the right to behind on the left",
    "diagonal_room_ratio": "the lesser room of the two diagonals over the length",
    "side_room_ratio": "the lesser room inside the two outer toes over the length",
    "claw_length_mm": "mean length of the claw marks",
    "claw_width_to_length": "mean width of the claw marks over their length",
    "claw_gap_mm": "mean gap from claw mark to toe; 0 where they touch",
}  # fmt: skip

_TOES: Final = slice(0, 4)

#: What can be measured without knowing which way the print heads.
_WITHOUT_AXIS: Final = frozenset({
    "area_mm2", "pad_area_mm2", "toe_area_mm2", "toe_length_mm", "toe_width_mm",
    "toes_in_pad_ratio", "toe_elongation", "outer_toe_angularity",
    "claw_length_mm", "claw_width_to_length", "claw_gap_mm",
})  # fmt: skip


def measure_marks(marks: Marks) -> tuple[dict[str, FloatArray], npt.NDArray[np.intp]]:
    """Compute every measure but symmetry.

    Parameters
    ----------
    marks : Marks
        Millimetres.

    Returns
    -------
    measures : dict of ndarray, shape (prints,)
        By the names of `MEASURED`, without ``symmetry_iou``.
    way : ndarray of int
        How each axis was found, index into `AXIS_WAYS`.
    """
    shapes = polygon_moments(marks.rings)
    centre = marks.spread_out(shapes.centroid)
    forward, way = long_axis(
        centre[:, _TOES], centre[:, PAD], _axes_of_pads(marks, shapes), placed=marks.placed
    )
    turned = _turned(marks, forward)
    moments = polygon_moments(turned)
    low = marks.spread_out(np.minimum.reduceat(turned.xy, turned.start, axis=0))
    high = marks.spread_out(np.maximum.reduceat(turned.xy, turned.start, axis=0))
    tips = marks.spread_out(_front_points(turned))
    areas = marks.spread_out(moments.area)
    found = {"axis_deg": np.degrees(np.arctan2(forward[:, 0], forward[:, 1]))}
    found |= _sizes(low, high, areas)
    found |= _leads(tips, marks.placed, found["length_mm"])
    found |= _pads(marks, turned)
    found |= _toes(marks, turned, moments)
    found |= _spaces(marks, turned, found["length_mm"])
    found |= _claws(marks, turned, moments)
    lost = way == AXIS_WAYS.index("none")
    for name in found.keys() - _WITHOUT_AXIS:
        found[name] = np.where(lost, np.nan, found[name])
    return found, way


def _axes_of_pads(marks: Marks, shapes: Moments) -> FloatArray:
    which = np.flatnonzero(marks.place == PAD)
    axes = np.full((marks.count, 2), np.nan)
    if len(which):
        axes[marks.row[which]] = pad_axes(marks.rings.take(which), _some_of(shapes, which))
    return axes


def _some_of(shapes: Moments, which: npt.NDArray[np.intp]) -> Moments:
    return Moments(*(getattr(shapes, item.name)[which] for item in fields(shapes)))


def _turned(marks: Marks, forward: FloatArray) -> Rings:
    """Turn every print so that its axis is y; a print without axis stays as drawn."""
    known = np.where(np.isfinite(forward), forward, (0.0, 1.0))
    row = marks.row[marks.rings.ring_of_vertex]
    xy = turn_forward(marks.rings.xy, np.zeros_like(marks.rings.xy), known[row])
    return Rings(xy, marks.rings.offsets)


def _front_points(rings: Rings) -> FloatArray:
    """Return the foremost vertex of each ring."""
    ahead = rings.xy[:, 1]
    top = np.flatnonzero(ahead == np.maximum.reduceat(ahead, rings.start)[rings.ring_of_vertex])
    foremost = np.full((len(rings), 2), np.nan)
    foremost[rings.ring_of_vertex[top]] = rings.xy[top]
    return foremost


def _sizes(low: FloatArray, high: FloatArray, areas: FloatArray) -> dict[str, FloatArray]:
    core, clawed = slice(0, PAD + 1), slice(0, CLAWS[-1] + 1)
    whole = np.isfinite(areas[:, :PAD]).sum(axis=1) >= 3
    whole &= np.isfinite(areas[:, PAD])
    bare = _extent(low[:, core], high[:, core], whole)
    with_claws = _extent(low[:, clawed], high[:, clawed], whole)
    pad = high[:, PAD] - low[:, PAD]
    toe_area = mean_known(areas[:, _TOES])
    with np.errstate(divide="ignore", invalid="ignore"):
        return {
            "length_mm": bare[:, 1],
            "width_mm": bare[:, 0],
            "length_with_claws_mm": with_claws[:, 1],
            "width_with_claws_mm": with_claws[:, 0],
            "length_to_width": bare[:, 1] / bare[:, 0],
            "area_mm2": areas[:, core].sum(axis=1),
            "pad_length_mm": pad[:, 1],
            "pad_width_mm": pad[:, 0],
            "pad_area_mm2": areas[:, PAD],
            "toe_area_mm2": toe_area,
            "toes_in_pad_ratio": areas[:, PAD] / toe_area,
        }


def _extent(low: FloatArray, high: FloatArray, enough: npt.NDArray[np.bool_]) -> FloatArray:
    """Return the extent over the marks of each print; all four toes must be there for width."""
    wide = np.nanmax(np.where(np.isfinite(high), high, -np.inf), axis=1)
    wide = wide - np.nanmin(np.where(np.isfinite(low), low, np.inf), axis=1)
    four = np.isfinite(low[:, :PAD, 0]).all(axis=1)
    wide[~enough] = np.nan
    wide[~four, 0] = np.nan
    middle = np.isfinite(low[:, 1:3, 0]).all(axis=1)
    wide[~middle, 1] = np.nan
    return np.where(np.isfinite(wide), wide, np.nan)


def mean_known(values: FloatArray) -> FloatArray:
    """Return the mean over what is there, row by row; NaN where nothing is."""
    there = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        return np.where(there, values, 0.0).sum(axis=1) / there.sum(axis=1)


def _leads(
    tips: FloatArray, placed: npt.NDArray[np.bool_], length: FloatArray
) -> dict[str, FloatArray]:
    found = {}
    for name, left, right in (("left", 1, 2), ("left_outer", 0, 3)):
        ahead = np.where(placed, tips[:, left, 1] - tips[:, right, 1], np.nan)
        across = tips[:, right, 0] - tips[:, left, 0]
        found[f"{name}_lead_mm"] = ahead
        found[f"{name}_lead_deg"] = np.degrees(np.arctan2(ahead, across))
    with np.errstate(divide="ignore", invalid="ignore"):
        return found | {"lead_ratio": np.abs(found["left_lead_mm"]) / length}


def _pads(marks: Marks, turned: Rings) -> dict[str, FloatArray]:
    which = np.flatnonzero(marks.place == PAD)
    pads, rows = turned.take(which), marks.row[which]
    if not len(which):
        return {name: np.full(marks.count, np.nan) for name in MEASURED if name in _PAD_SHAPES}
    edges, shape = pad_edges(pads), pad_shape(pads)
    values = (
        edges.rear_lobes,
        edges.rear_dents_deg[:, 1],
        edges.rear_dents_deg[:, 0],
        edges.front_lobes,
        edges.front_dent_deg,
        shape.front_width_ratio,
        shape.top_to_base,
        shape.pinch,
    )
    return {
        name: _scattered(value, rows, marks.count)
        for name, value in zip(_PAD_SHAPES, values, strict=True)
    }


_PAD_SHAPES: Final = (
    "pad_rear_lobes", "pad_rear_dent_deg", "pad_rear_deepest_dent_deg", "pad_front_lobes",
    "pad_front_dent_deg", "pad_front_width_ratio", "pad_top_to_base_ratio", "pad_pinch_ratio",
)  # fmt: skip


def _scattered(values: FloatArray, rows: npt.NDArray[np.intp], count: int) -> FloatArray:
    laid = np.full(count, np.nan)
    laid[rows] = values
    return laid


def _toes(marks: Marks, turned: Rings, moments: Moments) -> dict[str, FloatArray]:
    which = np.flatnonzero(marks.place < PAD)
    toes = turned.take(which)
    picked = _some_of(moments, which)
    along = picked.long_axis * np.where(picked.long_axis[:, 1:] < 0, -1.0, 1.0)
    span = _span(toes, along), _span(toes, np.column_stack([-along[:, 1], along[:, 0]]))
    values = np.column_stack(
        [picked.elongation, skewness_along(toes, picked, along), angularity(toes, picked), *span]
    )
    laid = np.full((marks.count, PAD, values.shape[1]), np.nan)
    laid[marks.row[which], marks.place[which]] = values
    outer = np.where(marks.placed[:, None], laid[:, [0, 3], 2], np.nan)
    return {
        "toe_elongation": mean_known(laid[..., 0]),
        "toe_taper": mean_known(laid[..., 1]),
        "outer_toe_angularity": mean_known(outer),
        "toe_length_mm": mean_known(laid[..., 3]),
        "toe_width_mm": mean_known(laid[..., 4]),
    }


def _span(rings: Rings, direction: FloatArray) -> FloatArray:
    along = np.einsum("ij,ij->i", rings.xy, direction[rings.ring_of_vertex])
    if not len(along):
        return np.zeros(0)
    return np.asarray(
        np.maximum.reduceat(along, rings.start) - np.minimum.reduceat(along, rings.start)
    )


def _spaces(marks: Marks, turned: Rings, length: FloatArray) -> dict[str, FloatArray]:
    whole = marks.complete() & np.isfinite(length)
    names = ("ridge_curvature_per_mm", "left_diagonal_room_mm", "right_diagonal_room_mm",
             "diagonal_room_ratio", "side_room_ratio")  # fmt: skip
    found = {name: np.full(marks.count, np.nan) for name in names}
    if not whole.any():
        return found
    core = turned.take(marks.core(whole))
    polygons = core.polygons().reshape(-1, PAD + 1)
    room = line_room(core)
    found["ridge_curvature_per_mm"][whole] = ridge_bend(polygons[:, :PAD], polygons[:, PAD])
    found["left_diagonal_room_mm"][whole] = room.diagonals[:, 0]
    found["right_diagonal_room_mm"][whole] = room.diagonals[:, 1]
    found["diagonal_room_ratio"][whole] = room.diagonals.min(axis=1) / length[whole]
    found["side_room_ratio"][whole] = room.sides.min(axis=1) / length[whole]
    return found


def _claws(marks: Marks, turned: Rings, moments: Moments) -> dict[str, FloatArray]:
    which = np.flatnonzero((marks.place >= CLAWS[0]) & (marks.place <= CLAWS[-1]))
    laid = np.full((marks.count, PAD, 3), np.nan)
    if len(which):
        row, toe = marks.row[which], marks.place[which] - CLAWS[0]
        place_of = np.full((marks.count, PAD), -1)
        toes = np.flatnonzero(marks.place < PAD)
        place_of[marks.row[toes], marks.place[toes]] = toes
        outlines = turned.take(which)
        line = np.diff(outlines.offsets) < 3
        laid[row, toe, 0] = _reach(outlines)
        laid[row, toe, 1] = np.where(line, np.nan, 1.0 / moments.elongation[which])
        claws = _as_shapes(outlines)
        laid[row, toe, 2] = shapely.distance(claws, turned.take(place_of[row, toe]).polygons())
    return {
        "claw_length_mm": mean_known(laid[..., 0]),
        "claw_width_to_length": mean_known(laid[..., 1]),
        "claw_gap_mm": mean_known(laid[..., 2]),
    }


def _reach(rings: Rings) -> FloatArray:
    """Return the extent of each ring along the line from its centre to its farthest vertex."""
    ring = rings.ring_of_vertex
    middle = np.add.reduceat(rings.xy, rings.start, axis=0) / np.diff(rings.offsets)[:, None]
    apart = rings.xy - middle[ring]
    far = np.lexsort((np.hypot(apart[:, 0], apart[:, 1]), ring))[rings.offsets[1:] - 1]
    heading = apart[far]
    with np.errstate(divide="ignore", invalid="ignore"):
        return _span(rings, heading / np.hypot(heading[:, 0], heading[:, 1])[:, None])


def _as_shapes(rings: Rings) -> npt.NDArray[np.object_]:
    lines = np.asarray(shapely.linestrings(rings.xy, indices=rings.ring_of_vertex))
    wide = np.diff(rings.offsets) >= 3
    if wide.any():
        lines[wide] = rings.take(np.flatnonzero(wide)).polygons()
    return lines
