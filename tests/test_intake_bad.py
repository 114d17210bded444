"""Reading what is wrong: every fault has its code, its place and its remedy, and none escapes."""

from __future__ import annotations

import json
import re
import shutil
import struct
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, Fault
from siteplan.intake import MOST_FAULTS, Source, read_features
from siteplan.intake.rings import raw_shape
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


def faults_of(path: Path, role: str = "beds", **options: Any) -> tuple[Fault, ...]:
    of_source = {k: options.pop(k) for k in ("layer", "where", "crs") if k in options}
    with pytest.raises(DataError) as caught:
        read_features([Source(path, **of_source)], role, **options)
    assert caught.value.exit_code == 1
    for fault in caught.value.faults:
        assert fault.what
        assert fault.remedy
        assert fault.text.endswith(f"[{fault.code}]")
    return caught.value.faults


def only(path: Path, role: str = "beds", **options: Any) -> Fault:
    faults = faults_of(path, role, **options)
    assert len(faults) == 1, [f.text for f in faults]
    return faults[0]


def codes(faults: tuple[Fault, ...]) -> list[str]:
    return [f.code for f in faults]


# -- the real bad files ---------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "expected", "says"),
    [
        ("pixel_coords_no_crs.geojson", {"pixel-coordinates"}, "pixel columns and rows"),
        ("utm_coords_no_crs.geojson", {"grid-in-degrees"}, "latitude 3722758.485215372 is outside -90..90"),
        ("projected_coords_no_crs.geojson", {"grid-in-degrees"}, "metres or feet of a projected grid"),
        ("wrong_prj_multipolygons.shp", {"grid-in-degrees"}, "latitude 1000369"),
        ("points_epsg2249_no_prj.shp", {"no-crs", "point-geometry"}, "metres or feet of a projected grid"),
        ("points_wgs84_no_prj.shp", {"no-crs", "point-geometry"}, "could be degrees"),
        ("corrupt_too_long.shp", {"shapefile-damaged"}, "1145 bytes but its header says 1144"),
        ("no_shx.shp", {"shx-missing"}, ".shx part"),
        ("empty_zipfile.zip", {"zip-without-layer"}, '"dummyfile.txt"'),
        ("empty.geojson", {"empty-file"}, "0 bytes"),
        ("null_geom.geojson", {"null-geometry", "extent"}, "no geometry"),
        ("mixed_types.geojson", {"point-geometry"}, "is a point"),
        ("test_tin.shp", {"no-crs", "unsupported-geometry"}, "does not say which CRS"),
        ("curvepolygon.gpkg", {"arcs"}, "true arcs"),
        ("multisurface.gpkg", {"arcs"}, "true arcs"),
        ("line_zm.gpkg", {"extent"}, "km, more than 20 km"),
        (
            "messy_survey.csv",
            {"no-crs", "missing-coordinates", "not-a-place", "duplicate-point"},
            "does not say which CRS",
        ),
    ],
)
def test_every_real_bad_file_is_refused_with_its_code(
    shared_data: Path, name: str, expected: set[str], says: str
) -> None:
    faults = faults_of(shared_data / "bad" / name)
    assert set(codes(faults)) == expected
    assert says in faults[0].text
    assert name in faults[0].text


def test_every_file_of_the_bad_folder_is_in_the_table_above(shared_data: Path) -> None:
    files = [p for p in (shared_data / "bad").iterdir() if p.suffix not in (".dbf", ".shx", ".prj")]
    assert len(files) == 17


def test_numbers_of_the_points_are_as_many_as_the_points(shared_data: Path) -> None:
    faults = faults_of(shared_data / "bad" / "points_wgs84_no_prj.shp")
    assert codes(faults).count("point-geometry") == 73


def test_a_tin_is_named_even_where_the_crs_is_declared(shared_data: Path) -> None:
    fault = only(shared_data / "bad" / "test_tin.shp", crs="EPSG:4326")
    assert fault.code == "unsupported-geometry"
    assert "is a TIN" in fault.what


def test_a_null_geometry_can_be_left_out(shared_data: Path) -> None:
    path = shared_data / "bad" / "null_geom.geojson"
    with pytest.raises(DataError) as caught:
        read_features([Source(path)], "beds", skip_faulty=True)
    # What is left is one line across a continent.
    assert codes(caught.value.faults) == ["extent"]


