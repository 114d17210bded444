"""Records begun, changed files brought in, revisions exported, and the command for all of it."""

from __future__ import annotations

import json
import shutil
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from rasterio import Affine

from siteplan.cli import main
from siteplan.errors import DataError, OutputError, UsageError
from siteplan.plans import plan_runs
from siteplan.record import DropFeature, PutFeature, Record, SetOverride
from siteplan.record.table import entry_of
from siteplan.revise import BroughtIn, bring_in, export_revision, new_site, record_of, start_record
from siteplan.sites import load_site
from siteplan.takeoffs import takeoff

from .make_sites import ORIGIN, lonlat_of, polygon, rectangle, write_features

EVIL = 'a "name" \\ {{7*7}} \u202e\x7f\x01\n<b>'
TOML = 'name = "T (invented)"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'


def outlines(**moved: float) -> dict[str, Any]:
    """Three beds in a row; a bed named is as many metres longer."""
    return {
        name: polygon(rectangle(10 + moved.get(name, 0), 5, at=(20 * k, 0))) for k, name in enumerate("ABC")
    }


def site_folder(folder: Path, more: str = "") -> Path:
    write_features(folder / "beds.geojson", outlines())
    (folder / "site.toml").write_text(TOML + more)
    return folder


def said(made: BroughtIn) -> dict[str, str]:
    return {row.id: row.status for row in made.rows}


def ring_of(place: Path, bed: str) -> np.ndarray:
    features = record_of(place).content().features["beds"]
    made: np.ndarray = entry_of(features, features.ids.tolist().index(bed)).rings[0]
    return made


# -- bringing in -------------------------------------------------------------------------


def test_nothing_changed_makes_no_revision(tmp_path: Path) -> None:
    site_folder(tmp_path)
    first = bring_in(tmp_path, who="Ann")
    assert first.started
    again = bring_in(tmp_path, who="Ann")
    assert (again.revision, set(said(again).values())) == (None, {"same"})
    assert record_of(tmp_path).head == 1


def test_what_changed_in_the_file_comes_in_bed_by_bed(tmp_path: Path) -> None:
    start_record(site_folder(tmp_path), who="Ann")
    now = outlines(B=2)
    del now["C"]
    now["D"] = polygon(rectangle(3, 3, at=(90, 0)))
    write_features(tmp_path / "beds.geojson", now)
    made = bring_in(tmp_path, who="Bo")
    assert said(made) == {"A": "same", "B": "changed", "C": "gone", "D": "new"}
    texts = {row.id: row.text for row in made.rows}
    assert texts["B"] == "outline 30.000 m, now 34.000 m, vertices moved by up to 2.000 m"
    assert texts["D"] == "outline 12.000 m"
    assert made.revision is not None
    assert made.revision.what == "brought in changed input files: 1 new, 1 changed, 1 gone"
    assert load_site(tmp_path).beds.ids.tolist() == ["A", "B", "D"]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "site.toml").write_text(TOML)
    shutil.copy(tmp_path / "beds.geojson", tmp_path / "other")
    assert load_site(tmp_path).beds.coords.tobytes() == load_site(tmp_path / "other").beds.coords.tobytes()
    record_of(tmp_path).go_back(2, 1, who="Ann")
    assert load_site(tmp_path).beds.ids.tolist() == ["A", "B", "C"]
    # Gone back, the file counts as changed again, and comes in again.
    assert said(bring_in(tmp_path, who="Bo")) == {"A": "same", "B": "changed", "C": "gone", "D": "new"}


