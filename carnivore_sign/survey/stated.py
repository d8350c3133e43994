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
from carnivore_sign.space import project, working_crs
from carnivore_sign.survey.clearing import add_conditions
from carnivore_sign.survey.light import sun_height_deg
from carnivore_sign.survey.visits import MIN_COVERAGE
from carnivore_sign.units import M_PER_KM

FloatArray = npt.NDArray[np.float64]

#: A distance that falls short of the transect by less than this share is the whole of it:
#: typed distances are rounded (common practice, no source).
ROUNDED: Final = 0.05

#: A stated walk without an end is taken to have lasted no longer (common practice, no source).
LONGEST: Final = pd.Timedelta(hours=12)

_COLUMNS: Final = [
    "walk", "transect", "start", "end", "observer", "distance_m", "began_at", "back", "logged",
]  # fmt: skip


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
        As `records.tables.WALKS`: ``walk``, ``transect``, ``start`` (UTC), ``distance_m`` and,
        where they are known, ``end``, ``observer``, ``began_at`` (``start`` or ``end`` of the
        transect as it was digitised), ``back`` (*yes* where the same way was walked back, and
        the distance is that of both ways) and ``logged``. Walks that are said to have a log
        (*yes*) are passed over: their effort is measured.
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
        The rows of `stated` without a log that make no visits, with ``reason``. Rows without a
        log = walks added + rows here.

    Notes
    -----
    A distance of the whole transect or more covers it all, each metre once. A shorter one covers
    that far from the end at which the walk began; if that is not said, the row is set aside,
    because nobody knows which segments were looked at. A row is set aside as well where a log
    covers that transect at that time: a party that was measured is not counted a second time.

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
    ...     "distance_m": [1500.0, 1500.0], "began_at": ["start", None],
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
    if "logged" in stated:
        stated = stated[stated["logged"].ne("yes").fillna(True).to_numpy(dtype=bool)]
    if stated.empty:
        return visits, stated.assign(reason=pd.Series(dtype="object"))
    walks = stated.reindex(columns=_COLUMNS).reset_index(drop=True)
    length_m = segments.groupby("transect", observed=True)["to_m"].max()
    distance_m = walks["distance_m"].astype(float)
    whole_m = walks["transect"].astype("object").map(length_m).astype(float)
    reason = _reasons(walks, distance_m, whole_m, visits)
    good = reason.isna()
    added = _visits_of(walks[good], distance_m[good], whole_m[good], segments, time_zone)
    both = pd.concat([some for some in (visits, added) if len(some)] or [added], ignore_index=True)
    both = add_conditions(both, clearings, segments, max_days_collecting=max_days_collecting)
    bad = stated.reset_index(drop=True)[~good]
    return check_table(both, VISITS), bad.assign(reason=reason[~good])


def _reasons(
    walks: pd.DataFrame,
    distance_m: pd.Series,
    whole_m: pd.Series,
    visits: pd.DataFrame,
) -> pd.Series:
    """Say why a row makes no visits; missing where it does."""
    known = set(visits["walk"].dropna()) if "walk" in visits else set()
    reason = pd.Series(None, index=walks.index, dtype="object")
    began = walks["began_at"]
    covered = _one_way(walks, distance_m)
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
        (_measured(walks, visits), "a log covers that transect at that time"),
        (~(distance_m > 0), "no distance: say how far was walked"),
        (walks["start"].isna() | (not zoned), "no start in UTC"),
        (whole_m.isna(), "no transect of that name"),
        (walks["walk"].isin(known), "a walk of that name has a log"),
        (walks.duplicated(["walk", "transect"]), "the walk is stated twice on that transect"),
        (walks["walk"].isna(), "no name of the walk"),
    ):
        reason = reason.mask(wrong, words)
    return reason


def _one_way(walks: pd.DataFrame, distance_m: pd.Series) -> pd.Series:
    """Metres of the transect that a stated distance reaches."""
    return distance_m / np.where(walks["back"].isin(["yes", True]), 2.0, 1.0)


