"""Histories: what each unit's visits found, and how far each sign speaks for the taxon.

A *unit* is a piece of country (a segment) in one *period* (a local month); a *visit* is one
look at it. A unit that nobody visited keeps its row among the units and has no visits: it is
missing, never blank. A *sign* is one trail on one visit, with its likelihood ratio.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import DataWarning, InputError, TableFaults
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import DETECTIONS, VISITS, Table, taxon_column
from carnivore_sign.records.vocabularies import FOUND_LIKELY_FROM, SURE_FROM

#: No identification is taken as surer than this: a ratio stays finite.
SUREST: Final = 1.0 - 1e-9


@dataclass(frozen=True)
class Histories:
    """The detection histories of a survey, in three long tables.

    Attributes
    ----------
    units : DataFrame
        One row per ``unit`` and ``period``, visited or not, and any columns of the units.
    visits : DataFrame
        One row per visit: ``unit``, ``period``, ``visit``, ``effort_km``,
        ``effort_km_days`` (missing where unknown), ``trails`` (how many were found, of any
        taxon, for the first time in the unit and period), ``trails_expected`` (the sum of
        their probabilities), ``p_found`` (probability of the likeliest of them, 0 for none),
        ``grade`` (0 nothing, 1 likely, 2 sure), ``found`` (1 where the grade is sure, else
        0), and any other columns of the visits.
    signs : DataFrame
        One row per trail found, on its first visit to the unit: ``visit``, ``log_ratio``,
        the natural logarithm of P(evidence | the taxon) / P(evidence | something else),
        ``with_tracks`` (False where scat or other sign alone makes up the trail), and
        ``probability`` (that it was the taxon's).
    taxon : str
        The taxon that all of it is about.
    """

    units: pd.DataFrame
    visits: pd.DataFrame
    signs: pd.DataFrame
    taxon: str

    def in_period(self, period: str) -> Histories:
        """Return the part that belongs to one period."""
        visits = self.visits[self.visits["period"] == period]
        return Histories(
            self.units[self.units["period"] == period].reset_index(drop=True),
            visits.reset_index(drop=True),
            self.signs[self.signs["visit"].isin(visits["visit"])].reset_index(drop=True),
            self.taxon,
        )

    def made_in_time(self) -> Histories:
        """Return the histories with the signs of trails with tracks only.

        A track was made since its surface was wiped, and so tells of a rate per day; scat may
        lie for weeks, and neither its being there nor its absence tells of those days.
        """
        if "with_tracks" not in self.signs:
            return self
        return Histories(
            self.units,
            self.visits,
            self.signs[self.signs["with_tracks"]].reset_index(drop=True),
            self.taxon,
        )

    def without_visits(self, where: pd.Series) -> Histories:
        """Return the histories without the visits (and their signs) where `where` is true."""
        gone = self.visits.loc[where, "visit"]
        return Histories(
            self.units,
            self.visits[~where].reset_index(drop=True),
            self.signs[~self.signs["visit"].isin(gone)].reset_index(drop=True),
            self.taxon,
        )


def make_histories(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    taxon: str = "puma",
    prior: float | Mapping[str, float] | pd.Series,
    sure_at: float = SURE_FROM,
    likely_at: float = FOUND_LIKELY_FROM,
    segments: pd.DataFrame | None = None,
) -> Histories:
    """Turn visits and detections into detection histories of one taxon.

    The detections carry posterior probabilities. The evidence behind one is freed of the
    prior it was computed with, ``s = [p / (1 - p)] / [prior / (1 - prior)]``, so that the
    models weigh it with rates estimated from the survey and the prior is not used twice.

    A trail met again on a later visit to its segment in the same period is the same trail:
    it counts once, on the first of those visits, as it does in the rates of sign.

    That a visit found the taxon is as sure as its best trail, and no surer. The doubts about
    several trails on one segment are often one doubt (the same animal, surface and observer),
    and whatever they share, P(at least one is the taxon's) is never below the largest of
    their probabilities (Frechet's lower bound). To multiply the doubts, as if each trail were
    judged afresh, would make many poor trails into a sure find.

    Parameters
    ----------
    visits : DataFrame
        Per ``records.tables.VISITS``; further columns are kept as covariates.
    detections : DataFrame
        Per ``records.tables.DETECTIONS``. A trail without a probability carries no
        evidence: it is taken at the prior, with a `DataWarning`.
    taxon : str
        Column ``p_<taxon>`` of the detections is read.
    prior : float, mapping or Series
        The prior probability of `taxon` that the detections' probabilities were computed
        with, strictly between 0 and 1; or the prior of every taxon, by name.
    sure_at, likely_at : float
        Probability from which a visit's find counts as sure, and as likely.
    segments : DataFrame, optional
        Per ``records.tables.SEGMENTS``: every segment becomes a unit in every period of
        the visits, and its columns (but not its geometry) can serve as covariates.

    Returns
    -------
    Histories
        Units, visits and signs.

    Raises
    ------
    TableFaults
        If a table breaks its schema.
    InputError
        If the prior is not a probability, or a detection names a visit that is not there.

    Examples
    --------
    >>> visits = pd.DataFrame({
    ...     "visit": ["w1@a", "w2@a"], "walk": ["w1", "w2"], "log": ["l1", "l2"],
    ...     "segment": "a", "transect": "wash", "period": "2031-05",
    ...     "start": pd.to_datetime(["2031-05-03T15:00Z", "2031-05-10T15:00Z"]),
    ...     "end": pd.to_datetime(["2031-05-03T15:20Z", "2031-05-10T15:20Z"]),
    ...     "covered_m": 1000.0, "coverage": 1.0, "effort_km": 1.0, "effort_km_days": 3.0,
    ... })
    >>> detections = pd.DataFrame({
    ...     "trail": ["t1"], "visit": ["w2@a"], "segment": ["a"], "period": ["2031-05"],
    ...     "offset_m": [2.0], "p_puma": [0.5],
    ... })
    >>> histories = make_histories(visits, detections, prior=0.2)
    >>> histories.visits[["unit", "visit", "p_found", "grade", "found"]]
      unit visit  p_found  grade  found
    0    a  w1@a      0.0      0      0
    1    a  w2@a      0.5      1      0
    >>> float(np.exp(histories.signs["log_ratio"]).round(6).iloc[0])
    4.0
    """
    _hold(visits, VISITS)
    _hold(detections, DETECTIONS)
    prior_odds = _log_odds_of_prior(prior, taxon)
    if not 0.0 < likely_at <= sure_at <= 1.0:
        raise InputError(
            f"sure_at={sure_at:g} and likely_at={likely_at:g} do not follow on each other",
            remedy="Give 0 < likely_at <= sure_at <= 1.",
        )
    _require_known_visits(detections, visits)
    detections = _first_seen(detections, visits)
    probability = _probability(detections, taxon, prior_odds)
    signs = pd.DataFrame(
        {
            "visit": detections["visit"].to_numpy(),
            "log_ratio": _logit(probability) - prior_odds,
            "with_tracks": _with_tracks(detections),
            "probability": probability,
        }
    )
    table = _with_finds(visits, detections["visit"], probability)
    table["grade"] = (table["p_found"] >= likely_at).astype(int) + (table["p_found"] >= sure_at)
    table["found"] = (table["grade"] == 2).astype(int)
    return Histories(_units(table, segments), table, signs, taxon)


def histories_from_matrix(matrix: pd.DataFrame, *, taxon: str = "puma") -> Histories:
    """Turn a table of 0, 1 and blanks into histories: a row a unit, a column a visit.

    Parameters
    ----------
    matrix : DataFrame
        Index: units. 1 found, 0 looked for and not found, missing where nobody looked.
    taxon : str
        The taxon that was looked for.

    Returns
    -------
    Histories
        With one period, ``all``, an effort of 1 km and of 1 km-day for each visit, and no
        signs: for the models that take found and not found.

    Raises
    ------
    InputError
        If a value is neither 0, 1 nor missing.

    Examples
    --------
    >>> histories = histories_from_matrix(pd.DataFrame([[1, 0], [0, None]], index=["a", "b"]))
    >>> histories.visits[["unit", "visit", "found"]]
      unit visit  found
    0    a   a#0      1
    1    a   a#1      0
    2    b   b#0      0
    """
    values = matrix.to_numpy(dtype=float, na_value=np.nan)
    strange = ~(np.isnan(values) | (values == 0) | (values == 1))
    if strange.any():
        row, column = np.argwhere(strange)[0]
        raise InputError(
            f"unit {matrix.index[row]!r}, visit {matrix.columns[column]!r} holds "
            f"{values[row, column]:g}",
            remedy="Write 1 for found, 0 for not found, and leave blank where nobody looked.",
        )
    row, column = np.nonzero(~np.isnan(values))
    unit = matrix.index.astype(str).to_numpy()
    found = values[row, column].astype(int)
    visits = pd.DataFrame(
        {
            "unit": unit[row],
            "period": "all",
            "visit": [f"{unit[r]}#{matrix.columns[c]}" for r, c in zip(row, column, strict=True)],
            "effort_km": 1.0,
            "effort_km_days": 1.0,
            "trails": found,
            "trails_expected": found.astype(float),
            "p_found": found.astype(float),
            "grade": 2 * found,
            "found": found,
        }
    )
    units = pd.DataFrame({"unit": unit, "period": "all"})
    signs = pd.DataFrame(
        {
            "visit": visits["visit"].iloc[:0],
            "log_ratio": np.empty(0),
            "with_tracks": np.empty(0, dtype=bool),
            "probability": np.empty(0),
        }
    )
    return Histories(units, visits, signs, taxon)


def _hold(frame: pd.DataFrame, table: Table) -> None:
    faults = find_faults(frame, table)
    if len(faults):
        raise TableFaults(table.name, faults)


def _log_odds_of_prior(prior: float | Mapping[str, float] | pd.Series, taxon: str) -> float:
    if isinstance(prior, Mapping | pd.Series):
        if taxon not in prior:
            raise InputError(
                f"the prior has no entry for '{taxon}'",
                remedy=f"It names {', '.join(map(str, prior.keys()))}.",
            )
        total = float(sum(prior.values() if isinstance(prior, Mapping) else prior))
        prior = float(prior[taxon]) / total if total > 0 else np.nan
    if not 0.0 < prior < 1.0:
        raise InputError(
            f"a prior of {prior:g} for '{taxon}' is not strictly between 0 and 1",
            remedy="Give the prior that the identification was made with, for example prior=0.2.",
        )
    return float(np.log(prior) - np.log1p(-prior))


def _require_known_visits(detections: pd.DataFrame, visits: pd.DataFrame) -> None:
    unknown = ~detections["visit"].isin(visits["visit"])
    if unknown.any():
        row = detections.index[unknown][0]
        raise InputError(
            f"{int(unknown.sum())} detection(s) name a visit that is not among the visits, "
            f"the first in row {row}: {detections.loc[row, 'visit']!r}",
            remedy="Make both from the same logs, or leave those detections out.",
        )


def _first_seen(detections: pd.DataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    """Keep each trail once in each unit and period: on the first visit that met it."""
    order = visits.sort_values(["start", "visit"])
    rank = pd.Index(order["visit"]).get_indexer(detections["visit"])
    at = order[["segment", "period"]].iloc[rank].reset_index(drop=True)
    seen = at.assign(trail=detections["trail"].to_numpy(), rank=rank)
    first = ~seen.sort_values("rank", kind="stable").duplicated(["trail", "segment", "period"])
    return detections[first.sort_index().to_numpy()]


def _probability(detections: pd.DataFrame, taxon: str, prior_odds: float) -> np.ndarray:
    column = taxon_column(taxon)
    if column not in detections:
        raise InputError(
            f"the detections have no column '{column}'",
            remedy="Add the probability of the taxon, or name another taxon.",
        )
    values = detections[column].to_numpy(dtype=float, na_value=np.nan, copy=True)
    missing = np.isnan(values)
    if missing.any():
        warnings.warn(
            f"{int(missing.sum())} of {len(values)} trails have no probability of {taxon}; they "
            "are taken at the prior, which is to carry no evidence either way.",
            DataWarning,
            stacklevel=3,
        )
        values[missing] = 1.0 / (1.0 + np.exp(-prior_odds))
    return values


def _with_tracks(detections: pd.DataFrame) -> np.ndarray:
    """Whether each trail has tracks; those that do not say are taken to have some."""
    if "with_tracks" not in detections:
        return np.ones(len(detections), dtype=bool)
    return detections["with_tracks"].ne(0).fillna(True).to_numpy(dtype=bool)


def _logit(probability: np.ndarray) -> np.ndarray:
    kept = np.clip(probability, 1.0 - SUREST, SUREST)
    return np.log(kept) - np.log1p(-kept)


def _with_finds(visits: pd.DataFrame, at: pd.Series, probability: np.ndarray) -> pd.DataFrame:
    """Add the trails and the best one's probability to the visits, sorted by unit and time."""
    table = visits.drop(columns="geometry", errors="ignore").rename(columns={"segment": "unit"})
    if "effort_km_days" not in table:
        table["effort_km_days"] = np.nan
    table = table.sort_values(["unit", "period", "start", "visit"]).reset_index(drop=True)
    row = pd.Index(table["visit"]).get_indexer(at)
    table["trails"] = np.bincount(row, minlength=len(table))
    table["trails_expected"] = np.bincount(row, probability, minlength=len(table))
    best = np.zeros(len(table))
    np.maximum.at(best, row, probability)
    table["p_found"] = best
    first = ["unit", "period", "visit", "effort_km", "effort_km_days", "trails"]
    first += ["trails_expected", "p_found"]
    return table[first + [name for name in table if name not in first]]


def _units(visits: pd.DataFrame, segments: pd.DataFrame | None) -> pd.DataFrame:
    if segments is None:
        pairs = visits[["unit", "period"]].drop_duplicates()
        return pairs.sort_values(["period", "unit"]).reset_index(drop=True)
    table = pd.DataFrame(segments).drop(columns="geometry", errors="ignore")
    table = table.rename(columns={"segment": "unit"})
    strange = ~visits["unit"].isin(table["unit"])
    if strange.any():
        raise InputError(
            f"the visits name segment {visits.loc[strange, 'unit'].iloc[0]!r}, which is not "
            "among the segments",
            remedy="Cut the segments and make the visits from the same transects.",
        )
    periods = pd.DataFrame({"period": np.sort(visits["period"].unique())})
    return periods.merge(table, how="cross").sort_values(["period", "unit"], ignore_index=True)
