"""Colours can be told apart by every eye and on a grey print."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from carnivore_sign.maps import style
from carnivore_sign.maps.sheet import SHEET_IN
from carnivore_sign.records.vocabularies import (
    FOUND_LIKELY_FROM,
    LIKELY_FROM,
    MAP_STATES,
    SURE_FROM,
    UNLIKELY_BELOW,
)

#: Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1283-1291, severity 1.0; from memory.
SIGHT = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip


def linear(color: str) -> np.ndarray:
    """IEC 61966-2-1 (sRGB) to linear light."""
    value = np.array([int(color[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """CIE L*a*b*, D65; the matrix is that of sRGB."""
    to_xyz = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
         [0.0193339, 0.1191920, 0.9503041]]
    )  # fmt: skip
    ratio = to_xyz @ np.clip(light, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    bright, dark = sorted((float(weights @ linear(c)) + 0.05 for c in (one, other)), reverse=True)
    return bright / dark


def test_the_simulation_keeps_white_and_grey() -> None:
    for matrix in SIGHT.values():
        assert matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-4)
    assert lab(linear("#ffffff")) == pytest.approx([100, 0, 0], abs=0.02)
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)


@pytest.mark.parametrize("sight", SIGHT)
def test_states_and_ground_differ_for_every_eye(sight: str) -> None:
    colors = [*(state.color for state in style.STATES.values()), style.GROUND]
    seen = [lab(SIGHT[sight] @ linear(color)) for color in colors]
    nearest = min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2))
    assert nearest > 20


def test_states_differ_in_grey_and_run_from_dark_to_light() -> None:
    order = ["found_sure", "found_likely", "not_found", "not_looked"]
    lightness = [lab(linear(style.STATES[state].color))[0] for state in order]
    assert (np.diff([*lightness, lab(linear(style.GROUND))[0]]) > 12).all()


def test_pale_edges_are_lighter_than_their_cores_and_seen_on_the_ground() -> None:
    ground = lab(linear(style.GROUND))[0]
    for state in list(style.STATES.values())[:3]:
        core, edge = (lab(linear(color))[0] for color in (state.color, state.edge))
        assert core + 10 < edge < ground - 10


def test_type_can_be_read() -> None:
    """WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1."""
    for color in (style.INK, style.QUIET):
        for paper in (style.PAPER, style.GROUND):
            assert contrast(color, paper) >= 4.5


def test_no_state_is_red() -> None:
    for state in style.STATES.values():
        red, green, blue = (int(state.color[at : at + 2], 16) for at in (1, 3, 5))
        assert not (red > 150 and green < 70 and blue < 70)


def test_every_state_of_the_vocabulary_has_a_style() -> None:
    assert list(style.STATES) == list(MAP_STATES)
    assert len({state.color for state in style.STATES.values()}) == 4


def test_marks_and_walked_lines_are_seen_on_the_ground() -> None:
    """WCAG 2.2, success criterion 1.4.11: at least 3 to 1 for marks."""
    for color in (style.INK, style.QUIET, style.INCIDENT):
        assert contrast(color, style.GROUND) >= 3
    for state in ("found_sure", "found_likely", "not_found"):
        assert contrast(style.STATES[state].color, style.GROUND) >= 3


def test_the_smallest_type_of_a_sheet_has_seven_points_in_print() -> None:
    """A sheet takes the width of an A4 page less its margins of 15 mm."""
    printed = (210 - 2 * 15) / 25.4 / SHEET_IN[0]
    assert printed * style.SMALL_PT >= 7.0


def test_the_labels_of_states_carry_their_range() -> None:
    assert style.STATE_LABELS["found_likely"] == "found, likely (50 to 95 %)"
    assert style.STATE_LABELS["not_looked"] == MAP_STATES["not_looked"]


def test_cut_offs_in_the_key_are_those_of_the_vocabulary() -> None:
    assert style.STATES["found_sure"].cut_off == f"{SURE_FROM * 100:.0f} % or more"
    assert style.STATES["found_likely"].cut_off == (
        f"{FOUND_LIKELY_FROM * 100:.0f} to {SURE_FROM * 100:.0f} %"
    )
    assert [trail.at_least for trail in style.TRAILS] == [LIKELY_FROM, UNLIKELY_BELOW, 0]


def test_weight_grows_in_steps_that_can_be_told_apart() -> None:
    widths = [step.width_pt for step in style.WEIGHTS]
    assert (np.diff(widths) >= 2).all()
    assert style.line_width_pt(0.18) < style.line_width_pt(0.27)
    assert [style.line_width_pt(p) for p in (0.0, 0.2, 0.499, 0.5, 0.8, 1.0)] == [
        widths[step] for step in (0, 1, 1, 2, 3, 3)
    ]


def test_the_steps_of_weight_are_those_of_the_key() -> None:
    assert [step.label for step in style.WEIGHTS] == [
        "under 20 %", "20 to 50 %", "50 to 80 %", "80 % or more"
    ]  # fmt: skip
    ends = [step.at_least for step in style.WEIGHTS]
    assert ends == [0.0, UNLIKELY_BELOW, FOUND_LIKELY_FROM, LIKELY_FROM]
