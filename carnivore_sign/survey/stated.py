"""Stated walks: walks without a log, of which somebody typed how far they went.

A typed distance is effort, but not measured: it is marked as stated wherever it goes. It makes
visits only where it says which metres were walked; a row that leaves that open is handed back.
"""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import VISITS
from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING, TRANSECT_ENDS
from carnivore_sign.survey.clearing import add_conditions
from carnivore_sign.survey.light import sun_height_deg
from carnivore_sign.survey.visits import MIN_COVERAGE
from carnivore_sign.units import M_PER_KM, lengths_from_text

FloatArray = npt.NDArray[np.float64]

#: A distance that falls short of the transect by less than this share is the whole of it:
#: typed distances are rounded (common practice, no source).
ROUNDED: Final = 0.05

_COLUMNS: Final = ["walk", "transect", "start", "end", "observer", "distance", "began_at", "back"]


def add_stated_walks(
    visits: pd.DataFrame,
    stated: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    clearings: pd.DataFrame | None,
    *,
    time_zone: str,
    max_days_collecting: float = MAX_DAYS_COLLECTING,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add walks that have no log, and only a distance that was typed.

    Parameters
    ----------
    visits : DataFrame
        From `make_visits`; may be empty.
    stated : DataFrame
        One row per walk and transect: ``walk`` (its name), ``transect``, ``start`` (UTC),
        ``distance`` (with its unit, ``4.2 km``) and, where they are known, ``end``,
        ``observer``, ``began_at`` (``start`` or ``end`` of the transect as it was digitised) and
        ``back`` (whether the same way was walked back, and the distance is that of both ways).
    segments : GeoDataFrame
        From `cut_segments`.
    clearings : DataFrame or None
        As `records.tables.CLEARINGS`.
    time_zone : str
        IANA name of the local zone; the start of a walk in it decides the month.
    max_days_collecting : float
        As for `make_visits`.

    Returns
    -------
    visits : DataFrame
        All visits, as `records.tables.VISITS`. The new ones have ``effort_source`` *stated*, no
        ``log``, and the times of their walk. The days that each visit collected sign are
        computed again, since a stated walk may lie between two others.
    set_aside : DataFrame
        The rows of `stated` that make no visits, with ``reason``. Rows in = walks added + rows
        here.

    Notes
    -----
    A distance of the whole transect or more covers it all, each metre once. A shorter one covers
    that far from the end at which the walk began; if that is not said, the row is set aside,
    because nobody knows which segments were looked at.

    Examples
    --------
    >>> from shapely import LineString
    >>> from carnivore_sign.survey.segments import cut_segments
    >>> road = gpd.GeoDataFrame(
    ...     {"transect": ["MESA"]}, geometry=[LineString([(0, 0), (0.02, 0)])], crs="EPSG:4326"
    ... )
    >>> stated = pd.DataFrame({
    ...     "walk": ["Ann, 6 May", "Bo, 7 May"], "transect": "MESA",
    ...     "start": pd.to_datetime(["2024-05-06 14:00Z", "2024-05-07 14:00Z"]),
    ...     "distance": ["1.5 km", "1.5 km"], "began_at": ["start", None],
    ... })
    >>> none = pd.DataFrame(columns=["visit"])
    >>> visits, set_aside = add_stated_walks(
    ...     none, stated, cut_segments(road), None, time_zone="UTC"
    ... )
    >>> visits[["segment", "covered_m", "effort_source"]].values.tolist()
    [['MESA#001', 1000.0, 'stated'], ['MESA#002', 500.0, 'stated']]
    >>> set_aside["reason"].tolist()
    ['1500 of 2226 m: say at which end it began']
    """
    if stated.empty:
        return visits, stated.assign(reason=pd.Series(dtype="object"))
    walks = stated.reindex(columns=_COLUMNS).reset_index(drop=True)
    length_m = segments.groupby("transect", observed=True)["to_m"].max()
    distance_m, unreadable = lengths_from_text(walks["distance"])
    whole_m = walks["transect"].astype("object").map(length_m).astype(float)
    reason = _reasons(walks, distance_m, unreadable, whole_m, visits)
    good = reason.isna()
    added = _visits_of(walks[good], distance_m[good], whole_m[good], segments, time_zone)
    both = pd.concat([some for some in (visits, added) if len(some)] or [added], ignore_index=True)
    both = add_conditions(both, clearings, segments, max_days_collecting=max_days_collecting)
    bad = stated.reset_index(drop=True)[~good]
    return check_table(both, VISITS), bad.assign(reason=reason[~good])


def _reasons(
    walks: pd.DataFrame,
    distance_m: pd.Series,
    unreadable: pd.Series,
    whole_m: pd.Series,
    visits: pd.DataFrame,
) -> pd.Series:
    """Say why a row makes no visits; missing where it does."""
    known = set(visits["walk"].dropna()) if "walk" in visits else set()
    reason = pd.Series(None, index=walks.index, dtype="object")
    began = walks["began_at"]
    covered = distance_m / np.where(walks["back"].eq(True), 2.0, 1.0)
    part = covered < (1 - ROUNDED) * whole_m
    told = [f"{d:.0f} of {w:.0f} m" for d, w in zip(covered, whole_m, strict=True)]
    said = pd.Series(told, index=walks.index) + ": say at which end it began"
    zoned = isinstance(walks["start"].dtype, pd.DatetimeTZDtype)
    for wrong, words in (
        (part & began.isna(), said),
        (
            began.notna() & ~began.isin(TRANSECT_ENDS),
            f"began_at is not one of {', '.join(TRANSECT_ENDS)}",
        ),
        (~(distance_m > 0), "no distance: type it with its unit (4.2 km)"),
        (walks.index.isin(unreadable.index), unreadable.reindex(walks.index)),
        (walks["start"].isna() | (not zoned), "no start in UTC"),
        (whole_m.isna(), "no transect of that name"),
        (walks["walk"].isin(known), "a walk of that name has a log"),
        (walks.duplicated(["walk", "transect"]), "the walk is stated twice on that transect"),
        (walks["walk"].isna(), "no name of the walk"),
    ):
        reason = reason.mask(wrong, words)
    return reason


def _visits_of(
    walks: pd.DataFrame,
    distance_m: pd.Series,
    whole_m: pd.Series,
    segments: gpd.GeoDataFrame,
    time_zone: str,
) -> pd.DataFrame:
    """Lay each stated distance on the segments of its transect."""
    covered = (distance_m / np.where(walks["back"].eq(True), 2.0, 1.0)).clip(upper=whole_m)
    covered = covered.mask(covered >= (1 - ROUNDED) * whole_m, whole_m)
    from_end = walks["began_at"].eq("end")
    laid = walks.assign(
        low=(whole_m - covered).where(from_end, 0.0),
        high=whole_m.where(from_end, covered),
        times=distance_m / covered,
    )
    place = pd.DataFrame(
        {
            "transect": segments["transect"].astype("object").to_numpy(),
            "segment": segments["segment"].astype("object").to_numpy(),
            "from_m": segments["from_m"].to_numpy(dtype=float),
            "to_m": segments["to_m"].to_numpy(dtype=float),
            "length_m": segments["length_m"].to_numpy(dtype=float),
            "centroid": shapely.centroid(segments.geometry.to_numpy()),
        }
    )
    both = laid.astype({"transect": "object"}).merge(place, on="transect")
    both["covered_m"] = np.minimum(both["high"], both["to_m"]) - np.maximum(
        both["low"], both["from_m"]
    )
    both["coverage"] = (both["covered_m"] / both["length_m"]).clip(upper=1.0)
    both = both[both["coverage"] >= MIN_COVERAGE].reset_index(drop=True)
    start = pd.to_datetime(both["start"], utc=True).dt.as_unit("ms")
    middle = shapely.get_coordinates(both["centroid"].to_numpy())
    return pd.DataFrame(
        {
            "visit": both["walk"].astype("object") + "@" + both["segment"],
            "walk": both["walk"].astype("object"),
            "segment": both["segment"],
            "transect": both["transect"],
            "observer": both["observer"],
            "start": start,
            "end": pd.to_datetime(both["end"], utc=True).dt.as_unit("ms").fillna(start),
            "period": start.dt.tz_convert(ZoneInfo(time_zone)).dt.strftime("%Y-%m"),
            "covered_m": both["covered_m"],
            "coverage": both["coverage"],
            "effort_km": both["covered_m"] / M_PER_KM,
            "effort_source": "stated",
            "walked_m": both["covered_m"] * both["times"].clip(lower=1.0),
            "sun_deg": sun_height_deg(start, *middle.T),
        }
    )
