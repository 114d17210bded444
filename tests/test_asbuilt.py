"""What was laid against the plan: a day made by a model of its own, with planted faults, found by name."""

from __future__ import annotations

import contextlib
import csv
import json
import re
import shutil
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pdfplumber
import pytest
import shapely
from click.testing import CliRunner

from siteplan import load_site, measure, plan_runs, takeoff
from siteplan.asbuilt.make import AsBuilt, as_built
from siteplan.asbuilt.matching import fit_shift
from siteplan.asbuilt.rates import hours
from siteplan.asbuilt.reader import read_field_file
from siteplan.asbuilt.write import AsBuiltReport, write_as_built
from siteplan.cli import program
from siteplan.errors import DataError, UsageError
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.plans import RunPlan
from siteplan.publish.write import write_plan
from siteplan.settings import SiteSettings
from siteplan.sheets.revision import plan_hash
from siteplan.sites import Site
from siteplan.tomlfile import validated

from .conftest import ROOT
from .field_model import (
    Field,
    clock,
    field_file,
    layer_rows,
    read_field,
    record,
    save,
    shots_along,
    sum_codes,
    survey_csv,
    tick,
    utc,
)
from .make_sites import polygon, rectangle, write_features

SAMPLE = ROOT / "sample_data" / "fennel_row"
LAID = ("F1-1", "F1-2", "S1-1", "S1-2", "W1-1", "W9-1", "N5-1", "E4-1", "E5-1", "T1-1")
OTHER_PHONE = "ffee0011"
MOVED = (0.024, 0.032)
"""east and north: 40 mm towards grid bearing 36.87 degrees (3-4-5)"""


@lru_cache(maxsize=4)
def _planned(folder: Path) -> tuple[Site, BedMeasures, RunPlan, Takeoff]:
    site = load_site(folder)
    plan = plan_runs(site)
    return site, measure(site), plan, takeoff(site, plan)


def written(folder: Path, out: Path) -> Field:
    """A plan written to files, and read back by the model."""
    site, measures, plan, result = _planned(folder)
    write_plan(site, measures, plan, result, out, formats="geopackage")
    return read_field(out, plan_hash(site, plan, result))


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Field, Path]:
    out = tmp_path_factory.mktemp("plan")
    return written(SAMPLE, out), out


@pytest.fixture(scope="module")
def older(tmp_path_factory: pytest.TempPathFactory) -> Field:
    """The plan as it was before bed S3 was moved about 0.2 m."""
    folder = tmp_path_factory.mktemp("older") / "fennel_row"
    shutil.copytree(SAMPLE, folder)
    path = folder / "beds.geojson"
    data = json.loads(path.read_text(encoding="utf-8"))
    moved = 0
    for feature in data["features"]:
        if str(feature["properties"].get("id") or feature["properties"].get("bed")) == "S3":
            moved += 1
            for ring in feature["geometry"]["coordinates"]:
                for vertex in ring:
                    vertex[1] += 2e-6  # 0.22 m of latitude
    assert moved == 1
    path.write_text(json.dumps(data), encoding="utf-8")
    return written(folder, folder / "out")


def _stock_of(out: Path, laid: set[str]) -> dict[str, int]:
    """Sections the cut list saws the laid cut pieces from."""
    with (out / "cutlist.csv").open(encoding="utf-8", newline="") as handle:
        used = {(row["code"], row["stock"]) for row in csv.DictReader(handle) if row["piece"] in laid}
    made: dict[str, int] = {}
    for code, _ in used:
        made[code] = made.get(code, 0) + 1
    return made


