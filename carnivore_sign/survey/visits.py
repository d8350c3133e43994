"""Visits: one segment on one walk, with the metres covered and the time it collected sign.

Effort is what makes *not found* worth something. A segment that no walk covered has no row: it
is missing, and not a zero.
"""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import VISITS
from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING
from carnivore_sign.survey.clearing import add_conditions
from carnivore_sign.survey.coverage import cover_segments, walk_lengths, walked_stretches
from carnivore_sign.survey.light import sun_height_deg
from carnivore_sign.units import M_PER_KM, SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Share of a segment that must be walked for a visit (common practice, no source).
MIN_COVERAGE: Final = 0.1


def make_visits(
    matched: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    clearings: pd.DataFrame | None,
    logs: pd.DataFrame,
    *,
    time_zone: str,
    max_gap_s: float = 120.0,
    min_coverage: float = MIN_COVERAGE,
    max_days_collecting: float = MAX_DAYS_COLLECTING,
) -> pd.DataFrame:
    """Turn matched fixes into visits with their effort.

    Parameters
    ----------
    matched : DataFrame
        From `match_logs`.
    segments : GeoDataFrame
        From `cut_segments`, the same as were matched.
    clearings : DataFrame or None
        As `records.tables.CLEARINGS`.
    logs : DataFrame
        As `records.tables.LOGS`: ``log`` and ``observer``.
    time_zone : str
        IANA name of the local zone; the start of a visit in it decides the month.
    max_gap_s : float
        Longest time between two fixes that is taken as walked, seconds.
    min_coverage : float
        Smallest share of a segment that counts as a visit to it.
    max_days_collecting : float
        Longest that a surface is taken to collect readable tracks, days.

    Returns
    -------
    DataFrame
        As `records.tables.VISITS`, in order of time. ``covered_m`` counts each metre once,
        however often it was walked on that walk; ``walked_m`` is the length of the way, and
        ``speed_m_s`` and ``sun_deg`` say how it was looked for: fast, and in which light.
        ``hours_since_cleared`` runs from the latest
        clearing. A party with several receivers makes one visit: the union of what its logs
        cover, under the name of the earliest log, with its ``observer`` joined by ``, ``.
        ``effort_km_days`` is km times the days in which *new* sign could gather:
        since the clearing or since the visit before on that segment, whichever is later, at
        most `max_days_collecting`; missing where neither is known.

    Raises
    ------
    InputError
        If the time zone is unknown, or `min_coverage` is not a share.

    Warns
    -----
    DataWarning
        If a clearing names a transect that does not exist.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> visits = make_visits(
    ...     analysis.matched, analysis.segments, analysis.clearings, analysis.season.read("logs"),
    ...     time_zone="America/Los_Angeles",
    ... )
    >>> len(visits) == len(analysis.visits)
    True
    """
    visits = visits_walked(
        matched, segments, logs,
        time_zone=time_zone, max_gap_s=max_gap_s, min_coverage=min_coverage,
    )  # fmt: skip
    visits = add_conditions(visits, clearings, segments, max_days_collecting=max_days_collecting)
    return check_table(visits, VISITS)


