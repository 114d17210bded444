"""Rigid pieces on curves: closed forms on circles, brute force, limits as drawn, fair lines, noise."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from siteplan.catalog import load_line
from siteplan.laying import closing
from siteplan.laying.chords import arc_points, chord_lines, least_radius, ring_radius, turned, walk
from siteplan.laying.fairing import fair
from siteplan.laying.fit import FitReason
from siteplan.laying.takeoff import NOTHING_FITS, RIGID_CURVE, LayRules, Takeoff, lay
from siteplan.model import NodeKind, PieceKind, Runs
from siteplan.products import ProductLine
from tests.make_runs import Path, footprints, make_line, make_runs, overlaps, random_paths, straight
from tests.test_takeoff import mirrored

KERB = load_line("rigid-900mm")
BLOCK = load_line("block-1ft")
AS_TRACED = LayRules(fair_within_um=0)
WALL = NodeKind.ABUTTED


def circle(radius: float, n: int = 4_000) -> Path:
    at = np.arange(n) * (2 * np.pi / n)
    return Path(radius * np.column_stack([np.cos(at), np.sin(at)]), closed=True)


def arc(radius: float, length: float, *, right: bool = False, sagitta: float = 1e-8, **ends: Any) -> Path:
    """Arc of this length between two walls (no unit, no clearance: see :func:`bare`)."""
    xy = arc_points((0, 0), radius, 0.0, (-1 if right else 1) * length / radius, sagitta)
    return Path(xy, **{"start": WALL, "far": WALL, **ends})


def bare(**changes: Any) -> ProductLine:
    """A rigid line without units, clearances or cuts."""
    return replace(KERB, **{"ends": (), "corners": (), "end_clearance_um": 0, "cuttable": False, **changes})


def laid_on(path: Path, line: ProductLine, rules: LayRules = AS_TRACED) -> tuple[Runs, Takeoff]:
    runs = make_runs([path])
    return runs, lay(runs, ["bed"], line, rules)


def check_curves(runs: Runs, result: Takeoff) -> None:
    """Every limit once more, from the table of pieces and the footprints alone."""
    line, p = result.line, result.pieces
    curved = ~runs.straight[p.leg] & np.isin(p.kind, [PieceKind.SECTION, PieceKind.CLOSER, PieceKind.CUT])
    shapes = footprints(p)
    # true rectangles: as long as the piece, as deep as the line
    lengths = {s.article.code: s.laying_um for s in line.straights}
    length = np.array([lengths[c] for c in p.code[curved]])
    length = np.where(p.cut_um[curved] > 0, p.cut_um[curved], length)
    corners = np.stack([p.outline_xy[p.outline_offsets[:-1][curved] + k] for k in range(4)], axis=1)
    assert (np.diff(p.outline_offsets)[curved] == 4).all()
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    assert sides[:, [0, 2]] == pytest.approx(np.column_stack([length, length]) / 1e6, abs=2e-6)
    assert sides[:, [1, 3]] == pytest.approx(np.full((len(length), 2), line.depth_um / 1e6), abs=1e-9)
    assert shapely.is_ccw(shapely.get_exterior_ring(shapes)).all()
    # joints between two of them: gap and deflection measured on the ground
    start, end = (corners[:, 0] + corners[:, 3]) / 2, (corners[:, 1] + corners[:, 2]) / 2
    which = np.flatnonzero(curved)
    along = end - start
    angle = np.arctan2(along[:, 1], along[:, 0])
    joint = (np.diff(which) == 1) & (np.diff(p.leg[which]) == 0) & (p.gap_um[which[1:]] != 0)
    joint &= p.left_over_um[which[1:]] == 0
    after = which[1:][joint]
    gap = np.linalg.norm(start[1:] - end[:-1], axis=1)[joint] * 1e6
    delta = turned(angle[:-1], angle[1:])[joint]
    assert gap == pytest.approx(p.gap_um[after], abs=2.0)
    assert np.degrees(delta) == pytest.approx(p.deflection_deg[after], abs=1e-3)
    lean = line.depth_um * np.sin(np.abs(delta) / 2)
    assert p.inner_um[after] == pytest.approx(gap - lean, abs=3.0)
    assert p.outer_um[after] == pytest.approx(gap + lean, abs=3.0)
    # and held to the limits, the joints to units and round the seam as well
    jointed = p.gap_um != 0
    assert (
        np.abs(p.deflection_deg[jointed & curved_legs(runs, result)]).max(initial=0)
        <= line.deflection_deg + 1e-5
    )
    on_curve = jointed & curved_legs(runs, result)
    assert p.inner_um[on_curve].min(initial=line.gap_least_um) >= line.gap_least_um - 2.0
    assert p.outer_um[on_curve].max(initial=line.gap_greatest_um) <= line.gap_greatest_um + 2.0
    # stations: pieces, gaps and left-over come one after another along the leg, within 1 mm
    same = (p.leg[1:] == p.leg[:-1]) & curved_legs(runs, result)[1:]
    between = (p.from_um[1:] - p.to_um[:-1])[same]
    told = (p.gap_um[1:] + p.left_over_um[1:])[same]
    no_end = ~np.isin(p.kind, [PieceKind.END, PieceKind.CORNER])
    last = np.append(p.leg[1:] != p.leg[:-1], True)[1:][same] & no_end[1:][same]
    assert np.abs(between - told)[~last].max(initial=0) <= 1_000
    # nothing lies over anything else
    pairs, area = overlaps(shapes)
    over = np.maximum(-p.left_over_um, 0) + np.maximum(-p.gap_um, 0)
    mine = curved[pairs[0]] & curved[pairs[1]] & (p.run[pairs[0]] == p.run[pairs[1]])
    allowed = (over[pairs[0]] + over[pairs[1]]) * 1e-6 * line.depth_um * 1e-6
    assert (area <= allowed + 1e-9)[mine].all()
    # counts and sums agree with the table
    assert sum(result.counts.values()) == len(p)
    legs = np.flatnonzero(~runs.straight)
    length_by_leg = np.bincount(p.leg[curved], weights=length, minlength=len(runs.leg_id))
    total = result.legs.start_um + length_by_leg + result.legs.gap_total_um + result.legs.left_over_um
    total += result.legs.far_um + result.curve_um
    assert total[legs].tolist() == result.stations.leg_um[legs].tolist()


def curved_legs(runs: Runs, result: Takeoff) -> NDArray[np.bool_]:
    """(p,) pieces on curved legs."""
    out: NDArray[np.bool_] = ~runs.straight[result.pieces.leg]
    return out


# --- circles


@pytest.mark.parametrize(("n", "gap_um"), [(104, 6_000), (120, 5_700), (150, 4_800), (200, 7_500)])
def test_a_ring_that_n_sections_close_takes_them_with_the_gap_of_its_equation(n: int, gap_um: int) -> None:
    """n (asin(s/2R) + asin(g/2R)) = pi; the gap root-found by itself, closing error under 0.1 mm."""
    radius = ring_radius(n, 0.9, gap_um / 1e6)
    runs, result = laid_on(circle(radius, 20_000), KERB)
    pieces = result.pieces
    assert result.counts == {"R-900": n}
    assert len(result.unmet) == 0
    own = brentq(
        lambda g: n * (math.asin(0.9 / 2 / radius) + math.asin(g / 2 / radius)) - math.pi,
        1e-4,
        0.02,
        xtol=1e-12,
    )
    # the polygon of 20,000 sides is shorter than its circle by 0.1 mm in all
    assert pieces.gap_um == pytest.approx(np.full(n, own * 1e6), abs=3.0)
    assert pieces.deflection_deg == pytest.approx(np.full(n, 360 / n), abs=2e-3)
    ends = footprint_ends(result)
    error = np.linalg.norm(ends[0][0] - ends[1][-1]) * 1e6 - pieces.gap_um[0]
    assert abs(error) < 100.0
    check_curves(runs, result)


def footprint_ends(result: Takeoff) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middles of the two end faces of each rectangle."""
    p = result.pieces
    at = [p.outline_xy[p.outline_offsets[:-1] + k] for k in range(4)]
    return (at[0] + at[3]) / 2, (at[1] + at[2]) / 2


