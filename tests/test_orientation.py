"""Which way reversible corner units lie: every way tried, and what must hold of the choice."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from siteplan.laying.corner_units import CornerHow
from siteplan.laying.fit import fit_legs
from siteplan.laying.goals import GOALS, curve_goals, run_goals
from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.model import NodeKind, Runs
from siteplan.products import Article, CornerRules, CornerUnit, Prefer, ProductLine
from tests.make_runs import LINE, Path, make_runs, steps, straight
from tests.test_takeoff import check_footprints, check_sums

EXACT = LayRules(fit_short_um=0, fit_over_um=0)


def turning_line(**changes: object) -> ProductLine:
    """The test line, its corner units reversible with unlike arms, priced."""
    corners = tuple(
        CornerUnit(Article(f"K{t[0]}", t, price=900), t, 60.0, 120.0, 420_000, 250_000, "centre", True)
        for t in ("outside", "inside")
    )
    priced = {
        "sections": (straight("S1000", 1_000_000),),
        "closers": (straight("C250", 250_000), straight("C170", 170_000)),
    }
    lists = {
        name: tuple(replace(s, article=replace(s.article, price=s.laying_um // 1000)) for s in pieces)
        for name, pieces in priced.items()
    }
    return replace(
        LINE,
        **{"corners": corners, "cut_cost": 150, "laying_cost": 40, **lists, **changes},  # type: ignore[arg-type]
    )


def open_path(rng: np.random.Generator, corners: int) -> Path:
    """An open line that winds outward, with corners to either side."""
    lengths = np.sort(rng.uniform(1.2, 5.0, corners + 1)) * np.linspace(1, 2, corners + 1)
    heading = np.cumsum(np.radians(rng.uniform(60, 118, corners + 1)) * rng.choice([-1, 1], corners + 1))
    step = lengths[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    ends = [NodeKind.FREE, NodeKind.ABUTTED]
    start, far = (ends[i] for i in rng.integers(0, 2, 2))
    xy = np.vstack([np.zeros(2), np.cumsum(step, axis=0)])
    return Path(xy, range(1, corners + 1), start=start, far=far)


def closed_path(rng: np.random.Generator) -> Path:
    xy = steps(rng)
    while len(xy) > 6:
        xy = steps(rng)
    return Path(xy, range(len(xy)), closed=True)


def goals_by_leg(
    runs: Runs, line: ProductLine, rules: LayRules, leg: int, start_um: int, far_um: int
) -> tuple[int, ...]:
    """Goals of one leg, from the fit alone."""
    ends = (int(runs.start_kind[leg]), int(runs.far_kind[leg]))
    taken = 0
    for kind in ends:
        taken += {NodeKind.FREE: line.ends[0].laying_um, NodeKind.ABUTTED: line.end_clearance_um}.get(
            NodeKind(kind), 0
        )
    rest = int(np.floor(runs.length_m[leg] * 1e6 + 0.5)) - taken - start_um - far_um
    stopped = NodeKind.ABUTTED in ends
    fit = fit_legs(
        [rest], [2 - ends.count(NodeKind.ABUTTED)], [False], rules.fit_short_um,
        0 if stopped else rules.fit_over_um, line, prefer=rules.prefer,
    )  # fmt: skip
    unmet, left, joints = bool(fit.unmet[0]), int(fit.left_over_um[0]), int(fit.joints[0])
    off = abs(int(fit.gap_total_um[0]) - joints * line.gap_nominal_um)
    value = {
        "unmet": int(unmet),
        "bare": left if unmet else 0,
        "cuts": int(fit.cuts[0]),
        "pieces": int(fit.pieces[0]),
        "closers": int(fit.counts[0, len(line.sections) :].sum()),
        "cost": int(fit.cost[0]),
        "deviation": 0 if unmet else -(-off // max(joints, 1)),
        "miss": 0 if unmet else abs(left),
    }
    return tuple(value[name] for name in GOALS[rules.prefer])


def every_way(runs: Runs, line: ProductLine, rules: LayRules) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Least goals of a single run over all ways its corners may lie, and the first such way.

    First: fewest exchanged, then the first corners as in the catalogue.
    """
    arms = (line.corners[0].arriving_um, line.corners[0].leaving_um)
    n, corners = len(runs.leg_id), len(runs.corner_leg)
    ring = bool(runs.closed[0])
    known = {}
    for leg in range(n):
        for a, b in product((0, 1), repeat=2):
            start = arms[1 - a] if leg > 0 or ring else 0
            far = arms[b] if leg < n - 1 or ring else 0
            known[leg, a, b] = goals_by_leg(runs, line, rules, leg, start, far)
    found = []
    for way in product((0, 1), repeat=corners):
        # corner k stands between leg k and the next one; of a ring the last stands before leg 0
        total = np.zeros(len(GOALS[rules.prefer]), dtype=np.int64)
        for leg in range(n):
            before = way[leg - 1] if leg > 0 or ring else 0
            after = way[leg] if leg < n - 1 or ring else 0
            total += known[leg, before, after]
        walked = (way[-1], *way[:-1]) if ring else way
        found.append((tuple(total.tolist()), sum(way), walked, way))
    best = min(found)
    return best[0], best[3]


