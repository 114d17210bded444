"""Surveyed points: where pictures lie, against closed forms, a printed example and drawn truth.

Source of printed values
------------------------
Similarity transformation of four points: data and results printed in the README of
github.com/Geo-Linux-Calculations/geofindkey (``doc/data.dat`` and ``report.dat``): parameters to 12 digits,
scale 1.000160369835, turn -1.5635324426 degrees, residuals to 0.1 mm.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import sparse
from scipy.optimize import least_squares

from siteplan.adjust.accept import accept, adjusted_features, adjusted_site, refuse_errors
from siteplan.adjust.conditions import conditions_of
from siteplan.adjust.lines import matched_legs
from siteplan.adjust.make import accepted, adjusted
from siteplan.adjust.moved import moved
from siteplan.adjust.network import Network, solve
from siteplan.adjust.outcome import outcome
from siteplan.adjust.page import section
from siteplan.adjust.pictures import Layout, Placing
from siteplan.adjust.placed import beside, fixed_points, placed_pictures
from siteplan.adjust.report import data, data_text, freed_text, summary_lines
from siteplan.adjust.setup import Setup
from siteplan.adjust.site import Adjustment, adjust_site
from siteplan.adjust.sure import adjusted_lengths
from siteplan.errors import DataError, Finding, SiteplanError
from siteplan.pictures import PictureCheck
from siteplan.plans import RunPlan, plan_runs
from siteplan.reconcile.compare import compare
from siteplan.reconcile.control import control_of, laid_texts, picture_groups
from siteplan.reconcile.report import Shown, csv_text, layer, page, reconcile
from siteplan.reconcile.report import data as reconciled
from siteplan.reconcile.tapes import Tapes, load_tapes, read_tapes
from siteplan.record import Record
from siteplan.revise.start import start_record
from siteplan.sites import Site, load_site
from siteplan.stakeout_settings import SurveyedMark
from siteplan.takeoffs import takeoff
from siteplan.types import FloatArray, XYArray
from tests.make_sites import polygon, rectangle, write_features
from tests.tape_sets import row
from tests.test_compare import distance

SETTINGS = """
name = "Surveyed (invented)"
line = "flex-2m"
[[inputs.beds]]
file = "beds.geojson"
[reconcile]
vertex_sigma = "20 mm"
"""
SEEN = np.array([[-12.0, -8.0], [104.0, -6.0], [101.0, 63.0], [-10.0, 60.0], [45.0, 66.0]])
"""where marks are seen, about the beds"""
EXACT_M = 1e-4
"""standard deviation of a point seen as good as without error"""


def turned(degrees: float) -> FloatArray:
    w = np.radians(degrees)
    return np.array([[np.cos(w), -np.sin(w)], [np.sin(w), np.cos(w)]])


@pytest.fixture(scope="module")
def beds(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """Twelve beds, without a mark."""
    folder = tmp_path_factory.mktemp("beds")
    made = {f"B{k}": polygon(rectangle(8, 3, turn_deg=7) + [30 * (k % 4), 25 * (k // 4)]) for k in range(12)}
    write_features(folder / "beds.geojson", made)
    (folder / "site.toml").write_text(SETTINGS, encoding="utf-8")
    return load_site(folder)


def marked(site: Site, *marks: SurveyedMark, **adjust: Any) -> Site:
    """The site with these marks, and other settings of ``[reconcile.adjust]``."""
    own = site.settings.reconcile
    own = own.model_copy(update={"adjust": own.adjust.model_copy(update=adjust)})
    return replace(site, settings=site.settings.model_copy(update={"control": list(marks), "reconcile": own}))


def mark(site: Site, name: str, xy: XYArray, seen: XYArray | None = None, **more: Any) -> SurveyedMark:
    at = site.frame.grid(np.atleast_2d(xy))[0]
    told = {"name": name, "use": "control", "sigma": "10 mm", "east": float(at[0]), "north": float(at[1])}
    if seen is not None:
        on_map = site.frame.grid(np.atleast_2d(seen))[0]
        told |= {"seen_east": float(on_map[0]), "seen_north": float(on_map[1])}
    return SurveyedMark.model_validate(told | more)


def laid(site: Site, xy: XYArray, shift: tuple[float, float], degrees: float, ppm: float) -> XYArray:
    """Where places in the picture truly are."""
    groups = picture_groups(site)
    middle = groups.pivot[0]
    return np.asarray(middle + shift + (1 + ppm * 1e-6) * (xy - middle) @ turned(degrees).T)


def unknowns(made: Adjustment) -> FloatArray:
    """Scale, shift east and north, turn."""
    lay = made.setup.layout
    return np.concatenate(
        [made.solution.x[lay.first_picture : lay.first_tape], made.solution.x[lay.first_frame :]]
    )


def spread(made: Adjustment) -> FloatArray:
    """Joint covariance of the same."""
    lay = made.setup.layout
    at = np.r_[lay.first_picture : lay.first_tape, lay.first_frame : lay.count]
    pick = sparse.csr_array((np.ones(len(at)), (np.arange(len(at)), at)), shape=(len(at), lay.count))
    return made.spread.covariance(pick)


# ---------------------------------------------------------------- the transformation by itself

PRINTED_FROM = np.array([[1334.71, 285.94], [563.67, -5197.34], [4444.27, 1153.79], [-252.07, 2881.90]])
PRINTED_TO = np.array(
    [[83477.64, 47377.60], [82557.14, 41916.51], [86610.19, 48160.39], [81962.05, 50016.34]]
)
PRINTED_OFF = [[-0.0024, -0.0008], [-0.0165, 0.0132], [0.0318, 0.0160], [-0.0129, -0.0283]]
"""fitted less given"""


def alone(
    seen: XYArray, true: XYArray, sigma: float, prior: FloatArray, middle: XYArray | None = None
) -> tuple[Placing, Network]:
    """Surveyed points and a picture, nothing else; points are seen as good as without error."""
    middle = seen.mean(axis=0) if middle is None else middle
    lay = Layout(vertices=0, points=len(seen), pictures=1, tapes=0, frames=1)
    placing = Placing(lay, middle[None], np.array([0]), middle[None])
    number, picture = np.arange(len(seen)), np.zeros(len(seen), dtype=np.int64)

    def predict(x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
        at, gradient = placing.places(x, number, picture)
        return at.ravel(), gradient

    exact = np.full(seen.size, EXACT_M)
    return placing, Network(
        np.concatenate([seen.ravel(), np.zeros(4)]), np.concatenate([exact, prior]), true.ravel(),
        np.full(true.size, sigma), predict,
    )  # fmt: skip


def test_similarity_of_four_points_as_printed() -> None:
    """Scale, turn and residuals of the printed example; unknowns with nothing assumed of them."""
    placing, net = alone(PRINTED_FROM, PRINTED_TO, 0.01, np.array([np.inf] * 4))
    found = solve(net)
    scale, shift, turn = placing.scale(found.x)[0], *placing.laid(found.x)
    assert 1 + scale == pytest.approx(1.000160369835, abs=2e-12)
    assert np.degrees(turn[0]) == pytest.approx(-1.5635324426, abs=1e-9)
    np.testing.assert_allclose(-found.residual.reshape(-1, 2), PRINTED_OFF, atol=6e-5)
    # the printed constants are those of the origin: ground = constant + (a + ib) place
    factor = (1 + scale) * np.exp(1j * turn[0])
    assert factor.real == pytest.approx(0.999787994227, abs=2e-12)
    assert factor.imag == pytest.approx(-0.027289778074, abs=2e-12)
    constant = complex(*(placing.pivot[0] + shift[0])) - factor * complex(*placing.pivot[0])
    assert constant == pytest.approx(82135.4073 + 47128.1437j, abs=6e-5)
    assert found.freedom == 4


def test_covariance_is_that_of_complex_least_squares() -> None:
    """Closed form: with the points about their middle, shift s/sqrt n, scale and turn s / sqrt sum r^2."""
    placing, net = alone(PRINTED_FROM, PRINTED_TO, 0.01, np.array([np.inf] * 4))
    found = solve(net)
    pick = np.zeros((len(net.prior), 4))
    pick[-4:] = np.eye(4)
    made = found.cofactors(pick)[-4:]
    arm2 = ((PRINTED_FROM - PRINTED_FROM.mean(axis=0)) ** 2).sum()
    size = 1 + placing.scale(found.x)[0]
    want = (0.01**2 + (size * EXACT_M) ** 2) * np.array([1 / arm2, 1 / 4, 1 / 4, 1 / (arm2 * size**2)])
    np.testing.assert_allclose(np.diag(made), want, rtol=1e-6)
    corr = made / np.sqrt(np.outer(np.diag(made), np.diag(made)))
    np.testing.assert_allclose(corr, np.eye(4), atol=1e-5)


def test_conditions_and_another_solver_agree_with_priors() -> None:
    """The formulation by conditions, and scipy on dense matrices, with shift, turn and scale assumed."""
    prior = np.array([3e-4, 2.0, 2.0, np.radians(0.2)])
    rng = np.random.default_rng(5)
    middle = SEEN.mean(axis=0)
    true = middle + [1.1, -2.0] + 1.0004 * (SEEN - middle) @ turned(0.3).T + rng.normal(0, 0.02, SEEN.shape)
    _, net = alone(SEEN, true, 0.02, prior)
    net = replace(net, prior_sigma=np.concatenate([np.full(SEEN.size, 0.03), prior]))
    found = solve(net)

    def misfit(y: FloatArray) -> FloatArray:
        x = y * net.prior_sigma + net.prior
        return np.concatenate([y, (net.value - net.predict(x)[0]) / net.sigma])

    other = least_squares(misfit, np.zeros(len(net.prior)), jac="3-point", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose((found.x - net.prior) / net.prior_sigma, other.x, atol=1e-6)
    made = conditions_of(net, found.x)
    assert made.chi2 == pytest.approx(found.chi2, rel=1e-9)
    np.testing.assert_allclose(made.residual, found.residual, atol=1e-9)
    total = made.redundancy.sum() + made.prior_redundancy.sum()
    assert total == pytest.approx(2 * len(SEEN), rel=1e-9)


def test_marks_to_set_out_from_are_in_no_way_of_the_sample_site(sample_data: Path) -> None:
    """Its four marks have no say: unknowns, what is known of them and readings are those without a mark."""
    site = load_site(sample_data / "fennel_row")
    assert len(site.settings.control) == 4
    plan = plan_runs(site)
    bare = replace(site, settings=site.settings.model_copy(update={"control": []}))
    made = []
    for one in (site, bare):
        tapes, groups = load_tapes(one, plan), picture_groups(one)
        setup = Setup.of(
            one, plan, tapes, compare(one, plan, tapes), None, control=control_of(one, plan, groups),
            groups=groups, every_leg=False,
        )  # fmt: skip
        assert setup.layout.frames == 0
        assert len(setup.fixes) == 0
        assert (
            setup.layout.count
            == len(setup.prior)
            == 2 * len(site.bed_shapes.xy) + 2 * len(setup.point_name) + 1 + len(tapes.tapes)
        )
        arrays = (setup.prior, setup.prior_sigma, setup.read.value_m, setup.read.sigma_m, setup.read.ends)
        made.append(b"".join(np.ascontiguousarray(a).tobytes() for a in arrays))
    assert made[0] == made[1]


def test_stated_covariance_is_reached() -> None:
    """60 pictures with shift, turn and scale drawn as assumed, marks and their sight with noise; seed 11.

    Squared errors of the four in their stated joint covariance are chi-square with 4 degrees of freedom:
    their mean is 4 within four standard errors, their spread that of chi-square within a half.
    """
    rng, prior = np.random.default_rng(11), np.array([3e-4, 0.5, 0.5, np.radians(0.2)])
    sums, pick, middle = [], np.zeros((SEEN.size + 4, 4)), SEEN.mean(axis=0)
    pick[-4:] = np.eye(4)
    for _ in range(60):
        drawn = rng.normal(0, prior)
        true = middle + drawn[1:3] + (1 + drawn[0]) * (SEEN - middle) @ turned(np.degrees(drawn[3])).T
        seen, told = SEEN + rng.normal(0, 0.03, SEEN.shape), true + rng.normal(0, 0.01, SEEN.shape)
        _, net = alone(seen, told, 0.01, prior, middle)
        made = solve(replace(net, prior_sigma=np.concatenate([np.full(SEEN.size, 0.03), prior])))
        off = made.x[-4:] - drawn
        sums.append(off @ np.linalg.solve(made.cofactors(pick)[-4:], off))
    assert np.mean(sums) == pytest.approx(4, abs=4 * np.sqrt(8 / 60))
    assert np.std(sums) == pytest.approx(np.sqrt(8), rel=1 / 2)


@given(st.integers(0, 10_000))
@settings(max_examples=10, deadline=None)
def test_places_come_back_and_follow_their_unknowns(seed: int) -> None:
    """Three pictures, two of them laid out together, one nowhere, and a point on the ground."""
    rng = np.random.default_rng(seed)
    lay = Layout(vertices=5, points=3, pictures=3, tapes=1, frames=1)
    placing = Placing(lay, rng.normal(0, 50, (3, 2)), np.array([0, -1, 0]), rng.normal(0, 50, (1, 2)))
    x = rng.normal(0, 1, lay.count) * np.r_[np.full(16, 60.0), np.full(4, 1e-2), 3.0, 3.0, 0.5]
    column, picture = rng.permutation(8), np.append(rng.integers(0, 3, 7), -1)
    at, gradient = placing.places(x, column, picture)
    place = x[:16].reshape(-1, 2)[column]
    np.testing.assert_allclose(at[-1], place[-1], atol=1e-12)
    np.testing.assert_allclose(placing.back(x, at[:-1], picture[:-1]), place[:-1], atol=1e-9)
    for k in range(lay.count):
        step = np.zeros(lay.count)
        step[k] = 1e-5
        slope = (
            placing.places(x + step, column, picture)[0] - placing.places(x - step, column, picture)[0]
        ) / 2e-5
        np.testing.assert_allclose(gradient[:, [k]].toarray().ravel(), slope.ravel(), atol=2e-6)
    block = placing.turning(x, picture[:-1]).toarray()
    np.testing.assert_allclose(
        block @ (place[:-1] - place[:-1] + 1).ravel(),
        np.concatenate(
            [
                gradient[2 * i : 2 * i + 2][:, [2 * c, 2 * c + 1]].toarray().sum(axis=1)
                for i, c in enumerate(column[:-1])
            ]
        ),
    )


# ---------------------------------------------------------------- a site


def test_a_site_is_laid_out_by_its_marks(beds: Site) -> None:
    """Exact marks: shift, turn and scale come out, every vertex follows, and legs only grow."""
    true = laid(beds, SEEN, (1.3, -0.8), 0.25, 400)
    marks = [
        mark(beds, f"M{k}", t, s, sigma="0.1 mm", seen_sigma="0.1 mm")
        for k, (t, s) in enumerate(zip(true, SEEN, strict=True))
    ]
    site = marked(beds, *marks)
    plan = plan_runs(site)
    made = adjust_site(site, plan, None, every_leg=True)
    np.testing.assert_allclose(unknowns(made), [400e-6, 1.3, -0.8, np.radians(0.25)], rtol=2e-4, atol=1e-9)
    want = laid(beds, beds.bed_shapes.xy, (1.3, -0.8), 0.25, 400)
    np.testing.assert_allclose(made.xy, want, atol=2e-4)
    assert made.same_legs
    assert made.settled_m < 5e-5
    assert made.freed == ()
    np.testing.assert_allclose(made.leg_after_m / made.leg_before_m, 1 + 400e-6, rtol=1e-7)
    # a plan of the accepted outlines has these lengths
    after = plan_runs(adjusted_site(site, adjusted_features(site, made)))
    at = made.legs_in(after.runs)
    assert (at >= 0).all()
    np.testing.assert_allclose(after.lengths.ground_m[at], made.leg_after_m, atol=1e-6)
    np.testing.assert_allclose(
        beside(made, made.xy), laid(beds, beds.bed_shapes.xy, (0, 0), 0, 400), atol=2e-4
    )


def test_without_a_say_nothing_of_it_is_in_the_adjustment(beds: Site) -> None:
    """Marks to set out from and check points, far off: not a byte of what comes out changes."""
    plan = plan_runs(beds)
    tapes = read_tapes(beds, plan, [row("B1-1-1", "8.05 m", name="a"), row("B2-1-2", "3.01 m", name="b")])
    texts = []
    for marks in (
        [],
        [
            mark(beds, "nail", SEEN[0], use="check", sigma=None),
            mark(beds, "kerb", SEEN[1], SEEN[1] + [3.0, 1.0], use="check"),
        ],
    ):
        site = marked(beds, *marks)
        made = adjust_site(site, plan, tapes)
        assert made.setup.layout.frames == 0
        out = outcome(site, plan, takeoff(site, plan), made)
        texts.append(data_text(data(site, tapes, made, out, 0)) + section(site, tapes, made, out, 0))
    assert texts[0] == texts[1]
    assert '"pictures"' not in texts[0]


def test_a_scale_from_marks_improves_every_length(beds: Site) -> None:
    """Not a tape: the legs' standard deviations fall by the scale, and so do those the order is made with."""
    true = laid(beds, SEEN, (0.4, 0.2), 0.05, 0)
    marks = [
        mark(beds, f"M{k}", t, s, sigma="2 mm", seen_sigma="3 mm")
        for k, (t, s) in enumerate(zip(true, SEEN, strict=True))
    ]
    site = marked(beds, *marks, picture_scale_ppm=5_000)
    told = site.settings.model_copy(
        update={"uncertainty": type(load_uncertainty())(vertex_sigma="1 mm", picture_scale_ppm=5_000)}
    )
    site = replace(site, settings=told)
    plan = plan_runs(site)
    every = adjust_site(site, plan, None, every_leg=True)
    before, after = every.leg_sigmas()
    assert (after < before).all()
    long = int(np.argmax(every.leg_before_m))
    assert before[long] == pytest.approx(np.hypot(0.02 * 2**0.5, 8 * 5e-3), rel=1e-3)
    assert after[long] == pytest.approx(0.02 * 2**0.5, rel=1e-2)

    made = adjust_site(site, plan, None)
    assert not made.wanted.any()
    grown = adjusted_site(site, adjusted_features(site, made))
    plan_after = plan_runs(grown)
    model = adjusted_lengths(grown, plan_after, made)
    assert model is not None
    parts = {p.name: p for p in model.parts}
    assert parts["scale of each picture"].factor.nnz == 0
    scale = placed_pictures(made)[0].scales[0][1].sigma
    assert scale < 60e-6
    np.testing.assert_allclose(
        np.sqrt(parts["adjusted outlines"].variance), scale * plan_after.lengths.ground_m, rtol=1e-6
    )


