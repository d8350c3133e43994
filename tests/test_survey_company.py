"""Company: receivers carried together make one walk, and others do not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from survey_drawing import START, log, logs, points, transects, walk

from carnivore_sign.survey import company as room
from carnivore_sign.survey.company import join_company
from carnivore_sign.survey.detections import assign_walks, make_detections
from carnivore_sign.survey.matching import match_logs
from carnivore_sign.survey.rates import detection_rates
from carnivore_sign.survey.segments import cut_segments
from carnivore_sign.survey.visits import make_visits

ROAD = cut_segments(transects(MESA=[(0, 0), (3000, 0)]))
OUT, BACK = [(0, 0), (3000, 0)], [(3000, 0), (0, 0)]


def later(minutes: float) -> pd.Timestamp:
    return START + pd.Timedelta(minutes=minutes)


def walks_of(*some) -> dict[str, set[str]]:
    """Names of the walks of each log."""
    matched = match_logs(pd.concat(some, ignore_index=True), ROAD)
    return {str(name): set(part["walk"]) for name, part in matched.groupby("log", observed=True)}


def visits_of(*some, clearings=None) -> tuple[pd.DataFrame, pd.DataFrame]:
    fixes = pd.concat(some, ignore_index=True)
    matched = match_logs(fixes, ROAD)
    names = logs(*fixes["log"].unique())
    return matched, make_visits(matched, ROAD, clearings, names, time_zone="UTC")


def test_two_receivers_of_one_party_are_the_walk_of_the_earliest() -> None:
    rng = np.random.default_rng(7)
    ann = log(walk(OUT, noise_m=5, rng=rng), name="ANN", start=later(0.5))
    bo = log(walk(OUT, noise_m=5, rng=rng, every_s=17), name="BO", every_s=17)
    cy = log(walk(OUT), name="CY", start=later(2.5))  # 180 m behind
    assert walks_of(ann, bo, cy) == {"ANN": {"BO#1"}, "BO": {"BO#1"}, "CY": {"BO#1"}}


@pytest.mark.parametrize(
    "other",
    [
        log(walk(BACK), name="B"),  # they meet once
        log(walk(OUT), name="B", start=later(5)),  # 360 m behind
        log(walk([(0, 500), (3000, 500)]), name="B"),  # on the next ridge
        log(walk(OUT), name="B", start=START + pd.Timedelta(days=1)),
        log(walk(BACK), name="B", start=later(40)),  # takes over at the far end
    ],
)
def test_others_on_the_same_road_are_walks_of_their_own(other) -> None:
    assert walks_of(log(walk(OUT), name="A"), other) == {"A": {"A#1"}, "B": {"B#1"}}


def test_a_lone_walk_while_the_other_is_out_is_not_company() -> None:
    away = walk([(0, 0), (3000, 0)], speed_m_s=0.25, every_s=30)
    out_and_back = log(np.vstack([away, away[::-1]]), name="A", every_s=30)
    alone = log(walk([(0, 0), (900, 0)]), name="B", start=later(180))
    assert walks_of(out_and_back, alone) == {"A": {"A#1"}, "B": {"B#1"}}


def test_a_receiver_that_ran_for_part_of_the_way_belongs_to_the_party() -> None:
    part = log(walk([(1200, 0), (2400, 0)]), name="B", start=later(1200 / 1.2 / 60))
    assert walks_of(log(walk(OUT), name="A"), part) == {"A": {"A#1"}, "B": {"A#1"}}


def test_each_day_is_judged_by_itself() -> None:
    monday, tuesday = START, START + pd.Timedelta(days=1)
    two_days = [
        log(walk(OUT), name="A", start=day, part=n) for n, day in enumerate((monday, tuesday))
    ]
    told = walks_of(*two_days, log(walk(OUT), name="B", start=tuesday))
    assert told == {"A": {"A#1", "A#2"}, "B": {"A#2"}}


def test_a_party_makes_one_visit_that_unites_what_its_receivers_covered() -> None:
    whole = walk(OUT)
    first, second = whole.copy(), whole.copy()
    half = len(whole) // 2
    first[half:, 1] += 150  # each leaves the road for one half, and stays in sight of the other
    second[:half, 1] += 150
    for fixes, km in [((first, second), 3.0), ((whole, whole), 3.0), ((first,), 1.5)]:
        some = [log(xy, name=name) for xy, name in zip(fixes, "AB", strict=False)]
        matched, visits = visits_of(*some)
        assert visits["effort_km"].sum() == pytest.approx(km, abs=0.03)
        assert visits["visit"].is_unique
        assert set(visits["walk"]) == {"A#1"}
        assert set(visits["log"]) == {"A"}
        assert set(matched["log"]) == set("AB"[: len(some)]), "the fixes keep their log"
    assert set(visits["observer"]) == {"observer of A"}
    _, visits = visits_of(log(whole, name="B"), log(whole, name="A", start=later(-0.2)))
    assert set(visits["observer"]) == {"observer of A, observer of B"}


def test_a_second_receiver_changes_neither_rate_nor_trails() -> None:
    cleared = pd.DataFrame(
        {"cause": ["drag"], "time": [START - pd.Timedelta(days=3)], "transects": ["all"]}
    )
    minutes = np.array([5.0, 15, 25, 35])
    sign = points(
        np.column_stack([minutes * 72, np.tile([0.0, 6.0], 2)]),
        sign=list("abcd"), time=START + pd.to_timedelta(minutes + 0.3, unit="min"), kind="track",
    )  # fmt: skip
    members = pd.DataFrame({"sign": list("abcd"), "trail": list("abcd")})
    trails = pd.DataFrame({"trail": list("abcd"), "made_before": sign["time"], "p_puma": 1.0})
    one, two = log(walk(OUT), name="A"), log(walk([(0, 6), (3000, 6)]), name="B", start=later(0.4))
    told = []
    for some in [(one,), (one, two)]:
        matched, visits = visits_of(*some, clearings=cleared)
        walks = assign_walks(sign, matched)
        found, aside = make_detections(trails, members, sign, ROAD, visits, walks=walks)
        assert aside.empty
        rates = detection_rates(visits, found)
        told.append(rates[["visits", "effort_km", "effort_km_days", "trails_per_km_day"]])
    np.testing.assert_allclose(told[0], told[1], rtol=0.01)


def test_against_the_plain_way_on_drawn_parties() -> None:
    # Pair by pair, each with an interpolation of its own in place of one clock for all.
    rng = np.random.default_rng(3)
    walks = []
    for _ in range(40):
        begin, turn = rng.uniform(0, 9000), rng.choice([-1, 1])
        seconds = begin + np.sort(rng.uniform(0, rng.uniform(900, 3000), 60))
        x = turn * 1.2 * (seconds - 4500) + rng.normal(0, 5, 60)
        walks.append((seconds, x, rng.uniform(0, 300) + rng.normal(0, 5, 60)))
    number = np.repeat(np.arange(40), 60)
    told = join_company(number, *(np.concatenate(some) for some in zip(*walks, strict=True)))
    party = {n: {n} for n in range(40)}
    for n in range(40):
        for m in range(n):
            if together(walks[n], walks[m]):
                joined = party[n] | party[m]
                party.update(dict.fromkeys(joined, joined))
    earliest = [min(party[n], key=lambda w: walks[w][0][0]) for n in range(40)]
    assert told.reshape(40, 60).tolist() == [[n] * 60 for n in earliest]
    assert 3 < len(set(earliest)) < 35


def together(one, other) -> bool:
    begin, end = max(one[0][0], other[0][0]), min(one[0][-1], other[0][-1])
    shorter = min(np.ptp(one[0]), np.ptp(other[0]))
    if end <= begin or end - begin < room.MOST * shorter:
        return False
    moments = begin + (end - begin) * (np.arange(48) + 0.5) / 48
    (x1, y1), (x2, y2) = (
        [np.interp(moments, some[0], some[k]) for k in (1, 2)] for some in (one, other)
    )
    return bool((np.hypot(x1 - x2, y1 - y2) <= room.TOGETHER_WITHIN_M).mean() > room.MOST)


def test_nothing_gives_nothing() -> None:
    none = np.empty(0)
    assert not len(join_company(none.astype(int), none, none, none))
