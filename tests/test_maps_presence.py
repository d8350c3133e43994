"""Plots of a fit of presence: what is drawn is what was computed, and nothing lies outside."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from presence_countries import PRIOR, draw_countries

from carnivore_sign.errors import InputError
from carnivore_sign.maps.lettering import new_figure
from carnivore_sign.maps.presence_plots import (
    draw_detection,
    draw_months,
    draw_profile,
    draw_residuals,
    draw_units,
    presence_sheet,
)
from carnivore_sign.maps.sheet import png_bytes
from carnivore_sign.presence import (
    SeasonPresence,
    profile_curve,
    profile_limits,
    season_presence,
    unit_residuals,
)
from carnivore_sign.space import project, working_crs


@pytest.fixture(scope="module")
def season() -> SeasonPresence:
    walked = draw_countries(np.random.default_rng(4), 1)[0]
    return season_presence(walked.segments, walked.visits, walked.detections, prior=PRIOR)


def axes() -> object:
    return new_figure(5, 4).subplots()


def test_units_are_drawn_in_order_with_their_limits(season: SeasonPresence) -> None:
    march = season.table[season.table["period"].eq("2026-03")]
    ax = draw_units(axes(), march)
    points = np.concatenate([line.get_xydata() for line in ax.lines])
    drawn = points[np.argsort(points[:, 0]), 1]
    assert drawn == pytest.approx(np.sort(march["p_presence"]))
    ends = sum(len(lines.get_segments()) for lines in ax.collections)
    assert ends == len(march)
    with pytest.raises(InputError, match="no unit has a probability"):
        draw_units(axes(), march.assign(p_presence=np.nan))


def test_months_and_detection_carry_their_limits(season: SeasonPresence) -> None:
    ax = draw_months(axes(), season.shares)
    assert ax.lines[0].get_ydata() == pytest.approx(season.shares["share"])
    assert "46 walked" in ax.get_xticklabels()[0].get_text()
    ax = draw_detection(axes(), season.fit)
    effort, chance = ax.lines[0].get_data()
    rate = season.fit.summary().loc["sign_rate", "estimate"]
    assert chance == pytest.approx(1 - np.exp(-rate * effort))
    assert "km and days" in ax.get_xlabel()


def test_residuals_are_drawn_where_their_segments_lie(season: SeasonPresence) -> None:
    segments = season.table[season.table["period"].eq("2026-03")]
    residuals = unit_residuals(season.fit)
    ax = draw_residuals(new_figure(7, 7).subplots(), segments, residuals)
    left = residuals.groupby("unit")["residual"].mean()
    lines = [line for line in ax.lines if len(line.get_xdata())]
    metres = project(segments, working_crs(segments)).set_index("segment").geometry
    thick = {
        tuple(np.round(line.get_xdata(), 3)): (line.get_linewidth(), line.get_color())
        for line in lines
    }
    for unit, value in left.items():
        width, color = thick[tuple(np.round(np.asarray(metres[unit].coords)[:, 0], 3))]
        assert width == (1.8 if abs(value) <= 0.15 else 4.0 if abs(value) <= 0.4 else 7.0)
        assert (color == "#4b2a78") == (value > 0.15)
    told = [text.get_text() for text in ax.get_legend().get_texts()]
    assert sum(int(text.rsplit(": ", 1)[1]) for text in told) == len(left)
    with pytest.raises(InputError, match="no residual is of one of these segments"):
        draw_residuals(ax, segments, residuals.assign(unit="elsewhere"))


def test_a_profile_meets_the_line_at_the_limits(season: SeasonPresence) -> None:
    curve = profile_curve(season.fit, "sign_rate", points=31)
    limits = profile_limits(season.fit).loc["sign_rate"]
    inside = curve["value"].between(limits["low"], limits["high"])
    assert (inside == (curve["fall"] <= 3.8415)).all()
    assert curve["fall"].min() < 0.2
    ax = draw_profile(axes(), curve, name="rate")
    assert ax.lines[1].get_ydata() == pytest.approx(curve["fall"])
    with pytest.raises(InputError, match="no part"):
        profile_curve(season.fit, "nothing")


def test_the_sheet_is_the_same_every_time_and_its_words_fit(season: SeasonPresence) -> None:
    figure = presence_sheet(pd.DataFrame(season.table), season.shares, season.fit)
    first = png_bytes(figure)
    assert first == png_bytes(presence_sheet(season.table, season.shares, season.fit))
    renderer = figure.canvas.get_renderer()
    page = figure.bbox
    for ax in figure.axes:
        ticks = [
            tick.label1
            for axis, (low, high) in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim()))
            for tick in axis.get_major_ticks()
            if low <= tick.get_loc() <= high
        ]
        for text in (ax.xaxis.label, ax.yaxis.label, *ticks):
            box = text.get_window_extent(renderer)
            assert page.x0 <= box.x0 <= box.x1 <= page.x1, text.get_text()
            assert page.y0 <= box.y0 <= box.y1 <= page.y1, text.get_text()
