"""Reading what is right: coordinates, attributes, ids, CRS; real files; formats against each other."""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import Finding, UsageError
from siteplan.intake import Source, read_features
from siteplan.model import Features, RingKind
from tests.geojson_files import (
    GRID,
    SQUARE,
    collection,
    feature,
    in_degrees,
    line,
    moved,
    multipolygon,
    on_grid,
    point,
    polygon,
    written,
)

HOSTILE = [
    "{{7*7}}",
    "${7*7}",
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    'say "hi" it\'s',
    "\u202eright to left\u202c",
    "\u0628\u064a\u062a",
    "  padded  ",
    "a;b|c,d\\e/f",
    "%s %d {0}",
    "\U0001f339 rose",
    "0",
    "null",
]


def read(path: Path, role: str = "beds", **options: Any) -> tuple[Features, tuple[Finding, ...]]:
    of_source = {k: options.pop(k) for k in ("layer", "where", "crs") if k in options}
    return read_features([Source(path, **of_source)], role, **options)


def rings(features: Features) -> list[list[tuple[float, float]]]:
    cuts = features.ring_offsets
    return [[(float(x), float(y)) for x, y in features.coords[a:b]] for a, b in itertools.pairwise(cuts)]


def codes(findings: tuple[Finding, ...]) -> list[str]:
    return [f.code for f in findings]


# -- shape of the table --------------------------------------------------------


def test_rings_come_in_order_and_closing_vertices_are_dropped(tmp_path: Path) -> None:
    island = moved(SQUARE, 1, 1, 0.25)
    path = written(
        tmp_path / "a.geojson",
        collection(
            feature(polygon(on_grid(SQUARE), on_grid(island)), bed="N"),
            feature(line(*on_grid([[9, 0], [12, 0], [12, 5]])), bed="S"),
            feature(
                multipolygon(
                    [on_grid(moved(SQUARE, 20, 0))],
                    [on_grid(moved(SQUARE, 30, 0)), on_grid(moved(SQUARE, 31, 1, 0.25))],
                ),
                bed="W",
            ),
            crs=GRID,
        ),
    )
    beds, findings = read(path)
    kinds = RingKind
    assert beds.ring_kind.tolist() == [
        kinds.OUTER, kinds.ISLAND, kinds.LINE, kinds.OUTER, kinds.OUTER, kinds.ISLAND,
    ]  # fmt: skip
    assert beds.ring_feature.tolist() == [0, 0, 1, 2, 2, 2]
    assert np.diff(beds.ring_offsets).tolist() == [4, 4, 3, 4, 4, 4]
    assert rings(beds)[1] == [tuple(p) for p in on_grid(island)[:-1]]
    assert beds.ids.tolist() == ["N", "S", "W"]
    assert beds.crs == GRID
    assert beds.row.tolist() == [1, 2, 3]
    assert np.isnan(beds.z).all()
    assert findings == ()


@pytest.mark.parametrize("wrap", ["geometry", "feature", "collection"])
def test_a_single_geometry_a_feature_and_a_collection_read_the_same(tmp_path: Path, wrap: str) -> None:
    geometry = polygon(in_degrees(SQUARE))
    content = {
        "geometry": geometry, "feature": feature(geometry), "collection": collection(feature(geometry))
    }[wrap]  # fmt: skip
    beds, _ = read(written(tmp_path / "a.geojson", content))
    assert rings(beds) == [[tuple(p) for p in in_degrees(SQUARE)[:-1]]]
    assert beds.crs == "EPSG:4326"
    assert beds.ids.tolist() == ["B1"]


def test_a_collection_of_allowed_kinds_is_opened_in_order(tmp_path: Path) -> None:
    inner = {"type": "GeometryCollection", "geometries": [line(*in_degrees([[9, 9], [9, 10]]))]}
    mixed = {"type": "GeometryCollection", "geometries": [inner, polygon(in_degrees(SQUARE))]}
    beds, _ = read(written(tmp_path / "a.geojson", collection(feature(mixed))))
    assert beds.ring_kind.tolist() == [RingKind.LINE, RingKind.OUTER]