@pytest.mark.parametrize(("sides", "side_um"), [(6, 1_000_000), (8, 765_367), (10, 618_034), (12, 517_638)])
def test_closed_pieces_without_gaps_are_a_regular_polygon(sides: int, side_um: int) -> None:
    """CRV-10: sides of regular polygons in the unit circle, a classical table to seven digits."""
    line = bare(
        sections=(straight("S", side_um),), closers=(), depth_um=10_000, deflection_deg=61.0,
        gap_least_um=-6_000, gap_nominal_um=0, gap_greatest_um=6_000,
    )  # fmt: skip
    runs, result = laid_on(circle(1.0, 40_000), line)
    assert result.counts == {"S": sides}
    assert np.abs(result.pieces.gap_um).max() <= 2  # um: the table's last digit is 0.1 um
    start, _ = footprint_ends(result)
    assert np.linalg.norm(start, axis=1) == pytest.approx(np.ones(sides), abs=1e-7)
    assert result.pieces.heading_deg == pytest.approx(
        (-np.arange(sides) * 360 / sides - 180 / sides) % 360, abs=1e-3
    )
    assert runs.closed.all()


@pytest.mark.parametrize("right", [False, True])
def test_the_least_radius_of_sections_is_where_sections_end(right: bool) -> None:
    least, _ = least_radius(0.9, 0.002, 0.010, 0.12, 3.5)
    line = bare(closers=())
    n = 20
    for factor, met in ((1.0005, True), (0.9995, False)):
        radius = least * factor
        # n pieces and n - 1 gaps of the closed form, exactly
        turn = n * 2 * math.asin(0.45 / radius) + (n - 1) * 2 * math.asin(0.005665 / 2 / radius)
        runs, result = laid_on(arc(radius, turn * radius, right=right), line)
        assert (len(result.unmet) == 0) == met
        if met:
            assert result.counts == {"R-900": n}
            turned_deg = result.pieces.deflection_deg[1:]
            assert (np.sign(turned_deg) == (-1 if right else 1)).all()
            check_curves(runs, result)
        else:
            assert set(result.unmet.code) <= {RIGID_CURVE, NOTHING_FITS}
            assert f"radius {radius:.3f} m" in result.unmet.why[0]
            assert f"with its shortest piece, 0.900 m, follows {least:.3f} m or more" in result.unmet.why[0]
            assert result.unmet.short_m.sum() > 0.9 * radius * turn


