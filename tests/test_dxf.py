"""Drawings: exact arcs, curves within the tolerance, layers, units, place on the map, joining, blocks."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import ezdxf.filemanagement
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.strings import lengths, strings_of
from siteplan.geodesy import inverse, project, unproject
from siteplan.intake import AnchorPoint, Reading, Source, read_features, vertex_numbers
from siteplan.intake.joining import join
from siteplan.model import Features, RingKind

GRID = "EPSG:32615"
E0, N0 = 500_000.0, 4_600_000.0
METRES_UNIT = 6
FT, INCH, MM, FTUS = 2, 1, 4, 21


def drawing(
    draw: Callable[[Any, Any], None], *, units: int | None = METRES_UNIT, version: str = "R2010"
) -> Any:
    """A drawing made by a function that is given its model space and itself."""
    doc = ezdxf.filemanagement.new(version)
    if units is not None:
        doc.header["$INSUNITS"] = units
    draw(doc.modelspace(), doc)
    return doc


def read(
    path: Path, doc: Any, *, crs: str | None = GRID, role: str = "beds", **reading: Any
) -> tuple[Features, tuple[Finding, ...]]:
    layer = reading.pop("layer", None)
    skip = reading.pop("skip_faulty", False)
    doc.saveas(path)
    source = Source(path, crs=crs, layer=layer, reading=Reading(**reading))
    return read_features([source], role, skip_faulty=skip)


def faults_of(path: Path, doc: Any, **options: Any) -> tuple[Fault, ...]:
    with pytest.raises(DataError) as caught:
        read(path, doc, **options)
    return caught.value.faults


def rings(found: Features) -> list[np.ndarray]:
    return [found.coords[a:b] - (E0, N0) for a, b in itertools.pairwise(found.ring_offsets)]


def codes(findings: tuple[Finding, ...]) -> list[str]:
    return [f.code for f in findings]


def at(*xy: tuple[float, float]) -> list[tuple[float, float]]:
    return [(E0 + x, N0 + y) for x, y in xy]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.dxf"


# -- the real drawing ---------------------------------------------------------------


def test_the_real_drawing_asks_for_unit_and_place_in_one_report(shared_data: Path) -> None:
    real = shared_data / "handheld_survey.dxf"
    with pytest.raises(DataError) as caught:
        read_features([Source(real)], "beds")
    assert [f.code for f in caught.value.faults] == ["no-unit", "no-crs"]
    assert "$INSUNITS is missing" in caught.value.faults[0].what
    assert "x -0.116359 to 1.080163" in caught.value.faults[1].what


def test_the_real_drawing_joined_and_laid_on_the_map(shared_data: Path) -> None:
    ground = unproject(GRID, np.array([[E0, N0]]))
    # ten metres east and ten metres north of the first point, on the ellipsoid
    corners = [AnchorPoint((0, 0), (E0, N0))]
    for azimuth, xy in ((90.0, (10.0, 0.0)), (0.0, (0.0, 10.0))):
        from siteplan.geodesy import direct

        there = direct(ground, np.array([azimuth]), np.array([10.0]))
        corners.append(AnchorPoint(xy, tuple(project(GRID, there)[0].tolist())))
    reading = Reading(unit="m", anchor=tuple(corners))
    found, findings = read_features(
        [Source(shared_data / "handheld_survey.dxf", crs=GRID, reading=reading)], "beds"
    )
    assert found.ring_kind.tolist() == [RingKind.LINE]
    assert len(found.coords) == 11
    assert found.z[0] == -1.078038
    assert found.attributes["layer"].tolist() == ["LEICA_DISTO_3D"]
    joined = next(f for f in findings if f.code == "drawing-joined")
    assert "10 lines and arcs joined into 0 outlines and 1 open lines" in joined.text
    # the lengths on the ellipsoid are those of the drawing, as the library has its vertices
    doc = ezdxf.filemanagement.readfile(shared_data / "handheld_survey.dxf")
    drawn = [math.dist(e.dxf.start.vec2, e.dxf.end.vec2) for e in doc.modelspace().query("LINE")]
    lonlat = unproject(GRID, found.coords)
    assert inverse(lonlat[:-1], lonlat[1:])[0] == pytest.approx(drawn, abs=1e-7)


# -- lines, arcs, curves --------------------------------------------------------------


def test_a_circle_is_exact_within_the_tolerance_and_keeps_its_radius(path: Path) -> None:
    for tolerance in (0.001, 0.01, 0.1):
        found, _ = read(
            path, drawing(lambda m, _d: m.add_circle((E0, N0), 12.5)), chord_tolerance_m=tolerance
        )
        (ring,) = rings(found)
        assert np.hypot(*ring.T) == pytest.approx(12.5, abs=1e-8)
        angle = np.diff(np.unwrap(np.arctan2(ring[:, 1], ring[:, 0])))
        # the sagitta of a chord: r (1 - cos(angle / 2))
        assert 12.5 * (1 - np.cos(angle.max() / 2)) <= tolerance * (1 + 1e-6)
        assert vertex_numbers(found, "radius_m") == pytest.approx(12.5)
        assert found.ring_kind.tolist() == [RingKind.OUTER]


def test_bulges_against_the_closed_form(path: Path) -> None:
    """A stadium: two half circles of 3 m (bulge 1) and two sides of 10 m; its mirror image turns right."""
    nodes = [(0, 0, 0), (10, 0, 1), (10, 6, 0), (0, 6, 1)]
    mirror = [(x + 30, -y, -b) for x, y, b in nodes]

    def draw(m: Any, _: Any) -> None:
        for points in (nodes, mirror):
            m.add_lwpolyline([(E0 + x, N0 + y, b) for x, y, b in points], format="xyb", close=True)

    found, _ = read(path, drawing(draw))
    a, b = rings(found)
    radius = vertex_numbers(found, "radius_m")
    for ring, turn in ((a, 1), (b, -1)):
        polygon = shapely.Polygon(ring)
        # 1 mm of chord on 3 m loses 2/3 of it over the length of the arcs
        assert polygon.area == pytest.approx(60 + math.pi * 9, abs=0.001 * math.pi * 6)
        assert polygon.length == pytest.approx(20 + 2 * math.pi * 3, rel=3e-4)
        assert polygon.length < 20 + 2 * math.pi * 3
        assert shapely.LinearRing(ring).is_ccw == (turn == 1)
    first = np.isfinite(radius[: len(a)])
    assert radius[: len(a)][first] == pytest.approx(3.0)
    assert radius[len(a) :][np.isfinite(radius[len(a) :])] == pytest.approx(-3.0)
    assert (~first).sum() == 2


def test_an_old_polyline_and_a_new_one_are_the_same(path: Path) -> None:
    points = [(E0, N0, 0.3), (E0 + 9, N0, -0.2), (E0 + 9, N0 + 5, 0), (E0, N0 + 5, 0.5)]
    new, _ = read(path, drawing(lambda m, _d: m.add_lwpolyline(points, format="xyb", close=True)))
    old, _ = read(
        path, drawing(lambda m, _d: m.add_polyline2d(points, format="xyb", close=True), version="R2000")
    )
    assert np.array_equal(new.coords, old.coords)


def test_what_is_drawn_from_below_is_mirrored(path: Path) -> None:
    """An entity with its axis down has x to the left (object coordinates of the DXF reference)."""
    down = {"extrusion": (0, 0, -1)}

    def draw(m: Any, _: Any) -> None:
        m.add_lwpolyline(
            [(-E0, N0, 0), (-E0 - 10, N0, 0.5), (-E0 - 10, N0 + 4, 0), (-E0, N0 + 4, 0)],
            format="xyb", close=True, dxfattribs=down,
        )  # fmt: skip
        m.add_arc((-E0 - 40, N0), 5, 0, 90, dxfattribs=down)

    found, _ = read(path, drawing(draw))
    ring, arc = rings(found)
    assert ring[0] == pytest.approx((0, 0), abs=1e-6)
    assert ring[1] == pytest.approx((10, 0), abs=1e-6)
    sagitta = ring[(ring[:, 1] - 2).__abs__().argmin()]
    # bulge 0.5 left of (10,0)-(10,4) seen from below: mirrored it bows to +x by chord x bulge / 2 = 1
    # ... unless the mirrored arc turned the other way, which would bow to -x
    assert abs(sagitta[0] - 10) == pytest.approx(1.0, abs=0.01)
    reference = ezdxf.filemanagement.readfile(path)
    arcs = reference.modelspace().query("ARC").first
    assert arc[0] == pytest.approx((arcs.start_point.x - E0, arcs.start_point.y - N0), abs=1e-6)
    assert arc[-1] == pytest.approx((arcs.end_point.x - E0, arcs.end_point.y - N0), abs=1e-6)
    parts = [
        e for e in reference.modelspace().query("LWPOLYLINE").first.virtual_entities() if e.dxftype() == "ARC"
    ]
    middle = next(iter(parts[0].vertices([(parts[0].dxf.start_angle + parts[0].dxf.end_angle) / 2])))
    line = shapely.LinearRing(ring)
    assert shapely.distance(line, shapely.Point(middle.x - E0, middle.y - N0)) < 1.1e-3


@pytest.mark.parametrize("tolerance", [0.1, 0.001])
def test_ellipses_stay_within_the_tolerance(path: Path, tolerance: float) -> None:
    def draw(m: Any, _: Any) -> None:
        m.add_ellipse((E0, N0), major_axis=(9, 3), ratio=0.3)
        m.add_ellipse((E0 + 40, N0), major_axis=(9, 3), ratio=0.3, start_param=1, end_param=4)

    found, _ = read(path, drawing(draw), chord_tolerance_m=tolerance)
    whole, part = rings(found)
    assert found.ring_kind.tolist() == [RingKind.OUTER, RingKind.LINE]
    u, v = np.array([9.0, 3.0]), 0.3 * np.array([-3.0, 9.0])
    t = np.linspace(0, 2 * np.pi, 20_001)[:, None]
    dense = np.cos(t) * u + np.sin(t) * v
    assert shapely.distance(shapely.LinearRing(whole), shapely.points(dense)).max() <= tolerance
    cut = dense[(t[:, 0] >= 1) & (t[:, 0] <= 4)] + (40, 0)
    assert shapely.distance(shapely.LineString(part), shapely.points(cut)).max() <= tolerance
    assert part[0] == pytest.approx(np.cos(1) * u + np.sin(1) * v + (40, 0))


@settings(deadline=None, derandomize=True, max_examples=25)
@given(st.integers(0, 2**31), st.integers(4, 14), st.integers(2, 5), st.sampled_from([0.1, 0.01, 0.001]))
def test_splines_stay_within_the_tolerance_of_another_library(
    tmp_path_factory: pytest.TempPathFactory, seed: int, count: int, order: int, tolerance: float
) -> None:
    degree = min(order, count - 1)
    noise = np.random.default_rng(seed)
    control = np.cumsum(noise.uniform(-1, 3, (count, 2)), axis=0) + (E0, N0)
    folder = tmp_path_factory.mktemp("dxf")
    doc = drawing(
        lambda m, _d: m.add_open_spline([(x, y, 0) for x, y in control], degree=degree), units=METRES_UNIT
    )
    found, _ = read(folder / "a.dxf", doc, chord_tolerance_m=tolerance)
    (line,) = rings(found)
    knots = np.concatenate([np.zeros(degree), np.linspace(0, 1, count - degree + 1), np.ones(degree)])
    dense = BSpline(knots, control - (E0, N0), degree)(np.linspace(0, 1, 5001))
    assert shapely.distance(shapely.LineString(line), shapely.points(dense)).max() <= tolerance + 1e-8
    assert shapely.distance(shapely.LineString(dense), shapely.points(line)).max() <= tolerance + 1e-4


def test_closed_and_rational_splines_and_fit_points(path: Path) -> None:
    half = math.sqrt(0.5)
    # a full circle as a rational quadratic spline: nine control points (The NURBS Book, section 7.5)
    control = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0)]
    weights = [1, half, 1, half, 1, half, 1, half, 1]
    knots = [0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4]

    def draw(m: Any, _: Any) -> None:
        m.add_rational_spline(
            [(E0 + 7 * x, N0 + 7 * y, 0) for x, y in control], weights=weights, degree=2, knots=knots
        )
        m.add_spline(fit_points=[(E0 + 30 + x, N0 + x * x / 10, 0) for x in range(6)])

    found, _ = read(path, drawing(draw), chord_tolerance_m=0.001)
    circle, fitted = rings(found)
    assert found.ring_kind.tolist() == [RingKind.OUTER, RingKind.LINE]
    assert np.hypot(*circle.T) == pytest.approx(7.0, abs=1e-7)
    gap = np.hypot(*(np.roll(circle, -1, axis=0) - circle).T).max()
    assert 7 - math.sqrt(49 - gap**2 / 4) <= 0.001
    assert (
        shapely.distance(shapely.LineString(fitted), shapely.points([(32.0, 0.4), (35.0, 2.5)])).max()
        < 0.0011
    )


# -- layers and what is on them -----------------------------------------------------------


def layered(m: Any, _: Any) -> None:
    for k, name in enumerate(("EDGE", "WALL", "edge-2")):
        m.add_polyline2d(
            at((k * 20, 0), (k * 20 + 5, 0), (k * 20 + 5, 5)), close=True, dxfattribs={"layer": name}
        )
    m.add_text("note", dxfattribs={"layer": "TEXT", "insert": at((1, 1))[0]})


def test_layers_are_chosen_by_name(path: Path) -> None:
    doc = drawing(layered)
    (fault,) = faults_of(path, doc)
    assert fault.code == "several-layers"
    assert '"EDGE" (1), "WALL" (1), "edge-2" (1)' in fault.what
    found, _ = read(path, doc, layers=("edge", "EDGE-2"))
    assert found.attributes["layer"].tolist() == ["EDGE", "edge-2"]
    found, _ = read(path, doc, layer="WALL")
    assert found.attributes["layer"].tolist() == ["WALL"]
    faults = faults_of(path, doc, layers=("EDGE", "KERB", "GATE"))
    assert [f.code for f in faults] == ["layer-not-found"] * 2
    assert '"KERB"' in faults[0].what
    assert '"WALL" (1)' in faults[0].what
    (fault,) = faults_of(path, doc, layers=("TEXT",))
    assert fault.code == "no-features"


def test_a_text_in_an_outline_names_it(path: Path) -> None:
    def draw(m: Any, d: Any) -> None:
        layered(m, d)
        m.add_mtext("N 7", dxfattribs={"layer": "NO", "insert": at((43, 1))[0]})
        m.add_text("N1", dxfattribs={"layer": "NO", "insert": at((4, 1))[0]})
        m.add_text("far", dxfattribs={"layer": "NO", "insert": at((400, 1))[0]})

    found, findings = read(path, drawing(draw), layers=("EDGE", "EDGE-2", "NO"))
    assert found.ids.tolist() == ["N1", "N 7"]
    assert "1 texts stand in no outline" in next(f.text for f in findings if f.code == "drawing-texts")
    found, _ = read(path, drawing(draw), layers=("EDGE", "WALL", "NO"))
    assert found.ids.tolist() == ["B1", "B2"]  # one has no text, so texts are names only
    assert found.names.tolist() == ["N1", "B2"]


def test_islands_and_outlines_in_them(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        for r in (2.0, 20.0, 10.0):
            m.add_circle((E0, N0), r)
        m.add_circle((E0 + 100, N0), 5)

    found, findings = read(path, drawing(draw))
    assert found.ring_kind.tolist() == [RingKind.OUTER, RingKind.OUTER, RingKind.ISLAND, RingKind.OUTER]
    assert codes(findings).count("islands") == 1
    found, findings = read(path, drawing(draw), nested="outlines")
    assert found.ring_kind.tolist() == [RingKind.OUTER] * 4
    assert "islands" not in codes(findings)


def test_what_cannot_be_read_is_told_as_an_error(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        m.add_circle((E0, N0), 5)
        m.add_hatch().paths.add_polyline_path(at((0, 0), (1, 0), (1, 1)))
        m.add_3dface([(E0, N0, 0), (E0 + 1, N0, 0), (E0, N0 + 1, 0)])
        m.add_circle((E0, N0), 5, dxfattribs={"extrusion": (0, 1, 1)})
        m.add_point((E0, N0))
        m.add_polymesh((3, 3))
        m.add_line((E0, N0), (E0, N0))

    found, findings = read(path, drawing(draw))
    assert len(found) == 1
    left = [f for f in findings if f.code == "drawing-left-out"]
    assert {f.grade for f in left} == {"error"}
    said = " ".join(f.text for f in left)
    for part in (
        "1 3DFACE, 1 HATCH left out",
        "1 CIRCLE left out: they lie on a plane",
        "1 POLYLINE",
        "1 LINE",
    ):
        assert part in said, part


def test_sizes_out_of_all_measure(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        m.add_circle((E0, N0), 5)
        m.add_circle((E0, N0), 1e15)
        m.add_lwpolyline([(E0, N0, 0.5), (E0 + 1e15, N0, 0)], format="xyb")
        m.add_ellipse((E0, N0), major_axis=(1e15, 0), ratio=0.5)
        m.add_open_spline([(0, 0), (1e15, 0), (0, 1e15), (1e15, 1e15)])

    begun = time.process_time()
    found, findings = read(path, drawing(draw))
    assert time.process_time() - begun < 3
    assert len(found) == 1
    assert len([f for f in findings if f.code == "drawing-left-out"]) >= 3


# -- units and CRS --------------------------------------------------------------------------


def square(size: float) -> Callable[[Any, Any], None]:
    return lambda m, _d: m.add_lwpolyline([(0, 0), (size, 0), (size, size), (0, size)], close=True)


def anchors(size: float, ground_m: float) -> tuple[AnchorPoint, ...]:
    """Three corners of a drawn square, laid so that it is as large on the ellipsoid as it should be."""
    from siteplan.geodesy import direct

    start = unproject(GRID, np.array([[E0, N0]]))
    points = [AnchorPoint((0, 0), (E0, N0))]
    for azimuth, xy in ((90.0, (size, 0.0)), (0.0, (0.0, size))):
        there = project(GRID, direct(start, np.array([azimuth]), np.array([ground_m])))
        points.append(AnchorPoint(xy, (float(there[0, 0]), float(there[0, 1]))))
    return tuple(points)


@pytest.mark.parametrize(
    ("units", "metres"),
    # factors: international foot and inch exactly, US survey foot 1200/3937 m (85 FR 62698)
    [
        (METRES_UNIT, 1.0),
        (FT, 0.3048),
        (INCH, 0.0254),
        (MM, 0.001),
        (5, 0.01),
        (10, 0.9144),
        (FTUS, 1200 / 3937),
    ],
)
def test_the_unit_of_the_drawing_is_honoured(path: Path, units: int, metres: float) -> None:
    size = 40 / metres
    found, _ = read(path, drawing(square(size), units=units), anchor=anchors(size, 40.0))
    lonlat = unproject(GRID, found.coords)
    sides = inverse(lonlat, np.roll(lonlat, -1, axis=0))[0]
    assert sides == pytest.approx(40.0, abs=1e-5)  # 40 m square corners on a curved earth


def test_a_drawing_without_a_header_has_no_unit(path: Path) -> None:
    """The reading library makes up a header in metres; that is not what the drawing says."""
    path.write_text("0\nSECTION\n2\nENTITIES\n0\nLINE\n8\n0\n10\n0\n20\n0\n11\n5\n21\n0\n0\nENDSEC\n0\nEOF\n")
    with pytest.raises(DataError) as caught:
        read_features([Source(path, crs=GRID)], "beds")
    assert [f.code for f in caught.value.faults] == ["no-unit"]
    assert "$INSUNITS is missing" in caught.value.faults[0].what


def test_a_drawing_without_a_unit_is_asked_for_it(path: Path) -> None:
    for units, said in ((None, "unitless"), (0, "unitless")):
        (fault,) = faults_of(path, drawing(square(40), units=units or 0), anchor=anchors(40, 40.0))
        assert fault.code == "no-unit"
        assert said in fault.what
    found, _ = read(path, drawing(square(40), units=0), unit="m", anchor=anchors(40, 40.0))
    assert len(found) == 1


def test_units_that_contradict(path: Path) -> None:
    doc = drawing(square(40), units=FT)
    (fault,) = faults_of(path, doc, unit="m", anchor=anchors(40, 40.0))
    assert fault.code == "unit-contradicts"
    assert "unit_overrules = true" in fault.remedy
    found, _ = read(path, doc, unit="m", unit_overrules=True, anchor=anchors(40, 40.0))
    assert len(found) == 1
    (fault,) = faults_of(path, drawing(square(40), units=20), anchor=anchors(40, 40.0))
    assert fault.code == "unit-unknown"
    (fault,) = faults_of(path, drawing(square(40)), crs="EPSG:4326")
    assert fault.code == "unit-contradicts"


def test_which_foot(path: Path) -> None:
    """A grid in US survey feet takes a drawing in "feet", and none that states the other foot."""
    crs = "EPSG:3418"
    x, y = (round(v) for v in project(crs, np.array([[-93.6, 41.6]]))[0])

    def draw(m: Any, _: Any) -> None:
        m.add_lwpolyline([(x, y), (x + 40, y), (x + 40, y + 30)], close=True)

    found, findings = read(path, drawing(draw, units=FT), crs=crs)
    assert "drawing-foot" in codes(findings)
    assert found.coords.tolist() == [[x, y], [x + 40, y], [x + 40, y + 30]]
    found, findings = read(path, drawing(draw, units=FTUS), crs=crs)
    assert findings == ()
    (fault,) = faults_of(path, drawing(draw, units=0), crs=crs, unit="ft")
    assert fault.code == "unit-contradicts"
    assert "two different feet" in fault.what
    found, findings = (
        read(path, drawing(draw, units=INCH), crs=GRID, anchor=None) if False else (found, findings)
    )


def test_a_drawing_in_millimetres_of_a_grid_in_metres(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        m.add_lwpolyline(
            [(E0 * 1e3, N0 * 1e3), (E0 * 1e3 + 5000, N0 * 1e3), (E0 * 1e3, N0 * 1e3 + 5000)], close=True
        )

    found, findings = read(path, drawing(draw, units=MM))
    assert rings(found)[0].tolist() == [[0, 0], [5, 0], [0, 5]]
    assert "drawing-unit" in codes(findings)


def test_every_fault_in_one_report(path: Path) -> None:
    faults = faults_of(path, drawing(layered, units=0), crs="EPSG:999999", layers=("KERB",), simplify_m=1.0)
    assert [f.code for f in faults] == ["key-not-used", "layer-not-found", "no-unit", "crs"]


def test_anchor_points_that_do_not_fit(path: Path) -> None:
    doc = drawing(square(40), units=FT)
    (fault,) = faults_of(path, doc, anchor=anchors(40, 40.0)[:1])
    assert fault.code == "too-few-anchors"
    # drawn in feet, anchored as if in metres: the scale tells
    (fault,) = faults_of(path, doc, anchor=anchors(40, 40.0))
    assert fault.code == "anchor-residual"
    assert "feet were read as metres" in fault.what or "metres were read as feet" in fault.what
    bad = (AnchorPoint((0, 0), (E0, N0)), AnchorPoint((40, 0), (1e12, 1e12)))
    (fault,) = faults_of(path, drawing(square(40)), anchor=bad)
    assert fault.code == "anchor-off-map"


def test_ground_lengths_are_kept_at_the_height_of_the_site(path: Path) -> None:
    """A drawing 100 m wide on the ground at 1,500 m is 100 R / (R + h) on the ellipsoid: 23.5 mm less."""
    shrunk = 100 * 6_378_000 / (6_378_000 + 1500)
    drawing(square(100)).saveas(path)
    reading = Reading(anchor=anchors(100, shrunk)[:2])
    found, _ = read_features([Source(path, crs=GRID, reading=reading, height_m=1500.0)], "beds")
    lonlat = unproject(GRID, found.coords)
    sides = inverse(lonlat, np.roll(lonlat, -1, axis=0))[0]
    # the radius of curvature differs by 0.3 % with the direction: 0.08 mm of 23.5
    assert sides == pytest.approx(shrunk, abs=2e-4)


# -- joining -------------------------------------------------------------------------------------


def test_lines_and_arcs_in_any_order_and_direction_make_outlines(path: Path) -> None:
    noise = np.random.default_rng(5)

    def draw(m: Any, _: Any) -> None:
        parts: list[Callable[[], Any]] = []
        for k in range(8):
            x, y = E0 + 30 * k, N0
            ends = [((x, y), (x + 10, y)), ((x + 10, y + 6), (x, y + 6))]
            for a, b in ends:
                parts.append(partial(m.add_line, *((a, b) if noise.random() < 0.5 else (b, a))))
            parts.append(partial(m.add_arc, (x + 10, y + 3), 3, 270, 90))
            parts.append(partial(m.add_arc, (x, y + 3), 3, 90, 270))
        for k in noise.permutation(len(parts)):
            parts[int(k)]()

    found, findings = read(path, drawing(draw))
    assert found.ring_kind.tolist() == [RingKind.OUTER] * 8
    for ring in rings(found):
        assert shapely.Polygon(ring).area == pytest.approx(60 + 9 * math.pi, abs=0.02)
    text = next(f.text for f in findings if f.code == "drawing-joined")
    assert "32 lines and arcs joined into 8 outlines and 0 open lines" in text
    radius = np.abs(vertex_numbers(found, "radius_m"))
    assert radius[np.isfinite(radius)] == pytest.approx(3.0)


def test_gaps_are_closed_within_the_tolerance_and_told_beyond_it(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        corners = at((0, 0), (10, 0), (10, 10), (0, 10))
        for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
            m.add_line((a[0] + 0.004, a[1]), b)

    found, findings = read(path, drawing(draw))
    assert found.ring_kind.tolist() == [RingKind.LINE] * 4
    gaps = [f for f in findings if f.code == "drawing-gap"]
    assert len(gaps) == 4
    assert {f.grade for f in gaps} == {"error"}
    assert "0.004 m apart and not joined" in gaps[0].text
    assert "(500000.004, 4600000)" in " ".join(f.text for f in gaps)
    found, findings = read(path, drawing(draw), join_within_m=0.005)
    assert found.ring_kind.tolist() == [RingKind.OUTER]
    assert "ends were up to 0.004 m apart" in next(f.text for f in findings if f.code == "drawing-joined")


def test_three_lines_at_a_point_are_a_fault_with_its_place(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        corners = at((0, 0), (10, 0), (10, 10), (0, 10))
        for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
            m.add_line(a, b)
        m.add_line(at((10, 10))[0], at((20, 20))[0])
        m.add_circle((E0 + 50, N0), 4)

    faults = faults_of(path, drawing(draw))
    assert {f.code for f in faults} == {"lines-branch"}
    assert "(500010, 4600010)" in faults[0].what
    found, findings = read(path, drawing(draw), skip_faulty=True)
    assert len(found) == 1
    assert "left-out" in codes(findings)


def test_lines_drawn_twice_count_once(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        corners = at((0, 0), (10, 0), (10, 10), (0, 10))
        for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
            m.add_line(a, b)
        m.add_line(corners[1], corners[0])
        m.add_arc((E0 + 50, N0), 5, 0, 180)
        m.add_arc((E0 + 50, N0), 5, 180, 360)  # the other half, not the same arc

    found, findings = read(path, drawing(draw))
    assert found.ring_kind.tolist() == [RingKind.OUTER] * 2
    assert "1 lines lie exactly on another" in next(f.text for f in findings if f.code == "drawing-twice")


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 2**31), st.integers(1, 6), st.integers(2, 12))
def test_joining_gives_back_what_was_cut_up(seed: int, chains: int, pieces: int) -> None:
    """Chains far from each other, cut, shuffled and turned: each comes back whole, open or closed."""
    noise = np.random.default_rng(seed)
    starts, ends, owner = [], [], []
    closed = noise.random(chains) < 0.5
    for c in range(chains):
        nodes = np.column_stack([np.arange(pieces + 1.0), noise.uniform(-0.4, 0.4, pieces + 1)]) + (0, 10 * c)
        if closed[c]:
            nodes[-1] = nodes[0]
        for pair in itertools.pairwise(nodes):
            turned = 1 if noise.random() < 0.5 else -1
            start, end = pair[::turned]
            starts.append(start + noise.uniform(-3e-4, 3e-4, 2))
            ends.append(end + noise.uniform(-3e-4, 3e-4, 2))
            owner.append(c)
    order = noise.permutation(len(starts))
    same = list(range(len(starts)))  # none counts as drawn twice
    joined = join(np.array(starts)[order], np.array(ends)[order], 1e-3, same=same)
    assert not joined.branches
    assert not joined.twice
    found = {owner[order[c.pieces[0]]]: c for c in joined.chains}
    assert len(joined.chains) == len(found) == chains
    for c, chain in found.items():
        assert chain.closed == bool(closed[c])
        assert sorted(order[list(chain.pieces)]) == [k for k in range(len(owner)) if owner[k] == c]
        assert not chain.reversed[chain.pieces.index(min(chain.pieces))]


# -- blocks --------------------------------------------------------------------------------------


def test_blocks_are_taken_apart_where_they_were_put(path: Path) -> None:
    def draw(m: Any, d: Any) -> None:
        bed = d.blocks.new("BED")
        bed.add_lwpolyline([(0, 0, 0), (4, 0, 1), (4, 2, 0), (0, 2, 0)], format="xyb", close=True)
        bed.add_circle((1, 1), 0.2, dxfattribs={"layer": "PLANT"})
        group = d.blocks.new("GROUP")
        group.add_blockref("BED", (10, 0), dxfattribs={"rotation": 90})
        m.add_blockref("BED", at((0, 0))[0], dxfattribs={"layer": "EDGE"})
        m.add_blockref("GROUP", at((100, 0))[0], dxfattribs={"layer": "EDGE", "xscale": 2, "yscale": 2})
        m.add_blockref("BED", at((300, 0))[0], dxfattribs={"layer": "OTHER"})

    found, findings = read(path, drawing(draw), layers=("EDGE",))
    assert found.attributes["layer"].tolist() == ["EDGE", "EDGE"]
    a, b = rings(found)
    assert a[:2].tolist() == [[0, 0], [4, 0]]
    assert b[0] == pytest.approx((120, 0), abs=1e-6)
    assert b[1] == pytest.approx((120, 8), abs=1e-6)
    area = 8 + math.pi / 2
    assert shapely.Polygon(a).area == pytest.approx(area, abs=0.004)
    assert shapely.Polygon(b).area == pytest.approx(4 * area, abs=0.008)
    assert "2 entities come out of blocks" in next(f.text for f in findings if f.code == "drawing-blocks")
    found, _ = read(path, drawing(draw), layers=("PLANT",))
    assert len(found) == 3


def test_a_block_drawn_wider_than_high(path: Path) -> None:
    """Stretched in one direction a circle is an ellipse, within the tolerance still."""

    def draw(m: Any, d: Any) -> None:
        d.blocks.new("TREE").add_circle((0, 0), 2)
        m.add_blockref("TREE", at((0, 0))[0], dxfattribs={"xscale": 3, "yscale": 1})

    found, _ = read(path, drawing(draw))
    assert shapely.Polygon(rings(found)[0]).area == pytest.approx(math.pi * 12, abs=0.03)


def test_blocks_without_end(path: Path) -> None:
    def bombs(m: Any, d: Any) -> None:
        d.blocks.new("B0").add_line((0, 0), (1, 1))
        for k in range(1, 12):
            block = d.blocks.new(f"B{k}")
            for n in range(10):
                block.add_blockref(f"B{k - 1}", (n, 0))
        m.add_blockref("B11", (0, 0))

    def repeated(m: Any, d: Any) -> None:
        d.blocks.new("B").add_line((0, 0), (1, 1))
        m.add_blockref("B", (0, 0), dxfattribs={"row_count": 30000, "column_count": 30000, "row_spacing": 1})

    def itself(m: Any, d: Any) -> None:
        block = d.blocks.new("B")
        block.add_line((0, 0), (1, 1))
        block.add_blockref("B", (1, 1))
        m.add_blockref("B", (0, 0))

    for draw, said in ((repeated, "repeated 900,000,000 times"), (itself, "nested more than 16 deep")):
        begun = time.process_time()
        (fault,) = faults_of(path, drawing(draw))
        assert fault.code == "drawing-too-large"
        assert said in fault.what
        assert time.process_time() - begun < 5
    doc = drawing(bombs)
    from siteplan.intake import dxf_entities

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(dxf_entities, "MOST_ENTITIES", 2000)
        (fault,) = faults_of(path, doc)
    assert "its blocks hold more than" in fault.what


# -- heights, damage ------------------------------------------------------------------------------


def test_heights_are_in_the_unit_of_the_grid(path: Path) -> None:
    def draw(m: Any, _: Any) -> None:
        m.add_polyline3d([(0, 0, 12000), (40000, 0, 24000), (40000, 40000, 12000)], close=True)

    found, findings = read(path, drawing(draw, units=MM), anchor=anchors(40_000, 40.0))
    assert found.z == pytest.approx([12, 24, 12])
    assert "z-zero" not in codes(findings)
    found, findings = read(path, drawing(square(40)), anchor=anchors(40, 40.0))
    assert np.isnan(found.z).all()
    assert "z-zero" not in codes(findings)


@pytest.mark.parametrize("cut", [0.1, 0.5, 0.9])
def test_a_cut_off_drawing_is_a_fault(path: Path, cut: float) -> None:
    drawing(layered).saveas(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * cut)])
    with pytest.raises(DataError) as caught:
        read_features([Source(path, crs=GRID, reading=Reading(layers=("EDGE",)))], "beds")
    assert caught.value.faults[0].code in ("damaged-file", "layer-not-found", "no-unit")
    assert str(path.parent) not in str(caught.value)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(0, 2**31))
def test_a_garbled_drawing_never_gives_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    noise = np.random.default_rng(seed)
    path = tmp_path_factory.mktemp("dxf") / "a.dxf"
    drawing(layered, version="R12").saveas(path)
    lines = path.read_bytes().split(b"\n")
    for _ in range(int(noise.integers(1, 6))):
        k = int(noise.integers(len(lines)))
        lines[k] = [b"", b"999999", b"x", b"\xff\xfe", b"-1", b"nan"][int(noise.integers(6))]
    path.write_bytes(b"\n".join(lines))
    reading = Reading(layers=("EDGE",), unit="m", unit_overrules=True)
    try:
        found, _ = read_features([Source(path, crs=GRID, reading=reading)], "beds")
    except DataError:
        return
    assert np.isfinite(found.coords).all()


def test_other_files_named_dxf(path: Path) -> None:
    for content in (b"AC1032 binary drawing", b"hello", b"\x00" * 50, b"0\nSECTION\n"):
        path.write_bytes(content)
        with pytest.raises(DataError) as caught:
            read_features([Source(path)], "beds")
        assert caught.value.faults[0].code in ("damaged-file", "not-a-known-format", "no-features"), content


# -- there and back ---------------------------------------------------------------------------------


@settings(deadline=None, derandomize=True, max_examples=30)
@given(st.integers(0, 2**31), st.integers(3, 16), st.sampled_from(["R12", "R2000", "R2018"]), st.booleans())
def test_any_outline_written_as_a_drawing_reads_back(
    tmp_path_factory: pytest.TempPathFactory, seed: int, count: int, version: str, split: bool
) -> None:
    """Lines and arcs round a middle: vertices to 1e-9 m of the nodes, length to what chords lose."""
    noise = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    nodes = noise.uniform(8, 12, count)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    bulge = np.where(noise.random(count) < 0.5, noise.uniform(-0.12, 0.12, count), 0.0)

    def draw(m: Any, _: Any) -> None:
        for a, b, v in zip(nodes, np.roll(nodes, -1, axis=0), bulge, strict=True):
            if split and v == 0:
                m.add_line(a, b)
            elif split:
                m.add_lwpolyline([(*a, v), (*b, 0)], format="xyb") if version != "R12" else m.add_polyline2d(
                    [(*a, v), (*b, 0)], format="xyb"
                )
        if not split:
            points = [(*p, v) for p, v in zip(nodes, bulge, strict=True)]
            (m.add_polyline2d if version == "R12" else m.add_lwpolyline)(points, format="xyb", close=True)

    path = tmp_path_factory.mktemp("dxf") / "a.dxf"
    doc = drawing(draw, units=0, version=version)
    plane = (AnchorPoint((0, 0), (E0, N0)), AnchorPoint((100, 0), (E0 + 100 * 0.9996, N0)))
    found, _ = read(path, doc, unit="m", anchor=plane)
    # UTM at its central meridian is a plane shrunk by 0.9996: undo it
    back = (found.coords - (E0, N0)) / 0.9996
    assert found.ring_kind.tolist() == [RingKind.OUTER]
    distance = np.hypot(*(back[:, None] - nodes[None]).transpose(2, 0, 1)).min(axis=0)
    assert distance.max() < 1e-5  # the grid scale changes by 1e-9 over 12 m; the plane is 100 m wide
    exact = lengths(strings_of(["x"], [True], [nodes], [bulge]))[0]
    length = shapely.LinearRing(back).length
    assert exact - 0.01 < length <= exact + 1e-5
