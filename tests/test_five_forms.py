"""One property in eight forms: the same takeoff from each.

The property is the sample Larkspur Close, its planted island drawn with true half circles.  What is
written: GeoJSON and KML and KMZ in longitude and latitude, a shapefile and a survey file in US survey feet
of the state plane, a drawing in those feet, the drawing again in inches of its own with anchor points, and
field notes in metres on the ground with anchor points.

Tolerances: each leg within 0.01 mm of the state plane's, where grid, local grid and taped metres meet
(a grid's one combined factor is good to 1e-7 of 100 m); every bed's count of every piece equal.
"""

from __future__ import annotations

import itertools
import json
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ezdxf.filemanagement
import geopandas as gpd
import numpy as np
import pytest
import shapely

from siteplan.convert import convert
from siteplan.fieldnotes.notes import write_notes
from siteplan.fieldnotes.strings import ArcStrings, densify, strings_of
from siteplan.frame import Frame
from siteplan.geodesy import unproject
from siteplan.plans import plan_runs
from siteplan.sites import load_site, read_site_inputs
from siteplan.takeoffs import takeoff

GRID = "EPSG:3418"
FTUS = 1200 / 3937
LEG_M = 10e-6
ROLES = ("beds", "abutments", "openings")
LAYER = {"beds": "EDGE", "abutments": "WALL", "openings": "GATE"}
SITE = """
name = "Larkspur Close (invented)"
line = "flex-2m"
[grid]
name = "{grid}"
height = "1190 ft"
height_kind = "sea_level"
geoid_height = "-99 ft"
[bed.C1]
priority = 3
[bed.C6]
priority = 3
[bed.C7]
priority = 3
"""


@dataclass(frozen=True)
class Outline:
    """One outline in US survey feet of the state plane, with the bulge of each edge."""

    key: str
    xy: np.ndarray
    bulge: np.ndarray
    closed: bool

    def strings(self) -> ArcStrings:
        return strings_of([self.key], [self.closed], [self.xy], [self.bulge])

    def dense(self) -> np.ndarray:
        """Vertices within 1 mm of the arcs."""
        return densify(self.strings(), 0.001 / FTUS).xy


Property = dict[str, list[Outline]]


@pytest.fixture(scope="module")
def close(sample_data: Path) -> Property:
    """The sample's outlines; C1, traced with 25 vertices at each end, with half circles instead."""
    made: Property = {}
    for role in ROLES:
        frame = gpd.read_file(sample_data / "larkspur_close" / "beds.gpkg", layer=role)
        key = "bed" if role == "beds" else "id"
        made[role] = []
        for name, shape in zip(frame[key], frame.geometry, strict=True):
            closed = shape.geom_type == "Polygon"
            assert not closed or not len(shape.interiors)
            xy = np.array(shape.exterior.coords[:-1] if closed else shape.coords)
            made[role].append(Outline(str(name), xy, np.zeros(len(xy)), closed))
    made["beds"] = [_rounded(o) if o.key == "C1" else o for o in made["beds"]]
    return made


def _rounded(traced: Outline) -> Outline:
    """A stadium: its two straight sides, and half a circle from one to the other."""
    sides = np.hypot(*(np.roll(traced.xy, -1, axis=0) - traced.xy).T)
    a, b = np.sort(np.argsort(sides)[-2:])
    n = len(traced.xy)
    nodes = traced.xy[[a, (a + 1) % n, b, (b + 1) % n]]
    return Outline(traced.key, nodes, np.array([0.0, 1.0, 0.0, 1.0]), True)


# -- the forms ------------------------------------------------------------------------


def lonlat_shape(o: Outline) -> Any:
    xy = unproject(GRID, o.dense())
    return shapely.Polygon(xy) if o.closed else shapely.LineString(xy)