def test_attributes_keep_their_values_and_gaps_are_none(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.geojson",
        collection(
            feature(polygon(in_degrees(SQUARE)), n=3, x=1.5, ok=True, text="t", nested={"a": [1]}),
            feature(polygon(in_degrees(moved(SQUARE, 9, 0))), n=None, x=None, ok=None, text=None),
        ),
    )
    beds, _ = read(path)
    assert [type(v) for v in (beds.attributes["n"][0], beds.attributes["ok"][0])] == [int, bool]
    assert {k: v[0] for k, v in beds.attributes.items()} == {
        "n": 3, "x": 1.5, "ok": True, "text": "t", "nested": '{ "a": [ 1 ] }',
    }  # fmt: skip
    assert all(v[1] is None for v in beds.attributes.values())


def test_several_files_of_one_role_are_joined_in_order(tmp_path: Path) -> None:
    one = written(tmp_path / "1.geojson", collection(feature(polygon(in_degrees(SQUARE)), bed="x", a=1)))
    two = written(
        tmp_path / "2.geojson", collection(feature(polygon(in_degrees(moved(SQUARE, 9, 0))), bed="y", b=2))
    )
    beds, _ = read_features([Source(one), Source(two)], "beds")
    assert beds.ids.tolist() == ["x", "y"]
    assert beds.file.tolist() == ["1.geojson", "2.geojson"]
    assert beds.attributes["a"].tolist() == [1, None]
    assert beds.attributes["b"].tolist() == [None, 2]
    assert rings(beds)[1] == [tuple(p) for p in in_degrees(moved(SQUARE, 9, 0))[:-1]]


def test_repeated_vertices_and_spikes_pass_for_the_outline_stage_to_mend(tmp_path: Path) -> None:
    doubled = [[0, 0], [4, 0], [4, 0], [4, 4], [0, 4], [0, 0]]
    spiked = [[10, 0], [14, 0], [14, 4], [12, 4], [12, 7], [12, 4], [10, 4], [10, 0]]
    path = written(
        tmp_path / "a.geojson",
        collection(feature(polygon(on_grid(doubled))), feature(polygon(on_grid(spiked))), crs=GRID),
    )
    beds, findings = read(path)
    assert np.diff(beds.ring_offsets).tolist() == [5, 7]
    assert codes(findings) == ["spike"]
    assert findings[0].bed == "B2"


# -- heights -------------------------------------------------------------------


def with_z(ring: list[list[float]], *z: float) -> list[list[float]]:
    return [[*p, h] for p, h in zip(ring, [*z, z[0]], strict=True)]


def test_heights_are_kept_and_do_not_change_the_crs(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.geojson", collection(feature(polygon(with_z(in_degrees(SQUARE), 5, 6, 7.5, 8))))
    )
    beds, findings = read(path)
    assert beds.z.tolist() == [5, 6, 7.5, 8]
    assert beds.crs == "EPSG:4326"
    assert findings == ()


@pytest.mark.parametrize(
    ("second", "code"),
    [
        (with_z(in_degrees(moved(SQUARE, 9, 0)), 0, 0, 0, 0), "z-mixed"),
        (in_degrees(moved(SQUARE, 9, 0)), "z-mixed"),
    ],
)
def test_mixed_heights_are_told(tmp_path: Path, second: list[list[float]], code: str) -> None:
    first = with_z(in_degrees(SQUARE), 5, 6, 7.5, 8)
    _, findings = read(
        written(tmp_path / "a.geojson", collection(feature(polygon(first)), feature(polygon(second))))
    )
    assert codes(findings) == [code]
    assert "4 of 8" in findings[0].text


def test_heights_that_are_all_zero_are_told(tmp_path: Path) -> None:
    flat = with_z(in_degrees(SQUARE), 0, 0, 0, 0)
    _, findings = read(written(tmp_path / "a.geojson", collection(feature(polygon(flat)))))
    assert codes(findings) == ["z-zero"]


