"""Sideways movement of legs: geometry, lengths that can be filled, the program, never worse."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path as FilePath
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, UsageError
from siteplan.layers import plan_layers
from siteplan.laying.fit import fit_legs
from siteplan.laying.play import fill_ranges
from siteplan.laying.sideways import can_move, length_changes, shift_legs
from siteplan.laying.takeoff import LayRules, Takeoff, lay
from siteplan.model import NodeKind, Runs
from siteplan.plans import RunPlan, plan_runs
from siteplan.products import ProductLine
from siteplan.publish.summary import summary
from siteplan.settings import SiteSettings
from siteplan.sites import Site, load_site, measure
from siteplan.takeoffs import laid_plan, play_findings, takeoff
from siteplan.tomlfile import validated
from tests.make_runs import LINE, Path, make_line, make_runs, random_paths, straight
from tests.test_orientation import turning_line
from tests.test_takeoff import check_footprints, check_sums

TIGHT = make_line(gap_least_um=0, gap_nominal_um=0, gap_greatest_um=0, closers=(), depth_um=60_000)
EXACT = LayRules(fit_short_um=0, fit_over_um=0)


def polygon(rng: np.random.Generator, n: int) -> np.ndarray:
    """A convex polygon, counter-clockwise, its turns 40 degrees or more."""
    while True:
        angle = np.sort(rng.uniform(0, 2 * np.pi, n))
        xy = rng.uniform(5, 9) * np.column_stack([np.cos(angle), np.sin(angle)])
        step = np.roll(xy, -1, axis=0) - xy
        heading = np.arctan2(step[:, 1], step[:, 0])
        turn = (heading - np.roll(heading, 1)) % (2 * np.pi)
        if np.all((turn > np.radians(40)) & (turn < np.radians(130))) and np.hypot(*step.T).min() > 2:
            return xy


def closed(xy: object) -> Path:
    return Path(np.asarray(xy), range(len(np.asarray(xy))), closed=True)


def rectangle(a: float, b: float) -> Path:
    return closed([(0, 0), (a, 0), (a, b), (0, b)])


def meet(p: np.ndarray, u: np.ndarray, q: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Where two lines meet, by Cramer's rule on their equations."""
    rows = np.array([[-u[1], u[0]], [-v[1], v[0]]])
    met: np.ndarray = np.linalg.solve(rows, [rows[0] @ p, rows[1] @ q])
    return met


# ---------------------------------------------------------------- geometry


