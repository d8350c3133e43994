"""Segments: lengths on the ellipsoid, names that stay, rests, parts and bad input."""

from __future__ import annotations

from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import LineString, Point, Polygon
from survey_drawing import points, transects

from carnivore_sign.errors import CrsMissing, InputError, TableFaults
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import SEGMENTS
from carnivore_sign.space import line_lengths_m
from carnivore_sign.survey.segments import SHORTEST_REST, cut_segments

BEND = [(0, 0), (1500, 0), (1500, 900), (2600, 900)]


def test_segments_keep_to_their_table() -> None:
    cut = cut_segments(transects(MESA=BEND, WASH=[(0, 500), (400, 500)]))
    assert find_faults(cut, SEGMENTS).empty
    assert list(cut.columns) == [*SEGMENTS.names, "geometry"]
    assert cut["segment"].tolist() == ["MESA#001", "MESA#002", "MESA#003", "MESA#004", "WASH#001"]
    assert set(cut["surface"]) == {"dust"}


def test_each_segment_has_its_length_on_the_ellipsoid() -> None:
    # pyproj.Geod (GeographicLib, Karney 2013) measures the pieces that were cut.
    cut = cut_segments(transects(MESA=BEND), length_m=700)
    measured = [Geod(ellps="WGS84").geometry_length(line) for line in cut.geometry]
    np.testing.assert_allclose(cut["length_m"], measured, atol=1e-6)
    np.testing.assert_allclose(cut["length_m"][:-1], 700, atol=1e-9)
    assert cut["to_m"].iloc[-1] == pytest.approx(3500, abs=0.01)


def test_pieces_follow_each_other_from_the_digitised_start() -> None:
    road = transects(MESA=BEND)
    cut = cut_segments(road, length_m=300)
    ends = [(line.coords[0], line.coords[-1]) for line in cut.geometry]
    assert ends[0][0] == road.geometry[0].coords[0]
    assert ends[-1][1] == road.geometry[0].coords[-1]
    assert all(before[1] == after[0] for before, after in pairwise(ends))
    turned = cut_segments(road.assign(geometry=road.geometry.reverse()), length_m=300)
    assert turned.geometry.iloc[0].coords[0] == road.geometry[0].coords[-1]


@pytest.mark.parametrize(
    ("total", "lengths"),
    [
        (2000, [1000, 1000]),
        (2199, [1000, 1199]),
        (2201, [1000, 1000, 201]),
        (900, [900]),
        (150, [150]),
        (1199, [1199]),
    ],
)
def test_a_rest_shorter_than_a_fifth_joins_the_last_segment(total, lengths) -> None:
    cut = cut_segments(transects(MESA=[(-total / 2, 0), (total / 2, 0)]))
    np.testing.assert_allclose(cut["length_m"], lengths, atol=0.01)
    assert SHORTEST_REST == 0.2


def test_names_and_places_stay_when_a_transect_is_extended_at_its_end() -> None:
    short = cut_segments(transects(MESA=[(0, 0), (3300, 0)]))
    long = cut_segments(transects(MESA=[(0, 0), (3300, 0), (5000, 800)]))
    same = short.iloc[:-1].merge(long, on="segment", suffixes=("", "_long"))
    assert len(same) == 3
    np.testing.assert_allclose(same["from_m"], same["from_m_long"], atol=1e-9)
    np.testing.assert_allclose(
        shapely.get_coordinates(same.geometry),
        shapely.get_coordinates(same["geometry_long"].to_numpy()),
        atol=1e-12,
    )


def test_cutting_again_gives_the_same() -> None:
    road = transects(MESA=BEND, WASH=[(0, 0), (0, 2345)])
    pd.testing.assert_frame_equal(cut_segments(road), cut_segments(road))


def test_parts_that_meet_are_joined_in_the_direction_of_the_first() -> None:
    parts = [[(0, 0), (600, 0)], [(1500, 0), (600, 0)], [(1500, 0), (2000, 300)]]
    cut = cut_segments(transects(MESA=parts), length_m=500)
    whole = cut_segments(transects(MESA=[(0, 0), (600, 0), (1500, 0), (2000, 300)]), length_m=500)
    assert set(cut.geom_type) == {"LineString"}
    np.testing.assert_allclose(cut["to_m"], whole["to_m"], atol=1e-6)
    np.testing.assert_allclose(cut.bounds, whole.bounds, atol=1e-12)
    turned = cut_segments(transects(MESA=[[(600, 0), (0, 0)], [(600, 0), (900, 0)]]), length_m=500)
    first = turned.geometry.iloc[0].coords[0]
    assert first == transects(A=[(900, 0), (0, 0)]).geometry[0].coords[0]


