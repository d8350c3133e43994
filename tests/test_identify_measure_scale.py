"""Scale and perspective against known maps; refusals of what cannot be a scale."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    measure_print,
    scale_from_length,
    scale_from_points,
    scale_from_rulers,
    scale_from_square,
    to_millimetres,
)
from carnivore_sign.simulate import draw_prints

SQUARE_MM = np.array([[0, 0], [100, 0], [100, -100], [0, -100]], dtype=float)


def pinhole(tilt_deg: float, turn_deg: float = 0.0, height_mm: float = 600.0):
    """Return the map from ground (mm) to pixels of a pinhole camera; collinearity, exact."""
    tilt, turn = np.radians([tilt_deg, turn_deg])
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def to_pixels(ground: np.ndarray) -> np.ndarray:
        x, y = (np.atleast_2d(ground) @ spin.T).T
        depth = height_mm + y * np.sin(tilt)
        return np.column_stack([2000 + 3000 * x / depth, 1500 - 3000 * y * np.cos(tilt) / depth])

    return to_pixels


@settings(max_examples=60, deadline=None)
@given(tilt=st.floats(-50, 50), turn=st.floats(-180, 180), side=st.floats(20, 200))
def test_the_corners_of_a_square_undo_the_perspective_of_a_pinhole(
    tilt: float, turn: float, side: float
) -> None:
    seen = pinhole(tilt, turn)
    scale = scale_from_square(seen(SQUARE_MM * side / 100), side_mm=side)
    ground = np.array([[10.0, -20], [80, -5], [-30, 40], [side, side]])
    assert np.allclose(scale.to_mm(seen(ground)), ground, atol=1e-5)
    assert scale.residual_mm < 1e-6


def test_five_marks_on_two_rulers_undo_the_perspective_as_well() -> None:
    marks = np.array([[0, 0], [50, 0], [100, 0], [0, 50], [0, 100]], dtype=float)
    seen = pinhole(35, 20)
    ground = np.array([[30.0, 70], [-20, 10]])
    assert np.allclose(scale_from_points(seen(marks), marks).to_mm(seen(ground)), ground, atol=1e-5)


def test_more_points_than_needed_average_the_clicks_and_tell_the_misfit() -> None:
    rng = np.random.default_rng(0)
    grid = np.stack(np.meshgrid(np.arange(0, 101, 20.0), np.arange(0, 101, 20.0)), -1).reshape(
        -1, 2
    )
    seen = pinhole(30)
    clicks = seen(grid) + rng.normal(0, 2, (len(grid), 2))
    scale = scale_from_points(clicks, grid)
    four = scale_from_points(clicks[[0, 5, 30, 35]], grid[[0, 5, 30, 35]])
    inside = rng.uniform(0, 100, (400, 2))

    def off(one):
        return np.hypot(*(one.to_mm(seen(inside)) - inside).T).mean()

    assert off(scale) < off(four)
    assert 0.1 < scale.residual_mm < 1


def test_a_length_scales_and_two_rulers_take_out_a_stretch() -> None:
    scale = scale_from_length([[10, 10], [10, 410]], length_mm=100)
    assert scale.to_mm([[14, 18]])[0] == pytest.approx([3.5, -4.5])
    apart = scale.to_mm([[0, 0], [30, 40]])
    assert np.hypot(*(apart[1] - apart[0])) == pytest.approx(12.5)
    stretched = np.array([[3.0, 0.4], [0.2, -1.7]])  # pixels per mm, affine
    rulers = [np.array([[0, 0], [100, 0]]), np.array([[0, 0], [0, 80]])]
    found = scale_from_rulers(
        rulers[0] @ stretched.T + 50, rulers[1] @ stretched.T + 50, first_mm=100, second_mm=80
    )
    ground = np.array([[20.0, 30], [-10, 5]])
    assert np.allclose(found.to_mm(ground @ stretched.T + 50), ground)


def test_the_error_of_the_scale_is_what_repeated_clicks_show() -> None:
    rng = np.random.default_rng(1)
    ends = np.array([[100.0, 100], [400, 100]])
    lengths = []
    for _ in range(2000):
        scale = scale_from_length(ends + rng.normal(0, 1.5, (2, 2)), length_mm=150)
        lengths.append(np.hypot(*np.diff(scale.to_mm([[0, 0], [200, 0]]), axis=0)[0]))
    told = scale_from_length(ends, length_mm=150, click_error_px=1.5).error_fraction
    assert np.std(lengths) / np.mean(lengths) == pytest.approx(told, rel=0.1)


def test_a_print_on_a_tilted_photo_measures_as_on_the_ground() -> None:
    drawn = draw_prints(["puma"])
    seen = pinhole(40, 15)
    photo = drawn.assign(geometry=shapely.transform(drawn.geometry.to_numpy(), seen))
    photo = pd.DataFrame(photo)
    truth = measure_print(drawn, retracings=0).loc[0]
    square = seen(SQUARE_MM + np.array([-50, -20]))
    mended = to_millimetres(photo, scale_from_square(square, side_mm=100))
    found = measure_print(mended, retracings=0).loc[0]
    for name in ("length_mm", "width_mm", "pad_width_mm", "toes_in_pad_ratio", "left_lead_mm"):
        assert found[name] == pytest.approx(truth[name], rel=2e-3)
    flat = to_millimetres(photo, scale_from_length(square[:2], length_mm=100))
    assert abs(measure_print(flat, retracings=0).loc[0, "length_mm"] / truth["length_mm"] - 1) > 0.1


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: scale_from_length([[5, 5], [5, 5]], length_mm=100), "scale of zero"),
        (lambda: scale_from_length([[5, 5], [9, 5]], length_mm=0), "scale of 0 mm"),
        (lambda: scale_from_length([[5, 5], [9, 5]], length_mm=np.nan), "scale of nan"),
        (lambda: scale_from_length([[5, 5]], length_mm=10), "2 points"),
        (lambda: scale_from_square([[0, 0], [0, 9], [9, 9], [9, 0]], side_mm=5), "mirrored"),
        (lambda: scale_from_square([[0, 0], [9, 9], [9, 0], [0, 9]], side_mm=5), "wrong way"),
        (lambda: scale_from_square([[0, 0], [5, 0], [9, 0], [9, 9]], side_mm=5), "on a line"),
        (lambda: scale_from_square([[0, 0], [9, 0], [9, 9]], side_mm=5), "four or more"),
        (
            lambda: scale_from_rulers(
                [[0, 0], [9, 0]], [[0, 0], [0, 9]], first_mm=9, second_mm=9
            ),
            "mirrored",
        ),
        (
            lambda: scale_from_rulers([[0, 0], [9, 0]], [[0, 0], [5, 0]], first_mm=9, second_mm=9),
            "right angle",
        ),
    ],
)  # fmt: skip
def test_what_is_no_scale_is_refused_in_words(call, said: str) -> None:
    with pytest.raises(InputError, match=said):
        call()


def test_a_point_beyond_the_horizon_is_refused() -> None:
    seen = pinhole(50)
    scale = scale_from_square(seen(SQUARE_MM), side_mm=100)
    with pytest.raises(InputError, match="horizon"):
        scale.to_mm([[2000, -40000]])
