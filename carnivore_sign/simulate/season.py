"""A season with known truth (simulate): everything strung together.

What is true, and what can be estimated of it:

- a unit (a piece of `unit_length_m` along a transect from its digitised start) is used by a
  taxon in a month if and only if its middle lies where the taxon ranges in that month;
- over used units animals pass as a Poisson process of one rate per km and day, and nowhere
  else; each passage leaves one trail, which stays within its unit;
- a walk can record the trails made between the last wiping of the surface and its coming by;
  each of them is noticed with one probability. The windows of two walks never overlap, and
  never reach back over the start of a month.

So the number of trails of a taxon found on a visit to a used unit is Poisson with mean
``rate * km_days * notice`` and the visit finds the taxon with probability
``1 - exp(-rate * km_days * notice)``, independently of other visits; on unused units there is
none. `km_days` is the length walked times the days since the surface was wiped.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import (
    CARCASSES,
    CLEARINGS,
    FIXES,
    INCIDENTS,
    LOGS,
    PARCELS,
    PRINTS,
    SIGN,
    TRANSECTS,
    WAYPOINTS,
    Table,
)
from carnivore_sign.simulate.animals import draw_animals, draw_states
from carnivore_sign.simulate.country import Country, build_country, elevation_m
from carnivore_sign.simulate.incident import choose_incident
from carnivore_sign.simulate.observing import find_trails, note_prints, write_notes
from carnivore_sign.simulate.passages import as_times, draw_passages, use_of_units
from carnivore_sign.simulate.receiver import draw_fixes
from carnivore_sign.simulate.settings import SeasonSettings
from carnivore_sign.simulate.walks import (
    Course,
    clearing_times,
    course_m_of,
    draw_clearings,
    draw_course,
    draw_pace,
    last_cleared,
    pieces_walked,
    plan_walks,
)
from carnivore_sign.space import STORED_CRS
from carnivore_sign.units import HOURS_PER_DAY, M_PER_KM, SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]

#: Receipt of rows that no import brought.
RECEIPT = "simulated"


@dataclass(frozen=True)
class Truth:
    """What really happened.

    Attributes
    ----------
    animals : DataFrame
        One row per animal: ``taxon``, ``range_no``, ``size``, ``stride_m``.
    used : DataFrame
        One row per taxon, period and unit: ``taxon``, ``period``, ``transect``, ``number``,
        ``from_m``, ``to_m``, ``length_m``, ``used`` and the unit's middle.
    passages : DataFrame
        Every passage, with ``found_on`` (log of the walk that found it, or missing).
    effort : DataFrame
        One row per unit and walk: ``log``, ``transect``, ``number``, ``period``,
        ``covered_m``, ``hours_since_cleared``, ``km_days``.
    sign : DataFrame
        One row per sign: ``trail``, ``animal``, ``taxon``, ``made_s``, ``log``, ``transect``,
        ``along_m``.
    prints : DataFrame
        The prints as the feet made them, row for row with the noted ones.
    incident : dict
        What happened at the incident; empty if there is none.
    """

    animals: pd.DataFrame
    used: pd.DataFrame
    passages: pd.DataFrame
    effort: pd.DataFrame
    sign: pd.DataFrame
    prints: pd.DataFrame
    incident: dict[str, object]


@dataclass(frozen=True)
class SimulatedSeason:
    """A season as its observers recorded it, in the schemas of `records`, and the truth.

    Sign that the notebook places by a waypoint carries that waypoint's name and its position
    as well.

    Attributes
    ----------
    settings : SeasonSettings
        What it was drawn from.
    country : Country
        The place as it was drawn.
    walks : DataFrame
        The walks.
    logs, fixes, waypoints, transects, parcels, clearings : DataFrame
        Tables of the record.
    sign, prints, incidents, carcasses : DataFrame
        Tables of the record.
    truth : Truth
        What really happened.
    """

    settings: SeasonSettings
    country: Country
    walks: pd.DataFrame
    logs: pd.DataFrame
    fixes: gpd.GeoDataFrame
    waypoints: gpd.GeoDataFrame
    transects: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    clearings: pd.DataFrame
    sign: gpd.GeoDataFrame
    prints: pd.DataFrame
    incidents: gpd.GeoDataFrame
    carcasses: pd.DataFrame
    truth: Truth


def simulate_season(settings: SeasonSettings, rng: np.random.Generator) -> SimulatedSeason:
    """Simulate a season: country, animals, walks, sign, prints, and the truth behind them.

    Parameters
    ----------
    settings : SeasonSettings
        What to draw from.
    rng : numpy.random.Generator
        Source of randomness; the same settings and seed give the same season.

    Returns
    -------
    SimulatedSeason
        Frames in the schemas of `records` (times UTC, positions EPSG:4326) and the truth.

    Raises
    ------
    InputError
        If a transect cannot be laid out, a taxon has no table of prints, or no walk falls into
        the season.

    Examples
    --------
    >>> from carnivore_sign.simulate import demo_settings
    >>> season = simulate_season(demo_settings(), np.random.default_rng(7))
    >>> int(season.truth.sign["taxon"].nunique())
    4
    """
    stages = rng.spawn(6)
    country = build_country(settings.country, stages[0])
    animals = draw_animals(settings.animals, stages[1])
    states = draw_states(animals, stages[1])
    passages = draw_passages(country, settings, animals, stages[2])
    walks = plan_walks(settings, stages[3])
    clearings = draw_clearings(settings, walks, stages[3])
    cleared = {name: clearing_times(clearings, name) for name in country.paths}
    outings = [
        _walk(country, settings, walk, passages, cleared, rng=stages[4]) for walk in _rows(walks)
    ]
    places = pd.concat([outing.places for outing in outings], ignore_index=True)
    sign = write_notes(places, passages, country, settings, stages[5])
    prints, true_prints = note_prints(sign, animals, states, country, settings, rng=stages[5])
    passages = passages.assign(found_on=passages.index.map(_found_on(sign)))
    incident = choose_incident(country, settings, sign, passages)
    truth = Truth(
        animals=animals,
        used=use_of_units(country, settings),
        passages=passages,
        effort=pd.concat([outing.effort for outing in outings], ignore_index=True),
        sign=sign[["trail", "animal", "taxon", "made_s", "log", "transect", "along_m"]],
        prints=true_prints,
        incident=incident.truth,
    )
    fixes = pd.concat([outing.fixes for outing in outings], ignore_index=True)
    return SimulatedSeason(
        settings=settings,
        country=country,
        walks=walks,
        logs=_record_logs(walks, fixes),
        fixes=_record(_points(fixes.assign(time=as_times(fixes["time_s"]))), FIXES),
        waypoints=_record_waypoints(sign, country),
        transects=_record(country.transects, TRANSECTS),
        parcels=_record(country.parcels, PARCELS),
        clearings=_record(clearings.assign(time=as_times(clearings["time_s"])), CLEARINGS),
        sign=_record(_points(_with_names(sign)), SIGN),
        prints=_record(prints, PRINTS),
        incidents=_record(_points(incident.table), INCIDENTS),
        carcasses=_record(incident.carcasses, CARCASSES),
        truth=truth,
    )


@dataclass(frozen=True)
class _Outing:
    """What one walk brings home."""

    places: pd.DataFrame
    fixes: pd.DataFrame
    effort: pd.DataFrame


def _rows(walks: pd.DataFrame) -> list[pd.Series]:
    return [walk for _, walk in walks.iterrows()]


def _walk(
    country: Country,
    settings: SeasonSettings,
    walk: pd.Series,
    passages: pd.DataFrame,
    cleared: dict[str, FloatArray],
    *,
    rng: np.random.Generator,
) -> _Outing:
    """Go on one walk: draw its course and pace, find trails, halt at sign, log the fixes."""
    course = draw_course(country, settings.walking, walk, rng)
    pace = draw_pace(course, settings.walking, rng)
    start_s = float(walk["start_s"])
    pieces = pieces_walked(course)
    notice = settings.observing.notice
    places = find_trails(pieces, pace, start_s, passages, cleared, notice=notice, rng=rng)
    halts = settings.walking.pause_s * rng.uniform(0.5, 1.5, len(places))
    course_m, time_s = _with_halts(pace, places["course_m"].to_numpy(dtype=float), halts)
    arrived = start_s + np.interp(places["course_m"], *pace) + np.cumsum(halts) - halts
    places = places.assign(arrived_s=np.floor(arrived), log=walk.name)
    places["time_s"] = np.floor(arrived / 60) * 60
    places["observers"] = [walk["observers"]] * len(places)
    fixes = draw_fixes(course, course_m, start_s + time_s, country, settings.walking, rng=rng)
    effort = _effort(country, course, pace, walk, cleared)
    return _Outing(places, fixes.assign(log=walk.name), effort)


def _with_halts(
    pace: tuple[FloatArray, FloatArray], halt_m: FloatArray, halt_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Add halts to a pace: distances and seconds, two rows of one distance for each halt."""
    course_m, passed_s = pace
    before = np.concatenate([[0.0], np.cumsum(halt_s)])
    arrive = np.interp(halt_m, course_m, passed_s) + before[:-1]
    moving = passed_s + before[np.searchsorted(halt_m, course_m, side="left")]
    distance = np.concatenate([course_m, halt_m, halt_m])
    second = np.concatenate([moving, arrive, arrive + halt_s])
    order = np.argsort(second, kind="stable")
    return distance[order], second[order]


