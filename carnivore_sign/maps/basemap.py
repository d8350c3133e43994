"""Basemap: tiles of a server that the user names, pale under a map, with who made them.

Nothing is fetched unless it is asked for, and no server is known here. Whoever is asked for tiles
learns which country is looked at. Where tiles cannot be had, the map is drawn without them.

Tiles are those of the WebMercatorQuad of the OGC (Two Dimensional Tile Matrix Set, 17-083r4):
at zoom z the world is a square of 2^z by 2^z tiles of 256 pixels, counted from the north-west.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

import numpy as np
import numpy.typing as npt
import pyproj
from matplotlib.axes import Axes
from PIL import Image, UnidentifiedImageError

from carnivore_sign._version import __version__
from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.space import STORED_CRS

FloatArray = npt.NDArray[np.float64]
Fetch = Callable[[str], bytes]

TILE_PX: Final = 256
#: The most tiles that one map asks for, and the nearest zoom.
MOST_TILES: Final = 48
MOST_ZOOM: Final = 17
#: North and south end of the square, degrees.
_END_DEG: Final = 85.0511
#: Pixels across the map.
_ACROSS: Final = 1100
#: How much of the basemap is seen.
_STRENGTH: Final = 0.45
_SECONDS: Final = 10.0
_MOST_BYTES: Final = 4_000_000


@dataclass(frozen=True)
class Basemap:
    """Where tiles come from, and whom to thank for them.

    Attributes
    ----------
    url : str
        Address of a tile with ``{z}``, ``{x}`` and ``{y}`` in it; http or https.
    credit : str
        Attribution, as those who made the tiles ask for it; it is printed on the map.

    Raises
    ------
    InputError
        If the address is no such template, or the attribution is blank.
    """

    url: str
    credit: str

    def __post_init__(self) -> None:
        missing = [mark for mark in ("{z}", "{x}", "{y}") if mark not in self.url]
        if missing or urlsplit(self.url).scheme not in ("http", "https"):
            raise InputError(
                f"'{self.url}' is no address of tiles",
                remedy="Write it as https://tiles.example.org/{z}/{x}/{y}.png.",
            )
        if not self.credit.strip():
            raise InputError(
                "a basemap needs its attribution",
                remedy="Say who made the tiles: --basemap-credit, as their terms ask for it.",
            )

    def address(self, zoom: int, column: int, row: int) -> str:
        """Return the address of one tile."""
        marks = {"{z}": zoom, "{x}": column, "{y}": row}
        told = self.url
        for mark, number in marks.items():
            told = told.replace(mark, str(number))
        return told


def draw_basemap(
    ax: Axes, basemap: Basemap, crs: pyproj.CRS, *, fetch: Fetch | None = None
) -> bool:
    """Draw tiles under a map that has its window.

    Parameters
    ----------
    ax : Axes
        A map in `crs`.
    basemap : Basemap
        Where the tiles come from.
    crs : CRS
        The projected CRS of the map.
    fetch : callable, optional
        Takes an address and returns the bytes of a tile; over the network, unless given.

    Returns
    -------
    bool
        Whether tiles were drawn.

    Warns
    -----
    DataWarning
        If a tile could not be had; the map is then as it was.
    """
    (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
    lon, lat = _pixels(crs, (west, south, east, north))
    zoom = zoom_for(lon, lat)
    try:
        picture = _picture(basemap, zoom, *tile_places(lon, lat, zoom), fetch or fetch_tile)
    except (URLError, OSError, UnidentifiedImageError, ValueError) as fault:
        warnings.warn(
            f"The basemap could not be fetched from {urlsplit(basemap.url).netloc} ({fault}): the "
            "map is drawn without it. Are you online, and is the address right?",
            DataWarning,
            stacklevel=2,
        )
        return False
    ax.imshow(
        picture, extent=(west, east, south, north), alpha=_STRENGTH, zorder=0.05,
        aspect="auto", interpolation="bilinear",
    )  # fmt: skip
    ax.set_aspect("equal")
    ax.set_xlim(west, east)
    ax.set_ylim(south, north)
    return True


def tile_places(lon: FloatArray, lat: FloatArray, zoom: int) -> tuple[FloatArray, FloatArray]:
    """Place of positions on the square of tiles: columns from the west, rows from the north.

    Examples
    --------
    >>> [place.tolist() for place in tile_places(np.array([0.0]), np.array([0.0]), 1)]
    [[1.0], [1.0]]
    """
    count = 2.0**zoom
    column = (lon + 180.0) / 360.0 * count
    row = (1.0 - np.arcsinh(np.tan(np.radians(np.clip(lat, -_END_DEG, _END_DEG)))) / np.pi) / 2.0
    return column, row * count


def zoom_for(lon: FloatArray, lat: FloatArray) -> int:
    """Return the nearest zoom that is no finer than the map and asks for few enough tiles."""
    for zoom in range(MOST_ZOOM, 0, -1):
        column, row = tile_places(lon, lat, zoom)
        tiles = (np.ptp(np.floor(column)) + 1) * (np.ptp(np.floor(row)) + 1)
        if tiles <= MOST_TILES and np.ptp(column) * TILE_PX <= 1.5 * _ACROSS:
            return zoom
    return 0


@lru_cache(maxsize=4 * MOST_TILES)
def fetch_tile(address: str) -> bytes:
    """Fetch one tile over the network, once in a run.

    Raises
    ------
    OSError
        If it cannot be had in time, or is larger than any tile.
    """
    asked = Request(address, headers={"User-Agent": f"carnivore-sign/{__version__}"})
    with urlopen(asked, timeout=_SECONDS) as answer:
        body: bytes = answer.read(_MOST_BYTES + 1)
    if len(body) > _MOST_BYTES:
        raise OSError(f"{address} is larger than any tile")
    return body


def _pixels(
    crs: pyproj.CRS, bounds: tuple[float, float, float, float]
) -> tuple[FloatArray, FloatArray]:
    """Longitude and latitude of the middle of each pixel, rows from north to south.

    Longitudes run on across the antimeridian.
    """
    west, south, east, north = bounds
    down = max(2, round(_ACROSS * (north - south) / (east - west)))
    x = west + (np.arange(_ACROSS) + 0.5) * (east - west) / _ACROSS
    y = north - (np.arange(down) + 0.5) * (north - south) / down
    back = pyproj.Transformer.from_crs(crs, STORED_CRS, always_xy=True)
    lon, lat = back.transform(*np.meshgrid(x, y))
    middle = lon[down // 2, _ACROSS // 2]
    return (lon - middle + 180.0) % 360.0 - 180.0 + middle, lat


def _picture(
    basemap: Basemap, zoom: int, column: FloatArray, row: FloatArray, fetch: Fetch
) -> npt.NDArray[np.uint8]:
    """Put the tiles together, and take from them the pixel under each pixel of the map."""
    count = 2**zoom
    first_column, first_row = math.floor(column.min()), max(0, math.floor(row.min()))
    columns = range(first_column, math.floor(column.max()) + 1)
    rows = range(first_row, min(count - 1, math.floor(row.max())) + 1)
    mosaic = np.full((len(rows) * TILE_PX, len(columns) * TILE_PX, 3), 255, dtype=np.uint8)
    for at_row, tile_row in enumerate(rows):
        for at_column, tile_column in enumerate(columns):
            body = fetch(basemap.address(zoom, tile_column % count, tile_row))
            with Image.open(io.BytesIO(body)) as opened:
                tile = opened.convert("RGB").resize((TILE_PX, TILE_PX))
            y, x = at_row * TILE_PX, at_column * TILE_PX
            mosaic[y : y + TILE_PX, x : x + TILE_PX] = np.asarray(tile)
    across = np.clip((column - first_column) * TILE_PX, 0, mosaic.shape[1] - 1).astype(int)
    down = np.clip((row - first_row) * TILE_PX, 0, mosaic.shape[0] - 1).astype(int)
    return mosaic[down, across]
