"""The strip of ground under a run and its slices."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from siteplan.laying.band import build_band, cross_sections, line_points, slice_band, stations
from siteplan.model import Runs
from tests.make_runs import Path, make_runs, overlaps, polygons, random_paths

DEPTH = 150_000


def regular(n: int, radius: float) -> NDArray[np.float64]:
    at = np.arange(n) * (2 * np.pi / n)
    return radius * np.column_stack([np.cos(at), np.sin(at)])


def cut_all(
    runs: Runs, cuts: int, seed: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Each run cut at random stations into slices that follow one another without a gap."""
    rng = np.random.default_rng(seed)
    run, start, stop = [], [], []
    for r, length in enumerate(stations(runs).run_um):
        at = np.unique(rng.integers(1, length, cuts))
        shift = int(rng.integers(0, length)) if runs.closed[r] else 0
        at = np.concatenate([[0], at, [length]]) + shift
        run += [r] * (len(at) - 1)
        start += at[:-1].tolist()
        stop += at[1:].tolist()
    return np.array(run), np.array(start), np.array(stop)


def test_stations_round_once_per_leg() -> None:
    runs = make_runs([Path([(0, 0), (1.0000004, 0), (1.0000004, 2.0000005)], [1]), Path([(9, 0), (9, 3)])])
    part = stations(runs)
    assert part.leg_um.tolist() == [1_000_000, 2_000_001, 3_000_000]
    assert part.leg_from_um.tolist() == [0, 1_000_000, 0]
    assert part.run_um.tolist() == [3_000_001, 3_000_000]


def test_straight_slice_is_a_rectangle() -> None:
    band = build_band(make_runs([Path([(1, 2), (11, 2)])]), DEPTH)
    xy, offsets = slice_band(band, np.array([0]), np.array([2_000_000]), np.array([2_500_000]))
    assert offsets.tolist() == [0, 4]
    assert xy == pytest.approx(np.array([(3, 1.925), (3.5, 1.925), (3.5, 2.075), (3, 2.075)]))


def test_corner_slice_is_an_l() -> None:
    band = build_band(make_runs([Path([(0, 0), (4, 0), (4, 4)], [1])]), 200_000)
    xy, _ = slice_band(band, np.array([0]), np.array([3_500_000]), np.array([4_300_000]))
    expected = [(3.5, -0.1), (4.1, -0.1), (4.1, 0.3), (3.9, 0.3), (3.9, 0.1), (3.5, 0.1)]
    assert xy == pytest.approx(np.array(expected))


def test_slice_over_the_start_of_a_closed_run() -> None:
    runs = make_runs([Path([(0, 0), (4, 0), (4, 3), (0, 3)], range(4), closed=True)])
    xy, _ = slice_band(
        build_band(runs, 200_000), np.array([0]), np.array([13_600_000]), np.array([14_500_000])
    )
    expected = [(-0.1, 0.4), (-0.1, -0.1), (0.5, -0.1), (0.5, 0.1), (0.1, 0.1), (0.1, 0.4)]
    assert xy == pytest.approx(np.array(expected))


def test_slices_stick_straight_out_of_an_open_run() -> None:
    band = build_band(make_runs([Path([(0, 0), (4, 0), (4, 4)], [1])]), 200_000)
    xy, _ = slice_band(band, np.array([0, 0]), np.array([-5_000, 7_900_000]), np.array([100_000, 8_007_000]))
    assert xy[:, 0].min() == pytest.approx(-0.005)
    assert xy[:, 1].max() == pytest.approx(4.007)
    points, _ = line_points(band, np.array([0, 0]), np.array([-5_000, 8_007_000]))
    assert points == pytest.approx(np.array([(-0.005, 0), (4, 4.007)]))


def test_points_and_headings() -> None:
    runs = make_runs([Path([(0, 0), (4, 0), (4, 3), (0, 3)], range(4), closed=True)])
    at = np.array([1_000_000, 5_000_000, 8_000_000, 12_000_000, 15_000_000, -1_000_000])
    xy, heading = line_points(build_band(runs, DEPTH), np.zeros(6, dtype=np.int64), at)
    assert xy == pytest.approx(np.array([(1, 0), (4, 1), (3, 3), (0, 2), (1, 0), (0, 1)]))
    # east 90, north 0, west 270, south 180: clockwise from grid north
    assert heading.tolist() == [90.0, 0.0, 270.0, 180.0, 90.0, 180.0]


