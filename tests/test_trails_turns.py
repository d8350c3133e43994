"""Turns between links: the wrapped Cauchy distribution, and what is learned of turns."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import wrapcauchy
from test_trails_linking import grouped, link, make_sign

from carnivore_sign.trails import LinkModel
from carnivore_sign.trails.candidates import Links, gather
from carnivore_sign.trails.turns import Turns, learn_turns, turn_ratio, turns_of

EVEN = np.full((1, 9), 1 / 9)


def corner(*turn: float, **columns: object) -> Turns:
    """Three sign 100 m apart; the pair is the second and third, the first link is made."""
    angle = np.radians(turn[0])
    rows = [{"x": 0.0, "y": 0.0}, {"x": 0.0, "y": 100.0},
            {"x": 100.0 * np.sin(angle), "y": 100.0 + 100.0 * np.cos(angle)}]  # fmt: skip
    sign = make_sign([{**row, **columns} for row in rows])
    walks = pd.Series("W", index=sign["sign"])
    noted = gather(sign, np.repeat(EVEN, 3, axis=0), walks, None, None)
    one = np.array([1]), np.array([2]), np.array([0.0])
    made = np.array([0]), np.array([1]), np.array([0.0])
    return turns_of(Links(*one), Links(*made), noted, LinkModel())


@pytest.mark.parametrize("turn", [0.0, 45.0, 120.0, 180.0])
def test_a_turn_is_the_angle_from_straight_on(turn: float) -> None:
    told = corner(turn)
    assert told.angle_deg[0, 0] == pytest.approx(turn, abs=0.3)
    assert np.isnan(told.angle_deg[0, 1])


def test_a_stated_direction_takes_the_place_of_the_turn() -> None:
    assert np.isnan(corner(90.0, direction_deg=0.0).angle_deg).all()
    assert turn_ratio(corner(90.0, direction_deg=0.0)).tolist() == [0.0]


def test_the_ratio_is_that_of_the_wrapped_cauchy_distribution() -> None:
    # Reference: scipy.stats.wrapcauchy against the uniform density; half to each of two links.
    for degrees in (0.0, 30.0, 100.0, 180.0):
        turns = Turns(np.array([[degrees, np.nan]]), np.array([[0.55, np.nan]]))
        expected = np.log(wrapcauchy.pdf(np.radians(degrees), 0.55) * 2 * np.pi) / 2
        assert turn_ratio(turns)[0] == pytest.approx(expected)


def test_it_has_mean_one_over_turns_at_random() -> None:
    # A likelihood ratio p/q has mean 1 under q, whatever p is. Arithmetic.
    def ratio(degrees: float) -> float:
        turns = Turns(np.array([[degrees, np.nan]]), np.array([[0.7, np.nan]]))
        return float(np.exp(2 * turn_ratio(turns)[0])) / 180.0

    assert quad(ratio, 0, 180)[0] == pytest.approx(1.0)


def test_the_farther_it_walked_and_the_nearer_the_error_the_less_a_turn_says() -> None:
    def rho(step_m: float) -> float:
        rows = [{"x": step_m * n} for n in range(3)]
        noted = gather(make_sign(rows), np.repeat(EVEN, 3, axis=0),
                       pd.Series("W", index=["S000", "S001", "S002"]), None, None)  # fmt: skip
        pair = Links(np.array([1]), np.array([2]), np.zeros(1))
        made = Links(np.array([0]), np.array([1]), np.zeros(1))
        return float(turns_of(pair, made, noted, LinkModel()).rho[0, 0])

    assert rho(40.0) > rho(100.0) > rho(300.0)
    assert rho(3.0) < 0.02  # 5 m of error turn a step of 3 m at will


def test_on_a_road_going_straight_on_is_no_evidence() -> None:
    rng = np.random.default_rng(1)
    straight = np.abs(rng.normal(0, 8, (4000, 1)))
    turns = Turns(np.hstack([straight, np.full((4000, 1), np.nan)]), np.full((4000, 2), 0.6))
    same = (rng.random(4000) < 0.4).astype(float)
    assert np.abs(turn_ratio(turns, learn_turns(turns, same))).mean() < 0.12
    # In open country those that are no links turn at random, and straight on is evidence.
    angle = np.where(same[:, None] > 0, straight, rng.uniform(0, 180, (4000, 1)))
    open_ = turns._replace(angle_deg=np.hstack([angle, np.full((4000, 1), np.nan)]))
    said = turn_ratio(open_, learn_turns(open_, same))
    assert said[same > 0].mean() > 0.7
    assert said[(same == 0) & (angle[:, 0] > 60)].max() < -0.5


def test_few_turns_teach_little() -> None:
    turns = Turns(np.array([[90.0, np.nan]] * 3), np.full((3, 2), 0.6))
    assert np.abs(learn_turns(turns, np.ones(3))).max() < 0.35


def test_a_trail_goes_straight_on_where_two_cross() -> None:
    # No direction was stated; found from west to east, so that either tail could follow.
    up = [{"x": 60.0 * n, "y": 35.0 * n} for n in range(-3, 4)]
    down = [{"x": 60.0 * n + 6.0, "y": -35.0 * n} for n in range(-3, 4)]
    rows = [row for pair in zip(up, down, strict=True) for row in pair]
    sign = make_sign(rows)
    right = {frozenset(sign["sign"].iloc[0::2]), frozenset(sign["sign"].iloc[1::2])}
    assert grouped(link(sign, trails_per_km=1.5, model=LinkModel(gap_m=60.0))) == right
    blind = LinkModel(gap_m=60.0, course_m=1.0)  # keeps no course at all
    assert grouped(link(sign, trails_per_km=1.5, model=blind)) != right
