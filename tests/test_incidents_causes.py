"""Competing explanations of a loss: the characters, the gate, the scene, the priors, the range.

Sources of the checks: agricultural extension bulletins on predation (Wade & Bowns; OMAFRA; Texas
AgriLife) for the gate, the spacings and the patterns; Texas Parks & Wildlife (2008) and the
Missouri Dept of Conservation for reports from the public; scipy for entropies.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest
from losses import draw_losses, no_trails, trail
from scipy.stats import entropy

from carnivore_sign.errors import InputError
from carnivore_sign.incidents import (
    Explanations,
    cause_prior,
    explain_loss,
    load_cause_evidence,
    season_factors,
    weigh_carcasses,
)
from carnivore_sign.incidents.causes import CAUSE_ORDER, STATES
from carnivore_sign.incidents.explanations import (
    EQUAL,
    UNVERIFIED,
    WITH_PRESENCE,
    WITH_SEASON,
    WORKING,
    posterior,
)
from carnivore_sign.incidents.scene import weigh_scene
from carnivore_sign.incidents.settling import information
from carnivore_sign.records.vocabularies import CARCASS_CHARACTERS, CAUSE_OF_TAXON, CAUSES, TAXA

EVIDENCE = load_cause_evidence()
SHARES = pd.Series(1 / len(TAXA), index=list(TAXA))
PUMA_CARCASS = {
    "bleeding": "present",
    "bite_place": "neck_or_head",
    "feeding": "chest_organs_first",
    "covered": "covered",
    "dragged": "dragged",
    "mutilation": "little",
    "claw_marks": "present",
    "canine_spacing_mm": 47.0,
    "canine_jaw": "upper",
}


def explain(
    *carcasses: dict[str, object], trails: pd.DataFrame | None = None, killed: int | None = None
) -> Explanations:
    near = no_trails() if trails is None else trails
    return explain_loss(pd.DataFrame(carcasses), near, killed=killed, trail_prior=SHARES)


def chance(told: Explanations, cause: str = "puma") -> float:
    row = told.of(cause)
    assert row is not None
    return float(row["probability"])


def test_probabilities_sum_to_one_and_lie_in_their_range() -> None:
    for told in (explain(), explain(PUMA_CARCASS, killed=1), explain(PUMA_CARCASS, killed=9)):
        ranked = told.ranked
        assert ranked["probability"].sum() == pytest.approx(1.0)
        assert (ranked["low"] <= ranked["probability"] + 1e-12).all()
        assert (ranked["high"] >= ranked["probability"] - 1e-12).all()
        assert told.by_prior.groupby("prior")["probability"].sum().to_numpy() == pytest.approx(1)


def test_without_evidence_the_prior_stands_exactly() -> None:
    told = explain()
    assert (told.carcass.total == 0).all()
    assert (told.scene == 0).all(axis=None)
    assert told.ranked["probability"].to_numpy() == pytest.approx(told.ranked["prior"], abs=1e-15)
    hidden = dict.fromkeys(CARCASS_CHARACTERS, "not_visible") | {"canine_jaw": "not_visible"}
    assert explain(hidden).ranked.equals(told.ranked)
    assert told.carcass.by_character.empty
    assert set(told.carcass.unseen) == {*STATES, "canine_spacing"}


def test_a_report_from_the_public_gives_a_low_probability_without_evidence() -> None:
    # Under 1 % of reports of puma are verified: Texas Parks & Wildlife 2008; Missouri.
    tried = explain().by_prior.set_index(["prior", "cause"])["probability"]
    assert tried[UNVERIFIED, "puma"] == pytest.approx(0.01)
    assert tried[EQUAL, "puma"] == pytest.approx(tried[EQUAL, "coyote"])


@pytest.mark.parametrize("spacing_mm", range(42, 55, 2))
def test_puma_bear_and_wolf_stay_undecided_on_spacing_alone(spacing_mm: int) -> None:
    # Bulletins: puma 38-57 mm; puma, black bear and wolf overlap almost fully.
    weight = EVIDENCE.log_spacing(float(spacing_mm))[0]
    named = dict(zip(CAUSE_ORDER, weight, strict=True))
    three = [named[cause] for cause in ("puma", "bear", "wolf")]
    assert np.exp(max(three) - min(three)) < 2
    told = explain({"canine_spacing_mm": float(spacing_mm), "canine_jaw": "upper"})
    assert max(chance(told, cause) for cause in ("puma", "bear", "wolf")) < 0.5


def test_the_published_spacings_fit_their_own_animal() -> None:
    # Bulletins: coyote 28-35 mm, bobcat 19-25 mm, puma 38-57 mm.
    for cause, low, high in (("coyote", 28, 35), ("bobcat", 19, 25)):
        for value in (low, (low + high) / 2, high):
            weight = EVIDENCE.log_spacing(value)[0]
            assert CAUSE_ORDER[int(weight.argmax())] == cause
    named = dict(zip(CAUSE_ORDER, EVIDENCE.log_spacing([30.0, 47.5]).T, strict=True))
    assert np.exp(named["coyote"][0] - named["puma"][0]) > 10
    assert np.exp(named["puma"][1] - named["coyote"][1]) > 10


def test_a_spacing_of_lower_or_unknown_canines_says_nothing() -> None:
    for jaw in ("lower", "not_visible", None):
        told = explain({"canine_spacing_mm": 47.0, "canine_jaw": jaw})
        assert (told.carcass.total == 0).all()


def test_without_bleeding_no_predator_leads_whatever_the_rest_says() -> None:
    # Bulletins: scavengers leave no bleeding under the skin; tracks tell who fed.
    clear = trail(puma=0.999, dog=0.001)
    for bite, feeding in itertools.product(
        CARCASS_CHARACTERS["bite_place"], CARCASS_CHARACTERS["feeding"]
    ):
        seen = {"bleeding": "none", "bite_place": bite, "feeding": feeding}
        told = explain(PUMA_CARCASS | seen, trails=clear, killed=8)
        assert told.ranked["cause"].iloc[0] == "not_predation"
        assert chance(told, "not_predation") > 0.8
        assert chance(told) < chance(explain())
        assert told.settling["character"].tolist() == ["necropsy"]


def test_no_single_pattern_proves_or_excludes_puma() -> None:
    # Bulletins: puma can take the throat; bears cache too; no one sign is conclusive.
    throat = explain({"bite_place": "throat"})
    assert chance(throat) > 0.5 * chance(explain())
    covered = explain({"covered": "covered"})
    assert chance(covered) < 0.5
    assert chance(covered, "bear") > 2 * chance(explain(), "bear")


def test_the_patterns_of_the_trade_come_out_right() -> None:
    # Bulletins on puma and dog.
    assert explain(PUMA_CARCASS, killed=1).ranked["cause"].iloc[0] == "puma"
    dogs = {
        "bleeding": "present", "bite_place": "hindquarters_or_flanks", "mutilation": "much",
        "feeding": "little_eaten", "covered": "not_covered", "dragged": "not_dragged",
    }  # fmt: skip
    told = explain(dogs, killed=9)
    assert told.ranked["cause"].iloc[0] == "dog"
    assert chance(told) < 0.05
    coyote = {"bleeding": "present", "bite_place": "throat", "canine_spacing_mm": 31.0}
    assert explain(coyote | {"canine_jaw": "upper"}).ranked["cause"].iloc[0] == "coyote"


def test_no_character_moves_the_odds_beyond_twenty_to_one() -> None:
    for table in EVIDENCE.log_tables.values():
        assert np.exp(table.max(axis=1) - table.min(axis=1)).max() <= 20 * (1 + 1e-12)
    spread = EVIDENCE.log_spacing(np.arange(6.0, 140.0))
    assert np.exp(spread.max(axis=1) - spread.min(axis=1)).max() <= 20 * (1 + 1e-12)


def test_ten_carcasses_of_one_night_are_not_ten_witnesses() -> None:
    one = weigh_carcasses(
        pd.DataFrame([{"covered": "covered"}]), killed=None, evidence=EVIDENCE
    ).total
    ten = weigh_carcasses(
        pd.DataFrame([{"covered": "covered"}] * 10), killed=None, evidence=EVIDENCE
    ).total
    assert -ten.min() == pytest.approx(-one.min() * 10 / (1 + 9 * 0.7))


def test_contradictory_evidence_is_said() -> None:
    torn = {"bleeding": "present", "bite_place": "many_places", "mutilation": "much"}
    told = explain(torn | {"covered": "covered"})
    assert any("dog" in said and "puma" in said for said in told.carcass.contradictions)
    assert explain(PUMA_CARCASS).carcass.contradictions == ()
    both = explain({"bleeding": "present"}, {"bleeding": "none"})
    assert both.carcass.contradictions == ("Some carcasses bled under the skin and some did not.",)
    assert not both.carcass.gate_shut


def test_bad_states_and_spacings_are_named() -> None:
    with pytest.raises(InputError, match=r"'sideways' is not a state of bite_place"):
        explain({"bite_place": "sideways"})
    with pytest.raises(InputError, match="above 0 mm"):
        explain({"canine_spacing_mm": -3.0, "canine_jaw": "upper"})
    broken = EVIDENCE.carcass.copy()
    broken.loc[("covered", "covered"), "puma"] = 0.9
    with pytest.raises(InputError, match="must sum to 1"):
        dataclasses.replace(EVIDENCE, carcass=broken)


def test_absent_animals_are_no_explanation() -> None:
    here = SHARES.drop(["wolf", "black_bear"]).reindex(list(TAXA), fill_value=0.0)
    told = explain_loss(pd.DataFrame([PUMA_CARCASS]), no_trails(), killed=1, trail_prior=here)
    assert not set(told.ranked["cause"]) & {"wolf", "bear"}
    assert told.of("wolf") is None
    assert cause_prior({"puma"}).gt(0).sum() == 3  # puma, another predator, none


def test_presence_near_moves_the_prior_of_its_animal() -> None:
    told = explain_loss(
        pd.DataFrame(), no_trails(), killed=None, trail_prior=SHARES, local_presence={"puma": 2.0}
    )
    tried = told.by_prior.set_index(["prior", "cause"])["prior_probability"]
    base = cause_prior()
    odds = tried[WITH_PRESENCE, "puma"] / tried[WITH_PRESENCE, "not_predation"]
    assert odds == pytest.approx(2 * base["puma"] / base["not_predation"])
    assert told.used_prior == WITH_PRESENCE


def test_the_time_of_year_moves_the_prior_and_the_range_keeps_those_without_it() -> None:
    spring = season_factors([4], latitude_deg=37.0)
    assert spring is not None
    told = explain_loss(pd.DataFrame(), no_trails(), killed=None, trail_prior=SHARES, season=spring)
    tried = told.by_prior.set_index(["prior", "cause"])["prior_probability"]
    base = cause_prior()
    odds = tried[WITH_SEASON, "not_predation"] / tried[WITH_SEASON, "puma"]
    assert odds == pytest.approx(1.5 * base["not_predation"] / base["puma"])
    assert told.used_prior == WITH_SEASON
    row = told.of("not_predation")
    assert row is not None
    assert row["low"] <= tried[WORKING, "not_predation"] < row["probability"] <= row["high"]


def test_seasons_turn_with_the_hemisphere_and_rest_between_the_tropics() -> None:
    north, south = (season_factors([m], latitude_deg=d) for m, d in ((1, 45.0), (7, -45.0)))
    assert north is not None
    pd.testing.assert_series_equal(north, south)
    assert north["bear"] == 0.1  # in their dens: common practice, no source
    assert season_factors([1], latitude_deg=10.0) is None
    both = season_factors([1, 4], latitude_deg=45.0)
    assert both is not None
    assert both["bear"] == pytest.approx((0.1 + 0.7) / 2)


def test_every_working_value_of_the_seasons_is_within_bounds_and_named() -> None:
    table = EVIDENCE.seasons
    assert table.index.tolist() == list(range(1, 13))
    assert table[list(CAUSE_ORDER)].ge(0.1).all(axis=None)
    assert table[list(CAUSE_ORDER)].le(1.5).all(axis=None)
    assert table["source"].str.contains("common practice, no source").all()
    broken = table.assign(puma=0.0)
    with pytest.raises(InputError, match="not above 0"):
        dataclasses.replace(EVIDENCE, seasons=broken)


def test_a_trail_at_the_scene_counts_by_how_rare_its_animal_is() -> None:
    shares = SHARES * 0 + 0.02
    shares["dog"], shares["puma"] = 0.8, 0.06
    for taxon, share in (("puma", 0.06), ("dog", 0.8)):
        told = weigh_scene(trail(**{taxon: 1.0}), shares, evidence=EVIDENCE)["weight"]
        assert np.exp(told[CAUSE_OF_TAXON[taxon]]) == pytest.approx(0.5 + 0.5 / share)
        others = [c for c in CAUSES if c not in {CAUSE_OF_TAXON[taxon], "not_predation"}]
        assert np.exp(told[others].to_numpy()) == pytest.approx(0.5)


def test_the_weight_of_the_scene_is_that_of_the_drawn_mixture() -> None:
    """Draw which trails are of the time and which of them is the predator's own."""
    shares = pd.Series({"puma": 0.2, "dog": 0.5, "coyote": 0.3}).reindex(list(TAXA), fill_value=0)
    fits = pd.DataFrame(
        {"puma": [0.7, 0.1, 0.5], "dog": [0.2, 0.6, 0.2], "coyote": [0.1, 0.3, 0.3]}
    )
    within = np.array([1.0, 0.4, 0.02])
    trails = pd.concat(
        [trail(p_in_window=w, **fits.iloc[n]) for n, w in enumerate(within)], ignore_index=True
    )
    told = weigh_scene(trails, shares, evidence=EVIDENCE)["weight"]
    rng = np.random.default_rng(5)
    draws = 200_000
    timely = rng.random((draws, 3)) < within
    which = np.where(timely, rng.random((draws, 3)), -1.0).argmax(axis=1)
    own = rng.random(draws) < EVIDENCE.constant("own_trail")
    ratio = (fits["puma"] / shares["puma"]).to_numpy()[which]
    drawn = np.where(own & timely.any(axis=1), ratio, 1.0)
    error = drawn.std() / np.sqrt(draws)
    assert abs(drawn.mean() - np.exp(told["puma"])) < 4 * error


