"""Use and passages (simulate): which units an animal uses, and when it passes over them.

The truth is defined so that it can be estimated. A unit is *used* by a taxon in a month if and
only if its middle lies where that taxon ranges in that month. Over used units animals pass as
a Poisson process with the same rate per km and day everywhere. A passage belongs to one unit:
it is anchored at a place drawn evenly along the unit, and its trail of 50 to 400 m is clipped
at the unit's ends.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.simulate.animals import draw_rows, table_of
from carnivore_sign.simulate.country import Country
from carnivore_sign.simulate.settings import AnimalSettings, RangeSettings, SeasonSettings
from carnivore_sign.space import STORED_CRS, working_crs
from carnivore_sign.units import HOURS_PER_DAY, M_PER_KM, SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Shortest and longest stretch of a transect that a trail runs along, in metres.
TRAIL_LENGTH_M = (50.0, 400.0)

#: Share of trails that cross the transect instead of following it, and the metres they leave.
CROSSING_SHARE = 0.15
CROSSING_LENGTH_M = 50.0

SECONDS_PER_DAY = SECONDS_PER_HOUR * HOURS_PER_DAY


def month_bounds(settings: SeasonSettings) -> tuple[FloatArray, FloatArray]:
    """Start and end of each month as seconds since 1970 (UTC); months begin at local midnight."""
    first = pd.PeriodIndex(settings.periods, freq="M")
    zone = settings.country.time_zone
    starts = seconds(first.to_timestamp().tz_localize(zone))
    ends = seconds((first + 1).to_timestamp().tz_localize(zone))
    return starts, ends


def seconds(times: pd.DatetimeIndex) -> FloatArray:
    """Seconds since 1970 (UTC) of aware times."""
    passed = times.tz_convert("UTC") - pd.Timestamp("1970-01-01", tz="UTC")
    return np.asarray(passed.total_seconds(), dtype=float)


def as_times(values: npt.ArrayLike) -> pd.DatetimeIndex:
    """Aware UTC times of seconds since 1970, rounded to the second."""
    whole = np.floor(np.asarray(values, dtype=float) + 0.5).astype("int64")
    return pd.DatetimeIndex(whole.astype("datetime64[s]")).tz_localize("UTC")


def inside_range(home: RangeSettings, month: int, places_km: FloatArray) -> BoolArray:
    """Whether places (km east, north) lie in a home range in the given month of the season.

    Examples
    --------
    >>> home = RangeSettings(((0.0, 0.0),), (3.0, 1.0), turn_deg=90.0)
    >>> inside_range(home, 0, np.array([[2.5, 0.0], [0.0, 2.5]])).tolist()
    [True, False]
    """
    middle = home.middles_km[min(month, len(home.middles_km) - 1)]
    offset = places_km - np.asarray(middle)
    turn = np.radians(home.turn_deg)
    lengthwise = offset @ np.array([np.sin(turn), np.cos(turn)])
    breadthwise = offset @ np.array([np.cos(turn), -np.sin(turn)])
    half_length, half_breadth = home.half_axes_km
    return (lengthwise / half_length) ** 2 + (breadthwise / half_breadth) ** 2 <= 1.0


def use_of_units(country: Country, settings: SeasonSettings) -> pd.DataFrame:
    """Tell which units each taxon uses in each month.

    Returns
    -------
    DataFrame
        One row per taxon, period and unit: ``taxon``, ``period``, the columns of
        `Country.units`, and ``used``.
    """
    tables = []
    for group in settings.animals:
        for month, period in enumerate(settings.periods):
            used = _members(country, group, month).any(axis=1)
            tables.append(country.units.assign(taxon=group.taxon, period=period, used=used))
    return pd.concat(tables, ignore_index=True)


def _members(country: Country, group: AnimalSettings, month: int) -> BoolArray:
    """Which animals of a group may pass over which unit: an array (units, animals)."""
    units = country.units
    if group.ranges:
        places = units[["east_km", "north_km"]].to_numpy()
        return np.column_stack([inside_range(home, month, places) for home in group.ranges])
    if group.within_of_parcels_m is not None:
        near = metres_to_parcels(country, units) <= group.within_of_parcels_m
    else:
        near = np.ones(len(units), dtype=bool)
    return np.repeat(near[:, None], group.animals, axis=1)


def metres_to_parcels(country: Country, places: pd.DataFrame) -> FloatArray:
    """Distance in metres from places (``lon``, ``lat``) to the nearest parcel; 0 inside one."""
    if country.parcels.empty:
        return np.full(len(places), np.inf)
    plane = working_crs(country.transects)
    points = gpd.GeoSeries.from_xy(places["lon"], places["lat"], crs=STORED_CRS).to_crs(plane)
    return points.distance(country.parcels.to_crs(plane).union_all()).to_numpy()


def draw_passages(
    country: Country, settings: SeasonSettings, animals: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw every passage of the season, noticed or not.

    Parameters
    ----------
    country : Country
        As `build_country` gives it.
    settings : SeasonSettings
        Rates and ranges.
    animals : DataFrame
        As `draw_animals` gives it.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    DataFrame
        One row per passage, in order of time and indexed by its name (``T0001``): ``taxon``,
        ``animal``, ``transect``, ``number`` (of the unit), ``period``, ``made_s`` (seconds
        since 1970), ``anchor_m``, ``from_m``, ``to_m`` (along the transect), ``crosses``,
        ``direction_deg``, ``stride_m``.
    """
    starts, ends = month_bounds(settings)
    drawn = []
    for group in settings.animals:
        own = animals.index[animals["taxon"].eq(group.taxon)].to_numpy()
        for month, period in enumerate(settings.periods):
            members = _members(country, group, month)
            days = (ends[month] - starts[month]) / SECONDS_PER_DAY
            used = members.any(axis=1)
            km = country.units["length_m"].to_numpy() / M_PER_KM
            counts = rng.poisson(np.where(used, group.rate_per_km_day * km * days, 0.0))
            unit = np.repeat(np.arange(len(counts)), counts)
            chances = members[unit] / members[unit].sum(axis=1, keepdims=True)
            passages = country.units.iloc[unit][["transect", "number", "from_m", "to_m"]]
            passages = passages.assign(
                taxon=group.taxon,
                period=period,
                animal=own[draw_rows(chances, rng)],
                made_s=np.floor(rng.uniform(starts[month], ends[month], len(unit))),
            )
            drawn.append(passages)
    passages = pd.concat(drawn).sort_values(["made_s", "transect", "number"], ignore_index=True)
    passages.index = pd.Index([f"T{n:04d}" for n in range(1, len(passages) + 1)], name="trail")
    return _lay_trails(passages, country, animals, rng)