def as_geojson(folder: Path, close: Property) -> str:
    entries = ""
    for role in ROLES:
        features = [
            {
                "type": "Feature",
                "properties": {"bed": o.key} if role == "beds" else {"id": o.key},
                "geometry": shapely.geometry.mapping(lonlat_shape(o)),
            }
            for o in close[role]
        ]
        text = json.dumps({"type": "FeatureCollection", "features": features})
        (folder / f"{role}.geojson").write_text(text)
        entries += f'[[inputs.{role}]]\nfile = "{role}.geojson"\n'
    return entries


def as_shapefile(folder: Path, close: Property) -> str:
    entries = ""
    for role in ROLES:
        for kind in (True, False):
            part = [o for o in close[role] if o.closed is kind]
            if not part:
                continue
            make = shapely.Polygon if kind else shapely.LineString
            name = f"{role}-{'areas' if kind else 'lines'}.shp"
            gpd.GeoDataFrame(
                {"id": [o.key for o in part]}, geometry=[make(o.dense()) for o in part], crs=GRID
            ).to_file(folder / name)
            entries += f'[[inputs.{role}]]\nfile = "{name}"\n'
    return entries


def as_drawing(folder: Path, close: Property) -> str:
    """In US survey feet of the state plane: closed polylines with bulges, single lines, texts."""
    doc = _drawn(close, lambda xy: xy, units=21)
    doc.saveas(folder / "close.dxf")
    return "".join(
        f'[[inputs.{role}]]\nfile = "close.dxf"\ncrs = "{GRID}"\n'
        f'layers = ["{LAYER[role]}", "{LAYER[role]}-NO"]\n'
        for role in ROLES
    )


def _drawn(close: Property, move: Callable[[np.ndarray], np.ndarray], *, units: int) -> Any:
    doc = ezdxf.filemanagement.new("R2010")
    doc.header["$INSUNITS"] = units
    space = doc.modelspace()
    order = np.random.default_rng(2)
    for role in ROLES:
        on = {"layer": LAYER[role]}
        lines: list[tuple[Any, Any]] = []
        for k, o in enumerate(close[role]):
            xy = move(o.xy)
            if o.closed and k % 2 and not o.bulge.any():
                ends = zip(xy, np.roll(xy, -1, axis=0), strict=True)
                lines += [(a, b) if order.random() < 0.5 else (b, a) for a, b in ends]
            else:
                points = [(*p, b) for p, b in zip(xy, o.bulge, strict=True)]
                space.add_lwpolyline(points, format="xyb", close=o.closed, dxfattribs=on)
            if o.closed:
                spot = shapely.Polygon(move(o.dense())).representative_point()
                space.add_text(o.key, dxfattribs={"layer": f"{LAYER[role]}-NO", "insert": (spot.x, spot.y)})
        for n in order.permutation(len(lines)):
            space.add_line(*lines[int(n)], dxfattribs=on)
    return doc


def as_drawing_with_anchors(folder: Path, close: Property, frame: Frame) -> str:
    """In inches on axes of its own, 30 degrees askew, with three points known on the map."""
    turn = np.radians(30)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def ground_inches(xy: np.ndarray) -> np.ndarray:
        made: np.ndarray = frame.ground_xy(xy, GRID) @ spin / 0.0254 + (5000, -300)
        return made

    _drawn(close, ground_inches, units=1).saveas(folder / "inches.dxf")
    known = close["abutments"][0].xy[:3]
    pairs = ", ".join(
        f"{{ file = [{a[0]!r}, {a[1]!r}], map = [{b[0]!r}, {b[1]!r}] }}"
        for a, b in zip(ground_inches(known).tolist(), known.tolist(), strict=True)
    )
    return "".join(
        f'[[inputs.{role}]]\nfile = "inches.dxf"\nlayers = ["{LAYER[role]}", "{LAYER[role]}-NO"]\n'
        f'crs = "{GRID}"\nanchor = [{pairs}]\n'
        for role in ROLES
    )


