"""Evidence: how much each character of a print or sign speaks for one animal against another.

A bar to the right speaks for the animal asked about, one to the left for the other; its length is
the logarithm of the odds, so that bars add up to the one at the top. Side, colour and lightness
say the same, so that a grey print reads the same. What was not seen has no bar and is named
below: it leaves the odds as they are.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.maps.key import style_panel
from carnivore_sign.maps.lettering import drawable, font, new_figure, put_text
from carnivore_sign.maps.style import HAIRLINE, INK, QUIET, SMALL_PT, STATES, TEXT_PT
from carnivore_sign.records.vocabularies import TAXA

_WIDE_IN: Final = 7.6
_LEFT_IN: Final = 2.75
_ROW_IN: Final = 0.27
_HEAD_IN: Final = 1.02
_FOOT_IN: Final = 1.05

#: Odds at which the scale has a tick, and where it reaches far.
_TICKS: Final = (1, 2, 5, 10, 20, 50)
_COARSE_TICKS: Final = (1, 10, 100, 1000, 10_000)

#: The scale reaches to 20 to 1 at least, and past the longest bar so that its odds find room.
_LEAST_REACH: Final = 1.31
_ROOM_FOR_ODDS: Final = 1.75

_FOR: Final = STATES["found_sure"].color
_AGAINST: Final = STATES["found_likely"].color


def draw_weights(ax: Axes, weights: pd.DataFrame, *, taxon: str, against: str) -> Axes:
    """Draw the weight of each character as a bar, the sum of all on top.

    Parameters
    ----------
    ax : Axes
        To draw on.
    weights : DataFrame
        ``character``, ``weight`` (log10 of the odds for `taxon` against `against`, as
        `identify.character_weights` gives it), and ``seen`` (what was seen, in words; may be
        absent). One row per character that was seen.
    taxon, against : str
        Two of `TAXA`.

    Returns
    -------
    Axes
        The same, weightiest character first.

    Raises
    ------
    InputError
        If nothing was seen, or a taxon is unknown.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> weights = pd.DataFrame({"character": ["claws", "leading_toe"], "weight": [0.4, -0.2]})
    >>> ax = Figure().add_subplot()
    >>> draw_weights(ax, weights, taxon="puma", against="dog") is ax
    True
    """
    rows = _ordered(weights, taxon, against)
    labels = ["all together", *[_label(row) for row in rows.to_dict("records")]]
    values = np.concatenate([[rows["weight"].sum()], rows["weight"].to_numpy(dtype=float)])
    places = -np.arange(len(values), dtype=float)
    places[0] += 0.35
    ax.barh(
        places, values, height=[0.82] + [0.6] * len(rows),
        color=[_FOR if value >= 0 else _AGAINST for value in values], zorder=2,
    )  # fmt: skip
    reach = max(_LEAST_REACH, float(np.abs(values).max()) * _ROOM_FOR_ODDS)
    ax.set_xlim(-reach, reach)
    ax.set_ylim(places[-1] - 0.6, places[0] + 0.6)
    ax.axvline(0.0, color=INK, linewidth=0.9, zorder=3)
    for place, value in zip(places, values, strict=True):
        side = 1 if value >= 0 else -1
        ax.annotate(
            _odds(value), (value, place), xytext=(4 * side, 0), textcoords="offset points",
            ha="left" if side > 0 else "right", va="center", color=INK,
            fontproperties=font(SMALL_PT, bold=place == places[0]),
        )  # fmt: skip
    steps = _TICKS if reach < 2 else _COARSE_TICKS
    ticks = [odds for odds in steps if np.log10(odds) <= reach]
    at = [*(-np.log10(ticks[:0:-1])), *np.log10(ticks)]
    ax.set_xticks(at, [f"{odds:g}" for odds in (*ticks[:0:-1], *ticks)])
    ax.set_yticks(places, labels)
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.6, zorder=0)
    style_panel(ax)
    for number, label in enumerate(ax.get_yticklabels()):
        label.set(fontproperties=font(TEXT_PT, bold=number == 0), color=INK, parse_math=False)
    ax.tick_params(axis="y", length=0)
    return ax


def weights_sheet(
    weights: pd.DataFrame,
    *,
    taxon: str,
    against: str,
    probability: float,
    prior: float,
    not_seen: tuple[str, ...] = (),
    ask: str = "",
    title: str = "",
) -> Figure:
    """Draw why a print or sign was judged as it was, on a sheet that says what it rests on.

    Parameters
    ----------
    weights, taxon, against
        As for `draw_weights`.
    probability : float
        Of `taxon`, after the evidence.
    prior : float
        Of `taxon`, before it.
    not_seen : tuple of str
        Characters that were not visible.
    ask : str
        The unseen character that would settle most, if there is one.
    title : str
        What it is about, such as the name of the print.

    Returns
    -------
    matplotlib.figure.Figure
        Needs no display; `save_png` writes it.

    Raises
    ------
    InputError
        If nothing was seen, a taxon is unknown, or a probability is none.

    Examples
    --------
    >>> weights = pd.DataFrame({"character": ["claws", "leading_toe"], "weight": [0.4, -0.2]})
    >>> sheet = weights_sheet(weights, taxon="puma", against="dog", probability=0.4, prior=0.3)
    >>> len(sheet.axes) > 0
    True
    """
    if not (0 <= probability <= 1 and 0 <= prior <= 1):
        raise InputError("a probability and a prior lie between 0 and 1")
    rows = len(_ordered(weights, taxon, against))
    tall = _HEAD_IN + (rows + 1.8) * _ROW_IN + _FOOT_IN
    figure = new_figure(_WIDE_IN, tall)
    about = f"{title}: " if title else ""
    put_text(
        figure, f"{about}{TAXA[taxon]} or {TAXA[against]}?", at_in=(0.25, tall - 0.1),
        width_in=_WIDE_IN - 0.5, size_pt=12, bold=True, lines=1,
    )  # fmt: skip
    put_text(
        figure,
        f"Probability of {TAXA[taxon]}, all animals of the region considered: "
        f"{_percent(probability)}. Held before the print was looked at (prior): {_percent(prior)}.",
        at_in=(0.25, tall - 0.42), width_in=_WIDE_IN - 0.5, color=QUIET, lines=2,
    )  # fmt: skip
    base = _FOOT_IN / tall
    wide = _WIDE_IN - _LEFT_IN - 0.3
    ax = figure.add_axes(
        (_LEFT_IN / _WIDE_IN, base, wide / _WIDE_IN, (rows + 1.8) * _ROW_IN / tall)
    )
    draw_weights(ax, weights, taxon=taxon, against=against)
    for x, words, color, side in (
        (0.0, f"\u2190 speaks for {TAXA[against]}", _AGAINST, "left"),
        (1.0, f"speaks for {TAXA[taxon]} \u2192", _FOR, "right"),
    ):
        ax.text(
            x, 1.02, words, transform=ax.transAxes, ha=side, va="bottom", color=color,
            fontproperties=font(TEXT_PT, bold=True),
        )  # fmt: skip
    ax.set_xlabel("odds, to one", fontproperties=font(SMALL_PT), color=QUIET, loc="right")
    told = []
    if not_seen:
        named = ", ".join(name.replace("_", " ") for name in not_seen)
        told.append(f"Not visible, which leaves the odds as they are: {named}.")
    if ask:
        told.append(f"What would settle most, could it be seen: {ask.replace('_', ' ')}.")
    if told:
        put_text(
            figure, " ".join(told), at_in=(0.25, 0.52), width_in=_WIDE_IN - 0.5, size_pt=SMALL_PT,
            color=QUIET, lines=3,
        )  # fmt: skip
    return figure


def _ordered(weights: pd.DataFrame, taxon: str, against: str) -> pd.DataFrame:
    """Return the characters that spoke, weightiest first."""
    for name in (taxon, against):
        if name not in TAXA:
            raise InputError(f"'{name}' is not a taxon", remedy=f"Known are {', '.join(TAXA)}.")
    if weights.empty or not np.isfinite(weights["weight"].to_numpy(dtype=float)).all():
        raise InputError(
            "there is nothing to draw: no character was seen, or a weight is missing",
            remedy="Leave characters out that were not visible.",
        )
    order = weights["weight"].abs().sort_values(ascending=False, kind="stable").index
    return weights.loc[order]


def _label(row: dict[str, object]) -> str:
    name = str(row["character"]).replace("_mm", "").replace("_", " ")
    seen = row.get("seen")
    told = "" if seen is None or pd.isna(seen) or seen == "" else f": {seen}".replace("_", " ")
    return drawable(name + told)


def _odds(weight: float) -> str:
    odds = 10 ** abs(weight)
    return f"{odds:.1f} to 1" if odds < 10 else f"{odds:,.0f} to 1"


def _percent(share: float) -> str:
    if 0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1:
        return "over 99 %"
    return f"{share * 100:.0f} %"
