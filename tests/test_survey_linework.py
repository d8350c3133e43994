"""Linework: nearest places and passes agree with shapely and with the ellipsoid."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod
from shapely import LineString
from survey_drawing import points, transects

from carnivore_sign.errors import GeographicCrs, InputError
from carnivore_sign.space import working_crs
from carnivore_sign.survey.linework import (
    find_passes,
    first_smallest,
    lay_grid,
    lay_lines,
    nearest_pass,
)
from carnivore_sign.survey.segments import cut_segments

CRS = "EPSG:32611"


def crooked_roads(rng, *, count=12, vertices=60):
    turns = np.cumsum(rng.normal(0, 0.3, (count, vertices)), axis=1)
    steps = rng.uniform(5, 160, (count, vertices))
    xy = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], axis=-1) * steps[..., None], axis=1)
    xy += rng.uniform(-3000, 3000, (count, 1, 2))
    return transects(**{f"R{k:02d}": road.tolist() for k, road in enumerate(xy)})


def planar(frame):
    return shapely.get_coordinates(frame.to_crs(CRS).geometry.to_numpy())


def look(segments, xy, reach_m):
    passes = find_passes(lay_grid(lay_lines(segments, CRS), reach_m=reach_m), *xy.T)
    return passes, nearest_pass(passes, len(xy))


@pytest.mark.parametrize("reach_m", [8.0, 30.0, 250.0])
def test_the_nearest_line_is_shapelys_nearest(reach_m) -> None:
    rng = np.random.default_rng(7)
    segments = cut_segments(crooked_roads(rng), length_m=700)
    xy = rng.uniform(-4000, 4000, (6000, 2))
    xy = planar(points(xy))
    passes, chosen = look(segments, xy, reach_m)
    lines = segments.to_crs(CRS).geometry.to_numpy()
    tree = shapely.STRtree(lines)
    (row, nearest), exact = tree.query_nearest(
        shapely.points(xy), all_matches=False, return_distance=True
    )
    assert row.tolist() == list(range(len(xy)))
    # UTM metres are 0.9996 to 1.0004 of those on the ground here.
    inside, outside = exact < reach_m * 0.999, exact > reach_m * 1.001
    assert inside.sum() > 15
    assert (chosen[inside] >= 0).all()
    assert (chosen[outside] < 0).all()
    offset = passes.offset_m[chosen[inside]]
    np.testing.assert_allclose(offset, exact[inside], rtol=5e-4)
    same = passes.segment[chosen[inside]] == nearest[inside]
    assert same.mean() > 0.99
    at = shapely.line_locate_point(lines[nearest[inside]], shapely.points(xy[inside]))
    along = segments["from_m"].to_numpy()[nearest[inside]] + at
    np.testing.assert_allclose(passes.along_m[chosen[inside]][same], along[same], atol=0.5)


@pytest.mark.parametrize("length_m", [800, 4000, 1e6])
def test_metres_along_are_geodesic_metres(length_m) -> None:
    # pyproj.Geod measures the way from the start to points that lie on the line, which runs
    # out of the zone, where its scale changes most.
    geod = Geod(ellps="WGS84")
    far = np.arange(0, 60_001, 200.0)
    lon, lat, _ = geod.fwd(*(np.full(len(far), v) for v in (-113.9, 41.0, 95.0)), far)
    road = gpd.GeoDataFrame(
        {"transect": ["A"]}, geometry=[LineString(np.column_stack([lon, lat]))], crs=4326
    )
    segments = cut_segments(road, length_m=length_m)
    wanted = np.linspace(0, far[-1], 90)[1:-1]
    lon, lat, _ = geod.fwd(*(np.full(88, v) for v in (-113.9, 41.0, 95.0)), wanted)
    at = gpd.GeoDataFrame(geometry=gpd.points_from_xy(lon, lat), crs=4326)
    passes, chosen = look(segments, planar(at), 30)
    np.testing.assert_allclose(passes.along_m[chosen], wanted, atol=0.02)
    assert passes.offset_m.max() < 0.05


def test_a_straight_road_is_one_pass_and_a_crossing_two() -> None:
    segments = cut_segments(
        transects(A=[(-500, 0), (500, 0)], B=[(0, -500), (0, 500)]), length_m=90
    )
    passes, _ = look(segments, planar(points([(200, 3), (5, 5), (90, -2)])), 30)
    assert np.bincount(passes.point).tolist() == [1, 2, 1]
    names = segments["transect"].to_numpy()[passes.segment]
    assert names.tolist() == ["A", "A", "B", "A"]


def test_the_legs_of_a_hairpin_are_two_passes_of_one_segment() -> None:
    segments = cut_segments(transects(A=[(0, 0), (400, 0), (400, 20), (0, 20)]))
    passes, _ = look(segments, planar(points([(100, 5), (395, 10)])), 30)
    assert passes.point.tolist() == [0, 0, 1]
    np.testing.assert_allclose(passes.along_m[:2], [100, 720], atol=0.2)
    assert set(passes.segment) == {0}


def test_a_gap_in_a_transect_parts_its_passes() -> None:
    segments = cut_segments(transects(A=[[(0, 0), (400, 0)], [(420, 0), (800, 0)]]))
    passes, _ = look(segments, planar(points([(410, 0)])), 30)
    assert passes.segment.tolist() == [0, 0]
    np.testing.assert_allclose(passes.along_m, [400, 400], atol=0.2)


def test_the_order_of_the_segments_does_not_matter() -> None:
    rng = np.random.default_rng(3)
    segments = cut_segments(crooked_roads(rng), length_m=400)
    mixed = segments.sample(frac=1, random_state=5)
    xy = planar(points(rng.uniform(-3000, 3000, (3000, 2))))
    first, second = look(segments, xy, 60)[0], look(mixed, xy, 60)[0]
    np.testing.assert_allclose(first.along_m, second.along_m)
    names = [frame["segment"].to_numpy()[p.segment] for frame, p in
             ((segments, first), (mixed, second))]  # fmt: skip
    assert (names[0] == names[1]).all()


def test_points_without_a_place_or_far_away_have_no_pass() -> None:
    segments = cut_segments(transects(A=[(0, 0), (400, 0)]))
    xy = np.array([[np.nan, 0], [np.inf, np.inf], [1e7, 1e7], [-1e12, 3]])
    passes, chosen = look(segments, xy, 30)
    assert len(passes) == 0
    assert chosen.tolist() == [-1, -1, -1, -1]
    assert look(segments, np.empty((0, 2)), 30)[1].tolist() == []


def test_a_line_across_the_antimeridian_is_matched() -> None:
    road = gpd.GeoDataFrame(
        {"transect": ["A"]},
        geometry=[LineString([(179.99, 52), (-179.99, 52)])],
        crs=4326,
    )
    segments = cut_segments(road, length_m=500)
    crs = working_crs(segments)
    xy = gpd.GeoSeries.from_xy([-179.995], [52.0], crs=4326).to_crs(crs)
    passes = find_passes(lay_grid(lay_lines(segments, crs), reach_m=30), xy.x, xy.y)
    assert passes.along_m == pytest.approx(
        Geod(ellps="WGS84").inv(179.99, 52, -179.995, 52)[2], abs=0.1
    )


def test_degrees_and_no_segments_are_refused() -> None:
    segments = cut_segments(transects(A=[(0, 0), (400, 0)]))
    with pytest.raises(GeographicCrs):
        lay_lines(segments, "EPSG:4326")
    with pytest.raises(InputError, match="cut them first"):
        lay_lines(segments.iloc[:0], CRS)


def test_first_smallest_takes_the_first_of_equals() -> None:
    values = np.array([2.0, 1.0, 1.0, 7.0, 3.0, 3.0])
    assert first_smallest(values, np.array([0, 3, 4])).tolist() == [1, 3, 4]


def test_transects_out_of_reach_of_the_working_crs_are_named() -> None:
    near = transects(NEAR=[(0, 0), (400, 0)])
    far = gpd.GeoDataFrame(
        {"transect": ["FAR"]}, geometry=[LineString([(-27, 0), (-27, 0.01)])], crs=4326
    )
    segments = cut_segments(pd.concat([near, far], ignore_index=True))
    with pytest.raises(InputError, match=r"working CRS: FAR"):
        lay_lines(segments, CRS)
