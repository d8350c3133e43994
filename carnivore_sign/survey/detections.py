"""Detections: the walk on which each sign was found, and the trails found on each visit.

One passage of one animal is one detection on each segment that its sign lie on, however many
prints it left. Sign away from every transect, or found where no visit was made, is kept apart
as incidental, with the reason: it shows presence, but has no effort to be divided by. So is a
trail that lay there at the visit before: effort counts the days since then.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from scipy.spatial import cKDTree

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import TEXT, check_table
from carnivore_sign.records.tables import DETECTIONS
from carnivore_sign.records.vocabularies import SIDES
from carnivore_sign.space import STORED_CRS, project, stored, working_crs
from carnivore_sign.survey.dating import trails_with_tracks
from carnivore_sign.survey.reach import passes_near
from carnivore_sign.units import SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: A notebook's time may be this much before the first fix of its walk on any transect: watches
#: differ, and receivers are switched on late (common practice, no source).
EARLY: Final = pd.Timedelta(hours=1)

#: Nearer to its line than this, a sign is on neither side of it.
_ON_LINE_M: Final = 0.5

#: Reasons why a sign makes no detection.
NO_POSITION: Final = "it has no position"
NOT_A_SIGN: Final = "the table of sign does not have it"
NOT_A_TRAIL: Final = "the table of trails does not have its trail"
NO_WALK: Final = "no walk passed by at that time"
OFF_TRANSECT: Final = "farther from every transect than allowed"
NO_VISIT: Final = "that walk did not visit the segment"
BEFORE_WALK: Final = "its time is before its walk began: check date and time"
SEEN_BEFORE: Final = "made before the last visit"


def assign_walks(
    sign: gpd.GeoDataFrame,
    matched: pd.DataFrame,
    *,
    within_m: float = 200.0,
    within_h: float = 12.0,
) -> pd.Series:
    """Name the walk on which each sign was found.

    Parameters
    ----------
    sign : GeoDataFrame
        As `records.tables.SIGN`: ``sign``, ``time`` (UTC), points.
    matched : DataFrame
        From `match_logs`; fixes on and off transects count alike.
    within_m : float
        Farthest that a fix of the walk may be, metres.
    within_h : float
        Longest time between that fix and the sign, hours.

    Returns
    -------
    Series of str
        Name of the walk, indexed by sign name; missing where no fix is near enough in both, or
        the sign has no position. Of several walks the one is taken of which a fix is nearest,
        where `within_m` of distance count as much as `within_h` of time.

    Examples
    --------
    >>> noon = pd.Timestamp("2024-05-06 12:00", tz="UTC")
    >>> sign = gpd.GeoDataFrame(
    ...     {"sign": ["S1", "S2"], "time": [noon, noon]},
    ...     geometry=gpd.points_from_xy([-120.0, -119.0], [45.0, 45.0]), crs="EPSG:4326",
    ... )
    >>> matched = pd.DataFrame(
    ...     {"walk": ["MON#1"], "time": [noon], "longitude_deg": [-120.0], "latitude_deg": [45.0]}
    ... )
    >>> walks = assign_walks(sign, matched)
    >>> walks["S1"], bool(walks.isna()["S2"])
    ('MON#1', True)
    """
    names = pd.Index(sign["sign"].astype("object"), name="sign")
    walks = pd.Series(np.full(len(sign), None, dtype=object), index=names, name="walk")
    place = stored(sign, "the sign").geometry.to_numpy()
    usable = matched["walk"].notna() & matched["longitude_deg"].notna()
    fixes = matched.loc[usable.to_numpy()]
    known = ~(shapely.is_missing(place) | shapely.is_empty(place)) & sign["time"].notna().to_numpy()
    if not known.any() or fixes.empty:
        return walks.astype(TEXT)
    row, fix, cost = _near_in_both(
        place[known], sign["time"][known], fixes, within_m=within_m, within_h=within_h
    )
    order = np.lexsort((fix, cost, row))
    row, fix = row[order], fix[order]
    first = np.flatnonzero(np.diff(row, prepend=-1))
    found = np.flatnonzero(known)[row[first]]
    walks.iloc[found] = fixes["walk"].astype("object").to_numpy()[fix[first]]
    return walks.astype(TEXT)


def _near_in_both(
    place: npt.NDArray[np.object_],
    time: pd.Series,
    fixes: pd.DataFrame,
    *,
    within_m: float,
    within_h: float,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Pairs of sign and fix that are near in place and in time, and how near (0 to 2)."""
    crs = working_crs(gpd.GeoSeries(place, crs=STORED_CRS))
    to_plane = pyproj.Transformer.from_crs(STORED_CRS, crs, always_xy=True)
    at_sign = np.column_stack(to_plane.transform(shapely.get_x(place), shapely.get_y(place)))
    at_fix = np.column_stack(
        to_plane.transform(fixes["longitude_deg"].to_numpy(), fixes["latitude_deg"].to_numpy())
    )
    finite = np.flatnonzero(np.isfinite(at_fix).all(axis=1))
    near = cKDTree(at_fix[finite]).query_ball_point(at_sign, within_m)
    row = np.repeat(np.arange(len(place)), [len(some) for some in near])
    fix = finite[np.concatenate([np.asarray(some, dtype=np.int64) for some in near])]
    metres = np.hypot(*(at_fix[fix] - at_sign[row]).T)
    apart = pd.Series(time.array[row] - fixes["time"].array[fix])
    hours = apart.dt.total_seconds().abs().to_numpy() / SECONDS_PER_HOUR
    keep = hours <= within_h
    return row[keep], fix[keep], (metres / within_m + hours / within_h)[keep]


