"""How sure lengths and counts are: closed forms, simulation, second ways to the same numbers."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import sparse
from scipy.stats import binom, binomtest, nbinom

from siteplan.errors import DataError
from siteplan.laying.cutting import plan_cuts
from siteplan.laying.cutting_many import sections_to_cut
from siteplan.model import NodeKind
from siteplan.ordering import purchase
from siteplan.plans import RunPlan, plan_runs
from siteplan.publish.sureness import confidence_texts, order_reaches
from siteplan.publish.write import write_plan
from siteplan.reconcile import compare
from siteplan.settings import Spares
from siteplan.sites import Site, load_site, measure
from siteplan.takeoffs import takeoff
from siteplan.tomlfile import validated
from siteplan.uncertainty import sufficing
from siteplan.uncertainty.components import AdjustedLegs, length_model, vertex_sigma
from siteplan.uncertainty.lengths import (
    LengthModel,
    Places,
    common_part,
    joint_part,
    outward_slopes,
    tracing_bias,
    vertex_part,
)
from siteplan.uncertainty.suffice import LEVELS, Crew, corners_near_limits, laid_runs, lay_again, needed
from siteplan.uncertainty.sufficing import (
    LeastOrder,
    clopper_pearson,
    least_order,
    share_of,
    suffices,
    tuned_order,
)
from tests.make_sites import kidney, polygon, rectangle, write_features
from tests.true_sites import Shape, TrueSite, moved_out, planned_need, write_site

RING = np.array([False])


def one_leg(xy: np.ndarray, sigma: float, correlation: float, at: np.ndarray, ring_m: float = 1e3) -> float:
    places = Places(at, np.array([ring_m]), RING)
    part = vertex_part(xy, np.array([0, len(xy)]), np.array([0]), np.array([sigma]), places, correlation)
    return float(part.variance[0])


def test_a_straight_leg_has_the_noise_of_its_two_ends() -> None:
    """Var = 2 s^2 (1 - exp(-d / l)): the two ends are off independently, or alike."""
    xy = np.array([[0.0, 0.0], [3.0, 4.0]])
    at = np.array([0.0, 5.0])
    assert one_leg(xy, 0.02, 0.0, at) == pytest.approx(2 * 0.02**2, rel=1e-12)
    assert one_leg(xy, 0.02, 2.5, at) == pytest.approx(2 * 0.02**2 * (1 - np.exp(-2)), rel=1e-9)


def test_vertices_on_a_straight_leg_do_not_lengthen_it() -> None:
    """They have no slope: only the ends count, however many lie between."""
    x = np.linspace(0, 5, 11)
    xy = np.column_stack([x, np.zeros(11)])
    assert one_leg(xy, 0.02, 0.0, x) == pytest.approx(2 * 0.02**2, rel=1e-12)


def test_legs_that_share_a_corner_share_its_noise() -> None:
    """Square corner: covariance 0; straight on: -s^2 (what one leg gains the other loses)."""
    for far, expected in (((1.0, 1.0), 0.0), ((2.0, 0.0), -(0.02**2))):
        xy = np.array([[0, 0], [1, 0], [1, 0], far], dtype=float)
        places = Places(np.array([0.0, 1.0, 1.0, 2.0]), np.array([9.0]), RING)
        part = vertex_part(xy, np.array([0, 2, 4]), np.zeros(2, int), np.full(2, 0.02), places, 0.0)
        covariance = (part.factor @ part.factor.T).todense()
        assert covariance[0, 1] == pytest.approx(expected, abs=1e-15)


def test_an_offset_is_two_pi_b_on_every_ring_and_eight_b_on_a_rectangle() -> None:
    ring = kidney(400)
    ring = np.vstack([ring, ring[:1]])
    round_one = outward_slopes(ring, np.array([0, len(ring)]), np.zeros(1), np.zeros(1), np.array([True]))
    assert round_one[0] == pytest.approx(2 * np.pi, rel=1e-3)
    box = rectangle(7, 4)
    rows = np.concatenate([[box[k], box[(k + 1) % 4]] for k in range(4)])
    right = np.full(4, 90.0)
    slopes = outward_slopes(rows, np.arange(0, 9, 2), right, right, np.zeros(4, bool))
    assert slopes.sum() == pytest.approx(8.0, rel=1e-12)
    # and by really moving it
    grown = moved_out(box, 0.01)
    sides = np.hypot(*(np.roll(grown, -1, axis=0) - grown).T) - np.hypot(*(np.roll(box, -1, axis=0) - box).T)
    assert slopes * 0.01 == pytest.approx(sides, rel=1e-9)


def test_what_is_common_does_not_average_out() -> None:
    """n legs of one picture: n times the error; of n pictures: root n times."""
    values = np.full(16, 0.1)
    whole = sparse.csr_array(np.ones((1, 16)))
    for group, expected in ((np.zeros(16, int), 1.6), (np.arange(16), 0.4)):
        model = LengthModel(values, values, (common_part("x", values, group),))
        assert model.sigma(whole)[0] == pytest.approx(expected)


def test_noise_that_is_alike_lengthens_less() -> None:
    """A zigzag of 200 edges: sigma^2 / s an edge where independent, 1 - exp(-s / l) of it where alike."""
    x = np.arange(201) * 0.5
    xy = np.column_stack([x, np.zeros(201)])
    rng = np.random.default_rng(4)
    step, sigma = 0.5, 0.02
    for correlation in (0.0, 1.0):
        rho = np.exp(-step / correlation) if correlation else 0.0
        noise = np.zeros((400, 201, 2))
        noise[:, 0] = rng.standard_normal((400, 2))
        for k in range(1, 201):
            noise[:, k] = rho * noise[:, k - 1] + np.sqrt(1 - rho**2) * rng.standard_normal((400, 2))
        seen = xy + sigma * noise
        lengths = np.hypot(*np.moveaxis(np.diff(seen, axis=1), 2, 0)).sum(axis=1)
        ends = np.hypot(*(seen[:, -1] - seen[:, 0]).T)
        found = np.array(
            [tracing_bias(s, np.array([0, 201]), np.array([sigma]), correlation)[0] for s in seen[:16]]
        )
        expected = (lengths - ends).mean()
        assert found.mean() == pytest.approx(expected, rel=0.08)


# ---------------------------------------------------------------- the model of a site


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, RunPlan]:
    folder = tmp_path_factory.mktemp("small")
    beds = {
        "box": polygon(rectangle(8, 5, turn_deg=20)),
        "bean": polygon(kidney(40, at=(25, 5))),
        "ell": polygon(np.array([(40, 0), (52, 0), (52, 4), (46, 4), (46, 9), (40, 9)], dtype=float)),
    }
    write_features(folder / "beds.geojson", beds)
    (folder / "site.toml").write_text(
        'schema_version = 1\nname = "small"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        '[uncertainty]\nvertex_sigma = "20 mm"\ncorrelation_length = "2 m"\npicture_scale_ppm = 2000\n',
        encoding="utf-8",
    )
    site = load_site(folder)
    return site, plan_runs(site)


def test_covariance_by_formula_is_that_of_simulation(small: tuple[Site, RunPlan]) -> None:
    """Every row of the legs moved by noise, offsets and scale, and measured anew: 6,000 times.

    The noise comes from a Cholesky factor over the distances along each outline, made here; offsets move the
    sides of the polygon.  Variances within 4 standard errors of a simulated one (2 / n)^0.5 each.
    """
    site, plan = small
    model = length_model(site, plan)
    runs = plan.runs
    rng = np.random.default_rng(7)
    count = 6000
    said = site.settings.uncertainty
    assert said is not None
    lengths = np.zeros((count, len(runs.leg_id)))
    common = rng.standard_normal((2, count, 1, 1))
    scale = 1 + 2000e-6 * rng.standard_normal((count, 1, 1))
    for run in range(len(runs.run_id)):
        legs = np.arange(runs.leg_offsets[run], runs.leg_offsets[run + 1])
        rows = np.concatenate([runs.xy[runs.offsets[k] : runs.offsets[k + 1] - 1] for k in legs])
        step = np.hypot(*(np.roll(rows, -1, axis=0) - rows).T)
        at, whole = np.cumsum(step) - step, step.sum()
        away = np.abs(at[:, None] - at)
        root = np.linalg.cholesky(np.exp(-np.minimum(away, whole - away) / 2.0) + 1e-12 * np.eye(len(rows)))
        seen = rows + 0.02 * np.einsum("ij,njk->nik", root, rng.standard_normal((count, len(rows), 2)))
        own = said.offset_bed / 1e6 * rng.standard_normal((count, 1, 1))
        out = own + said.offset_operator / 1e6 * common[0] + said.offset_picture / 1e6 * common[1]
        seen = (seen + out * (moved_out(rows, 1e-3) - rows) / 1e-3) * scale
        edges = np.hypot(*np.moveaxis(np.roll(seen, -1, axis=1) - seen, 2, 0))
        first = np.cumsum([0] + [runs.offsets[k + 1] - runs.offsets[k] - 1 for k in legs])
        for nth, leg in enumerate(legs):
            lengths[:, leg] = edges[:, first[nth] : first[nth + 1]].sum(axis=1)
    by_run = sparse.csr_array(
        (np.ones(len(runs.leg_id)), (runs.leg_run, np.arange(len(runs.leg_id)))),
        shape=(len(runs.run_id), len(runs.leg_id)),
    )
    sums = (np.eye(len(runs.leg_id)), by_run.toarray(), np.ones((1, len(runs.leg_id))))
    for rows_of in sums:
        matrix = sparse.csr_array(rows_of)
        simulated = np.asarray(matrix @ lengths.T).std(axis=1)
        stated = model.sigma(matrix)
        assert simulated / stated == pytest.approx(np.ones(len(stated)), abs=4 / np.sqrt(2 * count) + 0.005)
    drawn = model.draw(np.random.default_rng(1), 20_000)
    assert np.cov(drawn.T) == pytest.approx(model.covariance(), abs=0.04 * model.covariance().max())


def test_a_curve_traced_with_noise_is_corrected_on_the_average(small: tuple[Site, RunPlan]) -> None:
    site, plan = small
    model = length_model(site, plan)
    curved = ~plan.runs.straight
    assert (model.mean_m[curved] != plan.lengths.ground_m[curved]).all()
    told = replace(site, settings=site.settings.model_copy(update={"uncertainty": None}))
    assert length_model(told, plan).mean_m == pytest.approx(plan.lengths.ground_m), (
        "nobody said how good it is"
    )


def test_beds_drawn_from_a_tape_have_its_errors_and_no_others(small: tuple[Site, RunPlan]) -> None:
    site, plan = small
    assert site.settings.uncertainty is not None
    said = site.settings.uncertainty.model_copy(update={"taped": {"steel": ["box"]}})
    taped = replace(site, settings=site.settings.model_copy(update={"uncertainty": said}))
    model = length_model(taped, plan)
    box = plan.runs.bed[plan.runs.leg_run] == list(site.beds.ids).index("box")
    length = plan.lengths.ground_m[box]
    steel = site.settings.reconcile.kind["steel"]
    own = steel.fixed / 1e6 + steel.per_length_ppm * 1e-6 * length
    assert model.sigma()[box] == pytest.approx(np.hypot(own, steel.scale_ppm * 1e-6 * length))
    by_name = {p.name: p.variance for p in model.parts}
    assert not by_name["vertices"][box].any()
    assert not by_name["offset of each picture"][box].any()


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({"operators": {"Ana": ["nobody"]}}, 'there is no bed "nobody"'),
        ({"operators": {"Ana": ["box"], "Bo": ["box"]}}, 'bed "box" is named twice'),
        ({"taped": {"rubber": ["box"]}}, 'no kind of tape "rubber"'),
    ],
)
def test_names_that_are_not_there_are_faults(
    small: tuple[Site, RunPlan], said: dict[str, dict[str, list[str]]], text: str
) -> None:
    site, plan = small
    assert site.settings.uncertainty is not None
    changed = site.settings.uncertainty.model_copy(update=said)
    with pytest.raises(DataError, match=text):
        length_model(replace(site, settings=site.settings.model_copy(update={"uncertainty": changed})), plan)


def test_tapes_take_out_of_an_offset_what_they_take_out_of_the_legs() -> None:
    """Two legs, one taped: the gain of the filter written out, against P B^-1."""
    before = np.array([[4.0, 1.5], [1.5, 3.0]])
    reading = np.array([[1.0, 0.0]])
    gain = before @ reading.T / (reading @ before @ reading.T + 0.25)
    after = before - gain @ reading @ before
    made = AdjustedLegs(np.array([0, 1]), np.array([5.0, 6.0]), after, before)
    assert made.left == pytest.approx(np.eye(2) - gain @ reading)


def test_an_adjusted_plan_is_as_sure_as_its_adjustment(small: tuple[Site, RunPlan]) -> None:
    site, plan = small
    plain = length_model(site, plan)
    legs = np.array([0, 1, 2])
    before = np.diag([4e-4, 4e-4, 4e-4])
    model = length_model(
        site, plan, adjusted=AdjustedLegs(legs, plan.lengths.ground_m[legs] + 0.05, before / 100, before)
    )
    assert model.mean_m[legs] == pytest.approx(plan.lengths.ground_m[legs] + 0.05)
    rest = np.arange(3, len(plan.runs.leg_id))
    assert model.sigma()[rest] == pytest.approx(plain.sigma()[rest])
    parts = {p.name: p.variance[legs] for p in model.parts}
    assert parts["adjusted outlines"] == pytest.approx(np.full(3, 4e-6))
    offsets = {p.name: p.variance[legs] for p in plain.parts}
    assert parts["offset of each picture"] == pytest.approx(offsets["offset of each picture"] / 1e4)
    assert not parts["vertices"].any()


def test_a_joint_covariance_comes_back() -> None:
    rng = np.random.default_rng(3)
    root = rng.standard_normal((4, 2))
    part = joint_part("x", np.array([5, 1, 2, 0]), root @ root.T, 6)
    whole = np.zeros((6, 6))
    whole[np.ix_([5, 1, 2, 0], [5, 1, 2, 0])] = root @ root.T
    assert (part.factor @ part.factor.T).todense() == pytest.approx(whole, abs=1e-12)


# ---------------------------------------------------------------- what true sites need


SHAPES = (
    Shape("B1", np.array([(0.0, 0.0), (8.31, 0.1), (8.2, 5.47), (0.05, 5.2)])),
    Shape("B2", centre=(25.0, 3.0), size=4.4, lobes=(0.1, 0.05)),
    Shape("B3", np.array([(40.0, 0), (52.2, 0.1), (52, 4.33), (46.1, 4.2), (46, 9.4), (40.1, 9.2)])),
    Shape("B4", np.array([(0.0, 30.0), (9.3, 30.0), (9.3, 36.7)]), closed=False),
)


def shaken(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """The outlines of SHAPES, a little different."""
    made = {}
    for shape in SHAPES:
        grow = 1 + 0.006 * rng.standard_normal()
        if shape.corners is None:
            made[shape.name] = replace(shape, size=shape.size * grow).truth()
        else:
            made[shape.name] = shape.corners + 0.03 * rng.standard_normal(shape.corners.shape)
    return made


@pytest.mark.parametrize("line", ["flex-2m", "rigid-900mm"])
def test_needs_are_those_of_whole_plans(tmp_path: Path, line: str) -> None:
    """The legs of other sites filled all at once, and the same sites planned one by one.

    What is held as planned (which way corner units lie, mostly) makes some differ; on the average they do
    not, and with flexible sections nearly all are equal.  At the plan's own lengths they are equal.
    """
    rng = np.random.default_rng(11)
    invented = TrueSite(SHAPES, line, {})
    # the curve of a rigid line takes half a second each time: straight sides only
    rigid = line == "rigid-900mm"
    names = [s.name for s in SHAPES if not (rigid and s.smooth)]
    site = write_site(tmp_path / "plan", invented, {s.name: s.truth() for s in SHAPES if s.name in names})
    plan = plan_runs(site)
    result = takeoff(site, plan)
    laid = lay_again(laid_runs(site, plan, result), site.beds.ids, result)
    lengths, whole = [plan.runs.length_m], [planned_need(site, plan)]
    for k in range(12):
        seen = {name: xy for name, xy in shaken(rng).items() if name in names}
        other = write_site(tmp_path / str(k), invented, seen)
        moved = plan_runs(other)
        assert list(moved.runs.leg_id) == list(plan.runs.leg_id)
        lengths.append(moved.runs.length_m)
        whole.append(planned_need(other, moved))
    still = Crew(np.zeros(13), np.zeros(13))
    need, _ = needed(laid, result.rules, np.array(lengths), still, Fraction(0), rng, 9)
    theirs = np.array(whole)
    assert (need[0] == theirs[0]).all()
    off = need[1:] - theirs[1:]
    piece_m = np.array([s.laying_um for s in result.line.straights]) / 1e6
    straights = len(piece_m)
    assert not off[:, straights:].any()
    # in metres of pieces the two take the same: a longer closer for two short ones
    by_length = off[:, :straights] @ piece_m
    spread = off[:, :straights].std(axis=0) / np.sqrt(12)
    assert abs(by_length.mean()) < 0.35
    assert (np.abs(off[:, :straights].mean(axis=0)) <= 3 * spread + 0.3).all()
    if line == "flex-2m":
        assert (off == 0).all(axis=1).mean() >= 0.8


def test_longer_pieces_and_wider_joints_need_fewer(tmp_path: Path) -> None:
    """A delivery 1 % long on 150 m, joints 3 mm wider: by what they come to in sections of 2 m."""
    site = write_site(tmp_path, TrueSite(SHAPES, "flex-2m", {}), {s.name: s.truth() for s in SHAPES})
    plan = plan_runs(site)
    result = takeoff(site, plan)
    laid = lay_again(plan.runs, site.beds.ids, result)
    count = 400
    rng = np.random.default_rng(2)
    # legs shaken, so that single sections average out
    legs = plan.runs.length_m + 0.5 * rng.standard_normal((count, len(plan.runs.length_m)))
    whole = legs.sum(axis=1).mean()

    def mean(batch: float, joint: float) -> float:
        crew = Crew(np.full(count, batch), np.full(count, joint))
        need, _ = needed(laid, result.rules, legs, crew, Fraction(0), rng, 9)
        return float(need[:, 0].mean())

    plain = mean(0, 0)
    assert plain - mean(0.01, 0) == pytest.approx(0.01 * whole / 2, rel=0.25)
    joints = sum(int(one.joints.sum()) for one in laid)
    assert plain - mean(0, 0.003) == pytest.approx(0.003 * joints / 2, rel=0.4)


def test_broken_pieces_counted_either_way() -> None:
    """n + negative binomial <= N  if and only if  N less a binomial >= n: the two laws agree."""
    for n, p in ((1, 0.01), (30, 0.02), (400, 0.05)):
        for extra in range(6):
            assert nbinom.cdf(extra, n, 1 - p) == pytest.approx(binom.cdf(extra, n + extra, p), abs=1e-12)


# ---------------------------------------------------------------- cuts of many sites


@pytest.mark.parametrize(("low", "ends"), [(0.1, "any"), (0.34, "any"), (0.1, "one_factory_end")])
def test_sections_to_cut_against_the_proven_plan(low: float, ends: str) -> None:
    rng = np.random.default_rng(5)
    stock, kerf = 2_000_000, 3_000
    sites, cuts, proven = [], [], []
    for k in range(40):
        cut = rng.integers(int(low * stock), stock - kerf, int(rng.integers(0, 25)))
        sites.append(np.full(len(cut), k))
        cuts.append(cut)
        proven.append(plan_cuts(cut, stock, kerf_um=kerf, usable_ends=ends).count)  # type: ignore[arg-type]
    count, least = sections_to_cut(
        np.concatenate(sites),
        np.concatenate(cuts),
        40,
        stock,
        kerf,
        ends,  # type: ignore[arg-type]
    )
    assert (least <= proven).all()
    assert (count >= proven).all()
    assert (count == proven).mean() >= 0.85
    if low > 1 / 3 or ends == "one_factory_end":
        assert (count == proven).all()


# ---------------------------------------------------------------- the least-cost order


def brute(need: np.ndarray, cost: np.ndarray, must: int) -> int:
    """Least cost over every order on the levels of the sample."""
    levels = [np.unique(need[:, a]) for a in range(need.shape[1])]
    grid = np.stack([g.ravel() for g in np.meshgrid(*levels, indexing="ij")], axis=1)
    enough = np.array([(need <= q).all(axis=1).sum() >= must for q in grid])
    return int((grid[enough] @ cost).min())


@pytest.mark.parametrize("seed", range(8))
def test_the_least_order_against_every_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    need = np.rint(np.array([20, 9, 5]) + 2.5 * rng.standard_normal((60, 3))).astype(np.int64)
    need[:, 2] += need[:, 0] // 6
    cost = rng.integers(3, 40, 3)
    for p in (Fraction(1, 2), Fraction(4, 5), Fraction(19, 20), Fraction(1)):
        made = least_order(need, cost, p)
        must = -(-60 * p.numerator // p.denominator)
        assert made.status == "optimal"
        assert made.cost == made.bound == brute(need, cost, must)
        assert made.share.hits >= must
        for a in range(3):
            fewer = made.order.copy()
            fewer[a] -= 1
            assert suffices(fewer, need).sum() < must, "no piece can be left out"


def test_a_stopped_program_says_how_far_it_may_be_off() -> None:
    rng = np.random.default_rng(1)
    common = rng.standard_normal((3000, 1))
    need = np.rint(200 + 9 * common + 9 * rng.standard_normal((3000, 12))).astype(np.int64)
    cost = rng.integers(100, 999, 12)
    made = least_order(need, cost, Fraction(1, 2), seconds=0.05)
    assert made.status == "stopped"
    assert made.bound < made.cost
    assert made.share.hits >= 1500

    # never dearer than the same quantile of every code
    ranked = np.sort(need, axis=0)
    alike = next(q for q in ranked if suffices(q, need).sum() >= 1500)
    assert made.cost <= int(alike @ cost)


def test_the_time_is_for_all_the_shares_that_are_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every program here takes all the time it is given: together they must not take more than was said."""
    clock = [100.0]
    monkeypatch.setattr(sufficing, "time", SimpleNamespace(monotonic=lambda: clock[0]))

    def taken(need: np.ndarray, cost: np.ndarray, p: Fraction, *, seconds: float) -> LeastOrder:
        clock[0] += seconds
        tried.append(p)
        made = least_order(need, cost, p, seconds=1e9)
        return replace(made, status="stopped")

    tried: list[Fraction] = []
    monkeypatch.setattr(sufficing, "least_order", taken)
    rng = np.random.default_rng(0)
    first, second = np.rint(30 + 3 * rng.standard_normal((2, 300, 6))).astype(np.int64)
    made = tuned_order(first, second, np.full(6, 10), Fraction(9, 10), 20.0)
    assert len(tried) >= 2
    assert tried == sorted(tried)
    assert share_of(made.order, second).value >= 0.9
    assert 10.0 < clock[0] - 100.0 <= 20.0