def _effort(
    country: Country,
    course: Course,
    pace: tuple[FloatArray, FloatArray],
    walk: pd.Series,
    cleared: dict[str, FloatArray],
) -> pd.DataFrame:
    """Metres of each unit that the walk covered, and hours since the surface was wiped."""
    pieces = pieces_walked(course)
    rows = pieces.merge(country.units, on="transect", how="left")
    low = np.maximum(rows["low_m"], rows["from_m"])
    high = np.minimum(rows["high_m"], rows["to_m"])
    rows = rows.assign(middle_m=(low + high) / 2, covered_m=high - low)
    rows = rows[rows["covered_m"] > 0].reset_index(drop=True)
    hours = []
    for _, row in rows.iterrows():
        passed = float(walk["start_s"]) + np.interp(course_m_of(row, row["middle_m"]), *pace)
        hours.append((passed - last_cleared(cleared[row["transect"]], passed)) / SECONDS_PER_HOUR)
    rows["hours_since_cleared"] = np.asarray(hours, dtype=float)
    rows["km_days"] = rows["covered_m"] / M_PER_KM * rows["hours_since_cleared"] / HOURS_PER_DAY
    rows = rows.assign(log=walk.name, period=walk["period"])
    columns = ["log", "transect", "number", "period", "covered_m", "hours_since_cleared", "km_days"]
    return rows[columns]