# -- the file as a whole ---------------------------------------------------------


def good(folder: Path, name: str = "beds.geojson", **properties: object) -> Path:
    return written(folder / name, collection(feature(polygon(on_grid(SQUARE)), **properties), crs=GRID))


def test_no_such_file_offers_the_nearest_name(tmp_path: Path) -> None:
    good(tmp_path)
    fault = only(tmp_path / "bed.geojson")
    assert fault.code == "no-such-file"
    assert '"beds.geojson"' in fault.what
    assert only(tmp_path / "nowhere" / "a.shp").code == "no-such-file"


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    assert only(tmp_path).code == "is-a-folder"


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = good(tmp_path)
    monkeypatch.setattr("os.access", lambda *_: False)
    assert only(path).code == "not-readable"


def test_a_path_the_reader_would_take_apart(tmp_path: Path) -> None:
    for name in ("a;b.geojson", "a!b.geojson"):
        assert only(good(tmp_path, name)).code == "file-name"


@pytest.mark.parametrize("content", ["<html>hello", '{"hello": 1}', "[1, 2]", "just text\n", "\x00\x01\x02"])
def test_other_formats_are_not_known(tmp_path: Path, content: str) -> None:
    path = tmp_path / "a.geojson"
    path.write_text(content)
    fault = only(path)
    assert fault.code == "not-a-known-format"
    assert "GeoPackage" in fault.remedy


def test_a_picture_is_not_a_known_format(shared_data: Path) -> None:
    assert only(shared_data / "osbs_029.tif").code == "not-a-known-format"


