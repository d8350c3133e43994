"""Trails room: relative stride and speed, from the hip height of the taxon.

Alexander (1976, Nature 261:129-130) found v = 0.25 g^0.5 SL^1.67 h^-1.17 for animals from mice to
elephants: v the speed, SL the full stride, h the height of the hip. On real tracks it errs by
up to 35 to 55 % (Marmol-Guijarro et al. 2020), so that a speed always comes with its band.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import TAXA

GRAVITY_M_S2: Final = 9.81
#: Share by which the speed may be wrong, either way.
SPEED_ERROR: Final = 0.55
#: Relative strides up to which an animal walks, and up to which it trots.
WALK_UP_TO: Final = 2.0
TROT_UP_TO: Final = 2.9


@cache
def read_data(name: str) -> pd.DataFrame:
    """Read a data file of this room, by its name without ending."""
    with files("carnivore_sign.trails").joinpath("data", f"{name}.csv").open(encoding="utf-8") as f:
        return pd.read_csv(f, comment="#", index_col=0)


def hip_height_m(taxon: str) -> tuple[float, float]:
    """Return mean and SD of the hip height of a taxon, in metres.

    Parameters
    ----------
    taxon : str
        One of `TAXA`.

    Returns
    -------
    mean_m, sd_m : float
        Over animals, in metres.

    Examples
    --------
    >>> hip_height_m("coyote")
    (0.54, 0.05)
    """
    if taxon not in TAXA:
        raise InputError(
            f"'{taxon}' is no taxon", remedy=f"One of {', '.join(TAXA)}, or state hip_height_m."
        )
    row = read_data("hip_heights").loc[taxon]
    return float(row["mean_m"]), float(row["sd_m"])


def relative_stride(stride_m: npt.ArrayLike, hip_m: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return stride over hip height: up to 2.0 a walk, to 2.9 a trot, above it a run.

    Parameters
    ----------
    stride_m, hip_m : array_like
        Full stride, and height of the hip.

    Returns
    -------
    array
        Their ratio.

    Examples
    --------
    >>> relative_stride(0.96, 0.6).round(2).item()
    1.6
    """
    hip = np.asarray(hip_m, dtype=float)
    if not (hip > 0).all():
        raise InputError("a hip height must be above 0")
    return np.asarray(np.asarray(stride_m, dtype=float) / hip)


def speed_m_s(stride_m: npt.ArrayLike, hip_m: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Speed by Alexander's formula; show it with `speed_band` only.

    Parameters
    ----------
    stride_m : array-like
        Full strides in metres.
    hip_m : array-like
        Hip heights in metres.

    Returns
    -------
    ndarray
        Metres per second.

    Examples
    --------
    >>> speed_m_s(2.8, 1.4).round(4).item()
    2.9482
    """
    hip = np.asarray(hip_m, dtype=float)
    relative = relative_stride(stride_m, hip)
    return np.asarray(0.25 * np.sqrt(GRAVITY_M_S2 * hip) * relative**1.67)


def speed_band(stride_m: float, hip_m: float, hip_sd_m: float = 0.0) -> tuple[float, float, float]:
    """Speed in m/s with the band in which it lies.

    Parameters
    ----------
    stride_m, hip_m : float
        Full stride and hip height in metres.
    hip_sd_m : float
        SD of the hip height, when it is that of a taxon and not measured.

    Returns
    -------
    low, middle, high : float
        The formula's own error of 55 % is joined with two SD of the hip height.

    Examples
    --------
    >>> [round(value, 2) for value in speed_band(2.8, 1.4)]
    [1.33, 2.95, 4.57]
    """
    middle = float(speed_m_s(stride_m, hip_m))
    of_hip = 1.17 * 2.0 * hip_sd_m / hip_m
    share = float(np.hypot(SPEED_ERROR, of_hip))
    return max(middle * (1.0 - share), 0.0), middle, middle * (1.0 + share)
