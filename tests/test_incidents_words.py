"""The words for probabilities have fixed meanings and cover everything."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from carnivore_sign.incidents import (
    PROBABILITY_WORDS,
    percent,
    probability_word,
    words_of_range,
)
from carnivore_sign.incidents.words import CANNOT_BE_TOLD, percent_range


def test_the_table_runs_from_0_to_1_without_a_gap() -> None:
    assert PROBABILITY_WORDS[0].at_least == 0
    assert PROBABILITY_WORDS[-1].below > 1
    for one, following in itertools.pairwise(PROBABILITY_WORDS):
        assert one.below == following.at_least


@pytest.mark.parametrize(
    ("probability", "word"),
    [
        (0, "very unlikely"),
        (0.0499, "very unlikely"),
        (0.05, "unlikely"),
        (0.5, "about as likely as not"),
        (0.949, "likely"),
        (0.95, "very likely"),
        (1, "very likely"),
        (math.nan, CANNOT_BE_TOLD),
    ],
)
def test_each_probability_has_its_word(probability: float, word: str) -> None:
    assert probability_word(probability) == word


def test_a_range_that_leaves_everything_open_gives_no_word() -> None:
    assert probability_word(0.9, 0.19, 0.95) == CANNOT_BE_TOLD
    assert probability_word(0.9, 0.21, 0.95) == "likely"


def test_no_probability_is_printed_as_certain() -> None:
    texts = {percent(p) for p in np.linspace(0, 1, 1001)}
    assert not texts & {"0 %", "100 %"}
    assert percent_range(0.0, 1.0) == "under 1 to over 99 %"
    assert percent_range(0.302, 0.304) == "30 %"


def test_ranges_are_printed_as_they_are_compared() -> None:
    assert [w.range_text for w in PROBABILITY_WORDS][:2] == ["less than 5 %", "5 to 20 %"]
    assert PROBABILITY_WORDS[-1].range_text == "95 % or more"


def test_a_number_near_a_bound_is_printed_on_its_own_side() -> None:
    assert percent(0.0463) == "4.6 %"
    assert percent(0.04999) == "just under 5 %"
    assert percent(0.496) == "49.6 %"  # just too little for a segment to be found, likely
    assert percent(0.052) == "5 %"
    for thousandth in range(6, 995):
        printed = percent(thousandth / 1000)
        number = float(printed.removesuffix(" %").removeprefix("just under ")) / 100
        assert probability_word(number) == probability_word(thousandth / 1000), printed


def test_a_range_over_several_words_names_both_ends() -> None:
    assert words_of_range(0.74, 0.61, 0.79) == "rather likely"
    assert words_of_range(0.74, 0.3, 0.76) == (
        "between \u201crather unlikely\u201d and \u201crather likely\u201d"
    )
    assert words_of_range(0.5, 0.1, 0.9) == CANNOT_BE_TOLD
    assert words_of_range(0.74, math.nan, math.nan) == "rather likely"
