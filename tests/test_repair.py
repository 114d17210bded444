"""Repair of outlines."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, UsageError
from siteplan.model import RingKind
from siteplan.outline.repair import repair
from siteplan.outline.rules import OutlineRules
from siteplan.planar import edges, signed_areas

from .outlines import kidney, moved, polygon, random_bed, rectangle, shapes


def test_outer_rings_and_islands_get_the_bed_on_the_left() -> None:
    outer, island = rectangle(6.0, 5.0), moved(rectangle(1.0, 1.0), 0.0, (2.0, 2.0))
    for a in (1, -1):
        for b in (1, -1):
            made = repair(shapes([outer[::a], island[::b]], [RingKind.OUTER, RingKind.ISLAND], [0, 0]))
            areas = signed_areas(made.shapes.xy, made.shapes.ring_offsets)
            assert areas == pytest.approx([30.0, -1.0])


def test_a_line_with_the_bed_on_its_right_is_walked_backwards() -> None:
    line = [[0.0, 0.0], [1.0, 0.0], [1.0, 2.0]]
    side = np.array(["left", "right"], dtype=object)
    made = repair(shapes([line, line], [RingKind.LINE] * 2), bed_side=side)
    assert made.shapes.xy[:3].tolist() == line
    assert made.shapes.xy[3:].tolist() == line[::-1]
    assert made.number.tolist() == [1, 2, 3, 3, 2, 1]
    assert made.source.tolist() == [0, 1, 2, 5, 4, 3]


def test_an_unknown_side_is_refused() -> None:
    with pytest.raises(UsageError, match='bed_side "west"'):
        repair(shapes([rectangle(1.0, 1.0)]), bed_side=np.array(["west"], dtype=object))


def test_repeated_collinear_and_spike_vertices_go_and_the_rest_keeps_its_numbers() -> None:
    drawn = [[0, 0], [1, 0], [2, 0], [4, 0], [4, 0], [4, 3], [4, 5], [4, 3], [0, 3], [0, 3.0005]]
    made = repair(shapes([np.array(drawn)]))
    assert made.shapes.xy.tolist() == [[0, 0], [4, 0], [4, 3], [0, 3]]
    assert made.number.tolist() == [1, 4, 6, 9]
    found = {f.code: f for f in made.findings}
    assert set(found) == {"repeated-vertex", "spike", "collinear-vertex"}
    assert found["spike"].vertex == 7
    assert found["spike"].bed == "B0"
    assert found["repeated-vertex"].text.startswith("3 repeated vertices")
    assert "in all 2" in found["collinear-vertex"].text


def test_a_clean_outline_comes_back_as_it_was_without_findings() -> None:
    made = repair(shapes([rectangle(4.0, 3.0), kidney(48)]))
    assert made.findings == ()
    assert np.array_equal(made.shapes.xy[:4], rectangle(4.0, 3.0))
    assert len(made.source) == 52


def test_a_densely_drawn_edge_collapses_and_a_fine_curve_stays() -> None:
    dense = np.stack([np.linspace(0.0, 5.0, 1001), np.zeros(1001)], axis=1)
    made = repair(shapes([np.concatenate([dense, [[5.0, 3.0], [0.0, 3.0]]]), polygon(2000, 20.0)]))
    assert np.diff(made.shapes.ring_offsets).tolist() == [4, 2000]


def test_a_spike_on_a_spike_goes_too() -> None:
    drawn = [[0, 0], [4, 0], [4, 3], [2, 3], [2, 6], [3, 6], [2, 6], [2, 3], [0, 3]]
    made = repair(shapes([np.array(drawn)]))
    assert made.shapes.xy.tolist() == [[0, 0], [4, 0], [4, 3], [0, 3]]
    assert sum(f.code == "spike" for f in made.findings) == 2


def test_a_narrow_finger_is_no_spike() -> None:
    finger: list[list[float]] = [[0, 0], [4, 0], [4, 3], [2.01, 3], [2.01, 6], [2, 6], [2, 3], [0, 3]]
    assert len(repair(shapes([finger])).source) == 8


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.floats(0.01, 0.99), max_size=6),
    st.floats(0.0, 360.0),
    st.booleans(),
)
def test_length_is_kept_within_a_micrometre(
    seed: int, added: list[float], heading: float, backwards: bool
) -> None:
    rng = np.random.default_rng(seed)
    xy = moved(random_bed(rng), heading, (1234.5, -678.9))
    length = shapely.LinearRing(xy).length
    for share in added:
        k = int(rng.integers(len(xy)))
        xy = np.insert(xy, k + 1, xy[k] + share * (xy[(k + 1) % len(xy)] - xy[k]), axis=0)
    made = repair(shapes([xy[::-1] if backwards else xy]), OutlineRules(repeated_m=1e-6)).shapes
    line = edges(made.xy, made.ring_offsets, np.array([True]))
    assert line.part_length[0] == pytest.approx(length, abs=1e-6)
    assert signed_areas(made.xy, made.ring_offsets)[0] > 0.0


def test_bow_ties_are_refused_with_the_crossing_point_all_at_once() -> None:
    bow = np.array([[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]])
    touching = [[0, 0], [2, 0], [2, 2], [1, 0], [0, 1]]
    loop = [[0, 0], [3, 0], [3, 2], [1, 2], [1, -1]]
    kinds = [RingKind.OUTER, RingKind.OUTER, RingKind.OUTER, RingKind.LINE]
    with pytest.raises(DataError) as caught:
        repair(shapes([rectangle(1.0, 1.0), bow + 10.0, touching, loop], kinds))
    faults = caught.value.faults
    assert [(f.feature, f.vertex, f.code) for f in faults] == [
        ("B1", 1, "self-crossing"),
        ("B2", 1, "self-crossing"),
        ("B3", 1, "self-crossing"),
    ]
    assert "x 11.000 m, y 11.000 m" in faults[0].what
    assert "x 1.000 m, y 0.000 m" in faults[1].what
    assert "x 1.000 m, y 0.000 m" in faults[2].what


def test_the_crossing_is_named_by_the_vertex_as_drawn() -> None:
    bow = [[0, 0], [0, 0], [0, 4], [1, 4], [2, 2], [2, 4], [1, 1.5]]
    with pytest.raises(DataError) as caught:
        repair(shapes([np.array(bow[::-1])]))
    assert caught.value.faults[0].vertex == 1
    assert "x 1.556 m, y 2.889 m" in caught.value.faults[0].what


@pytest.mark.parametrize(
    ("drawn", "kind", "code"),
    [
        ([[0, 0], [1, 0], [0, 0]], RingKind.OUTER, "no-area"),
        ([[0, 0], [1, 0], [2, 0]], RingKind.OUTER, "no-area"),
        ([[1, 1], [1, 1]], RingKind.LINE, "no-length"),
    ],
)
def test_outlines_with_nothing_left_are_refused(drawn: list[list[float]], kind: RingKind, code: str) -> None:
    with pytest.raises(DataError) as caught:
        repair(shapes([drawn], [kind]))
    assert [f.code for f in caught.value.faults] == [code]


@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_settings_must_be_lengths(value: float) -> None:
    with pytest.raises(UsageError, match="collinear_m"):
        OutlineRules(collinear_m=value)


def test_a_corner_of_nothing_or_of_a_half_turn_is_refused() -> None:
    for value in (0.0, 180.0):
        with pytest.raises(UsageError, match="corner_turn_deg"):
            OutlineRules(corner_turn_deg=value)
