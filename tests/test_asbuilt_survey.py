"""Survey points alone: how a bed lies against its line, and what nobody can tell without a field file."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate

from siteplan import load_site, measure, plan_runs, takeoff
from siteplan.asbuilt.make import AsBuilt, as_built
from siteplan.asbuilt.matching import fit_points, match_points
from siteplan.asbuilt.words import stock_board
from siteplan.asbuilt.write import write_as_built
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.model import Runs
from siteplan.plans import RunPlan
from siteplan.settings import SiteSettings
from siteplan.sheets.revision import plan_hash
from siteplan.sites import Site
from siteplan.tomlfile import validated

from .field_model import Field, field_file, save, survey_csv
from .make_sites import polygon, rectangle, write_features

Parts = tuple[Site, BedMeasures, RunPlan, Takeoff]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One bed of 10 by 5 m, invented."""
    made = tmp_path_factory.mktemp("one")
    write_features(made / "beds.geojson", [({"id": "A"}, polygon(rectangle(10, 5)))])
    return made


@lru_cache(maxsize=2)
def _planned(folder: Path, *, skip_faulty: bool = False) -> Parts:
    data: dict[str, Any] = {
        "name": "One bed", "line": "flex-2m", "inputs": {"beds": [{"file": "beds.geojson"}]},
    }  # fmt: skip
    site = load_site(validated(SiteSettings, data, "site.toml"), folder=folder, skip_faulty=skip_faulty)
    plan = plan_runs(site)
    return site, measure(site), plan, takeoff(site, plan)


def corners_of(runs: Runs) -> np.ndarray:
    """The corners of a single closed run, in order."""
    return runs.xy[runs.offsets[:-1]]


def surveyed(parts: Parts, xy: np.ndarray, path: Path) -> AsBuilt:
    """Points in ground metres, by way of a survey file in the site's grid."""
    shot = survey_csv(path, [(parts[0].frame.grid(xy), lambda _: "")])
    return as_built(*parts, [shot])


def said(built: AsBuilt, code: str) -> list[str]:
    return [f.text for f in built.findings if f.code == code]


# ---------------------------------------------------------------- corners


@pytest.mark.parametrize("moved", [(0.04, 0.0), (0.0, -0.04), (0.024, 0.032), (-0.03, 0.03)])
def test_a_moved_bed_of_which_only_the_corners_were_shot(
    folder: Path, tmp_path: Path, moved: tuple[float, float]
) -> None:
    """The shift is what every corner has moved by, so their mean is a second way to it."""
    parts = _planned(folder)
    corners = corners_of(parts[2].runs)
    shot = corners + moved
    built = surveyed(parts, shot, tmp_path / "s.csv")
    assert built.surveyed is not None
    (row,) = built.surveyed.runs
    assert row.shift is not None
    mean = (shot - corners).mean(axis=0)
    assert (row.shift.east_m, row.shift.north_m) == pytest.approx(tuple(mean), abs=2e-4)
    assert row.shift.towards_bed_m == pytest.approx(0, abs=2e-4)
    assert row.shift.rest_m < 2e-4
    (told,) = said(built, "run-moved")
    assert f"lies {1e3 * np.hypot(*moved):.0f} mm from its line as a whole" in told
    # what a point lies from the line is still its whole distance
    hit = built.surveyed.matched
    assert np.abs(hit.offset_m) == pytest.approx(np.hypot(*(shot - hit.foot).T), abs=1e-9)


@pytest.mark.parametrize("outside_m", [0.04, -0.04])
def test_a_bed_laid_larger_or_smaller_of_which_only_the_corners_were_shot(
    folder: Path, tmp_path: Path, outside_m: float
) -> None:
    """Laid parallel to its line all round, the corners lie sqrt(2) times as far off; the line does not."""
    parts = _planned(folder)
    corners = corners_of(parts[2].runs)
    shot = corners + np.sign(corners - corners.mean(axis=0)) * outside_m
    built = surveyed(parts, shot, tmp_path / "s.csv")
    assert built.surveyed is not None
    (row,) = built.surveyed.runs
    assert row.shift is not None
    assert row.shift.towards_bed_m == pytest.approx(-outside_m, abs=2e-4)
    assert row.shift.moved_m == pytest.approx(0, abs=2e-4)
    (told,) = said(built, "run-off-line")
    assert " lies 40 mm " in told


