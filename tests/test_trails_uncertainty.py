"""How sure the count is: links that stand alone, links that compete, and the price."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from test_trails_linking import make_sign, shares

from carnivore_sign.errors import InputError
from carnivore_sign.trails import (
    Linking,
    LinkModel,
    count_range,
    link_alternatives,
    link_sign,
    link_trails,
    price_sensitivity,
)


def linking(rows: list[dict[str, object]], **options: object) -> Linking:
    sign = make_sign(rows)
    walks = pd.Series("W", index=sign["sign"])
    return link_sign(sign, shares(sign), walks, **{"model": LinkModel(), **options})


def test_members_are_those_of_link_trails() -> None:
    told = linking([{"x": 40.0 * i} for i in range(9)])
    sign = make_sign([{"x": 40.0 * i} for i in range(9)])
    walks = pd.Series("W", index=sign["sign"])
    plain = link_trails(sign, shares(sign), walks, model=LinkModel())
    pd.testing.assert_frame_equal(told.members, plain)


def test_what_is_sure_has_no_range_and_what_is_unsure_has_one() -> None:
    sure = linking([{"x": 0.0, "direction_deg": 0.0}, {"x": 5000.0, "direction_deg": 0.0}])
    told = count_range(sure, np.random.default_rng(1))
    assert (told.low, told.best, told.high) == (2, 2, 2)
    unsure = linking([{"x": 170.0 * i} for i in range(12)], trails_per_km=1.5)
    told = count_range(unsure, np.random.default_rng(1))
    assert told.low <= told.best <= told.high
    assert told.high - told.low >= 3


def test_a_link_that_stands_alone_is_made_as_often_as_its_probability_says() -> None:
    alone = linking([{"x": 0.0}, {"x": 150.0}])
    stated = alone.members["link_probability"].iloc[1]
    table = link_alternatives(alone, np.random.default_rng(2), draws=4000, unsure=0.01)
    assert table[["first", "second", "made"]].to_numpy().tolist() == [["S000", "S001", True]]
    # The price is shaken too, which draws the share a little towards one half.
    assert table["share"].item() == pytest.approx(stated, abs=0.03)


def test_rivals_are_told_least_decided_first() -> None:
    rows = [{"x": 0.0, "y": 20.0}, {"x": 0.0, "y": -20.0}, {"x": 100.0}]
    table = link_alternatives(linking(rows), np.random.default_rng(3), draws=400)
    pairs = set(map(tuple, table[["first", "second"]].to_numpy()))
    assert {("S000", "S002"), ("S001", "S002")} <= pairs
    distance = (table["share"] - 0.5).abs()
    assert distance.is_monotonic_increasing
    assert table["share"].between(0.1, 0.9).all()


def test_a_higher_price_makes_no_more_trails() -> None:
    rng = np.random.default_rng(4)
    told = linking([{"x": x} for x in np.sort(rng.uniform(0, 9000, 60))], trails_per_km=1.0)
    table = price_sensitivity(told, [0.1, 1.0, 10.0, 1000.0])
    assert table["trails"].is_monotonic_increasing
    assert (table["trails"] + table["links"]).eq(60).all()
    assert table["trails_per_km"].tolist() == [0.1, 1.0, 10.0, 1000.0]
    assert table.loc[1, "trails"] == told.members["trail"].nunique()
    assert table["trails"].iloc[-1] == 60


def test_the_same_seed_gives_the_same_range() -> None:
    told = linking([{"x": 150.0 * i} for i in range(20)])
    first, second = (count_range(told, np.random.default_rng(7)) for _ in range(2))
    assert first == second


def test_bad_numbers_are_refused() -> None:
    told = linking([{"x": 0.0}, {"x": 9.0}])
    with pytest.raises(InputError, match="draws"):
        count_range(told, np.random.default_rng(1), draws=0)
    with pytest.raises(InputError, match="factor"):
        price_sensitivity(told, [1.0, 0.0])
