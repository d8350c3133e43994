"""Overlaps: which fixes of a log the season has already, from another download of the walk.

A fix is known if the season has one at the same time, to the millisecond, and at the same
place, to a millionth of a degree (about 0.1 m). Two devices carried side by side do not agree
so closely but by rare chance. A copy whose positions were rounded more coarsely on its way is
not recognised.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.records.season import Season

#: Steps of a degree to which places are compared.
PER_DEGREE: Final = 1_000_000

#: What makes every longitude and latitude positive.
_TO_ZERO: Final = np.array([180.0, 90.0])

#: Odd numbers, so that multiplying by them, modulo 2**64, takes no two numbers to one.
_SPREAD_TIME: Final = np.uint64(0x9E3779B97F4A7C15)
_SPREAD_PLACE: Final = np.uint64(0xC2B2AE3D27D4EB4F)

UintArray = npt.NDArray[np.uint64]
BoolArray = npt.NDArray[np.bool_]


class HeldFixes:
    """The fixes of a season as times and places.

    Those that the season had at first are read, and those of this import are put in order,
    when a log first overlaps an earlier one.

    Parameters
    ----------
    season : Season
        The season. What is added to it later must be told with `add`.
    """

    def __init__(self, season: Season) -> None:
        self._season = season
        self._at_first = _spans(season.read("logs"))
        self._since: list[tuple[pd.Timestamp, pd.Timestamp]] = []
        self._read = False
        self._fresh: list[tuple[UintArray, UintArray]] = []
        self._keys = KeySet()

    def has(self, fixes: gpd.GeoDataFrame) -> BoolArray:
        """Tell which of the fixes the season has; a fix without a time is never known."""
        start, end = fixes["time"].min(), fixes["time"].max()
        if pd.isna(start):
            return np.zeros(len(fixes), dtype=bool)
        at_first = ((self._at_first["start"] <= end) & (self._at_first["end"] >= start)).any()
        if at_first and not self._read:
            self._keys.add(*_keys_of(self._season.read("fixes")))
            self._read = True
        if not at_first and not any(old <= end and new >= start for old, new in self._since):
            return np.zeros(len(fixes), dtype=bool)
        for keys in self._fresh:
            self._keys.add(*keys)
        self._fresh.clear()
        return self._keys.has(*_keys_of(fixes)) & fixes["time"].notna().to_numpy()

    def add(self, tables: dict[str, pd.DataFrame]) -> None:
        """Take in what is added to the season."""
        fixes = tables.get("fixes")
        if fixes is None or not len(fixes) or pd.isna(fixes["time"].min()):
            return
        self._since.append((fixes["time"].min(), fixes["time"].max()))
        self._fresh.append(_keys_of(fixes))


class KeySet:
    """A growing set of pairs of a moment and a place, 16 bytes each.

    The pairs lie in a few sorted arrays, each at least twice as long as the next one, so that
    adding and looking up take little more than the pairs at hand.

    Examples
    --------
    >>> keys = KeySet()
    >>> keys.add(np.array([1, 2], dtype=np.uint64), np.array([7, 8], dtype=np.uint64))
    >>> keys.has(np.array([2, 1], dtype=np.uint64), np.array([8, 8], dtype=np.uint64))
    array([ True, False])
    """

    def __init__(self) -> None:
        self._levels: list[tuple[UintArray, UintArray]] = []

    def add(self, moment: UintArray, place: UintArray) -> None:
        """Add pairs."""
        fresh = _sorted_pairs(_mixed(moment, place), place)
        while self._levels and len(self._levels[-1][0]) < 2 * len(fresh[0]):
            mixed, places = self._levels.pop()
            fresh = _sorted_pairs(
                np.concatenate([mixed, fresh[0]]), np.concatenate([places, fresh[1]])
            )
        self._levels.append(fresh)

    def has(self, moment: UintArray, place: UintArray) -> BoolArray:
        """Tell which pairs are in the set."""
        wanted = _mixed(moment, place)
        order = np.argsort(wanted)
        found = np.zeros(len(wanted), dtype=bool)
        for mixed, places in self._levels:
            if len(mixed):
                at = np.minimum(np.searchsorted(mixed, wanted[order]), len(mixed) - 1)
                found[order] |= (mixed[at] == wanted[order]) & (places[at] == place[order])
        return found


def _mixed(moment: UintArray, place: UintArray) -> UintArray:
    """Mix moment and place so that, of one place, no two moments give the same number."""
    return (moment * _SPREAD_TIME) ^ (place * _SPREAD_PLACE)


def _sorted_pairs(mixed: UintArray, place: UintArray) -> tuple[UintArray, UintArray]:
    order = np.argsort(mixed, kind="stable")
    return mixed[order], place[order]


def _spans(logs: pd.DataFrame) -> pd.DataFrame:
    return logs[["start", "end"]].dropna()


def _keys_of(fixes: gpd.GeoDataFrame) -> tuple[UintArray, UintArray]:
    """Return time and place as whole numbers, so that they compare exactly."""
    places = shapely.get_coordinates(fixes.geometry.to_numpy())
    steps = np.rint((places + _TO_ZERO) * PER_DEGREE).astype(np.uint64)
    stamps = fixes["time"].dt.tz_convert("UTC").dt.tz_localize(None)
    moments = stamps.to_numpy(dtype="datetime64[ms]").view(np.uint64)
    return moments, steps[:, 0] << np.uint64(32) | steps[:, 1]
