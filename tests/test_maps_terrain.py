"""Relief under a map: light and contours from the user's own elevations, in any CRS."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyproj
import pytest
from reporting_examples import CRS, make_country

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.maps import MEASURES, SheetWords, plot_month
from carnivore_sign.maps.terrain import contour_step, hillshade, read_elevation

COUNTRY = make_country()
CELL = (30.0, 30.0)


def plane(rise_east: float, rise_north: float) -> np.ndarray:
    rows, columns = np.mgrid[0:20, 0:20]
    return 500 + columns * CELL[0] * rise_east - rows * CELL[1] * rise_north


def test_light_on_a_plane_is_the_cosine_of_its_angle_to_the_light() -> None:
    """Lambert's cosine law, by the normal of the plane and the light from the north-west."""
    light = np.array([-0.5, 0.5, np.sqrt(0.5)])
    for rise in ((0.0, 0.0), (0.3, 0.0), (0.0, -0.4), (-0.2, 0.6), (0.7, -0.7)):
        normal = np.array([-rise[0], -rise[1], 1.0])
        expected = max(float(normal @ light / np.linalg.norm(normal)), 0.0)
        assert hillshade(plane(*rise), cell_m=CELL)[10, 10] == pytest.approx(expected)


def test_a_slope_toward_the_light_is_brighter_than_one_away() -> None:
    toward, away = (hillshade(plane(a, -a), cell_m=CELL)[9, 9] for a in (0.3, -0.3))
    assert toward > 0.9
    assert away < 0.5


@pytest.mark.parametrize("span", [0.7, 9.0, 130.0, 978.0, 4210.0])
def test_contours_are_few_and_round(span: float) -> None:
    step = contour_step(100.0, 100.0 + span)
    assert 4 <= span / step <= 12
    assert round(step / 10 ** np.floor(np.log10(step))) in (1, 2, 5)


def test_without_rasterio_the_message_says_how_to_install_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "rasterio", None)
    with pytest.raises(InputError, match=r"pip install 'carnivore-sign\[terrain\]'"):
        plot_month(COUNTRY.monthly, taxon="puma", words=SheetWords(elevation="dem.tif"))


def elevation_file(path: Path, crs: str = "EPSG:4326") -> Path:
    """Write a plane that rises 10 m a hundredth of a degree to the east."""
    rasterio = pytest.importorskip("rasterio")
    columns = np.arange(200)
    with rasterio.open(
        path, "w", driver="GTiff", width=200, height=200, count=1, dtype="float32", crs=crs,
        transform=rasterio.Affine(0.001, 0.0, -105.1, 0.0, -0.001, 36.25),
    ) as raster:  # fmt: skip
        heights = 1000 + columns + 0.5  # a cell is a thousandth of a degree
        raster.write(np.tile(heights.astype("float32"), (200, 1)), 1)
    return path


def test_elevations_are_read_where_the_map_is(tmp_path: Path) -> None:
    """Check with pyproj: the height at a place is that of its longitude."""
    path = elevation_file(tmp_path / "dem.tif")
    bounds = (499_000.0, 3_999_000.0, 506_000.0, 4_006_000.0)
    heights = read_elevation(path, CRS, bounds)
    lon, _ = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True).transform(
        502_500.0, 4_002_500.0
    )
    expected = 1000 + (lon + 105.1) / 0.01 * 10
    assert heights[350, 350] == pytest.approx(expected, abs=0.5)
    assert np.isnan(read_elevation(path, CRS, (0.0, 0.0, 9e3, 9e3))).all()


def test_relief_lies_under_the_units_and_its_step_is_told(tmp_path: Path) -> None:
    words = SheetWords(elevation=elevation_file(tmp_path / "dem.tif"), measures=MEASURES["us"])
    figure = plot_month(COUNTRY.monthly, taxon="puma", words=words)
    ax = figure.axes[0]
    assert len(ax.images) == 1
    units = [c for c in ax.collections if str(c.get_gid()).startswith("found")]
    assert ax.images[0].get_zorder() < min(c.get_zorder() for c in units)
    assert "Contours every 50 ft." in [text.get_text() for text in figure.texts]
    assert ax.get_xlim() == plot_month(COUNTRY.monthly, taxon="puma").axes[0].get_xlim()


def test_a_file_that_is_no_raster_is_refused(tmp_path: Path) -> None:
    pytest.importorskip("rasterio")
    path = tmp_path / "dem.tif"
    path.write_text("no raster")
    with pytest.raises(FileUnreadable, match="no raster"):
        read_elevation(path, CRS, (0, 0, 1, 1))
