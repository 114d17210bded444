"""Edges of two beds that run alongside are edged once."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
import shapely.ops
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely.geometry.base import BaseGeometry

from siteplan.model import NodeKind, RingKind
from siteplan.outline.breaks import BreakRules, natural_rank
from siteplan.outline.edges import edges_of
from siteplan.outline.shared import owners, shared

from .break_shapes import RULES, Pairs, assert_same, at, box, ring_line, rows, run, shapes, slow_shared

TEE = int(NodeKind.TEE)
WALL = box(-5, -3, 20, 0)


def stretches(beds: Pairs, **more: Any) -> list[tuple[str, str, float]]:
    """Bed, owner and length of every shared stretch."""
    of_beds, breaks, _ = run(beds, **more)
    return [
        (str(of_beds.ids[of_beds.ring_feature[r]]), o, round(b - a, 9))
        for r, a, b, w, o in rows(breaks)
        if w == "shared"
    ]


@pytest.mark.parametrize("apart", [-0.03, 0.0, 0.03, 0.05])
def test_two_beds_side_by_side(apart: float) -> None:
    """The second bed's run ends at the owner's outline, at a tee, on both sides."""
    beds, breaks, findings = run([("A", box(0, 0, 5, 4)), ("B", box(5 + apart, 0, 9, 4))])
    assert not findings
    assert breaks.other.tolist() == ["A"]
    assert breaks.ring.tolist() == [1]
    assert (breaks.start_end[0], breaks.far_end[0]) == (TEE, TEE)
    points = [
        at(beds, 1, station[0]) if np.isnan(xy[0]).any() else xy[0]
        for xy, station in ((breaks.start_xy, breaks.from_m), (breaks.far_xy, breaks.to_m))
    ]
    np.testing.assert_allclose(points, [[5, 4], [5, 0]], atol=1e-9)


def test_beds_farther_apart_are_edged_both() -> None:
    assert stretches([("A", box(0, 0, 5, 4)), ("B", box(5.051, 0, 9, 4))]) == []


def test_slightly_different_tracing_leaves_no_bits() -> None:
    """Corners 2 to 4 cm off each other, extra vertices: still one edge, corner to corner."""
    second = shapely.Polygon([(5.03, 0.02), (9, 0.02), (9, 4.03), (5.04, 4.03), (5.0, 2.2), (5.02, 1.1)])
    beds, breaks, _ = run([("A", box(0, 0, 5, 4)), ("B", second)])
    assert len(breaks) == 1
    np.testing.assert_allclose(at(beds, 1, breaks.from_m[0]), [5.04, 4.03], atol=1e-9)
    np.testing.assert_allclose(breaks.start_xy[0], [5, 4.03], atol=1e-9)
    np.testing.assert_allclose(breaks.far_xy[0], [5, 0.02], atol=1e-9)


def test_the_first_id_in_natural_order_owns_whichever_is_drawn_first() -> None:
    two, ten = ("bed 2", box(0, 0, 5, 4)), ("bed 10", box(5, 0, 9, 4))
    expected = [("bed 10", "bed 2", 4.0)]
    assert stretches([two, ten]) == expected
    assert stretches([ten, two]) == expected


def test_priority_goes_before_the_id_and_edge_owner_before_both() -> None:
    beds = [("A", box(0, 0, 5, 4)), ("B", box(5, 0, 9, 4)), ("C", box(9, 0, 12, 4))]
    assert stretches(beds) == [("B", "A", 4.0), ("C", "B", 4.0)]
    assert stretches(beds, priority=np.array([0, 1, 0])) == [("A", "B", 4.0), ("C", "B", 4.0)]
    assert stretches(beds, priority=np.array([0, 1, 2])) == [("A", "B", 4.0), ("B", "C", 4.0)]
    pairs = np.array([[0, 1, 1], [2, 1, 1]])
    assert stretches(beds, edge_owner=pairs) == [("A", "B", 4.0), ("C", "B", 4.0)]
    assert stretches(beds, edge_owner=pairs[:1], priority=np.array([5, 0, 9])) == [
        ("A", "B", 4.0),
        ("B", "C", 4.0),
    ]


def test_two_owners_for_one_pair_are_a_finding() -> None:
    beds = [("A", box(0, 0, 5, 4)), ("B", box(5, 0, 9, 4))]
    _, breaks, findings = run(beds, edge_owner=np.array([[0, 1, 1], [1, 0, 0]]))
    assert [f.code for f in findings] == ["edge-owner-twice"]
    assert breaks.other.tolist() == ["B"]
    _, _, findings = run(beds, edge_owner=np.array([[0, 1, 1], [1, 0, 1]]))
    assert findings == ()


def test_staggered_beds_share_only_what_they_share() -> None:
    beds, breaks, _ = run([("A", box(0, 0, 5, 4)), ("B", box(5, 1.5, 9, 8))])
    assert len(breaks) == 1
    np.testing.assert_allclose(at(beds, 1, breaks.from_m[0]), [5, 4], atol=1e-9)
    np.testing.assert_allclose(at(beds, 1, breaks.to_m[0]), [5, 1.5], atol=1e-9)
    # longer owner: the other bed's whole side
    assert stretches([("A", box(0, 0, 5, 9)), ("B", box(5, 1.5, 9, 8))]) == [("B", "A", 6.5)]


@pytest.mark.parametrize("apart", [-0.04, 0.0, 0.04])
def test_an_island_filled_by_another_bed(apart: float) -> None:
    outer = shapely.Polygon(box(0, 0, 9, 9).exterior.coords, [box(3, 3, 5, 6).exterior.coords])
    plug = box(3 + apart, 3 + apart, 5 - apart, 6 - apart)
    assert stretches([("A", outer), ("B", plug)]) == [("B", "A", round(plug.length, 9))]
    # owned by the plug, the island has no run
    assert stretches([("A", outer), ("B", plug)], priority=np.array([0, 1])) == [("A", "B", 10.0)]


def test_three_beds_meet_at_a_point() -> None:
    beds = [("A", box(0, 0, 5, 8)), ("B", box(5, 4, 9, 8)), ("C", box(5, 0, 9, 4))]
    _, breaks, _ = run(beds)
    assert stretches(beds) == [("B", "A", 4.0), ("C", "B", 4.0), ("C", "A", 4.0)]
    # the last bed's two stretches meet at its corner, so no run ends there
    assert breaks.ring.tolist() == [1, 2, 2]
    assert breaks.to_m[1] == pytest.approx(breaks.from_m[2])
    # the other way round: the large bed's side is two other beds', and no bit is left between them
    assert stretches(beds, priority=np.array([0, 1, 2])) == [
        ("A", "C", 4.0),
        ("A", "B", 4.0),
        ("B", "C", 4.0),
    ]
    apart = [beds[0], ("B", box(5, 4.03, 9, 8)), ("C", box(5, 0, 9, 3.97))]
    _, breaks, _ = run(apart, priority=np.array([0, 1, 2]))
    assert breaks.other.tolist() == ["C", "B"]
    assert breaks.to_m[0] == pytest.approx(breaks.from_m[1])


def test_a_row_of_beds_is_edged_once() -> None:
    """Ten beds in a row: nine shared edges, each taken off one bed."""
    row = [(f"B{i}", box(3.0 * i, 0, 3.0 * i + 3, 4)) for i in range(10)]
    assert stretches(row) == [(f"B{i + 1}", f"B{i}", 4.0) for i in range(9)]
    of_beds, breaks, _ = run(row)
    edged = edges_of(of_beds).ring_length_m.sum() - (breaks.to_m - breaks.from_m).sum()
    assert edged == pytest.approx(shapely.union_all(shapely.boundary([b for _, b in row])).length)


def test_an_edge_shared_and_alongside_a_wall_is_the_walls() -> None:
    beds = [("A", box(0, 0.1, 5, 4)), ("B", box(5.03, 0.08, 9, 4.02))]
    wall_between = ("P", shapely.LineString([(5.01, -1), (5.01, 9)]))
    _, breaks, _ = run(beds, [wall_between])
    assert set(breaks.why) == {"abutment"}
    assert sorted(breaks.ring) == [0, 1]
    # a wall along the front of both: the shared edge goes into it and no bit is left at the corner
    _, breaks, _ = run(beds, [("W", WALL)])
    assert breaks.why.tolist() == ["abutment", "abutment", "shared"]
    length = 2 * (3.97 + 3.94)
    assert breaks.to_m[2] == pytest.approx(length)
    assert breaks.from_m[1] == pytest.approx(0, abs=1e-12)
    np.testing.assert_allclose(breaks.far_xy[0], [5, 0], atol=1e-9)  # the owner's leg goes to the face


def test_corners_that_only_touch_share_nothing() -> None:
    assert stretches([("A", box(0, 0, 5, 4)), ("B", box(5, 4, 9, 8))]) == []
    assert stretches([("A", box(0, 0, 5, 4)), ("B", box(4.97, 3.97, 9, 8))]) == []


def test_a_line_along_a_bed_is_shared_walked_either_way() -> None:
    line = shapely.LineString([(1, 0), (4, 0)])
    for drawn in (line, line.reverse()):
        assert stretches([("A", box(0, 0, 5, 4)), ("L", drawn)]) == [("L", "A", 3.0)]


def test_a_line_that_ends_at_a_bed_butts_it() -> None:
    _, breaks, _ = run([("A", box(0, 0, 5, 4)), ("L", shapely.LineString([(9, 2), (5.04, 2)]))])
    assert breaks.ring.tolist() == [1]
    assert breaks.start_end[0] == TEE
    assert breaks.other[0] == "A"
    np.testing.assert_allclose(breaks.start_xy[0], [5, 2], atol=1e-9)
    assert breaks.to_m[0] == pytest.approx(3.96)
    assert breaks.to_m[0] - breaks.from_m[0] == pytest.approx(1e-6)
    _, breaks, _ = run([("A", box(0, 0, 5, 4)), ("L", shapely.LineString([(4.96, 2), (9, 2)]))])
    assert (breaks.from_m[0], breaks.far_end[0]) == (0, TEE)
    assert breaks.to_m[0] == pytest.approx(0.04)


def test_beds_that_overlap_deeper_than_the_tolerance_are_a_finding() -> None:
    _, _, findings = run(
        [("A", box(0, 0, 5, 8)), ("B", box(4, 4, 9, 8)), ("C", box(20, 0, 30, 9)), ("D", box(22, 2, 24, 4))]
    )
    assert [(f.code, f.grade, f.bed) for f in findings] == [
        ("beds-overlap", "error", "A"),
        ("beds-overlap", "error", "C"),
    ]
    assert "4.00 m2" in findings[0].text
    assert "4.00 m2" in findings[1].text
    _, _, findings = run([("A", box(0, 0, 5, 8)), ("B", box(4.96, 0, 9, 8))])
    assert findings == ()
    _, _, findings = run([("A", box(0, 0, 5, 8)), ("B", box(4.94, 0, 9, 8))])
    assert len(findings) == 1


def test_wider_tolerance() -> None:
    beds = [("A", box(0, 0, 5, 4)), ("B", box(5.2, 0, 9, 4))]
    assert stretches(beds) == []
    assert stretches(beds, rules=BreakRules(shared_within_m=0.2)) == [("B", "A", 4.0)]


def pieces(rng: np.random.Generator) -> list[tuple[str, BaseGeometry]]:
    """A block cut into beds by random lines, each traced on its own: a few cm off."""
    parts = [box(0, 0, *rng.uniform(4, 8, 2))]
    for _ in range(rng.integers(1, 4)):
        angle = rng.uniform(0, np.pi)
        middle = np.array(parts[0].centroid.coords[0]) + rng.uniform(-1, 1, 2)
        way = 20 * np.array([np.cos(angle), np.sin(angle)])
        knife = shapely.LineString([middle - way, middle + way])
        parts = [p for q in parts for p in shapely.get_parts(shapely.ops.split(q, knife))]
    noise = rng.choice([0.0, 0.01, 0.03])
    beds = []
    for number, part in enumerate(parts):
        coords = np.asarray(part.exterior.coords)[:-1]
        beds.append((f"B{number}", shapely.Polygon(coords + rng.normal(0, noise, coords.shape))))
    return [(n, p) for n, p in beds if p.is_valid and p.area > 0.5]


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_shared_against_every_millimetre(seed: int) -> None:
    """Each millimetre of each outline against every edge of the beds that own."""
    beds = pieces(np.random.default_rng(seed))
    assume(len(beds) > 1)
    part = shapes(beds)
    edges = edges_of(part)
    rank = natural_rank(part.ids)
    who, _ = owners(rank, np.zeros(len(beds)), np.empty((0, 3), dtype=np.int64), part.ids)
    found = shared(
        edges, part.ring_kind == RingKind.LINE, who,
        within_m=RULES.shared_within_m, angle_deg=RULES.abut_angle_deg,
    )  # fmt: skip
    for ring in range(len(beds)):
        look, mask, unsure = slow_shared(part, ring, {b for b in range(len(beds)) if rank[b] < rank[ring]})
        if not unsure:
            mine = found.ring == ring
            assert_same(look, mask, found.from_m[mine], found.to_m[mine])


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_order_start_vertex_and_position_change_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    beds = pieces(rng)
    assume(len(beds) > 1)

    def moved(g: BaseGeometry, by: float) -> BaseGeometry:
        coords = np.roll(shapely.get_coordinates(g)[:-1], int(rng.integers(4)), axis=0)
        return shapely.Polygon(coords + by)

    def lengths(items: Pairs) -> dict[tuple[str, str], float]:
        part, breaks, _ = run(items)
        total: dict[tuple[str, str], float] = {}
        for ring, low, high, _, other in rows(breaks):
            key = (str(part.ids[part.ring_feature[ring]]), other)
            total[key] = total.get(key, 0.0) + high - low
        return total

    expected = lengths(beds)
    again = lengths([(n, moved(p, 1000.0)) for n, p in beds][::-1])
    assert expected.keys() == again.keys()
    for key, value in expected.items():
        assert again[key] == pytest.approx(value, abs=1e-6)


def test_a_grid_of_beds_is_edged_as_long_as_its_lines() -> None:
    """Closed form: a block of 6 x 5 squares of 5 m has (6 x 6 + 7 x 5) x 5 m of lines."""
    beds = [(f"B{i}", box(5 * (i % 6), 5 * (i // 6), 5 * (i % 6) + 5, 5 * (i // 6) + 5)) for i in range(30)]
    part, breaks, findings = run(beds)
    assert findings == ()
    edged = sum(ring_line(part, r).length for r in range(30)) - (breaks.to_m - breaks.from_m).sum()
    assert edged == pytest.approx((6 * 6 + 7 * 5) * 5)
