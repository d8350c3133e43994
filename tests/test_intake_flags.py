"""Flags: each is raised where it should be, and nowhere else."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.intake import flag_fixes
from carnivore_sign.intake.flags import MAX_SPEED_M_S, Track, _bound_m
from carnivore_sign.records.vocabularies import FIX_FLAGS
from carnivore_sign.space import distances_m

#: One degree of latitude is about 111 km, so that this is about 1.1 m.
STEP = 1e-5


def walk(count: int = 6, seconds: float = 1.0) -> gpd.GeoDataFrame:
    start = pd.Timestamp("2026-02-14T15:40Z").as_unit("ms")
    times = start + pd.to_timedelta(np.arange(count) * seconds, unit="s")
    lat = 37.4 + STEP * np.arange(count)
    return gpd.GeoDataFrame(
        {"log": "a", "part": 0, "time": times, "hdop": 1.0, "accuracy_m": np.nan},
        geometry=shapely.points(np.full(count, -119.2), lat),
        crs="EPSG:4326",
    )


def moved(fixes: gpd.GeoDataFrame, place: int, lat_deg: float) -> gpd.GeoDataFrame:
    shapes = fixes.geometry.to_numpy().copy()
    shapes[place] = shapely.Point(shapes[place].x, shapes[place].y + lat_deg)
    return fixes.set_geometry(gpd.GeoSeries(shapes, crs=fixes.crs))


def flags(fixes: gpd.GeoDataFrame) -> list[str]:
    return flag_fixes(fixes).fillna("").tolist()


def test_a_quiet_walk_has_no_flags() -> None:
    assert flags(walk()) == [""] * 6
    assert flags(walk(1)) == [""]
    assert flags(walk(0)) == []


def test_each_flag_is_raised_on_its_fix_only() -> None:
    late = walk()
    late.loc[3, "time"] -= pd.Timedelta(seconds=9)
    assert flags(late) == ["", "", "", "backwards", "", ""]
    same = walk()
    same.loc[2, "time"] = same.loc[1, "time"]
    assert flags(same) == ["", "", "same_time", "", "", ""]
    shapes = same.geometry.to_numpy()[[0, 1, 1, 3, 4, 5]]
    same = same.set_geometry(gpd.GeoSeries(shapes, crs=same.crs))
    assert flags(same) == ["", "", "duplicate", "", "", ""]
    bare = walk()
    bare.loc[2, "time"] = pd.NaT
    assert flags(bare) == ["", "", "no_time", "", "", ""]
    poor = walk()
    poor["hdop"] = [1, 10, 10.1, np.nan, 1, 1]
    poor["accuracy_m"] = [50, 50.1, np.nan, 3, 3, 3]
    assert flags(poor) == ["", "low_accuracy", "low_accuracy", "", "", ""]


def test_a_spike_is_marked_and_its_neighbours_are_not() -> None:
    jump = 70 / 111_000
    assert flags(moved(walk(), 3, jump)) == ["", "", "", "too_fast", "", ""]
    assert flags(moved(walk(), 0, jump)) == ["too_fast", "", "", "", "", ""]
    assert flags(moved(walk(), 5, jump)) == ["", "", "", "", "", "too_fast"]
    assert flags(moved(walk(), 3, 40 / 111_000)) == [""] * 6
    assert flags(moved(walk(seconds=60), 3, jump)) == [""] * 6


def test_a_place_that_stays_is_a_gap_and_not_a_spike() -> None:
    fixes = walk()
    for place in (3, 4, 5):
        fixes = moved(fixes, place, 1.0)
    assert flags(fixes) == [""] * 6


def test_segments_and_logs_are_kept_apart() -> None:
    fixes = pd.concat([walk(3), walk(3).assign(part=1), walk(3).assign(log="b")])
    fixes = fixes.reset_index(drop=True)
    assert flags(fixes) == [""] * 9
    assert flags(fixes.assign(part=0, log="a"))[3] == "backwards"


def test_the_zero_island_is_marked_with_all_that_is_wrong_in_the_order_of_the_table() -> None:
    fixes = walk()
    shapes = fixes.geometry.to_numpy().copy()
    shapes[2] = shapely.Point(0, 0)
    fixes = fixes.set_geometry(gpd.GeoSeries(shapes, crs=fixes.crs)).assign(accuracy_m=99)
    assert flags(fixes)[2] == "zero_island;too_fast;low_accuracy"
    assert list(FIX_FLAGS).index("zero_island") < list(FIX_FLAGS).index("too_fast")


def test_a_step_over_the_antimeridian_is_not_fast() -> None:
    fixes = walk(2).set_geometry(
        gpd.GeoSeries([shapely.Point(179.99999, 10), shapely.Point(-179.99999, 10)], crs=4326)
    )
    assert flags(pd.concat([fixes, fixes.iloc[1:]], ignore_index=True))[1] == ""


def test_the_limit_is_taken_on_the_ellipsoid() -> None:
    # At the equator a degree of latitude is 110 574 m on the WGS84 ellipsoid (exact).
    second = MAX_SPEED_M_S / 110_574.3
    for factor, flag in ((0.9999, ""), (1.0001, "too_fast")):
        shapes = gpd.GeoSeries(
            [shapely.Point(20, y * factor * second) for y in (0, 1, 0)], crs=4326
        )
        assert flags(walk(3).set_geometry(shapes))[1] == flag


degrees = st.floats(-90, 90), st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180)


@given(*degrees)
@settings(max_examples=300, deadline=None)
def test_the_bound_never_underrates_a_distance(
    lat1: float, lon1: float, lat2: float, lon2: float
) -> None:
    none, whole = np.full(2, np.nan), np.zeros(2, dtype=np.int64)
    track = Track(np.array([lon1, lon2]), np.array([lat1, lat2]), whole, whole, none, none)
    bound = _bound_m(track)[0]
    assert bound >= distances_m(lon1, lat1, lon2, lat2) - 1e-6
