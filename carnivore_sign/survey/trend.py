"""Trend: whether trails are found oftener or less often as the months and years go by.

A generalised linear model of the trails found on each walk, with the logarithm of its effort as
an offset, so that a long walk is expected to find more. What is followed is an index of tracks,
and not a number of animals.
"""

from __future__ import annotations

import importlib
import warnings
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm

from carnivore_sign.errors import (
    EstimateError,
    InputError,
    LibraryMissing,
    NotConverged,
    SmallSampleWarning,
)
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.survey.rates import effort_column, made_in_time, trails_of

FloatArray = npt.NDArray[np.float64]

#: Families of the count on a walk.
METHODS: Final[dict[str, str]] = {
    "poisson": "trails independent of each other",
    "quasi_poisson": "variance the same multiple of the mean on every walk",
    "negative_binomial": "variance that grows faster than the mean",
}

#: Fewer expected trails than this carry no limits worth the name (common practice, no source).
FEWEST_TRAILS: Final = 10.0

#: A slope with a standard error above this (a factor of 20,000 a year) is none.
_NO_ESTIMATE: Final = 10.0

_YEAR: Final = pd.Timedelta(days=365.25)


@dataclass(frozen=True)
class RateTrend:
    """Change of a detection rate per year.

    Attributes
    ----------
    taxon, unit : str
        What was counted, and per what: ``km`` or ``km_day``.
    method : str
        A key of `METHODS`.
    walks : int
        Walks with effort.
    trails_expected : float
        Sum of the trails' probabilities.
    years : float
        From the first walk to the last.
    change, low, high : float
        Rate of one year over that of the year before, with limits: 1 is no change.
    p_value : float
        Of no change.
    dispersion : float
        Pearson's statistic over its degrees of freedom under the Poisson model: 1 where trails
        are independent, more where they are clumped.
    level : float
        Confidence of the limits.
    annual_cycle : bool
        Whether the time of the year was taken into account.
    """

    taxon: str
    unit: str
    method: str
    walks: int
    trails_expected: float
    years: float
    change: float
    low: float
    high: float
    p_value: float
    dispersion: float
    level: float
    annual_cycle: bool

    @property
    def sentence(self) -> str:
        """What the trend says, in words, without more than it says."""
        unit = self.unit.replace("_", "-")
        limits = f"{self.level * 100:.0f} % limits {_per_cent(self.low)} to {_per_cent(self.high)}"
        if self.low <= 1 <= self.high:
            told = (
                f"The data do not tell whether trails of {TAXA[self.taxon]} per {unit} became "
                f"more or fewer ({limits} a year)."
            )
        else:
            told = (
                f"Trails of {TAXA[self.taxon]} per {unit} changed by {_per_cent(self.change)} a "
                f"year ({limits})."
            )
        if self.years < 2 and not self.annual_cycle:
            told += " Over less than two years a trend cannot be told from the time of the year."
        return f"{told} An index of tracks is not a density, nor a number of animals."

    def summary(self) -> pd.DataFrame:
        """Return the trend as a table of one row."""
        names = ["method", "walks", "trails_expected", "years", "change", "low", "high"]
        names += ["p_value", "dispersion"]
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def _per_cent(ratio: float) -> str:
    return f"{(ratio - 1) * 100:+.0f} %"


def rate_trend(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    taxon: str = "puma",
    unit: str = "km",
    method: str = "auto",
    annual_cycle: bool = False,
    level: float = 0.95,
) -> RateTrend:
    r"""Estimate the change of a detection rate per year, adjusted for effort.

    Parameters
    ----------
    visits, detections : DataFrame
        From `make_visits` and `make_detections`, over months or years.
    taxon : str
        A taxon of the vocabulary.
    unit : {'km', 'km_day'}
        Effort; per km-day only visits whose accumulation time is known and trails with tracks.
    method : {'auto', 'poisson', 'quasi_poisson', 'negative_binomial'}
        Family of the counts. *auto* takes quasi-Poisson where the counts are more uneven than
        Poisson counts, and Poisson where they are not.
    annual_cycle : bool
        Take the time of the year out, as one wave a year; takes two years or more.
    level : float
        Confidence of the limits.

    Returns
    -------
    RateTrend
        The change in a year with its limits, and how it was fitted.

    Raises
    ------
    EstimateError
        If there are fewer than four walks with effort, all at one time, or no trails.
    InputError
        If the method is another, the cycle is asked of less than two years, or the negative
        binomial of trails in doubt.
    NotConverged
        If the fit finds no maximum.
    LibraryMissing
        If statsmodels is not installed.

    Warns
    -----
    SmallSampleWarning
        If fewer than ten trails are expected.

    Notes
    -----
    On walk i with effort :math:`e_i`, t years after the first, the expected count is
    :math:`\log \mu_i = \log e_i + a + b t_i`; the change per year is :math:`\exp b`, with
    Wald limits on the scale of b. The count is the sum of the probabilities of the trails first
    found on the walk. Under quasi-Poisson the standard error is multiplied by the root of the
    dispersion.

    Examples
    --------
    >>> start = pd.date_range("2020-01-01", periods=48, freq="30D", tz="UTC")
    >>> visits = pd.DataFrame({
    ...     "visit": range(48), "walk": range(48), "start": start, "effort_km": 10.0,
    ... })
    >>> found = pd.DataFrame({"visit": [*range(24), *range(48)], "trail": range(72), "p_puma": 1.0})
    >>> trend = rate_trend(visits, found)
    >>> trend.method, round(trend.change, 2), bool(trend.high < 1)
    ('poisson', 0.77, True)
    """
    if method not in ("auto", *METHODS):
        raise InputError(f"the method is '{method}'", remedy=f"Take auto, {', '.join(METHODS)}.")
    walks = _walks(visits, detections, taxon, unit)
    years = float(walks["years"].max()) if len(walks) else 0.0
    _refuse(walks, years, annual_cycle)
    design = _design(walks["years"].to_numpy(), walks["start"], annual_cycle)
    models = _statsmodels()
    trails, offset = walks["trails"].to_numpy(), np.log(walks["effort"].to_numpy())
    plain = _poisson(models, trails, design, offset)
    dispersion = float(plain.pearson_chi2 / plain.df_resid)
    chosen = ("quasi_poisson" if dispersion > 1 else "poisson") if method == "auto" else method
    slope, error = float(plain.params[1]), float(plain.bse[1])
    if chosen == "quasi_poisson":
        error *= np.sqrt(dispersion)
    if chosen == "negative_binomial":
        slope, error = _negative_binomial(models, trails, design, offset)
    reach = float(norm.isf((1 - level) / 2)) * error
    return RateTrend(
        taxon=taxon, unit=unit, method=chosen, walks=len(walks),
        trails_expected=float(trails.sum()), years=years, change=float(np.exp(slope)),
        low=float(np.exp(slope - reach)), high=float(np.exp(slope + reach)),
        p_value=float(2 * norm.sf(abs(slope) / error)), dispersion=dispersion, level=level,
        annual_cycle=annual_cycle,
    )  # fmt: skip