@pytest.fixture(scope="module")
def day(
    planned: tuple[Field, Path], older: Field, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Any]:
    """A day of work with everything that goes wrong in it."""
    field, out = planned
    folder = tmp_path_factory.mktemp("day")
    # run W1-1 lacks one leg
    pieces = [p for p in field.of_run(*LAID) if p["leg"] != "W1-1-3"]
    ticks = [tick(p, 10 + 0.5 * k) for k, p in enumerate(pieces)]
    by_old = older.of_run("S3-1")
    first = field_file(
        field,
        ticks=ticks,
        broken=[record(1, 50, run="W9-1", code="F-2000", count=3, text="dropped from the cart")],
        lengths=[
            record(2, 60, what="leg", of="N5-1-1", run="N5-1", planned_um=round(field.leg_m["N5-1-1"] * 1e6),
                   text=f"{field.leg_m['N5-1-1'] + 0.055:.3f} m"),
            record(3, 61, what="run", of="W9-1", run="W9-1", planned_um=round(field.run_m["W9-1"] * 1e6),
                   text=f"{field.run_m['W9-1']:.3f}"),
        ],
        times=[
            record(4, 200, run="W9-1", start=clock(0), stop=clock(90), people=2),
            record(5, 201, run="N5-1", start=clock(90), stop=None, people=2),
        ],
        notes=[record(6, 70, what="run", of="W9-1", run="W9-1", text="=1+1 <b>roots</b> at the corner")],
    )  # fmt: skip
    again = [tick(p, 500, OTHER_PHONE) for p in field.of_run("T1-1")]
    whole = sum_codes(pieces)
    names = {p["piece"] for p in pieces}
    cut = _stock_of(out, names)
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    order = {row["code"]: row["order"] for row in summary["order"]}
    strayed: dict[str, int] = {}
    for p in by_old:
        strayed[p["code"]] = strayed.get(p["code"], 0) + 1
    used = {
        code: whole.get(code, 0) + cut.get(code, 0) + strayed.get(code, 0) + (3 if code == "F-2000" else 0)
        for code in order
    }
    second = field_file(
        field,
        OTHER_PHONE,
        ticks=again,
        phones={OTHER_PHONE: "Ben"},
        leftover=[
            # two sections have vanished
            record(1, 300, OTHER_PHONE, code="F-2000", count=order["F-2000"] - used["F-2000"] - 2),
            record(2, 300, OTHER_PHONE, code="F-CO", count=order["F-CO"] - used["F-CO"]),
        ],
        times=[record(3, 210, OTHER_PHONE, run="W9-1", start=clock(60), stop=clock(120), people=3)],
    )
    third = field_file(older, "00000003", ticks=[tick(p, 700, "00000003") for p in by_old], revision="before")
    closed = field.runs["W9-1"]
    survey = survey_csv(
        folder / "survey.csv",
        [
            (shots_along(closed, every_m=2.0, moved=MOVED, noise_m=0.003, seed=3), lambda _: ""),
            (shots_along(field.runs["N5-1"], every_m=1.5, noise_m=0.003, seed=4), lambda _: "N5-1 edge"),
            *(
                (shots_along(field.legs[leg], every_m=1.0, noise_m=0.003, seed=5 + k), lambda _: "")
                for k, leg in enumerate(("W1-1-1", "W1-1-2", "W1-1-4", "W1-1-5"))
            ),
            (shots_along(field.runs["W10-1"], every_m=9.0, noise_m=0.003, seed=9), lambda _: ""),
            (shapely.get_coordinates(field.runs["F4-1"])[:1] + (3.0, 40.0), lambda _: "hydrant"),
        ],
    )
    return {
        "files": [save(folder / "a.json", first), save(folder / "b.json", second),
                  save(folder / "c.json", third), survey],
        "pieces": pieces, "used": used, "order": order, "cut": cut, "whole": whole, "old": by_old,
        "folder": folder,
    }  # fmt: skip


@pytest.fixture(scope="module")
def built(day: dict[str, Any]) -> AsBuilt:
    return as_built(*_planned(SAMPLE), day["files"])


@pytest.fixture(scope="module")
def report(built: AsBuilt, tmp_path_factory: pytest.TempPathFactory) -> AsBuiltReport:
    return write_as_built(built, tmp_path_factory.mktemp("out"))


@pytest.fixture(scope="module")
def data(report: AsBuiltReport) -> dict[str, Any]:
    made: dict[str, Any] = json.loads((report.folder / "summary.json").read_text(encoding="utf-8"))
    return made


def said(built: AsBuilt, code: str) -> list[str]:
    return [f.text for f in built.findings if f.code == code]


# ---------------------------------------------------------------- the planted faults, by name


def test_ticks_and_the_missing_leg(built: AsBuilt, data: dict[str, Any], day: dict[str, Any]) -> None:
    assert data["pieces"]["laid"] == len(day["pieces"])
    (missing,) = said(built, "leg-missing")
    assert "W1-1-3" in missing
    assert [leg for leg in data["legs"] if leg["status"] == "missing"] == [
        {"leg": "W1-1-3", "status": "missing"}
    ]
    row = next(r for r in data["runs"] if r["run"] == "W1-1")
    own = [p for p in day["pieces"] if p["run"] == "W1-1"]
    assert (row["status"], row["laid"]) == ("part laid", len(own))
    assert row["laid_m"] == pytest.approx(sum(p["to_m"] - p["from_m"] for p in own), abs=2e-6)
    assert {r["run"] for r in data["runs"] if r["status"] == "laid"} == set(LAID) - {"W1-1"}


