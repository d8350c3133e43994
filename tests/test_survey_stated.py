"""Stated walks: a typed distance makes effort that is flagged, and only where it says which."""

from __future__ import annotations

import pandas as pd
import pytest
from survey_drawing import START, log, logs, points, transects, walk

from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import VISITS
from carnivore_sign.survey import cut_segments, effort_table, make_visits, match_logs, walk_summary
from carnivore_sign.survey.stated import add_stated_walks, assign_stated_walks

NETWORK = cut_segments(transects(MESA=[(0, 0), (3000, 0)], WASH=[(0, 700), (1000, 700)]))
DAY = pd.Timedelta(days=1)
FIXES = log(walk([(0, 0), (3000, 0)], speed_m_s=1.25), name="MON")
MEASURED = make_visits(match_logs(FIXES, NETWORK), NETWORK, None, logs("MON"), time_zone="UTC")


def stated(*rows):
    names = ["walk", "transect", "start", "distance_m", "began_at", "back", "observer"]
    frame = pd.DataFrame(rows, columns=names).astype("object")
    return frame.astype({"start": "datetime64[ms, UTC]"})


def add(*rows, visits=MEASURED):
    return add_stated_walks(visits, stated(*rows), NETWORK, None, time_zone="UTC")


def test_a_typed_distance_is_effort_that_is_flagged() -> None:
    visits, aside = add(("Ann", "MESA", START + 2 * DAY, 3000.0, None, None, "Ann"))
    assert aside.empty
    assert find_faults(visits, VISITS).empty
    new = visits[visits["effort_source"].eq("stated")]
    assert new["segment"].tolist() == ["MESA#001", "MESA#002", "MESA#003"]
    assert new["log"].isna().all()
    assert new["covered_m"].sum() == pytest.approx(3000, abs=0.01)
    assert set(visits["effort_source"]) == {"measured", "stated"}
    table = effort_table(visits, NETWORK).set_index("transect")
    assert table.loc["MESA", "stated_km"] == pytest.approx(3, abs=0.001)
    assert table.loc["MESA", "effort_km"] == pytest.approx(6, abs=0.02)
    assert walk_summary(visits).set_index("walk")["stated"].to_dict() == {
        "MON#1": False, "Ann": True,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("distance", "began_at", "back", "covered", "walked"),
    [
        (1500.0, "start", None, {"MESA#001": 1000, "MESA#002": 500}, 1500),
        (1500.0, "end", None, {"MESA#002": 500, "MESA#003": 1000}, 1500),
        (3000.0, "start", "yes", {"MESA#001": 1000, "MESA#002": 500}, 3000),
        (3058.0, None, None, {"MESA#001": 1000, "MESA#002": 1000, "MESA#003": 1000}, 3058),
        (6200.0, None, "yes", {"MESA#001": 1000, "MESA#002": 1000, "MESA#003": 1000}, 6200),
    ],
)
def test_metres_are_laid_from_the_end_where_it_began(
    distance, began_at, back, covered, walked
) -> None:
    visits, aside = add(("Ann", "MESA", START, distance, began_at, back, None), visits=MEASURED[:0])
    assert aside.empty
    assert visits.set_index("segment")["covered_m"].round(2).to_dict() == covered
    assert visits["walked_m"].sum() == pytest.approx(walked, abs=0.6)


def test_a_stated_walk_between_two_others_ends_what_was_collecting() -> None:
    later = log(walk([(0, 0), (3000, 0)]), name="FRI", start=START + 4 * DAY)
    fixes = pd.concat([FIXES, later], ignore_index=True)
    both = make_visits(
        match_logs(fixes, NETWORK), NETWORK, None, logs("MON", "FRI"), time_zone="UTC"
    )
    row = ("Ann", "MESA", START + 3 * DAY, 3000.0, None, None, None)
    visits = add(row, visits=both)[0].set_index("visit")["effort_km_days"]
    assert both.set_index("visit")["effort_km_days"]["FRI#1@MESA#001"] == pytest.approx(4, abs=0.05)
    assert visits["FRI#1@MESA#001"] == pytest.approx(1, abs=0.05)
    assert visits["Ann@MESA#001"] == pytest.approx(3, abs=0.05)