def test_an_order_without_time_still_suffices() -> None:
    rng = np.random.default_rng(3)
    first, second = np.rint(200 + 9 * rng.standard_normal((2, 1500, 9))).astype(np.int64)
    made = tuned_order(first, second, np.full(9, 10), Fraction(9, 10), 1e-3)
    assert made.status == "stopped"
    assert made.bound <= made.cost
    assert share_of(made.order, second).value >= 0.9


def test_an_order_is_held_against_a_second_sample() -> None:
    """Fitted to 60 draws of 6 codes, 90 % of them is 80 % of others; tuned it holds there."""
    rng = np.random.default_rng(0)
    first, second, third = np.rint(30 + 3 * rng.standard_normal((3, 300, 6))).astype(np.int64)
    cost = np.full(6, 10)
    plain = least_order(first, cost, Fraction(9, 10))
    tuned = tuned_order(first, second, cost, Fraction(9, 10), 20.0)
    assert share_of(plain.order, third).value < 0.9
    assert share_of(tuned.order, second).value >= 0.9
    assert tuned.cost > plain.cost


def test_limits_of_a_share() -> None:
    """Against scipy's exact limits, and the closed form where nothing was hit: 1 - (a / 2)^(1 / n)."""
    for hits, draws in ((0, 30), (7, 40), (95, 100), (50, 50)):
        exact = binomtest(hits, draws).proportion_ci(0.95, method="exact")
        assert clopper_pearson(hits, draws) == pytest.approx((exact.low, exact.high), abs=1e-12)
    assert clopper_pearson(0, 30)[1] == pytest.approx(1 - 0.025 ** (1 / 30))