def ring_runs(parts: Parts, shape: shapely.Polygon) -> Runs:
    """A closed run along a polygon, its bed inside: one leg for each side."""
    ring = shapely.get_coordinates(shapely.geometry.polygon.orient(shape).exterior)
    legs = len(ring) - 1
    runs = parts[2].runs
    return replace(
        runs, xy=np.stack([ring[:-1], ring[1:]], axis=1).reshape(-1, 2), offsets=np.arange(legs + 1) * 2,
        leg_run=np.zeros(legs, dtype=np.int64), leg_offsets=np.array([0, legs]),
        leg_id=np.array([f"A-1-{k + 1}" for k in range(legs)], dtype=object),
    )  # fmt: skip


SHAPES = st.sampled_from(
    [
        shapely.box(0, 0, 6, 4),
        shapely.Polygon([(0, 0), (6, 0), (6, 2), (2, 2), (2, 5), (0, 5)]),
        shapely.Polygon([(0, 0), (5, 0), (2, 4)]),
        shapely.Point(0, 0).buffer(4, quad_segs=6),
        shapely.Polygon([(0, 0), (4, 1), (8, 0), (8, 5), (4, 3), (0, 5)]),
    ]
)


@settings(deadline=None, derandomize=True, max_examples=80)
@given(SHAPES, st.floats(0, 360), st.floats(0, 360), st.floats(0.005, 0.08))
def test_corners_give_back_any_shift(
    folder: Path, shape: shapely.Polygon, turn_deg: float, towards_deg: float, away_m: float
) -> None:
    """A corner that moved has moved by n . t from both its edges, however sharp it is."""
    parts = _planned(folder)
    runs = ring_runs(parts, rotate(shape, turn_deg))
    moved = away_m * np.array([np.sin(np.radians(towards_deg)), np.cos(np.radians(towards_deg))])
    xy = runs.xy[::2] + moved
    found = match_points(xy, runs, 0.3)
    made = fit_points(xy, found, np.arange(len(xy)), 0.01)
    assume(made is not None and np.isfinite(made.moved_m))
    assert made is not None
    assert (made.east_m, made.north_m) == pytest.approx(tuple(moved), abs=1e-9)
    assert made.rest_m == pytest.approx(0, abs=1e-9)


def test_a_corner_tells_no_more_than_a_point_does(folder: Path) -> None:
    """In no direction is a point at a vertex worth more than one point: on a smooth curve it is one row."""
    parts = _planned(folder)
    circle = shapely.Point(0, 0).buffer(20, quad_segs=64)
    runs = ring_runs(parts, circle)
    xy = runs.xy[::2] * (20.03 / 20)
    found = match_points(xy, runs, 0.3)
    made = fit_points(xy, found, np.arange(len(xy)), 0.01)
    assert made is not None
    # a circle of n points: sigma / sqrt(n) towards the bed, sigma x sqrt(2 / n) each way
    assert made.bed_sigma_m == pytest.approx(0.01 / np.sqrt(len(xy)), rel=0.01)
    assert made.sigma_m == pytest.approx(0.01 * np.sqrt(4 / len(xy)), rel=0.01)
    assert made.towards_bed_m == pytest.approx(-0.03, abs=1e-4)
    square = ring_runs(parts, shapely.box(0, 0, 6, 6))
    out = square.xy[::2] + np.sign(square.xy[::2] - 3) * 0.03
    made = fit_points(out, match_points(out, square, 0.3), np.arange(4), 0.01)
    assert made is not None
    # four corners give each way of the shift four rows of unit length: sigma / 2 each
    assert made.sigma_m == pytest.approx(0.01 * np.sqrt(2 / 4))
    assert fit_points(out[:2], match_points(out[:2], square, 0.3), np.arange(2), 0.01) is None


