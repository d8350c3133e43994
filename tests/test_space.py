"""Space: geodesics, projections and areas against published examples."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from carnivore_sign import space
from carnivore_sign.errors import CrsMissing, GeographicCrs, InputError


def degrees(d: float, m: float, s: float) -> float:
    return np.sign(d) * (abs(d) + m / 60 + s / 3600)


class TestGeodesics:
    def test_long_line_of_the_geographiclib_test_set(self) -> None:
        # Karney, GeographicLib test set for geodesics (Zenodo 32156, CC0).
        line = (-139.44815, 35.60777, -69.95921, -11.17491)
        assert space.distances_m(*line) == pytest.approx(8935244.5604818305, abs=1e-6)
        assert space.bearings_deg(*line) == pytest.approx(111.098748429560326, abs=1e-9)

    def test_new_york_to_paris(self) -> None:
        # GeographicLib documentation, JFK to CDG: 5853226 m, 53.47022, 111.59367.
        line = (-73.8, 40.6, 2.55, 49.01666667)
        assert space.distances_m(*line) == pytest.approx(5853226, abs=0.5)
        assert space.bearings_deg(*line) == pytest.approx(53.47022, abs=5e-6)
        back = space.bearings_deg(2.55, 49.01666667, -73.8, 40.6)
        assert (back + 180) % 360 == pytest.approx(111.59367, abs=5e-6)

    def test_flinders_peak_to_buninyong(self) -> None:
        # Geoscience Australia / ICSM worked example, on GRS80; WGS84 differs below 1 mm here.
        flinders = degrees(144, 25, 29.52440), degrees(-37, 57, 3.72030)
        buninyong = degrees(143, 55, 35.38390), degrees(-37, 39, 10.15610)
        assert space.distances_m(*flinders, *buninyong) == pytest.approx(54972.271, abs=1e-3)
        ahead = space.bearings_deg(*flinders, *buninyong)
        back = space.bearings_deg(*buninyong, *flinders)
        assert ahead == pytest.approx(degrees(306, 52, 5.37), abs=0.01 / 3600)
        assert back == pytest.approx(degrees(127, 10, 25.07), abs=0.01 / 3600)

    @pytest.mark.parametrize(
        ("step", "lat", "metres"),
        [(0.1, 0, 15691), (0.1, 30, 14697), (0.1, 60, 12461), (0.01, 10.27, 1556.8)],
    )
    def test_what_a_rounded_coordinate_can_hide(
        self, step: float, lat: float, metres: float
    ) -> None:
        # Chapman & Wieczorek 2020, Georeferencing Best Practices: diagonal of one step, to 1 m.
        # Their figures combine a step of latitude and one of longitude by Pythagoras.
        north = space.distances_m(0, lat - step / 2, 0, lat + step / 2)
        east = space.distances_m(0, lat, step, lat)
        assert np.hypot(north, east) == pytest.approx(metres, abs=1)

    def test_missing_positions_give_missing_answers(self) -> None:
        metres = space.distances_m([0, np.nan], 0, [1, 1], 0)
        assert np.isnan(metres).tolist() == [False, True]


class TestProjection:
    def test_transverse_mercator_example(self) -> None:
        # EPSG Guidance Note 7-2: 50 30 N, 0 30 E on Airy 1830, with its rounded k0 0.9996013.
        airy = "+proj=longlat +ellps=airy +no_defs"
        grid = (
            "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996013 +x_0=400000 +y_0=-100000 "
            "+ellps=airy +units=m"
        )
        point = gpd.GeoDataFrame(geometry=[shapely.Point(0.5, 50.5)], crs=airy)
        moved = space.project(point, grid).geometry[0]
        assert (moved.x, moved.y) == pytest.approx((577274.99, 69740.50), abs=0.01)

    @settings(max_examples=40)
    @given(st.integers(-17999, 17998), st.integers(-7999, 8398))
    def test_utm_zone_agrees_with_the_epsg_registry(self, east: int, north: int) -> None:
        lon, lat = east / 100 + 0.005, north / 100 + 0.005  # never on the border of a zone
        crs = space.utm_crs(lon, lat)
        if (56 <= lat < 64 and 3 <= lon < 12) or (lat >= 72 and 0 <= lon < 42):
            return  # Norway and Svalbard: the registry's areas of use keep the plain zones
        area = AreaOfInterest(lon, lat, lon, lat)
        codes = {int(info.code) for info in query_utm_crs_info("WGS 84", area)}
        assert crs.to_epsg() in codes

    @pytest.mark.parametrize(
        ("lon", "lat", "zone"), [(5, 60, 32), (2, 60, 31), (8, 75, 31), (10, 75, 33), (25, 75, 35)]
    )
    def test_exceptions_of_the_utm_grid(self, lon: float, lat: float, zone: int) -> None:
        # Definition of the UTM grid (32V and 31X to 37X), from memory.
        assert space.utm_crs(lon, lat).to_epsg() == 32600 + zone

    def test_data_across_the_antimeridian_stay_beside_it(self) -> None:
        points = gpd.GeoSeries(gpd.points_from_xy([179.9, -179.8], [-17, -17]), crs=4326)
        assert space.working_crs(points).to_epsg() in (32701, 32760)

    def test_no_crs_is_an_error_with_a_remedy(self) -> None:
        bare = gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)])
        with pytest.raises(CrsMissing, match="set_crs"):
            space.working_crs(bare)

    def test_degrees_are_never_taken_for_metres(self) -> None:
        points = gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)], crs=4326)
        with pytest.raises(GeographicCrs, match="metres are needed"):
            space.project(points, "EPSG:4326")
        with pytest.raises(GeographicCrs):
            space.require_projected(points.to_crs(2225), "feet")  # US survey feet

    def test_no_position_is_an_error(self) -> None:
        with pytest.raises(InputError, match="no position"):
            space.working_crs(gpd.GeoSeries([], crs=4326))


class TestLengthsAndAreas:
    def test_lengths_sum_the_parts_and_keep_missing(self) -> None:
        lines = gpd.GeoSeries(
            [
                shapely.LineString([(-73.8, 40.6), (2.55, 49.01666667)]),
                None,
                shapely.MultiLineString([[(0, 0), (1, 0)], [(5, 5), (6, 5)]]),
            ],
            crs=4326,
        )
        lengths = space.lengths_m(lines)
        assert lengths[0] == pytest.approx(5853226, abs=0.5)
        assert np.isnan(lengths[1])
        parts = space.distances_m([0, 5], [0, 5], [1, 6], [0, 5])
        assert lengths[2] == pytest.approx(parts.sum(), abs=1e-6)

    def test_length_of_each_line_agrees_with_pyproj(self) -> None:
        rng = np.random.default_rng(7)
        lines = [shapely.LineString(rng.normal([-110, 40], 0.05, (20, 2))) for _ in range(30)]
        ours = space.lengths_m(gpd.GeoSeries(lines, crs=4326))
        theirs = [space.GEOD.geometry_length(line) for line in lines]
        np.testing.assert_allclose(ours, theirs, rtol=1e-12)
