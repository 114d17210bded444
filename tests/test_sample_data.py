"""The sample sites are what their script draws, and make sense as landscapes."""

from __future__ import annotations

import importlib.util
import itertools
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, TypeAlias

import numpy as np
import pyogrio
import pyproj
import pytest
import rasterio
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

Shapes: TypeAlias = dict[str, BaseGeometry]

LAYERS = ("beds", "abutments", "openings")
SHARED = {("N7", "N8"), ("N8", "N9"), ("N10", "N11")}
"""the only pairs of beds that touch at Fennel Row"""
SURVEY_FOOT_M = 1200 / 3937  # EPSG unit 9003
ABUT_WITHIN_M = 0.3  # the default of site.toml
TRACED_M = 0.02  # how far a hand-traced vertex may lie off, as sample_data/README.md says
CURVED = (
    "S1",
    "S2",
    "S5",
    "S6",
    "W7",
    "W8",
    "N2",
    "N3",
    "N4",
    "E8",
    "E13",
    "L2",
    *(f"P{n}" for n in range(1, 9)),
)


@pytest.fixture(scope="module")
def script(sample_data: Path) -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("make_samples", sample_data / "make_samples.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_samples"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    yield module
    del sys.modules["make_samples"]


@pytest.fixture(scope="module")
def drawn(script: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    script.write_samples(folder)
    return folder


def collection(path: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return loaded


def fennel_lonlat(folder: Path, layer: str) -> Shapes:
    """Shapes of a layer of Fennel Row in degrees, by id, as the standard library's JSON reads them."""
    key = "bed" if layer == "beds" else "id"
    features = collection(folder / "fennel_row" / f"{layer}.geojson")["features"]
    return {f["properties"][key]: shapely.from_geojson(json.dumps(f["geometry"])) for f in features}


def fennel_utm(folder: Path, layer: str) -> Shapes:
    """The same in metres of UTM zone 15: a way to the ground the script does not take."""
    change = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True)

    def projected(c: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(change.transform(c[:, 0], c[:, 1]))

    return {k: shapely.transform(s, projected) for k, s in fennel_lonlat(folder, layer).items()}


def close_grid(folder: Path, layer: str) -> Shapes:
    """Shapes of a layer of Larkspur Close in its grid's survey feet, by id."""
    meta, _, wkb, columns = pyogrio.raw.read(folder / "larkspur_close" / "beds.gpkg", layer=layer)
    ids = columns[list(meta["fields"]).index("bed" if layer == "beds" else "id")]
    return dict(zip(ids, shapely.from_wkb(wkb), strict=True))


def metres(site: str, folder: Path, layer: str) -> Shapes:
    if site == "fennel_row":
        return fennel_utm(folder, layer)
    return {
        k: shapely.transform(s, lambda c: c * SURVEY_FOOT_M) for k, s in close_grid(folder, layer).items()
    }


SITES = pytest.mark.parametrize("site", ["fennel_row", "larkspur_close"])


def ring_lines(shape: BaseGeometry) -> list[NDArray[np.float64]]:
    rings = shapely.get_parts(shape.boundary) if isinstance(shape, shapely.Polygon) else [shape]
    return [shapely.get_coordinates(ring) for ring in rings]


def windows(xy: NDArray[np.float64], *, closed: bool, stretch_m: float = 0.5) -> Iterator[float]:
    """Turn in degrees collected from every vertex on over at most ``stretch_m`` of line, at its greatest.

    Written from the words of the corner rule (a turn of at least 35 degrees over at most 0.5 m).
    """
    count = len(xy) - 1 if closed else len(xy) - 2
    if closed:
        xy = np.vstack([xy[:-1], xy])  # twice round, so that no window ends at the seam
    step = np.diff(xy, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    station = np.concatenate([[0.0], np.cumsum(np.hypot(step[:, 0], step[:, 1]))])
    for start in range(count):
        # the turn at vertex k + 1 is the change from segment k to segment k + 1
        far = np.searchsorted(station, station[start + 1] + stretch_m, side="right")
        yield float(np.degrees(np.abs(heading[start + 1 : far] - heading[start]).max()))


# -- the files are the script's output ---------------------------------------------------


@pytest.mark.parametrize("layer", LAYERS)
def test_geojson_is_what_the_script_draws(sample_data: Path, drawn: Path, layer: str) -> None:
    name = f"fennel_row/{layer}.geojson"
    assert (drawn / name).read_bytes() == (sample_data / name).read_bytes()


@pytest.mark.parametrize("layer", LAYERS)
def test_geopackage_is_what_the_script_draws(sample_data: Path, drawn: Path, layer: str) -> None:
    """Content, not bytes: the file carries the version of SQLite that wrote it."""
    file = "larkspur_close/beds.gpkg"
    (m1, _, g1, c1), (m2, _, g2, c2) = (pyogrio.raw.read(f / file, layer=layer) for f in (sample_data, drawn))
    assert m1["crs"] == m2["crs"] == "EPSG:3418"
    assert list(m1["fields"]) == list(m2["fields"])
    for a, b in zip(c1, c2, strict=True):
        assert list(a) == list(b)
    # 1e-4 ftUS is the last digit kept, 0.03 mm
    assert shapely.equals_exact(shapely.from_wkb(g1), shapely.from_wkb(g2), tolerance=1e-4).all()


def test_two_runs_give_equal_bytes(script: ModuleType, drawn: Path, tmp_path: Path) -> None:
    script.write_samples(tmp_path)
    files = [p for p in drawn.rglob("*") if p.is_file()]
    assert len(files) == 5
    for file in files:
        assert (tmp_path / file.relative_to(drawn)).read_bytes() == file.read_bytes()


def test_plan_lengths_arrive_on_the_ground(script: ModuleType, sample_data: Path) -> None:
    """Geodesic length of each written outline against its length on the plan, 9 decimals apart."""
    geod = pyproj.Geod(ellps="WGS84")
    written = fennel_lonlat(sample_data, "beds")
    for feature in script.hospital().beds:
        rings = ring_lines(written[feature.key])
        on_earth = sum(geod.line_length(r[:, 0], r[:, 1]) for r in rings)
        # rounding moves a vertex by at most 0.06 mm; the grid is good to 1e-9 at this size
        assert on_earth == pytest.approx(feature.shape.length, abs=1e-4 * sum(map(len, rings)))


# -- the format --------------------------------------------------------------------------


@pytest.mark.parametrize("layer", LAYERS)
def test_geojson_keeps_to_the_standard(sample_data: Path, layer: str) -> None:
    """RFC 7946: no crs member (4), right-hand rule (3.1.6), longitude first (3.1.1)."""
    path = sample_data / "fennel_row" / f"{layer}.geojson"
    whole = collection(path)
    assert whole["type"] == "FeatureCollection"
    assert "crs" not in whole
    assert whole["note"].startswith("Invented site")
    for shape in fennel_lonlat(sample_data, layer).values():
        left, bottom, right, top = shape.bounds
        assert -95 < left <= right < -94
        assert 41 < bottom <= top < 42
        if isinstance(shape, shapely.Polygon):
            assert shape.exterior.is_ccw
            assert not any(r.is_ccw for r in shape.interiors)
    numbers = re.findall(r"-?\d+\.\d+", path.read_text(encoding="utf-8").split('"features"')[1])
    assert max(len(n.split(".")[1]) for n in numbers) == 9


def test_state_plane_is_in_survey_feet_in_iowa(sample_data: Path) -> None:
    crs = pyproj.CRS("EPSG:3418")
    assert {a.unit_name for a in crs.axis_info} == {"US survey foot"}
    assert all(a.unit_conversion_factor == pytest.approx(SURVEY_FOOT_M, rel=1e-15) for a in crs.axis_info)
    area = crs.area_of_use
    assert area is not None
    change = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    for layer in LAYERS:
        xy = shapely.get_coordinates(list(close_grid(sample_data, layer).values()))
        lon, lat = change.transform(xy[:, 0], xy[:, 1])
        assert area.west < lon.min() < lon.max() < area.east
        assert area.south < lat.min() < lat.max() < area.north
        assert np.ptp(lon) < 0.002


def test_geopackage_says_it_is_invented(sample_data: Path) -> None:
    contents = pyogrio.raw.read(
        sample_data / "larkspur_close" / "beds.gpkg",
        sql="SELECT table_name, description FROM gpkg_contents", sql_dialect="SQLITE",
    )[3]  # fmt: skip
    assert sorted(contents[0]) == sorted(LAYERS)
    assert all(text.startswith("Invented site") for text in contents[1])


def test_readme_lists_every_bed_with_its_length(sample_data: Path) -> None:
    text = (sample_data / "README.md").read_text(encoding="utf-8")
    listed = {
        k: float(v) for k, v in re.findall(r"^\| (\w\d+) \|.*\| ([\d.]+) \|$", text, flags=re.MULTILINE)
    }
    geod = {"fennel_row": pyproj.Geod(ellps="WGS84"), "larkspur_close": pyproj.Geod(ellps="GRS80")}
    beds = {
        "fennel_row": fennel_lonlat(sample_data, "beds"),
        "larkspur_close": close_grid(sample_data, "beds"),
    }
    change = pyproj.Transformer.from_crs("EPSG:3418", "EPSG:4269", always_xy=True)
    found: dict[str, float] = {}
    for site, shapes in beds.items():
        for key, shape in shapes.items():
            rings = [
                r if site == "fennel_row" else np.column_stack(change.transform(*r.T))
                for r in ring_lines(shape)
            ]
            found[key] = sum(geod[site].line_length(r[:, 0], r[:, 1]) for r in rings)
    assert listed.keys() == found.keys()
    assert [k for k in found if abs(found[k] - listed[k]) > 0.0501] == []


# -- it makes sense as a landscape -------------------------------------------------------


@SITES
@pytest.mark.parametrize("layer", LAYERS)
def test_valid_and_unique(sample_data: Path, script: ModuleType, site: str, layer: str) -> None:
    shapes = metres(site, sample_data, layer)
    drawn_layers = dict((script.hospital() if site == "fennel_row" else script.close()).layers())
    assert list(shapes) == [f.key for f in drawn_layers[layer]]  # a repeated id would be lost here
    assert all(s.is_valid and not s.is_empty for s in shapes.values())
    for shape in shapes.values():
        for ring in ring_lines(shape) if shape.geom_type != "Point" else []:
            assert np.hypot(*np.diff(ring, axis=0).T).min() > 0.1


@SITES
def test_beds_meet_only_where_meant(sample_data: Path, site: str) -> None:
    beds = {k: s for k, s in metres(site, sample_data, "beds").items() if s.geom_type == "Polygon"}
    shared = SHARED if site == "fennel_row" else {("C5", "C6")}
    near = {p for p in itertools.combinations(beds, 2) if beds[p[0]].distance(beds[p[1]]) < 0.5}
    assert near == shared
    for a, b in shared:
        along = beds[a].boundary.intersection(beds[b].boundary.buffer(0.05, cap_style="flat")).length
        assert along > 2.0
        # both tracings of one line are kept within half of what a hand does, so within it of each other
        assert beds[a].intersection(beds[b]).area <= TRACED_M * along
        assert beds[a].buffer(TRACED_M).intersection(beds[b]).area > 0


@SITES
def test_beds_stand_clear_of_buildings_and_paving(sample_data: Path, script: ModuleType, site: str) -> None:
    beds = metres(site, sample_data, "beds")
    walls = {k: s for k, s in metres(site, sample_data, "abutments").items() if s.geom_type == "Polygon"}
    for (key, shape), (other, footprint) in itertools.product(beds.items(), walls.items()):
        # a shared face written to 9 decimals overlaps by up to 0.1 mm
        assert shape.intersection(footprint.buffer(-0.001)).is_empty, (key, other)
    plan = script.hospital() if site == "fennel_row" else script.close()
    paved = shapely.union_all(plan.paving)
    for feature in plan.beds:
        assert feature.shape.intersection(paved).area == pytest.approx(0.0, abs=1e-9), feature.key


@SITES
def test_abutments_have_plausible_shapes(sample_data: Path, site: str) -> None:
    walls = metres(site, sample_data, "abutments")
    footprints = {k: s for k, s in walls.items() if s.geom_type == "Polygon"}
    assert all(40 < s.area < 8000 for s in footprints.values())
    for a, b in itertools.combinations(footprints.values(), 2):
        assert a.intersection(b).area < 0.01
    assert len(footprints) >= 5


@SITES
def test_every_opening_is_at_a_bed(sample_data: Path, site: str) -> None:
    edges = shapely.union_all([s.boundary for s in metres(site, sample_data, "beds").values()])
    for key, shape in metres(site, sample_data, "openings").items():
        if shape.geom_type == "Polygon":
            assert edges.intersection(shape).length > 0.5, key
        else:
            ends = shapely.points(shapely.get_coordinates(shape))
            assert shapely.distance(ends, edges).max() < 0.001, key


def test_openings_are_of_every_kind(sample_data: Path) -> None:
    features = collection(sample_data / "fennel_row" / "openings.geojson")["features"]
    kinds = {f["properties"]["kind"]: f["geometry"]["type"] for f in features}
    assert kinds == {
        "walk": "Polygon",
        "ramp": "Polygon",
        "gate": "LineString",
        "drain": "Point",
        "utility box": "Polygon",
    }
    assert [f["properties"]["width"] for f in features if f["geometry"]["type"] == "Point"] == ["18 in"]


def test_extent_and_edging(sample_data: Path) -> None:
    beds = fennel_utm(sample_data, "beds")
    walls = shapely.union_all(
        [s.boundary if s.area else s for s in fennel_utm(sample_data, "abutments").values()]
    )
    edging = sum(
        (s.boundary if s.area else s).difference(walls.buffer(ABUT_WITHIN_M)).length for s in beds.values()
    )
    for a, b in SHARED:
        edging -= beds[a].boundary.intersection(beds[b].boundary.buffer(0.05, cap_style="flat")).length
    assert 1500 < edging < 2500
    left, bottom, right, top = shapely.total_bounds(list(beds.values()))
    assert 270 < right - left < 310
    assert 200 < top - bottom < 235
    assert len(beds) >= 42
    assert len(close_grid(sample_data, "beds")) == 8


# -- the shapes the sites are there to show ----------------------------------------------


def test_kinds_of_shape(sample_data: Path) -> None:
    beds = fennel_utm(sample_data, "beds")
    count = {k: shapely.get_num_coordinates(s) - (s.geom_type == "Polygon") for k, s in beds.items()}
    assert [k for k, s in beds.items() if s.geom_type == "LineString"] == ["L1", "L2"]
    assert [k for k, s in beds.items() if shapely.get_num_interior_rings(s)] == ["S1"]
    kidneys = ("S5", "S6", "W7", "N3", "N4")
    assert all(30 <= count[k] <= 60 for k in kidneys)
    assert all(0.7 < beds[k].area / beds[k].convex_hull.area < 0.97 for k in kidneys)  # hollow on one side
    assert count["N12"] == 80
    box = beds["N12"].minimum_rotated_rectangle
    assert max(np.hypot(*np.diff(shapely.get_coordinates(box), axis=0).T)) > 60
    assert count["E11"] == 12
    assert count["N6"] == 6
    for k in (f"T{n}" for n in range(1, 17)):
        assert 1.199 < shapely.minimum_bounding_radius(beds[k]) < 2.001


def test_rectangles_are_square_and_head_many_ways(sample_data: Path) -> None:
    headings = set()
    for shape in fennel_utm(sample_data, "beds").values():
        if shapely.get_num_coordinates(shape) != 5 or shape.geom_type != "Polygon":
            continue
        step = np.diff(shapely.get_coordinates(shape), axis=0)
        length = np.hypot(*step.T)
        if abs(length[0] - length[1]) > 1e-3:  # the lozenge has four equal sides
            cosine = np.sum(step * np.roll(step, -1, axis=0), axis=1) / (length * np.roll(length, -1))
            assert np.abs(cosine).max() < 5e-4  # 0.2 mm across the shortest side, 1.2 m
            longest = step[np.argmax(length)]
            headings.add(round(float(np.degrees(np.arctan2(longest[1], longest[0]))) % 180 / 5))
    assert len(headings) >= 6


@pytest.mark.parametrize("key", CURVED)
def test_curved_beds_have_no_corner(sample_data: Path, key: str) -> None:
    """Well clear of the 35 degrees over 0.5 m that make a corner."""
    shape = fennel_utm(sample_data, "beds")[key]
    turns = [t for ring in ring_lines(shape) for t in windows(ring, closed=shape.geom_type == "Polygon")]
    assert max(turns) < 31


def test_rounded_off_rectangle_has_four_corners(sample_data: Path) -> None:
    turns = np.array(list(windows(ring_lines(fennel_utm(sample_data, "beds")["E11"])[0], closed=True)))
    assert np.sum(turns > 89) == 4  # the whole right angle from one vertex on, once a corner


def test_edges_against_walls(sample_data: Path) -> None:
    """Length of outline alongside an abutment, as the plan has it."""
    beds, walls = fennel_utm(sample_data, "beds"), fennel_utm(sample_data, "abutments")

    def alongside(bed: str, wall: str) -> float:
        face = walls[wall].boundary if walls[wall].area else walls[wall]
        return float(beds[bed].boundary.intersection(face.buffer(0.05, cap_style="flat")).length)

    expected = {
        ("F1", "main"): 26 + 24, ("F1", "walk"): 30, ("F2", "main"): 24 + 4.5, ("F2", "walk"): 24,
        ("F4", "main"): 15 + 20, ("F4", "walk"): 19, ("N1", "main"): 36 + 50, ("W2", "clinic"): 13,
        ("W3", "clinic"): 12.04 + 14.04, ("E2", "chapel"): 9 + 4, ("E9", "kerb"): 34,
    }  # fmt: skip
    for (bed, wall), length in expected.items():
        # each end of a stretch may take 5 cm round the corner with it; UTM is 4e-4 short here
        assert alongside(bed, wall) == pytest.approx(length, abs=0.25), (bed, wall)


def test_hand_tracing_stays_within_two_centimetres(script: ModuleType) -> None:
    line = np.column_stack([np.linspace(0, 100, 5001), np.zeros(5001)])
    moved = np.hypot(*(script.traced("any", line) - line).T)
    assert moved.max() <= TRACED_M
    assert moved.mean() == pytest.approx(TRACED_M * 2 / 3, rel=0.03)  # even over a disc: mean 2r/3
    assert np.array_equal(script.traced("any", line), script.traced("any", line))
    assert not np.array_equal(script.traced("any", line), script.traced("other", line))


def test_the_ground_is_what_the_script_says_and_covers_every_bed(
    script: ModuleType, drawn: Path, sample_data: Path
) -> None:
    """Cells of a metre hold the drawn heights to a centimetre; every bed has 10 m to spare; it is small."""
    committed = sample_data / "fennel_row" / "ground.tif"
    assert committed.stat().st_size < 100_000
    with rasterio.open(committed) as one, rasterio.open(drawn / "fennel_row" / "ground.tif") as other:
        np.testing.assert_array_equal(one.read(1), other.read(1))
        assert (one.units, one.scales, one.offsets) == (("metre",), (0.01,), (340.0,))
        assert one.crs.to_epsg() == 32615
        # a second way from a cell to the plan: degrees, then the grid the beds are drawn through
        row, column = 100, 200
        lonlat = pyproj.Transformer.from_crs("EPSG:32615", "EPSG:4326", always_xy=True).transform(
            *one.xy(row, column)
        )
        lon, lat = script.HOSPITAL_LONLAT
        local = pyproj.Proj(proj="tmerc", lon_0=lon, lat_0=lat, k=1, ellps="WGS84")
        plan = script.placed(np.array([local(*lonlat)]), 0, 0, -script.HOSPITAL_TURN_DEG)
        height = one.read(1)[row, column] * 0.01 + 340.0
        assert height == pytest.approx(float(script.ground(plan)[0]), abs=0.006)
        box = shapely.box(*one.bounds).buffer(-10)
    shapes = fennel_utm(sample_data, "beds")
    assert all(box.contains(shape) for shape in shapes.values())