def _measured(walks: pd.DataFrame, visits: pd.DataFrame) -> pd.Series:
    """Whether visits with a log were made on the transect of each row at its time."""
    if visits.empty or not isinstance(walks["start"].dtype, pd.DatetimeTZDtype):
        return pd.Series(False, index=walks.index)
    by = visits[visits["log"].notna()].astype({"transect": "object"}).groupby(["walk", "transect"])
    logged = by.agg(first=("start", "min"), last=("end", "max")).reset_index("transect")
    rows = walks[["transect", "start", "end"]].astype({"transect": "object"}).reset_index()
    both = rows.merge(logged, on="transect")
    until = pd.to_datetime(both["end"], utc=True).fillna(both["start"])
    met = both.loc[(both["start"] <= both["last"]) & (both["first"] <= until), "index"]
    return pd.Series(walks.index.isin(met), index=walks.index)


def assign_stated_walks(
    walks: pd.Series,
    sign: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    *,
    within_m: float = 100.0,
) -> pd.Series:
    """Name the stated walk on which sign was found that no log passed by.

    Parameters
    ----------
    walks : Series
        From `assign_walks`: walk of each sign, by its name.
    sign : GeoDataFrame
        As `records.tables.SIGN`.
    visits : DataFrame
        With stated walks, from `add_stated_walks`.
    segments : GeoDataFrame
        From `cut_segments`.
    within_m : float
        Farthest that the sign may lie from a segment of the walk, metres.

    Returns
    -------
    Series
        `walks`, filled with the walk that the sign itself names (column ``walk``), if that made
        visits; and else where a stated walk covers a segment that near and the sign was found
        while it lasted (12 hours, where nobody says how long); of several walks that of the
        nearest segment, and of these the one that began last.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> walks = assign_stated_walks(
    ...     analysis.walks, analysis.sign, analysis.visits, analysis.segments
    ... )
    >>> len(walks) == len(analysis.walks)  # a season without stated walks: nothing to fill in
    True
    """
    stated = visits[visits["effort_source"].eq("stated").fillna(False)]
    names = sign["sign"].astype("object")
    if "walk" in sign:
        said = sign["walk"].astype("object").where(sign["walk"].isin(stated["walk"]), None)
        said.index = pd.Index(names)
        walks = walks.astype("object").fillna(said).astype(walks.dtype)
    lost = names.map(walks).isna() & sign.geometry.notna() & ~sign.geometry.is_empty
    if stated.empty or not lost.any():
        return walks
    crs = working_crs(segments)
    lines = project(segments[segments["segment"].isin(stated["segment"])], crs)
    points = project(sign[lost.to_numpy()], crs)
    point, line = lines.sindex.query(points.geometry, predicate="dwithin", distance=within_m)
    near = pd.DataFrame(
        {
            "sign": names[lost].to_numpy()[point],
            "time": points["time"].array[point],
            "segment": lines["segment"].astype("object").to_numpy()[line],
            "offset_m": shapely.distance(
                points.geometry.to_numpy()[point], lines.geometry.to_numpy()[line]
            ),
        }
    )
    columns = ["walk", "segment", "start", "end"]
    near = near.merge(stated[columns].astype({"segment": "object"}), on="segment")
    until = near["end"].where(near["end"] > near["start"], near["start"] + LONGEST)
    near = near[near["time"].between(near["start"], until)]
    near = near.sort_values(["offset_m", "start"], ascending=[True, False], kind="stable")
    found = near.drop_duplicates("sign").set_index("sign")["walk"].astype("object")
    return walks.astype("object").fillna(found).astype(walks.dtype)


def _visits_of(
    walks: pd.DataFrame,
    distance_m: pd.Series,
    whole_m: pd.Series,
    segments: gpd.GeoDataFrame,
    time_zone: str,
) -> pd.DataFrame:
    """Lay each stated distance on the segments of its transect."""
    covered = _one_way(walks, distance_m).clip(upper=whole_m)
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
