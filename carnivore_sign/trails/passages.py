"""Trails room: from linked sign to trails, the unit of detection.

A trail is one continuous passage of one animal. Forty prints of one passage are one trail.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import TRAILS, taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import STORED_CRS, line_lengths_m, stored
from carnivore_sign.trails.directions import mean_direction_deg
from carnivore_sign.trails.following import lay_followed
from carnivore_sign.trails.making import stated_ages

_P_COLUMNS: Final = [taxon_column(taxon) for taxon in TAXA]
_EVERYWHERE: Final = "all"

#: Events that wipe the ground beside the transects as well.
_WEATHER: Final = ("rain", "snow", "wind")


def make_trails(
    sign: gpd.GeoDataFrame,
    members: pd.DataFrame,
    probabilities: pd.DataFrame,
    prints: pd.DataFrame | None = None,
    clearings: pd.DataFrame | None = None,
    *,
    followed: gpd.GeoDataFrame | None = None,
) -> gpd.GeoDataFrame:
    """Make the trails that linked sign add up to.

    Parameters
    ----------
    sign : GeoDataFrame
        Columns of SIGN, each with a position.
    members : DataFrame
        From `link_trails`: ``sign``, ``trail``, ``order``.
    probabilities : DataFrame
        Columns ``p_<taxon>``, index name of the trail: pooled over its sign.
    prints : DataFrame, optional
        Columns of PRINTS, to be counted.
    clearings : DataFrame, optional
        Columns of CLEARINGS. A track found after weather that wiped *all* transects was made
        after it, on a transect or beside one. Drags and traffic wipe transects alone, and some
        events some of them; a trail does not say here which one it lies on, so that these are
        passed over (what they say of trails on transects, the survey's dating adds).
    followed : GeoDataFrame, optional
        Trails that were followed by hand, as `assign_followed` takes them; `members` then has
        a column ``followed``, and their lines are taken as they are.

    Returns
    -------
    GeoDataFrame
        Keeps to TRAILS, EPSG:4326, in the order of `members`: a line through the sign in
        order, or a point where they are all at one place; ``length_m`` on the ellipsoid;
        ``direction_deg`` the mean of the stated directions, missing where none was stated or
        they contradict each other; ``time`` when its first sign was found; ``made_before``
        and ``made_after`` from times, stated ages and clearings, ``made_after`` missing if
        none says anything. Stated ages may err: the two hold 95 % of the probability (see
        `carnivore_sign.trails.making`).

    Raises
    ------
    InputError
        If a member is no sign, stands twice, or a trail has no probabilities.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> made = make_trails(
    ...     analysis.sign, analysis.members,
    ...     analysis.trails.set_index("trail").filter(regex="^p_"), analysis.prints,
    ...     analysis.clearings,
    ... )
    >>> len(made) == analysis.members["trail"].nunique()
    True
    """
    joined = _join(sign, members)
    names = pd.Index(pd.unique(joined["trail"]), name="trail")
    pooled = _pooled(probabilities, names)
    group = names.get_indexer(joined["trail"])
    before, after = _windows(joined, group, names)
    after = _latest(after, _last_wiped(joined, before, names, clearings))
    table = pd.DataFrame(
        {
            "trail": names,
            "sign_count": np.bincount(group, minlength=len(names)),
            "print_count": _print_counts(joined["sign"], group, len(names), prints),
            "time": joined.groupby("trail", sort=False)["time"].min().to_numpy(),
            "made_after": after.mask(after > before, before).to_numpy(),
            "made_before": before.to_numpy(),
            "direction_deg": mean_direction_deg(
                _numbers(joined, "direction_deg"), group, len(names)
            ),
        }
    )
    table[_P_COLUMNS] = pooled.to_numpy()
    shapes = _lines(joined, group, len(names))
    if followed is not None and "followed" in joined:
        shapes = lay_followed(joined, shapes, group, followed)
    table["length_m"] = line_lengths_m(shapes)
    return conform(gpd.GeoDataFrame(table, geometry=shapes, crs=STORED_CRS), TRAILS)


def _join(sign: gpd.GeoDataFrame, members: pd.DataFrame) -> gpd.GeoDataFrame:
    if members["sign"].duplicated().any() or sign["sign"].duplicated().any():
        raise InputError(
            "a sign stands more than once", remedy="A sign has one name and is in one trail."
        )
    rows = pd.Index(sign["sign"]).get_indexer(members["sign"])
    if (rows < 0).any():
        raise InputError(
            f"'{members['sign'][rows < 0].iloc[0]}' is a member of a trail and not among the sign",
            remedy="Hand in the sign that the trails were linked from.",
        )
    joined = stored(sign, "the sign").iloc[rows].reset_index(drop=True)
    joined["trail"] = members["trail"].to_numpy()
    joined["order"] = members["order"].to_numpy()
    if "followed" in members:
        joined["followed"] = members["followed"].to_numpy()
    start = joined.groupby("trail", sort=False).ngroup()
    return joined.iloc[np.lexsort([joined["order"], start])].reset_index(drop=True)


def _pooled(probabilities: pd.DataFrame, names: pd.Index) -> pd.DataFrame:
    if probabilities.index.has_duplicates:
        raise InputError("a trail stands more than once among the probabilities")
    columns = [column for column in _P_COLUMNS if column in probabilities]
    pooled = probabilities[columns].reindex(names)
    unknown = names[pooled.isna().any(axis=1)] if columns else names
    if len(unknown):
        raise InputError(
            f"{len(unknown)} trails have no probabilities, such as '{unknown[0]}'",
            remedy="Pool the evidence of their sign first.",
        )
    return pooled.reindex(columns=_P_COLUMNS, fill_value=0.0)


def _windows(
    joined: pd.DataFrame, group: np.ndarray, names: pd.Index
) -> tuple[pd.Series, pd.Series]:
    """Return the latest and the earliest time at which each trail was probably made."""
    by = joined.groupby("trail", sort=False)["time"]
    first = by.min()
    hours = (joined["time"] - first.min()) / pd.Timedelta(hours=1)
    youngest, oldest = stated_ages(
        hours.to_numpy(dtype=float, na_value=np.nan),
        _numbers(joined, "age_min_h"), _numbers(joined, "age_max_h"), group,
    )  # fmt: skip
    before = first - pd.to_timedelta(youngest, unit="h").round("s")
    return before, first - pd.to_timedelta(oldest, unit="h").round("s")


def _last_wiped(
    joined: pd.DataFrame, before: pd.Series, names: pd.Index, clearings: pd.DataFrame | None
) -> pd.Series:
    """Return the last time weather wiped everything before each trail with tracks was made."""
    none = pd.Series(pd.NaT, index=names, dtype=before.dtype)
    if clearings is None or clearings.empty:
        return none
    everywhere = clearings["transects"].str.strip().str.lower().eq(_EVERYWHERE)
    wiped = clearings.loc[everywhere & clearings["cause"].isin(_WEATHER), "time"]
    wiped = np.sort(wiped.dropna().astype(before.dtype).to_numpy(dtype="datetime64[ms]"))
    if not len(wiped):
        return none
    place = np.searchsorted(wiped, before.to_numpy(dtype="datetime64[ms]"), side="left") - 1
    last = pd.Series(wiped[np.maximum(place, 0)], index=names).dt.tz_localize("UTC")
    tracks = joined["kind"].eq("track").groupby(joined["trail"], sort=False).any()
    return last.astype(before.dtype).where((place >= 0) & tracks.to_numpy(dtype=bool))


def _latest(one: pd.Series, other: pd.Series) -> pd.Series:
    return one.where(other.isna() | (one >= other), other)


def _print_counts(
    sign: pd.Series, group: np.ndarray, count: int, prints: pd.DataFrame | None
) -> np.ndarray:
    if prints is None:
        return np.zeros(count, dtype=np.int64)
    per_sign = prints["sign"].value_counts().reindex(sign).fillna(0).to_numpy(dtype=float)
    return np.bincount(group, per_sign, count).astype(np.int64)


def _lines(joined: gpd.GeoDataFrame, group: np.ndarray, count: int) -> np.ndarray:
    """Return a line through the positions of each trail, or a point if they are all one."""
    positions = shapely.get_coordinates(joined.geometry.to_numpy())
    if len(positions) != len(joined):
        raise InputError("every sign of a trail needs a position that is one point")
    first = np.unique(group, return_index=True)[1]
    moved = (positions != positions[first][group]).any(axis=1)
    lines = np.bincount(group, moved, count) > 0
    shapes = shapely.points(positions[first])
    on_line = lines[group]
    if on_line.any():
        number = np.cumsum(lines)[group[on_line]] - 1
        shapes[lines] = shapely.linestrings(positions[on_line], indices=number)
    return shapes


def _numbers(frame: pd.DataFrame, column: str) -> np.ndarray:
    if column not in frame:
        return np.full(len(frame), np.nan)
    return frame[column].to_numpy(dtype=float, na_value=np.nan)
