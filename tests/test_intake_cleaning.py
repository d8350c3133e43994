"""Cleaning: strays are moved, walks are not, and the raw fixes stay."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.intake import clean_track
from carnivore_sign.intake.cleaning import FIRST_SPEED_M_S

CRS = "EPSG:32611"
ORIGIN = np.array([300_000.0, 4_140_000.0])
WAYS = ("hampel", "median", "kalman")


def walk(xy: np.ndarray, *, every_s: float = 1.0, **columns: object) -> gpd.GeoDataFrame:
    start = pd.Timestamp("2026-02-14T15:40Z")
    frame = {
        "log": "a", "part": 0, "flags": None, "accuracy_m": np.nan,
        "time": start + pd.to_timedelta(np.arange(len(xy)) * every_s, unit="s"),
    }  # fmt: skip
    shapes = gpd.GeoSeries(shapely.points(xy + ORIGIN), crs=CRS)
    return gpd.GeoDataFrame({**frame, **columns}, geometry=shapes.to_crs(4326).to_numpy(), crs=4326)


def plane(fixes: gpd.GeoDataFrame) -> np.ndarray:
    return shapely.get_coordinates(fixes.to_crs(CRS).geometry) - ORIGIN


LINE = np.column_stack([1.3 * np.arange(60.0), np.zeros(60)])


@pytest.mark.parametrize("way", WAYS)
def test_a_straight_walk_stays_where_it_is(way: str) -> None:
    cleaned = clean_track(walk(LINE), way=way)
    assert np.abs(plane(cleaned)[5:-5] - LINE[5:-5]).max() < 0.05


@pytest.mark.parametrize("way", ["hampel", "median"])
def test_a_stray_fix_is_moved_back_and_told(way: str) -> None:
    strayed = LINE.copy()
    strayed[30] += (5, 80)
    cleaned = clean_track(walk(strayed), way=way)
    assert np.hypot(*(plane(cleaned)[30] - LINE[30])) < 1.4
    assert cleaned["moved_m"].iloc[30] == pytest.approx(80, abs=1.5)
    raw = gpd.points_from_xy(cleaned["raw_longitude_deg"], cleaned["raw_latitude_deg"])
    assert (raw == walk(strayed).geometry.to_numpy()).all()
    if way == "hampel":
        assert np.flatnonzero(cleaned["moved_m"]).tolist() == [30]


def test_the_smoother_halves_the_errors_of_a_noisy_walk() -> None:
    rng = np.random.default_rng(1)
    bend = np.column_stack([LINE[:, 0], 20 * np.sin(LINE[:, 0] / 25)])
    noisy = bend + rng.normal(0, 5, bend.shape)
    cleaned = plane(clean_track(walk(noisy, accuracy_m=5.0), way="kalman"))
    before, after = (np.sqrt(((one - bend) ** 2).mean()) for one in (noisy, cleaned))
    assert before == pytest.approx(5, rel=0.2)
    assert after < before / 2


def test_a_fix_of_poor_accuracy_weighs_less() -> None:
    strayed = LINE.copy()
    strayed[30, 1] = 60
    accuracy = np.full(60, 5.0)
    near = plane(clean_track(walk(strayed, accuracy_m=accuracy), way="kalman"))[30, 1]
    accuracy[30] = 100
    far = plane(clean_track(walk(strayed, accuracy_m=accuracy), way="kalman"))[30, 1]
    assert abs(far) < 1 < near


def filter_and_smooth(xy: np.ndarray, seconds: np.ndarray, error_m: float) -> np.ndarray:
    """Smooth step by step, as Rauch, Tung and Striebel (1965) give it; from memory."""
    count = len(xy)
    moves, states, spreads, guessed, guessed_spreads = [], [], [], [], []
    state, spread = np.array([xy[0], [0, 0]]), np.diag([error_m**2, FIRST_SPEED_M_S**2])
    for row in range(count):
        step = seconds[row] - seconds[row - 1] if row else 0.0
        moves.append(np.array([[1.0, step], [0.0, 1.0]]))
        if row:
            noise = np.array([[step**3 / 3, step**2 / 2], [step**2 / 2, step]])
            state = moves[row] @ state
            spread = moves[row] @ spread @ moves[row].T + 0.25 * noise
        else:
            spread[0, 0] = 1e12
        guessed.append(state), guessed_spreads.append(spread)
        gain = spread[:, 0] / (spread[0, 0] + error_m**2)
        state = state + np.outer(gain, xy[row] - state[0])
        spread = spread - np.outer(gain, spread[0])
        states.append(state), spreads.append(spread)
    for row in range(count - 2, -1, -1):
        back = spreads[row] @ moves[row + 1].T @ np.linalg.inv(guessed_spreads[row + 1])
        states[row] = states[row] + back @ (states[row + 1] - guessed[row + 1])
    return np.array(states)[:, 0]


def test_the_banded_solution_is_that_of_the_step_by_step_smoother() -> None:
    rng = np.random.default_rng(2)
    xy = np.column_stack([np.arange(30.0), rng.normal(0, 3, 30)])
    fixes = walk(xy)
    seconds = np.cumsum(rng.choice([1.0, 2.0, 7.0], 30))
    fixes["time"] = fixes["time"].iloc[0] + pd.to_timedelta(seconds, unit="s")
    expected = filter_and_smooth(xy, seconds, 5.0)
    np.testing.assert_allclose(plane(clean_track(fixes, way="kalman")), expected, atol=1e-4)


@pytest.mark.parametrize("way", WAYS)
def test_parts_are_kept_apart_and_flagged_fixes_left(way: str) -> None:
    xy = np.concatenate([LINE, LINE + np.array([0, 5000])])
    fixes = walk(xy, part=np.repeat([0, 1], 60)).set_index(pd.RangeIndex(7, 127))
    cleaned = clean_track(fixes, way=way)
    assert np.abs(plane(cleaned) - xy).max() < 0.1
    assert cleaned.index.equals(fixes.index)
    zero = fixes.copy()
    zero.loc[20, "flags"] = "zero_island;too_fast"
    zero.loc[21, "time"] = pd.NaT
    cleaned = clean_track(zero, way=way)
    assert cleaned["moved_m"].loc[[20, 21]].tolist() == [0, 0]
    assert cleaned.geometry.loc[20] == fixes.geometry.loc[20]
    assert clean_track(fixes.iloc[:2], way=way)["moved_m"].tolist() == [0, 0]
    assert clean_track(fixes.assign(time=pd.NaT), way=way)["moved_m"].eq(0).all()


def test_a_wrong_way_or_window_is_told() -> None:
    with pytest.raises(InputError, match="no way of smoothing"):
        clean_track(walk(LINE), way="mean")
    with pytest.raises(InputError, match="odd number"):
        clean_track(walk(LINE), window_fixes=4)
