"""The laying line: mitred offsets of the outline."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from siteplan.errors import DataError
from siteplan.model import RingKind, Runs
from siteplan.outline.breaks_table import no_breaks
from siteplan.outline.repair import repair
from siteplan.outline.rules import OutlineRules
from siteplan.outline.runs import build_runs

from .outlines import Points, breaks, kidney, moved, polygon, random_bed, rectangle, shapes, stadium

AS_TRACED = OutlineRules(straight_within_m=0.0)


def laid(*rings: Points, offset: float, kinds: list[RingKind] | None = None) -> Runs:
    made = repair(shapes(rings, kinds))
    return build_runs(made.shapes, no_breaks(), AS_TRACED, offset_m=offset, number=made.number)[0]


@pytest.mark.parametrize("offset", [0.15, 0.3, -0.3])
def test_a_rectangle_changes_by_eight_offsets(offset: float) -> None:
    runs = laid(moved(rectangle(6.0, 4.0), 33.0, (1000.0, 500.0)), offset=offset)
    assert runs.length_m.sum() == pytest.approx(20.0 + 8.0 * offset, abs=1e-9)
    assert sorted(runs.length_m) == pytest.approx(sorted([6 + 2 * offset, 4 + 2 * offset] * 2), abs=1e-9)


@pytest.mark.parametrize("count", [12, 24, 60, 240])
@pytest.mark.parametrize("offset", [0.2, -0.2])
def test_a_circle_of_chords_changes_by_the_mitred_amount(count: int, offset: float) -> None:
    # The offset of a regular polygon has the apothem r cos(pi/n) + d: side 2 tan(pi/n) (r cos(pi/n) + d).
    runs = laid(polygon(count, 2.5), offset=offset)
    side = 2.0 * np.tan(np.pi / count) * (2.5 * np.cos(np.pi / count) + offset)
    assert runs.length_m.tolist() == pytest.approx([count * side], abs=1e-9)
    # Chords: short by turn^2 / 24; the mitred offset itself is turn^2 / 12 too long on the far side.
    turn = 2.0 * np.pi / count
    within = 1.05 * turn**2 * (2.5 / 24 + abs(offset) / 12)
    assert runs.left_radius_m[0] == pytest.approx(2.5 + offset, abs=within)
    assert runs.right_radius_m[0] == np.inf


def test_an_island_is_moved_into_the_bed_side_that_is_not_bed() -> None:
    # Away from the bed is into the island: its edging gets shorter.
    rings = [rectangle(8.0, 6.0), moved(rectangle(2.0, 1.0), 0.0, (3.0, 3.0))]
    made = repair(shapes(rings, [RingKind.OUTER, RingKind.ISLAND], [0, 0]))
    runs, _, _ = build_runs(made.shapes, no_breaks(), offset_m=0.1)
    total = [runs.length_m[runs.leg_run == k].sum() for k in (0, 1)]
    assert total == pytest.approx([28.8, 5.2], abs=1e-9)
    assert np.sign(runs.corner_turn_deg).tolist() == [1, 1, 1, 1, -1, -1, -1, -1]


def test_beds_have_their_own_offsets() -> None:
    made = repair(shapes([rectangle(6.0, 4.0)] * 3))
    runs, _, _ = build_runs(made.shapes, no_breaks(), offset_m=np.array([0.0, 0.1, -0.2]))
    total = [runs.length_m[runs.leg_run == k].sum() for k in range(3)]
    assert total == pytest.approx([20.0, 20.8, 18.4], abs=1e-12)


def test_an_l_with_an_inside_corner_changes_by_eight_offsets_too() -> None:
    # Five outside corners add 2d each, the inside corner takes 2d off.
    xy = np.array([[0, 0], [6, 0], [6, 2], [3, 2], [3, 5], [0, 5]], dtype=np.float64)
    runs = laid(xy, offset=0.25)
    assert runs.length_m.sum() == pytest.approx(22.0 + 8.0 * 0.25, abs=1e-12)
    inside = runs.corner_turn_deg < 0.0
    assert runs.corner_xy[inside].tolist() == [[3.25, 2.25]]


def test_an_open_line_is_moved_square_at_its_ends() -> None:
    line = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 3.0]])
    runs = laid(line, offset=0.5, kinds=[RingKind.LINE])
    assert runs.length_m.tolist() == [4.5, 3.5]
    assert runs.xy.tolist() == [[0.0, -0.5], [4.5, -0.5], [4.5, -0.5], [4.5, 3.0]]


def test_random_beds_agree_with_shapely() -> None:
    rng = np.random.default_rng(21)
    checked = 0
    for _ in range(120):
        xy = random_bed(rng)
        offset = float(rng.uniform(-0.1, 0.15))
        try:
            runs = laid(xy, offset=offset)
        except DataError:
            continue
        # Corners of one vertex and legs as traced: the fitted outline is the traced one.
        if (runs.corner_moved_m > 0.0).any():
            continue
        got = shapely.Polygon(runs.xy)
        want = shapely.buffer(shapely.Polygon(xy), offset, join_style="mitre", mitre_limit=1e6)
        assert got.symmetric_difference(want).area < 1e-6
        assert runs.length_m.sum() == pytest.approx(want.exterior.length, abs=1e-6)
        checked += 1
    assert checked > 60


def test_a_concave_arc_no_wider_than_the_offset_is_refused_with_its_place() -> None:
    at = np.radians(np.linspace(180.0, 360.0, 13))
    bay = 0.5 * np.stack([np.cos(at), np.sin(at)], axis=1) + [3.0, 4.0]
    xy = np.concatenate([[[0, 0], [6, 0], [6, 4]], bay[::-1], [[0, 4]]])
    runs = laid(xy, offset=0.4)
    assert runs.right_radius_m.min() == pytest.approx(0.1, rel=0.06)
    with pytest.raises(DataError) as caught:
        laid(xy, offset=0.6)
    fault = caught.value.faults[0]
    assert fault.feature == "B0"
    assert fault.code == "offset-too-wide"
    assert fault.vertex is not None
    assert 4 <= fault.vertex <= 16
    assert "radius of 0.496 m" in fault.what
    assert "0.600 m" in fault.what


def test_an_edge_that_vanishes_is_refused() -> None:
    notch = np.array([[0, 0], [6, 0], [6, 4], [3.2, 4], [3.2, 3], [3, 3], [3, 4], [0, 4]])
    assert laid(notch, offset=0.05).length_m.min() == pytest.approx(0.1, abs=1e-12)
    with pytest.raises(DataError) as caught:
        laid(notch, offset=0.15)
    assert [f.vertex for f in caught.value.faults] == [5]


def test_every_bed_at_fault_is_named() -> None:
    thin = rectangle(6.0, 0.5)
    with pytest.raises(DataError) as caught:
        laid(thin, rectangle(3.0, 3.0), thin, offset=-0.3)
    assert [f.feature for f in caught.value.faults] == ["B0", "B0", "B2", "B2"]


def test_a_laying_line_that_crosses_itself_is_refused_with_the_place() -> None:
    # A bay with a narrow mouth: its own edges keep their length, but the mouth closes.
    xy = np.array(
        [
            [0, 0],
            [6, 0],
            [6, 4],
            [3.1, 4],
            [3.1, 3],
            [5, 3],
            [5, 1],
            [1, 1],
            [1, 3],
            [2.9, 3],
            [2.9, 4],
            [0, 4],
        ]
    )
    assert len(laid(xy, offset=0.05).corner_leg) == 12
    with pytest.raises(DataError) as caught:
        laid(xy, offset=0.15)
    fault = caught.value.faults[0]
    assert fault.code == "offset-crosses"
    assert fault.feature == "B0"
    assert "y 3.850 m" in fault.what or "y 4.150 m" in fault.what or "y 2.850 m" in fault.what


def test_what_takes_no_edging_may_vanish() -> None:
    notch = np.array([[0, 0], [6, 0], [6, 4], [3.2, 4], [3.2, 3], [3, 3], [3, 4], [0, 4]])
    made = repair(shapes([notch]))
    covered = breaks([(0, 11.0, 15.9)])
    runs, unedged, _ = build_runs(made.shapes, covered, offset_m=0.15)
    assert len(runs.run_id) == 1
    assert unedged.length_m.tolist() == pytest.approx([4.9])


def test_kidneys_and_stadiums_keep_their_shape() -> None:
    for xy in (kidney(120), stadium(6.0, 1.0, 24)):
        runs = laid(xy, offset=0.2)
        want = shapely.buffer(shapely.Polygon(xy), 0.2, join_style="mitre", mitre_limit=100.0)
        assert runs.length_m.sum() == pytest.approx(want.exterior.length, abs=1e-6)
    radius = laid(stadium(6.0, 1.0, 24), offset=0.2).left_radius_m[0]
    assert radius == pytest.approx(1.2, rel=0.008)
