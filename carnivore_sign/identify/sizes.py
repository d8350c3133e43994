"""Identification room: what the size of a print, and the stride, say about the taxon.

A size is normal within a taxon, with the mean and SD of the foot it was read from. Soft
ground enlarges a print and blurs its size, so in mud and snow the mean is moved and the SD
widened, and size says less there.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.identify.evidence import FOOT_PLACES, Evidence
from carnivore_sign.identify.tempering import (
    TAXON_ORDER,
    FloatArray,
    Witness,
    cap_odds,
    spread,
)
from carnivore_sign.records.vocabularies import SURFACES

_PLACE_OF_FOOT: Final = {
    "left_front": "front", "right_front": "front", "left_hind": "hind", "right_hind": "hind",
}  # fmt: skip


def normal_log_likelihood(
    value: npt.ArrayLike, mean: npt.ArrayLike, sd: npt.ArrayLike
) -> FloatArray:
    """Log density of a normal distribution, without its constant.

    Parameters
    ----------
    value, mean, sd : array_like
        In one unit, broadcast against each other; `sd` above 0.

    Returns
    -------
    ndarray
        ``-log(sd) - (value - mean)^2 / (2 sd^2)``; NaN where the value is missing.

    Examples
    --------
    >>> float(normal_log_likelihood(60.0, 50.0, 10.0) - normal_log_likelihood(50.0, 50.0, 10.0))
    -0.5
    """
    value, mean, sd = (np.asarray(part, dtype=float) for part in (value, mean, sd))
    return -np.log(sd) - 0.5 * ((value - mean) / sd) ** 2


def size_witness(
    prints: pd.DataFrame, measure: str, evidence: Evidence, surfaces: pd.Series | None = None
) -> Witness:
    """Weigh one measure of each print.

    Parameters
    ----------
    prints : DataFrame
        Columns of PRINTS; `measure` in millimetres and ``foot``, either of which may be missing.
    measure : str
        One of `MEASURES`.
    evidence : Evidence
        Holds the sizes and what the surface does to them.
    surfaces : Series, optional
        Surface of each print, in the order of `prints`; missing means firm ground.

    Returns
    -------
    Witness
        Capped like any other character; zeros where the size is missing.
    """
    rows = len(prints)
    said = np.zeros((len(TAXON_ORDER), rows))
    strength = np.zeros(rows)
    if measure in prints:
        values = prints[measure].to_numpy(dtype=float, na_value=np.nan)
        known = np.flatnonzero(np.isfinite(values))
        mean, sd = expected_sizes(prints, measure, evidence, surfaces, known)
        raw = normal_log_likelihood(values[known], mean, sd)
        said[:, known] = cap_odds(raw, to_one=evidence.constant("cap_odds"))
        strength[known] = spread(said[:, known])
    return Witness(measure, said, strength)


def stride_log_likelihood(stride_m: pd.Series, evidence: Evidence) -> FloatArray:
    """Weigh the full stride: weak evidence, as gait and haste change it more than taxon does.

    Returns
    -------
    ndarray, shape (taxa, rows)
        Within the stride's own cap; zeros where the stride is missing.
    """
    values = stride_m.to_numpy(dtype=float, na_value=np.nan)
    known = np.isfinite(values)
    table = evidence.strides.loc[list(TAXON_ORDER)]
    raw = normal_log_likelihood(
        values[known], table[["mean_m"]].to_numpy(), table[["sd_m"]].to_numpy()
    )
    said = np.zeros((len(TAXON_ORDER), len(values)))
    said[:, known] = cap_odds(raw, to_one=evidence.constant("stride_cap_odds"))
    return said


def expected_sizes(
    prints: pd.DataFrame,
    measure: str,
    evidence: Evidence,
    surfaces: pd.Series | None,
    rows: npt.NDArray[np.intp],
) -> tuple[FloatArray, FloatArray]:
    """Return mean and SD of a measure for each taxon and print, shape (taxa, rows), in mm."""
    table = evidence.sizes.xs(measure, level="measure")
    columns = _foot_codes(prints)[rows]
    ordered = table.reindex(pd.MultiIndex.from_product([TAXON_ORDER, FOOT_PLACES]))
    shape = (len(TAXON_ORDER), len(FOOT_PLACES))
    mean = ordered["mean_mm"].to_numpy(dtype=float).reshape(shape)[:, columns]
    sd = ordered["sd_mm"].to_numpy(dtype=float).reshape(shape)[:, columns]
    if surfaces is None:
        return mean, sd
    factor, added = _surface_effect(evidence, surfaces)
    mean = mean * factor[rows]
    return mean, np.hypot(sd * factor[rows], mean * added[rows])


def place_of_foot(prints: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Return what the size of each print is held against: front, hind or unknown."""
    return np.array(FOOT_PLACES, dtype=object)[_foot_codes(prints)]


def _foot_codes(prints: pd.DataFrame) -> npt.NDArray[np.intp]:
    if "foot" not in prints:
        return np.full(len(prints), FOOT_PLACES.index("unknown"), dtype=np.intp)
    feet, words = pd.factorize(prints["foot"])
    places = [FOOT_PLACES.index(_PLACE_OF_FOOT.get(str(word), "unknown")) for word in words]
    return np.array([*places, FOOT_PLACES.index("unknown")], dtype=np.intp)[feet]


def _surface_effect(evidence: Evidence, surfaces: pd.Series) -> tuple[FloatArray, FloatArray]:
    listed = evidence.surface_sizes.reindex(list(SURFACES))
    codes = pd.Index(SURFACES).get_indexer(surfaces)
    factor = np.append(listed["mean_factor"].fillna(1.0).to_numpy(), 1.0)
    added = np.append(listed["added_sd_fraction"].fillna(0.0).to_numpy(), 0.0)
    return factor[codes], added[codes]