@pytest.mark.parametrize("seed", range(12))
def test_moved_corners_are_where_the_moved_lines_meet(seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy = polygon(rng, int(rng.integers(3, 7)))
    if seed % 2:  # a notch: inside corners too
        a, b = xy[0], xy[1]
        along = (b - a) / np.hypot(*(b - a))
        left = np.array([-along[1], along[0]])
        one, two = a + (b - a) * 0.35, a + (b - a) * 0.65
        xy = np.vstack([a, one, one + left * 0.5, two + left * 0.5, two, xy[1:]])
    runs = make_runs([closed(xy)])
    n = len(xy)
    t = rng.uniform(-0.2, 0.2, n)
    moved = shift_legs(runs, t)
    u = np.roll(xy, -1, axis=0) - xy
    u /= np.hypot(*u.T)[:, None]
    on = xy + t[:, None] * np.column_stack([u[:, 1], -u[:, 0]])
    corners = np.array([meet(on[i - 1], u[i - 1], on[i], u[i]) for i in range(n)])
    assert np.allclose(moved.xy[moved.offsets[:-1]], corners, atol=1e-12)
    assert np.allclose(moved.xy[moved.offsets[1:] - 1], np.roll(corners, -1, axis=0), atol=1e-12)
    assert np.allclose(moved.corner_xy, np.roll(corners, -1, axis=0), atol=1e-12)
    length = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    assert np.allclose(moved.length_m, length, atol=1e-12)
    before, own, after = length_changes(runs)
    change = before * np.roll(t, 1) + own * t + after * np.roll(t, -1)
    assert np.allclose(length - runs.length_m, change, atol=1e-12)


def test_a_rectangle_moves_in_closed_form() -> None:
    """Sides 1 and 3 are longer by what sides 0 and 2 move outward together, and the other way round."""
    t = np.array([0.01, 0.02, -0.005, 0.03])
    moved = shift_legs(make_runs([rectangle(4, 3)]), t)
    assert np.allclose(moved.length_m, [4 + 0.05, 3 + 0.005, 4 + 0.05, 3 + 0.005], atol=1e-14)


def test_an_open_line_keeps_its_unmoved_end_and_moves_the_free_one_squarely() -> None:
    path = Path([(0, 0), (3, 0), (3, 2)], [1], start=NodeKind.ABUTTED)
    moved = shift_legs(make_runs([path]), np.array([0.0, 0.1]))
    assert moved.xy.tolist() == [[0, 0], [3.1, 0], [3.1, 0], [3.1, 2]]
    assert np.allclose(moved.length_m, [3.1, 2.0], atol=1e-15)
    assert shift_legs(make_runs([path]), np.zeros(2)).xy.tolist() == make_runs([path]).xy.tolist()


def test_legs_that_stay() -> None:
    open_line = make_runs([Path([(0, 0), (3, 0), (3, 2), (6, 2)], [1, 2], start=NodeKind.ABUTTED)])
    assert can_move(open_line, 0.1).tolist() == [False, True, True]
    assert can_move(open_line, 0.1, np.array([False, True, False])).tolist() == [False, False, True]
    tee = make_runs([Path([(0, 0), (3, 0), (3, 2)], [1], far=NodeKind.TEE)])
    assert can_move(tee, 0.1).tolist() == [True, False]
    # a curved leg stays, and so do its neighbours
    bent = make_runs([Path([(0, 0), (3, 0), (3, 2), (4, 3), (6, 3), (6, 6)], [1, 4])])
    assert can_move(bent, 0.1).tolist() == [False, False, False]
    # another bed's edging close by: what comes near it stays; farther off all may move
    pair = [rectangle(4, 3), closed(np.array([(4.1, 0.5), (6, 0.5), (6, 2), (4.1, 2)]))]
    assert can_move(make_runs(pair), 0.2).tolist() == [True, False, True, True, False, True, False, False]
    assert can_move(make_runs(pair), 0.05).all()
    # a corner of little turn
    assert not can_move(make_runs([Path([(0, 0), (3, 0), (6, 0.3)], [1])]), 0.1).any()
    assert len(can_move(make_runs([]), 0.1)) == 0


# ---------------------------------------------------------------- lengths that can be filled


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 10_000))
def test_ranges_say_what_the_fit_finds(seed: int) -> None:
    """For random lines and every rest of a window: uncut exactly where the fit does not cut."""
    rng = np.random.default_rng(seed)
    sections = tuple(
        straight(f"S{k}", int(v)) for k, v in enumerate(rng.integers(60, 130, rng.integers(1, 3)))
    )
    closers = tuple(straight(f"C{k}", int(v)) for k, v in enumerate(rng.integers(15, 55, rng.integers(0, 3))))
    g = int(rng.integers(-2, 3))
    h = g + int(rng.integers(0, 5))
    line = make_line(
        sections=sections, closers=closers, gap_least_um=g, gap_nominal_um=(g + h) // 2, gap_greatest_um=h,
        least_cut_um=int(rng.integers(10, 40)), kerf_um=2,
    )  # fmt: skip
    short, over, units = int(rng.integers(0, 6)), int(rng.integers(0, 6)), int(rng.integers(0, 3))
    limit = int(rng.integers(0, 4))
    low = int(rng.integers(-10, 500))
    rests = np.arange(low, low + 120)
    fits = fit_legs(rests, units, False, short, over, line, closer_limit=limit)
    ranges = fill_ranges(low, low + 119, units, short, over, line, limit)
    for rest, unmet, cuts, pieces in zip(rests, fits.unmet, fits.cuts, fits.pieces, strict=True):
        on = np.flatnonzero((ranges.least_um <= rest) & (rest <= ranges.greatest_um))
        assert (len(on) == 0) == bool(unmet)
        if len(on):
            assert (int(ranges.cuts[on[0]]), int(ranges.pieces[on[0]])) == (int(cuts), int(pieces))


# ---------------------------------------------------------------- the program


def tally(result: Takeoff) -> tuple[int, int, int]:
    return int(result.fits.unmet.sum()), int(result.fits.cuts.sum()), int(result.fits.pieces.sum())