# ---------------------------------------------------------------- in a site


def asked(site: Site, **spares: object) -> Site:
    made = validated(Spares, spares, "site.toml")
    return replace(site, settings=site.settings.model_copy(update={"spares": made}))


def test_how_well_vertices_were_traced_is_known_to_all_who_ask(small: tuple[Site, RunPlan]) -> None:
    """Whoever asks has its own table first; what any table says is better than an assumption."""
    given = small[0]

    def told(**millimetres: int | None) -> tuple[tuple[float, str], tuple[float, str]]:
        um = {name: None if mm is None else 1000 * mm for name, mm in millimetres.items()}
        said = given.settings
        assert said.uncertainty is not None
        tables = {
            "uncertainty": said.uncertainty.model_copy(update={"vertex_sigma": um.get("uncertainty")}),
            "outline": said.outline.model_copy(update={"tracing_sigma": um.get("outline")}),
            "reconcile": said.reconcile.model_copy(update={"vertex_sigma": um.get("reconcile")}),
        }
        site = replace(given, settings=said.model_copy(update=tables))
        sigma, known, source = vertex_sigma(site)
        tape, tape_source = compare.vertex_sigma(site)
        assert known.all() == ("assumed" not in source)
        return (round(1e3 * float(sigma[0])), source), (round(1e3 * float(tape[0])), tape_source)

    assert told(uncertainty=1, outline=2, reconcile=3) == (
        (1, "[uncertainty] vertex_sigma"), (3, "[reconcile] vertex_sigma")
    )  # fmt: skip
    assert told(outline=2, reconcile=3)[0] == (2, "[outline] tracing_sigma")
    assert told(outline=2, uncertainty=1)[1] == (2, "[outline] tracing_sigma")
    for only in ("uncertainty", "outline", "reconcile"):
        one, other = told(**{only: 7})
        assert one == other
        assert one[0] == 7
    assert told()[0] == told()[1]
    assert "assumed" in told()[1][1]