def test_the_run_that_was_moved(built: AsBuilt, data: dict[str, Any]) -> None:
    """40 mm towards 36.87 degrees, though the mean offset of the ring is nothing."""
    (moved,) = said(built, "run-moved")
    assert moved.startswith("Run W9-1 lies ")
    assert "north-east" in moved
    row = next(r for r in data["survey"]["runs"] if r["run"] == "W9-1")
    assert row["shift"]["moved_m"] == pytest.approx(0.040, abs=0.003)
    assert row["shift"]["bearing_deg"] == pytest.approx(36.87, abs=5)
    assert row["shift"]["rest_m"] < 0.006
    assert abs(row["mean_m"]) < 0.006
    assert row["corners_found"] == row["corners"] == 4
    good = next(r for r in data["survey"]["runs"] if r["run"] == "N5-1")
    assert good["rms_m"] < 0.006
    assert good["laid_m"] == pytest.approx(good["planned_m"], abs=0.02)


def test_the_leg_the_survey_did_not_see(built: AsBuilt) -> None:
    """Both ends of the missing leg are corners of its neighbours; no point stands along it."""
    survey = built.surveyed
    assert survey is not None
    legs = [str(x) for x in built.plan.runs.leg_id]
    assert survey.leg_points[legs.index("W1-1-3")] == 0
    assert survey.leg_points[legs.index("W1-1-2")] > 0


def test_points_of_nothing_and_runs_nobody_ticked(built: AsBuilt, data: dict[str, Any]) -> None:
    (lost,) = said(built, "point-unmatched")
    assert "match nothing (1): 176 " in lost
    assert len(data["survey"]["unmatched"]) == 1
    (quiet,) = said(built, "surveyed-not-ticked")
    assert "W10-1" in quiet
    (bare,) = said(built, "ticked-not-surveyed")
    assert "S1-1" in bare


def test_the_bed_laid_to_an_older_plan(built: AsBuilt, data: dict[str, Any], day: dict[str, Any]) -> None:
    (older,) = said(built, "older-plan")
    assert "0 of its" in older
    assert "revision before" in older
    (strays,) = said(built, "not-of-this-plan")
    assert strays.startswith(f"Run S3-1: {len(day['old'])} pieces")
    assert "mm from where it lies now" in strays
    assert data["pieces"]["of_another_plan"] == len(day["old"])
    assert next(r for r in data["runs"] if r["run"] == "S3-1")["status"] == "not started"


def test_pieces_used_broken_and_vanished(built: AsBuilt, data: dict[str, Any], day: dict[str, Any]) -> None:
    rows = {row["code"]: row for row in data["stock"]["codes"]}
    section = rows["F-2000"]
    assert section["broken"] == 3
    assert section["used"] == day["used"]["F-2000"]
    assert section["cut_stock"] == day["cut"]["F-2000"]
    assert section["unexplained"] == 2
    assert section["used_by_count"] == day["used"]["F-2000"] + 2
    (gone,) = said(built, "stock-differs")
    assert gone.startswith("F-2000: ")
    assert "2 pieces are gone" in gone
    assert rows["F-CO"]["unexplained"] == 0
    price = {a.code: a.price for a in built.result.articles}
    assert section["left_value"] == section["left"] * price["F-2000"]
    change = data["change"]
    total = sum(price[c] * (row["used_by_count"] or row["used"]) for c, row in rows.items())
    assert change["used_total"] == total
    assert change["delivered_total"] == sum(price[c] * n for c, n in day["order"].items())


def test_total_of_what_really_came(planned: tuple[Field, Path], tmp_path: Path) -> None:
    """One code came short of the order by seven pieces: the total delivered has what came."""
    site, measures, plan, result = _planned(SAMPLE)
    rows = json.loads((planned[1] / "summary.json").read_text(encoding="utf-8"))["order"]
    order = {row["code"]: row["order"] for row in rows}
    came = order["F-2000"] - 7
    said_so = site.settings.asbuilt.model_copy(update={"delivered": {"F-2000": came}})
    site = replace(site, settings=site.settings.model_copy(update={"asbuilt": said_so}))
    path = save(tmp_path / "x.json", field_file(planned[0]))
    report = write_as_built(as_built(site, measures, plan, result, [path]), tmp_path)
    data = json.loads((report.folder / "summary.json").read_text(encoding="utf-8"))
    price = {a.code: a.price or 0 for a in result.articles}
    whole = sum(price[c] * n for c, n in order.items())
    assert data["change"]["delivered_total"] == whole - 7 * price["F-2000"]
    assert "planned_total" not in data["change"]


