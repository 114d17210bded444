"""Why tape and map disagree: the sample set in full, planted causes, clean sets, second paths."""

from __future__ import annotations

import html
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import multivariate_normal

from siteplan.cli import program
from siteplan.plans import plan_runs
from siteplan.reconcile.diagnosis import Diagnosis, diagnose
from siteplan.reconcile.evidence import Model, Pattern, State, Tried, pattern_ratio
from siteplan.reconcile.report import csv_text, data, data_text, page, reconcile
from siteplan.reconcile.rows import Row
from siteplan.sites import Site, load_site
from siteplan.tape_settings import Priors, TapeRow
from tests.tape_sets import (
    CAUSES,
    FOOT,
    Truth,
    decimal_feet,
    feet_inches,
    judged,
    metric,
    noisy_lengths,
    planted,
    rows_of,
    truth_of,
)


@pytest.fixture(scope="module")
def truth(sample_data: Path) -> Truth:
    site = load_site(sample_data / "fennel_row")
    return truth_of(site, plan_runs(site))


def with_settings(truth: Truth, **said: Any) -> Truth:
    own = truth.site.settings.reconcile.model_copy(update=said)
    site = replace(truth.site, settings=truth.site.settings.model_copy(update={"reconcile": own}))
    return replace(truth, site=site)


def clean_rows(truth: Truth, seed: int, *, count: int = 24) -> list[Row]:
    rng = np.random.default_rng(seed)
    legs = rng.choice(truth.legs, count, replace=False)
    tape = rng.integers(0, 2, count)
    lengths = noisy_lengths(truth, legs, tape, rng)
    write = [metric, feet_inches, decimal_feet][seed % 3]
    return rows_of(truth, legs, [write(x) for x in lengths], [str("AB"[t]) for t in tape])


# ---------------------------------------------------------------- the sample site


def test_planted_faults_of_the_sample_site_are_diagnosed_in_full(truth: Truth) -> None:
    """Every fault sample_data/README.md lists, and nothing else."""
    found = reconcile(truth.site, truth.plan).diagnosis
    assert {(n.cause, n.target, n.new_reading) for n in found.named} == {
        ("stretched_tape", "green 100", ""),
        ("dropped_length", "t02", "196.10 ft"),
        ("transposed", "t11", "34.00 m"),
        ("wrong_leg", "t13", ""),
        ("inches_as_tenths", "t21", "45 ft 11 in"),
    }
    stretched = found.named[0]
    assert abs(stretched.size - 0.004) < 2 * stretched.size_sigma
    assert "W6-1-3" in next(n.words for n in found.named if n.cause == "wrong_leg")
    assert all(n.clear for n in found.named)
    assert found.p_after > 0.05
    left = np.array(found.corrected_m)
    map_m = np.array([r["map_m"] for r in data(truth.site, reconcile(truth.site, truth.plan))["readings"]])
    assert np.nanmax(np.abs(left - map_m)) < 0.05