def test_a_gap_between_parts_has_no_length() -> None:
    cut = cut_segments(transects(MESA=[[(0, 0), (600, 0)], [(900, 0), (1500, 0)]]), length_m=400)
    assert cut["to_m"].iloc[-1] == pytest.approx(1200, abs=0.01)
    assert list(cut.geom_type) == ["LineString", "MultiLineString", "LineString"]
    gap = cut.geometry.iloc[1]
    measured = sum(Geod(ellps="WGS84").geometry_length(part) for part in gap.geoms)
    assert measured == pytest.approx(400, abs=1e-6)


def test_a_cut_that_falls_into_a_gap_loses_nothing() -> None:
    first = transects(A=[(0, 0), (600, 0)]).geometry[0]
    exact = Geod(ellps="WGS84").geometry_length(first)
    cut = cut_segments(transects(MESA=[[(0, 0), (600, 0)], [(900, 0), (1500, 0)]]), length_m=exact)
    assert list(cut.geom_type) == ["LineString", "LineString"]
    assert cut.geometry.iloc[0].equals(first)


def test_a_loop_is_cut_from_its_start() -> None:
    loop = [(0, 0), (1000, 0), (1000, 1000), (0, 1000), (0, 0)]
    cut = cut_segments(transects(LOOP=loop))
    assert len(cut) == 4
    assert cut.geometry.iloc[0].coords[0] == cut.geometry.iloc[-1].coords[-1]


def test_lines_in_another_reference_system_are_measured_on_the_ellipsoid() -> None:
    road = transects(MESA=BEND)
    mercator = cut_segments(road.to_crs("EPSG:3857"))
    np.testing.assert_allclose(mercator["to_m"], cut_segments(road)["to_m"], atol=1e-3)
    assert mercator.crs == "EPSG:4326"


def test_own_breaks_cut_at_the_nearest_place() -> None:
    road = transects(MESA=BEND, WASH=[(0, 4000), (2500, 4000)])
    gates = points([(700, 12), (1510, 400)], transect=["MESA", "MESA"])
    cut = cut_segments(road, breaks=gates)
    mesa = cut.loc[cut["transect"].eq("MESA")]
    np.testing.assert_allclose(mesa["to_m"], [700, 1900, 3500], atol=0.05)
    assert cut["transect"].eq("WASH").sum() == 3
    with pytest.raises(InputError, match=r"NOWHERE.*MESA, WASH"):
        cut_segments(road, breaks=gates.assign(transect="NOWHERE"))


def test_every_bad_row_is_named_with_its_remedy() -> None:
    good = LineString([(-119, 41), (-119, 41.01)])
    rows = gpd.GeoDataFrame(
        {"transect": ["A", "A", "B", "C", None, "D", "E"]},
        geometry=[
            good, good, LineString([(-119, 41), (-119, 41)]), Point(-119, 41), good, None,
            LineString([(-119, 95), (-119, 96)]),
        ],
        index=[11, 12, 13, 14, 15, 16, 17],
        crs="EPSG:4326",
    )  # fmt: skip
    with pytest.raises(TableFaults) as caught:
        cut_segments(rows)
    faults = caught.value.faults.set_index("row")["reason"]
    assert sorted(faults.index) == [12, 13, 14, 15, 16, 17]
    assert "multi-part" in faults[12]
    assert "no length" in faults[13]
    assert "not a line" in faults[14]
    assert "no name" in faults[15]
    assert "no line" in faults[16]
    assert "CRS" in faults[17]


