"""Openings: gates, walks, ramps and boxes, drawn as polygons, lines or points."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry.base import BaseGeometry

from siteplan.model import NodeKind

from .break_shapes import Pairs, Sampled, assert_same, box, ring_points, rows, run

BED = ("A", box(0, 0, 10, 8))
FREE = int(NodeKind.FREE)


def gates(openings: Pairs, beds: Pairs = (BED,), **more: Any) -> list[tuple[int, float, float, str]]:
    """Ring, from, to and opening of every stretch in an opening, to a tenth of a micrometre."""
    _, breaks, findings = run(beds, (), openings, **more)
    assert not findings
    assert set(breaks.start_end) | set(breaks.far_end) <= {FREE}
    assert np.isnan(breaks.start_xy).all()
    assert np.isnan(breaks.far_xy).all()
    return [(r, round(a, 7), round(b, 7), o) for r, a, b, w, o in rows(breaks) if w == "opening"]


# --- polygons ---------------------------------------------------------------------------------------


def test_a_polygon_takes_the_part_of_the_outline_inside() -> None:
    assert gates([("G", box(2, -1, 3.2, 1))]) == [(0, 2.0, 3.2, "G")]


def test_a_walk_through_a_bed_takes_both_edges() -> None:
    assert gates([("G", box(2, -1, 3.2, 9))]) == [(0, 2.0, 3.2, "G"), (0, 24.8, 26.0, "G")]


def test_a_polygon_over_the_first_vertex() -> None:
    assert gates([("G", box(-1, -1, 1, 2))]) == [(0, 34.0, 37.0, "G")]


def test_a_polygon_over_the_whole_bed_leaves_no_run() -> None:
    assert gates([("G", box(-1, -1, 11, 9))]) == [(0, 0.0, 36.0, "G")]


def test_a_hole_in_a_polygon_is_not_inside() -> None:
    hollow = shapely.Polygon(box(1, -2, 9, 2).exterior.coords, [box(3, -1, 5, 1).exterior.coords])
    assert gates([("G", hollow)]) == [(0, 1.0, 3.0, "G"), (0, 5.0, 9.0, "G")]


@pytest.mark.parametrize("away", [-0.0009, 0.0, 0.0009])
def test_a_polygon_whose_side_lies_on_the_outline(away: float) -> None:
    """A ramp drawn up to the edge, a millimetre more or less."""
    assert gates([("G", box(2, -2, 3.2, -away))]) == [(0, 2.0, 3.2, "G")]


def test_a_polygon_over_an_island() -> None:
    bed = shapely.Polygon(BED[1].exterior.coords, [box(4, 3, 6, 5).exterior.coords])
    assert gates([("G", box(4.5, 2, 5.5, 4))], [("A", bed)]) == [(1, 6.5, 7.5, "G")]


# --- lines ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("away", [-0.4, 0.0, 0.3, 0.5])
def test_a_line_takes_the_stretch_between_the_projections_of_its_ends(away: float) -> None:
    line = shapely.LineString([(2, -away), (3.2, -away)])
    assert gates([("G", line)]) == [(0, 2.0, 3.2, "G")]
    assert gates([("G", line.reverse())]) == [(0, 2.0, 3.2, "G")]


def test_a_slanting_line_is_projected_on_the_outline() -> None:
    assert gates([("G", shapely.LineString([(2, -0.1), (3.2, -0.4)]))]) == [(0, 2.0, 3.2, "G")]
    # the far half is out of reach: only the part within 0.5 m counts
    assert gates([("G", shapely.LineString([(2, -0.3), (4, -0.7)]))]) == [(0, 2.0, 3.0, "G")]


def test_a_line_round_a_corner_of_the_bed() -> None:
    outside = shapely.LineString([(8.5, -0.2), (10.2, -0.2), (10.2, 1.5)])
    assert gates([("G", outside)]) == [(0, 8.5, 11.5, "G")]
    notch = shapely.Polygon([(0, 0), (4, 0), (4, 4), (8, 4), (8, 8), (0, 8)])
    inside = shapely.LineString([(4.2, 2), (4.2, 3.8), (6, 3.8)])
    assert gates([("G", inside)], [("A", notch)]) == [(0, 6.0, 10.0, "G")]


def test_a_line_belongs_to_the_near_side_of_a_narrow_bed() -> None:
    assert gates([("G", shapely.LineString([(2, -0.1), (3, -0.1)]))], [("A", box(0, 0, 10, 0.35))]) == [
        (0, 2.0, 3.0, "G")
    ]


def test_a_line_across_an_edge_needs_a_width() -> None:
    line = shapely.LineString([(2, -1), (2, 1)])
    _, breaks, findings = run([BED], (), [("G", line)])
    assert len(breaks) == 0
    assert [(f.code, f.grade) for f in findings] == [("opening-nowhere", "error")]
    assert '"G"' in findings[0].text
    assert gates([("G", line)], opening_width_m=np.array([1.2])) == [(0, 1.4, 2.6, "G")]
    through = shapely.LineString([(2, -1), (2, 9)])
    assert gates([("G", through)], opening_width_m=np.array([1.2])) == [
        (0, 1.4, 2.6, "G"),
        (0, 25.4, 26.6, "G"),
    ]


# --- points ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("away", [-0.3, 0.0, 0.5])
def test_a_point_takes_its_width_centred_at_its_projection(away: float) -> None:
    assert gates([("G", shapely.Point(4, -away))], opening_width_m=np.array([0.6])) == [(0, 3.7, 4.3, "G")]


def test_a_point_at_the_first_vertex_and_a_width_beyond_the_ring() -> None:
    assert gates([("G", shapely.Point(0, 0))], opening_width_m=np.array([1.0])) == [(0, 35.5, 36.5, "G")]
    assert gates([("G", shapely.Point(4, 0))], opening_width_m=np.array([40.0])) == [(0, 0.0, 36.0, "G")]


def test_a_point_near_the_end_of_a_line_is_held_to_the_line() -> None:
    line = ("A", shapely.LineString([(0, 0), (10, 0)]))
    width = np.array([1.0])
    assert gates([("G", shapely.Point(9.8, 0.1))], [line], opening_width_m=width) == [(0, 9.3, 10.0, "G")]
    assert gates([("G", shapely.Point(-0.2, 0.1))], [line], opening_width_m=width) == [(0, 0.0, 0.5, "G")]


def test_several_points_of_one_opening() -> None:
    points = shapely.MultiPoint([(2, 0), (7, 0.1)])
    assert gates([("G", points)], opening_width_m=np.array([1.0])) == [(0, 1.5, 2.5, "G"), (0, 6.5, 7.5, "G")]


@pytest.mark.parametrize("width", [None, np.array([np.nan]), np.array([0.0])])
def test_a_point_without_a_width_is_a_finding(width: np.ndarray | None) -> None:
    _, breaks, findings = run([BED], (), [("G", shapely.Point(4, 0))], opening_width_m=width)
    assert len(breaks) == 0
    assert [(f.code, f.grade) for f in findings] == [("opening-without-width", "error")]


# --- which bed ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shape", "width"),
    [
        (box(50, 50, 51, 51), np.nan),
        (box(2, 2, 3, 3), np.nan),  # inside the bed, off its edge
        (shapely.LineString([(2, -0.51), (4, -0.51)]), np.nan),
        (shapely.Point(2, -0.51), 1.0),
    ],
)
def test_an_opening_that_touches_no_outline_is_a_finding(shape: BaseGeometry, width: float) -> None:
    _, breaks, findings = run([BED], (), [("far gate", shape)], opening_width_m=np.array([width]))
    assert len(breaks) == 0
    assert [(f.code, f.grade) for f in findings] == [("opening-nowhere", "error")]
    assert '"far gate"' in findings[0].text
    assert "Where does it belong?" in findings[0].text


@pytest.mark.parametrize(
    ("shape", "width"),
    [
        (box(4, 7, 5.2, 9), np.nan),
        (shapely.LineString([(4, 8.01), (5.2, 8.01)]), np.nan),
        (shapely.Point(4.6, 8.01), 1.2),
    ],
)
def test_an_opening_on_the_edges_of_two_beds_applies_to_both(shape: BaseGeometry, width: float) -> None:
    beds = [BED, ("B", box(0, 8.02, 10, 12))]
    _, breaks, findings = run(beds, (), [("G", shape)], opening_width_m=np.array([width]))
    assert not findings
    assert [(r, w) for r, _, _, w, _ in rows(breaks)] == [
        (0, "opening"), (1, "shared"), (1, "opening"), (1, "shared"),
    ]  # fmt: skip
    found = [r[1:3] for r in rows(breaks) if r[3] == "opening"]
    np.testing.assert_allclose(found, [[22.8, 24.0], [4.0, 5.2]], atol=1e-9)


def test_openings_that_overlap_take_their_union() -> None:
    assert gates([("G", box(2, -1, 4, 1)), ("H", box(3, -1, 5, 1))]) == [
        (0, 2.0, 4.0, "G"),
        (0, 4.0, 5.0, "H"),
    ]


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_polygons_against_every_millimetre(seed: int) -> None:
    """Each millimetre of a round bed: inside the polygon (shapely's own test) or not."""
    rng = np.random.default_rng(seed)
    bed = shapely.affinity.rotate(
        box(0, 0, *rng.uniform(2, 5, 2)).buffer(rng.uniform(0, 1), quad_segs=3), rng.uniform(0, 360)
    )
    gate = shapely.MultiPoint(np.asarray(bed.exterior.coords[0]) + rng.normal(0, 1.5, (6, 2))).convex_hull
    beds, breaks, _ = run([("A", bed)], (), [("G", gate)])
    look = Sampled(beds, 0)
    mask = shapely.contains_xy(gate, look.xy)
    # gaps too short to edge are closed in the table
    for first, n in look.gaps(mask):
        if n * look.step < 0.05:
            mask[(first + np.arange(n)) % len(mask)] = True
    assert_same(look, mask, breaks.from_m, breaks.to_m)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_points_against_the_nearest_point(seed: int) -> None:
    """The middle of a point's opening is where shapely finds the outline nearest."""
    rng = np.random.default_rng(seed)
    bed = shapely.affinity.rotate(box(0, 0, *rng.uniform(3, 5, 2)), rng.uniform(0, 360))
    beds, _, _ = run([("A", bed)])
    ring = shapely.LinearRing(ring_points(beds, 0))
    station = rng.uniform(0, ring.length)
    here = np.asarray(ring.interpolate(station).coords[0]) + rng.normal(0, 0.1, 2)
    if shapely.Point(here).distance(ring) > 0.49:
        return
    width = rng.uniform(0.2, 2.0)
    _, breaks, _ = run([("A", bed)], (), [("G", shapely.Point(here))], opening_width_m=np.array([width]))
    middle = ring.interpolate(((breaks.from_m[0] + breaks.to_m[0]) / 2) % ring.length)
    assert breaks.to_m[0] - breaks.from_m[0] == pytest.approx(width, abs=1e-9)
    assert middle.distance(shapely.Point(here)) == pytest.approx(ring.distance(shapely.Point(here)), abs=1e-6)