def _found_on(sign: pd.DataFrame) -> dict[str, str]:
    return dict(zip(sign["trail"], sign["log"], strict=True))


def _points(frame: pd.DataFrame) -> gpd.GeoDataFrame:
    shapes = gpd.GeoSeries.from_xy(frame["lon"], frame["lat"], crs=STORED_CRS)
    return gpd.GeoDataFrame(frame, geometry=shapes.set_axis(frame.index))


def _with_names(sign: pd.DataFrame) -> pd.DataFrame:
    named = sign.rename_axis(None).assign(sign=sign.index, time=as_times(sign["time_s"]))
    return named.reset_index(drop=True)


def _record(frame: pd.DataFrame, table: Table) -> gpd.GeoDataFrame:
    """Bring a frame into the schema of a table, under the receipt of a simulation."""
    frame = frame.reset_index(drop=True)
    return conform(frame.assign(receipt=RECEIPT, source_row=np.arange(1, len(frame) + 1)), table)


def _record_logs(walks: pd.DataFrame, fixes: pd.DataFrame) -> pd.DataFrame:
    per_log = fixes.groupby("log", sort=False)
    logs = pd.DataFrame(
        {
            "log": walks.index,
            "device": DEVICE,
            "observer": walks["leader"].to_numpy(),
            "name": walks["transects"].map(" and ".join).to_numpy(),
            "tracks": 1,
            "parts": per_log["part"].nunique().reindex(walks.index).to_numpy(),
            "start": as_times(per_log["time_s"].min().reindex(walks.index)),
            "end": as_times(per_log["time_s"].max().reindex(walks.index)),
        }
    )
    return _record(logs, LOGS)


#: What the invented receiver writes as its name.
DEVICE = "invented receiver"


def _record_waypoints(sign: pd.DataFrame, country: Country) -> gpd.GeoDataFrame:
    marked = sign[sign["marked"]]
    height = elevation_m(country.settings, marked["lon"].to_numpy(), marked["lat"].to_numpy())
    table = pd.DataFrame(
        {
            "log": marked["log"].to_numpy(dtype=object),
            "name": marked.index.to_numpy(dtype=object),
            "time": as_times(marked["arrived_s"]),
            "elevation_m": np.round(height, 1),
            "comment": marked["kind"].to_numpy(dtype=object),
            "lon": marked["lon"].to_numpy(),
            "lat": marked["lat"].to_numpy(),
        }
    )
    return _record(_points(table), WAYPOINTS)
