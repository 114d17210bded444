"""Areas and perimeters of beds, the four lengths of runs; closed forms and real data."""

from __future__ import annotations

import math
from pathlib import Path as FilePath

import numpy as np
import pyogrio
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from siteplan.errors import DataError
from siteplan.frame import Frame, make_frame
from siteplan.geodesy import WGS84, direct, project
from siteplan.lengths import bed_measures, run_lengths
from siteplan.model import Features, RingKind
from siteplan.types import FloatArray, ObjectArray
from tests.earth_centred import chord_lengths
from tests.make_features import bed, features
from tests.make_runs import Path, make_runs

PLACE = (-83.004, 40.012)


def ring(radius_m: float, n: int, centre: tuple[float, float] = PLACE) -> FloatArray:
    """Vertices of a regular polygon, counter-clockwise."""
    return direct(np.tile(centre, (n, 1)), -np.arange(n) * 360 / n, np.full(n, radius_m))


def polygon_area(radius_m: float, n: int) -> float:
    return n / 2 * radius_m**2 * math.sin(2 * math.pi / n)


# --- beds --------------------------------------------------------------------------


@pytest.mark.parametrize("shell_turn", [1, -1])
@pytest.mark.parametrize("hole_turn", [1, -1])
def test_islands_come_off_whichever_way_they_turn(shell_turn: int, hole_turn: int) -> None:
    # pyproj's geometry_area_perimeter adds an island that turns like the shell, and leaves its ring out
    shape = shapely.Polygon(ring(20, 48)[::shell_turn], [ring(5, 24)[::hole_turn]])
    beds = features([shape], "EPSG:4326")
    measures = bed_measures(make_frame(beds)[0], beds)
    assert measures.area_m2[0] == pytest.approx(polygon_area(20, 48) - polygon_area(5, 24), abs=2e-3)
    expected = 2 * 48 * 20 * math.sin(math.pi / 48) + 2 * 24 * 5 * math.sin(math.pi / 24)
    assert measures.perimeter_m[0] == pytest.approx(expected, abs=1e-6)


def test_parts_add_up_and_lines_have_no_area() -> None:
    east = direct(np.array([PLACE]), np.array([90.0]), np.array([100.0]))[0]
    two = shapely.MultiPolygon([shapely.Polygon(ring(10, 4)), shapely.Polygon(ring(10, 4, tuple(east)))])
    line = shapely.LineString([PLACE, east])
    beds = features([line, two, shapely.Point(PLACE), shapely.Polygon(ring(10, 4))], "EPSG:4326")
    measures = bed_measures(make_frame(beds)[0], beds)
    assert measures.area_m2 == pytest.approx([0, 400, 0, 200], abs=1e-3)
    side = 40 * math.sqrt(2)
    assert measures.perimeter_m == pytest.approx([100, 2 * side, 0, side], abs=1e-6)


def test_no_features() -> None:
    frame, _ = make_frame(bed(ring(5, 4), "EPSG:4326"))
    nothing = bed_measures(frame, features([], "EPSG:4326"))
    assert nothing.area_m2.tolist() == nothing.perimeter_m.tolist() == []


def test_measures_do_not_depend_on_the_crs_they_come_in() -> None:
    degrees = ring(30, 60)
    expected = bed_measures(*_frame_and_beds(degrees, "EPSG:4326"))
    for crs in ("EPSG:3857", "EPSG:32617", "OGC:CRS84"):
        got = bed_measures(*_frame_and_beds(project(crs, degrees), crs))
        assert got.perimeter_m == pytest.approx(expected.perimeter_m, abs=1e-6)
        assert got.area_m2 == pytest.approx(expected.area_m2, abs=1e-3)


def _frame_and_beds(coords: FloatArray, crs: str) -> tuple[Frame, Features]:
    beds = bed(coords, crs)
    return make_frame(beds)[0], beds


# --- runs --------------------------------------------------------------------------