def test_hours_and_rates(built: AsBuilt, data: dict[str, Any], planned: tuple[Field, Path]) -> None:
    """Two phones of one crew: 0 to 90 minutes with two, 60 to 120 with three."""
    row = next(r for r in data["rates"] if r["run"] == "W9-1")
    own = planned[0].of_run("W9-1")
    assert row["crew_hours"] == pytest.approx(2.0)
    assert row["person_hours"] == pytest.approx((60 * 2 + 60 * 3) / 60)
    assert row["pieces_per_crew_hour"] == pytest.approx(len(own) / 2)
    assert row["laid_m"] == pytest.approx(sum(p["to_m"] - p["from_m"] for p in own), abs=2e-6)
    assert said(built, "time-overlaps")
    assert "N5-1" in said(built, "time-not-stopped")[0]


def test_lengths_as_laid(built: AsBuilt, data: dict[str, Any]) -> None:
    """55 mm on a short leg is more than a steel tape explains; a lone number takes the page's unit."""
    rows = {row["of"]: row for row in data["lengths"]}
    leg = rows["N5-1-1"]
    assert leg["difference_m"] == pytest.approx(0.055, abs=0.001)
    a, b, scale = 0.005, 1e-4, 2e-4  # the defaults of a steel tape, docs/reconcile.md
    reading = a + b * leg["laid_m"]
    step = 0.001 / np.sqrt(12)
    assert leg["sigma_m"] == pytest.approx(
        np.sqrt(reading**2 + (scale * leg["laid_m"]) ** 2 + step**2), abs=1e-6
    )
    (told,) = said(built, "length-differs")
    assert told.startswith("N5-1-1 is 55 mm longer")
    assert abs(rows["W9-1"]["difference_m"]) < 0.001
    assert "W9-1" in said(built, "length-unit")[0]


def test_two_phones(built: AsBuilt) -> None:
    """The same pieces ticked twice count once, with the earliest time."""
    (twice,) = said(built, "ticked-twice")
    assert "on two phones" in twice
    assert "T1-1" in twice
    rows = {str(x): k for k, x in enumerate(built.result.pieces.piece_id)}
    k = rows[next(n for n in rows if n.startswith("T1-1-"))]
    assert built.ticked.by[k] == OTHER_PHONE
    assert built.ticked.first_s[k] < 1_777_900_000


# ---------------------------------------------------------------- the files


def test_files_read_back(report: AsBuiltReport, built: AsBuilt, day: dict[str, Any]) -> None:
    folder = report.folder
    rows = layer_rows(folder / "asbuilt.gpkg", "asbuilt_pieces")
    assert sum(r["status"] == "laid" for r in rows) == len(day["pieces"])
    assert len(rows) == len(built.result.pieces)
    first = next(r for r in rows if r["piece"] == day["pieces"][0]["piece"])
    assert (first["by"], first["when"]) == ("Ana", utc(10))
    points = layer_rows(folder / "asbuilt.gpkg", "asbuilt_points")
    moved = [r for r in points if r["run"] == "W9-1"]
    assert max(abs(r["offset_mm"]) for r in moved) < 45
    geojson = json.loads((folder / "asbuilt_points.geojson").read_text(encoding="utf-8"))
    assert len(geojson["features"]) == len(points)
    book = openpyxl.load_workbook(folder / "asbuilt.xlsx")
    assert "stock" in book.sheetnames
    assert not any(c.data_type == "f" for sheet in book for row in sheet.iter_rows() for c in row)
    notes = (folder / "notes.csv").read_text(encoding="utf-8")
    assert "'=1+1" in notes
    html = (folder / "asbuilt.html").read_text(encoding="utf-8")
    assert "<b>roots" not in html
    assert "&lt;b&gt;roots" in html
    assert "http://" not in html.replace("http://www.w3.org/2000/svg", "")
    assert "<script" not in html


def test_the_page_of_paper(report: AsBuiltReport) -> None:
    with pdfplumber.open(report.folder / "asbuilt.pdf") as book:
        (page,) = book.pages
        text = page.extract_text()
        outside = [c for c in page.chars if c["x0"] < 0 or c["x1"] > page.width]
    assert not outside
    for part in ("As built: Fennel Row", "W9-1", "F-2000", "Runs to look at", "look at"):
        assert part in text


