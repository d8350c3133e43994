"""The drawing of a trail and its gait: every print where it lies, and nothing over anything."""

from __future__ import annotations

import hashlib
import itertools

import numpy as np
import pandas as pd
import pytest
from gait_drawing import PHASES, draw_prints
from matplotlib.collections import EllipseCollection
from matplotlib.figure import Figure
from matplotlib.text import Text

from carnivore_sign.errors import InputError
from carnivore_sign.maps import draw_step_chart, draw_trail_plan, gait_sheet, png_bytes
from carnivore_sign.maps.gait import _PARTS
from carnivore_sign.maps.lettering import new_figure
from carnivore_sign.maps.style import HAIRLINE, INK, PAPER
from carnivore_sign.trails import GaitSequence, gait_sequence


def measured(gait: str = "walk_overstep", labels: float = 1.0, **options: object) -> GaitSequence:
    rng = np.random.default_rng(5)
    prints = draw_prints(gait, rng, **{"cycles": 6, "turn_deg": 30.0, **options})
    return gait_sequence(
        prints.assign(foot=prints["foot"].where(rng.random(len(prints)) < labels, None))
    )


def plan_of(sequence: GaitSequence) -> tuple[Figure, object]:
    figure = new_figure(10, 3)
    return figure, draw_trail_plan(figure.add_axes((0.1, 0.2, 0.85, 0.7)), sequence)


def feet(ax) -> dict[str, np.ndarray]:
    """Middles of the pads that were drawn, by the colour they are filled with."""
    found: dict[str, list[np.ndarray]] = {}
    drawn = [
        c for c in ax.collections if isinstance(c, EllipseCollection) and len(c.get_facecolor())
    ]
    for pads in drawn[:: len(_PARTS)]:
        colour = "#" + "".join(f"{round(v * 255):02x}" for v in pads.get_facecolor()[0][:3])
        found.setdefault(colour, []).append(np.asarray(pads.get_offsets()))
    return {colour: np.concatenate(parts) for colour, parts in found.items()}


def test_every_print_is_drawn_front_filled_and_hind_open() -> None:
    sequence = measured()
    _, ax = plan_of(sequence)
    drawn = feet(ax)
    front = sequence.prints["foot"].str.endswith("front")
    assert len(drawn[INK]) == front.sum()
    assert len(drawn[PAPER]) == (~front).sum()
    assert HAIRLINE not in drawn


def test_a_foot_that_is_not_told_is_grey() -> None:
    sequence = measured("walk_understep", labels=0.0, turn_deg=0.0)
    assert (sequence.prints["foot_probability"] < 0.8).all()
    _, ax = plan_of(sequence)
    assert set(feet(ax)) == {HAIRLINE}


def test_a_direct_register_has_a_ring() -> None:
    sequence = measured("walk_direct")
    _, ax = plan_of(sequence)
    rings = [
        c for c in ax.collections if isinstance(c, EllipseCollection) and not len(c.get_facecolor())
    ]
    assert sum(len(c.get_offsets()) for c in rings) == len(sequence.prints)


def test_the_plan_keeps_distances_and_goes_from_left_to_right() -> None:
    sequence = measured(start_deg=200.0)
    _, ax = plan_of(sequence)
    assert ax.get_aspect() == 1.0
    places = np.concatenate(list(feet(ax).values()))
    true = sequence.prints[["x_m", "y_m"]].to_numpy()
    assert np.ptp(places[:, 0]) == pytest.approx(np.hypot(*(true[-1] - true[0])), rel=0.03)
    numbers = {t.get_text(): t.get_position()[0] for t in ax.texts}
    assert numbers["1"] < numbers["12"] < numbers["24"]


