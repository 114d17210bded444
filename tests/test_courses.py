"""Courses: joints of every second course half a unit on, everything of all courses counted."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan import measure, takeoff
from siteplan.errors import DataError
from siteplan.layers import plan_layers
from siteplan.laying.courses import half_piece_um, with_courses
from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.model import NodeKind, PieceKind, Runs
from siteplan.ordering import quantities
from siteplan.outline.arrange import begin_rings_at, take_runs
from siteplan.outline.rules import OutlineRules
from siteplan.products import Article, CornerUnit
from siteplan.publish.write import write_plan
from siteplan.types import IntArray

from .make_runs import Path as RunPath
from .make_runs import make_line, make_runs, random_paths, straight
from .make_sites import kidney, polygon, rectangle
from .test_run_settings import planned

OUTLINE = OutlineRules()
RULES = LayRules()
BARE_LINE = make_line(ends=(), closers=())


def in_courses(
    runs: Runs, count: int, line: Any = BARE_LINE, rules: LayRules = RULES
) -> tuple[Runs, Takeoff, int]:
    ids = [f"R{k + 1}" for k in range(int(runs.bed.max()) + 1)]
    made, alike = with_courses(runs, count, ids, line, rules, OUTLINE)
    return made, lay(made, ids, line, rules), alike


def joints_of(result: Takeoff, run: int) -> IntArray:
    """Middles of the joints of a run, stations in um."""
    pieces = result.pieces
    of = np.flatnonzero(pieces.run == run)
    made: IntArray = (pieces.to_um[of][:-1] + pieces.from_um[of][1:]) // 2
    return made


def test_half_piece() -> None:
    """Sections of 1 m and joints of 5 mm: two halves of 497.5 mm and their joint make a section."""
    assert half_piece_um(BARE_LINE) == 497_500
    assert half_piece_um(make_line(closers=(straight("H", 500_000),))) == 500_000
    assert half_piece_um(make_line(closers=(straight("H", 490_000),))) == 497_500
    assert half_piece_um(make_line(closers=(), cuttable=False)) is None
    assert half_piece_um(make_line(closers=(), least_cut_um=500_000)) is None


def test_an_open_run_by_hand() -> None:
    """Ten sections and nine joints: 10.045 m.  Joints below at 1.0025, 2.0075, ... m.

    Above: a half piece, its joint at 0.5 m, then every 1.005 m: over the middles of the sections.
    """
    runs = make_runs([RunPath([(0, 0), (10.045, 0)])])
    made, result, alike = in_courses(runs, 2)
    assert alike == 0
    assert made.run_id.tolist() == ["R1-1", "R1-1c2"]
    assert made.leg_id.tolist() == ["R1-1-1", "R1-1c2-1p1", "R1-1c2-1p2", "R1-1c2-1p3"]
    below, above = joints_of(result, 0), joints_of(result, 1)
    np.testing.assert_array_equal(below, 1_002_500 + 1_005_000 * np.arange(9))
    np.testing.assert_allclose(above, 500_000 + 1_005_000 * np.arange(10), atol=1)
    kinds = result.pieces.kind[result.pieces.run == 1]
    assert kinds[0] == PieceKind.CUT
    assert result.pieces.cut_um[result.pieces.run == 1][0] == 497_500
    # two halves and nine sections: the second half ends the course
    assert result.pieces.cut_um[result.pieces.run == 1].tolist() == [497_500, *[0] * 9, 497_500]
    assert not result.fits.left_over_um.any()


def test_a_closer_of_half_a_section_begins_the_course() -> None:
    line = make_line(ends=(), closers=(straight("H", 497_500),))
    _, result, _ = in_courses(make_runs([RunPath([(0, 0), (10.045, 0)])]), 2, line)
    codes = result.pieces.code[result.pieces.run == 1].tolist()
    assert codes == ["H", *["S1000"] * 9, "H"]


def test_three_courses_are_one_two_one() -> None:
    runs = make_runs(random_paths(4, 6))
    made, result, _ = in_courses(runs, 3)
    assert made.course is not None
    for run in range(0, len(made.run_id), 3):
        assert made.course[run : run + 3].tolist() == [1, 2, 3]
        assert result.counts_of_run(run) == result.counts_of_run(run + 2)
    total = sum((Counter(result.counts_of_run(k)) for k in range(len(made.run_id))), Counter())
    assert total == Counter(result.counts)


@given(st.integers(0, 5_000), st.booleans())
@settings(deadline=None, derandomize=True, max_examples=20)
def test_first_course_is_the_run_without_courses(seed: int, closers: bool) -> None:
    """Nothing of course 1 changes, tees among them, and every fill is exact in each course."""
    line = make_line() if closers else BARE_LINE
    runs = make_runs(random_paths(seed, 6))
    ids = [f"R{k + 1}" for k in range(int(runs.bed.max()) + 1)]
    alone = lay(runs, ids, line, RULES)
    made, result, _ = in_courses(runs, 2, line)
    assert made.course is not None
    for run in range(len(runs.run_id)):
        a, b = alone.pieces.run == run, result.pieces.run == 2 * run
        for name in ("kind", "code", "from_um", "to_um", "gap_um", "cut_um"):
            np.testing.assert_array_equal(getattr(alone.pieces, name)[a], getattr(result.pieces, name)[b])
        np.testing.assert_allclose(alone.pieces.xy[a], result.pieces.xy[b], atol=1e-9)
    # each leg: what is laid, its gaps and its left-over make up its rest, to the micrometre
    laying = np.array([s.laying_um for s in line.straights])
    sums = result.fits.counts @ laying + result.fits.cut_um.sum(axis=1)
    total = sums + result.fits.gap_total_um + result.fits.left_over_um
    np.testing.assert_array_equal(total[result.laid], result.rest_um[result.laid])
    assert made.length_m.sum() == pytest.approx(2 * runs.length_m.sum(), abs=1e-6)


def test_a_ring_begins_half_a_pitch_on() -> None:
    """A ring of n whole sections: joints above stand half a pitch from those below, all round."""
    angle = np.arange(400) * (2 * np.pi / 400)
    radius = 20 * 1.005 / (2 * np.pi)
    ring = RunPath(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]), closed=True)
    runs = make_runs([ring])
    made, result, alike = in_courses(runs, 2)
    assert alike == 0
    assert result.pieces.kind.tolist() == [PieceKind.SECTION] * 40
    pitch_m = runs.length_m[0] / 20
    start = [made.xy[made.offsets[k]] for k in (0, 1)]
    # along a circle of this radius the start moved by half a pitch; the trace is a polygon of 400 sides
    turn = 2 * np.arcsin(np.hypot(*(start[1] - start[0])) / 2 / radius)
    assert turn * radius == pytest.approx(pitch_m / 2, rel=1e-4)
    assert made.length_m[0] == made.length_m[1]


def test_a_ring_begun_elsewhere_is_the_same_ring() -> None:
    runs = make_runs(
        [RunPath(kidney(), closed=True), RunPath([(30, 0), (35, 0)]), RunPath(kidney(31) + 60, closed=True)]
    )
    where = np.array([3.3, float(runs.length_m[2]) - 1e-3])
    again = begin_rings_at(runs, np.array([0, 2]), where)
    for leg in (0, 2):
        a, b = (r.xy[r.offsets[leg] : r.offsets[leg + 1]] for r in (runs, again))
        assert np.hypot(*np.diff(b, axis=0).T).sum() == pytest.approx(runs.length_m[leg], abs=1e-9)
        np.testing.assert_array_equal(b[0], b[-1])
        assert {tuple(p) for p in a} <= {tuple(p) for p in b} | {tuple(a[0])}
    np.testing.assert_array_equal(again.xy[again.offsets[1] : again.offsets[2]], [(30, 0), (35, 0)])


def reversible_line(**more: Any) -> Any:
    unit = CornerUnit(Article("R", "R"), "outside", 60.0, 120.0, 600_000, 97_500, "centre", True)
    return make_line(ends=(), closers=(), corners=(unit,), **more)


def test_corners_alternate_by_exchanging_the_arms() -> None:
    """A square of units with arms 0.6 and 0.0975 m: turned round, legs begin half a unit on."""
    # 0.0975 + 0.6 + 5 sections + 6 joints of 5 mm
    side = 5.7275
    runs = make_runs([RunPath([(0, 0), (side, 0), (side, side), (0, side)], range(4), closed=True)])
    made, result, alike = in_courses(runs, 2, reversible_line())
    assert alike == 0
    assert made.corner_exchanged is not None
    below, above = result.corners.exchanged[:4], result.corners.exchanged[4:]
    assert (below != above).all()
    assert not any(made.far_kind == NodeKind.SET)
    assert result.by_kind["cut"] == 0
    pieces = result.pieces
    for leg in range(4):
        a = pieces.from_um[(pieces.leg == leg) & (pieces.kind == PieceKind.SECTION)]
        b = pieces.from_um[(pieces.leg == leg + 4) & (pieces.kind == PieceKind.SECTION)]
        np.testing.assert_allclose(np.abs(a - b), 502_500, atol=1)


def test_corners_that_cannot_be_turned_take_half_pieces() -> None:
    line = replace(reversible_line(), corners=(replace(reversible_line().corners[0], reversible=False),))
    side = 5.7275
    runs = make_runs([RunPath([(0, 0), (side, 0), (side, side), (0, side)], range(4), closed=True)])
    made, result, alike = in_courses(runs, 2, line)
    assert alike == 0
    # one half piece at either end of each side
    assert (made.far_kind == NodeKind.SET).sum() == 8
    assert len(result.unmet) == 0
    whole = make_line(ends=(), closers=(), cuttable=False, corners=line.corners)
    made, _, alike = in_courses(runs, 2, whole)
    assert (made.far_kind == NodeKind.SET).sum() == 0
    assert alike == 4


def test_courses_at_a_tee_do_not_cut_each_other_back() -> None:
    runs = make_runs([RunPath([(0, 0), (8, 0)]), RunPath([(4, -6), (4, 0)], far=NodeKind.TEE)])
    alone = lay(runs, ["R1"], BARE_LINE, RULES)
    _, result, _ = in_courses(runs, 2)
    ends = [int(result.pieces.to_um[result.pieces.run == k].max()) for k in (2, 3)]
    assert ends[0] == alone.pieces.to_um[alone.pieces.run == 1].max()
    assert abs(ends[1] - ends[0]) <= RULES.fit_short_um


def test_a_site_in_courses(tmp_path: Path) -> None:
    beds = {"A": polygon(rectangle(9, 5)), "K": polygon(kidney(at=(30, 0)))}
    site, plan = planned(tmp_path, beds, courses={"count": 2})
    assert plan.runs.run_id.tolist() == ["A-1", "A-1c2", "K-1", "K-1c2"]
    result = takeoff(site, plan)
    layers = plan_layers(site, measure(site), plan, result)
    assert layers["runs"].columns["course"].tolist() == [1, 2, 1, 2]
    course = layers["pieces"].columns["course"]
    assert Counter(result.pieces.code.tolist()) == Counter(result.counts)
    assert set(course.tolist()) == {1, 2}
    one_site, one_plan = planned(tmp_path, beds)
    one = takeoff(one_site, one_plan)
    assert Counter(result.pieces.code[course == 1].tolist()) == Counter(one.counts)
    assert "course" not in plan_layers(one_site, measure(one_site), one_plan, one)["pieces"].columns
    write_plan(site, measure(site), plan, result, tmp_path / "out", formats="geopackage")
    data = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert [c["course"] for c in data["courses"]] == [1, 2]
    total = sum((Counter(c["takeoff"]) for c in data["courses"]), Counter())
    assert total == Counter(data["takeoff"])
    assert [r["course"] for r in data["runs"]] == [1, 2, 1, 2]
    # the trench is dug once, the pieces are laid twice
    asked, once = quantities(site, plan, result), quantities(one_site, one_plan, one)
    assert (asked.length_m, asked.runs, asked.inner_area_m2) == (once.length_m, once.runs, once.inner_area_m2)
    assert asked.pieces == len(result.pieces)
    alike = planned(tmp_path, beds, courses={"count": 2, "stagger": "none"})
    assert takeoff(*alike).counts == {code: 2 * n for code, n in one.counts.items()}


def test_what_is_refused(tmp_path: Path) -> None:
    for more, said in (
        ({"courses": {"count": 0}}, "courses.count"),
        ({"courses": {"count": 2}, "fit": {"play": "10 mm"}}, "above each other"),
        ({"courses": {"stagger": "third"}}, "'half' or 'none'"),
    ):
        with pytest.raises(DataError, match=said):
            planned(tmp_path, {"A": polygon(rectangle(9, 5))}, **more)


def test_runs_taken_keep_their_course() -> None:
    made, _, _ = in_courses(make_runs(random_paths(1, 3)), 2)
    few = take_runs(made, np.array([1, 4]))
    assert few.course is not None
    assert few.course.tolist() == [2, 1]
