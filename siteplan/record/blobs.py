"""Geometry of single features as GeoPackage binary, and back, bit for bit.

The binary is that of OGC 12-128, section 2.1.3: a header with the number of the CRS and the box, then
well-known binary (ISO 13249-3; Z adds 1000 to the type).  Everything is written little-endian.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely

from siteplan.intake.rings import Rings, rings_of
from siteplan.model import RingKind
from siteplan.types import FloatArray, ObjectArray

_POINT, _LINE, _POLYGON, _COLLECTION = 1, 2, 3, 7
_MULTI: Final = {_POINT: 4, _LINE: 5, _POLYGON: 6}
_Z: Final = 1000
_BOXES: Final = (0, 32, 48, 48, 64)
"""bytes of the box in a header, by its kind"""


def blob_of(rings: Sequence[FloatArray], kinds: Sequence[int], srs: int) -> bytes:
    """One feature as GeoPackage binary.

    Parameters
    ----------
    rings : (k, 2) or (k, 3) vertices each, x first; closed rings without the repeated vertex.  Heights may
        be NaN; a feature without any height is written without Z
    kinds : RingKind of each ring, every island after the outer ring it lies in
    srs : number of the CRS in the file
    """
    has_z = any(r.shape[1] == 3 and np.isfinite(r[:, 2]).any() for r in rings)
    parts: list[tuple[int, list[FloatArray]]] = []
    for ring, kind in zip(rings, kinds, strict=True):
        xyz = _flat(ring, has_z=has_z)
        if kind == RingKind.ISLAND:
            parts[-1][1].append(_closed(xyz))
        elif kind == RingKind.OUTER:
            parts.append((_POLYGON, [_closed(xyz)]))
        else:
            parts.append((_LINE if kind == RingKind.LINE else _POINT, [xyz]))
    bodies = [_part(kind, own, has_z=has_z) for kind, own in parts]
    body = bodies[0] if len(bodies) == 1 else _bundle(parts, bodies, has_z=has_z)
    low = np.min([r[:, :2].min(axis=0) for r in rings], axis=0)
    high = np.max([r[:, :2].max(axis=0) for r in rings], axis=0)
    # Flags: little-endian (bit 0), a box of x and y (bits 1 to 3 hold 1).
    head = struct.pack("<2sBBi4d", b"GP", 0, 0b0011, srs, low[0], high[0], low[1], high[1])
    return head + body


def _flat(ring: FloatArray, *, has_z: bool) -> FloatArray:
    """Vertices with as many numbers as the feature has."""
    if not has_z:
        return np.ascontiguousarray(ring[:, :2])
    if ring.shape[1] == 3:
        return np.ascontiguousarray(ring)
    return np.column_stack([ring, np.full(len(ring), np.nan)])


def _closed(xyz: FloatArray) -> FloatArray:
    return np.vstack([xyz, xyz[:1]])


def _part(kind: int, rings: Sequence[FloatArray], *, has_z: bool) -> bytes:
    code = kind + (_Z if has_z else 0)
    head = struct.pack("<BI", 1, code)
    if kind == _POINT:
        return head + rings[0].astype("<f8").tobytes()
    if kind == _POLYGON:
        head += struct.pack("<I", len(rings))
    return head + b"".join(struct.pack("<I", len(r)) + r.astype("<f8").tobytes() for r in rings)


def _bundle(parts: Sequence[tuple[int, list[FloatArray]]], bodies: Sequence[bytes], *, has_z: bool) -> bytes:
    kinds = {kind for kind, _ in parts}
    code = _MULTI[kinds.pop()] if len(kinds) == 1 else _COLLECTION
    return struct.pack("<BII", 1, code + (_Z if has_z else 0), len(bodies)) + b"".join(bodies)


def wkb_of(blob: bytes) -> bytes:
    """Well-known binary in GeoPackage binary.

    Raises
    ------
    ValueError : it is none
    """
    if len(blob) < 8 or blob[:2] != b"GP":
        raise ValueError("not a geometry")
    box = blob[3] >> 1 & 0b111
    if box >= len(_BOXES):
        raise ValueError("not a geometry")
    return blob[8 + _BOXES[box] :]


def digest_of(blob: bytes) -> str:
    """Text that tells one geometry from another, whatever CRS number the file gave it."""
    return hashlib.sha256(wkb_of(blob)).hexdigest()[:32]


def box_of(blob: bytes) -> tuple[float, float, float, float]:
    """Least x and y, greatest x and y, of a geometry of :func:`blob_of`."""
    west, east, south, north = struct.unpack_from("<4d", blob, 8)
    return west, south, east, north


def rings_of_blobs(blobs: Sequence[bytes]) -> Rings:
    """Ring table of features, as the intake makes it.

    Raises
    ------
    ValueError : something that is no geometry
    """
    geoms: ObjectArray = np.empty(len(blobs), dtype=object)
    try:
        geoms[:] = shapely.from_wkb([wkb_of(b) for b in blobs]) if len(blobs) else []
    except shapely.errors.GEOSException as error:
        raise ValueError(str(error)) from None
    return rings_of(geoms)