def test_work_done_at_the_desk_is_kept(tmp_path: Path) -> None:
    """A changed in both: the record stands.  B changed at the desk, C in the file: both changes are kept."""
    record = start_record(site_folder(tmp_path), who="Ann")
    features = record.content().features["beds"]
    shifted = [entry_of(features, k).rings[0] + 1e-5 for k in range(2)]
    edits = [PutFeature("beds", name, name, [ring], [0]) for name, ring in zip("AB", shifted, strict=True)]
    record.save(1, edits, who="Bo", what="drawn")
    write_features(tmp_path / "beds.geojson", outlines(A=1, C=3))
    made = bring_in(tmp_path, who="Ann")
    assert said(made) == {"A": "kept", "B": "same", "C": "changed"}
    assert "changed in the record, which stands" in made.rows[0].text
    assert ring_of(tmp_path, "A").tobytes() == shifted[0].tobytes()
    assert ring_of(tmp_path, "B").tobytes() == shifted[1].tobytes()
    assert load_site(tmp_path).findings == load_site(tmp_path, content=record.content()).findings
    # Asked for, the file's state is taken.
    record.go_back(3, 2, who="Ann")
    assert said(bring_in(tmp_path, who="Ann", prefer_file=True)) == {
        "A": "changed",
        "B": "same",
        "C": "changed",
    }
    assert ring_of(tmp_path, "A").tobytes() != shifted[0].tobytes()
    assert ring_of(tmp_path, "B").tobytes() == shifted[1].tobytes()


def test_walls_come_into_a_site_whose_beds_were_drawn_at_the_desk(tmp_path: Path) -> None:
    """site.toml names no file of beds, and need not."""
    record = new_site(tmp_path / "s", "Drawn", "flex-2m", who="Ann", lonlat=ORIGIN)
    bed = lonlat_of(rectangle(10, 5))
    record.save(1, [PutFeature("beds", "B1", "B1", [bed], [0])], who="Ann", what="drawn")
    folder = tmp_path / "s"
    wall = {"type": "LineString", "coordinates": lonlat_of([(-1, -0.05), (11, -0.05)]).tolist()}
    write_features(folder / "walls.geojson", [({"id": "W"}, wall)])
    with (folder / "site.toml").open("a") as out:
        out.write('\n[[inputs.abutments]]\nfile = "walls.geojson"\n')
    made = bring_in(folder, who="Bo")
    assert said(made) == {"W": "new"}
    assert made.revision is not None
    site = load_site(folder)
    assert site.abutments.ids.tolist() == ["W"]
    assert not [f for f in site.findings if f.code.startswith("record-input")]
    unedged = plan_runs(site).unedged
    assert unedged.why.tolist() == ["abutment"]
    assert unedged.length_m.tolist() == pytest.approx([10], abs=0.01)
    assert bring_in(folder, who="Bo").revision is None
    # bad walls are told, and nothing comes in
    write_features(folder / "walls.geojson", [({"id": "W"}, {"type": "Point", "coordinates": [0, 0]})])
    with pytest.raises(DataError):
        bring_in(folder, who="Bo")
    assert record.head == 3


def test_a_bed_taken_out_at_the_desk_stays_out(tmp_path: Path) -> None:
    record = start_record(site_folder(tmp_path), who="Ann")
    record.save(1, [DropFeature("beds", "A"), DropFeature("beds", "B")], who="Bo", what="gone")
    write_features(tmp_path / "beds.geojson", outlines(B=1))
    made = bring_in(tmp_path, who="Ann")
    assert said(made) == {"A": "same", "B": "kept", "C": "same"}
    assert "taken out in the record" in made.rows[1].text
    assert load_site(tmp_path).beds.ids.tolist() == ["C"]


def test_an_id_drawn_at_the_desk_and_new_in_the_file_is_a_fault(tmp_path: Path) -> None:
    record = start_record(site_folder(tmp_path), who="Ann")
    ring = ring_of(tmp_path, "A") + 1e-3
    record.save(1, [PutFeature("beds", "D", "D", [ring], [0])], who="Bo", what="drawn")
    write_features(tmp_path / "beds.geojson", outlines() | {"D": polygon(rectangle(3, 3, at=(90, 0)))})
    with pytest.raises(DataError, match="drawn at the desk"):
        bring_in(tmp_path, who="Ann")
    assert record.head == 2


def test_another_crs_is_a_fault(tmp_path: Path) -> None:
    start_record(site_folder(tmp_path), who="Ann")
    gpd.read_file(tmp_path / "beds.geojson").to_crs(26915).to_file(tmp_path / "beds.gpkg")
    (tmp_path / "site.toml").write_text(TOML.replace("beds.geojson", "beds.gpkg"))
    with pytest.raises(DataError, match="the record keeps beds in"):
        bring_in(tmp_path, who="Ann")


