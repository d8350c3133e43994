"""What changed between two months: a map of units, with the limits of each change.

A change is told only where its 95 % limits leave out zero and it is large enough to matter
(`style.LEAST_CHANGE`): with good data the limits of a change of a hundredth of a point leave out
zero as well. Limits of a difference come from
those of its two ends, squared and added: the way of Newcombe 1998, Statistics in Medicine
17:873-890, method 10, for any two estimates with limits (Donner & Zou 2012, Stat Methods Med
Res 21:347-359, from memory). It takes the two ends as independent. Months that share one fit
have errors in common, so that the limits are rather too wide than too narrow.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.maps.areas import AREA_LEVEL, are_areas, number_areas
from carnivore_sign.maps.furniture import beside
from carnivore_sign.maps.key import Column, style_panel
from carnivore_sign.maps.layers import draw_parcels, draw_transects
from carnivore_sign.maps.lettering import drawable, font, map_units_per_point, text_height_in
from carnivore_sign.maps.monthly import SheetWords, one_month
from carnivore_sign.maps.names import draw_names
from carnivore_sign.maps.sheet import (
    FOOT_WIDTH_IN,
    furnish,
    open_columns,
    open_sheet,
    write_foot,
)
from carnivore_sign.maps.style import (
    CHANGES,
    HAIRLINE,
    INK,
    LEAST_CHANGE,
    PAPER,
    QUIET,
    SMALL_PT,
    WEDGE,
    WEDGE_PT,
)
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import project, working_crs

FloatArray = npt.NDArray[np.float64]

#: Most units whose change is drawn with its limits beside the map.
_MOST_LISTED: Final = 8
#: Height of the foot for which a sheet has room as it is, inches.
_FOOT_IN: Final = 0.5
#: What every map of change rests on.
_RESTS: Final = (
    "What changed is how probable use is judged; it is no proof that an animal came or went. A "
    f"change is told where its 95 % limits leave out 0 and it is {LEAST_CHANGE * 100:.0f} points "
    "or more; less is about the same. The limits join those of both months as if independent; "
    "months of one fit share errors, so that they are rather too wide."
)


def limits_of_difference(
    first: tuple[FloatArray, FloatArray, FloatArray],
    second: tuple[FloatArray, FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Limits of second less first, each given as estimate, lower and upper limit.

    Examples
    --------
    Newcombe 1998, method 10, on 48 of 80 and 56 of 70 with their Wilson limits:

    >>> low, high = limits_of_difference((0.6, 0.4904, 0.7005), (0.8, 0.6916, 0.8769))
    >>> round(float(low), 3), round(float(high), 3)
    (0.052, 0.334)
    """
    p1, low1, high1 = (np.asarray(part, dtype=float) for part in first)
    p2, low2, high2 = (np.asarray(part, dtype=float) for part in second)
    difference = p2 - p1
    return (
        difference - np.hypot(p2 - low2, high1 - p1),
        difference + np.hypot(high2 - p2, p1 - low1),
    )