def test_a_scale_no_mark_tells_of_stays_as_it_was_said(beds: Site) -> None:
    """One mark: where the picture lies, nothing of its scale; the order keeps the site's own 2,000 ppm."""
    told = type(load_uncertainty())(vertex_sigma="1 mm", picture_scale_ppm=2_000)
    site = marked(beds, mark(beds, "M", SEEN[0] + 0.3, SEEN[0]))
    site = replace(site, settings=site.settings.model_copy(update={"uncertainty": told}))
    plan = plan_runs(site)
    made = adjust_site(site, plan, None)
    after = adjusted_site(site, adjusted_features(site, made))
    plan_after = plan_runs(after)
    model = adjusted_lengths(after, plan_after, made)
    assert model is not None
    scale = next(p for p in model.parts if p.name == "scale of each picture")
    np.testing.assert_allclose(np.sqrt(scale.variance), 2e-3 * plan_after.lengths.ground_m, rtol=1e-3)


def load_uncertainty() -> Any:
    from siteplan.uncertainty_settings import Uncertainty

    return Uncertainty()


def test_taped_and_other_legs_share_the_scale(beds: Site) -> None:
    """The order's joint covariance is the adjustment's own, also between a taped leg and one that is not."""
    marks = [mark(beds, f"M{k}", s, s, sigma="500 mm") for k, s in enumerate(SEEN[:3])]
    site = marked(beds, *marks, picture_scale_ppm=20_000)
    zero = type(load_uncertainty())(
        vertex_sigma="20 mm", picture_scale_ppm=0, offset_bed="0 mm", offset_operator="0 mm",
        offset_picture="0 mm", correlation_length="0 mm",
    )  # fmt: skip
    site = replace(site, settings=site.settings.model_copy(update={"uncertainty": zero}))
    plan = plan_runs(site)
    tapes = read_tapes(site, plan, [row("B0-1-1", "8.00 m", name="a")])
    made = adjust_site(site, plan, tapes, every_leg=False)
    whole = adjust_site(site, plan, tapes, every_leg=True)
    after = adjusted_site(site, adjusted_features(site, made))
    plan_after = plan_runs(after)
    model = adjusted_lengths(after, plan_after, made)
    assert model is not None
    at = made.legs_in(plan_after.runs)
    taped, other = int(np.flatnonzero(made.wanted)[0]), int(np.flatnonzero(~made.wanted)[5])
    want = whole.leg_covariance(np.array([taped, other]))
    found = model.covariance()[np.ix_(at[[taped, other]], at[[taped, other]])]
    np.testing.assert_allclose(found, want, rtol=2e-3)
    assert want[0, 1] > 0.02 * np.sqrt(want[0, 0] * want[1, 1])