def visits_walked(
    matched: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    logs: pd.DataFrame,
    *,
    time_zone: str,
    max_gap_s: float = 120.0,
    min_coverage: float = MIN_COVERAGE,
) -> pd.DataFrame:
    """Make visits without what other visits and clearings say of them (see `make_visits`)."""
    if not 0 <= min_coverage <= 1:
        raise InputError(
            f"min_coverage is {min_coverage}", remedy="Give a share between 0 and 1: 0.1."
        )
    covered = cover_segments(walked_stretches(matched, max_gap_s=max_gap_s), segments)
    length_m = segments["length_m"].to_numpy(dtype=float)[covered["segment"]]
    covered["coverage"] = (covered["covered_m"] / length_m).clip(upper=1.0)
    covered = covered.loc[covered["coverage"] >= min_coverage].reset_index(drop=True)
    start, end = _times_on_segments(matched, segments, covered)
    walk = covered["walk"].astype("object")
    log = walk.str.rsplit("#", n=1).str[0].astype("object")
    place = segments.iloc[covered["segment"]]
    party = observers_of_walks(matched, logs)
    middle = shapely.get_coordinates(shapely.centroid(place.geometry.to_numpy()))
    return pd.DataFrame(
        {
            "visit": walk + "@" + place["segment"].astype("object").to_numpy(),
            "walk": walk,
            "log": log,
            "segment": place["segment"].to_numpy(),
            "transect": place["transect"].to_numpy(),
            "observer": walk.map(party),
            "start": start,
            "end": end,
            "period": local_months(start, time_zone),
            "covered_m": covered["covered_m"],
            "coverage": covered["coverage"],
            "effort_km": covered["covered_m"] / M_PER_KM,
            "effort_source": "measured",
            "sun_deg": sun_height_deg(start, *middle.T),
        }
    ).join(_ways(matched, segments, covered, max_gap_s))


def visits_in(visits: pd.DataFrame, period: str) -> pd.DataFrame:
    """Return the visits of one month.

    Parameters
    ----------
    visits : DataFrame
        From `make_visits`.
    period : str
        Local month, ``YYYY-MM``.

    Returns
    -------
    DataFrame
        Those rows, with their labels.

    Raises
    ------
    NothingSurveyed
        If nobody walked in that month; the message names the months in which somebody did.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> march = visits_in(analysis.visits, "2026-03")
    >>> march["period"].unique().tolist()
    ['2026-03']
    """
    chosen = visits.loc[visits["period"].eq(period)]
    if chosen.empty:
        months = ", ".join(sorted(visits["period"].dropna().unique())) or "none"
        raise NothingSurveyed(
            f"no transect was walked in {period}; months with walks: {months}. Import the GPS "
            "logs of that month, or choose one of these: a month without walks has no map, "
            "because 'not found' would mean nothing."
        )
    return chosen


def walk_summary(visits: pd.DataFrame) -> pd.DataFrame:
    """Sum up each walk: who, when, how far.

    Parameters
    ----------
    visits : DataFrame
        From `make_visits`.

    Returns
    -------
    DataFrame
        ``walk``, ``log``, ``observer``, ``period``, ``start``, ``end`` (UTC, of its first and
        last visit), ``hours`` between them, ``transects`` and ``segments`` (counts),
        ``covered_km``, ``effort_km_days`` (missing if unknown for all its visits), ``stated``
        (whether its distance was typed and not measured), in order of time.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> len(walk_summary(analysis.visits))
    40
    """
    walks = visits.groupby("walk", sort=False, observed=True)
    summary = walks.agg(
        log=("log", "first"),
        observer=("observer", "first"),
        period=("period", "first"),
        start=("start", "min"),
        end=("end", "max"),
        transects=("transect", "nunique"),
        segments=("segment", "nunique"),
        covered_km=("effort_km", "sum"),
    )
    summary["effort_km_days"] = walks["effort_km_days"].sum(min_count=1)
    if "effort_source" in visits:
        summary["stated"] = walks["effort_source"].first().eq("stated")
    summary.insert(
        5, "hours", (summary["end"] - summary["start"]).dt.total_seconds() / SECONDS_PER_HOUR
    )
    return summary.sort_values("start", kind="stable").reset_index()