def changes_between(before: gpd.GeoDataFrame, now: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Compare presence in two months, unit by unit.

    Parameters
    ----------
    before, now : GeoDataFrame
        MONTHLY of one taxon, one period each.

    Returns
    -------
    GeoDataFrame
        One row per unit of `now`: ``segment``, ``p_before``, ``p_now``, ``change``,
        ``change_low``, ``change_high`` (95 % limits) and ``change_state``: ``more`` or
        ``less`` where the limits leave out 0 and the change is `style.LEAST_CHANGE` or more,
        ``same`` where they leave out 0 and it is less, or where both limits are less,
        ``open`` where more or less cannot be told, ``not_both`` where a month did not look or
        has no estimate.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> before, now = (analysis.presence(month).table for month in ("2026-02", "2026-03"))
    >>> changed = changes_between(before, now)
    >>> len(changed) == len(now)
    True
    """
    columns = ["p_presence", "p_presence_low", "p_presence_high"]
    earlier = pd.DataFrame(before).drop_duplicates("segment").set_index("segment")
    earlier = earlier[[*columns, "visits"]].reindex(now["segment"])
    ends = [
        tuple(rows[name].to_numpy(dtype=float, na_value=np.nan) for name in columns)
        for rows in (earlier, now)
    ]
    first, second = ((end[0], end[1], end[2]) for end in ends)
    low, high = limits_of_difference(first, second)
    change = second[0] - first[0]
    looked = earlier["visits"].fillna(0).gt(0).to_numpy(dtype=bool)
    looked = looked & now["visits"].gt(0).to_numpy(dtype=bool)
    both = looked & np.isfinite(low) & np.isfinite(high)
    return gpd.GeoDataFrame(
        {
            "segment": now["segment"].to_numpy(),
            "p_before": first[0],
            "p_now": second[0],
            "change": np.where(both, change, np.nan),
            "change_low": np.where(both, low, np.nan),
            "change_high": np.where(both, high, np.nan),
            "change_state": np.where(both, _states(change, low, high), "not_both"),
        },
        geometry=now.geometry.to_numpy(),
        crs=now.crs,
    )


def _states(change: FloatArray, low: FloatArray, high: FloatArray) -> npt.NDArray[np.str_]:
    """Tell what a change with its limits says: more, less, about the same, or nothing."""
    told = (low > 0) | (high < 0)
    small = np.abs(change) < LEAST_CHANGE
    narrow = np.maximum(np.abs(low), np.abs(high)) < LEAST_CHANGE
    same = (told & small) | narrow
    return np.select([same, low > 0, high < 0], ["same", "more", "less"], "open")


def plot_change(
    before: gpd.GeoDataFrame,
    now: gpd.GeoDataFrame,
    *,
    taxon: str,
    words: SheetWords | None = None,
    transects: gpd.GeoDataFrame | None = None,
    parcels: gpd.GeoDataFrame | None = None,
    crs: pyproj.CRS | str | None = None,
) -> Figure:
    """Draw what changed between two months, with the limits of the largest changes.

    Parameters
    ----------
    before, now : GeoDataFrame
        MONTHLY of one period each; rows of other taxa are passed over.
    taxon : str
        Key of `TAXA`.
    words : SheetWords, optional
        Title, season, note and the noun for a unit.
    transects, parcels : GeoDataFrame, optional
        TRANSECTS and PARCELS.
    crs : CRS, optional
        Projected CRS in metres; by default the UTM zone of the data.

    Returns
    -------
    matplotlib.figure.Figure
        Needs no display; `save_png` writes it.

    Raises
    ------
    InputError
        If one of the two holds no month or several, or both are of the same month.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> before, now = (analysis.presence(month).table for month in ("2026-02", "2026-03"))
    >>> len(plot_change(before, now, taxon="puma").axes) > 0
    True
    """
    words = words or SheetWords()
    before, now = one_month(before, taxon), one_month(now, taxon)
    names = [
        pd.Period(str(rows["period"].iloc[0]), freq="M").strftime("%B %Y") for rows in (before, now)
    ]
    if names[0] == names[1]:
        raise InputError(f"both are {names[0]}", remedy="Hand in two months to compare them.")
    crs = working_crs(now) if crs is None else pyproj.CRS(crs)
    changes = changes_between(before, project(now, crs))
    drawn = {
        name: project(layer, crs)
        for name, layer in (("transects", transects), ("parcels", parcels))
        if layer is not None and len(layer)
    }
    title = words.title or f"{TAXA[taxon].capitalize()}, {names[1]} against {names[0]}"
    foot = " ".join(filter(None, [_RESTS, words.made_for, words.note]))
    needed_in = text_height_in(foot, width_in=FOOT_WIDTH_IN, size_pt=SMALL_PT)
    figure, ax = open_sheet(title, words.season or "", foot_in=max(needed_in - _FOOT_IN, 0.0))
    around = [beside(drawn[name], changes) for name in ("parcels",) if name in drawn]
    furnish(ax, [changes, *around], crs, measures=words.measures)
    if "transects" in drawn:
        draw_transects(ax, drawn["transects"], on_areas=bool(are_areas(changes).any()))
    if "parcels" in drawn:
        draw_parcels(ax, drawn["parcels"])
    draw_changes(ax, changes)
    listed = _largest(changes)
    numbered = bool(len(listed) and are_areas(listed).all())
    if numbered:
        number_areas(ax, listed)
    draw_names(ax, **drawn, clear_of=[changes], on_areas=bool(are_areas(changes).any()))
    columns = open_columns(ax)
    _write_key(columns, changes, names, words, numbered=numbered)
    write_foot(figure, columns, foot)
    return figure


def draw_changes(ax: Axes, changes: gpd.GeoDataFrame) -> Axes:
    """Draw units by what changed, with a wedge up or down on those that can be told.

    Parameters
    ----------
    ax : Axes
        A map in the CRS of `changes`.
    changes : GeoDataFrame
        From `changes_between`.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> before, now = (analysis.presence(month).table for month in ("2026-02", "2026-03"))
    >>> changed = changes_between(before, now).to_crs("EPSG:32609")
    >>> ax = Figure().add_subplot()
    >>> draw_changes(ax, changed) is ax
    True
    """
    for order, (state, look) in enumerate(CHANGES.items()):
        rows = changes[changes["change_state"].eq(state).to_numpy(dtype=bool)]
        if rows.empty:
            continue
        areal = are_areas(rows)
        lines, areas = (rows[chosen].geometry.to_numpy() for chosen in (~areal, areal))
        ax.add_collection(
            LineCollection(
                _coordinates(shapely.get_parts(lines)), colors=look.color,
                linewidths=look.width_pt, zorder=3.0 + order / 10, gid=f"change-{state}",
            )
        )  # fmt: skip
        ax.add_collection(
            PolyCollection(
                _coordinates(shapely.get_exterior_ring(shapely.get_parts(areas))),
                facecolors=look.color, edgecolors=PAPER, linewidths=0.8,
                zorder=AREA_LEVEL + order / 100, gid=f"change-area-{state}",
            )
        )  # fmt: skip
        if look.up:
            _draw_wedges(ax, rows, look.color, up=look.up)
    return ax


def _coordinates(lines: npt.NDArray[np.object_]) -> list[FloatArray]:
    points, owner = shapely.get_coordinates(lines, return_index=True)
    return np.split(points, np.flatnonzero(np.diff(owner)) + 1) if len(points) else []


def _draw_wedges(ax: Axes, rows: gpd.GeoDataFrame, color: str, *, up: int) -> None:
    size = WEDGE_PT * map_units_per_point(ax)
    middle = shapely.get_coordinates(shapely.point_on_surface(rows.geometry.to_numpy()))
    wedge = np.array(WEDGE) * size * (1, up)
    ax.add_collection(
        PolyCollection(
            list(middle[:, None, :] + wedge), facecolors=color, edgecolors=PAPER, linewidths=1.1,
            zorder=8.0, gid="wedges",
        )
    )  # fmt: skip


def _write_key(
    columns: list[Column],
    changes: gpd.GeoDataFrame,
    names: list[str],
    words: SheetWords,
    *,
    numbered: bool,
) -> None:
    key, panel, _ = columns
    counts = changes["change_state"].value_counts()
    key.heading(f"{words.unit.capitalize()}s: use in {names[1]}")
    for state, look in reversed(CHANGES.items()):
        y = key.entry(f"{look.label}: {counts.get(state, 0)}")
        key.line(y, look.color, look.width_pt)
        if look.up:
            key.wedge(y, look.color, up=look.up)
    listed = _largest(changes)
    panel.width = 5.1
    panel.heading(f"Largest changes from {names[0]}, points of per cent")
    if listed.empty:
        panel.text(f"No {words.unit} was looked at in both months.")
    else:
        _draw_limits(panel, listed, numbered=numbered)


def _largest(changes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the largest changes, the largest first."""
    known = changes[changes["change"].notna()]
    return known.reindex(known["change"].abs().nlargest(_MOST_LISTED, keep="first").index)


def _draw_limits(column: Column, listed: pd.DataFrame, *, numbered: bool) -> None:
    """Draw each change as a dot with its limits, in points of probability."""
    name_in = 1.55
    column.y -= 0.06
    high_in = 0.19 * len(listed) + 0.08
    whole = column.panel(high_in)
    box = whole.get_position()
    share = name_in / column.width
    whole.set_position((box.x0 + box.width * share, box.y0, box.width * (1 - share), box.height))
    rows = np.arange(len(listed))[::-1]
    change, low, high = (
        listed[name].to_numpy(dtype=float) * 100 for name in ("change", "change_low", "change_high")
    )
    colors = [CHANGES[state].color for state in listed["change_state"]]
    whole.axvline(0, color=HAIRLINE, linewidth=1.0, zorder=0)
    whole.hlines(rows, low, high, colors=colors, linewidth=2.2)
    whole.scatter(change, rows, c=colors, s=22, zorder=3, edgecolors=PAPER, linewidths=0.6)
    whole.set_xlim(-105, 105)
    whole.set_ylim(-0.7, len(listed) - 0.3)
    whole.set_xticks([-100, -50, 0, 50, 100], ["-100", "-50", "0", "+50", "+100"])
    names = [drawable(name) for name in listed["segment"]]
    short = [name if len(name) <= 20 else name[:19] + "\u2026" for name in names]
    if numbered:
        short = [f"{name}  ({number})" for number, name in enumerate(short, start=1)]
    whole.set_yticks(rows, short)
    style_panel(whole)
    for label in whole.get_yticklabels():
        label.set(fontproperties=font(SMALL_PT), color=INK, parse_math=False)
    for label in whole.get_xticklabels():
        label.set(color=QUIET)
    column.y -= 0.3
