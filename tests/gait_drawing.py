"""Prints of known gaits, drawn foot by foot on a straight or bending course."""

from __future__ import annotations

import numpy as np
import pandas as pd

#: Gait: phase of left front, left hind, right front, right hind (strides along the course, with
#: the overstep in it), half of the straddle (of the stride), and a shift aside of hind feet.
PHASES: dict[str, tuple[tuple[float, float, float, float], float, float]] = {
    "walk_understep": ((0.12, 0.0, 0.62, 0.5), 0.10, 0.0),
    "walk_direct": ((0.0, 0.0, 0.5, 0.5), 0.09, 0.0),
    "walk_overstep": ((0.0, 0.13, 0.5, 0.63), 0.09, 0.0),
    "trot_direct": ((0.0, 0.0, 0.5, 0.5), 0.03, 0.0),
    "trot_side": ((0.0, 0.12, 0.5, 0.62), 0.01, 0.05),
    "amble": ((0.0, 0.26, 0.5, 0.76), 0.06, 0.0),
    "lope": ((0.0, 0.14, 0.30, 0.46), 0.04, 0.0),
    "gallop": ((0.0, 0.34, 0.16, 0.48), 0.03, 0.0),
    "bound": ((0.0, 0.30, 0.04, 0.34), 0.05, 0.0),
}
FEET = ("left_front", "left_hind", "right_front", "right_hind")
#: Strides relative to the height of the hip that the gaits are drawn with.
RELATIVE = {
    "walk_understep": 1.25, "walk_direct": 1.4, "walk_overstep": 1.55, "trot_direct": 2.3,
    "trot_side": 2.25, "amble": 2.0, "lope": 3.0, "gallop": 3.9, "bound": 3.0,
}  # fmt: skip


def draw_prints(
    gait: str,
    rng: np.random.Generator,
    *,
    stride_m: float = 1.0,
    cycles: int = 10,
    noise_m: float = 0.01,
    turn_deg: float = 0.0,
    start_deg: float = 30.0,
    sequence: str = "A",
) -> pd.DataFrame:
    """Draw prints in the order in which they lie; ``foot`` is the foot that made each.

    A direct register is one print, and its foot the hind, which is on top.
    """
    phases, half, aside = PHASES[gait]
    cycle = np.repeat(np.arange(cycles), 4)
    along = (cycle + np.tile(phases, cycles)) * stride_m
    foot = np.tile(np.array(FEET, dtype=object), cycles)
    left = np.char.startswith(foot.astype(str), "left")
    hind = np.char.endswith(foot.astype(str), "hind")
    across = np.where(left, half, -half) * stride_m + np.where(hind, aside, -aside) * stride_m
    if "direct" in gait:
        along, across, foot = along[hind], across[hind], foot[hind]
    order = np.argsort(along, kind="stable")
    along, across, foot = along[order], across[order], foot[order]
    along = along + noise_m * rng.standard_normal(len(along))
    across = across + noise_m * rng.standard_normal(len(across))
    bend = np.radians(turn_deg) / max(along.max(), 1e-9)
    angle = np.radians(start_deg) + bend * along
    x = (
        along * np.cos(np.radians(start_deg))
        if not turn_deg
        else (np.sin(angle) - np.sin(np.radians(start_deg))) / bend
    )
    y = (
        along * np.sin(np.radians(start_deg))
        if not turn_deg
        else (np.cos(np.radians(start_deg)) - np.cos(angle)) / bend
    )
    return pd.DataFrame(
        {
            "sequence": sequence,
            "print_no": np.arange(1, len(x) + 1),
            "x_m": x - across * np.sin(angle),
            "y_m": y + across * np.cos(angle),
            "foot": foot,
        }
    )
