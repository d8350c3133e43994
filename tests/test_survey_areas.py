"""Areas: cells and management units as the unit, from cutting to rates and presence."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from survey_drawing import START, degrees, log, logs, transects, walk

from carnivore_sign.errors import DataWarning, GeographicCrs, InputError
from carnivore_sign.presence import make_histories
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import DETECTIONS, SEGMENTS, VISITS
from carnivore_sign.space import line_lengths_m
from carnivore_sign.survey import (
    cut_by_areas,
    detection_rates,
    gather_units,
    grid_cells,
    make_visits,
    match_logs,
)

ROADS = transects(
    MESA=[(0, 0), (3000, 0)],
    WASH=[(500, -900), (500, 900)],
    LOOP=[(1600, -400), (2400, -400), (2400, 400), (1600, 400), (1600, -400)],
    PAIR=[[(-900, 300), (-100, 300)], [(100, 300), (900, 300)]],
)
DAY = pd.Timedelta(days=1)


def box(west, south, east, north):
    corners = [(west, south), (east, south), (east, north), (west, north)]
    return shapely.Polygon(degrees(corners))


def units(**boxes):
    shapes = [box(*bounds) for bounds in boxes.values()]
    return gpd.GeoDataFrame({"unit": list(boxes)}, geometry=shapes, crs="EPSG:4326")


HALVES = units(WEST=(-2000, -2000, 1000, 2000), EAST=(1000, -2000, 2000, 2000))


@pytest.mark.parametrize("shape", ["square", "hexagon"])
@pytest.mark.parametrize("size_m", [350.0, 1000.0])
def test_pieces_in_cells_add_up_to_the_transects(shape, size_m) -> None:
    cells = grid_cells(ROADS, size_m=size_m, shape=shape)
    pieces = cut_by_areas(ROADS, cells)
    assert find_faults(pieces, SEGMENTS).empty
    assert pieces["unit"].notna().all()
    whole = line_lengths_m(ROADS.geometry.to_numpy())
    np.testing.assert_allclose(
        pieces.groupby("transect", sort=False)["length_m"].sum(), whole, atol=1e-4
    )
    np.testing.assert_allclose(
        line_lengths_m(pieces.geometry.to_numpy()), pieces["length_m"], atol=1e-3
    )
    inside = shapely.intersection(
        pieces.geometry.to_numpy(),
        shapely.buffer(cells.set_index("unit").geometry.loc[pieces["unit"]].to_numpy(), 1e-7),
    )
    # Over an edge of 3 km the geodesic, on which it is cut, bends 0.2 m from the straight line.
    np.testing.assert_allclose(line_lengths_m(inside), pieces["length_m"], atol=0.3)


def test_cells_are_as_large_as_stated_and_tile_the_plane() -> None:
    # Area of a hexagon of width w from side to side: sqrt(3)/2 w^2 (geometry).
    for shape, area in [("square", 1.0), ("hexagon", np.sqrt(0.75))]:
        cells = grid_cells(ROADS, size_m=800, shape=shape).to_crs("EPSG:32611")
        np.testing.assert_allclose(cells.area, area * 800**2, rtol=1e-6)
        merged = cells.union_all()
        assert merged.area == pytest.approx(cells.area.sum(), rel=1e-6), "no overlaps"
        assert cells["unit"].is_unique


@pytest.mark.parametrize("shape", ["square", "hexagon"])
def test_names_stay_when_transects_are_added_extended_or_turned_round(shape) -> None:
    crs = "EPSG:32611"
    cells = grid_cells(ROADS, size_m=600, shape=shape, crs=crs)
    other = transects(
        MESA=[(4800, 0), (3000, 0), (0, 0), (-1500, 0)],
        WASH=[(500, 900), (500, -900)],
        FAR=[(8000, 0), (8500, 10)],
    )
    again = grid_cells(other, size_m=600, shape=shape, crs=crs)
    both = cells.merge(again, on="unit")
    assert len(both) > 5
    same = shapely.equals_exact(both["geometry_x"].array, both["geometry_y"].array, 1e-12)
    assert same.all()
    old, new = (
        cut_by_areas(roads, grid).set_index("segment")["length_m"]
        for roads, grid in ((ROADS, cells), (other, again))
    )
    inner = [n for n in old.index if n.startswith(("WASH", "MESA")) and n in new.index]
    assert len(inner) > 4
    ends = {old[old.index.str.startswith("MESA")].index[n] for n in (0, -1)}
    for name in set(inner) - ends:
        assert old[name] == pytest.approx(new[name], abs=1e-3)


def test_management_units_part_a_transect_and_ground_outside_is_named() -> None:
    pieces = cut_by_areas(ROADS, HALVES).set_index("segment")
    assert pieces.loc["MESA@WEST", "length_m"] == pytest.approx(1000, abs=0.01)
    assert pieces.loc["MESA@EAST", "length_m"] == pytest.approx(1000, abs=0.01)
    assert pieces.loc["MESA@outside", "length_m"] == pytest.approx(1000, abs=0.01)
    assert pd.isna(pieces.loc["MESA@outside", "unit"])
    # The loop leaves the east and comes back into it.
    assert list(pieces.index[pieces["transect"].eq("LOOP")]) == [
        "LOOP@EAST", "LOOP@outside", "LOOP@EAST/2",
    ]  # fmt: skip
    # The parts of one transect lie in one unit: one piece, with the gap between them.
    assert pieces.loc["PAIR@WEST", "length_m"] == pytest.approx(1600, abs=0.01)


def surveyed():
    pieces = cut_by_areas(ROADS, HALVES)
    fixes = pd.concat(
        [
            log(walk([(0, 0), (2000, 0)]), name="MON"),
            log(walk([(500, -900), (500, 900)]), name="MON B", start=START + DAY / 4),
            log(walk([(0, 0), (1990, 0)]), name="FRI", start=START + 4 * DAY),
        ],
        ignore_index=True,
    )
    names = logs("MON", "MON B", "FRI")
    return pieces, make_visits(match_logs(fixes, pieces), pieces, None, names, time_zone="UTC")


def detected(visits):
    at = ["MON#1@MESA@WEST", "MON#1@MESA@EAST", "FRI#1@MESA@WEST"]
    rows = visits.set_index("visit").loc[at]
    return pd.DataFrame(
        {
            "trail": ["T1", "T1", "T2"], "visit": at, "segment": rows["segment"].to_numpy(),
            "period": rows["period"].to_numpy(), "offset_m": [3.0, 1.0, 2.0], "p_puma": 0.9,
            "with_tracks": 1,
        }
    )  # fmt: skip


def test_effort_and_trails_are_gathered_into_units_and_run_on() -> None:
    pieces, visits = surveyed()
    gathered = gather_units(pieces, visits, detected(visits))
    for frame, table in zip(gathered, (SEGMENTS, VISITS, DETECTIONS), strict=True):
        assert find_faults(frame, table).empty
    assert set(gathered.units["segment"]) == {"WEST", "EAST"}
    west = gathered.units.set_index("segment").loc["WEST"]
    assert west["length_m"] == pytest.approx(1000 + 1800 + 1600, abs=0.1)
    walked = gathered.visits.set_index("visit")
    assert set(walked.index) == {"MON#1@WEST", "MON#1@EAST", "MON B#1@WEST", "FRI#1@WEST",
                                 "FRI#1@EAST"}  # fmt: skip
    assert walked["effort_km"].sum() == pytest.approx(visits["effort_km"].sum())
    assert walked.loc["MON#1@WEST", "coverage"] == pytest.approx(1000 / 4400, abs=0.01)
    assert walked["effort_km_days"].notna().to_dict()["FRI#1@WEST"]
    rates = detection_rates(gathered.visits, gathered.detections, by="segment")
    assert rates.set_index("segment")["trails_expected"].round(6).to_dict() == {
        "WEST": 1.8, "EAST": 0.9,
    }  # fmt: skip
    histories = make_histories(
        gathered.visits, gathered.detections, prior=0.3, segments=gathered.units
    )
    assert len(histories.units) == 2
    assert histories.visits["trails"].sum() == 3


def test_effort_outside_all_areas_is_told() -> None:
    pieces, visits = surveyed()
    west = pieces.assign(unit=pieces["unit"].where(pieces["unit"].eq("WEST")))
    with pytest.warns(DataWarning, match=r"2\.0 km were walked outside all areas"):
        gathered = gather_units(west, visits, detected(visits))
    assert set(gathered.visits["segment"]) == {"WEST"}
    assert gathered.detections["trail"].tolist() == ["T1", "T2"]


def test_what_cannot_be_a_grid_or_an_area_is_refused() -> None:
    for size in (0, -5, np.nan):
        with pytest.raises(InputError, match="metres above zero"):
            grid_cells(ROADS, size_m=size)
    with pytest.raises(InputError, match="over a million"):
        grid_cells(ROADS, size_m=0.5)
    with pytest.raises(InputError, match="'square' or 'hexagon'"):
        grid_cells(ROADS, size_m=500, shape="triangle")
    with pytest.raises(GeographicCrs):
        grid_cells(ROADS, size_m=500, crs="EPSG:4326")
    over = units(A=(0, 0, 1000, 1000), B=(900, 0, 2000, 1000))
    with pytest.raises(InputError, match="'A' and 'B' overlap"):
        cut_by_areas(ROADS, over)
    with pytest.raises(InputError, match="two have one name"):
        cut_by_areas(ROADS, over.assign(unit="A"))
