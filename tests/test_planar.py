"""Plane geometry: closed forms, and shapely as a second path."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan import planar

from .outlines import moved, polygon, random_bed, rectangle

SQUARE_AND_LINE = np.concatenate([rectangle(4.0, 3.0), [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]])
OFFSETS = np.array([0, 4, 7])
CLOSED = np.array([True, False])


def test_edges_of_a_ring_and_a_line() -> None:
    line = planar.edges(SQUARE_AND_LINE, OFFSETS, CLOSED)
    assert line.part_length.tolist() == [14.0, 2.0]
    assert line.station.tolist() == [0, 4, 7, 11, 0, 1, 2]
    assert line.length.tolist() == [4, 3, 4, 3, 1, 1, 0]
    turn = np.degrees(planar.turns(line, OFFSETS, CLOSED))
    assert turn == pytest.approx([90, 90, 90, 90, 0, 90, 0])


def test_parts_as_lines_closed_where_they_are_rings() -> None:
    take, offsets = planar.closed_rings(OFFSETS, CLOSED)
    lines = planar.linestrings(SQUARE_AND_LINE[take], offsets)
    assert shapely.length(lines).tolist() == [14.0, 2.0]
    assert shapely.is_closed(lines).tolist() == [True, False]
    np.testing.assert_array_equal(shapely.get_coordinates(lines[1]), SQUARE_AND_LINE[4:])
    none = planar.linestrings(np.empty((0, 2)), np.zeros(1, dtype=np.int64))
    assert len(none) == 0


def test_lines_of_rings_leave_a_lone_vertex_out() -> None:
    xy = np.vstack([[[9.0, 9.0]], SQUARE_AND_LINE])
    lines = planar.ring_lines(xy, np.concatenate([[0], OFFSETS + 1]), np.concatenate([[True], CLOSED]))
    assert lines[0] is None
    assert shapely.length(lines[1:]).tolist() == [14.0, 2.0]
    assert shapely.is_closed(lines[1:]).tolist() == [True, False]


def test_area_far_from_the_origin_keeps_its_digits() -> None:
    xy = moved(rectangle(4.0, 3.0), 0.0, (500_000.0, 5_000_000.0))
    assert planar.signed_areas(xy, np.array([0, 4])) == pytest.approx([12.0], abs=1e-9)
    assert planar.signed_areas(xy[::-1], np.array([0, 4])) == pytest.approx([-12.0], abs=1e-9)


def test_empty_parts_have_no_length() -> None:
    offsets = np.array([0, 4, 4, 7])
    line = planar.edges(SQUARE_AND_LINE, offsets, np.array([True, True, False]))
    assert line.part_length.tolist() == [14.0, 0.0, 2.0]


@pytest.mark.parametrize(
    ("part", "station", "point"),
    [
        (0, 0.0, (0, 0)),
        (0, 5.0, (4, 1)),
        (0, 14.0, (0, 0)),
        (0, 15.0, (1, 0)),
        (0, -1.0, (0, 1)),
        (1, 1.5, (1, 0.5)),
        (1, 2.0, (1, 1)),
        (1, 9.0, (1, 1)),
        (1, -1.0, (0, 0)),
    ],
)
def test_point_at_station(part: int, station: float, point: tuple[float, float]) -> None:
    got = planar.points_at(SQUARE_AND_LINE, OFFSETS, CLOSED, np.array([part]), np.array([station]))
    assert got[0] == pytest.approx(point, abs=1e-12)


def test_points_agree_with_shapely_along_random_rings() -> None:
    rng = np.random.default_rng(5)
    for _ in range(50):
        xy = random_bed(rng)
        ring = shapely.LinearRing(xy)
        station = rng.uniform(0.0, ring.length, 20)
        got = planar.points_at(
            xy, np.array([0, len(xy)]), np.array([True]), np.zeros(20, dtype=np.int64), station
        )
        want = shapely.get_coordinates(shapely.line_interpolate_point(ring, station))
        assert np.abs(got - want).max() < 1e-9


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 0.999), st.floats(0.001, 1.0))
def test_a_slice_is_as_long_as_its_stations_say(seed: int, begin: float, share: float) -> None:
    xy = random_bed(np.random.default_rng(seed))
    offsets, closed = np.array([0, len(xy)]), np.array([True])
    line = planar.edges(xy, offsets, closed)
    total = float(line.part_length[0])
    index = planar.StationIndex.of(line, offsets, closed)
    start, stop = begin * total, begin * total + share * total
    cut = planar.slices(index, np.array([0]), np.array([start]), np.array([stop]))
    got = cut.of(xy, line)
    assert float(np.hypot(*np.diff(got, axis=0).T).sum()) == pytest.approx(stop - start, abs=1e-8)
    ends = planar.points_at(xy, offsets, closed, np.zeros(2, dtype=np.int64), np.array([start, stop]))
    assert np.abs(got[[0, -1]] - ends).max() < 1e-8


def test_a_slice_takes_the_corner_it_passes_once() -> None:
    line = planar.edges(SQUARE_AND_LINE, OFFSETS, CLOSED)
    index = planar.StationIndex.of(line, OFFSETS, CLOSED)
    cut = planar.slices(index, np.array([0, 0, 1]), np.array([13.0, 0.0, 0.5]), np.array([15.0, 14.0, 2.0]))
    got = np.split(cut.of(SQUARE_AND_LINE, line), cut.offsets[1:-1])
    assert got[0].tolist() == [[0, 1], [0, 0], [1, 0]]
    assert got[1].tolist() == [[0, 0], [4, 0], [4, 3], [0, 3], [0, 0]]
    assert got[2].tolist() == [[0.5, 0], [1, 0], [1, 1]]


def test_mitre_offset_of_a_ring_and_a_line() -> None:
    got = planar.mitre_offset(SQUARE_AND_LINE, OFFSETS, CLOSED, np.array([1.0, 0.5]))
    assert got[:4].tolist() == [[-1, -1], [5, -1], [5, 4], [-1, 4]]
    assert got[4:] == pytest.approx(np.array([[0, -0.5], [1.5, -0.5], [1.5, 1.0]]))


@pytest.mark.parametrize("offset", [0.3, -0.3])
def test_mitre_offset_is_shapelys_mitred_buffer(offset: float) -> None:
    xy = polygon(9, 4.0) * [1.0, 0.6]
    got = planar.mitre_offset(xy, np.array([0, 9]), np.array([True]), np.array([offset]))
    want = shapely.buffer(shapely.Polygon(xy), offset, join_style="mitre", mitre_limit=50.0)
    assert shapely.Polygon(got).symmetric_difference(want).area < 1e-9
    assert shapely.LinearRing(got).length == pytest.approx(want.exterior.length, abs=1e-9)


def test_lines_cross_where_they_should_and_parallels_do_not() -> None:
    half = np.sqrt(0.5)
    got = planar.line_crossings(
        np.zeros((2, 2)),
        np.array([[1.0, 0.0], [1.0, 0.0]]),
        np.array([[3.0, 2.0], [0.0, 1.0]]),
        np.array([[half, half], [1.0, 0.0]]),
    )
    assert got[0] == pytest.approx([1.0, 0.0])
    assert np.isnan(got[1]).all()