def with_play(runs: Runs, line: ProductLine, rules: LayRules, play_um: int) -> Takeoff:
    result = lay(runs, ["A", "B", "C"], line, replace(rules, play_um=play_um))
    assert result.play is not None
    assert result.play.greatest_m <= play_um / 1e6
    check_sums(result.play.runs, result)
    return result


def test_a_rectangle_by_hand() -> None:
    """Arms 0.3 (arriving) and 0.2 m on the outer face, 0.27 and 0.17 m on the laying line at a depth
    of 60 mm; so a side has its length less 0.44.  Sides of 4.46 and 3.43 m: rests of 4.02 and 2.99.
    The long sides must come down by 20 mm and the short ones go up by 10: the two short sides move
    in by 20 mm together, the two long ones out by 10 mm together, 30 mm of movement in all.
    """
    runs = make_runs([rectangle(4.46, 3.43)])
    plain = lay(runs, ["A"], TIGHT, EXACT)
    assert plain.fits.cuts.tolist() == [2, 1, 2, 1] or int(plain.fits.cuts.sum()) >= 4
    assert plain.play is None
    result = with_play(runs, TIGHT, EXACT, 20_000)
    assert result.fits.cuts.tolist() == [0, 0, 0, 0]
    assert result.play is not None
    t = result.play.moved_m
    assert np.isclose(t[1] + t[3], -0.020, atol=1e-9)
    assert np.isclose(t[0] + t[2], 0.010, atol=1e-9)
    assert np.isclose(np.abs(t).sum(), 0.030, atol=1e-9)
    assert result.play.cuts_before.tolist() == [int(plain.fits.cuts.sum())]
    check_footprints(result)
    # with less play than the long sides need (20 mm over two short sides), they stay cut
    less = with_play(runs, TIGHT, EXACT, 9_000)
    assert less.fits.cuts.tolist() != [0, 0, 0, 0]
    assert (less.fits.cuts[1], less.fits.cuts[3]) == (0, 0)


def test_one_side_held_lets_the_opposite_one_move_twice_as_far() -> None:
    runs = make_runs([rectangle(4.46, 3.44)])
    held = np.array([False, True, False, False])
    result = lay(runs, ["A"], TIGHT, replace(EXACT, play_um=20_000), held=held)
    assert result.play is not None
    assert np.allclose(result.play.moved_m, [0, 0, 0, -0.02], atol=1e-9)
    assert result.fits.cuts.tolist() == [0, 0, 0, 0]
    nothing = lay(runs, ["A"], TIGHT, replace(EXACT, play_um=20_000), held=np.ones(4, dtype=bool))
    assert nothing.play is not None
    assert not nothing.play.moved_m.any()


def test_a_leg_between_two_walls_is_reached_by_its_neighbour() -> None:
    """An L whose first leg ends at a wall: it cannot move, but the other leg makes it longer."""
    path = Path([(0, 0), (3.0, 0), (3.0, 2.0)], [1], start=NodeKind.ABUTTED, far=NodeKind.ABUTTED)
    runs = make_runs([path])
    assert not with_play(runs, TIGHT, EXACT, 20_000).play.moved_m.any()  # type: ignore[union-attr]


@pytest.mark.parametrize("seed", range(10))
def test_no_lattice_of_shifts_does_better(seed: int) -> None:
    """Brute force: every shift of three to four sides on a lattice, taken off exactly."""
    rng = np.random.default_rng(100 + seed)
    xy = polygon(rng, 3) if seed % 3 == 0 else polygon(rng, 4)
    line = turning_line(depth_um=60_000) if seed % 2 else make_line(depth_um=60_000)
    if seed % 3 == 0:
        line = replace(
            line, corners=tuple(replace(u, greatest_deg=170.0, least_deg=30.0) for u in line.corners)
        )
    rules = LayRules(fit_short_um=2_000, fit_over_um=2_000)
    runs = make_runs([closed(xy)])
    result = with_play(runs, line, rules, 16_000)
    lattice = np.array(list(product((-16_000, -8_000, 0, 8_000, 16_000), repeat=len(xy)))) / 1e6
    # each shift as a run of its own, far from the others, all taken off in one go
    many = make_runs([closed(xy + [100.0 * k, 0.0]) for k in range(len(lattice))])
    tried = lay(shift_legs(many, lattice.ravel()), ["A"], line, rules).fits
    of_run = [v.reshape(len(lattice), -1).sum(axis=1).tolist() for v in (tried.unmet, tried.cuts)]
    best = min(zip(*of_run, strict=True))
    assert tally(result)[:2] <= best
    check_footprints(result)


