"""Linking of sign into trails at growing sizes, and gait from prints, beside plain pandas.

Passages strewn along roads, with a sign every 60 m on the mean, 5 m of noise and a walk per
road and day. The plain way links each walk in a `groupby(...).apply` of the dense assignment
over all its pairs, with gains that are not learned and without probabilities of the links, so
that it does less; it grows with the square of a walk. The plain way of gait measures each foot
of each trail in a `groupby(...).apply`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails import LinkModel, gait_sequence, link_sign
from carnivore_sign.trails.likelihood import direction_ratio, distance_ratio, taxon_ratio

CRS = "EPSG:32610"
SIGN_PER_WALK = 100
ROAD_M = 20_000.0
COLUMNS = [taxon_column(taxon) for taxon in TAXA]

Result = TypeVar("Result")


def timed(work: Callable[[], Result]) -> tuple[float, Result]:
    """Seconds of one run, and the result."""
    begun = time.perf_counter()
    result = work()
    return time.perf_counter() - begun, result


def draw_sign(
    rng: np.random.Generator, count: int, *, per_walk: int = SIGN_PER_WALK
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, pd.Series]:
    """Draw about `count` sign, five to a passage, on walks along roads."""
    passages = max(count // 5, 1)
    walk = np.sort(rng.integers(0, max(count // per_walk, 1), passages))
    start = rng.uniform(0, ROAD_M * per_walk / SIGN_PER_WALK, passages)
    way = rng.choice([-1.0, 1.0], passages)
    along = start[:, None] + way[:, None] * np.cumsum(rng.exponential(60.0, (passages, 5)), axis=1)
    # Three roads in four are walked once a month: many walks, few roads.
    road = walk % max(walk.max() // 12 + 1, 1)
    frame = pd.DataFrame(
        {
            "walk": np.repeat(walk, 5),
            "x": 300_000 + along.ravel() + rng.normal(0, 5, passages * 5),
            "y": 4_000_000 + np.repeat(road, 5) * 3_000.0 + rng.normal(0, 5, passages * 5),
            "direction_deg": (np.repeat(np.where(way > 0, 90.0, 270.0), 5)
                              + rng.normal(0, 12, passages * 5)) % 360,
        }
    ).sort_values(["walk", "x"], ignore_index=True)  # fmt: skip
    names = pd.Index([f"S{n:07d}" for n in range(len(frame))])
    within = frame.groupby("walk").cumcount()
    times = pd.Timestamp("2024-01-01 15:00", tz="UTC") + pd.to_timedelta(
        frame["walk"] * 24.0 + within / 60.0, unit="h"
    )
    sign = gpd.GeoDataFrame(
        {"sign": names, "kind": "track", "time": times, "direction_deg": frame["direction_deg"]},
        geometry=gpd.points_from_xy(frame["x"], frame["y"], crs=CRS),
    ).to_crs("EPSG:4326")
    shares = pd.DataFrame(rng.dirichlet(np.ones(len(TAXA)), len(frame)), names, COLUMNS)
    return sign, shares, pd.Series(frame["walk"].to_numpy(), names).astype("str")


def plain_link(sign: gpd.GeoDataFrame, shares: pd.DataFrame, walks: pd.Series) -> int:
    """Link each walk by the dense assignment over all of its pairs; return the links."""
    model, even = LinkModel(), np.full(len(TAXA), 1 / len(TAXA))
    planar = sign.to_crs(CRS)
    frame = pd.DataFrame(
        {"x": planar.geometry.x, "y": planar.geometry.y, "deg": sign["direction_deg"],
         "walk": walks.to_numpy()}
    )  # fmt: skip

    def link(group: pd.DataFrame) -> int:
        p = shares.to_numpy()[group.index]
        one, two = np.triu_indices(len(group), 1)
        x, y, deg = group["x"].to_numpy(), group["y"].to_numpy(), group["deg"].to_numpy()
        metres = np.hypot(x[one] - x[two], y[one] - y[two])
        gain = distance_ratio(metres, model, trails_per_km=1.5)
        gain += direction_ratio(deg[one], deg[two], model)
        gain += taxon_ratio(p[one], p[two], even, model)
        square = np.zeros((len(group),) * 2)
        square[one, two] = np.maximum(gain, 0.0)
        rows, columns = linear_sum_assignment(square, maximize=True)
        return int((square[rows, columns] > 0).sum())

    return int(frame.groupby("walk")[["x", "y", "deg"]].apply(link).sum())


def draw_walks(rng: np.random.Generator, prints: int) -> pd.DataFrame:
    """Draw trails of forty prints at an overstep walk, with their feet noted."""
    trails = max(prints // 40, 1)
    phase = np.array([0.0, 0.13, 0.5, 0.63])
    along = (np.arange(10)[:, None] + phase).ravel() + rng.normal(0, 0.01, (trails, 40))
    across = np.tile([0.09, 0.09, -0.09, -0.09], 10) + rng.normal(0, 0.01, (trails, 40))
    feet = ["left_front", "left_hind", "right_front", "right_hind"] * 10
    return pd.DataFrame(
        {
            "sequence": np.repeat(np.arange(trails), 40),
            "print_no": np.tile(np.arange(40), trails),
            "x_m": along.ravel(),
            "y_m": across.ravel(),
            "foot": np.tile(np.array(feet, dtype=object), trails),
        }
    )


def plain_strides(prints: pd.DataFrame) -> pd.Series:
    """Middle stride of each trail, foot by foot, with every foot taken as noted."""

    def strides(group: pd.DataFrame) -> pd.Series:
        return np.hypot(group["x_m"].diff(), group["y_m"].diff())

    each = prints.groupby(["sequence", "foot"])[["x_m", "y_m"]].apply(strides)
    return each.groupby(level="sequence").median()


def run(scale: float = 1.0) -> pd.DataFrame:
    """Measure linking at 1, 10 and 100 thousand sign, and gait of 100 thousand prints."""
    rng = np.random.default_rng(31)
    rows: list[tuple[str, str, float, float, float]] = []
    for size, per_walk in ((1_000, 100), (10_000, 100), (100_000, 100), (10_000, 2_500)):
        sign, shares, walks = draw_sign(rng, int(size * scale), per_walk=per_walk)
        case = f"linking {len(sign):,} sign on {walks.nunique():,} walks"
        plain_s, plain = timed(lambda s=sign, p=shares, w=walks: plain_link(s, p, w))
        ours_s, ours = timed(lambda s=sign, p=shares, w=walks: link_sign(s, p, w).members)
        fixed_s, _ = timed(
            lambda s=sign, p=shares, w=walks: link_sign(s, p, w, model=LinkModel()).members
        )
        links = int(ours["link_probability"].notna().sum())
        # Ours learns its weights, so that the links are alike and not the same.
        assert abs(links - plain) < 0.25 * plain
        micro = 1e6 / len(sign)
        for what, seconds in (
            ("pandas: groupby, apply a dense assignment", plain_s),
            ("ours, working weights", fixed_s),
            ("ours, weights learned from all", ours_s),
        ):
            rows.append((case, what, seconds, plain_s / seconds, seconds * micro))
    prints = draw_walks(rng, int(100_000 * scale))
    case = f"gait of {len(prints):,} prints in {prints['sequence'].nunique():,} trails"
    plain_s, plain_m = timed(lambda: plain_strides(prints))
    ours_s, told = timed(lambda: gait_sequence(prints))
    np.testing.assert_allclose(told.middle("stride_m"), plain_m, rtol=1e-6)
    micro = 1e6 / len(prints)
    rows.append(
        (case, "pandas: groupby, apply; strides of noted feet alone", plain_s, 1.0, plain_s * micro)
    )
    rows.append(
        (case, "ours, feet inferred and all lengths", ours_s, plain_s / ours_s, ours_s * micro)
    )
    columns = ["case", "what", "seconds", "ratio", "microseconds_each"]
    table = pd.DataFrame(rows, columns=columns)
    # Where it grows as n log n, this stays the same from size to size.
    count = 1e6 * table["seconds"] / table["microseconds_each"]
    table["ns_by_n_log_n"] = 1_000.0 * table["microseconds_each"] / np.log2(count)
    return table.round({"microseconds_each": 1, "ns_by_n_log_n": 0})
