"""Gaits told apart on drawn prints, and what a gait says about the taxon."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from gait_drawing import PHASES, RELATIVE, draw_prints

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails import (
    GAITS,
    GaitSequence,
    classify_gait,
    gait_likelihoods,
    gait_sequence,
    hip_height_m,
    prints_from_tape,
)
from carnivore_sign.trails.gaits import CAP_ODDS

P_GAITS = [f"p_{gait}" for gait in GAITS]


def all_gaits(taxon: str, labels: float = 0.6, seed: int = 3) -> GaitSequence:
    """Draw one trail of each gait, sized for the taxon, with some of the feet noted."""
    rng = np.random.default_rng(seed)
    hip = hip_height_m(taxon)[0]
    prints = pd.concat(
        [
            draw_prints(gait, rng, stride_m=RELATIVE[gait] * hip, noise_m=0.008, turn_deg=30.0,
                        cycles=7, sequence=gait)
            for gait in PHASES
        ],
        ignore_index=True,
    )  # fmt: skip
    return gait_sequence(
        prints.assign(foot=prints["foot"].where(rng.random(len(prints)) < labels, None))
    )


@pytest.mark.parametrize("taxon", ["puma", "coyote", "wolf"])
def test_each_gait_is_told(taxon: str) -> None:
    told = classify_gait(all_gaits(taxon), taxon=taxon)
    assert told["gait"].tolist() == told.index.tolist()
    assert told[P_GAITS].sum(axis=1).to_numpy() == pytest.approx(1.0)
    own = pd.Series([told.loc[gait, f"p_{gait}"] for gait in told.index], index=told.index)
    assert own.min() > 0.45  # a bound of a small animal is nearly a gallop
    assert own.mean() > 0.85


def test_gaits_are_told_without_knowing_the_animal_but_no_speed_is() -> None:
    told = classify_gait(all_gaits("puma"))
    assert (told["gait"] == told.index).mean() > 0.85
    assert told[["relative_stride", "speed_m_s"]].isna().all(axis=None)


def test_stated_and_true_agree_over_many_short_noisy_trails() -> None:
    rng = np.random.default_rng(8)
    habits, parts, truth = np.full(len(GAITS), 1 / len(GAITS)), [], []
    for number in range(300):
        gait = rng.choice(list(PHASES), p=habits)
        relative = max(RELATIVE[gait] * (1 + 0.12 * rng.standard_normal()), 0.6)
        prints = draw_prints(
            gait, rng, stride_m=relative * 0.54, noise_m=0.02, cycles=3, sequence=f"{number:03d}"
        )
        parts.append(prints.assign(foot=prints["foot"].where(rng.random(len(prints)) < 0.4, None)))
        truth.append(gait)
    told = classify_gait(gait_sequence(pd.concat(parts, ignore_index=True)), taxon="coyote")
    right = told["gait"].to_numpy() == np.array(truth)
    stated = told[P_GAITS].max(axis=1).to_numpy()
    assert right.mean() > 0.75
    assert stated.mean() == pytest.approx(right.mean(), abs=0.12)
    assert right[stated > 0.9].mean() > right[stated < 0.7].mean()


def test_understep_and_overstep_are_not_claimed_where_nothing_tells_front_from_hind() -> None:
    told = classify_gait(all_gaits("puma", labels=0.0), taxon="puma").loc["walk_understep"]
    assert 0.2 < told["p_walk_understep"] < 0.8
    assert told["p_walk_understep"] + told["p_walk_overstep"] > 0.95


def test_a_walk_is_slower_than_a_trot_and_a_trot_than_a_gallop() -> None:
    told = classify_gait(all_gaits("coyote"), taxon="coyote")
    speed = told["speed_m_s"]
    assert speed["walk_direct"] < speed["trot_direct"] < speed["gallop"]
    assert (told["speed_low_m_s"] < 0.5 * speed).all()
    assert (told["speed_high_m_s"] > 1.5 * speed).all()
    # The relative strides that the gaits were drawn with come back.
    assert told["relative_stride"].to_dict() == pytest.approx(RELATIVE, abs=0.05)


def test_a_measured_hip_takes_the_place_of_that_of_the_taxon() -> None:
    sequence = all_gaits("puma")
    tall = classify_gait(sequence, taxon="puma", hip_m=1.4)
    assert tall["relative_stride"].max() < 2.0
    assert tall.loc["trot_direct", "gait"].startswith("walk")
    with pytest.raises(InputError, match="hip_m must be above 0"):
        classify_gait(sequence, hip_m=0.0)


def test_a_published_puma_walk_is_a_walk_under_one_definition_and_a_trot_under_the_other() -> None:
    # Full stride of about 96 cm (Elbroch, Kresky & Evans 2012): a step of 48 cm.
    def told(step_cm: float) -> pd.Series:
        width = 18.0
        stride = 2 * np.sqrt(step_cm**2 - width**2)
        rows = pd.DataFrame({"step": [None, *[step_cm] * 9], "stride": [None, None, *[stride] * 8]})
        return classify_gait(
            gait_sequence(prints_from_tape(rows, default_unit="cm")), taxon="puma"
        ).iloc[0]

    assert told(48.0)["gait"] == "walk_direct"
    # Read as a step, the same 96 cm are a stride of 1.9 m, which no walking puma has.
    assert told(96.0)["relative_stride"] > 2.5
    assert told(96.0)["p_walk_direct"] < 0.1


def test_a_direct_register_walk_speaks_for_a_cat_and_a_trot_for_a_dog() -> None:
    # Cats mostly walk, dogs and coyotes mostly trot (naturalist text).
    said = gait_likelihoods(all_gaits("puma"))
    ratio = said["puma"] - said["dog"]
    assert ratio["walk_direct"] > 1.0
    of_coyote = gait_likelihoods(all_gaits("coyote"))
    ratio = of_coyote["puma"] - of_coyote["coyote"]
    assert (ratio[["trot_direct", "trot_side", "lope"]] < -1.0).all()


def test_no_gait_decides_alone() -> None:
    for taxon in ("puma", "coyote"):
        said = gait_likelihoods(all_gaits(taxon))
        assert list(said.columns) == list(TAXA)
        assert (np.ptp(said.to_numpy(), axis=1) <= np.log(CAP_ODDS) + 1e-9).all()


def test_two_prints_say_next_to_nothing() -> None:
    few = gait_sequence(draw_prints("walk_overstep", np.random.default_rng(1)).head(2))
    told = classify_gait(few)
    assert told[P_GAITS].max(axis=None) < 0.8
    said = gait_likelihoods(few)
    assert np.ptp(said.to_numpy()) < np.log(4)
