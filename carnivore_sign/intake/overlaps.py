"""Overlaps: which fixes of a log the season has already, from another download of the walk.

A fix is known if the season has one at the same time, to the millisecond, and at the same
place, to a millionth of a degree (about 0.1 m). Two devices carried side by side do not agree
so closely but by rare chance. A copy that was rounded more coarsely on its way is recognised by
all of its fixes together (``roundings.py``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from carnivore_sign.intake.roundings import (
    MIN_FIXES,
    PER_DEGREE,
    Resolution,
    resolution_of,
    same_within,
)
from carnivore_sign.records.season import Season

#: Odd numbers, so that multiplying by them, modulo 2**64, takes no two numbers to one.
_SPREAD_TIME: Final = np.uint64(0x9E3779B97F4A7C15)
_SPREAD_PLACE: Final = np.uint64(0xC2B2AE3D27D4EB4F)
_UNSPREAD_TIME: Final = np.uint64(pow(0x9E3779B97F4A7C15, -1, 2**64))
_LOW: Final = np.uint64(0xFFFFFFFF)

#: The bits of a time that is missing.
NO_TIME: Final = np.datetime64("NaT", "ms").view(np.uint64)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
UintArray = npt.NDArray[np.uint64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Span:
    """First and last moment of a log, and where its numbers end."""

    first_ms: int
    last_ms: int
    resolution: Resolution


@dataclass(frozen=True, eq=False)
class FixKeys:
    """When and where the fixes of a log are, as whole numbers that compare exactly.

    Attributes
    ----------
    moments : array of uint64
        The bits of milliseconds since 1970 UTC; those of `NO_TIME` where there is no time.
    places : array of uint64
        Longitude and latitude in steps, in one number.
    span : Span or None
        What lies between the first and the last; None if no fix has a time.
    """

    moments: UintArray
    places: UintArray
    span: Span | None

    @classmethod
    def of(cls, fixes: gpd.GeoDataFrame) -> FixKeys:
        """Return those of a table of fixes."""
        places = shapely.get_coordinates(fixes.geometry.to_numpy())
        stamps = fixes["time"].dt.tz_convert("UTC").dt.tz_localize(None)
        time_ms = stamps.to_numpy(dtype="datetime64[ms]").astype(np.int64)
        return cls.at(places[:, 0], places[:, 1], time_ms)

    @classmethod
    def at(cls, lon: FloatArray, lat: FloatArray, time_ms: IntArray) -> FixKeys:
        """Return those of longitudes and latitudes, in degrees, and times."""
        east = np.rint((lon + 180.0) * PER_DEGREE).astype(np.uint64)
        north = np.rint((lat + 90.0) * PER_DEGREE).astype(np.uint64)
        return cls._with_span(time_ms.view(np.uint64), east << np.uint64(32) | north)

    @classmethod
    def _with_span(cls, moments: UintArray, places: UintArray) -> FixKeys:
        timed = moments != NO_TIME
        if not timed.any():
            return cls(moments, places, None)
        stamps, steps = _parted(moments[timed], places[timed])
        first, last = int(stamps.min()), int(stamps.max())
        return cls(moments, places, Span(first, last, resolution_of(stamps, steps)))

    def __len__(self) -> int:
        return len(self.moments)

    @property
    def timed(self) -> BoolArray:
        """Which fixes have a time."""
        return self.moments != NO_TIME

    def taken(self, rows: BoolArray | IntArray) -> FixKeys:
        """Return those of some of the fixes."""
        return self._with_span(self.moments[rows], self.places[rows])


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
        logs = season.read("logs").dropna(subset=["start", "end"])
        self._at_first = [
            logs[name].to_numpy(dtype="datetime64[ms]").astype(np.int64)
            for name in ("start", "end")
        ]
        self._since: list[Span] = []
        self._read = False
        self._fresh: list[FixKeys] = []
        self._keys = KeySet()

    def has(self, fixes: FixKeys) -> BoolArray:
        """Tell which of the fixes the season has; a fix without a time is never known."""
        none = np.zeros(len(fixes), dtype=bool)
        if fixes.span is None:
            return none
        start, end = self._at_first
        at_first = ((start <= fixes.span.last_ms) & (end >= fixes.span.first_ms)).any()
        if at_first and not self._read:
            self._read_season()
        if not at_first and not self._overlapping(fixes.span):
            return none
        for keys in self._fresh:
            self._keys.add(keys.moments, keys.places)
        self._fresh.clear()
        return self._keys.has(fixes.moments, fixes.places) & fixes.timed

    def has_rounded(self, fixes: FixKeys) -> tuple[BoolArray, str]:
        """Tell which of the fixes the season has from a log of coarser or finer numbers.

        Returns
        -------
        known : array of bool
            One per fix.
        told : str
            To within which rounding; blank if there are none.
        """
        none = np.zeros(len(fixes), dtype=bool)
        timed = fixes.timed
        if fixes.span is None or timed.sum() < MIN_FIXES:
            return none, ""
        mine = fixes.span.resolution
        others = {span.resolution for span in self._overlapping(fixes.span)} - {mine}
        if not others:
            return none, ""
        fresh = _parted(fixes.moments[timed], fixes.places[timed])
        held = _between(self._keys.pairs(), fixes.span.first_ms, fixes.span.last_ms)
        for other in sorted(others, key=lambda one: (one.unit, one.tick_ms)):
            coarse = mine.coarser(other)
            same = same_within(fresh, held, coarse) if len(held[0]) else none[timed]
            if same.any():
                none[timed] = same
                return none, coarse.told()
        return none, ""

    def add(self, fixes: FixKeys) -> None:
        """Take in what is added to the season."""
        if fixes.span is not None:
            self._since.append(fixes.span)
            self._fresh.append(fixes)

    def _overlapping(self, own: Span) -> list[Span]:
        return [
            span
            for span in self._since
            if span.first_ms <= own.last_ms and span.last_ms >= own.first_ms
        ]

    def _read_season(self) -> None:
        """Read the fixes that the season had at first, and where the numbers of each log end."""
        fixes = self._season.read("fixes")
        keys = FixKeys.of(fixes)
        self._keys.add(keys.moments, keys.places)
        for rows in fixes.groupby("log", sort=False).indices.values():
            span = keys.taken(rows).span
            if span is not None:
                self._since.append(span)
        self._read = True


def _parted(moments: UintArray, places: UintArray) -> tuple[IntArray, IntArray]:
    """Return moments, and longitudes and latitudes in steps, out of their keys."""
    steps = np.stack([places >> np.uint64(32), places & _LOW], axis=1)
    return moments.view(np.int64), steps.astype(np.int64)


def _between(keys: tuple[UintArray, UintArray], first: int, last: int) -> tuple[IntArray, IntArray]:
    """Return those moments and steps that lie within a second of a span of time."""
    moments = keys[0].view(np.int64)
    near = (moments >= first - 1000) & (moments <= last + 1000)
    return _parted(keys[0][near], keys[1][near])


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

    def pairs(self) -> tuple[UintArray, UintArray]:
        """Return all pairs, in no order."""
        blank = np.zeros(0, dtype=np.uint64)
        mixed = np.concatenate([blank, *(mixed for mixed, _ in self._levels)])
        place = np.concatenate([blank, *(place for _, place in self._levels)])
        return (mixed ^ (place * _SPREAD_PLACE)) * _UNSPREAD_TIME, place

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