@pytest.mark.parametrize("suffix", ["geojson", "gpkg", "kml", "shp"])
def test_a_file_cut_short_is_damaged(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    boxes = [shapely.box(x, 50, x + 1e-4, 50.0001) for x in np.arange(200) * 1e-3]
    driver = {"geojson": "GeoJSON", "gpkg": "GPKG", "kml": "KML", "shp": "ESRI Shapefile"}[suffix]
    gpd.GeoDataFrame({"bed": range(200)}, geometry=boxes, crs=4326).to_file(path, driver=driver)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    assert only(path).code in {"damaged-file", "shapefile-damaged"}


def test_records_that_contradict_the_index(tmp_path: Path) -> None:
    path = tmp_path / "a.shp"
    gpd.GeoDataFrame({"bed": ["x"]}, geometry=[shapely.box(3e5, 5e6, 3e5 + 4, 5e6 + 4)], crs=GRID).to_file(
        path
    )
    raw = bytearray(path.read_bytes())
    raw[104:108] = struct.pack(">i", 20)
    path.write_bytes(raw)
    fault = only(path)
    assert fault.code == "shapefile-damaged"
    assert "record 1 has 40 bytes by the .shp part" in fault.what


def test_a_shapefile_without_its_attributes_is_read_with_a_notice(tmp_path: Path) -> None:
    path = tmp_path / "a.shp"
    gpd.GeoDataFrame({"bed": ["x"]}, geometry=[shapely.box(3e5, 5e6, 3e5 + 4, 5e6 + 4)], crs=GRID).to_file(
        path
    )
    path.with_suffix(".dbf").unlink()
    beds, findings = read_features([Source(path)], "beds")
    assert beds.ids.tolist() == ["B1"]
    assert [f.code for f in findings] == ["no-attributes"]


def test_zip_archives_that_are_damaged(tmp_path: Path) -> None:
    inner = good(tmp_path)
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.write(inner, inner.name)
    whole = path.read_bytes()
    path.write_bytes(whole[:-30])
    assert only(path).code == "zip-damaged"
    path.write_bytes(whole.replace(b'"type"', b'"tipe"', 1))
    fault = only(path)
    assert fault.code == "zip-damaged"
    assert "checksum" in fault.what


def test_zip_archives_with_too_little_or_too_much(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    boxes = gpd.GeoDataFrame({"bed": ["x"]}, geometry=[shapely.box(3e5, 5e6, 3e5 + 4, 5e6 + 4)], crs=GRID)
    boxes.to_file(tmp_path / "one.shp")
    with zipfile.ZipFile(path, "w") as archive:
        archive.write(tmp_path / "one.shp", "one.shp")
    assert only(path).code == "shx-missing"
    with zipfile.ZipFile(path, "w") as archive:
        for part in sorted(tmp_path.glob("one.*")):
            archive.write(part, part.name)
            archive.write(part, part.name.replace("one", "two"))
    fault = only(path)
    assert fault.code == "several-layers"
    assert '"one", "two"' in fault.what
    assert only(path, layer="three").code == "layer-not-found"


def test_layers_must_be_named_where_there_are_several(shared_data: Path) -> None:
    for name, layers in (("two_layers.kml", '"%Bingo", "#Bingo"'), ("bubenec.gpkg", '"buildings"')):
        fault = only(shared_data / name)
        assert fault.code == "several-layers"
        assert layers in fault.what
    fault = only(shared_data / "bubenec.gpkg", layer="building")
    assert fault.code == "layer-not-found"
    assert 'Did you mean "buildings"?' in fault.remedy
    assert only(shared_data / "air_runways_usft.shp", layer="x").code == "layer-not-found"
    assert only(shared_data / "two_layers.kml", layer="Bongo").code == "layer-not-found"


@pytest.mark.parametrize("suffix", ["geojson", "gpkg", "shp"])
@pytest.mark.parametrize("where", ["bed === 'x' (", "no_such = 1", "'"])
def test_a_filter_that_is_not_understood(tmp_path: Path, suffix: str, where: str) -> None:
    path = tmp_path / f"a.{suffix}"
    gpd.GeoDataFrame({"bed": ["x"]}, geometry=[shapely.box(3e5, 5e6, 3e5 + 4, 5e6 + 4)], crs=GRID).to_file(
        path
    )
    fault = only(path, where=where)
    assert fault.code == "where-wrong"
    assert '"bed"' in fault.remedy


def test_a_filter_that_matches_nothing_and_a_file_without_features(tmp_path: Path) -> None:
    assert only(good(tmp_path, bed="x"), where="bed = 'X y'").code == "where-empty"
    assert only(written(tmp_path / "e.geojson", collection())).code == "no-features"


def test_text_in_another_encoding(tmp_path: Path) -> None:
    path = good(tmp_path, bed="QQ")
    path.write_bytes(path.read_bytes().replace(b"QQ", b"\xe9\xff"))
    fault = only(path)
    assert fault.code == "encoding"
    assert "0xe9" in fault.what
    path.write_text(json.dumps(collection(feature(polygon(in_degrees(SQUARE))))), encoding="utf-16")
    assert only(path).code == "encoding"


def test_a_shapefile_whose_encoding_is_named_wrongly(tmp_path: Path) -> None:
    path = tmp_path / "a.shp"
    frame = gpd.GeoDataFrame({"bed": ["äöé"]}, geometry=[shapely.box(3e5, 5e6, 3e5 + 4, 5e6 + 4)], crs=GRID)
    pyogrio.write_dataframe(frame, path, encoding="ISO-8859-1")
    assert read_features([Source(path)], "beds")[0].ids.tolist() == ["äöé"]
    path.with_suffix(".cpg").write_text("UTF-8")
    assert only(path).code == "encoding"


def test_faults_of_all_files_come_together(tmp_path: Path) -> None:
    bow = written(tmp_path / "b.geojson", collection(feature(polygon(on_grid(BOW_TIE))), crs=GRID))
    with pytest.raises(DataError) as caught:
        read_features([Source(tmp_path / "none.shp"), Source(bow), Source(tmp_path)], "beds")
    assert sorted(codes(caught.value.faults)) == ["bow-tie", "is-a-folder", "no-such-file"]


# -- CRS and place ---------------------------------------------------------------


@pytest.mark.parametrize(
    "member",
    [
        {"type": "name", "properties": {"name": "my own grid"}},
        {"type": "link", "properties": {"href": "somewhere"}},
        {"type": "name"},
        "EPSG",
    ],
)
def test_a_crs_member_that_is_not_understood_is_not_taken_for_wgs84(tmp_path: Path, member: object) -> None:
    content = {**collection(feature(polygon(in_degrees(SQUARE)))), "crs": member}
    assert only(written(tmp_path / "a.geojson", content)).code == "crs-not-understood"


def test_a_null_crs_member_means_no_crs(tmp_path: Path) -> None:
    content = {**collection(feature(polygon(in_degrees(SQUARE)))), "crs": None}
    path = written(tmp_path / "a.geojson", content)
    assert only(path).code == "no-crs"
    assert len(read_features([Source(path, crs="EPSG:4326")], "beds")[0]) == 1


def test_a_declared_crs_may_not_contradict_the_file(tmp_path: Path) -> None:
    fault = only(good(tmp_path), crs="EPSG:2249")
    assert fault.code == "crs-contradicts"
    assert "EPSG:32619" in fault.what
    assert "EPSG:2249" in fault.what


def test_a_declared_crs_that_is_none(tmp_path: Path) -> None:
    path = written(tmp_path / "a.geojson", collection(feature(polygon(in_degrees(SQUARE)))))
    fault = only(path, crs="EPSG:999999")
    assert fault.code == "crs"
    assert fault.file == "a.geojson"


def test_swapped_axes_name_the_feature_and_the_vertex(tmp_path: Path) -> None:
    swapped = [[y, x] for x, y in moved(SQUARE, 142.0, 43.0, 1e-4)]
    fault = only(written(tmp_path / "a.geojson", collection(feature(polygon(swapped), bed="north border"))))
    assert fault.code == "swapped-axes"
    assert (fault.feature, fault.vertex) == ("north border", 1)
    assert fault.text.startswith(
        'a.geojson, feature "north border", vertex 1: latitude 142 is outside -90..90; '
    )
    assert "longitude and latitude look swapped (expected longitude first)" in fault.what


def test_one_latitude_of_142_among_good_beds_concerns_its_bed_only(tmp_path: Path) -> None:
    bad = [list(p) for p in in_degrees(moved(SQUARE, 20, 0))]
    bad[2][1] = 142.0
    path = written(
        tmp_path / "a.geojson",
        collection(
            *(feature(polygon(in_degrees(moved(SQUARE, 9 * k, 90))), bed=f"g{k}") for k in range(3)),
            feature(polygon(bad), bed="bad one"),
        ),
    )
    fault = only(path)
    assert (fault.code, fault.feature, fault.vertex) == ("swapped-axes", "bad one", 3)
    beds, findings = read_features([Source(path)], "beds", skip_faulty=True)
    assert beds.ids.tolist() == ["g0", "g1", "g2"]
    assert [(f.code, f.grade, f.bed) for f in findings] == [("left-out", "error", "bad one")]


def test_longitude_out_of_range(tmp_path: Path) -> None:
    path = written(tmp_path / "a.geojson", collection(feature(polygon(moved(SQUARE, 200.5, 10, 1e-4)))))
    fault = only(path)
    assert fault.code == "outside-lonlat"
    assert "longitude 200.5 is outside -180..180" in fault.what


def test_axes_swapped_within_range_show_by_the_area_of_the_crs(tmp_path: Path) -> None:
    """Boston as (latitude, longitude) in NAD 83 would lie in the Antarctic Ocean."""
    swapped = [[y, x] for x, y in in_degrees(SQUARE)]
    fault = only(written(tmp_path / "a.geojson", collection(feature(polygon(swapped)), crs="EPSG:4269")))
    assert fault.code == "swapped-axes"


def test_easting_and_northing_swapped(tmp_path: Path) -> None:
    swapped = [[y, x] for x, y in on_grid(SQUARE)]
    fault = only(written(tmp_path / "a.geojson", collection(feature(polygon(swapped)), crs=GRID)))
    assert fault.code == "swapped-axes"
    assert "easting first" in fault.remedy


def test_degrees_in_a_projected_crs(tmp_path: Path) -> None:
    fault = only(written(tmp_path / "a.geojson", collection(feature(polygon(in_degrees(SQUARE))), crs=GRID)))
    assert fault.code == "degrees-in-grid"
    assert "(-71, 42)" in fault.what
    assert "EPSG:32619" in fault.what


def test_coordinates_far_outside_the_area_of_the_crs(tmp_path: Path) -> None:
    """Numbers of EPSG:2249 (Massachusetts, US survey feet) called EPSG:2230 (California)."""
    path = written(
        tmp_path / "a.geojson",
        collection(feature(polygon(moved(SQUARE, 770_000, 2_950_000))), crs="EPSG:2230"),
    )
    fault = only(path)
    assert fault.code == "outside-area"
    assert "EPSG:2230" in fault.what
    path = written(tmp_path / "a.geojson", collection(feature(polygon(moved(SQUARE, 1e12, 1e12))), crs=GRID))
    assert "no place on earth" in only(path).what


def test_files_of_one_role_in_two_crs(tmp_path: Path) -> None:
    one = good(tmp_path, "one.geojson")
    two = written(tmp_path / "two.geojson", collection(feature(polygon(in_degrees(SQUARE)))))
    for mixed in (False, True):
        with pytest.raises(DataError) as caught:
            read_features([Source(one), Source(two)], "beds", mixed_crs=mixed)
        (fault,) = caught.value.faults
        assert fault.code == "mixed-crs"
        assert fault.file == "two.geojson"
        assert all(t in fault.what for t in ("one.geojson", "EPSG:32619", "EPSG:4326"))


def test_a_bed_astray_makes_the_site_too_wide(tmp_path: Path) -> None:
    near = [feature(polygon(in_degrees(moved(SQUARE, 9 * k, 0))), bed=f"n{k}") for k in range(3)]
    far = feature(polygon(moved(SQUARE, 0, 0, 1e-4)), bed="at zero")
    fault = only(written(tmp_path / "a.geojson", collection(*near, far)))
    assert (fault.code, fault.feature) == ("extent", "at zero")


def test_just_under_and_just_over_twenty_kilometres(tmp_path: Path) -> None:
    """One degree of latitude at 42 N is 111.07 km on WGS 84 (M = a(1-e2)/(1-e2 sin2)^1.5)."""
    for degrees, wide in ((0.1795, False), (0.1805, True)):
        path = written(
            tmp_path / "a.geojson",
            collection(
                feature(polygon(in_degrees(SQUARE))),
                feature(line([-71.0, 42.0 + degrees], [-71.0, 42.0 + degrees - 1e-4])),
            ),
        )
        if wide:
            assert only(path).code == "extent"
        else:
            assert len(read_features([Source(path)], "beds")[0]) == 2


# -- single features -------------------------------------------------------------

BOW_TIE = [[0, 0], [4, 4], [4, 0], [0, 4], [0, 0]]
BIG = [[0, 0], [9, 0], [9, 9], [0, 9], [0, 0]]
IN = moved(SQUARE, 1, 1)
PINCHED = [[0, 0], [8, 0], [4, 4], [8, 8], [0, 8], [4, 4], [0, 0]]
ACROSS = [[4, 0], [6, 4], [4, 9], [2, 4], [4, 0]]
on = on_grid
TWO_POINTS = {"type": "MultiPoint", "coordinates": on([[0, 0], [1, 1]])}
WORDS = {"type": "Polygon", "coordinates": [[["a", 0], [1, 0], [1, 1], ["a", 0]]]}
BED_AND_POINT = {
    "type": "GeometryCollection",
    "geometries": [polygon(on(SQUARE)), point(330_000, 4_690_000)],
}


@pytest.mark.parametrize(
    ("geometry", "code", "vertex", "says"),
    [
        (polygon(on(BOW_TIE)), "bow-tie", 1, "at (330002, 4690002), where edge 1-2 meets edge 3-4"),
        (polygon(on(PINCHED)), "ring-touches-itself", 2, "4690004"),
        (polygon(on([[0, 0], [4, 4], [0, 0]])), "too-few-vertices", 1, "2 different vertices"),
        (polygon(on([[0, 0], [0, 0], [0, 0], [0, 0]])), "too-few-vertices", 1, "1 different vertex"),
        (polygon(on([[0, 0], [2, 0], [4, 0], [0, 0]])), "zero-area", 1, "encloses no area"),
        (polygon(on(SQUARE[:-1])), "unclosed-ring", 4, "starts at (330000, 4690000)"),
        (polygon(on(BIG), on(IN[:-1])), "unclosed-ring", 8, "ends at (330001, 4690005)"),
        (polygon(on(BIG), on(BIG)), "duplicate-ring", 5, "island 1"),
        (polygon(on(BIG), on(IN), on(IN)), "duplicate-ring", 9, "island 2"),
        (polygon(on(SQUARE), on(moved(SQUARE, 20, 0))), "island-outside", 5, "lies outside"),
        (polygon(on(BIG), on(moved(SQUARE, 7, 2))), "rings-cross", 5, "island 1"),
        (polygon(on(BIG), on(IN), on(moved(IN, 2, 2))), "islands-overlap", 9, "overlaps island 1"),
        (polygon(on(BIG), on(IN), on(moved(SQUARE, 2, 2, 0.25))), "islands-overlap", 9, "island 2"),
        (polygon(on(BIG), on(moved(SQUARE, 0, 1))), "rings-touch", 5, "runs along"),
        (polygon(on(BIG), on(IN), on(moved(SQUARE, 5, 1, 0.5))), "rings-touch", 9, "shares an edge"),
        (polygon(on(BIG), on(ACROSS)), "invalid-outline", None, "one area"),
        (multipolygon([on(SQUARE)], [on(moved(SQUARE, 2, 2))]), "parts-overlap", 5, "part 2"),
        (multipolygon([on(BIG)], [on(IN)]), "parts-overlap", 5, "overlaps the outline"),
        (multipolygon([on(SQUARE)], [on(SQUARE)]), "duplicate-ring", 5, "same ring"),
        (multipolygon([on(SQUARE)], [on(moved(SQUARE, 4, 0))]), "parts-touch", 5, "shares an edge"),
        (line(*on([[1, 1], [1, 1]])), "zero-length", 1, "no length"),
        (point(330_000, 4_690_000), "point-geometry", None, "polygons and lines"),
        (TWO_POINTS, "point-geometry", None, "several points"),
        (
            BED_AND_POINT,
            "geometry-collection", None, "holds points",
        ),
        (None, "null-geometry", None, "no geometry"),
        (polygon(), "empty-geometry", None, "empty"),
        ({"type": "GeometryCollection", "geometries": []}, "empty-geometry", None, "empty"),
        (WORDS, "null-geometry", None, "can be read"),
        (polygon([[0], [1, 0], [1, 1], [0]]), "null-geometry", None, "can be read"),
        (polygon([[float("nan"), 4e6], *on(SQUARE[1:-1]), [float("nan"), 4e6]]), "not-finite", 1, "nan"),
        (polygon([*on(SQUARE[:2]), [3e5, float("inf")], *on(SQUARE[3:])]), "not-finite", 3, "inf"),
        (line([3e5, 4e6], [float("nan"), float("nan")], [3e5, 4e6 + 1]), "not-finite", 2, "nan"),
    ],
)  # fmt: skip
def test_a_faulty_geometry_is_named_with_its_vertex(
    tmp_path: Path, geometry: dict[str, Any] | None, code: str, vertex: int | None, says: str
) -> None:
    sound = [feature(polygon(on_grid(moved(SQUARE, 50 * k, 60))), bed=f"s{k}") for k in range(2)]
    path = written(tmp_path / "a.geojson", collection(*sound, feature(geometry, bed="faulty"), crs=GRID))
    fault = only(path)
    assert (fault.code, fault.feature) == (code, "faulty")
    assert says in fault.what
    if vertex is not None:
        assert fault.vertex == vertex
    beds, findings = read_features([Source(path)], "beds", skip_faulty=True)
    assert beds.ids.tolist() == ["s0", "s1"]
    assert beds.ring_feature.tolist() == [0, 1]
    (finding,) = (f for f in findings if f.code == "left-out")
    assert (finding.grade, finding.bed) == ("error", "faulty")
    assert f"[{code}]" in finding.text


def test_all_faults_of_a_file_come_in_one_report_in_its_order(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.geojson",
        collection(
            feature(None, bed="1"),
            feature(polygon(on_grid(BOW_TIE)), bed="2"),
            feature(polygon(on_grid(SQUARE)), bed="3"),
            feature(
                polygon(on_grid(BIG), on_grid(moved(SQUARE, 20, 0)), on_grid(moved(SQUARE, 30, 0))), bed="4"
            ),
            crs=GRID,
        ),
    )
    faults = faults_of(path)
    assert [(f.feature, f.code) for f in faults] == [
        ("1", "null-geometry"), ("2", "bow-tie"), ("4", "island-outside"), ("4", "island-outside"),
    ]  # fmt: skip


def test_nothing_left_is_a_fault_even_when_skipping(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.geojson", collection(feature(None), feature(polygon(on_grid(BOW_TIE))), crs=GRID)
    )
    assert codes(faults_of(path, skip_faulty=True)) == ["null-geometry", "bow-tie"]


def test_a_finding_about_an_abutment_names_no_bed(tmp_path: Path) -> None:
    path = written(
        tmp_path / "a.geojson",
        collection(feature(polygon(on_grid(SQUARE)), id="w1"), feature(None, id="w2"), crs=GRID),
    )
    _, (finding,) = read_features([Source(path)], "abutments", skip_faulty=True)
    assert (finding.code, finding.bed) == ("left-out", None)
    assert '"w2"' in finding.text


def test_a_long_report_is_cut_and_counted(tmp_path: Path) -> None:
    n = MOST_FAULTS + 30
    path = written(tmp_path / "a.geojson", collection(*(feature(None) for _ in range(n)), crs=GRID))
    faults = faults_of(path)
    assert len(faults) == MOST_FAULTS + 1
    assert faults[-1].code == "more-faults"
    assert f"and 30 more faults, {n} in all (30 null-geometry)" in faults[-1].what


def test_features_without_ids_are_named_by_name_and_number(tmp_path: Path) -> None:
    bow = polygon(on_grid(BOW_TIE))
    path = written(tmp_path / "a.geojson", collection(feature(bow, name="Rose"), feature(bow), crs=GRID))
    assert [f.feature for f in faults_of(path)] == ["Rose (number 1)", "number 2"]


@given(
    xy=st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8)), min_size=4, max_size=9),
)
@settings(deadline=None, derandomize=True, max_examples=150)
def test_a_ring_is_refused_exactly_when_geos_calls_it_invalid_or_it_is_a_spike(
    xy: list[tuple[int, int]],
) -> None:
    """Random rings on a small raster: full of doubles, spikes, touches and crossings."""
    ring = on_grid([*(list(p) for p in xy), list(xy[0])])
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder) / "a.geojson", collection(feature(polygon(ring)), crs=GRID))
        try:
            _, findings = read_features([Source(path)], "beds")
            told = {f.code for f in findings}
        except DataError as error:
            told = {f.code for f in error.faults}
    if shapely.is_valid(shapely.Polygon(ring)):
        assert told == set()
        return
    assert told <= {"bow-tie", "ring-touches-itself", "too-few-vertices", "zero-area", "spike"}
    assert told
    if told == {"bow-tie"}:
        # The stated point really lies on two edges: noding the ring puts a vertex there.
        where = error_place(error_text=_text_of(ring))
        noded = shapely.node(shapely.LinearRing(ring))
        assert (
            shapely.distance(shapely.Point(where), shapely.multipoints(shapely.get_coordinates(noded))) < 1e-6
        )