# ---------------------------------------------------------------- blunders, ties, few points


def test_one_far_mark_or_tie_frees_nothing_and_is_not_accepted(beds: Site) -> None:
    """With nothing to check it the mark may be wrong or the picture: both are named, and it is an error."""
    lone = marked(beds, mark(beds, "Lone", SEEN[0] + [40.0, 0.0], SEEN[0]))
    post = np.array([-5.0, -4.0])
    corners = beds.bed_shapes.xy[[0, 13, 46]]
    far = [float(np.hypot(*(c - post))) for c in corners]
    tied = marked(beds, mark(beds, "Post", post))
    plan = plan_runs(tied)
    ties = read_tapes(tied, plan, [distance("Post", "B0.v1", f"{far[0] + 30:.3f} m")])
    (name,) = (str(i) for i in ties.ids)
    for site, tapes, word in ((lone, None, "surveyed point Lone"), (tied, ties, f"reading {name}")):
        made = adjust_site(site, plan, tapes)
        assert made.freed == ()
        (error,) = (f for f in made.findings if f.grade == "error")
        assert error.code == "place-unchecked"
        assert error.text.startswith(f"{word} would move all that was traced from the map")
        with pytest.raises(SiteplanError, match="not accepted"):
            refuse_errors(made)
    # near, it is taken as it is; a second one checks it
    near = adjust_site(marked(beds, mark(beds, "Lone", SEEN[0] + [4.0, 0.0], SEEN[0])), plan, None)
    assert near.findings == ()
    two = adjust_site(
        marked(beds, *(mark(beds, f"M{k}", SEEN[k] + [40.0, 0.0], SEEN[k]) for k in (0, 2))), plan, None
    )
    assert [two.suspects.kind[f.suspect] for f in two.freed] == ["shift"]
    assert two.findings == ()
    # a distance taped three times is one
    rows = [distance("Post", "B0.v1", f"{far[0] + 30 + k / 1000:.3f} m") for k in range(3)]
    rows = [r._replace(text=r.text.model_copy(update={"id": f"t{k}"})) for k, r in enumerate(rows)]
    thrice = adjust_site(tied, plan, read_tapes(tied, plan, rows))
    assert [f.code for f in thrice.findings if f.grade == "error"] == ["place-unchecked"]
    # of three ties the misread one is left out
    rows = [
        distance("Post", c, f"{d + off:.3f} m")
        for c, d, off in zip(("B0.v1", "B3.v2", "B11.v3"), far, (0.0, 30.0, 0.0), strict=True)
    ]
    made = adjust_site(tied, plan, read_tapes(tied, plan, rows))
    assert [made.suspects.kind[f.suspect] for f in made.freed] == ["reading"]
    assert np.hypot(*made.setup.placing.laid(made.solution.x)[0][0]) < 0.5


