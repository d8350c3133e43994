"""Trails made of linked sign: lines, lengths, directions, and when they were made."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import TRAILS, taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails import link_trails, make_trails

NOON = pd.Timestamp("2024-05-02 12:00", tz="UTC")
HOUR = pd.Timedelta(hours=1)
COLUMNS = [taxon_column(taxon) for taxon in TAXA]


def sign_at(places: list[tuple[float, float]], **columns: object) -> gpd.GeoDataFrame:
    frame = pd.DataFrame({"sign": [f"S{i}" for i in range(len(places))], "kind": "track"})
    frame["time"] = NOON + HOUR * np.arange(len(places))
    shapes = gpd.points_from_xy(*zip(*places, strict=True), crs="EPSG:4326")
    return gpd.GeoDataFrame(frame.assign(**columns), geometry=shapes)


def members_of(sign: gpd.GeoDataFrame, trails: list[str] | None = None) -> pd.DataFrame:
    members = pd.DataFrame({"sign": sign["sign"], "trail": trails or ["T"] * len(sign)})
    return members.assign(order=members.groupby("trail").cumcount(), link_probability=0.9)


def even(*trails: str) -> pd.DataFrame:
    return pd.DataFrame(1 / len(TAXA), index=list(trails), columns=COLUMNS)


def only(sign: gpd.GeoDataFrame, **options) -> pd.Series:
    return make_trails(sign, members_of(sign), even("T"), **options).iloc[0]


def test_a_trail_is_a_line_through_its_sign_in_order_and_keeps_to_the_table() -> None:
    sign = sign_at([(-118.0, 36.0), (-118.001, 36.0), (-118.002, 36.001)])
    members = members_of(sign).assign(order=[2, 1, 0]).sample(frac=1, random_state=3)
    trails = make_trails(sign, members, even("T"))
    assert trails.geometry.iloc[0] == LineString(
        [(-118.002, 36.001), (-118.001, 36.0), (-118.0, 36.0)]
    )
    assert find_faults(trails, TRAILS).empty
    assert list(trails.columns) == [*TRAILS.names, "geometry"]
    assert trails.crs == "EPSG:4326"


def test_its_length_is_that_of_the_geodesic() -> None:
    # 40.6, -73.8 to 49.01666667, 2.55 is 5853226 m: GeographicLib test set (Karney).
    trail = only(sign_at([(-73.8, 40.6), (2.55, 49.01666667)]))
    assert trail["length_m"] == pytest.approx(5_853_226, abs=0.5)


def test_sign_at_one_place_make_a_point_of_no_length() -> None:
    for places in ([(-118.0, 36.0)], [(-118.0, 36.0)] * 3):
        trail = only(sign_at(places))
        assert trail["geometry"] == Point(-118.0, 36.0)
        assert trail["length_m"] == 0
        assert trail["sign_count"] == len(places)


def test_points_and_lines_stand_beside_each_other() -> None:
    sign = sign_at([(-118.0, 36.0), (-118.1, 36.0), (-118.2, 36.0), (-118.3, 36.0)])
    members = members_of(sign, ["B", "A", "B", "C"])
    trails = make_trails(sign, members, even("A", "B", "C"))
    assert trails["trail"].tolist() == ["B", "A", "C"]
    assert trails.geom_type.tolist() == ["LineString", "Point", "Point"]
    assert trails["sign_count"].tolist() == [2, 1, 1]
    assert trails["length_m"].iloc[0] > 17_000


def test_probabilities_are_those_pooled_for_the_trail() -> None:
    sign = sign_at([(-118.0, 36.0), (-118.1, 36.0)])
    p = even("X", "Y")
    p.loc["Y"] = [0.92, *[0.01] * 8]
    trails = make_trails(sign, members_of(sign, ["Y", "X"]), p)
    assert trails["p_puma"].tolist() == [0.92, pytest.approx(1 / 9)]
    assert np.allclose(trails[COLUMNS].sum(axis=1), 1)


def test_prints_are_counted_over_the_sign_of_a_trail() -> None:
    sign = sign_at([(-118.0, 36.0), (-118.1, 36.0), (-118.2, 36.0)])
    prints = pd.DataFrame({"sign": ["S0", "S0", "S1", "elsewhere"]})
    trails = make_trails(sign, members_of(sign, ["A", "A", "B"]), even("A", "B"), prints)
    assert trails["print_count"].tolist() == [3, 0]
    assert make_trails(sign, members_of(sign), even("T"))["print_count"].tolist() == [0]


def test_it_was_made_before_the_first_find_and_within_the_stated_ages_with_their_error() -> None:
    sign = sign_at(
        [(-118.0, 36.0), (-118.001, 36.0), (-118.002, 36.0)],
        age_max_h=[24.0, 12.0, np.nan], age_min_h=[np.nan, 4.0, np.nan],
    )  # fmt: skip
    trail = only(sign)
    assert trail["time"] == NOON
    # Found 13:00 and said to be 4 to 12 hours old: 3 to 11 hours before noon, give or take.
    assert 2.0 < (NOON - trail["made_before"]) / HOUR < 3.5
    assert 10.0 < (NOON - trail["made_after"]) / HOUR < 17.0


def test_without_ages_it_was_made_before_it_was_found_and_after_nothing_known() -> None:
    trail = only(sign_at([(-118.0, 36.0), (-118.001, 36.0)]))
    assert trail["made_before"] == NOON
    assert pd.isna(trail["made_after"])


def test_ages_that_contradict_each_other_make_a_window_that_spans_them() -> None:
    sign = sign_at([(-118.0, 36.0)] * 2, age_max_h=[1.0, np.nan], age_min_h=[np.nan, 5.0])
    trail = only(sign)
    # Found 12:00 and at most 1 hour old, against found 13:00 and at least 5 hours old.
    assert trail["made_after"] < NOON - 4 * HOUR
    assert NOON - 2 * HOUR < trail["made_before"] <= NOON


def clearings(*events: tuple[float, str]) -> pd.DataFrame:
    hours, where = zip(*events, strict=True)
    return pd.DataFrame(
        {"cause": "rain", "time": NOON + HOUR * np.array(hours), "transects": where}
    )


def test_a_track_was_made_after_the_last_event_that_wiped_everything() -> None:
    sign = sign_at([(-118.0, 36.0), (-118.001, 36.0)])
    wiped = clearings((-40, "all"), (-9, "all"), (-2, "north road"), (5, "all"))
    assert only(sign, clearings=wiped)["made_after"] == NOON - 9 * HOUR
    aged = sign.assign(age_max_h=[6.0, np.nan])
    assert NOON - 9 * HOUR <= only(aged, clearings=wiped)["made_after"] <= NOON - 6 * HOUR
    assert pd.isna(only(sign, clearings=wiped.iloc[2:])["made_after"])
    assert pd.isna(only(sign, clearings=wiped.iloc[:0])["made_after"])


@pytest.mark.parametrize("cause", ["drag", "traffic"])
def test_a_drag_of_all_transects_says_nothing_of_a_track_that_may_lie_beside_them(cause) -> None:
    sign = sign_at([(-118.0, 36.0), (-118.001, 36.0)])
    dragged = clearings((-9, "all")).assign(cause=cause)
    assert pd.isna(only(sign, clearings=dragged)["made_after"])
    both = pd.concat([clearings((-30, "All ")), dragged], ignore_index=True)
    assert only(sign, clearings=both)["made_after"] == NOON - 30 * HOUR


def test_rain_says_nothing_of_the_age_of_a_kill() -> None:
    sign = sign_at([(-118.0, 36.0)]).assign(kind="kill")
    assert pd.isna(only(sign, clearings=clearings((-9, "all")))["made_after"])


def test_its_direction_is_the_mean_of_those_stated() -> None:
    places = [(-118.0, 36.0), (-118.001, 36.0), (-118.002, 36.0)]
    assert only(sign_at(places, direction_deg=[350.0, 20.0, np.nan]))["direction_deg"] == (
        pytest.approx(5.0)
    )
    assert pd.isna(only(sign_at(places))["direction_deg"])
    assert pd.isna(only(sign_at(places, direction_deg=[0.0, 180.0, np.nan]))["direction_deg"])


def test_sign_without_time_is_used_for_its_place_and_its_taxon() -> None:
    sign = sign_at([(-118.0, 36.0), (-118.001, 36.0)], age_max_h=[6.0, 6.0])
    sign["time"] = sign["time"].where(sign.index > 0)
    trail = only(sign)
    assert trail["sign_count"] == 2
    assert trail["length_m"] == pytest.approx(90.2, abs=0.1)
    assert trail["time"] == NOON + HOUR
    assert trail["made_after"] < trail["made_before"] == NOON + HOUR
    never = only(sign.assign(time=pd.Series(pd.NaT, index=sign.index, dtype=sign["time"].dtype)))
    assert never["sign_count"] == 2
    assert pd.isna([never["time"], never["made_after"], never["made_before"]]).all()


def test_no_members_give_no_trails() -> None:
    sign = sign_at([(-118.0, 36.0)]).iloc[:0]
    trails = make_trails(sign, members_of(sign), even())
    assert trails.empty
    assert list(trails.columns) == [*TRAILS.names, "geometry"]


def test_linked_sign_make_as_many_trails_as_were_linked() -> None:
    rng = np.random.default_rng(2)
    places = list(zip(-118 + rng.uniform(0, 0.05, 50), np.full(50, 36.0), strict=True))
    sign = sign_at(places)
    p = pd.DataFrame(1 / len(TAXA), index=sign["sign"], columns=COLUMNS)
    members = link_trails(sign, p, pd.Series("W", index=sign["sign"]))
    names = members["trail"].unique()
    trails = make_trails(sign, members, even(*names))
    assert trails["trail"].tolist() == names.tolist()
    assert trails["sign_count"].sum() == 50


def test_bad_input_is_refused_by_name() -> None:
    sign = sign_at([(-118.0, 36.0), (-118.1, 36.0)])
    members = members_of(sign, ["A", "B"])
    with pytest.raises(InputError, match="1 trails have no probabilities, such as 'B'"):
        make_trails(sign, members, even("A"))
    with pytest.raises(InputError, match="'S1' is a member"):
        make_trails(sign.iloc[:1], members, even("A", "B"))
    with pytest.raises(InputError, match="more than once"):
        make_trails(sign, pd.concat([members, members]), even("A", "B"))
    with pytest.raises(InputError, match="trail stands more than once"):
        make_trails(sign, members, even("A", "A", "B"))
