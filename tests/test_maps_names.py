"""Names on a map touch no outline and no other name, and numbers are never left out."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pytest
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from reporting_examples import CRS, make_country, make_segments
from shapely.geometry import LineString, box

from carnivore_sign.maps import (
    draw_names,
    draw_numbers,
    plot_month,
    png_bytes,
)
from carnivore_sign.maps.lettering import new_figure
from carnivore_sign.maps.names import LONGEST, MOST_PARCELS, MOST_TRANSECTS
from carnivore_sign.maps.style import RING_PT

COUNTRY = make_country()
NOTHING = gpd.GeoDataFrame({"parcel": []}, geometry=[], crs=CRS)


def map_of(width: float = 1000.0) -> Axes:
    """Return a map of `width` units on a sheet of 5 inches; 360 points across."""
    ax = new_figure(5, 5).add_axes((0, 0, 1, 1))
    ax.set_xlim(0, width)
    ax.set_ylim(0, width)
    return ax


def lines_of(names: list[str], lines: list[LineString]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"transect": names}, geometry=lines, crs=CRS)


def parcels_of(names: list[str], shapes: list[object]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"parcel": names}, geometry=shapes, crs=CRS)


def written(ax: Axes) -> dict[str, shapely.Geometry]:
    """Return the boxes of all names as drawn, in the units of the map."""
    renderer = ax.figure.canvas.get_renderer()
    back = ax.transData.inverted()
    boxes = {}
    for text in ax.texts:
        extent = text.get_window_extent(renderer)
        (x0, y0), (x1, y1) = back.transform([(extent.x0, extent.y0), (extent.x1, extent.y1)])
        boxes[text.get_text()] = box(x0, y0, x1, y1)
    return boxes


def test_a_name_keeps_clear_of_the_parcel_beside_it_and_of_its_name() -> None:
    """A transect that starts at a parcel: its name once lay on the outline and on the name."""
    parcel = box(420, 700, 640, 900)
    ax = map_of()
    draw_names(
        ax, transects=lines_of(["Crow Wash"], [LineString([(400, 720), (380, 500), (420, 100)])]),
        parcels=parcels_of(["Heron Lease"], [parcel]),
    )  # fmt: skip
    boxes = written(ax)
    assert boxes["Heron Lease"].within(parcel)
    assert not boxes["Crow Wash"].intersects(parcel.boundary)
    assert not boxes["Crow Wash"].intersects(boxes["Heron Lease"])


@pytest.mark.parametrize("seed", range(6))
def test_of_names_drawn_at_random_none_touches_an_outline_or_another(seed: int) -> None:
    rng = np.random.default_rng(seed)
    corners = rng.uniform(50, 800, (8, 2))
    shapes = [box(x, y, x + w, y + h) for (x, y), (w, h) in
              zip(corners, rng.uniform(60, 200, (8, 2)), strict=True)]  # fmt: skip
    lines = [LineString(rng.uniform(50, 950, (3, 2))) for _ in range(12)]
    ax = map_of()
    draw_names(
        ax, transects=lines_of([f"Line {n}" for n in range(12)], lines),
        parcels=parcels_of([f"Lease {n}" for n in range(8)], shapes),
    )  # fmt: skip
    boxes = list(written(ax).values())
    assert len(boxes) >= 10
    assert not any(a.intersects(b) for a, b in itertools.combinations(boxes, 2))
    assert not any(name.intersects(s.boundary) for name in boxes for s in shapes)
    assert all(name.within(box(0, 0, 1000, 1000)) for name in boxes)


def test_a_name_crosses_a_line_where_nothing_else_is_free_and_never_an_outline() -> None:
    grid = lines_of([f"g{n}" for n in range(200)], [
        LineString([(0, y), (1000, y)]) for y in np.arange(0, 1000, 5.0)])  # fmt: skip
    transect = lines_of(["Mill Wash"], [LineString([(300, 500), (700, 500)])])
    ax = map_of()
    draw_names(ax, transects=transect, clear_of=[grid])
    assert "Mill Wash" in written(ax)
    hatched = parcels_of([""] * 200, [box(0, y, 1000, y + 2) for y in np.arange(0, 1000, 5.0)])
    ax = map_of()
    draw_names(ax, transects=transect, parcels=hatched)
    assert "Mill Wash" not in written(ax)


def test_a_name_leaves_the_north_arrow_alone() -> None:
    ax = map_of()
    draw_names(ax, transects=lines_of(["North Rim"], [LineString([(970, 950), (975, 900)])]))
    arrow = box(960, 900, 990, 970)
    assert not written(ax)["North Rim"].intersects(arrow)


def test_long_names_are_cut_and_missing_shapes_passed_over() -> None:
    ax = map_of()
    names = ["Coldwater Basin and all of its Forks", "Nowhere"]
    draw_names(
        ax, transects=lines_of(names, [LineString([(500, 500), (520, 400)]), None]),
        parcels=parcels_of(["Nothing"], [None]),
    )  # fmt: skip
    (text,) = written(ax)
    assert len(text) == LONGEST
    assert text.endswith("\u2026")


def test_more_transects_than_can_be_read_go_without_names() -> None:
    many = [LineString([(n * 10, 100), (n * 10, 900)]) for n in range(MOST_TRANSECTS + 1)]
    ax = map_of()
    draw_names(ax, transects=lines_of([f"T{n}" for n in range(len(many))], many))
    assert not ax.texts


def test_more_parcels_than_can_be_read_go_without_names() -> None:
    many = [box(n * 10, 100, n * 10 + 8, 900) for n in range(MOST_PARCELS + 1)]
    parcels = gpd.GeoDataFrame({"parcel": [f"P{n}" for n in range(len(many))]}, geometry=many)
    ax = map_of()
    draw_names(ax, parcels=parcels)
    assert not ax.texts


def test_every_number_is_written_and_those_of_one_place_share_a_label() -> None:
    at = np.array([[500, 500], [505, 503], [np.nan, np.nan], [200, 200], [502, 498]], dtype=float)
    ax = map_of()
    draw_numbers(ax, at, parcels=NOTHING, clear_of=[])
    assert sorted(text.get_text() for text in ax.texts) == ["1, 2, 5", "4"]


def test_numbers_of_a_crowd_do_not_lie_on_each_other() -> None:
    at = np.column_stack([np.linspace(300, 700, 14), np.full(14, 500.0)])
    ax = map_of()
    draw_numbers(ax, at, parcels=NOTHING, clear_of=[])
    boxes = list(written(ax).values())
    assert len(boxes) == 14
    assert not any(a.intersects(b) for a, b in itertools.combinations(boxes, 2))


def test_the_sheet_names_transects_and_parcels_clear_of_its_segments() -> None:
    segments = make_segments()
    shapes = segments.dissolve("transect").reset_index()
    figure: Figure = plot_month(
        COUNTRY.monthly, taxon="puma", transects=shapes, parcels=COUNTRY.parcels,
        trails=COUNTRY.trails,
    )  # fmt: skip
    png_bytes(figure, dpi=60)
    boxes = written(figure.axes[0])
    lines = COUNTRY.monthly.to_crs(CRS).union_all()
    for name in ("Dry Fork", "Ash Rim", "Mill Wash", "Lower Pasture"):
        assert not boxes[name].intersects(lines)


def test_the_name_of_a_line_is_not_read_as_that_of_another() -> None:
    """Two lines end near each other: a name once stood at the end of the other one."""
    lines = lines_of(
        ["Ember Road", "Thistle Wash"],
        [LineString([(100, 620), (450, 620)]), LineString([(420, 590), (400, 200)])],
    )
    ax = map_of()
    draw_names(ax, transects=lines)
    boxes = written(ax)
    for name, line in zip(lines["transect"], lines.geometry, strict=True):
        (other,) = lines.loc[lines["transect"].ne(name)].geometry
        assert boxes[name].distance(other) > 1.5 * boxes[name].distance(line)
    assert not [line for line in ax.lines if line.get_gid() == "leader"]


def test_a_name_that_could_be_of_two_lines_is_led_to_its_own() -> None:
    rows = np.arange(100, 1000, 14.0)
    names = [f"Fork {n}" for n in range(40)]
    lines = lines_of(names, [LineString([(100, y), (900, y)]) for y in rows[:40]])
    ax = map_of()
    draw_names(ax, transects=lines)
    leaders = [line.get_xydata() for line in ax.lines if line.get_gid() == "leader"]
    assert leaders
    known = dict(zip(lines["transect"], lines.geometry, strict=True))
    ends = [shapely.Point(end[-1]) for end in leaders]
    assert all(min(end.distance(line) for line in known.values()) < 1e-6 for end in ends)
    assert len(leaders) <= len(written(ax))


def test_ringed_numbers_stand_off_their_ring_and_share_no_label_with_others() -> None:
    at = np.array([[500.0, 500], [503, 500], [800, 800]])
    ax = map_of()
    ringed = np.array([True, False, False])
    draw_numbers(ax, at, parcels=NOTHING, clear_of=[], ringed=ringed)
    boxes = written(ax)
    assert sorted(boxes) == ["1", "2", "3"]
    ring = shapely.Point(500, 500).buffer(RING_PT / 2 * 1000 / 360)
    assert not boxes["1"].intersects(ring)
    weight = {text.get_text(): text.get_weight() for text in ax.texts}
    assert weight == {"1": "bold", "2": "normal", "3": "normal"}
