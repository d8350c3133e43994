"""Plots of a fit of presence: by unit, by month, what effort finds, how sharp, and what is left.

Each function draws one thing on the axes it is given and returns them; `presence_sheet` puts
the four on one page. What is drawn is computed by the room of presence.
"""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.maps.furniture import draw_north, draw_scale_bar, frame_around, lay_out
from carnivore_sign.maps.lettering import font, new_figure, sheet_of
from carnivore_sign.maps.style import CHANGES, HAIRLINE, INK, QUIET, SMALL_PT, STATES, TEXT_PT
from carnivore_sign.presence import OccupancyFit, profile_curve
from carnivore_sign.space import project, working_crs

#: Twice the fall of the log-likelihood at limits of 95 %: chi-squared with one degree.
_LIMIT = 3.841
_TINT = 0.25

#: What is left of a segment: up to where, as which change, in what width in points, in which words.
_LEFT: Final = (
    (-0.4, "less", 7.0, "far less used than the model expects (40 points or more)"),
    (-0.15, "less", 4.0, "less used than expected (15 to 40 points)"),
    (0.15, "open", 1.8, "as expected, within 15 points"),
    (0.4, "more", 4.0, "more used than expected (15 to 40 points)"),
    (np.inf, "more", 7.0, "far more used than expected (40 points or more)"),
)


def draw_units(ax: Axes, table: pd.DataFrame) -> Axes:
    """Draw the probability of presence of each unit with its limits, lowest first.

    Parameters
    ----------
    ax : Axes
    table : DataFrame
        ``state``, ``p_presence``, ``p_presence_low``, ``p_presence_high`` (of MONTHLY);
        rows without a probability are passed over.

    Raises
    ------
    InputError
        If no row has a probability.
    """
    rows = table[table["p_presence"].notna()].sort_values("p_presence")
    if rows.empty:
        raise InputError("no unit has a probability of presence to draw")
    place = np.arange(len(rows))
    for state, style in STATES.items():
        here = rows["state"].eq(state).to_numpy()
        if not here.any():
            continue
        some = rows[here]
        low, high = some["p_presence_low"], some["p_presence_high"]
        ax.vlines(place[here], low, high, color=style.edge, linewidth=1.4)
        ax.plot(place[here], some["p_presence"], "o", color=style.color, ms=3.2, label=style.label)
    ax.set_xlim(-1, len(rows))
    ax.set_xlabel(f"{len(rows)} segments in a month, from least to most likely used")
    ax.legend(frameon=False, prop=font(SMALL_PT), loc="upper left")
    return _probability(_plain(ax), "probability that it is used")


def draw_months(ax: Axes, shares: pd.DataFrame) -> Axes:
    """Draw the share of the walked segments used in each month, with its 95 % limits.

    Parameters
    ----------
    ax : Axes
    shares : DataFrame
        ``period``, ``share``, ``low``, ``high``, ``units_visited`` (of `season_presence`).
    """
    place = np.arange(len(shares))
    ax.vlines(place, shares["low"], shares["high"], color=QUIET, linewidth=2.0)
    ax.plot(place, shares["share"], "o", color=INK, ms=6)
    ax.set_xticks(
        place,
        [f"{row.period}\n{row.units_visited} walked" for row in shares.itertuples()],
    )
    ax.set_xlim(-0.6, len(shares) - 0.4)
    return _probability(_plain(ax), "share of walked segments used")


def draw_detection(ax: Axes, fit: OccupancyFit) -> Axes:
    """Draw the chance that effort on a used segment finds a trail of the taxon.

    Parameters
    ----------
    ax : Axes
    fit : OccupancyFit
        Of ``scored_signs`` with one rate of sign. The ticks on the axis are the visits.

    Raises
    ------
    InputError
        If the fit has no single rate of sign.
    """
    if fit.model.name != "scored_signs" or not fit.model.part("sign_rate").is_constant:
        raise InputError("detection by effort is drawn of scored signs with one rate for all")
    effort = fit.histories.visits[str(fit.model.effort)].to_numpy(dtype=float)
    rate = fit.summary().loc["sign_rate", ["estimate", "low", "high"]].astype(float)
    along = np.linspace(0.0, 1.6 * effort.max(), 120)
    middle, low, high = (-np.expm1(-value * along) for value in rate)
    ax.fill_between(along, low, high, color=QUIET, alpha=_TINT, linewidth=0)
    ax.plot(along, middle, color=INK, linewidth=1.6)
    ax.plot(effort, np.full(len(effort), 0.012), "|", color=QUIET, ms=7, alpha=0.5)
    unit = "km and days of collecting" if fit.model.effort == "effort_km_days" else "km walked"
    ax.set_xlabel(f"effort on one visit, {unit}; ticks are the visits")
    ax.set_xlim(0.0, along[-1])
    return _probability(_plain(ax), "chance of a trail, if used")