def test_measures_are_left_with_a_notice(tmp_path: Path) -> None:
    """Written through fiona's GDAL would drop M, so a GeoPackage geometry is put together by hand."""
    path = tmp_path / "m.gpkg"
    shape = shapely.from_wkt("LINESTRING ZM (330000 4690000 3 9, 330004 4690000 3 9)")
    pyogrio.raw.write(
        path, np.array([shapely.to_wkb(shapely.force_2d(shape))]),
        field_data=[], fields=[], geometry_type="LineString", crs=GRID, driver="GPKG",
    )  # fmt: skip
    head = b"GP\x00\x01" + (32619).to_bytes(4, "little")
    with contextlib.closing(sqlite3.connect(path)) as base:
        # Triggers of the spatial index call functions only GDAL has.
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.execute(
            "UPDATE m SET geom = ?", [head + shapely.to_wkb(shape, output_dimension=4, flavor="iso")]
        )
        base.execute("UPDATE gpkg_geometry_columns SET z = 1, m = 1")
        base.commit()
    beds, findings = read(path)
    assert beds.z.tolist() == [3, 3]
    assert codes(findings) == ["m-dropped"]


# -- ids and names -------------------------------------------------------------


def beds_with(tmp_path: Path, *properties: dict[str, Any], fids: list[Any] | None = None) -> Path:
    return written(
        tmp_path / "beds.geojson",
        collection(
            *(
                feature(polygon(on_grid(moved(SQUARE, 9 * k, 0))), fid=fids[k] if fids else None, **p)
                for k, p in enumerate(properties)
            ),
            crs=GRID,
        ),
    )


@pytest.mark.parametrize(
    ("properties", "expected"),
    [
        ([{"bed": "a", "id": 1}, {"bed": "b", "id": 2}], ["a", "b"]),
        ([{"bed": "a", "id": 1}, {"bed": "a", "id": 2}], ["1", "2"]),
        ([{"bed": "", "id": 7}, {"bed": "b", "id": 8}], ["7", "8"]),
        ([{"bed": "  ", "ref": "r1"}, {"bed": "b", "ref": "r2"}], ["r1", "r2"]),
        ([{"bed": None, "ref": 1.0}, {"bed": "b", "ref": 2.5}], ["1", "2.5"]),
        ([{"ID": "x"}, {"ID": "y"}], ["x", "y"]),
        ([{"other": 1}, {"other": 2}], ["B1", "B2"]),
        ([{}, {}], ["B1", "B2"]),
    ],
)
def test_ids_come_from_the_first_attribute_that_identifies(
    tmp_path: Path, properties: list[dict[str, Any]], expected: list[str]
) -> None:
    beds, _ = read(beds_with(tmp_path, *properties))
    assert beds.ids.tolist() == expected


@pytest.mark.parametrize(
    ("fids", "expected"),
    [
        ([7, 3], ["7", "3"]),
        ([0, 1], ["0", "1"]),
        (["north", "south"], ["north", "south"]),
        ([5, 5], ["B1", "B2"]),
        ([5, None], ["B1", "B2"]),
    ],
)
def test_ids_of_geojson_features_serve_when_no_attribute_does(
    tmp_path: Path, fids: list[Any], expected: list[str]
) -> None:
    beds, _ = read(beds_with(tmp_path, {"a": 1}, {"a": 1}, fids=fids))
    assert beds.ids.tolist() == expected


def test_whole_number_feature_ids_follow_a_filter(tmp_path: Path) -> None:
    path = beds_with(tmp_path, {"a": 1}, {"a": 2}, {"a": 2}, fids=[30, 20, 10])
    beds, _ = read(path, where="a = 2")
    assert beds.ids.tolist() == ["20", "10"]


@pytest.mark.parametrize(("role", "letter"), [("beds", "B"), ("abutments", "A"), ("openings", "O")])
def test_numbers_stand_in_for_ids_by_role(tmp_path: Path, role: str, letter: str) -> None:
    beds, _ = read(beds_with(tmp_path, {}, {}), role)
    assert beds.ids.tolist() == [f"{letter}1", f"{letter}2"]


