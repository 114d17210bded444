"""A site planned from its record: the same plan, the record's values first, and told what overrules what."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from siteplan.check import check_site
from siteplan.errors import DataError
from siteplan.frame import make_frame
from siteplan.plans import plan_runs
from siteplan.reconcile.tapes import load_tapes
from siteplan.record import (
    Change,
    DropFeature,
    PutFeature,
    PutTape,
    Record,
    SetOverride,
    applied,
)
from siteplan.record.table import entry_of
from siteplan.revise import start_record
from siteplan.sites import Site, load_site
from siteplan.takeoffs import takeoff

from .make_sites import polygon, rectangle, write_features

TOML = 'name = "T (invented)"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'


def site_folder(folder: Path, more: str = "", beds: dict[str, Any] | None = None) -> Path:
    own = beds or {"A": polygon(rectangle(10, 5)), "B": polygon(rectangle(4, 3, at=(20, 0)))}
    write_features(folder / "beds.geojson", own)
    (folder / "site.toml").write_text(TOML + more)
    return folder


def changed(folder: Path, *changes: Change) -> Record:
    record = start_record(folder, who="Ann")
    record.save(record.head, changes, who="Bo", what="changed")
    return record


def codes(site: Site, start: str = "record") -> list[str]:
    return [f.code for f in site.findings if f.code.startswith(start)]


def assert_same(a: Any, b: Any, path: str = "") -> None:
    """Equal to the last bit, arrays of arrays of dataclasses."""
    if dataclasses.is_dataclass(a):
        for field in dataclasses.fields(a):
            assert_same(getattr(a, field.name), getattr(b, field.name), f"{path}.{field.name}")
    elif isinstance(a, np.ndarray):
        assert a.dtype == b.dtype, path
        assert a.tolist() == b.tolist() if a.dtype == object else a.tobytes() == b.tobytes(), path
    elif isinstance(a, (list, tuple)):
        assert len(a) == len(b), path
        for k, (one, two) in enumerate(zip(a, b, strict=True)):
            assert_same(one, two, f"{path}[{k}]")
    else:
        assert a == b, path


@pytest.mark.parametrize("name", ["fennel_row", "larkspur_close"])
def test_a_fresh_record_gives_the_plan_of_the_files_exactly(
    sample_data: Path, tmp_path: Path, name: str
) -> None:
    folder = tmp_path / name
    shutil.copytree(sample_data / name, folder)
    plain = load_site(folder)
    plan = plan_runs(plain)
    result = takeoff(plain, plan)
    start_record(folder, who="Ann")
    site = load_site(folder)
    assert site.recorded is not None
    assert plain.recorded is None
    assert site.frame == plain.frame
    assert codes(site) == []
    mine = plan_runs(site)
    assert_same(mine, plan)
    assert_same(takeoff(site, mine), result)
    assert len(result.pieces) > 150
    assert check_site(folder).errors == 0


def test_the_grid_stays_where_it_was_settled(tmp_path: Path) -> None:
    """The middle of the beds' box, rounded, is another place once a bed lies 1.5 km away."""
    far = {"A": polygon(rectangle(10, 5)), "B": polygon(rectangle(10, 5, at=(1600, 1900)))}
    plain = load_site(site_folder(tmp_path))
    record = start_record(tmp_path, who="Ann")
    (tmp_path / "far").mkdir()
    moved = load_site(site_folder(tmp_path / "far", beds=far))
    assert moved.frame.crs_wkt != plain.frame.crs_wkt
    bed = entry_of(moved.beds, 1)
    record.save(1, [PutFeature("beds", "B", "B", bed.rings, bed.kinds)], who="Bo", what="moved")
    site = load_site(tmp_path)
    assert (site.frame.crs_wkt, site.frame.origin) == (plain.frame.crs_wkt, plain.frame.origin)
    assert site.bed_shapes.xy[:4].tobytes() == plain.bed_shapes.xy[:4].tobytes()
    assert site.frame.extent_m[0] > 1500


def test_beds_too_far_from_the_settled_grid_are_refused(tmp_path: Path) -> None:
    beds = load_site(site_folder(tmp_path)).beds
    lon, lat = load_site(tmp_path).frame.centre_lonlat
    frame, _ = make_frame(beds, centre_lonlat=(lon, lat + 0.1))
    assert frame.centre_lonlat == (lon, lat + 0.1)
    with pytest.raises(DataError, match="from the middle the site's grid was made for"):
        make_frame(beds, centre_lonlat=(lon, lat + 1))


