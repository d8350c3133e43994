"""Shapes against closed forms: ellipses, rectangles, regular polygons, triangles, unions."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from carnivore_sign.identify.axis import AXIS_WAYS, left_to_right, long_axis
from carnivore_sign.identify.pad import pad_edges, pad_shape, widths_across
from carnivore_sign.identify.ridge import circle_curvature, line_room, ridge_bend
from carnivore_sign.identify.shapes import (
    angularity,
    polygon_moments,
    resample,
    rings_from_geometries,
    skewness_along,
    smooth,
)
from carnivore_sign.identify.symmetry import mirror_overlap, nearly_overlap_at, overlap_at
from carnivore_sign.simulate import draw_prints

# Every closed form here is mathematics; shapely (GEOS) is the reference for areas.


def ellipse(length: float, width: float, points: int = 2000) -> shapely.Polygon:
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    return shapely.Polygon(np.column_stack([width / 2 * np.cos(angle), length / 2 * np.sin(angle)]))


def regular(corners: int) -> shapely.Polygon:
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    return shapely.Polygon(np.column_stack([np.cos(angle), np.sin(angle)]))


def moments(shape: shapely.Polygon):
    rings = rings_from_geometries([shape])
    return rings, polygon_moments(rings)


@pytest.mark.parametrize("turn_deg", [0, 17, 90, 211])
@pytest.mark.parametrize(
    ("shape", "area", "elongation"),
    [
        (ellipse(30, 20), np.pi * 150, 1.5),  # pi a b; axes of the ellipse
        (shapely.box(0, 0, 4, 12), 48.0, 3.0),  # sides of the rectangle
        (regular(6), 3 * np.sqrt(3) / 2, 1.0),  # a regular polygon has no long axis
        (regular(5), 5 / 2 * np.sin(2 * np.pi / 5), 1.0),
        # two squares side by side are a rectangle 2 by 1
        (shapely.union(shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)), 2.0, 2.0),
    ],
)
def test_area_centroid_and_elongation_are_those_of_the_closed_form(
    shape: shapely.Polygon, area: float, elongation: float, turn_deg: float
) -> None:
    turned = affinity.translate(affinity.rotate(shape, turn_deg), 500, -300)
    _, found = moments(turned)
    assert found.area[0] == pytest.approx(area, rel=1e-5)
    assert found.elongation[0] == pytest.approx(elongation, rel=1e-5)
    assert found.centroid[0] == pytest.approx(np.array(turned.centroid.coords[0]), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=3, max_size=9).filter(
        lambda points: shapely.MultiPoint(points).convex_hull.area > 1
    )
)
def test_area_and_centroid_of_any_hull_are_those_of_geos(points: list[tuple[float, float]]) -> None:
    hull = shapely.MultiPoint(points).convex_hull
    for shape in (hull, hull.reverse()):
        _, found = moments(shape)
        assert found.area[0] == pytest.approx(hull.area, rel=1e-9)
        assert found.centroid[0] == pytest.approx(np.array(hull.centroid.coords[0]), abs=1e-6)


@pytest.mark.parametrize(
    ("shape", "skewness"),
    [
        (shapely.Polygon([(-1, 0), (1, 0), (0, 3)]), 2 * np.sqrt(2) / 5),  # triangular density
        (shapely.Polygon([(-1, 3), (1, 3), (0, 0)]), -2 * np.sqrt(2) / 5),
        (ellipse(30, 20), 0.0),
        (shapely.box(-1, 0, 1, 7), 0.0),
    ],
)
def test_taper_is_the_skewness_of_the_area(shape: shapely.Polygon, skewness: float) -> None:
    for ring in (shape, shape.reverse(), affinity.scale(shape, 3, 3)):
        rings, found = moments(ring)
        assert skewness_along(rings, found, np.array([[0.0, 1.0]]))[0] == pytest.approx(
            skewness, abs=1e-9
        )


@pytest.mark.parametrize("length", [20, 30, 60])
def test_no_ellipse_is_angular(length: float) -> None:
    rings, found = moments(affinity.rotate(ellipse(length, 20), 30))
    assert angularity(rings, found)[0] == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize("corners", [3, 4, 5, 6])
def test_angularity_of_polygons_tends_to_ten_over_corners_less_one(corners: int) -> None:
    # All turning of a k-gon lies in its corners: the mean square of the turning over a tenth
    # of the perimeter is (2 pi / k)^2 k / 10, over its squared mean (2 pi / 10)^2: 10 / k.
    rings, found = moments(regular(corners))
    sharp, blunt = (angularity(rings, found, harmonics=h)[0] for h in (300, 10))
    assert sharp == pytest.approx(10 / corners - 1, rel=0.05)
    assert 0.5 * sharp < blunt < sharp


def test_points_of_a_resampled_outline_are_evenly_spaced_along_it() -> None:
    points = resample(rings_from_geometries([shapely.box(0, 0, 3, 1)]), 80)[0]
    assert np.allclose(np.abs(np.diff(points)), 0.1)
    assert shapely.Polygon(np.column_stack([points.real, points.imag])).area == pytest.approx(3)


@pytest.mark.parametrize("shape", [ellipse(40, 30), shapely.box(0, 0, 5, 9), regular(7).reverse()])
def test_a_closed_outline_turns_once_around(shape: shapely.Polygon) -> None:
    turning = smooth(resample(rings_from_geometries([shape]), 96), harmonics=12).turning
    assert turning.sum() == pytest.approx(2 * np.pi)


def test_widths_across_are_exact_for_polygons() -> None:
    # trapezoid, 10 wide below and 4 above; the width falls evenly
    rings = rings_from_geometries([shapely.Polygon([(-5, 0), (5, 0), (2, 8), (-2, 8)])])
    assert widths_across(rings, np.array([0.25, 0.5, 0.75]))[0] == pytest.approx([8.5, 7, 5.5])


@pytest.mark.parametrize(
    ("shape", "top_to_base", "front_width"),
    [
        (shapely.Polygon([(-1, 0), (1, 0), (0, 2)]), 0.25, 0.1),
        (shapely.box(0, 0, 5, 3), 1.0, 1.0),
        (shapely.Polygon([(-5, 0), (5, 0), (2.5, 8), (-2.5, 8)]), 6 / 9, 0.55),
        (ellipse(30, 40), 1.0, 0.6),  # sqrt(1 - 0.8^2)
    ],
)
def test_pad_shape_runs_from_triangle_to_trapezoid(
    shape: shapely.Polygon, top_to_base: float, front_width: float
) -> None:
    found = pad_shape(rings_from_geometries([shape]))
    assert found.top_to_base[0] == pytest.approx(top_to_base, rel=1e-3)
    assert found.front_width_ratio[0] == pytest.approx(front_width, rel=1e-3)
    assert found.pinch[0] == pytest.approx(0, abs=1e-9)  # all convex


def test_pinch_is_the_depth_of_the_waist() -> None:
    # 10 wide at both ends, 6 in the middle of straight sides: at a tenth the width is 9.2, so
    # that the line between the levels 0.1 and 0.9 lies 3.2 above the waist
    hourglass = shapely.Polygon([(-5, 0), (5, 0), (3, 5), (5, 10), (-5, 10), (-3, 5)])
    assert pad_shape(rings_from_geometries([hourglass])).pinch[0] == pytest.approx(0.32)


def lobed(lobes: int, depth: float = 0.12) -> shapely.Polygon:
    """Draw a half disc whose rear is a row of equal lobes."""
    x = np.linspace(-1, 1, 400)
    rear = -0.5 + depth * np.abs(np.cos(np.pi * lobes * (x + 1) / 2)) ** 2
    front = np.column_stack(
        [np.cos(np.linspace(0, np.pi, 200)), 0.7 * np.sin(np.linspace(0, np.pi, 200))]
    )
    return shapely.Polygon(np.concatenate([np.column_stack([x, rear])[1:-1], front]))


@pytest.mark.parametrize("lobes", [1, 2, 3])
@pytest.mark.parametrize("scale_mm", [15, 40])
def test_rear_lobes_are_counted_from_curvature(lobes: int, scale_mm: float) -> None:
    shape = affinity.scale(lobed(lobes), scale_mm, scale_mm, origin=(0, 0))
    edges = pad_edges(rings_from_geometries([shape, shape.reverse()]))
    assert edges.rear_lobes.tolist() == [lobes, lobes]
    assert edges.front_lobes.tolist() == [1, 1]
    ahead = pad_edges(rings_from_geometries([affinity.scale(shape, 1, -1, origin=(0, 0))]))
    assert ahead.rear_lobes.tolist() == [1]
    assert ahead.front_lobes[0] == min(lobes, 2)


def test_a_circle_is_fitted_to_points_on_it_and_a_line_has_no_curvature() -> None:
    angle = np.radians([20, 60, 110, 160])
    around = np.column_stack([3 + 7 * np.cos(angle), -2 + 7 * np.sin(angle)])
    below = around * [1, -1]
    level = np.column_stack([[0.0, 1, 2, 5], [1.0, 1, 1, 1]])
    found = circle_curvature(np.stack([around, below, level]))
    assert found == pytest.approx([1 / 7, -1 / 7, 0], abs=1e-9)


def test_the_ridge_between_round_toes_and_a_round_pad_has_the_middle_radius() -> None:
    angle = np.radians([150, 110, 70, 30])
    centres = shapely.points(50 * np.cos(angle), 50 * np.sin(angle))
    toes = shapely.buffer(centres, 8, quad_segs=64)
    pad = shapely.Point(0, 0).buffer(20, quad_segs=64)
    assert ridge_bend(toes[None], np.array([pad]))[0] == pytest.approx(1 / 31, rel=1e-3)


def five(boxes: list[tuple[float, float, float, float]]):
    return rings_from_geometries([shapely.box(*each) for each in boxes])


def test_room_of_a_diagonal_is_the_gap_between_the_two_sets() -> None:
    # Everything of A and the pad lies below the line y = -x, the rest above y = -x + 4; both
    # lines touch a corner: a strip 4 / sqrt(2) wide runs between.
    marks = five(
        [(-12, 8, -10, 10), (-6, 10, -3, 14), (4, 10, 8, 14), (4, 0, 8, 4), (-6, -8, 4, -4)]
    )
    room = line_room(marks).diagonals[0]
    # sharp corners are cut off a little where outlines are resampled
    assert room[0] == pytest.approx(4 / np.sqrt(2), rel=0.02)


def test_side_lines_pass_a_gap_and_overlapping_marks_have_less_than_none() -> None:
    # the left outer toe ends 3 left of everything; the right outer toe reaches 2 in
    marks = five(
        [(-15, 0, -9, 9), (-5, 12, -1, 18), (1, 12, 5, 18), (4, 0, 12, 9), (-6, -12, 6, -2)]
    )
    left, right = line_room(marks).sides[0]
    # a line that leans a little gains on the upright one; GEOS knows the gap of the hulls
    rest = shapely.union_all(marks.polygons()[1:]).convex_hull
    assert left == pytest.approx(shapely.distance(marks.polygons()[0], rest), rel=0.01)
    assert right < 0


def test_a_print_that_is_its_mirror_image_overlaps_itself_fully() -> None:
    shapes = [shapely.Point(x, y).buffer(6) for x, y in [(-20, 12), (-8, 26), (8, 26), (20, 12)]]
    shapes.append(shapely.Polygon([(-15, -10), (15, -10), (8, 8), (-8, 8)]))
    turned = [affinity.translate(affinity.rotate(s, 33, origin=(0, 0)), 7, 90) for s in shapes]
    overlap, axis = mirror_overlap(rings_from_geometries(turned))
    assert overlap[0] == pytest.approx(1, abs=1e-6)
    assert np.degrees(axis[0, 0]) % 180 == pytest.approx(90 + 33, abs=1e-6)


def test_overlap_about_a_given_axis_is_the_area_geos_cuts() -> None:
    rng = np.random.default_rng(3)
    places = [(-20, 12), (-8, 30), (8, 24), (22, 9), (0, -6)]
    shapes = [
        affinity.rotate(shapely.box(x - 6, y - 4, x + 5, y + 7), rng.uniform(-40, 40))
        for x, y in places
    ]
    angle, offset = 1.5, 0.8
    whole = shapely.union_all(shapes)
    turned = affinity.rotate(whole, -angle, origin=(0, 0), use_radians=True)
    mirrored = affinity.scale(affinity.translate(turned, 0, -offset), 1, -1, origin=(0, 0))
    mirrored = affinity.rotate(
        affinity.translate(mirrored, 0, offset), angle, origin=(0, 0), use_radians=True
    )
    expected = whole.intersection(mirrored).area / whole.union(mirrored).area
    found = overlap_at(rings_from_geometries(shapes), np.array([[angle, offset]]))
    assert found[0] == pytest.approx(expected, rel=1e-9)
    assert mirror_overlap(rings_from_geometries(shapes))[0][0] >= expected


def test_the_quick_overlap_is_near_the_exact_one_and_its_axis_near_the_best() -> None:
    drawn = draw_prints(["puma", "dog"] * 15, claws=False, rng=np.random.default_rng(7))
    order = ["toe_2", "toe_3", "toe_4", "toe_5", "pad"]
    marks = rings_from_geometries(
        drawn.set_index(["print", "part"])
        .geometry.reindex([(number, part) for number in range(30) for part in order])
        .to_numpy()
    )
    overlap, axis = mirror_overlap(marks)
    assert np.abs(nearly_overlap_at(marks, axis) - overlap).max() < 0.03
    tried = [
        overlap_at(marks, axis + np.array([turn, move]))
        for turn in np.linspace(-0.15, 0.15, 13)
        for move in np.linspace(-3, 3, 13)
    ]
    best = np.max(tried, axis=0)
    assert (best - overlap).max() < 0.03
    assert (best - overlap).mean() < 0.005


def test_toes_stand_from_left_to_right_however_the_print_is_turned_or_listed() -> None:
    toes = np.array([[-3, 2], [-1, 4], [1, 4], [3, 2]], dtype=float)
    for turn in np.radians(np.arange(0, 360, 30)):
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        for listed in ([0, 1, 2, 3], [2, 0, 3, 1]):
            mixed = (toes @ spin.T)[listed][None]
            for pad in (np.zeros((1, 2)), np.full((1, 2), np.nan)):
                order = left_to_right(mixed, pad)[0]
                assert np.array(listed)[order].tolist() == [0, 1, 2, 3]


def test_the_axis_says_how_it_was_found() -> None:
    toes = np.array([[[-3.0, 2], [-1, 5], [1, 5], [3, 2]]] * 6)
    pad, own = np.zeros((6, 2)), np.tile([0.0, -1.0], (6, 1))
    toes[1, 0] = toes[2, 1] = toes[3, 2:] = toes[5] = np.nan
    pad[4] = np.nan
    own[5] *= -1
    placed = np.array([True, True, True, False, True, False])
    forward, way = long_axis(toes, pad, own, placed=placed)
    assert [AXIS_WAYS[one] for one in way] == [
        "pad and four toes",
        "pad and middle toes",
        "pad and outer toes",
        "shape of the pad",
        "four toes",
        "pad alone",
    ]
    assert np.allclose(forward, [0, 1])