def as_survey(folder: Path, close: Property) -> str:
    """One file for all: US survey feet, line and seq, the half circles by a point on each."""
    rows = ["point;code;easting;northing;line;seq;curve;close"]
    number = itertools.count(1001)
    for role in ROLES:
        for o in close[role]:
            points: list[tuple[np.ndarray, str]] = []
            for p, after, bulge in zip(o.xy, np.roll(o.xy, -1, axis=0), o.bulge, strict=True):
                points.append((p, ""))
                if bulge:
                    # the middle of an arc lies bulge x half the chord to the right of it
                    half = (after - p) / 2
                    points.append((p + half + bulge * np.array([half[1], -half[0]]), "through"))
            for seq, (p, curve) in enumerate(points, 1):
                end = "yes" if o.closed and seq == len(points) else ""
                rows.append(
                    f"{next(number)};{LAYER[role]};{float(p[0])!r};{float(p[1])!r};{o.key};{seq};{curve};{end}"
                )
    (folder / "points.csv").write_text("\n".join(rows))
    return "".join(
        f'[[inputs.{role}]]\nfile = "points.csv"\ncrs = "{GRID}"\nunit = "ftUS"\nlayers = ["{LAYER[role]}"]\n'
        for role in ROLES
    )


def kml_of(outlines: Sequence[Outline], role: str) -> str:
    marks = []
    for o in outlines:
        xy = unproject(GRID, o.dense())
        ring = " ".join(f"{x!r},{y!r}" for x, y in (np.vstack([xy, xy[:1]]) if o.closed else xy).tolist())
        line = f"<coordinates>{ring}</coordinates>"
        shape = (
            f"<Polygon><outerBoundaryIs><LinearRing>{line}</LinearRing></outerBoundaryIs></Polygon>"
            if o.closed
            else f"<LineString>{line}</LineString>"
        )
        word = role.removesuffix("s")
        data = f'<ExtendedData><Data name="{word}"><value>{o.key}</value></Data></ExtendedData>'
        marks.append(f"<Placemark><name>{o.key}</name>{data}{shape}</Placemark>")
    return (
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<Folder><name>{role}</name>{''.join(marks)}</Folder></Document></kml>"
    )


def as_kml(folder: Path, close: Property) -> str:
    for role in ROLES:
        (folder / f"{role}.kml").write_text(kml_of(close[role], role))
    return "".join(f'[[inputs.{role}]]\nfile = "{role}.kml"\n' for role in ROLES)


def as_kmz(folder: Path, close: Property) -> str:
    with zipfile.ZipFile(folder / "close.kmz", "w", zipfile.ZIP_DEFLATED) as archive:
        for role in ROLES:
            archive.writestr(f"{role}.kml", kml_of(close[role], role))
    return "".join(f'[[inputs.{role}]]\nfile = "close.kmz"\nlayer = "{role}"\n' for role in ROLES)


def as_notes(folder: Path, close: Property, frame: Frame) -> str:
    """Metres on the ground, on axes of the notes' own; three corners of a house known on the map."""
    shift = np.array([12.0, -7.0])
    known = close["abutments"][0].xy[:3]
    head = [f"crs {GRID}"]
    for k, (here, there) in enumerate(zip(frame.ground_xy(known, GRID) + shift, known, strict=True)):
        head.append(f"point H{k}, east {here[0]:.9f} m, north {here[1]:.9f} m")
        head.append(f"anchor H{k}, east {there[0]:.9f} ftUS, north {there[1]:.9f} ftUS")
    for role in ROLES:
        parts = [
            strings_of([o.key], [o.closed], [frame.ground_xy(o.xy, GRID) + shift], [o.bulge])
            for o in close[role]
        ]
        text = "\n".join(head) + "\n" + "".join(write_notes(p) for p in parts)
        (folder / f"{role}.txt").write_text(text)
    return "".join(f'[[inputs.{role}]]\nfile = "{role}.txt"\n' for role in ROLES)


# -- the same takeoff ---------------------------------------------------------------------


@dataclass(frozen=True)
class Plan:
    """What a form gave, by bed: lengths of legs from least to greatest, and pieces by code."""

    legs: dict[str, list[float]]
    pieces: dict[str, Counter[str]]
    findings: set[str]