def test_values_of_the_record_go_first_and_are_told(tmp_path: Path) -> None:
    site_folder(tmp_path, '[fit]\nclosers_per_leg = 1\n[bed.A]\nphase = "one"\n')
    changed(
        tmp_path,
        SetOverride(("line",), "rigid-900mm"),
        SetOverride(("fit", "closers_per_leg"), 1),
        SetOverride(("fit", "prefer"), "cost"),
        SetOverride(("bed", "A", "phase"), "two"),
        SetOverride(("bed", "B", "skip"), True),
    )
    site = load_site(tmp_path)
    assert site.line.key == "rigid-900mm"
    assert (site.settings.fit.closers_per_leg, site.settings.fit.prefer) == (1, "cost")
    assert site.settings.bed["A"].phase == "two"
    texts = {f.text: f.bed for f in site.findings if f.code == "record-overrules"}
    assert texts == {
        'line is "rigid-900mm", as set in the record; site.toml says "flex-2m"': None,
        'bed.A.phase is "two", as set in the record; site.toml says "one"': "A",
    }
    (alone,) = [f.text for f in site.findings if f.code == "record-sets"]
    assert 'fit.prefer = "cost"' in alone
    assert "bed.B.skip = true" in alone
    assert set(plan_runs(site).runs.bed.tolist()) == {0}
    assert (tmp_path / "site.toml").read_text().startswith('name = "T (invented)"\nline = "flex-2m"')


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (SetOverride(("fit", "prefer"), "luck"), "'pieces', 'fit' or 'cost'"),
        (SetOverride(("outline", "offset"), 3), "has no unit"),
        (SetOverride(("fit", "perfer"), "cost"), 'Did you mean "prefer"?'),
        (SetOverride(("bed", "A", "start"), "free"), "unknown key bed.A.start"),
        (SetOverride(("bed", "C", "skip"), True), 'there is no bed "C"'),
        (SetOverride(("bed", "A", "corners"), [99]), "there is no vertex 99"),
        (PutTape("t", {"lenght": "3 m"}), "lenght"),
    ],
)
def test_faults_of_its_values_name_the_record(tmp_path: Path, change: Change, said: str) -> None:
    changed(site_folder(tmp_path), change)
    with pytest.raises(DataError) as caught:
        load_site(tmp_path)
    (fault,) = caught.value.faults
    assert said in fault.text
    assert str(fault.file).endswith("record.gpkg")


def test_faults_of_site_toml_name_site_toml(tmp_path: Path) -> None:
    changed(site_folder(tmp_path), SetOverride(("fit", "prefer"), "cost"))
    (tmp_path / "site.toml").write_text(TOML + "[fit]\nshort = 3\n")
    with pytest.raises(DataError) as caught:
        load_site(tmp_path)
    assert str(caught.value.faults[0].file).endswith("site.toml")


def test_what_site_toml_says_of_a_bed_taken_out_is_left_aside(tmp_path: Path) -> None:
    more = (
        '[bed.B]\nskip = true\n[[edge_owner]]\nbeds = ["A", "B"]\nowner = "A"\n'
        '[[row]]\noffset = "0.3 m"\nbeds = ["A", "B"]\n[[row]]\noffset = "0.5 m"\nbeds = ["B"]\n'
    )
    record = changed(site_folder(tmp_path, more), DropFeature("beds", "B"))
    site = load_site(tmp_path)
    assert codes(site) == ["record-dropped-bed"] * 4
    assert [row.beds for row in site.settings.row] == [["A"]]
    assert "B" not in site.settings.bed
    record.go_back(2, 1, who="Ann")
    assert codes(load_site(tmp_path)) == []
    # A bed that never was is the fault it always was.
    (tmp_path / "site.toml").write_text(TOML + "[bed.Z]\nskip = true\n")
    with pytest.raises(DataError, match='there is no bed "Z"'):
        load_site(tmp_path)


def test_vertex_numbers_of_site_toml_and_an_edited_outline(tmp_path: Path) -> None:
    site_folder(tmp_path, "[bed.A]\ncorners = [1]\n")
    record = start_record(tmp_path, who="Ann")
    bed = entry_of(record.content().features["beds"], 0)
    more = np.insert(bed.rings[0], 1, bed.rings[0][:2].mean(axis=0), axis=0)
    record.save(1, [PutFeature("beds", "A", "A", [more], [0], bed.attributes)], who="Bo", what="vertex")
    assert codes(load_site(tmp_path)) == ["record-vertex-numbers"]
    record.save(2, [SetOverride(("bed", "A", "corners"), [1])], who="Bo", what="said again")
    assert codes(load_site(tmp_path)) == []
    record.go_back(3, 1, who="Bo")
    assert codes(load_site(tmp_path)) == []


