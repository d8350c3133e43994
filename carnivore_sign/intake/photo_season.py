"""Photos of a season: placed on the logs of the party that took them, and read with their places.

What a photo says of itself stays in table ``photos`` as it came. Where it was taken by a log and
a clock put right goes to table ``photo_places``, which only grows: a later row supersedes an
earlier one of the same photo.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign._version import __version__
from carnivore_sign.errors import InputError
from carnivore_sign.intake.photo_clocks import set_clocks
from carnivore_sign.intake.photo_placing import (
    MAX_GAP_S,
    fill_places,
    find_places,
    without_position,
)
from carnivore_sign.records.check import conform
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import PHOTO_PLACES

#: What parts the names of a party: "Ana, Ben", "Ana & Ben", "Ana and Ben".
_BETWEEN_NAMES: Final = re.compile(r"\s*[,;&+/]\s*|\s+and\s+")
_CLOCK_TOLD: Final = {
    "gps": "by GPS time",
    "given": "by the camera's clock and {:+g} s, as given",
    "estimated": "by the camera's clock and {:+g} s, as estimated from its photos with GPS time",
    "as_set": "by the camera's clock as it was set",
}
_TAKEN_OVER: Final = ("time", "clock_offset_s", "clock_source")


def place_season_photos(
    season: Season,
    *,
    clock_offset_s: float | Mapping[str, float] | None = None,
    max_gap_s: float = MAX_GAP_S,
) -> gpd.GeoDataFrame:
    """Place the photos of a season that have no position on the logs of the same party, by time.

    Parameters
    ----------
    season : Season
        The season; its table ``photo_places`` grows by what is new. A second call adds nothing.
    clock_offset_s : float or mapping of str to float, optional
        Seconds to add to the camera's clock, for all photos without a position or by ``device``.
        What was given in an earlier call holds for its photos until another is given. Where none
        is given it is estimated from photos of the same camera that have a GPS time too
        (`estimate_clock_offsets`), and where that cannot be, the clock is taken at its word.
    max_gap_s : float
        No photo is placed between two fixes farther apart in time than this.

    Returns
    -------
    GeoDataFrame
        As table ``photo_places``: one row for each photo without a position of its own, with the
        labels of table ``photos``. ``clock_source`` says whether the offset was given or
        estimated, ``told`` how the place was found or why there is none.

    Raises
    ------
    InputError
        If an offset is given for a camera that took none of the photos.

    Notes
    -----
    Of the same party is a log whose observer is, or is among, those of the photo. Where no such
    log holds the time, logs that name no observer are tried; logs of other people never are. A
    photo whose observer is not known may be on any log, but not where two logs disagree by more
    than `carnivore_sign.intake.photo_placing.MAX_APART_M`.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> season = example_season()
    >>> len(place_season_photos(season))  # the demo season has no photos
    0
    """
    photos = season.read("photos")
    bare = without_position(photos)
    if not bare.any():
        _require_devices(photos.loc[bare], clock_offset_s)
        return conform(gpd.GeoDataFrame(geometry=[], crs="EPSG:4326"), PHOTO_PLACES)
    _require_devices(photos.loc[bare], clock_offset_s)
    held = _latest(season)
    given = _offsets(photos, clock_offset_s, held)
    timed = set_clocks(photos, given.where(bare)).loc[bare]
    found = _find_by_party(timed, season.read("fixes"), season.read("logs"), max_gap_s)
    places = _places(timed, found)
    fresh = places.loc[~_same(places, held)]
    if len(fresh):
        season.append({"photo_places": fresh})
    return places


def season_photos(season: Season) -> gpd.GeoDataFrame:
    """Return the photos of a season, those without a position where the logs place them.

    Parameters
    ----------
    season : Season
        The season.

    Returns
    -------
    GeoDataFrame
        As table ``photos``; where `place_season_photos` found more than the photo says,
        ``time``, ``clock_offset_s``, ``clock_source`` and the position are those, with
        ``position_source`` ``log`` and how it was found in ``notes``.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> season = example_season()
    >>> len(season_photos(season))  # the demo season has no photos
    0
    """
    photos = season.read("photos")
    held = _latest(season).reindex(photos["photo"]).set_axis(photos.index)
    found = held.loc[held["told"].notna() & without_position(photos)]
    photos = photos.copy()
    for name in _TAKEN_OVER:
        photos.loc[found.index, name] = found[name]
    return fill_places(photos, found)


def _latest(season: Season) -> gpd.GeoDataFrame:
    """Return the place of each photo that holds now, by its name."""
    held = season.read("photo_places")
    return held.drop_duplicates("photo", keep="last").set_index("photo", drop=False)


def _require_devices(
    photos: pd.DataFrame, clock_offset_s: float | Mapping[str, float] | None
) -> None:
    if not isinstance(clock_offset_s, Mapping):
        return
    there = sorted(photos["device"].dropna().unique())
    strange = sorted(set(clock_offset_s) - set(there))
    if strange:
        raise InputError(
            f"no photo without a position was taken with '{strange[0]}'",
            remedy=f"Their cameras are: {', '.join(there) or 'not stated in the photos'}.",
        )


def _offsets(
    photos: pd.DataFrame,
    clock_offset_s: float | Mapping[str, float] | None,
    held: gpd.GeoDataFrame,
) -> pd.Series:
    """Return the offset given for each photo: now, or else in an earlier call."""
    earlier = held["clock_offset_s"].where(held["clock_source"].eq("given"))
    before = photos["photo"].astype("object").map(earlier).astype(float)
    if clock_offset_s is None:
        return before
    if isinstance(clock_offset_s, Mapping):
        now = photos["device"].astype("object").map(dict(clock_offset_s)).astype(float)
        return now.fillna(before)
    return pd.Series(float(clock_offset_s), index=photos.index)


def _find_by_party(
    photos: pd.DataFrame, fixes: gpd.GeoDataFrame, logs: pd.DataFrame, max_gap_s: float
) -> gpd.GeoDataFrame:
    """Find the places of the photos of each party on its logs, then on those of nobody."""
    parties = logs.set_index("log")["observer"].astype("object").map(_names, na_action="ignore")
    nobody = parties.index[parties.isna()]
    found = []
    for observer, taken in photos.groupby("observer", dropna=False):
        if pd.isna(observer):
            found.append(find_places(taken, fixes, max_gap_s=max_gap_s))
            continue
        known = parties.dropna()
        own = known.index[[not _names(str(observer)).isdisjoint(names) for names in known]]
        here = find_places(taken, _of_logs(fixes, own), max_gap_s=max_gap_s)
        left = here["log"].isna()
        there = find_places(taken.loc[left], _of_logs(fixes, nobody), max_gap_s=max_gap_s)
        if len(own):
            there = there.loc[there["log"].notna()]
        elif not len(nobody):
            there = there.assign(told=f"no log of {observer}, and every log names somebody else")
        found.append(pd.concat([here.drop(index=there.index), there]))
    return pd.concat(found).loc[photos.index]


def _names(observer: str) -> frozenset[str]:
    """Return the people that an observer's cell names.

    Examples
    --------
    >>> sorted(_names("Ana Ruiz & Ben, Cy"))
    ['ana ruiz', 'ben', 'cy']
    """
    return frozenset(filter(None, _BETWEEN_NAMES.split(observer.strip().casefold())))


def _of_logs(fixes: gpd.GeoDataFrame, names: pd.Index) -> gpd.GeoDataFrame:
    return fixes.loc[fixes["log"].isin(names)]


def _places(timed: gpd.GeoDataFrame, found: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Make the rows of table ``photo_places``."""
    clocks = [
        f", {_CLOCK_TOLD[source].format(offset)}" if isinstance(source, str) else ""
        for source, offset in zip(timed["clock_source"], timed["clock_offset_s"], strict=True)
    ]
    rows = found.assign(
        photo=timed["photo"],
        **{name: timed[name] for name in _TAKEN_OVER},
        told=found["told"] + pd.Series(clocks, index=found.index, dtype="object"),
        found_at=pd.Timestamp(datetime.now(UTC)).round("ms"),
        library_version=__version__,
    )
    return conform(rows, PHOTO_PLACES)


def _same(places: gpd.GeoDataFrame, held: gpd.GeoDataFrame) -> np.ndarray:
    """Tell which places the season holds already, just so."""
    there = held.reindex(places["photo"]).set_axis(places.index)
    same = places.geometry.geom_equals(there.geometry) | (
        places.geometry.isna() & there.geometry.isna()
    )
    for name in ("log", *_TAKEN_OVER, "told"):
        same &= places[name].eq(there[name]) | (places[name].isna() & there[name].isna())
    return (same & there["told"].notna()).to_numpy(dtype=bool)