def test_ids_that_two_features_share_are_told(tmp_path: Path) -> None:
    """One id given twice renamed every bed of the file without a word."""
    beds, findings = read(beds_with(tmp_path, {"bed": "N"}, {"bed": "N"}, {"bed": "S"}))
    assert beds.ids.tolist() == ["B1", "B2", "B3"]
    assert codes(findings) == ["id-passed-over"]
    assert '2 features share "N"' in findings[0].text


def test_the_bed_an_opening_belongs_to_is_not_its_id(tmp_path: Path) -> None:
    openings, _ = read(beds_with(tmp_path, {"bed": "N"}, {"bed": "S"}), "openings")
    assert openings.ids.tolist() == ["O1", "O2"]


def test_named_id_and_name_attributes_win(tmp_path: Path) -> None:
    path = beds_with(
        tmp_path, {"bed": "a", "nr": 10, "title": "North"}, {"bed": "b", "nr": 11, "title": None}
    )
    beds, _ = read(path, id_attribute="nr", name_attribute="title")
    assert beds.ids.tolist() == ["10", "11"]
    assert beds.names.tolist() == ["North", "11"]


def test_names_fall_back_to_ids(tmp_path: Path) -> None:
    beds, _ = read(beds_with(tmp_path, {"bed": "a", "Name": "Rose bed"}, {"bed": "b", "Name": ""}))
    assert beds.names.tolist() == ["Rose bed", "b"]


def test_a_long_id_gives_way_to_a_number_and_stays_as_the_name(tmp_path: Path) -> None:
    long = "x" * 41
    beds, findings = read(beds_with(tmp_path, {"bed": long}, {"bed": "B1"}, {"bed": "y" * 40}))
    assert beds.ids.tolist() == ["B1a", "B1", "y" * 40]
    assert beds.names.tolist() == [long, "B1", "y" * 40]
    assert codes(findings) == ["long-id"]


