"""What the gait of a trail says of the taxon: strides of its sign, or prints measured at one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from gait_drawing import RELATIVE, draw_prints
from scipy.special import logsumexp
from scipy.stats import norm

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails import (
    GAITS,
    gait_likelihoods,
    gait_of_trails,
    gait_sequence,
    hip_height_m,
    stride_likelihoods,
)
from carnivore_sign.trails.gaits import CAP_ODDS
from carnivore_sign.trails.speed import read_data

MEMBERS = pd.DataFrame({"sign": ["A", "B", "C", "D"], "trail": ["T2", "T1", "T1", "T3"]})
SIGN = pd.DataFrame({"sign": ["A", "B", "C", "D"], "stride_m": [0.95, 1.20, 1.24, np.nan]})


def test_strides_are_weighed_over_all_gaits_by_the_height_of_the_taxon() -> None:
    # By hand: sum over gaits of habit times the normal density of stride over hip height.
    gaits, habits = read_data("gaits").loc[list(GAITS)], read_data("gait_habits")
    expected = {}
    for taxon in ("puma", "coyote", "dog"):
        hip, hip_sd = hip_height_m(taxon)
        mean = gaits["relative_stride_mean"]
        sd = np.hypot(gaits["relative_stride_sd"], mean * hip_sd / hip)
        density = np.maximum(norm.logpdf(1.2 / hip, mean, sd) - np.log(1 / 4.5), np.log(0.02))
        expected[taxon] = logsumexp(density + np.log(habits.loc[taxon, list(GAITS)].astype(float)))
    told = stride_likelihoods(pd.Series([1.2])).iloc[0]
    assert told["puma"] - told["coyote"] == pytest.approx(expected["puma"] - expected["coyote"])
    assert told["dog"] - told["coyote"] == pytest.approx(expected["dog"] - expected["coyote"])


def test_a_missing_stride_says_nothing_and_none_says_more_than_the_cap() -> None:
    told = stride_likelihoods(pd.Series([np.nan, 0.2, 0.9, 4.0]))
    assert (told.iloc[0] == 0).all()
    assert np.ptp(told.to_numpy(), axis=1).max() <= np.log(CAP_ODDS) + 1e-9


def test_a_trail_speaks_once_by_its_middle_stride() -> None:
    said = gait_of_trails(MEMBERS, SIGN)
    assert said.index.tolist() == ["T2", "T1", "T3"]
    assert list(said.columns) == list(TAXA)
    pd.testing.assert_series_equal(
        said.loc["T1"], stride_likelihoods(pd.Series([1.22])).iloc[0], check_names=False
    )
    assert (said.loc["T3"] == 0).all()
    assert (gait_of_trails(MEMBERS, SIGN.drop(columns="stride_m")) == 0).all(axis=None)


def test_measured_prints_take_the_place_of_noted_strides() -> None:
    rng = np.random.default_rng(2)
    hip = hip_height_m("coyote")[0]
    trot = draw_prints("trot_direct", rng, stride_m=RELATIVE["trot_direct"] * hip, sequence="B")
    short = draw_prints("walk_direct", rng, stride_m=0.9, cycles=3, sequence="C")
    walk = draw_prints("walk_direct", rng, stride_m=0.95, sequence="D")
    measured = gait_sequence(pd.concat([short, trot, walk], ignore_index=True))
    said, alone = gait_of_trails(MEMBERS, SIGN, measured), gait_of_trails(MEMBERS, SIGN)
    told = gait_likelihoods(measured)
    np.testing.assert_allclose(said.loc["T1"], told.loc["B"])  # of two, the longer speaks
    np.testing.assert_allclose(said.loc["T3"], told.loc["D"])
    np.testing.assert_allclose(said.loc["T2"], alone.loc["T2"])
    # The gait says more than a stride: a trot for a coyote, a walk for a cat.
    assert said.loc["T1", "puma"] - said.loc["T1", "coyote"] < -1.0
    assert said.loc["T3", "puma"] - said.loc["T3", "coyote"] > 1.0


def test_a_sequence_measured_nowhere_is_refused() -> None:
    strange = gait_sequence(draw_prints("walk_direct", np.random.default_rng(1), sequence="X"))
    with pytest.raises(InputError, match="the gait 'X' was measured at no sign"):
        gait_of_trails(MEMBERS, SIGN, strange)
