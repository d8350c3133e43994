"""Real logs: each walked along its own line is covered whole, to the metre."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from lxml import etree
from pyproj import Geod
from survey_drawing import logs

from carnivore_sign.errors import InputError
from carnivore_sign.survey.matching import STATES, match_logs
from carnivore_sign.survey.segments import cut_segments
from carnivore_sign.survey.visits import make_visits, walk_summary

WALKED = [
    "gpxpy__Mojstrovka.gpx",
    "gpxpy__cerknicko-jezero.gpx",
    "gpxgo__visnjan.gpx",
    "josm__2008-08-14-16-04-58.gpx",
    "jpx__Gpx-full-sample-maemo.gpx",
    "mapbox__run.gpx",
    "derived__antimeridian_Mojstrovka.gpx",
    "gpxstudio__with_tracks_and_segments.gpx",
]


def track_points(path: Path) -> gpd.GeoDataFrame:
    """FIXES of a log, read with nothing but an XML parser."""
    root = etree.parse(str(path)).getroot()
    rows = [
        (part, float(point.get("lon")), float(point.get("lat")), point.findtext("{*}time"))
        for part, segment in enumerate(root.iter("{*}trkseg"))
        for point in segment.iter("{*}trkpt")
    ]
    frame = pd.DataFrame(rows, columns=["part", "lon", "lat", "time"])
    frame["time"] = pd.to_datetime(frame["time"], utc=True, format="ISO8601")
    at = gpd.points_from_xy(frame["lon"], frame["lat"])
    return gpd.GeoDataFrame(frame.assign(log="L", flags=""), geometry=at, crs="EPSG:4326")


def own_line(fixes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The log as a transect."""
    parts = [
        shapely.linestrings(part[["lon", "lat"]].to_numpy())
        for _, part in fixes.groupby("part")
        if len(part) > 1
    ]
    return gpd.GeoDataFrame(
        {"transect": ["A"]}, geometry=[shapely.multilinestrings(parts)], crs="EPSG:4326"
    )


@pytest.mark.parametrize("name", WALKED)
def test_a_log_covers_the_whole_of_its_own_line(real_files: Path, name: str) -> None:
    fixes = track_points(real_files / "gpx" / name)
    line = own_line(fixes)
    segments = cut_segments(line, length_m=500)
    # pyproj.Geod measures the line as it stands in the log.
    geod = Geod(ellps="WGS84")
    length = sum(geod.geometry_length(part) for part in line.geometry[0].geoms)
    assert segments["length_m"].sum() == pytest.approx(length, abs=1e-4)
    matched = match_logs(fixes, segments, max_speed_m_s=50)
    assert matched["state"].value_counts().sum() == len(fixes)
    visits = make_visits(
        matched, segments, None, logs("L"), time_zone="UTC", max_gap_s=1e9, min_coverage=0
    )
    assert visits["covered_m"].sum() == pytest.approx(length, rel=1e-3)
    assert walk_summary(visits)["covered_km"].sum() == pytest.approx(length / 1000, rel=1e-3)


def test_every_real_log_is_accounted_for_or_refused_with_a_reason(real_files: Path) -> None:
    seen = refused = 0
    for path in sorted((real_files / "gpx").glob("g*.gpx")):
        try:
            fixes = track_points(path)
        except (etree.XMLSyntaxError, ValueError, TypeError):
            continue  # reading is the business of the intake
        if fixes.groupby("part").size().max() in (0, 1) or fixes.empty:
            continue
        try:
            segments = cut_segments(own_line(fixes))
            matched = match_logs(fixes, segments)
        except InputError:
            refused += 1
            continue
        seen += 1
        assert len(matched) == len(fixes)
        assert set(matched["state"]) <= set(STATES)
        assert (matched["offset_m"].dropna() <= 30.0).all()
        assert matched.loc[matched["state"].eq("matched"), "along_m"].notna().all()
    assert seen > 10
    assert refused < seen / 4
