"""Comparing: whether trails were found oftener in one group of visits than in another.

The ratio of two rates has exact limits; doubt about the trails is carried into them. That the
index of tracks differs does not say that the number of animals does: surface, weather, season
and reader change it too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from carnivore_sign.errors import NothingSurveyed
from carnivore_sign.survey.doubt import doubtful_poisson_limits, doubtful_ratio_limits
from carnivore_sign.survey.rates import effort_column, made_in_time, trails_of


@dataclass(frozen=True)
class RateComparison:
    """Two rates side by side, the second against the first.

    Attributes
    ----------
    first, second : str
        Names of the groups.
    unit : str
        ``km`` or ``km_day``.
    rate_first, rate_second : float
        Expected trails per unit of effort.
    ratio, ratio_low, ratio_high : float
        Second rate over first, with limits; the ratio is missing where the first is 0, and the
        upper limit infinite where the first may be.
    difference, difference_low, difference_high : float
        Second rate less first, with limits.
    level : float
        Confidence of the limits.
    """

    first: str
    second: str
    unit: str
    rate_first: float
    rate_second: float
    ratio: float
    ratio_low: float
    ratio_high: float
    difference: float
    difference_low: float
    difference_high: float
    level: float

    @property
    def sentence(self) -> str:
        """What the comparison says, in words, without more than it says."""
        if self.ratio_low > 1:
            found = "oftener"
        elif self.ratio_high < 1:
            found = "less often"
        else:
            return (
                f"The data do not tell whether trails were found oftener or less often in "
                f"{self.second} than in {self.first}."
            )
        return (
            f"Trails were found {found} per {self.unit.replace('_', '-')} in {self.second} than "
            f"in {self.first}. An index of tracks is not a number of animals."
        )


def compare_rates(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    first: str,
    second: str,
    by: str = "period",
    taxon: str = "puma",
    unit: str = "km",
    level: float = 0.95,
) -> RateComparison:
    """Compare the detection rates of two groups of visits, such as two months.

    Parameters
    ----------
    visits, detections : DataFrame
        From `make_visits` and `make_detections`.
    first, second : str
        Values of the column `by` that are compared.
    by : str
        Column of `visits`.
    taxon : str
        A taxon of the vocabulary.
    unit : {'km', 'km_day'}
        Effort; with ``km_day`` only visits whose accumulation time is known count, and only
        trails with tracks.
    level : float
        Confidence of the limits.

    Returns
    -------
    RateComparison
        Both rates, their ratio and its limits.

    Raises
    ------
    NothingSurveyed
        If one of the groups has no effort; the message names the groups that have some.
    InputError
        If `unit` is another.

    Notes
    -----
    Limits of the ratio: `doubtful_ratio_limits`. Limits of the difference: the limits of the
    two rates, squared and added (the way of Newcombe's method 10, for rates; Donner & Zou 2012,
    Stat Methods Med Res 21:347-359, cited from memory).

    Examples
    --------
    >>> visits = pd.DataFrame({
    ...     "visit": ["a", "b"], "period": ["2024-05", "2024-06"], "effort_km": [100.0, 100.0],
    ...     "effort_km_days": [300.0, 300.0],
    ... })
    >>> detections = pd.DataFrame(
    ...     {"visit": ["a"] * 4 + ["b"] * 16, "trail": range(20), "p_puma": 1.0}
    ... )
    >>> found = compare_rates(visits, detections, first="2024-05", second="2024-06")
    >>> round(found.ratio, 2), round(found.ratio_low, 2), round(found.ratio_high, 2)
    (4.0, 1.29, 16.44)
    >>> found.sentence.split(". ")[0]
    'Trails were found oftener per km in 2024-06 than in 2024-05'
    """
    column = effort_column(unit)
    effort = visits.loc[visits[column].notna()].groupby(by)[column].sum()
    effort = effort[effort > 0]
    for name in (first, second):
        if name not in effort.index:
            raise NothingSurveyed(
                f"no effort in {name}, so that there is nothing to compare; there is effort in "
                f"{', '.join(map(str, effort.index)) or 'none'}."
            )
    groups = [visits.loc[visits[by].eq(name) & visits[column].notna()] for name in (first, second)]
    counted = detections if unit == "km" else made_in_time(detections)
    chances = [trails_of(group, counted, taxon)["chance"].to_numpy() for group in groups]
    km = [float(effort[first]), float(effort[second])]
    rates = [float(chance.sum()) / size for chance, size in zip(chances, km, strict=True)]
    (low1, high1), (low2, high2) = (
        np.array(doubtful_poisson_limits(chance, level=level)) / size
        for chance, size in zip(chances, km, strict=True)
    )
    ratio_low, ratio_high = doubtful_ratio_limits(chances[0], chances[1], km[0], km[1], level=level)
    difference = rates[1] - rates[0]
    return RateComparison(
        first=str(first), second=str(second), unit=unit, level=level,
        rate_first=rates[0], rate_second=rates[1],
        ratio=rates[1] / rates[0] if rates[0] > 0 else np.nan,
        ratio_low=ratio_low, ratio_high=ratio_high, difference=difference,
        difference_low=difference - float(np.hypot(rates[1] - low2, high1 - rates[0])),
        difference_high=difference + float(np.hypot(high2 - rates[1], rates[0] - low1)),
    )  # fmt: skip
