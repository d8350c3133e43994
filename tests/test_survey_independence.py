"""Independence of visits: published lynx visits, drawn surveys, and what is said of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.survey import published_independence, visits_independence


@pytest.mark.parametrize(
    ("once", "in_three", "multiplied"), [(0.23, 0.58, 0.5435), (0.78, 0.95, 0.9894)]
)
def test_lynx_visits_are_not_independent_and_the_software_says_so(
    once, in_three, multiplied
) -> None:
    # Squires et al. 2004, Can Field-Nat 118:583-589: lynx found on 8-km visits, 0.23 once and
    # 0.58 in three; 0.78 once and about 0.95 in three. The products follow by arithmetic.
    told = published_independence(once, in_three, visits=3)
    assert told.multiplied == pytest.approx(multiplied, abs=5e-5)
    assert not told.independent
    assert "not independent" in told.sentence
    assert "must not be multiplied" in told.sentence


def test_rounding_alone_is_no_contradiction() -> None:
    # 1 - 0.77^3 is 0.5435: printed as 0.54 it contradicts nothing.
    told = published_independence(0.23, 0.54, visits=3)
    assert told.independent
    assert "not contradicted" in told.sentence
    assert not published_independence(0.23, 0.54, visits=3, rounded_to=0.0001).independent


def survey(found):
    """Visits and detections from a matrix of units and visits, 1 where found."""
    units, times = found.shape
    visits = pd.DataFrame(
        {
            "visit": [f"u{u}v{v}" for u in range(units) for v in range(times)],
            "segment": np.repeat([f"u{u}" for u in range(units)], times),
        }
    )
    hits = visits.loc[found.ravel() > 0, "visit"]
    detections = pd.DataFrame({"visit": hits, "trail": hits, "p_puma": 1.0})
    return visits, detections


def test_a_hand_made_survey() -> None:
    # Two of four segments are found on all of three visits, and two on none: once 1/2, and in
    # two visits still 1/2, where independent ones would find 3/4.
    found = np.array([[1, 1, 1], [1, 1, 1], [0, 0, 0], [0, 0, 0]])
    told = visits_independence(*survey(found), of=2, rng=np.random.default_rng(1))
    assert (told.once, told.found, told.multiplied) == (0.5, 0.5, 0.75)
    # One find on three visits: in 2 of the 3 pairs.
    single = np.array([[1, 0, 0]] * 2)
    told = visits_independence(*survey(single), of=2, rng=np.random.default_rng(1))
    assert told.found == pytest.approx(2 / 3)


def test_independent_surveys_are_called_so_as_often_as_stated_and_others_are_not() -> None:
    rng = np.random.default_rng(9)
    said, seen = [], []
    for _ in range(100):
        even = rng.random((60, 4)) < 0.4
        said.append(visits_independence(*survey(even), of=3, rng=rng, draws=400).independent)
        used = rng.random((60, 1)) < 0.5
        uneven = used & (rng.random((60, 4)) < 0.8)
        seen.append(visits_independence(*survey(uneven), of=3, rng=rng, draws=400).independent)
    assert 0.88 < np.mean(said) < 0.995
    assert np.mean(seen) < 0.02


def test_trails_in_doubt_are_no_finds_and_too_few_visits_are_told() -> None:
    visits, detections = survey(np.ones((3, 2)))
    doubtful = detections.assign(p_puma=0.6)
    assert visits_independence(visits, doubtful, of=2, rng=np.random.default_rng(1)).once == 0
    with pytest.raises(NothingSurveyed, match="have 3 visits"):
        visits_independence(visits, detections, of=3, rng=np.random.default_rng(1))
    with pytest.raises(InputError, match="two or more"):
        visits_independence(visits, detections, of=1, rng=np.random.default_rng(1))
    with pytest.raises(InputError, match="between 0 and 1"):
        published_independence(1.2, 0.5, visits=3)
