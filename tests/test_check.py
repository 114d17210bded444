"""``siteplan check`` and ``siteplan convert``: what they tell, what they write, what they leave alone."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import ezdxf.filemanagement
import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from siteplan.check import CheckReport, check_file, check_site
from siteplan.convert import convert, geometries
from siteplan.errors import OutputError, UsageError
from siteplan.intake import Source, read_features
from siteplan.model import Features
from siteplan.publish.checkprint import print_check
from siteplan.settings import InputFile
from tests.command import siteplan
from tests.make_sites import ORIGIN, kidney, line, lonlat_of, polygon, rectangle, write_features
from tests.test_gpx import gpx
from tests.test_kmz import kml, packed


def state_of(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Names, dates and content of everything in a folder."""
    return {
        str(p.relative_to(folder)): (p.stat().st_mtime_ns, p.read_bytes())
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def codes(report: CheckReport, grade: str | None = None) -> list[str]:
    return [r.code for r in report.rows if grade in (None, r.grade)]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "grounds"
    folder.mkdir()
    write_features(
        folder / "beds.geojson", {"K": polygon(kidney()), "R": polygon(rectangle(9, 3, at=(20, 0)))}
    )
    write_features(folder / "walls.geojson", [({"id": "house"}, polygon(rectangle(6, 6, at=(20, 3))))])
    (folder / "site.toml").write_text(
        'name = "Trial grounds"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        '[[inputs.abutments]]\nfile = "walls.geojson"\n[grid]\nheight = "100 m"\n'
    )
    return folder


# -- check ------------------------------------------------------------------------------


def test_a_sound_site_has_no_errors_and_nothing_is_written(site: Path) -> None:
    before = state_of(site)
    report = check_site(site)
    assert report.errors == 0
    assert state_of(site) == before


def test_faults_of_every_input_and_setting_at_once(site: Path) -> None:
    bow_tie = [(0, 0), (4, 4), (4, 0), (0, 4)]
    write_features(site / "beds.geojson", {"K": polygon(bow_tie), "R": polygon(rectangle(9, 3))})
    (site / "walls.geojson").unlink()
    text = (site / "site.toml").read_text().replace("flex-2m", "flex-3m")
    (site / "site.toml").write_text(text + "[[inputs.openings]]\nfile = 'walk.gpx'\n")
    (site / "walk.gpx").write_text("<gpx><trk>")
    report = check_site(site)
    found = codes(report, "error")
    assert {"bow-tie", "no-such-file", "damaged-file"} <= set(found)
    assert any("flex-3m" in r.text for r in report.rows)
    assert "not-looked-at" in codes(report, "notice")
    # errors come first
    assert [r.grade for r in report.rows] == sorted(
        (r.grade for r in report.rows), key=lambda g: g != "error"
    )


def test_findings_survive_the_faults(tmp_path: Path) -> None:
    """What a file tells is told also where something else in it is wrong."""
    lonlat = lonlat_of(kidney(60, size=20))
    (tmp_path / "a.gpx").write_text(gpx(("w", lonlat), ("dot", [(ORIGIN[0], ORIGIN[1])])))
    report = check_file(InputFile(file="a.gpx"), tmp_path)
    assert "zero-length" in codes(report, "error")
    assert {"gpx-closed", "gpx-simplified"} <= set(codes(report, "notice"))


def test_settings_that_are_wrong(tmp_path: Path) -> None:
    assert codes(check_site(tmp_path)) == ["no-site"]
    (tmp_path / "site.toml").write_text('name = "x"\nlin = "flex-2m"\n')
    assert set(codes(check_site(tmp_path))) == {"unknown-key", "missing-key"}


def test_later_stages_are_looked_at_too(site: Path) -> None:
    (site / "site.toml").write_text((site / "site.toml").read_text() + "[bed.K]\ncorners = [999]\n")
    assert check_site(site).errors == 1


@pytest.mark.parametrize("role", ["beds", "abutments", "openings"])
def test_roles_of_a_single_file(site: Path, role: str) -> None:
    write_features(site / "points.geojson", [({"id": "g"}, {"type": "Point", "coordinates": list(ORIGIN)})])
    report = check_file(InputFile(file="points.geojson"), site, role)
    assert codes(report, "error") == (["opening-width"] if role == "openings" else ["point-geometry"])


@pytest.mark.parametrize(
    ("name", "options", "errors"),
    [
        ("korita-zbevnica.gpx", [], 1),
        ("around-visnjan-with-car.gpx", [], 1),
        ("handheld_survey.dxf", [], 2),
        ("two_layers.kml", ["--layer", "#Bingo"], 0),
        ("survey_ertola.csv", [], 2),
        ("liverpool_buildings_27700.geojson", [], 0),
        ("bad/messy_survey.csv", [], 5),
        ("bad/empty.geojson", [], 1),
        ("helsinki.osm.pbf", ["--layer", "multipolygons", "--where", "natural='scrub'"], None),
    ],
)
def test_real_files_from_the_command_line(
    shared_data: Path, tmp_path: Path, name: str, options: list[str], errors: int | None
) -> None:
    done = siteplan("check", shared_data / name, "--json", *options, cwd=tmp_path)
    data = json.loads(done.stdout)
    assert done.stderr == ""
    assert data["schema_version"] == 1
    assert data["errors"] == sum(r["grade"] == "error" for r in data["rows"])
    assert data["notices"] == len(data["rows"]) - data["errors"]
    if errors is None:
        assert data["errors"] > 0
    else:
        assert data["errors"] == errors
    assert done.returncode == (1 if data["errors"] else 0)
    assert list(tmp_path.iterdir()) == []
    for row in data["rows"]:
        assert set(row) == {"grade", "code", "text", "remedy", "file", "feature", "vertex"}
        assert row["grade"] in ("error", "notice")


def test_check_as_a_table(site: Path) -> None:
    before = state_of(site)
    done = siteplan("check", "grounds", cwd=site.parent)
    assert done.returncode == 0, done.stderr
    assert "0 errors" in done.stdout
    assert state_of(site) == before
    done = siteplan("check", "grounds/nowhere.geojson", cwd=site.parent)
    assert done.returncode == 1
    assert "no-such-file" in done.stdout
    done = siteplan("check", "grounds", "--crs", "EPSG:4326", "--role", "beds", cwd=site.parent)
    assert done.returncode == 2
    assert "--role, --crs go with a single file" in done.stderr
    done = siteplan("check", "grounds/beds.geojson", "--unit", "ft", "--simplify", "0.1", cwd=site.parent)
    assert done.returncode == 1
    assert "0.1" in done.stderr
    done = siteplan("check", "grounds/beds.geojson", "--unit", "ft", "--simplify", "0.1 m", cwd=site.parent)
    assert "key-not-used" in done.stdout


def test_text_of_the_data_is_never_markup(tmp_path: Path) -> None:
    name = "[bold]x[/bold] [link=h]y[/link] [/]"
    write_features(tmp_path / "a.geojson", [({"bed": name}, polygon([(0, 0), (4, 4), (4, 0), (0, 4)]))])
    out = io.StringIO()
    print_check(check_file(InputFile(file="a.geojson"), tmp_path), Console(file=out, width=300))
    assert name in out.getvalue()


def test_takeoff_takes_the_reading_options(tmp_path: Path) -> None:
    (tmp_path / "walk.gpx").write_text(gpx(("w", lonlat_of(kidney(60, size=20))[:-1])))
    done = siteplan("takeoff", "walk.gpx", "--line", "flex-2m", "--closed", "yes", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert data["runs"][0]["closed"] is True
    assert any(f["code"] == "gnss-walk" for f in data["findings"])
    done = siteplan("takeoff", tmp_path, "--closed", "yes", cwd=tmp_path)
    assert done.returncode == 2
    assert "--closed" in done.stderr


# -- convert --------------------------------------------------------------------------------


def assert_same(a: Features, b: Features) -> None:
    """Two readings are the same outlines with the same names, to the last digit."""
    assert a.ids.tolist() == b.ids.tolist()
    assert a.names.tolist() == b.names.tolist()
    assert a.crs == b.crs
    for name in ("coords", "ring_offsets", "ring_kind", "ring_feature"):
        assert np.array_equal(getattr(a, name), getattr(b, name)), name
    assert np.array_equal(a.z, b.z, equal_nan=True)


def again(path: Path, role: str) -> Features:
    return read_features([Source(path, layer=role)], role)[0]


def test_the_sample_site_reads_back_the_same(sample_data: Path, tmp_path: Path) -> None:
    for name in ("fennel_row", "larkspur_close"):
        out = tmp_path / f"{name}.gpkg"
        done = siteplan("convert", sample_data / name, out, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        for role in ("beds", "abutments", "openings"):
            source = sample_data / name / ("beds.gpkg" if name == "larkspur_close" else f"{role}.geojson")
            layer = role if source.suffix == ".gpkg" else None
            first, _ = read_features([Source(source, layer=layer)], role)
            second = again(out, role)
            assert_same(first, second)
            for key, values in first.attributes.items():
                assert second.attributes[key].tolist() == values.tolist(), key
    assert sorted(p.name for p in tmp_path.iterdir()) == ["fennel_row.gpkg", "larkspur_close.gpkg"]


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("korita-zbevnica.gpx", {}),
        ("two_layers.kml", {"layer": "#Bingo"}),
        ("air_runways_usft.shp", {}),
        ("liverpool_buildings_27700.geojson", {}),
        ("bubenec.gpkg", {"layer": "buildings"}),
    ],
)
def test_real_files_read_back_the_same(
    shared_data: Path, tmp_path: Path, name: str, options: dict[str, str]
) -> None:
    source = Source(shared_data / name, layer=options.get("layer"))
    first, findings = read_features([source], "abutments")
    convert({"abutments": first}, tmp_path / "a.gpkg")
    second, told = read_features([Source(tmp_path / "a.gpkg")], "abutments")
    assert_same(first, second)
    # what a walk is worth goes with it
    assert ("gnss-walk" in [f.code for f in findings]) == ("gnss-walk" in [f.code for f in told])


def test_attributes_of_every_kind(tmp_path: Path) -> None:
    columns: dict[str, list[Any]] = {
        "count": [1, None, -5], "share": [0.5, None, 2], "yes": [True, None, False], "word": ["a", None, ""],
        "big": [2**70, 1, None], "mixed": [1, "b", None], "fid": [7, 7, 7], "geom": ["x", "y", "z"],
        "Word": ["other", "case", None], "nothing": [None, None, None], "list": [[1, 2], [], None],
    }  # fmt: skip
    rows = [
        ({"bed": f"b{k}", **{n: v[k] for n, v in columns.items()}}, polygon(rectangle(3, 3, at=(5 * k, 0))))
        for k in range(3)
    ]
    write_features(tmp_path / "a.geojson", rows)
    first, _ = read_features([Source(tmp_path / "a.geojson")], "beds")
    written = convert({"beds": first}, tmp_path / "a.gpkg")
    second = again(tmp_path / "a.gpkg", "beds")
    assert_same(first, second)
    for name in ("count", "share", "yes", "word", "fid", "geom", "nothing"):
        assert second.attributes[name].tolist() == first.attributes[name].tolist(), name
    assert written.renamed == (("beds", "Word", "Word_2"),)
    assert second.attributes["Word_2"].tolist() == ["other", "case", None]
    # values that have no one type are kept as text
    assert str(second.attributes["mixed"][1]) == "b"
    assert float(second.attributes["big"][0]) == pytest.approx(2.0**70)


def test_ids_and_names_that_the_program_gave(tmp_path: Path) -> None:
    write_features(
        tmp_path / "a.geojson",
        [
            ({"bed": "x", "name": None}, polygon(rectangle(3, 3))),
            ({"bed": "x", "name": "N"}, polygon(rectangle(3, 3, at=(9, 0)))),
        ],
    )
    first, _ = read_features([Source(tmp_path / "a.geojson")], "beds")
    assert first.ids.tolist() == ["B1", "B2"]
    written = convert({"beds": first}, tmp_path / "a.gpkg")
    second = again(tmp_path / "a.gpkg", "beds")
    assert_same(first, second)
    assert ("beds", "bed", "bed_2") in written.renamed


def test_what_is_never_written_over(site: Path) -> None:
    out = site / "clean.gpkg"
    assert siteplan("convert", "grounds", out, cwd=site.parent).returncode == 0
    first = out.read_bytes()
    done = siteplan("convert", "grounds", out, cwd=site.parent)
    assert done.returncode == 1
    assert "--replace" in done.stderr
    assert siteplan("convert", "grounds", out, "--replace", cwd=site.parent).returncode == 0
    assert out.read_bytes() == first  # nothing of the clock in it
    done = siteplan("convert", out, out, "--layer", "beds", "--replace", cwd=site.parent)
    assert done.returncode == 1
    assert "one of the inputs" in done.stderr
    assert out.read_bytes() == first
    done = siteplan("convert", "grounds", "clean.shp", cwd=site.parent)
    assert done.returncode == 2
    done = siteplan("convert", "grounds", "no/such/folder.gpkg", cwd=site.parent)
    assert done.returncode == 1
    assert "cannot be written" in done.stderr
    assert sorted(p.name for p in site.iterdir()) == [
        "beds.geojson",
        "clean.gpkg",
        "site.toml",
        "walls.geojson",
    ]


def test_a_fault_writes_nothing_and_skip_faulty_does(site: Path) -> None:
    bow_tie = [(0, 0), (4, 4), (4, 0), (0, 4)]
    write_features(site / "beds.geojson", {"K": polygon(bow_tie), "R": polygon(rectangle(9, 3, at=(20, 0)))})
    done = siteplan("convert", "grounds", "out.gpkg", cwd=site.parent)
    assert done.returncode == 1
    assert "bow-tie" in done.stderr
    assert not (site.parent / "out.gpkg").exists()
    done = siteplan("convert", "grounds", "out.gpkg", "--skip-faulty", cwd=site.parent)
    assert done.returncode == 0
    assert '"K" is left out' in done.stderr
    assert done.stdout == "out.gpkg: 1 beds, 1 abutments\n"


def test_an_interrupted_write_leaves_the_old_file(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found, _ = read_features([Source(site / "beds.geojson")], "beds")
    out = site / "a.gpkg"
    convert({"beds": found}, out)
    first = out.read_bytes()

    def broken(*_: Any, **__: Any) -> None:
        raise OSError("disk full")

    monkeypatch.setattr("siteplan.convert.raw.write", broken)
    with pytest.raises(OutputError, match="disk full"):
        convert({"beds": found}, out, replace=True)
    assert out.read_bytes() == first
    assert sorted(p.name for p in site.iterdir()) == ["a.gpkg", "beds.geojson", "site.toml", "walls.geojson"]
    with pytest.raises(UsageError):
        convert({"beds": found}, site / "a.geojson")


@settings(deadline=None, derandomize=True, max_examples=40)
@given(
    st.integers(0, 2**31),
    st.lists(st.sampled_from(["ring", "islands", "parts", "line", "lines", "mixed"]), min_size=1, max_size=6),
    st.sampled_from(["none", "all", "some"]),
)
def test_any_features_read_back_the_same(
    tmp_path_factory: pytest.TempPathFactory, seed: int, kinds: list[str], heights: str
) -> None:
    noise = np.random.default_rng(seed)

    def ring(x: float, y: float, size: float, count: int = 7) -> np.ndarray:
        turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
        radius = size * noise.uniform(0.8, 1, count)
        xy: np.ndarray = radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]) + (x, y)
        if heights == "none":
            return xy
        return np.column_stack([xy, noise.uniform(0, 9, count)])

    shapes: list[Any] = []
    for k, kind in enumerate(kinds):
        x, y = 330_000.0 + 100 * k, 4_690_000.0
        whole = shapely.Polygon(ring(x, y, 20), [ring(x - 6, y, 3), ring(x + 6, y, 3)])
        made: Any = {
            "ring": shapely.Polygon(ring(x, y, 20)), "islands": whole,
            "parts": shapely.MultiPolygon([whole, shapely.Polygon(ring(x + 50, y, 9))]),
            "line": shapely.LineString(ring(x, y, 20)),
            "lines": shapely.MultiLineString([ring(x, y, 20), ring(x + 50, y, 9)]),
            "mixed": shapely.GeometryCollection([whole, shapely.LineString(ring(x + 50, y, 9))]),
        }[kind]  # fmt: skip
        shapes.append(shapely.force_2d(made) if heights == "some" and k % 2 else made)
    folder = tmp_path_factory.mktemp("convert")
    frame = gpd.GeoDataFrame(
        {"bed": [f"b{k}" for k in range(len(shapes))]}, geometry=shapes, crs="EPSG:32619"
    )
    frame.to_file(folder / "a.geojson", COORDINATE_PRECISION=17)
    first, _ = read_features([Source(folder / "a.geojson")], "beds")
    assert [g.geom_type for g in geometries(first)] == [s.geom_type for s in shapes]
    convert({"beds": first}, folder / "a.gpkg")
    assert_same(first, again(folder / "a.gpkg", "beds"))


