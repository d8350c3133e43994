"""Probabilities, likelihood ratios, plain words, and what would settle it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    CERTAINTY_CLASSES,
    PRIORS_SHOWN,
    certainty_class,
    likelihood_ratio,
    load_evidence,
    most_informative_unseen,
    over_priors,
    to_probabilities,
    turning_priors,
    weigh_characters,
)
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    LIKELY_FROM,
    SURE_FROM,
    TAXA,
    UNLIKELY_BELOW,
)

EVIDENCE = load_evidence("dry_range")
COLUMNS = [taxon_column(taxon) for taxon in TAXA]


def frame(values: object) -> pd.DataFrame:
    return pd.DataFrame(values, columns=list(TAXA))


@given(arrays(float, (4, len(TAXA)), elements=st.floats(-700, 700)))
def test_rows_sum_to_one_and_a_constant_per_row_changes_nothing(values: np.ndarray) -> None:
    after = to_probabilities(frame(values), EVIDENCE.prior)
    assert list(after.columns) == COLUMNS
    assert np.allclose(after.sum(axis=1), 1.0)
    assert np.allclose(to_probabilities(frame(values + 3.0), EVIDENCE.prior), after, atol=1e-9)


def test_nothing_seen_gives_the_prior_and_no_prior_means_equal_shares() -> None:
    flat = frame(np.zeros((1, len(TAXA))))
    assert np.allclose(to_probabilities(flat, EVIDENCE.prior), EVIDENCE.prior.to_numpy())
    assert np.allclose(to_probabilities(flat), 1 / len(TAXA))


def test_a_taxon_that_cannot_be_there_gets_exactly_nothing() -> None:
    said = frame(np.zeros((1, len(TAXA)))).assign(wolf=50.0)
    after = to_probabilities(said, EVIDENCE.prior)
    assert after["p_wolf"].item() == 0
    assert after.sum(axis=1).item() == pytest.approx(1)


def test_bayes_rule_by_hand() -> None:
    # Odds form: 0.1/0.9 prior odds times 9 to one gives even odds. Arithmetic.
    said = frame(np.zeros((1, len(TAXA)))).assign(puma=np.log(9.0))
    after = to_probabilities(said, {"puma": 0.1, "dog": 0.9})
    assert after["p_puma"].item() == pytest.approx(0.5)


def test_the_likelihood_ratio_takes_the_prior_out_again() -> None:
    said = frame(np.zeros((3, len(TAXA)))).assign(puma=[0.0, np.log(9.0), -1.0])
    for prior in ({"puma": 0.1, "dog": 0.9}, {"puma": 0.6, "dog": 0.3, "lynx": 0.1}):
        ratio = likelihood_ratio(to_probabilities(said, prior), prior, "puma")
        assert np.allclose(ratio, np.exp(said["puma"]))


def test_a_certain_sign_has_an_infinite_ratio_and_a_fixed_prior_has_none() -> None:
    after = pd.DataFrame({"p_puma": [1.0, 0.0]})
    ratio = likelihood_ratio(after, {"puma": 0.5, "dog": 0.5}, "puma")
    assert ratio.tolist() == [np.inf, 0.0]
    with pytest.raises(InputError, match="wolf"):
        likelihood_ratio(pd.DataFrame({"p_wolf": [0.0]}), EVIDENCE.prior, "wolf")


def test_missing_log_likelihoods_are_refused_by_name() -> None:
    broken = frame(np.zeros((2, len(TAXA))))
    broken.index = ["A", "B"]
    broken.loc["B", "dog"] = np.nan
    with pytest.raises(InputError, match="'B'"):
        to_probabilities(broken)


def test_words_change_at_their_cut_offs_and_nowhere_else() -> None:
    just_below = [np.nextafter(edge, 0) for edge in (UNLIKELY_BELOW, LIKELY_FROM, SURE_FROM)]
    at = [UNLIKELY_BELOW, LIKELY_FROM, SURE_FROM]
    assert certainty_class(pd.Series(just_below)).tolist() == list(CERTAINTY_CLASSES[:3])
    assert certainty_class(pd.Series(at)).tolist() == list(CERTAINTY_CLASSES[1:])
    assert certainty_class(pd.Series([0.0, 1.0])).tolist() == ["unlikely", "sure"]


def test_a_missing_probability_stays_missing_and_a_wrong_one_is_refused() -> None:
    words = certainty_class(pd.Series([0.5, np.nan], index=["A", "B"]))
    assert words["A"] == "undecided"
    assert pd.isna(words["B"])
    with pytest.raises(InputError, match="between 0 and 1"):
        certainty_class(pd.Series([1.2]))


def test_the_unseen_character_worth_most_is_one_that_separates_what_is_in_doubt() -> None:
    prints = pd.DataFrame({"length_mm": [90.0], "pad_width_mm": [50.0]}, index=["first"])
    found = most_informative_unseen(prints, EVIDENCE)
    assert set(found["character"]) == {*CHARACTERS, "width_mm"}
    assert (found["row"] == "first").all()
    assert found["expected_bits"].is_monotonic_decreasing
    assert found["expected_bits"].iloc[0] > 0.2
    assert found["character"].iloc[0] in {"claws", "negative_space"}


def test_what_was_seen_or_says_nothing_there_is_not_asked_for() -> None:
    prints = pd.DataFrame(
        {"claws": ["none", "not_visible"], "outline": [None, "longer"]}, index=["A", "B"]
    )
    surfaces = pd.Series(["dust", "mud"], index=prints.index)
    found = most_informative_unseen(prints, EVIDENCE, surfaces=surfaces)
    asked = found.groupby("row")["character"].agg(set)
    assert "claws" not in asked["A"]
    assert not {"claws", "outline", "pad_texture"} & asked["B"]
    assert "outline" in asked["A"]


def test_expected_information_is_the_mean_fall_of_entropy_computed_by_hand() -> None:
    # Nothing seen yet, two taxa even, one character: mutual information of a 2 x 2 table.
    found = most_informative_unseen(
        pd.DataFrame(index=[0]), EVIDENCE, prior={"puma": 0.5, "dog": 0.5}
    ).set_index("character")["expected_bits"]
    shares = EVIDENCE.characters.loc["leading_toe", ["puma", "dog"]].to_numpy(float)
    power = EVIDENCE.constant("groups_exponent")

    def entropy(p: np.ndarray) -> float:
        return float(-(p * np.log2(p)).sum())

    tempered = shares**power / (shares**power).sum(axis=1, keepdims=True)
    after = sum(shares.mean(axis=1)[k] * entropy(tempered[k]) for k in range(2))
    assert found["leading_toe"] == pytest.approx(1 - after)


def test_a_size_that_would_settle_most_is_asked_for_and_its_worth_is_that_of_many_draws() -> None:
    # A print like a cat's: puma or bobcat, which differ in size (common practice, no source).
    cat = {"leading_toe": "one_leads", "toe_shape": "teardrop", "claws": "none",
           "pad_rear_edge": "three_lobes", "negative_space": "c_shape"}  # fmt: skip
    prior = {"puma": 0.5, "bobcat": 0.5}
    prints = pd.DataFrame([cat])
    found = most_informative_unseen(prints, EVIDENCE, prior=prior)
    assert found["character"].iloc[0] in {"length_mm", "width_mm", "pad_width_mm"}
    now = to_probabilities(weigh_characters(prints, EVIDENCE), prior).to_numpy()[0]
    rng = np.random.default_rng(2)
    taxa = rng.choice(len(TAXA), size=4000, p=now)
    sizes = EVIDENCE.sizes.xs("length_mm", level="measure").xs("unknown", level="foot")
    sizes = sizes.loc[list(TAXA)].to_numpy()[taxa, :2].astype(float)
    drawn = np.maximum(sizes[:, 0] + sizes[:, 1] * rng.standard_normal(4000), 1.0)
    tried = pd.DataFrame([cat] * 4000).assign(length_mm=drawn)
    after = to_probabilities(weigh_characters(tried, EVIDENCE), prior).to_numpy()

    def bits(p: np.ndarray) -> np.ndarray:
        return -(p * np.log2(np.where(p > 0, p, 1.0))).sum(axis=-1)

    worth = found.set_index("character").loc["length_mm", "expected_bits"]
    assert worth == pytest.approx(bits(now) - bits(after).mean(), abs=0.06)


def test_what_was_measured_is_not_asked_for() -> None:
    prints = pd.DataFrame(
        {"leading_toe:one_leads": [1.0, np.nan], "leading_toe:level": [0.1, np.nan]},
        index=["measured", "not"],
    )
    asked = most_informative_unseen(prints, EVIDENCE).groupby("row")["character"].agg(set)
    assert "leading_toe" not in asked["measured"]
    assert "leading_toe" in asked["not"]


def test_the_word_changes_exactly_at_its_turning_prior() -> None:
    rng = np.random.default_rng(6)
    said = frame(rng.normal(0, 2, (20, len(TAXA))))
    turning = turning_priors(said, "puma", EVIDENCE.prior)
    assert (turning["undecided_from"] < turning["likely_from"]).all()
    assert (turning["likely_from"] < turning["sure_from"]).all()
    for row, ends in turning.iterrows():
        for name, word in (("undecided_from", "undecided"), ("likely_from", "likely"),
                           ("sure_from", "sure")):  # fmt: skip
            edge = float(ends[name])
            near = (max(edge - 1e-9, 1e-12), min(edge + 1e-9, 1 - 1e-12))
            told = over_priors(said.loc[[row]], "puma", EVIDENCE.prior, priors=near)
            assert told["certainty"].tolist()[1] == word
            assert told["certainty"].tolist()[0] != word


def test_over_the_priors_the_probability_rises_and_the_others_keep_their_shares() -> None:
    said = frame(np.random.default_rng(7).normal(0, 1, (3, len(TAXA))))
    told = over_priors(said, "puma", EVIDENCE.prior)
    for _, rows in told.groupby("row"):
        assert rows["prior"].tolist() == list(PRIORS_SHOWN)
        assert rows["probability"].is_monotonic_increasing
    own = float(EVIDENCE.prior["puma"])
    same = over_priors(said, "puma", EVIDENCE.prior, priors=(own,))["probability"]
    assert np.allclose(same, to_probabilities(said, EVIDENCE.prior)["p_puma"])


@pytest.mark.parametrize(("taxon", "share"), [("lion", 0.5), ("puma", 0.0), ("puma", 1.0)])
def test_a_prior_that_makes_no_sense_is_refused(taxon: str, share: float) -> None:
    with pytest.raises(InputError, match="makes no sense"):
        over_priors(frame(np.zeros((1, len(TAXA)))), taxon, EVIDENCE.prior, priors=(share,))
