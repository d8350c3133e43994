"""Histories: ratios freed of their prior, finds graded, nothing lost and nothing invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from presence_examples import draw_signs, frames_of, segments_of

from carnivore_sign.errors import DataWarning, InputError, TableFaults
from carnivore_sign.presence import histories_from_matrix, make_histories


@pytest.fixture
def frames() -> tuple[pd.DataFrame, pd.DataFrame]:
    survey, _ = draw_signs(
        np.random.default_rng(1), psi=0.5, rate=0.5, lookalike_rate=0.5, units=6, visits=3
    )
    return frames_of(survey)


def test_the_way_to_frames_and_back_loses_nothing() -> None:
    survey, _ = draw_signs(
        np.random.default_rng(2), psi=0.5, rate=0.5, lookalike_rate=0.5, units=10, visits=3
    )
    back = make_histories(*frames_of(survey, prior=0.15), prior=0.15)
    assert len(back.visits) == 30
    assert back.visits["trails"].sum() == len(survey.signs)
    assert back.signs["log_ratio"].to_numpy() == pytest.approx(survey.signs["log_ratio"].to_numpy())
    assert set(back.units["unit"]) == set(survey.units["unit"])


@settings(deadline=None, max_examples=25)
@given(st.floats(1e-6, 1 - 1e-6), st.floats(0.01, 0.99))
def test_bayes_theorem_takes_the_ratio_back_to_the_posterior(
    posterior: float, prior: float
) -> None:
    visits, detections = one_visit([posterior])
    ratio = np.exp(make_histories(visits, detections, prior=prior).signs["log_ratio"].iloc[0])
    again = prior * ratio / (prior * ratio + 1 - prior)
    assert again == pytest.approx(posterior, rel=1e-6)


def test_a_trail_counts_once_a_unit_and_period_on_its_first_visit() -> None:
    visits, detections = one_visit([0.8])
    later = visits.assign(visit="w2@a", walk="w2", start=visits["start"] + pd.Timedelta("3D"))
    june = visits.assign(
        visit="w3@a", walk="w3", period="2031-06", start=visits["start"] + pd.Timedelta("40D")
    )
    other = visits.assign(visit="w@b", segment="b")
    walked = pd.concat([june, later, other, visits], ignore_index=True)
    met = pd.concat(
        [detections.assign(visit=name) for name in ("w3@a", "w2@a", "w@b", "w@a")],
        ignore_index=True,
    ).assign(segment=["a", "a", "b", "a"], period=["2031-06", *["2031-05"] * 3])
    told = make_histories(walked, met, prior=0.3)
    by_visit = told.visits.set_index("visit")
    assert by_visit["trails"].to_dict() == {"w@a": 1, "w2@a": 0, "w3@a": 1, "w@b": 1}
    assert by_visit["trails_expected"].to_dict() == {"w@a": 0.8, "w2@a": 0, "w3@a": 0.8, "w@b": 0.8}
    assert by_visit["p_found"].max() == 0.8
    assert sorted(told.signs["visit"]) == ["w3@a", "w@a", "w@b"]


def one_visit(probabilities: list[float]) -> tuple[pd.DataFrame, pd.DataFrame]:
    time = pd.Timestamp("2031-05-03T15:00Z")
    visits = pd.DataFrame(
        {
            "visit": ["w@a"], "walk": "w", "log": "l", "segment": "a", "transect": "wash",
            "start": time, "end": time, "period": "2031-05", "covered_m": 500.0,
            "coverage": 1.0, "effort_km": 0.5,
        }
    )  # fmt: skip
    detections = pd.DataFrame(
        {
            "trail": [f"t{k}" for k in range(len(probabilities))],
            "visit": "w@a", "segment": "a", "period": "2031-05", "offset_m": 0.0,
            "p_puma": np.array(probabilities, dtype=float),
        }
    )  # fmt: skip
    return visits, detections


@pytest.mark.parametrize(
    ("probabilities", "p_found", "grade"),
    [
        ([], 0.0, 0),
        ([0.3], 0.3, 0),
        ([0.5], 0.5, 1),
        ([0.3, 0.3], 0.3, 0),
        ([0.95], 0.95, 2),
        ([0.8, 0.8], 0.8, 1),
        ([0.3] * 9, 0.3, 0),
        ([0.1, 0.97, 0.2], 0.97, 2),
        ([1.0], 1.0, 2),
        ([0.0], 0.0, 0),
    ],
)
def test_a_visit_is_graded_by_its_best_trail(
    probabilities: list[float], p_found: float, grade: int
) -> None:
    visit = make_histories(*one_visit(probabilities), prior=0.3).visits.iloc[0]
    assert visit["p_found"] == pytest.approx(p_found)
    assert (visit["grade"], visit["found"]) == (grade, int(grade == 2))
    assert visit["trails_expected"] == pytest.approx(sum(probabilities))
    assert np.isnan(visit["effort_km_days"])


def test_the_certain_and_the_impossible_keep_finite_ratios() -> None:
    ratios = make_histories(*one_visit([0.0, 1.0]), prior=0.3).signs["log_ratio"]
    assert np.isfinite(ratios).all()
    assert ratios.iloc[0] < -18
    assert ratios.iloc[1] > 18


def test_a_prior_by_taxon_is_read_as_shares() -> None:
    by_name = make_histories(*one_visit([0.5]), prior={"puma": 1.0, "dog": 3.0})
    as_series = make_histories(*one_visit([0.5]), prior=pd.Series({"puma": 0.25, "dog": 0.75}))
    for histories in (by_name, as_series):
        assert np.exp(histories.signs["log_ratio"].iloc[0]) == pytest.approx(3.0)


@pytest.mark.parametrize("prior", [0.0, 1.0, -0.1, 1.2, np.nan])
def test_a_prior_that_is_none_is_told(prior: float) -> None:
    with pytest.raises(InputError, match="not strictly between 0 and 1"):
        make_histories(*one_visit([0.5]), prior=prior)


def test_a_prior_without_the_taxon_is_told() -> None:
    with pytest.raises(InputError, match="no entry for 'puma'"):
        make_histories(*one_visit([0.5]), prior={"dog": 0.5})


def test_a_trail_without_probability_carries_no_evidence_and_is_told() -> None:
    with pytest.warns(DataWarning, match="1 of 2 trails have no probability of puma"):
        histories = make_histories(*one_visit([np.nan, 0.9]), prior=0.2)
    assert histories.signs["log_ratio"].iloc[0] == pytest.approx(0.0)
    assert histories.visits["trails"].iloc[0] == 2


def test_a_taxon_without_a_column_is_told() -> None:
    with pytest.raises(InputError, match="no column 'p_wolf'"):
        make_histories(*one_visit([0.5]), prior=0.2, taxon="wolf")


def test_a_detection_on_no_visit_is_told(frames: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    visits, detections = frames
    lost = detections.assign(visit=detections["visit"].where(detections.index != 1, "nowhere"))
    with pytest.raises(InputError, match=r"1 detection.* row 1: 'nowhere'"):
        make_histories(visits, lost, prior=0.4)


def test_a_faulty_table_is_told(frames: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    visits, detections = frames
    with pytest.raises(TableFaults, match="effort_km: below 0"):
        make_histories(visits.assign(effort_km=-1.0), detections, prior=0.4)
    with pytest.raises(TableFaults, match="p_puma: above 1"):
        make_histories(visits, detections.assign(p_puma=1.5), prior=0.4)


def test_grades_out_of_order_are_told() -> None:
    with pytest.raises(InputError, match="do not follow"):
        make_histories(*one_visit([0.5]), prior=0.2, sure_at=0.4, likely_at=0.6)


def test_every_segment_is_a_unit_in_every_month(frames: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    visits, detections = frames
    later = visits.assign(
        period="2031-06", visit=visits["visit"] + "_june", walk=visits["walk"] + "_june"
    )
    segments = segments_of([f"u{k:05d}" for k in range(8)])
    histories = make_histories(pd.concat([visits, later]), detections, prior=0.4, segments=segments)
    assert len(histories.units) == 16
    assert "surface" in histories.units
    assert len(histories.visits) == 36
    june = histories.in_period("2031-06")
    assert (len(june.units), len(june.visits), len(june.signs)) == (8, 18, 0)
    may = histories.in_period("2031-05")
    assert len(may.signs) == len(detections)


def test_a_visit_to_no_segment_is_told(frames: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    with pytest.raises(InputError, match="not among the segments"):
        make_histories(*frames, prior=0.4, segments=segments_of(["u00000"]))


def test_a_matrix_keeps_blanks_apart_from_zeros() -> None:
    histories = histories_from_matrix(pd.DataFrame([[0, None, 1], [None, None, None]]))
    assert histories.visits["found"].to_list() == [0, 1]
    assert len(histories.units) == 2
    with pytest.raises(InputError, match="unit 0, visit 1 holds 2"):
        histories_from_matrix(pd.DataFrame([[0, 2]]))