def test_a_mark_that_is_a_blunder_is_named(beds: Site) -> None:
    """One mark of five surveyed 0.6 m off: left out, its size told; the others lay the picture out."""
    rng = np.random.default_rng(3)
    true = laid(beds, SEEN, (0.7, 0.1), 0.1, 100) + rng.normal(0, 0.01, SEEN.shape)
    true[2] += [0.36, -0.48]
    site = marked(beds, *(mark(beds, f"M{k}", t, s) for k, (t, s) in enumerate(zip(true, SEEN, strict=True))))
    plan = plan_runs(site)
    made = adjust_site(site, plan, None)
    (freed,) = made.freed
    assert (made.suspects.kind[freed.suspect], made.suspects.name[freed.suspect]) == ("control", "M2")
    point = {p.name: p for p in fixed_points(made)}["M2"]
    assert point.left_out
    assert (point.east_m, point.north_m) == pytest.approx((0.36, -0.48), abs=0.08)
    assert "Surveyed point M2 is left out" in freed_text(made, freed, Shown(site))
    assert unknowns(made)[1:3] == pytest.approx([0.7, 0.1], abs=0.05)


def test_a_picture_far_out_of_place_is_said_to_be_and_brought_there(beds: Site) -> None:
    """Laid 32 m off, turned by 3 degrees, 0.2 % too small: each is named, and tapes settle all the same."""
    rng, far = np.random.default_rng(1), ((30.0, -12.0), 3.0, 2_000.0)
    true = laid(beds, SEEN, *far) + rng.normal(0, 0.01, SEEN.shape)
    site = marked(beds, *(mark(beds, f"M{k}", t, s) for k, (t, s) in enumerate(zip(true, SEEN, strict=True))))
    plan = plan_runs(site)
    tapes = read_tapes(site, plan, [row("B1-1-1", "8.02 m", name="a"), row("B6-1-2", "3.01 m", name="b")])
    made = adjust_site(site, plan, tapes)
    assert {made.suspects.kind[f.suspect] for f in made.freed} == {"turn", "shift", "picture"}
    text = " ".join(freed_text(made, f, Shown(site)) for f in made.freed)
    assert "is turned by 2.99" in text or "is turned by 3.00" in text
    assert "lies 32.3" in text
    assert made.same_legs
    assert made.settled_m < 5e-5
    assert np.hypot(*(made.xy - laid(beds, beds.bed_shapes.xy, *far)).T).max() < 0.03