def _lay_trails(
    passages: pd.DataFrame, country: Country, animals: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Give each passage its anchor, its stretch along the transect, direction and stride."""
    count = len(passages)
    unit_from, unit_to = passages["from_m"].to_numpy(), passages["to_m"].to_numpy()
    anchor = unit_from + rng.random(count) * (unit_to - unit_from)
    crosses = rng.random(count) < CROSSING_SHARE
    length = np.where(crosses, CROSSING_LENGTH_M, rng.uniform(*TRAIL_LENGTH_M, count))
    before = rng.random(count) * length
    back = rng.random(count) < 0.5
    aside = np.where(rng.random(count) < 0.5, 1, -1) * rng.uniform(30.0, 90.0, count)
    bearing = np.empty(count)
    for name, path in country.paths.items():
        here = passages["transect"].eq(name).to_numpy()
        bearing[here] = path.bearing_at(anchor[here])
    direction = np.mod(bearing + np.where(back, 180.0, 0.0) + np.where(crosses, aside, 0.0), 360)
    within = np.array([table_of(taxon).stride_within for taxon in passages["taxon"]])
    own_stride = animals["stride_m"].reindex(passages["animal"]).to_numpy()
    stride = own_stride * (1 + within * rng.standard_normal(count))
    return passages.assign(
        anchor_m=anchor,
        from_m=np.maximum(unit_from, anchor - before),
        to_m=np.minimum(unit_to, anchor + length - before),
        crosses=crosses,
        direction_deg=direction,
        stride_m=stride,
    )