def test_change_order_names_what_was_laid(report: AsBuiltReport) -> None:
    text = (report.folder / "change.txt").read_text(encoding="utf-8")
    assert text.startswith("AS BUILT: CHANGE ORDER")
    assert "delivered -> used" in text
    change = json.loads((report.folder / "change.json").read_text(encoding="utf-8"))
    removed = {r["run"] for r in change["runs"] if r["status"] == "removed"}
    assert "S3-1" in removed
    assert "W9-1" not in removed
    part = next(r for r in change["runs"] if r["run"] == "W1-1")
    assert part["status"] == "changed"


def test_equal_input_gives_equal_bytes(built: AsBuilt, report: AsBuiltReport, tmp_path: Path) -> None:
    again = write_as_built(built, tmp_path)
    assert again.files == report.files
    for name in report.files:
        if not name.endswith(".xlsx"):
            assert (again.folder / name).read_bytes() == (report.folder / name).read_bytes(), name


def test_order_of_files_and_repeats_do_not_matter(
    built: AsBuilt, day: dict[str, Any], tmp_path: Path
) -> None:
    copied = tmp_path / "copy.json"
    shutil.copy(day["files"][0], copied)
    other = as_built(*_planned(SAMPLE), [*reversed(day["files"]), copied])
    assert np.array_equal(other.ticked.state, built.ticked.state)
    assert np.array_equal(other.ticked.first_s, built.ticked.first_s, equal_nan=True)
    assert other.stock == built.stock
    assert other.rates == built.rates


# ---------------------------------------------------------------- the rules by themselves


def test_a_site_laid_as_planned_has_nothing_to_look_at(planned: tuple[Field, Path], tmp_path: Path) -> None:
    field, _ = planned
    ticks = [tick(p, 1 + k / 60) for k, p in enumerate(field.pieces)]
    path = save(tmp_path / "all.json", field_file(field, ticks=ticks))
    made = as_built(*_planned(SAMPLE), [path])
    assert not [f for f in made.findings if f.grade == "error"]
    assert set(made.status) == {"laid"}
    assert made.change is not None
    assert all(x.status == "unchanged" for x in made.change.runs)
    assert {r.code: r.laid for r in made.stock if r.laid} == {
        c: n for c, n in made.result.counts.items() if n
    }


def test_undone_ticks(planned: tuple[Field, Path], tmp_path: Path) -> None:
    """Later wins; of the same second laid goes first, then the greater phone: as the page merges."""
    field, _ = planned
    a, b, c, d = field.of_run("E4-1")[:4]
    one = field_file(
        field,
        ticks=[tick(a, 5), tick(b, 5), tick(c, 5), tick(d, 5), tick(a, 9, laid=False),
               tick(b, 9, laid=False), tick(b, 9), tick(d, 9, used="F-CO")],
    )  # fmt: skip
    two = field_file(field, OTHER_PHONE, ticks=[tick(c, 8, OTHER_PHONE, laid=False)])
    made = as_built(*_planned(SAMPLE), [save(tmp_path / "1.json", one), save(tmp_path / "2.json", two)])
    status = dict(zip(map(str, made.result.pieces.piece_id), made.status, strict=True))
    assert [status[p["piece"]] for p in (a, b, c, d)] == [
        "taken back",
        "laid",
        "taken back",
        "laid as another",
    ]
    assert "ticked-twice" in {f.code for f in made.findings}
    assert any("took back" in text for text in said(made, "conflict"))


def test_same_numbers_elsewhere_do_not_count(planned: tuple[Field, Path], tmp_path: Path) -> None:
    """An older plan in which a run begins 0.5 m later: numbers and codes agree, places do not."""
    field, _ = planned
    own = field.of_run("W2-1")
    shifted = [tick({**p, "from_m": p["from_m"] + 0.5, "to_m": p["to_m"] + 0.5}, 5) for p in own]
    near = [tick({**p, "from_m": p["from_m"] + 0.015, "to_m": p["to_m"] + 0.015}, 5) for p in own]
    for ticks, counted in ((shifted, 0), (near, len(own))):
        path = save(tmp_path / "old.json", field_file(field, plan="0" * 64, ticks=ticks))
        made = as_built(*_planned(SAMPLE), [path])
        assert int(made.ticked.laid.sum()) == counted
        assert len(made.ticked.strays) == len(own) - counted