def test_what_was_left_free_is_measured_not_assumed(beds: Site) -> None:
    """Shift, turn and scale far beyond what was assumed: what is found rests on the marks alone."""
    true = laid(beds, SEEN, (30.0, -12.0), 3.0, 5_000)
    marks = [
        mark(beds, f"M{k}", t, s, sigma="20 mm") for k, (t, s) in enumerate(zip(true, SEEN, strict=True))
    ]
    site = marked(beds, *marks)
    plan = plan_runs(site)
    tapes = read_tapes(site, plan, [row("B1-1-1", "8.04 m", name="a")])
    made = adjust_site(site, plan, tapes)
    assert {made.suspects.kind[f.suspect] for f in made.freed} >= {"turn", "shift", "picture"}
    (p,) = placed_pictures(made)
    for known in (p.east, p.north, p.turn, p.scales[0][1]):
        assert known.before == np.inf
        assert known.redundancy == 1
        assert known.better
        assert 0 < known.sigma < 0.05
    out = outcome(site, plan, takeoff(site, plan), made)
    text = " ".join(summary_lines(site, tapes, made, out, 0))
    assert text.count("before not used") == 3
    assert "hardly better known" not in text
    said = json.loads(data_text(data(site, tapes, made, out, 0)))["pictures"][0]
    for part in (said["east_m"], said["turn_rad"], said["scales"][0]):
        assert (part["sigma_before"], part["redundancy"], part["better_known"]) == (None, 1, True)
    assert section(site, tapes, made, out, 0).count("not used") >= 4
    # what is not free keeps what was assumed
    (calm,) = placed_pictures(adjust_site(marked(beds, mark(beds, "M", SEEN[0], SEEN[0])), plan, None))
    assert calm.east.before == pytest.approx(2.5)


def test_ties_from_marks_fix_where_the_picture_lies(beds: Site) -> None:
    """Tapes from three marks, that are seen nowhere, to vertices: they fix the shift, by the second path too.

    The comparison propagates variances by a road of its own: conditions and comparison have one covariance.
    """
    true = beds.bed_shapes.xy + [0.9, -0.6]
    corner = {"B0.v1": true[0], "B3.v2": true[13], "B11.v3": true[46], "B8.v4": true[35]}
    posts = {"P": np.array([-5.0, -4.0]), "Q": np.array([100.0, 10.0]), "R": np.array([40.0, 62.0])}
    site = marked(beds, *(mark(beds, n, xy) for n, xy in posts.items()), picture_scale_ppm=0)
    plan = plan_runs(site)
    rows = [
        distance(n, c, f"{np.hypot(*(at - xy)):.4f} m") for n, xy in posts.items() for c, at in corner.items()
    ]
    tapes = read_tapes(site, plan, rows)
    found = compare(site, plan, tapes)
    exact = adjust_site(site, plan, tapes, comparison=found, values_m=found.map_m.copy())
    np.testing.assert_allclose(
        np.linalg.inv(exact.conditions.full), found.covariance_m2, rtol=1e-4, atol=1e-10
    )
    made = adjust_site(site, plan, tapes, comparison=found)
    assert made.freed == ()
    (picture,) = placed_pictures(made)
    assert picture.points == 0
    assert picture.east.value == pytest.approx(0.9, abs=4 * picture.east.sigma)
    assert picture.north.value == pytest.approx(-0.6, abs=4 * picture.north.sigma)
    assert picture.east.better
    assert picture.north.better
    assert picture.east.sigma < 0.03
    assert np.hypot(*(made.xy - true).T).max() < 0.1
    text = " ".join(summary_lines(site, tapes, made, outcome(site, plan, takeoff(site, plan), made), 0))
    assert "Where the map lies is known from tapes from surveyed points" in text


def test_a_tie_to_a_mark_that_is_seen_is_of_one_point(beds: Site) -> None:
    """Seen at a vertex and taped from: a tape between two vertices of the picture does not move it."""
    at = beds.bed_shapes.xy
    site = marked(beds, mark(beds, "M", at[0] + [0.5, 0.0], seen_at="B0.v1"), picture_scale_ppm=0)
    plan = plan_runs(site)
    tapes = read_tapes(site, plan, [distance("M", "B3.v2", f"{np.hypot(*(at[13] - at[0])):.4f} m")])
    made = adjust_site(site, plan, tapes, values_m=tapes.taped_m)
    assert made.setup.layout.points == 0
    np.testing.assert_allclose(made.xy[0], at[0] + [0.5, 0.0], atol=1e-3)
    np.testing.assert_allclose(unknowns(made), unknowns(adjust_site(site, plan, None)), atol=5e-5)


def test_one_mark_says_where_but_not_how_the_picture_is_turned(beds: Site) -> None:
    site = marked(beds, mark(beds, "M", SEEN[0] + [0.4, -0.3], SEEN[0]))
    plan = plan_runs(site)
    made = adjust_site(site, plan, None)
    (picture,) = placed_pictures(made)
    assert not picture.turn.better
    assert not picture.scales[0][1].better
    out = outcome(site, plan, takeoff(site, plan), made)
    tapes = read_tapes(site, plan, [row("B1-1-1", "8.00 m", name="a")])
    text = " ".join(summary_lines(site, tapes, made, out, 0))
    assert "hardly better known than was assumed: direction, scale of the map" in text
    np.testing.assert_allclose(made.leg_after_m, made.leg_before_m, atol=1e-3)


# ---------------------------------------------------------------- several pictures


def two_pictures(site: Site, first: int = 6) -> Site:
    """The first beds traced from one picture, the rest from another."""
    facts = [type("Facts", (), {"name": n, "path": site.folder / n})() for n in ("west.tif", "east.tif")]
    of_bed = np.where(np.arange(len(site.beds)) < first, 0, 1)
    check = PictureCheck(tuple(facts), of_bed, np.full(len(of_bed), np.nan), ())
    return replace(site, pictures=check)


def test_only_the_picture_that_was_surveyed_moves(beds: Site) -> None:
    site = two_pictures(beds)
    marks = [mark(site, f"M{k}", s + [1.0, 2.0], s, picture="east.tif") for k, s in enumerate(SEEN[2:])]
    site = marked(site, *marks)
    plan = plan_runs(site)
    made = adjust_site(site, plan, None)
    change = made.xy - beds.bed_shapes.xy
    np.testing.assert_allclose(change[:24], 0, atol=1e-9)
    np.testing.assert_allclose(change[24:], np.tile([1.0, 2.0], (24, 1)), atol=0.02)
    out = outcome(site, plan, takeoff(site, plan), made)
    tapes = read_tapes(site, plan, [row("B1-1-1", "8.00 m", name="a")])
    assert "Nothing surveyed tells where west.tif lies" in " ".join(summary_lines(site, tapes, made, out, 0))