def test_feet_point_along_the_course() -> None:
    _, ax = plan_of(measured(turn_deg=0.0))
    drawn = [c for c in ax.collections if isinstance(c, EllipseCollection)]
    pad, toe = (np.asarray(drawn[n].get_offsets()) for n in (0, 2))
    ahead = toe - pad
    assert (ahead[:, 0] > 0).all()
    assert np.abs(np.degrees(np.arctan2(ahead[:, 1], ahead[:, 0])) - 25).max() < 30


def test_the_chart_shows_what_was_measured_with_its_middle() -> None:
    sequence = measured()
    figure = new_figure(8, 2)
    ax = draw_step_chart(figure.add_axes((0.1, 0.2, 0.8, 0.6)), sequence)
    shown = np.concatenate([line.get_ydata() for line in ax.lines if line.get_marker() == "o"])
    assert sorted(shown) == pytest.approx(sorted(100 * sequence.prints["step_m"].dropna()))
    middle = 100 * sequence.middle("step_m").item()
    assert f"median {middle:.0f} cm" in " ".join(t.get_text() for t in ax.texts)
    assert ax.get_ylabel() == "step, cm"


def test_what_was_not_measured_says_so() -> None:
    figure = new_figure(8, 2)
    ax = draw_step_chart(figure.add_axes((0.1, 0.2, 0.8, 0.6)), measured("lope"), "step_m")
    assert [t.get_text() for t in ax.texts] == ["not measured"]


def _ticks_beyond(sheet: Figure) -> list[Text]:
    """Labels of ticks that lie beyond the limits of their panel, and are not drawn."""
    beyond = []
    for ax in sheet.axes:
        (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
        beyond += [t for t in ax.get_xticklabels() if not west <= t.get_position()[0] <= east]
        beyond += [t for t in ax.get_yticklabels() if not south <= t.get_position()[1] <= north]
        if not ax.axison:
            beyond += [*ax.get_xticklabels(), *ax.get_yticklabels()]
    return beyond


@pytest.mark.parametrize("gait", ["walk_overstep", "walk_direct", "lope"])
def test_nothing_on_the_sheet_lies_over_anything_or_beyond_its_edge(gait: str) -> None:
    sheet = gait_sheet(measured(gait, stride_m=1.2))
    png_bytes(sheet, dpi=100)
    renderer = sheet.canvas.get_renderer()
    unseen = _ticks_beyond(sheet)
    written = [t for t in sheet.findobj(Text) if t.get_text().strip() and t not in unseen]
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in written]
    for text, box in boxes:
        assert box.x0 >= 0, text
        assert box.x1 <= sheet.bbox.x1, text
        assert box.y0 >= 0, text
    over = [
        (one, two)
        for (one, a), (two, b) in itertools.combinations(boxes, 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 1.5 and min(a.y1, b.y1) - max(a.y0, b.y0) > 1.5
    ]
    assert not over


def test_a_sheet_of_groups_shows_strides_instead_of_steps() -> None:
    labels = {ax.get_ylabel() for ax in gait_sheet(measured("lope")).axes}
    assert "stride, cm" in labels
    assert "step, cm" not in labels


def test_the_same_prints_give_the_same_picture() -> None:
    one, two = (
        hashlib.sha256(png_bytes(gait_sheet(measured()), dpi=60)).digest() for _ in range(2)
    )
    assert one == two


def test_one_of_several_sequences_is_named() -> None:
    rng = np.random.default_rng(1)
    both = gait_sequence(
        pd.concat([draw_prints(gait, rng, sequence=gait, cycles=3) for gait in list(PHASES)[:2]])
    )
    figure = new_figure(8, 2)
    ax = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    with pytest.raises(InputError, match="there are 2 sequences"):
        draw_trail_plan(ax, both)
    with pytest.raises(InputError, match="no sequence 'C'"):
        draw_trail_plan(ax, both, "C")
    with pytest.raises(InputError, match="'speed' is not drawn"):
        draw_step_chart(ax, both, "speed")
    draw_trail_plan(ax, both, "walk_direct")
    assert len(ax.texts) == 6
