"""Photos of a season: from files to places on the log of the same party, and back."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
from photo_making import CLOCK, PLACE, jpeg, tiff

from carnivore_sign.cli import main
from carnivore_sign.errors import InputError
from carnivore_sign.intake import import_files, place_season_photos, season_photos
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.season import Season, open_season
from carnivore_sign.records.tables import PHOTO_PLACES, PHOTOS

ZONE = "America/Los_Angeles"
CAMERA = {"Make": "Toy", "Model": "Cam"}


def photo(path: Path, local: str, *, gps: dict | None = None, model: str = "Cam") -> Path:
    """Write a photo that was taken at a local time of 14 February 2026, at UTC-8."""
    camera = {"DateTimeOriginal": f"2026:02:14 {local}"}
    path.write_bytes(jpeg(tiff({**CAMERA, "Model": model}, camera, gps)))
    return path


def walk(path: Path, *, lat: float = 37.4, start: str = "15:40:00", author: str = "") -> Path:
    """Write a log of 101 fixes, a second and a ten-thousandth of a degree apart, northward."""
    first = pd.Timestamp(f"2026-02-14T{start}Z")
    points = "".join(
        f'<trkpt lat="{lat + step / 10_000:.6f}" lon="-119.2"><ele>{600 + step}</ele>'
        f"<time>{first + pd.Timedelta(step, 's'):%Y-%m-%dT%H:%M:%SZ}</time></trkpt>"
        for step in range(101)
    )
    said = f"<metadata><author><name>{author}</name></author></metadata>" if author else ""
    path.write_text(
        '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        f"{said}<trk><trkseg>{points}</trkseg></trk></gpx>"
    )
    return path


def metres(at: object, lon: float, lat: float) -> float:
    return pyproj.Geod(ellps="WGS84").inv(at.x, at.y, lon, lat)[2]


def placed_alone(season: Season) -> pd.Series:
    return season_photos(season).iloc[0]


def test_a_folder_of_photos_and_a_log_make_placed_photos(season: Season, tmp_path: Path) -> None:
    camera = tmp_path / "camera"
    camera.mkdir()
    photo(camera / "a.jpg", "07:40:25")
    photo(camera / "b.jpg", "07:41:00", gps={**PLACE, **CLOCK})
    photo(camera / "c.jpg", "09:00:00")
    receipts = import_files(season, [camera, walk(tmp_path / "w.gpx")], time_zone=ZONE)
    assert receipts["outcome"].tolist() == ["imported"] * len(receipts)
    places = place_season_photos(season)
    assert find_faults(places, PHOTO_PLACES).empty
    assert places["photo"].tolist() == ["a.jpg", "c.jpg"]
    assert places["told"].tolist() == [
        "placed on w between fixes 0 s and 0 m apart, by the camera's clock as it was set",
        "taken 4700 s after w ends, by the camera's clock as it was set",
    ]
    taken = season_photos(season).set_index("photo")
    assert find_faults(taken.reset_index(), PHOTOS).empty
    assert taken["position_source"].tolist() == ["log", "exif", "none"]
    assert metres(taken.geometry["a.jpg"], -119.2, 37.4025) < 0.01
    assert taken.loc["a.jpg", ["elevation_m", "clock_source"]].tolist() == [625, "as_set"]
    assert season.read("photos")["position_source"].tolist() == ["none", "exif", "none"]
    assert season.read("photos").geometry.isna().tolist() == [True, False, True]


def test_placing_again_adds_nothing_and_a_better_clock_supersedes(
    season: Season, tmp_path: Path
) -> None:
    import_files(
        season, [photo(tmp_path / "a.jpg", "07:40:10"), walk(tmp_path / "w.gpx")], time_zone=ZONE
    )
    first = place_season_photos(season)
    before = season.path.read_bytes()
    again = place_season_photos(season)
    assert season.path.read_bytes() == before
    assert again.drop(columns="found_at").equals(first.drop(columns="found_at"))
    place_season_photos(season, clock_offset_s=40)
    assert len(season.read("photo_places")) == 2
    now = placed_alone(season)
    assert (now["clock_offset_s"], now["clock_source"]) == (40, "given")
    assert now["time"] == pd.Timestamp("2026-02-14T15:40:50Z")
    assert metres(now.geometry, -119.2, 37.405) < 0.01
    assert "by the camera's clock and +40 s, as given" in now["notes"]


def test_what_was_given_once_holds_until_another_is_given(season: Season, tmp_path: Path) -> None:
    """The photos come first, with their offset; the log comes a day later, without."""
    import_files(season, [photo(tmp_path / "a.jpg", "06:40:10")], time_zone=ZONE)
    (row,) = place_season_photos(season, clock_offset_s=3600).itertuples()
    assert row.told.startswith("there is no log with times")
    assert placed_alone(season)["position_source"] == "none"
    import_files(season, [walk(tmp_path / "w.gpx")])
    (row,) = place_season_photos(season).itertuples()
    assert (row.log, row.clock_offset_s, row.clock_source) == ("w", 3600, "given")
    assert metres(row.geometry, -119.2, 37.401) < 0.01
    (row,) = place_season_photos(season, clock_offset_s=0).itertuples()
    assert row.log is None or pd.isna(row.log)
    assert placed_alone(season)["position_source"] == "none"


def test_the_offset_is_estimated_from_photos_of_the_same_camera(
    season: Season, tmp_path: Path
) -> None:
    """Three photos have both clocks: 15:40:30.5 GPS, and 15:39:00 by a camera 90.5 s slow."""
    both = [photo(tmp_path / f"{n}.jpg", f"07:39:0{n}", gps={**PLACE, **CLOCK}) for n in range(3)]
    bare = photo(tmp_path / "bare.jpg", "07:38:51")
    other = photo(tmp_path / "other.jpg", "07:40:10", model="Other")
    import_files(season, [*both, bare, other, walk(tmp_path / "w.gpx")], time_zone=ZONE)
    places = place_season_photos(season).set_index("photo")
    assert places["clock_source"].to_dict() == {"bare.jpg": "estimated", "other.jpg": "as_set"}
    assert places.loc["bare.jpg", "clock_offset_s"] == pytest.approx(89.5)
    assert metres(places.geometry["bare.jpg"], -119.2, 37.4 + 20.5e-4) < 0.01
    assert "+89.5 s, as estimated from its photos with GPS time" in places.loc["bare.jpg", "told"]
    by_camera = place_season_photos(season, clock_offset_s={"Toy Other": 5}).set_index("photo")
    assert by_camera["clock_source"].to_dict() == {"bare.jpg": "estimated", "other.jpg": "given"}
    with pytest.raises(InputError, match="Their cameras are: Toy Cam, Toy Other"):
        place_season_photos(season, clock_offset_s={"Cam": 5})


@pytest.mark.parametrize(
    ("observer", "log"),
    [
        ("Ben", "ben"),
        ("Ben & Ana", "ana"),
        ("CY", "nobody"),
        (None, None),
    ],
)
def test_photos_are_placed_on_the_log_of_their_party(
    season: Season, tmp_path: Path, observer: str | None, log: str | None
) -> None:
    """Three walks at one time, kilometres apart; the last one names nobody."""
    logs = [
        walk(tmp_path / "ana.gpx", author="Ana"),
        walk(tmp_path / "ben.gpx", lat=37.5, author="Dee, Ben")
        if observer != "Ben & Ana"
        else walk(tmp_path / "far.gpx", lat=37.5, author="Dee"),
        walk(tmp_path / "nobody.gpx", lat=37.6),
    ]
    import_files(season, logs)
    taken = photo(tmp_path / "a.jpg", "07:40:10")
    import_files(season, [taken], time_zone=ZONE, observer=observer)
    (row,) = place_season_photos(season).itertuples()
    if log:
        assert row.log == log
    else:
        assert pd.isna(row.log)
        assert "say who took it and who carried each log" in row.told


def test_logs_of_other_people_never_place_a_photo(season: Season, tmp_path: Path) -> None:
    import_files(season, [walk(tmp_path / "ana.gpx", author="Ana")])
    import_files(season, [photo(tmp_path / "a.jpg", "07:40:10")], time_zone=ZONE, observer="Ben")
    (row,) = place_season_photos(season).itertuples()
    assert pd.isna(row.log)
    assert row.told.startswith("no log of Ben, and every log names somebody else")
    import_files(season, [walk(tmp_path / "ben.gpx", author="Ben", start="18:00:00")])
    (row,) = place_season_photos(season).itertuples()
    assert row.told.startswith("taken 8390 s before ben begins")


def test_a_season_without_photos_has_nothing_to_place(season: Season, tmp_path: Path) -> None:
    assert len(place_season_photos(season)) == 0
    assert len(season_photos(season)) == 0
    import_files(
        season, [photo(tmp_path / "a.jpg", "07:40:10", gps={**PLACE, **CLOCK})], time_zone=ZONE
    )
    assert len(place_season_photos(season, clock_offset_s=90)) == 0
    assert np.isnan(placed_alone(season)["clock_offset_s"])


def test_the_command_places_photos_and_says_by_which_clock(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    camera = tmp_path / "camera"
    camera.mkdir()
    photo(camera / "a.jpg", "07:38:40")
    photo(camera / "b.jpg", "12:00:00")
    log, season = walk(tmp_path / "w.gpx"), tmp_path / "s.gpkg"
    words = ["intake", str(season), "--zone", ZONE, str(camera), str(log)]
    assert main([*words, "--camera-offset", "90"]) == 0
    told = capsys.readouterr().out
    assert "photos without a position: 1 of 2 placed on logs by time" in told
    assert "1 by the camera's clock, put right by an offset that was given" in told
    assert "not placed, b.jpg: taken 15590 s after w ends" in told
    first = open_season(season).read("photo_places")
    assert metres(first.geometry.iloc[0], -119.2, 37.401) < 0.01
    in_gis = gpd.read_file(season, layer="photo_places")
    assert in_gis.geometry.iloc[0].equals(first.geometry.iloc[0])
    assert main([*words, "--json", "--camera-offset", "Toy Cam=90"]) == 0
    places = json.loads(capsys.readouterr().out)["photo_places"]
    assert [row["log"] for row in places] == ["w", None]
    assert places[0]["lat"] == pytest.approx(37.401)
    assert len(open_season(season).read("photo_places")) == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--camera-offset", "soon"], "'soon' is no number of seconds"),
        (["--camera-offset", "9", "--camera-offset", "Toy=9"], "for all cameras and for one"),
    ],
)
def test_the_command_refuses_offsets_that_make_no_sense(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    log, season = walk(tmp_path / "w.gpx"), tmp_path / "s.gpkg"
    assert main(["intake", str(season), "--zone", ZONE, str(log), *words]) == 2
    assert told in capsys.readouterr().err