def shared_site(folder: Path) -> tuple[Site, RunPlan]:
    """Two beds that share an edge, a third one apart; a picture for each of the first two."""
    a = rectangle(8, 3)
    write_features(
        folder / "beds.geojson",
        {"A": polygon(a), "B": polygon(a + [8.0, 0.0]), "C": polygon(a + [0.0, 12.0])},
    )
    (folder / "site.toml").write_text(SETTINGS, encoding="utf-8")
    site = load_site(folder)
    site = two_pictures(site, 1)
    return site, plan_runs(site)


def test_pictures_that_share_vertices_are_laid_out_together(tmp_path: Path) -> None:
    """A bed of one picture is not torn from its neighbour of another, and legs keep their lengths."""
    site, plan = shared_site(tmp_path)
    groups = picture_groups(site)
    assert groups.name == ("west.tif", "east.tif")
    assert groups.frame.tolist() == [0, 0]
    xy = site.bed_shapes.xy
    marks = [
        mark(site, f"M{k}", s @ turned(0.5).T + [0.8, 0.3], s, picture="west.tif", sigma="1 mm")
        for k, s in enumerate(xy[[0, 3]] - 0.5)
    ]
    made = adjust_site(marked(site, *marks, picture_scale_ppm=0), plan, None, every_leg=True)
    assert made.same_legs
    assert made.settled_m < 5e-5
    np.testing.assert_allclose(made.leg_after_m, made.leg_before_m, atol=1e-5)
    gaps = np.hypot(*(made.xy[:, None] - made.xy[None]).T)
    np.testing.assert_allclose(gaps, np.hypot(*(xy[:, None] - xy[None]).T), atol=1e-6)


def test_rows_of_one_picture_do_not_grow_with_another(tmp_path: Path) -> None:
    """An outline that spans two pictures follows each scale by its own vertices only, as the plan does."""
    site, plan = shared_site(tmp_path)
    made = adjust_site(site, plan, None, every_leg=True)
    lay, groups = made.setup.layout, made.setup.groups
    grown = made.lengths.legs(made.solution.x)[1]
    bed = plan.runs.bed[plan.runs.leg_run]
    west, east = (grown[:, [lay.first_picture + k]].toarray().ravel() for k in (0, 1))
    # the first bed is the western picture's, the third, which shares nothing, the eastern one's
    for own, other, of in ((west, east, 0), (east, west, 2)):
        np.testing.assert_allclose(own[bed == of], made.leg_before_m[bed == of], atol=1e-5)
        np.testing.assert_allclose(other[bed == of], 0, atol=1e-6)
    assert np.abs(west[bed == 1]).max() > 1
    xy = site.bed_shapes.xy
    for g, slope in ((0, west), (1, east)):
        way = (groups.of_vertex == g)[:, None] * (xy - groups.middle[g])
        ahead, back = (plan_runs(moved(site, xy + h * way)).runs for h in (1e-5, -1e-5))
        a, b = (matched_legs(plan.runs, runs, 0.01) for runs in (ahead, back))
        np.testing.assert_allclose((ahead.length_m[a] - back.length_m[b]) / 2e-5, slope, atol=1e-4)


def test_a_snapped_vertex_is_one_whichever_bed_names_it(tmp_path: Path) -> None:
    """A distance to the second of two vertices at one place moves that place like one to the first."""
    site, plan = shared_site(tmp_path)
    site = replace(site, pictures=None)
    xy = site.bed_shapes.xy
    names = [f"{b}.v{k + 1}" for b in "ABC" for k in range(4)]
    twice = [(i, j) for i in range(4) for j in range(4, 8) if np.hypot(*(xy[i] - xy[j])) < 1e-6]
    assert len(twice) == 2
    i, j = twice[0]
    far = names[8]
    length = float(np.hypot(*(xy[8] - xy[i]))) + 0.06
    changes = []
    for name in (names[i], names[j]):
        made = adjust_site(site, plan, read_tapes(site, plan, [distance(name, far, f"{length:.4f} m")]))
        changes.append(made.xy - xy)
    np.testing.assert_allclose(changes[0], changes[1], atol=1e-6)
    assert np.hypot(*changes[0][i]) > 0.01
    np.testing.assert_allclose(changes[0][i], changes[0][j], atol=1e-9)


# ---------------------------------------------------------------- faults


def test_faults_of_marks_are_told_plainly(beds: Site) -> None:
    plan = plan_runs(beds)
    a = mark(beds, "A", SEEN[0], SEEN[0])
    cases = {
        "km from where it was surveyed": [a, mark(beds, "B", SEEN[1] + [4_000.0, 0.0], SEEN[1])],
        "km from the nearest bed": [a, mark(beds, "B", SEEN[1] + [400_000.0, 0.0], SEEN[1])],
        "lies where": [a, mark(beds, "B", SEEN[0], SEEN[1])],
        "are seen at one place": [a, mark(beds, "B", SEEN[1], SEEN[0])],
        'no picture "air.tif"': [mark(beds, "A", SEEN[0], SEEN[0], picture="air.tif")],
        "no vertex of an outline": [mark(beds, "A", SEEN[0], seen_at="B0-1-c1")],
        '"B0" has 4 vertices': [mark(beds, "A", SEEN[0], seen_at="B0.v9")],
    }
    for words, marks in cases.items():
        with pytest.raises(DataError) as caught:
            adjust_site(marked(beds, *marks), plan, None)
        assert words in str(caught.value)
    several = two_pictures(beds)
    with pytest.raises(DataError, match="add picture"):
        adjust_site(marked(several, a), plan, None)
    check = marked(beds, mark(beds, "K", SEEN[0], use="check"))
    with pytest.raises(DataError, match="is a check point"):
        read_tapes(check, plan, [distance("K", "B0.v1", "14.42 m")])


