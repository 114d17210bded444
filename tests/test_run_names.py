"""Runs keep their ids through edits that would number them anew."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from siteplan.plans import plan_runs, run_names
from siteplan.reconcile.tapes import load_tapes
from siteplan.record import (
    Change,
    DropFeature,
    PutFeature,
    PutRunNames,
    PutTape,
    Record,
    RunNames,
    SetOverride,
    applied,
)
from siteplan.record.table import entry_of
from siteplan.revise import bring_in, start_record
from siteplan.sites import Site, load_site
from siteplan.takeoffs import takeoff

from .make_sites import line, lonlat_of, polygon, rectangle, write_features

TOML = (
    'name = "T (invented)"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
    '[[inputs.openings]]\nfile = "gates.geojson"\n'
)
LONG = rectangle(30, 5)


def gate(*at: float) -> np.ndarray:
    """A gate across the south edge of the bed."""
    return lonlat_of([(at[0], -1.0), (at[0], 1.0)])


def put_gate(name: str, *at: float) -> PutFeature:
    return PutFeature("openings", name, name, [gate(*at)], [2], {"width_m": 1.0})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A bed with two gates: two runs."""
    write_features(tmp_path / "beds.geojson", {"A": polygon(LONG), "B": polygon(rectangle(4, 3, at=(60, 0)))})
    write_features(
        tmp_path / "gates.geojson",
        {"G1": line([(10, -1), (10, 1)]), "G2": line([(20, -1), (20, 1)])},
        width_m=1.0,
    )
    (tmp_path / "site.toml").write_text(TOML)
    return tmp_path


def save(folder: Path, *changes: Change) -> Record:
    """A save as the desk makes it: the names go with it."""
    record = start_record(folder, who="Ann")
    after = load_site(folder, content=applied(record.content(), changes))
    names = [PutRunNames(bed, said) for bed, said in run_names(after).items()]
    record.save(record.head, [*changes, *names], who="Ann", what="x")
    return record


def where(site: Site) -> dict[str, tuple[float, float]]:
    """Middle of the box of each run, metres from the south-west corner of the bed A."""
    runs = plan_runs(site).runs
    corner = site.bed_shapes.xy[:4].min(axis=0)
    made = {}
    for k, name in enumerate(runs.run_id):
        xy = runs.xy[runs.offsets[runs.leg_offsets[k]] : runs.offsets[runs.leg_offsets[k + 1]]]
        middle = (xy.min(axis=0) + xy.max(axis=0)) / 2 - corner
        made[str(name)] = (round(float(middle[0]), 1), round(float(middle[1]), 1))
    return made


def test_a_new_gate_numbers_no_other_run_anew(folder: Path) -> None:
    start_record(folder, who="Ann")
    before = where(load_site(folder))
    assert set(before) == {"A-1", "A-2", "B-1"}
    middle, rest = (
        next(n for n, at in before.items() if at == place) for place in ((15.0, 0.0), (15.0, 2.5))
    )
    save(folder, put_gate("G3", 16.0))
    after = where(load_site(folder))
    # Of the middle run the longer part keeps its id; the other one has a number no run had.
    assert after[rest] == before[rest]
    assert after[middle] == (13.0, 0.0)
    assert after["A-3"] == (18.0, 0.0)
    assert after["B-1"] == before["B-1"]
    # Numbered by the order along the outline it would be another one.
    shutil.copytree(folder, folder / "bare", ignore=shutil.ignore_patterns("bare"))
    names = load_site(folder).recorded
    assert names is not None
    assert names.run_names["A"].used == ()


def test_an_id_once_used_is_not_given_to_another_run(folder: Path) -> None:
    record = save(folder, put_gate("G3", 16.0))
    assert "A-3" in where(load_site(folder))
    save(folder, DropFeature("openings", "G3"))
    assert set(where(load_site(folder))) == {"A-1", "A-2", "B-1"}
    save(folder, put_gate("G4", 5.0))
    after = where(load_site(folder))
    assert set(after) == {"A-1", "A-2", "A-4", "B-1"}
    assert record.content().run_names["A"].used == ("A-3",)


