"""Furniture of a map: its frame, grid, scale bar and north arrow, each right on the ground.

A projection stretches; so the scale bar and the arrow are computed at the middle of the map
from the ellipsoid, for whatever projected CRS the map is drawn in.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from matplotlib.axes import Axes
from matplotlib.patches import Polygon, Rectangle
from matplotlib.ticker import FuncFormatter, MultipleLocator
from matplotlib.transforms import blended_transform_factory

from carnivore_sign.maps.lettering import font, sheet_of
from carnivore_sign.maps.measures import METRIC, Measures
from carnivore_sign.maps.style import GROUND, HAIRLINE, INK, PAPER, QUIET, SMALL_PT
from carnivore_sign.space import GEOD, STORED_CRS

#: Room around what is drawn, as a share of its width, and the smallest map in metres.
_MARGIN = 0.06
#: How far from the surveyed country something may lie for the map to hold it, of its extent.
_BESIDE = 0.15
#: Place of the north arrow, fractions of the map.
NORTH_AT = (0.975, 0.94)
_SMALLEST_M = 1500.0


@dataclass(frozen=True)
class Frame:
    """The window of a map in its projected CRS, metres."""

    west: float
    south: float
    east: float
    north: float

    @property
    def centre(self) -> tuple[float, float]:
        """The middle of the map."""
        return (self.west + self.east) / 2, (self.south + self.north) / 2


def frame_around(layers: list[gpd.GeoDataFrame], *, aspect: float) -> Frame:
    """Choose a frame that holds `layers` (all in one CRS) and is `aspect` times as wide as high."""
    bounds = np.array([layer.total_bounds for layer in layers if len(layer)])
    bounds = bounds[np.isfinite(bounds).all(axis=1)]
    west, south = bounds[:, :2].min(axis=0)
    east, north = bounds[:, 2:].max(axis=0)
    width = max(east - west, _SMALLEST_M) * (1 + 2 * _MARGIN)
    height = max(north - south, _SMALLEST_M / aspect) * (1 + 2 * _MARGIN)
    width, height = max(width, height * aspect), max(height, width / aspect)
    x, y = (west + east) / 2, (south + north) / 2
    return Frame(x - width / 2, y - height / 2, x + width / 2, y + height / 2)


def beside(layer: gpd.GeoDataFrame, units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return what lies beside the surveyed country; what is far away must not shrink the map.

    Both are in one projected CRS.
    """
    west, south, east, north = units.total_bounds
    reach = _BESIDE * max(east - west, north - south, 1.0)
    country = shapely.box(west - reach, south - reach, east + reach, north + reach)
    return layer[layer.geometry.covered_by(country).to_numpy(dtype=bool)]


def lay_out(ax: Axes, frame: Frame) -> Axes:
    """Set the window of the map, its ground and its kilometre grid."""
    ax.set_xlim(frame.west, frame.east)
    ax.set_ylim(frame.south, frame.north)
    ax.set_aspect("equal")
    ax.set_facecolor(GROUND)
    step = _nice((frame.east - frame.west) / 6)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MultipleLocator(step))
        axis.set_major_formatter(FuncFormatter(lambda metres, _: f"{metres / 1000:g}"))
    ax.grid(color=HAIRLINE, linewidth=0.5, zorder=0)
    ax.set_axisbelow(True)
    ax.tick_params(colors=QUIET, labelcolor=QUIET, length=3, width=0.6)
    for label in (*ax.get_xticklabels(), *ax.get_yticklabels()):
        label.set_fontproperties(font(SMALL_PT))
    ax.set_xlabel("easting, km", fontproperties=font(SMALL_PT), color=QUIET, loc="right")
    ax.set_ylabel("northing, km", fontproperties=font(SMALL_PT), color=QUIET, loc="top")
    for spine in ax.spines.values():
        spine.set(color=QUIET, linewidth=0.8)
    return ax


