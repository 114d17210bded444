"""Curve elements against published values and a second path; fitted arcs in stakeout and sheets."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from siteplan import load_site, measure, plan_runs, takeoff
from siteplan.outline.curve_data import arc_data, arcs_of, curve_elements
from siteplan.settings import SiteSettings
from siteplan.sheets.options import sheet_options
from siteplan.stakeout.make import make_stakeout
from siteplan.stakeout.write import write_stakeout
from siteplan.tomlfile import validated

from .make_sheets import Plan
from .make_sites import polygon, write_features


def degree_radius(degree: float) -> float:
    """Radius in feet of a curve of so many degrees, arc definition: 100 ft of arc turn by it."""
    return 100 / math.radians(degree)


def test_radius_of_a_one_degree_curve() -> None:
    """US Army FM 5-430-00-1, appendix F: 5729.578 ft by the arc definition."""
    assert degree_radius(1) == pytest.approx(5729.578, abs=0.001)


CURVES = [
    # Penn State, lecture on horizontal curves: 76.62 ft of arc on a 4 degree curve, chord 76.61
    (4, 4 * 0.7662, {"radius_m": 1432.39, "arc_m": 76.62, "chord_m": 76.61}),
    # read in a worked example whose title was not written down: no source of its own
    (8, 103.5, {"tangent_m": 908.49, "arc_m": 1293.75}),
    # from memory, in the manner of TM 3-34.55 (FM 5-233), chapter 3: no source of its own
    (15, 45, {"radius_m": 381.97, "tangent_m": 158.22, "arc_m": 300.0, "external_m": 31.47,
              "middle_m": 29.08, "chord_m": 292.35}),
    # from memory: no source of its own
    (2, 8.4, {"radius_m": 2864.79, "tangent_m": 210.38, "arc_m": 420.0, "chord_m": 419.62,
              "external_m": 7.71, "middle_m": 7.69}),
]  # fmt: skip
"""degree of curve, turn in degrees, elements in feet; each is walked as well, so none is the only witness"""


def walked(degree: float, turn_deg: float) -> dict[str, float]:
    """Elements of a curve in feet by walking it: a heading that turns by ``degree`` in 100 ft.

    No formula of curve elements is in it: the places are integrals of the heading, and the point of
    intersection is where the two tangents meet.
    """
    long = 100 * turn_deg / degree

    def place(at: float) -> np.ndarray:
        return np.array(
            [quad(lambda s, way=way: way(math.radians(degree * s / 100)), 0, at)[0]
             for way in (math.cos, math.sin)]
        )  # fmt: skip

    middle, end = place(long / 2), place(long)
    ahead = np.array([math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))])
    tangent, back = np.linalg.solve(np.column_stack([[1.0, 0.0], ahead]), end)
    assert tangent == pytest.approx(back, abs=1e-6)
    meet = np.array([tangent, 0.0])
    return {
        "radius_m": long / math.radians(turn_deg),
        "tangent_m": tangent,
        "arc_m": long,
        "external_m": math.dist(meet, middle),
        "middle_m": math.dist(middle, end / 2),
        "chord_m": float(np.hypot(*end)),
    }


@pytest.mark.parametrize(("degree", "turn_deg", "expected"), CURVES)
def test_curves_as_listed_and_as_walked(degree: float, turn_deg: float, expected: dict[str, float]) -> None:
    second = walked(degree, turn_deg)
    for sign in (1, -1):
        data = curve_elements(np.array([degree_radius(degree)]), np.radians([sign * turn_deg]))
        for name, value in second.items():
            assert getattr(data, name)[0] == pytest.approx(value, abs=1e-6), name
        for name, value in expected.items():
            assert getattr(data, name)[0] == pytest.approx(value, abs=0.02), name
        assert data.turn_deg[0] == pytest.approx(sign * turn_deg)


def test_radius_from_chord_and_middle_ordinate() -> None:
    """The identity R = c^2 / 8 m + m / 2 holds of the elements, whatever the turn."""
    data = curve_elements(np.full(50, 7.3), np.linspace(0.05, 6.2, 50))
    radius = data.chord_m**2 / (8 * data.middle_m) + data.middle_m / 2
    assert radius == pytest.approx(np.full(50, 7.3), abs=1e-9)


def test_no_tangents_from_a_half_turn_on() -> None:
    data = curve_elements(np.array([5.0, 5.0, 5.0]), np.array([np.pi - 0.01, np.pi, 2 * np.pi]))
    assert np.isnan(data.tangent_m).tolist() == [False, True, True]
    assert data.chord_m[2] == pytest.approx(0, abs=1e-12)
    assert data.arc_m[2] == pytest.approx(10 * np.pi)


def rounded(width: float, height: float, radius: float, step_deg: float) -> np.ndarray:
    """A rectangle with round corners, counter-clockwise."""
    made = []
    right, top = width - radius, height - radius
    for k, (x, y) in enumerate([(right, radius), (right, top), (radius, top), (radius, radius)]):
        turn = np.radians(-90 + 90 * k + np.arange(0, 90 + step_deg / 2, step_deg))
        made.append(np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]))
    ring = np.vstack(made)
    # vertices on the straight sides too, about a metre apart, as a hand traces them
    parts = []
    for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        count = max(int(np.hypot(*(b - a))), 1)
        parts.append(a + (b - a) * (np.arange(count) / count)[:, None])
    return np.vstack(parts)


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """A bed of 20 by 12 m with corners of 3 m radius, laid 0.2 m outside: arcs of 3.2 m."""
    folder = tmp_path_factory.mktemp("rounded")
    write_features(folder / "beds.geojson", [({"id": "A"}, polygon(rounded(20, 12, 3, 7.5)))])
    data: dict[str, Any] = {
        "name": "Rounded", "line": "flex-2m", "inputs": {"beds": [{"file": "beds.geojson"}]},
        "outline": {"refit": "arcs", "tracing_sigma": "2 mm", "offset": "200 mm"},
    }  # fmt: skip
    site = load_site(validated(SiteSettings, data, "site.toml"), folder=folder)
    plan = plan_runs(site)
    return Plan(site, measure(site), plan, takeoff(site, plan))


def test_fitted_arcs_on_the_laying_line(fitted: Plan) -> None:
    runs = fitted.plan.runs
    arcs = arcs_of(runs)
    data = arc_data(runs, arcs)
    assert arcs.fitted.all()
    assert arcs.radius_m == pytest.approx(np.full(len(arcs), 3.2), abs=0.01)
    assert arcs.away_m.max() < 5e-4
    whole = np.abs(data.turn_deg - 90) < 0.5
    assert whole.sum() >= 2
    assert data.tangent_m[whole] == pytest.approx(np.full(whole.sum(), 3.2), abs=0.03)
    chord = np.hypot(*(runs.xy[arcs.first] - runs.xy[arcs.last]).T)
    assert data.chord_m == pytest.approx(chord, abs=5e-4)


def test_curve_table_of_the_stakeout(fitted: Plan, tmp_path: Path) -> None:
    """PC, PT and centre stand in the table, the points by name, and the circle goes through them."""
    made = make_stakeout(fitted.site, fitted.plan, fitted.result)
    write_stakeout(made, tmp_path)
    with (tmp_path / "stakeout" / "curves.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    with (tmp_path / "stakeout" / "points.csv").open(encoding="utf-8", newline="") as handle:
        points = {r["point"]: (float(r["easting"]), float(r["northing"])) for r in csv.DictReader(handle)}
    assert rows
    for row in rows:
        assert row["is"] == "fitted"
        centre = np.array([float(row["centre_easting"]), float(row["centre_northing"])])
        for end in ("begins", "ends"):
            at = np.array([float(row[f"{end}_easting"]), float(row[f"{end}_northing"])])
            # the grid of the site has a scale of 1 at its height
            assert np.hypot(*(at - centre)) == pytest.approx(float(row["radius_m"]), abs=1.5e-3)
            assert row[f"{end}_at"] in points
            assert points[row[f"{end}_at"]] == pytest.approx(tuple(at), abs=2e-4)


def test_curve_data_on_the_sheets(fitted: Plan) -> None:
    from siteplan.sheets.schedules import Schedules

    content, _ = fitted.content(sheet_options())
    (section,) = Schedules(content, {}).curves()
    assert section.title == "Curve data"
    arcs = arcs_of(fitted.plan.runs)
    assert len(section.rows) == len(arcs)
    assert section.rows[0].cells[2] == content.show.one(abs(float(arcs.radius_m[0])))
