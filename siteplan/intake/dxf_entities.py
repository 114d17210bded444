"""Entities of a drawing as strings of lines and arcs, seen from above.

Lines, arcs, circles and bulges stay exact; ellipses and splines become chords within a tolerance.
A bulge is the tangent of a quarter of the angle an arc turns through, left positive, as the DXF
reference defines it for LWPOLYLINE.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from ezdxf.lldxf.const import DXFError
from ezdxf.math import OCS, Vec3

from siteplan.intake.drawn import MOST_CHORDS
from siteplan.types import FloatArray

MOST_ENTITIES: Final = 500_000
"""Entities made out of blocks, and vertices of one curve: more than that is no plan of beds."""
DEEPEST_BLOCK: Final = 16
TILT: Final = 1e-9
"""How far from vertical the axis of a drawn arc may lie."""
TEXTS: Final = ("TEXT", "MTEXT")
SILENT: Final = ("POINT", "DIMENSION", "VIEWPORT", "ATTDEF", "ATTRIB", "SEQEND")
"""Kinds that are never outlines; not worth a word."""


@dataclass(slots=True)
class Piece:
    """One entity as a string in the drawing's unit.  n nodes."""

    layer: str
    handle: str
    xyz: FloatArray
    """(n, 3); a closed piece repeats no node"""
    bulge: FloatArray
    """(n,) of the edge that leaves each node; 0 at the end of an open piece"""
    closed: bool


@dataclass(slots=True)
class Gathered:
    """What is in a drawing on the layers asked for."""

    pieces: list[Piece] = field(default_factory=list)
    labels: list[tuple[str, float, float]] = field(default_factory=list)
    """text and place of each TEXT and MTEXT"""
    left_out: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    """why, layer: kinds of entities that were not read"""
    inserts: int = 0

    def leave(self, why: str, layer: str, kind: str) -> None:
        """Keep account of an entity that is not read."""
        self.left_out.setdefault((why, layer), []).append(kind)


class TooMuch(Exception):  # noqa: N818 - never leaves the package
    """Blocks within blocks without end, or more entities than any plan has."""


class Tilted(Exception):  # noqa: N818 - never leaves the package
    """An arc on a plane that is not level: from above it is no arc."""


def layer_of(entity: Any) -> str:
    """Layer of an entity; empty where it is of a kind the library knows nothing of."""
    try:
        return str(entity.dxf.layer)
    except DXFError:
        return ""


def walk(layout: Any, wanted: Callable[[str], bool], blocks: BlockLayers) -> Iterator[tuple[Any, str, int]]:
    """Every entity on a wanted layer, blocks taken apart, with the layer it is on and its depth.

    An entity on layer 0 of a block is on the layer the block was inserted on.
    """
    made = 0
    stack: list[tuple[Iterator[Any], str | None, int]] = [(iter(layout), None, 0)]
    while stack:
        entities, above, depth = stack[-1]
        entity = next(entities, None)
        if entity is None:
            stack.pop()
            continue
        made += depth > 0
        if made > MOST_ENTITIES:
            raise TooMuch(f"its blocks hold more than {MOST_ENTITIES:,} entities")
        own = layer_of(entity)
        layer = above if above is not None and own == "0" else own
        if entity.dxftype() != "INSERT":
            if wanted(layer):
                yield entity, layer, depth
            continue
        if not blocks.matters(entity, layer, wanted):
            continue
        if depth >= DEEPEST_BLOCK:
            raise TooMuch(f"its blocks are nested more than {DEEPEST_BLOCK} deep")
        # what the library would walk through, whatever the spacing
        times = max(int(entity.dxf.row_count), 1) * max(int(entity.dxf.column_count), 1)
        if times > MOST_ENTITIES:
            raise TooMuch(f"block {entity.dxf.name} is repeated {times:,} times")
        copies = entity.multi_insert() if entity.mcount > 1 else iter((entity,))
        stack.append((_taken_apart(copies), layer, depth + 1))


