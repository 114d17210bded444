"""Draws the two invented sample sites and writes them to this folder.

``python sample_data/make_samples.py [FOLDER]`` writes the layers of both sites under FOLDER
(by default this folder).  The output depends on nothing but this file: tracing noise comes
from a fixed bit stream, so GeoJSON files are equal byte for byte between runs, and the
GeoPackage too with the same version of the libraries that write it.

Both properties are invented.  They are placed in the farm country of Iowa only so that they
lie somewhere on the earth; nothing in them is about that place.

How it is drawn: every shape has plan coordinates in metres (``fennel_row``) or US survey
feet (``larkspur_close``), x to the plan's right and y up; the whole plan is then turned a
little and put on the earth.  Right-angled beds are exact.  Beds traced by hand from a
picture have every vertex moved by up to 2 cm.
"""

from __future__ import annotations

import json
import sys
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pyogrio
import pyproj
import rasterio
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

XY: TypeAlias = NDArray[np.float64]
"""(n, 2) plan coordinates; closed shapes do not repeat their first vertex."""

HAND_M = 0.02
"""greatest distance a hand-traced vertex lies from the line it follows, metres"""

# ---------------------------------------------------------------------------------------
# shapes


def points(*xy: tuple[float, float]) -> XY:
    """Vertices given one by one."""
    return np.array(xy, dtype=np.float64)


def placed(xy: XY, x: float, y: float, turn_deg: float = 0.0) -> XY:
    """A shape drawn at the origin, turned anticlockwise and moved to ``(x, y)``."""
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turned: XY = xy @ np.array([[cos, sin], [-sin, cos]]) + (x, y)
    return turned


def mirrored(xy: XY) -> XY:
    """A shape mirrored at the plan's middle axis (x = 0)."""
    return xy * (-1.0, 1.0)


def rectangle(x: float, y: float, length: float, width: float, turn_deg: float = 0.0) -> XY:
    """Rectangle round its middle, its length along ``turn_deg``."""
    a, b = length / 2, width / 2
    return placed(points((-a, -b), (a, -b), (a, b), (-a, b)), x, y, turn_deg)


def box(left: float, bottom: float, right: float, top: float) -> XY:
    """Rectangle along the plan's axes."""
    return points((left, bottom), (right, bottom), (right, top), (left, top))


def arc(x: float, y: float, radius: float, from_deg: float, to_deg: float, count: int) -> XY:
    """``count`` vertices on an arc, both ends included."""
    angle = np.radians(np.linspace(from_deg, to_deg, count))
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def circle(x: float, y: float, radius: float, count: int) -> XY:
    """Regular polygon of ``count`` vertices in a circle."""
    return arc(x, y, radius, 0.0, 360.0, count + 1)[:-1]


def stadium(x: float, y: float, length: float, width: float, turn_deg: float, per_end: int = 13) -> XY:
    """Long bed with half-round ends; ``length`` is over all."""
    radius = width / 2
    middle = length / 2 - radius
    ends = [arc(middle, 0, radius, -90, 90, per_end), arc(-middle, 0, radius, 90, 270, per_end)]
    return placed(np.vstack(ends), x, y, turn_deg)


def rounded_rectangle(x: float, y: float, length: float, width: float, radius: float, turn_deg: float) -> XY:
    """Rectangle with rounded-off corners, traced with three vertices at each."""
    a, b = length / 2 - radius, width / 2 - radius
    corners = [(a, -b, -90), (a, b, 0), (-a, b, 90), (-a, -b, 180)]
    return placed(np.vstack([arc(u, v, radius, d, d + 90, 3) for u, v, d in corners]), x, y, turn_deg)


def resampled(dense: XY, count: int, *, closed: bool) -> XY:
    """``count`` vertices at even distances along a dense line."""
    if closed:
        dense = np.vstack([dense, dense[:1]])
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
    at = np.linspace(0.0, station[-1], count, endpoint=not closed)
    return np.column_stack([np.interp(at, station, dense[:, k]) for k in (0, 1)])


