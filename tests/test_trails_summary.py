"""What the trails of a month add up to: a range, a lower bound, and what is not known."""

from __future__ import annotations

import numpy as np
import pandas as pd
from test_trails_following import BEND, ROWS, line
from test_trails_linking import make_sign, shares

from carnivore_sign.trails import (
    LinkModel,
    PassageSummary,
    assign_followed,
    count_range,
    link_sign,
    make_trails,
    summarise_passages,
)

NO_PRINTS = pd.DataFrame(
    {name: pd.Series(dtype="str") for name in ("sign", "foot", "pad_width_mm")}
)


def summed(rows: list[dict[str, object]], p_puma: float = 0.9, **walk: object) -> PassageSummary:
    sign = make_sign([{"surface": None, **row} for row in rows])
    p = shares(sign, puma=[p_puma] * len(sign))
    walks = pd.DataFrame({"walk": "W", **walk}, index=sign["sign"])
    linking = link_sign(sign, p, walks, model=LinkModel(), trails_per_km=1.5)
    names = linking.members.groupby("trail", sort=False)["sign"].first()
    trails = make_trails(sign, linking.members, p.loc[names].set_axis(names.index))
    rng = np.random.default_rng(5)
    return summarise_passages(linking, trails, sign, NO_PRINTS, rng, taxon="puma")


def test_sure_trails_have_no_range_and_unsure_ones_have_one() -> None:
    sure = summed([{"x": 0.0}, {"x": 6_000.0}])
    assert (sure.passages.low, sure.passages.best, sure.passages.high) == (2, 2, 2)
    unsure = summed([{"x": 170.0 * n} for n in range(12)])
    assert unsure.passages.low <= unsure.passages.best <= unsure.passages.high
    assert unsure.passages.high > unsure.passages.low


def test_trails_of_other_taxa_do_not_count() -> None:
    told = summed([{"x": 0.0}, {"x": 6_000.0}], p_puma=0.2)
    assert (told.passages.best, told.fewest.count, told.undated) == (0, 0, 0)


def test_two_places_at_one_time_need_two_animals() -> None:
    fresh = {"age_min_h": 0.0, "age_max_h": 1.0}
    told = summed([{"x": 0.0, **fresh}, {"x": 60_000.0, **fresh}])
    assert told.fewest.count == 2
    assert told.undated == 0
    assert "60.0 km apart" in told.fewest.sentence()
    assert summed([{"x": 0.0}, {"x": 60_000.0}]).undated == 2


def test_followed_trails_are_told() -> None:
    sign = make_sign(ROWS)
    told = summed(ROWS, followed=assign_followed(sign, line("F1", *BEND)))
    assert told.followed == 1
    assert summed(ROWS).followed == 0


def test_a_range_among_some_sign_is_of_their_trails_alone() -> None:
    sign = make_sign([{"x": 170.0 * n} for n in range(12)])
    walks = pd.Series("W", index=sign["sign"])
    linking = link_sign(sign, shares(sign), walks, model=LinkModel(), trails_per_km=1.5)
    few = sign["sign"].iloc[:3].tolist()
    part = count_range(linking, np.random.default_rng(1), among=few)
    assert 1 <= part.low <= part.best <= part.high <= 3
    none = count_range(linking, np.random.default_rng(1), among=[])
    assert (none.low, none.best, none.high) == (0, 0, 0)
    everything = count_range(linking, np.random.default_rng(1), among=sign["sign"].tolist())
    assert everything == count_range(linking, np.random.default_rng(1))