def test_leg_ids_and_settings_follow_the_run(folder: Path) -> None:
    start_record(folder, who="Ann")
    site = load_site(folder)
    before = where(site)
    rest = next(n for n, at in before.items() if at == (15.0, 2.5))
    legs = [str(leg) for leg in plan_runs(site).runs.leg_id if str(leg).startswith(f"{rest}-")]
    north = legs[2]  # the long leg opposite the gates
    tape = PutTape("t", {"of": north, "reading": "30 m", "kind": "steel"})
    save(folder, tape, SetOverride(("run", "B-1", "skip"), True))
    save(folder, put_gate("G3", 16.0), put_gate("G0", 5.0))
    site = load_site(folder)
    plan = plan_runs(site)
    assert "B-1" not in plan.runs.run_id
    read = load_tapes(site, plan)
    assert plan.runs.leg_id[read.leg[0]] == north
    assert plan.runs.length_m[read.leg[0]] == pytest.approx(30.0, abs=1e-3)
    pieces = takeoff(site, plan).pieces
    assert all(
        str(p).startswith(f"{plan.runs.run_id[r]}-") for p, r in zip(pieces.piece_id, pieces.run, strict=True)
    )
    assert len(set(pieces.piece_id)) == len(pieces)


def test_a_moved_vertex_keeps_every_id(folder: Path) -> None:
    record = start_record(folder, who="Ann")
    before = set(where(load_site(folder)))
    bed = entry_of(record.content().features["beds"], 0)
    ring = bed.rings[0].copy()
    ring[2] += 1e-5  # about a metre
    save(folder, PutFeature("beds", "A", "A", [ring], [0], bed.attributes))
    assert set(where(load_site(folder))) == before
    assert plan_runs(load_site(folder)).runs.run_id.tolist() == sorted(before)


def test_names_go_back_with_the_record(folder: Path) -> None:
    record = save(folder, put_gate("G3", 16.0))
    later = where(load_site(folder))
    record.go_back(2, 1, who="Ann")
    assert set(where(load_site(folder))) == {"A-1", "A-2", "B-1"}
    record.go_back(3, 2, who="Ann")
    assert where(load_site(folder)) == later


def test_rows_are_named_after_the_runs_they_go_beside(folder: Path) -> None:
    (folder / "site.toml").write_text(TOML + '[[row]]\noffset = "200 mm"\nbeds = ["A"]\n')
    save(folder, put_gate("G3", 16.0))
    at = where(load_site(folder))
    assert {n for n in at if n.startswith("A")} == {"A-1", "A-2", "A-3", "A-1r2", "A-2r2", "A-3r2"}
    for name in ("A-1", "A-2", "A-3"):
        assert np.allclose(at[name], at[f"{name}r2"], atol=0.3)


def test_a_bed_drawn_anew_under_an_old_id_starts_over(folder: Path) -> None:
    record = start_record(folder, who="Ann")
    assert set(record.content().run_names) == {"A", "B"}
    save(folder, DropFeature("beds", "B"))
    assert set(record.content().run_names) == {"A"}
    save(folder, PutFeature("beds", "B", "B", [lonlat_of(rectangle(7, 7, at=(90, 0)))], [0]))
    assert "B-1" in where(load_site(folder))


def test_files_brought_in_keep_the_ids_too(folder: Path) -> None:
    start_record(folder, who="Ann")
    before = where(load_site(folder))
    gates: dict[str, Any] = {f"G{k}": line([(x, -1), (x, 1)]) for k, x in enumerate((5, 10, 20), start=0)}
    write_features(folder / "gates.geojson", gates, width_m=1.0)
    bring_in(folder, who="Ann")
    after = where(load_site(folder))
    assert {n: after[n] for n in before if after[n] == before[n]}.keys() >= {"B-1"}
    assert set(after) == {"A-1", "A-2", "A-3", "B-1"}
    middle = next(n for n, at in before.items() if at == (15.0, 0.0))
    assert after[middle] == before[middle]


def test_names_of_what_is_kept_already_are_not_written_again(folder: Path) -> None:
    record = start_record(folder, who="Ann")
    assert run_names(load_site(folder)) == {}
    assert record.content().run_names["B"].runs[0][0] == "B-1"
    assert isinstance(record.content().run_names["B"], RunNames)


def test_the_plan_of_a_fresh_record_has_the_ids_of_the_files(sample_data: Path, tmp_path: Path) -> None:
    folder = tmp_path / "fennel_row"
    shutil.copytree(sample_data / "fennel_row", folder)
    ids = plan_runs(load_site(folder)).runs.leg_id.tolist()
    record = start_record(folder, who="Ann")
    assert len(record.content().run_names) == 71
    assert plan_runs(load_site(folder)).runs.leg_id.tolist() == ids
