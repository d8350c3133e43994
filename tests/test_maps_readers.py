"""Who may see what: nothing in a page for the public tells more of a place than its cell."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from matplotlib.colors import to_hex
from reporting_examples import CRS, make_country, make_monthly, make_segments
from shapely.geometry import LineString, box
from test_maps_style import contrast

from carnivore_sign.errors import InputError
from carnivore_sign.maps import (
    SheetWords,
    edition_for,
    plot_month,
    png_bytes,
    shown_to,
    units_for,
)
from carnivore_sign.maps.readers import CELLS_PER_DEGREE, cell_of, in_cells
from carnivore_sign.space import GEOD, working_crs

COUNTRY = make_country()
PUBLIC = edition_for("public", category=3)


def shown(edition, monthly=COUNTRY.monthly):
    return shown_to(
        edition, monthly, trails=COUNTRY.trails,
        transects=gpd.GeoDataFrame({"transect": ["Dry Fork"]}, geometry=monthly.geometry[:1]),
        parcels=COUNTRY.parcels,
    )  # fmt: skip


def moved_within_cells(
    monthly: gpd.GeoDataFrame, category: int, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """Put every unit somewhere else in its cell, as a straight line of any way."""
    _, boxes = cell_of(*middles(monthly).T, category=category)
    bounds = shapely.bounds(boxes)[:, None, :]
    ends = bounds[..., :2] + rng.uniform(0.1, 0.9, (len(monthly), 2, 2)) * (
        bounds[..., 2:] - bounds[..., :2]
    )
    return monthly.set_geometry(gpd.GeoSeries(shapely.linestrings(ends), monthly.index, crs=4326))


def middles(monthly: gpd.GeoDataFrame) -> np.ndarray:
    half = monthly.to_crs(CRS).geometry.interpolate(0.5, normalized=True).to_crs(4326)
    return shapely.get_coordinates(half)


@pytest.mark.parametrize(
    ("category", "degrees"), [(1, 1.0), (2, 0.1), (3, 0.01), (4, 0.001)]
)  # Chapman 2020, Current Best Practices for Generalizing Sensitive Species Occurrence Data, GBIF
def test_cells_have_the_size_of_their_category_and_hold_the_place(
    category: int, degrees: float
) -> None:
    rng = np.random.default_rng(5)
    lon, lat = rng.uniform(-179.9, 179.9, 500), rng.uniform(-80, 80, 500)
    names, boxes = cell_of(lon, lat, category=category)
    west, south, east, north = shapely.bounds(boxes).T
    assert ((west <= lon) & (lon < east) & (south <= lat) & (lat < north)).all()
    assert np.allclose([east - west, north - south], degrees)
    assert np.allclose(np.round(west / degrees), west / degrees)  # the grid starts at 0 degrees
    assert len(set(names)) == len({(a, b) for a, b in zip(west, south, strict=True)})


def test_the_size_of_a_cell_on_the_ground() -> None:
    """Chapman & Wieczorek 2020: 0.01 degree at 10.27 N is 1106.1 by 1095.5 m."""
    _, (cell,) = cell_of(np.array([0.005]), np.array([10.27]), category=3)
    west, south, east, _ = cell.bounds
    assert south == pytest.approx(10.27)
    assert GEOD.inv(west, south, east, south)[2] == pytest.approx(1095.5, abs=0.3)
    assert GEOD.inv(west, south, west, south + 0.01)[2] == pytest.approx(1106.1, abs=0.3)


@pytest.mark.parametrize("lat", [-60.005, 0.005, 36.005, 70.005])
def test_the_area_of_a_cell_is_that_of_pyproj(lat: float) -> None:
    _, (cell,) = cell_of(np.array([-104.995]), np.array([lat]), category=3)
    ground_m2 = abs(GEOD.geometry_area_perimeter(cell)[0])
    frame = gpd.GeoSeries([cell], crs=4326)
    assert frame.to_crs(working_crs(frame)).area.item() == pytest.approx(ground_m2, rel=0.001)
    equal_area = pyproj.CRS("EPSG:6933")
    assert frame.to_crs(equal_area).area.item() == pytest.approx(ground_m2, rel=1e-4)


def test_cells_on_the_line_between_two_belong_to_the_north_and_east() -> None:
    names, _ = cell_of(np.array([-105.2, 0.3, -0.1]), np.array([36.1, 0.0, -0.1]), category=2)
    assert names.tolist() == ["36.1 N 105.2 W", "0.0 N 0.3 E", "0.1 S 0.1 W"]


def test_sums_over_cells_are_those_of_the_month() -> None:
    cells = in_cells(COUNTRY.monthly, category=2)
    assert 1 <= len(cells) < len(COUNTRY.monthly)
    for column in ("visits", "effort_km", "effort_km_days", "trails_expected"):
        assert cells[column].sum() == pytest.approx(COUNTRY.monthly[column].sum())
    assert cells["units"].sum() == len(COUNTRY.monthly)


def test_a_cell_has_the_state_of_its_best_find_and_the_mean_of_its_walked_units() -> None:
    monthly = COUNTRY.monthly.iloc[[1, 3, 14]]
    (cell,) = in_cells(monthly, category=1).to_dict("records")
    assert cell["p_found"] == 0.93
    assert cell["state"] == "found_sure"
    assert cell["p_presence"] == pytest.approx(monthly["p_presence"].iloc[:2].mean())
    nobody = in_cells(monthly.assign(visits=0, p_found=np.nan, state="not_looked"), category=1)
    assert nobody["state"].item() == "not_looked"
    assert nobody["p_presence"].item() == pytest.approx(monthly["p_presence"].mean())


@pytest.mark.parametrize("category", [2, 3])
def test_where_a_unit_lies_in_its_cell_changes_no_byte_of_what_the_public_sees(
    category: int,
) -> None:
    """Whatever is computed from these layers, and from any months of them, cannot tell it."""
    rng = np.random.default_rng(17)
    public = edition_for("public", category=category)
    first = shown(public)
    picture = png_bytes(plot_month(first.units, taxon="puma"), dpi=50)
    for _ in range(2):
        other = shown(public, moved_within_cells(COUNTRY.monthly, category, rng))
        assert other.units.to_json() == first.units.to_json()
        assert png_bytes(plot_month(other.units, taxon="puma"), dpi=50) == picture
    away = COUNTRY.monthly.set_geometry(COUNTRY.monthly.translate(xoff=0.2))
    assert shown(public, away).units.to_json() != first.units.to_json()


def test_the_grid_of_a_month_does_not_hang_on_what_was_found() -> None:
    other = make_monthly(make_segments()).sample(frac=1, random_state=3)
    other = other.assign(state="not_found", p_presence=0.1, period="2031-06")
    cells = [in_cells(month, category=3) for month in (COUNTRY.monthly, other)]
    assert cells[0].geometry.to_wkt().tolist() == cells[1].geometry.to_wkt().tolist()


def test_the_public_sees_no_trail_no_transect_and_no_holding() -> None:
    layers = shown(PUBLIC)
    assert [len(layer) for layer in (layers.trails, layers.transects, layers.parcels)] == [0, 0, 0]
    named = layers.units.to_json()
    for name in ("Dry Fork", "Ash Rim", "Mill Wash"):
        assert name not in named


def test_managers_see_everything_as_it_is() -> None:
    layers = shown(edition_for())
    assert layers.units is COUNTRY.monthly
    assert layers.parcels["owner_reference"].tolist() == ["A-12"]
    assert edition_for().withheld == ()


def test_a_landowner_sees_the_own_holding_exactly_and_nothing_else_exactly() -> None:
    x, y = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True).transform(
        [500_900, 502_100], [3_999_400, 4_000_900]
    )
    land = gpd.GeoDataFrame(
        {"receipt": "r", "parcel": ["Own", "Other"], "owner_reference": ["A", "B"]},
        geometry=[box(x[0], y[0], x[1], y[1]), box(0, 0, 1, 1)], crs=4326,
    )  # fmt: skip
    edition = edition_for("landowner", category=3, parcels=land, parcel="Own")
    layers = shown_to(
        edition, COUNTRY.monthly, trails=COUNTRY.trails, transects=land.iloc[:0], parcels=land
    )
    own = land.geometry.iloc[0]
    lines = layers.units[layers.units.geom_type.str.contains("Line")]
    assert len(lines) == 3
    assert lines.within(own.buffer(1e-9)).all()
    cells = layers.units[~layers.units.index.isin(lines.index)]
    assert set(cells.geom_type) == {"Polygon"}
    assert layers.units["visits"].sum() == COUNTRY.monthly["visits"].sum()
    assert layers.trails["trail"].tolist() == ["T1"]
    assert layers.trails.within(own.buffer(1e-9)).all()
    assert layers.parcels["parcel"].tolist() == ["Own"]
    assert layers.parcels["owner_reference"].isna().all()
    assert "off the holding" in edition.withheld[1]
    assert png_bytes(plot_month(layers.units, taxon="puma", trails=layers.trails), dpi=40)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"reader": "press"}, "Use one of: managers, landowner, public"),
        ({"reader": "public", "category": 5}, "no category of sensitivity"),
        ({"reader": "landowner", "parcels": COUNTRY.parcels}, "the season has: Lower Pasture"),
        ({"reader": "landowner"}, "the season has: none"),
        (
            {"reader": "landowner", "parcels": COUNTRY.parcels, "parcel": "Nowhere"},
            "there is no holding of the name 'Nowhere'.*the season has: Lower Pasture",
        ),
    ],
)
def test_what_cannot_be_made_is_refused(asked: dict[str, object], told: str) -> None:
    with pytest.raises(InputError, match=told):
        edition_for(**asked)


def test_what_was_withheld_is_said() -> None:
    said = " ".join(edition_for("public").withheld)
    for part in ("Made for the public", "0.1 degrees", "category 2 of Chapman 2020", "observers",
                 "photos", "who owns them", "nothing was moved at random"):  # fmt: skip
        assert part in said


def test_a_month_without_units_gives_no_cells() -> None:
    assert in_cells(COUNTRY.monthly.iloc[:0]).empty
    assert list(CELLS_PER_DEGREE) == [1, 2, 3, 4]
    assert units_for(PUBLIC, COUNTRY.monthly.iloc[:0]).empty


def test_cells_at_the_antimeridian_stay_small() -> None:
    far = COUNTRY.monthly.iloc[[0, 1]].set_geometry(
        gpd.GeoSeries(
            [LineString([(179.98, 51), (179.99, 51)]), LineString([(-179.99, 51), (-179.98, 51)])],
            index=[0, 1], crs=4326,
        )
    )  # fmt: skip
    cells = in_cells(far, category=2)
    assert sorted(cells["segment"]) == ["51.0 N 179.9 E", "51.0 N 180.0 W"]
    assert isinstance(cells, pd.DataFrame)


@pytest.mark.parametrize("made_for", ["landowner", "public"])
def test_what_is_written_on_cells_can_be_read_on_any_fill(made_for: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: letters have 4.5 to 1 against the plate under them."""
    dark = COUNTRY.monthly.assign(
        state="found_sure", visits=15, p_presence=0.99, p_presence_low=0.97, p_presence_high=1.0
    )
    parcel = str(COUNTRY.parcels["parcel"].iloc[0])
    own = made_for == "landowner"
    edition = edition_for(made_for, parcels=COUNTRY.parcels, parcel=parcel if own else None)
    layers = shown(edition, dark)
    figure = plot_month(
        layers.units,
        taxon="puma",
        words=SheetWords(unit=edition.unit),
        parcels=layers.parcels,
        trails=layers.trails,
    )
    ax = figure.axes[0]
    written = {text.get_text(): text for text in ax.texts if text.get_bbox_patch() is not None}
    assert any("visits" in words for words in written)
    assert any(" N " in words for words in written)
    assert (parcel in written) == own
    for text in written.values():
        under = text.get_bbox_patch().get_facecolor()
        assert under[3] == 1.0
        assert contrast(to_hex(text.get_color()), to_hex(under)) >= 4.5
    assert any(text.get_text() == "Cells in each state" for text in figure.texts)
    levels = {str(c.get_gid()): c.get_zorder() for c in ax.collections}
    cells = max(level for gid, level in levels.items() if gid.startswith("area-"))
    assert not own or min(levels["parcels"], levels["parcel-rims"]) > cells