def test_the_order_suffices_and_stands_beside_the_percentage(small: tuple[Site, RunPlan]) -> None:
    site, plan = small
    result = takeoff(site, plan)
    sure = purchase(asked(site, suffice="90 %", breakage_percent=2.0), plan, result, levels=LEVELS)
    again = purchase(asked(site, suffice="90 %", breakage_percent=2.0), plan, result)
    assert sure.order.lines == again.order.lines
    assert sure.confidence is not None
    assert sure.flat is not None
    wanted = np.array([row.need + row.breakage + row.spares for row in sure.order.rows])
    assert sure.confidence.share(wanted).value > 0.86
    need = np.array([row.need for row in sure.flat.rows])
    assert (wanted >= need).all()
    assert (wanted >= sure.confidence.wanted.least.order).all()
    flat = purchase(asked(site, percent=3.0, breakage_percent=2.0), plan, result)
    assert flat.order.lines == sure.flat.lines, "with [uncertainty] and no suffice the percentage stays"
    assert tuple(level.probability for level in sure.confidence.levels) == (
        Fraction(4, 5), Fraction(95, 100), Fraction(99, 100)
    )  # fmt: skip
    costs = [level.least.cost for level in sure.confidence.levels]
    assert costs == sorted(costs)


def test_corners_that_may_turn_beyond_their_unit_are_told(tmp_path: Path) -> None:
    """84 to 96 degrees is the range of a square unit here; corners of 94.7 and 90 degrees, 20 mm vertices."""
    far = np.radians(180 - 94.7)
    box = np.array([(0, 0), (8, 0), (8 + 5 * np.cos(np.pi - far), 5 * np.sin(far)), (0.0, 5 * np.sin(far))])
    site = write_site(
        tmp_path, TrueSite((Shape("B1", box),), "rigid-900mm", {}), {"B1": box},
        '[uncertainty]\nvertex_sigma = "20 mm"\n',
    )  # fmt: skip
    plan = plan_runs(site)
    result = takeoff(site, plan)
    turn = plan.runs.corner_turn_deg
    near = corners_near_limits(plan.runs, result, np.array([0.02]))
    # 20 mm at 5 and 8 m: about half a degree
    expected = [
        str(plan.runs.leg_id[leg])
        for leg, t in zip(plan.runs.corner_leg, turn, strict=True)
        if abs(abs(t - 90) - 5) < 1.0 and abs(t - 90) < 5
    ]
    assert expected
    assert list(near) == expected
    assert not corners_near_limits(plan.runs, result, np.array([1e-4]))