# --- brute force


def arc_of(chord: float, radius: float) -> float:
    return 2 * radius * math.asin(chord / (2 * radius))


def brute_on_arc(radius: float, length: float, line: ProductLine, rules: LayRules) -> tuple[int, int] | None:
    """Fewest (pieces, closers) of any fill of one arc between walls, sections before closers.

    Every count of sections and up to three closers; for each the gaps every joint allows, and whether
    the common gap that meets the arc within the tolerance is one of them.
    """
    sections, closers = [s.laying_um / 1e6 for s in line.sections], [s.laying_um / 1e6 for s in line.closers]
    best = None
    for n in range(int(length / sections[0]) + 2):
        for k in range(rules.closer_limit + 1):
            for extra in itertools.combinations_with_replacement(closers, k):
                pieces = [sections[0]] * n + list(extra)
                if pieces and gap_exists(pieces, radius, length, line, rules):
                    found = (len(pieces), k)
                    best = found if best is None else min(best, found)
    return best


def gap_exists(pieces: list[float], radius: float, length: float, line: ProductLine, rules: LayRules) -> bool:
    joints = len(pieces) - 1
    total = sum(arc_of(s, radius) for s in pieces)

    def off(g: float) -> float:
        return length - total - joints * arc_of(g, radius)

    def allowed(g: float) -> bool:
        for one, two in itertools.pairwise(pieces):
            delta = math.asin(one / 2 / radius) + math.asin(two / 2 / radius) + 2 * math.asin(g / 2 / radius)
            lean = line.depth_um / 1e6 * math.sin(delta / 2)
            if math.degrees(delta) > line.deflection_deg or g - lean < line.gap_least_um / 1e6:
                return False
            if g + lean > line.gap_greatest_um / 1e6:
                return False
        return True

    if not joints:
        return -1e-6 <= off(0.0) <= rules.fit_short_um / 1e6 + 1e-6
    grid = np.linspace(line.gap_least_um / 1e6, line.gap_greatest_um / 1e6, 81)
    return any(-1e-6 <= off(g) <= rules.fit_short_um / 1e6 + 1e-6 and allowed(g) for g in grid)