def draw_profile(ax: Axes, curve: pd.DataFrame, *, name: str) -> Axes:
    """Draw how the likelihood falls from its maximum; limits lie where it meets the line.

    Parameters
    ----------
    ax : Axes
    curve : DataFrame
        ``value``, ``fall`` (of `carnivore_sign.presence.profile_curve`).
    name : str
        What the values are.
    """
    ax.axhline(_LIMIT, color=QUIET, linewidth=1.0, linestyle=(0, (4, 3)))
    ax.annotate(
        "limits of 95 %", (0.5, _LIMIT), xycoords=("axes fraction", "data"), ha="center",
        va="bottom", color=QUIET, font=font(SMALL_PT),
    )  # fmt: skip
    ax.plot(curve["value"], curve["fall"], color=INK, linewidth=1.6)
    ax.set_ylim(0.0, max(7.0, 1.05 * float(curve["fall"].max())))
    ax.set_xlabel(name)
    ax.set_ylabel("fall of 2 log-likelihood")
    return _plain(ax)


def draw_residuals(ax: Axes, segments: gpd.GeoDataFrame, residuals: pd.DataFrame) -> Axes:
    """Draw where country was found more, or less, used than the model expects.

    Patches of one colour say that the model lacks something that goes with place.

    Parameters
    ----------
    ax : Axes
    segments : GeoDataFrame
        Per ``records.tables.SEGMENTS``; drawn in the CRS of its zone.
    residuals : DataFrame
        ``unit``, ``residual`` (of `carnivore_sign.presence.unit_residuals`); of a segment with
        several months, the mean is drawn.

    Raises
    ------
    InputError
        If no residual is of one of the segments.
    """
    left = residuals.groupby("unit")["residual"].mean()
    lines = segments[segments["segment"].isin(left.index)]
    if lines.empty:
        raise InputError("no residual is of one of these segments")
    lines = project(lines, working_crs(segments))
    values, from_here = lines["segment"].map(left).to_numpy(dtype=float), -np.inf
    box, figure = ax.get_position(), sheet_of(ax)
    wide, high = figure.get_size_inches()
    lay_out(ax, frame_around([lines], aspect=box.width * wide / (box.height * high)))
    for to_here, change, width, label in _LEFT:
        some = lines.geometry[(values > from_here) & (values <= to_here)]
        from_here = to_here
        style: dict[str, Any] = {
            "color": CHANGES[change].color,
            "linewidth": width,
            "solid_capstyle": "butt",
        }
        ax.plot([], [], **style, label=f"{label}: {len(some)}")
        for line in some:
            ax.plot(*np.asarray(line.coords)[:, :2].T, **style)
    draw_scale_bar(ax, lines.crs)
    draw_north(ax, lines.crs)
    ax.legend(
        frameon=False, prop=font(SMALL_PT), loc="upper center", bbox_to_anchor=(0.5, -0.09),
        title="segments", title_fontproperties=font(TEXT_PT),
    )  # fmt: skip
    return ax


def presence_sheet(table: pd.DataFrame, shares: pd.DataFrame, fit: OccupancyFit) -> Figure:
    """Put units, months, detection and the profile of psi on one sheet.

    Parameters
    ----------
    table, shares, fit
        Of `season_presence`; `fit` of scored signs with one rate and one psi.
    """
    figure = new_figure(10.0, 7.2)
    axes = figure.subplots(2, 2)
    draw_units(axes[0, 0], table)
    draw_months(axes[0, 1], shares)
    draw_detection(axes[1, 0], fit)
    name = "psi: share of country used" + (
        " in the first month" if fit.model.chain == "months" else ""
    )
    draw_profile(axes[1, 1], profile_curve(fit, "psi"), name=name)
    figure.subplots_adjust(0.07, 0.09, 0.98, 0.97, wspace=0.2, hspace=0.3)
    return figure


def _probability(ax: Axes, label: str) -> Axes:
    ax.set_ylim(0.0, 1.02)
    ax.set_yticks([0.0, 0.25, 0.5, 0.75, 1.0], ["0", "25 %", "50 %", "75 %", "100 %"])
    ax.set_ylabel(label)
    return _plain(ax)


def _plain(ax: Axes) -> Axes:
    """Take the box away, and set the type."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(HAIRLINE)
    ax.grid(visible=True, axis="y", color=HAIRLINE, linewidth=0.6)
    ax.set_axisbelow(True)
    for label in (ax.xaxis.label, ax.yaxis.label):
        label.set_fontproperties(font(TEXT_PT))
        label.set_color(INK)
    for tick in (*ax.get_xticklabels(), *ax.get_yticklabels()):
        tick.set_fontproperties(font(SMALL_PT))
        tick.set_color(QUIET)
    ax.tick_params(length=0)
    return ax
