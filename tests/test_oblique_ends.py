"""Runs that end at an angle: at walls, at other runs, at the corners of other runs."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.catalog import load_line
from siteplan.laying.band import build_band, slice_band, stations
from siteplan.laying.run_ends import clearances, slant_um, straight_tee_um
from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.model import NodeKind, RingKind, Runs, Shapes
from siteplan.outline.breaks import BreakRules, find_breaks
from siteplan.outline.repair import repair
from siteplan.outline.rules import OutlineRules
from siteplan.outline.runs import build_runs
from tests.make_runs import LINE, Path, footprints, make_line, make_runs, overlaps, polygons
from tests.outlines import rectangle, shapes

DEPTH = LINE.depth_um
CLEAR = LINE.end_clearance_um


def nothing() -> Shapes:
    return Shapes(
        np.empty(0, object),
        np.empty((0, 2)),
        np.zeros(1, np.int64),
        np.empty(0, np.int8),
        np.empty(0, np.int64),
    )


def planned(beds: Shapes, walls: Shapes | None = None, *, offset_m: float = 0.0) -> tuple[Shapes, Runs]:
    fixed = repair(beds, OutlineRules()).shapes
    breaks, _ = find_breaks(fixed, nothing() if walls is None else walls, nothing(), BreakRules())
    runs, _, _ = build_runs(fixed, breaks, offset_m=offset_m)
    return fixed, runs


def test_closed_forms() -> None:
    # cot 30 = sqrt 3, cot 45 = 1, cot 60 = 1 / sqrt 3, 1 / sin 30 = 2; trigonometry, hand-checked
    angles = np.array([90.0, 30.0, 45.0, 60.0])
    assert slant_um(100_000, angles).tolist() == [0, 86_603, 50_000, 28_868]
    # (1 + cos) / sin is the cotangent of half the angle
    half = 50_000 / np.tan(np.radians(angles) / 2)
    assert straight_tee_um(100_000, angles) == pytest.approx(half, abs=1.0)


@pytest.mark.parametrize("angle", [31.0, 45.0, 60.0, 89.0, 90.0, 91.0, 120.0, 148.0])
def test_leg_into_an_oblique_wall(angle: float) -> None:
    """The nearer edge of a square end keeps the clearance along the leg; the other is farther away."""
    at = np.radians(angle)
    way = np.array([np.cos(at), np.sin(at)])
    # an open strip from the south, its end drawn 0.1 m short of a wall through the origin
    wall = np.array([-5 * way, 5 * way, 5 * way + (4, 0), -5 * way + (4, 0)])
    line = Shapes(
        np.array(["S"], object), np.array([(-6.0, 0.0), (-0.1, 0.0)]),
        np.array([0, 2]), np.array([RingKind.LINE], np.int8), np.array([0]),
    )  # fmt: skip
    _, runs = planned(line, shapes([wall]))
    assert runs.far_kind.tolist() == [NodeKind.ABUTTED]
    assert runs.far_meet_deg is not None
    assert runs.far_meet_deg[0] == pytest.approx(min(angle, 180 - angle), abs=1e-9)
    assert runs.start_meet_deg is not None
    assert runs.start_meet_deg[0] == 90.0
    result = lay(runs, ["S"], LINE, LayRules())
    last = footprints(result.pieces)[-1]
    face = shapely.Polygon(wall)
    # a clearance along the leg is that times the sine, square to the face
    assert shapely.distance(last, face) == pytest.approx(
        CLEAR / 1e6 * np.sin(at) + result.fits.left_over_um[0] / 1e6 * np.sin(at), abs=2e-6
    )


def test_where_the_face_ends_at_the_leg_only_the_side_that_is_there_counts() -> None:
    """A wall's own corner: one face falls back from the leg, the other is not reached."""
    for wall, expected in (
        ([(0, 0), (2, 3), (4, 0), (2, -3)], 90.0),  # a corner that points at the leg
        ([(0, 0), (-1, 1.2), (3, 3), (3, 0)], float(np.degrees(np.arctan2(1.2, 1.0)))),  # one side leans in
    ):
        line = Shapes(
            np.array(["S"], object), np.array([(-6.0, 0.0), (0.0, 0.0)]),
            np.array([0, 2]), np.array([RingKind.LINE], np.int8), np.array([0]),
        )  # fmt: skip
        _, runs = planned(line, shapes([np.array(wall, float)]))
        assert runs.far_kind.tolist() == [NodeKind.ABUTTED]
        assert runs.far_meet_deg is not None
        assert runs.far_meet_deg[0] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("offset", [-0.15, 0.0, 0.2])
def test_an_offset_laying_line_meets_an_oblique_face_where_it_lies(offset: float) -> None:
    """Trapezoid on a wall: its slanting sides reach the wall line whatever the offset."""
    bed = np.array([(0.0, 0.0), (10.0, 0.0), (8.0, 3.0), (2.0, 3.0)])
    _, runs = planned(shapes([bed]), shapes([rectangle(30, 5) + (-10, -5)]), offset_m=offset)
    ends = np.vstack([runs.xy[0], runs.xy[-1]])
    assert ends[:, 1] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert runs.start_meet_deg is not None
    assert runs.start_meet_deg[0] == pytest.approx(np.degrees(np.arctan2(3, 2)), abs=1e-9)