def _text_of(ring: list[list[float]]) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder) / "a.geojson", collection(feature(polygon(ring)), crs=GRID))
        return only(path).what


def error_place(error_text: str) -> tuple[float, float]:
    x, y = error_text.split("itself at (")[1].split(")", maxsplit=1)[0].split(", ")
    return float(x), float(y)


# -- ids and widths --------------------------------------------------------------


def test_named_ids_must_be_there_and_differ(tmp_path: Path) -> None:
    shapes = [polygon(on_grid(moved(SQUARE, 9 * k, 0))) for k in range(4)]
    ids = ["a", "b", None, "a"]
    path = written(
        tmp_path / "a.geojson",
        collection(*(feature(s, nr=i) for s, i in zip(shapes, ids, strict=True)), crs=GRID),
    )
    faults = faults_of(path, id_attribute="nr")
    assert [(f.code, f.feature) for f in faults] == [
        ("id-repeated", "a"), ("id-missing", "number 3"), ("id-repeated", "a"),
    ]  # fmt: skip
    fault = only(path, id_attribute="no", where="nr = 'a'")
    assert fault.code == "no-such-attribute"
    assert '"nr"' in fault.what


@pytest.mark.parametrize("bad", ["a\nb", "tab\there", "bell\x07", "c1\x85", "line\u2028", "del\x7f"])
def test_control_characters_in_an_id_are_a_fault(tmp_path: Path, bad: str) -> None:
    path = good(tmp_path, bed=bad)
    fault = only(path)
    assert fault.code == "id-control-character"