def test_stations_stretch_with_the_ground_length() -> None:
    """A leg whose ground length differs from its chords still ends at its vertices."""
    runs = make_runs([Path([(0, 0), (2, 0), (4, 0)])])
    runs.length_m[0] = 4.4
    xy, _ = line_points(
        build_band(runs, DEPTH), np.zeros(3, dtype=np.int64), np.array([0, 1_100_000, 4_400_000])
    )
    assert xy == pytest.approx(np.array([(0, 0), (1, 0), (4, 0)]))


def test_cross_sections_are_square_to_the_line_away_from_vertices() -> None:
    runs = make_runs([Path(regular(24, 5.0), closed=True)])
    band = build_band(runs, DEPTH)
    run = np.zeros(24, dtype=np.int64)
    middle = (np.arange(24) + 0.5) * stations(runs).run_um[0] / 24
    left, right = cross_sections(band, run, middle)
    chord = np.roll(regular(24, 5.0), -1, axis=0) - regular(24, 5.0)
    assert np.einsum("ij,ij->i", left - right, chord) == pytest.approx(0.0, abs=1e-9)
    assert np.hypot(*(left - right).T) == pytest.approx(0.15)


@pytest.mark.parametrize("sides", [3, 4, 6, 48, 720])
def test_ring_area_closed_form(sides: int) -> None:
    """Mitred offsets of a convex polygon: area = perimeter x depth; many sides: an annulus."""
    radius = 5.0
    runs = make_runs([Path(regular(sides, radius), closed=True)])
    run, start, stop = cut_all(runs, 40, sides)
    area = shapely.area(polygons(*slice_band(build_band(runs, DEPTH), run, start, stop))).sum()
    # the perimeter is rounded to a micrometre, so is worth 1e-6 x 0.15 m2
    assert area == pytest.approx(2 * sides * radius * np.sin(np.pi / sides) * 0.15, abs=2e-7)
    if sides == 720:
        annulus = np.pi * ((radius + 0.075) ** 2 - (radius - 0.075) ** 2)
        # chords are short by pi^2 / 6 n^2
        assert area == pytest.approx(annulus, rel=np.pi**2 / 6 / sides**2 * 1.01)


def test_slices_tile_the_strip_that_a_mitred_buffer_gives() -> None:
    """Second path: shapely's flat-ended mitred buffer of the same line, as a set of points."""
    runs = make_runs(random_paths(5, 90))
    run, start, stop = cut_all(runs, 25, 1)
    shapes = polygons(*slice_band(build_band(runs, DEPTH), run, start, stop))
    assert shapely.is_valid(shapes).all()
    assert shapely.is_ccw(shapely.get_exterior_ring(shapes)).all()
    for r in range(len(runs.run_id)):
        legs = range(runs.leg_offsets[r], runs.leg_offsets[r + 1])
        xy = np.vstack([runs.xy[runs.offsets[leg] : runs.offsets[leg + 1]] for leg in legs])
        if runs.closed[r]:
            ring = shapely.Polygon(xy)
            strip = ring.buffer(0.075, join_style="mitre").difference(ring.buffer(-0.075, join_style="mitre"))
        else:
            strip = shapely.LineString(xy).buffer(0.075, cap_style="flat", join_style="mitre")
        mine = shapes[run == r]
        # points of two sets of line work meet within rounding: 1e-9 m along some 50 m of edge
        assert shapely.area(mine).sum() == pytest.approx(strip.area, abs=1e-6)
        assert shapely.union_all(mine).symmetric_difference(strip).area < 1e-6