def test_renumbered_pieces_count_by_their_place(planned: tuple[Field, Path], tmp_path: Path) -> None:
    field, _ = planned
    own = field.of_run("W2-1")
    ticks = [tick({**p, "piece": f"W2-1-9-{k:02d}"}, 5) for k, p in enumerate(own)]
    path = save(tmp_path / "old.json", field_file(field, plan="0" * 64, ticks=ticks))
    made = as_built(*_planned(SAMPLE), [path])
    assert int(made.ticked.laid.sum()) == len(own)
    assert "another number" in said(made, "older-plan")[0]


@pytest.mark.parametrize(
    ("spells", "crew", "person"),
    [
        ([], 0, 0),
        ([(0, 3600, 2)], 1, 2),
        ([(0, 3600, 2), (3600, 7200, 1)], 2, 3),
        ([(0, 3600, 2), (0, 3600, 2)], 1, 2),
        ([(0, 7200, 1), (1800, 3600, 4)], 2, 1.5 + 2),
        ([(0, 3600, 2), (7200, 9000, 2)], 1.5, 3),
    ],
)
def test_hours_of_overlapping_times(spells: Any, crew: float, person: float) -> None:
    assert hours(spells) == pytest.approx((crew, person))


@pytest.mark.parametrize("seed", range(4))
def test_shift_of_a_ring_of_straight_and_round(seed: int) -> None:
    """Closed form: offsets n . t + b give back t and b exactly, with their standard deviation."""
    rng = np.random.default_rng(seed)
    turn = rng.uniform(0, 2 * np.pi, 40)
    left = np.column_stack([np.cos(turn), np.sin(turn)])
    t, b = rng.normal(0, 0.05, 2), float(rng.normal(0, 0.02))
    made = fit_shift(left, left @ t + b, 0.01)
    assert made is not None
    assert (made.east_m, made.north_m, made.towards_bed_m) == pytest.approx((*t, b), abs=1e-12)
    assert made.rest_m == pytest.approx(0, abs=1e-12)
    # of many points all round, each component has sigma x sqrt(2 / n)
    assert made.sigma_m == pytest.approx(0.01 * np.sqrt(2 * 2 / 40), rel=0.25)


def test_shift_of_a_straight_run_is_a_distance() -> None:
    left = np.tile([0.0, 1.0], (5, 1))
    made = fit_shift(left, np.full(5, -0.03), 0.01)
    assert made is not None
    assert np.isnan(made.moved_m)
    assert made.towards_bed_m == pytest.approx(-0.03)
    assert fit_shift(left[:2], np.zeros(2), 0.01) is None


def test_side_length_and_end_of_a_run(planned: tuple[Field, Path], tmp_path: Path) -> None:
    """An end 80 mm long is not off its line; a line laid 60 mm outside is, by name of the side."""
    field, _ = planned
    line = field.runs["F1-1"]
    (x0, y0), (x1, y1) = line.coords
    along = np.array([x1 - x0, y1 - y0]) / line.length
    right = np.array([along[1], -along[0]])
    stations = np.array([[0.0], [1.0], [2.0], [3.0], [line.length + 0.08]])
    xy = np.array([x0, y0]) + stations * along + right * 0.06
    path = survey_csv(tmp_path / "s.csv", [(xy, lambda _: "F1")])
    made = as_built(*_planned(SAMPLE), [path])
    survey = made.surveyed
    assert survey is not None
    assert survey.matched.offset_m == pytest.approx(np.full(5, -0.06), abs=2e-4)
    assert survey.matched.beyond_m == pytest.approx([0, 0, 0, 0, 0.08], abs=2e-4)
    assert survey.station_m[:4] == pytest.approx([0, 1, 2, 3], abs=2e-4)
    (row,) = survey.runs
    assert row.laid_m == pytest.approx(row.planned_m + 0.08, abs=3e-4)
    (told,) = said(made, "run-off-line")
    assert "60 mm away from the bed (right)" in told


def test_codes_decide_between_neighbours(planned: tuple[Field, Path], tmp_path: Path) -> None:
    """A code that names another run takes the point from the nearest; out of reach it is of none."""
    field, _ = planned
    xy = shots_along(field.runs["E4-1"], every_m=3.0)[:3]
    path = survey_csv(tmp_path / "s.csv", [(xy, lambda k: ("E4-1", "E5", "")[k])])
    made = as_built(*_planned(SAMPLE), [path])
    survey = made.surveyed
    assert survey is not None
    names = [str(made.plan.runs.run_id[r]) if r >= 0 else None for r in survey.matched.run]
    assert names == ["E4-1", None, "E4-1"]


