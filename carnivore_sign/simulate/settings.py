"""Settings of a simulated season (simulate): what is assumed, each number in one place.

`SeasonSettings` holds a country, its animals, its surfaces and weather, the walking and the
observers. Every class checks itself when it is made and raises `InputError` that names the
setting. Numbers here are chosen by whoever simulates; none is an estimate.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import CHARACTERS, SURFACES, TAXA
from carnivore_sign.units import METRES

#: A place in kilometres east and north of the middle of the country.
PlaceKm = tuple[float, float]

#: Walking starts no earlier in a month than this day, so that a surface can be dragged before
#: the walk and after the month began (see ``season.py``: what is found was made that month).
FIRST_WALKING_DAY: Final = 3


def _require(holds: bool, setting: str, should: str, came: object) -> None:
    if not holds:
        raise InputError(f"{setting} must be {should}, and {came!r} came")


def _share(value: float, setting: str) -> None:
    _require(0.0 <= value <= 1.0, setting, "a probability, 0 to 1", value)


def _above_zero(value: float, setting: str) -> None:
    _require(value > 0, setting, "above 0", value)


def _ordered(pair: tuple[float, float], setting: str) -> None:
    _require(0 <= pair[0] <= pair[1], setting, "a smaller and a larger number, not below 0", pair)


def _names(names: Iterable[str], setting: str) -> None:
    names = list(names)
    _require(len(names) > 0, setting, "at least one", names)
    _require(len(set(names)) == len(names), setting, "named once each", names)


@dataclass(frozen=True)
class TransectSettings:
    """One transect: a line drawn through `points_km`, bent, and laid out in whole km.

    Parameters
    ----------
    name : str
        Its name.
    surface : str
        One of `records.vocabularies.SURFACES`.
    points_km : tuple of (east, north)
        Places that it passes, in kilometres from the middle of the country.
    length_km : int
        Its length; the points must allow for it.
    bend_m : float
        Size of the bends that are laid over the line.
    """

    name: str
    surface: str
    points_km: tuple[PlaceKm, ...]
    length_km: int
    bend_m: float = 20.0

    def __post_init__(self) -> None:
        what = f"transect '{self.name}': "
        _require(self.surface in SURFACES, what + "surface", f"one of {SURFACES}", self.surface)
        _require(len(self.points_km) > 1, what + "points_km", "two or more", self.points_km)
        _require(self.length_km >= 1, what + "length_km", "1 or more", self.length_km)
        _require(self.bend_m >= 0, what + "bend_m", "0 or more", self.bend_m)


@dataclass(frozen=True)
class ParcelSettings:
    """One holding or pasture, with its corners in kilometres from the middle.

    Attributes
    ----------
    name, owner_reference : str
        Its name, and the reference to its owner.
    corners_km : tuple of (float, float)
        East and north of the middle of the country, in kilometres.
    """

    name: str
    owner_reference: str
    corners_km: tuple[PlaceKm, ...]

    def __post_init__(self) -> None:
        what = f"parcel '{self.name}': corners_km"
        _require(len(self.corners_km) > 2, what, "three or more", self.corners_km)


@dataclass(frozen=True)
class CountrySettings:
    """The place: its middle, its zone, its transects and parcels.

    Parameters
    ----------
    name : str
        Its name.
    lon, lat : float
        Its middle, degrees, WGS84.
    time_zone : str
        Local zone: notebooks are written in it and months are counted in it.
    transects, parcels : tuple
        What lies in it.
    unit_length_m : float
        Length of the pieces in which use by an animal is defined.
    """

    name: str
    lon: float
    lat: float
    time_zone: str
    transects: tuple[TransectSettings, ...]
    parcels: tuple[ParcelSettings, ...] = ()
    unit_length_m: float = 1000.0

    def __post_init__(self) -> None:
        _require(-180 <= self.lon < 180, "country: lon", "degrees, -180 to 180", self.lon)
        _require(-80 <= self.lat <= 80, "country: lat", "degrees, -80 to 80", self.lat)
        _names((t.name for t in self.transects), "country: transects")
        if self.parcels:
            _names((p.name for p in self.parcels), "country: parcels")
        _above_zero(self.unit_length_m, "country: unit_length_m")
        try:
            ZoneInfo(self.time_zone)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise InputError(f"country: time_zone '{self.time_zone}' is not known") from error


@dataclass(frozen=True)
class RangeSettings:
    """Home range of one animal: an ellipse whose middle moves from month to month.

    Parameters
    ----------
    middles_km : tuple of (east, north)
        Its middle in each month; the last one holds for the months after it.
    half_axes_km : (float, float)
        Half the length and half the breadth.
    turn_deg : float
        Bearing of the long axis, degrees clockwise from north.
    """

    middles_km: tuple[PlaceKm, ...]
    half_axes_km: tuple[float, float]
    turn_deg: float = 0.0

    def __post_init__(self) -> None:
        _require(len(self.middles_km) > 0, "range: middles_km", "at least one", self.middles_km)
        _require(min(self.half_axes_km) > 0, "range: half_axes_km", "above 0", self.half_axes_km)


@dataclass(frozen=True)
class AnimalSettings:
    """The animals of one taxon: how many, where, and how often they pass.

    With `ranges` there is one animal per range and it passes only there; with
    `within_of_parcels_m` they pass only on units whose middle is that near to a parcel;
    with neither, everywhere.

    Parameters
    ----------
    taxon : str
        One that ``simulate/animals.py`` has a table of.
    rate_per_km_day : float
        Passages per km of used transect and day, all animals of the taxon together.
    count : int
        Animals that share the passages; taken from `ranges` if there are any.
    """

    taxon: str
    rate_per_km_day: float
    count: int = 1
    ranges: tuple[RangeSettings, ...] = ()
    within_of_parcels_m: float | None = None

    def __post_init__(self) -> None:
        what = f"animals '{self.taxon}': "
        _require(self.taxon in TAXA, what + "taxon", f"one of {tuple(TAXA)}", self.taxon)
        rate = self.rate_per_km_day
        _require(rate >= 0, what + "rate_per_km_day", "0 or more", rate)
        _require(self.count >= 1, what + "count", "1 or more", self.count)
        both = bool(self.ranges) and self.within_of_parcels_m is not None
        _require(not both, what + "ranges", "empty where within_of_parcels_m is given", "both")

    @property
    def animals(self) -> int:
        """Number of animals."""
        return len(self.ranges) or self.count


@dataclass(frozen=True)
class SurfaceSettings:
    """What a surface shows: the chance that each character of a print can be seen on it.

    Characters that are not named are seen with `otherwise`; a print's measured sizes are its
    true sizes times `size_factor` (soft ground makes a track larger than the foot).
    """

    seen: Mapping[str, float] = field(default_factory=dict)
    otherwise: float = 0.5
    size_factor: float = 1.0

    def __post_init__(self) -> None:
        for name, chance in self.seen.items():
            _require(name in CHARACTERS, "surface: seen", f"one of {tuple(CHARACTERS)}", name)
            _share(chance, f"surface: seen['{name}']")
        _share(self.otherwise, "surface: otherwise")
        _above_zero(self.size_factor, "surface: size_factor")


@dataclass(frozen=True)
class ObserverSettings:
    """An observer's habits with the notebook; they change what is written, not what is true.

    Attributes
    ----------
    name : str
        Who it is.
    print_unit, stride_unit : str
        Units in which they write sizes of prints, and strides.
    uses_compass_points : bool
        Whether they write SSW and not 202.
    words : mapping of str to str
        Their own words for those of the vocabularies.
    """

    name: str
    print_unit: str = "mm"
    stride_unit: str = "cm"
    uses_compass_points: bool = False
    words: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for unit in (self.print_unit, self.stride_unit):
            _require(unit in METRES, f"observer '{self.name}': unit", f"one of {[*METRES]}", unit)


@dataclass(frozen=True)
class ObservingSettings:
    """How well observers see, read, measure and name.

    Parameters
    ----------
    observers : tuple of ObserverSettings
        Who walks.
    notice : float
        Chance that a trail which can be recorded is noticed on a walk.
    misread : float
        Chance that a visible character is noted as another of its states.
    measure_sd_mm : float
        Standard deviation of a measured size of a print.
    stride_error : float
        Standard deviation of a measured stride, as a share of it.
    naming_error : float
        Chance that a trail is named as another animal.
    age_error : float
        Chance that the stated age window misses the true age.
    """

    observers: tuple[ObserverSettings, ...]
    notice: float = 0.8
    misread: float = 0.08
    measure_sd_mm: float = 2.0
    stride_error: float = 0.03
    naming_error: float = 0.12
    age_error: float = 0.1

    def __post_init__(self) -> None:
        _names((o.name for o in self.observers), "observing: observers")
        for setting in ("notice", "misread", "naming_error", "age_error"):
            _share(getattr(self, setting), f"observing: {setting}")
        for setting in ("measure_sd_mm", "stride_error"):
            value = getattr(self, setting)
            _require(value >= 0, f"observing: {setting}", "0 or more", value)


@dataclass(frozen=True)
class RouteSettings:
    """Transects that are walked on one outing, in order, and the parking place at each end.

    Attributes
    ----------
    transects : tuple of str
        Their names, in order.
    parking_km : ((float, float), (float, float))
        Parking places, east and north of the middle of the country, in kilometres.
    returns : float
        Chance of walking out and back.
    """

    transects: tuple[str, ...]
    parking_km: tuple[PlaceKm, PlaceKm]
    returns: float = 0.0

    def __post_init__(self) -> None:
        _names(self.transects, "route: transects")
        _share(self.returns, "route: returns (chance of walking out and back)")


@dataclass(frozen=True)
class WalkingSettings:
    """The walks and the receiver that logs them.

    Parameters
    ----------
    routes : tuple of RouteSettings
        Each is walked again and again.
    interval_days : (int, int)
        Fewest and most days between two walks of a route.
    drag_days : (int, int)
        Fewest and most days before a walk at which its transects are dragged clean.
    not_walked : tuple of (transect, period)
        Transects left out in a month, ``YYYY-MM``.
    cut_short : float
        Chance that a walk ends early, at 35 to 85 % of its way.
    speed_m_s, pause_s, fix_interval_s : float
        Pace, halt at each sign, time between fixes.
    noise_sd_m, noise_memory_s : float
        Error of a position in each of east and north, and the time over which it fades to 1/e.
    gaps_per_hour, outliers_per_hour : float
        Losses of reception (a new part of the log each) and stray fixes.
    """

    routes: tuple[RouteSettings, ...]
    interval_days: tuple[int, int] = (8, 12)
    drag_days: tuple[int, int] = (2, 6)
    not_walked: tuple[tuple[str, str], ...] = ()
    cut_short: float = 0.1
    speed_m_s: float = 1.3
    pause_s: float = 60.0
    fix_interval_s: float = 15.0
    noise_sd_m: float = 4.0
    noise_memory_s: float = 120.0
    gaps_per_hour: float = 0.4
    outliers_per_hour: float = 0.8

    def __post_init__(self) -> None:
        _require(len(self.routes) > 0, "walking: routes", "at least one", self.routes)
        _names((name for route in self.routes for name in route.transects), "walking: transects")
        _ordered(self.interval_days, "walking: interval_days")
        _ordered(self.drag_days, "walking: drag_days")
        apart = self.drag_days[1] < self.interval_days[0]
        _require(
            apart, "walking: drag_days", "shorter than the shortest interval_days", self.drag_days
        )
        _share(self.cut_short, "walking: cut_short")
        for setting in ("speed_m_s", "fix_interval_s", "noise_memory_s"):
            _above_zero(getattr(self, setting), f"walking: {setting}")
        for setting in ("pause_s", "noise_sd_m", "gaps_per_hour", "outliers_per_hour"):
            value = getattr(self, setting)
            _require(value >= 0, f"walking: {setting}", "0 or more", value)


@dataclass(frozen=True)
class WeatherSettings:
    """Events per 30 days that wipe surfaces: rain all of them, wind sand and dust, traffic one."""

    rain: float = 2.0
    wind: float = 2.0
    traffic: float = 3.0

    def __post_init__(self) -> None:
        for setting in ("rain", "wind", "traffic"):
            value = getattr(self, setting)
            _require(value >= 0, f"weather: {setting}", "0 or more", value)


@dataclass(frozen=True)
class SeasonSettings:
    """Everything that a simulated season is drawn from.

    Attributes
    ----------
    country : CountrySettings
        The place.
    animals : tuple of AnimalSettings
        Who lives there.
    observing : ObservingSettings
        Who looks, and how well.
    walking : WalkingSettings
        What is walked, and when.
    first_month : str
        ``YYYY-MM``.
    months : int
        How many.
    surfaces : mapping of str to SurfaceSettings
        What each surface hides.
    weather : WeatherSettings
        What wipes the surfaces.
    """

    country: CountrySettings
    animals: tuple[AnimalSettings, ...]
    observing: ObservingSettings
    walking: WalkingSettings
    first_month: str
    months: int = 3
    surfaces: Mapping[str, SurfaceSettings] = field(default_factory=dict)
    weather: WeatherSettings = field(default_factory=WeatherSettings)

    def __post_init__(self) -> None:
        _names((a.taxon for a in self.animals), "season: animals")
        _require(self.months >= 1, "season: months", "1 or more", self.months)
        known = {transect.name for transect in self.country.transects}
        walked = [name for route in self.walking.routes for name in route.transects]
        strange = [name for name in walked if name not in known]
        _require(not strange, "walking: routes", "made of the country's transects", strange)
        left_out = [name for name, _ in self.walking.not_walked if name not in known]
        _require(not left_out, "walking: not_walked", "of the country's transects", left_out)
        try:
            self.periods  # noqa: B018 - read once, so that a month that cannot be read is told now
        except ValueError as error:
            raise InputError(
                f"season: first_month must be like '2026-02', and '{self.first_month}' came"
            ) from error

    @property
    def periods(self) -> tuple[str, ...]:
        """The months, ``YYYY-MM``."""
        months = pd.period_range(self.first_month, periods=self.months, freq="M")
        return tuple(str(month) for month in months)
