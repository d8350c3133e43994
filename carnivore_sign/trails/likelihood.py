"""Trails room: how much more likely two sign are if one animal left both on one passage.

Every function gives, for many pairs at once, the natural logarithm of a likelihood ratio:
same passage against different passages. What was not recorded gives 0 and so says nothing.
The numbers of `LinkModel` are working values from common practice; ``estimating.py`` learns from
a season how much of each ratio to believe.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gamma
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import i0e

from carnivore_sign.errors import InputError
from carnivore_sign.units import M_PER_KM

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]


#: Surfaces on which little shows, so that sign of one passage is noted at wide gaps. Common
#: practice, no source.
BARE_GROUND: Final = ("gravel", "hard")

_ABOVE_ZERO: Final = (
    "gap_m", "gap_shape", "bare_factor", "max_gap_m", "neighbours", "walking_km_h", "course_m",
    "size_sd_same", "size_sd_different", "stride_sd_same", "stride_sd_different",
)  # fmt: skip


@dataclass(frozen=True)
class LinkModel:
    """What is expected of two sign of one passage, and of two that are not.

    All values are working values: common practice, no source, unless one is named.

    Attributes
    ----------
    gap_m : float
        Mean distance along a passage between sign that were noted.
    gap_shape : float
        How that distance falls off: 1 exponentially, 2 as half a normal distribution.
    bare_factor : float
        So many times as far apart is sign noted on bare ground (`BARE_GROUND`), where little
        shows.
    max_gap_m : float
        Sign farther apart than this are never linked directly.
    neighbours : int
        Nearest sign of the same walk that are tried as partners of each.
    walking_km_h : float
        Pace at which the animal goes from one sign to the next, for the age windows.
    course_m : float
        How far a walking animal keeps its course: over so many metres the mean cosine of its
        turn falls to 1/e.
    gps_error_m : float
        Error of a position, in each of east and north; it turns short links at will.
    direction_concentration : float
        How closely two stated directions of one passage agree: kappa of a von Mises
        distribution (5 is a SD of about 27 degrees).
    axis_concentration : float
        How closely a stated direction follows the line between two sign, either way along it.
    size_sd_same, size_sd_different : float
        SD of the logarithm of the ratio of two sizes, within one passage and between animals
        of one taxon. Between animals: heel-pad widths of pumas vary by 0.79 of 5.06 cm (De
        Angelo, Paviolo & Di Bitetti 2010), and two of them by the square root of two times that.
    stride_sd_same, stride_sd_different : float
        The same for full strides, which depend on gait and haste as well.
    mistaken : float
        Share of stated directions and sizes that are simply wrong.
    age_slack_h : float
        By how much two age windows of one passage may miss each other, in hours, besides the
        time that the animal walked from the one to the other.
    taxon_odds_cap : float
        Limit, to one, of what the taxa may say for or against a link.
    """

    gap_m: float = 100.0
    gap_shape: float = 1.0
    bare_factor: float = 2.0
    max_gap_m: float = 600.0
    neighbours: int = 24
    walking_km_h: float = 3.0
    course_m: float = 150.0
    gps_error_m: float = 5.0
    direction_concentration: float = 5.0
    axis_concentration: float = 1.0
    size_sd_same: float = 0.07
    size_sd_different: float = 0.22
    stride_sd_same: float = 0.06
    stride_sd_different: float = 0.20
    mistaken: float = 0.05
    age_slack_h: float = 1.0
    taxon_odds_cap: float = 20.0

    def __post_init__(self) -> None:
        for name in _ABOVE_ZERO:
            if not getattr(self, name) > 0:
                raise InputError(f"{name} of a LinkModel must be above 0")
        if not 0 < self.mistaken < 1:
            raise InputError("mistaken of a LinkModel is a share between 0 and 1")
        if self.taxon_odds_cap < 1:
            raise InputError("taxon_odds_cap of a LinkModel must be 1 or more")
        for name in ("age_slack_h", "gps_error_m"):
            if getattr(self, name) < 0:
                raise InputError(f"{name} of a LinkModel must be 0 or more")


def gap_log_density(
    distance_m: FloatArray, model: LinkModel, *, bare: float | FloatArray = 0.0
) -> FloatArray:
    """Log density, per metre, of the distance to another sign of the same passage.

    It falls as exp(-(distance / scale) ** `gap_shape`), with mean `gap_m`; on bare ground, of
    which `bare` is the share, distances are stretched by `bare_factor`.

    Examples
    --------
    >>> gap_log_density(np.array([0.0, 100.0]), LinkModel(gap_m=100.0)).round(3).tolist()
    [-4.605, -5.605]
    """
    shape = model.gap_shape
    scale = model.gap_m * gamma(1.0 / shape) / gamma(2.0 / shape)
    stretched = scale * model.bare_factor ** np.asarray(bare, dtype=float)
    top = np.log(shape / stretched / gamma(1.0 / shape))
    return np.asarray(top - (distance_m / stretched) ** shape)


def distance_ratio(
    distance_m: FloatArray,
    model: LinkModel,
    *,
    trails_per_km: float | FloatArray,
    bare: float | FloatArray = 0.0,
) -> FloatArray:
    """Weigh the distance between two sign.

    Parameters
    ----------
    distance_m : ndarray
        Distances in metres.
    model : LinkModel
        Its `gap_m` and `gap_shape` give the distance to the next sign of a passage.
    trails_per_km : float or ndarray
        Passages that begin per kilometre walked: the price of starting a trail. The rarer
        they are, the sooner two sign are taken for one passage.
    bare : float or ndarray
        Share of the ground between that is bare, 0 to 1.

    Returns
    -------
    ndarray
        log of (density of the next sign of this passage at that distance, per metre) over
        (density of a new passage, per metre).

    Examples
    --------
    >>> model = LinkModel(gap_m=100.0)
    >>> distance_ratio(np.array([0.0, 100.0]), model, trails_per_km=1.0).round(3).tolist()
    [2.303, 1.303]
    """
    price_per_m = np.asarray(trails_per_km) / M_PER_KM
    return gap_log_density(distance_m, model, bare=bare) - np.log(price_per_m)


def direction_ratio(first_deg: FloatArray, second_deg: FloatArray, model: LinkModel) -> FloatArray:
    """Weigh two stated directions of travel against each other.

    Within a passage they differ by a von Mises deviation, with a share that is simply wrong;
    between passages they are unrelated. NaN, where one is missing, gives 0.

    Examples
    --------
    >>> said = direction_ratio(np.array([350.0, 0.0]), np.array([10.0, np.nan]), LinkModel())
    >>> said.round(2).tolist()
    [1.36, 0.0]
    """
    difference = np.radians(first_deg - second_deg)
    return _circular_ratio(difference, model.direction_concentration, model.mistaken)


def axis_ratio(direction_deg: FloatArray, bearing_deg: FloatArray, model: LinkModel) -> FloatArray:
    """Weigh a stated direction against the line from sign to sign, either way along it."""
    difference = 2.0 * np.radians(direction_deg - bearing_deg)
    return _circular_ratio(difference, model.axis_concentration, model.mistaken)


def size_ratio(log_size_difference: FloatArray, model: LinkModel) -> FloatArray:
    """Weigh the difference of two sizes (natural logarithms); NaN gives 0.

    Examples
    --------
    >>> size_ratio(np.array([0.0, 0.5, np.nan]), LinkModel()).round(2).tolist()
    [1.11, -3.0, 0.0]
    """
    return _likeness(
        log_size_difference, model.size_sd_same, model.size_sd_different, model.mistaken
    )


def stride_ratio(log_stride_difference: FloatArray, model: LinkModel) -> FloatArray:
    """Weigh the difference of two full strides (natural logarithms); NaN gives 0."""
    return _likeness(
        log_stride_difference, model.stride_sd_same, model.stride_sd_different, model.mistaken
    )


def _likeness(
    difference: FloatArray, sd_same: float, sd_different: float, mistaken: float
) -> FloatArray:
    with np.errstate(invalid="ignore"):
        same = np.exp(-0.5 * (difference / sd_same) ** 2) / sd_same
        different = np.exp(-0.5 * (difference / sd_different) ** 2) / sd_different
        different = np.maximum(different, np.finfo(float).tiny)
        said = np.log(((1.0 - mistaken) * same + mistaken * different) / different)
    return np.where(np.isnan(said), 0.0, said)


def taxon_ratio(
    first: FloatArray, second: FloatArray, prior: FloatArray, model: LinkModel
) -> FloatArray:
    """Weigh whether two sign are of one taxon.

    Parameters
    ----------
    first, second : ndarray, shape (pairs, taxa)
        Probabilities of each taxon, rows summing to 1, under `prior`.
    prior : ndarray, shape (taxa,)
        Taxa with no prior are passed over.

    Returns
    -------
    ndarray, shape (pairs,)
        log of the sum over taxa of p p' / prior, which is exactly how much more likely the
        evidence of both is if they share one taxon than if each has its own; within the cap.

    Examples
    --------
    >>> even = np.array([0.5, 0.5])
    >>> sure, other = np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]])
    >>> taxon_ratio(sure, sure, even, LinkModel()).round(3).item()
    0.693
    >>> taxon_ratio(sure, other, even, LinkModel()).round(3).item()
    -2.996
    """
    possible = prior > 0
    with np.errstate(divide="ignore"):
        said = np.log((first[:, possible] * second[:, possible] / prior[possible]).sum(axis=1))
    limit = np.log(model.taxon_odds_cap)
    return np.clip(said, -limit, limit)


def windows_overlap(
    start_h: FloatArray,
    end_h: FloatArray,
    first: IntArray,
    second: IntArray,
    *,
    slack_h: float | FloatArray,
) -> BoolArray:
    """Say which pairs can have been made at one time.

    Parameters
    ----------
    start_h, end_h : ndarray, shape (sign,)
        When each sign was made, in hours since some epoch; infinite where it is open.
    first, second : ndarray of int, shape (pairs,)
        Rows of the pair.
    slack_h : float or ndarray, shape (pairs,)
        Hours by which they may miss each other.
    """
    first_then_second = start_h[first] <= end_h[second] + slack_h
    return first_then_second & (start_h[second] <= end_h[first] + slack_h)


def _circular_ratio(difference: FloatArray, kappa: float, mistaken: float) -> FloatArray:
    """Log of (von Mises mixed with a mistaken share) over uniform; 0 where NaN."""
    agree = np.exp(kappa * (np.cos(difference) - 1.0)) / i0e(kappa)
    said = np.log((1.0 - mistaken) * agree + mistaken)
    return np.where(np.isnan(said), 0.0, said)