def test_input_files_that_changed_are_told(tmp_path: Path) -> None:
    start_record(site_folder(tmp_path), who="Ann")
    assert codes(load_site(tmp_path)) == []
    write_features(tmp_path / "beds.geojson", {"A": polygon(rectangle(12, 5))})
    write_features(tmp_path / "walls.geojson", {"W": polygon(rectangle(1, 1, at=(50, 50)))})
    (tmp_path / "site.toml").write_text(TOML + '[[inputs.abutments]]\nfile = "walls.geojson"\n')
    site = load_site(tmp_path)
    assert len(site.beds) == 2
    texts = [f.text for f in site.findings if f.code.startswith("record-input")]
    assert len(texts) == 3
    assert texts[0].startswith("beds.geojson has changed since")
    assert texts[1].startswith("walls.geojson was not brought into the record")
    assert texts[2].startswith("site.toml [inputs] has changed since")
    assert all("--import" in text for text in texts)
    (tmp_path / "beds.geojson").unlink()
    (tmp_path / "site.toml").write_text(TOML)
    (gone,) = [f for f in load_site(tmp_path).findings if f.code.startswith("record-input")]
    assert gone.text.startswith("beds.geojson is not there any more")


def test_a_site_whose_beds_are_only_in_the_record(tmp_path: Path) -> None:
    start_record(site_folder(tmp_path), who="Ann")
    (tmp_path / "beds.geojson").unlink()
    (tmp_path / "site.toml").write_text('name = "T"\nline = "flex-2m"\n')
    site = load_site(tmp_path)
    assert len(site.beds) == 2
    assert set(codes(site)) == {"record-input-gone"}
    (tmp_path / "record.gpkg").unlink()
    with pytest.raises(DataError, match=r"inputs\.beds is missing, and"):
        load_site(tmp_path)
    assert "missing-key" in {row.code for row in check_site(tmp_path).rows}


def test_a_site_without_a_bed_can_be_opened_and_not_planned(tmp_path: Path) -> None:
    record = changed(site_folder(tmp_path), DropFeature("beds", "A"), DropFeature("beds", "B"))
    assert record.content().is_empty
    with pytest.raises(DataError, match="no bed in the record yet"):
        load_site(tmp_path)
    site = load_site(tmp_path, allow_empty=True)
    assert len(site.beds) == 0
    (tmp_path / "plain").mkdir()
    assert site.frame.crs_wkt == load_site(site_folder(tmp_path / "plain")).frame.crs_wkt
    assert "no-beds" in {row.code for row in check_site(tmp_path).rows}


def test_changes_that_are_not_saved_are_planned_too(tmp_path: Path) -> None:
    record = start_record(site_folder(tmp_path), who="Ann")
    content = record.content()
    tried = applied(content, [DropFeature("beds", "B"), SetOverride(("line",), "rigid-900mm")])
    site = load_site(tmp_path, content=tried)
    assert (site.beds.ids.tolist(), site.line.key) == (["A"], "rigid-900mm")
    assert load_site(tmp_path).beds.ids.tolist() == ["A", "B"]
    record.save(1, [DropFeature("beds", "B"), SetOverride(("line",), "rigid-900mm")], who="a", what="b")
    assert_same(takeoff(site, plan_runs(site)), takeoff(load_site(tmp_path), plan_runs(load_site(tmp_path))))


def test_tapes_of_the_record_are_read_beside_those_of_site_toml(tmp_path: Path) -> None:
    site_folder(tmp_path, '[[tape]]\nof = "A-1-1"\nreading = "10 m"\nkind = "steel"\n')
    leg = plan_runs(load_site(tmp_path)).runs.leg_id.tolist()[1]
    record = changed(
        tmp_path,
        PutTape("k1", {"of": leg, "reading": "5 m", "kind": "steel"}),
        PutTape("k2", {"of": leg, "reading": "5.01 m", "kind": "steel", "id": "T9"}),
    )
    site = load_site(tmp_path)
    assert [t.of for t in site.settings.tape] == ["A-1-1", leg, leg]
    assert load_tapes(site, plan_runs(site)).ids.tolist() == ["tape-1", "k1", "T9"]
    record.save(2, [PutTape("k1", {"of": "nothing", "reading": "5 m", "kind": "steel"})], who="a", what="b")
    site = load_site(tmp_path)
    with pytest.raises(DataError) as caught:
        load_tapes(site, plan_runs(site))
    assert (caught.value.faults[0].file, caught.value.faults[0].feature) == ("record.gpkg", "k1")


def test_what_outlines_tell_of_themselves_is_told_from_the_record_too(tmp_path: Path) -> None:
    site_folder(tmp_path, beds={"A": polygon(rectangle(10, 5)), "B": polygon(rectangle(10, 5))})
    plain = [f for f in load_site(tmp_path).findings if f.code == "same-outline"]
    start_record(tmp_path, who="Ann")
    assert [f for f in load_site(tmp_path).findings if f.code == "same-outline"] == plain
    assert len(plain) == 1


def test_a_damaged_record_is_one_fault_of_the_site(tmp_path: Path) -> None:
    site_folder(tmp_path)
    (tmp_path / "record.gpkg").write_bytes(b"SQLite format 3\x00" + bytes(5000))
    with pytest.raises(DataError) as caught:
        load_site(tmp_path)
    assert [f.code for f in caught.value.faults] == ["record-broken"]
    assert [row.code for row in check_site(tmp_path).rows] == ["record-broken"]