@pytest.mark.parametrize("suffix", ["geojson", "gpkg", "shp", "kml"])
def test_hostile_text_survives_unchanged(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"beds.{suffix}"
    shapes = [shapely.Polygon(in_degrees(moved(SQUARE, 9 * k, 0))) for k in range(len(HOSTILE))]
    # KML has a Name for every feature; an id of ours travels in it there.
    frame = gpd.GeoDataFrame({"Name": HOSTILE, "bed": HOSTILE}, geometry=shapes, crs="EPSG:4326")
    frame.to_file(path, driver="KML" if suffix == "kml" else None)
    beds, _ = read(path)
    # Blanks at the ends are lost by the formats themselves: a .dbf field is filled up with them, and
    # GDAL's KML reader takes them for the layout of the XML.
    clean = str.strip if suffix in ("shp", "kml") else str
    assert [clean(t) for t in beds.names] == [clean(t) for t in HOSTILE]
    assert [clean(t) for t in beds.ids] == [clean(t) for t in HOSTILE]


@pytest.mark.parametrize("name", ["{{7*7}}", "${7*7}", "<img src=x onerror=alert(1)>", "a?b#c%20", "GPKG:x"])
def test_hostile_file_names_are_files(tmp_path: Path, name: str) -> None:
    path = written(tmp_path / f"{name}.geojson", collection(feature(polygon(in_degrees(SQUARE)))))
    beds, _ = read(path)
    assert beds.file.tolist() == [path.name]


@given(ids=st.lists(st.text(min_size=1, max_size=40), min_size=1, max_size=6, unique=True))
@settings(deadline=None, derandomize=True, max_examples=80)
def test_any_text_without_control_characters_is_an_id(ids: list[str]) -> None:
    usable = [i for i in ids if i.strip() and i.isprintable()]
    with tempfile.TemporaryDirectory() as folder:
        path = written(
            Path(folder) / "a.geojson",
            collection(
                *(feature(polygon(on_grid(moved(SQUARE, 9 * k, 0))), bed=i) for k, i in enumerate(usable)),
                feature(polygon(on_grid(moved(SQUARE, 0, 50))), bed="last one of all"),
                crs=GRID,
            ),
        )
        beds, _ = read(path)
    assert beds.ids.tolist() == [*usable, "last one of all"]


# -- openings ------------------------------------------------------------------


def test_openings_may_be_points_with_a_width(tmp_path: Path) -> None:
    path = written(
        tmp_path / "o.geojson",
        collection(
            feature(point(*on_grid([[0, 0]])[0]), width="3 ft"),
            feature(point(*on_grid([[5, 0]])[0]), width_m=1.25),
            feature(line(*on_grid([[9, 0], [9, 1]])), width="1' 6\""),
            feature(polygon(on_grid(SQUARE))),
            crs=GRID,
        ),
    )
    openings, _ = read(path, "openings")
    assert openings.ring_kind.tolist() == [RingKind.POINT, RingKind.POINT, RingKind.LINE, RingKind.OUTER]
    # 3 ft = 0.9144 m and 1' 6" = 0.4572 m exactly: the foot is 0.3048 m (NIST, 85 FR 62698).
    assert openings.attributes["width_m"].tolist() == [0.9144, 1.25, 0.4572, None]


def test_a_width_without_a_unit_is_metres_only_as_a_number(tmp_path: Path) -> None:
    path = written(
        tmp_path / "o.geojson", collection(feature(point(*on_grid([[0, 0]])[0]), width=2), crs=GRID)
    )
    openings, _ = read(path, "openings")
    assert openings.attributes["width_m"].tolist() == [2.0]


# -- CRS -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["urn:ogc:def:crs:OGC:1.3:CRS84", "OGC:CRS84", "EPSG:4326", "urn:ogc:def:crs:EPSG::4326"],
)
def test_all_spellings_of_wgs84_are_one_crs(tmp_path: Path, name: str) -> None:
    content = collection(feature(polygon(in_degrees(SQUARE))))
    content["crs"] = {"type": "name", "properties": {"name": name}}
    beds, _ = read(written(tmp_path / "a.geojson", content))
    assert beds.crs == "EPSG:4326"


def test_a_geojson_without_a_crs_member_can_be_declared(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.geojson",
        collection(feature(polygon(moved(SQUARE, 770_000, 2_950_000)), crs="not the member")),
    )
    beds, _ = read(path, crs="EPSG:2249")
    assert beds.crs == "EPSG:2249"
    assert beds.attributes["crs"].tolist() == ["not the member"]


def test_a_declaration_that_agrees_with_the_file_is_no_fault(tmp_path: Path) -> None:
    path = written(tmp_path / "a.geojson", collection(feature(polygon(on_grid(SQUARE))), crs=GRID))
    assert read(path, crs="EPSG:32619")[0].crs == GRID


def test_a_site_across_the_180th_meridian_is_small(tmp_path: Path) -> None:
    west = [[x + 179.999, y - 17.0] for x, y in moved(SQUARE, 0, 0, 1e-4)]
    east = [[x - 179.9999, y - 17.0] for x, y in moved(SQUARE, 0, 0, 1e-4)]
    path = written(tmp_path / "a.geojson", collection(feature(polygon(west)), feature(polygon(east))))
    assert len(read(path)[0]) == 2


def test_a_small_grid_of_ones_own_may_have_small_numbers(tmp_path: Path) -> None:
    """Beds of metres near the origin of a local grid are not degrees: they are too long for that."""
    local = "+proj=tmerc +lat_0=42 +lon_0=-71 +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m"
    path = written(tmp_path / "a.geojson", collection(feature(polygon(SQUARE))))
    beds, _ = read(path, crs=local)
    assert beds.coords.max() == 4.0


# -- real files ----------------------------------------------------------------
# Counts stand in the data folder's README, as its author measured them with geopandas.


