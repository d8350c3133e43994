"""The sheet: where the map, the columns of the key and the foot stand, and how it is saved."""

from __future__ import annotations

import io
from pathlib import Path

import geopandas as gpd
import pyproj
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.maps.furniture import (
    Frame,
    corners,
    draw_north,
    draw_scale_bar,
    frame_around,
    lay_out,
)
from carnivore_sign.maps.key import Column
from carnivore_sign.maps.lettering import font, new_figure, place_text, put_text, sheet_of
from carnivore_sign.maps.measures import METRIC, Measures
from carnivore_sign.maps.style import QUIET, SMALL_PT, TITLE_PT
from carnivore_sign.writing import write_whole

#: The map stands above its key, so that the sheet fills the width of a page in print and its
#: smallest type is still 7 points there.
SHEET_IN = (8.3, 9.85)
#: The same without title and foot, for a page that has them already.
ALONE_IN = (8.3, 7.9)
_MAP_LEFT_IN, _MAP_BOTTOM_IN, _MAP_WIDTH_IN = 0.72, 4.15, 7.38
_ALONE_BOTTOM_IN, _ALONE_TOP_IN = 2.95, ALONE_IN[1] - 0.1
_COLUMN_LEFT_IN, _COLUMN_WIDTH_IN, _COLUMN_STEP_IN = 0.3, 2.5, 2.66
_COLUMN_BELOW_IN = 0.82
_FOOT_LEFT_IN, FOOT_WIDTH_IN = 0.3, SHEET_IN[0] - 0.6
_TOP_IN = SHEET_IN[1] - 0.2


def open_sheet(title: str, subtitle: str, *, foot_in: float = 0.0) -> tuple[Figure, Axes]:
    """Return a sheet with its title, and the axes of its map.

    `foot_in` makes the sheet so much higher, inches, for a longer foot.
    """
    figure = new_figure(SHEET_IN[0], SHEET_IN[1] + foot_in)
    wide = SHEET_IN[0] - 0.55
    top = put_text(
        figure,
        title,
        at_in=(0.3, _TOP_IN + foot_in),
        width_in=wide,
        size_pt=TITLE_PT,
        bold=True,
        lines=2,
    )
    top = put_text(figure, subtitle, at_in=(0.3, top), width_in=wide, size_pt=11, lines=1) - 0.14
    return figure, _map_axes(figure, _MAP_BOTTOM_IN + foot_in, top)


def open_map_alone() -> tuple[Figure, Axes]:
    """Return a sheet without a title and without room for a foot, and the axes of its map."""
    figure = new_figure(*ALONE_IN)
    return figure, _map_axes(figure, _ALONE_BOTTOM_IN, _ALONE_TOP_IN)


def _map_axes(figure: Figure, bottom_in: float, top_in: float) -> Axes:
    wide, high = figure.get_size_inches()
    return figure.add_axes(
        (_MAP_LEFT_IN / wide, bottom_in / high, _MAP_WIDTH_IN / wide, (top_in - bottom_in) / high)
    )


def open_columns(ax: Axes) -> list[Column]:
    """Return the three columns under a map."""
    figure = sheet_of(ax)
    bottom_in = ax.get_position().y0 * figure.get_size_inches()[1]
    return [
        Column(
            figure,
            left_in=_COLUMN_LEFT_IN + at * _COLUMN_STEP_IN,
            top_in=bottom_in - _COLUMN_BELOW_IN,
            width_in=_COLUMN_WIDTH_IN,
        )
        for at in range(3)
    ]


def write_foot(figure: Figure, columns: list[Column], words: str) -> None:
    """Write what a sheet rests on under its columns, over the whole width."""
    foot = Column(
        figure,
        left_in=_FOOT_LEFT_IN,
        top_in=min(column.y for column in columns) - 0.02,
        width_in=FOOT_WIDTH_IN,
    )
    foot.heading("What this rests on")
    room = max(1, int((foot.y - 0.06) / (SMALL_PT * 1.32 / 72)))
    foot.text(words, lines=room, quiet=True)


def furnish(
    ax: Axes, around: list[gpd.GeoDataFrame], crs: pyproj.CRS, *, measures: Measures = METRIC
) -> Frame:
    """Give a map its window around the layers, grid, scale bar, north arrow and CRS."""
    figure = sheet_of(ax)
    box = ax.get_position()
    wide, high = figure.get_size_inches()
    frame = frame_around(around, aspect=box.width * wide / (box.height * high))
    lay_out(ax, frame)
    draw_scale_bar(ax, crs, measures=measures)
    draw_north(ax, crs)
    code = f" (EPSG:{crs.to_epsg()})" if crs.to_epsg() else ""
    datum = crs.datum.name if crs.datum is not None else "not stated"
    notes = (f"Grid: {crs.name}{code}.", f"Datum: {datum}.", corners(ax, crs))
    for line, note in enumerate(notes):
        place_text(
            figure,
            _MAP_LEFT_IN + _MAP_WIDTH_IN,
            box.y0 * high - 0.5 - 0.145 * line,
            note,
            font(SMALL_PT),
            color=QUIET,
            ha="right",
        )
    return frame


def save_png(figure: Figure, path: str | Path, *, dpi: int = 150) -> Path:
    """Save a sheet as PNG; the same sheet gives the same bytes.

    Parameters
    ----------
    figure : Figure
        From any function of this room.
    path : path-like
        The file.
    dpi : int
        Dots per inch.

    Returns
    -------
    Path
        The file.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from matplotlib.figure import Figure
    >>> save_png(Figure(), Path(tempfile.mkdtemp()) / "sheet.png").name
    'sheet.png'
    """
    return write_whole(Path(path), png_bytes(figure, dpi=dpi))


def png_bytes(figure: Figure, *, dpi: int = 150) -> bytes:
    """Return a sheet as the bytes of a PNG, without date or program in it.

    Parameters
    ----------
    figure : Figure
        From any function of this room.
    dpi : int
        Dots per inch.

    Returns
    -------
    bytes
        The same figure gives the same bytes.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> png_bytes(Figure())[1:4]
    b'PNG'
    """
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()
