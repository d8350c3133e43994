"""Observers tested on known prints: their rates, their confidence, and what their word weighs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss
from sklearn.metrics import log_loss as sklearn_log_loss

from carnivore_sign.errors import EstimateError, FileUnreadable, InputError
from carnivore_sign.identify import (
    brier_score,
    calibration_line,
    check_answers,
    confidence_reliability,
    confidence_scores,
    fit_observers,
    load_evidence,
    log_loss,
    observer_rates,
    pool_evidence,
    read_answers,
    recalibrate_confidence,
    reliability,
    share_limits,
    skill_table,
    to_probabilities,
    weigh_sign,
    weigh_sign_parts,
    word_log_likelihood,
)
from carnivore_sign.records.vocabularies import TAXA

EVIDENCE = load_evidence("dry_range")
NOBODY = pd.DataFrame(columns=["observer", "taxon", "named_as", "confidence"])


def answered(
    observer: str, taxon: str, named_as: str | None, count: int, confidence: float = np.nan
) -> pd.DataFrame:
    row = {"observer": observer, "taxon": taxon, "named_as": named_as, "confidence": confidence}
    return pd.DataFrame([row] * count)


def counted(hits: int, of: int, false: int, of_dogs: int, observer: str = "Ann") -> pd.DataFrame:
    """An observer who found `hits` of so many pumas and called `false` dogs puma."""
    return pd.concat(
        [
            answered(observer, "puma", "puma", hits),
            answered(observer, "puma", "dog", of - hits),
            answered(observer, "dog", "puma", false),
            answered(observer, "dog", "dog", of_dogs - false),
        ],
        ignore_index=True,
    )


def drawn_answers(rng: np.random.Generator, prints: int, *, slope: float) -> pd.DataFrame:
    """Answers of one observer whose name is right with logit = 0.5 + slope * logit(stated)."""
    stated = rng.choice([0.55, 0.7, 0.8, 0.9, 0.95], prints)
    right = rng.random(prints) < 1 / (1 + np.exp(-0.5 - slope * np.log(stated / (1 - stated))))
    taxon = rng.choice(["puma", "dog"], prints)
    other = np.where(taxon == "puma", "dog", "puma")
    named = np.where(right, taxon, other)
    return pd.DataFrame({"observer": "Ann", "print": range(prints), "taxon": taxon,
                         "named_as": named, "confidence": stated})  # fmt: skip


def word(
    skill_of: pd.DataFrame, named_as: str, *, observer: str = "Ann", confidence: float = np.nan
) -> pd.Series:
    sign = pd.DataFrame({"named_as": [named_as], "observer": observer, "confidence": confidence})
    said = word_log_likelihood(sign, EVIDENCE, fit_observers(skill_of, EVIDENCE))
    return pd.Series(said[:, 0], index=list(TAXA))


# The plain counts and scores.


def test_rates_have_the_limits_that_newcombe_printed() -> None:
    # Wilson 95 %: 81/263 (0.2553, 0.3662), 15/148 (0.0624, 0.1605): Newcombe 1998, Stat Med
    # 17:857-872, Table I.
    rates = observer_rates(counted(81, 263, 15, 148)).set_index("taxon").loc["puma"]
    limits = rates[["sensitivity_low", "sensitivity_high"]].astype(float)
    assert limits.to_numpy() == pytest.approx([0.2553, 0.3662], abs=5e-5)
    limits = rates[["false_positive_low", "false_positive_high"]].astype(float)
    assert limits.to_numpy() == pytest.approx([0.0624, 0.1605], abs=5e-5)
    assert rates["shown"] == 263
    assert rates["named_wrongly"] == 15


def test_a_rate_of_nothing_shown_is_missing_and_its_limits_say_nothing() -> None:
    rates = observer_rates(answered("Ann", "dog", "lynx", 3)).set_index("taxon").loc["lynx"]
    assert np.isnan(rates["sensitivity"])
    assert share_limits(0, 0) == (0.0, 1.0)


def test_brier_and_log_loss_and_the_curve_are_those_of_scikit_learn() -> None:
    answers = drawn_answers(np.random.default_rng(3), 400, slope=0.6)
    answers["confidence"] -= 0.02  # off the bounds of the bins, which the two close otherwise
    stated, right = answers["confidence"], answers["named_as"].eq(answers["taxon"])
    scores = confidence_scores(answers).iloc[0]
    assert scores["brier_score"] == pytest.approx(brier_score_loss(right, stated))
    assert scores["log_loss"] == pytest.approx(sklearn_log_loss(right, stated))
    share, mean = calibration_curve(right, stated, n_bins=10)
    ours = confidence_reliability(answers, edges=tuple(np.linspace(0, 1, 11)))
    assert ours["share_true"].to_numpy() == pytest.approx(share)
    assert ours["mean_stated"].to_numpy() == pytest.approx(mean)
    assert ours["count"].sum() == 400


def test_the_calibration_line_is_that_of_a_plain_logistic_regression() -> None:
    rng = np.random.default_rng(8)
    p = rng.uniform(0.05, 0.95, 500)
    truth = rng.random(500) < p**2
    line = calibration_line(p, truth)
    theirs = LogisticRegression(C=1e9, tol=1e-8).fit(np.log(p / (1 - p))[:, None], truth)
    assert line.slope == pytest.approx(theirs.coef_.item(), rel=1e-3)
    assert line.intercept == pytest.approx(theirs.intercept_.item(), abs=1e-3)


def test_stated_confidence_as_published_gives_the_published_curve() -> None:
    # "100 % sure" right 129 of 129; "95 %" 96 % of 174; "90 %" 88 % of 62 (truth from DNA):
    # Prugh & Ritland 2005, Wildl Soc Bull 33:189-194.
    published = [(1.0, 129, 129), (0.95, 167, 174), (0.90, 55, 62)]
    answers = pd.concat(
        answered("P", "coyote", named, count, stated)
        for stated, right, of in published
        for named, count in (("coyote", right), ("dog", of - right))
    )
    curve = confidence_reliability(answers, edges=(0.0, 0.925, 0.975, 1.0))
    assert curve["count"].tolist() == [62, 174, 129]
    assert curve["share_true"].round(2).tolist() == [0.89, 0.96, 1.0]
    assert curve["low"].iloc[2] == pytest.approx(0.971, abs=1e-3)  # 129 of 129 is not certainty
    skill = fit_observers(answers, EVIDENCE)
    told = recalibrate_confidence([0.90, 0.95, 1.0], skill, "P")
    assert told["right"].is_monotonic_increasing
    assert ((told["low"] < told["right"]) & (told["right"] < told["high"])).all()
    for row, (_, right, of) in zip(told.iloc[::-1].itertuples(), published, strict=True):
        low, high = share_limits(right, of)
        assert low - 0.01 < row.right < high + 0.01


@pytest.mark.parametrize(
    ("stated", "true", "error"),
    [([0.5], [True, False], InputError), ([1.5], [True], InputError), ([], [], InputError)],
)
def test_scores_refuse_what_are_no_probabilities(stated, true, error) -> None:
    with pytest.raises(error):
        brier_score(stated, true)


def test_no_line_is_fitted_where_all_came_out_alike_and_bins_must_rise() -> None:
    with pytest.raises(EstimateError, match="alike"):
        calibration_line([0.5, 0.6], [True, True])
    with pytest.raises(InputError, match="rise"):
        reliability([0.5], [True], edges=(0.0, 0.5, 0.5, 1.0))
    assert np.isfinite(log_loss([1.0], [False]))


# What a word weighs.


@pytest.mark.parametrize("confidence", [np.nan, 0.6, 0.99])
def test_without_a_test_a_word_weighs_what_it_weighed(confidence: float) -> None:
    # Two errors, 37 % missed and 26 % false (Evans et al. 2009, J Wildl Manage, abstract):
    # a prior of .10 becomes .2121, one of .50 becomes .7079.
    said = word(NOBODY, "puma", confidence=confidence)
    assert said["puma"] == 0
    assert said.drop("puma").to_numpy() == pytest.approx(-np.log(0.63 / 0.26))
    for prior, after in [(0.10, 0.2121), (0.50, 0.7079)]:
        p = to_probabilities(said.to_frame().T, {"puma": prior, "dog": 1 - prior})["p_puma"]
        assert p.item() == pytest.approx(after, abs=5e-5)


def test_a_long_test_with_those_two_errors_gives_the_published_probabilities() -> None:
    # The same example reached from answers: 63 of 100 found, 26 of 100 look-alikes called it.
    said = word(counted(6300, 10000, 2600, 10000), "puma")
    for prior, after in [(0.10, 0.2121), (0.50, 0.7079)]:
        p = to_probabilities(said.to_frame().T, {"puma": prior, "dog": 1 - prior})["p_puma"]
        assert p.item() == pytest.approx(after, abs=0.002)


def test_few_answers_are_drawn_to_what_ships_and_many_speak_for_themselves() -> None:
    odds = [
        float(np.exp(-word(counted(9 * n, 10 * n, n, 10 * n), "puma")["dog"])) for n in (1, 5, 100)
    ]
    assert 0.63 / 0.26 < odds[0] < odds[1] < odds[2]
    assert odds[2] == pytest.approx(9.0, rel=0.1)
    assert odds[0] < 5


def test_a_taxon_that_was_never_shown_is_taken_like_those_that_were() -> None:
    said = word(counted(90, 100, 4, 100), "puma")
    assert said["coyote"] == pytest.approx(said["dog"], abs=0.35)


def test_who_mixes_up_pumas_with_dogs_only_speaks_the_more_against_coyotes() -> None:
    answers = pd.concat([counted(90, 100, 30, 100), answered("Ann", "coyote", "coyote", 100)])
    said = word(answers, "puma")
    assert said["coyote"] < said["dog"] - 1


def test_an_untested_observer_is_taken_like_those_who_were_tested() -> None:
    answers = pd.concat([counted(95, 100, 5, 100, "Ann"), counted(55, 100, 45, 100, "Bob")])
    ann, stranger, bob = (
        -word(answers, "puma", observer=who)["dog"] for who in ("Ann", "?", "Bob")
    )
    assert ann > stranger > bob
    assert bob > 0


def test_a_perfect_score_never_moves_the_odds_past_twenty_to_one() -> None:
    said = word(counted(5000, 5000, 0, 5000), "puma")
    assert np.ptp(said.to_numpy()) == pytest.approx(np.log(20))


def test_confidence_that_says_something_moves_the_odds_and_empty_confidence_does_not() -> None:
    rng = np.random.default_rng(5)
    telling, empty = (drawn_answers(rng, 1500, slope=slope) for slope in (0.9, 0.0))
    for answers, apart in ((telling, True), (empty, False)):
        low, high = (-word(answers, "puma", confidence=c)["dog"] for c in (0.55, 0.95))
        assert (high - low > 1.0) == apart
        none = -word(answers, "puma")["dog"]
        assert low - 0.1 < none < high + 0.1


def test_the_recalibrated_curve_recovers_the_true_one_and_its_limits_hold_it() -> None:
    stated = np.array([0.55, 0.7, 0.8, 0.9, 0.95])
    truth = 1 / (1 + np.exp(-0.5 - 0.6 * np.log(stated / (1 - stated))))
    held = []
    for seed in range(60):
        answers = drawn_answers(np.random.default_rng(100 + seed), 150, slope=0.6)
        told = recalibrate_confidence(stated, fit_observers(answers, EVIDENCE), "Ann")
        held.append(told["low"].lt(truth) & told["high"].gt(truth))
    assert 0.90 < np.mean(held) <= 1.0  # 95 % limits, 300 of them, drawn a little to no slope
    many = drawn_answers(np.random.default_rng(1), 20_000, slope=0.6)
    told = recalibrate_confidence(stated, fit_observers(many, EVIDENCE), "Ann")
    assert told["right"].to_numpy() == pytest.approx(truth, abs=0.02)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), max_size=30))
def test_recalibrated_confidence_never_falls_and_its_limits_narrow_with_answers(
    given_answers: list[tuple[float, bool]],
) -> None:
    rows = [
        {"observer": "Ann", "taxon": "puma", "named_as": "puma" if right else "dog",
         "confidence": stated} for stated, right in given_answers
    ]  # fmt: skip
    answers = pd.DataFrame(rows, columns=list(NOBODY.columns))
    told = recalibrate_confidence(np.linspace(0, 1, 11), fit_observers(answers, EVIDENCE), "Ann")
    assert (np.diff(told["right"]) >= -1e-9).all()
    assert told["right"].between(0.0, 1.0).all()
    thrice = pd.concat([answers] * 3)
    again = recalibrate_confidence([0.8], fit_observers(thrice, EVIDENCE), "Ann")
    once = recalibrate_confidence([0.8], fit_observers(answers, EVIDENCE), "Ann")
    assert np.isfinite((again["high"] - again["low"]).item())
    assert (once["high"] > once["low"]).all()


def test_words_of_tested_observers_are_calibrated_where_the_shipped_rates_are_timid() -> None:
    # Observers who err 12 % of the time, as those of the demo country do; half pumas.
    rng = np.random.default_rng(11)

    def named(count: int) -> pd.DataFrame:
        taxon = rng.choice(["puma", "dog"], count)
        wrong = rng.random(count) < 0.12
        other = np.where(taxon == "puma", "dog", "puma")
        return pd.DataFrame({"observer": "Ann", "taxon": taxon, "confidence": np.nan,
                             "named_as": np.where(wrong, other, taxon)})  # fmt: skip

    skill = fit_observers(named(200), EVIDENCE)
    season = named(4000)
    truth = season["taxon"].eq("puma").to_numpy()
    losses = {}
    for name, tested in (("tested", skill), ("shipped", None)):
        said = word_log_likelihood(season, EVIDENCE, tested)
        p = to_probabilities(pd.DataFrame(said.T, columns=list(TAXA)), {"puma": 0.5, "dog": 0.5})[
            "p_puma"
        ].to_numpy()
        losses[name] = log_loss(p, truth), calibration_line(p, truth).slope
    assert losses["tested"][0] < losses["shipped"][0]
    assert losses["tested"][1] == pytest.approx(1.0, abs=0.2)
    assert losses["shipped"][1] > 1.8


def test_the_table_of_skill_shows_what_is_weighed() -> None:
    skill = fit_observers(counted(90, 100, 10, 100), EVIDENCE)
    table = skill_table(skill).set_index(["observer", "taxon"])
    ann = table.loc[("Ann", "puma")]
    assert ann["sensitivity_low"] < ann["sensitivity"] < ann["sensitivity_high"]
    assert ann["odds"] == pytest.approx(
        float(np.exp(-word(counted(90, 100, 10, 100), "puma")["dog"]))
    )
    stranger = table.loc[("not tested", "puma")]
    assert stranger["sensitivity_high"] - stranger["sensitivity_low"] > 2 * (
        ann["sensitivity_high"] - ann["sensitivity_low"]
    )


# The word in a season.

CLEAR = {"leading_toe": "one_leads", "pad_rear_edge": "three_lobes", "claws": "none"}


def season(named_as: str | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    sign = pd.DataFrame({"sign": ["A", "B"], "named_as": named_as, "observer": "Ann",
                         "confidence": 0.9, "kind": "track"})  # fmt: skip
    return sign, pd.DataFrame([{**CLEAR, "sign": "A"}])


def test_a_tested_word_stands_beside_the_characters_and_neither_is_counted_whole() -> None:
    skill = fit_observers(counted(90, 100, 10, 100), EVIDENCE)
    bare, named, contrary = (
        weigh_sign(*season(name), EVIDENCE, observers=skill) for name in (None, "puma", "dog")
    )
    odds = [one.loc["A", "puma"] - one.loc["A", "dog"] for one in (contrary, bare, named)]
    assert odds[0] < odds[1] < odds[2]
    alone = named.loc["B", "puma"] - named.loc["B", "dog"]
    assert alone == pytest.approx(np.log((90 + 6.3) / (10 + 2.6)))  # ten prints as shipped
    assert odds[2] < odds[1] + alone
    untested = weigh_sign(*season("puma"), EVIDENCE)
    assert untested.loc["A"].equals(weigh_sign(*season(None), EVIDENCE).loc["A"])


def test_a_sign_without_a_name_is_the_same_to_the_bit_with_a_test_and_without() -> None:
    skill = fit_observers(counted(90, 100, 10, 100), EVIDENCE)
    with_test = weigh_sign(*season(None), EVIDENCE, observers=skill)
    assert (
        with_test.to_numpy().tobytes() == weigh_sign(*season(None), EVIDENCE).to_numpy().tobytes()
    )


def test_one_observer_naming_five_sign_of_one_trail_judges_once() -> None:
    skill = fit_observers(counted(90, 100, 10, 100), EVIDENCE)
    sign = pd.DataFrame({"sign": list("ABCDE"), "named_as": "puma", "observer": "Ann"})
    parts = weigh_sign_parts(sign, pd.DataFrame(columns=["sign"]), EVIDENCE, observers=skill)
    trail = pd.Series("T", index=parts.together.index)
    once = parts.together.iloc[0]
    pooled = pool_evidence(parts.together, trail, words=parts.words).loc["T"]
    assert pooled.to_numpy() == pytest.approx(once.to_numpy())
    assert pool_evidence(parts.together, trail).loc["T", "dog"] < 1.5 * once["dog"]


def test_parts_pool_to_the_same_as_the_whole_where_nobody_named_anything() -> None:
    parts = weigh_sign_parts(*season(None), EVIDENCE)
    trail = pd.Series("T", index=parts.together.index)
    split = pool_evidence(parts.together, trail, words=parts.words)
    assert split.equals(pool_evidence(parts.together, trail))
    assert (parts.words.to_numpy() == 0).all()


# Answers as they come.


def test_answers_are_read_with_bad_rows_set_aside(tmp_path: Path) -> None:
    path = tmp_path / "answers.csv"
    path.write_text(
        "observer,print,taxon,named_as,confidence\n"
        "Ann,1,puma,Mountain lion,0.9\n"
        "Ann,2,dog,not sure,\n"
        "Ann,3,dog,weasel,0.5\n"
        "Ann,1,puma,dog,0.9\n"
        "Ann,5,dog,dog,90\n"
        ",6,dog,dog,0.9\n"
        "Bob,1,puma,puma,much\n"
        "Bob,2,,puma,0.6\n",
        encoding="utf-8-sig",
    )
    answers, aside = read_answers(path)
    assert len(answers) + len(aside) == 8
    assert answers["named_as"].tolist()[0] == "puma"
    assert answers["named_as"].isna().tolist() == [False, True]
    assert aside["row"].tolist() == [3, 4, 5, 6, 7, 8]
    told = " | ".join(aside["reason"])
    for words in ("'weasel' is no taxon", "answered that print before", "'90' is not 0 to 1",
                  "names no observer", "'much'", "taxon '' is no taxon"):  # fmt: skip
        assert words in told


def test_a_file_that_is_no_table_of_answers_is_named_and_explained(tmp_path: Path) -> None:
    path = tmp_path / "other.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match=r"other\.csv.*no column observer, print"):
        read_answers(path)
    with pytest.raises(FileUnreadable, match="missing"):
        read_answers(tmp_path / "missing.csv")


def test_numbers_as_well_as_text_can_be_handed_in() -> None:
    table = pd.DataFrame({"observer": ["A"], "print": [3], "taxon": ["dog"], "named_as": ["dog"]})
    answers = check_answers(table).answers
    assert answers["print"].tolist() == ["3"]
    assert answers["confidence"].isna().all()