def totals(result: Takeoff, rules: LayRules) -> tuple[int, ...]:
    assert result.legs.sawn is not None
    return tuple(run_goals(result.fits, result.legs.sawn, result.line, rules.prefer).sum(axis=0).tolist())


@pytest.mark.parametrize("prefer", ["pieces", "fit", "cost"])
@pytest.mark.parametrize("tolerance_um", [0, 6_000])
def test_no_other_way_is_better(prefer: Prefer, tolerance_um: int) -> None:
    rng = np.random.default_rng(7)
    line = turning_line()
    rules = LayRules(prefer=prefer, fit_short_um=tolerance_um, fit_over_um=tolerance_um)
    turned = 0
    for k in range(24):
        path = closed_path(rng) if k % 3 == 0 else open_path(rng, int(rng.integers(1, 7)))
        runs = make_runs([path])
        result = lay(runs, ["R1"], line, rules)
        assert (result.corners.how == CornerHow.UNIT).all()
        best, way = every_way(runs, line, rules)
        assert totals(result, rules) == best
        assert tuple(result.corners.exchanged.astype(int).tolist()) == way
        turned += sum(way)
    assert turned > 12  # the choice is not always the catalogue's


def test_many_runs_are_each_as_if_alone() -> None:
    rng = np.random.default_rng(11)
    line = turning_line()
    paths = [open_path(rng, int(rng.integers(0, 7))) if k % 2 else closed_path(rng) for k in range(30)]
    # each far from the others
    paths = [replace(p, xy=np.asarray(p.xy) + [200.0 * k, 0.0]) for k, p in enumerate(paths)]
    ids = [f"R{k}" for k in range(len(paths))]
    together = lay(make_runs(paths), ids, line, LayRules())
    alone = [lay(make_runs([p]), ["R"], line, LayRules()).corners.exchanged for p in paths]
    assert together.corners.exchanged.tolist() == np.concatenate(alone).tolist()
    check_sums(make_runs(paths), together)


def test_a_rectangle_by_hand() -> None:
    """Sections 1 m, no closers, tight joints, arms 0.4 and 0.2 m: sides of 3.4 and 2.6 m.

    As catalogued every corner takes 0.2 m where its leg starts and 0.4 m where it ends, so each
    side has its length less 0.6: 2.8 and 2.0.  With the two corners of one long side turned, the
    long sides come to 3.4 - 0.2 - 0.2 = 3.0 and 3.4 - 0.4 - 0.4 = 2.6, the short ones stay 2.0:
    one cut less.  All four long arms cannot lie on the short sides without cuts there.
    """
    units = (CornerUnit(Article("K", "K"), "outside", 89.0, 91.0, 400_000, 200_000, "centre", True),)
    line = turning_line(
        corners=units,
        closers=(),
        gap_least_um=0,
        gap_nominal_um=0,
        gap_greatest_um=0,
        cut_cost=0,
        laying_cost=0,
    )
    path = Path([(0, 0), (3.4, 0), (3.4, 2.6), (0, 2.6)], range(4), closed=True)
    runs = make_runs([path])
    result = lay(runs, ["R1"], line, EXACT)
    best, way = every_way(runs, line, EXACT)
    assert totals(result, EXACT) == best
    assert tuple(result.corners.exchanged.astype(int).tolist()) == way
    assert result.fits.cuts.tolist().count(0) >= 3
    check_sums(runs, result)
    check_footprints(result)


