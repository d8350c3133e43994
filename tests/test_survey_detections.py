"""Detections: which walk found a sign, and one row per trail, segment and visit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from survey_drawing import START, log, logs, points, transects, walk

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import DETECTIONS
from carnivore_sign.survey import detections as room
from carnivore_sign.survey.detections import assign_walks, make_detections
from carnivore_sign.survey.matching import match_logs
from carnivore_sign.survey.segments import cut_segments
from carnivore_sign.survey.visits import make_visits

NETWORK = cut_segments(transects(MESA=[(0, 0), (3000, 0)], WASH=[(0, 60), (3000, 60)]))
MINUTE = pd.Timedelta(minutes=1)
LATER = START + pd.Timedelta(days=3)
MATCHED = match_logs(
    pd.concat(
        [
            log(walk([(0, 0), (2050, 0)], speed_m_s=1.25), name="MON"),
            log(walk([(0, 0), (950, 0)], speed_m_s=1.25), name="THU", start=LATER),
        ],
        ignore_index=True,
    ),
    NETWORK,
)
VISITS = make_visits(MATCHED, NETWORK, None, logs("MON", "THU"), time_zone="UTC")


def signs(*rows):
    """SIGN from (name, east, north, minutes after the start)."""
    names, east, north, minutes = zip(*rows, strict=True)
    time = START + pd.to_timedelta(minutes, unit="min")
    return points(np.column_stack([east, north]), sign=list(names), time=time, kind="track")


def trails(*names, p=0.8, made_before=LATER):
    return pd.DataFrame(
        {"trail": names, "made_before": made_before, "p_puma": p, "p_dog": 1 - p}
    ).astype({"made_before": VISITS["start"].dtype})


def members(**of):
    return pd.DataFrame(
        [(sign, trail) for trail, some in of.items() for sign in some], columns=["sign", "trail"]
    )


def detect(sign, which, *, trail=None, **options):
    walks = assign_walks(sign, MATCHED)
    trail = trails(*which["trail"].unique()) if trail is None else trail
    return make_detections(trail, which, sign, NETWORK, VISITS, walks=walks, **options)


def test_sign_goes_to_the_walk_nearest_in_place_and_time() -> None:
    thursday = 3 * 24 * 60
    sign = signs(
        ("on Monday", 500, 5, 7),
        ("on Thursday", 500, 5, thursday + 7),
        ("between, nearer Monday", 500, 5, 600),
        ("too late", 500, 5, 24 * 60),
        ("too far", 500, 400, 7),
    )
    walks = assign_walks(sign, MATCHED)
    assert walks.index.tolist() == sign["sign"].tolist()
    assert walks.iloc[:3].tolist() == ["MON#1", "THU#1", "MON#1"]
    assert walks.iloc[3:].isna().all()
    assert assign_walks(sign, MATCHED, within_h=30)["too late"] == "MON#1"
    assert assign_walks(sign, MATCHED, within_m=450)["too far"] == "MON#1"


def test_of_two_walks_at_one_time_the_nearer_is_taken() -> None:
    two = match_logs(
        pd.concat(
            [
                log(walk([(0, 0), (900, 0)]), name="A"),
                log(walk([(900, 60), (0, 60)]), name="B"),
            ],
            ignore_index=True,
        ),
        NETWORK,
    )
    walks = assign_walks(signs(("low", 500, 8, 7), ("high", 500, 52, 7)), two)
    assert walks.tolist() == ["A#1", "B#1"]


def test_sign_without_a_place_or_without_walks_has_none() -> None:
    sign = signs(("S1", 500, 5, 7), ("S2", 500, 5, 7))
    sign.loc[1, "geometry"] = None
    assert assign_walks(sign, MATCHED).isna().tolist() == [False, True]
    assert assign_walks(sign, MATCHED.iloc[:0]).isna().all()
    assert assign_walks(sign.iloc[:0], MATCHED).empty


def test_a_trail_is_one_detection_on_each_segment_that_its_sign_lie_on() -> None:
    sign = signs(
        ("S1", 300, 9, 4), ("S2", 320, 4, 4), ("S3", 980, 2, 13), ("S4", 1020, -7, 14),
        ("S5", 1500, 3, 20),
    )  # fmt: skip
    found, incidental = detect(sign, members(T1=["S1", "S2", "S3", "S4"], T2=["S5"]))
    assert find_faults(found, DETECTIONS).empty
    assert found[["trail", "segment"]].to_numpy().tolist() == [
        ["T1", "MESA#001"], ["T1", "MESA#002"], ["T2", "MESA#002"],
    ]  # fmt: skip
    np.testing.assert_allclose(found["offset_m"], [2, 7, 3], atol=0.02)
    assert set(found["visit"]) == {"MON#1@MESA#001", "MON#1@MESA#002"}
    assert set(found["period"]) == {"2024-05"}
    np.testing.assert_allclose(found["p_puma"], 0.8)
    np.testing.assert_allclose(found["p_dog"], 0.2)
    assert found["p_bobcat"].isna().all()
    assert incidental.empty


def test_detections_tell_trails_with_tracks_from_scat_alone() -> None:
    sign = signs(("S1", 300, 0, 4), ("S2", 310, 0, 4), ("S3", 500, 0, 7), ("S4", 1500, 0, 20))
    sign["kind"] = ["track", "scat", "scat", "scrape"]
    found, _ = detect(sign, members(T1=["S1", "S2"], T2=["S3"], T3=["S4"]))
    assert dict(zip(found["trail"], found["with_tracks"], strict=True)) == {
        "T1": 1, "T2": 0, "T3": 0,
    }  # fmt: skip
    assert find_faults(found, DETECTIONS).empty


def test_one_trail_found_on_two_walks_is_a_detection_on_each_visit() -> None:
    sign = signs(("S1", 300, 0, 4), ("S2", 310, 0, 3 * 24 * 60 + 4))
    found, _ = detect(sign, members(T1=["S1", "S2"]))
    assert found["visit"].tolist() == ["MON#1@MESA#001", "THU#1@MESA#001"]


def test_sign_before_its_walk_began_is_named_and_kept_apart() -> None:
    sign = signs(("early", 300, 0, -180), ("watch", 310, 0, -40), ("good", 320, 0, 4))
    found, incidental = detect(sign, members(T1=["early"], T2=["watch"], T3=["good"]))
    assert found["trail"].tolist() == ["T2", "T3"]
    assert incidental[["sign", "reason"]].to_numpy().tolist() == [["early", room.BEFORE_WALK]]


def test_sign_goes_to_a_segment_that_was_visited_before_a_nearer_one_that_was_not() -> None:
    found, _ = detect(signs(("S1", 300, 45, 4)), members(T1=["S1"]))
    assert found["segment"].tolist() == ["MESA#001"]
    assert found["offset_m"].iloc[0] == pytest.approx(45, abs=0.05)


def test_sign_that_makes_no_detection_is_kept_with_the_reason() -> None:
    sign = signs(
        ("good", 300, 0, 4), ("off", 300, -150, 4), ("nobody", 2900, 0, 40),
        ("not visited", 2080, 0, 28), ("no place", 300, 0, 4), ("no trail", 310, 0, 4),
    )  # fmt: skip
    sign.loc[4, "geometry"] = None
    which = members(
        T1=["good", "off", "nobody", "not visited", "no place", "lost"], T9=["no trail"]
    )
    found, incidental = detect(sign, which, trail=trails("T1"))
    assert found["trail"].tolist() == ["T1"]
    assert dict(zip(incidental["sign"], incidental["reason"], strict=True)) == {
        "off": room.OFF_TRANSECT,
        "nobody": room.NO_WALK,
        "not visited": room.NO_VISIT,
        "no place": room.NO_POSITION,
        "lost": room.NOT_A_SIGN,
        "no trail": room.NOT_A_TRAIL,
    }
    assert len(which) == len(incidental) + 1
    again, _ = detect(sign, which, trail=trails("T1"), max_offset_m=200)
    assert again["offset_m"].tolist() == found["offset_m"].tolist()


def thursday_sign(kind="track"):
    return signs(("S1", 300, 0, 3 * 24 * 60 + 4)).assign(kind=kind)


@pytest.mark.parametrize("kind", ["track", "scat"])
def test_a_trail_that_lay_there_at_the_last_visit_is_not_new(kind) -> None:
    monday = VISITS.query("walk == 'MON#1' and segment == 'MESA#001'").iloc[0]
    after, before = (trails("T1", made_before=monday["end"] + gap) for gap in (MINUTE, -MINUTE))
    found, incidental = detect(thursday_sign(kind), members(T1=["S1"]), trail=after)
    assert found["visit"].tolist() == ["THU#1@MESA#001"]
    assert incidental.empty
    found, incidental = detect(thursday_sign(kind), members(T1=["S1"]), trail=before)
    assert found.empty
    assert incidental["reason"].tolist() == [room.SEEN_BEFORE]
    assert incidental["segment"].tolist() == ["MESA#001"]


def test_an_old_trail_on_a_first_visit_counts() -> None:
    old = trails("T1", made_before=START - pd.Timedelta(days=20))
    found, incidental = detect(signs(("S1", 300, 0, 4)), members(T1=["S1"]), trail=old)
    assert found["visit"].tolist() == ["MON#1@MESA#001"]
    assert incidental.empty


def test_a_visit_at_the_same_time_is_no_last_visit() -> None:
    """Two that walk towards each other: what one finds is not old because the other is out."""
    both = [log(walk([(0, 0), (900, 0)]), name="A"), log(walk([(900, 0), (0, 0)]), name="B")]
    matched = match_logs(pd.concat(both, ignore_index=True), NETWORK)
    visits = make_visits(matched, NETWORK, None, logs("A", "B"), time_zone="UTC")
    assert visits["walk"].nunique() == 2
    sign = signs(("S1", 100, 0, 1), ("S2", 800, 0, 1))
    made = sign["time"].to_numpy()
    trail = trails("T1", "T2").assign(made_before=pd.to_datetime(made, utc=True))
    walks = assign_walks(sign, matched)
    which = members(T1=["S1"], T2=["S2"])
    found, _ = make_detections(trail, which, sign, NETWORK, visits, walks=walks)
    assert sorted(found["trail"]) == ["T1", "T2"]


def test_a_clearing_between_the_visits_outweighs_the_stated_age_of_tracks() -> None:
    wiped = VISITS.assign(hours_since_cleared=24.0)
    old = trails("T1", made_before=START - pd.Timedelta(days=1))
    for kind, new in [("track", 1), ("scat", 0)]:
        sign = thursday_sign(kind)
        walks = assign_walks(sign, MATCHED)
        found, _ = make_detections(old, members(T1=["S1"]), sign, NETWORK, wiped, walks=walks)
        assert len(found) == new, "scat outlasts the drag"


def test_no_trails_give_no_detections() -> None:
    sign = signs(("S1", 300, 0, 4))
    found, incidental = detect(sign, members(T1=[]), trail=trails())
    assert found.empty
    assert incidental.empty
    assert list(found.columns) == list(DETECTIONS.names)


def test_names_that_stand_twice_are_refused() -> None:
    sign = signs(("S1", 300, 0, 4), ("S1", 400, 0, 4))
    with pytest.raises(InputError, match=r"'sign': S1"):
        detect(sign, members(T1=["S1"]))
    with pytest.raises(InputError, match=r"'trail': T1"):
        detect(sign.iloc[:1], members(T1=["S1"]), trail=trails("T1", "T1"))


def test_the_side_is_that_of_the_line_as_it_was_drawn_bends_and_ends_included() -> None:
    bend = cut_segments(transects(BEND=[(0, 0), (500, 0), (500, 500)]))
    matched = match_logs(log(walk([(0, 0), (500, 0), (500, 500)]), name="MON"), bend)
    visits = make_visits(matched, bend, None, logs("MON"), time_zone="UTC")
    sign = signs(
        ("north of it", 200, 8, 1), ("south of it", 200, -8, 1), ("on it", 100, 0.1, 1),
        ("inside the bend", 480, 20, 3), ("outside the bend", 520, -20, 3),
        ("east of it", 512, 300, 4), ("before its beginning", -4, 3, 1),
    )  # fmt: skip
    which = members(**{name: [name] for name in sign["sign"]})
    made, _ = make_detections(
        trails(*which["trail"]), which, sign, bend, visits, walks=assign_walks(sign, matched)
    )
    assert made.set_index("trail")["side"].dropna().to_dict() == {
        "north of it": "left", "south of it": "right", "inside the bend": "left",
        "outside the bend": "right", "east of it": "right", "before its beginning": "left",
    }  # fmt: skip
    assert pd.isna(made.set_index("trail").loc["on it", "side"])
