"""Doubts: what a season holds that is possible and still worth a second look.

Nothing is refused or changed here. Sign and incidents are held against the logs and transects
of the season, and prints against its sign, so that a slip of the pen (latitude and longitude
swapped, a wrong year, a mistyped name) is seen before it is on a map. The order in which files
were imported does not matter.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from carnivore_sign.records.check import TEXT
from carnivore_sign.records.season import Season

FloatArray = npt.NDArray[np.float64]

#: Sign this far from every log and transect is doubtful, in kilometres.
FAR_KM: Final = 50.0
#: Sign this long before or after every log is doubtful.
FAR_DAYS: Final = 30.0
#: Mean radius of the earth; a sphere is good enough to tell far from near.
_EARTH_KM: Final = 6371.0
#: Fixes are thinned to cells of this size, about a kilometre, before they are measured to.
_CELL_DEG: Final = 0.01
_DAY: Final = pd.Timedelta(days=1)
#: Tables with doubts, the column of the name and that of the time.
_LOOKED_AT: Final = {"sign": ("sign", "time"), "incidents": ("incident", "found")}
#: Doubtful rows that are told one by one in the notes of a receipt.
_SHOWN: Final = 10
_COLUMNS: Final = ["table_name", "receipt", "source_row", "name", "doubt"]


def orphan_prints(season: Season) -> pd.DataFrame:
    """List the sign that prints, noted or traced, name and the season does not have.

    Parameters
    ----------
    season : Season
        The season.

    Returns
    -------
    DataFrame
        One row per name: ``sign``, ``prints`` (how many name it), ``receipt`` and
        ``source_row`` of the first of them, and ``similar``, a sign of the season with a
        similar name if there is one. Such prints are kept, for the notebook may come later, and
        weigh nothing until then.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> season = example_season()
    >>> len(orphan_prints(season))
    0
    """
    named = ["sign", "print_no", "receipt", "source_row"]
    both = pd.concat([season.read(table)[named] for table in ("prints", "outlines")])
    prints = both.drop_duplicates(["sign", "print_no"])
    names = season.read("sign")["sign"]
    lost = prints[~prints["sign"].isin(names)]
    found = lost.groupby("sign", sort=False).agg(
        prints=("sign", "size"), receipt=("receipt", "first"), source_row=("source_row", "first")
    )
    found = found.reset_index()
    by_plain = {str(name).casefold(): name for name in names}
    near = [difflib.get_close_matches(name.casefold(), by_plain, 1, 0.8) for name in found["sign"]]
    found["similar"] = pd.Series(
        [by_plain[one[0]] if one else None for one in near], index=found.index, dtype="object"
    )
    return found


def tell_orphans(orphans: pd.DataFrame, *, shown: int = 5) -> str | None:
    """Say in one sentence which prints belong to no sign; None if there is none.

    Parameters
    ----------
    orphans : DataFrame
        From `orphan_prints`.
    shown : int
        How many names are told.

    Returns
    -------
    str or None
        The sentence.

    Examples
    --------
    >>> lost = pd.DataFrame({"sign": ["S9"], "prints": [2], "similar": ["S09"]})
    >>> tell_orphans(lost)[:72]
    '2 prints belong to sign that the season does not have: S9 (2; is it S09?'
    """
    if not len(orphans):
        return None
    names = [
        f"{row.sign} ({row.prints}" + (f"; is it {row.similar}?)" if row.similar else ")")
        for row in orphans.head(shown).itertuples()
    ]
    more = f" and {len(orphans) - shown} more" if len(orphans) > shown else ""
    return (
        f"{orphans['prints'].sum()} prints belong to sign that the season does not have: "
        f"{', '.join(names)}{more}. Import the notebook that holds it, or correct the name"
    )


def doubtful_rows(
    season: Season,
    *,
    receipts: Collection[str] | None = None,
    now: pd.Timestamp | None = None,
) -> pd.DataFrame:
    """List sign and incidents whose time or place is possible and hard to believe.

    Parameters
    ----------
    season : Season
        The season.
    receipts : collection of str, optional
        Look at rows of these receipts only.
    now : Timestamp, optional
        UTC; the time of the call, unless given.

    Returns
    -------
    DataFrame
        ``table_name``, ``receipt``, ``source_row``, ``name`` and ``doubt``, in the order of the
        tables; one row for each that lies in the future, more than `FAR_DAYS` from every log of
        the season, or more than `FAR_KM` from all its logs and transects. Without a log that
        has times, or without any log and transect, there is nothing to compare with.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> season = example_season()
    >>> len(doubtful_rows(season, now=pd.Timestamp("2026-06-01", tz="UTC")))
    0
    >>> early = doubtful_rows(season, now=pd.Timestamp("2026-04-28", tz="UTC"))
    >>> early["doubt"].unique().tolist()
    ['dated in the future (2026-04-28)']
    """
    tables = {name: season.read(name) for name in _LOOKED_AT}
    if receipts is not None:
        tables = {name: rows[rows["receipt"].isin(receipts)] for name, rows in tables.items()}
    if not sum(map(len, tables.values())):
        return pd.DataFrame(columns=_COLUMNS)
    moment = pd.Timestamp.now("UTC") if now is None else now
    logs = season.read("logs")
    places = _places(season) if any(_has_place(rows).any() for rows in tables.values()) else None
    found = []
    for name, rows in tables.items():
        key, time = _LOOKED_AT[name]
        doubts = _doubts_of_times(rows[time], logs, moment)
        if places is not None:
            doubts += _doubts_of_places(rows, places)
        for row, doubt in doubts:
            told = rows.loc[row]
            found.append((name, told["receipt"], told["source_row"], told[key], doubt))
    return pd.DataFrame(found, columns=_COLUMNS).sort_values(
        ["table_name", "receipt", "source_row"], kind="stable", ignore_index=True
    )


def note_doubts(season: Season, receipts: pd.DataFrame) -> pd.DataFrame:
    """Return receipts of an import with the doubtful rows of each in its notes.

    The receipts that the season holds stay as they are: what is doubtful depends on what else
    is imported later, and `doubtful_rows` tells it at any time.
    """
    keys = ["receipt", "table_name"]
    fresh = receipts["outcome"].eq("imported") & receipts["table_name"].isin(_LOOKED_AT)
    rows = doubtful_rows(season, receipts=set(receipts.loc[fresh, "receipt"]))
    if not len(rows):
        return receipts
    numbers = rows["source_row"].astype(str)
    told = ("row " + numbers + ", " + rows["name"] + ": " + rows["doubt"]).groupby(
        [rows[key] for key in keys]
    )
    joined = told.agg(_joined).rename("doubts").reset_index()
    notes = receipts[[*keys, "notes"]].merge(joined, on=keys, how="left")
    both = [
        "; ".join(note for note in pair if isinstance(note, str)) or None
        for pair in zip(notes["notes"], notes["doubts"].where(fresh.to_numpy()), strict=True)
    ]
    return receipts.assign(notes=pd.array(both, dtype=TEXT))


def _joined(told: pd.Series) -> str:
    more = [f"and {len(told) - _SHOWN} more in doubtful_rows"] if len(told) > _SHOWN else []
    return "; ".join([*told.head(_SHOWN), *more])


def _doubts_of_times(
    times: pd.Series, logs: pd.DataFrame, now: pd.Timestamp
) -> list[tuple[int, str]]:
    future = times > now
    away = _days_from_logs(times, logs)
    told = [(row, f"dated in the future ({times[row]:%Y-%m-%d})") for row in times.index[future]]
    return told + [
        (
            row,
            f"dated {times[row]:%Y-%m-%d}, {days:.0f} days from the nearest log: is that right?",
        )
        for row, days in away[(away > FAR_DAYS) & ~future].items()
    ]


def _days_from_logs(times: pd.Series, logs: pd.DataFrame) -> pd.Series:
    """Return the days from each time to the nearest log; NaN if no log has times."""
    spans = logs[["start", "end"]].dropna().sort_values("start")
    if not len(spans) or not len(times):
        return pd.Series(np.nan, index=times.index)
    since = times.dropna()
    moment = ((since - spans["start"].iloc[0]) / _DAY).to_numpy(dtype=float)
    starts = ((spans["start"] - spans["start"].iloc[0]) / _DAY).to_numpy(dtype=float)
    ends = ((spans["end"] - spans["start"].iloc[0]) / _DAY).to_numpy(dtype=float)
    behind = np.concatenate([[-np.inf], np.maximum.accumulate(ends)])
    ahead = np.concatenate([starts, [np.inf]])
    at = np.searchsorted(starts, moment, side="right")
    days = np.minimum(np.maximum(moment - behind[at], 0.0), ahead[at] - moment)
    return pd.Series(days, index=since.index).reindex(times.index)


def _has_place(rows: gpd.GeoDataFrame) -> pd.Series:
    return rows.geometry.notna() & ~rows.geometry.is_empty


def _places(season: Season) -> cKDTree | None:
    """Return a tree of where the season was surveyed; None if nowhere."""
    fixes = shapely.get_coordinates(season.read("fixes").geometry.to_numpy())
    lines = season.read("transects").geometry.to_numpy()
    cells = np.unique(np.round(fixes / _CELL_DEG), axis=0) * _CELL_DEG
    vertices = shapely.get_coordinates(shapely.segmentize(lines, 5 * _CELL_DEG))
    points = np.concatenate([cells, vertices])
    points = points[np.isfinite(points).all(axis=1)]
    return cKDTree(_on_sphere(points)) if len(points) else None


def _on_sphere(points: FloatArray) -> FloatArray:
    """Return points of longitude and latitude in degrees as unit vectors."""
    lon, lat = np.radians(points).T
    return np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


def _km_to(tree: cKDTree, points: FloatArray) -> FloatArray:
    chord, _ = tree.query(_on_sphere(points))
    return 2 * _EARTH_KM * np.arcsin(np.clip(chord / 2, 0, 1))


def _doubts_of_places(rows: gpd.GeoDataFrame, tree: cKDTree) -> list[tuple[int, str]]:
    placed = rows.loc[_has_place(rows)]
    if not len(placed):
        return []
    points = shapely.get_coordinates(placed.geometry.to_numpy())
    far = _km_to(tree, points)
    away = np.flatnonzero(far > FAR_KM)
    if not len(away):
        return []
    lon, lat = points[away].T
    guesses = {
        "are lat and lon swapped?": (lat, np.where(np.abs(lon) <= 90, lon, np.nan)),
        "is the minus of the longitude missing?": (-lon, lat),
        "is the minus of the latitude missing?": (lon, -lat),
    }
    fits = {what: _is_near(tree, np.column_stack(pair)) for what, pair in guesses.items()}
    told = []
    for place, row in enumerate(away):
        guess = next((what for what, near in fits.items() if near[place]), "is the place right?")
        doubt = f"{far[row]:.0f} km from every log and transect: {guess}"
        told.append((placed.index[row], doubt))
    return told


def _is_near(tree: cKDTree, points: FloatArray) -> npt.NDArray[np.bool_]:
    known = np.isfinite(points).all(axis=1)
    near = np.zeros(len(points), dtype=bool)
    if known.any():
        near[known] = _km_to(tree, points[known]) <= FAR_KM
    return near
