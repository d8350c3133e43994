"""Trails room: which sign may belong together, and what speaks for each pair.

What was noted of each sign is gathered into arrays with a row per sign; near pairs come from
a tree over projected metres, and every pair is weighed at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import MEASURES, TAXA
from carnivore_sign.space import bearings_deg, project, working_crs
from carnivore_sign.trails.likelihood import (
    BoolArray,
    FloatArray,
    IntArray,
    LinkModel,
    axis_ratio,
    direction_ratio,
    distance_ratio,
    size_ratio,
    taxon_ratio,
    windows_overlap,
)

_NEAR_M = 15.0  # closer than this, GPS error turns the line between two sign at will


class Links(NamedTuple):
    """Pairs, the one found first in front, and the gain of linking them (natural logarithm)."""

    first: IntArray
    second: IntArray
    gain: FloatArray

    def chosen(self, mask: BoolArray) -> Links:
        """Return those where `mask` is true."""
        return Links(self.first[mask], self.second[mask], self.gain[mask])


class Noted(NamedTuple):
    """What was noted of each sign: arrays with a row per sign, NaN where it was not.

    ``walk`` is a number, -1 on no walk; ``rank`` the order in which sign were found;
    ``start`` and ``end`` when it was made, in hours since 1970, infinite where open.
    """

    walk: IntArray
    track: BoolArray
    rank: IntArray
    xy_m: FloatArray
    lonlat_deg: FloatArray
    direction_deg: FloatArray
    start_h: FloatArray
    end_h: FloatArray
    log_size: FloatArray
    shares: FloatArray
    prior: FloatArray


def gather(
    sign: gpd.GeoDataFrame,
    shares: FloatArray,
    walks: pd.Series,
    prints: pd.DataFrame | None,
    prior: Mapping[str, float] | pd.Series | None,
) -> Noted:
    """Gather what the pairs are weighed by."""
    names = pd.Index(sign["sign"])
    if walks.index.has_duplicates:
        raise InputError("a sign stands more than once among the walks")
    walk = pd.factorize(walks.reindex(names))[0]
    time_h = _hours(sign["time"]) if "time" in sign else np.full(len(sign), np.nan)
    degrees = sign.geometry
    metres = project(sign, working_crs(sign)).geometry
    given = dict.fromkeys(TAXA, 1.0 / len(TAXA)) if prior is None else dict(prior)
    before = pd.Series(given, dtype=float).reindex(list(TAXA))
    age_max, age_min = _numbers(sign, "age_max_h"), _numbers(sign, "age_min_h")
    return Noted(
        walk=walk,
        track=sign["kind"].eq("track").to_numpy(dtype=bool),
        rank=_found_order(walk, time_h),
        xy_m=np.column_stack([metres.x, metres.y]),
        lonlat_deg=np.column_stack([degrees.x, degrees.y]),
        direction_deg=_numbers(sign, "direction_deg"),
        start_h=np.nan_to_num(time_h - age_max, nan=-np.inf),
        end_h=np.nan_to_num(time_h - np.nan_to_num(age_min), nan=np.inf),
        log_size=_log_sizes(names, prints),
        shares=shares,
        prior=before.fillna(0.0).to_numpy(dtype=float),
    )


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
    """Pairs of one walk, near each other, the one found first in front.

    Walks are set apart by a third coordinate, so that one tree serves them all.
    """
    rows = np.flatnonzero(noted.walk >= 0)
    if len(rows) < 2:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    apart = noted.walk[rows] * (2.0 * model.max_gap_m)
    tree = cKDTree(np.column_stack([noted.xy_m[rows], apart]))
    wanted = min(model.neighbours + 1, len(rows))
    _, near = tree.query(tree.data, k=wanted, distance_upper_bound=model.max_gap_m)
    one = np.repeat(np.arange(len(rows)), wanted)
    two = near.reshape(-1)
    real = (two < len(rows)) & (one != two)
    one, two = rows[one[real]], rows[two[real]]
    rank = noted.rank
    swap = rank[one] > rank[two]
    one, two = np.where(swap, two, one), np.where(swap, one, two)
    keys = np.unique(one * len(rank) + two)
    return keys // len(rank), keys % len(rank)


def weigh_pairs(
    pairs: tuple[IntArray, IntArray],
    noted: Noted,
    model: LinkModel,
    *,
    trails_per_km: float,
) -> Links:
    """Gain of linking each pair; pairs that cannot be of one time are left out."""
    first, second = pairs
    fits = windows_overlap(noted.start_h, noted.end_h, first, second, slack_h=model.age_slack_h)
    first, second = first[fits], second[fits]
    metres = np.hypot(*(noted.xy_m[first] - noted.xy_m[second]).T)
    direction, log_size = noted.direction_deg, noted.log_size
    bearing = bearings_deg(*noted.lonlat_deg[first].T, *noted.lonlat_deg[second].T)
    bearing[metres < _NEAR_M] = np.nan
    gain = distance_ratio(metres, model, trails_per_km=trails_per_km)
    gain += direction_ratio(direction[first], direction[second], model)
    gain += axis_ratio(direction[first], bearing, model)
    gain += axis_ratio(direction[second], bearing, model)
    gain += size_ratio(_mean_known(log_size[first] - log_size[second]), model)
    gain += taxon_ratio(noted.shares[first], noted.shares[second], noted.prior, model)
    return Links(first, second, gain)


def _mean_known(values: FloatArray) -> FloatArray:
    known = np.isfinite(values)
    total = np.where(known, values, 0.0).sum(axis=1)
    count = known.sum(axis=1)
    return np.divide(total, count, out=np.full(len(values), np.nan), where=count > 0)
