"""Evidence from known prints: nothing with none, the truth with many, and in between in between."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from identify_worlds import draw_world
from scipy.stats import beta

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    PRIOR_PRINTS,
    Evidence,
    calibration_line,
    check_collection,
    check_prior,
    estimate_evidence,
    load_evidence,
    log_loss,
    to_probabilities,
    weigh_characters,
)
from carnivore_sign.records.vocabularies import CHARACTERS, TAXA

SHIPPED = load_evidence()
HALF = check_prior({"puma": 0.5, "dog": 0.5})


def other_ground() -> Evidence:
    """A country whose prints are not like the working values: flatter, and dogs larger."""
    shares = SHIPPED.characters.copy()
    for name, states in CHARACTERS.items():
        rows = [(name, state) for state in states]
        old = shares.loc[rows, list(TAXA)].astype(float)
        shares.loc[rows, list(TAXA)] = 0.5 * old + 0.5 / len(states)
    sizes = SHIPPED.sizes.copy()
    dogs = sizes.index.get_level_values("taxon") == "dog"
    sizes.loc[dogs, "mean_mm"] = sizes.loc[dogs, "mean_mm"] + 12.0
    sizes.loc[dogs, "sd_mm"] = sizes.loc[dogs, "sd_mm"] * 0.6
    return dataclasses.replace(SHIPPED, characters=shares, sizes=sizes)


GROUND = other_ground()


def known_prints(trails: int, seed: int) -> pd.DataFrame:
    """Known prints of that country: every trail an animal."""
    world = draw_world(GROUND, HALF, np.random.default_rng(seed), trails=trails)
    trail = world.trail_of.to_numpy()[world.prints["sign"]]
    return world.prints.drop(columns="sign").assign(taxon=world.taxon[trail], animal=trail)


def distance(evidence: Evidence, other: Evidence) -> float:
    shares = (evidence.characters[["puma", "dog"]] - other.characters[["puma", "dog"]]).abs()
    return float(shares.to_numpy(float).mean())


def test_without_prints_every_number_is_what_ships() -> None:
    told = estimate_evidence(check_collection(pd.DataFrame({"taxon": []})).prints, SHIPPED)
    pd.testing.assert_frame_equal(told.evidence.characters, SHIPPED.characters)
    pd.testing.assert_frame_equal(told.evidence.sizes, SHIPPED.sizes)
    assert told.numbers["estimate"].tolist() == told.numbers["shipped"].tolist()
    assert not told.evidence.cap_of
    prints = pd.DataFrame({"claws": ["none"], "length_mm": [88.0]})
    ours, theirs = (weigh_characters(prints, one) for one in (told.evidence, SHIPPED))
    assert ours.to_numpy().tobytes() == theirs.to_numpy().tobytes()


def test_the_more_prints_the_nearer_to_the_truth() -> None:
    # From a handful of animals, from some, and from many: what ships, in between, the truth.
    apart = [
        distance(estimate_evidence(known_prints(n, 3), SHIPPED).evidence, GROUND)
        for n in (2, 30, 2000)
    ]
    shipped = distance(SHIPPED, GROUND)
    assert apart[0] > 0.8 * shipped
    assert 0.2 * shipped < apart[1] < 0.8 * shipped
    assert apart[2] < 0.1 * shipped


def test_sizes_recover_mean_and_sd_from_many_prints_and_only_lean_from_few() -> None:
    key = ("dog", "length_mm", "front")
    truth, working = GROUND.sizes.loc[key], SHIPPED.sizes.loc[key]
    many = estimate_evidence(known_prints(2000, 4), SHIPPED).evidence.sizes.loc[key]
    assert many["mean_mm"] == pytest.approx(truth["mean_mm"], abs=1.0)
    assert many["sd_mm"] == pytest.approx(truth["sd_mm"], rel=0.08)
    few = estimate_evidence(known_prints(4, 4), SHIPPED).evidence.sizes.loc[key]
    assert abs(few["mean_mm"] - working["mean_mm"]) < 0.5 * abs(
        truth["mean_mm"] - working["mean_mm"]
    )


def test_an_unknown_foot_moves_as_front_and_hind_have() -> None:
    told = estimate_evidence(known_prints(2000, 5), SHIPPED).evidence.sizes
    moved = told.loc[("dog", "length_mm", "unknown"), "mean_mm"]
    assert moved == pytest.approx(
        GROUND.sizes.loc[("dog", "length_mm", "unknown"), "mean_mm"], abs=1
    )
    assert told.loc[("lynx", "length_mm", "unknown")].equals(
        SHIPPED.sizes.loc[("lynx", "length_mm", "unknown")]
    )


def test_a_share_is_the_mean_of_the_dirichlet_posterior_computed_by_hand() -> None:
    known = pd.DataFrame({"taxon": ["dog"] * 30, "claws": ["none"] * 12 + ["blunt_joined"] * 18})
    told = estimate_evidence(check_collection(known).prints, SHIPPED)
    working = float(SHIPPED.characters.loc[("claws", "none"), "dog"])
    share = (12 + PRIOR_PRINTS * working) / (30 + PRIOR_PRINTS)
    assert told.evidence.characters.loc[("claws", "none"), "dog"] == pytest.approx(share)
    row = told.numbers.query("taxon == 'dog' and character == 'claws' and state == 'none'").iloc[0]
    ends = beta.ppf([0.025, 0.975], 12 + PRIOR_PRINTS * working, 18 + PRIOR_PRINTS * (1 - working))
    assert row[["low", "high"]].astype(float).to_numpy() == pytest.approx(ends)
    assert (row["prints"], row["animals"], row["counts_as"]) == (30, 30, 30.0)


def test_a_size_is_the_mean_of_the_normal_posterior_computed_by_hand() -> None:
    values = np.array([96.0, 104.0, 100.0])
    known = pd.DataFrame({"taxon": "dog", "length_mm": values, "foot": "left_front"})
    told = estimate_evidence(check_collection(known).prints, SHIPPED, prior_prints=5)
    mean, sd = SHIPPED.sizes.loc[("dog", "length_mm", "front"), ["mean_mm", "sd_mm"]]
    got = told.evidence.sizes.loc[("dog", "length_mm", "front")]
    assert got["mean_mm"] == pytest.approx((values.sum() + 5 * mean) / 8)
    apart = 15 / 8 * (100.0 - mean) ** 2
    assert got["sd_mm"] == pytest.approx(np.sqrt((5 * sd**2 + 32.0 + apart) / 8))


def test_forty_prints_of_one_dog_are_not_forty_dogs() -> None:
    one_dog = pd.DataFrame({"taxon": "dog", "claws": ["none"] * 40, "animal": "Rex"})
    many_dogs = one_dog.drop(columns="animal")
    of_one, of_many = (
        estimate_evidence(check_collection(known).prints, SHIPPED) for known in (one_dog, many_dogs)
    )
    working = SHIPPED.characters.loc[("claws", "none"), "dog"]
    key = ("claws", "none")
    assert working < of_one.evidence.characters.loc[key, "dog"] < 0.35
    assert of_many.evidence.characters.loc[key, "dog"] > 0.6
    row = of_one.numbers.query("taxon == 'dog' and character == 'claws'").iloc[0]
    assert row["counts_as"] == pytest.approx(40 / (1 + 39 * SHIPPED.constant("rho_sign")))


def test_every_number_says_that_it_is_estimated_and_from_how_many_prints() -> None:
    known = pd.DataFrame({"taxon": ["dog"] * 7, "claws": ["none"] * 7, "length_mm": [80.0] * 7})
    told = estimate_evidence(check_collection(known).prints, SHIPPED).evidence
    source = told.characters.loc[("claws", "none"), "source"]
    assert source.startswith("estimated from known prints (dog 7), drawn to the working values")
    assert SHIPPED.characters.loc[("claws", "none"), "source"] in source
    size = told.sizes.loc[("dog", "length_mm", "unknown"), "source"]
    assert size.startswith("estimated from 7 known prints of 7 animals")
    assert (
        told.characters.loc[("outline", "longer"), "source"]
        == (SHIPPED.characters.loc[("outline", "longer"), "source"])
    )


def test_what_a_surface_hides_is_not_counted() -> None:
    known = pd.DataFrame(
        {"taxon": "puma", "claws": ["blunt_joined"] * 20, "length_mm": 160.0, "surface": "mud"}
    )
    told = estimate_evidence(check_collection(known).prints, SHIPPED).evidence
    pd.testing.assert_frame_equal(told.characters, SHIPPED.characters)
    pd.testing.assert_frame_equal(told.sizes, SHIPPED.sizes)


def test_odds_pass_twenty_to_one_only_where_many_prints_support_it() -> None:
    def cap(count: int) -> float:
        known = pd.DataFrame({"taxon": ["puma"] * count + ["dog"] * count,
                              "claws": ["none"] * count + ["blunt_joined"] * count})  # fmt: skip
        learnt = estimate_evidence(check_collection(known).prints, SHIPPED).evidence
        prints = pd.DataFrame({"claws": ["blunt_joined"]})
        said = weigh_characters(prints, learnt)
        power = learnt.constant("groups_exponent")
        assert np.ptp(said.to_numpy()) <= np.log(learnt.cap("claws")) * power + 1e-9
        return learnt.cap("claws")

    assert cap(10) == 20
    assert cap(30) == 20
    assert cap(5000) > 50


def test_probabilities_from_a_collection_are_calibrated_where_the_working_values_are_not() -> None:
    learnt = estimate_evidence(known_prints(400, 6), SHIPPED).evidence
    fresh = known_prints(2500, 7)
    truth = fresh["taxon"].eq("puma").to_numpy()
    told = {}
    for name, evidence in (("learnt", learnt), ("shipped", SHIPPED), ("true", GROUND)):
        p = to_probabilities(weigh_characters(fresh, evidence), HALF)["p_puma"].to_numpy()
        told[name] = log_loss(p, truth), calibration_line(p, truth).slope
    assert told["learnt"][0] < told["shipped"][0]
    assert told["learnt"][0] == pytest.approx(told["true"][0], rel=0.03)
    assert told["learnt"][1] == pytest.approx(told["true"][1], abs=0.1)
    assert told["shipped"][1] < 0.75 * told["learnt"][1]


@settings(max_examples=10, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["puma", "dog", "other"]),
                          st.sampled_from(CHARACTERS["claws"])), max_size=25))  # fmt: skip
def test_whatever_the_collection_the_shares_are_shares_between_shipped_and_counted(
    rows: list[tuple[str, str]],
) -> None:
    known = pd.DataFrame(rows, columns=["taxon", "claws"])
    told = estimate_evidence(check_collection(known).prints, SHIPPED)
    sums = told.evidence.characters[list(TAXA)].groupby(level="character").sum()
    assert np.allclose(sums.to_numpy(float), 1.0)
    for taxon, mine in known.groupby("taxon"):
        share = mine["claws"].eq("none").mean()
        shipped = SHIPPED.characters.loc[("claws", "none"), taxon]
        got = told.evidence.characters.loc[("claws", "none"), taxon]
        assert min(share, shipped) - 1e-9 <= got <= max(share, shipped) + 1e-9


def test_bad_rows_are_set_aside_with_a_reason_and_nothing_is_lost() -> None:
    table = pd.DataFrame(
        {
            "taxon": ["cougar", "weasel", None, "dog", "dog"],
            "claws": ["none", "none", "none", "sharp", None],
            "length_mm": [90.0, 50.0, 50.0, 50.0, -3.0],
        },
        index=[10, 11, 12, 13, 14],
    )
    prints, aside = check_collection(table)
    assert len(prints) + len(aside) == len(table)
    assert aside["row"].tolist() == [11, 12, 13, 14]
    for words, reason in zip(
        ("'weasel' is not known", "'' is not known", "claws 'sharp'", "no size above 0"),
        aside["reason"],
        strict=True,
    ):
        assert words in reason


def test_a_table_without_taxa_and_a_prior_of_nothing_are_refused() -> None:
    with pytest.raises(InputError, match="taxon"):
        check_collection(pd.DataFrame({"claws": ["none"]}))
    with pytest.raises(InputError, match="above 0"):
        estimate_evidence(known_prints(2, 1), SHIPPED, prior_prints=0)