def test_nothing_is_drawn_where_nobody_asks(small: tuple[Site, RunPlan]) -> None:
    site, plan = small
    plain = replace(site, settings=site.settings.model_copy(update={"uncertainty": None}))
    bought = purchase(plain, plan, takeoff(site, plan))
    assert bought.confidence is None
    assert bought.flat is None


def test_spares_by_count_come_on_top_of_the_plan(small: tuple[Site, RunPlan]) -> None:
    site, plan = small
    result = takeoff(site, plan)
    made = purchase(asked(site, suffice="50 %", count={"F-CO": 9}), plan, result)
    row = next(r for r in made.order.rows if r.code == "F-CO")
    assert row.spares >= 9


def test_the_order_that_is_shown_is_the_one_that_would_be_bought(small: tuple[Site, RunPlan]) -> None:
    """Beside an order by percentage the one that suffices has the spares by count too."""
    site, plan = small
    result = takeoff(site, plan)
    spares = {"percent": 3.0, "count": {"F-CO": 9}}
    bought = purchase(asked(site, suffice="95 %", **spares), plan, result)
    shown = purchase(asked(site, **spares), plan, result)
    would, _ = order_reaches(asked(site, suffice="95 %", **spares), result, bought)
    beside, _ = order_reaches(asked(site, **spares), result, shown)
    assert (would.bought, beside.bought) == (True, False)
    assert beside.wanted.tolist() == would.wanted.tolist()
    assert bought.confidence is not None
    assert bought.confidence.levels == ()


