"""Reach: leaving out the segments that no fix comes near leaves out no pass."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString
from survey_drawing import transects

from carnivore_sign.space import utm_crs, working_crs
from carnivore_sign.survey.linework import find_passes, lay_grid, lay_lines
from carnivore_sign.survey.reach import may_reach, passes_near
from carnivore_sign.survey.segments import cut_segments


def strewn(rng, count=60):
    """Crooked transects strewn over 40 km, cut into segments."""
    lines = {}
    for n in range(count):
        turns = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.3, 30))
        steps = np.column_stack([np.cos(turns), np.sin(turns)]) * 120
        lines[f"T{n}"] = (rng.uniform(-20_000, 20_000, 2) + np.cumsum(steps, axis=0)).tolist()
    return cut_segments(transects(**lines), length_m=700)


@pytest.mark.parametrize("reach_m", [5.0, 30.0, 400.0])
@pytest.mark.parametrize("seed", range(3))
def test_the_passes_are_those_of_all_segments(seed, reach_m) -> None:
    rng = np.random.default_rng(seed)
    segments = strewn(rng)
    crs = working_crs(segments)
    middle = segments.to_crs(crs).geometry.centroid
    x, y = middle.x.mean(), middle.y.mean()
    points = rng.uniform(-6000, 6000, (4000, 2)) + np.array([x, y])
    points[::500] = np.nan
    found = passes_near(segments, crs, *points.T, reach_m=reach_m)
    whole = find_passes(lay_grid(lay_lines(segments, crs), reach_m=reach_m), *points.T)
    assert len(whole) > 2
    for name in ("point", "segment", "along_m", "offset_m"):
        np.testing.assert_allclose(getattr(found, name), getattr(whole, name), atol=1e-6)
    kept = may_reach(segments, crs, *points.T, reach_m=reach_m)
    assert kept[np.unique(whole.segment)].all()
    assert kept.mean() < 0.6, "most segments are left out"


def test_without_points_or_with_all_of_them_away_there_are_no_passes() -> None:
    segments = strewn(np.random.default_rng(1), 3)
    crs = working_crs(segments)
    for points in (np.empty((0, 2)), np.full((3, 2), np.nan), np.full((3, 2), 1e7)):
        assert len(passes_near(segments, crs, *points.T, reach_m=30)) == 0


def test_a_line_of_hundreds_of_kilometres_and_one_across_the_antimeridian_are_found() -> None:
    far = gpd.GeoDataFrame(
        {"transect": ["LONG", "DATE"]}, crs="EPSG:4326",
        geometry=[LineString([(-120, 40), (-116, 43)]), LineString([(179.99, 41), (-179.99, 41)])],
    )  # fmt: skip
    long, date = (cut_segments(far.iloc[[row]], length_m=1e6) for row in (0, 1))
    for segments, lon, lat in [(long, -117.9982, 41.5271), (date, 180.0, 41.0)]:
        crs = utm_crs(lon, lat)
        at = gpd.GeoSeries(gpd.points_from_xy([lon], [lat]), crs="EPSG:4326").to_crs(crs)
        shapes = segments.to_crs(crs).geometry.iloc[0]
        reach = 500.0 if segments is date else float(shapes.distance(at.iloc[0])) + 500
        assert may_reach(segments, crs, at.x.to_numpy(), at.y.to_numpy(), reach_m=reach).all()