@pytest.mark.parametrize(
    ("name", "options", "features", "crs", "vertices_with_closing"),
    [
        ("bubenec.gpkg", {"layer": "plots"}, 407, "EPSG:3857", 7_768),
        ("bubenec.gpkg", {"layer": "buildings"}, 144, "EPSG:3857", 1_807),
        ("liverpool_buildings_27700.geojson", {}, 262, "EPSG:27700", 2_343),
        ("air_runways_usft.shp", {}, 319, "EPSG:2230", 8_819),
        ("atlanta_buildings.geojson", {}, 43, "EPSG:32616", 390),
        ("two_layers.kml", {"layer": "#Bingo"}, 4, "EPSG:4326", None),
        ("somes_island.osm.pbf", {"layer": "multipolygons"}, 55, "EPSG:4326", None),
    ],
)
def test_real_files_read_whole(
    shared_data: Path,
    name: str,
    options: dict[str, Any],
    features: int,
    crs: str,
    vertices_with_closing: int | None,
) -> None:
    found, _ = read(shared_data / name, "abutments", **options)
    assert len(found) == features
    assert found.crs == crs
    if vertices_with_closing is not None:
        # No line in these files: each ring of the file has one vertex more, the closing one.
        assert len(found.coords) + len(found.ring_kind) == vertices_with_closing


def test_scrub_of_helsinki_with_its_one_faulty_ring_left_out(shared_data: Path) -> None:
    path = shared_data / "helsinki.osm.pbf"
    beds, findings = read(path, layer="multipolygons", where="natural = 'scrub'", skip_faulty=True)
    assert len(beds) == 68
    # 542 vertices of the data folder's README count the closing one of each ring.
    assert len(beds.coords) + len(beds.ring_kind) == 542
    assert [(f.code, f.grade, f.bed) for f in findings] == [("left-out", "error", "B28")]
    assert "too-few-vertices" in findings[0].text
    assert "B28" not in beds.ids


@pytest.mark.parametrize(
    ("where", "all_of_them", "valid"), [("landuse = 'grass'", 98, 89), ("building IS NOT NULL", 494, 471)]
)
def test_lawns_and_buildings_of_helsinki(shared_data: Path, where: str, all_of_them: int, valid: int) -> None:
    found, findings = read(
        shared_data / "helsinki.osm.pbf", "abutments", layer="multipolygons", where=where, skip_faulty=True
    )
    assert len(found) == valid
    assert codes(findings).count("left-out") == all_of_them - valid


def test_an_island_south_of_the_equator(shared_data: Path) -> None:
    found, _ = read(shared_data / "somes_island.osm.pbf", "abutments", layer="multipolygons")
    assert (found.coords[:, 1] < -41.2).all()
    assert (found.coords[:, 0] > 174.8).all()


def test_buildings_in_kml_keep_their_heights(shared_data: Path) -> None:
    found, _ = read(shared_data / "two_layers.kml", layer="#Bingo")
    assert sorted({float(z) for z in found.z}) == sorted({float(z) for z in found.z if z > 0})
    assert found.names.tolist() == ["Building 40", "Building 41", "Building 42", "Building 43"]


@pytest.mark.parametrize(
    ("name", "layer"),
    [("bubenec.gpkg", "plots"), ("liverpool_buildings_27700.geojson", None), ("air_runways_usft.shp", None)],
)
def test_fiona_reads_the_same_vertices(shared_data: Path, name: str, layer: str | None) -> None:
    """A second reader, with a build of GDAL of its own: equal to the last bit."""
    found, _ = read(shared_data / name, "abutments", layer=layer)
    assert np.array_equal(found.coords, _by_fiona(shared_data / name, layer))


def _by_fiona(path: Path, layer: str | None) -> np.ndarray[Any, Any]:
    vertices: list[tuple[float, float]] = []
    with fiona.open(path, layer=layer, allow_unsupported_drivers=True) as source:
        for row in source:
            geometry = row.geometry
            nested = geometry.coordinates
            if geometry.type == "LineString":
                vertices += [p[:2] for p in nested]
                continue
            parts = {"Polygon": [nested], "MultiPolygon": nested, "MultiLineString": [nested]}[geometry.type]
            keep = None if geometry.type == "MultiLineString" else -1
            vertices += [p[:2] for part in parts for ring in part for p in ring[:keep]]
    return np.array(vertices)


