"""Basemap tiles: only when asked, in their place, with attribution, and a map without them.

Places of tiles are held against EPSG:3857 of pyproj, and the numbers at zoom 0 to 2 against the
definition of WebMercatorQuad (OGC 17-083r4). No test leaves the machine.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from urllib.error import URLError

import matplotlib.image as mpimg
import numpy as np
import pyproj
import pytest
from PIL import Image
from reporting_examples import CRS, EAST, NORTH, make_country

from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.maps import Basemap, SheetWords, plot_month
from carnivore_sign.maps.basemap import (
    MOST_TILES,
    draw_basemap,
    fetch_tile,
    tile_places,
    zoom_for,
)
from carnivore_sign.maps.lettering import new_figure

COUNTRY = make_country()
HERE = Basemap("https://tiles.invalid/{z}/{x}/{y}.png", "\u00a9 Invented Surveyors")


def tile(color: tuple[int, int, int]) -> bytes:
    body = io.BytesIO()
    Image.new("RGB", (256, 256), color).save(body, "PNG")
    return body.getvalue()


def by_parity(address: str) -> bytes:
    """Return a tile that is red in even columns and green in odd ones, darker in odd rows."""
    column, row = (int(part) for part in address.removesuffix(".png").split("/")[-2:])
    light = 200 if row % 2 == 0 else 100
    return tile((light, 0, 0) if column % 2 == 0 else (0, light, 0))


def map_of(x: float = EAST, y: float = NORTH, *, width: float = 6000.0) -> object:
    ax = new_figure(5, 4).add_axes((0, 0, 1, 1))
    ax.set_xlim(x, x + width)
    ax.set_ylim(y, y + 0.8 * width)
    return ax


@pytest.fixture
def server() -> Iterator[str]:
    """Serve tiles on this machine, and nowhere else."""

    class Tiles(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            if self.path.startswith("/gone"):
                self.send_error(404)
                return
            self.send_response(200)
            self.end_headers()
            self.wfile.write(by_parity(self.path))

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    running = HTTPServer(("127.0.0.1", 0), Tiles)
    thread = threading.Thread(target=running.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{running.server_port}"
    running.shutdown()
    running.server_close()
    thread.join()


def test_places_of_tiles_are_those_of_the_projection() -> None:
    """Check with pyproj: EPSG:3857 runs from -20037508.34 to 20037508.34 m on both axes."""
    rng = np.random.default_rng(1)
    lon, lat = rng.uniform(-180, 180, 500), rng.uniform(-85, 85, 500)
    to_3857 = pyproj.Transformer.from_crs(4326, 3857, always_xy=True)
    x, y = to_3857.transform(lon, lat)
    half = np.pi * 6378137.0
    column, row = tile_places(lon, lat, 9)
    assert column == pytest.approx((x + half) / (2 * half) * 512, abs=1e-6)
    assert row == pytest.approx((half - y) / (2 * half) * 512, abs=1e-6)


def test_each_pixel_of_the_map_shows_the_tile_it_lies_on() -> None:
    ax = map_of()
    assert draw_basemap(ax, HERE, CRS, fetch=by_parity)
    (image,) = ax.images
    picture = np.asarray(image.get_array())
    assert isinstance(image, mpimg.AxesImage)
    rng = np.random.default_rng(2)
    down, across = rng.integers(0, picture.shape[0], 300), rng.integers(0, picture.shape[1], 300)
    x = EAST + (across + 0.5) * 6000.0 / picture.shape[1]
    y = NORTH + 4800.0 - (down + 0.5) * 4800.0 / picture.shape[0]
    back = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True)
    lon, lat = back.transform(x, y)
    zoom = zoom_for(*np.meshgrid(lon, lat))
    column, row = (np.floor(place).astype(int) for place in tile_places(lon, lat, zoom))
    shown = picture[down, across]
    assert ((shown[:, 0] > 0) == (column % 2 == 0)).mean() > 0.99
    assert ((shown.max(axis=1) == 200) == (row % 2 == 0)).mean() > 0.99
    assert ax.get_xlim() == (EAST, EAST + 6000.0)


@pytest.mark.parametrize("width", [300.0, 6_000.0, 90_000.0, 600_000.0])
def test_no_map_asks_for_many_tiles(width: float) -> None:
    asked: list[str] = []
    draw_basemap(map_of(width=width), HERE, CRS, fetch=lambda a: asked.append(a) or by_parity(a))
    assert 1 <= len(asked) == len(set(asked)) <= MOST_TILES


def test_a_map_across_the_antimeridian_takes_tiles_of_both_ends() -> None:
    asked: list[str] = []
    crs = pyproj.CRS("EPSG:32660")  # its east end is the antimeridian
    x, y = pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(180.0, 52.0)
    ax = map_of(x - 3000.0, y)
    assert draw_basemap(ax, HERE, crs, fetch=lambda a: asked.append(a) or by_parity(a))
    zoom = int(asked[0].split("/")[3])
    columns = {int(address.split("/")[4]) for address in asked}
    assert {0, 2**zoom - 1} <= columns
    assert max(columns) < 2**zoom


def test_nothing_is_fetched_unless_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(address: str) -> bytes:
        raise AssertionError(f"asked for {address}")

    monkeypatch.setattr("carnivore_sign.maps.basemap.fetch_tile", refuse)
    plot_month(COUNTRY.monthly, taxon="puma")


def test_tiles_of_a_server_are_drawn_under_the_month_with_their_attribution(server: str) -> None:
    basemap = Basemap(f"{server}/{{z}}/{{x}}/{{y}}.png", "\u00a9 Invented Surveyors, 2031")
    figure = plot_month(COUNTRY.monthly, taxon="puma", words=SheetWords(basemap=basemap))
    said = " ".join(text.get_text().replace("\n", " ") for text in figure.texts)
    assert "Basemap: \u00a9 Invented Surveyors, 2031" in said
    (image,) = figure.axes[0].images
    assert image.get_alpha() < 0.5  # pale: units keep their contrast
    assert image.get_zorder() < min(line.get_zorder() for line in figure.axes[0].collections)


def test_offline_the_map_is_drawn_without_tiles_and_says_so(server: str) -> None:
    figure_without = plot_month(COUNTRY.monthly, taxon="puma")
    gone = Basemap(f"{server}/gone/{{z}}/{{x}}/{{y}}.png", "Nobody")
    with pytest.warns(DataWarning, match=r"127\.0\.0\.1.*drawn without it.*online"):
        figure = plot_month(COUNTRY.monthly, taxon="puma", words=SheetWords(basemap=gone))
    assert not figure.axes[0].images
    assert not any("Basemap" in text.get_text() for text in figure.texts)
    assert len(figure.texts) == len(figure_without.texts)


@pytest.mark.parametrize(
    "fault", [URLError("no route"), TimeoutError("late"), b"<html>busy</html>"]
)
def test_every_way_of_not_getting_a_tile_is_a_warning(fault: Exception | bytes) -> None:
    def fetch(_: str) -> bytes:
        if isinstance(fault, bytes):
            return fault
        raise fault

    ax = map_of()
    with pytest.warns(DataWarning, match="tiles.invalid"):
        assert not draw_basemap(ax, HERE, CRS, fetch=fetch)
    assert not ax.images


def test_a_tile_is_fetched_once_in_a_run(server: str) -> None:
    fetch_tile.cache_clear()
    for _ in range(3):
        fetch_tile(f"{server}/1/0/0.png")
    assert fetch_tile.cache_info().misses == 1


@pytest.mark.parametrize(
    ("url", "credit", "told"),
    [
        ("https://tiles.invalid/{z}/{x}.png", "x", "no address of tiles"),
        ("file:///etc/{z}/{x}/{y}", "x", "no address of tiles"),
        ("tiles.invalid/{z}/{x}/{y}", "x", "no address of tiles"),
        ("https://tiles.invalid/{z}/{x}/{y}", "  ", "needs its attribution"),
    ],
)
def test_a_basemap_that_cannot_be_is_refused(url: str, credit: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        Basemap(url, credit)