def test_lines_and_points_keep_their_kind(tmp_path: Path) -> None:
    write_features(
        tmp_path / "a.geojson",
        [
            ({"id": "gate", "width": "3 ft"}, {"type": "Point", "coordinates": list(ORIGIN)}),
            ({"id": "walk", "width": None}, line([(0, 0), (5, 5)])),
        ],
    )
    first, _ = read_features([Source(tmp_path / "a.geojson")], "openings")
    convert({"openings": first}, tmp_path / "a.gpkg")
    second = again(tmp_path / "a.gpkg", "openings")
    assert_same(first, second)
    assert second.attributes["width_m"].tolist() == [0.9144, None]


# -- damaged files ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[bytes, dict[str, Any]]]:
    """A sound file of each format with a reader of our own, and what it needs to be told."""
    folder = tmp_path_factory.mktemp("sound")
    lonlat = lonlat_of(kidney(12, size=20))
    packed(folder / "a.kmz", {"doc.kml": kml(("beds", {"K": lonlat}))})
    doc = ezdxf.filemanagement.new("R12")
    nodes = [(330000, 4690000, 0), (330005, 4690000, 1), (330005, 4690005, 0)]
    doc.modelspace().add_polyline2d(nodes, format="xyb", close=True)
    doc.modelspace().add_arc((330020, 4690000), 5, 0, 90)
    doc.saveas(folder / "a.dxf")
    grid = {"crs": "EPSG:32619"}
    rows = "point,northing,easting,height,line,seq,curve,close\n" + "".join(
        f"{k},{4690000 + y},{330000 + x},1.5,A,{k},{c},{'yes' if k == 4 else ''}\n"
        for k, (x, y, c) in enumerate([(0, 0, ""), (9, 0, ""), (12, 3, "through"), (9, 6, "")], 1)
    )
    notes = (
        "crs EPSG:32619\nunit ft\npoint A, east 0, north 0\npoint B, east 30, north 0\n"
        "anchor A, east 330000 m, north 4690000 m\nanchor B, east 330009.14 m, north 4690000 m\n"
        "outline N\nstart A\nleg E, 30\ncurve left, radius 10, delta 180\nleg W, 30\nclose line\n"
    )
    return {
        "a.gpx": (gpx(("w", lonlat)).encode(), {}),
        "a.kmz": ((folder / "a.kmz").read_bytes(), {}),
        "a.kml": (kml(("beds", {"K": lonlat})).encode(), {}),
        "a.dxf": ((folder / "a.dxf").read_bytes(), {**grid, "unit": "m", "unit_overrules": True}),
        "a.csv": (rows.encode(), grid),
        "a.txt": (notes.encode(), {}),
    }