def corners(ax: Axes, crs: pyproj.CRS) -> str:
    """Write where the lower left and the upper right corner of a map are, in degrees.

    Latitude and longitude are those of WGS 84.
    """
    (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
    said = [_degrees(*_lon_lat(crs, x, y)) for x, y in ((west, south), (east, north))]
    return f"Corners: lower left {said[0]}, upper right {said[1]}."


def _degrees(lon: float, lat: float) -> str:
    """Write a position to a ten-thousandth of a degree, some ten metres."""
    return (
        f"{abs(lat):.4f}\N{DEGREE SIGN} {'N' if lat >= 0 else 'S'} "
        f"{abs(lon):.4f}\N{DEGREE SIGN} {'E' if lon >= 0 else 'W'}"
    )


def map_units_per_metre(crs: pyproj.CRS, x: float, y: float) -> float:
    """Map units that one metre on the ground takes at a place, eastward."""
    lon, lat = _lon_lat(crs, x, y)
    lon_east, lat_east, _ = GEOD.fwd(lon, lat, 90.0, 1000.0)
    x_east, y_east = _projected(crs, lon_east, lat_east)
    return float(np.hypot(x_east - x, y_east - y) / 1000.0)


def true_north_deg(crs: pyproj.CRS, x: float, y: float) -> float:
    """Direction of true north on the map, degrees clockwise from up."""
    lon, lat = _lon_lat(crs, x, y)
    lon_up, lat_up, _ = GEOD.fwd(lon, lat, 0.0, 1000.0)
    x_up, y_up = _projected(crs, lon_up, lat_up)
    return float(np.degrees(np.arctan2(x_up - x, y_up - y)))


def draw_scale_bar(
    ax: Axes,
    crs: pyproj.CRS,
    *,
    below_pt: float = 34.0,
    at_most: float = 0.2,
    measures: Measures = METRIC,
) -> float:
    """Draw a scale bar of two halves under the map and return its length on the ground.

    Parameters
    ----------
    ax : Axes
        A map that has its window.
    crs : CRS
        Its projected CRS.
    below_pt : float
        How far under the frame, points.
    at_most : float
        The most of the width of the map that it takes.
    measures : Measures
        Units that it is lettered in.

    Returns
    -------
    float
        Length that the bar states, metres.
    """
    west, east = ax.get_xlim()
    scale = map_units_per_metre(crs, (west + east) / 2, sum(ax.get_ylim()) / 2)
    most_m = (east - west) / scale * at_most
    long = most_m >= measures.m_per_long
    unit, size = (
        (measures.long, measures.m_per_long) if long else (measures.short, measures.m_per_short)
    )
    length_m = _nice(most_m / size) * size
    figure = sheet_of(ax)
    height_pt = ax.get_position().height * figure.get_size_inches()[1] * 72
    y, thick = -below_pt / height_pt, 4.0 / height_pt
    mixed = blended_transform_factory(ax.transData, ax.transAxes)
    half = length_m * scale / 2
    for part, color in ((0, INK), (1, PAPER)):
        bar = Rectangle(
            (west + part * half, y),
            half,
            thick,
            transform=mixed,
            clip_on=False,
            facecolor=color,
            edgecolor=INK,
            linewidth=0.8,
        )
        bar.set_gid(f"scale-bar-{part}")
        ax.add_patch(bar)
    texts = ("0", f"{length_m / 2 / size:g}", f"{length_m / size:g} {unit}")
    for part, text in enumerate(texts):
        ax.text(
            west + part * half,
            y - 0.8 * thick,
            text,
            transform=mixed,
            clip_on=False,
            ha="left" if part == 0 else "center",
            va="top",
            fontproperties=font(SMALL_PT),
            color=INK,
        )
    return length_m


def draw_north(ax: Axes, crs: pyproj.CRS, *, at: tuple[float, float] = NORTH_AT) -> float:
    """Draw an arrow to true north (axes fractions `at`) and return its turn from up, degrees."""
    turn = true_north_deg(crs, sum(ax.get_xlim()) / 2, sum(ax.get_ylim()) / 2)
    figure = sheet_of(ax)
    box = ax.get_position()
    points = np.array(figure.get_size_inches()) * (box.width, box.height) * 72
    angle = np.radians(turn)
    turned = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    arrow = np.array([(0, 11), (-5, -9), (0, -4), (5, -9)]) @ turned.T / points + at
    ax.add_patch(
        Polygon(
            arrow, closed=True, transform=ax.transAxes, facecolor=INK, edgecolor=PAPER, zorder=9
        )
    )
    below = np.array((0, -19.0)) @ turned.T / points + at
    ax.text(
        below[0],
        below[1],
        "N",
        transform=ax.transAxes,
        ha="center",
        va="center",
        color=INK,
        zorder=9,
        fontproperties=font(SMALL_PT, bold=True),
    )
    return turn


def _nice(value: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not above `value`."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step for step in (1, 2, 5) if step * power <= value) * power)


def _lon_lat(crs: pyproj.CRS, x: float, y: float) -> tuple[float, float]:
    lon, lat = pyproj.Transformer.from_crs(crs, STORED_CRS, always_xy=True).transform(x, y)
    return float(lon), float(lat)


def _projected(crs: pyproj.CRS, lon: float, lat: float) -> tuple[float, float]:
    x, y = pyproj.Transformer.from_crs(STORED_CRS, crs, always_xy=True).transform(lon, lat)
    return float(x), float(y)