def _taken_apart(inserts: Iterator[Any]) -> Iterator[Any]:
    for insert in inserts:
        yield from insert.virtual_entities()


class BlockLayers:
    """Which layers a block has something on, blocks within it included; asked before it is taken apart."""

    def __init__(self, doc: Any) -> None:
        own: dict[str, set[str]] = {}
        inner: dict[str, set[tuple[str, str]]] = {}
        for block in doc.blocks:
            key = str(block.name).casefold()
            own[key], inner[key] = set(), set()
            for entity in block:
                layer = layer_of(entity)
                if entity.dxftype() == "INSERT":
                    inner[key].add((str(entity.dxf.name).casefold(), layer))
                else:
                    own[key].add(layer)
        # layers rise through blocks in blocks until nothing changes; a block within itself adds nothing
        changed = True
        while changed:
            changed = False
            for key, inside in inner.items():
                before = len(own[key])
                for name, layer in inside:
                    own[key] |= {layer if n == "0" else n for n in own.get(name, ())}
                changed |= len(own[key]) > before
        self._own = own

    def matters(self, insert: Any, layer: str, wanted: Callable[[str], bool]) -> bool:
        """Whether anything of a block lies on a wanted layer."""
        return any(wanted(layer if name == "0" else name) for name in self.of(str(insert.dxf.name)))

    def of(self, name: str) -> frozenset[str]:
        """Layers of a block."""
        return frozenset(self._own.get(name.casefold(), ()))


def gather(layout: Any, wanted: Callable[[str], bool], blocks: BlockLayers, tolerance: float) -> Gathered:
    """Strings and labels on the wanted layers.

    Parameters
    ----------
    layout : model space
    wanted : whether a layer, by its name, is to be read
    blocks : the drawing's blocks
    tolerance : greatest distance of an ellipse or spline from its chords, in the drawing's unit

    Raises
    ------
    TooMuch : see :func:`walk`
    """
    out = Gathered()
    for entity, layer, depth in walk(layout, wanted, blocks):
        kind = entity.dxftype()
        out.inserts += depth > 0
        if kind in TEXTS:
            text = entity.plain_text() if kind == "MTEXT" else str(entity.dxf.text)
            place = (
                OCS(entity.dxf.extrusion).to_wcs(Vec3(entity.dxf.insert))
                if kind == "TEXT"
                else entity.dxf.insert
            )
            if text.strip():
                out.labels.append((" ".join(text.split()), float(place.x), float(place.y)))
            continue
        if kind in SILENT:
            continue
        make = _MAKERS.get(kind)
        if make is None:
            out.leave("are no lines or curves this reads", layer, kind)
            continue
        try:
            made = make(entity, tolerance)
        except Tilted:
            out.leave("lie on a plane that is not level, so that from above they are no arcs", layer, kind)
            continue
        except (DXFError, ValueError, TypeError, AttributeError, LookupError, ArithmeticError) as error:
            out.leave(f"cannot be worked out ({error})", layer, kind)
            continue
        if made is None:
            out.leave("are meshes, not lines", layer, kind)
            continue
        xyz, bulge, closed = made
        if not (np.isfinite(xyz).all() and np.isfinite(bulge).all()):
            out.leave("hold a coordinate that is no number", layer, kind)
            continue
        xyz, bulge, closed = _tidy(xyz, bulge, closed)
        if (chords := _chords(xyz, bulge, tolerance)) > MOST_CHORDS:
            out.leave(f"are so large that their arcs would take {chords:.3g} chords", layer, kind)
            continue
        if len(xyz) < 2 and not closed:
            out.leave("have no length", layer, kind)
            continue
        out.pieces.append(Piece(layer, str(entity.dxf.handle or ""), xyz, bulge, closed))
    return out