# -- there and back, format by format ------------------------------------------


@st.composite
def shapes(draw: st.DrawFn, kind: str) -> list[shapely.Geometry]:
    """Star-shaped beds on a wide raster, with islands and several parts, or lines; in degrees."""
    made: list[shapely.Geometry] = []
    count = draw(st.integers(1, 5))
    unit = st.floats(0.5, 1.0)
    for k in range(count):
        n = draw(st.integers(3, 9))
        centre = np.array([24.9 + 0.001 * k, 60.1 + 0.0007 * draw(st.integers(0, 3))])
        turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
        round_ = np.column_stack([np.cos(turn), np.sin(turn)])
        outer = centre + 1e-4 * round_ * np.array(draw(st.lists(unit, min_size=n, max_size=n)))[:, None]
        if kind == "line":
            made.append(shapely.LineString(outer))
            continue
        islands = [centre + 1e-5 * round_[::-1]] if draw(st.booleans()) else []
        bed = shapely.Polygon(outer, islands)
        twice = kind == "mixed" and draw(st.booleans())
        second = shapely.Polygon(outer + np.array([0, 0.0004]))
        made.append(shapely.MultiPolygon([bed, second]) if twice else bed)
    return made


def expected_rings(geometries: list[shapely.Geometry]) -> list[np.ndarray[Any, Any]]:
    """Rings by shapely's own accessors, one geometry at a time: the second path to the table."""
    found = []
    for geometry in geometries:
        for part in getattr(geometry, "geoms", [geometry]):
            if part.geom_type == "LineString":
                found.append(np.array(part.coords))
                continue
            found += [np.array(r.coords)[:-1] for r in (part.exterior, *part.interiors)]
    return found


