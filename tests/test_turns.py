"""Corners that are made another way on a true site: their turns drawn, their runs laid anew."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import sparse

from siteplan.laying.corner_units import CornerHow
from siteplan.laying.needs import needs
from siteplan.laying.needs_anew import Turned, changed_runs, may_be_laid_anew
from siteplan.plans import RunPlan, plan_runs
from siteplan.sites import Site
from siteplan.takeoffs import takeoff
from siteplan.uncertainty.components import AdjustedLegs, length_model
from siteplan.uncertainty.suffice import Crew, laid_runs, lay_again, needed
from siteplan.uncertainty.turns import given_lengths
from tests.true_sites import Shape, TrueSite, planned_need, write_site

SPIN = np.array([(np.cos(0.6), np.sin(0.6)), (-np.sin(0.6), np.cos(0.6))])
"""so that the south-most corner, where runs begin, stays the same one"""
BOX = np.array([(0.0, 0.0), (8.31, 0.1), (8.65, 5.47), (0.05, 5.2)]) @ SPIN
"""turns of 85.7, 95.4, 87.7 and 91.2 degrees"""
ELL = np.array([(20.0, 0), (32.2, 0.1), (32.55, 4.33), (26.1, 4.2), (26.0, 9.4), (20.1, 9.2)]) @ SPIN
INVENTED = TrueSite((Shape("B1", BOX), Shape("B2", ELL)), "rigid-900mm", {})
SIGMA_M = 0.03
TOML = f'[uncertainty]\nvertex_sigma = "{SIGMA_M * 1e3:g} mm"\ncorrelation_length = "2 m"\ndraws = 300\n'


def planned(
    folder: Path, outlines: dict[str, np.ndarray], invented: TrueSite = INVENTED
) -> tuple[Site, RunPlan]:
    site = write_site(folder, invented, outlines, TOML)
    return site, plan_runs(site)


def of(invented: TrueSite) -> dict[str, np.ndarray]:
    return {s.name: s.truth() for s in invented.shapes}


@pytest.fixture(scope="module")
def near(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, RunPlan]:
    """A site whose corners turn near the limits of the square units, 85 to 95 degrees."""
    return planned(tmp_path_factory.mktemp("near"), of(INVENTED))


def test_turns_and_lengths_together_are_those_of_whole_plans(
    near: tuple[Site, RunPlan], tmp_path: Path
) -> None:
    """The covariance of lengths and turns, against 100 sites with moved vertices planned from the start.

    The noise comes from a Cholesky factor made here.  A covariance of n sites has a standard error of
    sqrt((s_i^2 s_j^2 + c^2) / n): nine of ten within two of them, all within four and a half.
    """
    site, plan = near
    model = length_model(site, plan)
    assert model.turns is not None
    factor = sparse.vstack([model.parts[0].factor, model.turns.shared]).toarray()
    own = np.vstack([np.zeros((len(plan.runs.leg_id), model.turns.own.shape[1])), model.turns.own.toarray()])
    stated = factor @ factor.T + own @ own.T
    rng, count, found = np.random.default_rng(12), 100, []
    roots = {}
    for shape in INVENTED.shapes:
        xy = shape.truth()
        side = np.hypot(*(np.roll(xy, -1, axis=0) - xy).T)
        away = np.abs(np.subtract.outer(*(2 * [np.cumsum(side) - side])))
        like = np.exp(-np.minimum(away, side.sum() - away) / 2.0)
        roots[shape.name] = SIGMA_M * np.linalg.cholesky(like)
    for k in range(count):
        seen = {name: xy + roots[name] @ rng.standard_normal(xy.shape) for name, xy in of(INVENTED).items()}
        _, moved = planned(tmp_path / str(k), seen)
        assert list(moved.runs.leg_id) == list(plan.runs.leg_id)
        found.append(
            np.concatenate([moved.lengths.ground_m, moved.runs.corner_turn_deg])
            - np.concatenate([plan.lengths.ground_m, plan.runs.corner_turn_deg])
        )
    simulated = np.cov(np.array(found).T)
    square = np.diag(stated)
    error = np.sqrt((np.outer(square, square) + stated**2) / count)
    off = np.abs(simulated - stated) / error
    assert off.max() < 4.5
    assert (off < 2).mean() > 0.9
    assert model.turns.sigma_deg == pytest.approx(np.sqrt(square[len(plan.runs.leg_id) :]))
    assert model.turns.sigma_deg.min() > 0.2
    lengths, turns = model.draw_with_turns(np.random.default_rng(3), 40_000)
    assert turns is not None
    drawn = np.cov(np.hstack([lengths, turns]).T)
    cross = drawn[: lengths.shape[1], lengths.shape[1] :]
    expected = stated[: lengths.shape[1], lengths.shape[1] :]
    scale = np.sqrt(np.outer(np.diag(drawn)[: lengths.shape[1]], square[lengths.shape[1] :]))
    assert np.abs((cross - expected) / scale).max() < 0.025


def test_turns_do_not_change_the_draws_of_the_lengths(near: tuple[Site, RunPlan]) -> None:
    model = length_model(*near)
    plain = replace(model, turns=None).draw(np.random.default_rng(5), 50)
    assert (model.draw(np.random.default_rng(5), 50) == plain).all()


def test_what_moves_every_side_alike_turns_no_corner() -> None:
    """Lengths that say all of the turns leave nothing to be drawn of them."""
    factor = np.diag([2.0, 0.5])
    mixed = np.array([[0.3, -1.0]])
    shared, own = given_lengths(factor, mixed @ factor.T, mixed @ mixed.T)
    assert shared == pytest.approx(mixed)
    assert own.shape == (1, 0)


def test_taped_and_adjusted_beds_turn_as_planned(near: tuple[Site, RunPlan]) -> None:
    site, plan = near
    assert site.settings.uncertainty is not None
    said = site.settings.uncertainty.model_copy(update={"taped": {"steel": ["B1"]}})
    taped = replace(site, settings=site.settings.model_copy(update={"uncertainty": said}))
    turns = length_model(taped, plan).turns
    assert turns is not None
    first = plan.runs.bed[plan.runs.leg_run[plan.runs.corner_leg]] == 0
    assert not turns.sigma_deg[first].any()
    assert turns.sigma_deg[~first].all()
    # the other bed adjusted: its corners are held as well, lengths as the adjustment has them
    legs = np.flatnonzero(plan.runs.bed[plan.runs.leg_run] == 1)
    spread = 1e-6 * np.eye(len(legs))
    adjusted = AdjustedLegs(legs, plan.lengths.ground_m[legs] + 0.01, spread, 400 * spread)
    model = length_model(site, plan, adjusted=adjusted)
    assert model.turns is not None
    assert model.turns.sigma_deg[first].all()
    assert not model.turns.sigma_deg[~first].any()
    lengths, off = model.draw_with_turns(np.random.default_rng(4), 200)
    assert off is not None
    assert not off[:, ~first].any()
    assert off[:, first].any()
    np.testing.assert_allclose(lengths[:, legs].mean(axis=0), adjusted.leg_m, atol=5e-3)
    both = length_model(taped, plan, adjusted=adjusted).turns
    assert both is not None
    assert not both.sigma_deg.any()


def test_runs_laid_anew_take_what_whole_plans_take(near: tuple[Site, RunPlan], tmp_path: Path) -> None:
    """Sites moved until corners are made otherwise: their needs equal those of plans from the start.

    Both beds of a site count only where both are laid anew: the others hold what the plan has.
    """
    site, plan = near
    result = takeoff(site, plan)
    laid = lay_again(laid_runs(site, plan, result), site.beds.ids, result)
    rng, still = np.random.default_rng(2), Crew(np.zeros(1), np.zeros(1))
    both, other_how = 0, 0
    for k in range(30):
        seen = {name: xy + 0.12 * rng.standard_normal(xy.shape) for name, xy in of(INVENTED).items()}
        other, moved = planned(tmp_path / str(k), seen)
        off = moved.runs.corner_turn_deg - plan.runs.corner_turn_deg
        turned = Turned(moved.runs.corner_turn_deg[None], {})
        _, runs = changed_runs(laid[0].filled, laid[0].line, result.rules, turned)
        how = takeoff(other, moved).corners.how
        changed = np.unique(plan.runs.leg_run[plan.runs.corner_leg[how != result.corners.how]])
        assert set(changed.tolist()) <= set(runs.tolist())
        other_how += len(changed)
        need, _ = needed(laid, result.rules, moved.runs.length_m[None], still, Fraction(0), rng, 9, off[None])
        theirs = planned_need(other, moved)
        if len(runs) == 2:
            both += 1
            assert need[0].tolist() == theirs.tolist()
    assert both >= 6
    assert other_how >= 15


def test_nothing_changes_where_no_corner_does(near: tuple[Site, RunPlan]) -> None:
    """Turns a little off, inside every range, and every draw as the plan."""
    site, plan = near
    result = takeoff(site, plan)
    one = lay_again(laid_runs(site, plan, result), site.beds.ids, result)[0]
    rng = np.random.default_rng(0)
    turn = plan.runs.corner_turn_deg + 1e-3 * rng.standard_normal((20, len(plan.runs.corner_leg)))
    assert not len(changed_runs(one.filled, one.line, result.rules, Turned(turn, {}))[0])
    leg_um = np.tile(one.filled.part.leg_um, (20, 1))
    with_turns = needs(one.filled, one.line, result.rules, leg_um, 9, Turned(turn, {}))
    without = needs(one.filled, one.line, result.rules, leg_um, 9)
    assert (with_turns.total == without.total).all()
    assert not with_turns.more_units.any()


def test_the_share_of_sites_with_another_corner_is_that_of_the_normal_law(
    near: tuple[Site, RunPlan],
) -> None:
    """A corner m degrees from the limit leaves it with probability Phi(-m / s)."""
    from scipy.stats import norm

    site, plan = near
    result = takeoff(site, plan)
    one = lay_again(laid_runs(site, plan, result), site.beds.ids, result)[0]
    model = length_model(site, plan)
    assert model.turns is not None
    _, off = model.draw_with_turns(np.random.default_rng(8), 4000)
    assert off is not None
    turn = np.abs(plan.runs.corner_turn_deg)
    alone = np.zeros_like(off)
    corner = int(np.argmin(np.minimum(np.abs(turn - 85), np.abs(turn - 95))))
    alone[:, corner] = off[:, corner]
    unit = result.corners.how[corner] == CornerHow.UNIT
    sigma = model.turns.sigma_deg[corner]
    inside = norm.cdf((95 - turn[corner]) / sigma) - norm.cdf((85 - turn[corner]) / sigma)
    expected = 1 - inside if unit else inside
    draw, _ = changed_runs(one.filled, one.line, result.rules, Turned(plan.runs.corner_turn_deg + alone, {}))
    assert 0.05 < expected < 0.95
    assert len(draw) / 4000 == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / 4000))


def test_curves_of_rigid_lines_stay_as_planned() -> None:
    """A flexible line is laid anew on any run, a rigid one on straight legs."""
    runs = SimpleNamespace(
        run_id=np.array(["a", "b"], dtype=object),
        leg_run=np.array([0, 0, 1]),
        straight=np.array([True, False, True]),
    )
    for behaviour, expected in (("rigid", [False, True]), ("flexible", [True, True])):
        assert may_be_laid_anew(runs, SimpleNamespace(behaviour=behaviour)).tolist() == expected  # type: ignore[arg-type]


def test_corners_of_several_lines_find_their_own_turns(tmp_path: Path) -> None:
    """The first bed rigid, the second one flexible, all corners of the first moved beyond their units."""
    toml = '[bed.B2]\nline = "flex-2m"\n'
    site = write_site(tmp_path / "a", INVENTED, of(INVENTED), toml)
    skew = np.array([(1.0, 0.0), (0.14, 1.0)])
    other = write_site(tmp_path / "b", INVENTED, of(INVENTED) | {"B1": BOX @ skew}, toml)
    plan, moved = plan_runs(site), plan_runs(other)
    result = takeoff(site, plan)
    assert len(result.lines) == 2
    laid = lay_again(laid_runs(site, plan, result), site.beds.ids, result)
    off = moved.runs.corner_turn_deg - plan.runs.corner_turn_deg
    still, rng = Crew(np.zeros(1), np.zeros(1)), np.random.default_rng(0)
    need, _ = needed(laid, result.rules, moved.runs.length_m[None], still, Fraction(0), rng, 9, off[None])
    theirs = planned_need(other, moved)
    assert need[0].tolist() == theirs.tolist()
    assert theirs.tolist() != planned_need(site, plan).tolist()
