"""Identification room: what an observer's word is worth.

An observer who names a taxon is right at a known rate and wrong at a known rate. The rates that
ship were published for experienced observers of another species and are used for every taxon
until observers are tested on known prints. Then three things are estimated, each drawn towards
what is known more widely by as much as a sample is small: how often each observer names a taxon
that is there, how often they name it where another is there, and what a stated confidence says.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import beta, norm

from carnivore_sign.errors import InputError
from carnivore_sign.identify.evidence import Evidence
from carnivore_sign.identify.tempering import TAXON_ORDER, FloatArray, cap_odds

#: What is known more widely counts as this many prints (a working choice).
PRIOR_NAMINGS: Final = 10.0

#: How far the weight of stated confidence is expected to stray: for all observers together from
#: none at all, for one observer from that of the others (standard deviations; working choices).
_SLOPE_SD: Final = 1.0
_OWN_SLOPE_SD: Final = 0.5

#: A stated confidence is taken to lie between these: nobody is sure beyond one in a hundred.
_LEAST_SURE: Final = 0.01
_MOST_SURE: Final = 0.99

#: Highest chance of naming a certain taxon wrongly that is expected before it is counted.
_NEVER_ABOVE: Final = 0.95

#: Who is meant where an observer was not tested: the observers of the test together.
_UNTESTED: Final = ""


@dataclass(frozen=True, eq=False)
class ConfidenceLine:
    """How often a name is right that was stated with a confidence.

    ``logit(right) = intercept + slope * (logit(stated) - centre)``, with the covariance of the
    two as a normal approximation, and the share of names that were right over all.
    """

    intercept: float
    slope: float
    centre: float
    right: float
    covariance: FloatArray


@dataclass(frozen=True, eq=False)
class ObserverSkill:
    """What a test of known prints says of the observers who took it.

    Attributes
    ----------
    observers : tuple of str
        Names; the first, empty one stands for an observer who was not tested.
    shown : ndarray, shape (observers, taxa)
        Prints of each taxon that were shown.
    named : ndarray, shape (observers, taxa named, taxa shown)
        P(named | shown), drawn towards wider knowledge.
    lines : tuple of ConfidenceLine
        One per observer.
    """

    observers: tuple[str, ...]
    shown: FloatArray
    named: FloatArray
    lines: tuple[ConfidenceLine, ...]


def naming_odds(evidence: Evidence) -> float:
    """Return how many to one a naming speaks for the taxon named, against any other.

    Parameters
    ----------
    evidence : Evidence
        Holds the rates that ship.

    Returns
    -------
    float
        Odds, to one.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> round(naming_odds(load_evidence()), 2)
    2.42
    """
    return (1.0 - evidence.constant("observer_missed")) / evidence.constant("observer_false")


def naming_log_likelihood(named_as: pd.Series, evidence: Evidence) -> FloatArray:
    """Weigh the taxon that an observer named, by the rates that ship.

    Parameters
    ----------
    named_as : Series of str
        Taxa; missing where nothing was named.
    evidence : Evidence
        Holds the observers' error rates.

    Returns
    -------
    ndarray, shape (taxa, rows)
        0 for the taxon named and ``-log(odds)`` for every other; zeros where none was named.

    Raises
    ------
    InputError
        If a name is none of `TAXA`.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> said = naming_log_likelihood(pd.Series(["puma", None]), load_evidence())
    >>> (said.max(axis=0) - said.min(axis=0)).round(2).tolist()
    [0.89, 0.0]
    """
    rows = _taxon_codes(named_as)
    against = -np.log(naming_odds(evidence))
    table = np.full((len(TAXON_ORDER), len(TAXON_ORDER) + 1), against)
    np.fill_diagonal(table, 0.0)
    table[:, -1] = 0.0
    return table[:, rows]


def fit_observers(answers: pd.DataFrame, evidence: Evidence) -> ObserverSkill:
    """Estimate from a test what the word of each observer is worth.

    Parameters
    ----------
    answers : DataFrame
        ``observer``, ``taxon`` (what it was), ``named_as``, ``confidence``, as `check_answers`
        gives them. May be empty.
    evidence : Evidence
        Holds the rates that ship, towards which everything is drawn.

    Returns
    -------
    ObserverSkill
        With no answers it says of every observer what ships, and nothing of confidence.

    Notes
    -----
    Every rate is a posterior mean, (k + K r) / (n + K) with K = `PRIOR_NAMINGS`, and r the rate
    known more widely: that of the other observers for an observer, the rates that ship for all
    of them. The chance to name a taxon wrongly where a certain other one is there is drawn
    towards the observer's chance to name it wrongly at all, so that a taxon that was never shown
    is taken like those that were. Confidence is a logistic line whose slope is not below 0
    (so that it never falls as confidence rises) with a normal prior about 0, which stands for
    "stated confidence says nothing"; `PRIOR_NAMINGS` further answers at the mean confidence are
    right at the rate that the shipped odds give to an even prior.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> answers = pd.DataFrame({
    ...     "observer": ["Q"] * 40, "taxon": ["dog", "puma"] * 20,
    ...     "named_as": ["dog", "puma"] * 20, "confidence": [0.9] * 40,
    ... })
    >>> fit_observers(answers, load_evidence()).observers
    ('', 'Q')
    """
    names = tuple(sorted(answers["observer"].dropna().unique()))
    counts = _naming_counts(answers, names)
    total = counts.sum(axis=0)
    others = np.concatenate([total[None], total[None] - counts])
    own = np.concatenate([np.zeros_like(total)[None], counts])
    shipped = _shipped_rates(evidence)
    wider = _drawn(others, np.broadcast_to(shipped, others.shape))
    return ObserverSkill(
        observers=(_UNTESTED, *names),
        shown=np.concatenate([total[None], counts]).sum(axis=1),
        named=_drawn(own, wider)[:, :-1],
        lines=_fit_lines(answers, names, evidence),
    )


def word_log_likelihood(
    sign: pd.DataFrame, evidence: Evidence, observers: ObserverSkill | None = None
) -> FloatArray:
    """Weigh the word of the observer of each sign: the name, and how sure they were of it.

    Parameters
    ----------
    sign : DataFrame
        ``named_as``; with tested observers also ``observer`` and ``confidence``, either of which
        may be absent or missing.
    evidence : Evidence
        Holds the rates that ship, and the cap.
    observers : ObserverSkill, optional
        From `fit_observers`. Without it the name is weighed by the rates that ship, and stated
        confidence not at all.

    Returns
    -------
    ndarray, shape (taxa, rows)
        Natural log likelihoods within the cap of any character; zeros where none was named.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> sign = pd.DataFrame({"named_as": ["puma", None]})
    >>> word_log_likelihood(sign, load_evidence()).shape
    (9, 2)
    """
    if "named_as" not in sign:
        return np.zeros((len(TAXON_ORDER), len(sign)))
    if observers is None:
        return naming_log_likelihood(sign["named_as"], evidence)
    words = _taxon_codes(sign["named_as"])
    who = np.zeros(len(sign), dtype=np.intp)
    if "observer" in sign:
        who = np.maximum(pd.Index(observers.observers).get_indexer(sign["observer"]), 0)
    spoken = np.flatnonzero(words >= 0)
    raw = np.log(observers.named[who[spoken], words[spoken]]).T
    if "confidence" in sign:
        stated = sign["confidence"].to_numpy(dtype=float, na_value=np.nan)[spoken]
        raw[words[spoken], np.arange(len(spoken))] += _confidence_weight(
            stated, who[spoken], observers
        )
    said = np.zeros((len(TAXON_ORDER), len(sign)))
    said[:, spoken] = cap_odds(raw, to_one=evidence.constant("cap_odds"))
    return said


def recalibrate_confidence(
    stated: npt.ArrayLike, observers: ObserverSkill, observer: str = _UNTESTED
) -> pd.DataFrame:
    """Say how often a name stated with a confidence is right, by the test.

    Parameters
    ----------
    stated : array_like of float
        Confidences, 0 to 1.
    observers : ObserverSkill
        From `fit_observers`.
    observer : str, optional
        Whose; one who was not tested, and by default all together, get the line of all.

    Returns
    -------
    DataFrame
        ``stated``, ``right`` (recalibrated; never falls as confidence rises), ``low``, ``high``
        (95 % limits, normal on the scale of the logit). It holds for prints like those of the
        test, in the shares of the test.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> nobody = pd.DataFrame(columns=["observer", "taxon", "named_as", "confidence"])
    >>> skill = fit_observers(nobody, load_evidence())
    >>> recalibrate_confidence([0.6, 0.9], skill)["right"].round(4).tolist()
    [0.7079, 0.7079]
    """
    values = np.atleast_1d(np.asarray(stated, dtype=float))
    known = observers.observers
    line = observers.lines[known.index(observer) if observer in known else 0]
    x = _scale(values) - line.centre
    middle = line.intercept + line.slope * x
    spread = np.sqrt(
        line.covariance[0, 0] + 2 * x * line.covariance[0, 1] + x**2 * line.covariance[1, 1]
    )
    reach = norm.ppf(0.975) * spread
    return pd.DataFrame({"stated": values, "right": expit(middle),
                         "low": expit(middle - reach), "high": expit(middle + reach)})  # fmt: skip


def skill_table(observers: ObserverSkill) -> pd.DataFrame:
    """Show what is weighed: the rates of each observer after they were drawn to wider knowledge.

    Parameters
    ----------
    observers : ObserverSkill
        From `fit_observers`.

    Returns
    -------
    DataFrame
        One row per observer and taxon shown: ``observer`` ("not tested" for anyone else),
        ``taxon``, ``shown``, ``sensitivity`` with 95 % limits ``sensitivity_low``,
        ``sensitivity_high``, ``false_positive`` (mean over the other taxa shown) and
        ``odds`` (how many to one the name speaks for the taxon).

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> answers = pd.DataFrame({
    ...     "observer": ["Q"] * 40, "taxon": ["dog", "puma"] * 20,
    ...     "named_as": ["dog", "puma"] * 20, "confidence": [0.9] * 40,
    ... })
    >>> skill_table(fit_observers(answers, load_evidence())).head(2).round(2).T
                               0           1
    observer          not tested  not tested
    taxon                   puma         dog
    shown                     20          20
    sensitivity             0.88        0.88
    sensitivity_low         0.63        0.63
    sensitivity_high        0.99        0.99
    false_positive          0.09        0.09
    odds                   10.12       10.12
    """
    rows = []
    for place, observer in enumerate(observers.observers):
        shown = observers.shown[place]
        for taxon in np.flatnonzero(observers.shown[0] > 0):
            hit = observers.named[place, taxon, taxon]
            counted = PRIOR_NAMINGS + (shown[taxon] if place else 0.0)
            low, high = beta.ppf([0.025, 0.975], counted * hit, counted * (1 - hit))
            rest = np.flatnonzero((observers.shown[0] > 0) & (np.arange(len(shown)) != taxon))
            false = observers.named[place, taxon, rest].mean() if len(rest) else np.nan
            rows.append(
                {
                    "observer": observer or "not tested",
                    "taxon": TAXON_ORDER[taxon],
                    "shown": int(shown[taxon]),
                    "sensitivity": hit,
                    "sensitivity_low": low,
                    "sensitivity_high": high,
                    "false_positive": false,
                    "odds": hit / false,
                }
            )
    return pd.DataFrame(rows)


def _taxon_codes(named_as: pd.Series) -> npt.NDArray[np.intp]:
    """Return the number of each name, -1 where none was given."""
    codes = pd.Index(TAXON_ORDER).get_indexer(named_as)
    strange = (codes < 0) & named_as.notna().to_numpy()
    if strange.any():
        raise InputError(
            f"'{named_as[strange].iloc[0]}' is not a taxon",
            remedy=f"Known are {', '.join(TAXON_ORDER)}.",
        )
    return codes


def _naming_counts(answers: pd.DataFrame, names: tuple[str, ...]) -> FloatArray:
    """Count answers: observer, taxon named (the last: none), taxon shown."""
    taxa = len(TAXON_ORDER)
    counts = np.zeros((len(names), taxa + 1, taxa))
    if len(answers):
        who = pd.Index(names).get_indexer(answers["observer"])
        named = _taxon_codes(answers["named_as"])
        np.add.at(counts, (who, named, _taxon_codes(answers["taxon"])), 1.0)
    return counts


def _shipped_rates(evidence: Evidence) -> FloatArray:
    """P(named | shown) by the rates that ship; the last row, no name, is not used."""
    taxa = len(TAXON_ORDER)
    rates = np.full((taxa + 1, taxa), evidence.constant("observer_false"))
    np.fill_diagonal(rates, 1.0 - evidence.constant("observer_missed"))
    return rates


def _drawn(counts: FloatArray, wider: FloatArray) -> FloatArray:
    """Draw the rates of each observer towards the wider ones, by as much as they are few.

    A wrong name is expected where a taxon is there as often as the observer names it wrongly where
    other taxa are; which taxa are mixed up most keeps its wider pattern.
    """
    taxa = len(TAXON_ORDER)
    own = np.eye(taxa + 1, taxa, dtype=bool)
    shown = counts.sum(axis=1, keepdims=True)
    wrong = np.where(own, 0.0, counts)
    where_wrong = np.where(own, 0.0, np.broadcast_to(shown, counts.shape))
    before = np.where(own, 0.0, wider).sum(axis=2, keepdims=True) / (~own).sum(axis=1)[:, None]
    elsewhere = wrong.sum(axis=2, keepdims=True) - wrong + PRIOR_NAMINGS * before
    elsewhere /= where_wrong.sum(axis=2, keepdims=True) - where_wrong + PRIOR_NAMINGS
    expected = np.where(own, wider, np.minimum(wider / before * elsewhere, _NEVER_ABOVE))
    return (counts + PRIOR_NAMINGS * expected) / (shown + PRIOR_NAMINGS)


def _fit_lines(
    answers: pd.DataFrame, names: tuple[str, ...], evidence: Evidence
) -> tuple[ConfidenceLine, ...]:
    """Fit the line of all observers together, and then that of each about the others'."""
    stated = answers[answers["named_as"].notna() & answers["confidence"].notna()]
    odds = naming_odds(evidence)
    even = odds / (1.0 + odds)
    lines = [_fit_line(stated, even, 0.0, _SLOPE_SD)]
    for name in names:
        mine = stated["observer"].eq(name)
        others = _fit_line(stated[~mine], even, 0.0, _SLOPE_SD)
        spread = _OWN_SLOPE_SD if (~mine).any() else _SLOPE_SD
        lines.append(_fit_line(stated[mine], others.right, others.slope, spread))
    return tuple(lines)