@pytest.mark.parametrize("angle", [30.0, 45.0, 75.0, 90.0, 110.0, 150.0])
def test_tee_on_a_straight_run_is_the_closed_form(angle: float) -> None:
    at = np.radians(angle)
    leg = [(4 * np.cos(at), 4 * np.sin(at)), (0, 0)]
    runs = make_runs([Path([(-5, 0), (5, 0)]), Path(leg, far=NodeKind.TEE)])
    start, far = clearances(runs, stations(runs), build_band(runs, DEPTH), LINE)
    expected = straight_tee_um(DEPTH, np.array([min(angle, 180 - angle)]))[0] + CLEAR
    assert abs(far[1] - expected) <= 1
    assert start.tolist() == [0, 0]


@settings(deadline=None, derandomize=True, max_examples=150)
@given(
    angle=st.floats(20, 160),
    turn=st.floats(-125, 125).filter(lambda t: abs(t) > 15),
    before=st.floats(0, 0.4),
)
def test_tee_at_a_corner_clears_the_corner(angle: float, turn: float, before: float) -> None:
    """However the other run turns near the tee, the square-cut leg clears its strip by the clearance.

    Second path: shapely measures the whole strips; and a leg that ends a millimetre later would not
    clear it, unless it is the clearance alone that holds it back.
    """
    at = np.radians(turn)
    owner = [(-5.0, 0.0), (before, 0.0), (before + 4 * np.cos(at), 4 * np.sin(at))]
    a = np.radians(angle)
    leg = shapely.LineString([(6 * np.cos(a), 6 * np.sin(a)), (0.3 * np.cos(a), 0.3 * np.sin(a))])
    # the leg must come from outside the other run's own course
    if leg.distance(shapely.LineString(owner)) < 0.25:
        return
    runs = make_runs([Path(owner, [1]), Path([(6 * np.cos(a), 6 * np.sin(a)), (0, 0)], far=NodeKind.TEE)])
    band, part = build_band(runs, DEPTH), stations(runs)
    _, far = clearances(runs, part, band, LINE)
    strip = polygons(*slice_band(band, np.array([0]), np.array([0]), part.run_um[:1]))[0]
    for later_um, clear in ((0, True), (1000, False)):
        to = part.run_um[1:] - far[2:] + CLEAR + later_um
        own = polygons(*slice_band(band, np.array([1]), np.array([0]), to))[0]
        assert (float(shapely.area(shapely.intersection(own, strip))) < 2e-9) is clear
    assert far[2] >= CLEAR


def voronoi(seed: int) -> list[np.ndarray] | None:
    """Beds side by side, three to a point: none where an edge is shorter than 1.2 m."""
    rng = np.random.default_rng(seed)
    square = shapely.box(0, 0, 24, 24)
    cells = shapely.voronoi_polygons(shapely.MultiPoint(rng.uniform(0, 24, (7, 2))), extend_to=square)
    rings = [shapely.get_coordinates(shapely.intersection(c, square))[:-1] for c in cells.geoms]
    shortest = min(np.hypot(*(r - np.roll(r, 1, axis=0)).T).min() for r in rings)
    return rings if shortest > 1.2 else None


def between_runs(result: Takeoff) -> float:
    """Greatest area that pieces of two runs share.

    Rigid pieces on a curve lie on its chords, a little inside or outside their strip: left aside.
    """
    on_curve = np.isin(result.pieces.leg, [] if result.curved is None else result.curved.leg)
    pairs, area = overlaps(footprints(result.pieces))
    counted = result.pieces.run[pairs[0]] != result.pieces.run[pairs[1]]
    counted &= ~on_curve[pairs].any(axis=0)
    return float(area[counted].max(initial=0.0))


@pytest.mark.parametrize(
    "seeds", [range(60), pytest.param(range(60, 400), marks=pytest.mark.slow)], ids=["60", "340 more"]
)
def test_beds_side_by_side_never_lie_on_one_another(seeds: range) -> None:
    """Cells of random points: shared edges, tees at every angle, three runs to a point."""
    lines = [load_line("flex-2m"), load_line("block-1ft"), make_line(corners=())]
    tees = plans = 0
    for seed in seeds:
        rings = voronoi(seed)
        if rings is None:
            continue
        fixed, runs = planned(shapes(rings))
        plans += 1
        tees += int((runs.start_kind == NodeKind.TEE).sum() + (runs.far_kind == NodeKind.TEE).sum())
        for line in lines:
            result = lay(runs, fixed.ids, line, LayRules())
            assert between_runs(result) < 1e-8, (seed, line.key)
    assert plans > 15
    assert tees > 100