def _chords(xyz: FloatArray, bulge: FloatArray, tolerance: float) -> float:
    """About how many chords the arcs of a piece take: a radius out of all measure takes very many."""
    arc = bulge != 0
    b = np.abs(bulge[arc])
    chord = np.hypot(*(np.roll(xyz[:, :2], -1, axis=0) - xyz[:, :2])[arc].T)
    radius = chord * (1 + b * b) / (4 * b)
    return float((4 * np.arctan(b) / np.sqrt(8 * tolerance / np.maximum(radius, tolerance))).sum())


Made = tuple[FloatArray, FloatArray, bool]


def _tidy(xyz: FloatArray, bulge: FloatArray, closed: bool) -> Made:
    """Without nodes at the place of the next one; closed where the last node is the first."""
    n = len(xyz)
    if n < 2:
        return xyz, bulge, closed
    same = (xyz[1:, :2] == xyz[:-1, :2]).all(axis=1)
    keep = np.append(~same, True)
    xyz, bulge = xyz[keep], bulge[keep]
    if len(xyz) > 2 and (xyz[0, :2] == xyz[-1, :2]).all():
        return xyz[:-1], bulge[:-1], True
    if closed and len(xyz) == 2 and not bulge.any():
        return xyz, bulge, False
    return xyz, bulge, closed


def _turned(entity: Any) -> tuple[OCS, float]:
    """Axes of an entity, and 1 where they are seen from above, -1 where from below."""
    axes = OCS(entity.dxf.extrusion)
    z = axes.uz
    if math.hypot(z.x, z.y) > TILT:
        raise Tilted
    return axes, math.copysign(1.0, z.z)


def _xyz(points: Any) -> FloatArray:
    return np.array([(p.x, p.y, p.z) for p in points], dtype=np.float64).reshape(-1, 3)


def _line(entity: Any, _: float) -> Made:
    return _xyz([entity.dxf.start, entity.dxf.end]), np.zeros(2), False


def _arc(entity: Any, _: float) -> Made:
    axes, side = _turned(entity)
    start, end = math.radians(entity.dxf.start_angle), math.radians(entity.dxf.end_angle)
    sweep = (end - start) % (2 * math.pi) or 2 * math.pi
    return _circular(entity, axes, start, sweep, side)


def _circle(entity: Any, _: float) -> Made:
    axes, side = _turned(entity)
    return _circular(entity, axes, 0.0, 2 * math.pi, side)


def _circular(entity: Any, axes: OCS, start: float, sweep: float, side: float) -> Made:
    """An arc as two halves, so that no bulge grows without bound; a circle as two half circles."""
    centre, radius = Vec3(entity.dxf.center), float(entity.dxf.radius)
    if not radius > 0:
        raise ValueError(f"radius {radius:g}")
    full = math.isclose(sweep, 2 * math.pi, rel_tol=0, abs_tol=1e-12)
    angles = [start, start + sweep / 2] + ([] if full else [start + sweep])
    made = axes.points_to_wcs(
        [centre + Vec3(radius * math.cos(a), radius * math.sin(a), 0.0) for a in angles]
    )
    bulge = np.full(len(angles), side * math.tan(sweep / 8))
    if not full:
        bulge[-1] = 0.0
    return _xyz(made), bulge, full


def _lwpolyline(entity: Any, _: float) -> Made:
    axes, side = _level(entity, any(p[2] for p in entity.get_points("xyb")))
    points = entity.get_points("xyb")
    z = float(entity.dxf.elevation)
    made = axes.points_to_wcs([Vec3(x, y, z) for x, y, _b in points])
    return _closing(
        _xyz(made), np.array([p[2] for p in points], dtype=np.float64) * side, bool(entity.closed)
    )


def _level(entity: Any, has_arcs: bool) -> tuple[OCS, float]:
    """Straight lines may lie on any plane; arcs on a level one."""
    return _turned(entity) if has_arcs else (OCS(entity.dxf.extrusion), 1.0)


