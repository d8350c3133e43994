"""Flags: each is raised where it should be, and nowhere else."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.intake import flag_fixes, import_files, read_log, repair_rollover
from carnivore_sign.intake.flags import MAX_SPEED_M_S, Track, _bound_m
from carnivore_sign.intake.rollover import GPS_EPOCH, ROLLOVER, later_times
from carnivore_sign.records.season import Season
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


def test_a_place_that_stays_is_a_jump_and_not_a_spike() -> None:
    fixes = walk()
    for place in (3, 4, 5):
        fixes = moved(fixes, place, 1.0)
    assert flags(fixes) == ["", "", "", "jump", "", ""]
    assert flags(moved(walk(), 3, 1.0)) == ["", "", "", "too_fast", "", ""]


def test_a_jump_is_long_and_fast_and_out_of_the_ordinary() -> None:
    # One degree of latitude at 37.4 N is 110 988 m (WGS84 ellipsoid).
    for metres, seconds, jump in ((99, 1, False), (101, 1, True), (101, 11, False)):
        fixes = walk(8, seconds)
        for place in range(4, 8):
            fixes = moved(fixes, place, (metres - 1.1) / 110_988)
        assert flags(fixes) == ["", "", "", "", "jump" if jump else "", "", "", ""]
    drive = walk(40).set_geometry(
        gpd.GeoSeries(shapely.points(-119.2, 37.4 + np.arange(40) * 110 / 110_988), crs=4326)
    )
    assert "jump" not in ";".join(flags(drive))


def test_a_clock_that_stands_still_while_the_walker_moves_is_frozen() -> None:
    fixes = walk(9)
    fixes.loc[2:6, "time"] = fixes.loc[2, "time"]
    assert ["frozen_clock" in flag for flag in flags(fixes)] == [False] * 3 + [True] * 4 + [
        False
    ] * 2
    fixes.loc[6, "time"] += pd.Timedelta(seconds=1)
    assert not any("frozen_clock" in flag for flag in flags(fixes))
    still = walk(9)
    still["time"] = still.loc[0, "time"]
    still = still.set_geometry(gpd.GeoSeries([shapely.Point(-119.2, 37.4)] * 9, crs=4326))
    assert flags(still) == ["", *["duplicate"] * 8]


def test_a_gap_is_long_beside_the_usual_wait() -> None:
    fixes = walk(9)
    fixes.loc[5:, "time"] += pd.Timedelta(seconds=298)
    assert flags(fixes) == [""] * 9
    fixes.loc[5:, "time"] += pd.Timedelta(seconds=1)
    assert flags(fixes) == ["", "", "", "", "", "gap", "", "", ""]
    assert flags(walk(9, seconds=600)) == [""] * 9
    assert flags(fixes.assign(part=[0] * 5 + [1] * 4)) == [""] * 9


def test_the_antimeridian_and_the_poles_are_told() -> None:
    lon = [179.9999, 180.0, -179.9999, -180.0, 179.9999]
    places = shapely.points(lon, np.full(5, 10.0))
    crossed = walk(5, seconds=60).set_geometry(gpd.GeoSeries(places, crs=4326))
    assert flags(crossed) == ["", "antimeridian", "antimeridian", "antimeridian", "antimeridian"]
    for lat, near in ((89.001, True), (88.999, False), (-90.0, True)):
        far = walk(1).set_geometry(gpd.GeoSeries([shapely.Point(7, lat)], crs=4326))
        assert flags(far) == ["near_pole" if near else ""]


def test_the_weeks_of_gps_begin_again_when_the_naval_observatory_says() -> None:
    # Source: US Naval Observatory, notes on the GPS week number rollover.
    begun = [GPS_EPOCH + times * ROLLOVER for times in range(4)]
    assert [f"{one:%Y-%m-%d}" for one in begun] == [
        "1980-01-06", "1999-08-22", "2019-04-07", "2038-11-21",
    ]  # fmt: skip
    assert ROLLOVER == 1024 * pd.Timedelta(weeks=1) == pd.Timedelta(days=7168)


@given(st.datetimes(pd.Timestamp("2019-04-08"), pd.Timestamp("2026-02-13")))
@settings(max_examples=50, deadline=None)
def test_any_walk_that_an_old_receiver_put_1024_weeks_early_is_flagged_and_repaired(when) -> None:
    true = walk(4).assign(time=pd.Timestamp(when, tz="UTC").floor("s").as_unit("ms"))
    early = true.assign(time=true["time"] - ROLLOVER)
    now = pd.Timestamp("2026-02-14", tz="UTC")
    assert flag_fixes(early, now=now).str.contains("week_rollover").all()
    assert not flag_fixes(true, now=now).str.contains("week_rollover").any()
    assert later_times(early["time"], now=now).tolist() == true["time"].tolist()
    assert later_times(true["time"], now=now).tolist() == true["time"].tolist()


def test_the_repair_is_made_by_call_only_and_says_so(season: Season, tmp_path: Path) -> None:
    point = '<trkpt lat="37.4" lon="-119.2"><time>{}</time></trkpt>'
    track = point.format("2001-07-01T15:40:00Z") + point.format("2001-07-01T15:40:01Z")
    mark = '<wpt lat="37.4" lon="-119.2"><time>2001-07-01T15:40:00Z</time></wpt>'
    path = tmp_path / "old.gpx"
    path.write_text(f"<gpx>{mark}<trk><trkseg>{track}</trkseg></trk></gpx>")
    reading = read_log(path)
    assert reading.tables["fixes"]["flags"].tolist() == ["week_rollover"] * 2
    assert "that was 2021-02-14" in reading.notes[-1]
    repaired = repair_rollover(reading)
    assert repaired.tables["fixes"]["flags"].isna().all()
    for name, column in (("fixes", "time"), ("waypoints", "time"), ("logs", "start")):
        assert (repaired.tables[name][column] - reading.tables[name][column]).eq(ROLLOVER).all()
    assert repair_rollover(repaired) is repaired
    import_files(season, [path], rollover_repaired=True)
    assert season.read("logs")["end"].item() == pd.Timestamp("2021-02-14T15:40:01Z")
    assert "3 dates were put 1024 weeks later" in season.read("receipts")["notes"].iloc[0]


def test_the_hour_that_comes_twice_is_flagged(tmp_path: Path) -> None:
    # Daylight saving ended in Denver on 2026-11-01 at 02:00 (US Energy Policy Act of 2005:
    # first Sunday in November).
    for hour, twice in (("00:59:59", ""), ("01:00:00", "hour_twice"), ("01:59:59", "hour_twice"),
                        ("02:00:00", "")):  # fmt: skip
        path = tmp_path / "local.gpx"
        path.write_text(
            '<gpx><trk><trkseg><trkpt lat="37.4" lon="-119.2">'
            f"<time>2026-11-01T{hour}</time></trkpt></trkseg></trk></gpx>"
        )
        fixes = read_log(path, time_zone="America/Denver").tables["fixes"]
        assert fixes["flags"].fillna("").tolist() == [twice]


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
    assert flags(pd.concat([fixes, fixes.iloc[1:]], ignore_index=True))[1] == "antimeridian"


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