def make_detections(
    trails: pd.DataFrame,
    members: pd.DataFrame,
    sign: gpd.GeoDataFrame,
    segments: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    *,
    walks: pd.Series,
    max_offset_m: float = 100.0,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Place trails on the visits on which they were found.

    Each member sign goes to the nearest line within `max_offset_m`, a segment that its walk
    visited going before one that it did not. A trail is detected once on each visit on which at
    least one of its sign lies, unless it was made before the end of the last visit of that
    segment before this one: then it is no sign of the days since. Sign whose time is over an
    hour before its walk began makes no detection either.

    Parameters
    ----------
    trails : DataFrame
        As `records.tables.TRAILS`: ``trail``, ``made_before`` and the columns ``p_<taxon>``.
    members : DataFrame
        ``sign`` and ``trail``, one row per sign.
    sign : GeoDataFrame
        As `records.tables.SIGN`.
    segments : GeoDataFrame
        From `cut_segments`.
    visits : DataFrame
        From `make_visits`. Where the segment was cleared since a track is said to have been
        made, the record of the clearing is believed, and not the age (see `date_by_clearing`).
    walks : Series
        Walk of each sign, from `assign_walks`.
    max_offset_m : float
        Farthest that a sign may lie from the line to count as found on it, metres.

    Returns
    -------
    detections : DataFrame
        As `records.tables.DETECTIONS`; ``offset_m`` and ``side`` of the nearest of its sign;
        ``with_tracks`` 0 where scat or other sign alone makes up the trail: that lies for
        weeks, and says nothing of the days in which effort gathered (see `detection_rates`).
    incidental : DataFrame
        ``sign``, ``trail``, ``segment`` (where one is near), ``offset_m``, ``reason``: one row
        per member that makes no detection. Members in = members placed + members here.

    Raises
    ------
    InputError
        If a name stands twice among the trails or the sign.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> detections, incidental = make_detections(
    ...     analysis.trails, analysis.members, analysis.sign, analysis.segments, analysis.visits,
    ...     walks=analysis.walks,
    ... )
    >>> len(detections) == len(analysis.detections)
    True
    """
    _refuse_twice(trails, "trail")
    _refuse_twice(sign, "sign")
    near = _near_segments(members, sign, segments, max_offset_m)
    placed = _place(members, sign, visits, walks, near)
    known = placed["trail"].isin(trails["trail"])
    placed["reason"] = placed["reason"].mask(~known, NOT_A_TRAIL)
    tracks = trails_with_tracks(members, sign)
    seen = _seen_before(placed, trails, visits, tracks)
    placed["reason"] = placed["reason"].mask(placed["reason"].isna() & seen, SEEN_BEFORE)
    aside = placed["reason"].notna()
    columns = ["sign", "trail", "segment", "offset_m", "reason"]
    incidental = placed.loc[aside, columns].reset_index(drop=True)

    found = placed.loc[~aside, ["trail", "visit", "offset_m", "side"]]
    nearest = found.sort_values("offset_m", kind="stable").drop_duplicates(["trail", "visit"])
    on_visit = visits[["visit", "segment", "period", "start"]]
    chances = trails[["trail", *(name for name in trails if str(name).startswith("p_"))]]
    chances = chances.astype({"trail": "object"})
    on_visit = on_visit.astype({"visit": "object"})
    detections = nearest.merge(on_visit, on="visit").merge(chances, on="trail")
    detections["with_tracks"] = detections["trail"].map(tracks).astype("Int64")
    detections = detections.sort_values(["start", "visit", "trail"], ignore_index=True)
    return check_table(detections, DETECTIONS), incidental


def _seen_before(
    placed: pd.DataFrame, trails: pd.DataFrame, visits: pd.DataFrame, with_tracks: pd.Series
) -> pd.Series:
    """Whether each member's trail lay on its segment when that was last visited."""
    left = _last_visit(visits).reindex(placed["visit"]).reset_index(drop=True)
    made_before = trails.set_index("trail")["made_before"].reindex(placed["trail"])
    made_before = made_before.reset_index(drop=True)
    wiped_since = with_tracks.reindex(placed["trail"], fill_value=False).reset_index(drop=True)
    wiped_since = wiped_since.astype(bool) & (left["cleared"] > made_before)
    return (made_before < left["walked"]) & ~wiped_since


def _last_visit(visits: pd.DataFrame) -> pd.DataFrame:
    """Return, by visit, when its segment was ``walked`` and ``cleared`` last before it began."""
    known = visits[["visit", "segment", "start", "hours_since_cleared"]].astype(
        {"visit": "object", "segment": "object"}
    )
    before = visits[["segment", "end"]].astype({"segment": "object"})
    last = pd.merge_asof(
        known.sort_values("start"),
        before.assign(walked=before["end"]).sort_values("end"),
        left_on="start", right_on="end", by="segment",
    )  # fmt: skip
    last["cleared"] = last["start"] - pd.to_timedelta(last["hours_since_cleared"], unit="h")
    return last.set_index("visit")[["walked", "cleared"]]


def _refuse_twice(frame: pd.DataFrame, column: str) -> None:
    again = frame[column].duplicated()
    if again.any():
        names = ", ".join(map(str, frame.loc[again, column].unique()[:5]))
        raise InputError(
            f"names that stand twice in the column '{column}': {names}",
            remedy="Each must have a name of its own.",
        )


def _near_segments(
    members: pd.DataFrame, sign: gpd.GeoDataFrame, segments: gpd.GeoDataFrame, max_offset_m: float
) -> pd.DataFrame:
    """Segments within reach of each member: ``member`` (row), ``segment``, its offset and side."""
    at = pd.Index(sign["sign"]).get_indexer(members["sign"])
    places = stored(sign, "the sign").geometry.to_numpy()
    located = ~(shapely.is_missing(places) | shapely.is_empty(places))
    rows = np.flatnonzero((at >= 0) & np.append(located, False)[at])
    if not len(rows) or not len(segments):
        none = {"member": np.empty(0, int), "segment": np.empty(0, object), "offset_m": np.empty(0)}
        return pd.DataFrame(none).assign(side=pd.Series(dtype="object"))
    crs = working_crs(segments)
    points = gpd.GeoDataFrame(geometry=list(places[at[rows]]), crs=STORED_CRS)
    flat = project(points, crs).geometry.to_numpy()
    xy = shapely.get_coordinates(flat)
    passes = passes_near(segments, crs, xy[:, 0], xy[:, 1], reach_m=max_offset_m)
    lines = project(stored(segments, "the segments"), crs).geometry.to_numpy()
    return pd.DataFrame(
        {
            "member": rows[passes.point],
            "segment": segments["segment"].astype("object").to_numpy()[passes.segment],
            "offset_m": passes.offset_m,
            "side": _sides(lines[passes.segment], flat[passes.point]),
        }
    )


def _sides(
    lines: npt.NDArray[np.object_], points: npt.NDArray[np.object_]
) -> npt.NDArray[np.object_]:
    """Tell on which side of its line each point lies; None where it lies on it.

    The side is that of the turn from the line's own direction, a metre before to a metre behind the
    nearest place, to the point.
    """
    at = shapely.line_locate_point(lines, points)
    before, after = (
        shapely.get_coordinates(
            shapely.line_interpolate_point(lines, np.clip(at + step, 0, shapely.length(lines)))
        )
        for step in (-1.0, 1.0)
    )
    ahead, aside = after - before, shapely.get_coordinates(points) - before
    turn = ahead[:, 0] * aside[:, 1] - ahead[:, 1] * aside[:, 0]
    side = np.where(turn > 0, *SIDES).astype(object)
    side[shapely.distance(lines, points) < _ON_LINE_M] = None
    return side


def _place(
    members: pd.DataFrame,
    sign: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    walks: pd.Series,
    near: pd.DataFrame,
) -> pd.DataFrame:
    """Give each member its segment, visit and offset, or the reason why it has none."""
    placed = members[["sign", "trail"]].astype("object").reset_index(drop=True)
    walk = pd.Series(walks.to_numpy(dtype=object), index=walks.index.astype("object"))
    placed["walk"] = placed["sign"].map(walk).astype("object")
    near = near.assign(walk=placed["walk"].to_numpy()[near["member"]])
    near = near.merge(
        visits[["walk", "segment", "visit"]].astype("object"), on=["walk", "segment"], how="left"
    )
    near["unvisited"] = near["visit"].isna()
    best = near.sort_values(["member", "unvisited", "offset_m"]).drop_duplicates("member")
    placed = placed.join(best.set_index("member")[["segment", "visit", "offset_m", "side"]])
    began = visits.groupby(visits["walk"].astype("object"))["start"].min()
    found = sign.set_index("sign")["time"].reindex(placed["sign"]).set_axis(placed.index)
    early = found < began.reindex(placed["walk"]).set_axis(placed.index) - EARLY
    empty = sign.geometry.isna() | sign.geometry.is_empty
    reasons = {
        NOT_A_SIGN: ~placed["sign"].isin(sign["sign"]),
        NO_POSITION: placed["sign"].isin(sign.loc[empty, "sign"]),
        OFF_TRANSECT: placed["segment"].isna(),
        NO_WALK: placed["walk"].isna(),
        NO_VISIT: placed["visit"].isna(),
        BEFORE_WALK: early,
    }
    why = np.select([bad.to_numpy() for bad in reasons.values()], list(reasons), default="")
    placed["reason"] = pd.Series(why, dtype="object").mask(why == "", None)
    return placed