@pytest.mark.parametrize("height_m", [0.0, 900.0])
def test_four_lengths_on_the_local_grid(height_m: float) -> None:
    frame, _ = make_frame(bed(ring(300, 12), "EPSG:4326"), height_m=height_m)
    runs = make_runs(
        [
            Path([(0, 0), (30, 0), (30, 40), (0, 40)], [1, 2]),
            Path([(100, 100), (103, 104)]),
            Path([(0, 0), (0, -10), (-10, -10), (-10, 0)], range(4), closed=True),
        ]
    )
    lengths = run_lengths(frame, runs)
    assert lengths.ground_m == pytest.approx([30, 40, 30, 5, 10, 10, 10, 10], abs=1e-12)
    assert lengths.grid_m.tolist() == lengths.ground_m.tolist()
    assert lengths.run_ground_m == pytest.approx([100, 5, 40], abs=1e-12)
    lifted = 1 + height_m / float(WGS84.gaussian_radius_m(PLACE[1]))
    assert lengths.geodesic_m * lifted == pytest.approx(lengths.ground_m, rel=1e-7)
    assert lengths.run_geodesic_m == pytest.approx(
        [lengths.geodesic_m[:3].sum(), lengths.geodesic_m[3], lengths.geodesic_m[4:].sum()], abs=1e-12
    )
    assert np.isnan(lengths.slope_m).all()
    assert np.isnan(lengths.run_slope_m).all()


def test_grid_and_ground_differ_by_the_combined_factor() -> None:
    # near the edge of a UTM zone and high up: 0.4 mm in a metre of grid, less 0.3 mm for the height
    centre = (-84.1, 39.6)
    beds = bed(project("EPSG:26916", ring(200, 12, centre)), "EPSG:26916")
    frame, _ = make_frame(beds, height_m=1800.0)
    assert frame.code == "EPSG:26916"
    lengths = run_lengths(frame, make_runs([Path([(0, 0), (120, 50)])]))
    assert lengths.ground_m[0] == pytest.approx(130, abs=1e-12)
    assert lengths.grid_m[0] == pytest.approx(130 * frame.combined_factor, abs=1e-12)
    assert lengths.grid_m[0] / lengths.geodesic_m[0] == pytest.approx(frame.grid_scale, abs=2e-6)
    assert lengths.ground_m[0] / lengths.geodesic_m[0] == pytest.approx(1 / frame.height_factor, abs=2e-6)


def test_runs_against_chords_and_geographiclib() -> None:
    frame, _ = make_frame(bed(ring(900, 12), "EPSG:4326"))
    rng = np.random.default_rng(2)
    runs = make_runs(
        [Path(np.cumsum(rng.uniform(-9, 9, (40, 2)), axis=0) + c) for c in rng.uniform(-800, 800, (25, 2))]
    )
    lengths = run_lengths(frame, runs)
    lonlat = frame.lonlat(runs.xy)
    for k in range(25):
        part = lonlat[runs.offsets[k] : runs.offsets[k + 1]]
        chords = chord_lengths(part[:-1], part[1:], WGS84).sum()
        assert abs(lengths.geodesic_m[k] - chords) <= 1e-9 * chords + 1e-7
        other = sum(
            Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"]
            for a, b in zip(part[:-1].tolist(), part[1:].tolist(), strict=True)
        )
        # each edge may differ by 9 nm (two solvers of one author on short east-west lines)
        assert abs(lengths.geodesic_m[k] - other) < 39 * 9e-9


# --- real data (what each file is and who publishes it: README of the shared folder) ---


def read(path: FilePath, layer: str | None = None) -> tuple[Features, FloatArray]:
    """Features of a file, and the plane length of each in the file's own unit."""
    return read_shapes(path, layer)[:2]


def read_shapes(path: FilePath, layer: str | None = None) -> tuple[Features, FloatArray, ObjectArray]:
    """The same, and the geometries."""
    meta, _, wkb, _ = pyogrio.raw.read(path, layer=layer)
    shapes = shapely.from_wkb(wkb)
    return features(shapes, meta["crs"]), np.asarray(shapely.length(shapes)), shapes