def test_where_the_long_arm_lies_on_the_ground() -> None:
    """A single corner, one leg a whole number of sections only with the short arm on it."""
    line = turning_line(closers=(), gap_least_um=0, gap_nominal_um=0, gap_greatest_um=0)
    units = tuple(replace(u, arriving_um=400_000, leaving_um=200_000) for u in line.corners)
    line = replace(line, corners=units)
    path = Path([(0, 0), (3.2, 0), (3.2, 2.4)], [1], start=NodeKind.ABUTTED, far=NodeKind.ABUTTED)
    line = replace(line, end_clearance_um=0)
    runs = make_runs([path])
    result = lay(runs, ["R1"], line, EXACT)
    assert result.corners.exchanged.tolist() == [True]
    assert result.fits.cuts.tolist() == [0, 0]
    corner = np.flatnonzero(result.pieces.code == "Ko")
    assert (result.pieces.from_um[corner].tolist(), result.pieces.to_um[corner].tolist()) == (
        [3_000_000], [3_600_000],
    )  # fmt: skip
    assert (result.corners.arriving_um.tolist(), result.corners.leaving_um.tolist()) == ([200_000], [400_000])
    # the same unit that is not reversible stays as the catalogue has it
    stiff = replace(line, corners=tuple(replace(u, reversible=False) for u in line.corners))
    stays = lay(runs, ["R1"], stiff, EXACT)
    assert not stays.corners.exchanged.any()
    assert int(stays.fits.cuts.sum()) > 0


def test_a_leg_too_short_for_two_long_arms_turns_one() -> None:
    """Both units stand, the middle leg is too short only as the catalogue has them."""
    line = turning_line(closers=())
    path = Path([(0, 0), (3, 0), (3, 0.60), (6, 0.60)], [1, 2])
    runs = make_runs([path])
    result = lay(runs, ["R1"], line, LayRules())
    assert result.corners.exchanged.any()
    assert (result.corners.how == CornerHow.UNIT).all()
    assert not result.unmet.leg.tolist().count(1) or "no-room" in result.unmet.code.tolist()
    check_footprints(result)