def test_arcs_of_one_radius_take_the_fewest_pieces_there_are() -> None:
    """A hundred arcs, open, between walls: pieces and closers as brute force over all fills has them."""
    rng = np.random.default_rng(5)
    line, rules = bare(), AS_TRACED
    arcs = [(float(rng.uniform(15.5, 60)), float(rng.uniform(1.0, 14.0))) for _ in range(100)]
    runs = make_runs([arc(r, s, sagitta=1e-6) for r, s in arcs])
    result = lay(runs, ["bed"], line, rules)
    met = 0
    for leg, (radius, length) in enumerate(arcs):
        best = brute_on_arc(radius, length, line, rules)
        mine = None
        if result.fits.reason[leg] == FitReason.MET:
            mine = (int(result.fits.pieces[leg]), int(result.fits.counts[leg, 1:].sum()))
            met += 1
        assert mine == best, (radius, length)
    assert 25 < met < 60
    check_curves(runs, result)


def test_tight_places_against_every_sequence() -> None:
    """Short arcs sections cannot follow, uncut, made so that some sequence closes: pieces by brute force."""
    rng = np.random.default_rng(8)
    line, rules = bare(), AS_TRACED
    kinds = [s.laying_um / 1e6 for s in line.straights]
    arcs: list[tuple[float, float]] = []
    while len(arcs) < 60:
        radius, pieces = float(rng.uniform(5.5, 14.0)), [float(rng.choice(kinds))]
        for _ in range(int(rng.integers(2, 7))):
            follow = [k for k in kinds if pair_fits(pieces[-1], k, radius, line)]
            pieces += [float(rng.choice(follow))] if follow else []
        length = sum(arc_of(s, radius) for s in pieces) + (len(pieces) - 1) * arc_of(0.006, radius)
        if len(pieces) > 2 and gap_exists(pieces, radius, length, line, rules):
            arcs.append((radius, length))
    runs = make_runs([arc(r, s, sagitta=1e-6) for r, s in arcs])
    result = lay(runs, ["bed"], line, rules)
    met = equal = 0
    for leg, (radius, length) in enumerate(arcs):
        best = fewest_of_all(kinds, radius, length, line, rules)
        assert best is not None
        if result.fits.reason[leg] == FitReason.MET:
            met += 1
            assert result.fits.pieces[leg] >= best, (radius, length)
            equal += int(result.fits.pieces[leg] == best)
    print(f"\ntight arcs: of {len(arcs)} {met} met, {equal} with as few pieces as brute force")
    assert met == len(arcs)
    assert equal >= 0.9 * met
    check_curves(runs, result)