def test_buildings_stored_in_web_mercator(shared_data: FilePath) -> None:
    beds, plane = read(shared_data / "bubenec.gpkg", "buildings")
    frame, findings = make_frame(beds)
    assert frame.is_local
    assert "web map" in frame.why
    assert [f.code for f in findings] == ["no-height"]
    measures = bed_measures(frame, beds)
    assert measures.perimeter_m.sum() == pytest.approx(10_494.2, abs=0.05)
    assert plane.sum() == pytest.approx(16_351.6, abs=0.05)
    # the plane is 1.558 times too long, and the ground is what the local grid says
    assert plane.sum() / measures.perimeter_m.sum() == pytest.approx(1.558, abs=5e-4)
    assert plane_length(frame, beds) == pytest.approx(measures.perimeter_m.sum(), rel=1e-7)


def test_plots_with_islands_in_web_mercator(shared_data: FilePath) -> None:
    beds, plane = read(shared_data / "bubenec.gpkg", "plots")
    assert np.count_nonzero(beds.ring_kind == RingKind.ISLAND) == 25
    frame, _ = make_frame(beds)
    measures = bed_measures(frame, beds)
    assert measures.perimeter_m.sum() == pytest.approx(49_147.8, abs=0.05)
    assert plane.sum() == pytest.approx(76_585.2, abs=0.05)
    # area against the plane of the local grid, island by island
    shapes = frame.shapes(beds)
    whole = 0.0
    for a, b, kind in zip(shapes.ring_offsets[:-1], shapes.ring_offsets[1:], shapes.ring_kind, strict=True):
        area = shapely.Polygon(shapes.xy[a:b]).area
        whole += -area if kind == RingKind.ISLAND else area
    assert measures.area_m2.sum() == pytest.approx(whole, rel=2e-7)


def test_buildings_of_the_british_grid(shared_data: FilePath) -> None:
    beds, plane = read(shared_data / "liverpool_buildings_27700.geojson")
    frame, findings = make_frame(beds)
    assert frame.code == "EPSG:27700"
    assert "datum-change" in [f.code for f in findings]
    measures = bed_measures(frame, beds)
    # The folder's note says 23,016.9 m on WGS 84; on the grid's own Airy ellipsoid it is 0.47 m, 20 ppm, less
    assert measures.perimeter_m.sum() == pytest.approx(plane.sum() / frame.grid_scale, rel=2e-6)
    assert plane.sum() == pytest.approx(23_009.6, abs=0.05)
    wgs84 = frame.wgs84(frame.shapes(beds).xy)
    again = Features(
        **{n: getattr(beds, n) for n in beds.__slots__ if n not in ("crs", "coords")},
        crs="EPSG:4326",
        coords=wgs84,
    )
    on_wgs84 = bed_measures(make_frame(again)[0], again)
    assert on_wgs84.perimeter_m.sum() == pytest.approx(23_016.9, abs=0.05)


def test_runways_in_survey_feet(shared_data: FilePath) -> None:
    # The file holds all airports of a county; the site is what lies within 5 km of one of its runways
    beds, plane, shapes = read_shapes(shared_data / "air_runways_usft.shp")
    with pytest.raises(DataError, match="a site is at most 20 km"):
        make_frame(beds)
    site = features(shapes[shapely.distance(shapes, shapes[283]) < 5000 / 0.3048], beds.crs)
    assert len(site) == 147
    frame, _ = make_frame(site)
    assert (frame.code, frame.unit) == ("EPSG:2230", "ftUS")
    assert plane.sum() == pytest.approx(782_023.149, abs=5e-4)
    assert bed_measures(frame, beds).perimeter_m.sum() == pytest.approx(238_361.6, abs=0.05)
    # no height is given, so ground in the grid is the ellipsoid within the scale's variation
    worst = max(map(abs, frame.scale_variation))
    assert worst < 1e-5
    assert plane_length(frame, site) == pytest.approx(bed_measures(frame, site).perimeter_m.sum(), rel=worst)
    # its coordinates taken for international feet would lie 4 m away (the note gives whole metres)
    shift = np.hypot(*(beds.coords[0] * (0.3048 - 1200 / 3937)))
    assert shift == pytest.approx(4, abs=0.5)


def plane_length(frame: Frame, beds: Features) -> float:
    """Length of all outlines in ground metres of the site's grid."""
    shapes = frame.shapes(beds)
    pieces = [
        shapely.LinearRing(shapes.xy[a:b]).length
        for a, b in zip(shapes.ring_offsets[:-1], shapes.ring_offsets[1:], strict=True)
    ]
    return float(np.sum(pieces))