@pytest.mark.parametrize("width", [None, "", "3", "-2 ft", 0, -1.5, "wide", "1/0 in", "three ft"])
def test_openings_as_points_need_a_width(tmp_path: Path, width: object) -> None:
    path = written(
        tmp_path / "o.geojson",
        collection(feature(point(330_000, 4_690_000), width=width, id="gate"), crs=GRID),
    )
    fault = only(path, "openings")
    assert (fault.code, fault.feature) == ("opening-width", "gate")


# -- nothing escapes -------------------------------------------------------------


@given(data=st.data())
@settings(deadline=None, derandomize=True, max_examples=120)
def test_a_damaged_file_gives_faults_or_features_and_nothing_else(data: st.DataObject) -> None:
    """Bytes of good files overwritten at random: no other exception, no warning."""
    suffix = data.draw(st.sampled_from(["geojson", "gpkg", "shp", "kml"]))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a.{suffix}"
        for part in _good_files(suffix):
            shutil.copy(part, path.with_suffix(part.suffix))
        raw = bytearray(path.read_bytes())
        for _ in range(data.draw(st.integers(1, 6))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at] = data.draw(st.integers(0, 255))
        path.write_bytes(raw)
        try:
            beds, _ = read_features([Source(path)], "beds", skip_faulty=data.draw(st.booleans()))
        except DataError as error:
            assert error.faults  # noqa: PT017
        else:
            assert np.isfinite(beds.coords).all()
            assert len(set(beds.ids)) == len(beds) > 0