@settings(deadline=None, derandomize=True, max_examples=120)
@given(st.integers(0, 2**31))
def test_a_damaged_file_of_any_format_gives_rows_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, sound: dict[str, tuple[bytes, dict[str, Any]]], seed: int
) -> None:
    noise = np.random.default_rng(seed)
    folder = tmp_path_factory.mktemp("damaged")
    name = list(sound)[int(noise.integers(len(sound)))]
    content, options = sound[name]
    data = bytearray(content)
    for _ in range(int(noise.integers(1, 5))):
        at = int(noise.integers(max(len(data), 1)))
        how = int(noise.integers(4))
        if how == 0 and data:
            data[at] = int(noise.integers(256))
        elif how == 1:
            del data[at : at + int(noise.integers(1, 40))]
        elif how == 2:
            data[at:at] = [b"nan", b"\xff\xfe", b"1e999", b'"', b"\n", b"-", b"\x00"][int(noise.integers(7))]
        else:
            data = data[:at] or bytearray(b" ")
    (folder / name).write_bytes(bytes(data))
    before = state_of(folder)
    report = check_file(InputFile(file=name, **options), folder)
    assert all(r.code and r.text for r in report.rows)
    assert state_of(folder) == before


def test_the_samples_themselves_are_sound(
    tmp_path: Path, sound: dict[str, tuple[bytes, dict[str, Any]]]
) -> None:
    for name, (content, options) in sound.items():
        (tmp_path / name).write_bytes(content)
        assert check_file(InputFile(file=name, **options), tmp_path).errors == 0, name