def test_levels_are_paid_for_where_they_are_shown(small: tuple[Site, RunPlan], tmp_path: Path) -> None:
    site, _ = small
    plan, measures = plan_runs(site), measure(site)
    write_plan(site, measures, plan, takeoff(site, plan), tmp_path / "out", formats="geopackage")
    told = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))["confidence"]
    assert [level["probability"] for level in told["levels"]] == [0.8, 0.9, 0.99]


def test_pieces_are_not_told_as_money(small: tuple[Site, RunPlan]) -> None:
    """Without prices the fewest pieces are looked for, and what is not proven is a number of pieces."""
    site, plan = small
    result = takeoff(site, plan)
    made = asked(site, suffice="95 %")
    bought = purchase(made, plan, result)
    sure = bought.confidence
    assert sure is not None
    least = replace(sure.wanted.least, status="stopped", cost=1234, bound=1200)
    stopped = replace(sure, wanted=replace(sure.wanted, least=least))

    def told(priced: bool) -> str:
        texts = confidence_texts(made, result, replace(bought, confidence=replace(stopped, priced=priced)))
        (text,) = (t for t in texts if "not proven" in t)
        return text

    assert "1,234" in told(False)
    assert "fewer than 1,200" in told(False)
    assert "12.34" in told(True)
    assert "12.34" not in told(False)