def _fit_line(
    stated: pd.DataFrame, right_before: float, slope_before: float, slope_sd: float
) -> ConfidenceLine:
    """Fit one line by the highest posterior density; see `fit_observers`."""
    x = _scale(stated["confidence"].to_numpy(dtype=float))
    centre = float(x.mean()) if len(x) else 0.0
    x = np.append(x - centre, 0.0)
    hits = np.append(stated["named_as"].eq(stated["taxon"]).to_numpy(dtype=float), right_before)
    weight = np.append(np.ones(len(stated)), PRIOR_NAMINGS)

    def loss(line: FloatArray) -> float:
        logits = line[0] + line[1] * x
        fit = weight * (hits * np.logaddexp(0, -logits) + (1 - hits) * np.logaddexp(0, logits))
        return float(fit.sum() + 0.5 * ((line[1] - slope_before) / slope_sd) ** 2)

    start = np.array([logit(right_before), slope_before])
    found = minimize(loss, start, method="L-BFGS-B", bounds=[(None, None), (0.0, None)]).x
    p = expit(found[0] + found[1] * x)
    inner = weight * p * (1 - p)
    information = np.array([[inner.sum(), (inner * x).sum()],
                            [(inner * x).sum(), (inner * x**2).sum() + slope_sd**-2]])  # fmt: skip
    covariance = np.linalg.inv(information)
    right = float((weight * hits).sum() / weight.sum())
    return ConfidenceLine(float(found[0]), float(found[1]), centre, right, covariance)


def _scale(stated: npt.ArrayLike) -> FloatArray:
    return np.asarray(logit(np.clip(stated, _LEAST_SURE, _MOST_SURE)), dtype=float)


def _confidence_weight(
    stated: FloatArray, who: npt.NDArray[np.intp], observers: ObserverSkill
) -> FloatArray:
    """Return log P(confidence | right) / P(confidence | wrong); 0 where none was stated.

    By Bayes that is logit(right at this confidence) - logit(right over all).
    """
    lines = observers.lines
    numbers = np.array([[one.intercept, one.slope, one.centre, one.right] for one in lines])[who].T
    intercept, slope, centre, right = numbers
    return np.nan_to_num(intercept + slope * (_scale(stated) - centre) - logit(right))
