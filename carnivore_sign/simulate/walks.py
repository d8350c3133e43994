"""Walks (simulate): who walks which route when, what wipes the surfaces, and the courses.

Each walk is preceded by a drag of its transects, some days earlier and in the same month, so
that the windows in which two walks can find trails never overlap: given use, visits are
independent, and what is found in a month was made in it. Rain, wind and traffic may wipe a
surface again between the drag and the walk; they do so outside walking hours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.signal import lfilter

from carnivore_sign.errors import InputError
from carnivore_sign.simulate.country import Country, Path, place, shifted
from carnivore_sign.simulate.passages import SECONDS_PER_DAY, month_bounds, seconds
from carnivore_sign.simulate.settings import (
    FIRST_WALKING_DAY,
    RouteSettings,
    SeasonSettings,
    WalkingSettings,
)

FloatArray = npt.NDArray[np.float64]

#: Route, transects, party, local start, local time of the drag.
_Planned = tuple[int, tuple[str, ...], list[str], pd.Timestamp, pd.Timestamp]

#: Length of the steps in which the pace along a course is drawn, in metres.
PACE_STEP_M = 25.0

#: Share of walks that two observers make together, where two are free.
PAIR_SHARE = 0.35

#: Surfaces that wind wipes.
LOOSE = ("sand", "dust", "snow")

#: Approach to a transect that is not at an end of its route, in metres.
SHORT_APPROACH_M = 400.0

#: Share of approaches that are ridden, and the speed of riding in metres per second.
RIDDEN_SHARE = 0.4
RIDING_SPEED_M_S = 5.0


@dataclass(frozen=True)
class Course:
    """The way of one walk.

    Attributes
    ----------
    path : Path
        The whole way, from parking place to its end.
    pieces : DataFrame
        Stretches of it that follow a transect: ``transect``, ``start_m`` and ``end_m`` on the
        course, ``along_start_m`` and ``along_end_m`` on the transect (falling when walked
        backwards), and ``observed``: false on the way back over ground seen on the way out.
    approach_m : float
        Metres of approach before the first transect.
    end_m : float
        Where the walk ended; less than the length of `path` if it was cut short.
    """

    path: Path
    pieces: pd.DataFrame
    approach_m: float
    end_m: float


def plan_walks(settings: SeasonSettings, rng: np.random.Generator) -> pd.DataFrame:
    """Plan the walks of the season.

    Returns
    -------
    DataFrame
        In order of time, indexed by the name of the log (``2026-02-14_quill``): ``route``
        (number), ``period``, ``transects`` (tuple), ``leader``, ``observers`` (tuple),
        ``start_s`` and ``dragged_s`` (seconds since 1970).
    """
    days = _planned_days(settings, rng)
    names = [observer.name for observer in settings.observing.observers]
    walks: list[_Planned] = []
    free: list[str] = []
    today: pd.Timestamp | None = None
    for place_in_plan, (day, route) in enumerate(days):
        if day != today:
            today, free = day, list(names)
        transects = _left_in(settings, route, day)
        if not transects:
            continue
        later_today = sum(other == day for other, _ in days[place_in_plan + 1 :])
        two = len(free) - later_today >= 2 and rng.random() < PAIR_SHARE
        order = rng.permutation(len(free))[: 2 if two else 1]
        party = [free[n] for n in order]
        free = [name for name in free if name not in party]
        start = day + pd.Timedelta(minutes=int(rng.integers(390, 510)))
        back = int(rng.integers(settings.walking.drag_days[0], settings.walking.drag_days[1] + 1))
        dragged = max(day - pd.Timedelta(days=back), day.replace(day=1))
        dragged += pd.Timedelta(minutes=int(rng.integers(840, 1080)))
        walks.append((route, transects, party, start, dragged))
    return _walk_table(settings, walks)


def _planned_days(
    settings: SeasonSettings, rng: np.random.Generator
) -> list[tuple[pd.Timestamp, int]]:
    """Days on which each route is to be walked, in order; at most one party per observer."""
    first = pd.Timestamp(settings.periods[0] + "-01")
    last = pd.Timestamp(settings.periods[-1] + "-01") + pd.offsets.MonthEnd(0)
    low, high = settings.walking.interval_days
    parties = len(settings.observing.observers)
    taken: dict[pd.Timestamp, int] = {}
    planned = []
    for route in range(len(settings.walking.routes)):
        day = first + pd.Timedelta(days=int(rng.integers(FIRST_WALKING_DAY - 1, high)))
        while True:
            while taken.get(day, 0) >= parties or day.day < FIRST_WALKING_DAY:
                day += pd.Timedelta(days=1)
            if day > last:
                break
            taken[day] = taken.get(day, 0) + 1
            planned.append((day, route))
            day += pd.Timedelta(days=int(rng.integers(low, high + 1)))
    return sorted(planned)


def _left_in(settings: SeasonSettings, route: int, day: pd.Timestamp) -> tuple[str, ...]:
    period = day.strftime("%Y-%m")
    left_out = [name for name, month in settings.walking.not_walked if month == period]
    return tuple(n for n in settings.walking.routes[route].transects if n not in left_out)


def _walk_table(settings: SeasonSettings, walks: list[_Planned]) -> pd.DataFrame:
    zone = settings.country.time_zone
    if not walks:
        raise InputError(
            "no walk falls into the season",
            remedy="Lengthen it, shorten interval_days, or leave fewer transects out.",
        )
    routes, transects, parties, starts, drags = zip(*walks, strict=True)
    table = pd.DataFrame(
        {
            "route": routes,
            "period": [start.strftime("%Y-%m") for start in starts],
            "transects": transects,
            "leader": [party[0] for party in parties],
            "observers": [tuple(party) for party in parties],
            "start_s": seconds(pd.DatetimeIndex(starts).tz_localize(zone)),
            "dragged_s": seconds(pd.DatetimeIndex(drags).tz_localize(zone)),
        }
    )
    surnames = [party[0].split()[-1].lower() for party in parties]
    names = [f"{start:%Y-%m-%d}_{word}" for start, word in zip(starts, surnames, strict=True)]
    table.index = pd.Index(names, name="log")
    return table.sort_values("start_s", kind="stable")


def draw_clearings(
    settings: SeasonSettings, walks: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw what wiped the surfaces: the drags before the walks, and the weather and traffic.

    Returns
    -------
    DataFrame
        In order of time: ``cause``, ``time_s`` (seconds since 1970, whole minutes) and
        ``transects`` (names joined by ``;``, or ``all``).
    """
    starts, ends = month_bounds(settings)
    nights = round((ends[-1] - starts[0]) / SECONDS_PER_DAY)
    first = pd.Timestamp(settings.periods[0] + "-01")
    drags = zip(walks["dragged_s"], walks["transects"], strict=True)
    rows = [("drag", when_s, ";".join(names)) for when_s, names in drags]
    for cause, per_month in vars(settings.weather).items():
        for _ in range(int(rng.poisson(per_month * nights / 30.0))):
            day = first + pd.Timedelta(days=int(rng.integers(nights)))
            when = day + pd.Timedelta(minutes=int(rng.integers(15 * 60, 24 * 60)))
            when_s = seconds(pd.DatetimeIndex([when]).tz_localize(settings.country.time_zone))[0]
            touched = _touched(cause, settings, rng)
            if touched:
                rows.append((cause, float(when_s), touched))
    table = pd.DataFrame(rows, columns=["cause", "time_s", "transects"])
    return table.sort_values(["time_s", "cause", "transects"], ignore_index=True)


