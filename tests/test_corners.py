"""Corners told from curves.  The rule is the one stated at the head of the module."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.model import RingKind
from siteplan.outline.corners import Corners, find_corners, fit_lines
from siteplan.outline.repair import closed_rings, repair
from siteplan.outline.rules import OutlineRules

from .outlines import Points, kidney, moved, polygon, random_bed, rectangle, rounded, shapes, stadium


def corners_of(
    *rings: Points, kinds: list[RingKind] | None = None, rules: OutlineRules | None = None
) -> Corners:
    made = repair(shapes(rings, kinds), rules).shapes
    return find_corners(made.xy, made.ring_offsets, closed_rings(made), rules)


def same_points(one: Points, two: Points, within: float) -> bool:
    """Both sets of points lie on one another."""
    if len(one) != len(two):
        return False
    away = np.hypot(*(one[:, None, :] - two[None, :, :]).transpose(2, 0, 1))
    return not len(one) or bool(away.min(axis=1).max() < within and away.min(axis=0).max() < within)


@pytest.mark.parametrize("count", [30, 60, 120, 240])
@pytest.mark.parametrize("scale", [0.5, 1.0, 2.0])
def test_a_kidney_has_no_corner(count: int, scale: float) -> None:
    assert len(corners_of(kidney(count, scale))) == 0


@pytest.mark.parametrize("count", [2, 3, 5, 8, 20])
@pytest.mark.parametrize("radius", [0.02, 0.05, 0.1, 0.2, 0.3])
def test_a_rounded_off_rectangle_has_four_corners_where_its_legs_meet(count: int, radius: float) -> None:
    made = corners_of(rounded(6.0, 4.0, radius, count))
    assert same_points(made.xy, rectangle(6.0, 4.0), 1e-9)
    # The middle of an arc is (sqrt 2 - 1) r from the corner; its ends are r away.
    middle = (np.sqrt(2.0) - 1.0) * radius if count % 2 else None
    if middle is not None:
        assert made.moved_m == pytest.approx([middle] * 4, abs=1e-9)


def test_an_arc_longer_than_the_stretch_is_a_curve() -> None:
    # A quarter circle of 0.31 m radius is 0.49 m long, one of 0.35 m is 0.55 m.
    assert len(corners_of(rounded(6.0, 4.0, 0.31, 12))) == 4
    assert len(corners_of(rounded(6.0, 4.0, 0.35, 12))) == 0
    assert len(corners_of(rounded(6.0, 4.0, 0.35, 12), rules=OutlineRules(corner_stretch_m=0.6))) == 4


@pytest.mark.parametrize("count", range(10, 25))
@pytest.mark.parametrize("radius", [0.3, 0.6])
def test_a_small_round_pond_is_a_curve_however_it_is_traced(count: int, radius: float) -> None:
    assert len(corners_of(polygon(count, radius, 0.1))) == 0


def test_an_unevenly_traced_pond_is_a_curve() -> None:
    rng = np.random.default_rng(11)
    ponds = []
    for _ in range(200):
        count = int(rng.integers(12, 25))
        at = (np.arange(count) + rng.uniform(-0.25, 0.25, count)) * 2.0 * np.pi / count
        ponds.append(0.6 * np.stack([np.cos(at), np.sin(at)], axis=1))
    assert len(corners_of(*ponds)) == 0


@pytest.mark.parametrize("count", [3, 4, 5, 6, 8])
def test_a_regular_polygon_with_long_edges_has_its_corners(count: int) -> None:
    xy = polygon(count, 3.0 / (2.0 * np.sin(np.pi / count)), 0.3)
    made = corners_of(xy)
    assert same_points(made.xy, xy, 1e-12)
    assert made.moved_m.tolist() == [0.0] * count


@pytest.mark.parametrize("turn", [34.9, 35.1, 60.0, 90.0, 150.0, 175.0, -34.9, -35.1, -90.0])
def test_a_single_vertex_is_a_corner_from_35_degrees_on_and_stays_where_it_is(turn: float) -> None:
    a = np.radians(turn)
    line = np.array([[-3.0, 0.0], [0.0, 0.0], [3.0 * np.cos(a), 3.0 * np.sin(a)]])
    made = corners_of(line, kinds=[RingKind.LINE])
    assert len(made) == (abs(turn) > 35.0)
    if len(made):
        assert made.xy.tolist() == [[0.0, 0.0]]


@pytest.mark.parametrize("gap", [0.06, 0.2, 0.4])
def test_two_square_corners_close_together_stay_two(gap: float) -> None:
    finger = np.array([[0, 0], [6, 0], [6, 4], [3 + gap, 4], [3 + gap, 7], [3, 7], [3, 4], [0, 4]])
    step = np.array([[0, 0], [6, 0], [6, 4], [3, 4], [3, 4 + gap], [0, 4 + gap]])
    assert same_points(corners_of(finger).xy, finger, 1e-12)
    assert same_points(corners_of(step).xy, step, 1e-12)


def test_two_small_roundings_close_together_stay_two() -> None:
    finger = rounded(0.4, 3.0, 0.05, 3)
    made = corners_of(finger)
    assert same_points(made.xy, rectangle(0.4, 3.0), 1e-9)


def test_a_double_click_is_one_corner() -> None:
    for nick in ([[4.0, 3.0], [3.99, 3.01]], [[4.0, 2.99], [3.985, 3.0]], [[4.02, 3.01], [4.0, 3.0]]):
        xy = np.concatenate([[[0, 0], [4, 0]], nick, [[0, 3]]])
        made = corners_of(xy)
        assert len(made) == 4
        assert np.abs(made.xy - [4.0, 3.0]).sum(axis=1).min() < 0.03


def test_a_square_corner_beside_a_curve_stays_on_its_vertex() -> None:
    # Half a disc: two square corners, and an arc of the radius between them.
    for radius, count in ((1.0, 12), (2.0, 30), (2.0, 90)):
        at = np.linspace(0.0, np.pi, count + 1)
        xy = radius * np.stack([np.cos(at), np.sin(at)], axis=1)
        made = corners_of(xy)
        assert same_points(made.xy, xy[[0, -1]], 1e-12)


def test_a_stadium_has_no_corner_and_a_traced_arc_in_a_line_none() -> None:
    for radius in (0.5, 0.8, 3.0):
        for count in (6, 12, 40):
            assert len(corners_of(stadium(6.0, radius, count))) == 0


def test_a_noisy_dense_trace_of_a_smooth_bed_has_no_corner() -> None:
    rng = np.random.default_rng(3)
    beds = [kidney(160, 1.5) + rng.normal(0.0, 0.01, (160, 2)) for _ in range(40)]
    # One slip of the hand in 6,400 vertices turns by 59 degrees, between 46 and 32 the other way.
    assert len(corners_of(*beds)) == 1


def test_a_noisy_rectangle_has_four_corners_near_its_own() -> None:
    rng = np.random.default_rng(4)
    for _ in range(50):
        side = [
            np.linspace(a, b, 9)[:-1]
            for a, b in zip(rectangle(6, 4), np.roll(rectangle(6, 4), -1, 0), strict=True)
        ]
        xy = np.concatenate(side) + rng.normal(0.0, 0.02, (32, 2))
        made = corners_of(xy)
        assert same_points(made.xy, rectangle(6.0, 4.0), 0.15)


def test_named_vertices_win_over_the_rule() -> None:
    xy = np.array([[0, 0], [2, -0.4], [4, 0], [4, 3], [0, 3]], dtype=np.float64)
    forced = np.array([0, 1, 0, -1, 0], dtype=np.int8)
    made = find_corners(xy, np.array([0, 5]), np.array([True]), forced=forced)
    assert made.first.tolist() == [0, 1, 2, 4]


def test_a_named_corner_stands_alone_within_a_rounding() -> None:
    xy = rounded(6.0, 4.0, 0.2, 3)
    forced = np.zeros(12, dtype=np.int8)
    forced[1] = 1
    made = find_corners(xy, np.array([0, 12]), np.array([True]), forced=forced)
    assert made.size.tolist().count(1) == 1
    assert xy[1].tolist() in made.xy.tolist()


def test_no_outlines_no_corners() -> None:
    none = find_corners(np.zeros((0, 2)), np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.bool_))
    assert len(none) == 0


def test_rings_do_not_touch_one_another() -> None:
    rng = np.random.default_rng(8)
    rings = [random_bed(rng) for _ in range(100)]
    together = corners_of(*rings)
    apart = [corners_of(ring) for ring in rings]
    assert np.bincount(together.ring, minlength=100).tolist() == [len(c) for c in apart]
    assert np.abs(together.xy - np.concatenate([c.xy for c in apart])).max() < 1e-9


SHAPES = st.one_of(
    st.builds(random_bed, st.integers(0, 2**32 - 1).map(np.random.default_rng)),
    st.builds(rounded, st.just(6.0), st.just(4.0), st.floats(0.02, 0.31), st.integers(2, 7)),
    st.builds(kidney, st.integers(20, 80), st.floats(0.4, 2.0)),
    st.builds(polygon, st.integers(3, 24), st.floats(0.2, 5.0), st.floats(0.0, 1.0)),
)


@settings(deadline=None, derandomize=True, max_examples=150)
@given(
    SHAPES,
    st.booleans(),
    st.integers(0, 100),
    st.floats(0.0, 360.0),
    st.floats(-1000.0, 1000.0),
    st.integers(0, 100),
    st.floats(0.2, 0.8),
)
def test_direction_start_place_heading_and_added_vertices_change_nothing(
    xy: Points, backwards: bool, first: int, heading: float, shift: float, edge: int, share: float
) -> None:
    want = moved(corners_of(xy).xy, heading, (shift, 0.5 * shift))
    edge %= len(xy)
    added = np.insert(xy, edge + 1, xy[edge] + share * (xy[(edge + 1) % len(xy)] - xy[edge]), axis=0)
    other = np.roll(moved(added, heading, (shift, 0.5 * shift)), first, axis=0)
    assert same_points(corners_of(other[::-1] if backwards else other).xy, want, 1e-6)


def test_fitted_lines_do_not_depend_on_where_vertices_are() -> None:
    few = np.array([[0.0, 0.0], [1.0, 0.1], [2.0, 0.0]])
    many = np.array([[0.0, 0.0], [0.3, 0.03], [1.0, 0.1], [1.9, 0.01], [2.0, 0.0]])
    point, direction = fit_lines(np.concatenate([few, many, many[::-1]]), np.array([0, 3, 8, 13]))
    assert point == pytest.approx(np.array([[1.0, 0.05]] * 3))
    assert direction == pytest.approx(np.array([[1.0, 0.0], [1.0, 0.0], [-1.0, 0.0]]), abs=1e-12)
