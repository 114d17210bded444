"""Runs, legs and corners from outlines and breaks."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, Finding
from siteplan.model import NodeKind, RingKind, Runs, Shapes, Unedged
from siteplan.outline.breaks_table import Breaks, no_breaks
from siteplan.outline.curves import least_radii
from siteplan.outline.repair import repair
from siteplan.outline.rules import OutlineRules
from siteplan.outline.runs import build_runs
from siteplan.planar import edges, points_at

from .outlines import (
    Points,
    breaks,
    kidney,
    moved,
    polygon,
    random_bed,
    rectangle,
    rounded,
    shapes,
    stadium,
)

C, F, A, S = NodeKind.CORNER, NodeKind.FREE, NodeKind.ABUTTED, NodeKind.SEAM


def built(
    beds: Shapes, gaps: Breaks | None = None, rules: OutlineRules | None = None, *, offset_m: float = 0.0
) -> tuple[Runs, Unedged, tuple[Finding, ...]]:
    made = repair(beds)
    return build_runs(made.shapes, gaps or no_breaks(), rules, offset_m=offset_m, number=made.number)


def test_a_rectangle_is_a_closed_run_from_its_south_west_corner() -> None:
    for first in range(4):
        for step in (1, -1):
            runs, unedged, findings = built(shapes([np.roll(rectangle(4.0, 3.0), first, axis=0)[::step]]))
            assert runs.run_id.tolist() == ["B0-1"]
            assert runs.leg_id.tolist() == ["B0-1-1", "B0-1-2", "B0-1-3", "B0-1-4"]
            assert runs.length_m.tolist() == [4.0, 3.0, 4.0, 3.0]
            assert runs.xy[runs.offsets[:-1]].tolist() == rectangle(4.0, 3.0).tolist()
            assert runs.closed.all()
            assert runs.straight.all()
            assert set(runs.start_kind) == set(runs.far_kind) == {C}
            assert runs.far_turn_deg == pytest.approx([90.0] * 4)
            assert runs.start_turn_deg == pytest.approx([90.0] * 4)
            assert runs.corner_leg.tolist() == [0, 1, 2, 3]
            assert len(unedged.bed) == 0
            assert findings == ()


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.floats(0.0, 360.0), st.integers(0, 3), st.booleans(), st.floats(-500.0, 500.0))
def test_a_closed_run_starts_at_its_south_most_corner(
    heading: float, first: int, backwards: bool, shift: float
) -> None:
    xy = moved(rectangle(4.0, 3.0), heading, (shift, -shift))
    runs, _, _ = built(shapes([np.roll(xy[::-1] if backwards else xy, first, axis=0)]))
    assert runs.xy[0, 1] == pytest.approx(xy[:, 1].min(), abs=3e-6)


def test_a_smooth_bed_is_one_leg_with_a_seam_at_its_south_most_point() -> None:
    xy = kidney(60)
    want = shapely.LinearRing(xy).length
    for first in (0, 17, 43):
        runs, _, _ = built(shapes([np.roll(xy, first, axis=0)]))
        assert (runs.start_kind.tolist(), runs.far_kind.tolist()) == ([S], [S])
        assert runs.length_m[0] == pytest.approx(want, abs=1e-9)
        # Both lobes reach equally far south: it is the west one.
        low = xy[xy[:, 1] < xy[:, 1].min() + 1e-9]
        assert len(low) == 2
        assert runs.xy[0].tolist() == low[np.argmin(low[:, 0])].tolist() == runs.xy[-1].tolist()
        assert len(runs.corner_leg) == 0
        assert not runs.straight[0]
        # Curvature (r^2 + 2 r'^2 - r r'') / (r^2 + r'^2)^1.5 in polar form: the tightest place of the
        # lobes is near their middle, 1.92 m; the dent has 1.28 m at its deepest, more over half a metre.
        assert runs.left_radius_m[0] == pytest.approx(1.917, rel=0.01)
        assert 1.28 < runs.right_radius_m[0] < 1.6


def test_the_start_of_a_smooth_bed_with_a_level_south_edge_is_its_west_end() -> None:
    xy = stadium(6.0, 1.5, 24)
    added = np.insert(xy, 0, [1.0, -1.5], axis=0)
    for ring in (xy, added, xy[::-1]):
        runs, _, _ = built(shapes([ring]))
        assert runs.xy[0] == pytest.approx([-3.0, -1.5], abs=1e-9)


def test_an_l_has_one_inside_corner() -> None:
    xy = np.array([[0, 0], [6, 0], [6, 2], [3, 2], [3, 5], [0, 5]], dtype=np.float64)
    runs, _, _ = built(shapes([xy[::-1]]))
    assert np.round(runs.corner_turn_deg).tolist() == [90, 90, -90, 90, 90, 90]
    assert runs.length_m.tolist() == [6, 2, 3, 3, 3, 5]


def test_a_ring_with_an_island_is_two_runs_with_the_bed_on_the_left() -> None:
    rings = [rectangle(8.0, 6.0), moved(rectangle(2.0, 1.0), 0.0, (3.0, 3.0))]
    runs, _, _ = built(shapes(rings, [RingKind.OUTER, RingKind.ISLAND], [0, 0]))
    assert runs.run_id.tolist() == ["B0-1", "B0-2"]
    assert runs.ring.tolist() == [0, 1]
    assert np.sign(runs.corner_turn_deg).tolist() == [1] * 4 + [-1] * 4
    assert runs.length_m.sum() == 34.0


def test_a_rounded_off_rectangle_is_laid_to_where_its_legs_meet() -> None:
    runs, _, _ = built(shapes([rounded(6.0, 4.0, 0.25, 3)]))
    assert runs.length_m == pytest.approx([6.0, 4.0, 6.0, 4.0], abs=1e-9)
    assert runs.corner_turn_deg == pytest.approx([90.0] * 4, abs=1e-9)
    assert runs.corner_moved_m == pytest.approx([0.25 * (np.sqrt(2) - 1)] * 4, abs=1e-9)
    assert runs.straight.all()


def test_a_leg_that_is_nearly_straight_is_made_straight_and_says_how_far_it_moved() -> None:
    xy = np.array([[0, 0], [2, -0.015], [4, 0], [4, 1.5], [3.97, 2.0], [4, 2.5], [4, 3], [0, 3]])
    runs, _, _ = built(shapes([xy]))
    assert runs.straight.tolist() == [True, False, True, True]
    assert runs.straightened_m == pytest.approx([0.015, 0.0, 0.0, 0.0], abs=1e-12)
    assert runs.length_m[0] == 4.0
    exact, _, _ = built(shapes([xy]), rules=OutlineRules(straight_within_m=0.01))
    assert exact.straight.tolist() == [False, False, True, True]
    assert exact.length_m[0] == pytest.approx(2.0 * np.hypot(2.0, 0.015), abs=1e-12)


def test_breaks_make_open_runs_in_walking_order_from_the_start_point() -> None:
    # Stations of the rectangle: corners at 0, 4, 7 and 11, ring length 14.
    runs, unedged, _ = built(shapes([rectangle(4.0, 3.0)]), breaks([(0, 1.0, 2.0), (0, 8.0, 12.5)]))
    assert runs.run_id.tolist() == ["B0-1", "B0-2"]
    legs = np.split(runs.length_m, runs.leg_offsets[1:-1])
    assert [leg.tolist() for leg in legs] == [[2.0, 3.0, 1.0], [1.5, 1.0]]
    assert runs.start_kind.tolist() == [A, C, C, A, C]
    assert runs.far_kind.tolist() == [C, C, A, C, A]
    assert not runs.closed.any()
    assert unedged.length_m.tolist() == [1.0, 4.5]
    assert unedged.why.tolist() == ["abutment"] * 2
    assert unedged.other.tolist() == ["wall"] * 2
    assert unedged.xy[unedged.offsets[1] : unedged.offsets[2]].tolist() == [[3, 3], [0, 3], [0, 1.5]]


def test_a_break_may_straddle_the_first_vertex_and_kinds_of_ends_are_its_own() -> None:
    gaps = breaks([(0, 13.0, 15.0)])
    gaps = replace(gaps, start_end=np.array([NodeKind.TEE], np.int8), far_end=np.array([F], np.int8))
    runs, _, _ = built(shapes([rectangle(4.0, 3.0)]), gaps)
    assert runs.length_m.tolist() == [3.0, 3.0, 4.0, 2.0]
    assert runs.start_kind.tolist() == [F, C, C, C]
    assert runs.far_kind.tolist() == [C, C, C, NodeKind.TEE]


def test_a_ring_without_any_edging_has_no_run() -> None:
    runs, unedged, _ = built(shapes([rectangle(4.0, 3.0)]), breaks([(0, 0.0, 14.0)]))
    assert len(runs.run_id) == len(runs.leg_id) == len(runs.xy) == 0
    assert unedged.length_m.tolist() == [14.0]


def test_breaks_that_overlap_are_counted_once() -> None:
    runs, unedged, _ = built(
        shapes([rectangle(4.0, 3.0)]),
        breaks([(0, 1.0, 3.0), (0, 1.5, 2.0), (0, 2.5, 3.5), (0, 13.0, 15.5)]),
    )
    assert unedged.length_m.sum() == pytest.approx(2.0 + 2.5)
    assert runs.length_m.sum() == pytest.approx(14.0 - 4.5)


def test_an_open_line_keeps_its_direction_and_has_free_ends() -> None:
    line = np.array([[0.0, 0.0], [5.0, 0.0], [5.0, 3.0]])
    runs, _, _ = built(shapes([line], [RingKind.LINE]), breaks([(0, 2.0, 3.0)]))
    assert runs.run_id.tolist() == ["B0-1", "B0-2"]
    assert runs.start_kind.tolist() == [F, A, C]
    assert runs.far_kind.tolist() == [A, C, F]
    assert runs.length_m.tolist() == [2.0, 2.0, 3.0]


def test_micrometre_breaks_at_the_ends_of_a_line_set_its_ends() -> None:
    line = np.array([[0.0, 0.0], [5.0, 0.0]])
    gaps = breaks(
        [(0, 0.0, 1e-6), (0, 5.0 - 1e-6, 5.0)],
        start_xy=[[np.nan, np.nan], [5.25, 0.0]],
        far_xy=[[-0.1, 0.0], [np.nan, np.nan]],
    )
    runs, unedged, findings = built(shapes([line], [RingKind.LINE]), gaps)
    assert (runs.start_kind.tolist(), runs.far_kind.tolist()) == ([A], [A])
    assert runs.length_m == pytest.approx([5.35], abs=1e-9)
    assert len(unedged.bed) == 0
    assert findings == ()


@pytest.mark.parametrize("offset", [0.0, 0.1, -0.1])
@pytest.mark.parametrize("heading", [0.0, 37.0])
def test_a_leg_running_square_into_a_wall_is_laid_to_its_face(offset: float, heading: float) -> None:
    # The bed's north side lies 0.2 m short of a wall at y = 3.2: no edging there, the two legs
    # that run into the wall are edged up to its face.
    xy = moved(rectangle(4.0, 3.0), heading, (10.0, 20.0))
    face = moved(np.array([[4.0, 3.2], [0.0, 3.2]]), heading, (10.0, 20.0))
    gaps = breaks([(0, 7.0, 11.0)], start_xy=face[:1], far_xy=face[1:])
    runs, unedged, _ = built(shapes([xy]), gaps, offset_m=offset)
    assert runs.length_m == pytest.approx([3.2 + offset, 4.0 + 2 * offset, 3.2 + offset], abs=1e-9)
    assert runs.start_kind.tolist() == [A, C, C]
    assert unedged.length_m == pytest.approx([4.0])


def test_an_end_is_trimmed_back_past_vertices_of_a_curved_leg() -> None:
    xy = np.array([[0, 0], [4, 0], [4.0, 1.0], [3.9, 2.0], [3.9, 2.5], [0, 2.5]], dtype=np.float64)
    gaps = breaks([(0, 7.0, 8.0)], start_xy=[[3.0, 1.5]])
    runs, _, findings = built(shapes([xy]), gaps)
    ends = runs.xy[runs.offsets[1:] - 1]
    assert findings == ()
    assert np.hypot(*(ends[-1] - ends).T).min() == 0.0
    gaps = breaks([(0, 6.2, 8.0)], start_xy=[[3.0, 0.5]])
    runs, _, _ = built(shapes([xy]), gaps)
    assert runs.xy[-1] == pytest.approx([4.0, 0.5], abs=1e-9)


def test_an_end_that_would_swallow_its_leg_stays_and_is_found() -> None:
    gaps = breaks([(0, 6.0, 8.0)], start_xy=[[4.0, -5.0]])
    runs, _, findings = built(shapes([rectangle(4.0, 3.0)]), gaps)
    assert [(f.code, f.grade, f.bed) for f in findings] == [("end-not-moved", "error", "B0")]
    assert runs.length_m[-1] == 2.0


def test_a_stretch_too_short_to_edge_is_left_out_found_and_listed() -> None:
    gaps = breaks([(0, 1.0, 2.0), (0, 2.06, 3.0)])
    runs, unedged, findings = built(shapes([rectangle(4.0, 3.0)]), gaps)
    assert [f.code for f in findings] == ["short-stretch"]
    assert unedged.why.tolist() == ["abutment", "short", "abutment"]
    assert unedged.length_m.sum() + runs.length_m.sum() == pytest.approx(14.0)
    kept, _, findings = built(shapes([rectangle(4.0, 3.0)]), gaps, rules=OutlineRules(least_run_m=0.05))
    assert findings == ()
    assert len(kept.run_id) == 2


def test_a_break_on_a_rounded_off_rectangle_is_carried_to_its_legs() -> None:
    xy = rounded(6.0, 4.0, 0.25, 3)
    made = repair(shapes([xy])).shapes
    line = edges(made.xy, made.ring_offsets, np.array([True]))
    # From x = 2 to x = 3 on the north side, and a stretch that begins within a rounding.
    north = float(line.station[5])
    gaps = breaks(
        [(0, float(line.station[1]), float(line.station[2]) + 1.0), (0, north + 2.75, north + 3.75)]
    )
    runs, unedged, _ = build_runs(made, gaps)
    assert unedged.length_m == pytest.approx([1.25, 1.0], abs=1e-9)
    assert runs.length_m.sum() + unedged.length_m.sum() == pytest.approx(20.0, abs=1e-9)
    assert unedged.xy[unedged.offsets[1] :] == pytest.approx(np.array([[3.0, 4.0], [2.0, 4.0]]), abs=1e-9)


def test_part_of_a_curved_leg_that_is_straight_is_taken_as_straight() -> None:
    made = repair(shapes([stadium(6.0, 1.5, 24)])).shapes
    runs, _, _ = build_runs(made, breaks([(0, 0.0, 4.5)]))
    line = edges(made.xy, made.ring_offsets, np.array([True]))
    cap = float(line.station[24])
    runs, _, _ = build_runs(made, breaks([(0, 0.0, cap), (0, cap + 6.0, 2 * cap + 6.0)]))
    assert runs.straight.tolist() == [True, True]
    assert runs.length_m == pytest.approx([6.0, 6.0], abs=1e-9)


def test_named_corners_and_their_faults() -> None:
    beds = repair(shapes([kidney(60)]))
    runs, _, _ = build_runs(beds.shapes, no_breaks(), number=beds.number, overrides={("B0", 7): True})
    assert len(runs.corner_leg) == 1
    assert runs.corner_xy[0].tolist() == kidney(60)[6].tolist()
    assert (runs.start_kind.tolist(), runs.far_kind.tolist()) == ([C], [C])
    square = repair(shapes([rectangle(4.0, 3.0)]))
    runs, _, _ = build_runs(square.shapes, no_breaks(), overrides={("B0", 2): False, ("B0", 4): False})
    assert len(runs.corner_leg) == 2
    dotted = repair(shapes([[[0, 0], [2, 0], [4, 0], [4, 3]]]))
    _, _, found = build_runs(dotted.shapes, no_breaks(), number=dotted.number, overrides={("B0", 2): True})
    assert [(f.code, f.bed, f.vertex) for f in found] == [("override-unused", "B0", 2)]
    with pytest.raises(DataError, match='bed "B9"'):
        build_runs(square.shapes, no_breaks(), overrides={("B9", 1): True})


def test_ids_begin_with_the_given_bed_ids_and_count_per_bed() -> None:
    made = repair(shapes([rectangle(4.0, 3.0), kidney(40), rectangle(2.0, 2.0)]))
    ids = np.array(["north", "pond", "B07"], dtype=object)
    runs, _, _ = build_runs(made.shapes, breaks([(2, 1.0, 1.5), (2, 4.0, 5.0)]), bed_ids=ids)
    assert runs.run_id.tolist() == ["north-1", "pond-1", "B07-1", "B07-2"]
    assert runs.leg_id.tolist()[-2:] == ["B07-2-1", "B07-2-2"] or runs.leg_id.tolist()[-1] == "B07-2-3"


@pytest.mark.parametrize("radius", [0.6, 1.0, 2.5, 10.0])
@pytest.mark.parametrize("count", [10, 24, 60, 240])
def test_the_radius_of_a_traced_circle(radius: float, count: int) -> None:
    xy = polygon(count, radius)
    ring = np.concatenate([xy, xy[:1]])
    left, right = least_radii(ring, np.array([0, count + 1]), np.array([True]), 0.5)
    turn = 2.0 * np.pi / count
    assert radius * (1.0 - 1.02 * turn**2 / 24.0) <= left[0] <= radius
    assert right[0] == np.inf
    left, right = least_radii(ring[::-1], np.array([0, count + 1]), np.array([True]), 0.5)
    assert (left[0], right[0] <= radius) == (np.inf, True)


@pytest.mark.parametrize("radius", [0.6, 1.0, 2.5])
@pytest.mark.parametrize("lead", [0.0, 0.2, 5.0])
@pytest.mark.parametrize("count", [4, 12, 60])
def test_the_radius_of_an_arc_between_straight_edges(radius: float, lead: float, count: int) -> None:
    at = np.radians(np.linspace(0.0, 120.0, count + 1))
    arc = radius * np.stack([np.sin(at), 1.0 - np.cos(at)], axis=1)
    out = arc[-1] + lead * np.array([np.cos(at[-1]), np.sin(at[-1])])
    xy = np.concatenate([[[-lead, 0.0]], arc, [out]]) if lead else arc
    left, right = least_radii(xy, np.array([0, len(xy)]), np.array([False]), 0.5)
    turn = np.radians(120.0) / count
    assert radius * (1.0 - 1.02 * turn**2 / 24.0) <= left[0] <= radius * (1.0 + 1e-12)
    assert right[0] == np.inf


def test_a_kink_between_straight_edges_is_bent_over_the_stretch() -> None:
    a = np.radians(20.0)
    xy = np.array([[-5.0, 0.0], [0.0, 0.0], [5.0 * np.cos(a), -5.0 * np.sin(a)]])
    left, right = least_radii(xy, np.array([0, 3]), np.array([False]), 0.5)
    assert (left[0], right[0]) == (np.inf, pytest.approx(0.5 / a))


def many_beds(count: int, seed: int) -> tuple[list[Points], Breaks]:
    """Random beds, two in three with breaks."""
    rng = np.random.default_rng(seed)
    rings: list[Points] = []
    rows: list[tuple[int, float, float]] = []
    while len(rings) < count:
        xy = moved(random_bed(rng), float(rng.uniform(0, 360)), (float(rng.uniform(-900, 900)), 50.0))
        if not shapely.LinearRing(xy).is_simple:
            continue
        length = shapely.LinearRing(xy).length
        if len(rings) % 3:
            cuts = np.sort(rng.uniform(0.0, length, 2 * int(rng.integers(1, 4))))
            rows += [(len(rings), float(a), float(b)) for a, b in cuts.reshape(-1, 2)]
        rings.append(xy)
    return rings, breaks(rows)


def test_a_thousand_random_beds_add_up() -> None:
    rings, gaps = many_beds(1000, 99)
    made = repair(shapes(rings))
    exact = OutlineRules(straight_within_m=0.0, corner_stretch_m=1e-4, repeated_m=1e-6)
    runs, unedged, _ = build_runs(made.shapes, gaps, exact, number=made.number)
    length = np.array([shapely.LinearRing(ring).length for ring in rings])
    legs = np.bincount(runs.ring[runs.leg_run], weights=runs.length_m, minlength=1000)
    without = np.bincount(unedged.ring, weights=unedged.length_m, minlength=1000)
    # Single vertices as corners and no leg made straight: nothing of the outline is moved.
    assert runs.corner_moved_m.max() == 0.0
    assert np.abs(legs + without - length).max() < 1e-6
    check_tables(runs)


def test_a_thousand_random_beds_hold_together_with_corners_and_an_offset() -> None:
    rings, gaps = many_beds(1000, 7)
    made = repair(shapes(rings))
    for offset in (0.0, 0.02):
        good = np.ones(1000, dtype=np.bool_)
        try:
            runs, _, _ = build_runs(made.shapes, gaps, offset_m=offset, number=made.number)
        except DataError as error:
            good[[int(str(f.feature)[1:]) for f in error.faults]] = False
            assert good.sum() > 900
            runs, _, _ = build_runs(
                made.shapes, gaps, offset_m=np.where(good, offset, 0.0), number=made.number
            )
        check_tables(runs)


def check_tables(runs: Runs) -> None:
    """What must hold for any runs."""
    line = edges(runs.xy, runs.offsets, np.zeros(len(runs.leg_id), dtype=np.bool_))
    assert np.abs(line.part_length - runs.length_m).max() == 0.0
    assert (runs.length_m > 0.0).all()
    assert np.array_equal(runs.leg_run, np.repeat(np.arange(len(runs.run_id)), np.diff(runs.leg_offsets)))
    start, far = runs.xy[runs.offsets[:-1]], runs.xy[runs.offsets[1:] - 1]
    last = runs.leg_offsets[1:] - 1
    following = np.arange(1, len(runs.leg_id) + 1)
    following[last] = runs.leg_offsets[:-1]
    meets = np.ones(len(runs.leg_id), dtype=np.bool_)
    meets[last] = runs.closed
    # Legs that follow one another share their point, bit by bit; so do the ends of a closed run.
    assert np.array_equal(far[meets], start[following[meets]])
    arriving = np.flatnonzero(runs.far_kind == C)
    assert np.array_equal(arriving, runs.corner_leg)
    assert np.array_equal(runs.corner_xy, far[arriving])
    assert (runs.start_kind[following[arriving]] == C).all()
    assert np.array_equal(runs.start_turn_deg[following[arriving]], runs.corner_turn_deg)
    assert np.array_equal(runs.far_turn_deg[arriving], runs.corner_turn_deg)
    assert (runs.start_kind == C).sum() == len(arriving)
    assert np.isinf(runs.left_radius_m[runs.straight]).all()
    assert np.array_equal(runs.straight, np.diff(runs.offsets) == 2)
    assert len(set(runs.leg_id)) == len(runs.leg_id)


@settings(deadline=None, derandomize=True, max_examples=80)
@given(
    st.one_of(
        st.builds(random_bed, st.integers(0, 2**32 - 1).map(np.random.default_rng)),
        st.builds(rounded, st.just(6.0), st.just(4.0), st.floats(0.02, 0.3), st.integers(2, 6)),
        st.builds(kidney, st.integers(24, 60), st.floats(0.5, 1.5)),
    ),
    st.booleans(),
    st.integers(0, 100),
    st.floats(-1000.0, 1000.0),
    st.integers(0, 100),
    st.floats(0.2, 0.8),
)
def test_how_a_ring_is_drawn_changes_nothing(
    xy: Points, backwards: bool, first: int, shift: float, edge: int, share: float
) -> None:
    if not shapely.LinearRing(xy).is_simple:
        return
    edge %= len(xy)
    added = np.insert(xy, edge + 1, xy[edge] + share * (xy[(edge + 1) % len(xy)] - xy[edge]), axis=0)
    other = np.roll(added + [shift, 0.3 * shift], first, axis=0)
    one, _, _ = built(shapes([xy]))
    two, _, _ = built(shapes([other[::-1] if backwards else other]))
    assert one.length_m == pytest.approx(two.length_m, abs=1e-6)
    assert np.abs(one.corner_turn_deg - two.corner_turn_deg).max(initial=0.0) < 1e-4
    assert np.abs(two.xy[two.offsets[:-1]] - one.xy[one.offsets[:-1]] - [shift, 0.3 * shift]).max() < 1e-6


def test_beds_do_not_change_one_another() -> None:
    rings, _ = many_beds(60, 5)
    together, _, _ = built(shapes(rings))
    apart = [built(shapes([ring]))[0] for ring in rings]
    # Sums over all beds leave rounding in the 13th decimal; a micrometre is what the fit sees.
    assert together.length_m == pytest.approx(np.concatenate([r.length_m for r in apart]), abs=1e-11)


def test_points_at_the_ends_of_runs_are_where_the_breaks_say() -> None:
    rings, gaps = many_beds(30, 13)
    made = repair(shapes(rings)).shapes
    exact = OutlineRules(straight_within_m=0.0, corner_stretch_m=1e-4)
    runs, _, _ = build_runs(made, gaps, exact)
    closed = np.ones(30, dtype=np.bool_)
    marks = points_at(
        made.xy,
        made.ring_offsets,
        closed,
        np.concatenate([gaps.ring, gaps.ring]),
        np.concatenate([gaps.from_m, gaps.to_m]),
    )
    ends = runs.xy[
        np.concatenate([runs.offsets[:-1][runs.start_kind == A], runs.offsets[1:][runs.far_kind == A] - 1])
    ]
    away = np.hypot(*(ends[:, None, :] - marks[None, :, :]).transpose(2, 0, 1))
    assert away.min(axis=1).max() < 1e-6


def test_the_work_grows_with_the_number_of_beds() -> None:
    def seconds(count: int) -> float:
        rings = [kidney(48) + np.array([20.0 * k, 0.0]) for k in range(count)]
        best = np.inf
        for _ in range(3):
            start = time.process_time()
            built(shapes(rings), offset_m=0.05)
            best = min(best, time.process_time() - start)
        return best

    small, large = seconds(250), seconds(2000)
    assert large < 20.0 * small + 0.1
