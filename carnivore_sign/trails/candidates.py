"""Trails room: which sign may belong together, and what speaks for each pair.

What was noted of each sign is gathered into arrays with a row per sign; near pairs come from
a tree over projected metres, and every pair is weighed at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import MEASURES, TAXA
from carnivore_sign.space import bearings_deg, project, working_crs
from carnivore_sign.trails.likelihood import (
    BARE_GROUND,
    BoolArray,
    FloatArray,
    IntArray,
    LinkModel,
    axis_ratio,
    direction_ratio,
    size_ratio,
    stride_ratio,
    taxon_ratio,
    windows_overlap,
)
from carnivore_sign.units import M_PER_KM

#: What speaks for a pair besides distance, in the order of the columns of `Said.ratios`.
SPEAKERS: Final = ("direction", "axis", "size", "stride", "taxon")

_STRANGE_H: Final = 48.0  # found so many hours apart, two sign are of different passages
_STRANGE_ASKED: Final = 4_000  # about so many sign are asked for strangers near them
_STRANGE_NEIGHBOURS: Final = 64
_NEAR_M: Final = 15.0  # closer than this, GPS error turns the line between two sign at will


class Links(NamedTuple):
    """Pairs, the one found first in front, and the gain of linking them (natural logarithm)."""

    first: IntArray
    second: IntArray
    gain: FloatArray

    def chosen(self, mask: BoolArray | IntArray) -> Links:
        """Return those where `mask` is true, or those of the given numbers."""
        return Links(self.first[mask], self.second[mask], self.gain[mask])


class Said(NamedTuple):
    """What speaks for each pair, with a row per pair.

    ``bare`` is the share of bare ground between them, from what was noted at both; ``ratios``
    has a column for each of `SPEAKERS`, 0 where nothing was noted; ``noted`` says which of
    direction, size and stride were noted of both, as a number from 0 to 7.
    """

    first: IntArray
    second: IntArray
    metres: FloatArray
    bare: FloatArray
    ratios: FloatArray
    noted: IntArray

    def chosen(self, mask: BoolArray | IntArray) -> Said:
        """Return those where `mask` is true, or those of the given numbers."""
        return Said(
            self.first[mask], self.second[mask], self.metres[mask],
            self.bare[mask], self.ratios[mask], self.noted[mask],
        )  # fmt: skip


class Noted(NamedTuple):
    """What was noted of each sign: arrays with a row per sign, NaN where it was not.

    ``walk``, ``outing`` and ``followed`` are numbers, -1 for none; ``rank`` is the order in
    which sign were found; ``found_h`` when, ``start_h`` and ``end_h`` when it was made, in
    hours since 1970, infinite where open; ``bare`` is 1 on bare ground, 0 on other or unknown.
    """

    walk: IntArray
    outing: IntArray
    followed: IntArray
    followed_names: pd.Index
    track: BoolArray
    rank: IntArray
    xy_m: FloatArray
    bare: FloatArray
    lonlat_deg: FloatArray
    direction_deg: FloatArray
    found_h: FloatArray
    start_h: FloatArray
    end_h: FloatArray
    log_size: FloatArray
    log_stride: FloatArray
    shares: FloatArray
    prior: FloatArray


def gather(
    sign: gpd.GeoDataFrame,
    shares: FloatArray,
    walks: pd.Series | pd.DataFrame,
    prints: pd.DataFrame | None,
    prior: Mapping[str, float] | pd.Series | None,
) -> Noted:
    """Gather what the pairs are weighed by."""
    names = pd.Index(sign["sign"])
    walk, outing, followed, followed_names = _walked(walks, names)
    time_h = _hours(sign["time"]) if "time" in sign else np.full(len(sign), np.nan)
    degrees = sign.geometry
    metres = project(sign, working_crs(sign)).geometry if len(sign) else degrees
    given = dict.fromkeys(TAXA, 1.0 / len(TAXA)) if prior is None else dict(prior)
    before = pd.Series(given, dtype=float).reindex(list(TAXA))
    age_max, age_min = _numbers(sign, "age_max_h"), _numbers(sign, "age_min_h")
    return Noted(
        walk=walk,
        outing=outing,
        followed=followed,
        followed_names=followed_names,
        track=sign["kind"].eq("track").to_numpy(dtype=bool),
        rank=_found_order(outing, time_h),
        xy_m=np.column_stack([metres.x, metres.y]),
        bare=_bare(sign),
        lonlat_deg=np.column_stack([degrees.x, degrees.y]),
        direction_deg=_numbers(sign, "direction_deg"),
        found_h=time_h,
        start_h=np.nan_to_num(time_h - age_max, nan=-np.inf),
        end_h=np.nan_to_num(time_h - np.nan_to_num(age_min), nan=np.inf),
        log_size=_log_sizes(names, prints),
        log_stride=_logs(_numbers(sign, "stride_m")),
        shares=shares,
        prior=before.fillna(0.0).to_numpy(dtype=float),
    )


def _walked(
    walks: pd.Series | pd.DataFrame, names: pd.Index
) -> tuple[IntArray, IntArray, IntArray, pd.Index]:
    """Number the walk, the outing and the followed trail of each sign."""
    if walks.index.has_duplicates:
        raise InputError("a sign stands more than once among the walks")
    table = walks.to_frame("walk") if isinstance(walks, pd.Series) else walks
    if "walk" not in table:
        raise InputError(
            f"the walks have no column 'walk'; they have {', '.join(map(str, table.columns))}",
            remedy="Hand in the walk of each sign, with the sign as index.",
        )
    table = table.reindex(names)
    walk = pd.factorize(table["walk"])[0]
    outing = walk
    if "outing" in table:
        alone = "walk " + table["walk"].astype(object)
        named = table["outing"].astype(object).where(table["outing"].notna(), alone)
        outing = pd.factorize(named)[0]
        # Sign noted without a log, of one outing, are in the place of a walk.
        walk = np.where((walk < 0) & (outing >= 0), walk.max(initial=-1) + 1 + outing, walk)
    along = table["followed"] if "followed" in table else pd.Series(None, names, dtype=object)
    followed, followed_names = pd.factorize(along)
    return walk, outing, followed, pd.Index(followed_names)


def _bare(sign: pd.DataFrame) -> FloatArray:
    if "surface" not in sign:
        return np.zeros(len(sign))
    return sign["surface"].isin(BARE_GROUND).to_numpy(dtype=float)


def _logs(values: FloatArray) -> FloatArray:
    return np.log(np.where(values > 0, values, np.nan))


def _numbers(frame: pd.DataFrame, column: str) -> FloatArray:
    if column not in frame:
        return np.full(len(frame), np.nan)
    return frame[column].to_numpy(dtype=float, na_value=np.nan)


def _hours(times: pd.Series) -> FloatArray:
    epoch = pd.Timestamp(0, tz="UTC")
    return ((times - epoch) / pd.Timedelta(hours=1)).to_numpy(dtype=float, na_value=np.nan)


def _found_order(walk: IntArray, time_h: FloatArray) -> IntArray:
    """Rank within the walk by time found; without a time, where the notebook has it."""
    frame = pd.DataFrame({"walk": walk, "time": time_h})
    frame["time"] = frame.groupby("walk")["time"].ffill()
    filled = frame.groupby("walk")["time"].bfill()
    order = np.lexsort([np.arange(len(frame)), filled.fillna(0.0), walk])
    rank = np.empty(len(frame), dtype=np.intp)
    rank[order] = np.arange(len(frame))
    return rank


def _log_sizes(names: pd.Index, prints: pd.DataFrame | None) -> FloatArray:
    """Median size of each sign, natural logarithm; shape (sign, measures)."""
    columns = list(MEASURES)
    if prints is None or prints.empty:
        return np.full((len(names), len(columns)), np.nan)
    sizes = prints.reindex(columns=["sign", *columns]).groupby("sign")[columns].median()
    return np.log(sizes.reindex(names).to_numpy(dtype=float, na_value=np.nan))


def near_pairs(noted: Noted, model: LinkModel) -> tuple[IntArray, IntArray]:
    """Pairs of one outing, near each other, the one found first in front.

    Outings are set apart by a third coordinate, so that one tree serves them all.
    """
    rows = np.flatnonzero(noted.outing >= 0)
    if len(rows) < 2:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    apart = noted.outing[rows] * (2.0 * model.max_gap_m)
    tree = cKDTree(np.column_stack([noted.xy_m[rows], apart]))
    one, two = _neighbours(tree, np.arange(len(rows)), model.neighbours, model.max_gap_m)
    one, two = rows[one], rows[two]
    rank = noted.rank
    swap = rank[one] > rank[two]
    one, two = np.where(swap, two, one), np.where(swap, one, two)
    keys = np.unique(one * len(rank) + two)
    return keys // len(rank), keys % len(rank)


def strange_pairs(noted: Noted, model: LinkModel) -> tuple[IntArray, IntArray]:
    """Pairs of tracks at one place that are surely of different passages.

    They were found on different outings days apart, and their age windows, where both are
    closed, do not meet. They show how alike two sign are that only share a road.
    """
    rows = np.flatnonzero((noted.outing >= 0) & noted.track & np.isfinite(noted.found_h))
    if len(rows) < 2:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    tree = cKDTree(noted.xy_m[rows])
    asked = np.arange(0, len(rows), max(len(rows) // _STRANGE_ASKED, 1))
    one, two = _neighbours(tree, asked, _STRANGE_NEIGHBOURS, model.max_gap_m)
    one, two = rows[one], rows[two]
    apart = np.abs(noted.found_h[one] - noted.found_h[two]) >= _STRANGE_H
    closed = np.isfinite(noted.start_h[one]) & np.isfinite(noted.start_h[two])
    meet = windows_overlap(noted.start_h, noted.end_h, one, two, slack_h=model.age_slack_h)
    good = (noted.outing[one] != noted.outing[two]) & apart & ~(closed & meet)
    keys = np.unique(np.minimum(one, two)[good] * len(noted.outing) + np.maximum(one, two)[good])
    return keys // len(noted.outing), keys % len(noted.outing)


def _neighbours(
    tree: cKDTree, asked: IntArray, most: int, reach_m: float
) -> tuple[IntArray, IntArray]:
    wanted = min(most + 1, tree.n)
    _, near = tree.query(tree.data[asked], k=wanted, distance_upper_bound=reach_m)
    one, two = np.repeat(asked, wanted), near.reshape(-1)
    real = (two < tree.n) & (one != two)
    return one[real], two[real]


def at_one_time(
    pairs: tuple[IntArray, IntArray], noted: Noted, model: LinkModel
) -> tuple[IntArray, IntArray]:
    """Leave out pairs that cannot have been made at one time."""
    first, second = pairs
    walked_h = _metres(noted, first, second) / M_PER_KM / model.walking_km_h
    slack_h = model.age_slack_h + walked_h
    fits = windows_overlap(noted.start_h, noted.end_h, first, second, slack_h=slack_h)
    return first[fits], second[fits]


def _metres(noted: Noted, first: IntArray, second: IntArray) -> FloatArray:
    return np.asarray(np.hypot(*(noted.xy_m[first] - noted.xy_m[second]).T))


def hear_pairs(pairs: tuple[IntArray, IntArray], noted: Noted, model: LinkModel) -> Said:
    """Gather what speaks for and against each pair."""
    first, second = pairs
    metres = _metres(noted, first, second)
    one_deg, two_deg = noted.direction_deg[first], noted.direction_deg[second]
    bearing = bearings_deg(*noted.lonlat_deg[first].T, *noted.lonlat_deg[second].T)
    bearing[metres < _NEAR_M] = np.nan
    size = _mean_known(noted.log_size[first] - noted.log_size[second])
    stride = noted.log_stride[first] - noted.log_stride[second]
    ratios = np.column_stack(
        [
            direction_ratio(one_deg, two_deg, model),
            axis_ratio(one_deg, bearing, model) + axis_ratio(two_deg, bearing, model),
            size_ratio(size, model),
            stride_ratio(stride, model),
            taxon_ratio(noted.shares[first], noted.shares[second], noted.prior, model),
        ]
    )
    known = [np.isfinite(values) for values in (one_deg - two_deg, size, stride)]
    bare = (noted.bare[first] + noted.bare[second]) / 2.0
    return Said(first, second, metres, bare, ratios, known[0] + 2 * known[1] + 4 * known[2])


def _mean_known(values: FloatArray) -> FloatArray:
    known = np.isfinite(values)
    total = np.where(known, values, 0.0).sum(axis=1)
    count = known.sum(axis=1)
    return np.divide(total, count, out=np.full(len(values), np.nan), where=count > 0)
