"""Importing: whole files only, nothing twice, and one bad file does not stop the others."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from shapely import LineString

from carnivore_sign.errors import InputError
from carnivore_sign.intake import import_files, place_sign
from carnivore_sign.records.season import Season

LOG = (
    '<gpx version="1.1" creator="Made"><wpt lat="37.41" lon="-119.21">'
    "<time>2026-02-14T16:00:00Z</time><name>S014</name></wpt><trk><trkseg>"
    '<trkpt lat="37.4" lon="-119.2"><time>2026-02-14T15:40:00Z</time></trkpt>'
    '<trkpt lat="{}" lon="-119.2"><time>2026-02-14T15:40:05Z</time></trkpt>'
    "</trkseg></trk></gpx>"
)
SIGN = "sign,date,time,lat,lon,waypoint,kind\n{},2026-02-14,08:01,,,s014,scat\n"


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text)
    return path


def rows(season: Season) -> dict[str, int]:
    names = ("receipts", "set_aside", "logs", "fixes", "waypoints", "sign", "transects")
    return {name: len(season.read(name)) for name in names}


def transects(folder: Path) -> Path:
    frame = gpd.GeoDataFrame(
        {"name": ["Wash"]}, geometry=[LineString([(-119.2, 37.4), (-119.2, 37.5)])], crs=4326
    )
    frame.to_file(folder / "lines.geojson")
    return folder / "lines.geojson"


def test_files_of_every_kind_go_into_the_season_with_receipts_that_add_up(
    season: Season, tmp_path: Path
) -> None:
    paths = [
        write(tmp_path, "walk.gpx", LOG.format("95")),
        write(tmp_path, "sign.csv", SIGN.format("S1")),
        transects(tmp_path),
    ]
    told = import_files(season, paths)
    assert told["outcome"].eq("imported").all()
    assert told["problem"].isna().all()
    stored = season.read("receipts")
    assert (stored["rows_in"] == stored["rows_kept"] + stored["rows_set_aside"]).all()
    for receipt in stored.itertuples():
        assert len(season.read(receipt.table_name)) == receipt.rows_kept
    assert rows(season) == {
        "receipts": 6, "set_aside": 1, "logs": 1, "fixes": 1, "waypoints": 1, "sign": 1,
        "transects": 1,
    }  # fmt: skip
    aside = season.read("set_aside").iloc[0]
    assert aside["table_name"] == "fixes"
    assert aside["content"].startswith('<trkpt lat="95"')
    assert season.read("sign")["time"].item() == pd.Timestamp("2026-02-14T16:01Z")


def test_the_season_opens_in_a_general_purpose_reader(season: Season, tmp_path: Path) -> None:
    import_files(season, [write(tmp_path, "walk.gpx", LOG.format("37.5")), transects(tmp_path)])
    layers = dict(pyogrio.list_layers(season.path))
    assert layers["fixes"] == "Point"
    fixes = pyogrio.read_dataframe(season.path, layer="fixes")
    assert fixes.geometry.y.tolist() == [37.4, 37.5]
    assert fixes["log"].tolist() == ["walk", "walk"]
    assert pd.to_datetime(fixes["time"], utc=True).iloc[1] == pd.Timestamp("2026-02-14T15:40:05Z")
    assert len(pyogrio.read_dataframe(season.path, layer="transects")) == 1


def test_the_same_content_again_changes_nothing_and_says_so(season: Season, tmp_path: Path) -> None:
    path = write(tmp_path, "walk.gpx", LOG.format("37.5"))
    import_files(season, [path])
    before, content = rows(season), season.path.read_bytes()
    twin = write(tmp_path, "copy.gpx", LOG.format("37.5"))
    told = import_files(season, [path, twin])
    assert told["outcome"].tolist() == ["known"] * 8
    assert told["notes"].str.contains("as walk.gpx; nothing changed").all()
    assert (told["rows_known"] == told["rows_kept"]).all()
    assert (rows(season), season.path.read_bytes()) == (before, content)


def test_a_bad_file_is_refused_and_the_others_go_in(season: Season, tmp_path: Path) -> None:
    paths = [
        tmp_path / "gone.gpx",
        write(tmp_path, "empty.gpx", ""),
        write(tmp_path, "wrong.csv", "colour,weight\nred,3\n"),
        write(tmp_path, "walk.gpx", LOG.format("37.5")),
    ]
    told = import_files(season, paths).drop_duplicates("file").set_index("file")
    assert told["outcome"].tolist() == ["refused"] * 3 + ["imported"]
    assert "no such file" in told.loc["gone.gpx", "problem"]
    assert "the file is empty" in told.loc["empty.gpx", "problem"]
    assert "no table has these columns" in told.loc["wrong.csv", "problem"]
    assert rows(season)["fixes"] == 2


def test_a_log_without_a_point_leaves_a_receipt_of_no_rows(season: Season, tmp_path: Path) -> None:
    told = import_files(season, [write(tmp_path, "none.gpx", "<gpx><trk/></gpx>")])
    assert told["problem"].str.contains("holds no point").all()
    assert season.read("receipts")["rows_in"].tolist() == [0, 0, 0, 0]
    assert len(season.read("logs")) == 0


def test_two_logs_of_one_name_are_told_apart(season: Season, tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    paths = [
        write(tmp_path, "walk.gpx", LOG.format("37.5")),
        write(tmp_path / "b", "walk.gpx", LOG.format("37.6").replace("T15:", "T18:")),
    ]
    told = import_files(season, paths)
    first, second = season.read("logs")["log"]
    assert first == "walk"
    assert second == f"walk-{told['sha256'].iloc[-1][:6]}"
    assert season.read("fixes")["log"].tolist() == [first] * 2 + [second] * 2
    assert season.read("waypoints")["log"].tolist() == [first, second]
    assert "another log of the season is called walk" in told["notes"].iloc[-1]


def test_a_name_that_the_season_has_is_set_aside(season: Season, tmp_path: Path) -> None:
    import_files(season, [write(tmp_path, "a.csv", SIGN.format("S1"))])
    more = SIGN.format("S1").replace("scat", "track") + "S2,2026-02-15,08:01,37.4,-119.2,,scat\n"
    told = import_files(season, [write(tmp_path, "b.csv", more)])
    assert (told["rows_in"].item(), told["rows_kept"].item()) == (2, 1)
    assert season.read("sign")["sign"].tolist() == ["S1", "S2"]
    aside = season.read("set_aside").iloc[0]
    assert "sign S1: the season has one of that name" in aside["reason"]
    named = dict(zip(aside["heading"].split(","), aside["content"].split(","), strict=True))
    assert (named["sign"], named["waypoint"]) == ("S1", "s014")


def test_the_zone_of_the_season_is_used_unless_another_is_stated(
    season: Season, tmp_path: Path
) -> None:
    import_files(season, [write(tmp_path, "a.csv", SIGN.format("S1"))])
    import_files(season, [write(tmp_path, "b.csv", SIGN.format("S2"))], time_zone="UTC")
    hours = season.read("sign")["time"].dt.hour
    assert hours.tolist() == [16, 8]
    with pytest.raises(InputError, match="not a time zone"):
        import_files(season, [], time_zone="nowhere")
    assert import_files(season, []).empty


def test_sign_is_placed_by_the_waypoints_of_the_season(season: Season, tmp_path: Path) -> None:
    paths = [
        write(tmp_path, "sign.csv", SIGN.format("S1")),
        write(tmp_path, "walk.gpx", LOG.format("37.5")),
    ]
    import_files(season, paths)
    placed, unplaced = place_sign(season.read("sign"), season.read("waypoints"))
    assert (placed.geometry.x.item(), placed.geometry.y.item()) == (-119.21, 37.41)
    assert unplaced.empty


def marks(*rows_: tuple[str, str | None, float]) -> gpd.GeoDataFrame:
    names, times, lon = zip(*rows_, strict=True)
    return gpd.GeoDataFrame(
        {"log": "a", "name": names, "time": pd.to_datetime(pd.Series(times), utc=True)},
        geometry=gpd.points_from_xy(lon, [37.0] * len(lon)),
        crs=4326,
    )


def noted(waypoint: str | None, time: str = "2026-02-14T16:00Z") -> gpd.GeoDataFrame:
    frame = {"sign": ["S1"], "waypoint": [waypoint], "time": pd.to_datetime([time], utc=True)}
    return gpd.GeoDataFrame(frame, geometry=[None], crs=4326, index=["label"])


def test_of_several_waypoints_the_nearest_in_time_is_taken() -> None:
    there = marks(
        ("S14", "2026-02-13T17:00Z", 1), ("s14 ", "2026-02-14T15:00Z", 2),
        ("S14", "2026-02-14T20:00Z", 3), ("S14", None, 4),
    )  # fmt: skip
    placed, unplaced = place_sign(noted("S14"), there)
    assert placed.geometry.x["label"] == 2
    assert unplaced.empty


@pytest.mark.parametrize(
    ("waypoint", "there", "reason"),
    [
        (None, [("S14", None, 1)], "no waypoint and no photo is named"),
        ("S15", [("S14", None, 1)], "no log holds a waypoint of that name"),
        ("S14", [("S14", "2026-03-14T16:00Z", 1)], "marked 28 days from it"),
        ("S14", [("S14", None, 1), ("S14", None, 2)], "none has a time"),
    ],
)
def test_sign_that_cannot_be_placed_is_given_back_with_the_reason(
    waypoint: str | None, there: list[tuple[str, str | None, float]], reason: str
) -> None:
    placed, unplaced = place_sign(noted(waypoint), marks(*there))
    assert placed.empty
    assert reason in unplaced.loc["label", "reason"]


def test_a_lone_waypoint_without_a_time_serves_and_a_position_stays() -> None:
    placed, _ = place_sign(noted("S14"), marks(("S14", None, 5)))
    assert placed.geometry.x["label"] == 5
    again, _ = place_sign(placed, marks(("S14", None, 6)))
    assert again.geometry.x["label"] == 5
    assert placed.crs == "EPSG:4326"
    placed, unplaced = place_sign(noted("S14"), marks(("S14", None, 5)).iloc[:0])
    assert (len(placed), len(unplaced)) == (0, 1)


def day(first: int, count: int, shift: float = 0.0) -> str:
    points = "".join(
        f'<trkpt lat="{37.4 + i / 1e4:.7f}" lon="{-119.2 + shift:.7f}">'
        f"<time>2026-02-14T15:{i // 60:02d}:{i % 60:02d}Z</time></trkpt>"
        for i in range(first, first + count)
    )
    return f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>"


def test_of_an_overlapping_log_only_the_new_fixes_are_added(season: Season, tmp_path: Path) -> None:
    paths = [
        write(tmp_path, "noon.gpx", day(0, 100)),
        write(tmp_path, "evening.gpx", day(0, 150)),
        write(tmp_path, "middle.gpx", day(50, 60)),
    ]
    told = import_files(season, paths).query("table_name == 'fixes'").set_index("file")
    assert told["rows_in"].tolist() == told["rows_kept"].tolist() == [100, 150, 60]
    assert told["rows_known"].tolist() == [0, 100, 60]
    assert "100 of its 150 fixes are in the season" in told.loc["evening.gpx", "notes"]
    fixes = season.read("fixes")
    assert fixes.groupby("log").size().to_dict() == {"noon": 100, "evening": 50}
    assert not fixes.duplicated(["time"]).any()
    # In a later call the fixes are read back from the season.
    later = import_files(season, [write(tmp_path, "late.gpx", day(140, 20))])
    assert later.query("table_name == 'fixes'")["rows_known"].item() == 10


def test_a_second_device_on_the_same_walk_is_no_overlap(season: Season, tmp_path: Path) -> None:
    paths = [
        write(tmp_path, "ana.gpx", day(0, 100)),
        write(tmp_path, "ben.gpx", day(0, 100, shift=2e-5)),
        write(tmp_path, "untimed.gpx", '<gpx><trk><trkpt lat="37.4" lon="-119.2"/></trk></gpx>'),
        write(tmp_path, "bare.gpx", '<gpx><trk><trkpt lon="-119.2" lat="37.4"/></trk></gpx>'),
    ]
    told = import_files(season, paths)
    assert told["rows_known"].eq(0).all()
    assert len(season.read("fixes")) == 202
