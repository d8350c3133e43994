"""Visits: effort, months, clearings and accumulation time on drawn walks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from survey_drawing import START, log, logs, transects, walk

from carnivore_sign.errors import DataWarning, InputError, NothingSurveyed
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import VISITS
from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING
from carnivore_sign.survey.clearing import spread_clearings
from carnivore_sign.survey.matching import match_logs
from carnivore_sign.survey.segments import cut_segments
from carnivore_sign.survey.visits import make_visits, visits_in, walk_summary

NETWORK = cut_segments(transects(MESA=[(0, 0), (2000, 0)], WASH=[(0, 700), (1000, 700)]))
ZONE = "America/Los_Angeles"
MESA = walk([(0, 0), (2000, 0)], speed_m_s=1.25)
HOUR, DAY = pd.Timedelta(hours=1), pd.Timedelta(days=1)


def clearings(*events):
    frame = pd.DataFrame(events, columns=["cause", "time", "transects"])
    return frame.astype({"time": "datetime64[ms, UTC]"})


def visits_of(*walks, cleared=None, **options):
    fixes = pd.concat(walks, ignore_index=True)
    names = fixes["log"].unique()
    options = {"time_zone": ZONE, **options}
    return make_visits(match_logs(fixes, NETWORK), NETWORK, cleared, logs(*names), **options)


def test_visits_keep_to_their_table() -> None:
    visits = visits_of(log(MESA))
    assert find_faults(visits, VISITS).empty
    assert visits["visit"].tolist() == ["MON#1@MESA#001", "MON#1@MESA#002"]
    assert set(visits["observer"]) == {"observer of MON"}
    np.testing.assert_allclose(visits["covered_m"], 1000, atol=0.1)
    np.testing.assert_allclose(visits["coverage"], 1, atol=1e-4)
    np.testing.assert_allclose(visits["effort_km"], visits["covered_m"] / 1000)


def test_start_and_end_are_those_of_the_fixes_on_the_segment() -> None:
    visits = visits_of(log(walk([(5, 0), (2000, 0)], speed_m_s=1.25)))
    seconds = [visits[name].sub(START).dt.total_seconds().tolist() for name in ("start", "end")]
    assert seconds == [[0, 800], [790, 1590]]


def test_a_segment_crossed_between_two_fixes_has_the_time_of_the_nearest() -> None:
    short = cut_segments(transects(MESA=[(0, 0), (900, 0)]), length_m=50)
    fixes = log([(90, 0), (260, 0)], seconds=[0, 100])
    visits = make_visits(match_logs(fixes, short), short, None, logs("MON"), time_zone=ZONE)
    assert visits["segment"].tolist() == [f"MESA#00{n}" for n in (2, 3, 4, 5, 6)]
    assert visits["start"].sub(START).dt.total_seconds().tolist() == [0, 0, 0, 100, 100]


def test_the_month_is_the_local_one() -> None:
    late = pd.Timestamp("2024-06-01 05:30", tz="UTC")  # the evening of 31 May in Los Angeles
    assert set(visits_of(log(MESA, start=late))["period"]) == {"2024-05"}
    assert set(visits_of(log(MESA, start=late), time_zone="UTC")["period"]) == {"2024-06"}


def test_a_segment_that_was_only_touched_is_no_visit() -> None:
    touched = log(walk([(0, 0), (1090, 0)]))
    assert visits_of(touched)["segment"].tolist() == ["MESA#001"]
    assert len(visits_of(touched, min_coverage=0.05)) == 2


def test_hours_run_from_the_latest_clearing_before_the_visit() -> None:
    cleared = clearings(
        ("rain", START - 90 * HOUR, "all"),
        ("drag", START - 30 * HOUR, "MESA"),
        ("wind", START - 10 * HOUR, "WASH"),
        ("rain", START + 5 * HOUR, "all"),
    )
    wash = log(walk([(0, 700), (1000, 700)]), name="TUE")
    visits = visits_of(log(MESA), wash, cleared=cleared).set_index("visit")
    assert visits.loc["MON#1@MESA#001", "hours_since_cleared"] == pytest.approx(30)
    assert visits.loc["MON#1@MESA#001", "cleared_by"] == "drag"
    assert visits.loc["TUE#1@WASH#001", "hours_since_cleared"] == pytest.approx(10)
    assert visits.loc["TUE#1@WASH#001", "cleared_by"] == "wind"
    assert visits.loc["MON#1@MESA#001", "effort_km_days"] == pytest.approx(30 / 24, abs=1e-3)


def test_without_a_clearing_or_a_visit_before_nothing_is_said() -> None:
    visits = visits_of(log(MESA))
    assert visits[["hours_since_cleared", "cleared_by", "effort_km_days"]].isna().all(axis=None)


def test_new_sign_gathers_since_the_later_of_clearing_and_visit_before() -> None:
    cleared = clearings(("rain", START - 2 * DAY, "all"))
    walks = [log(MESA, name=f"L{n}", start=START + n * DAY) for n in (0, 3)]
    visits = visits_of(*walks, cleared=cleared).query("segment == 'MESA#001'")
    np.testing.assert_allclose(visits["hours_since_cleared"], [48, 120], atol=1e-6)
    since_visit = 3 - 800 / 86400
    np.testing.assert_allclose(visits["effort_km_days"], [2, since_visit], atol=1e-3)


def test_a_visit_before_is_known_even_where_no_clearing_is() -> None:
    walks = [log(MESA, name=f"L{n}", start=START + n * DAY) for n in (0, 3)]
    visits = visits_of(*walks).query("segment == 'MESA#001'")
    assert visits["effort_km_days"].isna().tolist() == [True, False]
    assert visits["hours_since_cleared"].isna().all()


def test_accumulation_is_capped() -> None:
    cleared = clearings(("rain", START - 40 * DAY, "all"))
    visits = visits_of(log(MESA), cleared=cleared)
    np.testing.assert_allclose(visits["effort_km_days"], MAX_DAYS_COLLECTING, atol=1e-3)
    np.testing.assert_allclose(visits["hours_since_cleared"].iloc[0], 960)
    longer = visits_of(log(MESA), cleared=cleared, max_days_collecting=30)
    np.testing.assert_allclose(longer["effort_km_days"], 30, atol=5e-3)


def test_two_observers_at_once_do_not_gather_new_sign_twice() -> None:
    cleared = clearings(("rain", START - 2 * DAY, "all"))
    pair = visits_of(log(MESA, name="A"), log(MESA, name="B"), cleared=cleared)
    per_segment = pair.groupby("segment")["effort_km_days"].sum()
    np.testing.assert_allclose(per_segment, [2, 2], atol=0.02)


def test_clearings_are_spread_over_their_transects() -> None:
    events = clearings(("drag", START, "MESA; WASH"), ("rain", START - DAY, "All"))
    spread = spread_clearings(events, pd.Index(["MESA", "WASH", "RIM"]))
    assert spread["cause"].tolist() == ["rain"] * 3 + ["drag"] * 2
    assert spread["transect"].tolist()[3:] == ["MESA", "WASH"]
    assert spread_clearings(None, pd.Index(["MESA"])).empty
    with pytest.warns(DataWarning, match="RIM"):
        assert spread_clearings(clearings(("drag", START, "RIM")), pd.Index(["MESA"])).empty


def test_a_clearing_of_an_unknown_transect_is_told() -> None:
    cleared = clearings(("drag", START - DAY, "MESSA;WASH"))
    with pytest.warns(DataWarning, match=r"MESSA.*MESA, WASH"):
        visits = visits_of(log(MESA), cleared=cleared)
    assert visits["hours_since_cleared"].isna().all()


def test_the_summary_of_walks_adds_up() -> None:
    walks = [log(MESA, name=f"L{n}", start=START + n * DAY) for n in (0, 3)]
    visits = visits_of(*walks)
    summary = walk_summary(visits)
    assert summary["walk"].tolist() == ["L0#1", "L3#1"]
    assert summary["segments"].tolist() == [2, 2]
    assert summary["transects"].tolist() == [1, 1]
    np.testing.assert_allclose(summary["hours"], 1600 / 3600)
    assert summary["covered_km"].sum() == pytest.approx(visits["effort_km"].sum())
    assert summary["effort_km_days"].isna().tolist() == [True, False]


def test_a_month_without_walks_names_the_months_that_have_some() -> None:
    visits = visits_of(log(MESA), log(MESA, name="L2", start=START + 40 * DAY))
    assert len(visits_in(visits, "2024-05")) == 2
    with pytest.raises(NothingSurveyed, match=r"2024-07.*2024-05, 2024-06.*Import the GPS logs"):
        visits_in(visits, "2024-07")
    with pytest.raises(NothingSurveyed, match="months with walks: none"):
        visits_in(visits.iloc[:0], "2024-07")


def test_no_walk_on_any_transect_gives_an_empty_table() -> None:
    visits = visits_of(log([(0, 9000), (10, 9000)]))
    assert visits.empty
    assert list(visits.columns) == list(VISITS.names)
    assert walk_summary(visits).empty


def test_an_unknown_zone_and_a_wrong_share_are_refused() -> None:
    with pytest.raises(InputError, match="IANA"):
        visits_of(log(MESA), time_zone="Mars/Olympus")
    with pytest.raises(InputError, match="min_coverage"):
        visits_of(log(MESA), min_coverage=40)


def test_order_of_logs_does_not_change_the_visits() -> None:
    walks = [log(MESA, name=f"L{n}", start=START + n * DAY) for n in (0, 3)]
    pd.testing.assert_frame_equal(visits_of(*walks), visits_of(*walks[::-1]))