@pytest.mark.parametrize("text", ["95", "0 %", "100 %", "95.123456 %", 0.95])
def test_a_probability_is_written_as_people_do(text: object) -> None:
    with pytest.raises(DataError, match=r"write the probability as text, more than 0 and less than 100 %"):
        validated(Spares, {"suffice": text}, "site.toml")
    assert validated(Spares, {"suffice": "97.5 %"}, "site.toml").suffice == Fraction(39, 40)


def test_legs_of_a_plan_meet_their_outline(small: tuple[Site, RunPlan]) -> None:
    """A ring without corners ends where it starts: its seam is one point."""
    _, plan = small
    assert (plan.runs.start_kind == NodeKind.SEAM).sum() == 1


def test_several_product_lines_are_drawn_together(tmp_path: Path) -> None:
    """At the plan's own lengths every code of both lines needs what the order counts; one order for all."""
    straight = tuple(s for s in SHAPES if not s.smooth)
    site = write_site(
        tmp_path, TrueSite(straight, "flex-2m", {}), {s.name: s.truth() for s in straight},
        '[spares]\nsuffice = "80 %"\n[uncertainty]\ndraws = 200\nvertex_sigma = "20 mm"\n'
        '[bed.B3]\nline = "rigid-900mm"\n',
    )  # fmt: skip
    plan = plan_runs(site)
    result = takeoff(site, plan)
    assert len(result.lines) == 2
    laid = lay_again(laid_runs(site, plan, result), site.beds.ids, result)
    still = Crew(np.zeros(1), np.zeros(1))
    rng = np.random.default_rng(0)
    need, _ = needed(laid, result.rules, plan.runs.length_m[None], still, Fraction(0), rng, 9)
    assert need[0].tolist() == planned_need(site, plan).tolist()
    bought = purchase(site, plan, result)
    assert bought.confidence is not None
    assert bought.confidence.wanted.check.value > 0.7
    ordered = {row.code: row.order for row in bought.order.rows}
    assert ordered["F-2000"]
    assert ordered["R-900"]
