"""Simulated histories have the presence, rates and strength of evidence that were set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logit

from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import DETECTIONS, VISITS
from carnivore_sign.simulate import HistorySettings, simulate_histories

BIG = HistorySettings(
    units=3000, visits=3, presence=0.4, rate_per_km_day=0.15, look_alike_rate_per_km_day=0.05,
    separation=2.0, prior=0.3, periods=("2026-02", "2026-03"),
)  # fmt: skip


@pytest.fixture(scope="module")
def drawn():
    return simulate_histories(BIG, np.random.default_rng(21))


def test_frames_keep_to_their_schema(drawn) -> None:
    assert find_faults(drawn.visits, VISITS).empty
    assert find_faults(drawn.detections, DETECTIONS).empty
    assert drawn.detections["visit"].isin(drawn.visits["visit"]).all()
    assert drawn.visits.groupby(["segment", "period"]).size().eq(3).all()
    assert (drawn.visits["start"].dt.strftime("%Y-%m") == drawn.visits["period"]).all()


def test_presence_is_as_set(drawn) -> None:
    share = drawn.used["used"].mean()
    assert abs(share - 0.4) < 4 * np.sqrt(0.24 / len(drawn.used))


@pytest.mark.parametrize(("taxon", "rate"), [("puma", 0.15), ("dog", 0.05)])
def test_trails_are_poisson_with_their_rate(drawn, taxon: str, rate: float) -> None:
    used = drawn.used.set_index(["segment", "period"])["used"]
    visits = drawn.visits.set_index("visit")
    is_used = used.loc[list(zip(visits["segment"], visits["period"], strict=True))].to_numpy()
    own = drawn.true_taxon.eq(taxon).to_numpy()
    count = drawn.detections.loc[own, "visit"].value_counts().reindex(visits.index, fill_value=0)
    expected = rate * visits["effort_km_days"]
    if taxon == "puma":
        assert count[~is_used].sum() == 0
        count, expected = count[is_used], expected[is_used]
    assert abs(count.sum() - expected.sum()) < 4 * np.sqrt(expected.sum())
    blank = np.exp(-expected)
    z = (count.eq(0).sum() - blank.sum()) / np.sqrt((blank * (1 - blank)).sum())
    assert abs(z) < 4


def test_probabilities_carry_exactly_the_evidence_that_was_drawn(drawn) -> None:
    log_ratio = logit(drawn.detections["p_puma"].to_numpy()) - logit(BIG.prior)
    puma = drawn.true_taxon.eq("puma").to_numpy()
    for group, mean in ((log_ratio[puma], 2.0), (log_ratio[~puma], -2.0)):
        assert group.mean() == pytest.approx(mean, abs=4 * 2.0 / np.sqrt(len(group)))
        assert group.std() == pytest.approx(2.0, rel=4 / np.sqrt(2 * len(group)))
    # A likelihood ratio averages 1 over the look-alikes, by its definition.
    ratio = np.exp(log_ratio[~puma])
    assert ratio.mean() == pytest.approx(1.0, abs=5 * np.sqrt(np.exp(4.0) / len(ratio)))
    p_columns = [c for c in drawn.detections if c.startswith("p_")]
    assert drawn.detections[p_columns].sum(axis=1).to_numpy() == pytest.approx(1.0)


def test_sure_trails_have_probability_one_or_none() -> None:
    sure = simulate_histories(replace(BIG, separation=None), np.random.default_rng(1))
    puma = sure.true_taxon.eq("puma").to_numpy()
    assert (sure.detections["p_puma"].to_numpy() == puma).all()
    assert (sure.detections["p_dog"].to_numpy() == ~puma).all()


def test_visits_are_missed_and_partly_covered() -> None:
    settings = replace(BIG, missed_share=0.25, coverage=(0.4, 1.0), length_km=2.0)
    drawn = simulate_histories(settings, np.random.default_rng(1))
    planned = 3000 * 2 * 3
    assert abs(len(drawn.visits) - 0.75 * planned) < 4 * np.sqrt(planned * 0.75 * 0.25)
    assert drawn.visits["coverage"].between(0.4, 1.0).all()
    assert (drawn.visits["effort_km"] == 2.0 * drawn.visits["coverage"]).all()
    days = drawn.visits["hours_since_cleared"] / 24
    assert days.between(*BIG.days).all()
    assert drawn.visits["effort_km_days"].to_numpy() == pytest.approx(
        (drawn.visits["effort_km"] * days).to_numpy()
    )


def test_the_same_seed_gives_the_same_histories() -> None:
    first, second = (simulate_histories(BIG, np.random.default_rng(9)) for _ in range(2))
    assert first.detections.equals(second.detections)
    assert first.visits.equals(second.visits)


def test_nothing_there_gives_no_detections_and_still_all_visits() -> None:
    nothing = replace(BIG, presence=0.0, look_alike_rate_per_km_day=0.0)
    drawn = simulate_histories(nothing, np.random.default_rng(2))
    assert drawn.detections.empty
    assert len(drawn.visits) == 3000 * 2 * 3
    assert not drawn.used["used"].any()
