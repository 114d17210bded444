"""Slope lengths, smoothing, grades and steps, against closed forms and slower second ways."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ellipe

from siteplan import slope
from siteplan.laying.takeoff import LayRules, lay
from siteplan.model import Runs
from siteplan.slope import (
    Profile,
    leg_points,
    noise_lengthening,
    profile,
    samples,
    sloped,
    smooth,
    steps,
)
from siteplan.types import FloatArray, XYArray

from .make_runs import LINE, Path, footprints, make_line, make_runs, overlaps, random_paths

Ground = Callable[[XYArray], FloatArray]

FOOT_M = 0.3048


def plane(east: float, north: float) -> Ground:
    return lambda xy: east * xy[:, 0] + north * xy[:, 1] + 12.0


def hills(xy: XYArray) -> FloatArray:
    """Soft hills, up to about 1 in 4."""
    return 1.5 * np.sin(xy[:, 0] / 9) * np.cos(xy[:, 1] / 11) + 0.04 * xy[:, 0]


def smoothed(runs: Runs, ground: Ground, reach_m: float = 3.0, spacing_m: float = 0.5) -> Profile:
    points, given_ = leg_points(runs, spacing_m), samples(runs, spacing_m)
    return profile(runs, points, smooth(given_, ground(given_.xy), points, reach_m))


def as_read(runs: Runs, ground: Ground, spacing_m: float = 0.5) -> Profile:
    points = leg_points(runs, spacing_m)
    return profile(runs, points, ground(points.xy))


def circle(radius: float, count: int, *, turns: float = 1.0) -> XYArray:
    angle = np.linspace(0, 2 * np.pi * turns, count, endpoint=False)
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


# ---------------------------------------------------------------- closed forms


@settings(deadline=None, derandomize=True, max_examples=12)
@given(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6), st.integers(0, 10_000))
def test_a_plane_stretches_every_straight_leg_by_its_grade(east: float, north: float, seed: int) -> None:
    """sqrt(1 + g^2): the smoother carries a plane along a line unchanged, and round corners within half
    a millimetre (where a corner just enters the window its few samples do not yet tilt the plane)."""
    runs = make_runs([p for p in random_paths(seed, 9) if len(p.corners)])
    found = smoothed(runs, plane(east, north))
    first, last = runs.xy[runs.offsets[:-1]], runs.xy[runs.offsets[1:] - 1]
    along = (last - first) / runs.length_m[:, None]
    grade = along @ np.array([east, north])
    np.testing.assert_allclose(found.slope_m, runs.length_m * np.hypot(1, grade), rtol=0, atol=5e-4)
    alone = make_runs([Path(np.vstack(ends)) for ends in zip(first, last, strict=True)])
    np.testing.assert_allclose(
        smoothed(alone, plane(east, north)).slope_m, alone.length_m * np.hypot(1, grade), rtol=1e-9
    )


def test_a_circle_on_a_plane_is_an_ellipse() -> None:
    """Perimeter 4 a E(e^2) with half-axes r and r sqrt(1 + g^2) (SciPy's complete elliptic integral)."""
    radius, grade = 8.0, 0.25
    long = radius * np.hypot(1, grade)
    ellipse = 4 * long * ellipe(1 - (radius / long) ** 2)
    found = smoothed(make_runs([Path(circle(radius, 1440), closed=True)]), plane(0.15, 0.2))
    # 1440 chords are short by (pi / 1440)^2 / 6 = 0.8 ppm, heights straight between half metres by 6
    assert found.slope_m[0] == pytest.approx(ellipse, rel=1e-5)
    assert found.steepest[0] == pytest.approx(grade, rel=2e-3)


def test_a_helix() -> None:
    """One turn of radius r that climbs h is sqrt((2 pi r)^2 + h^2) long."""
    radius, climb, count = 6.0, 4.0, 2880
    angle = np.linspace(0, 2 * np.pi, count + 1)
    xy = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    runs = make_runs([Path(xy)])

    def ground(at: XYArray) -> FloatArray:
        turned = np.arctan2(at[:, 1], at[:, 0]) % (2 * np.pi)
        last = np.hypot(*(at - xy[-1]).T) < 1e-9
        last[0] = False
        return climb * np.where(last, 2 * np.pi, turned) / (2 * np.pi)

    found = as_read(runs, ground)
    assert found.slope_m[0] == pytest.approx(np.hypot(2 * np.pi * radius, climb), rel=1e-6)


def test_across_a_cone() -> None:
    """Round the axis level, up a ray sqrt(1 + k^2), along a tangent by quadrature."""
    k, away = 0.3, 4.0

    def cone(xy: XYArray) -> FloatArray:
        return k * np.hypot(xy[:, 0], xy[:, 1])

    runs = make_runs(
        [
            Path(circle(5, 720), closed=True),
            Path([(1, 0), (21, 0)]),
            Path([(-10, away), (15, away)]),
        ]
    )
    found = as_read(runs, cone, spacing_m=0.02)
    tangent = quad(lambda t: np.sqrt(1 + (k * t) ** 2 / (away**2 + t**2)), -10, 15)[0]
    want = [runs.length_m[0], 20 * np.hypot(1, k), tangent]
    np.testing.assert_allclose(found.slope_m, want, rtol=2e-6)
    # the smoother rounds the foot of that hollow off: 3 cm in 25 m, where the ground bends on 3 m of radius
    assert smoothed(runs, cone).slope_m[2] == pytest.approx(tangent, abs=0.04)


def test_tape_down_a_five_degree_slope() -> None:
    """300.00 ft at 5 degrees: horizontal 298.86, rise 26.15 ft (university lecture, Taping Corrections)."""
    horizontal, rise = 298.86 * FOOT_M, 26.15 * FOOT_M
    found = smoothed(make_runs([Path([(0, 0), (horizontal, 0)])]), plane(rise / horizontal, 0))
    assert found.slope_m[0] / FOOT_M == pytest.approx(300.00, abs=0.005)
    exact = 300 * FOOT_M * np.cos(np.radians(5))
    found = smoothed(make_runs([Path([(0, 0), (exact, 0)])]), plane(np.tan(np.radians(5)), 0))
    assert found.slope_m[0] / FOOT_M == pytest.approx(300, abs=1e-9)
    # the lecture's correction v^2 / 2S
    assert 300 - exact / FOOT_M == pytest.approx(26.15**2 / 600, abs=0.005)


# ---------------------------------------------------------------- smoothing


def slow_height(xy: XYArray, z: FloatArray, at: XYArray, station: FloatArray, here: float) -> float:
    """The smoother once more, one place at a time, with a library's least squares."""
    away = np.abs(station - here)
    step = station[1] - station[0]
    weight = (1 - (away / max(away.max() * (1 + 1e-9), 4.5 * step)) ** 3) ** 3
    local = xy - at
    design = np.column_stack([np.ones(len(xy)), local])

    def fit(w: FloatArray) -> FloatArray:
        # the rank limit is where the plane may not tilt: see slope._ACROSS_M
        root = np.sqrt(w)[:, None]
        middle = (w @ local) / w.sum()
        cov = (w[:, None] * (local - middle)).T @ (local - middle) / w.sum()
        values, vectors = np.linalg.eigh(cov)
        kept = vectors[:, values > slope._ACROSS_M**2] if values[1] > slope._ACROSS_M**2 else vectors[:, 1:]
        narrow = np.column_stack([design[:, 0], (local - middle) @ kept])
        solved = np.linalg.lstsq(root * narrow, root[:, 0] * z, rcond=None)[0]
        return np.array([solved[0], *(kept @ solved[1:]), *middle])

    def off(p: FloatArray) -> FloatArray:
        return np.asarray(z - p[0] - (local - p[3:]) @ p[1:3])

    even = np.ones(len(z))
    p = fit(even)
    for _ in range(slope._LAD_ROUNDS):
        p = fit(even / np.maximum(np.abs(off(p)), 1e-3))
    away_z = np.abs(off(p))
    usual = max(np.sort(away_z)[(len(z) - 1) // 2], 1e-3)
    p = fit(weight * np.maximum(1 - (away_z / (6 * usual)) ** 2, 0) ** 2)
    return float(p[0] - p[3:] @ p[1:3])


def test_the_smoother_against_least_squares_one_place_at_a_time() -> None:
    rng = np.random.default_rng(5)
    xy = np.vstack([[0, 0], [9, 0], [9, 7]])
    runs = make_runs([Path(xy, corners=[1])])
    points, given_ = leg_points(runs, 0.5), samples(runs, 0.5)
    z = hills(given_.xy) + rng.normal(0, 0.05, len(given_.xy))
    z[11] += 2.0
    station = np.arange(len(z)) * given_.step_m[0]
    nodes, _, _ = slope._nodes(points, given_.step_m)
    found = slope.smooth(given_, z, nodes, 2.0)
    for k in range(len(nodes.at_m)):
        here = float(nodes.station_m[k])
        begin = int(np.clip(np.rint(here / given_.step_m[0]) - 4, 0, len(z) - 9))
        window = slice(begin, begin + 9)
        want = slow_height(given_.xy[window], z[window], nodes.xy[k], station[window], here)
        assert found[k] == pytest.approx(want, abs=1e-6)


@pytest.mark.parametrize("sigma", [0.02, 0.05, 0.1])
def test_noise_lengthens_raw_heights_by_the_formula_and_smoothed_ones_hardly(sigma: float) -> None:
    """Level ground, independent noise at 0.5 m: (sigma / spacing)^2, 1 % at 5 cm; smoothed under 1 %
    of that over 3 m to either side, as docs/heights.md says."""
    rng = np.random.default_rng(2)
    runs = make_runs([Path([(0, 5 * k), (60, 5 * k)]) for k in range(60)])

    def noisy(xy: XYArray) -> FloatArray:
        return rng.normal(0, sigma, len(xy))

    raw = as_read(runs, noisy).slope_m.mean() / 60 - 1
    assert raw == pytest.approx(noise_lengthening(sigma, 0.5), rel=0.05)
    assert noise_lengthening(sigma, 0.5) == pytest.approx((sigma / 0.5) ** 2, rel=0.06)
    kept = smoothed(runs, noisy).slope_m.mean() / 60 - 1
    assert 0 < kept < 0.01 * raw
    wider = smoothed(runs, noisy, reach_m=6.0).slope_m.mean() / 60 - 1
    assert wider < kept / 5


@pytest.mark.parametrize("width", [0.5, 1.0, 1.5])
@pytest.mark.parametrize("middle", [20.0, 0.0, 40.0])
def test_a_wall_in_the_cells_is_passed_over(width: float, middle: float) -> None:
    """Cells on a wall 3 m high and up to half the reach wide, along the run or at its ends."""

    def ground(xy: XYArray) -> FloatArray:
        beside = np.abs(xy[:, 0] - middle) < (width / 2 if middle == 20 else width - 1e-6)
        return 0.05 * xy[:, 0] + np.where(beside, 3.0, 0.0)

    runs = make_runs([Path([(0, 0), (40, 0)])])
    assert as_read(runs, ground).slope_m[0] > 40 + 2
    # at an end of the run up to 1.5 m, a quarter of the window, pulls by under a centimetre
    assert smoothed(runs, ground).slope_m[0] == pytest.approx(40 * np.hypot(1, 0.05), abs=0.01)


@settings(deadline=None, derandomize=True, max_examples=15)
@given(st.integers(0, 10_000), st.integers(1, 200))
def test_a_ring_has_no_start(seed: int, shift: int) -> None:
    """A smooth ring on hills, started elsewhere or walked the other way round."""
    ring = np.asarray(random_paths(seed, 2)[1].xy)
    changed = [np.roll(ring, shift % len(ring), axis=0), ring[::-1]]
    base = smoothed(make_runs([Path(ring, closed=True)]), hills, spacing_m=0.1).slope_m[0]
    for other in changed:
        found = smoothed(make_runs([Path(other, closed=True)]), hills, spacing_m=0.1).slope_m[0]
        assert found == pytest.approx(base, abs=2e-3)


def test_short_runs_and_small_rings() -> None:
    """Shorter than the window, and shorter than the spacing."""
    runs = make_runs([Path([(0, 0), (0.2, 0)]), Path([(0, 0), (1.1, 0)]), Path(circle(0.5, 12), closed=True)])
    found = smoothed(runs, plane(0.1, 0.0))
    np.testing.assert_allclose(found.slope_m[:2], runs.length_m[:2] * np.hypot(1, 0.1), rtol=1e-9)
    assert runs.length_m[2] < found.slope_m[2] < runs.length_m[2] * np.hypot(1, 0.1)
    np.testing.assert_allclose(found.steepest[:2], 0.1, rtol=1e-6)
    assert (found.slope_m >= runs.length_m).all()


def test_the_steepest_place() -> None:
    """A ramp of 1 in 5 between two flats is found, and where it is."""

    def ramp(xy: XYArray) -> FloatArray:
        return 0.2 * np.clip(xy[:, 0] - 30, 0, 20)

    runs = make_runs([Path([(0, 0), (80, 0)]), Path([(0, 9), (20, 9)])])
    found = smoothed(runs, ramp)
    assert found.steepest[0] == pytest.approx(0.2, rel=1e-3)
    assert 30 < found.steepest_xy[0, 0] < 50
    assert found.steepest[1] == pytest.approx(0, abs=1e-9)


# ---------------------------------------------------------------- laid on the slope


def test_pieces_on_a_slope_reproduce_the_slope_length() -> None:
    """On hills: pieces, gaps and left-overs add up to each leg's slope length; footprints are drawn at
    their plan places, shortened as a plan shows them, and do not overlap."""
    runs = make_runs(random_paths(11, 120))
    ground = smoothed(runs, hills)
    up = sloped(runs, ground)
    assert up.length_m.sum() > runs.length_m.sum() * 1.003
    result = lay(up, [f"B{k}" for k in range(120)], LINE, LayRules())
    np.testing.assert_allclose(result.stations.leg_um / 1e6, ground.slope_m, atol=1e-6)
    pieces, legs = result.pieces, result.legs
    own = (pieces.kind != 3) & (pieces.kind != 4)
    covered = np.bincount(pieces.leg[own], (pieces.to_um - pieces.from_um)[own], len(runs.leg_id))
    whole = covered + legs.start_um + legs.far_um + legs.gap_total_um + legs.left_over_um
    laid = result.laid
    assert np.abs(whole - result.stations.leg_um)[laid].max() < 1000  # 1 mm
    shapes = footprints(pieces)
    assert shapely.is_valid(shapes).all()
    _, shared = overlaps(shapes)
    # a fill may be over by 6 mm, at a depth of 150 mm, as it may in plan
    assert shared.max(initial=0.0) <= 0.006 * 0.150 + 1e-6


def test_stations_map_back_to_plan_places() -> None:
    """On a straight leg over a hill the plan place of a piece's middle, found the long way: walk the
    slope in steps of a millimetre."""
    runs = make_runs([Path([(0, 3), (40, 3)])])
    ground = smoothed(runs, hills)
    result = lay(sloped(runs, ground), ["B"], make_line(ends=()), LayRules())
    x = np.arange(0, 40.0005, 0.001)
    z = np.interp(x, ground.points.at_m, ground.height_m)
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(0.001, np.diff(z)))])
    middle = (result.pieces.from_um + result.pieces.to_um) / 2e6
    np.testing.assert_allclose(result.pieces.xy[:, 0], np.interp(middle, walked, x), atol=1e-4)
    assert (np.diff(result.pieces.xy[:, 0]) > 0).all()
    lengths = np.ptp(result.pieces.outline_xy.reshape(-1, 4, 2)[:, :, 0], axis=1)
    on_slope = (result.pieces.to_um - result.pieces.from_um) / 1e6
    assert (lengths <= on_slope + 1e-9).all()
    assert (lengths < on_slope - 1e-4).any()