# ---------------------------------------------------------------- what is refused, and the command


def mangled(field: Field) -> dict[str, bytes]:
    good = json.dumps(field_file(field, ticks=[tick(p, 1) for p in field.of_run("F1-1")]))
    half = field_file(field)
    return {
        "cut-short": good[: len(good) // 2].encode(),
        "another-site": json.dumps({**half, "site": "<script>alert(1)</script>", "plan": "1" * 64}).encode(),
        "later-version": good.replace('"version": 1', '"version": 2').encode(),
        "not-a-field-file": b'{"type": "FeatureCollection", "features": []}',
        "too-deep": b"[" * 100_000 + b"]" * 100_000,
        "not-utf8": good.encode("utf-16"),
        "not-json": good.replace('"laid": true', '"laid": NaN', 1).encode(),
        "bad-value": re.sub(r'"from_um": \d+', '"from_um": 1e400', good, count=1).encode(),
    }


@pytest.mark.parametrize(
    "code",
    ["cut-short", "another-site", "later-version", "not-a-field-file", "too-deep", "not-utf8", "not-json",
     "bad-value"],
)  # fmt: skip
def test_files_that_are_refused(planned: tuple[Field, Path], tmp_path: Path, code: str) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(mangled(planned[0])[code])
    with pytest.raises(DataError) as caught:
        as_built(*_planned(SAMPLE), [path])
    assert code in {f.code for f in caught.value.faults}
    assert all(str(path) in f.text for f in caught.value.faults)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"plan": "xyz"}, "plan"),
        ({"ticks": [{"piece": 3}]}, "ticks[1].piece"),
        ({"times": [{"id": "a", "run": "r", "start": "yesterday", "stop": None, "people": 2,
                     "when": "2026-05-04T07:00:00-05:00", "by": "a", "removed": False}]}, "times[1].start"),
        ({"saved": "2026-05-04T07:00:00"}, "saved"),
        ({"saved": "2026-02-30T07:00:00Z"}, "saved"),
        ({"saved": "9999-12-31T23:59:59-12:00"}, "saved"),
        ({"saved": "0001-01-01T00:00:00+14:00"}, "saved"),
        ({"saved": "9999-12-31T23:59:59.999999Z"}, "saved"),
        ({"broken": {}}, "broken"),
        ({"units": "yd"}, "units"),
        ({"version": True}, "version"),
        ({"notes": [[]]}, "notes[1]"),
    ],
)  # fmt: skip
def test_faults_have_their_place(
    planned: tuple[Field, Path], tmp_path: Path, change: dict[str, Any], where: str
) -> None:
    path = save(tmp_path / "x.json", field_file(planned[0], **change))
    with pytest.raises(DataError) as caught:
        read_field_file(path)
    assert where in str(caught.value)


