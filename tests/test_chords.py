"""Chords stepped along lines, and the closed forms of pieces on a circle."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.ops
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from siteplan.laying.chords import (
    ChordLines,
    arc_points,
    chord_lines,
    circle_deflection,
    directions,
    least_radius,
    openings_um,
    points,
    ring_radius,
    step,
    turned,
    walk,
)


def one_line(xy: NDArray[np.float64], *, ring: bool = False) -> ChordLines:
    return chord_lines(xy, np.array([0, len(xy)]), np.array([ring]), 3.0)


def at_start(lines: ChordLines, at_m: float, chord_m: float) -> tuple[float, NDArray[np.float64]]:
    line, at = np.array([0]), np.array([at_m])
    to, xy = step(lines, line, at, points(lines, line, at), np.array([chord_m]))
    return float(to[0]), xy[0]


def wavy(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    """A line that turns at random, never by more than 60 degrees at a vertex."""
    heading = np.cumsum(rng.uniform(-1.0, 1.0, n))
    length = rng.uniform(0.02, 0.8, n)
    moves = length[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    return np.vstack([np.zeros(2), np.cumsum(moves, axis=0)])


def test_the_first_crossing_is_the_one_shapely_finds() -> None:
    """Second path: circles of 8,192 sides cut with the rest of the line; off by their sagitta, 1.4e-7 m."""
    rng = np.random.default_rng(11)
    checked = 0
    for _ in range(60):
        xy = wavy(rng, 25)
        lines, whole = one_line(xy), shapely.LineString(xy)
        for at, chord in zip(rng.uniform(0, whole.length, 8), rng.uniform(0.05, 1.8, 8), strict=True):
            start = whole.interpolate(at)
            ahead = shapely.ops.substring(whole, at, whole.length)
            met = ahead.intersection(start.buffer(chord, quad_segs=2048).exterior)
            if met.is_empty:
                continue
            first = min(ahead.project(p) for p in shapely.get_parts(met)) + at
            to, point = at_start(lines, at, chord)
            assert to == pytest.approx(first, abs=1e-6)
            assert math.dist(point, (start.x, start.y)) == pytest.approx(chord, abs=1e-12)
            checked += 1
    assert checked > 300


@settings(deadline=None, derandomize=True, max_examples=60)
@given(seed=st.integers(0, 10**6), at=st.floats(2.0, 6.0), chord=st.floats(1e-4, 1.5))
def test_a_chord_back_ends_a_chord_away(seed: int, at: float, chord: float) -> None:
    lines = one_line(wavy(np.random.default_rng(seed), 30))
    line, there = np.array([0]), np.array([at])
    start = points(lines, line, there)
    to, xy = step(lines, line, there, start, np.array([-chord]))
    assert to[0] <= at - chord + 1e-9
    assert math.dist(xy[0], start[0]) == pytest.approx(chord, abs=1e-9)
    assert points(lines, line, to) == pytest.approx(xy, abs=1e-9)
    stays, same = step(lines, line, there, start, np.array([0.0]))
    assert stays[0] == at
    assert same.tolist() == start.tolist()


def test_beyond_an_open_end_the_line_goes_straight_on_and_a_ring_goes_round() -> None:
    lines = one_line(np.array([(0.0, 0.0), (1.0, 0.0)]))
    assert at_start(lines, 0.8, 1.0)[0] == pytest.approx(1.8)
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)], dtype=float)
    ring = one_line(square, ring=True)
    to, xy = at_start(ring, 3.5, 1.0)  # from the middle of the last side to the first
    assert xy == pytest.approx([math.sqrt(0.75), 0.0])
    assert to == pytest.approx(4 + math.sqrt(0.75))
    assert directions(ring, np.array([0]), np.array([1.0]), arriving=True)[0] == pytest.approx(0.0)
    assert directions(ring, np.array([0]), np.array([1.0]), arriving=False)[0] == pytest.approx(math.pi / 2)


@pytest.mark.parametrize(
    ("chord", "ordinate", "radius"),
    [(20, 1, 50.5), (10, 0.5, 25.25), (24, 6, 15), (62, 0.5, 961.25), (100, 2, 626)],
)
def test_radius_from_chord_and_middle_ordinate(chord: float, ordinate: float, radius: float) -> None:
    """CRV-08: c^2 / 8m + m / 2, a standard identity."""
    arc = arc_points((0, 0), radius, 0, 2.5, 1e-9)
    lines = chord_lines(arc, np.array([0, len(arc)]), np.array([False]), 200.0)
    _, end = at_start(lines, 0.0, chord)
    middle = (arc[0] + end) / 2
    assert radius - math.hypot(*middle) == pytest.approx(ordinate, abs=1e-6)


@pytest.mark.parametrize(
    ("sides", "side"), [(5, 1.1755705), (6, 1.0), (8, 0.7653669), (10, 0.6180340), (12, 0.5176381)]
)
def test_side_of_a_regular_polygon(sides: int, side: float) -> None:
    """CRV-10: side of the regular polygon in the unit circle, a classical table."""
    assert ring_radius(sides, side, 0.0) == pytest.approx(1.0, abs=1e-7)
    assert math.degrees(circle_deflection(side, 0.0, 1.0)) == pytest.approx(360 / sides, abs=1e-5)


@settings(deadline=None, derandomize=True, max_examples=100)
@given(n=st.integers(5, 400), chord=st.floats(0.05, 2.0), gap=st.floats(0.0, 0.02))
def test_the_closed_form_of_a_ring_solves_its_equation(n: int, chord: float, gap: float) -> None:
    radius = ring_radius(n, chord, gap)
    assert n * (math.asin(chord / (2 * radius)) + math.asin(gap / (2 * radius))) == pytest.approx(math.pi)
    found = brentq(
        lambda r: n * circle_deflection(chord, gap, r) - 2 * math.pi, chord / 2 + gap, 1e4, xtol=1e-12
    )
    assert found == pytest.approx(radius, rel=1e-9)


def test_pieces_walked_round_a_circle_close() -> None:
    n, chord, gap = 97, 0.9, 0.006
    arc = arc_points((3, -2), ring_radius(n, chord, gap), 0.4, 2 * math.pi, 1e-9)
    arc[-1] = arc[0]
    lines = one_line(arc, ring=True)
    before = np.full(n, gap)
    before[0] = 0.0
    laid = walk(
        lines, np.array([0]), np.array([0, n]), np.zeros(1), before, np.full(n, chord), np.array([gap])
    )
    assert laid.reach_m - lines.length_m == pytest.approx([0.0], abs=1e-6)
    delta = turned(laid.angle[:-1], laid.angle[1:])
    assert np.degrees(delta) == pytest.approx(np.full(n - 1, 360 / n), abs=1e-4)


def test_openings_are_the_distances_between_the_edges_of_the_faces() -> None:
    """The corners of two rectangles on a circle, worked out point by point."""
    chord, gap, depth, radius = 0.6, 0.012, 0.15, 4.0
    half = [math.asin(chord / (2 * radius)), math.asin(gap / (2 * radius))]
    ends = [-half[1] - 2 * half[0], -half[1], half[1], half[1] + 2 * half[0]]
    one, two, three, four = (radius * np.array([math.cos(a), math.sin(a)]) for a in ends)
    faces = []
    for start, end, at in ((one, two, two), (three, four, three)):
        along = (end - start) / np.hypot(*(end - start))
        left = np.array([-along[1], along[0]]) * depth / 2
        faces.append((at + left, at - left))  # the inner side is on the left
    inner, outer = (math.dist(faces[0][k], faces[1][k]) for k in (0, 1))
    got = openings_um(np.array([gap * 1e6]), np.array([circle_deflection(chord, gap, radius)]), 150_000)
    assert got[0][0] == pytest.approx(inner * 1e6, abs=1e-6)
    assert got[1][0] == pytest.approx(outer * 1e6, abs=1e-6)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    chord=st.floats(0.1, 2.0),
    least=st.floats(-0.005, 0.004),
    spread=st.floats(0.001, 0.012),
    depth=st.floats(0.05, 0.4),
    limit=st.floats(0.3, 8.0),
)
def test_least_radius_against_a_search_over_gaps(
    chord: float, least: float, spread: float, depth: float, limit: float
) -> None:
    """Second path: for each of 201 gaps the greatest deflection, and the radius that has it, root-found."""
    greatest = least + spread
    radius, gap = least_radius(chord, least, greatest, depth, limit)
    assert least <= gap <= greatest

    def tightest(g: float) -> float:
        lean = min(g - least, greatest - g) / depth
        most = min(math.radians(limit), 2 * math.asin(min(max(lean, 0.0), 1.0)))
        if most <= 1e-9:
            return math.inf

        def over(r: float) -> float:
            return circle_deflection(chord, g, r) - most

        return float(brentq(over, max(chord, abs(g)) / 2 * 1.0001, 1e9, xtol=1e-12))

    searched = min(tightest(g) for g in np.linspace(least, greatest, 201))
    assert radius <= searched * (1 + 1e-9)
    assert radius == pytest.approx(searched, rel=2e-2)
    assert tightest(gap) == pytest.approx(radius, rel=1e-6)


def test_no_room_for_deflection_is_no_radius() -> None:
    assert least_radius(0.9, 0.005, 0.005, 0.12, 3.0)[0] == math.inf
    assert least_radius(0.9, 0.002, 0.010, 0.12, 0.0)[0] == math.inf


def test_arcs_keep_their_sagitta() -> None:
    arc = arc_points((1, 2), 5.0, 0.3, -1.2, 1e-5)
    middle = (arc[1:] + arc[:-1]) / 2
    assert np.hypot(*(arc - [1, 2]).T) == pytest.approx(np.full(len(arc), 5.0))
    assert (5.0 - np.hypot(*(middle - [1, 2]).T)).max() <= 1e-5


def test_turns_wrap() -> None:
    got = turned(np.array([3.0, -3.0, 0.1]), np.array([-3.0, 3.0, 0.3]))
    assert got == pytest.approx([2 * math.pi - 6, 6 - 2 * math.pi, 0.2])