@pytest.mark.parametrize("behaviour", ["flexible", "rigid"])
def test_never_worse_than_the_catalogue_and_nothing_overlaps(behaviour: str) -> None:
    """Short legs, curves, bends and every kind of end among them."""
    rng = np.random.default_rng(3)
    line = turning_line(behaviour=behaviour)
    stiff = replace(line, corners=tuple(replace(u, reversible=False) for u in line.corners))
    better = 0
    for _ in range(40):
        lengths = rng.uniform(0.35, 2.5, 6)
        heading = np.cumsum(np.radians(rng.uniform(62, 100, 6)) * np.array([1, -1, -1, 1, 1, -1]))
        step = lengths[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
        path = Path(np.vstack([np.zeros(2), np.cumsum(step, axis=0)]), range(1, 6))
        runs = make_runs([path])
        result, plain = lay(runs, ["R1"], line, LayRules()), lay(runs, ["R1"], stiff, LayRules())
        assert len(result.unmet) <= len(plain.unmet)
        if len(result.unmet) == len(plain.unmet) == 0:
            assert totals(result, LayRules()) <= totals(plain, LayRules())
            better += totals(result, LayRules()) < totals(plain, LayRules())
        check_sums(runs, result)
    assert better > 0


def test_no_free_corner_changes_nothing() -> None:
    runs = make_runs([open_path(np.random.default_rng(5), 4)])
    line = turning_line()
    even = replace(
        line, corners=tuple(replace(u, arriving_um=300_000, leaving_um=300_000) for u in line.corners)
    )
    assert not lay(runs, ["R1"], even, LayRules()).corners.exchanged.any()
    nothing = make_runs([])
    assert len(lay(nothing, [], line, LayRules()).pieces) == 0


@pytest.mark.parametrize("shift", [1, 5, 17])
def test_the_start_of_a_smooth_flexible_ring_changes_no_number(shift: int) -> None:
    at = np.arange(48) * (2 * np.pi / 48)
    radius = 4 + 0.5 * np.sin(3 * at)
    xy = np.column_stack([radius * np.cos(at), radius * np.sin(at)])
    one, two = (
        lay(make_runs([Path(np.roll(xy, -k, axis=0), closed=True)]), ["R1"], turning_line(), LayRules())
        for k in (0, shift)
    )
    assert one.leg_counts.tolist() == two.leg_counts.tolist()
    assert one.fits.cut_um.tolist() == two.fits.cut_um.tolist()
    assert one.fits.gap_total_um.tolist() == two.fits.gap_total_um.tolist()


def all_goals(result: Takeoff, prefer: Prefer) -> tuple[int, ...]:
    """Goals of everything laid, curves of a rigid line among it."""
    assert result.legs.sawn is not None
    goals = run_goals(result.fits, result.legs.sawn, result.line, prefer)
    if result.curved is not None:
        goals[result.curved.leg] = curve_goals(result.curved, result.line, prefer)
    return tuple(goals.sum(axis=0).tolist())


def curve_between(rng: np.random.Generator) -> Path:
    """A straight leg, a corner, a leg on an arc, a corner, a straight leg."""
    radius, span = rng.uniform(6, 12), rng.uniform(0.3, 0.8)
    angle = np.linspace(0, span, 40)
    arc = radius * np.column_stack([np.sin(angle), 1 - np.cos(angle)])
    # both straight legs stand square on the arc, on the same side
    normal = np.array([np.sin(span), -np.cos(span)])
    first = np.array([0.0, -rng.uniform(1.5, 4)])
    last = arc[-1] + normal * rng.uniform(1.5, 4)
    return Path(np.vstack([first, arc, last]), [1, 40])


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("kind", ["curve", "mitre"])
def test_every_way_laid_out_whole(kind: str, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a leg on a curve of a rigid line, and with a mitre among the corners: each way laid in full."""
    rng = np.random.default_rng(seed)
    line = turning_line(behaviour="rigid", depth_um=60_000, corner_rules=CornerRules(mitre=True))
    path = curve_between(rng)
    if kind == "mitre":
        turns = np.radians([0, 90, 45, 85])
        heading = np.cumsum(turns * np.array([1, 1, -1, 1]))
        step = rng.uniform(1.5, 4, 4)[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
        path = Path(np.vstack([np.zeros(2), np.cumsum(step, axis=0)]), [1, 2, 3])
    runs, rules = make_runs([path]), LayRules()
    result = lay(runs, ["R1"], line, rules)
    hows = [CornerHow.UNIT, CornerHow.MITRE, CornerHow.UNIT] if kind == "mitre" else [CornerHow.UNIT] * 2
    assert result.corners.how.tolist() == hows
    tried = []
    for way in product((False, True), repeat=len(hows)):
        if kind == "mitre" and way[1]:
            continue
        monkeypatch.setattr("siteplan.laying.filling.best_orientation", lambda *_, way=way: np.array(way))
        tried.append((all_goals(lay(runs, ["R1"], line, rules), rules.prefer), sum(way), way))
    best = min(tried)
    assert all_goals(result, rules.prefer) == best[0]
    assert tuple(result.corners.exchanged.tolist()) == best[2]
    assert max(tried)[0] > best[0]


@pytest.mark.parametrize("shift", [3, 50])
def test_the_start_of_a_rigid_circle_changes_no_count(shift: int) -> None:
    angle = np.arange(120) * (2 * np.pi / 120)
    xy = 9 * np.column_stack([np.cos(angle), np.sin(angle)])
    line = turning_line(behaviour="rigid", depth_um=60_000, deflection_deg=8.0, gap_greatest_um=12_000)
    one, two = (
        lay(make_runs([Path(np.roll(xy, -k, axis=0), closed=True)]), ["R1"], line, LayRules())
        for k in (0, shift)
    )
    assert len(one.pieces) > 50
    assert one.leg_counts.tolist() == two.leg_counts.tolist()
    assert len(one.unmet) == len(two.unmet) == 0
