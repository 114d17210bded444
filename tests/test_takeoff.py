"""From runs to counts: what is taken off, what is unmet, and whole worked examples."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import UsageError
from siteplan.laying.fit import fit_legs
from siteplan.laying.takeoff import (
    NO_CORNER,
    NOTHING_FITS,
    RADIUS,
    RIGID_CURVE,
    SHORT_LEG,
    LayRules,
    Takeoff,
    lay,
)
from siteplan.model import NodeKind, PieceKind, Runs
from siteplan.products import Article, CornerUnit, EndUnit, ProductLine
from tests.make_runs import LINE, Path, footprints, make_line, make_runs, overlaps, random_paths, straight

IN_UM = 25_400  # an inch is 25.4 mm exactly (85 FR 62698)
EXACT = LayRules(fit_short_um=0, fit_over_um=0)


def inches(value: float) -> int:
    return round(value * IN_UM)


def metres(value_in: float) -> float:
    return value_in * 0.0254


def check_sums(runs: Runs, result: Takeoff) -> None:
    """Every leg is what is taken off, pieces, gaps and left-over, to the micrometre."""
    legs, part, pieces = result.legs, result.stations, result.pieces
    laying = np.array([s.laying_um for s in result.line.straights])
    fill = legs.counts @ laying + legs.cut_um.sum(axis=1)
    total = legs.start_um + fill + legs.gap_total_um + legs.left_over_um + legs.far_um + result.curve_um
    assert total.tolist() == part.leg_um.tolist()
    # again from the table of pieces: what lies between the pieces of a leg is gap and left-over
    filling = np.isin(pieces.kind, [PieceKind.SECTION, PieceKind.CLOSER, PieceKind.CUT])
    by_leg = np.bincount(
        pieces.leg[filling], weights=(pieces.to_um - pieces.from_um)[filling], minlength=len(legs)
    )
    assert by_leg.tolist() == fill.tolist()
    gaps = np.bincount(pieces.leg, weights=pieces.gap_um, minlength=len(legs))
    assert gaps.tolist() == legs.gap_total_um.tolist()
    own = np.bincount(pieces.leg, minlength=len(legs)) > 0
    left_over = np.bincount(pieces.leg, weights=pieces.left_over_um, minlength=len(legs))
    assert left_over[own].tolist() == legs.left_over_um[own].tolist()
    # and along each run: a piece starts where the one before ends, plus its joint
    same = (pieces.run[1:] == pieces.run[:-1]) & (pieces.leg[1:] == pieces.leg[:-1])
    last = np.append(pieces.leg[1:] != pieces.leg[:-1], True)[1:]
    bare_far = (legs.far_end < 0) & (legs.far_corner < 0)
    # a left-over at a bare far end stands on the last piece of the leg, which has it behind
    plain = same & ~(last & bare_far[pieces.leg[1:]])
    between = pieces.from_um[1:] - pieces.to_um[:-1]
    told = pieces.gap_um[1:] + pieces.left_over_um[1:]
    assert between[plain].tolist() == told[plain].tolist()
    # counts agree with the table
    for code, n in result.counts.items():
        assert n == np.count_nonzero(pieces.code == code)
    assert sum(result.counts.values()) == sum(result.by_kind.values()) == len(pieces)
    assert result.run_counts.sum(axis=0).tolist() == result.leg_counts.sum(axis=0).tolist()


def check_footprints(result: Takeoff) -> None:
    """No two footprints overlap beyond the joint between them."""
    shapes = footprints(result.pieces)
    pairs, area = overlaps(shapes)
    pieces = result.pieces
    joint = np.maximum(-pieces.gap_um, 0) + np.maximum(-pieces.left_over_um, 0)
    allowed = (joint[pairs[0]] + joint[pairs[1]]) * 1e-6 * result.line.depth_um * 1e-6
    assert (area <= allowed + 1e-9).all()


# --- whole worked examples


FOUR_LEG_LINE = ProductLine(
    key="four", name="Four legs", note="", behaviour="rigid", depth_um=inches(4), height_um=inches(4),
    gap_least_um=0, gap_nominal_um=0, gap_greatest_um=0, deflection_deg=0.0,
    outward_radius_um=None, inward_radius_um=None, end_clearance_um=0,
    cuttable=False, least_cut_um=inches(6), kerf_um=inches(0.125), usable_ends="any",
    cut_cost=0, laying_cost=0, currency=None, currency_digits=2,
    sections=(straight("SECTION", inches(46.75), inches(48)),),
    closers=(straight("CLOSER", inches(7.25)),),
    corners=(
        CornerUnit(
            Article("CORNER", "CORNER"), "outside", 90.0, 90.0, inches(4), inches(7.25), "centre", False
        ),
    ),
    ends=(EndUnit(Article("END", "END"), inches(7.25), "either"),),
)  # fmt: skip


def four_legs() -> Runs:
    """26 in east, 165 in north, 98 in west, 21 in south."""
    at = [(0, 0), (26, 0), (26, 165), (26 - 98, 165), (26 - 98, 165 - 21)]
    return make_runs([Path([(metres(x), metres(y)) for x, y in at], [1, 2, 3])])


def test_four_legs_by_common_practice() -> None:
    """Common practice, no published source: legs of 26, 165, 98 and 21 in.

    Corner arms 7.25 in leaving and 4 in arriving; the trade lays three corners, three
    closers, two ends and, by the rule of thumb, five sections, within 0.75 in.
    """
    rules = LayRules(fit_short_um=inches(0.75), fit_over_um=inches(0.75))
    result = lay(four_legs(), ["bed"], FOUR_LEG_LINE, rules)
    assert result.rest_um.tolist() == [inches(v) for v in (14.75, 153.75, 86.75, 6.5)]
    assert result.fits.rule_sections.tolist() == [0, 3, 2, 0]
    assert result.rule_sections == 5
    assert (result.by_kind["corner"], result.by_kind["end"]) == (3, 2)
    short_legs = [0, 3]
    assert result.fits.counts[short_legs].tolist() == [[0, 2], [0, 1]]  # three closers, no section
    assert result.fits.left_over_um[short_legs].tolist() == [inches(0.25), inches(-0.75)]
    # 26 in is end 7.25 + 14.5 + arm 4 = 25.75; 21 in is arm 7.25 + 7.25 + end 7.25 = 21.75
    filled = result.stations.leg_um - result.fits.left_over_um
    assert filled[short_legs].tolist() == [inches(25.75), inches(21.75)]
    # what the rounding leaves: sections that really lay 46.75
    assert result.fits.rule_left_over_um[[1, 2]].tolist() == [
        inches(153.75 - 3 * 46.75),
        inches(86.75 - 2 * 46.75),
    ]
    # exact: 3 sections and a closer leave 6.25 of 153.75 (two closers are 1 in over), and
    # a section and three closers leave 18.25 of 86.75; twelve closers would be 87, within
    # 0.75, but nobody lays them
    assert result.unmet.leg.tolist() == [1, 2]
    assert set(result.unmet.code) == {NOTHING_FITS}
    assert result.unmet.short_m == pytest.approx([metres(6.25), metres(18.25)], abs=1e-9)
    check_sums(four_legs(), result)
    check_footprints(result)


def test_four_legs_with_a_saw() -> None:
    """The same legs of a line that may be cut: every leg is met."""
    rules = LayRules(fit_short_um=inches(0.75), fit_over_um=inches(0.75))
    result = lay(four_legs(), ["bed"], replace(FOUR_LEG_LINE, cuttable=True), rules)
    assert len(result.unmet) == 0
    assert result.fits.unmet.tolist() == [False] * 4
    assert result.by_kind["cut"] == 2
    assert abs(result.fits.left_over_um).max() <= inches(0.75)
    check_sums(four_legs(), result)


@pytest.mark.parametrize("lay_from", ["start", "far"])
def test_closed_modular_rectangle_takes_79_units(lay_from: str) -> None:
    """QTY-09: outside 22 x 32 ft, 16 in modules 8 in wide: (perimeter - 4 widths) / 16 in = 79.

    US Navy, Builder 2 & 3, chapter 8.  A unit laps each corner: 16 in of outer face
    arriving, its 8 in width leaving.  Two legs hold half units, one whole unit between them.
    """
    width, long, short = 8, 32 * 12, 22 * 12
    line = make_line(
        behaviour="rigid", depth_um=inches(width), gap_least_um=0, gap_nominal_um=0, gap_greatest_um=0,
        sections=(straight("UNIT", inches(16)),), closers=(straight("HALF", inches(8)),), ends=(),
        corners=(
            CornerUnit(Article("LAP", "LAP"), "outside", 90, 90, inches(16), inches(width), "outer", False),
        ),
    )  # fmt: skip
    a, b = metres(short - width), metres(long - width)
    runs = make_runs([Path([(0, 0), (a, 0), (a, b), (0, b)], range(4), closed=True)])
    result = lay(runs, ["bed"], line, replace(EXACT, lay_from=lay_from))  # type: ignore[arg-type]
    assert result.counts == {"UNIT": 74, "HALF": 2, "LAP": 4}
    units = result.counts["UNIT"] + result.counts["LAP"] + result.counts["HALF"] / 2
    assert units == (2 * (long + short) - 4 * width) / 16 == 79
    assert len(result.unmet) == 0
    # the whole wall is covered: outside less inside area
    inside = (short - 2 * width) * (long - 2 * width)
    covered = sum(p.area for p in footprints(result.pieces)) / 0.0254**2
    assert covered == pytest.approx(short * long - inside, abs=1e-6)
    check_sums(runs, result)
    check_footprints(result)


# --- what is taken off


def one_leg(length_m: float, start: NodeKind, far: NodeKind) -> Runs:
    return make_runs([Path([(0, 0), (length_m, 0)], start=start, far=far)])


@pytest.mark.parametrize(
    ("start", "far", "taken", "joints"),
    [
        # an end unit 200 mm; clearance 10 mm; a tee 75 + 10 mm; 4 sections between
        (NodeKind.FREE, NodeKind.FREE, (200_000, 200_000), 5),
        (NodeKind.ABUTTED, NodeKind.FREE, (10_000, 200_000), 4),
        (NodeKind.FREE, NodeKind.TEE, (200_000, 85_000), 4),
        (NodeKind.ABUTTED, NodeKind.TEE, (10_000, 85_000), 3),
    ],
)
def test_ends(start: NodeKind, far: NodeKind, taken: tuple[int, int], joints: int) -> None:
    length = 4_000_000 + sum(taken) + joints * 5_000
    runs = one_leg(length / 1e6, start, far)
    result = lay(runs, ["bed"], LINE, EXACT)
    assert (result.legs.start_um[0], result.legs.far_um[0]) == taken
    assert result.fits.joints.tolist() == [joints]
    assert result.counts.get("END", 0) == [start, far].count(NodeKind.FREE)
    assert result.counts["S1000"] == 4
    assert result.pieces.from_um[0] == (0 if start == NodeKind.FREE else taken[0])
    assert result.pieces.to_um[-1] == length - (0 if far == NodeKind.FREE else taken[1])
    check_sums(runs, result)


def test_hands_of_ends() -> None:
    """A left unit stands at the start of a run, a right one at its far end."""
    left, right = (EndUnit(Article(h.upper(), h), 100_000, h) for h in ("left", "right"))
    runs = one_leg(3.2, NodeKind.FREE, NodeKind.FREE)
    both = lay(runs, ["bed"], make_line(ends=(right, left)), LayRules())
    assert (both.pieces.code[0], both.pieces.code[-1]) == ("LEFT", "RIGHT")
    only = lay(runs, ["bed"], make_line(ends=(right,)), LayRules())
    assert only.counts["RIGHT"] == 1
    assert only.legs.start_um[0] == 0
    assert only.fits.joints[0] == only.fits.pieces[0]
    none = lay(runs, ["bed"], make_line(ends=()), LayRules())
    assert none.by_kind["end"] == 0
    assert none.fits.joints[0] == none.fits.pieces[0] - 1
    for result in (both, only, none):
        check_sums(runs, result)


@pytest.mark.parametrize("far", [NodeKind.ABUTTED, NodeKind.TEE])
def test_over_is_forbidden_at_an_abutment(far: NodeKind) -> None:
    """A leg 4 mm short of four sections: over by 4 mm at a free end, never at a wall."""
    line = make_line(cuttable=False, gap_least_um=0, gap_nominal_um=0, gap_greatest_um=0, ends=(), closers=())
    free = lay(one_leg(3.996, NodeKind.FREE, NodeKind.FREE), ["b"], line, LayRules())
    assert free.fits.left_over_um.tolist() == [-4_000]
    taken = 10_000 if far == NodeKind.ABUTTED else 85_000
    stopped = lay(one_leg(3.996 + taken / 1e6, NodeKind.FREE, far), ["b"], line, LayRules())
    assert stopped.fits.counts.tolist() == [[3]]
    assert stopped.unmet.code.tolist() == [NOTHING_FITS]
    assert stopped.unmet.short_m == pytest.approx([0.996])
    assert stopped.unmet.why[0] == "no fill meets its rest of 3.996 m: the longest one leaves 0.996 m bare"


def test_a_closed_smooth_run_has_as_many_joints_as_pieces_and_no_tolerance() -> None:
    at = np.arange(48) * (2 * np.pi / 48)
    runs = make_runs([Path(4 * np.column_stack([np.cos(at), np.sin(at)]), closed=True)])
    result = lay(runs, ["bed"], LINE, LayRules())
    pieces = result.pieces
    assert result.fits.joints[0] == len(pieces)
    assert result.fits.left_over_um[0] == 0
    assert pieces.from_um[0] == 0
    assert pieces.gap_um[0] == result.stations.run_um[0] - pieces.to_um[-1]
    assert np.ptp(pieces.gap_um) <= 1
    check_sums(runs, result)


# --- what cannot be met


def test_a_corner_without_a_unit_is_bare_on_both_legs() -> None:
    runs = make_runs([Path([(0, 0), (4, 0), (4, 4)], [1])])
    result = lay(runs, ["north bed"], make_line(corners=()), LayRules())
    assert result.unmet.code.tolist() == [NO_CORNER]
    assert result.unmet.short_m == pytest.approx([0.15])  # 75 mm on each leg
    assert result.unmet.bed.tolist() == ["north bed"]
    assert result.by_kind["corner"] == 0
    assert result.legs.far_um[0] == result.legs.start_um[1] == 75_000
    assert not result.corner_laid.any()
    check_sums(runs, result)
    check_footprints(result)


def test_a_leg_shorter_than_its_arms_leaves_its_far_corner_out() -> None:
    """Arms of 225 and 125 mm on a leg of 300 mm: its far corner is left out, not overlapped."""
    runs = make_runs([Path([(0, 0), (3, 0), (3, 0.3), (0, 0.3)], [1, 2])])
    result = lay(runs, ["bed"], LINE, LayRules())
    assert result.corner_laid.tolist() == [True, False]
    assert result.unmet.code.tolist() == [SHORT_LEG]
    assert result.unmet.leg.tolist() == [1]
    assert "takes 0.050 m more than the leg of 0.300 m" in result.unmet.why[0]
    assert result.counts_of_leg(1) == {}
    # bare over 75 mm at the corner left out, on both its legs
    assert result.unmet.short_m == pytest.approx([0.3 - 0.125 - 0.075])
    assert result.legs.start_um.tolist() == [200_000, 125_000, 75_000]
    assert result.legs.far_um.tolist() == [225_000, 75_000, 200_000]
    check_sums(runs, result)
    check_footprints(result)


def test_every_leg_of_a_ring_too_short() -> None:
    """A square of 0.3 m: corners left out one after another until the rest fit."""
    runs = make_runs([Path([(0, 0), (0.3, 0), (0.3, 0.3), (0, 0.3)], range(4), closed=True)])
    result = lay(runs, ["bed"], LINE, LayRules())
    assert result.corner_laid.tolist() == [False, True, False, True]
    assert result.unmet.code.tolist() == [SHORT_LEG] * 4
    check_sums(runs, result)
    check_footprints(result)


@pytest.mark.parametrize("first", range(6))
def test_a_notch_leaves_one_corner_out_wherever_the_ring_starts(first: int) -> None:
    """Two short legs in a row: without the corner between them both hold their other units."""
    outline = np.array([(0, 0), (3, 0), (3, 3), (0.3, 3), (0.3, 2.7), (0, 2.7)])
    runs = make_runs([Path(np.roll(outline, -first, axis=0), range(6), closed=True)])
    result = lay(runs, ["bed"], LINE, LayRules())
    assert runs.corner_xy[~result.corner_laid].tolist() == [[0.3, 2.7]]
    assert result.unmet.code.tolist() == [SHORT_LEG] * 2
    check_sums(runs, result)
    check_footprints(result)


def test_an_open_leg_shorter_than_one_end_unit() -> None:
    runs = one_leg(0.15, NodeKind.FREE, NodeKind.FREE)
    result = lay(runs, ["bed"], LINE, LayRules())
    assert len(result.pieces) == 0
    assert result.unmet.short_m == pytest.approx([0.15])
    assert result.counts == {}


def test_a_leg_shorter_than_its_clearances_has_nothing() -> None:
    runs = one_leg(0.015, NodeKind.ABUTTED, NodeKind.ABUTTED)
    result = lay(runs, ["bed"], LINE, LayRules())
    assert (result.legs.start_um[0], result.rest_um[0], result.legs.far_um[0]) == (10_000, 0, 5_000)
    assert result.unmet.code.tolist() == [SHORT_LEG]


def curved(left: float = np.inf, right: float = np.inf) -> Runs:
    at = np.linspace(0, np.pi / 2, 13)
    arc = 2 * np.column_stack([np.sin(at), 1 - np.cos(at)])
    xy = np.vstack([[(-2, 0)], [(0, 0)], arc[1:], [(2, 5)], [(-2, 5)]])
    return make_runs([Path(xy, [len(xy) - 2], left_radius_m=left, right_radius_m=right)])


def test_a_rigid_line_on_a_curve_is_unmet_and_its_units_stand() -> None:
    runs = curved(left=2.0)
    # a line that may not be cut, and whose closers follow 4.850 m: sections before and behind the arc only
    line = make_line(behaviour="rigid", cuttable=False)
    result = lay(runs, ["bed"], line, LayRules(fair_within_um=0))
    assert result.unmet.code[0] == RIGID_CURVE
    assert result.unmet.why[0].endswith(
        "Test line is rigid and with its shortest piece, 0.250 m, follows 4.850 m or more"
    )
    assert result.unmet.short_m[0] == pytest.approx(math.pi, abs=0.25)
    assert result.counts_of_leg(0)["OUT"] == result.counts_of_leg(0)["END"] == 1
    assert result.fits.rule_sections[0] == 8  # the rule of thumb still says what it would
    check_footprints(result)


@pytest.mark.parametrize(("limit_um", "met"), [(2_000_000, True), (2_000_001, False), (None, True)])
def test_least_radius_is_inclusive(limit_um: int | None, met: bool) -> None:
    for side in ("outward", "inward"):
        runs = curved(left=2.0 if side == "outward" else np.inf, right=2.0 if side == "inward" else np.inf)
        result = lay(runs, ["bed"], make_line(**{f"{side}_radius_um": limit_um}), LayRules())
        assert (RADIUS not in result.unmet.code) == met
        if not met:
            assert (
                f"a curve {side} of radius 2.000 m: the line follows 2.000 m or more" in result.unmet.why[0]
            )
        # a limit of the other side does not count
        other = {"outward": "inward", "inward": "outward"}[side]
        result = lay(runs, ["bed"], make_line(**{f"{other}_radius_um": limit_um}), LayRules())
        assert RADIUS not in result.unmet.code


# --- properties


def test_fills_are_those_of_the_fit() -> None:
    runs = make_runs(random_paths(3, 60))
    result = lay(runs, ["bed"], LINE, LayRules())
    legs = result.legs
    smooth = runs.far_kind == NodeKind.SEAM
    units = np.where(smooth, 0, legs.start_joint.astype(int) + legs.far_joint)
    stopped = np.isin(runs.start_kind, [2, 3]) | np.isin(runs.far_kind, [2, 3])
    again = fit_legs(result.rest_um, units, smooth, 6_000, np.where(stopped, 0, 6_000), LINE)
    assert result.laid.all()
    for f in fields(again):
        assert np.array_equal(getattr(again, f.name), getattr(result.fits, f.name)), f.name


@pytest.mark.parametrize("make_up", ["far", "start", "middle"])
@pytest.mark.parametrize("lay_from", ["start", "far"])
def test_random_beds_add_up_and_do_not_overlap(lay_from: str, make_up: str) -> None:
    runs = make_runs(random_paths(17, 150))
    rules = LayRules(lay_from=lay_from, make_up=make_up)  # type: ignore[arg-type]
    result = lay(runs, ["bed"], LINE, rules)
    check_sums(runs, result)
    check_footprints(result)
    assert result.counts == lay(runs, ["bed"], LINE, LayRules()).counts


@settings(deadline=None, derandomize=True, max_examples=150)
@given(
    seed=st.integers(0, 10**6),
    least=st.integers(-20_000, 5_000),
    spread=st.integers(0, 15_000),
    section=st.integers(300_000, 2_000_000),
    closer=st.integers(100_000, 290_000),
    arms=st.tuples(st.integers(150_000, 900_000), st.integers(150_000, 900_000)),
    end=st.integers(50_000, 600_000),
    cuttable=st.booleans(),
    lay_from=st.sampled_from(["start", "far"]),
    make_up=st.sampled_from(["start", "far", "middle"]),
)
def test_any_line_on_any_bed(
    seed: int,
    least: int,
    spread: int,
    section: int,
    closer: int,
    arms: tuple[int, int],
    end: int,
    cuttable: bool,
    lay_from: str,
    make_up: str,
) -> None:
    """Lapped joints, odd sizes, arms longer than legs: sums hold and nothing overlaps."""
    line = make_line(
        gap_least_um=least, gap_nominal_um=least + spread // 2, gap_greatest_um=least + spread,
        sections=(straight("A", section), straight("B", section * 2 // 3)), closers=(straight("C", closer),),
        corners=(
            CornerUnit(Article("O", "O"), "outside", 30, 130, *arms, "centre", False),
            CornerUnit(Article("I", "I"), "inside", 30, 110, *arms, "centre", False),
        ),
        ends=(EndUnit(Article("E", "E"), end, "left"),), cuttable=cuttable,
    )  # fmt: skip
    runs = make_runs(random_paths(seed, 9))
    rules = LayRules(lay_from=lay_from, make_up=make_up)  # type: ignore[arg-type]
    result = lay(runs, ["bed"], line, rules)
    check_sums(runs, result)
    check_footprints(result)


def mirrored(paths: list[Path]) -> list[Path]:
    """Seen in a mirror and walked the other way: the bed is on the left again."""
    out = []
    for p in paths:
        xy = np.asarray(p.xy, dtype=float)[::-1] * [-1, 1]
        if p.closed:
            xy = np.roll(xy, 1, axis=0)  # the same first vertex
            corners = sorted((len(xy) - c) % len(xy) for c in p.corners)
        else:
            corners = sorted(len(xy) - 1 - c for c in p.corners)
        out.append(replace(p, xy=xy, corners=corners, start=p.far, far=p.start))
    return out


@pytest.mark.parametrize("make_up", ["far", "start", "middle"])
def test_reversal_with_the_mirrored_line_mirrors_every_piece(make_up: str) -> None:
    """Laid from the other end, each piece of the mirror image is the image of a piece."""
    paths = random_paths(23, 60)
    ends = (EndUnit(Article("L", "L"), 180_000, "left"), EndUnit(Article("R", "R"), 240_000, "right"))
    line = make_line(ends=ends)
    swapped = make_line(
        ends=tuple(replace(e, hand="right" if e.hand == "left" else "left") for e in ends),
        corners=tuple(replace(c, arriving_um=c.leaving_um, leaving_um=c.arriving_um) for c in line.corners),
    )
    one = lay(make_runs(paths), ["b"], line, LayRules(make_up=make_up))  # type: ignore[arg-type]
    rules = LayRules(make_up=make_up, lay_from="far")  # type: ignore[arg-type]
    two = lay(make_runs(mirrored(paths)), ["b"], swapped, rules)
    assert one.counts == two.counts
    assert one.run_counts.tolist() == two.run_counts.tolist()
    assert len(one.unmet) == len(two.unmet)
    length = one.stations.run_um
    assert length.tolist() == two.stations.run_um.tolist()

    closed = make_runs(paths).closed

    def rows(result: Takeoff, turn: bool) -> list[tuple[int, int, int, str]]:
        p = result.pieces
        of = length[p.run]
        start = of - p.to_um if turn else p.from_um
        start = np.where(closed[p.run], start % of, start)  # round a ring
        size = p.to_um - p.from_um
        return sorted(zip(p.run.tolist(), start.tolist(), size.tolist(), p.code.tolist(), strict=True))

    assert rows(one, False) == rows(two, True)


def test_unknown_places_are_refused() -> None:
    with pytest.raises(UsageError, match='make_up = "end" is not known; use far or start or middle'):
        LayRules(make_up="end")  # type: ignore[arg-type]
    with pytest.raises(UsageError, match='lay_from = "left" is not known; use start or far'):
        LayRules(lay_from="left")  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="fit tolerances must not be negative"):
        lay(one_leg(3.0, NodeKind.FREE, NodeKind.FREE), ["b"], LINE, LayRules(fit_short_um=-1))


def test_nothing_to_lay() -> None:
    runs = make_runs([Path([(0, 0), (3, 0)])])
    nothing: dict[str, Any] = {
        f.name: getattr(runs, f.name)[:0] for f in fields(runs) if getattr(runs, f.name) is not None
    }
    nothing |= {name: np.zeros(1, dtype=np.int64) for name in ("leg_offsets", "offsets")}
    empty = Runs(**nothing)
    result = lay(empty, [], LINE, LayRules())
    assert len(result.pieces) == len(result.unmet) == 0
    assert result.counts == {}
    assert result.pieces.outline_offsets.tolist() == [0]