def test_least_movement_by_another_way() -> None:
    """Rectangles: for each pair of opposite sides the least total movement is the distance from the
    rest to the nearest length that is whole, whatever the other pair does."""
    rng = np.random.default_rng(4)
    saved = 0
    for _ in range(25):
        a, b = (rng.integers(2, 6) + rng.uniform(-0.06, 0.06) + 0.44 for _ in range(2))
        runs = make_runs([rectangle(float(a), float(b))])
        result = with_play(runs, TIGHT, EXACT, 20_000)
        assert result.play is not None
        t = result.play.moved_m
        for length, pair in ((a, (1, 3)), (b, (0, 2))):
            off = round(length - 0.44) - (np.floor(length * 1e6 + 0.5) / 1e6 - 0.44)
            if abs(off) <= 0.04:
                assert np.isclose(sum(t[list(pair)]), off, atol=2e-6)
                assert np.isclose(np.abs(t[list(pair)]).sum(), abs(off), atol=2e-6)
                saved += 1
            else:
                assert np.allclose(t[list(pair)], 0.0)
    assert saved > 10


@pytest.mark.parametrize("prefer", ["pieces", "fit", "cost"])
def test_never_worse_than_without(prefer: str) -> None:
    line = turning_line()
    rules = LayRules(prefer=prefer)  # type: ignore[arg-type]
    paths = random_paths(5, 30)
    runs, ids = make_runs(paths), [f"B{k}" for k in range(len(paths))]
    plain = lay(runs, ids, line, rules)
    result = lay(runs, ids, line, replace(rules, play_um=25_000))
    assert result.play is not None
    for run in range(len(paths)):
        legs = slice(runs.leg_offsets[run], runs.leg_offsets[run + 1])
        before, after = (
            (int(r.fits.unmet[legs].sum()), int(r.fits.cuts[legs].sum())) for r in (plain, result)
        )
        moved = result.play.moved_m[legs].any()
        assert after < before if moved else after == before
    stay = ~runs.straight | ~np.isin(runs.start_kind, (0, 1)) | ~np.isin(runs.far_kind, (0, 1))
    assert not result.play.moved_m[stay].any()
    if prefer != "cost":
        assert result.play.moved_m.any()
    check_sums(result.play.runs, result)
    check_footprints(result)


def test_play_is_not_negative() -> None:
    with pytest.raises(UsageError, match="play_um is -1"):
        LayRules(play_um=-1)


def test_same_answer_every_time() -> None:
    runs = make_runs([closed(polygon(np.random.default_rng(9), 5))])
    one, two = (with_play(runs, LINE, LayRules(), 20_000).play for _ in range(2))
    assert one is not None
    assert two is not None
    assert one.moved_m.tolist() == two.moved_m.tolist()


# ---------------------------------------------------------------- a whole site


SAMPLE = FilePath(__file__).resolve().parent.parent / "sample_data" / "fennel_row"


def sample(**fit: Any) -> Site:
    """The sample site with other settings of the fit; it has openings, shared edges and heights."""
    site = load_site(SAMPLE)
    return replace(
        site, settings=site.settings.model_copy(update={"fit": site.settings.fit.model_copy(update=fit)})
    )


@pytest.fixture(scope="module")
def played() -> tuple[Site, RunPlan, Takeoff]:
    site = sample(play=50_000)
    plan = plan_runs(site)
    return site, plan, takeoff(site, plan)


