"""Rates: independent trails per km and per km-day, with limits that carry the doubt.

An index of tracks is not a density: it moves with the animals' movements, the surface and the
reader as well as with their number.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import SURE_FROM
from carnivore_sign.survey.doubt import (
    LearnedShare,
    doubtful_poisson_limits,
    poisson_binomial_limits,
)

_EFFORT: Final = ["visits", "effort_km", "effort_km_days"]
_UNITS: Final = {"km": "effort_km", "km_day": "effort_km_days"}
_COUNTS: Final = [
    "trails_expected", "trails_sure", "trails_low", "trails_high", "low", "high",
]  # fmt: skip


def detection_rates(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    taxon: str = "puma",
    by: str | Sequence[str] = ("period",),
    level: float = 0.95,
    learned: LearnedShare | None = None,
) -> pd.DataFrame:
    """Rate at which trails of a taxon are found, per group of visits.

    A trail counts once in each group, with its probability of being the taxon's, on however
    many segments or visits of the group it was found. How many of the trails found are the
    taxon's is then Poisson-binomial; the limits of the rate are those of
    `doubtful_poisson_limits`: exact Poisson (Garwood) limits where every probability is 0 or 1.
    They suppose that trails are independent and calibrated; clumped trails need wider limits.
    Observers who walk in company make one visit (see `make_visits`), and so one length of
    effort.

    Rates per km count sign of every kind. Rates per km-day count trails with tracks only: a
    track was made in the days since the surface was wiped, and scat may lie there for weeks.

    Parameters
    ----------
    visits : DataFrame
        From `make_visits`; every row is effort.
    detections : DataFrame
        From `make_detections`. Detections on visits that are not in `visits` are passed over,
        so that a selection of visits can be handed in.
    taxon : str
        A taxon of the vocabulary; ``detections`` must have the column ``p_<taxon>``.
    by : str or sequence of str
        Columns of `visits` that make the groups; ``()`` for one rate over all.
    level : float
        Confidence of the limits.
    learned : LearnedShare, optional
        From `learned_share`, where the probabilities rest on a share that was estimated from
        such trails: how well it is known widens the limits.

    Returns
    -------
    DataFrame
        The columns of `by`, then ``visits``, ``effort_km``, ``effort_km_days``,
        ``trails_expected`` (sum of probabilities), ``trails_sure`` (probability of 0.95 or
        more), ``trails_low`` and ``trails_high`` (limits of how many of the trails found are the
        taxon's, `poisson_binomial_limits`), ``trails_per_km`` with ``trails_per_km_low`` and
        ``trails_per_km_high``, and the same ``trails_per_km_day``. Rates per km-day use only the
        visits whose accumulation time is known, in count and in effort, and are missing where
        it is known for none; of the trails they use those ``with_tracks`` (all, where the
        detections do not say).

    Raises
    ------
    NothingSurveyed
        If there are no visits, or they have no effort.
    InputError
        If a column of `by` or the probability of the taxon is missing.

    Examples
    --------
    >>> visits = pd.DataFrame({
    ...     "visit": ["a", "b"], "period": "2024-05", "effort_km": [4.0, 6.0],
    ...     "effort_km_days": [8.0, 12.0],
    ... })
    >>> detections = pd.DataFrame({"visit": ["a", "b"], "trail": ["T1", "T2"], "p_puma": 1.0})
    >>> rates = detection_rates(visits, detections)
    >>> rates[["trails_per_km", "trails_per_km_low", "trails_per_km_high"]].round(4).values.tolist()
    [[0.2, 0.0242, 0.7225]]
    """
    groups = [by] if isinstance(by, str) else list(by)
    _refuse(visits, groups)
    grouped = visits if groups else visits.assign(_all=0)
    keys = groups or ["_all"]
    known = grouped["effort_km_days"].notna()
    effort = grouped.groupby(keys, dropna=False, observed=True).agg(
        visits=("visit", "size"), effort_km=("effort_km", "sum")
    )
    effort["effort_km_days"] = grouped.groupby(keys, dropna=False, observed=True)[
        "effort_km_days"
    ].sum(min_count=1)
    per_km = _counts(trails_of(grouped, detections, taxon, by=keys), keys, level, learned)
    in_time = trails_of(grouped.loc[known], made_in_time(detections), taxon, by=keys)
    per_day = _counts(in_time, keys, level, learned)
    nothing = dict(zip(_COUNTS, _sum_up(np.array([]), level, None), strict=True))
    per_km, per_day = (counts.reindex(effort.index).fillna(nothing) for counts in (per_km, per_day))
    table = effort.assign(trails_expected=per_km["trails_expected"])
    for name in ("trails_sure", "trails_low", "trails_high"):
        table[name] = per_km[name].astype(int)
    for unit, counts in (("km", per_km), ("km_day", per_day)):
        size = effort[f"effort_{unit}s" if unit == "km_day" else "effort_km"]
        size = size.where(size > 0)
        table[f"trails_per_{unit}"] = counts["trails_expected"] / size
        table[f"trails_per_{unit}_low"] = counts["low"] / size
        table[f"trails_per_{unit}_high"] = counts["high"] / size
    return table.reset_index(drop=not groups)


def _refuse(visits: pd.DataFrame, groups: list[str]) -> None:
    if visits.empty or not visits["effort_km"].sum() > 0:
        raise NothingSurveyed(
            "there is no effort among these visits, so that no rate can be told. Hand in visits "
            "of a month in which somebody walked."
        )
    counted = [name for name in groups if name in {*_EFFORT, *_COUNTS}]
    if counted:
        raise InputError(
            f"rates cannot be told by {', '.join(counted)}, which is what they are computed from",
            remedy="Group by a column that tells visits apart: period, transect, observer.",
        )
    absent = [name for name in groups if name not in visits]
    if absent:
        raise InputError(
            f"the visits have no column {', '.join(absent)}",
            remedy=f"Group by some of {', '.join(map(str, visits.columns))}.",
        )


def check_printed_rates(table: pd.DataFrame, *, decimals: int = 2) -> pd.DataFrame:
    """Find the printed rates that do not follow from their own row, and totals that do not add up.

    For tables out of a report that are to be taken over: a misprint is found before it is used.

    Parameters
    ----------
    table : DataFrame
        ``effort``, ``count`` and ``printed`` (the rate as printed, missing where none is); a
        row whose ``total`` is True should hold the sums of the rows above it (column optional).
    decimals : int
        Digits after the point of the printed rates.

    Returns
    -------
    DataFrame
        The rows in fault, with ``rate`` (as it follows) and ``fault``.

    Examples
    --------
    >>> table = pd.DataFrame({"effort": [24, 24], "count": [11, 4], "printed": [0.46, 0.16]})
    >>> check_printed_rates(table)[["count", "printed", "fault"]].values.tolist()
    [[4, 0.16, 'the rate is 0.1667']]
    """
    rate = table["count"] / table["effort"]
    off = (rate - table["printed"]).abs() > 0.5 * 10.0**-decimals * (1 + 1e-9)
    fault = pd.Series(None, index=table.index, dtype="object")
    fault[off] = [f"the rate is {value:.4f}" for value in rate[off]]
    if "total" in table:
        is_total = table["total"].eq(True)
        for name in ("effort", "count"):
            summed = table[name].where(~is_total, 0).cumsum()
            wrong = is_total & ((summed - table[name]).abs() > 1e-9 * summed)
            fault[wrong] = [f"the {name} adds up to {value:g}" for value in summed[wrong]]
    return table.assign(rate=rate, fault=fault)[fault.notna()]


def effort_column(unit: str) -> str:
    """Name of the column that holds the effort in ``km`` or ``km_day``."""
    if unit not in _UNITS:
        raise InputError(f"unit is '{unit}'", remedy="Take 'km' or 'km_day'.")
    return _UNITS[unit]


def made_in_time(detections: pd.DataFrame) -> pd.DataFrame:
    """Return the detections that count per km-day: those of trails with tracks.

    Detections that do not say (no column ``with_tracks``, or missing in it) are kept.

    Examples
    --------
    >>> found = pd.DataFrame({"trail": ["T1", "T2"], "with_tracks": [1, 0]})
    >>> made_in_time(found)["trail"].tolist()
    ['T1']
    """
    if "with_tracks" not in detections:
        return detections
    return detections[detections["with_tracks"].ne(0).fillna(True).to_numpy(dtype=bool)]


def trails_of(
    visits: pd.DataFrame, detections: pd.DataFrame, taxon: str, *, by: Sequence[str] = ()
) -> pd.DataFrame:
    """List each trail found on these visits once in each group, on the visit that found it first.

    Parameters
    ----------
    visits, detections : DataFrame
        From `make_visits` and `make_detections`; detections on other visits are passed over.
    taxon : str
        A taxon of the vocabulary.
    by : sequence of str
        Columns of `visits` that make the groups.

    Returns
    -------
    DataFrame
        ``trail``, ``chance`` (its probability of being the taxon's) and the columns of `visits`.

    Raises
    ------
    InputError
        If the probability is missing, as a column or for some detections.
    """
    chance = taxon_column(taxon)
    if chance not in detections:
        raise InputError(
            f"the detections have no column '{chance}'",
            remedy="Weigh the sign for that taxon first, or choose another.",
        )
    found = detections[["visit", "trail"]].astype({"visit": "object"})
    found["chance"] = detections[chance].astype(float)
    found = visits.astype({"visit": "object"}).merge(found, on="visit")
    absent = found["chance"].isna()
    if absent.any():
        raise InputError(
            f"{int(absent.sum())} detections have no probability of {taxon}",
            remedy="Weigh their sign for that taxon, or take them out and say so.",
        )
    return found.drop_duplicates([*by, "trail"])


def _counts(
    once: pd.DataFrame, keys: list[str], level: float, learned: LearnedShare | None
) -> pd.DataFrame:
    """Expected and sure trails of each group, limits of their number and of its mean."""
    told = [
        (*_as_tuple(key), *_sum_up(group["chance"].to_numpy(), level, learned))
        for key, group in once.groupby(keys, dropna=False, observed=True)
    ]
    frame = pd.DataFrame(told, columns=[*keys, *_COUNTS])
    frame = frame.astype({name: once[name].dtype for name in keys})
    return frame.astype(dict.fromkeys(_COUNTS, float)).set_index(keys)


def _as_tuple(key: object) -> tuple[object, ...]:
    return key if isinstance(key, tuple) else (key,)


def _sum_up(chance: np.ndarray, level: float, learned: LearnedShare | None) -> tuple[float, ...]:
    """Numbers of `_COUNTS`, of the trails of one group."""
    sure = int((chance >= SURE_FROM).sum())
    number = poisson_binomial_limits(chance, level=level)
    mean = doubtful_poisson_limits(chance, level=level, learned=learned)
    return (float(chance.sum()), sure, *number, *mean)