def smooth(control: XY, count: int, *, closed: bool = False) -> XY:
    """Smooth curve through control points (cubic, tangents from the neighbours)."""
    if closed:
        before, here, there, after = (np.roll(control, s, axis=0) for s in (1, 0, -1, -2))
    else:
        wide = np.vstack([2 * control[0] - control[1], control, 2 * control[-1] - control[-2]])
        before, here, there, after = wide[:-3], wide[1:-2], wide[2:-1], wide[3:]
    t = np.linspace(0.0, 1.0, 64, endpoint=False)[None, :, None]
    a, b, c, d = (p[:, None, :] for p in (before, here, there, after))
    dense = b + t * ((c - a) + t * ((2 * a - 5 * b + 4 * c - d) + t * (3 * (b - c) + d - a))) / 2
    dense = dense.reshape(-1, 2)
    if not closed:
        dense = np.vstack([dense, control[-1:]])
    return resampled(dense, count, closed=closed)


def kidney(x: float, y: float, length: float, width: float, radius: float, turn_deg: float, count: int) -> XY:
    """Ellipse bent round an arc of ``radius``, its hollow side towards ``turn_deg`` - 90."""
    angle = np.linspace(0.0, 2 * np.pi, 2048, endpoint=False)
    along = length / 2 * np.cos(angle) / radius
    out = radius + width / 2 * np.sin(angle)
    bent = np.column_stack([out * np.sin(along), out * np.cos(along) - radius])
    return placed(resampled(bent, count, closed=True), x, y, turn_deg)


def curved_bed(
    x: float, y: float, inner: float, outer: float, from_deg: float, to_deg: float, count: int
) -> XY:
    """Bed between two arcs round one middle, with square ends."""
    return np.vstack([arc(x, y, outer, from_deg, to_deg, count), arc(x, y, inner, to_deg, from_deg, count)])


def traced(key: str, xy: XY, reach: float = HAND_M) -> XY:
    """A shape as a hand traces it: every vertex moved at random by at most ``reach``.

    The bits come from PCG64 seeded with a checksum of ``key``: that stream is fixed for good
    (numpy NEP 19), and another bed more or less changes no other bed.
    """
    raw = np.random.PCG64(zlib.crc32(key.encode())).random_raw(2 * len(xy))
    even = (np.asarray(raw, dtype=np.uint64) >> np.uint64(11)) * 2.0**-53
    distance, angle = reach * np.sqrt(even[::2]), 2 * np.pi * even[1::2]
    moved: XY = xy + np.column_stack([distance * np.cos(angle), distance * np.sin(angle)])
    return moved


# ---------------------------------------------------------------------------------------
# features


