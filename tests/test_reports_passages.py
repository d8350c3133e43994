"""Passages and animals on the month's page: a range, a bound with its reason, never who."""

from __future__ import annotations

import pandas as pd
import pytest
from reporting_examples import all_text, make_country, month_report

from carnivore_sign.reports.passages import passage_blocks
from carnivore_sign.trails import CountRange, FewestAnimals, PassageSummary

TWO = pd.DataFrame(
    {"first": ["T1"], "second": ["T2"], "reason": ["apart"],
     "why": ["T1 and T2 lie 14.2 km apart and were made within 1.0 hours"]}
)  # fmt: skip
NONE = TWO.iloc[:0]


def summary(
    low: int, best: int, high: int, *, animals: int = 1, followed: int = 0, undated: int = 0
) -> PassageSummary:
    fewest = FewestAnimals(animals, ("T1", "T2")[:animals], TWO if animals > 1 else NONE)
    return PassageSummary(CountRange(best, low, high, 0.95, 100), fewest, followed, undated)


def text(passages: PassageSummary | None, *, named: bool = True) -> str:
    blocks = passage_blocks(passages, "puma", named=named)
    return " ".join(block.text for block in blocks)


def test_the_range_and_the_fewest_animals_are_said_with_the_reason() -> None:
    told = text(summary(9, 10, 12, animals=2))
    assert "10 trails are more likely puma than not." in told
    assert "between 9 and 12 passages" in told
    assert "At least 2 animals, if what was noted is right: T1 and T2 lie 14.2 km apart" in told
    assert "which animals they were, the trails do not tell" in told


def test_one_trail_and_one_animal() -> None:
    told = text(summary(1, 1, 1))
    assert "1 trail is more likely puma than not" in told
    assert "they are 1 passage." in told
    assert "One animal can have left them all; how many did is not known." in told


def test_no_trail_is_no_count() -> None:
    assert "none to count" in text(summary(0, 0, 0, animals=0))
    assert text(None) == ""


def test_followed_and_undated_trails_are_told() -> None:
    told = text(summary(4, 5, 6, followed=1, undated=2))
    assert "Of them, 1 was followed by hand and is taken as walked." in told
    assert "Of 2 of the 5 trails nothing on record says since when" in told
    assert "followed by hand" not in text(summary(4, 5, 6))
    assert "nothing on record" not in text(summary(4, 5, 6))


def test_a_reader_who_sees_no_places_gets_no_names_and_no_distances() -> None:
    told = text(summary(4, 5, 6, animals=2), named=False)
    assert "At least 2 animals" in told
    assert "too far apart for one animal" in told
    assert "T1" not in told
    assert "14.2" not in told


@pytest.mark.parametrize("given", [True, False])
def test_it_stands_on_the_month_page_where_it_was_counted(given: bool) -> None:
    passages = summary(9, 10, 12) if given else None
    page = all_text(month_report(make_country(), passages=passages))
    assert ("between 9 and 12 passages" in page) is given