def test_a_trail_that_is_hardly_of_the_time_hardly_changes_the_scene() -> None:
    sure = trail(puma=1.0)
    beside = pd.concat([sure, *[trail(dog=1.0, p_in_window=0.001)] * 5], ignore_index=True)
    alone, both = (weigh_scene(t, SHARES, evidence=EVIDENCE)["weight"] for t in (sure, beside))
    assert both["puma"] == pytest.approx(alone["puma"], abs=0.01)


def test_trails_far_off_or_of_another_time_say_nothing() -> None:
    for other in (trail(puma=1.0, distance_m=201.0), trail(puma=1.0, p_in_window=0.0)):
        assert (weigh_scene(other, SHARES, evidence=EVIDENCE) == 0).all(axis=None)
    untold = weigh_scene(trail(puma=1.0, p_in_window=np.nan), SHARES, evidence=EVIDENCE)
    assert untold.loc["puma", "weight"] == 0
    assert untold.loc["puma", "low"] == 0 < untold.loc["puma", "high"]


def test_what_would_settle_it_is_shannons_information() -> None:
    told = explain({"covered": "covered"})
    now = told.ranked.set_index("cause")["probability"].reindex(list(CAUSE_ORDER), fill_value=0)
    shares = EVIDENCE.carcass.loc["bleeding"][list(CAUSE_ORDER)].to_numpy(dtype=float)
    joint = shares * now.to_numpy()
    expected = sum(
        row.sum() * entropy(row / row.sum(), base=2) for row in joint
    )  # scipy.stats.entropy
    bits = told.settling.set_index("character")["bits"]
    assert bits["bleeding"] == pytest.approx(entropy(now, base=2) - expected)
    assert "covered" not in bits.index
    assert information(now.to_numpy(), np.full((3, len(CAUSE_ORDER)), 1 / 3)) == pytest.approx(0)
    assert bits.drop("necropsy").is_monotonic_decreasing


