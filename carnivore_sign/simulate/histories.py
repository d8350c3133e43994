"""Histories (simulate): visits and detections with known truth, straight from the model.

No country, no walks, no prints: units are used or not, visits have km and days, trails come as
Poisson counts and each carries evidence of known strength. Thousands of seasons can be drawn in
the time that one country takes, which is what a check of an interval's coverage needs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import DETECTIONS, VISITS, taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.units import HOURS_PER_DAY

FloatArray = npt.NDArray[np.float64]

#: Most visits to a unit in a month: one a day, so that each keeps within its month.
MOST_VISITS: Final = 25


@dataclass(frozen=True)
class HistorySettings:
    """What histories are drawn from.

    Parameters
    ----------
    units : int
        Units, each used or not in each period on its own.
    visits : int
        Visits planned to each unit in each period.
    periods : tuple of str
        Months, ``YYYY-MM``.
    presence : float
        Probability that a unit is used in a period.
    rate_per_km_day : float
        Trails of the taxon that are noticed, per km and day, on used units.
    look_alike_rate_per_km_day : float
        Trails of the look-alike that are noticed, per km and day, on all units.
    length_km : float
        Length of a unit.
    days : (float, float)
        Fewest and most days since the surface was wiped; drawn evenly for each visit.
    coverage : (float, float)
        Smallest and largest share of a unit that a visit covers; drawn evenly.
    missed_share : float
        Share of planned visits that are not made.
    separation : float or None
        Strength of the evidence of one trail: its log likelihood ratio is normal with mean
        ``+separation**2 / 2`` for the taxon and ``-separation**2 / 2`` for the look-alike, and
        standard deviation `separation`. ``None``: every trail is known for sure.
    prior : float
        Prior probability of the taxon from which the trails' probabilities are computed.
    taxon, look_alike : str
        The two taxa.
    """

    units: int = 50
    visits: int = 3
    periods: tuple[str, ...] = ("2026-02",)
    presence: float = 0.45
    rate_per_km_day: float = 0.12
    look_alike_rate_per_km_day: float = 0.0
    length_km: float = 1.0
    days: tuple[float, float] = (2.0, 6.0)
    coverage: tuple[float, float] = (1.0, 1.0)
    missed_share: float = 0.0
    separation: float | None = None
    prior: float = 0.5
    taxon: str = "puma"
    look_alike: str = "dog"

    def __post_init__(self) -> None:
        for setting in ("presence", "missed_share", "prior"):
            _require(0 <= getattr(self, setting) <= 1, setting, "0 to 1", getattr(self, setting))
        _require(0 < self.prior < 1, "prior", "above 0 and below 1", self.prior)
        for setting in ("rate_per_km_day", "look_alike_rate_per_km_day"):
            _require(getattr(self, setting) >= 0, setting, "0 or more", getattr(self, setting))
        _require(self.units >= 1, "units", "1 or more", self.units)
        most = f"1 to {MOST_VISITS}"
        _require(1 <= self.visits <= MOST_VISITS, "visits", most, self.visits)
        _require(self.length_km > 0, "length_km", "above 0", self.length_km)
        _require(0 <= self.days[0] <= self.days[1], "days", "a range", self.days)
        covered = 0 < self.coverage[0] <= self.coverage[1] <= 1
        _require(covered, "coverage", "a range within 0 to 1", self.coverage)
        sharp = self.separation is None or self.separation > 0
        _require(sharp, "separation", "above 0, or None", self.separation)
        for taxon in (self.taxon, self.look_alike):
            _require(taxon in TAXA, "taxon", f"one of {tuple(TAXA)}", taxon)
        _require(self.taxon != self.look_alike, "look_alike", "another taxon", self.look_alike)


@dataclass(frozen=True)
class SimulatedHistories:
    """Visits and detections in the schemas of `records`, and the truth behind them.

    Attributes
    ----------
    visits : DataFrame
        `records.tables.VISITS`.
    detections : DataFrame
        `records.tables.DETECTIONS`: one trail each, with its probabilities.
    used : DataFrame
        ``segment``, ``period``, ``used``.
    true_taxon : Series
        True taxon of each trail, indexed by trail.
    """

    visits: pd.DataFrame
    detections: pd.DataFrame
    used: pd.DataFrame
    true_taxon: pd.Series


def simulate_histories(settings: HistorySettings, rng: np.random.Generator) -> SimulatedHistories:
    """Simulate visits and detections with known presence, rates and strength of evidence.

    A visit to a used unit finds a Poisson number of the taxon's trails with mean
    ``rate_per_km_day * km_days``; every visit finds a Poisson number of look-alike trails with
    mean ``look_alike_rate_per_km_day * km_days``. With `prior` taken out of a trail's
    probability, what remains is exactly the likelihood ratio that its evidence has.

    Parameters
    ----------
    settings : HistorySettings
        What to draw from.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    SimulatedHistories
        Frames and truth.

    Examples
    --------
    >>> drawn = simulate_histories(HistorySettings(units=4, visits=2), np.random.default_rng(3))
    >>> len(drawn.visits), len(drawn.used)
    (8, 4)
    """
    used = _draw_used(settings, rng)
    visits, is_used = _draw_visits(settings, used, rng)
    detections, truth = _draw_detections(settings, visits, is_used, rng)
    return SimulatedHistories(visits, detections, used, truth)


def _require(holds: bool, setting: str, should: str, came: object) -> None:
    if not holds:
        raise InputError(f"histories: {setting} must be {should}, and {came!r} came")


def _draw_used(settings: HistorySettings, rng: np.random.Generator) -> pd.DataFrame:
    names = [f"Line {n // 10 + 1}#{n % 10 + 1:03d}" for n in range(settings.units)]
    used = pd.MultiIndex.from_product(
        [names, settings.periods], names=["segment", "period"]
    ).to_frame(index=False)
    return used.assign(used=rng.random(len(used)) < settings.presence)


def _draw_visits(
    settings: HistorySettings, used: pd.DataFrame, rng: np.random.Generator
) -> tuple[pd.DataFrame, npt.NDArray[np.bool_]]:
    planned = used.loc[used.index.repeat(settings.visits)].reset_index(drop=True)
    number = np.tile(np.arange(settings.visits), len(used))
    made = rng.random(len(planned)) >= settings.missed_share
    covered_km = rng.uniform(*settings.coverage, len(planned)) * settings.length_km
    days = rng.uniform(*settings.days, len(planned))
    day = np.floor((number + 1) * 27 / (settings.visits + 1)).astype("timedelta64[D]")
    noon = planned["period"].to_numpy(dtype="datetime64[M]").astype("datetime64[s]")
    start = pd.DatetimeIndex(noon + day + np.timedelta64(20, "h")).tz_localize("UTC")
    transect = planned["segment"].str.split("#").str[0]
    log = transect + " " + planned["period"] + " " + pd.Series(number).astype(str)
    visits = pd.DataFrame(
        {
            "visit": log + "#0@" + planned["segment"],
            "walk": log + "#0",
            "log": log,
            "segment": planned["segment"],
            "transect": transect,
            "observer": "A. Quill",
            "start": start,
            "end": start + pd.Timedelta(minutes=15),
            "period": planned["period"],
            "covered_m": 1000 * covered_km,
            "coverage": covered_km / settings.length_km,
            "hours_since_cleared": HOURS_PER_DAY * days,
            "cleared_by": "drag",
            "effort_km": covered_km,
            "effort_km_days": covered_km * days,
        }
    )
    visits = conform(visits[made].reset_index(drop=True), VISITS)
    return visits, planned["used"].to_numpy(dtype=bool)[made]


def _draw_detections(
    settings: HistorySettings,
    visits: pd.DataFrame,
    used: npt.NDArray[np.bool_],
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.Series]:
    effort = visits["effort_km_days"].to_numpy(dtype=float)
    target = rng.poisson(np.where(used, settings.rate_per_km_day, 0.0) * effort)
    look_alike = rng.poisson(settings.look_alike_rate_per_km_day * effort)
    rows = np.arange(len(visits))
    visit = np.concatenate([np.repeat(rows, target), np.repeat(rows, look_alike)])
    is_target = np.arange(len(visit)) < target.sum()
    chance = _draw_probabilities(settings, is_target, rng)
    order = np.lexsort([rng.permutation(len(visit)), visit])
    table = visits.iloc[visit[order]][["visit", "segment", "period"]].reset_index(drop=True)
    names = pd.Index([f"T{n:05d}" for n in range(1, len(table) + 1)], name="trail")
    own = {settings.taxon: chance[order], settings.look_alike: 1 - chance[order]}
    probabilities = {taxon_column(taxon): own.get(taxon, 0.0) for taxon in TAXA}
    table = table.assign(trail=names, offset_m=0.0, with_tracks=1, **probabilities)
    taxa = np.where(is_target[order], settings.taxon, settings.look_alike).astype(object)
    return conform(table, DETECTIONS), pd.Series(taxa, index=names, name="taxon")


def _draw_probabilities(
    settings: HistorySettings, is_target: npt.NDArray[np.bool_], rng: np.random.Generator
) -> FloatArray:
    if settings.separation is None:
        return is_target.astype(float)
    strength = settings.separation
    middle = np.where(is_target, 0.5, -0.5) * strength**2
    log_ratio = middle + strength * rng.standard_normal(len(is_target))
    log_odds = log_ratio + np.log(settings.prior / (1 - settings.prior))
    return np.asarray(expit(log_odds), dtype=float)
