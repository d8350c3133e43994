"""Searching: metres of walks that follow no transect, each place once, and the sign found."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import Polygon
from survey_drawing import START, degrees, log, logs, points, transects, walk

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import DETECTIONS, VISITS
from carnivore_sign.survey import cut_segments, detection_rates, match_logs
from carnivore_sign.survey.detections import NO_WALK, OFF_TRANSECT
from carnivore_sign.survey.searching import search_detections, search_visits

NETWORK = cut_segments(transects(MESA=[(0, 0), (3000, 0)]))


def box(west, south, east, north):
    return Polygon(degrees([(west, south), (east, south), (east, north), (west, north)]))


AREAS = gpd.GeoDataFrame(
    {"unit": ["SOUTH", "NORTH"]},
    geometry=[box(-1000, -1000, 4000, 1000), box(-1000, 1000, 4000, 3000)],
    crs="EPSG:4326",
)


def search(*routes, **options):
    fixes = [log(walk(route), name=f"L{n}") for n, route in enumerate(routes)]
    return searched(pd.concat(fixes, ignore_index=True), len(routes), **options)


def searched(fixes, count=1, **options):
    matched = match_logs(fixes, NETWORK)
    named = logs(*(f"L{n}" for n in range(count)))
    return search_visits(matched, AREAS, named, time_zone="UTC", **options)


def test_a_walk_through_two_units_is_effort_in_both() -> None:
    visits = search([(500, 400), (500, 1000), (500, 2200)])
    assert find_faults(visits, VISITS).empty
    assert visits["visit"].tolist() == ["L0#1@SOUTH/search", "L0#1@NORTH/search"]
    assert visits["covered_m"].tolist() == pytest.approx([600, 1200], rel=0.01)
    assert visits["observer"].tolist() == ["observer of L0"] * 2
    assert visits["effort_km_days"].isna().all(), "since when the ground collects, nobody knows"
    assert visits["coverage"].tolist() == pytest.approx(
        [600 * 60 / (5000 * 2000), 1200 * 60 / (5000 * 2000)], rel=0.02
    )


def test_there_and_back_counts_once_and_parallel_ways_count_twice() -> None:
    back = search([(500, 1200), (2500, 1200), (2500, 1205), (500, 1205)])
    # The strips of ways 5 m apart are together 5 m wider than one.
    assert 2000 * 0.99 < back["covered_m"].sum() < 2000 * 65 / 60 * 1.01
    assert back["walked_m"].sum() == pytest.approx(4005, rel=0.01)
    apart = search([(500, 1200), (2500, 1200), (2500, 1300), (500, 1300)])
    assert apart["covered_m"].sum() == pytest.approx(4100, rel=0.03)


def test_noise_and_a_rest_make_no_metres() -> None:
    rng = np.random.default_rng(4)
    way = walk([(500, 1200), (2500, 1200)], noise_m=3.0, rng=rng)
    rest = way[60] + rng.normal(0, 3.0, (300, 2))
    fixes = log(np.concatenate([way[:60], rest, way[60:]]), name="L0")
    assert searched(fixes)["covered_m"].sum() == pytest.approx(2000, rel=0.03)


def test_what_is_on_a_transect_a_ride_or_a_gap_is_no_search() -> None:
    assert search([(0, 0), (3000, 0)]).empty
    assert searched(log(walk([(0, 1500), (3000, 1500)], speed_m_s=12), name="L0")).empty
    lost = walk([(0, 1500), (3000, 1500)])
    seconds = np.arange(len(lost)) * 10.0 + 600 * (np.arange(len(lost)) >= len(lost) // 2)
    gap = searched(log(np.delete(lost, slice(100, 150), axis=0), name="L0",
                       seconds=np.delete(seconds, slice(100, 150))))  # fmt: skip
    assert gap["covered_m"].sum() == pytest.approx(3000 - 51 * 12, rel=0.02)
    assert search([(500, 1200), (560, 1200)]).empty, "60 m make no visit"
    with pytest.raises(InputError, match="the strip is 0 m wide"):
        search([(0, 1500), (3000, 1500)], strip_m=0)


def test_sign_of_a_search_counts_against_its_effort() -> None:
    visits = search([(500, 1200), (2500, 1200)])
    sign = points(
        [(800, 1210), (900, 1190), (800, 500), (900, 1200)], sign=list("abcd"),
        kind=["track", "scat", "track", "track"], time=START,
    )  # fmt: skip
    incidental = pd.DataFrame(
        {
            "sign": list("abcd"), "trail": ["T1", "T1", "T2", "T3"], "segment": None,
            "offset_m": np.nan, "reason": [OFF_TRANSECT] * 3 + [NO_WALK],
        }
    )  # fmt: skip
    trails = pd.DataFrame({"trail": ["T1", "T2", "T3"], "p_puma": [0.9, 0.5, 0.5]})
    walks = pd.Series(["L0#1", "L0#1", "L0#1", None], index=list("abcd"))
    found, rest = search_detections(incidental, sign, trails, visits, AREAS, walks=walks)
    assert find_faults(found, DETECTIONS).empty
    assert found[["trail", "visit"]].to_numpy().tolist() == [["T1", "L0#1@NORTH/search"]]
    assert found["with_tracks"].tolist() == [1]
    assert rest["sign"].tolist() == ["c", "d"], "not in a unit that was searched; on no walk"
    rates = detection_rates(visits, found, by="segment").iloc[0]
    assert rates["trails_per_km"] == pytest.approx(0.9 / 2.0, rel=0.02)
    assert np.isnan(rates["trails_per_km_day"])


def test_units_share_out_what_was_walked() -> None:
    whole = gpd.GeoDataFrame({"unit": ["ALL"]}, geometry=[box(-1000, -1000, 4000, 3000)], crs=4326)
    fixes = log(walk([(200, 500), (1500, 2500), (2800, 600)]), name="L0")
    matched = match_logs(fixes, NETWORK)
    parts, one = (
        search_visits(matched, areas, logs("L0"), time_zone="UTC") for areas in (AREAS, whole)
    )
    assert parts["covered_m"].sum() == pytest.approx(one["covered_m"].sum(), rel=0.01)
