"""Outlines adjusted to tapes: derivatives against the plan, known truth, the sample site from end to end."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from pyogrio import read_info
from scipy import sparse
from scipy.stats import chi2 as chi2_law

from siteplan.adjust.accept import accept, adjusted_features, adjusted_site, already_used, changes
from siteplan.adjust.conditions import noncentrality
from siteplan.adjust.lines import line_gradient, matched_legs, snapped
from siteplan.adjust.moved import moved
from siteplan.adjust.outcome import global_chance, outcome
from siteplan.adjust.report import global_text
from siteplan.adjust.site import Adjustment, adjust_site, carried_over
from siteplan.adjust.snooping import Freed, Rival, Suspects
from siteplan.adjust.sure import adjusted_lengths
from siteplan.adjust.together import equal_power
from siteplan.cli import program
from siteplan.errors import UsageError
from siteplan.ordering import purchase
from siteplan.planar import part_of
from siteplan.plans import RunPlan, plan_runs
from siteplan.reconcile.compare import compare
from siteplan.reconcile.tapes import Tapes, read_tapes
from siteplan.record import Conflict, Record
from siteplan.revise.start import start_record
from siteplan.sites import Site, load_site
from siteplan.takeoffs import takeoff
from tests.make_sites import polygon, rectangle, write_features
from tests.tape_sets import row
from tests.test_compare import distance

SETTINGS = """
name = "Adjusted (invented)"
line = "flex-2m"
[[inputs.beds]]
file = "beds.geojson"
[reconcile]
vertex_sigma = "20 mm"
"""


@pytest.fixture(scope="module")
def fennel(sample_data: Path) -> tuple[Site, RunPlan]:
    site = load_site(sample_data / "fennel_row")
    return site, plan_runs(site)


def made_site(folder: Path, beds: dict[str, Any], more: str = "") -> tuple[Site, RunPlan]:
    write_features(folder / "beds.geojson", beds)
    (folder / "site.toml").write_text(SETTINGS + more, encoding="utf-8")
    site = load_site(folder)
    return site, plan_runs(site)


def said(site: Site, **table: Any) -> Site:
    """The site with other settings of ``[reconcile.adjust]``."""
    own = site.settings.reconcile
    own = own.model_copy(update={"adjust": own.adjust.model_copy(update=table)})
    return replace(site, settings=site.settings.model_copy(update={"reconcile": own}))


def taped(site: Site, plan: RunPlan, **legs: str) -> Tapes:
    rows = [row(of.replace("_", "-"), text, name=of) for of, text in legs.items()]
    return read_tapes(site, plan, rows)


# ---------------------------------------------------------------- derivatives


def follows(site: Site, plan: RunPlan, beds: list[str], *, seed: int) -> float:
    """Greatest difference between predicted and planned change of a leg, in steps of the vertices."""
    index = np.flatnonzero(np.isin(site.beds.ids.astype(str), beds))
    found = line_gradient(site, plan, index)
    assert found.doubtful == ()
    xy = site.bed_shapes.xy
    way = np.random.default_rng(seed).standard_normal(xy.shape)[found.owner]
    h = 2e-5
    # only the beds asked for move: others may stand at the edge of a rule, where a leg comes and goes
    way[~np.isin(site.bed_shapes.ring_feature[part_of(site.bed_shapes.ring_offsets)], index)] = 0
    ahead, back = (plan_runs(moved(site, xy + s * h * way)).runs for s in (1, -1))
    legs = np.flatnonzero(found.wanted)
    assert len(legs) >= len(beds)
    a, b = (matched_legs(plan.runs, runs, 0.01)[legs] for runs in (ahead, back))
    assert (a >= 0).all()
    assert (b >= 0).all()
    slope = (ahead.length_m[a] - back.length_m[b]) / (2 * h)
    return float(np.abs(slope - (found.legs @ way.ravel())[legs]).max())


def test_legs_follow_their_vertices(fennel: tuple[Site, RunPlan]) -> None:
    """Corners, curves, hand tracing, abutted ends, an opening, shared edges, a tee, open lines."""
    beds = ["F3", "F4", "S5", "W1", "W5", "N7", "N8", "N9", "N10", "N11", "E11", "E13", "L1", "L2"]
    assert follows(*fennel, beds, seed=1) < 1e-3


@pytest.mark.parametrize("offset_um", [60_000, -40_000])
def test_legs_follow_on_an_offset_laying_line(fennel: tuple[Site, RunPlan], offset_um: int) -> None:
    """The length is that of the line beside the outline: turns at its ends lengthen or shorten it."""
    site = fennel[0]
    outline = site.settings.outline.model_copy(update={"offset": offset_um})
    site = replace(site, settings=site.settings.model_copy(update={"outline": outline}), heights=None)
    beds = ["W5", "W6", "S3", "E12", "N5", "T1"]
    assert follows(site, plan_runs(site), beds, seed=2) < 2e-3


def test_a_regular_ring_follows_its_radius(tmp_path: Path) -> None:
    """Closed form: moving all 24 vertices out by 1 lengthens the ring by 24 x 2 sin(7.5 degrees)."""
    turn = np.radians(np.arange(24) * 15)
    ring = 5 * np.column_stack([np.cos(turn), np.sin(turn)])
    site, plan = made_site(tmp_path, {"R": polygon(ring)}, '[outline]\noffset = "100 mm"\n')
    found = line_gradient(site, plan)
    xy = site.bed_shapes.xy
    out = (xy - xy.mean(axis=0)) / 5
    assert (found.legs @ out.ravel()).sum() == pytest.approx(48 * np.sin(np.radians(7.5)), abs=1e-4)


def test_snapped_vertices_move_together() -> None:
    xy = np.array([[0, 0], [5, 0], [0.0004, 0.0003], [5, 5], [5, 5], [0.002, 0]])
    assert snapped(xy).tolist() == [0, 1, 0, 3, 3, 5]


# ---------------------------------------------------------------- against the comparison, and known truth


def test_misclosures_have_the_covariance_of_the_comparison(fennel: tuple[Site, RunPlan]) -> None:
    """The comparison propagates variances by a road of its own; without a picture scale both must agree."""
    site, plan = said(fennel[0], picture_scale_ppm=0), fennel[1]
    rows = [
        *(row(f"W9-1-{k}", "4 m", name=f"l{k}") for k in (1, 2, 3, 4)),
        row("W9-1", "36 m", name="ring", tape="B"), distance("W9-1-c1", "W9-1-c3", "14.56 m"),
        row("N2-1", "31.4 m", name="round", tape="S", kind="string"),
    ]  # fmt: skip
    tapes = read_tapes(site, plan, rows)
    found = compare(site, plan, tapes)
    values = found.map_m.copy()
    made = adjust_site(site, plan, tapes, comparison=found, values_m=values)
    assert made.solution.chi2 == pytest.approx(0, abs=1e-9)
    np.testing.assert_allclose(
        np.linalg.inv(made.conditions.full), found.covariance_m2, rtol=1e-5, atol=1e-12
    )


def rectangles(folder: Path, count: int = 6) -> tuple[Site, RunPlan]:
    beds = {
        f"B{k}": polygon(rectangle(8 + k, 3 + 0.5 * k, at=(20 * (k % 3), 15 * (k // 3)), turn_deg=7 * k))
        for k in range(count)
    }
    return made_site(folder, beds)


def test_adjusted_vertices_scatter_about_the_truth_as_stated(tmp_path: Path) -> None:
    """Outlines traced and taped 16 times over: errors of legs in their covariance are chi-square.

    Truth, scale of the picture, scale of the tape and all noises are drawn; nothing comes from the formulas.
    """
    site, plan = rectangles(tmp_path, 2)
    runs = plan.runs
    rng = np.random.default_rng(5)
    square, freedom = 0.0, 0
    for _ in range(16):
        true = site.bed_shapes.xy
        middle = true.mean(axis=0)
        traced = middle + (true - middle) / (1 + rng.normal(0, 300e-6)) + rng.normal(0, 0.02, true.shape)
        drawn = replace(site, bed_shapes=replace(site.bed_shapes, xy=traced))
        length = runs.length_m[:6]
        read = length / (1 + rng.normal(0, 200e-6)) + rng.normal(0, 0.005 + 1e-4 * length)
        plan_now = plan_runs(drawn)
        at = matched_legs(runs, plan_now.runs, 0.5)
        names = [str(i) for i in plan_now.runs.leg_id[at[:6]]]
        tapes = read_tapes(
            drawn, plan_now, [row(n, f"{x:.6f} m", name=n) for n, x in zip(names, read, strict=True)]
        )
        made = adjust_site(drawn, plan_now, tapes)
        if made.freed:
            continue
        legs = np.arange(len(runs.leg_id))
        # legs as traced and legs of the truth, by where they lie
        off = made.leg_after_m - runs.length_m[matched_legs(plan_now.runs, runs, 0.5)]
        square += float(off @ np.linalg.solve(made.leg_covariance(legs), off))
        freedom += len(legs)
    assert freedom >= 8 * 14
    assert 1e-3 < chi2_law.sf(square, freedom) < 1 - 1e-3


def test_draws_are_of_the_vertices_on_the_ground(tmp_path: Path) -> None:
    site, plan = rectangles(tmp_path, 1)
    made = adjust_site(site, plan, taped(site, plan, B0_1_1="8.03 m", B0_1_2="3.02 m"))
    draws = made.draw(np.random.default_rng(1), 4_000)
    assert draws.shape == (4_000, 4, 2)
    lengths = np.hypot(*(np.roll(draws, -1, axis=1) - draws).transpose(2, 0, 1))
    want = np.sqrt(np.diag(made.leg_covariance(np.arange(4))))
    # vertex k to the next one is leg k of this rectangle; five standard errors
    np.testing.assert_allclose(lengths.mean(axis=0), made.leg_after_m, atol=1e-3)
    np.testing.assert_allclose(lengths.std(axis=0) / want, 1, atol=5 / np.sqrt(8_000))


def test_without_tapes_a_leg_is_as_sure_as_two_traced_vertices(tmp_path: Path) -> None:
    site, plan = rectangles(tmp_path, 1)
    made = adjust_site(said(site, picture_scale_ppm=0), plan, None, every_leg=True)
    np.testing.assert_allclose(made.leg_sigmas()[1], 0.02 * np.sqrt(2), rtol=1e-6)
    np.testing.assert_allclose(made.xy, site.bed_shapes.xy, atol=1e-12)


# ---------------------------------------------------------------- what moves, and what does not


def test_one_tape_moves_both_ends_of_its_leg_alike(tmp_path: Path) -> None:
    """Closed form: weights of 20 mm for each end and 5.8 mm for the reading share out 60 mm."""
    site, plan = rectangles(tmp_path, 1)
    made = adjust_site(said(site, picture_scale_ppm=0), plan, taped(site, plan, B0_1_1="8.06 m"))
    own, scale = 0.005 + 1e-4 * 8, 200e-6 * 8
    share = 2 * 0.02**2 / (2 * 0.02**2 + own**2 + scale**2)
    change = made.leg_after_m - made.leg_before_m
    taped_leg = int(np.argmax(np.abs(change)))
    before = made.leg_before_m[taped_leg]
    assert change[taped_leg] == pytest.approx((8.06 - before) * share, abs=2e-5)
    assert np.sort(np.hypot(*(made.xy - site.bed_shapes.xy).T))[-2:] == pytest.approx(
        change[taped_leg] / 2, abs=1e-5
    )


def test_right_angles_are_not_invented(tmp_path: Path) -> None:
    """A bed drawn out of square stays so where no tape says otherwise."""
    ring = np.array([[0, 0], [10, 0], [10.6, 5], [0, 5]])
    site, plan = made_site(tmp_path, {"Q": polygon(ring)})
    legs = {
        str(n).replace("-", "_"): f"{m:.4f} m"
        for n, m in zip(plan.runs.leg_id, plan.runs.length_m, strict=True)
    }
    made = adjust_site(site, plan, taped(site, plan, **legs))
    np.testing.assert_allclose(made.xy, site.bed_shapes.xy, atol=2e-4)


def test_straight_legs_stay_straight(tmp_path: Path) -> None:
    """Vertices traced on the way go along; one on a straight edge, which the plan leaves out, too."""
    ring = [[0, 0], [3, 0.008], [6, 0], [12, 0], [12, 4], [4, 4], [0, 4]]
    site, plan = made_site(tmp_path, {"S": polygon(np.array(ring))})
    assert len(plan.runs.leg_id) == 4
    made = adjust_site(site, plan, taped(site, plan, S_1_2="4.15 m", S_1_4="4.15 m", S_1_1="12.1 m"))
    assert made.same_legs
    assert made.plan.runs.straight.all()
    assert np.abs(made.leg_after_m - made.leg_before_m).max() > 0.05
    assert made.settled_m < 5e-5


def test_shared_edges_stay_shared(fennel: tuple[Site, RunPlan]) -> None:
    site, plan = fennel
    made = adjust_site(site, plan, taped(site, plan, N8_1_2="2.05 m"))
    before, after = site.bed_shapes.xy, made.xy
    groups = snapped(before)
    twice = np.flatnonzero(groups != np.arange(len(groups)))
    assert len(twice) >= 4
    np.testing.assert_allclose(
        after[twice] - after[groups[twice]], before[twice] - before[groups[twice]], atol=1e-9
    )


def test_two_readings_against_the_outline_free_the_leg(tmp_path: Path) -> None:
    """Both say 8.60 m where 8.00 m is drawn: the outline is off, and gets the length the tapes say."""
    site, plan = rectangles(tmp_path)
    leg = str(plan.runs.leg_id[int(np.argmin(np.abs(plan.runs.length_m - 8.0)))])
    rows = [row(leg, "8.60 m", name="one", tape="A"), row(leg, "8.61 m", name="two", tape="B")]
    for k, (name, m) in enumerate(zip(plan.runs.leg_id, plan.runs.length_m, strict=True)):
        if name != leg:
            rows.append(row(str(name), f"{m:.3f} m", name=str(name), tape="AB"[k % 2]))
    tapes = read_tapes(site, plan, rows)
    made = adjust_site(site, plan, tapes)
    named = [(str(made.suspects.kind[f.suspect]), str(made.suspects.name[f.suspect])) for f in made.freed]
    assert named == [("leg", leg)]
    at = int(np.flatnonzero(plan.runs.leg_id == leg)[0])
    assert made.leg_after_m[at] == pytest.approx(8.605, abs=0.01)
    assert made.solution.shift[0] == pytest.approx(-0.6, abs=0.06)  # as drawn it is too short


def together_off(folder: Path, off_m: float) -> tuple[Adjustment, str]:
    """Six beds, their sides taped longer and shorter in turn; of 20 mm vertices, so good to some 30 mm."""
    boxes = {f"B{k}": polygon(rectangle(8, 3, at=(12 * k, 0), turn_deg=7)) for k in range(1, 7)}
    site, plan = made_site(folder, boxes)
    legs = {}
    for k in range(1, 7):
        for side, (long, way) in enumerate(((8, 1), (3, -1), (8, -1), (3, 1)), start=1):
            legs[f"B{k}_1_{side}"] = f"{long + way * off_m:.3f} m"
    tapes = taped(site, plan, **legs)
    made = adjust_site(site, plan, tapes)
    chance = global_chance(made.conditions.chi2, made.conditions.freedom)
    return made, global_text(made, SimpleNamespace(chance=chance))  # type: ignore[arg-type]


def test_what_all_readings_show_and_none_alone_is_detected_and_not_located(tmp_path: Path) -> None:
    made, text = together_off(tmp_path, 0.055)
    assert made.freed == ()
    assert made.conditions.chi2 > chi2_law.isf(0.025, made.conditions.freedom)
    assert "a slip is detected, but cannot be located" in text
    made, text = together_off(tmp_path, 0.0345)
    chance = chi2_law.sf(made.conditions.chi2, made.conditions.freedom)
    # 24 checks: the sum is told where it comes by chance in less than 13 of 100 sets
    assert made.conditions.freedom == 24
    assert 0.025 < chance < equal_power(0.001, 0.80, 24) == pytest.approx(0.131, abs=0.001)
    assert f"in {100 * chance:.0f} of 100 sets" in text
    assert "could not be located" in text
    made, text = together_off(tmp_path, 0.025)
    assert text.endswith("(within chance).")


@pytest.mark.parametrize("freedom", [1, 5, 24, 60])
def test_the_sum_finds_what_a_reading_finds_as_often(freedom: int) -> None:
    """200,000 sets of normal residuals, one moved by the least that its own test finds 4 times in 5."""
    alpha = equal_power(0.001, 0.80, freedom)
    rng = np.random.default_rng(freedom)
    sums = np.zeros(200_000)
    for k in range(freedom):
        sums += (rng.standard_normal(200_000) + (noncentrality(0.001, 0.80) if k == 0 else 0.0)) ** 2
    assert (sums > chi2_law.isf(alpha, freedom)).mean() == pytest.approx(0.80, abs=0.004)


def test_a_reading_alone_against_the_outline_is_left_out_and_said_so(tmp_path: Path) -> None:
    """Nothing tells reading and outline apart: the one whose leaving out moves nothing is left out."""
    site, plan = rectangles(tmp_path)
    legs = {
        str(n).replace("-", "_"): f"{m:.3f} m"
        for n, m in zip(plan.runs.leg_id, plan.runs.length_m, strict=True)
    }
    legs["B2_1_1"] = "11.00 m"
    made = adjust_site(site, plan, taped(site, plan, **legs))
    (freed,) = made.freed
    assert str(made.suspects.name[freed.suspect]) == "B2_1_1"
    assert freed.rivals
    assert all(made.suspects.name[r.suspect].startswith("B2.v") for r in freed.rivals)
    assert np.abs(made.leg_after_m - made.leg_before_m).max() < 2e-3


def test_a_picture_out_of_scale_moves_every_bed(tmp_path: Path) -> None:
    site, plan = rectangles(tmp_path)
    runs = plan.runs
    legs = {
        str(n).replace("-", "_"): f"{m * 1.004:.4f} m"
        for n, m in zip(runs.leg_id[:20], runs.length_m[:20], strict=True)
    }
    site = said(site, picture_scale_ppm=5_000)
    made = adjust_site(site, plan, taped(site, plan, **legs))
    scale = made.solution.x[made.setup.layout.first_picture]
    assert scale == pytest.approx(0.004, abs=0.0008)
    untaped = np.arange(20, len(runs.leg_id))
    np.testing.assert_allclose(made.leg_after_m[untaped] / made.leg_before_m[untaped], 1 + scale, atol=2e-3)


def test_a_diagonal_squares_a_bed(tmp_path: Path) -> None:
    """Distances between corners take part: the longer diagonal drawn out by 0.1 m comes back."""
    site, plan = rectangles(tmp_path, 1)
    runs = plan.runs
    name = str(runs.run_id[0])
    rows = [row(str(i), f"{m:.4f} m", name=str(i)) for i, m in zip(runs.leg_id, runs.length_m, strict=True)]
    far = float(np.hypot(*(runs.corner_xy[0] - runs.corner_xy[2])))
    rows.append(distance(f"{name}-c1", f"{name}-c3", f"{far - 0.05:.4f} m"))
    tapes = read_tapes(site, plan, rows)
    made = adjust_site(site, plan, tapes)
    after = made.plan.runs.corner_xy
    assert np.hypot(*(after[0] - after[2])) == pytest.approx(far - 0.05, abs=0.012)
    np.testing.assert_allclose(made.leg_after_m, made.leg_before_m, atol=5e-3)


def test_suspects_are_known_again_by_kind_and_name() -> None:
    """A vertex that has no part any more moves the places of those behind it; a lost rival is none."""

    def table(*of: tuple[str, str]) -> Suspects:
        kind, name = np.array(of, dtype=object).T
        none = sparse.csc_array((1, len(of)))
        return Suspects(kind, name, np.arange(len(of)), np.ones(len(of), dtype=np.int64), none, none)

    a, b, c = ("vertex", "B1.v1"), ("vertex", "B1.v2"), ("leg", "B1.v2")
    one = (1.0,)
    rivals = (Rival(0, 0.5), Rival(2, 0.9))
    freed = (Freed(0, 30.0, -9.0, (one,), ()), Freed(1, 20.0, -8.0, (one,), rivals))
    assert carried_over(table(a, b, c), table(c, b), freed) == (
        Freed(1, 20.0, -8.0, (one,), (Rival(0, 0.9),)),
    )
    assert carried_over(table(a, b, c), table(a, b, c), freed) == freed


def starting_elsewhere(folder: Path) -> tuple[Site, RunPlan, Tapes]:
    """An axis-parallel bed: taped longer on its east side, its south-east corner is the south-most one."""
    site, plan = made_site(folder, {"B1": polygon(rectangle(8, 3))}, "[uncertainty]\ndraws = 200\n")
    return site, plan, taped(site, plan, B1_1_2="3.05 m", B1_1_4="3.00 m")


def test_the_order_takes_the_adjusted_lengths_of_the_legs_they_are_of(tmp_path: Path) -> None:
    """A ring whose start jumps to another corner numbers its legs anew: the lengths must go along."""
    site, plan, tapes = starting_elsewhere(tmp_path)
    made = adjust_site(site, plan, tapes)
    after = adjusted_site(site, adjusted_features(site, made))
    plan_after = plan_runs(after)
    assert matched_legs(plan.runs, plan_after.runs, 0.2).tolist() == [3, 0, 1, 2]
    model = adjusted_lengths(after, plan_after, made)
    assert model is not None
    np.testing.assert_allclose(model.mean_m, plan_after.lengths.ground_m, atol=1e-4)
    place = matched_legs(plan.runs, plan_after.runs, 0.2)
    joint = model.parts[-1].factor[place]
    np.testing.assert_allclose(
        (joint @ joint.T).todense(), made.leg_covariance(np.arange(4)), rtol=1e-9, atol=1e-15
    )


def test_readings_written_with_the_new_numbers_of_their_legs_are_known(tmp_path: Path) -> None:
    """Accepted outlines whose ring starts elsewhere: the names to write are told, and count as the same."""
    rows = (
        "of,from,to,reading,tape,kind\n{0},,,3.05 m,A,fibreglass\n{1},,,3.00 m,A,fibreglass\n"
        ",{2},{3},8.52 m,A,fibreglass\n"
    )
    toml = '[reconcile]\nvertex_sigma = "20 mm"\ntapes = "tapes.csv"\n'
    write_features(tmp_path / "beds.geojson", {"B1": polygon(rectangle(8, 3))})
    (tmp_path / "site.toml").write_text(SETTINGS.partition("[reconcile]")[0] + toml, encoding="utf-8")

    def told(*names: str) -> Tapes:
        (tmp_path / "tapes.csv").write_text(rows.format(*names), encoding="utf-8")
        return read_again(load_site(tmp_path))

    tapes = told("B1-1-2", "B1-1-4", "B1-1-c1", "B1-1-4.start")
    site = load_site(tmp_path)
    made = adjust_site(site, plan_runs(site), tapes)
    (finding,) = (f for f in made.findings if f.code == "names-change")
    assert "B1-1-2 becomes B1-1-1, B1-1-4 becomes B1-1-3" in finding.text
    assert "B1-1-c1 to B1-1-4.start becomes B1-1-c4 to B1-1-3.start" in finding.text
    accept(start_record(tmp_path, who="Ann"), site, made, tapes, who="Ann")
    again = told("B1-1-1", "B1-1-3", "B1-1-c4", "B1-1-3.start")
    assert already_used(load_site(tmp_path), again).all()
    # what they are of is where it was, and what was read is what the outline has now
    after = compare(load_site(tmp_path), plan_runs(load_site(tmp_path)), again)
    assert (np.abs(after.difference_m) < 0.06).all()


# ---------------------------------------------------------------- the sample site, from end to end


def copied(sample_data: Path, folder: Path) -> Path:
    place = folder / "fennel_row"
    shutil.copytree(sample_data / "fennel_row", place)
    return place


def run(*words: str) -> Any:
    return CliRunner().invoke(program, list(words))


def counts(site: Site) -> dict[str, tuple[int, int, int]]:
    plan = plan_runs(site)
    rows = purchase(site, plan, takeoff(site, plan)).order.rows
    return {r.code: (r.takeoff, r.takeoff - r.cut_pieces + r.cut_stock + r.for_unmet, r.order) for r in rows}


def test_the_sample_site_from_tapes_to_the_accepted_order(sample_data: Path, tmp_path: Path) -> None:
    """One command names every planted fault, and the plan of the accepted outlines has the printed counts."""
    place = copied(sample_data, tmp_path)
    before = (place / "beds.geojson").read_bytes()
    shown = run("reconcile", str(place), "--adjust", "--out", str(tmp_path / "o"))
    assert shown.exit_code == 0, shown.output
    assert not (place / "record.gpkg").exists()
    made = json.loads((tmp_path / "o" / "adjustment.json").read_text(encoding="utf-8"))
    assert {(n["kind"], n["name"]) for n in made["named"]} == {
        ("reading", "t02"), ("reading", "t11"), ("reading", "t13"), ("reading", "t21"), ("tape", "green 100"),
    }  # fmt: skip
    scale = next(s for s in made["scales"] if s["of"] == "green 100")
    assert abs(scale["scale"] - 0.004) < 3 * scale["sigma"]
    assert made["test"]["freedom"] == 26
    assert made["test"]["lambda0"] == pytest.approx(17.07, abs=0.01)
    assert read_info(tmp_path / "o" / "plan.gpkg", layer="adjustment_moves")["features"] == len(
        made["vertices"]
    )
    page = (tmp_path / "o" / "reconcile.html").read_text(encoding="utf-8")
    assert "What adjusting the outlines would change" in page
    kept = run("reconcile", str(place), "--accept", "--who", "Ann", "--out", str(tmp_path / "p"))
    assert kept.exit_code == 0, kept.output
    assert "revision 2" in kept.output
    after = {c["code"]: (c["takeoff_after"], c["needed_after"], c["order_after"]) for c in made["codes"]}
    assert counts(load_site(place)) == after
    assert any(c["takeoff_after"] != c["takeoff_before"] for c in made["codes"])
    assert (place / "beds.geojson").read_bytes() == before
    record = Record.open(place / "record.gpkg")
    assert [r.who for r in record.revisions()] == ["Ann", "Ann"]

    again = run("reconcile", str(place), "--accept", "--who", "Ann", "--out", str(tmp_path / "q"))
    assert isinstance(again.exception, UsageError)
    assert "nothing to accept" in str(again.exception)
    assert record.head == 2
    looked = json.loads((tmp_path / "q" / "adjustment.json").read_text(encoding="utf-8"))
    assert "31 of 31 readings are in the outlines already" in looked["text"][0]
    assert all(c["takeoff_before"] == c["takeoff_after"] for c in looked["codes"])

    record.go_back(2, 1, who="Ben")
    assert counts(load_site(place)) == {
        c["code"]: (c["takeoff_before"], c["needed_before"], c["order_before"]) for c in made["codes"]
    }
    once_more = load_site(place)
    assert not already_used(once_more, read_again(once_more)).any()


def read_again(site: Site) -> Tapes:
    from siteplan.reconcile.tapes import load_tapes

    return load_tapes(site, plan_runs(site))


def test_rows_and_corrections_make_no_new_readings_of_accepted_ones(tmp_path: Path) -> None:
    """A row put in between, and a tape compared with its true length since, leave them what they are."""

    def told(rows: str) -> None:
        (tmp_path / "tapes.csv").write_text(f"of,reading,tape,kind\n{rows}", encoding="utf-8")

    told("B1-1-1,8.02 m,A,fibreglass\nB1-1-2,3.01 m,A,fibreglass\nB1-1-1,8.02 m,A,fibreglass\n")
    tapes = '[reconcile]\nvertex_sigma = "20 mm"\ntapes = "tapes.csv"\n'
    write_features(tmp_path / "beds.geojson", {"B1": polygon(rectangle(8, 3, turn_deg=7))})
    toml = tmp_path / "site.toml"
    toml.write_text(SETTINGS.partition("[reconcile]")[0] + tapes, encoding="utf-8")
    site = load_site(tmp_path)
    first = read_again(site)
    accept(
        start_record(tmp_path, who="Ann"), site, adjust_site(site, plan_runs(site), first), first, who="Ann"
    )
    told(
        "B1-1-3,8.00 m,A,fibreglass\nB1-1-1,8.02 m,A,fibreglass\nB1-1-2,3.01 m,A,fibreglass\n"
        "B1-1-1,8.02 m,A,fibreglass\nB1-1-1,8.02 m,A,fibreglass\n"
    )
    site = load_site(tmp_path)
    # the newly taped side, and a third reading equal to two that were used
    assert already_used(site, read_again(site)).tolist() == [False, True, True, True, False]
    compared = '[reconcile.tape.A]\nkind = "fibreglass"\nlength = "30 m"\ntrue_length = "30.01 m"\n'
    toml.write_text(SETTINGS.partition("[reconcile]")[0] + tapes + compared, encoding="utf-8")
    site = load_site(tmp_path)
    corrected = read_again(site)
    assert corrected.taped_m[1] == pytest.approx(8.02 * 30.01 / 30)
    assert already_used(site, corrected).tolist() == [False, True, True, True, False]


def test_only_what_moved_is_put_in_the_record(tmp_path: Path) -> None:
    site, plan = rectangles(tmp_path)
    site = said(site, picture_scale_ppm=0)
    tapes = taped(site, plan, B1_1_1="9.05 m")
    made = adjust_site(site, plan, tapes)
    features = adjusted_features(site, made)
    assert [c.id for c in changes(site, features)] == ["B1"]  # type: ignore[union-attr]
    same = adjusted_site(site, features)
    np.testing.assert_allclose(same.bed_shapes.xy, made.xy, atol=1e-6)
    record = start_record(tmp_path, who="Ann")
    base = record.newest()
    record.save(1, [], who="Ben", what="something else")
    with pytest.raises(Conflict):
        accept(record, site, made, tapes, who="Ann", base=base)
    assert record.head == 2
    revision = accept(record, site, made, tapes, who="Ann")
    assert revision.what == "outlines adjusted to 1 tape reading"
    stored = record.content().features["beds"].coords
    np.testing.assert_array_equal(stored, features["beds"].coords)


def test_words_that_do_not_go_together(sample_data: Path, tmp_path: Path) -> None:
    place = copied(sample_data, tmp_path)
    for words in (["--accept"], ["--by-diagnosis"], ["--accept", "--who", " "]):
        made = run("reconcile", str(place), *words, "--out", str(tmp_path / "o"))
        assert isinstance(made.exception, UsageError)
    assert not (place / "record.gpkg").exists()
    assert not (tmp_path / "o").exists()


def test_by_diagnosis_takes_its_corrected_readings(sample_data: Path, tmp_path: Path) -> None:
    out = tmp_path / "o"
    made = run("reconcile", str(sample_data / "fennel_row"), "--adjust", "--by-diagnosis", "--out", str(out))
    assert made.exit_code == 0, made.output
    data = json.loads((out / "adjustment.json").read_text(encoding="utf-8"))
    assert data["named"] == []
    assert {r["id"] for r in data["readings"]} == {f"t{k:02}" for k in range(1, 32)} - {"t13"}


def test_names_with_markup_stay_text(tmp_path: Path) -> None:
    name = '<img src=x onerror="alert(1)">{{7*7}}'
    site, plan = made_site(tmp_path, {name: polygon(rectangle(8, 3))})
    tapes = read_tapes(site, plan, [row(str(plan.runs.leg_id[0]), "8.05 m", name="<b>r</b>")])
    made = adjust_site(site, plan, tapes)
    from siteplan.adjust.page import section

    html = section(site, tapes, made, outcome(site, plan, takeoff(site, plan), made), 0)
    assert "<img" not in html
    assert "<b>" not in html
    assert "&lt;img" in html
