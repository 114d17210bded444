"""Arcs and lines fitted to traced outlines; lengths without what tracing does to them."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.optimize import least_squares

from siteplan.model import RingKind, Runs, Shapes
from siteplan.outline.arc_stretches import LEAST_ARC_DEG, LEAST_ARC_VERTICES
from siteplan.outline.corners import find_corners
from siteplan.outline.fitted import fit_outline
from siteplan.outline.refit import Refitted, refit_outline
from siteplan.outline.refit_runs import stretch_table, tracing_findings
from siteplan.outline.rules import OutlineRules
from siteplan.outline.runs import build_runs
from siteplan.outline.tracing_bias import expected_bias, noisy_length
from siteplan.planar import edges
from siteplan.plans import RunPlan, plan_runs
from siteplan.sites import Site, load_site
from siteplan.types import FloatArray, XYArray

from .outlines import breaks

SAMPLES = Path(__file__).resolve().parent.parent / "sample_data"

Parts = list[tuple[float, float]]
"""radius (left positive, inf straight) and length of each stretch"""

CIRCLE: Parts = [(3.0, 6.0 * np.pi)]
STADIUM: Parts = [(np.inf, 4.0), (1.5, 1.5 * np.pi), (np.inf, 4.0), (1.5, 1.5 * np.pi)]
S_CURVE: Parts = [(4.0, 6.0), (-3.0, 5.0)]
LINE_ARC_LINE: Parts = [(np.inf, 5.0), (2.5, 2.5 * np.pi / 2), (np.inf, 3.0)]


def kidney() -> tuple[Parts, FloatArray, float]:
    """Two lobes of 2 m, a hollow of 3 m and a back of 7 m, tangent all round; start and heading."""
    half, lobe, hollow, back = 3.0, 2.0, 3.0, 7.0
    up = np.sqrt((lobe + hollow) ** 2 - half**2)
    middle = np.sqrt((back - lobe) ** 2 - half**2)
    over_back = np.pi - 2 * np.arctan2(middle, half)
    over_hollow = np.pi - 2 * np.arctan2(up, half)
    over_lobe = (2 * np.pi - over_back + over_hollow) / 2
    angle = np.arctan2(-middle, -half)
    start = np.array([0.0, middle]) + back * np.array([np.cos(angle), np.sin(angle)])
    parts = [
        (back, back * over_back),
        (lobe, lobe * over_lobe),
        (-hollow, hollow * over_hollow),
        (lobe, lobe * over_lobe),
    ]
    return parts, start, float(angle + np.pi / 2)


KIDNEY, KIDNEY_START, KIDNEY_HEADING = kidney()


def along(parts: Parts, at: FloatArray, start: FloatArray | None = None, heading: float = 0.3) -> XYArray:
    """Points at distances along stretches that are tangent to one another: the closed form."""
    place = complex(*(np.array([2.0, 1.0]) if start is None else start))
    out = np.full(len(at), np.nan + 0j)
    before = 0.0
    for radius, length in parts:
        here = (at >= before - 1e-12) & (at <= before + length + 1e-12)
        u = at[here] - before
        if np.isinf(radius):
            step, whole = u + 0j, length + 0j
        else:
            step = (np.exp(1j * u / radius) - 1) * radius / 1j
            whole = (np.exp(1j * length / radius) - 1) * radius / 1j
        out[here] = place + np.exp(1j * heading) * step
        place += np.exp(1j * heading) * whole
        heading += length / radius
        before += length
    return np.column_stack([out.real, out.imag])


def total(parts: Parts) -> float:
    return sum(length for _, length in parts)


def ring(parts: Parts, n: int, first: float = 0.0) -> XYArray:
    """n vertices all round, evenly spaced; the first one a share of the spacing on."""
    at = (np.arange(n) + first) * total(parts) / n
    if parts is KIDNEY:
        return along(parts, at, KIDNEY_START, KIDNEY_HEADING)
    return along(parts, at)


def refitted(
    shapes: list[XYArray], sigma_m: float, closed: bool = True, rules: OutlineRules | None = None
) -> Refitted:
    rules = rules or OutlineRules()
    offsets = np.concatenate([[0], np.cumsum([len(s) for s in shapes])])
    ways = np.full(len(shapes), closed)
    xy = np.concatenate(shapes)
    corners = find_corners(xy, offsets, ways, rules)
    fitted = fit_outline(xy, offsets, ways, corners, rules.straight_within_m)
    return refit_outline(fitted, np.full(len(shapes), sigma_m))


def traced(xy: XYArray, count: int, sigma_m: float, seed: int) -> list[XYArray]:
    rng = np.random.default_rng(seed)
    return [xy + rng.normal(0.0, sigma_m, xy.shape) for _ in range(count)]


def bed(xy: XYArray, closed: bool = True) -> Shapes:
    kind = np.array([RingKind.OUTER if closed else RingKind.LINE], dtype=np.int8)
    return Shapes(np.array(["bed"], dtype=object), xy, np.array([0, len(xy)]), kind, np.array([0]))


def runs_of(xy: XYArray, *, offset_m: float = 0.0, closed: bool = True, **more: object):  # type: ignore[no-untyped-def]
    return build_runs(bed(xy, closed), breaks([]), offset_m=offset_m, **more)  # type: ignore[arg-type]


# ---------------------------------------------------------------- closed forms


@pytest.mark.parametrize("n", [12, 17, 60])
def test_traced_circle_becomes_the_circle(n: int) -> None:
    made = refitted([ring(CIRCLE, n, 0.4)], 0.0)
    assert made.known.tolist() == [True]
    assert made.radius_m[0] == pytest.approx(3.0, abs=1e-9)
    assert made.fitted.line.part_length[0] == pytest.approx(6 * np.pi, abs=1e-9)
    away = np.hypot(*(made.fitted.xy - made.centre[0]).T) - 3.0
    assert np.abs(away).max() < 1e-3


def test_clockwise_circle_has_a_negative_radius() -> None:
    made = refitted([ring(CIRCLE, 24)[::-1]], 0.0)
    assert made.radius_m[0] == pytest.approx(-3.0, abs=1e-9)


@pytest.mark.parametrize(
    ("parts", "n"), [(STADIUM, 30), (STADIUM, 61), (KIDNEY, 30), (KIDNEY, 60), (KIDNEY, 120)]
)
@pytest.mark.parametrize("first", [0.0, 0.37])
def test_tangent_stretches_all_round(parts: Parts, n: int, first: float) -> None:
    made = refitted([ring(parts, n, first)], 0.0)
    assert made.known.all()
    assert made.fitted.line.part_length[0] == pytest.approx(total(parts), abs=2e-5)
    bent = np.sort(made.radius_m[np.isfinite(made.radius_m)])
    assert bent == pytest.approx(np.sort([r for r, _ in parts if np.isfinite(r)]), abs=2e-3)
    assert np.isinf(made.radius_m).sum() == sum(np.isinf(r) for r, _ in parts)


@pytest.mark.parametrize("edges_of_arc", [4, 5, 8, 16])
@pytest.mark.parametrize("turned_deg", [0.0, 33.3])
@pytest.mark.parametrize("sigma_m", [0.0, 0.02])
def test_rounded_rectangle_drawn_with_one_edge_for_each_side(
    edges_of_arc: int, turned_deg: float, sigma_m: float
) -> None:
    """20 x 12 m, rounded with 3 m: sides of 14 and 6 m, quarter circles; whichever vertex comes first.

    A side with the arcs' edges beside it is a symmetric trapezium, and so on a circle of its own.
    """
    at = np.exp(0.5j * np.pi * np.arange(edges_of_arc + 1) / edges_of_arc)
    z = np.concatenate(
        [1j**k * 3.0 * at + w for k, w in enumerate((7 + 3j, -7 + 3j, -7 - 3j, 7 - 3j))]
    ) * np.exp(1j * np.radians(turned_deg))
    xy = np.column_stack([z.real + 40.0, z.imag - 25.0])
    made = refitted([np.roll(xy, -k, axis=0) for k in range(len(xy))], sigma_m)
    assert made.known.all()
    assert np.bincount(made.ring).tolist() == [8] * len(xy)
    bent = np.isfinite(made.radius_m)
    assert made.radius_m[bent] == pytest.approx(np.full(4 * len(xy), 3.0), abs=1e-6)
    assert made.length_m[bent] == pytest.approx(np.full(4 * len(xy), 1.5 * np.pi), abs=1e-6)
    sides = np.sort(made.length_m[~bent].reshape(len(xy), 4), axis=1)
    assert sides == pytest.approx(np.tile([6.0, 6.0, 14.0, 14.0], (len(xy), 1)), abs=1e-6)
    assert made.fitted.line.part_length == pytest.approx(np.full(len(xy), 40 + 6 * np.pi), abs=1e-5)


@pytest.mark.parametrize("parts", [S_CURVE, LINE_ARC_LINE])
def test_open_lines(parts: Parts) -> None:
    xy = along(parts, np.linspace(0.0, total(parts), 41))
    made = refitted([xy], 0.0, closed=False)
    assert made.known.all()
    assert made.fitted.line.part_length[0] == pytest.approx(total(parts), abs=2e-5)
    assert made.fitted.xy[[0, -1]] == pytest.approx(xy[[0, -1]], abs=0)
    finite = np.isfinite(made.radius_m)
    assert made.radius_m[finite] == pytest.approx([r for r, _ in parts if np.isfinite(r)], abs=1e-3)


def test_vertices_of_arcs_stay_within_the_chord_tolerance() -> None:
    made = refitted([ring(KIDNEY, 60)], 0.0)
    shift = made.fitted.xy
    middle = 0.5 * (shift + np.roll(shift, -1, axis=0))
    for point in (shift, middle):
        stretch = made.stretch
        away = np.hypot(*(point - made.centre[stretch]).T) - np.abs(made.radius_m[stretch])
        assert np.abs(away).max() < 1.01e-3


# ---------------------------------------------------------------- noise


@pytest.mark.parametrize(
    ("parts", "n", "sigma_m"),
    [
        (KIDNEY, 36, 0.005),
        (KIDNEY, 30, 0.02),
        (KIDNEY, 60, 0.005),
        (KIDNEY, 120, 0.005),
        (CIRCLE, 30, 0.02),
        (STADIUM, 40, 0.005),
    ],
)
@pytest.mark.parametrize("count", [250, pytest.param(1000, marks=pytest.mark.slow)])
def test_lengths_of_many_tracings_are_right_on_the_average(
    parts: Parts, n: int, sigma_m: float, count: int
) -> None:
    shapes = traced(ring(parts, n, 0.2), count, sigma_m, seed=11)
    made = refitted(shapes, sigma_m)
    error = made.fitted.line.part_length - total(parts)
    whole = len(made.fitted.corner_vertex) == 0
    assert whole or len(made.fitted.corner_vertex) < 20
    assert abs(error.mean()) < 3 * error.std() / np.sqrt(count)
    said = np.sqrt(np.bincount(made.ring, weights=made.sigma_m**2))
    alike = (np.bincount(made.ring) == len(parts)) & (np.bincount(made.ring, weights=~made.known) == 0)
    assert alike.mean() > 0.8
    assert np.median(said[alike]) == pytest.approx(error[alike].std(), rel=0.1)
    # the lengths as traced are wrong by more than that, one way or the other
    raw = made.old.line.part_length - total(parts)
    assert abs(error.mean()) < abs(raw.mean()) / 5


@pytest.mark.parametrize("ratio", [0.0, 0.5, 1.0, 2.0, 5.0, 20.0])
def test_mean_length_of_noisy_edges(ratio: float) -> None:
    sigma = 0.02
    rng = np.random.default_rng(3)
    drawn = rng.normal(0, sigma, (2, 400_000, 2))
    length = np.hypot(*(np.array([ratio * sigma, 0.0]) + drawn[0] - drawn[1]).T)
    said = noisy_length(np.array([ratio * sigma]), np.array([sigma]))[0]
    assert abs(length.mean() - said) < 4 * length.std() / np.sqrt(len(length))


def test_the_rule_of_thumb_for_noise_is_its_first_term() -> None:
    said = noisy_length(np.array([0.0, 1.0, 0.02, 0.1]), np.array([0.02, 0.0, 0.02, 0.02]))
    assert said[0] == pytest.approx(np.sqrt(np.pi) * 0.02, rel=1e-12)
    assert said[1] == 1.0
    # at a spacing of one sigma the rule of thumb gives 0.04; closer together it gives far too much
    assert said[2] == pytest.approx(0.03975, abs=1e-5)
    assert said[3] / 0.1 - 1 == pytest.approx(0.2**2 + 0.2**4 / 2, rel=0.01)
    far = noisy_length(np.array([1e6, 1e3]), np.array([0.02, 0.02]))
    assert far == pytest.approx([1e6, 1e3], abs=1e-6)


@pytest.mark.parametrize("spacing_m", [0.1, 0.2, 0.5])
def test_expectation_taken_off_straight_lines(spacing_m: float) -> None:
    sigma, n, count = 0.02, 40, 3000
    line = np.column_stack([np.arange(n) * spacing_m, np.zeros(n)])
    xy = np.concatenate(traced(line, count, sigma, seed=5))
    offsets = np.arange(count + 1) * n
    open_parts = np.zeros(count, dtype=bool)
    noise, chords, spread = expected_bias(xy, offsets, open_parts, np.full(count, sigma))
    length = edges(xy, offsets, open_parts).part_length
    true = (n - 1) * spacing_m
    raw, best = length.mean() - true, (length - noise).mean() - true
    # at five sigma from vertex to vertex one part in thirty of the bias is left, farther apart less
    assert abs(best) < raw / 30 + 3 * length.std() / np.sqrt(count)
    assert abs(chords.mean()) < raw / 10
    assert np.median(spread) == pytest.approx(length.std(), rel=0.35)


@pytest.mark.parametrize("n", [10, 24, 60])
def test_chords_of_a_circle(n: int) -> None:
    xy = ring(CIRCLE, n)
    noise, chords, _ = expected_bias(xy, np.array([0, n]), np.array([True]), np.array([0.0]))
    short = 6 * np.pi - edges(xy, np.array([0, n]), np.array([True])).part_length[0]
    assert noise[0] == 0.0
    assert chords[0] == pytest.approx(short, rel=3e-3)


def test_nothing_is_said_where_sigma_is_not_known() -> None:
    values = expected_bias(ring(CIRCLE, 12), np.array([0, 12]), np.array([True]), np.array([np.nan]))
    assert all(np.isnan(v).all() for v in values)


# ---------------------------------------------------------------- a second path


def test_circle_against_orthogonal_distances_of_scipy() -> None:
    xy = traced(ring(CIRCLE, 40), 1, 0.02, seed=2)[0]
    made = refitted([xy], 0.02)

    def away(p: FloatArray) -> FloatArray:
        off: FloatArray = np.hypot(xy[:, 0] - p[0], xy[:, 1] - p[1]) - p[2]
        return off

    other = least_squares(away, [*xy.mean(axis=0), 2.5], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert [*made.centre[0], made.radius_m[0]] == pytest.approx(other.x, abs=1e-8)


def test_tangent_arcs_against_scipy() -> None:
    """The same curve written otherwise: start and end held, heading, curvatures and lengths sought."""
    at = np.linspace(0.0, total(S_CURVE), 41)
    xy = along(S_CURVE, at) + np.random.default_rng(4).normal(0, 0.01, (41, 2))
    made = refitted([xy], 0.01, closed=False)
    assert made.known.all()
    assert len(made.known) == 2

    def arcs(p: FloatArray) -> tuple[list[complex], list[float], complex]:
        heading, k1, l1, k2, l2 = p
        place, centres, radii = complex(*xy[0]), [], []
        for k, length in ((k1, l1), (k2, l2)):
            centre = place + 1j * np.exp(1j * heading) / k
            centres.append(centre)
            radii.append(1 / k)
            place = centre + (place - centre) * np.exp(1j * k * length)
            heading += k * length
        return centres, radii, place

    which = np.arange(41) > 40 * 6 / 11

    def away(p: FloatArray) -> FloatArray:
        (c1, c2), (r1, r2), end = arcs(p)
        z = xy[1:-1, 0] + 1j * xy[1:-1, 1]
        one, two = np.abs(z - c1) - abs(r1), np.abs(z - c2) - abs(r2)
        miss = end - complex(*xy[-1])
        return np.concatenate([np.where(which[1:-1], two, one), [1e4 * miss.real, 1e4 * miss.imag]])

    start = [0.3, 0.25, 6.0, -1 / 3, 5.0]
    other = least_squares(away, start, xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=500)
    assert made.radius_m == pytest.approx(arcs(other.x)[1], abs=2e-4)
    assert made.length_m.sum() == pytest.approx(other.x[2] + other.x[4], abs=2e-5)


# ---------------------------------------------------------------- what is recognised


def test_an_ellipse_stays_as_traced() -> None:
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    xy = np.column_stack([4 * np.cos(t), 2 * np.sin(t)])
    made = refitted([xy], 0.0)
    assert not np.isfinite(made.radius_m[made.known]).any()
    assert made.fitted.line.part_length[0] == pytest.approx(
        edges(xy, np.array([0, 60]), np.array([True])).part_length[0], abs=1e-9
    )


def test_a_vertex_far_off_is_no_part_of_the_circle() -> None:
    xy = ring(CIRCLE, 40)
    xy[7] *= 1.02
    fine, not_so = refitted([xy], 0.05), refitted([xy], 0.005)
    assert np.isfinite(fine.radius_m).tolist() == [True]
    assert len(not_so.known) > 1


@pytest.mark.parametrize(("vertices", "arcs"), [(LEAST_ARC_VERTICES - 1, 0), (LEAST_ARC_VERTICES + 1, 1)])
def test_least_number_of_vertices(vertices: int, arcs: int) -> None:
    turn = np.radians(80)
    xy = along([(5.0, 5.0 * turn)], np.linspace(0, 5.0 * turn, vertices))
    assert np.isfinite(refitted([xy], 0.001, closed=False).radius_m).sum() == arcs


@pytest.mark.parametrize(("turn_deg", "arcs"), [(LEAST_ARC_DEG - 4, 0), (LEAST_ARC_DEG + 4, 1)])
def test_least_angle(turn_deg: float, arcs: int) -> None:
    length = 20.0 * np.radians(turn_deg)
    xy = along([(20.0, length)], np.linspace(0, length, 30))
    assert np.isfinite(refitted([xy], 0.001, closed=False).radius_m).sum() == arcs


def test_a_kink_stays_where_it_is() -> None:
    """Two arcs that meet at 15 degrees: no corner by the rule, and no tangent point either."""
    one = along([(5.0, 6.0)], np.linspace(0, 6.0, 25), np.zeros(2), 0.0)
    two = along([(5.0, 6.0)], np.linspace(0, 6.0, 25), one[-1], 6.0 / 5.0 + np.radians(15))
    made = refitted([np.concatenate([one, two[1:]])], 0.001, closed=False)
    assert made.known.all()
    assert np.abs(made.fitted.xy - one[-1]).sum(axis=1).min() < 1e-12
    assert made.fitted.line.part_length[0] == pytest.approx(12.0, abs=1e-4)


def test_corners_are_not_rounded() -> None:
    """A D: an arc and a straight side, two corners."""
    t = np.linspace(-np.pi / 2, np.pi / 2, 25)
    xy = np.column_stack([3 * np.cos(t), 3 * np.sin(t)])
    made = refitted([xy], 0.005)
    assert len(made.fitted.corner_vertex) == 2
    assert made.fitted.xy[made.fitted.corner_vertex] == pytest.approx(xy[[0, -1]], abs=1e-12)
    assert made.fitted.line.part_length[0] == pytest.approx(3 * np.pi + 6, abs=1e-6)


# ---------------------------------------------------------------- invariance


@pytest.mark.parametrize("parts", [CIRCLE, STADIUM, KIDNEY])
@pytest.mark.parametrize("seed", range(4))
def test_start_direction_and_place_do_not_matter(parts: Parts, seed: int) -> None:
    xy = traced(ring(parts, 48, 0.3), 1, 0.005, seed)[0]
    angle = 1.1
    turned = xy @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    shapes = [xy, np.roll(xy, 17, axis=0), xy[::-1], xy + [500.0, -300.0], turned]
    made = refitted(shapes, 0.005)
    whole = made.fitted.line.part_length
    assert whole == pytest.approx(np.full(5, whole[0]), abs=2e-4)
    counts = np.bincount(made.ring)
    assert counts.tolist() == [counts[0]] * 5


def test_each_ring_is_fitted_on_its_own() -> None:
    shapes = [*traced(ring(KIDNEY, 60), 3, 0.01, 8), *traced(ring(STADIUM, 40), 3, 0.01, 9)]
    together = refitted(shapes, 0.01).fitted.line.part_length
    alone = [refitted([s], 0.01).fitted.line.part_length[0] for s in shapes]
    assert together == pytest.approx(alone, abs=1e-7)


# ---------------------------------------------------------------- runs


def test_off_changes_nothing() -> None:
    xy = traced(ring(KIDNEY, 60), 1, 0.01, 1)[0]
    plain, with_sigma = runs_of(xy)[0], runs_of(xy, tracing_sigma_m=0.01)[0]
    asked = runs_of(xy, refit=True)[0]
    for other in (with_sigma, asked):
        assert np.array_equal(plain.xy, other.xy)
        assert np.array_equal(plain.length_m, other.length_m)
        assert other.edge_radius_m is None
    assert plain.corrected_m is None
    assert with_sigma.corrected_m is not None
    assert with_sigma.corrected_m[0] == pytest.approx(total(KIDNEY), abs=0.06)
    ids = np.array(["bed"], dtype=object)
    assert tracing_findings(plain, ids, refit=False) == ()
    assert [f.code for f in tracing_findings(asked, ids, refit=True)] == ["refit-without-sigma"]
    assert [f.code for f in tracing_findings(with_sigma, ids, refit=False)] == ["tracing-bias"]


@pytest.mark.parametrize("offset_m", [0.0, 0.25, -0.25])
def test_offset_of_arcs_is_exact(offset_m: float) -> None:
    xy = ring(KIDNEY, 60, 0.3)
    runs = runs_of(xy, offset_m=offset_m, tracing_sigma_m=0.001, refit=True)[0]
    table = stretch_table(runs)
    want = sorted({2 + offset_m, 7 + offset_m, -3 + offset_m})
    assert sorted(set(np.round(table.radius_m, 4))) == pytest.approx(want, abs=2e-3)
    # all round the line gets longer by 2 pi times the offset
    assert runs.length_m.sum() == pytest.approx(total(KIDNEY) + 2 * np.pi * offset_m, abs=2e-5)
    assert runs.left_radius_m[0] == pytest.approx(2 + offset_m, abs=2e-3)
    assert runs.right_radius_m[0] == pytest.approx(3 - offset_m, abs=2e-3)


def test_lengths_side_by_side() -> None:
    xy = ring(CIRCLE, 12)
    runs = runs_of(xy, tracing_sigma_m=0.002, refit=True, overrides=None)[0]
    raw = 12 * 2 * 3 * np.sin(np.pi / 12)
    assert runs.traced_m == pytest.approx([raw], abs=1e-6)
    assert runs.length_m == pytest.approx([6 * np.pi], abs=1e-6)
    assert runs.corrected_m == pytest.approx([6 * np.pi], abs=1e-6)
    assert runs.corrected_sigma_m[0] == pytest.approx(2 * np.pi * 0.002 / np.sqrt(12), rel=0.05)


@pytest.fixture(scope="module", params=["fennel_row", "larkspur_close"])
def sample(request: pytest.FixtureRequest) -> tuple[Site, RunPlan]:
    """A sample site, and its runs as traced."""
    site = load_site(SAMPLES / request.param)
    return site, plan_runs(site)


@pytest.mark.parametrize("sigma_um", [1_000, 5_000, 20_000])
def test_no_corner_of_the_sample_sites_is_lost(sample: tuple[Site, RunPlan], sigma_um: int) -> None:
    site, plain = sample
    outline = site.settings.outline.model_copy(update={"tracing_sigma": sigma_um, "refit": "arcs"})
    with_arcs = replace(site, settings=site.settings.model_copy(update={"outline": outline}))
    plan = plan_runs(with_arcs)
    runs, before = plan.runs, plain.runs
    assert runs.leg_id.tolist() == before.leg_id.tolist()
    assert runs.corner_leg.tolist() == before.corner_leg.tolist()
    assert np.hypot(*(runs.corner_xy - before.corner_xy).T).max() < 0.02
    assert runs.edge_radius_m is not None
    assert runs.traced_m is not None
    assert np.isfinite(runs.edge_radius_m).sum() > 50
    assert runs.traced_m == pytest.approx(before.length_m, abs=0.01)
    # a line of arcs is longer than chords, and goes nowhere else
    assert 0.0 < runs.length_m.sum() - before.length_m.sum() < 1e-3 * before.length_m.sum()
    far = shapely.hausdorff_distance(
        shapely.multilinestrings([lines(runs)]), shapely.multilinestrings([lines(before)])
    )
    assert far < 5 * max(sigma_um / 1e6, 0.02)


def lines(runs: Runs) -> list[shapely.LineString]:
    return [shapely.LineString(runs.xy[a:b]) for a, b in pairwise(runs.offsets.tolist())]


def test_an_opening_in_an_arc_stays_where_it_is() -> None:
    """Stations of the outline as traced are found again on the arcs."""
    xy = ring(CIRCLE, 36, 0.3)
    chord = 2 * 3 * np.sin(np.pi / 36)
    beds = bed(xy)
    cut = breaks([(0, 3 * chord, 6 * chord)])
    runs, unedged, _ = build_runs(beds, cut, tracing_sigma_m=0.001, refit=True)
    assert unedged.length_m.sum() == pytest.approx(3 * 2 * np.pi * 3 / 36, abs=2e-3)
    assert runs.xy[0] == pytest.approx(xy[6], abs=2e-3)
    assert runs.xy[-1] == pytest.approx(xy[3], abs=2e-3)
    assert runs.traced_m == pytest.approx([33 * chord], abs=2e-3)


def test_stretches_of_a_leg_follow_one_another() -> None:
    runs = runs_of(ring(STADIUM, 40, 0.3), tracing_sigma_m=0.001, refit=True)[0]
    table = stretch_table(runs)
    assert table.from_m[0] == 0.0
    assert table.to_m[:-1] == pytest.approx(table.from_m[1:], abs=1e-9)
    assert table.to_m[-1] == pytest.approx(runs.length_m[0], abs=1e-9)
    length = table.to_m - table.from_m
    assert length[np.isfinite(table.radius_m)].sum() == pytest.approx(3 * np.pi, abs=1e-3)