def test_a_site_with_play_has_fewer_cuts_and_says_what_moved(played: tuple[Site, RunPlan, Takeoff]) -> None:
    site, plan, result = played
    plain = takeoff(sample(), plan)
    assert result.play is not None
    assert plain.play is None
    moved = np.flatnonzero(result.play.moved_m)
    assert len(moved) > 0
    saved = plain.by_kind["cut"] - result.by_kind["cut"]
    assert saved > 0
    assert len(result.unmet) <= len(plain.unmet)
    (finding,) = play_findings(site, plan, result)
    assert f"{len(moved)} legs in " in finding.text
    assert f"{saved} fewer cuts" in finding.text
    assert play_findings(site, plan, plain) == ()
    data = summary(site, measure(site), laid_plan(site, plan, result), result, (), ())
    assert data["play"]["moved_legs"] == len(moved)
    assert data["play"]["cuts_before"] - data["play"]["cuts"] == saved
    assert data["play"]["greatest_m"] == round(result.play.greatest_m, 6) <= 0.05
    # pieces lie on the moved line, and the layers show that line
    layers = plan_layers(site, measure(site), plan, result)
    assert np.array_equal(layers["legs"].columns["moved_m"], result.play.moved_m)
    assert np.array_equal(layers["legs"].xy, result.play.runs.xy)
    assert "moved_m" not in plan_layers(site, measure(site), plan, plain)["legs"].columns
    lines = shapely.linestrings(
        result.play.runs.xy, indices=np.repeat(np.arange(len(plan.runs.leg_id)), np.diff(plan.runs.offsets))
    )
    on = shapely.distance(shapely.points(result.pieces.xy), np.asarray(lines)[result.pieces.leg])
    assert on[np.isin(result.pieces.leg, moved)].max() < 1e-6
    check_sums(result.play.runs, result)


def test_the_plan_as_laid_is_measured_again(played: tuple[Site, RunPlan, Takeoff]) -> None:
    site, plan, result = played
    assert result.play is not None
    laid = laid_plan(site, plan, result)
    assert laid.runs is result.play.runs
    assert laid_plan(site, laid, result) is laid
    assert np.allclose(laid.lengths.ground_m, laid.runs.length_m, atol=1e-9)
    still = ~np.isin(plan.runs.leg_run, plan.runs.leg_run[result.play.moved_m != 0])
    assert np.allclose(laid.lengths.slope_m[still], plan.lengths.slope_m[still], rtol=0, atol=1e-9)
    assert (laid.lengths.slope_m >= laid.runs.length_m - 1e-9).all()
    assert laid_plan(site, plan, takeoff(sample(), plan)) is plan


def test_what_stays_on_a_site(played: tuple[Site, RunPlan, Takeoff]) -> None:
    """No leg at an opening, a wall or another run moves, nor one beside an edge two beds share."""
    _, plan, result = played
    assert result.play is not None
    runs, unedged = plan.runs, plan.unedged
    moved = result.play.moved_m != 0
    corner = (runs.start_kind == NodeKind.CORNER) & (runs.far_kind == NodeKind.CORNER)
    assert corner[moved].all()
    shared = np.flatnonzero(unedged.why == "shared")
    assert len(shared) > 0
    for row in shared:
        other = shapely.LineString(unedged.xy[unedged.offsets[row] : unedged.offsets[row + 1]])
        for leg in np.flatnonzero(moved):
            mine = shapely.LineString(runs.xy[runs.offsets[leg] : runs.offsets[leg + 1]])
            assert shapely.distance(mine, other) > 0.05


def test_play_and_slope_lengths_exclude_each_other() -> None:
    given = {"name": "x", "line": "flex-2m", "length_basis": "slope", "fit": {"play": "10 mm"},
             "inputs": {"beds": [{"file": "beds.geojson"}]}}  # fmt: skip
    with pytest.raises(DataError, match=r"fit\.play moves legs by plan lengths"):
        validated(SiteSettings, given, "site.toml")
    assert validated(SiteSettings, {**given, "slope_by": "step"}, "site.toml").fit.play == 10_000
    with pytest.raises(DataError, match="negative"):
        validated(SiteSettings, {**given, "slope_by": "step", "fit": {"play": "-1 mm"}}, "site.toml")


def test_level_pieces_step_on_the_moved_line() -> None:
    site = sample(play=50_000)
    site = replace(site, settings=site.settings.model_copy(update={"slope_by": "step"}))
    plan = plan_runs(site)
    result = takeoff(site, plan)
    assert result.play is not None
    assert result.steps is not None
    assert result.play.moved_m.any()
    assert (result.steps.station_m <= result.stations.run_um[result.steps.run] / 1e6 + 1e-9).all()