def _touched(cause: str, settings: SeasonSettings, rng: np.random.Generator) -> str:
    """Transects that an event wipes: rain all, wind the loose ones, traffic one that is no wash."""
    transects = settings.country.transects
    if cause == "rain":
        return "all"
    if cause == "wind":
        return ";".join(t.name for t in transects if t.surface in LOOSE)
    roads = [t.name for t in transects if t.surface != "sand"]
    return roads[int(rng.integers(len(roads)))] if roads else ""


def clearing_times(clearings: pd.DataFrame, transect: str) -> FloatArray:
    """Times (seconds since 1970, rising) at which a transect was wiped."""
    named = clearings["transects"].str.split(";").map(lambda names: transect in names)
    touched = clearings["transects"].eq("all") | named.astype(bool)
    return np.sort(clearings.loc[touched, "time_s"].to_numpy(dtype=float))


def last_cleared(times_s: FloatArray, at_s: npt.ArrayLike) -> FloatArray:
    """Latest of rising `times_s` that is not after each of `at_s`; minus infinity if none."""
    padded = np.concatenate([[-np.inf], times_s])
    return padded[np.searchsorted(times_s, at_s, side="right")]


def draw_course(
    country: Country, walking: WalkingSettings, walk: pd.Series, rng: np.random.Generator
) -> Course:
    """Draw the way of one walk: approach, transects in one or the other direction, way back."""
    route = walking.routes[int(walk["route"])]
    forwards = rng.random() < 0.6
    names = walk["transects"] if forwards else walk["transects"][::-1]
    legs: list[tuple[str | None, Path, bool]] = []
    lines = [country.paths[n] if forwards else country.paths[n].reversed() for n in names]
    parked = _parking(country, route, names[0], lines[0], forwards)
    legs.append((None, _approach(parked, lines[0], rng), False))
    for name, line in zip(names, lines, strict=True):
        legs.append((name, line, forwards))
    if rng.random() < route.returns:
        legs += [(name, line.reversed(), not ahead) for name, line, ahead in legs[:0:-1]]
    cut = rng.uniform(0.35, 0.85) if rng.random() < walking.cut_short else 1.0
    return _join(legs, cut)


