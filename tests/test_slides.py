"""Ends that slide along a wall when their leg moves, against plane trigonometry."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from siteplan.laying.sideways import can_move, length_changes, shift_legs
from siteplan.laying.slides import face_slides
from siteplan.laying.takeoff import LayRules, lay
from siteplan.model import NodeKind, RingKind, Shapes
from siteplan.takeoffs import takeoff

from .make_runs import Path as Way
from .make_runs import make_line, make_runs
from .make_sites import polygon, rectangle, write_features
from .test_run_settings import planned


def wall(*points: tuple[float, float]) -> Shapes:
    return Shapes(
        np.array(["W"], object), np.array(points, dtype=float), np.array([0, len(points)]),
        np.array([RingKind.LINE], np.int8), np.array([0]),
    )  # fmt: skip


@pytest.mark.parametrize("angle", [25.0, 60.0, 90.0, 135.0])
@pytest.mark.parametrize("far", [False, True])
def test_slope_of_a_straight_face(angle: float, far: bool) -> None:
    """A face at an angle a through the leg's end: cot a of length for a metre, and the end stays on it."""
    at = np.radians(angle)
    along = np.array([np.cos(at), np.sin(at)])
    end = np.array([4.0, 0.0]) if far else np.zeros(2)
    face = wall(*map(tuple, (end - 3 * along, end + 3 * along)))
    runs = make_runs([Way([(0, 0), (4, 0)], start=NodeKind.ABUTTED, far=NodeKind.ABUTTED)])
    start, last = face_slides(runs, face, 0.05)
    slope = (last if far else start)[0]
    # away from the bed is to the right, so south of this leg
    assert slope == pytest.approx(-np.cos(at) / np.sin(at), abs=1e-9)
    assert np.isnan((start if far else last)[0])
    runs = replace(runs, start_slide=np.nan_to_num(start), far_slide=np.nan_to_num(last))
    moved = shift_legs(runs, np.array([0.03]))
    shifted = shapely.Point(moved.xy[-1 if far else 0])
    assert shapely.distance(shifted, shapely.LineString(face.xy)) < 1e-12
    assert moved.length_m[0] - 4.0 == pytest.approx(0.03 * length_changes(runs)[1][0], abs=1e-12)


@pytest.mark.parametrize(
    "points",
    [
        [(4, -2), (4, 0.03)],  # ends within the play
        [(4, -2), (4, 0.02), (4.1, 2)],  # turns there
        [(4.2, -2), (4.2, 2)],  # is not what the leg ends at
        [(4 - 0.6, -0.15), (4 + 0.6, 0.15)],  # nearly along the leg
    ],
)
def test_other_faces_hold_the_end(points: list[tuple[float, float]]) -> None:
    runs = make_runs([Way([(0, 0), (4, 0)], far=NodeKind.ABUTTED)])
    assert np.isnan(face_slides(runs, wall(*points), 0.05)).all()
    assert np.isnan(face_slides(runs, wall((0, 0)), 0.05)).all()


def test_an_l_at_a_wall_moves_where_that_saves_its_cut() -> None:
    """Leg A comes from a square wall, leg B goes on: A moves, B gets longer by as much, and is met uncut."""
    line = make_line(corners=(), ends=(), cuttable=True, least_cut_um=100_000)
    section = line.sections[0].laying_um / 1e6
    path = Way([(0, 0), (3 * section, 0), (3 * section, 2 * section - 0.015)], [1], start=NodeKind.ABUTTED)
    runs = make_runs([path])
    rules = LayRules(fit_short_um=2_000, fit_over_um=2_000, play_um=20_000, corner_by=("butt",))
    assert not can_move(runs, 0.3)[0]
    start, far = face_slides(runs, wall((0, -3), (0, 3)), 0.02)
    assert start[0] == 0.0
    sliding = replace(runs, start_slide=start, far_slide=far)
    assert can_move(sliding, 0.3).tolist() == [True, True]
    held, free = (lay(r, ["b"], line, rules) for r in (runs, sliding))
    assert held.play is not None
    assert free.play is not None
    assert held.play.moved_m[0] == 0.0
    assert free.fits.cuts.sum() <= held.fits.cuts.sum()


def test_on_a_site(tmp_path: Path) -> None:
    """A bed against a house: without the setting its legs at the wall stay, with it they may move."""
    house = [({"id": "H"}, polygon(rectangle(30, 5, at=(-10, -5))))]
    write_features(tmp_path / "walls.geojson", house)
    found: dict[bool, Any] = {}
    for slide in (False, True):
        site, plan = planned(
            tmp_path,
            {"A": polygon(rectangle(6.95, 4.21))},
            line="rigid-900mm",
            inputs={"beds": [{"file": "beds.geojson"}], "abutments": [{"file": "walls.geojson"}]},
            fit={"play": "40 mm", "slide_at_walls": slide, "closers_per_leg": 0},
        )
        result = takeoff(site, plan)
        assert result.play is not None
        found[slide] = result
        abutted = (plan.runs.start_kind == NodeKind.ABUTTED) | (plan.runs.far_kind == NodeKind.ABUTTED)
        assert abutted.sum() == 2
        moved = result.play.moved_m[abutted]
        assert (np.abs(moved) <= 0.04 + 1e-9).all()
        if not slide:
            assert not moved.any()
        ends = result.play.runs.xy[[0, -1]]
        top = shapely.LineString(site.abutment_shapes.xy)
        assert shapely.distance(shapely.points(ends), top).max() < 1e-6
    cuts = {k: r.by_kind["cut"] for k, r in found.items()}
    assert cuts[True] < cuts[False]
    assert found[True].play.moved_m[abutted].any()


def test_a_closed_run_of_one_leg_has_no_direction_to_slide_in() -> None:
    """A ring begins where it ends, so its chord has no length: nothing is divided by it."""
    ring = Way([(20, 0), (24, 0), (24, 3), (20, 3)], closed=True)
    bar = Way([(0, 0), (4, 0)], start=NodeKind.ABUTTED)
    runs = make_runs([ring, bar])
    assert len(runs.leg_id) == 2
    start, far = face_slides(runs, wall((0, -3), (0, 3)), 0.05)
    np.testing.assert_array_equal(start, [np.nan, 0.0])
    assert np.isnan(far).all()


def test_faces_are_closed_where_they_are_areas() -> None:
    """The last side of a house is a face like the others; that of a line from end to start is none."""
    runs = make_runs([Way([(0, 0), (4, 0)], start=NodeKind.ABUTTED)])
    house = wall((0, 3), (-5, 3), (-5, -3), (0, -3))
    assert np.isnan(face_slides(runs, house, 0.05)[0]).all()
    closed = replace(house, ring_kind=np.array([RingKind.OUTER], np.int8))
    assert face_slides(runs, closed, 0.05)[0].tolist() == [0.0]
    one = np.array([0, 1, len(closed.xy) + 1])
    kinds = np.array([RingKind.LINE, RingKind.OUTER], np.int8)
    lone = replace(
        closed, xy=np.vstack([[9.0, 9.0], closed.xy]), ring_offsets=one, ring_kind=kinds,
        ring_feature=np.array([0, 0]),
    )  # fmt: skip
    assert face_slides(runs, lone, 0.05)[0].tolist() == [0.0]