def test_no_reference_system_no_name_column_and_no_length_are_refused() -> None:
    road = transects(MESA=BEND)
    with pytest.raises(CrsMissing, match="set_crs"):
        cut_segments(road.set_crs(None, allow_override=True))
    with pytest.raises(InputError, match="no column 'transect'"):
        cut_segments(road.rename(columns={"transect": "name"}))
    for length in (0, -5, np.nan, np.inf):
        with pytest.raises(InputError, match="length of a segment"):
            cut_segments(road, length_m=length)
    with pytest.raises(TableFaults, match="not a line"):
        cut_segments(road.assign(geometry=[Polygon([(0, 0), (1, 0), (1, 1)])]))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(-4000, 4000), st.integers(-4000, 4000)),
        min_size=2, max_size=12, unique=True,
    ),
    st.floats(50, 3000),
)  # fmt: skip
def test_nothing_is_lost_or_doubled_whatever_the_shape(route, length_m) -> None:
    road = transects(ANY=route)
    cut = cut_segments(road, length_m=length_m)
    geod = Geod(ellps="WGS84")
    total = geod.geometry_length(road.geometry[0])
    assert cut["length_m"].sum() == pytest.approx(total, abs=1e-5)
    assert sum(geod.geometry_length(line) for line in cut.geometry) == pytest.approx(
        total, abs=1e-5
    )
    assert (cut["from_m"].iloc[1:].to_numpy() == cut["to_m"].iloc[:-1].to_numpy()).all()
    if len(cut) > 1:
        assert cut["length_m"].between(0.2 * length_m - 1e-5, 1.2 * length_m + 1e-5).all()


def places(segments):
    """Start and end of each segment by name, to a tenth of a millimetre."""
    ends = [shapely.get_coordinates(line)[[0, -1]] for line in segments.geometry]
    return dict(zip(segments["segment"], np.round(ends, 9).tolist(), strict=True))


@pytest.mark.parametrize(
    "route",
    [
        [(3600, 200), (3100, 0), (0, 0)],
        [(-900, 0), (0, 0), (3100, 0)],
        [(4000, 900), (3100, 0), (0, 0), (-2600, 0)],
        [(0, 0), (3100, 0), (3600, 200)],
    ],
)
def test_names_stay_when_a_transect_is_turned_round_or_extended_at_its_start(route) -> None:
    before = cut_segments(transects(MESA=[(0, 0), (3100, 0)], WASH=[(0, 500), (900, 500)]))
    drawn = transects(MESA=route, WASH=[(0, 500), (900, 500)])
    after = cut_segments(drawn, earlier=before)
    old, new = places(before), places(after)
    for name in ("MESA#001", "MESA#002", "WASH#001"):
        np.testing.assert_allclose(new[name], old[name], atol=1e-8)
    assert after["segment"].is_unique
    np.testing.assert_allclose(
        after.groupby("transect", sort=False)["length_m"].sum(),
        line_lengths_m(drawn.geometry.to_numpy()),
    )
    again = cut_segments(drawn, earlier=after)
    assert again["segment"].tolist() == after["segment"].tolist()
    np.testing.assert_allclose(again["from_m"], after["from_m"], atol=1e-4)


def test_what_lies_in_front_of_the_old_start_is_counted_away_from_it() -> None:
    before = cut_segments(transects(MESA=[(0, 0), (2000, 0)]))
    after = cut_segments(transects(MESA=[(-2100, 0), (2000, 0)]), earlier=before)
    assert after["segment"].tolist() == ["MESA#-002", "MESA#-001", "MESA#001", "MESA#002"]
    np.testing.assert_allclose(after["from_m"], [0, 1100, 2100, 3100], atol=0.01)


def test_a_loop_that_is_begun_elsewhere_keeps_its_segments() -> None:
    corners = [(0, 0), (1000, 0), (1000, 1000), (0, 1000), (0, 0)]
    before = cut_segments(transects(LOOP=corners))
    for turned in (
        corners[::-1],
        [(1000, 400), (1000, 1000), (0, 1000), (0, 0), (1000, 0), (1000, 400)],
    ):
        after = cut_segments(transects(LOOP=turned), earlier=before)
        old, new = places(before), places(after)
        assert list(old) == list(new)
        np.testing.assert_allclose(
            np.array(list(new.values())), np.array(list(old.values())), atol=1e-7
        )


def test_another_transect_of_the_same_name_is_refused() -> None:
    before = cut_segments(transects(MESA=[(0, 0), (2000, 0)]))
    with pytest.raises(InputError, match="no longer passes where it began"):
        cut_segments(transects(MESA=[(0, 5000), (2000, 5000)]), earlier=before)
