"""Trails followed by hand, and walks of one outing: drawn on a plane, where the truth is plain."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from test_trails_linking import EAST, NORTH, START, grouped, link, make_sign, shares

from carnivore_sign.errors import CrsMissing, DataWarning, InputError
from carnivore_sign.trails import (
    assign_followed,
    lines_of_logs,
    link_trails,
    make_trails,
    outings_of_day,
)


def line(name: str, *points: tuple[float, float], **columns: object) -> gpd.GeoDataFrame:
    moved = [(EAST + x, NORTH + y) for x, y in points]
    return gpd.GeoDataFrame(
        {"followed": [name], **{key: [value] for key, value in columns.items()}},
        geometry=[shapely.LineString(moved)],
        crs="EPSG:32611",
    )


#: Six sign 150 m apart, the middle ones on a trail that was followed round a bend.
ROWS = [{"x": 150.0 * i, "y": 5.0} for i in range(6)]
BEND = [(140.0, 0.0), (300.0, 0.0), (300.0, 200.0), (320.0, 200.0), (320.0, 0.0), (610.0, 0.0)]


def test_sign_beside_a_line_that_was_followed_belong_to_it() -> None:
    sign = make_sign(ROWS)
    found = assign_followed(sign, line("F1", *BEND))
    assert found.dropna().index.tolist() == ["S001", "S002", "S003", "S004"]
    assert set(found.dropna()) == {"F1"}
    nearer = assign_followed(sign, line("F1", *BEND), within_m=2.0)
    assert nearer.dropna().index.tolist() == ["S002"]  # the others lie 5 m off the line


def test_a_sign_noted_at_another_time_does_not_belong_to_it() -> None:
    sign = make_sign(ROWS)
    timed = line("F1", *BEND, start=START, end=START + pd.Timedelta(minutes=2))
    on_time = assign_followed(sign, timed, slack_h=0.0)
    assert on_time.dropna().index.tolist() == ["S001", "S002"]
    assert assign_followed(sign, timed, slack_h=1.0).notna().sum() == 4


def test_of_two_lines_the_nearer_takes_the_sign() -> None:
    both = pd.concat([line("far", (0, 12), (900, 12)), line("near", (0, 3), (900, 3))])
    with pytest.warns(DataWarning, match=r"far, \.\.\."):
        found = assign_followed(make_sign(ROWS), both.reset_index(drop=True))
    assert set(found) == {"near"}


def test_a_followed_trail_keeps_together_and_is_joined_to_sign_before_and_after_it() -> None:
    # Between S002 and S003 the direction that was noted turns about, so that the links
    # would not be made; whoever followed the trail saw that it was one.
    rows = [{**row, "direction_deg": 90.0 if i < 3 else 270.0} for i, row in enumerate(ROWS)]
    sign = make_sign(rows)
    table = pd.DataFrame({"walk": "W", "followed": assign_followed(sign, line("F1", *BEND))})
    alone = link(sign, trails_per_km=3.0)
    told = link(sign, walks=table, trails_per_km=0.3)
    assert len(grouped(alone)) == 2
    assert len(grouped(told)) == 1
    on_it = told["followed"].eq("F1")
    assert on_it.sum() == 4
    # Within what was followed every link is certain; to what is before and after it is not.
    assert (told["link_probability"] == 1.0).sum() == 3
    assert told["link_probability"].dropna().between(0, 1).all()


def test_the_line_of_the_trail_is_the_one_that_was_walked() -> None:
    sign = make_sign(ROWS)
    followed = line("F1", *BEND)
    walks = pd.DataFrame({"walk": "W", "followed": assign_followed(sign, followed)})
    members = link_trails(sign, shares(sign), walks, trails_per_km=0.1)
    p = shares(sign).iloc[:1].set_axis(pd.Index(members["trail"].unique(), name="trail"))
    plain = make_trails(sign, members.drop(columns="followed"), p)
    whole = make_trails(sign, members, p, followed=followed)
    assert plain["length_m"].item() == pytest.approx(750.0, rel=0.01)
    assert whole["length_m"].item() == pytest.approx(750.0 + 400.0, rel=0.02)
    # Logged from the other end, it is turned to fit.
    turned = make_trails(sign, members, p, followed=line("F1", *BEND[::-1]))
    assert turned["length_m"].item() == pytest.approx(whole["length_m"].item(), rel=1e-3)


def test_two_followed_trails_side_by_side_stay_two() -> None:
    rows = [{"x": 50.0 * i, "y": 8.0 * (i % 2), "direction_deg": 90.0} for i in range(8)]
    sign = make_sign(rows)
    assert len(grouped(link(sign))) == 1
    even, odd = line("F0", (-10, 0), (400, 0)), line("F1", (-10, 8), (400, 8))
    both = pd.concat([even, odd], ignore_index=True)
    walks = pd.DataFrame({"walk": "W", "followed": assign_followed(sign, both, within_m=3.0)})
    members = link(sign, walks=walks, trails_per_km=50.0)
    assert grouped(members) == {
        frozenset(sign["sign"].iloc[0::2]),
        frozenset(sign["sign"].iloc[1::2]),
    }


def test_walks_of_one_day_are_joined_where_the_trail_goes_on() -> None:
    # Two parties walk towards each other along one road; a trail lies across both walks.
    rows = [{"x": x, "direction_deg": 90.0} for x in (0.0, 60.0, 120.0, 300.0, 240.0, 180.0)]
    sign = make_sign(rows)
    walks = pd.Series(["A"] * 3 + ["B"] * 3, index=sign["sign"])
    apart = link(sign, walks=walks, trails_per_km=1.0)
    assert apart["trail"].nunique() == 2
    table = outings_of_day(walks, sign, time_zone="America/Denver")
    joined = link(sign, walks=table, trails_per_km=1.0)
    assert len(grouped(joined)) == 1
    assert joined["sign"].tolist() == ["S000", "S001", "S002", "S005", "S004", "S003"]
    assert joined["link_probability"].iloc[1:].between(0.5, 1).all()


def test_walks_of_other_days_and_parties_are_not_joined() -> None:
    sign = make_sign([{"x": 20.0 * i} for i in range(4)])
    sign["time"] = START + pd.to_timedelta([0, 0, 26, 26], unit="h")
    walks = pd.Series(["A", "A", "B", "B"], index=sign["sign"])
    table = outings_of_day(walks, sign, time_zone="America/Denver")
    assert link(sign, walks=table)["trail"].nunique() == 2
    sign["time"] = START
    who = pd.Series(["Ana", "Ana", "Ben", "Ben"], index=sign["sign"])
    together = outings_of_day(walks, sign, time_zone="America/Denver")
    assert len(grouped(link(sign, walks=together))) == 1
    parties = outings_of_day(walks, sign, time_zone="America/Denver", party=who)
    assert link(sign, walks=parties)["trail"].nunique() == 2


def test_a_night_is_counted_in_the_local_day() -> None:
    sign = make_sign([{"x": 0.0}, {"x": 9.0}])
    sign["time"] = pd.to_datetime(["2024-05-01 23:00Z", "2024-05-02 01:00Z"])
    walks = pd.Series(["A", "B"], index=sign["sign"])
    days = outings_of_day(walks, sign, time_zone="America/Denver")["outing"]
    assert len(set(days)) == 1
    assert outings_of_day(walks, sign, time_zone="UTC")["outing"].nunique() == 2


def test_sign_without_any_log_is_linked_by_day_and_place() -> None:
    rows = [{"x": x} for x in (0.0, 40.0, 80.0, 20.0, 60.0, 5000.0)]
    sign = make_sign(rows)
    sign["time"] = START + pd.to_timedelta([0, 0, 0, 26, 26, 0], unit="h")  # no times of day
    none = pd.Series(None, index=sign["sign"], dtype="str")
    alone = link(sign, walks=none)
    assert alone["trail"].nunique() == 6
    told = link(sign, walks=outings_of_day(none, sign, time_zone="America/Denver"))
    assert grouped(told) == {
        frozenset({"S000", "S001", "S002"}), frozenset({"S003", "S004"}), frozenset({"S005"}),
    }  # fmt: skip
    assert told["link_probability"].dropna().between(0.5, 1).all()


def test_sign_without_a_log_joins_the_trail_that_a_walk_of_that_day_found() -> None:
    sign = make_sign([{"x": 40.0 * n} for n in range(4)])
    walks = pd.Series(["W", "W", None, None], index=sign["sign"])
    table = outings_of_day(walks, sign, time_zone="America/Denver")
    assert len(grouped(link(sign, walks=table))) == 1
    # Two parties that did not walk together stay apart, where it is said who found what.
    who = pd.Series(["Ana", "Ana", "Ben", "Ben"], index=sign["sign"])
    parties = outings_of_day(walks, sign, time_zone="America/Denver", party=who)
    assert grouped(link(sign, walks=parties)) == {
        frozenset({"S000", "S001"}), frozenset({"S002", "S003"}),
    }  # fmt: skip


def test_sign_without_time_is_used_for_what_it_does_say() -> None:
    sign = make_sign([{"x": 40.0 * n, "direction_deg": None} for n in range(5)])
    on_walk = sign.assign(time=sign["time"].where(sign.index != 2))
    assert len(grouped(link(on_walk))) == 1  # its walk, its place and its order are known
    none = pd.Series(None, index=sign["sign"], dtype="str")
    table = outings_of_day(none, on_walk, time_zone="America/Denver")
    assert table["outing"].isna().tolist() == [False, False, True, False, False]
    told = link(on_walk, walks=table)
    assert grouped(told) == {frozenset({"S000", "S001", "S003", "S004"}), frozenset({"S002"})}


def fixes_of(log: str, *points: tuple[float, float]) -> gpd.GeoDataFrame:
    places = gpd.points_from_xy(*zip(*[(EAST + x, NORTH + y) for x, y in points], strict=True))
    time = START + pd.to_timedelta(range(len(points)), unit="min")
    table = {"log": log, "time": time}
    return gpd.GeoDataFrame(table, geometry=places, crs="EPSG:32611").to_crs("EPSG:4326")


def test_logs_of_followed_trails_become_their_lines() -> None:
    fixes = pd.concat([fixes_of("B", *BEND[::-1]), fixes_of("A", *BEND)], ignore_index=True)
    lines = lines_of_logs(fixes.iloc[::-1], ["A"])
    assert lines["followed"].tolist() == ["A"]
    assert (lines["start"].iloc[0], lines["end"].iloc[0]) == (
        START, START + pd.Timedelta(minutes=len(BEND) - 1)
    )  # fmt: skip
    walked = lines.to_crs("EPSG:32611").geometry.iloc[0]
    assert walked.length == pytest.approx(shapely.LineString(BEND).length, abs=0.1)
    assert assign_followed(make_sign(ROWS), lines).notna().sum() == 4
    assert lines_of_logs(fixes, []).empty
    with pytest.raises(InputError, match="the log 'C' of a trail that was followed has 0 fixes"):
        lines_of_logs(fixes, ["A", "C"])


def test_bad_lines_are_refused() -> None:
    sign, good = make_sign(ROWS), line("F1", *BEND)
    with pytest.raises(InputError, match="have the name 'F1'"):
        assign_followed(sign, pd.concat([good, good]))
    with pytest.raises(InputError, match="'F1' that was followed is no line"):
        assign_followed(sign, good.set_geometry(good.geometry.centroid))
    with pytest.raises(CrsMissing):
        assign_followed(sign, good.set_crs(None, allow_override=True))
    with pytest.raises(InputError, match="no column 'walk'"):
        link(sign, walks=pd.DataFrame({"log": "W"}, index=sign["sign"]))
    walks = pd.DataFrame({"walk": "W", "followed": assign_followed(sign, good)})
    members = link(sign, walks=walks, trails_per_km=0.1)
    p = shares(sign).iloc[:1].set_axis(pd.Index(members["trail"].unique(), name="trail"))
    with pytest.raises(InputError, match="'F1' that was followed is not among the lines"):
        make_trails(sign, members, p, followed=good.assign(followed="F9"))
