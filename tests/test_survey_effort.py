"""Effort: the table of who walked what and when shows its gaps and adds up."""

from __future__ import annotations

import pandas as pd
import pytest
from survey_drawing import START, log, logs, transects, walk

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.survey import cut_segments, effort_table, make_visits, match_logs

NETWORK = cut_segments(transects(MESA=[(0, 0), (2000, 0)], WASH=[(0, 700), (1000, 700)]))
LATER = START + pd.Timedelta(days=62)
FIXES = pd.concat(
    [
        log(walk([(0, 0), (2000, 0)], speed_m_s=1.25), name="MAY"),
        log(walk([(0, 0), (950, 0)], speed_m_s=1.25), name="JULY", start=LATER),
        log(walk([(0, 700), (1000, 700)], speed_m_s=1.25), name="WASH", start=LATER),
    ],
    ignore_index=True,
)
VISITS = make_visits(
    match_logs(FIXES, NETWORK), NETWORK, None, logs("MAY", "JULY", "WASH"), time_zone="UTC"
)


def test_every_transect_has_a_row_in_every_month_and_gaps_are_told() -> None:
    table = effort_table(VISITS, NETWORK)
    assert table["period"].tolist() == ["2024-05", "2024-06", "2024-07"] * 2
    assert table["gap"].tolist() == [False, True, False, True, True, False]
    assert table["segments"].tolist() == [2, 2, 2, 1, 1, 1]
    assert table["segments_walked"].tolist() == [2, 0, 1, 0, 0, 1]
    assert table["observers"].tolist()[:3] == ["observer of MAY", "", "observer of JULY"]
    assert table["last"].isna().tolist() == table["gap"].tolist()
    assert table["effort_km"].sum() == pytest.approx(VISITS["effort_km"].sum())
    assert table["effort_km_days"].isna().tolist() == [True, True, False, True, True, True]


def test_segments_and_months_can_be_chosen() -> None:
    table = effort_table(VISITS, NETWORK, by="segment", periods=["2024-07", "2024-08"])
    assert len(table) == 6
    walked = table.loc[~table["gap"], "segment"].tolist()
    assert walked == ["MESA#001", "WASH#001"]


def test_a_party_is_one_length() -> None:
    pair = pd.concat([log(walk([(0, 0), (2000, 0)]), name=n) for n in "AB"], ignore_index=True)
    visits = make_visits(match_logs(pair, NETWORK), NETWORK, None, logs("A", "B"), time_zone="UTC")
    table = effort_table(visits, NETWORK).set_index("transect")
    assert visits["effort_km"].sum() == pytest.approx(2, abs=0.02)
    assert table.loc["MESA", "effort_km"] == pytest.approx(2, abs=0.02)
    assert table.loc["MESA", "walks"] == 1
    assert table.loc["MESA", "observers"] == "observer of A, observer of B"


def test_no_visits_and_another_unit_are_told() -> None:
    with pytest.raises(NothingSurveyed, match="import GPS logs"):
        effort_table(VISITS.iloc[:0], NETWORK)
    named = effort_table(VISITS.iloc[:0], NETWORK, periods=["2024-05"])
    assert named["gap"].all()
    with pytest.raises(InputError, match="'transect' or 'segment'"):
        effort_table(VISITS, NETWORK, by="month")