def observers_of_walks(matched: pd.DataFrame, logs: pd.DataFrame) -> pd.Series:
    """Return, by walk, who carried its logs, each once; missing where no log says."""
    walk, log = matched["walk"].cat, matched["log"].cat
    named = walk.codes.to_numpy() >= 0
    pair = walk.codes.to_numpy()[named].astype(np.int64) * len(log.categories)
    pair = pd.unique(pair + log.codes.to_numpy()[named])
    crew = pd.DataFrame(
        {
            "walk": walk.categories[pair // len(log.categories)],
            "log": log.categories[pair % len(log.categories)],
        }
    ).astype("object")
    crew["later"] = crew["walk"].str.rsplit("#", n=1).str[0].ne(crew["log"])
    names = logs.drop_duplicates("log").set_index("log")["observer"].astype("object")
    crew["observer"] = crew["log"].map(names)
    crew = crew.dropna(subset="observer").drop_duplicates(["walk", "observer"])
    crew = crew.sort_values(["walk", "later"], kind="stable")
    return crew.groupby("walk", sort=False)["observer"].agg(", ".join)


def local_months(time: pd.Series, time_zone: str) -> pd.Series:
    """Return the local month of each time, ``YYYY-MM``."""
    months: pd.Series = time.dt.tz_convert(_zone(time_zone)).dt.strftime("%Y-%m")
    return months


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f"unknown time zone '{name}'", remedy="Use an IANA name such as 'America/Denver'."
        ) from error


def _ways(
    matched: pd.DataFrame, segments: gpd.GeoDataFrame, covered: pd.DataFrame, max_gap_s: float
) -> pd.DataFrame:
    """Length of the way on each covered segment, at least what was covered, and the speed."""
    ways = walk_lengths(matched, segments, max_gap_s=max_gap_s)
    both = covered[["walk", "segment", "covered_m"]].merge(ways, on=["walk", "segment"], how="left")
    speed = both["walked_m"] / both["walked_s"].where(both["walked_s"] > 0)
    longest = both[["covered_m", "walked_m"]].max(axis=1)
    return pd.DataFrame({"walked_m": longest, "speed_m_s": speed})


def _times_on_segments(
    matched: pd.DataFrame, segments: gpd.GeoDataFrame, covered: pd.DataFrame
) -> tuple[pd.Series, pd.Series]:
    """First and last time on each covered segment.

    A segment that was crossed between two fixes has none of its own and takes the time of the
    fix of that walk that is nearest along the transect.
    """
    on_line = matched["state"].eq("matched").to_numpy()
    fixes = matched.loc[on_line, ["walk", "segment", "transect", "along_m", "time"]]
    rows = pd.Index(segments["segment"]).get_indexer(fixes["segment"].cat.categories)
    segment = rows[fixes["segment"].cat.codes]
    key = fixes["walk"].cat.codes.to_numpy().astype(np.int64) * len(segments) + segment
    wanted = covered["walk"].cat.codes.to_numpy().astype(np.int64) * len(segments)
    wanted += covered["segment"].to_numpy()
    times = fixes["time"].reset_index(drop=True).groupby(key).agg(["min", "max"]).reindex(wanted)
    start, end = (times[name].reset_index(drop=True) for name in ("min", "max"))
    absent = start.isna()
    if absent.any():
        nearest = _nearest_times(fixes, segments, covered.loc[absent.to_numpy()])
        start, end = start.fillna(nearest), end.fillna(nearest)
    return start, end


def _nearest_times(
    fixes: pd.DataFrame, segments: gpd.GeoDataFrame, covered: pd.DataFrame
) -> pd.Series:
    place = segments.iloc[covered["segment"]]
    transects = fixes["transect"].cat.categories
    wanted = pd.DataFrame(
        {
            "walk_no": covered["walk"].cat.codes.to_numpy().astype(np.int64),
            "line": transects.get_indexer(place["transect"]),
            "along_m": ((place["from_m"] + place["to_m"]) / 2).to_numpy(dtype=float),
            "row": covered.index,
        }
    ).sort_values("along_m")
    known = pd.DataFrame(
        {
            "walk_no": fixes["walk"].cat.codes.to_numpy().astype(np.int64),
            "line": fixes["transect"].cat.codes.to_numpy().astype(np.int64),
            "along_m": fixes["along_m"].to_numpy(),
            "time": fixes["time"].array,
        }
    ).sort_values("along_m")
    by = ["walk_no", "line"]
    found = pd.merge_asof(wanted, known, on="along_m", by=by, direction="nearest")
    return found.set_index("row")["time"]