def test_slices_of_random_runs_share_no_ground() -> None:
    runs = make_runs(random_paths(11, 300))
    run, start, stop = cut_all(runs, 30, 2)
    pairs, area = overlaps(polygons(*slice_band(build_band(runs, DEPTH), run, start, stop)))
    assert pairs.shape[1] > 8_000  # neighbours do touch
    assert area.max() < 1e-9


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 10**6), st.floats(0.15, 0.4), st.floats(1.0, 34.0))
def test_vertices_closer_than_the_depth_give_valid_slices(seed: int, step: float, turn: float) -> None:
    """Traced wobble: the strip narrows where two fans meet, and no slice folds over.

    Edges are 0.3 to 1 times 0.15 m or more, the depth, and turns reach 69 degrees.
    """
    rng = np.random.default_rng(seed)
    heading = np.cumsum(np.radians(rng.choice([-turn, turn], 30) + rng.uniform(-1, 1, 30)))
    # held to a general direction, so that the strip does not come back on itself
    heading = np.clip(heading, -0.6, 0.6)
    edges = step * rng.uniform(0.3, 1.0, 30)
    xy = np.cumsum(edges[:, None] * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    runs = make_runs([Path(xy)])
    run, start, stop = cut_all(runs, 20, seed)
    shapes = polygons(*slice_band(build_band(runs, DEPTH), run, start, stop))
    assert shapely.is_valid(shapes).all()
    _, area = overlaps(shapes)
    assert area.max(initial=0.0) < 1e-9


def test_narrow_places_are_told() -> None:
    """Turns of 60 degrees need 0.075 x tan 30 = 43 mm each side: 86.6 mm between two of them."""
    for edge, narrow in ((0.0867, []), (0.0865, [1, 2])):
        at = np.radians(60)
        xy = np.array([(0, 0), (1, 0), (1 + edge * np.cos(at), edge * np.sin(at))])
        xy = np.vstack([xy, xy[-1] + [np.cos(2 * at), np.sin(2 * at)]])
        runs = make_runs([Path(xy)])
        band = build_band(runs, DEPTH)
        assert band.narrow.tolist() == narrow
        # the two fans meet in the middle of the edge, square to it and of full depth outside
        middle = np.array([1_000_000 + round(edge * 5e5)])
        _, right = cross_sections(band, np.array([0]), middle)
        centre = (xy[1] + xy[2]) / 2
        assert right[0] == pytest.approx(centre + 0.075 * np.array([np.sin(at), -np.cos(at)]), abs=2e-6)
        run, start, stop = cut_all(runs, 60, 4)
        shapes = polygons(*slice_band(band, run, start, stop))
        assert shapely.is_valid(shapes).all()
        assert overlaps(shapes)[1].max() < 1e-9


def test_fans_do_not_share_stations_on_an_edge_too_short_for_both() -> None:
    """A turn of 60 and one of 6 degrees 40 mm apart: they share the edge as they need it."""
    heading = np.radians([0, 60, 66])
    edges = np.array([1.0, 0.04, 1.0])[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    band = build_band(make_runs([Path(np.vstack([[(0, 0)], np.cumsum(edges, axis=0)]))]), DEPTH)
    share = 0.04 * np.tan(np.radians(30)) / (np.tan(np.radians(30)) + np.tan(np.radians(3)))
    assert band.key_um[4:6] == pytest.approx(1e6 * (1 + share), abs=1.0)


def test_repeated_and_collinear_vertices_change_nothing() -> None:
    plain = make_runs([Path([(0, 0), (4, 0), (4, 3)], [1])])
    busy = make_runs([Path([(0, 0), (1, 0), (1, 0), (4, 0), (4, 3)], [3])])
    args = (np.array([0, 0]), np.array([500_000, 3_700_000]), np.array([1_500_000, 4_300_000]))
    one, two = (slice_band(build_band(runs, DEPTH), *args) for runs in (plain, busy))
    assert one[1].tolist() == two[1].tolist() == [0, 4, 10]
    assert two[0] == pytest.approx(one[0], abs=1e-12)


def test_nothing_to_slice() -> None:
    none = np.empty(0, dtype=np.int64)
    xy, offsets = slice_band(build_band(make_runs([Path([(0, 0), (4, 0)])]), DEPTH), none, none, none)
    assert xy.shape == (0, 2)
    assert offsets.tolist() == [0]
