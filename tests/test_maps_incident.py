"""The landowner's map and time line show what the findings hold, and nothing else."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import matplotlib.dates as mdates
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from reporting_examples import make_country, make_incidents, utc
from shapely.geometry import Point

from carnivore_sign.incidents import IncidentFindings
from carnivore_sign.maps import incident_map, png_bytes, timeline
from carnivore_sign.maps.layers import FADED
from carnivore_sign.maps.lettering import map_units_per_point
from carnivore_sign.maps.timeline import MOST_TRAILS

COUNTRY = make_country()
FOUND = COUNTRY.examine()


def texts(figure: Figure) -> str:
    return " | ".join([t.get_text() for t in (*figure.texts, *figure.axes[0].texts)])


def outside() -> IncidentFindings:
    incident = make_incidents(parcel=None).set_geometry(
        gpd.GeoSeries([Point(-110, 44)], crs="EPSG:4326")
    )
    return COUNTRY.examine(incident)


def test_the_map_numbers_the_trails_and_names_the_place_and_time() -> None:
    said = texts(incident_map(FOUND))
    assert "Lower Pasture" in said
    assert "Loss between 12 May 2031 18:00 and 13 May 2031 07:00 (America/Denver)" in said
    assert {"1", "2", "3", "4"} <= set(said.replace(", ", " | ").split(" | "))
    assert "walked in these weeks: 11 segments" in said.replace(" | segments", " segments")
    assert "not walked: 4 segments" in said


def test_the_ring_is_as_far_from_the_place_as_it_says() -> None:
    ring = incident_map(FOUND).axes[0].lines[0].get_xydata()
    points = gpd.GeoSeries(gpd.points_from_xy(*ring.T), crs="EPSG:32613").to_crs(4326)
    distance = FOUND.place.nearest(points)["distance_m"]
    assert distance.to_numpy() == pytest.approx(np.full(len(distance), 5000.0), rel=0.002)


def test_trails_that_may_be_of_the_time_are_ringed_and_the_others_pale() -> None:
    trails = COUNTRY.trails.assign(
        made_before=utc(*["2031-05-14 13:20"] * 2, *["2031-05-09 12:00"] * 2)
    )
    trails["made_after"] = utc(*["2031-05-11 13:20"] * 2, *["2031-05-07 12:00"] * 2)
    found = COUNTRY.examine(trails=trails)
    assert found.may_be_of_the_time.sum() == 2
    ax = incident_map(found).axes[0]
    (rings,) = [line for line in ax.lines if line.get_gid() == "of-the-time"]
    middles = found.trails[found.may_be_of_the_time].to_crs("EPSG:32613").geometry.centroid
    assert rings.get_xydata() == pytest.approx(np.column_stack([middles.x, middles.y]), abs=0.5)
    heads = [c for c in ax.collections if c.get_gid() == "trail-heads"]
    assert {c.get_alpha() for c in heads} == {None, FADED}


def test_a_trail_close_by_stands_apart_from_the_place() -> None:
    """A trail 132 m from the place, and another 4 km away: the ring once shrank both to a dot."""
    here = gpd.GeoSeries([Point(1900 + 5e5, 1200 + 4e6)], crs="EPSG:32613")
    trails = COUNTRY.trails.iloc[:2].set_geometry(
        gpd.GeoSeries([Point(501900 + d, 4001200) for d in (132, 4000)], crs=32613)
        .to_crs(4326)
        .to_numpy()
    )
    found = COUNTRY.examine(make_incidents().set_geometry(here.to_crs(4326)), trails=trails)
    figure = incident_map(found)
    ax = figure.axes[0]
    assert 132 / map_units_per_point(ax) > 25
    x, y = here.iloc[0].coords[0]
    assert ax.get_xlim()[0] < x < ax.get_xlim()[1]
    assert ax.get_ylim()[0] < y < ax.get_ylim()[1]
    (overview,) = figure.axes[1:]
    assert overview.get_xlim()[0] < x - 5000
    assert overview.get_xlim()[1] > x + 5000
    assert "1 lies outside this window." in texts(figure)


def test_a_place_outside_the_survey_still_has_its_map_and_time_line() -> None:
    said = texts(incident_map(outside()))
    assert "No trail is on record here." in said
    assert "where the loss was found" in said
    assert "nobody looked" in texts(timeline(outside()))


def test_the_time_line_has_a_row_for_each_trail_and_its_span() -> None:
    figure = timeline(FOUND)
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert labels[-1] == "the loss"
    assert labels[0] == "walks near"
    assert labels[-2] == "trail 1: puma 93 %"
    bar = figure.axes[0].patches[1]
    assert bar.get_width() == pytest.approx(3.0)  # days


def test_an_open_start_is_drawn_to_the_edge() -> None:
    found = COUNTRY.examine(make_incidents(last_seen_well=None))
    ax = timeline(found).axes[0]
    assert ax.patches[0].get_x() <= ax.get_xlim()[0] + 1e-9
    assert "time last seen well not known" in texts(incident_map(found))


def test_many_trails_are_cut_to_the_nearest() -> None:
    many = gpd.GeoDataFrame(pd.concat([FOUND.trails] * 10, ignore_index=True), crs=4326)
    figure = timeline(dataclasses.replace(FOUND, trails=many))
    assert len(figure.axes[0].get_yticklabels()) == MOST_TRAILS + 2
    assert "(12 of 40 trails shown)" in texts(figure)
    assert "trails shown" not in texts(timeline(FOUND))


def test_every_tick_names_its_month_and_the_bars_have_a_key() -> None:
    """A tick of 25 March once stood over the words 2026-Apr."""
    figure = timeline(FOUND)
    png_bytes(figure, dpi=50)
    ax = figure.axes[0]
    ticks = [label.get_text() for label in ax.get_xticklabels()]
    at = [mdates.num2date(x, tz=FOUND.time_zone) for x in ax.get_xticks()]
    assert ticks == [f"{time:%d %b}" for time in at]
    assert ax.get_xlabel() == "2031, local time (America/Denver)"
    said = texts(figure)
    for part in ("probability of puma:", "80 % or more", "20 to 80 %", "under 20 %, or not told"):
        assert part in said


def test_trails_that_may_be_of_that_time_are_shown_before_nearer_ones() -> None:
    many = gpd.GeoDataFrame(pd.concat([FOUND.trails.iloc[[0]]] * 30, ignore_index=True), crs=4326)
    many["p_in_window"] = np.where(np.arange(30) == 27, 0.5, 0.0)
    figure = timeline(dataclasses.replace(FOUND, trails=many))
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert labels[1].startswith("trail 28:")
    assert labels[-2].startswith("trail 1:")


def test_the_parcel_is_outlined_where_a_point_is_stated_within_it() -> None:
    inside = gpd.GeoSeries(COUNTRY.parcels.representative_point().to_numpy(), crs="EPSG:4326")
    found = COUNTRY.examine(make_incidents().set_geometry(inside))
    figure = incident_map(found)
    outlines = [c for c in figure.axes[0].collections if c.get_gid() == "parcels"]
    assert sum(len(c.get_paths()) for c in outlines) == 1
    assert "Lower Pasture" in texts(figure)


def test_the_same_findings_give_the_same_bytes() -> None:
    for draw in (incident_map, timeline):
        assert png_bytes(draw(FOUND), dpi=50) == png_bytes(draw(FOUND), dpi=50)
