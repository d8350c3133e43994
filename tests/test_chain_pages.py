"""What the chain prints on every page: the choices of the analysis, and all of its inputs."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace

import pandas as pd
import pytest
from reporting_examples import make_receipts

from carnivore_sign.chain import AnalysisOptions
from carnivore_sign.chain.outputs import page_choices, page_record
from carnivore_sign.identify import load_evidence


def analysis_of(options: AnalysisOptions) -> SimpleNamespace:
    evidence = load_evidence(options.region)
    return SimpleNamespace(
        season=SimpleNamespace(name="Coldwater", time_zone="America/Denver", zone=dt.UTC),
        options=options,
        evidence=evidence,
        region_prior=evidence.prior,
        prior=evidence.prior.mul(0.5).add(1 / 18),
        receipts=make_receipts(),
    )


def test_every_choice_that_is_a_number_is_printed_with_its_unit() -> None:
    options = AnalysisOptions(
        region="dry_range",
        segment_length_m=750.0,
        tolerance_m=25.0,
        max_speed_m_s=3.5,
        max_offset_m=80.0,
    )
    said = page_choices(analysis_of(options)).settings.values()
    assert set(said) == {"750 m", "25 m", "3.5 m/s", "80 m"}


def test_the_prior_is_that_of_the_region_and_shares_are_named_only_where_estimated() -> None:
    prior = load_evidence("dry_range").prior.to_dict()
    learnt = page_choices(analysis_of(AnalysisOptions(region="dry_range", learn_prior=True)))
    taken = page_choices(analysis_of(AnalysisOptions(region="dry_range", learn_prior=False)))
    assert learnt.prior == taken.prior == prior
    assert learnt.region == "dry range"
    assert learnt.shares["puma"] == pytest.approx(prior["puma"] / 2 + 1 / 18)
    assert taken.shares == {}


def test_messages_reach_the_page_and_empty_ones_do_not() -> None:
    record = page_record(analysis_of(AnalysisOptions()), dt.date(2031, 6, 1), ["", "Mind this."])
    assert record.choices.messages == ("Mind this.",)
    assert record.tables == "tables"
    assert record.made_on == dt.date(2031, 6, 1)
    pd.testing.assert_frame_equal(record.receipts, make_receipts())