def test_short_legs_are_tried_with_every_sequence_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few at once where memory is short, each leg laid as among many."""
    rng = np.random.default_rng(8)
    line = bare()
    runs = make_runs(
        [arc(float(rng.uniform(5.5, 14.0)), float(rng.uniform(1.0, 2.2)), sagitta=1e-3) for _ in range(30)]
    )
    seen: list[tuple[int, int]] = []
    every = closing._whole_ways

    def counted(case: Any, whole: Any, leg: Any) -> Any:
        seen.append((len(leg), len(whole.count)))
        return every(case, whole, leg)

    monkeypatch.setattr(closing, "_whole_ways", counted)
    together = lay(runs, ["bed"], line, AS_TRACED)
    assert max(legs for legs, _ in seen) > 8
    assert all(legs * ways <= closing._EVERY_WAYS for legs, ways in seen)
    most = max(ways for _, ways in seen)
    seen.clear()
    monkeypatch.setattr(closing, "_EVERY_WAYS", 4 * most)
    blocks = lay(runs, ["bed"], line, AS_TRACED)
    assert max(legs for legs, _ in seen) == 4
    for name in ("code", "leg", "from_um", "to_um", "gap_um", "left_over_um"):
        assert getattr(blocks.pieces, name).tolist() == getattr(together.pieces, name).tolist()
    assert 0 < np.count_nonzero(together.fits.reason == FitReason.MET) < 30


def fewest_of_all(
    kinds: list[float], radius: float, length: float, line: ProductLine, rules: LayRules
) -> int | None:
    """Fewest pieces of any sequence of up to eight pieces that one common gap closes.

    On one arc only pairs of neighbours matter, so sequences grow pair by allowed pair.
    """
    least = line.gap_least_um / 1e6

    good = {(a, b) for a in kinds for b in kinds if pair_fits(a, b, radius, line)}
    grown: list[tuple[float, ...]] = [(k,) for k in kinds]
    for _ in range(8):
        for pieces in grown:
            if gap_exists(list(pieces), radius, length, line, rules):
                return len(pieces)
        grown = [
            (*p, k)
            for p in grown
            for k in kinds
            if (p[-1], k) in good and sum(p) + k + len(p) * least <= length + 0.001
        ]
        # the order matters to neighbours only: keep one of each multiset with the same last piece
        grown = list({(tuple(sorted(p)), p[-1], pairs_of(p)): p for p in grown}.values())
    return None


def pairs_of(pieces: tuple[float, ...]) -> float:
    """The tightest pair, which decides whether a gap is allowed."""
    return max((a + b for a, b in itertools.pairwise(pieces)), default=0.0)


def pair_fits(one: float, two: float, radius: float, line: ProductLine) -> bool:
    for g in np.linspace(line.gap_least_um / 1e6, line.gap_greatest_um / 1e6, 41):
        delta = math.asin(one / 2 / radius) + math.asin(two / 2 / radius) + 2 * math.asin(g / 2 / radius)
        lean = line.depth_um / 1e6 * math.sin(delta / 2)
        if (
            math.degrees(delta) <= line.deflection_deg
            and g - lean >= line.gap_least_um / 1e6
            and g + lean <= line.gap_greatest_um / 1e6
        ):
            return True
    return False


# --- both turns, units, stations


def test_an_s_curve_turns_both_ways() -> None:
    left = arc_points((0, 0), 20.0, 0.0, 0.5, 1e-7)
    end = left[-1]
    centre = end * 2  # the next circle touches the first
    right = arc_points((float(centre[0]), float(centre[1])), 20.0, 0.5 + math.pi, -0.5, 1e-7)
    runs, result = laid_on(Path(np.vstack([left, right[1:]])), KERB)
    assert len(result.unmet) == 0
    turn = result.pieces.deflection_deg
    assert turn.max() == pytest.approx(2.6, abs=0.15)
    assert turn.min() == pytest.approx(-2.6, abs=0.15)
    assert {"R-EL", "R-ER"} <= set(result.counts)
    check_curves(runs, result)


def test_ends_lie_on_the_traced_line_when_it_is_not_made_fair() -> None:
    runs = make_runs([Path(smooth(seed, 200), closed=True) for seed in range(5)])
    result = lay(runs, ["b"], KERB, AS_TRACED)
    start, end = footprint_ends(result)
    lines = [shapely.LineString(runs.xy[a:b]) for a, b in itertools.pairwise(runs.offsets)]
    for points in (start, end):
        off = shapely.distance(shapely.points(points), np.array(lines, dtype=object)[result.pieces.leg])
        assert off.max() < 1e-9


def test_a_leg_is_laid_the_same_whatever_lies_beside_it() -> None:
    paths = [Path(smooth(seed, 60, noise=0.01), closed=True) for seed in range(2)]
    together = lay(make_runs(paths), ["b"], KERB, LayRules()).pieces
    for k, path in enumerate(paths):
        alone = lay(make_runs([path]), ["b"], KERB, LayRules()).pieces
        mine = together.run == k
        assert together.code[mine].tolist() == alone.code.tolist()
        assert together.from_um[mine] == pytest.approx(alone.from_um, abs=2)


def smooth(seed: int, n: int, *, noise: float = 0.0) -> NDArray[np.float64]:
    """A kidney 66 m round, least radius 6.9 m outward and 7.0 m inward at its dent."""
    rng = np.random.default_rng(seed)
    at = np.arange(n) * (2 * np.pi / n)
    radius = 11 + 2.6 * np.cos(at) - 2.0 * np.cos(2 * at)
    xy = np.column_stack([radius * np.cos(at), 0.85 * radius * np.sin(at)])
    angle = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    moved: NDArray[np.float64] = (xy + (rng.normal(0, noise, (n, 2)) if noise else 0)) @ turn
    return moved


@pytest.mark.parametrize("lay_from", ["start", "far"])
@pytest.mark.parametrize("line", [KERB, BLOCK, bare(), make_line(behaviour="rigid")], ids=lambda q: q.key)
@pytest.mark.parametrize("kidneys", [3, pytest.param(6, marks=pytest.mark.slow)])
def test_limits_stations_and_footprints_of_many_beds(line: ProductLine, lay_from: str, kidneys: int) -> None:
    paths = [
        *(
            Path(smooth(s, 60 if s % 2 else 150, noise=0.01 * (s % 3)) + [40 * s, 0], closed=True)
            for s in range(kidneys)
        ),
        *(replace(p, xy=np.asarray(p.xy) + [0, 100]) for p in random_paths(4, 3 * kidneys)),
        replace(arc(9.0, 25.0, right=True), xy=np.asarray(arc(9.0, 25.0, right=True).xy) + [0, -60]),
        replace(arc(30.0, 25.0), xy=np.asarray(arc(30.0, 25.0).xy) + [60, -60], start=NodeKind.FREE),
    ]
    runs = make_runs(paths)
    result = lay(runs, ["b"], line, LayRules(lay_from=lay_from))  # type: ignore[arg-type]
    check_curves(runs, result)
    assert (result.faired_m <= 0.020 + 1e-9).all()
    # what is bare is told, to the micrometre
    legs = np.flatnonzero(~runs.straight)
    told = np.bincount(result.unmet.leg, weights=result.unmet.short_m, minlength=len(runs.leg_id))
    closed = np.abs(result.fits.left_over_um / 1e6 - told)[legs]
    assert closed.max() <= 0.0061  # the fit tolerance, 6 mm, may be left besides


@pytest.mark.parametrize("make_up", ["far", "start", "middle"])
def test_reversal_mirrors_every_piece(make_up: str) -> None:
    paths = [
        Path(smooth(1, 200) + [0.3, 0], closed=True), arc(25.0, 17.3), arc(16.0, 9.1, far=NodeKind.FREE),
        arc(9.0, 12.0), Path(smooth(2, 40, noise=0.01), closed=True),
    ]  # fmt: skip
    line = replace(KERB, ends=(replace(KERB.ends[0], hand="either"),))
    one = lay(make_runs(paths), ["b"], line, LayRules(make_up=make_up))  # type: ignore[arg-type]
    rules = LayRules(make_up=make_up, lay_from="far")  # type: ignore[arg-type]
    two = lay(make_runs(mirrored(paths)), ["b"], line, rules)
    assert one.counts == two.counts
    length = one.stations.run_um
    for run in range(len(paths)):
        a, b = one.pieces.run == run, two.pieces.run == run
        assert one.pieces.code[a].tolist() == two.pieces.code[b][::-1].tolist()
        assert one.pieces.from_um[a] == pytest.approx((length[run] - two.pieces.to_um[b])[::-1], abs=3)


def test_a_flexible_line_has_gaps_and_no_deflection() -> None:
    pieces = lay(make_runs(random_paths(3, 30)), ["b"], make_line(), LayRules()).pieces
    assert not pieces.deflection_deg.any()
    assert pieces.inner_um.tolist() == pieces.outer_um.tolist() == pieces.gap_um.tolist()


def test_a_tight_stretch_is_told_with_its_radius_and_its_limit() -> None:
    """Straight, an arc of 1.2 m radius, straight: sections either side, the arc bare."""
    bend = arc_points((12.0, 1.2), 1.2, -math.pi / 2, math.pi / 2, 1e-6)
    runs, result = laid_on(Path(np.vstack([(0.0, 0.0), bend, (13.2, 13.2)])), KERB)
    limit = least_radius(0.15, 0.002, 0.010, 0.12, 3.5)[0]
    bent = result.unmet.code == RIGID_CURVE
    assert bent.sum() == 1
    assert result.unmet.why[bent][0].startswith("a curve of radius 1.2")
    assert f"shortest piece, 0.150 m, follows {limit:.3f} m or more" in result.unmet.why[bent][0]
    assert result.unmet.short_m[bent][0] == pytest.approx(1.2 * math.pi / 2, abs=0.3)
    assert result.counts["R-900"] >= 22
    check_curves(runs, result)


def test_cut_pieces_follow_where_a_line_has_no_closers() -> None:
    line = replace(KERB, closers=())
    _, result = laid_on(circle(9.0), line)
    assert result.unmet.short_m.sum() < 0.5
    assert result.by_kind["cut"] > 50
    # equal parts of a section, as many as its kerf and the least cut allow
    assert set(np.unique(result.pieces.cut_um)) <= {
        0,
        *(result.pieces.cut_um[result.pieces.cut_um >= 200_000]),
    }


# --- fair lines


def made_fair(xy: NDArray[np.float64], *, ring: bool, within: float = 0.02, held: float = 0.0) -> Any:
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    return fair(
        xy, walked, np.array([0, len(xy)]), np.array([ring]),
        np.array([held]), np.array([walked[-1] - held]), within, 0.05,
    )  # fmt: skip


def test_fair_lines_leave_straight_lines_and_circles_alone() -> None:
    line = np.linspace((0, 0), (9, 4), 30)
    made = made_fair(line, ring=False)
    assert made.moved_m[0] < 1e-9
    round_ = arc_points((0, 0), 7.0, 0.0, 2 * math.pi, 1e-6)
    round_[-1] = round_[0]
    made = made_fair(round_, ring=True)
    # (2.5 / 7)^12 of the radius is 0.03 mm
    assert np.hypot(*made.xy.T) == pytest.approx(np.full(len(made.xy), 7.0), abs=4e-5)
    assert made.xy[0].tolist() == made.xy[-1].tolist()


@settings(deadline=None, derandomize=True, max_examples=15)
@given(
    seed=st.integers(0, 10**6), n=st.integers(40, 150), noise=st.floats(0, 0.02),
    within=st.floats(0.001, 0.05), ring=st.booleans(),
)  # fmt: skip
def test_fair_lines_keep_within_their_distance_and_their_held_ends(
    seed: int, n: int, noise: float, within: float, ring: bool
) -> None:
    xy = smooth(seed, n, noise=noise)
    xy = np.vstack([xy, xy[:1]]) if ring else xy
    made = made_fair(xy, ring=ring, within=within, held=0.0 if ring else 0.7)
    traced = shapely.LineString(xy)
    assert made.moved_m[0] <= within + 1e-12
    # nodes stand beside the traced vertices, and midpoints on cubics: a few millimetres at a kink
    assert shapely.distance(shapely.points(made.xy), traced).max() <= within + 4e-3
    assert (np.diff(made.traced_m) > 0).all()
    if not ring:
        held = made.traced_m <= 0.6
        assert shapely.distance(shapely.points(made.xy[held]), traced).max() < 1e-3


def test_a_fair_line_turns_evenly_where_the_traced_one_turns_at_its_vertices() -> None:
    """A circle of 11 m traced with 48 vertices, 7.5 degrees at each: blocks of 0.3 m turn 1.6 at a joint."""
    runs, traced = laid_on(circle(11.0, 48), BLOCK)
    _, made = laid_on(circle(11.0, 48), BLOCK, LayRules())
    assert len(traced.unmet) > 0
    assert len(made.unmet) == 0
    whole = made.pieces.kind == PieceKind.SECTION
    expected = math.degrees(2 * math.asin(0.3048 / 2 / 11) + 2 * math.asin(0.00635 / 2 / 11))
    assert made.pieces.deflection_deg[whole][1:-1] == pytest.approx(
        np.full(whole.sum() - 2, expected), abs=0.05
    )
    # the traced polygon lies 23.5 mm inside its circle in the middle of its edges; a mean line half of that
    assert made.faired_m[0] == pytest.approx(0.016, abs=0.003)
    check_curves(runs, made)


@pytest.mark.parametrize(("n", "noise", "most_bare"), [
    (30, 0.0, 0.05), (60, 0.01, 0.02), (30, 0.02, 0.12),
    *(pytest.param(*row, marks=pytest.mark.slow) for row in (
        (60, 0.0, 0.0), (120, 0.0, 0.0), (30, 0.01, 0.05),
        (120, 0.01, 0.02), (60, 0.02, 0.15), (120, 0.02, 0.25),
    )),
])  # fmt: skip
@pytest.mark.parametrize("line", [KERB, BLOCK], ids=["kerb", "block"])
def test_kidneys_traced_with_noise(line: ProductLine, n: int, noise: float, most_bare: float) -> None:
    """How much of three kidneys stays bare; the numbers stand in docs/curves.md."""
    runs = make_runs([Path(smooth(seed, n, noise=noise), closed=True) for seed in range(3)])
    share = []
    for rules in (AS_TRACED, LayRules()):
        result = lay(runs, ["b"], line, rules)
        share.append(result.unmet.short_m.sum() / runs.length_m.sum())
    print(
        f"\n{line.key} {n} vertices, {noise * 100:.0f} cm: bare {share[0]:.1%} as traced, {share[1]:.1%} fair"
    )
    assert share[1] <= most_bare


def test_walk_and_lay_agree() -> None:
    """The pieces of a plan walked again one by one, from the table alone."""
    runs, result = laid_on(arc(22.0, 19.0), KERB)
    p = result.pieces
    lines = chord_lines(runs.xy, runs.offsets, np.array([False]), 3.0)
    length = np.where(p.cut_um > 0, p.cut_um, 0)
    for s in KERB.straights:
        length = np.where((length == 0) & (p.code == s.article.code), s.laying_um, length)
    before = np.where(np.arange(len(p)) > 0, p.gap_um + p.left_over_um, 0) / 1e6
    at = np.array([result.legs.start_um[0] / 1e6])
    again = walk(lines, np.array([0]), np.array([0, len(p)]), at, before, length / 1e6, np.zeros(1))
    start, end = footprint_ends(result)
    assert again.start_xy == pytest.approx(start, abs=2e-6)
    assert again.end_xy == pytest.approx(end, abs=2e-6)
    assert again.to_m * 1e6 == pytest.approx(p.to_um, abs=2)


@pytest.mark.parametrize("line", [KERB, BLOCK], ids=lambda line: line.key)
@pytest.mark.parametrize("size", [0.01, 0.03, 0.1])
def test_a_ring_smaller_than_a_fair_line_may_move(line: ProductLine, size: float) -> None:
    """A bed of 1 cm: its fair line shrank to a point, and going round that asked for a terabyte."""
    square = size * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    _, result = laid_on(Path(square, closed=True), line, LayRules())
    assert len(result.pieces) == 0
    assert result.unmet.short_m.sum() == pytest.approx(4 * size, abs=2e-6)