def _walks(visits: pd.DataFrame, detections: pd.DataFrame, taxon: str, unit: str) -> pd.DataFrame:
    """Effort, time and expected trails of each walk."""
    column = effort_column(unit)
    known = visits[visits[column].gt(0)]
    counted = detections if unit == "km" else made_in_time(detections)
    by = known.groupby("walk", sort=False)
    walks = pd.DataFrame({"effort": by[column].sum(), "start": by["start"].min()})
    found = trails_of(known, counted, taxon).groupby("walk")["chance"].sum()
    walks["trails"] = found.reindex(walks.index).fillna(0.0)
    return walks.assign(years=(walks["start"] - walks["start"].min()) / _YEAR)


def _refuse(walks: pd.DataFrame, years: float, annual_cycle: bool) -> None:
    if len(walks) < 4 or not years > 0:
        raise EstimateError("a trend takes four walks with effort or more, at different times")
    expected = float(walks["trails"].sum())
    if not expected > 0:
        raise EstimateError("no trails were found, so that there is no rate to change")
    if annual_cycle and years < 2:
        raise InputError(
            f"the walks span {years:.1f} years, and a cycle of the year needs two",
            remedy="Leave annual_cycle out, or add walks of more years.",
        )
    if expected < FEWEST_TRAILS:
        warnings.warn(
            f"the trend rests on {expected:.1f} trails: its limits are rough",
            SmallSampleWarning,
            stacklevel=3,
        )


def _design(years: FloatArray, start: pd.Series, annual_cycle: bool) -> FloatArray:
    columns = [np.ones(len(years)), years]
    if annual_cycle:
        turn = 2 * np.pi * (start.dt.day_of_year.to_numpy() / 365.25)
        columns += [np.cos(turn), np.sin(turn)]
    return np.column_stack(columns)


def _poisson(models: ModuleType, trails: FloatArray, design: FloatArray, offset: FloatArray) -> Any:
    """Fit the Poisson model; a fit without an estimate raises, and no warning is needed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = models.GLM(trails, design, family=models.families.Poisson(), offset=offset).fit()
    if not fitted.converged or not np.isfinite(fitted.bse).all() or fitted.bse[1] > _NO_ESTIMATE:
        raise NotConverged("the trend has no estimate: too few trails at one end of the time")
    return fitted


def _negative_binomial(
    models: ModuleType, trails: FloatArray, design: FloatArray, offset: FloatArray
) -> tuple[float, float]:
    """Slope and standard error with the dispersion estimated along, by maximum likelihood."""
    if (trails % 1 != 0).any():
        raise InputError(
            "the negative binomial counts whole trails, and some are in doubt",
            remedy="Take method='quasi_poisson', which takes probabilities.",
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = models.NegativeBinomial(trails, design, offset=offset).fit(disp=0, maxiter=500)
    if not fitted.mle_retvals["converged"] or not np.isfinite(fitted.bse[1]):
        raise NotConverged("the negative binomial has no maximum: the counts may not be clumped")
    return float(fitted.params[1]), float(fitted.bse[1])


def _statsmodels() -> ModuleType:
    try:
        return importlib.import_module("statsmodels.api")
    except ImportError as error:
        raise LibraryMissing(
            "statsmodels is needed for a trend. Install it with: pip install "
            "'carnivore_sign[trend]'"
        ) from error