@dataclass(frozen=True)
class Feature:
    """One feature of a layer, in plan coordinates."""

    key: str
    shape: BaseGeometry
    attributes: dict[str, str | int | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Site:
    """The three layers of a site in plan coordinates, and what is paved.

    ``paving`` (drives, parking) is written to no file; it is there to check that no bed lies on it.
    """

    beds: tuple[Feature, ...]
    abutments: tuple[Feature, ...]
    openings: tuple[Feature, ...]
    paving: tuple[BaseGeometry, ...]

    def layers(self) -> Iterator[tuple[str, tuple[Feature, ...]]]:
        """Name and features of each layer."""
        yield from (("beds", self.beds), ("abutments", self.abutments), ("openings", self.openings))


def bed(
    key: str, name: str, outline: XY, *islands: XY, priority: int = 2, phase: int = 1, crew: str = ""
) -> Feature:
    """A planting bed.  Of two beds that share an edge, the one of higher priority is edged."""
    shape = shapely.Polygon(outline, list(islands))
    return Feature(
        key, shape, {"bed": key, "name": name, "priority": priority, "phase": phase, "crew": crew or None}
    )


def border(key: str, name: str, line: XY, *, phase: int = 1, crew: str = "") -> Feature:
    """Edging along an open line; the bed lies on the left, walking as drawn."""
    given: dict[str, str | int | None] = {
        "bed": key,
        "name": name,
        "priority": 2,
        "phase": phase,
        "crew": crew or None,
    }
    return Feature(key, shapely.LineString(line), given)


def wall(key: str, name: str, shape: BaseGeometry) -> Feature:
    """A building, walk or kerb, drawn at the face the beds meet."""
    return Feature(key, shape, {"id": key, "name": name, "source": "wall"})


def opening(key: str, name: str, kind: str, shape: BaseGeometry, width: str | None = None) -> Feature:
    """A stretch without edging; a point needs a ``width``."""
    return Feature(key, shape, {"id": key, "name": name, "kind": kind, "width": width})


# ---------------------------------------------------------------------------------------
# Fennel Row: a hospital of 300 x 220 m.  Plan metres, the middle of the property at (0, 0).
# The main building faces down the plan; the public road runs along the bottom edge.

CHAPEL = (96.0, 24.0, 20.0)
"""middle and turn of the chapel"""
FAN = (106.9, -6.1)
"""middle of the memorial garden, on the axis of the chapel"""


def chapel(*uv: tuple[float, float]) -> XY:
    """Points given in the chapel's own axes, its door at the foot."""
    return placed(points(*uv), *CHAPEL)


def hospital_abutments() -> Iterator[Feature]:
    """Buildings, the front walk, and the kerb of the service road."""
    main = [
        (-62, 20),
        (-9, 20),
        (-9, 15.5),
        (9, 15.5),
        (9, 20),
        (48, 20),
        (48, 52),
        (-26, 52),
        (-26, 96),
        (-62, 96),
    ]
    yield wall("main", "Main building", shapely.Polygon(main))
    yield wall("clinic", "Clinic", shapely.Polygon(box(-136, 24, -98, 52)))
    outline = chapel((-6, -13), (6, -13), (6, 10), (3.5, 15), (-3.5, 15), (-6, 10))
    yield wall("chapel", "Chapel", shapely.Polygon(outline))
    yield wall("plant", "Plant house", shapely.Polygon(box(72, 78, 98, 98)))
    walk = [
        (-94, 12.5),
        (62, 12.5),
        (62, 15.5),
        (-91.5, 15.5),
        (-91.5, 36),
        (-98, 36),
        (-98, 33.5),
        (-94, 33.5),
    ]
    yield wall("walk", "Front walk", shapely.Polygon(walk))
    kerb = np.vstack([points((124, -106)), arc(112, 66, 12, 0, 90, 25), points((100, 78))])
    yield wall("kerb", "Kerb of the service road", shapely.LineString(kerb))


def hospital_openings() -> Iterator[Feature]:
    """Stretches of bed edge that take no edging."""
    yield opening("path", "Path from the garden door", "walk", shapely.Polygon(box(1, 51.9, 2.8, 57.5)))
    yield opening("ramp", "Ramp to the side door", "ramp", shapely.Polygon(box(47.9, 29, 53.5, 30.8)))
    yield opening("gate", "Herb garden gate", "gate", shapely.LineString(HERB_GATE))
    yield opening("drain", "Roof drain outlet", "drain", shapely.Point(-107, 66), "18 in")
    yield opening(
        "box", "Irrigation valve box", "utility box", shapely.Polygon(box(-78.5, 43.6, -77.6, 44.3))
    )


def front_beds() -> Iterator[Feature]:
    """Beds between the main building and the front walk."""
    wrap_w = points((-62, 20), (-36, 20), (-36, 15.5), (-66, 15.5), (-66, 44), (-62, 44))
    yield bed(
        "F1", "South-west corner bed", wrap_w, crew="Between wall and walk; edge the ends and the lawn side"
    )
    yield bed(
        "F2", "Bed left of the entrance", box(-33, 15.5, -9, 20), crew="Wall, walk and porch: one end only"
    )
    wave = smooth(points((9, 17.0), (12.5, 16.4), (17, 17.5), (21.5, 16.5), (26, 17.6), (30, 17.1)), 24)
    yield bed("F3", "Bed right of the entrance", np.vstack([traced("F3", wave), points((30, 20), (9, 20))]))
    wrap_e = points((48, 20), (48, 40), (52, 40), (52, 15.5), (33, 15.5), (33, 20))
    yield bed("F4", "South-east corner bed", wrap_e, crew="Leave the ramp clear")


def entrance_beds() -> Iterator[Feature]:
    """Beds along the entrance drive and round the drop-off loop."""
    ring = circle(0, -14, 11, 48)
    yield bed(
        "S1", "Drop-off circle", ring, circle(0, -14, 4.5, 36), priority=3, crew="Flag plaza stays open"
    )
    yield bed("S2", "Entrance median", stadium(0, -71, 50, 4, 90), priority=3)
    sign = curved_bed(22, -91, 9.5, 13, 232, 308, 14)
    yield bed("S3", "Entrance sign, east side", sign, priority=3)
    yield bed("S4", "Entrance sign, west side", mirrored(sign)[::-1], priority=3)
    east = kidney(37, -9, 17, 7.6, 7.5, -55, 60)
    yield bed("S5", "Kidney bed east of the loop", traced("S5", east))
    yield bed("S6", "Kidney bed west of the loop", traced("S6", mirrored(east)[::-1]))
    for number, (x, y) in enumerate([(13, -92), (13, -80), (13, -68), (-13, -92), (-13, -80), (-13, -68)], 1):
        yield bed(f"T{number}", f"Drive tree {number}", circle(x, y, 1.5, 24), phase=2)


def parking_beds() -> Iterator[Feature]:
    """Islands at the ends of the double rows of stalls, inside their kerbs."""
    spots = [
        (-83.5, -44),
        (-32.5, -44),
        (-83.5, -68),
        (-32.5, -68),
        (32.5, -44),
        (83.5, -44),
        (32.5, -68),
        (83.5, -68),
    ]
    for number, (x, y) in enumerate(spots, 1):
        side = "west" if x < 0 else "east"
        island = stadium(x, y, 10.4, 2.6, 90)
        yield bed(f"P{number}", f"Parking island {number}, {side} lot", island, priority=1, phase=3)


def clinic_beds() -> Iterator[Feature]:
    """Beds round the clinic and on the west lawn."""
    clipped = points((-133, 24), (-133, 21.6), (-132, 20.6), (-120, 20.6), (-119, 21.6), (-119, 24))
    yield bed("W1", "Clinic front, left of the door", clipped)
    yield bed("W2", "Clinic front, right of the door", box(-113, 21, -100, 24))
    inner = [(-136.04, 40), (-136.04, 52.04), (-122, 52.04)]
    wrap = points(*inner, (-122, 54.6), (-138.6, 54.6), (-138.6, 40))
    yield bed("W3", "Clinic corner bed", wrap, crew="Traced 4 cm off the wall")
    yield bed("W4", "Fence strip", box(-147, -30, -145.8, 30), priority=1, phase=2)
    u_shape = [
        (-125, 60),
        (-122.5, 60),
        (-122.5, 71.5),
        (-109.5, 71.5),
        (-109.5, 60),
        (-107, 60),
        (-107, 74),
        (-125, 74),
    ]
    yield bed("W5", "Staff patio hedge", points(*u_shape), phase=2)
    l_shape = points((-88, 44), (-70, 44), (-70, 47), (-85, 47), (-85, 62), (-88, 62))
    yield bed("W6", "Clinic garden, L-shaped bed", l_shape, phase=2)
    yield bed(
        "W7", "Kidney bed behind the clinic", traced("W7", kidney(-80, 80, 16, 6.8, 6.4, 40, 56)), phase=2
    )
    pool = points((-9, -1), (-4, -5.5), (2, -3.2), (8, -5), (11, 0), (7, 4.6), (1, 3.2), (-5, 5.6))
    pool = placed(pool, -112, -22, 14)
    yield bed("W8", "West lawn shrub group", traced("W8", smooth(pool, 64, closed=True)), phase=3)
    yield bed("W9", "Clinic garden, long bed", rectangle(-76, 30, 14, 4, 90), phase=2)
    yield bed("W10", "Hedge along the west lot", box(-96.6, -82, -95, -30), priority=1, phase=3)
    for number, (x, y, radius) in enumerate(
        [(-138, 84, 2.0), (-112, 92, 1.8), (-134, 2, 1.2), (-104, 4, 1.6)], 7
    ):
        yield bed(f"T{number}", f"Lawn tree {number - 6}", circle(x, y, radius, 24), phase=3)


HERBS = (44.0, 84.0, 24.0)
"""middle and turn of the three herb beds"""
HERB_GATE = placed(points((-0.6, -2), (0.6, -2)), *HERBS)


def split_oval() -> tuple[XY, XY]:
    """The two halves of an oval, the line between them traced twice by hand."""
    line = smooth(points((-5.2, 0), (-2, 0.8), (2, -0.8), (5.2, 0)), 13)
    rim = resampled(
        np.column_stack([5.2 * np.cos(a := np.linspace(0, np.pi, 512)), 4 * np.sin(a)]), 25, closed=False
    )
    upper = np.vstack([traced("N10", line[:-1], HAND_M / 2), rim[:-1]])
    lower = np.vstack([traced("N11", line[::-1][:-1], HAND_M / 2), -rim[:-1]])
    return placed(upper, 8, 92, 12), placed(lower, 8, 92, 12)


def garden_beds() -> Iterator[Feature]:
    """The garden in the angle of the main building."""
    front = points(
        (24, 55.4),
        (16, 56.2),
        (6, 55.2),
        (-6, 55.4),
        (-15, 57.2),
        (-20.6, 62.5),
        (-22.2, 72),
        (-21, 80),
        (-22, 88),
    )
    corner = np.vstack([points((-26, 88), (-26, 52), (24, 52)), traced("N1", smooth(front, 44))])
    yield bed(
        "N1", "Garden court corner bed", corner, priority=3, crew="Path from the garden door goes through"
    )
    yield bed("N2", "Round bed", circle(6, 73, 5, 48), priority=3)
    yield bed("N3", "Kidney bed, west of the round bed", traced("N3", kidney(-8.5, 74, 16, 7, 6.8, 95, 60)))
    yield bed(
        "N4", "Kidney bed, east of the round bed", traced("N4", kidney(20.5, 71, 14.5, 6.2, 5.8, -80, 50))
    )
    lozenge = points((5, 0), (0, 3), (-5, 0), (0, -3))
    yield bed("N5", "Lozenge", placed(lozenge, 36, 61, 10), phase=2)
    yield bed("N6", "Hexagon", circle(36, 72, 2.8, 6), phase=2)
    for number, (name, u) in enumerate([("Thyme", -6.0), ("Sage", 0.0), ("Chives", 6.0)], 7):
        plot = placed(box(u - 3, -2, u + 3, 2), *HERBS)
        yield bed(f"N{number}", f"Herb bed: {name.lower()}", plot, priority=3 if u == 0 else 2, phase=2)
    upper, lower = split_oval()
    yield bed("N10", "Oval, upper half", upper, phase=2)
    yield bed("N11", "Oval, lower half", lower, phase=2)
    yield bed("N12", "Long border", traced("N12", long_border()), phase=3, crew="Needs two days; water first")


def long_border() -> XY:
    """A border that winds along the north edge of the property, 80 vertices."""
    south = [
        (-20, 101.6),
        (-9, 99.4),
        (3, 102.2),
        (16, 100.6),
        (27, 97.4),
        (38, 99.8),
        (49, 101.6),
        (58, 98.8),
        (65, 100.4),
    ]
    north = [
        (65, 104.6),
        (54, 106.2),
        (42, 104.4),
        (30, 103.4),
        (17, 106.4),
        (4, 106.2),
        (-8, 104.0),
        (-20, 105.8),
    ]
    return np.vstack([smooth(points(*south), 42), smooth(points(*north), 38)])


def chapel_beds() -> Iterator[Feature]:
    """Beds at the chapel, in the memorial garden, and along the service road."""
    yield bed(
        "E1",
        "Chapel front, left of the door",
        chapel((-6, -15.4), (-2, -15.4), (-2, -13), (-6, -13)),
        priority=3,
    )
    wrap = chapel((6, -13), (6, -4), (8.4, -4), (8.4, -15.4), (2, -15.4), (2, -13))
    yield bed("E2", "Chapel front, right of the door", wrap, priority=3)
    rim = np.column_stack([8.6 * np.cos(a := np.linspace(0, np.pi, 512)), 10 + 8 * np.sin(a)])
    apse = traced("E3", placed(resampled(rim, 22, closed=False), *CHAPEL))
    yield bed("E3", "Bed round the apse", np.vstack([chapel((-6, 10), (-3.5, 15), (3.5, 15), (6, 10)), apse]))
    for number, turn in enumerate([-145, -95, -45, 5], 4):
        ray = placed(rectangle(8, 0, 7, 2.4), *FAN, turn)
        yield bed(f"E{number}", f"Memorial garden, ray {number - 3}", ray, phase=2)
    yield bed("E8", "Memorial garden, middle", circle(*FAN, 2.2, 30), priority=3, phase=2)
    yield bed("E9", "Kerbside bed", box(121, 12, 123.96, 46), phase=3)
    yield bed(
        "E10", "Bed in the bend of the service road", curved_bed(112, 66, 9.2, 11.96, 6, 84, 24), phase=3
    )
    yield bed("E11", "East lawn, rounded-off bed", rounded_rectangle(74, -10, 15, 5, 0.25, 14), phase=3)
    yield bed("E12", "East lawn, slanting bed", rectangle(74, 62, 12, 4, -32), phase=3)
    pond = points((-7, 0), (-3, 4.4), (2, 3.6), (7, 5), (9, 0.5), (4, -3.2), (-2, -3.8))
    pond = smooth(placed(pond, 107, -56, -60), 60, closed=True)
    yield bed("E13", "Shrub group by the service road", traced("E13", pond), phase=3)
    yield bed("T11", "Chapel tree", circle(76, 30, 2, 24), phase=2)
    yield bed("T12", "Plant house tree", circle(106, 58, 1.4, 24), phase=3)
    for number, (x, y) in enumerate([(101, -82), (113, -86), (104, -98), (116, -74)], 13):
        yield bed(f"T{number}", f"Orchard tree {number - 12}", circle(x, y, 1.4, 24), phase=3)


def hospital_lines() -> Iterator[Feature]:
    """Edging along open lines."""
    strip = points((72, 94), (68.5, 94), (68.5, 74.5), (94, 74.5), (94, 78))
    yield border("L1", "Gravel strip at the plant house", strip, phase=3, crew="Starts and ends at the wall")
    lawn = points((-104, -96), (-112, -86), (-124, -78), (-130, -66), (-126, -54), (-130, -42), (-139, -35))
    yield border("L2", "Meadow edge", traced("L2", smooth(lawn, 34)), phase=3)


def hospital_paving() -> Iterator[BaseGeometry]:
    """Drives and parking."""
    yield shapely.difference(shapely.Point(0, -14).buffer(22), shapely.Point(0, -14).buffer(15))
    drive = shapely.box(-8.5, -110, 8.5, -34).difference(shapely.Polygon(stadium(0, -71, 52, 5.4, 90)))
    yield drive.difference(shapely.Point(0, -14).buffer(15))
    stalls = [shapely.Polygon(stadium(x, y, 11.6, 3.6, 90)) for x in (32.5, 83.5) for y in (-44, -68)]
    east = (
        shapely.box(24, -84, 92, -28)
        .union(shapely.box(8, -60, 24, -53))
        .difference(shapely.union_all(stalls))
    )
    yield east
    yield shapely.transform(east, mirrored)
    left = np.vstack([points((124, -110)), arc(112, 66, 12, 0, 90, 25), points((98.1, 78), (98.1, 98))])
    yard = points((112, 98), (112, 84))
    yield shapely.Polygon(np.vstack([left, yard, arc(112, 66, 18, 90, 0, 25), points((130, -110))]))


def hospital() -> Site:
    """Fennel Row: an invented hospital property."""
    areas = (front_beds, entrance_beds, parking_beds, clinic_beds, garden_beds, chapel_beds, hospital_lines)
    return Site(
        beds=tuple(feature for area in areas for feature in area()),
        abutments=tuple(hospital_abutments()),
        openings=tuple(hospital_openings()),
        paving=tuple(hospital_paving()),
    )


# ---------------------------------------------------------------------------------------
# Larkspur Close: six houses round a loop.  Plan feet (US survey), the planted island at (0, 0).


def close_beds() -> Iterator[Feature]:
    """Beds of the loop."""
    foot_hand = HAND_M * 3937 / 1200
    yield bed("C1", "Planted island", stadium(0, 0, 150, 60, 0, 25), priority=3)
    yield bed("C2", "Street border", box(-45, 58, 45, 64), crew="The drive goes through")
    yield bed(
        "C3", "Number 2, front bed", points((-8, 108), (12, 108), (12, 96), (16, 96), (16, 112), (-8, 112))
    )
    yield bed(
        "C4",
        "Number 1, corner bed",
        points((-60, 98), (-60, 118), (-54, 118), (-54, 92), (-88, 92), (-88, 98)),
    )
    yield bed("C5", "Number 4, side bed", placed(box(0, 0, 24, 9), 112, 62, -38))
    yield bed("C6", "Number 3, side bed", placed(box(0, 9, 24, 20), 112, 62, -38), priority=3)
    yield bed("C7", "Entrance sign", curved_bed(36, -74, 15, 22, 232, 308, 12), priority=3)
    yield bed(
        "C8", "Number 5, kidney bed", traced("C8", kidney(-132, -46, 52, 24, 25, 62, 48), foot_hand), phase=2
    )


def close_abutments() -> Iterator[Feature]:
    """Houses, and a drive that a bed runs along."""
    yield wall("house 1", "Number 1", shapely.Polygon(box(-104, 98, -60, 132)))
    second = points((-24, 112), (16, 112), (16, 96), (40, 96), (40, 144), (-24, 144))
    yield wall("house 2", "Number 2", shapely.Polygon(second))
    yield wall("house 3", "Number 3", shapely.Polygon(rectangle(118, 106, 44, 32, -38)))
    yield wall("house 4", "Number 4", shapely.Polygon(rectangle(162, 0, 34, 48)))
    yield wall("house 5", "Number 5", shapely.Polygon(rectangle(-166, 0, 34, 50)))
    drive = points((-98, 98), (-98, 84), (-72.3, 45.5), (-63.1, 49.9), (-88, 86), (-88, 98))
    yield wall("drive 1", "Drive of number 1", shapely.Polygon(drive))
    yield wall("house 6", "Number 6", shapely.Polygon(rectangle(-104, -106, 46, 32, 30)))


def close_openings() -> Iterator[Feature]:
    """The drives that cross the street border, and a gate."""
    yield opening("drive", "Drive of number 2", "drive", shapely.Polygon(box(22, 53, 34, 96)))
    yield opening("walk", "Front walk of number 2", "walk", shapely.Polygon(box(-4, 53, 0, 112.1)))
    yield opening("gate", "Side gate of number 1", "gate", shapely.LineString([(-54, 104), (-54, 107.5)]))


def close_paving() -> Iterator[BaseGeometry]:
    """The loop and its entry."""
    lane = shapely.Polygon(stadium(0, 0, 196, 106, 0, 25)).difference(
        shapely.Polygon(stadium(0, 0, 152, 62, 0, 25))
    )
    yield lane
    yield shapely.box(-13, -110, 13, -52)


def close() -> Site:
    """Larkspur Close: an invented residential loop."""
    return Site(tuple(close_beds()), tuple(close_abutments()), tuple(close_openings()), tuple(close_paving()))


# ---------------------------------------------------------------------------------------
# from the plan to files

HOSPITAL_LONLAT = (-94.3287, 41.3362)
"""where the middle of Fennel Row lies, WGS 84 degrees"""
HOSPITAL_TURN_DEG = 6.0
CLOSE_LONLAT = (-93.6352, 40.9551)
"""where the island of Larkspur Close lies, NAD83 degrees"""
CLOSE_TURN_DEG = -14.0
CLOSE_CRS = "EPSG:3418"
"""NAD83 / Iowa South (ftUS): its axes are in US survey feet"""
NOTE = "Invented site: made up for trying the program, not a survey of any real place."
DATE = "2025-01-01T00:00:00Z"
"""written into the GeoPackage as its date, so that equal content gives equal bytes"""


def to_lonlat(plan: XY) -> XY:
    """Plan metres of Fennel Row to WGS 84 longitude and latitude, through a grid centred on the site."""
    lon, lat = HOSPITAL_LONLAT
    local = pyproj.Proj(proj="tmerc", lon_0=lon, lat_0=lat, k=1, ellps="WGS84")
    x, y = placed(plan, 0, 0, HOSPITAL_TURN_DEG).T
    return np.column_stack(local(x, y, inverse=True))


def to_state_plane(plan: XY) -> XY:
    """Plan feet of Larkspur Close to state plane coordinates, to 0.0001 ftUS."""
    east, north = pyproj.Proj(CLOSE_CRS, preserve_units=True)(*CLOSE_LONLAT)
    return np.round(placed(plan, round(east), round(north), CLOSE_TURN_DEG), 4)


def geojson(layer: str, features: Sequence[Feature]) -> str:
    """A layer of Fennel Row as RFC 7946 text: nine decimals (0.1 mm), outer rings anticlockwise."""
    lines = []
    for feature in features:
        shape = shapely.transform(shapely.orient_polygons(feature.shape), to_lonlat)
        geometry = json.loads(shapely.to_geojson(shapely.transform(shape, lambda c: np.round(c, 9))))
        record = {"type": "Feature", "properties": feature.attributes, "geometry": geometry}
        lines.append(json.dumps(record, ensure_ascii=False, separators=(",", ":")))
    head = json.dumps({"type": "FeatureCollection", "name": layer, "note": NOTE})[:-1]
    return head + ', "features": [\n' + ",\n".join(lines) + "\n]}\n"


def write_geopackage(path: Path, site: Site) -> None:
    """The three layers of Larkspur Close as a GeoPackage in its state plane grid."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": DATE})
    try:
        for layer, features in site.layers():
            names = list(features[0].attributes)
            shapes = [shapely.transform(shapely.orient_polygons(f.shape), to_state_plane) for f in features]
            columns = [[f.attributes[name] for f in features] for name in names]
            pyogrio.raw.write(
                path,
                shapely.to_wkb(np.array(shapes, dtype=object)),
                [np.array(c, dtype=np.int32 if isinstance(c[0], int) else object) for c in columns],
                names,
                layer=layer,
                driver="GPKG",
                crs=CLOSE_CRS,
                geometry_type="Polygon" if layer != "openings" else "Unknown",
                append=path.exists(),
                layer_options={"DESCRIPTION": NOTE},
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


GROUND_CRS = "EPSG:32615"
"""of the elevation model: WGS 84 / UTM zone 15N, metres; not the CRS of the beds, as in life"""
GROUND_CELLS = (388, 316)
"""columns and rows of one metre"""
GROUND_BASE_M = 340.0
"""added to the model's whole centimetres"""


def ground(plan: XY) -> NDArray[np.float64]:
    """Height of Fennel Row's ground above sea level, metres: it falls to the south-east in soft waves."""
    x, y = plan.T
    fall = 365.0 - 0.030 * x + 0.045 * y
    waves = 1.4 * np.sin(x / 31.0 + 0.6) * np.cos(y / 44.0) + 0.5 * np.sin((x + y) / 17.0)
    return fall + waves


def write_ground(path: Path) -> None:
    """Fennel Row's ground as an elevation model: GeoTIFF, cells of 1 m, whole centimetres."""
    grid = pyproj.Proj(GROUND_CRS)
    local = pyproj.Proj(proj="tmerc", lon_0=HOSPITAL_LONLAT[0], lat_0=HOSPITAL_LONLAT[1], k=1, ellps="WGS84")
    columns, rows = GROUND_CELLS
    east, north = (round(v) for v in grid(*HOSPITAL_LONLAT))
    left, top = east - columns // 2, north + rows // 2
    e, n = np.meshgrid(left + 0.5 + np.arange(columns), top - 0.5 - np.arange(rows))
    there = np.column_stack(local(*grid(e.ravel(), n.ravel(), inverse=True)))
    height = ground(placed(there, 0, 0, -HOSPITAL_TURN_DEG)).reshape(rows, columns)
    path.unlink(missing_ok=True)
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="int16", nodata=-32768,
        crs=GROUND_CRS, transform=rasterio.Affine(1, 0, left, 0, -1, top),
        compress="deflate", predictor=2, zlevel=9,
    ) as model:  # fmt: skip
        model.write(np.rint((height - GROUND_BASE_M) * 100).astype(np.int16), 1)
        model.scales, model.offsets, model.units = (0.01,), (GROUND_BASE_M,), ("metre",)
        model.update_tags(TIFFTAG_IMAGEDESCRIPTION=NOTE)


def write_samples(folder: Path) -> None:
    """Write the layers of both sites under ``folder``."""
    for name in ("fennel_row", "larkspur_close"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for layer, features in hospital().layers():
        (folder / "fennel_row" / f"{layer}.geojson").write_text(
            geojson(layer, features), encoding="utf-8", newline="\n"
        )
    write_ground(folder / "fennel_row" / "ground.tif")
    write_geopackage(folder / "larkspur_close" / "beds.gpkg", close())


if __name__ == "__main__":
    write_samples(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