def test_coordinates_of_no_use_are_told_of_their_mark(beds: Site) -> None:
    """Far off, beyond the grid, seen and surveyed alike: each by its name, all of them in one report."""
    plan = plan_runs(beds)
    good = mark(beds, "A", SEEN[0], SEEN[0])
    huge = mark(beds, "huge", SEEN[2], SEEN[2]).model_copy(update={"seen_east": 1e300})
    away = mark(beds, "away", SEEN[1], SEEN[1] + [30_000.0, 0.0])
    pole = SurveyedMark.model_validate(
        {"name": "pole", "use": "control", "sigma": "10 mm", "lon": 0.0, "lat": -90.0, "seen_at": "B0.v1"}
    )
    seen_pole = mark(beds, "seen pole", SEEN[3], SEEN[3]).model_copy(
        update={"seen_east": None, "seen_north": None, "seen_lon": 0.0, "seen_lat": -90.0}
    )
    with pytest.raises(DataError) as caught:
        adjust_site(marked(beds, good, huge, away, pole, seen_pole), plan, None)
    told = {name: [f for f in caught.value.faults if f'"{name}"' in f.what] for name in
            ("A", "huge", "away", "pole", "seen pole")}  # fmt: skip
    assert not told["A"]
    for name in ("huge", "away", "pole", "seen pole"):
        assert told[name], name
        assert all(f.file == "site.toml" and f.vertex is None for f in told[name])
    assert "30.0 km from the nearest bed" in told["away"][0].what
    assert len(told["huge"][0].what) < 200


def test_marks_that_no_picture_fits_are_refused_by_name(beds: Site) -> None:
    """Two exchanged turn the site inside out; with surveyed feet taken for metres it grows."""
    plan = plan_runs(beds)
    a, b = SEEN[0], SEEN[2]
    site = marked(beds, mark(beds, "Ann", b, a), mark(beds, "Bob", a, b))
    with pytest.raises(DataError, match="Ann, Bob") as caught:
        adjust_site(site, plan, None)
    assert caught.value.faults[0].code == "picture-absurd"
    middle = SEEN.mean(axis=0)
    for factor in (0.3048, 1 / 0.3048):
        far = [mark(beds, f"M{k}", middle + factor * (s - middle), s) for k, s in enumerate(SEEN)]
        with pytest.raises(DataError, match=f"would be {factor:.3g} times as large"):
            adjust_site(marked(beds, *far), plan, None)


def by_marks_alone(beds: Site, folder: Path) -> tuple[Record, Site, Tapes, Adjustment]:
    """A site with a record, moved to its surveyed points; its one reading has no say."""
    place = written(beds, folder, [mark(beds, f"M{k}", s + 0.2, s) for k, s in enumerate(SEEN)])
    record = start_record(place, who="Ann")
    site = load_site(place)
    plan = plan_runs(site)
    tapes = read_tapes(site, plan, [row("B1-1-1", "8.01 m", name="a")])
    made = adjust_site(site, plan, tapes, values_m=np.array([np.nan]))
    return record, site, tapes, made


def test_nothing_is_accepted_against_an_error(beds: Site, tmp_path: Path) -> None:
    record, site, tapes, made = by_marks_alone(beds, tmp_path)
    wrong = replace(made, findings=(Finding("legs-changed", "error", "A corner came or went."),))
    with pytest.raises(SiteplanError, match=r"not accepted.*A corner came or went. \[legs-changed\]"):
        accept(record, site, wrong, tapes, who="Ann")
    assert record.newest().number == 1
    notice = replace(made, findings=(Finding("names-change", "notice", "Other numbers."),))
    assert accept(record, site, notice, tapes, who="Ann").number == 2


@pytest.mark.parametrize("key", ["east", "north", "seen_east", "seen_north", "lon", "seen_lat"])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_coordinates_are_numbers(key: str, value: float) -> None:
    seen = {"seen_lon": 1.0, "seen_lat": 2.0} if key == "seen_lat" else {"seen_east": 1.0, "seen_north": 2.0}
    place = {"lon": 1.0, "lat": 2.0} if key == "lon" else {"east": 1.0, "north": 2.0}
    good = {"name": "A", "use": "control", "sigma": "10 mm"} | seen | place
    SurveyedMark.model_validate(good)
    with pytest.raises(ValidationError):
        SurveyedMark.model_validate(good | {key: value})


@pytest.mark.parametrize(
    "row",
    [
        {"sigma": "0 mm"}, {"sigma": "-5 mm"}, {"sigma": None}, {"seen_east": 1.0}, {"use": "hold"},
        {"seen_at": "B0.v1", "seen_east": 1.0, "seen_north": 2.0}, {"picture": "air.tif"},
        {"seen_at": "B0.v1", "seen_sigma": "10 mm"},
    ],
)  # fmt: skip
def test_rows_of_control_that_make_no_sense(row: dict[str, Any]) -> None:
    good = {"name": "A", "use": "control", "sigma": "10 mm", "east": 1.0, "north": 2.0}
    SurveyedMark.model_validate(good)
    with pytest.raises(ValidationError):
        SurveyedMark.model_validate(good | row)


# ---------------------------------------------------------------- from end to end

TOLD = """
[[tape]]
of = "B1-1-1"
reading = "8.01 m"
kind = "steel"
"""


def written(site: Site, folder: Path, marks: list[SurveyedMark], tapes: str = TOLD) -> Path:
    """A folder with the site and its marks."""
    (folder / "beds.geojson").write_bytes((site.folder / "beds.geojson").read_bytes())
    rows = ""
    for m in marks:
        said = m.model_dump(exclude_none=True)
        for key in ("sigma", "seen_sigma"):
            if key in said:
                said[key] = f"{said[key]} um"
        rows += "[[control]]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in said.items())
    (folder / "site.toml").write_text(SETTINGS + tapes + rows, encoding="utf-8")
    return folder


def test_marks_from_the_report_to_the_record(beds: Site, tmp_path: Path) -> None:
    """Checks judge, control moves, and what was accepted does not move anything a second time."""
    true = laid(beds, SEEN, (0.9, -0.4), 0.1, 200)
    marks = [
        mark(beds, f"M{k}", t, s, use="check" if k == 4 else "control")
        for k, (t, s) in enumerate(zip(true, SEEN, strict=True))
    ]
    place = written(beds, tmp_path, marks)
    record = start_record(place, who="Ann")
    site = load_site(place)
    plan = plan_runs(site)
    read = reconcile(site, plan)
    assert read.accuracy is not None
    assert read.accuracy.points == 1
    assert any("no check points: M0, M1, M2, M3" in n for n in read.accuracy.notes)
    done = adjusted(site, plan, takeoff(site, plan), read)
    made = json.loads(done.json_text)
    (picture,) = made["pictures"]
    assert picture["surveyed_points"] == 4
    assert picture["east_m"]["value"] == pytest.approx(0.9, abs=0.05)
    assert picture["turn_at_edge_m"] == pytest.approx(np.radians(0.1) * picture["edge_m"], rel=0.3)
    assert {c["point"] for c in made["control"]} == {"M0", "M1", "M2", "M3"}
    assert "Where the pictures lie" in done.html
    assert "Surveyed points" in done.html
    accepted(record, site, read, done, who="Ann")
    after = load_site(place)
    np.testing.assert_allclose(
        after.frame.wgs84(after.bed_shapes.xy),
        beds.frame.wgs84(laid(beds, beds.bed_shapes.xy, (0.9, -0.4), 0.1, 200)), atol=3e-7,
    )  # fmt: skip
    again = adjust_site(after, plan_runs(after), None)
    assert again.setup.layout.frames == 0
    judged = reconcile(after, plan_runs(after)).accuracy
    assert judged is not None
    assert "judge the picture as it was" in judged.notes[0]