def test_a_level_site_is_laid_as_in_plan() -> None:
    runs = make_runs(random_paths(3, 30))
    flat = lay(runs, [f"B{k}" for k in range(30)], LINE, LayRules())
    level = lay(sloped(runs, smoothed(runs, plane(0, 0))), [f"B{k}" for k in range(30)], LINE, LayRules())
    np.testing.assert_array_equal(flat.leg_counts, level.leg_counts)
    np.testing.assert_allclose(flat.pieces.xy, level.pieces.xy, atol=1e-6)


# ---------------------------------------------------------------- steps


def levels(runs: Runs, ground: Profile, greatest_m: float) -> slope.Steps:
    pieces = lay(runs, [f"B{k}" for k in range(len(runs.run_id))], LINE, LayRules()).pieces
    return steps(runs, pieces, ground, greatest_m)


def test_steps_down_a_plane() -> None:
    """Pieces of 1 m on 5 % rise 5 cm each: two share a level under 10 cm, so every step is about 10 cm."""
    runs = make_runs([Path([(0, 0), (40, 0)])])
    ground = smoothed(runs, plane(0.05, 0))
    found = levels(runs, ground, 0.105)
    assert 0.08 < found.rise_m[1:-1].min() <= found.rise_m.max() <= 0.105
    assert not found.too_high.any()
    assert found.rise_m.sum() == pytest.approx(0.05 * 40, abs=0.105)
    np.testing.assert_array_equal(found.after, found.before + 1)
    np.testing.assert_allclose(found.xy[:, 0], found.station_m, atol=1e-9)
    down = make_runs([Path([(40, 0), (0, 0)])])
    assert (levels(down, smoothed(down, plane(0.05, 0)), 0.105).rise_m < 0).all()


