"""The simulated country lies where it says, on the ellipsoid."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely

from carnivore_sign.simulate import demo_settings
from carnivore_sign.simulate.country import (
    Path,
    build_country,
    cut_units,
    elevation_m,
    place,
    places_km,
    shifted,
)

SETTINGS = demo_settings().country
COUNTRY = build_country(SETTINGS, np.random.default_rng(5))

#: An ellipsoid set up here, apart from the library's own.
GEOD = pyproj.Geod(a=6378137.0, rf=298.257223563)


def test_transects_have_their_length_on_the_ellipsoid() -> None:
    for plan, line in zip(SETTINGS.transects, COUNTRY.transects.geometry, strict=True):
        # A corner is rounded to 1e-7 degree, so a line of 130 corners may be off by decimetres.
        assert GEOD.geometry_length(line) == pytest.approx(1000 * plan.length_km, abs=0.5)
        assert 4 <= plan.length_km <= 9


def test_transects_bend_without_crossing_themselves_and_washes_bend_more() -> None:
    sinuosity = {}
    for name, line in zip(COUNTRY.transects["transect"], COUNTRY.transects.geometry, strict=True):
        assert line.is_simple
        assert shapely.get_num_coordinates(line) > 60
        headings = np.unwrap(np.radians(COUNTRY.paths[name].bearing_at(np.arange(50, 3950, 50.0))))
        sinuosity[name] = np.abs(np.diff(headings)).mean()
    surface = COUNTRY.transects.set_index("transect")["surface"]
    sand = [s for name, s in sinuosity.items() if surface[name] == "sand"]
    dust = [s for name, s in sinuosity.items() if surface[name] == "dust"]
    assert np.mean(sand) > 1.5 * np.mean(dust)


def test_the_country_is_in_the_open_pacific_and_of_the_size_it_should_be() -> None:
    west, south, east, north = COUNTRY.transects.total_bounds
    _, _, wide = GEOD.inv(west, 33.0, east, 33.0)
    _, _, high = GEOD.inv(-129.0, south, -129.0, north)
    assert west > -129.2
    assert east < -128.8
    assert south > 32.8
    assert north < 33.2
    assert 14_000 < wide < 18_000
    assert 10_000 < high < 14_000


def test_places_in_km_go_to_the_ellipsoid_and_back() -> None:
    places = np.array([[3.0, -4.0], [-9.0, 7.0], [0.0, 0.0]])
    lon, lat = place(SETTINGS, places)
    _, _, metres = GEOD.inv(np.full(3, -129.0), np.full(3, 33.0), lon, lat)
    assert metres == pytest.approx(1000 * np.hypot(*places.T), abs=1e-3)
    assert places_km(SETTINGS, lon, lat) == pytest.approx(places, abs=1e-6)


def test_shifting_moves_by_metres() -> None:
    lon, lat = shifted(np.array([-129.0]), np.array([33.0]), np.array([30.0]), np.array([-40.0]))
    azimuth, _, metres = GEOD.inv(-129.0, 33.0, lon[0], lat[0])
    assert metres == pytest.approx(50.0, abs=1e-6)
    assert azimuth % 360 == pytest.approx(np.degrees(np.arctan2(30, -40)) % 360, abs=1e-4)


def test_positions_along_a_path_are_geodesic_distances() -> None:
    path = COUNTRY.paths["Crow Wash"]
    lon, lat = path.at(np.arange(0.0, path.length_m, 5.0))
    assert GEOD.line_length(lon, lat) == pytest.approx(path.length_m, abs=10.0)
    at = 1234.5
    lon, lat = path.at(np.array([at]))
    before = path.along_m < at
    walked = GEOD.line_length([*path.lon[before], lon[0]], [*path.lat[before], lat[0]])
    assert walked == pytest.approx(at, abs=0.01)


def test_a_path_reversed_runs_the_other_way() -> None:
    path = COUNTRY.paths["Ember Road"]
    back = path.reversed()
    assert back.length_m == path.length_m
    here, there = path.at(np.array([1000.0])), back.at(np.array([path.length_m - 1000.0]))
    assert np.ravel(here) == pytest.approx(np.ravel(there), abs=1e-9)
    turn = back.bearing_at(np.array([path.length_m - 1000.0])) - path.bearing_at(np.array([1000.0]))
    assert abs(turn[0]) == pytest.approx(180.0, abs=0.1)


def test_bearing_of_a_line_to_the_north_east() -> None:
    lon, lat = shifted(np.array([-129.0]), np.array([33.0]), np.array([500.0]), np.array([500.0]))
    path = Path.through([-129.0, lon[0]], [33.0, lat[0]])
    assert path.bearing_at(np.array([300.0]))[0] == pytest.approx(45.0, abs=0.01)


def test_units_cover_each_transect_from_its_digitised_start() -> None:
    assert len(COUNTRY.units) == 46
    for name, units in COUNTRY.units.groupby("transect"):
        assert units["from_m"].iloc[0] == 0.0
        assert (units["to_m"].to_numpy()[:-1] == units["from_m"].to_numpy()[1:]).all()
        assert units["to_m"].iloc[-1] == pytest.approx(COUNTRY.paths[name].length_m)
        assert units["number"].tolist() == list(range(1, len(units) + 1))


@pytest.mark.parametrize(("km", "pieces"), [(3.1, 3), (3.3, 4), (0.4, 1), (2.0, 2)])
def test_a_short_rest_joins_the_unit_before_it(km: float, pieces: int) -> None:
    lon, lat = place(SETTINGS, [[0.0, 0.0], [0.0, km]])
    units = cut_units(SETTINGS, {"A": Path.through(lon, lat)})
    assert len(units) == pieces
    assert units["length_m"].sum() == pytest.approx(1000 * km, abs=1e-3)


def test_parcels_follow_the_right_hand_rule() -> None:
    # RFC 7946, section 3.1.6: outer rings run counterclockwise.
    assert all(parcel.exterior.is_ccw for parcel in COUNTRY.parcels.geometry)
    assert COUNTRY.parcels.geometry.is_valid.all()


def test_the_ground_is_gentle() -> None:
    path = COUNTRY.paths["Ember Road"]
    height = elevation_m(SETTINGS, path.lon, path.lat)
    slope = np.abs(np.diff(height) / np.diff(path.along_m))
    assert slope.max() < 0.25
    assert (height > 500).all()
