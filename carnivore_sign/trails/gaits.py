"""Trails room: which gait prints show, how fast it was, and what it says about the taxon.

Each gait is weighed by the order of feet (``feet.py``), the stride relative to the hip height of
the taxon, the overstep, the angulation, and the shape of groups of four, with the working values
of ``data/gaits.csv``. What a gait says about the taxon comes from the same numbers: how well the
stride fits the height of the animal in each gait, and how often the animal goes in it
(``data/gait_habits.csv``). It is capped, since haste, ground and slope change a gait.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails.feet import GOING
from carnivore_sign.trails.gait import GaitSequence
from carnivore_sign.trails.speed import hip_height_m, read_data, relative_stride, speed_band
from carnivore_sign.trails.steps import FloatArray

#: The gaits that are told apart.
GAITS: Final = (
    "walk_understep", "walk_direct", "walk_overstep", "trot_direct", "trot_side", "amble",
    "lope", "gallop", "bound",
)  # fmt: skip
#: No gait moves the odds between two taxa further than this to one. A working choice.
CAP_ODDS: Final = 8.0

_LEAST: Final = np.log(0.02)  # no one measure speaks further against a gait than this
_LEAST_GOING: Final = 0.01
#: Chances of each order of feet in each gait.
_ORDERS: Final[dict[str, dict[str, float]]] = {
    "walk_understep": {"hind_behind": 1.0},
    "walk_direct": {"direct_register": 1.0},
    "walk_overstep": {"hind_past": 0.9, "hind_far_past": 0.1},
    "trot_direct": {"direct_register": 1.0},
    "trot_side": {"side_trot": 0.8, "hind_past": 0.2},
    "amble": {"hind_far_past": 0.7, "hind_past": 0.3},
    "lope": {"front_hind_front_hind": 1.0},
    "gallop": {"front_front_hind_hind": 0.8, "front_hind_front_hind": 0.2},
    "bound": {"front_front_hind_hind": 1.0},
}
#: Density of each measure over all gaits, which a gait that says nothing of it is held to have.
_BROAD: Final = {"relative_stride": 1 / 4.5, "overstep": 2.0, "angulation": 1 / 90.0, "pair": 2.0}


def classify_gait(
    sequence: GaitSequence, *, taxon: str | None = None, hip_m: float | None = None
) -> pd.DataFrame:
    """Say in which gait each sequence went, and how fast.

    Parameters
    ----------
    sequence : GaitSequence
        From `gait_sequence`.
    taxon : str, optional
        The animal, if known: its hip height and its habits are used. Without it all taxa are
        held to be equally likely, and no speed is given.
    hip_m : float, optional
        Height of the hip in metres, in the place of that of the taxon.

    Returns
    -------
    DataFrame
        Index sequence: ``gait``, the most probable; ``p_<gait>`` of each of `GAITS`, which
        sum to 1; ``relative_stride``; ``speed_low_m_s``, ``speed_m_s``, ``speed_high_m_s``,
        Alexander's formula with its band, missing without a hip height.

    Notes
    -----
    Pairs of prints in line are an understep or an overstep, by which of the two is the hind.
    Where no foot was noted and no width measured, nothing tells; then the two share the
    probability about equally, and the doubts of the sequence say so.

    Examples
    --------
    >>> from carnivore_sign.trails import gait_sequence
    >>> x = np.arange(8) * 0.48
    >>> walk = gait_sequence(pd.DataFrame({"x_m": x, "y_m": np.tile([0.08, -0.08], 4)}))
    >>> told = classify_gait(walk, taxon="puma")
    >>> told["gait"].tolist(), float(told["relative_stride"].iloc[0].round(1))
    (['walk_direct'], 1.4)
    """
    taxa = tuple(TAXA) if taxon is None else (taxon,)
    measured, orders = _measured(sequence), _orders(sequence.going)
    fits = np.stack([_fits(measured, *_hip(name, hip_m)) + orders for name in taxa])
    habits = np.log(_habits().loc[list(taxa), list(GAITS)].to_numpy(dtype=float))
    joint = logsumexp(fits + habits[:, None, :], axis=0)
    shares = np.exp(joint - logsumexp(joint, axis=1, keepdims=True))
    columns = [f"p_{gait}" for gait in GAITS]
    told = pd.DataFrame(shares, index=sequence.going.index, columns=columns)
    told.insert(0, "gait", np.array(GAITS, dtype=object)[shares.argmax(axis=1)])
    stride = sequence.middle("stride_m")
    if taxon is None and hip_m is None:
        speeds = pd.DataFrame(np.nan, index=told.index, columns=list(_SPEEDS))
        return told.assign(relative_stride=np.nan).join(speeds)
    hip, hip_sd = _hip(taxon or "other", hip_m)
    speeds = [speed_band(float(length), hip, hip_sd) for length in stride]
    bands = pd.DataFrame(speeds, index=told.index, columns=list(_SPEEDS))
    return told.assign(relative_stride=relative_stride(stride, hip)).join(bands)


_SPEEDS: Final = ("speed_low_m_s", "speed_m_s", "speed_high_m_s")


def gait_likelihoods(sequence: GaitSequence) -> pd.DataFrame:
    """Weigh what the gait says about the taxon.

    Parameters
    ----------
    sequence : GaitSequence
        From `gait_sequence`.

    Returns
    -------
    DataFrame
        Natural log likelihood of each taxon (columns `TAXA`), index sequence; only
        differences within a row mean anything, and none exceeds the log of `CAP_ODDS`. They
        can be added to the log likelihoods of prints, in the place of those of the stride:
        both rest on its length. `gait_sources` says where the numbers come from.

    Examples
    --------
    >>> from carnivore_sign.trails import gait_sequence
    >>> x = np.arange(8) * 0.48
    >>> walk = gait_sequence(pd.DataFrame({"x_m": x, "y_m": np.tile([0.08, -0.08], 4)}))
    >>> said = gait_likelihoods(walk)
    >>> bool((said["puma"] > said["red_fox"]).all())
    True
    """
    return _of_taxa(_measured(sequence), _orders(sequence.going))


def stride_likelihoods(stride_m: pd.Series) -> pd.DataFrame:
    """Weigh what full strides alone say about the taxon, whatever the gait was.

    Parameters
    ----------
    stride_m : Series
        Full strides in metres; a missing one says nothing.

    Returns
    -------
    DataFrame
        As `gait_likelihoods`, with the index of `stride_m`: over all gaits, how well the stride
        fits the hip height of each taxon, by how often the taxon goes in each.

    Examples
    --------
    >>> said = stride_likelihoods(pd.Series([0.96, 1.2], index=["shorter", "longer"]))
    >>> (said["puma"] - said["coyote"]).round(1).to_dict()
    {'shorter': 0.9, 'longer': 0.0}
    """
    measured = pd.DataFrame({"stride_m": stride_m.astype(float)}, columns=list(_MEASURES))
    told = _of_taxa(measured, np.zeros((len(measured), len(GAITS))))
    return told.where(stride_m.notna(), 0.0)


def _of_taxa(measured: pd.DataFrame, orders: FloatArray) -> pd.DataFrame:
    """Log likelihood of each taxon over all gaits, within the cap; rows as `measured`."""
    habits = np.log(_habits()[list(GAITS)])
    told = pd.DataFrame(
        {
            taxon: logsumexp(
                _fits(measured, *hip_height_m(taxon)) + orders + habits.loc[taxon].to_numpy(),
                axis=1,
            )
            for taxon in TAXA
        },
        index=measured.index,
    )
    best = told.max(axis=1)
    return told.clip(lower=best - np.log(CAP_ODDS), axis=0)


def gait_sources() -> pd.DataFrame:
    """List where the numbers come from that gaits and taxa are weighed with.

    Returns
    -------
    DataFrame
        ``table``, ``row``, ``source``.

    Examples
    --------
    >>> bool(gait_sources()["source"].notna().all())
    True
    """
    parts = [
        read_data(name)[["source"]].rename_axis("row").reset_index().assign(table=name)
        for name in ("gaits", "gait_habits", "hip_heights")
    ]
    return pd.concat(parts, ignore_index=True)[["table", "row", "source"]]


def _habits() -> pd.DataFrame:
    return read_data("gait_habits")


def _hip(taxon: str, hip_m: float | None) -> tuple[float, float]:
    if hip_m is None:
        return hip_height_m(taxon)
    if not hip_m > 0:
        raise InputError(f"hip_m must be above 0, and {hip_m} came")
    return hip_m, 0.0


#: What is weighed of a sequence besides the order of its feet.
_MEASURES: Final = (
    "stride_m", "hind_on_front_m", "pace_angulation_deg", "group_length_m", "group_pair_m",
)  # fmt: skip


def _measured(sequence: GaitSequence) -> pd.DataFrame:
    """Middle of each measure by sequence."""
    return pd.DataFrame({measure: sequence.middle(measure) for measure in _MEASURES})


def _fits(measured: pd.DataFrame, hip_m: float, hip_sd_m: float) -> FloatArray:
    """Log of how well what was measured fits each gait, for an animal of a height."""
    stride, overstep, angle, group, pair = measured.to_numpy(dtype=float).T
    overstep, pair = np.abs(overstep) / stride, pair / group
    table = read_data("gaits").loc[list(GAITS)]
    relative = stride / hip_m
    of_hip = table["relative_stride_mean"] * hip_sd_m / hip_m
    measures = {
        "relative_stride": (relative, np.hypot(table["relative_stride_sd"], of_hip)),
        # Which way the hind print lies is told by the order of feet; here only how far.
        "overstep": (overstep, table["overstep_sd"]),
        "angulation": (angle, table["angulation_sd"]),
        "pair": (pair, table["pair_sd"]),
    }  # fmt: skip
    fits = np.zeros((len(measured), len(GAITS)))
    for name, (values, sd) in measures.items():
        mean = table[f"{name}_mean"].abs().to_numpy(dtype=float)
        fits = fits + _speaks(values, mean, sd.to_numpy(dtype=float), _BROAD[name])
    return fits


def _orders(going: pd.DataFrame) -> FloatArray:
    """Log of how likely the order of feet is in each gait."""
    prior = np.array(list(GOING.values())) / sum(GOING.values())
    said = np.maximum(going[list(GOING)].to_numpy(dtype=float) / prior, _LEAST_GOING)
    chances = np.array([[_ORDERS[gait].get(name, 0.0) for name in GOING] for gait in GAITS])
    return np.asarray(np.log(said @ chances.T))


def _speaks(values: FloatArray, mean: FloatArray, sd: FloatArray, broad: float) -> FloatArray:
    """Log density of a measure in each gait over that in all; 0 where one of them is missing."""
    with np.errstate(invalid="ignore"):
        normal = -0.5 * ((values[:, None] - mean) / sd) ** 2 - np.log(sd * np.sqrt(2.0 * np.pi))
        said = np.maximum(normal - np.log(broad), _LEAST)
    return np.where(np.isnan(said), 0.0, said)
