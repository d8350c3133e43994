"""Characters of one print: what was not seen says nothing, and no character decides."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    Evidence,
    character_weights,
    load_evidence,
    to_probabilities,
    weigh_characters,
)
from carnivore_sign.identify.tempering import cap_odds, share_kept
from carnivore_sign.records.vocabularies import CHARACTERS, FEET, MEASURES, NOT_VISIBLE, TAXA

EVIDENCE = load_evidence("dry_range")
LIMIT = np.log(20) + 1e-9

# A schematic print of each, drawn from the rules that are taught; common practice, no source.
PUMA = {
    "leading_toe": "one_leads", "toe_shape": "teardrop", "outer_toes": "smooth",
    "pad_rear_edge": "three_lobes", "pad_front_edge": "two_lobes_or_flat",
    "toes_in_pad": "about_four", "pad_texture": "smooth", "claws": "none",
    "negative_space": "c_shape", "outline": "rounder",
}  # fmt: skip
DOG = {
    "leading_toe": "level", "toe_shape": "round_or_oval", "outer_toes": "angular",
    "pad_rear_edge": "single_curve", "pad_front_edge": "single_point",
    "toes_in_pad": "two_or_three", "pad_texture": "pebbled", "claws": "blunt_joined",
    "negative_space": "h_shape", "outline": "longer",
}  # fmt: skip

noted_prints = st.fixed_dictionaries(
    {name: st.sampled_from([*states, NOT_VISIBLE]) for name, states in CHARACTERS.items()}
    | {measure: st.none() | st.floats(5, 300) for measure in MEASURES}
    | {"foot": st.none() | st.sampled_from(FEET)}
)


def odds(said: pd.DataFrame, taxon: str = "puma", against: str = "dog") -> pd.Series:
    return said[taxon] - said[against]


@pytest.mark.parametrize("hidden", [NOT_VISIBLE, None])
@pytest.mark.parametrize("character", CHARACTERS)
def test_what_was_not_visible_leaves_every_bit_of_the_odds(
    character: str, hidden: str | None
) -> None:
    with_it = pd.DataFrame([{**PUMA, "length_mm": 88.0, character: hidden}])
    without = with_it.drop(columns=character)
    a, b = weigh_characters(with_it, EVIDENCE), weigh_characters(without, EVIDENCE)
    assert a.to_numpy().tobytes() == b.to_numpy().tobytes()
    assert np.abs(a.to_numpy()).max() > 1


@pytest.mark.parametrize("measure", MEASURES)
def test_a_size_that_was_not_measured_leaves_every_bit_of_the_odds(measure: str) -> None:
    seen = {**PUMA, **dict.fromkeys(MEASURES, 60.0)}
    a = weigh_characters(pd.DataFrame([{**seen, measure: np.nan}]), EVIDENCE)
    b = weigh_characters(pd.DataFrame([seen]).drop(columns=measure), EVIDENCE)
    assert a.to_numpy().tobytes() == b.to_numpy().tobytes()


def test_a_print_of_which_nothing_was_noted_says_exactly_nothing() -> None:
    blank = pd.DataFrame({"sign": ["A", "B"], "foot": ["left_front", None]})
    said = weigh_characters(blank, EVIDENCE)
    assert (said.to_numpy() == 0).all()
    after = to_probabilities(said, EVIDENCE.prior)
    assert np.allclose(after.to_numpy(), EVIDENCE.prior.to_numpy(), atol=1e-15)


@settings(max_examples=150, deadline=None)
@given(noted=noted_prints, which=st.sampled_from([*CHARACTERS, *MEASURES]))
def test_seeing_one_more_character_never_moves_any_odds_past_twenty_to_one(
    noted: dict[str, object], which: str
) -> None:
    hidden = {**noted, which: None}
    said = weigh_characters(pd.DataFrame([noted, hidden]), EVIDENCE).to_numpy()
    moved = said[0] - said[1]
    assert np.ptp(moved) <= LIMIT


def test_a_length_that_no_animal_has_moves_the_odds_to_the_cap_and_no_further() -> None:
    prints = pd.DataFrame({"length_mm": [3.0, 60.0, 499.0]})
    span = np.ptp(weigh_characters(prints, EVIDENCE).to_numpy(), axis=1)
    power = EVIDENCE.constant("groups_exponent")
    assert span[[0, 2]] == pytest.approx(np.log(20) * power)


def test_the_schematic_puma_and_the_schematic_dog_come_out_right() -> None:
    # Characters of puma and dog as they are taught: common practice, no source.
    sizes = [{"length_mm": 90, "width_mm": 88, "pad_width_mm": 50},
             {"length_mm": 90, "width_mm": 75, "pad_width_mm": 44}]  # fmt: skip
    prints = pd.DataFrame([{**PUMA, **sizes[0]}, {**DOG, **sizes[1]}])
    after = to_probabilities(weigh_characters(prints, EVIDENCE), EVIDENCE.prior)
    assert after["p_puma"].iloc[0] > 0.9
    assert after["p_dog"].iloc[1] > 0.9


def test_without_sizes_a_puma_cannot_be_told_from_a_bobcat() -> None:
    # Cats share their characters and differ in size: common practice, no source.
    said = weigh_characters(pd.DataFrame([PUMA]), EVIDENCE)
    assert abs(odds(said, against="bobcat").item()) < np.log(2)


def test_a_puma_with_claws_in_mud_and_a_dog_without_claws_do_not_flip() -> None:
    # Claws can register in deep mud (Florida FWC); a dog's may be worn or kept off the
    # ground (common practice, no source).
    prints = pd.DataFrame(
        [{**PUMA, "claws": "blunt_joined"}, {**DOG, "claws": "none"}], index=["mud", "dust"]
    )
    surfaces = pd.Series(prints.index, index=prints.index)
    said = odds(weigh_characters(prints, EVIDENCE, surfaces=surfaces))
    assert said["mud"] > np.log(20)
    assert said["dust"] < -np.log(20)


def test_claws_say_nothing_in_mud_and_something_on_dust() -> None:
    prints = pd.DataFrame({"claws": ["blunt_joined"] * 3}, index=["mud", "dust", "unknown"])
    surfaces = pd.Series(["mud", "dust", None], index=prints.index)
    said = weigh_characters(prints, EVIDENCE, surfaces=surfaces)
    assert (said.loc["mud"] == 0).all()
    assert odds(said)["dust"] < -1
    assert odds(said)["unknown"] == odds(said)["dust"]


def test_a_size_says_less_in_mud_and_still_less_in_snow() -> None:
    # In soft mud or wet snow a cat's track can look nearly twice its firm-ground size:
    # Elbroch, Kresky & Evans 2012.
    prints = pd.DataFrame({"length_mm": [88.0] * 3}, index=["dust", "mud", "snow"])
    surfaces = pd.Series(prints.index, index=prints.index)
    said = odds(weigh_characters(prints, EVIDENCE, surfaces=surfaces))
    assert said["dust"] > said["mud"] > said["snow"]


def test_the_foot_chooses_the_size_it_is_held_against() -> None:
    prints = pd.DataFrame({"length_mm": [150.0] * 3, "foot": ["left_hind", "left_front", None]})
    said = weigh_characters(prints, EVIDENCE)
    bear = odds(said, "black_bear", "other")
    assert bear[0] > bear[2] > bear[1]


def test_weights_add_up_to_the_log_likelihood_ratio() -> None:
    rng = np.random.default_rng(4)
    columns = {name: rng.choice([*states, NOT_VISIBLE], 50) for name, states in CHARACTERS.items()}
    prints = pd.DataFrame(columns).assign(length_mm=rng.uniform(50, 110, 50))
    why = character_weights(prints, EVIDENCE, taxon="puma", against="dog")
    assert list(why.columns) == [*CHARACTERS, *MEASURES]
    said = odds(weigh_characters(prints, EVIDENCE)) / np.log(10)
    assert np.allclose(why.sum(axis=1), said)
    assert (
        why.to_numpy()[(prints[list(CHARACTERS)] == NOT_VISIBLE).to_numpy().nonzero()] == 0
    ).all()


def test_blocks_of_rows_give_what_single_rows_give(monkeypatch: pytest.MonkeyPatch) -> None:
    prints = pd.DataFrame([PUMA, DOG, PUMA, DOG, DOG], index=list("abcde"))
    surfaces = pd.Series(["mud", "dust", None, "snow", "mud"], index=prints.index)
    whole = weigh_characters(prints, EVIDENCE, surfaces=surfaces)
    monkeypatch.setattr("carnivore_sign.identify.characters._BLOCK_ROWS", 2)
    pd.testing.assert_frame_equal(weigh_characters(prints, EVIDENCE, surfaces=surfaces), whole)


def test_a_word_that_is_no_state_is_refused_with_the_row_and_the_words_that_would_do() -> None:
    prints = pd.DataFrame({"claws": ["none", "sharp"]})
    with pytest.raises(InputError, match=r"row 1.*'sharp'.*claws.*blunt_joined"):
        weigh_characters(prints, EVIDENCE)


def test_surfaces_of_other_prints_and_unknown_taxa_are_refused() -> None:
    prints = pd.DataFrame([PUMA])
    with pytest.raises(InputError, match="index of the prints"):
        weigh_characters(prints, EVIDENCE, surfaces=pd.Series(["mud"], index=[7]))
    with pytest.raises(InputError, match="lion"):
        character_weights(prints, EVIDENCE, taxon="lion", against="dog")


def test_an_empty_table_gives_an_empty_table() -> None:
    said = weigh_characters(pd.DataFrame({"claws": pd.Series(dtype="str")}), EVIDENCE)
    assert said.shape == (0, len(TAXA))


@given(st.lists(st.floats(0.01, 5), min_size=1, max_size=30), st.floats(0, 1))
def test_witnesses_never_count_for_more_than_their_number_or_one_over_rho(
    strengths: list[float], rho: float
) -> None:
    s = np.array(strengths)
    kept = share_kept(np.array([s.sum()]), np.array([(s**2).sum()]), rho).item()
    assert 1 / (1 + (len(s) - 1) * rho) - 1e-9 <= kept <= 1


def test_share_kept_is_the_exact_answer_for_equal_normal_witnesses() -> None:
    # For n unit normals with correlation rho, means 0 and d: the log likelihood ratio is
    # d * 1' S^-1 (x - d/2). Recomputed here by linear algebra.
    n, rho, shift = 5, 0.35, 0.8
    x = np.random.default_rng(1).normal(size=n)
    covariance = np.full((n, n), rho) + (1 - rho) * np.eye(n)
    exact = shift * np.ones(n) @ np.linalg.solve(covariance, x - shift / 2)
    single = shift * (x - shift / 2)
    kept = share_kept(np.array([float(n)]), np.array([float(n)]), rho).item()
    assert single.sum() * kept == pytest.approx(exact)


def test_the_cap_keeps_the_order_and_the_best() -> None:
    said = cap_odds(np.array([[0.0, -5.0], [-9.0, -4.5], [-1.0, 3.0]]), to_one=20)
    assert said.max(axis=0).tolist() == [0.0, 0.0]
    assert said[:, 0].tolist() == [0.0, -np.log(20), -1.0]
    assert isinstance(EVIDENCE, Evidence)