def _parking(
    country: Country, route: RouteSettings, first: str, line: Path, forwards: bool
) -> tuple[FloatArray, FloatArray]:
    """Parking place of a walk: the route's, or behind the line if the route's end is left out."""
    if first == route.transects[0 if forwards else -1]:
        return place(country.settings, route.parking_km[0 if forwards else 1])
    behind = np.radians(line.bearing_at(np.zeros(1)) + 180.0)
    east_m, north_m = SHORT_APPROACH_M * np.sin(behind), SHORT_APPROACH_M * np.cos(behind)
    return shifted(line.lon[:1], line.lat[:1], east_m, north_m)


def _approach(parked: tuple[FloatArray, FloatArray], line: Path, rng: np.random.Generator) -> Path:
    """Way from the parking place to the start of a line, with one bend in it."""
    lon, lat = parked
    lean = rng.uniform(-0.25, 0.25)
    over_lon, over_lat = line.lon[0] - lon[0], line.lat[0] - lat[0]
    middle = lon[0] + 0.5 * over_lon - lean * over_lat, lat[0] + 0.5 * over_lat + lean * over_lon
    return Path.through([lon[0], middle[0], line.lon[0]], [lat[0], middle[1], line.lat[0]])


def _join(legs: list[tuple[str | None, Path, bool]], cut: float) -> Course:
    """Join legs end to end; a straight transfer closes the gap between two."""
    path = Path.through(
        np.concatenate([leg.lon for _, leg, _ in legs]),
        np.concatenate([leg.lat for _, leg, _ in legs]),
    )
    last = np.cumsum([len(leg.lon) for _, leg, _ in legs])
    first = last - [len(leg.lon) for _, leg, _ in legs]
    rows = []
    seen: list[str] = []
    for (name, leg, ahead), start, end in zip(legs, first, last, strict=True):
        if name is None:
            continue
        along = (0.0, leg.length_m) if ahead else (leg.length_m, 0.0)
        rows.append((name, path.along_m[start], path.along_m[end - 1], *along, name not in seen))
        seen.append(name)
    columns = ["transect", "start_m", "end_m", "along_start_m", "along_end_m", "observed"]
    pieces = pd.DataFrame(rows, columns=columns)
    approach_m = float(pieces["start_m"].iloc[0])
    return Course(path, pieces, approach_m, approach_m + cut * (path.length_m - approach_m))


def draw_pace(
    course: Course, walking: WalkingSettings, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Draw the seconds from the start at distances along a course, without halts.

    The pace wanders around `speed_m_s` (standard deviation 12 %, fading over some 200 m).

    Returns
    -------
    course_m, passed_s : arrays
        Distances from 0 to the end of the walk, and seconds to each.
    """
    course_m = np.append(np.arange(0.0, course.end_m, PACE_STEP_M), course.end_m)
    wander = fading_noise(len(course_m) - 1, np.exp(-PACE_STEP_M / 200.0), rng)
    speed = walking.speed_m_s * np.clip(1 + 0.12 * wander, 0.5, 1.5)
    ridden = rng.random() < RIDDEN_SHARE
    if ridden:
        speed = np.where(course_m[1:] <= course.approach_m, RIDING_SPEED_M_S, speed)
    return course_m, np.concatenate([[0.0], np.cumsum(np.diff(course_m) / speed)])


def fading_noise(count: int, keep: float, rng: np.random.Generator) -> FloatArray:
    """Draw a series of standard normal values, each correlated by `keep` with the one before."""
    fresh = rng.standard_normal(count)
    if count:
        fresh[1:] *= np.sqrt(1 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], fresh))


def pieces_walked(course: Course) -> pd.DataFrame:
    """Observed stretches of the transects, as far as the walk went.

    Returns
    -------
    DataFrame
        The columns of `Course.pieces`, cut at the end of the walk, with ``low_m`` and
        ``high_m``: the stretch along the transect, smaller distance first.
    """
    pieces = course.pieces[course.pieces["observed"]]
    pieces = pieces[pieces["start_m"] < course.end_m].copy()
    scale = (pieces["along_end_m"] - pieces["along_start_m"]) / (
        pieces["end_m"] - pieces["start_m"]
    )
    pieces["end_m"] = pieces["end_m"].clip(upper=course.end_m)
    pieces["along_end_m"] = pieces["along_start_m"] + scale * (pieces["end_m"] - pieces["start_m"])
    pieces["low_m"] = pieces[["along_start_m", "along_end_m"]].min(axis=1)
    pieces["high_m"] = pieces[["along_start_m", "along_end_m"]].max(axis=1)
    return pieces.reset_index(drop=True)


def course_m_of(piece: pd.Series, along_m: npt.ArrayLike) -> FloatArray:
    """Distance on the course of places along a transect that one piece of it follows."""
    share = (np.asarray(along_m, dtype=float) - piece["along_start_m"]) / (
        piece["along_end_m"] - piece["along_start_m"]
    )
    return np.asarray(piece["start_m"] + share * (piece["end_m"] - piece["start_m"]))
