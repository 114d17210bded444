"""Map lengths, their covariance, and the patterns of what may be wrong, against second paths."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from siteplan.geodesy import web_mercator_factors
from siteplan.layers import run_lines
from siteplan.plans import RunPlan, plan_runs
from siteplan.reconcile.compare import Comparison, by_run, compare, vertex_sigma
from siteplan.reconcile.report import layer
from siteplan.reconcile.report import reconcile as whole
from siteplan.reconcile.rows import Row
from siteplan.reconcile.tapes import Tapes, read_tapes
from siteplan.sites import Site, load_site
from siteplan.tape_settings import TapeRow
from tests.tape_sets import row


def distance(a: str, b: str, reading: str) -> Row:
    text = TapeRow.model_validate({"from": a, "to": b, "reading": reading, "kind": "steel", "id": f"{a}{b}"})
    return Row(text, "x", 1, None, None)


@pytest.fixture(scope="module")
def place(sample_data: Path) -> tuple[Site, RunPlan]:
    site = load_site(sample_data / "fennel_row")
    return site, plan_runs(site)


@pytest.fixture(scope="module")
def made(place: tuple[Site, RunPlan]) -> tuple[Tapes, Comparison]:
    site, plan = place
    rows = [
        *(
            row(f"W9-1-{k}", m, name=f"l{k}")
            for k, m in ((1, "4.00 m"), (2, "14.01 m"), (3, "4 m"), (4, "14 m"))
        ),
        row("W9-1", "36.04 m", name="ring", tape="B"),
        row("N2-1", "31.5 m", name="round", tape="S", kind="string"),
        distance("W9-1-c1", "W9-1-c3", "14.56 m"),
        distance("W9.v1", "E1.v2", "174 m"),
    ]
    tapes = read_tapes(site, plan, rows)
    return tapes, compare(site, plan, tapes)


def moved(place: tuple[Site, RunPlan], tapes: Tapes, shift: np.ndarray) -> np.ndarray:
    """Lengths of all readings after every place is moved, by plain arithmetic: the second path."""
    runs = place[1].runs
    xy, offsets = run_lines(replace(runs, xy=runs.xy + shift[: len(runs.xy)]))
    points = tapes.point_xy + shift[len(runs.xy) :]
    lengths = []
    for leg, run, (a, b) in zip(tapes.leg, tapes.run, tapes.point, strict=True):
        if leg >= 0:
            part = (runs.xy + shift[: len(runs.xy)])[runs.offsets[leg] : runs.offsets[leg + 1]]
        elif run >= 0:
            part = xy[offsets[run] : offsets[run + 1]]
        else:
            part = points[[a, b]]
        lengths.append(np.hypot(*np.diff(part, axis=0).T).sum())
    return np.array(lengths)


def test_map_lengths(place: tuple[Site, RunPlan], made: tuple[Tapes, Comparison]) -> None:
    tapes, found = made
    still = np.zeros((len(place[1].runs.xy) + len(tapes.point_xy), 2))
    assert found.map_m == pytest.approx(moved(place, tapes, still), abs=1e-9)
    assert found.map_m[:4].sum() == pytest.approx(found.map_m[4], abs=1e-9)
    # the sides and the diagonal of a rectangle
    assert np.hypot(found.map_m[0], found.map_m[1]) == pytest.approx(found.map_m[6], abs=1e-3)


def test_covariance_of_map_lengths_against_moved_vertices(
    place: tuple[Site, RunPlan], made: tuple[Tapes, Comparison]
) -> None:
    """4,000 maps with every place moved by 1 mm: covariance within 4 standard errors of a sample's.

    A small standard deviation keeps the lengths linear in the vertices.
    """
    site, plan = place
    tapes, found = made
    small = 1e-3
    sigma = vertex_sigma(site)[0][0]
    map_cov = found.covariance_m2 - np.diag(_own(tapes, found) ** 2) - _scale(tapes, found)
    every = np.concatenate([plan.runs.xy, tapes.point_xy])
    places, vertex = np.unique(np.round(every, 3), axis=0, return_inverse=True)
    rng = np.random.default_rng(7)
    # only the vertices of the taped beds matter: draw those, keep the others still
    used = np.unique(np.asarray(vertex).ravel()[_touched(place, tapes)])
    draws = 4000
    lengths = np.empty((draws, len(tapes)))
    for k in range(draws):
        shift = np.zeros((len(places), 2))
        shift[used] = rng.normal(0, small, (len(used), 2))
        lengths[k] = moved(place, tapes, shift[np.asarray(vertex).ravel()])
    sample = np.cov(lengths.T) / small**2
    want = map_cov / sigma**2
    error = np.sqrt((want**2 + np.outer(np.diag(want), np.diag(want))) / draws)
    assert (np.abs(sample - want) <= 4 * error + 1e-6).all()


def _own(tapes: Tapes, found: Comparison) -> np.ndarray:
    return np.array(
        [
            tapes.tapes[t].fixed_m + tapes.tapes[t].per_length * m
            for t, m in zip(tapes.tape, found.map_m, strict=True)
        ]
    )


def _scale(tapes: Tapes, found: Comparison) -> np.ndarray:
    same = tapes.tape[:, None] == tapes.tape[None, :]
    scale = np.array([tapes.tapes[t].scale for t in tapes.tape])
    return np.asarray(np.where(same, np.outer(scale * found.map_m, scale * found.map_m), 0.0))


def _touched(place: tuple[Site, RunPlan], tapes: Tapes) -> np.ndarray:
    runs = place[1].runs
    run = set(tapes.run[tapes.run >= 0].tolist())
    leg = np.array([r in run for r in runs.leg_run])
    rows = np.repeat(leg, np.diff(runs.offsets))
    return np.flatnonzero(np.concatenate([rows, np.ones(len(tapes.point_xy), dtype=bool)]))


def test_adjacent_sides_share_no_error_and_opposite_ones_none(made: tuple[Tapes, Comparison]) -> None:
    """Square corners: the error of a corner along one side is across the other, sigma sqrt 2 each."""
    tapes, found = made
    map_cov = found.covariance_m2 - np.diag(_own(tapes, found) ** 2) - _scale(tapes, found)
    sigma = 0.02
    assert np.sqrt(map_cov[0, 0]) == pytest.approx(np.sqrt(2) * sigma, rel=1e-6)
    assert map_cov[0, 1] == pytest.approx(0, abs=1e-7)
    assert map_cov[0, 4] == pytest.approx(map_cov[0, 0], rel=1e-3)


def test_face_pattern(place: tuple[Site, RunPlan], made: tuple[Tapes, Comparison]) -> None:
    """8 x offset on a closed rectangle, 2 x on each side between convex corners, 2 pi on a round bed."""
    face = made[1].patterns.face
    assert face[:4] == pytest.approx([2, 2, 2, 2], abs=1e-3)
    assert face[4] == pytest.approx(8, abs=1e-3)
    assert face[5] == pytest.approx(2 * np.pi, abs=1e-6)
    assert face[6] == pytest.approx(2 * (4 + 14) / np.hypot(4, 14), abs=2e-3)


def test_face_pattern_against_a_plan_with_an_offset(place: tuple[Site, RunPlan], sample_data: Path) -> None:
    """The second path: plan again with the laying line 0.1 m further out."""
    site, plan = place
    tapes = whole(site, plan).tapes
    outline = site.settings.outline.model_copy(update={"offset": 100_000})
    further = plan_runs(replace(site, settings=site.settings.model_copy(update={"outline": outline})))
    index = {leg: k for k, leg in enumerate(further.runs.leg_id)}
    found = compare(site, plan, tapes)
    checked = 0
    for k, leg in enumerate(tapes.leg):
        name = plan.runs.leg_id[leg]
        # abutted ends are cut back to the wall, which no pattern knows
        if (
            leg >= 0
            and name in index
            and str(name).split("-")[0] in {"W4", "W9", "W10", "E12", "E11", "N7", "E4"}
        ):
            grown = further.runs.length_m[index[name]] - plan.runs.length_m[leg]
            assert grown == pytest.approx(0.1 * found.patterns.face[k], abs=2e-3), name
            checked += 1
    assert checked >= 8


def test_web_mercator_pattern(place: tuple[Site, RunPlan], made: tuple[Tapes, Comparison]) -> None:
    """SCL-01: 100 m at 40 degrees is drawn 130.3601 m east-west and 130.876 m north-south."""
    east, north = web_mercator_factors(40.0)
    assert 100 * float(east) == pytest.approx(130.3601, abs=1e-4)
    assert 100 * float(north) == pytest.approx(130.876, abs=1e-3)
    site = place[0]
    lat = float(site.frame.wgs84(place[1].runs.xy[:1])[0, 1])
    factors = sorted(float(f) for f in web_mercator_factors(lat))
    p = made[1].patterns
    ratio = made[1].map_m / (made[1].map_m - p.web_m)
    assert (ratio > factors[0] - 1e-9).all()
    assert (ratio < factors[1] + 1e-9).all()
    back = (made[1].map_m - p.web_back_m) / made[1].map_m
    assert back == pytest.approx(ratio, rel=4e-3)


def test_chord_pattern(made: tuple[Tapes, Comparison]) -> None:
    """A circle of 48 chords lacks 1 - (n/pi) sin(pi/n) of its length; what vertex noise adds is taken off."""
    found = made[1]
    n, length = 48, found.map_m[5]
    lacking = length * (np.pi / n / np.sin(np.pi / n) - 1)
    noise = n * 0.02**2 / (length / n) / 24
    assert found.patterns.chords_m[5] == pytest.approx(lacking - noise, rel=5e-3)
    assert (found.patterns.chords_m[:4] == 0).all()


def test_noise_pattern(made: tuple[Tapes, Comparison]) -> None:
    """n edges of length s: n sigma^2 / s, checked by drawing noisy circles (within 5 %)."""
    found = made[1]
    n, sigma = 48, 0.02
    radius = found.map_m[5] / (2 * n * np.sin(np.pi / n))
    angle = 2 * np.pi * np.arange(n) / n
    ring = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    rng = np.random.default_rng(3)
    drawn = [
        np.hypot(*np.diff(np.vstack([q, q[:1]]), axis=0).T).sum()
        for q in (ring + rng.normal(0, sigma, ring.shape) for _ in range(4000))
    ]
    assert np.mean(drawn) - found.map_m[5] == pytest.approx(found.patterns.noise_m[5], rel=0.05)


def test_runs_and_layer(place: tuple[Site, RunPlan], made: tuple[Tapes, Comparison]) -> None:
    tapes, found = made
    rows = by_run(place[1], tapes, found)
    assert list(rows.run) == ["N2-1", "W9-1"] or set(rows.run) == {"W9-1", "N2-1"}
    assert set(rows.how) == {"taped whole", "sum of its legs"} or set(rows.how) <= {"taped whole"} | {
        "sum of its legs"
    }
    at = list(rows.run).index("W9-1")
    assert rows.taped_m[at] == pytest.approx(36.04)
    drawn = layer(whole(*place))
    assert drawn.name == "tape_differences"
    assert set(drawn.columns["sign"]) <= {"tape longer", "tape shorter", "agree"}
    assert len(drawn.xy) == drawn.ring_offsets[-1]