def test_rows_that_say_too_little_are_set_aside_with_the_reason() -> None:
    good = ("Ann", "MESA", START + 2 * DAY, 3000.0, None, None, None)
    visits, aside = add(
        good,
        ("Bo", "MESA", START + 2 * DAY, 1200.0, None, None, None),
        ("Cy", "WASH", START + 2 * DAY, -3.0, None, None, None),
        ("Di", "MESA", START + 2 * DAY, None, None, None, None),
        ("Ed", "RIM", START + 2 * DAY, 3000.0, None, None, None),
        ("MON#1", "MESA", START + 2 * DAY, 3000.0, None, None, None),
        ("Ann", "MESA", START + 2 * DAY, 2000.0, "start", None, None),
        ("Fy", "MESA", None, 3000.0, None, None, None),
        ("Gus", "MESA", START + 2 * DAY, 1000.0, "gate", None, None),
        (None, "MESA", START + 2 * DAY, 3000.0, None, None, None),
    )
    assert visits["walk"].nunique() == 2
    assert aside["reason"].tolist() == [
        "1200 of 3000 m: say at which end it began",
        "no distance: say how far was walked",
        "no distance: say how far was walked",
        "no transect of that name",
        "a walk of that name has a log",
        "the walk is stated twice on that transect",
        "no start in UTC",
        "began_at is not one of start, end",
        "no name of the walk",
    ]


def test_nothing_stated_changes_nothing() -> None:
    visits, aside = add()
    assert aside.empty
    pd.testing.assert_frame_equal(visits, MEASURED)


def test_who_was_measured_is_not_counted_again() -> None:
    in_company = ("Bo", "MESA", START + pd.Timedelta(minutes=20), 3000.0, None, None, "Bo")
    _, aside = add(in_company)
    assert aside["reason"].tolist() == ["a log covers that transect at that time"]
    elsewhere = ("Bo", "WASH", START + pd.Timedelta(minutes=20), 1000.0, None, None, "Bo")
    assert add(elsewhere)[1].empty
    later = ("Bo", "MESA", START + pd.Timedelta(hours=3), 3000.0, None, None, "Bo")
    assert add(later)[1].empty
    logged = stated(later).assign(logged="yes")
    visits, aside = add_stated_walks(MEASURED, logged, NETWORK, None, time_zone="UTC")
    assert aside.empty
    pd.testing.assert_frame_equal(visits, MEASURED)


def sign_at(*places):
    """Sign at metres along and beside MESA, hours after the first walk began."""
    names = [f"S{n}" for n in range(len(places))]
    times = [START + pd.Timedelta(hours=hours) for _, _, hours in places]
    return points([place[:2] for place in places], sign=names, time=times)


def test_sign_of_a_stated_walk_is_found_on_it() -> None:
    row = ("Ann", "MESA", START + 2 * DAY, 1500.0, "start", None, "Ann")
    visits, _ = add(row)
    sign = sign_at((800, 20, 50), (800, 300, 50), (2500, 20, 50), (800, 20, 61), (800, 20, 47))
    walks = pd.Series([None] * 5, index=sign["sign"], dtype="str")
    told = assign_stated_walks(walks, sign, visits, NETWORK)
    # On it; too far off; on a segment that it did not reach; after it; before it.
    assert told.fillna("-").tolist() == ["Ann", "-", "-", "-", "-"]
    kept = assign_stated_walks(walks.fillna("MON#1"), sign, visits, NETWORK)
    assert set(kept) == {"MON#1"}
    assert assign_stated_walks(walks, sign, MEASURED, NETWORK).isna().all()
    named = sign.assign(walk=[None, "Ann", "MON#1", None, None])
    told = assign_stated_walks(walks, named, visits, NETWORK)
    assert told.fillna("-").tolist() == ["Ann", "Ann", "-", "-", "-"], "a stated walk is believed"
