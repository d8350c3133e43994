"""Matching of fixes to segments, and the metres covered, beside geopandas and pandas.

The ground: crooked transects with a vertex every 25 m, cut into segments; walkers with 5 m of
noise and a fix every 2 s. At scale 1 there are a million fixes and 20,000 segments.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from typing import TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.space import working_crs
from carnivore_sign.survey.coverage import cover_segments, union_lengths, walked_stretches
from carnivore_sign.survey.linework import Passes, find_passes, lay_grid, lay_lines, nearest_pass
from carnivore_sign.survey.matching import match_logs
from carnivore_sign.survey.reach import passes_near
from carnivore_sign.survey.segments import cut_segments

CRS = "EPSG:32610"
TOLERANCE_M = 30.0
VERTICES, SPACING_M, SEGMENT_M = 401, 25.0, 500.0
FIXES_PER_LOG = 2000

Result = TypeVar("Result")


def best_of(work: Callable[[], Result], *, times: int = 2) -> tuple[float, Result]:
    """Seconds of the fastest repetition, and the result."""
    seconds = []
    for _ in range(times):
        begun = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - begun)
    return min(seconds), result


def draw_segments(rng: np.random.Generator, count: int) -> gpd.GeoDataFrame:
    """Draw transects of 10 km strewn over 300 km, cut into about `count` segments."""
    roads = max(int(count * SEGMENT_M / (VERTICES - 1) / SPACING_M), 1)
    turns = rng.uniform(0, 2 * np.pi, (roads, 1)) + np.cumsum(
        rng.normal(0, 0.1, (roads, VERTICES)), axis=1
    )
    xy = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], axis=-1) * SPACING_M, axis=1)
    xy += rng.uniform(0, 300_000, (roads, 1, 2)) + np.array([350_000, 4_600_000])
    lines = gpd.GeoDataFrame(
        {"transect": [f"T{n:05d}" for n in range(roads)]}, geometry=shapely.linestrings(xy), crs=CRS
    )
    return cut_segments(lines, length_m=SEGMENT_M)


def draw_fixes(
    rng: np.random.Generator, segments: gpd.GeoDataFrame, count: int
) -> gpd.GeoDataFrame:
    """Draw logs of 2,000 fixes, each out along a transect and partly back."""
    planar = segments.to_crs(CRS)
    whole = planar.dissolve("transect", sort=False).geometry.line_merge()
    logs = max(count // FIXES_PER_LOG, 1)
    lines = whole.to_numpy()[rng.integers(0, len(whole), logs)]
    far = np.arange(FIXES_PER_LOG) * 2.4
    metres = np.where(far < 3000, far, 6000 - far) + rng.uniform(0, 2000, (logs, 1))
    at = shapely.line_interpolate_point(np.repeat(lines, FIXES_PER_LOG), metres.ravel())
    xy = shapely.get_coordinates(at) + rng.normal(0, 5, (len(at), 2))
    number = np.repeat(np.arange(logs), FIXES_PER_LOG)
    seconds = np.tile(np.arange(FIXES_PER_LOG) * 2, logs)
    return gpd.GeoDataFrame(
        {
            "log": pd.array([f"L{n:05d}" for n in range(logs)], dtype="string").take(number),
            "part": 0,
            "time": pd.Timestamp("2024-05-06 13:00", tz="UTC") + pd.to_timedelta(seconds, unit="s"),
            "flags": "",
        },
        geometry=gpd.points_from_xy(*xy.T),
        crs=CRS,
    ).to_crs("EPSG:4326")


def plain_match(points: gpd.GeoDataFrame, segments: gpd.GeoDataFrame) -> pd.DataFrame:
    """Nearest segment and place along it, as the geopandas documentation would have it."""
    lines = segments[["segment", "from_m", "geometry"]]
    joined = gpd.sjoin_nearest(points, lines, max_distance=TOLERANCE_M, distance_col="offset_m")
    joined = joined[~joined.index.duplicated()]
    line = lines.geometry.loc[joined["index_right"]].reset_index(drop=True)
    along = line.project(joined.geometry.reset_index(drop=True)).to_numpy()
    return joined.assign(along_m=joined["from_m"] + along)


def place(points: gpd.GeoDataFrame, segments: gpd.GeoDataFrame) -> pd.DataFrame:
    """Do the same by passes on a grid."""
    xy = shapely.get_coordinates(points.geometry.to_numpy())
    return nearest(
        passes_near(segments, working_crs(segments), *xy.T, reach_m=TOLERANCE_M), len(xy)
    )


def place_on(grid, xy: np.ndarray) -> pd.DataFrame:
    """Do the same on a grid that is there already."""
    return nearest(find_passes(grid, xy[:, 0], xy[:, 1]), len(xy))


def nearest(passes: Passes, points: int) -> pd.DataFrame:
    """Nearest segment and place along it, of points that have one."""
    chosen = nearest_pass(passes, points)
    near = np.flatnonzero(chosen >= 0)
    chosen = chosen[near]
    return pd.DataFrame(
        {"segment": passes.segment[chosen], "along_m": passes.along_m[chosen],
         "offset_m": passes.offset_m[chosen]}, index=near,
    )  # fmt: skip


def agree(ours: pd.DataFrame, plain: pd.DataFrame, tolerance_m: float) -> None:
    """Assert that both placed the same fixes at the same places.

    Ours measures on the ellipsoid, the plain way in UTM: up to 0.04 % apart.
    """
    both = ours.join(plain[["index_right", "along_m", "offset_m"]], rsuffix="_plain", how="outer")
    edge = both.isna().any(axis=1)
    assert edge.mean() < 1e-3
    assert both.loc[edge, ["offset_m", "offset_m_plain"]].min(axis=1).gt(tolerance_m * 0.998).all()
    both = both[~edge]
    np.testing.assert_allclose(both["offset_m"], both["offset_m_plain"], rtol=1e-3)
    same = both["segment"] == both["index_right"]
    assert same.mean() > 0.9999
    np.testing.assert_allclose(both["along_m"][same], both["along_m_plain"][same], atol=0.6)


def plain_union(steps: pd.DataFrame) -> pd.Series:
    """Metres covered per visit, by a union of intervals in each group."""

    def union(group: pd.DataFrame) -> float:
        total, reached = 0.0, -np.inf
        for low, high in group.sort_values("low")[["low", "high"]].to_numpy():
            total += max(0.0, high - max(low, reached))
            reached = max(reached, high)
        return total

    return steps.groupby("visit")[["low", "high"]].apply(union)


def draw_steps(matched: pd.DataFrame) -> pd.DataFrame:
    """Steps on one segment between fixes that follow each other."""
    before = matched.shift()
    same = (matched["walk"] == before["walk"]) & (matched["segment"] == before["segment"])
    steps = pd.DataFrame(
        {
            "visit": matched.groupby(["walk", "segment"], observed=True).ngroup(),
            "low": np.fmin(matched["along_m"], before["along_m"]),
            "high": np.fmax(matched["along_m"], before["along_m"]),
        }
    )[same]
    return steps.assign(visit=pd.factorize(steps["visit"], sort=True)[0])


def run(scale: float = 1.0) -> pd.DataFrame:
    """Measure all cases."""
    rng = np.random.default_rng(20)
    segments = draw_segments(rng, int(20_000 * min(scale, 1.0)))
    fixes = draw_fixes(rng, segments, int(1_000_000 * scale))
    rows: list[tuple[str, str, float, float, float]] = []

    def add(case: str, what: str, seconds: float, plain: float, memory: float = np.nan) -> None:
        rows.append((case, what, seconds, plain / seconds, memory))

    points = fixes[["geometry"]].to_crs(CRS)
    lines = segments.to_crs(CRS)
    case = f"nearest segment and metres along it: {len(fixes):,} fixes, {len(segments):,} segments"
    plain_s, plain = best_of(lambda: plain_match(points, lines))
    ours_s, ours = best_of(lambda: place(points, segments))
    agree(ours, plain, TOLERANCE_M)
    grid = lay_grid(lay_lines(segments, working_crs(segments)), reach_m=TOLERANCE_M)
    xy = shapely.get_coordinates(points.geometry.to_numpy())
    laid_s, _ = best_of(lambda: place_on(grid, xy))
    add(case, "geopandas: sjoin_nearest, then project", plain_s, plain_s)
    add(case, "ours, the grid laid as well", ours_s, plain_s)
    add(case, "ours, on a grid laid before", laid_s, plain_s)
    if find_spec("numba"):
        compiled_match = import_module("tests.benchmarks.compiled_grid").compiled_match
        flat = lines.geometry.to_numpy()
        compiled_match(xy[:1000], flat, TOLERANCE_M)  # compiles
        compiled_s, compiled = best_of(lambda: compiled_match(xy, flat, TOLERANCE_M))
        assert len(compiled["point"]) == len(ours)
        # Ours are metres on the ground; a projected metre is up to 4 in 10,000 shorter.
        np.testing.assert_allclose(compiled["offset_m"], ours["offset_m"], rtol=1e-3)
        add(case, "a compiled grid hash (numba), its grid laid as well", compiled_s, plain_s)

    whole_s, matched = best_of(
        lambda: match_logs(fixes, segments, tolerance_m=TOLERANCE_M), times=1
    )
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    add("match_logs: walks, speeds, lines told apart, states", "ours", whole_s, np.nan, memory)

    steps = draw_steps(matched)
    count = int(steps["visit"].max()) + 1
    case = f"metres covered: {len(steps):,} steps on {count:,} visits"
    plain_s, plain_m = best_of(lambda: plain_union(steps))
    arrays = [steps[name].to_numpy() for name in ("visit", "low", "high")]
    ours_s, ours_m = best_of(lambda: union_lengths(*arrays, groups=count))
    np.testing.assert_allclose(ours_m, plain_m, atol=1e-6)
    add(case, "pandas: groupby, apply a union of intervals", plain_s, plain_s)
    add(case, "ours", ours_s, plain_s)

    case = f"metres covered, from {len(matched):,} matched fixes: steps, gaps, union"
    plain_s, plain_m = best_of(lambda: plain_union(draw_steps(matched)))
    ours_s, covered = best_of(lambda: cover_segments(walked_stretches(matched), segments))
    # The plain way drops the steps across borders, a few metres at each end of a segment.
    assert 1.0 <= covered["covered_m"].sum() / plain_m.sum() < 1.02
    add(case, "pandas: shift, groupby, apply a union of intervals", plain_s, plain_s)
    add(case, "ours", ours_s, plain_s)
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio", "peak_MiB"]).round(
        {"peak_MiB": 0}
    )