@pytest.mark.parametrize("saved", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_times_at_the_ends_of_the_calendar_are_written(
    planned: tuple[Field, Path], tmp_path: Path, saved: str
) -> None:
    """The first and the last second UTC has a date for."""
    path = save(tmp_path / "x.json", field_file(planned[0], saved=saved))
    report = write_as_built(as_built(*_planned(SAMPLE), [path]), tmp_path)
    (row,) = json.loads((report.folder / "summary.json").read_text(encoding="utf-8"))["files"]
    assert row["saved"] == saved


def test_unknown_keys_are_told(planned: tuple[Field, Path], tmp_path: Path) -> None:
    path = save(tmp_path / "x.json", field_file(planned[0], weather="wet"))
    _, (found,) = read_field_file(path)
    assert "weather" in found.text


def test_command_line(planned: tuple[Field, Path], day: dict[str, Any], tmp_path: Path) -> None:
    run = CliRunner().invoke
    files = [str(p) for p in day["files"]]
    done = run(program, ["asbuilt", str(SAMPLE), *files, "--out", str(tmp_path / "o"), "--json"])
    assert done.exit_code == 0
    assert json.loads(done.stdout)["pieces"]["laid"] == len(day["pieces"])
    bad = tmp_path / "bad.json"
    bad.write_text("{", encoding="utf-8")
    failed = run(program, ["asbuilt", str(SAMPLE), files[0], str(bad), "--out", str(tmp_path / "none")])
    assert isinstance(failed.exception, DataError)
    assert not (tmp_path / "none").exists()
    with pytest.raises(UsageError, match="name at least one"):
        as_built(*_planned(SAMPLE), [])
    with pytest.raises(UsageError, match="go with survey files"):
        as_built(*_planned(SAMPLE), day["files"][:1], crs="EPSG:4326")


def test_markup_and_odd_letters_in_names(planned: tuple[Field, Path], tmp_path: Path) -> None:
    """Names from a phone stay text wherever they are shown, half a surrogate pair included."""
    field, _ = planned
    odd = '<img src=x onerror=alert(1)>{{7*7}}\u202e"' + "\ud800"
    made = field_file(
        field, phones={"0a1b2c3d": odd}, ticks=[tick(p, 1) for p in field.of_run("F1-1")],
        notes=[record(1, 1, what="site", of="", run="", text=odd)],
        broken=[record(2, 1, run="", code="=cmd", count=1, text=odd)],
    )  # fmt: skip
    path = tmp_path / "x.json"
    path.write_text(json.dumps(made), encoding="ascii")
    report = write_as_built(as_built(*_planned(SAMPLE), [path]), tmp_path / "out")
    html = (report.folder / "asbuilt.html").read_text(encoding="utf-8")
    assert "<img" not in html
    assert "\u202e" not in html
    assert "'=cmd" in (report.folder / "stock.csv").read_text(encoding="utf-8")


@pytest.mark.slow
def test_field_files_cut_and_bent_anywhere(planned: tuple[Field, Path], tmp_path: Path) -> None:
    """Whatever happens to a file on its way, it is read whole or refused with a fault, never a traceback."""
    field, _ = planned
    good = json.dumps(
        field_file(
            field, ticks=[tick(p, 1) for p in field.of_run("F1-1")],
            times=[record(1, 1, run="F1-1", start=clock(0), stop=clock(1), people=1)],
        )
    ).encode()  # fmt: skip
    rng = np.random.default_rng(7)
    path = tmp_path / "x.json"
    junk = [b"NaN", b"1e999", b"-", b"[[", b'"', b"\xff", b"null", b"9" * 5000, b"{}", b"\\ud800"]
    for _ in range(3000):
        data = bytearray(good)
        for _ in range(int(rng.integers(1, 4))):
            at = int(rng.integers(0, len(data)))
            way = int(rng.integers(0, 3))
            if way == 0:
                del data[at:]
                data += b" "
            elif way == 1:
                data[at : at + int(rng.integers(1, 12))] = junk[int(rng.integers(0, len(junk)))]
            else:
                data[at] = int(rng.integers(0, 256))
        path.write_bytes(bytes(data))
        with contextlib.suppress(DataError):
            read_field_file(path)


def test_two_product_lines_on_one_site(tmp_path: Path) -> None:
    """Codes of both lines are counted, priced and compared, each under its own line."""
    beds = [({"id": name}, polygon(rectangle(6, 4, at=(20 * k, 0)))) for k, name in enumerate("AB")]
    write_features(tmp_path / "beds.geojson", beds)
    keys = ("flex-2m", "block-1ft")
    settings = {
        "name": "Two lines", "line": keys[0], "inputs": {"beds": [{"file": "beds.geojson"}]},
        "bed": {"B": {"line": keys[1]}},
    }  # fmt: skip
    site = load_site(validated(SiteSettings, settings, "site.toml"), folder=tmp_path)
    plan = plan_runs(site)
    parts = (site, measure(site), plan, takeoff(site, plan))
    write_plan(*parts, tmp_path / "out", formats="geopackage")
    field = read_field(tmp_path / "out", plan_hash(site, plan, parts[3]))
    ticks = [tick(p, 1 + k / 60) for k, p in enumerate(field.pieces)]
    made = as_built(*parts, [save(tmp_path / "f.json", field_file(field, ticks=ticks))])
    assert not [f for f in made.findings if f.grade == "error"]
    assert {r.code: r.laid for r in made.stock if r.laid} == {c: n for c, n in parts[3].counts.items() if n}
    assert made.change is not None
    assert {x.line for x in made.change.codes} == set(keys)
    assert all(x.status == "unchanged" for x in made.change.runs)
    report = write_as_built(made, tmp_path / "report")
    assert json.loads(report.json_text)["site"]["line"] == "flex-2m, block-1ft"
    change = json.loads((report.folder / "change.json").read_text(encoding="utf-8"))
    assert change["old"]["line"] == change["new"]["line"] == "flex-2m, block-1ft"