def test_beds_without_ids_keep_those_they_were_given(tmp_path: Path) -> None:
    """Order turned round, one bed edited, one new: numbers follow the place, not the order."""

    def unnamed(*geometries: dict[str, Any]) -> None:
        write_features(tmp_path / "beds.geojson", [({}, g) for g in geometries])

    a, b, c = outlines().values()
    (tmp_path / "site.toml").write_text(TOML)
    unnamed(a, b, c)
    start_record(tmp_path, who="Ann")
    assert load_site(tmp_path).beds.ids.tolist() == ["B1", "B2", "B3"]
    new = polygon(rectangle(3, 3, at=(90, 0)))
    unnamed(new, c, outlines(B=1)["B"], a)
    made = bring_in(tmp_path, who="Bo")
    assert said(made) == {"B4": "new", "B3": "same", "B2": "changed", "B1": "same"}
    assert made.revision is not None
    features = record_of(tmp_path).content().features["beds"]
    assert features.ids.tolist() == ["B1", "B2", "B3", "B4"]
    assert features.names.tolist() == ["B1", "B2", "B3", "B4"]


def test_attributes_and_names_are_told(tmp_path: Path) -> None:
    site_folder(tmp_path)
    pairs: list[Any] = [({"bed": k, "name": "old", "phase": 1}, g) for k, g in outlines().items()]
    write_features(tmp_path / "beds.geojson", pairs)
    start_record(tmp_path, who="Ann")
    pairs[0][0].update(name="new", phase=2, crew="two")
    write_features(tmp_path / "beds.geojson", pairs)
    made = bring_in(tmp_path, who="Ann")
    assert made.rows[0].text == 'name "old", now "new"; phase 1, now 2; crew nothing, now "two"'


def test_a_file_that_is_written_anew_with_the_same_outlines(tmp_path: Path) -> None:
    start_record(site_folder(tmp_path), who="Ann")
    data = json.loads((tmp_path / "beds.geojson").read_text())
    (tmp_path / "beds.geojson").write_text(json.dumps(data, indent=2))
    assert [f.code for f in load_site(tmp_path).findings if f.code.startswith("record")] == [
        "record-input-changed"
    ]
    made = bring_in(tmp_path, who="Ann")
    assert made.revision is not None
    assert made.revision.what.endswith("no outline changed")
    assert not [f.code for f in load_site(tmp_path).findings if f.code.startswith("record")]


def test_faulty_files_bring_in_nothing(tmp_path: Path) -> None:
    start_record(site_folder(tmp_path), who="Ann")
    bow_tie = [(0, 0), (4, 4), (4, 0), (0, 4)]
    write_features(tmp_path / "beds.geojson", outlines() | {"D": polygon(bow_tie)})
    with pytest.raises(DataError):
        bring_in(tmp_path, who="Ann")
    assert record_of(tmp_path).head == 1


# -- new sites -----------------------------------------------------------------------------


def picture(
    path: Path, epsg: int | None, *, pixel: float = 0.15, at: tuple[float, float] = (450_000.0, 4_600_000.0)
) -> Path:
    with rasterio.open(
        path, "w", driver="GTiff", width=200, height=100, count=3, dtype="uint8",
        crs=None if epsg is None else f"EPSG:{epsg}", transform=Affine(pixel, 0, at[0], 0, -pixel, at[1]),
    ) as raster:  # fmt: skip
        raster.write(np.full((3, 100, 200), 90, dtype=np.uint8))
    return path


def test_a_new_site_over_a_picture(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    folder.mkdir()
    picture(folder / "air.tif", 26915)
    record = new_site(folder, EVIL, "flex-2m", "ft", who="Ann", picture=folder / "air.tif")
    said_there = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))
    assert said_there["name"] == EVIL
    assert said_there["inputs"]["pictures"] == [{"file": "air.tif"}]
    content = record.content()
    assert content.is_empty
    assert content.features["beds"].crs == "EPSG:26915"
    site = load_site(folder, allow_empty=True)
    middle = site.frame.coords(
        site.frame.ground_xy(np.array([content.grid["centre_lonlat"]]), "EPSG:4269"), "EPSG:26915"
    )
    assert middle[0] == pytest.approx((450_015, 4_599_992.5), abs=1e-6)
    ring = middle + np.array([(0, 0), (8, 0), (8, 4), (0, 4)])
    record.save(1, [PutFeature("beds", "B1", "first", [ring], [0])], who="Ann", what="drawn")
    planned = load_site(folder)
    ground_m = plan_runs(planned).lengths.run_ground_m.sum()
    assert ground_m == pytest.approx(24.0 / planned.frame.combined_factor, abs=1e-6)
    assert planned.frame.crs_wkt == site.frame.crs_wkt


