"""Sign that names a photo is placed where the photo was taken, or told why it is not."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from photo_making import jpeg, tiff

from carnivore_sign.chain import analyse
from carnivore_sign.intake import import_files, place_season_photos, place_sign
from carnivore_sign.records.check import conform, empty
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import PHOTOS, SIGN, WAYPOINTS


def taken(*rows: tuple[str, str | None, float | None, float | None]) -> gpd.GeoDataFrame:
    """Return photos: name, time, longitude, stated error in metres."""
    names, times, lons, errors = zip(*rows, strict=True)
    shapes = gpd.points_from_xy(
        [lon if lon is not None else None for lon in lons], [37.0] * len(rows)
    )
    frame = {
        "photo": names, "time": pd.to_datetime(pd.Series(times), utc=True), "accuracy_m": errors,
        "position_source": ["none" if lon is None else "exif" for lon in lons], "sha256": names,
    }  # fmt: skip
    geometry = [None if lon is None else shape for lon, shape in zip(lons, shapes, strict=True)]
    return conform(gpd.GeoDataFrame(frame, geometry=geometry, crs=4326), PHOTOS)


def noted(photo: str | None, waypoint: str | None = None) -> gpd.GeoDataFrame:
    frame = {
        "sign": ["S1"], "kind": ["track"], "photo": [photo], "waypoint": [waypoint],
        "time": pd.to_datetime(["2026-02-14T16:00Z"], utc=True),
    }  # fmt: skip
    return conform(gpd.GeoDataFrame(frame, geometry=[None], crs=4326, index=["label"]), SIGN)


NOON = "2026-02-14T16:01Z"


@pytest.mark.parametrize("named", ["IMG_1.JPG", "img_1", " img_1.jpg; img_9.jpg"])
def test_sign_is_placed_by_the_photo_it_names_and_its_notes_say_how_well(named: str) -> None:
    photos = taken(("IMG_1.JPG", NOON, 5.0, 8.4), ("IMG_2.JPG", NOON, 6.0, None))
    placed, unplaced = place_sign(noted(named), empty(WAYPOINTS), photos)
    assert placed.geometry.x["label"] == 5.0
    assert placed["notes"].item() == "placed by photo IMG_1.JPG, good to 8 m"
    assert unplaced.empty


def test_of_several_photos_of_a_name_the_nearest_in_time_is_taken() -> None:
    photos = taken(("IMG_1.JPG", "2026-02-14T10:00Z", 4.0, None), ("IMG_1.HEIC", NOON, 5.0, None))
    placed, _ = place_sign(noted("img_1"), empty(WAYPOINTS), photos)
    assert placed.geometry.x["label"] == 5.0


def test_a_waypoint_goes_before_a_photo() -> None:
    marks = gpd.GeoDataFrame(
        {"name": ["014"], "time": pd.to_datetime([NOON])},
        geometry=gpd.points_from_xy([9.0], [37.0]), crs=4326,
    )  # fmt: skip
    photos = taken(("IMG_1.JPG", NOON, 5.0, None))
    placed, _ = place_sign(noted("IMG_1.JPG", "014"), marks, photos)
    assert placed.geometry.x["label"] == 9.0
    assert placed["notes"].isna().all()
    placed, _ = place_sign(noted("IMG_1.JPG", "015"), marks, photos)
    assert placed.geometry.x["label"] == 5.0


@pytest.mark.parametrize(
    ("photos", "reason"),
    [
        (taken(("IMG_2.JPG", NOON, 5.0, None)), "the season has no photo img_1.jpg: import it"),
        (taken(("IMG_1.JPG", NOON, None, None)), "has no position, and no log of its party"),
        (taken(("IMG_1.JPG", NOON, 5.0, 80.0)), "states an error of more than 50 m"),
        (taken(("IMG_1.JPG", "2026-02-17T16:00Z", 5.0, None)), "taken more than a day from it"),
    ],
)
def test_why_a_photo_does_not_place_its_sign_is_told(photos: gpd.GeoDataFrame, reason: str) -> None:
    placed, unplaced = place_sign(noted("IMG_1.JPG"), empty(WAYPOINTS), photos)
    assert placed.empty
    assert reason in unplaced.loc["label", "reason"]


def test_a_photo_placed_on_the_log_places_its_sign_in_the_analysis(
    season: Season, tmp_path: Path
) -> None:
    points = "".join(
        f'<trkpt lat="37.4" lon="{-119.2 + step * 1e-4:.4f}"><time>2026-02-14T15:'
        f"{step * 10 // 60:02d}:{step * 10 % 60:02d}Z</time></trkpt>"
        for step in range(100)
    )
    log = f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>"
    road = (
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": '
        '{"transect": "MESA"}, "geometry": {"type": "LineString", "coordinates": '
        "[[-119.2, 37.4], [-119.19, 37.4]]}}]}"
    )
    clock = {"DateTimeOriginal": "2026:02:14 07:05:05", "OffsetTimeOriginal": "-08:00"}
    files = {
        "walk.gpx": log.encode(), "road.geojson": road.encode(),
        "IMG_7.JPG": jpeg(tiff({"Make": "Toy"}, clock, {})),
        "sign.csv": b"sign,time,kind,photo\nS1,2026-02-14T15:05Z,track,IMG_7.JPG\n",
    }  # fmt: skip
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    import_files(season, [tmp_path / name for name in files])
    place_season_photos(season)
    analysis = analyse(season)
    (sign,) = analysis.sign.to_dict("records")
    # The moment lies half way between the fixes 30 and 31.
    assert sign["geometry"].x == pytest.approx(-119.2 + 30.5e-4, abs=1e-7)
    assert "placed by photo IMG_7.JPG, placed on" in sign["notes"]
    assert analysis.unplaced.empty
    assert analysis.walks["S1"].endswith("#1")
    assert season.read("sign").geometry.isna().all()