def plan(folder: Path, entries: str, grid: str) -> Plan:
    (folder / "site.toml").write_text(SITE.format(grid=grid) + entries)
    site = load_site(folder)
    runs = plan_runs(site)
    result = takeoff(site, runs)
    bed = site.beds.ids[runs.runs.bed[runs.runs.leg_run]]
    legs = {b: sorted(runs.lengths.ground_m[bed == b].tolist()) for b in site.beds.ids}
    pieces = {
        b: Counter(result.pieces.code[result.pieces.bed == k].tolist()) for k, b in enumerate(site.beds.ids)
    }
    return Plan(legs, pieces, {f.code for f in site.findings})


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory, close: Property) -> tuple[Plan, Frame]:
    folder = tmp_path_factory.mktemp("reference")
    found = plan(folder, as_shapefile(folder, close), GRID)
    return found, load_site(folder).frame


def test_the_reference_is_a_real_property(reference: tuple[Plan, Frame], close: Property) -> None:
    found, _ = reference
    assert set(found.legs) == {f"C{k}" for k in range(1, 9)}
    assert sum(sum(c.values()) for c in found.pieces.values()) > 100
    # the planted island: two sides of 90 ft and a circle of 60 ft across, laid as one closed run
    exact = (2 * 90 + np.pi * 60) * FTUS
    # ground is 1,091 ft above the ellipsoid: 52 ppm; the grid's own scale differs by as much again
    assert sum(found.legs["C1"]) == pytest.approx(exact, rel=2e-4)


FORMS: dict[str, tuple[Callable[..., str], str]] = {
    "geojson": (as_geojson, "local"),
    "kml": (as_kml, "local"),
    "kmz": (as_kmz, "local"),
    "drawing": (as_drawing, GRID),
    "drawing-with-anchors": (as_drawing_with_anchors, GRID),
    "survey": (as_survey, GRID),
    "notes": (as_notes, GRID),
    "notes-local": (as_notes, "local"),
}


@pytest.mark.parametrize("form", list(FORMS))
def test_the_same_takeoff_from_every_form(
    tmp_path: Path, form: str, close: Property, reference: tuple[Plan, Frame]
) -> None:
    write, grid = FORMS[form]
    expected, frame = reference
    needs_frame = write in (as_drawing_with_anchors, as_notes)
    entries = write(tmp_path, close, frame) if needs_frame else write(tmp_path, close)
    found = plan(tmp_path, entries, grid)
    assert set(found.legs) == set(expected.legs)
    for bed, legs in expected.legs.items():
        assert found.legs[bed] == pytest.approx(legs, abs=LEG_M), bed
        assert found.pieces[bed] == expected.pieces[bed], bed


@pytest.mark.parametrize("form", list(FORMS))
def test_converted_it_is_the_same_again(
    tmp_path: Path, form: str, close: Property, reference: tuple[Plan, Frame]
) -> None:
    """Every form as a GeoPackage: the outlines to the last digit."""
    write, grid = FORMS[form]
    _, frame = reference
    needs_frame = write in (as_drawing_with_anchors, as_notes)
    entries = write(tmp_path, close, frame) if needs_frame else write(tmp_path, close)
    (tmp_path / "site.toml").write_text(SITE.format(grid=grid) + entries)
    first, _, files = read_site_inputs(tmp_path)
    convert(first, tmp_path / "clean.gpkg", inputs=files)
    again = "".join(f'[[inputs.{role}]]\nfile = "clean.gpkg"\nlayer = "{role}"\n' for role in ROLES)
    (tmp_path / "site.toml").write_text(SITE.format(grid=grid) + again)
    second, _, _ = read_site_inputs(tmp_path)
    for role in ROLES:
        a, b = first[role], second[role]
        assert a.ids.tolist() == b.ids.tolist()
        assert a.names.tolist() == b.names.tolist()
        assert a.crs == b.crs
        assert np.array_equal(a.coords, b.coords)
        assert np.array_equal(a.ring_offsets, b.ring_offsets)
        assert np.array_equal(a.ring_kind, b.ring_kind)
        for name, values in a.attributes.items():
            assert b.attributes[name].tolist() == values.tolist(), name
