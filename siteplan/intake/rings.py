"""Geometry of a file as ragged arrays of rings, and well-known binary that does not parse."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from siteplan.model import RingKind
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, ObjectArray, OffsetArray

POINT, LINE, RING, POLYGON, MULTI_POINT, MULTI_LINE, MULTI_POLYGON, COLLECTION = range(8)
"""Type numbers of shapely (GEOS)."""

_WKB_NAMES: Final = {
    1: "Point", 2: "LineString", 3: "Polygon", 4: "MultiPoint", 5: "MultiLineString",
    6: "MultiPolygon", 7: "GeometryCollection", 8: "CircularString", 9: "CompoundCurve",
    10: "CurvePolygon", 11: "MultiCurve", 12: "MultiSurface", 13: "Curve", 14: "Surface",
    15: "PolyhedralSurface", 16: "TIN", 17: "Triangle",
}  # fmt: skip
"""Geometry type codes of well-known binary (OGC 06-103r4, table 7)."""


@dataclass(frozen=True, eq=False)
class Rings:
    """Ring table of n features: r rings, v vertices.  The closing vertex is dropped."""

    coords: FloatArray
    """(v, 2) as in the file"""
    z: FloatArray
    """(v,) NaN where absent"""
    offsets: OffsetArray
    """(r + 1,)"""
    kind: KindArray
    """(r,) RingKind"""
    feature: IntArray
    """(r,)"""

    @property
    def vertex_feature(self) -> IntArray:
        """(v,) feature of each vertex."""
        return np.repeat(self.feature, np.diff(self.offsets))

    def vertex_number(self, vertex: int) -> int:
        """Number of a vertex within its feature, from 1."""
        ring = int(np.searchsorted(self.offsets, vertex, side="right")) - 1
        first = int(np.searchsorted(self.feature, self.feature[ring], side="left"))
        return vertex - int(self.offsets[first]) + 1

    def bounds(self, count: int) -> tuple[FloatArray, FloatArray]:
        """Least and greatest coordinate of each of ``count`` features, (n, 2) each; inf where empty."""
        low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
        at = self.vertex_feature
        if len(at):
            heads = np.flatnonzero(np.diff(at, prepend=-1))
            low[at[heads]] = np.minimum.reduceat(self.coords, heads)
            high[at[heads]] = np.maximum.reduceat(self.coords, heads)
        return low, high


def absent(values: ObjectArray) -> BoolArray:
    """(n,) True where a value is None."""
    return np.fromiter((v is None for v in values), np.bool_, len(values))


def finite_rows(xy: FloatArray) -> BoolArray:
    """(n,) True where both coordinates of a row are numbers."""
    finite: BoolArray = np.isfinite(xy[:, 0]) & np.isfinite(xy[:, 1])
    return finite


def simple_parts(geoms: ObjectArray) -> tuple[ObjectArray, IntArray]:
    """Points, lines and polygons that geometries consist of, and the geometry each is of.

    Collections within collections are opened too.  Missing and empty ones give no part.
    """
    kinds = shapely.get_type_id(geoms)
    if (kinds < MULTI_POINT).all():
        whole = np.flatnonzero((kinds >= 0) & ~shapely.is_empty(geoms))
        return geoms[whole], whole
    parts, owner = shapely.get_parts(geoms, return_index=True)
    while (shapely.get_type_id(parts) >= MULTI_POINT).any():
        parts, inner = shapely.get_parts(parts, return_index=True)
        owner = owner[inner]
    return parts, owner.astype(np.int64)


def rings_of(geoms: ObjectArray) -> Rings:
    """Ring table of geometries, in the order of the file.

    Parameters
    ----------
    geoms : (n,) shapely geometries; a missing or empty one gives no ring
    """
    parts, owner = simple_parts(geoms)
    kinds = shapely.get_type_id(parts)
    rings, part = shapely.get_rings(parts, return_index=True)
    kind = np.where(np.diff(part, prepend=-1) > 0, RingKind.OUTER, RingKind.ISLAND)
    plain = np.flatnonzero((kinds != POLYGON) & ~shapely.is_empty(parts))
    if len(plain):
        rings = np.concatenate([rings, parts[plain]])
        part = np.concatenate([part, plain])
        kind = np.concatenate([kind, np.where(kinds[plain] == POINT, RingKind.POINT, RingKind.LINE)])
        order = np.argsort(part, kind="stable")
        rings, part, kind = rings[order], part[order], kind[order]
    has_z = bool(shapely.has_z(rings).any())
    xyz, of = shapely.get_coordinates(rings, include_z=has_z, return_index=True)
    counts = np.bincount(of, minlength=len(rings)).astype(np.int64)
    closed = kind <= RingKind.ISLAND
    keep = np.ones(len(xyz), np.bool_)
    keep[np.cumsum(counts)[closed & (counts > 0)] - 1] = False
    xyz = xyz[keep]
    counts = counts - (closed & (counts > 0))
    return Rings(
        coords=np.ascontiguousarray(xyz[:, :2]),
        z=np.ascontiguousarray(xyz[:, 2]) if has_z else np.full(len(xyz), np.nan),
        offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        kind=kind.astype(np.int8),
        feature=owner[part],
    )


@dataclass(frozen=True)
class RawShape:
    """What is in well-known binary that shapely refuses."""

    name: str
    """first type in it that is not a collection of known types, such as ``TIN``; else the type itself"""
    known: bool
    """False where a type in it is none of points, lines and polygons"""
    rings: tuple[FloatArray, ...]
    """(m, 2) vertices of each ring or line, as stored: a closing vertex is kept"""
    closed: tuple[bool, ...]
    """True for the rings of polygons"""


def raw_shape(wkb: bytes) -> RawShape:
    """Rings of well-known binary, without any demand on them.

    Both spellings of Z and M are understood: thousands added to the type code (OGC 06-103r4)
    and the flags in its high bits.
    """
    rings: list[FloatArray] = []
    closed: list[bool] = []
    code, known, _ = _walk(wkb, 0, rings, closed)
    return RawShape(_WKB_NAMES.get(code, f"type {code}"), known, tuple(rings), tuple(closed))


def _walk(wkb: bytes, at: int, rings: list[FloatArray], closed: list[bool]) -> tuple[int, bool, int]:
    """Type code, whether it is known, and where the next geometry starts."""
    order = "<" if wkb[at] == 1 else ">"
    (stored,) = struct.unpack_from(order + "I", wkb, at + 1)
    thousands, code = divmod(stored & 0xFFFF, 1000)
    size = 2 + bool(stored & 0x80000000 or thousands in (1, 3)) + bool(stored & 0x40000000 or thousands >= 2)
    at += 5 + (4 if stored & 0x20000000 else 0)
    if code not in range(1, 8):
        return code, False, len(wkb)
    if code == 1:
        return code, True, _vertices(wkb, at, 1, size, order, rings, closed, is_ring=False)
    (count,) = struct.unpack_from(order + "I", wkb, at)
    at += 4
    if code == 2:
        return code, True, _vertices(wkb, at, count, size, order, rings, closed, is_ring=False)
    for _ in range(count):
        if code == 3:
            (length,) = struct.unpack_from(order + "I", wkb, at)
            at = _vertices(wkb, at + 4, length, size, order, rings, closed, is_ring=True)
        else:
            inner, known, at = _walk(wkb, at, rings, closed)
            if not known:
                return inner, False, at
    return code, True, at


def _vertices(
    wkb: bytes, at: int, count: int, size: int, order: str,
    rings: list[FloatArray], closed: list[bool], *, is_ring: bool,
) -> int:  # fmt: skip
    values = np.frombuffer(wkb, f"{order}f8", count * size, at).reshape(count, size)
    rings.append(values[:, :2].astype(np.float64))
    closed.append(is_ring)
    return at + count * size * 8