def _closing(xyz: FloatArray, bulge: FloatArray, closed: bool) -> Made:
    if not closed and len(bulge):
        bulge = bulge.copy()
        bulge[-1] = 0.0
    return xyz, bulge, closed


def _polyline(entity: Any, _: float) -> Made | None:
    if entity.is_poly_face_mesh or entity.is_polygon_mesh:
        return None
    # of a polyline fitted to a spline, the frame points are not on the curve (flag 16)
    vertices = [v for v in entity.vertices if not v.dxf.flags & 16]
    closed = bool(entity.is_closed)
    if entity.is_3d_polyline:
        return _xyz([v.dxf.location for v in vertices]), np.zeros(len(vertices)), closed
    bulge = np.array([float(v.dxf.bulge) for v in vertices])
    axes, side = _level(entity, bool(bulge.any()))
    z = float(entity.dxf.elevation.z) if entity.dxf.hasattr("elevation") else 0.0
    made = axes.points_to_wcs([Vec3(v.dxf.location.x, v.dxf.location.y, z) for v in vertices])
    return _closing(_xyz(made), bulge * side, closed)


def _ellipse(entity: Any, tolerance: float) -> Made:
    """Chords of equal parameter step: the deviation of one is at most a (step)^2 / 8."""
    a = float(Vec3(entity.dxf.major_axis).magnitude)
    start, end = float(entity.dxf.start_param), float(entity.dxf.end_param)
    sweep = (end - start) % (2 * math.pi) or 2 * math.pi
    step = min(math.sqrt(8 * tolerance / a), math.pi / 6)
    count = math.ceil(sweep / step)
    if count > MOST_CHORDS:
        raise ValueError(f"{count:,} chords")
    at = start + sweep * np.arange(count + 1) / count
    xyz = _xyz(entity.vertices(at.tolist()))
    full = math.isclose(sweep, 2 * math.pi, rel_tol=0, abs_tol=1e-9)
    return (xyz[:-1], np.zeros(count), True) if full else (xyz, np.zeros(count + 1), False)


def _spline(entity: Any, tolerance: float) -> Made:
    """Chords halved until the curve's own bound keeps them within the tolerance.

    A spline is taken apart at its knots; over each part the second derivative is looked at densely
    enough that (step)^2 |r''| / 8, the bound for a chord, holds with a margin of two.
    """
    tool = entity.construction_tool()
    xyz = _flat_spline(tool, tolerance)
    closed = bool(np.hypot(*(xyz[0, :2] - xyz[-1, :2])) <= 1e-9 * max(1.0, float(np.abs(xyz).max())))
    if closed:
        xyz = xyz[:-1]
    return xyz, np.zeros(len(xyz)), closed


def _flat_spline(tool: Any, tolerance: float) -> FloatArray:
    knots = np.unique(np.array(tool.knots(), dtype=np.float64))
    low, high = knots[0], float(tool.max_t)
    spans = knots[(knots >= low) & (knots <= high)]
    t: list[FloatArray] = []
    for a, b in itertools.pairwise(spans.tolist()):
        probe = np.linspace(a, b, 9)[:-1] + (b - a) / 16
        bend = max(float(ders[2].magnitude) for ders in tool.derivatives(probe.tolist(), 2))
        count = max(1, math.ceil((b - a) * math.sqrt(2 * bend / (8 * tolerance))))
        if count > MOST_CHORDS:
            raise ValueError(f"{count:,} chords")
        t.append(np.linspace(a, b, count, endpoint=False))
    at = np.append(np.concatenate(t), spans[-1])
    return _xyz(tool.points(at.tolist()))


_MAKERS: Final[dict[str, Callable[[Any, float], Made | None]]] = {
    "LINE": _line,
    "ARC": _arc,
    "CIRCLE": _circle,
    "LWPOLYLINE": _lwpolyline,
    "POLYLINE": _polyline,
    "ELLIPSE": _ellipse,
    "SPLINE": _spline,
}
