"""Terrain: hillshade and contours under a map, from the user's own elevation file.

Reading the file needs rasterio, which comes with the extra ``terrain``. Relief is drawn pale, so
that the colours of the units keep their meaning and their contrast.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyproj
from matplotlib.axes import Axes

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.maps.lettering import font
from carnivore_sign.maps.measures import METRIC, Measures
from carnivore_sign.maps.style import CONTOUR, QUIET, SMALL_PT

FloatArray = npt.NDArray[np.float64]

#: Direction and height of the light, degrees: from the north-west, as on printed maps.
LIGHT_FROM_DEG: Final = 315.0
LIGHT_HEIGHT_DEG: Final = 45.0
#: How much of the shade is seen.
_STRENGTH: Final = 0.22
#: Cells across the map that are read, at most.
_CELLS: Final = 700
#: Stands for a cell that the file does not cover; it fits whole numbers of 16 bits.
_OUTSIDE: Final = -32768
#: Contours between the lowest and the highest place, at most.
_MOST_CONTOURS: Final = 12


def draw_terrain(
    ax: Axes, path: str | Path, crs: pyproj.CRS, *, measures: Measures = METRIC
) -> float:
    """Draw hillshade and contours of an elevation file under a map that has its window.

    Parameters
    ----------
    ax : Axes
        A map in `crs`.
    path : path-like
        A raster of elevations in metres, in any CRS and any form that GDAL reads.
    crs : CRS
        The projected CRS of the map.
    measures : Measures
        Units that contours are lettered in.

    Returns
    -------
    float
        Step between contours in the short unit of `measures`; NaN where the file does not
        reach the map.

    Raises
    ------
    InputError
        If rasterio is not installed; the message says how to install it.
    FileUnreadable
        If the file is no raster with a CRS.
    """
    (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
    heights = read_elevation(path, crs, (west, south, east, north))
    if not np.isfinite(heights).any():
        return float("nan")
    cell_m = (east - west) / heights.shape[1], (north - south) / heights.shape[0]
    shade = hillshade(heights, cell_m=cell_m)
    ax.imshow(
        np.where(np.isfinite(shade), 1 - shade, 0.0),
        cmap="Greys", vmin=0.0, vmax=1.0, alpha=_STRENGTH, zorder=0.1, aspect="auto",
        extent=(west, east, south, north), interpolation="bilinear",
    )  # fmt: skip
    ax.set_aspect("equal")
    ax.set_xlim(west, east)
    ax.set_ylim(south, north)
    told = heights / measures.m_per_short
    step = contour_step(float(np.nanmin(told)), float(np.nanmax(told)))
    if step:
        x = west + (np.arange(heights.shape[1]) + 0.5) * cell_m[0]
        y = north - (np.arange(heights.shape[0]) + 0.5) * cell_m[1]
        levels = np.arange(np.ceil(np.nanmin(told) / step), np.floor(np.nanmax(told) / step) + 1)
        lines = ax.contour(x, y, told, levels=levels * step, colors=CONTOUR, linewidths=0.5,
                           zorder=0.2)  # fmt: skip
        labels = ax.clabel(lines, levels=(levels * step)[::2], fmt="%g", colors=QUIET)
        for label in labels:
            label.set_fontproperties(font(SMALL_PT - 1.5))
    return step


def read_elevation(
    path: str | Path, crs: pyproj.CRS, bounds: tuple[float, float, float, float]
) -> FloatArray:
    """Read the elevations in a window of a projected CRS, metres, rows from north to south.

    Cells that the file does not cover are NaN.
    """
    rasterio, vrt = _rasterio()
    west, south, east, north = bounds
    across = _CELLS
    down = max(2, round(_CELLS * (north - south) / (east - west)))
    try:
        with rasterio.open(path) as raster:
            if raster.crs is None:
                raise FileUnreadable(
                    "the raster has no coordinate reference system", file=path,
                    remedy="Give it one first: its places are not known without.",
                )  # fmt: skip
            size = (east - west) / across, (north - south) / down
            transform = rasterio.Affine(size[0], 0.0, west, 0.0, -size[1], north)
            with vrt.WarpedVRT(
                raster, crs=crs.to_wkt(), transform=transform, width=across, height=down,
                nodata=_OUTSIDE, resampling=rasterio.enums.Resampling.bilinear,
            ) as window:  # fmt: skip
                return np.asarray(window.read(1, masked=True).astype(float).filled(np.nan))
    except rasterio.errors.RasterioIOError as error:
        raise FileUnreadable(
            "this is no raster that can be read", file=path, remedy=f"GDAL says: {error}"
        ) from error


def hillshade(heights: FloatArray, *, cell_m: tuple[float, float]) -> FloatArray:
    """Light on each cell, 0 to 1: the cosine of the angle between the slope and the light.

    Slopes are those of Horn 1981, Proceedings of the IEEE 69:14-47, from the eight neighbours.

    Examples
    --------
    >>> flat = np.zeros((4, 4))
    >>> round(float(hillshade(flat, cell_m=(30.0, 30.0))[1, 1]), 4)
    0.7071
    """
    z = np.pad(heights, 1, mode="edge")
    east = z[:-2, 2:] + 2 * z[1:-1, 2:] + z[2:, 2:]
    west = z[:-2, :-2] + 2 * z[1:-1, :-2] + z[2:, :-2]
    north = z[:-2, :-2] + 2 * z[:-2, 1:-1] + z[:-2, 2:]
    south = z[2:, :-2] + 2 * z[2:, 1:-1] + z[2:, 2:]
    slope_east = (east - west) / (8 * cell_m[0])
    slope_north = (north - south) / (8 * cell_m[1])
    bearing, height = np.radians(LIGHT_FROM_DEG), np.radians(LIGHT_HEIGHT_DEG)
    toward_east, toward_north = np.sin(bearing) * np.cos(height), np.cos(bearing) * np.cos(height)
    facing = np.sin(height) - slope_east * toward_east - slope_north * toward_north
    return np.clip(facing / np.sqrt(1 + slope_east**2 + slope_north**2), 0.0, 1.0)


def contour_step(low: float, high: float) -> float:
    """The least of 1, 2, 5 times a power of ten that gives few enough contours; 0 on flat land.

    Examples
    --------
    >>> contour_step(412.0, 1390.0), contour_step(3.0, 3.0)
    (100.0, 0.0)
    """
    if not high > low:
        return 0.0
    power = 10.0 ** np.floor(np.log10((high - low) / _MOST_CONTOURS))
    steps = (step * power for step in (1, 2, 5, 10))
    return float(next(step for step in steps if (high - low) / step <= _MOST_CONTOURS))


def _rasterio() -> tuple[Any, Any]:
    try:
        return import_module("rasterio"), import_module("rasterio.vrt")
    except ImportError as error:
        raise InputError(
            "reading an elevation file needs rasterio",
            remedy="Install it: pip install 'carnivore-sign[terrain]'",
        ) from error