def accepted_with(site: Site, folder: Path, marks: list[SurveyedMark]) -> Path:
    """A folder whose outlines were adjusted to these marks."""
    place = written(site, folder, marks, tapes="")
    record = start_record(place, who="Ann")
    now = load_site(place)
    plan = plan_runs(now)
    read = reconcile(now, plan)
    accepted(record, now, read, adjusted(now, plan, takeoff(now, plan), read), who="Ann")
    return place


def test_marks_after_an_accept_move_nothing_a_second_time(beds: Site, tmp_path: Path) -> None:
    """The picture stays where it is, outlines do not: a mark seen there is refused once they have moved."""
    true = laid(beds, SEEN, (0.9, -0.4), 0.1, 200)
    marks = [mark(beds, f"M{k}", t, s) for k, (t, s) in enumerate(zip(true, SEEN, strict=True))]
    wrong = mark(beds, "M3", true[3] + [0.0, 3.0], SEEN[3])
    place = accepted_with(beds, tmp_path, [*marks[:3], wrong])
    after = load_site(place)

    def with_marks(*rows: SurveyedMark) -> Adjustment:
        site = replace(after, settings=after.settings.model_copy(update={"control": list(rows)}))
        return adjust_site(site, plan_runs(site), None)

    # one more, and one that was left out and is corrected now
    for rows, names in (([*marks[:3], wrong, marks[4]], "M4"), (marks, "M3, M4"), ([marks[4]], "M4")):
        with pytest.raises(DataError, match="record --back") as caught:
            with_marks(*rows)
        assert f"{names} " in str(caught.value)
        assert "moved a second time" in str(caught.value)
    # another word for it and another sigma make no new observation
    renamed = marks[0].model_copy(update={"name": "post", "sigma": 5_000, "seen_sigma": 7_000})
    assert with_marks(renamed, *marks[1:3], wrong).setup.layout.frames == 0
    # seen at a vertex that has moved along
    at = laid(beds, beds.bed_shapes.xy[:1], (0.9, -0.4), 0.1, 200)[0]
    corner = mark(beds, "corner", at, seen_at="B0.v1")
    again = with_marks(*marks[:3], wrong, corner)
    assert np.hypot(*(again.xy - after.bed_shapes.xy).T).max() < 0.06


def test_marks_in_a_picture_that_stayed_are_taken_after_an_accept(beds: Site) -> None:
    """Outlines of one of two pictures were moved; where a picture has another name since, any may be it."""
    site = two_pictures(beds)
    used = laid_texts(picture_groups(site), np.array([True, False]))
    west, east = (mark(site, n, SEEN[0] + 0.3, SEEN[0], picture=f"{n}.tif") for n in ("west", "east"))
    plan = plan_runs(site)
    assert adjust_site(marked(site, east, used=used), plan, None).setup.layout.frames == 1
    other = mark(site, "other", SEEN[1] + 0.3, SEEN[1], picture="east.tif")
    with pytest.raises(DataError, match="control point west is new"):
        adjust_site(marked(site, west, other, used=used), plan, None)
    with pytest.raises(DataError, match="control point east is new"):
        adjust_site(marked(site, east, used=["laid-0123456789ab"]), plan, None)


def test_marks_of_the_file_that_have_a_say_are_no_check_points(beds: Site, tmp_path: Path) -> None:
    grid = beds.frame.grid(SEEN)
    lines = [f"M{k},{x!r},{y!r},{x + 0.1!r},{y!r}" for k, (x, y) in enumerate(grid.tolist())]
    file = tmp_path / "check.csv"
    file.write_text("point,map_east,map_north,field_east,field_north\n" + "\n".join(lines), encoding="utf-8")
    site = marked(beds, mark(beds, "M1", SEEN[1], SEEN[1]))
    plan = plan_runs(site)
    (tmp_path / "tapes.csv").write_text("of,reading,kind\nB1-1-1,8.01 m,steel\n", encoding="utf-8")
    made = reconcile(site, plan, tapes=tmp_path / "tapes.csv", points=file)
    assert made.accuracy is not None
    assert made.accuracy.points == 4
    assert any("left out, because they have a say in the adjustment: M1" in n for n in made.accuracy.notes)
    none = marked(beds, *(mark(beds, f"M{k}", s, s) for k, s in enumerate(SEEN)))
    with pytest.raises(DataError, match="every check point has a say"):
        reconcile(none, plan, tapes=tmp_path / "tapes.csv", points=file)


def test_names_of_marks_stay_text(beds: Site) -> None:
    name = '<img src=x onerror="alert(1)">{{7*7}}'
    site = marked(beds, *(mark(beds, f"{name}{k}", s, s) for k, s in enumerate(SEEN)))
    plan = plan_runs(site)
    tapes = read_tapes(site, plan, [row("B1-1-1", "8.01 m", name="a")])
    made = adjust_site(site, plan, tapes)
    html = section(site, tapes, made, outcome(site, plan, takeoff(site, plan), made), 0)
    assert "<img" not in html
    assert "&lt;img" in html


def test_marks_alone_without_a_single_tape(beds: Site, tmp_path: Path) -> None:
    """No row of tape anywhere: the page and the data come all the same, and say that nothing was taped."""
    place = written(beds, tmp_path, [mark(beds, f"M{k}", s + 0.2, s) for k, s in enumerate(SEEN)], tapes="")
    site = load_site(place)
    plan = plan_runs(site)
    read = reconcile(site, plan)
    assert len(read.tapes) == 0
    shown = page(site, read) + csv_text(read) + data_text(reconciled(site, read))
    assert "Nothing was taped" in shown
    assert "NaN" not in shown
    assert len(layer(read)) == 0
    done = adjusted(site, plan, takeoff(site, plan), read)
    assert done.lines[0].startswith("0 readings and 5 surveyed points against outlines")
    assert "Where the map lies is known from 5 surveyed points" in " ".join(done.lines)
    assert "Where the pictures lie" in done.html
    with pytest.raises(DataError, match="there is no reading"):
        reconcile(marked(site), plan)


def test_accept_of_marks_alone_is_a_revision(beds: Site, tmp_path: Path) -> None:
    record, site, tapes, made = by_marks_alone(beds, tmp_path)
    revision = accept(record, site, made, tapes, who="Ann")
    assert revision.what == "outlines adjusted to 0 tape readings and 5 surveyed points"
