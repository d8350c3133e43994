"""The sheet of effort: every walk has its bar, every gap its dots, and nothing runs together."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle
from survey_drawing import START, log, logs, transects, walk

from carnivore_sign.errors import NothingSurveyed
from carnivore_sign.maps import plot_effort, png_bytes
from carnivore_sign.maps.effort import MOST_TRANSECTS
from carnivore_sign.maps.style import PARTIES, QUIET
from carnivore_sign.survey import add_stated_walks, cut_segments, make_visits, match_logs

NETWORK = cut_segments(transects(MESA=[(0, 0), (2000, 0)], WASH=[(0, 700), (1000, 700)]))
DAY = pd.Timedelta(days=1)
SHEET = {"season": "Nowhere (invented)", "time_zone": "America/Los_Angeles"}


def visits_of(observers=("Ann", "Bo", None)):
    walks = [
        log(walk([(0, 0), (2000, 0)]), name="MAY"),
        log(walk([(0, 0), (1000, 0)]), name="JULY", start=START + 62 * DAY),
        log(walk([(0, 700), (1000, 700)]), name="WASH", start=START + 63 * DAY),
    ]
    table = pd.DataFrame({"log": ["MAY", "JULY", "WASH"], "observer": list(observers)})
    matched = match_logs(pd.concat(walks, ignore_index=True), NETWORK)
    return make_visits(matched, NETWORK, None, table, time_zone="UTC")


def bars(figure):
    """Colour, row and height of each bar."""
    found = []
    for lines in figure.axes[0].collections:
        assert isinstance(lines, LineCollection)
        color = tuple(np.round(lines.get_colors()[0][:3] * 255).astype(int))
        for (_, low), (_, high) in lines.get_segments():
            found.append(
                (f"#{color[0]:02x}{color[1]:02x}{color[2]:02x}", round(low + 0.4), high - low)
            )
    return sorted(found)


def dotted(figure):
    return [p for p in figure.axes[0].patches if isinstance(p, Rectangle) and p.get_hatch()]


def words(figure):
    return " ".join(text.get_text() for text in figure.texts)


def test_a_walk_is_a_bar_in_the_row_of_its_transect_as_tall_as_it_covered() -> None:
    figure = plot_effort(visits_of(), NETWORK, **SHEET)
    found = bars(figure)
    assert [(color, row) for color, row, _ in found] == sorted(
        [(PARTIES[0], 1), (PARTIES[1], 1), (QUIET, 0)]
    )
    heights = {color: height for color, _, height in found}
    assert heights[PARTIES[0]] == pytest.approx(0.8, abs=0.01)
    assert heights[PARTIES[1]] == pytest.approx(0.4, abs=0.01)
    assert all(name in words(figure) for name in ("Ann", "Bo", "others"))


def test_months_that_nobody_walked_are_dotted_and_counted() -> None:
    figure = plot_effort(visits_of(), NETWORK, **SHEET)
    # MESA in June; WASH in May and June.
    assert sorted(round(patch.get_y() + 0.5) for patch in dotted(figure)) == [0, 0, 1]
    assert "3 were not walked" in words(figure)
    assert "4.0 km walked" in words(figure)
    ticks = [label.get_text() for label in figure.axes[0].get_xticklabels()]
    assert ticks == ["May 2024\n2.0 km", "Jun 2024\n0.0 km", "Jul 2024\n2.0 km"]


def test_stated_walks_are_broken_and_said() -> None:
    stated = pd.DataFrame(
        {"walk": ["Cy"], "transect": "MESA", "start": [START + 31 * DAY], "distance_m": 2000.0}
    )
    both, _ = add_stated_walks(visits_of(), stated, NETWORK, None, time_zone="UTC")
    figure = plot_effort(both, NETWORK, **SHEET)
    assert len(dotted(figure)) == 2
    assert "2.0 km are stated and not measured" in words(figure)
    styles = [lines.get_linestyle()[0][1] for lines in figure.axes[0].collections]
    assert sum(dashes is not None for dashes in styles) == 1


def test_without_names_nobody_is_named() -> None:
    figure = plot_effort(visits_of(), NETWORK, names=False, **SHEET)
    assert {color for color, _, _ in bars(figure)} == {QUIET}
    assert "Ann" not in words(figure)
    assert "one walk" in words(figure)


def test_many_transects_are_cut_off_and_words_stay_on_the_sheet() -> None:
    lines = {f"Very long road number {n:02d} $x$": [(0, n), (500 + 40 * n, n)] for n in range(40)}
    network = cut_segments(transects(**lines))
    route = [(0, 39), (2000, 39)]
    matched = match_logs(log(walk(route), name="MON"), network, tolerance_m=0.4)
    many = make_visits(matched, network, None, logs("MON"), time_zone="UTC")
    figure = plot_effort(many, network, **SHEET)
    assert len(figure.axes[0].get_yticklabels()) == MOST_TRANSECTS
    assert f"The {MOST_TRANSECTS} longest transects are drawn" in words(figure)
    edge = figure.get_size_inches() * figure.dpi
    for text in [*figure.texts, *figure.axes[0].get_yticklabels(), *figure.axes[0].texts]:
        box = text.get_window_extent()
        assert box.x0 >= 0
        assert box.x1 <= edge[0]
        assert 0 <= box.y0 <= box.y1 <= edge[1]
    assert len(png_bytes(figure)) > 10_000


def test_no_visits_are_told() -> None:
    with pytest.raises(NothingSurveyed, match="no visits"):
        plot_effort(visits_of().iloc[:0], NETWORK, **SHEET)