def test_ground_too_steep_for_a_piece_is_told() -> None:
    runs = make_runs([Path([(0, 0), (40, 0)])])
    found = levels(runs, smoothed(runs, plane(0.2, 0)), 0.1)
    assert found.too_high.sum() >= 35
    assert np.abs(found.rise_m).max() == pytest.approx(0.2, abs=0.01)


def test_level_ground_takes_no_step() -> None:
    runs = make_runs(random_paths(4, 12))
    assert len(levels(runs, smoothed(runs, plane(0, 0)), 0.05)) == 0


@settings(deadline=None, derandomize=True, max_examples=10)
@given(st.integers(0, 10_000), st.floats(0.1, 0.6))
def test_steps_close_round_a_ring_and_stay_within_the_limit(seed: int, greatest: float) -> None:
    runs = make_runs(random_paths(seed, 30))
    found = levels(runs, smoothed(runs, lambda xy: 0.3 * hills(xy)), greatest)
    assert (np.abs(found.rise_m[~found.too_high]) <= greatest + 1e-9).all()
    assert not found.too_high.any()  # no piece of a metre rises 10 cm here
    for run in np.flatnonzero(runs.closed):
        # steps under half a millimetre are not listed
        assert found.rise_m[found.run == run].sum() == pytest.approx(0, abs=0.005)