def test_a_new_site_over_a_web_map_picture_is_drawn_in_degrees(tmp_path: Path) -> None:
    picture(tmp_path / "air.tif", 3857, at=(-10_400_000.0, 5_100_000.0))
    record = new_site(tmp_path / "new", "web", "flex-2m", who="Ann", picture=tmp_path / "air.tif")
    assert record.content().features["beds"].crs == "EPSG:4326"
    site = load_site(tmp_path / "new", allow_empty=True)
    assert site.frame.is_local
    assert site.settings.inputs.pictures[0].file == str(tmp_path / "air.tif")


def test_a_new_site_at_a_place(tmp_path: Path) -> None:
    record = new_site(tmp_path / "deep" / "new", "place", "rigid-900mm", who="Ann", lonlat=ORIGIN)
    site = load_site(tmp_path / "deep" / "new", allow_empty=True)
    assert site.frame.is_local
    ring = lonlat_of(rectangle(9, 9))
    record.save(1, [PutFeature("beds", "B1", "first", [ring], [0])], who="Ann", what="drawn")
    planned = load_site(tmp_path / "deep" / "new")
    assert plan_runs(planned).lengths.run_ground_m.sum() == pytest.approx(36.0, abs=1e-3)


def test_a_new_site_never_takes_the_place_of_another(tmp_path: Path) -> None:
    site_folder(tmp_path)
    before = (tmp_path / "site.toml").read_bytes()
    with pytest.raises(OutputError, match="there already"):
        new_site(tmp_path, "x", "flex-2m", who="Ann", lonlat=ORIGIN)
    assert (tmp_path / "site.toml").read_bytes() == before
    assert not (tmp_path / "record.gpkg").exists()


@pytest.mark.parametrize(
    ("more", "error", "match"),
    [
        ({}, UsageError, "say where"),
        ({"lonlat": (200.0, 10.0)}, DataError, "no place"),
        ({"lonlat": ORIGIN, "line": "no-such"}, UsageError, "there is no product line"),
        ({"lonlat": ORIGIN, "units": "yards"}, DataError, "show.units"),
        ({"lonlat": ORIGIN, "name": "\ud800"}, UsageError, "half a character"),
        ({"lonlat": ORIGIN, "who": " "}, UsageError, "say who"),
        ({"picture": "none.tif"}, DataError, "no such file"),
    ],
)
def test_a_new_site_that_cannot_be_leaves_nothing(
    tmp_path: Path, more: dict[str, Any], error: type[Exception], match: str
) -> None:
    options: dict[str, Any] = {"name": "x", "line": "flex-2m", "units": "m", "who": "Ann"} | more
    name, line, units = (options.pop(k) for k in ("name", "line", "units"))
    with pytest.raises(error, match=match):
        new_site(tmp_path / "new", name, line, units, **options)
    assert list(tmp_path.iterdir()) == []


def test_a_picture_without_a_crs(tmp_path: Path) -> None:
    picture(tmp_path / "air.tif", None)
    with pytest.raises(DataError, match="does not say its CRS"):
        new_site(tmp_path / "new", "x", "flex-2m", who="Ann", picture=tmp_path / "air.tif")
    record = new_site(
        tmp_path / "new", "x", "flex-2m", who="Ann", picture=tmp_path / "air.tif", picture_crs="EPSG:26915"
    )
    assert record.content().features["beds"].crs == "EPSG:26915"
    assert load_site(tmp_path / "new", allow_empty=True).settings.inputs.pictures[0].crs == "EPSG:26915"


# -- exports and the command -------------------------------------------------------------------


