"""Identification room: which foot left a print, front or hind and left or right.

Each is a probability with even odds to start from. In cats the leading toe, toe 3, lies on the
inside of the middle, so that a left middle toe ahead means a right foot; a print without a
leading toe says nothing. A dewclaw mark lies inside and a carpal pad outside, and either means
a front foot. Front feet are rounder and have the larger pad.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit

from carnivore_sign.identify.shapes import FloatArray
from carnivore_sign.records.vocabularies import LIKELY_FROM


@lru_cache(maxsize=1)
def foot_numbers() -> pd.DataFrame:
    """Return the working values of the weighing of feet, each with meaning and source."""
    file = files("carnivore_sign.identify").joinpath("data/feet.csv")
    with file.open(encoding="utf-8") as stream:
        return pd.read_csv(stream, comment="#").set_index("name")


@dataclass(frozen=True, eq=False)
class FootSigns:
    """What tells the foot, one value a print.

    Attributes
    ----------
    left_lead_ratio, left_lead_ratio_error : ndarray
        Lead of the left middle toe over the length; NaN where it is not known.
    length_to_width, toes_in_pad : ndarray
    dewclaw_left, carpal_left : ndarray
        1 where the mark lies left of the axis, -1 right of it, 0 where there is none.
    """

    left_lead_ratio: FloatArray
    left_lead_ratio_error: FloatArray
    length_to_width: FloatArray
    toes_in_pad: FloatArray
    dewclaw_left: FloatArray
    carpal_left: FloatArray


def foot_probabilities(signs: FootSigns) -> dict[str, FloatArray]:
    """Return the probability of a front foot and of a right foot, and of their opposites.

    Parameters
    ----------
    signs : FootSigns

    Returns
    -------
    dict of ndarray
        ``p_front``, ``p_hind``, ``p_left``, ``p_right``; 0.5 where nothing tells.

    Examples
    --------
    >>> none = np.array([np.nan])
    >>> signs = FootSigns(np.array([0.07]), np.array([0.01]), none, none, 0 * none, 0 * none)
    >>> bool(foot_probabilities(signs)["p_right"][0] > 0.9)
    True
    """
    number = foot_numbers()["value"].to_dict()
    right = _lead_log_odds(signs, number)
    front = np.zeros_like(right)
    for name, values in (("length_to_width", signs.length_to_width),
                         ("toes_in_pad", signs.toes_in_pad)):  # fmt: skip
        front = front + _normal_log_odds(values, number, name)
    dewclaw = np.nan_to_num(signs.dewclaw_left)
    carpal = np.nan_to_num(signs.carpal_left)
    right = right + dewclaw * np.log(number["dewclaw_side_odds"])
    right = right - carpal * np.log(number["carpal_side_odds"])
    front = front + np.abs(dewclaw) * np.log(number["dewclaw_front_odds"])
    front = front + np.abs(carpal) * np.log(number["carpal_front_odds"])
    return {
        "p_front": expit(front),
        "p_hind": expit(-front),
        "p_left": expit(-right),
        "p_right": expit(right),
    }


def foot_words(chances: Mapping[str, FloatArray]) -> dict[str, npt.NDArray[np.object_]]:
    """Put the probabilities into words: front, hind, left, right or unknown; and the foot.

    Returns
    -------
    dict of ndarray
        ``front_or_hind``, ``side`` (``unknown`` below `LIKELY_FROM`), and ``foot``, one of
        `FEET`, or None unless both are known.

    Examples
    --------
    >>> sure, half = np.array([0.99]), np.array([0.5])
    >>> words = foot_words({"p_front": sure, "p_hind": 1 - sure, "p_left": half, "p_right": half})
    >>> words["front_or_hind"].tolist(), words["side"].tolist(), words["foot"].tolist()
    (['front'], ['unknown'], [None])
    """
    place = _word(chances["p_front"], chances["p_hind"], "front", "hind")
    side = _word(chances["p_left"], chances["p_right"], "left", "right")
    known = (place != "unknown") & (side != "unknown")
    foot = np.full(len(known), None, dtype=object)
    foot[known] = side[known] + "_" + place[known]
    return {"front_or_hind": place, "side": side, "foot": foot}


def _word(one: FloatArray, other: FloatArray, name: str, against: str) -> npt.NDArray[np.object_]:
    words = np.full(len(one), "unknown", dtype=object)
    words[one >= LIKELY_FROM] = name
    words[other >= LIKELY_FROM] = against
    return words


def _lead_log_odds(signs: FootSigns, number: Mapping[str, float]) -> FloatArray:
    """Weigh the leading toe for a right foot: a mixture of prints with one and without."""
    lead = signs.left_lead_ratio
    error = np.nan_to_num(signs.left_lead_ratio_error)
    sd = np.hypot(number["lead_sd"], error)
    level = (1.0 - number["lead_share"]) * np.exp(-0.5 * (lead / sd) ** 2)
    right = number["lead_share"] * np.exp(-0.5 * ((lead - number["lead_mean"]) / sd) ** 2)
    left = number["lead_share"] * np.exp(-0.5 * ((lead + number["lead_mean"]) / sd) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        odds = np.log(right + level) - np.log(left + level)
    cap = np.log(number["lead_cap_odds"])
    odds = np.where(np.abs(lead) > 4.0 * number["lead_mean"], np.sign(lead) * cap, odds)
    return np.clip(np.nan_to_num(odds), -cap, cap)


def _normal_log_odds(values: FloatArray, number: Mapping[str, float], name: str) -> FloatArray:
    front, hind = number[f"{name}_front"], number[f"{name}_hind"]
    sd = number[f"{name}_sd"]
    odds = ((values - hind) ** 2 - (values - front) ** 2) / (2.0 * sd**2)
    cap = np.log(number["shape_cap_odds"])
    return np.clip(np.nan_to_num(odds), -cap, cap)