def fewest_slowly(low: FloatArray, high: FloatArray, greatest: float, *, closed: bool) -> int:
    """Least number of levels, by trying every division."""
    n = len(low)
    if high.max() - low.min() <= greatest:
        return 1

    def from_start(start: int) -> int:
        order = (np.arange(n) + start) % n
        lo, hi = low[order], high[order]
        best = [0] + [n + 1] * n
        for end in range(1, n + 1):
            for begin in range(end):
                fits = hi[begin:end].max() - lo[begin:end].min() <= greatest + 1e-12
                if fits or end == begin + 1:
                    best[end] = min(best[end], best[begin] + 1)
        return best[n]

    return min(from_start(s) for s in range(n)) if closed else from_start(0)


@settings(deadline=None, derandomize=True, max_examples=150)
@given(st.lists(st.integers(-6, 6), min_size=2, max_size=10), st.integers(1, 8), st.booleans())
def test_as_few_levels_as_may_be(rises: list[int], greatest: int, closed: bool) -> None:
    ends = np.concatenate([[0], np.cumsum(rises)]).astype(float)
    if closed:
        ends[-1] = ends[0]
    low, high = np.minimum(ends[:-1], ends[1:]), np.maximum(ends[:-1], ends[1:])
    groups = slope._fewest(low, high, greatest, closed=closed)
    assert len(groups) == fewest_slowly(low, high, greatest, closed=closed)
    assert groups[-1][1] - groups[0][0] == len(low)
    assert all(a[1] == b[0] for a, b in pairwise(groups))


def test_noise_formula_against_drawn_noise() -> None:
    rng = np.random.default_rng(9)
    z = rng.normal(0, 0.3, 400_001)
    drawn = np.hypot(1.0, np.diff(z)).mean() - 1
    assert noise_lengthening(0.3, 1.0) == pytest.approx(drawn, rel=0.01)
    assert noise_lengthening(0.0, 1.0) == pytest.approx(0, abs=1e-12)


def test_dense_vertices_do_not_lengthen() -> None:
    """A ring traced with 400 vertices on noisy ground is no longer than one traced with 60. Heights were once
    smoothed at every vertex, and the little noise left between near vertices lengthened dense outlines."""
    noise = np.random.default_rng(7).normal(0, 0.05, 200)
    lengths = []
    for count in (60, 400):
        runs = make_runs([Path(circle(5, count) + 30 * np.array([k, 0]), closed=True) for k in range(40)])
        points, given_ = leg_points(runs, 0.5), samples(runs, 0.5)
        z = np.resize(noise, len(given_.xy))
        found = profile(runs, points, smooth(given_, z, points, 3.0))
        lengths.append(found.slope_m.sum() / runs.length_m.sum() - 1)
    assert lengths[1] < 1.2 * lengths[0] < 0.0005