_GOOD: dict[str, list[Path]] = {}
_FOLDER = tempfile.TemporaryDirectory()


def _good_files(suffix: str) -> list[Path]:
    if suffix not in _GOOD:
        path = Path(_FOLDER.name) / f"good.{suffix}"
        driver = {"geojson": "GeoJSON", "gpkg": "GPKG", "kml": "KML", "shp": "ESRI Shapefile"}[suffix]
        shapes = [shapely.Polygon(in_degrees(moved(SQUARE, 9 * k, 0))) for k in range(3)]
        frame = gpd.GeoDataFrame({"bed": ["a", "b", "c"], "n": [1, 2, 3]}, geometry=shapes, crs="EPSG:4326")
        frame.to_file(path, driver=driver)
        _GOOD[suffix] = sorted(Path(_FOLDER.name).glob("good.*")) if suffix == "shp" else [path]
        if suffix == "shp":
            _GOOD[suffix] = [p for p in _GOOD[suffix] if p.suffix in (".shp", ".shx", ".dbf", ".prj", ".cpg")]
    return _GOOD[suffix]


def test_well_known_binary_with_either_spelling_of_z_and_m() -> None:
    """Second path: shapely's own reader where it can read it."""
    for wkt in (
        "POLYGON ((0 0, 4 0, 4 4, 0 0), (1 1, 2 1, 2 2, 1 1))", "LINESTRING Z (0 0 1, 4 0 2)",
        "MULTIPOLYGON (((0 0, 4 0, 4 4, 0 0)), ((9 9, 10 9, 10 10, 9 9)))", "POINT Z (1 2 3)",
        "LINESTRING M (0 0 9, 4 0 9)", "LINESTRING ZM (0 0 1 9, 4 0 2 9)",
        "GEOMETRYCOLLECTION (POINT (1 2), LINESTRING (0 0, 1 1))",
    ):  # fmt: skip
        shape = shapely.from_wkt(wkt)
        for flavour in ("iso", "extended"):
            for order in (0, 1):
                raw = raw_shape(shapely.to_wkb(shape, output_dimension=4, flavor=flavour, byte_order=order))
                assert raw.known
                assert np.array_equal(np.vstack(raw.rings), shapely.get_coordinates(shape))


def test_every_code_is_explained_in_the_docs() -> None:
    """Codes are the only words with hyphens in the program's text constants, and five single words."""
    root = Path(__file__).resolve().parent.parent
    source = "".join(p.read_text() for p in sorted((root / "siteplan" / "intake").glob("*.py")))
    found = set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', source)) - {"utf-sig"}
    found |= {"arcs", "crs", "encoding", "extent", "spike"}
    page = (root / "docs" / "inputs.md").read_text()
    explained = set(re.findall(r"`([a-z]+(?:-[a-z]+)*)`", page))
    assert found - explained == set()
    assert {c for c in explained if "-" in c} - found == set()