# ---------------------------------------------------------------- the standard deviation that goes with it


def test_a_line_laid_outside_is_judged_by_its_own_sigma(folder: Path, tmp_path: Path) -> None:
    """28 mm of four points of 10 mm: the distance has 5 mm, the shift 14 mm of standard deviation."""
    parts = _planned(folder)
    corners = corners_of(parts[2].runs)
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    away = middles - corners.mean(axis=0)
    shot = middles + away / np.hypot(*away.T)[:, None] * 0.028
    built = surveyed(parts, shot, tmp_path / "s.csv")
    assert built.surveyed is not None
    (row,) = built.surveyed.runs
    assert row.shift is not None
    assert row.shift.bed_sigma_m == pytest.approx(0.01 / np.sqrt(4))
    assert row.shift.sigma_m == pytest.approx(0.01 * np.sqrt(2 / 2))
    (told,) = said(built, "run-off-line")
    assert " lies 28 mm away from the bed (right) " in told
    data = json.loads((write_as_built(built, tmp_path).folder / "summary.json").read_text(encoding="utf-8"))
    assert data["survey"]["runs"][0]["shift"]["bed_sigma_m"] == pytest.approx(0.005)


# ---------------------------------------------------------------- nothing is known of stock


def test_survey_files_alone_say_nothing_of_stock_and_credit_nothing(folder: Path, tmp_path: Path) -> None:
    """A change order of an earlier report does not stay beside a report that has none."""
    parts = _planned(folder)
    field = save(tmp_path / "f.json", empty_field_file(parts))
    shot = survey_csv(tmp_path / "s.csv", [(parts[0].frame.grid(corners_of(parts[2].runs)), lambda _: "")])
    both = write_as_built(as_built(*parts, [field, shot]), tmp_path)
    assert {"change.csv", "change.json", "change.txt"} <= set(both.files)
    assert json.loads(both.json_text)["stock"]["left_value"] > 0
    built = as_built(*parts, [shot])
    alone = write_as_built(built, tmp_path)
    data = json.loads(alone.json_text)
    assert data["change"] is None
    assert {row["used_value"] for row in data["stock"]["codes"]} == {None}
    assert {row["left_value"] for row in data["stock"]["codes"]} == {None}
    assert data["stock"]["left_value"] is None
    assert not [p.name for p in alone.folder.iterdir() if p.name.startswith("change.")]
    with (alone.folder / "stock.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert rows
    assert {(row["used_value"], row["left_value"]) for row in rows} == {("", "")}
    assert {row[-1] for row in stock_board(built).rows} == {""}


# ---------------------------------------------------------------- what is not in the plan


def test_a_bed_left_out_is_told(tmp_path: Path) -> None:
    """With ``--skip-faulty`` the plan is not the whole site, and the report says so."""
    line = {"type": "Polygon", "coordinates": [[[-93.0, 45.0], [-93.0, 45.0001], [-93.0, 45.0]]]}
    write_features(
        tmp_path / "beds.geojson", [({"id": "A"}, polygon(rectangle(10, 5))), ({"id": "flat"}, line)]
    )
    parts = _planned(tmp_path, skip_faulty=True)
    made = as_built(*parts, [save(tmp_path / "f.json", empty_field_file(parts))])
    assert [f.bed for f in made.findings if f.code == "left-out"] == ["flat"]


def empty_field_file(parts: Parts) -> dict[str, Any]:
    """A field file of the plan in which nothing is ticked."""
    site, _, plan, result = parts
    digest = plan_hash(site, plan, result)
    return field_file(Field(site.settings.name, digest, site.line.key, [], {}, {}, {}, {}))