def test_one_command(sample_data: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(
        program, ["reconcile", str(sample_data / "fennel_row"), "--out", str(tmp_path / "o"), "--json"]
    )
    assert done.exit_code == 0, done.output
    made = json.loads(done.stdout)
    assert made["schema_version"] == 1
    assert made["diagnosis"]["named"][0]["cause"] == "stretched_tape"
    written = {p.name for p in (tmp_path / "o").iterdir()}
    assert {"reconcile.json", "reconcile.csv", "reconcile.html", "plan.gpkg", "map.html"} <= written
    from pyogrio import list_layers, read_info

    assert "tape_differences" in [name for name, _ in list_layers(tmp_path / "o" / "plan.gpkg")]
    assert read_info(tmp_path / "o" / "plan.gpkg", layer="tape_differences")["features"] == 31
    assert "+8.998 m" in (tmp_path / "o" / "map.html").read_text(encoding="utf-8")
    words = CliRunner().invoke(
        program, ["reconcile", str(sample_data / "fennel_row"), "--out", str(tmp_path / "p")]
    )
    assert "45 ft 11 in" in words.output
    for name in ("reconcile.json", "reconcile.html", "map.html", "plan.gpkg"):
        assert (tmp_path / "o" / name).read_bytes() == (tmp_path / "p" / name).read_bytes(), name


# ---------------------------------------------------------------- second paths


def test_likelihood_ratios_against_densities(truth: Truth) -> None:
    """The same ratios from scipy's multivariate normal density."""
    tapes, made, _ = judged(truth, clean_rows(truth, 1, count=8))
    cov, d = made.covariance_m2, made.difference_m
    state = State(d, np.asarray(np.linalg.inv(cov), dtype=np.float64))
    x = made.map_m

    def log(mean: np.ndarray, c: np.ndarray) -> float:
        return float(multivariate_normal(mean, c, allow_singular=False).logpdf(d))

    none = log(np.zeros(8), cov)
    known = Pattern("k", "map", "", 0.003 * x, 0.0)
    assert pattern_ratio(state, known) == pytest.approx(log(0.003 * x, cov) - none, abs=1e-7)
    free = Pattern("f", "map", "", x, 0.002)
    assert pattern_ratio(state, free) == pytest.approx(
        log(np.zeros(8), cov + 0.002**2 * np.outer(x, x)) - none, abs=1e-7
    )
    # one-sided: the average over a half-normal size, by summing over sizes
    sizes = np.linspace(0, 0.02, 20_001)
    weight = 2 / np.sqrt(2 * np.pi) / 0.002 * np.exp(-0.5 * (sizes / 0.002) ** 2) * (sizes[1] - sizes[0])
    weight[0] /= 2
    a, b = float(x @ state.weight @ x), float(x @ state.weight @ d)
    want = math.log(float((weight * np.exp(sizes * b - 0.5 * sizes**2 * a)).sum()))
    assert pattern_ratio(state, replace(free, one_sided=True)) == pytest.approx(want, abs=1e-5)
    assert len(tapes) == 8


def test_mean_ratio_is_one_where_nothing_is_wrong() -> None:
    """What the rule for naming rests on: 40,000 draws, within 5 standard errors."""
    n = 5
    x = np.linspace(1, 2, n)
    rng = np.random.default_rng(5)
    for pattern in (
        Pattern("k", "map", "", x, 0.0),
        Pattern("f", "map", "", x, 0.5),
        Pattern("s", "map", "", x, 0.5, True),
    ):
        weight = np.eye(n)
        ratio = np.array(
            [math.exp(pattern_ratio(State(rng.normal(0, 1, n), weight), pattern)) for _ in range(40_000)]
        )
        if pattern.width:  # of the known amount x the ratio has a heavy tail: its mean cannot be sampled
            assert ratio.mean() == pytest.approx(1, abs=5 * ratio.std() / 200)
        assert (ratio > 20).mean() <= 1 / 20


def test_state_against_the_inverse(truth: Truth) -> None:
    """The model's inverse covariance by one formula against inverting the widened covariance."""
    tapes, made, _ = judged(truth, clean_rows(truth, 2))
    patterns = (
        Pattern("a", "map", "", made.map_m, 0.01),
        Pattern("b", "tape", "A", made.tape_map_m[:, 0], 0.003),
    )
    model = Model(made.difference_m, made.covariance_m2, Tried(patterns, (), (2.0,), len(tapes)))
    from siteplan.reconcile.evidence import Term

    state = model.state((Term("a", pattern=0), Term("b", pattern=1), Term("unknown", reading=3, width=2.0)))
    wide = made.covariance_m2.copy()
    wide += 1e-4 * np.outer(made.map_m, made.map_m)
    wide += 9e-6 * np.outer(made.tape_map_m[:, 0], made.tape_map_m[:, 0])
    wide[3, 3] += 4.0
    assert state.weight @ wide == pytest.approx(np.eye(len(tapes)), abs=1e-6)


def test_common_scale_against_whitened_least_squares(truth: Truth) -> None:
    _, made, found = judged(truth, clean_rows(truth, 3))
    half = np.linalg.cholesky(np.linalg.inv(made.covariance_m2)).T
    x = half @ made.map_m
    amount, residual, *_ = np.linalg.lstsq(x[:, None], half @ made.difference_m, rcond=None)
    assert found.scale.scale - 1 == pytest.approx(amount[0], rel=1e-6)
    assert found.scale.sigma == pytest.approx(1 / np.linalg.norm(x), rel=1e-9)
    assert found.scale.chi2 == pytest.approx(residual[0], rel=1e-6)
    assert found.scale.smallest == pytest.approx(2.8 * found.scale.sigma)


# ---------------------------------------------------------------- the whole map


def whole_map(truth: Truth, factor: float, *, count: int = 12) -> Diagnosis:
    rng = np.random.default_rng(11)
    legs = rng.choice(truth.legs, count, replace=False)
    tape = rng.integers(0, 2, count)
    lengths = noisy_lengths(truth, legs, tape, rng)
    texts = [metric(x * factor) for x in lengths]
    return judged(truth, rows_of(truth, legs, texts, [str("AB"[t]) for t in tape]))[2]


@pytest.mark.parametrize(
    ("factor", "cause"), [(0.3048, "feet_as_metres"), (1 / 0.3048, "metres_as_feet"), (0.985, "map_scale")]
)
def test_scale_of_the_whole_map(truth: Truth, factor: float, cause: str) -> None:
    found = whole_map(truth, factor)
    assert [n.cause for n in found.named] == [cause]
    total = float(truth.plan.lengths.ground_m.sum())
    assert found.named[0].total_m == pytest.approx(total * factor, rel=3e-3)


def test_a_web_map_taken_for_the_ground(truth: Truth) -> None:
    """Readings of a site whose map is drawn in EPSG:3857 metres: about 3/4 of the map, by direction."""
    from siteplan.geodesy import web_mercator_factors

    runs, site = truth.plan.runs, truth.site
    lat = float(site.frame.wgs84(runs.xy[:1])[0, 1])
    east, north = (float(f) for f in web_mercator_factors(lat))
    legs = truth.legs[:12]
    step = runs.xy[runs.offsets[legs + 1] - 1] - runs.xy[runs.offsets[legs]]
    true = np.hypot(step[:, 0] / east, step[:, 1] / north)
    found = judged(truth, rows_of(truth, legs.tolist(), [metric(x) for x in true], ["A"] * 12))[2]
    assert [n.cause for n in found.named] == ["web_mercator"]
    tested = {r.cause: r.verdict for r in found.scale.rows}
    assert tested["web_mercator"] == "fits"
    assert tested["none"] == "does not fit"
    assert tested["survey_foot"] == "too small to see"


def test_wrong_face(truth: Truth) -> None:
    """Every leg of three rectangles 2 x 0.15 m longer than the map: the outline was traced 0.15 m inside."""
    runs = truth.plan.runs
    beds = ("W9-1-", "E12-1-", "W4-1-", "W10-1-")
    legs = np.flatnonzero([str(n).startswith(beds) for n in runs.leg_id])
    texts = [metric(x + 0.3) for x in runs.length_m[legs]]
    found = judged(truth, rows_of(truth, legs.tolist(), texts, ["A", "B"] * (len(legs) // 2)))[2]
    assert found.named[0].cause == "wrong_face"
    assert found.named[0].size == pytest.approx(0.15, abs=3 * found.named[0].size_sigma)


def test_one_tape_cannot_tell_itself_from_the_map(truth: Truth) -> None:
    rows = clean_rows(truth, 6)
    lengths = truth.plan.runs.length_m
    index = {n: k for k, n in enumerate(truth.plan.runs.leg_id)}
    legs = [index[r.text.of] for r in rows]
    found = judged(
        truth, rows_of(truth, legs, [metric(lengths[k] * 0.993) for k in legs], ["A"] * len(legs))
    )[2]
    named = found.named[0]
    assert {named.cause, named.alternatives[0].cause} == {"stretched_tape", "map_scale"}
    assert not named.clear


def test_a_nought_in_front_tells_of_exchanged_digits(truth: Truth) -> None:
    """30 ft written as 03 ft: the digits are taken as they stand on paper, not as the number they make."""
    lengths = truth.plan.runs.length_m[truth.legs]
    odd = int(np.argmin(np.abs(lengths - 30.2 * FOOT)))
    legs = truth.legs[[odd, *(k for k in range(9) if k != odd)]]
    texts = [feet_inches(x) for x in truth.plan.runs.length_m[legs]]
    assert texts[0].startswith("30 ft")
    texts[0] = f"03{texts[0][2:]}"
    named = judged(truth, rows_of(truth, legs.tolist(), texts, ["A"] * len(legs)))[2].named
    assert [(n.target, n.cause) for n in named] == [("r0", "transposed")]
    assert named[0].new_reading.startswith("30 ft")


# ---------------------------------------------------------------- how often


def test_nothing_is_named_on_clean_sets(truth: Truth) -> None:
    """The rule promises at most 5 % with anything named; 60 sets."""
    named = [bool(judged(truth, clean_rows(truth, seed))[2].named) for seed in range(60)]
    assert sum(named) <= 3
    assert "Not enough evidence" in judged(truth, clean_rows(truth, 0))[2].text


@pytest.mark.parametrize("cause", CAUSES)
def test_planted_causes_are_among_the_first_two(truth: Truth, cause: str) -> None:
    """Mistakes of 7 sigma and more: located in 95 %, the cause among the first two in 90 %."""
    n, located, _, first_two = score(with_settings(truth, vertex_sigma=10_000), cause, 30)
    assert n >= 4
    assert located >= 0.85 * n  # of few sets; the slow test holds the stated shares
    assert first_two >= 0.85 * located


def score(truth: Truth, cause: str, sets: int) -> tuple[int, int, int, int]:
    """Sets of 7 sigma or more, located, cause first, cause among the first two."""
    n = located = first = first_two = 0
    for seed in range(sets):
        made = planted(truth, cause, np.random.default_rng([CAUSES.index(cause), seed]))
        if made is None or made.sigmas < 7:
            continue
        n += 1
        hit = [c for c in judged(truth, made.rows)[2].named if c.target == made.target]
        if hit:
            located += 1
            order = [hit[0].cause, *(a.cause for a in hit[0].alternatives)]
            first += order[0] == cause
            first_two += cause in order[:2]
    return n, located, first, first_two


@pytest.mark.slow
def test_shares_over_many_sets(truth: Truth) -> None:
    """The table in docs/reconcile.md: seeds [number of the cause, 0 to 149]; clean sets 0 to 399."""
    totals = np.zeros(4, dtype=int)
    truth = with_settings(truth, vertex_sigma=10_000)
    for cause in CAUSES:
        counts = score(truth, cause, 150)
        print(cause, counts)
        totals += counts
    assert totals[1] >= 0.95 * totals[0]
    assert totals[3] >= 0.90 * totals[1]
    clean = sum(not judged(truth, clean_rows(truth, seed))[2].named for seed in range(400))
    print("clean", clean)
    assert clean >= 0.95 * 400


def test_several_slips_at_once(truth: Truth) -> None:
    rng = np.random.default_rng(21)
    legs = rng.choice(truth.legs, 24, replace=False)
    texts = [metric(x) for x in noisy_lengths(truth, legs, np.zeros(24, dtype=int), rng)]
    wrong = {2: 20.0, 7: 1.0, 11: -1.0, 15: 10.0, 20: 5.23}
    for k, off in wrong.items():
        texts[k] = metric(float(texts[k].split()[0]) + off)
    found = judged(truth, rows_of(truth, legs.tolist(), texts, ["A"] * 24))[2]
    assert {n.target for n in found.named} == {f"r{k}" for k in wrong}
    assert next(n for n in found.named if n.target == "r20").cause in ("unknown", "wrong_leg", "transposed")


def test_small_disagreement_is_not_enough_evidence(truth: Truth) -> None:
    """A tape 300 ppm long is below what 20 mm vertices can show, and is said so."""
    legs = truth.legs[:10].tolist()
    texts = [f"{truth.plan.runs.length_m[k] * 0.9997:.3f} m" for k in legs]
    found = judged(truth, rows_of(truth, legs, texts, ["A"] * 10))[2]
    assert not found.named
    assert found.scale.smallest > 3e-4
    assert "Not enough evidence" in found.text


# ---------------------------------------------------------------- settings and pages


def test_probabilities_only_with_priors(truth: Truth) -> None:
    without = reconcile(truth.site, truth.plan).diagnosis
    assert all(math.isnan(n.probability) for n in without.named)
    causes = {"dropped_length": 0.01, "transposed": 0.01, "unknown": 0.01, "wrong_leg": 0.01}
    judgement = Priors(source="judgement of nobody, for a test", causes=causes)
    known = with_settings(truth, priors=judgement)
    found = {n.target: n for n in reconcile(known.site, known.plan).diagnosis.named}
    assert found["t02"].probability > 0.99
    assert math.isnan(found["t21"].probability)


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>{{7*7}}${7*7}"


def test_hostile_names_stay_text(truth: Truth) -> None:
    text = TapeRow.model_validate(
        {"id": HOSTILE, "of": "W9-1-2", "reading": "14 m", "tape": HOSTILE, "kind": "steel", "who": HOSTILE}
    )
    from siteplan.reconcile.compare import by_run, compare
    from siteplan.reconcile.report import Reconciliation
    from siteplan.reconcile.tapes import read_tapes

    site = _named(truth.site, HOSTILE)
    tapes = read_tapes(site, truth.plan, [Row(text, "x", 1, None, None)])
    made = compare(site, truth.plan, tapes)
    whole = Reconciliation(
        tapes, made, by_run(truth.plan, tapes, made), diagnose(site, truth.plan, tapes, made), None, 1.0
    )
    shown = page(site, whole)
    assert "<script" not in shown
    assert "<img" not in shown
    assert html.escape(HOSTILE) in shown
    assert json.loads(data_text(data(site, whole)))["readings"][0]["id"] == HOSTILE
    assert csv_text(whole).count("\r\n") == 2


def _named(site: Site, name: str) -> Site:
    return replace(site, settings=site.settings.model_copy(update={"name": name}))