def test_an_exported_revision_reads_back_as_a_site(sample_data: Path, tmp_path: Path) -> None:
    """The GeoPackage of a revision, named as input of another site, gives the same pieces."""
    folder = tmp_path / "one"
    shutil.copytree(sample_data / "larkspur_close", folder)
    record = start_record(folder, who="Ann")
    record.save(1, [DropFeature("beds", "C1"), SetOverride(("line",), "rigid-900mm")], who="Bo", what="x")
    counts = export_revision(folder, record.content(1), tmp_path / "beds.gpkg")
    assert counts == {"beds": 8, "abutments": 7, "openings": 3}
    (tmp_path / "two").mkdir()
    shutil.copy(tmp_path / "beds.gpkg", tmp_path / "two" / "beds.gpkg")
    shutil.copy(folder / "site.toml", tmp_path / "two")
    one, two = load_site(sample_data / "larkspur_close"), load_site(tmp_path / "two")
    assert one.beds.coords.tobytes() == two.beds.coords.tobytes()
    assert (
        takeoff(one, plan_runs(one)).pieces.piece_id.tolist()
        == takeoff(two, plan_runs(two)).pieces.piece_id.tolist()
    )
    with pytest.raises(OutputError, match="there already"):
        export_revision(folder, record.content(), tmp_path / "beds.gpkg")
    assert export_revision(folder, record.content(), tmp_path / "beds.gpkg", overwrite=True)["beds"] == 7
    with pytest.raises(UsageError, match="neither"):
        export_revision(folder, record.content(), tmp_path / "beds.txt")


def test_geojson_of_a_revision(tmp_path: Path) -> None:
    """Degrees go out as they came in, to the last of the ten decimals written."""
    record = start_record(site_folder(tmp_path), who="Ann")
    export_revision(tmp_path, record.content(), tmp_path / "out.geojson")
    out = json.loads((tmp_path / "out.geojson").read_text(encoding="utf-8"))
    given = json.loads((tmp_path / "beds.geojson").read_text(encoding="utf-8"))
    assert [f["properties"] for f in out["features"]] == [
        {"bed": k, "name": k, "role": "beds"} for k in "ABC"
    ]
    for a, b in zip(out["features"], given["features"], strict=True):
        assert np.allclose(a["geometry"]["coordinates"], b["geometry"]["coordinates"], rtol=0, atol=6e-11)
    assert gpd.read_file(tmp_path / "out.geojson").crs.to_epsg() == 4326


@dataclass
class Run:
    code: int
    out: str
    err: str


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Run]:
    def call(*words: object) -> Run:
        monkeypatch.setattr(sys, "argv", ["siteplan", "record", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        assert isinstance(ended.value.code, int)
        return Run(ended.value.code, told.out, told.err)

    return call


def test_the_command(tmp_path: Path, run: Callable[..., Run]) -> None:
    site_folder(tmp_path)
    none = run(tmp_path)
    assert (none.code, "has no record" in none.err) == (1, True)
    begun = run(tmp_path, "--import", "--who", "Ann [red]")
    assert begun.code == 0, begun.err
    write_features(tmp_path / "beds.geojson", outlines(B=2))
    brought = run(tmp_path, "--import", "--who", "Bo")
    assert "changed: outline 30.000 m, now 34.000 m" in " ".join(brought.out.split())
    back = run(tmp_path, "--back", 1, "--who", "Cy")
    assert "revision 3 (Cy" in back.out
    listed = json.loads(run(tmp_path, "--json").out)
    assert [(r["number"], r["who"], r["back_to"]) for r in listed["revisions"]] == [
        (1, "Ann [red]", None), (2, "Bo", None), (3, "Cy", 1),
    ]  # fmt: skip
    exported = run(tmp_path, "--export", tmp_path / "o.gpkg", "--revision", 2)
    assert "3 beds" in exported.out
    both = run(tmp_path, "--back", 1, "--import")
    assert (both.code, "one at a time" in both.err) == (2, True)
    unknown = run(tmp_path, "--back", 9)
    assert (unknown.code, "there is no revision 9" in unknown.err) == (2, True)
    assert Record.open(tmp_path / "record.gpkg").head == 3