def canonical(ring: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """The ring from its least vertex, counter-clockwise: some formats turn rings round."""
    x, y = ring.T
    area = np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
    ring = ring if area > 0 else ring[::-1]
    return np.roll(ring, -int(np.lexsort(ring.T[::-1])[0]), axis=0)


FORMATS = [
    # driver, suffix, options, greatest difference in degrees, whether ring order and direction stay
    ("json", "geojson", {}, 0.0, True),
    # GDAL's own writer loses the last bit of some numbers even at 17 figures.
    ("GeoJSON", "geojson", {"SIGNIFICANT_FIGURES": "17"}, 7.2e-15, True),
    ("GPKG", "gpkg", {}, 0.0, True),
    ("ESRI Shapefile", "shp", {}, 0.0, False),
    # KML is decimal text with 15 significant digits: 5e-14 at 60 degrees, 6 nanometres.
    ("KML", "kml", {}, 5.1e-14, True),
]


@pytest.mark.parametrize("kind", ["polygon", "mixed", "line"])
@pytest.mark.parametrize(
    ("driver", "suffix", "options", "tolerance_deg", "keeps"), FORMATS, ids=lambda v: str(v)[:8]
)
def test_coordinates_come_back(
    kind: str, driver: str, suffix: str, options: dict[str, str], tolerance_deg: float, keeps: bool
) -> None:
    @given(geometries=shapes(kind))
    @settings(deadline=None, derandomize=True, max_examples=12)
    def check(geometries: list[shapely.Geometry]) -> None:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"beds.{suffix}"
            frame = gpd.GeoDataFrame({"Name": ["n"] * len(geometries)}, geometry=geometries, crs="EPSG:4326")
            if driver == "json":  # Python's own writer: shortest decimals that read back as they were
                path.write_text(frame.to_json(show_bbox=False))
            else:
                pyogrio.write_dataframe(frame, path, driver=driver, **options)
            beds, _ = read(path)
            second = _by_fiona(path, None)
        wanted = expected_rings(geometries)
        got = [np.array(r) for r in rings(beds)]
        if kind != "line" and not keeps:
            wanted, got = [canonical(r) for r in wanted], [canonical(r) for r in got]
        assert [len(r) for r in got] == [len(r) for r in wanted]
        assert max(np.abs(a - b).max() for a, b in zip(got, wanted, strict=True)) <= tolerance_deg
        assert np.array_equal(beds.coords, second)

    check()


def test_a_zipped_shapefile_reads_like_the_plain_one(tmp_path: Path, shared_data: Path) -> None:
    whole, _ = read(shared_data / "air_runways_usft.shp")
    for folder in ("", "some folder/"):
        path = tmp_path / f"z{len(folder)}; a!b.zip"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for part in sorted(shared_data.glob("air_runways_usft.*")):
                archive.write(part, folder + part.name)
        zipped, _ = read(path)
        assert np.array_equal(zipped.coords, whole.coords)
        assert zipped.crs == whole.crs == "EPSG:2230"


def test_one_of_several_files_in_a_zip_is_named_like_a_layer(tmp_path: Path) -> None:
    path = tmp_path / "both.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name, dx in (("beds", 0), ("lawns", 9)):
            part = written(
                tmp_path / f"{name}.geojson", collection(feature(polygon(in_degrees(moved(SQUARE, dx, 0)))))
            )
            archive.write(part, part.name)
    lawns, _ = read(path, layer="lawns")
    assert rings(lawns)[0][0] == tuple(in_degrees([[9, 0]])[0])


def test_a_table_beside_the_only_layer_is_no_second_layer(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    gpd.GeoDataFrame(
        {"bed": ["x"]}, geometry=[shapely.box(330_000, 4_690_000, 330_004, 4_690_004)], crs=GRID
    ).to_file(path, layer="beds")
    pyogrio.write_dataframe(gpd.pd.DataFrame({"note": ["n"]}), path, layer="notes")
    beds, _ = read(path)
    assert beds.ids.tolist() == ["x"]
    assert beds.file.tolist() == ["a.gpkg (beds)"]


# -- manners -------------------------------------------------------------------


def test_unknown_role_and_no_source_are_wrong_usage(tmp_path: Path) -> None:
    path = written(tmp_path / "a.geojson", collection(feature(polygon(in_degrees(SQUARE)))))
    with pytest.raises(UsageError, match='role "lawns" is not known'):
        read(path, "lawns")
    with pytest.raises(UsageError, match="no file with beds"):
        read_features([], "beds")


def test_same_outline_twice_is_told(tmp_path: Path) -> None:
    same = polygon(on_grid(SQUARE))
    path = written(
        tmp_path / "a.geojson", collection(feature(same, bed="x"), feature(same, bed="y"), crs=GRID)
    )
    _, findings = read(path)
    assert codes(findings) == ["same-outline"]
    assert '"y" has the same outline as "x"' in findings[0].text


def test_a_line_that_crosses_itself_is_told(tmp_path: Path) -> None:
    loop = line(*on_grid([[0, 0], [4, 4], [4, 0], [0, 4]]))
    _, findings = read(written(tmp_path / "a.geojson", collection(feature(loop), crs=GRID)))
    assert codes(findings) == ["line-crosses-itself"]


def test_reading_twice_gives_the_same(shared_data: Path) -> None:
    one, told = read(shared_data / "air_runways_usft.shp")
    two, again = read(shared_data / "air_runways_usft.shp")
    assert np.array_equal(one.coords, two.coords)
    assert one.ids.tolist() == two.ids.tolist()
    assert told == again


def test_one_small_file_answers_soon(tmp_path: Path) -> None:
    """Processor time of a fresh process, imports included; the whole program may take 2 s on such a file."""
    path = written(tmp_path / "a.geojson", collection(feature(polygon(in_degrees(SQUARE)))))
    code = (
        "import time; from pathlib import Path;"
        "from siteplan.intake import Source, read_features;"
        f"read_features([Source(Path({str(path)!r}))], 'beds'); print(time.process_time())"
    )
    runs = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        for _ in range(2)
    ]
    assert min(float(r.stdout) for r in runs) < 1.5