def reliability(prior: pd.Series, drawn_from: pd.Series, **how: float) -> pd.DataFrame:
    """Hold stated probabilities against drawn causes, by bin."""
    causes, carcasses, killed = draw_losses(
        drawn_from, 800, evidence=EVIDENCE, rng=np.random.default_rng(11), **how
    )
    stated = np.array(
        [
            posterior(prior, weigh_carcasses(seen, killed=lost, evidence=EVIDENCE).total)
            for seen, lost in zip(carcasses, killed, strict=True)
        ]
    )
    true = np.array(causes)[:, None] == np.array(prior.index)[None, :]
    table = pd.DataFrame({"stated": stated.ravel(), "true": true.ravel()})
    bins = pd.cut(table["stated"], [0, 0.05, 0.2, 0.4, 0.6, 0.8, 1.0])
    return table.groupby(bins, observed=True).agg(
        cases=("true", "size"), stated=("stated", "mean"), true=("true", "mean")
    )


@pytest.mark.parametrize("seen", [1.0, 0.5])
@pytest.mark.parametrize("correlation", [0.0, 0.6])
def test_stated_probabilities_hold_in_drawn_losses(correlation: float, seen: float) -> None:
    prior = cause_prior()
    table = reliability(prior, prior, correlation=correlation, seen=seen)
    error = np.sqrt(table["true"] * (1 - table["true"]) / table["cases"])
    assert len(table) == 6
    # Tempering may hold back; it must not promise more than comes true.
    over = table["stated"] - table["true"]
    assert (over < 3 * error + 0.02)[table["stated"] > 0.5].all()
    assert (-over < 3 * error + 0.02)[table["stated"] < 0.4].all()
    assert (table["stated"] - table["true"]).abs().max() < 0.12


def test_a_wrong_prior_shows_in_the_range() -> None:
    """Where wolves cause more losses than the prior holds, another prior of the range fits."""
    tried = explain().by_prior.set_index(["prior", "cause"])["prior_probability"]
    base, truth = (tried[what].reindex(list(CAUSE_ORDER)) for what in (WORKING, EQUAL))
    causes, carcasses, killed = draw_losses(
        truth, 800, evidence=EVIDENCE, correlation=0.3, seen=0.6, rng=np.random.default_rng(3)
    )
    weights = [
        weigh_carcasses(seen, killed=lost, evidence=EVIDENCE).total
        for seen, lost in zip(carcasses, killed, strict=True)
    ]
    place = CAUSE_ORDER.index("wolf")
    stated, better = (
        np.mean([posterior(prior, weight)[place] for weight in weights]) for prior in (base, truth)
    )
    share = np.mean(np.array(causes) == "wolf")
    error = np.sqrt(share * (1 - share) / len(causes))
    assert share - stated > 2 * error
    assert abs(share - better) < 2 * error
