"""Walls as a crew sees them: corners to tape from, faces to measure along, what stands in the way."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import shapely

from siteplan.eaves import ROOF, SOURCE
from siteplan.model import Features, RingKind, Shapes
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray

CORNER_TURN_DEG: Final = 35.0
"""a vertex that turns less is no corner a tape is held to"""
LEAST_FACE_M: Final = 3.0
"""shortest face of a wall taken for a base line"""
SHRUNK_M: Final = 0.002
"""a line of sight may touch a wall, and corners lie on it"""


HOUSE: Final = "house corner"
CONTROL: Final = "control point"
BASE: Final = "base point"


@dataclass(frozen=True, slots=True, eq=False)
class HouseCorners:
    """Corners of walls, and other marks a tape is held to.  h marks, corners first."""

    name: ObjectArray
    """(h,) the abutment's id and the number of the corner: ``main corner 2``; or the mark's own name"""
    xy: XYArray
    said: BoolArray
    """(h,) the data says that it is a wall (or a mark); else it was taken for one"""
    kind: ObjectArray
    """(h,) :data:`HOUSE`, :data:`CONTROL` or :data:`BASE`"""

    def __len__(self) -> int:
        return len(self.name)

    def of(self, kind: str) -> IntArray:
        """Marks of a kind."""
        return np.flatnonzero(self.kind == kind)

    def with_marks(self, names: ObjectArray, xy: XYArray, kind: str) -> HouseCorners:
        """The same with further marks at the end, so that numbers of corners stay."""
        return HouseCorners(
            np.concatenate([self.name, names]),
            np.concatenate([self.xy, xy]),
            np.concatenate([self.said, np.ones(len(names), dtype=bool)]),
            np.concatenate([self.kind, np.full(len(names), kind, dtype=object)]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Faces:
    """Straight faces of walls between two corners, long enough for a base line.  f faces."""

    start: IntArray
    """(f,) corner the stations count from"""
    far: IntArray
    length_m: FloatArray


def is_roof(abutments: Features) -> BoolArray:
    """(n,) True for roof edges, of which a crew finds no corner on the ground."""
    said = abutments.attributes.get(SOURCE)
    if said is None:
        return np.zeros(len(abutments), dtype=bool)
    return np.array([str(v).strip().lower() == ROOF for v in said], dtype=bool)


def is_low(abutments: Features, see_over: Collection[str]) -> BoolArray:
    """(n,) True for abutments a tape is pulled across: walks, kerbs."""
    return np.array([str(i) in see_over for i in abutments.ids], dtype=bool)


def house_corners(
    abutments: Features, shapes: Shapes, see_over: Collection[str] = ()
) -> tuple[HouseCorners, Faces]:
    """Corners and faces of the walls of a site.

    Parameters
    ----------
    abutments : as they came, for ids and the attribute ``source``
    shapes : the same in ground metres
    see_over : ids of abutments too low to be walls

    Returns
    -------
    Corners of walls (not of roofs, nor of islands), numbered per abutment in the order of the
    data, and the faces between two that follow each other.
    """
    roof = is_roof(abutments) | is_low(abutments, see_over)
    given = abutments.attributes.get(SOURCE)
    name: list[str] = []
    xy: list[XYArray] = []
    said: list[bool] = []
    start: list[int] = []
    far: list[int] = []
    counted: dict[int, int] = {}
    for k, feature in enumerate(shapes.ring_feature.tolist()):
        kind = shapes.ring_kind[k]
        if roof[feature] or kind not in (RingKind.OUTER, RingKind.LINE):
            continue
        ring = shapes.xy[shapes.ring_offsets[k] : shapes.ring_offsets[k + 1]]
        corner = _corners(ring, closed=kind == RingKind.OUTER)
        first = len(name)
        number = counted.get(feature, 0)
        name += [f"{abutments.ids[feature]} corner {number + n}" for n in range(1, len(corner) + 1)]
        counted[feature] = number + len(corner)
        xy += [ring[c] for c in corner]
        said += [given is not None and given[feature] is not None] * len(corner)
        pairs = list(pairwise(corner))
        rows = [(first + n, first + n + 1) for n in range(len(pairs))]
        if kind == RingKind.OUTER and len(corner) > 2:
            pairs.append((corner[-1], corner[0] + len(ring)))
            rows.append((first + len(corner) - 1, first))
        for (a, b), (i, j) in zip(pairs, rows, strict=True):
            if _is_straight(ring, a, b):
                start.append(i)
                far.append(j)
    places = np.array(xy, dtype=np.float64).reshape(-1, 2)
    names = np.empty(len(name), dtype=object)
    names[:] = name
    begin, end = np.array(start, dtype=np.int64), np.array(far, dtype=np.int64)
    length = np.hypot(*(places[end] - places[begin]).T)
    long = length >= LEAST_FACE_M
    return (
        HouseCorners(names, places, np.array(said, dtype=bool), np.full(len(names), HOUSE, dtype=object)),
        Faces(begin[long], end[long], length[long]),
    )


def _corners(ring: XYArray, *, closed: bool) -> list[int]:
    """Vertices that turn enough; the two ends of a line are none: nobody knows what is there."""
    come = ring - np.roll(ring, 1, axis=0)
    go = np.roll(ring, -1, axis=0) - ring
    cross = come[:, 0] * go[:, 1] - come[:, 1] * go[:, 0]
    turn = np.degrees(np.abs(np.arctan2(cross, (come * go).sum(axis=1))))
    sharp = turn >= CORNER_TURN_DEG
    if not closed:
        sharp[[0, -1]] = False
    return [int(v) for v in np.flatnonzero(sharp)]


def _is_straight(ring: XYArray, a: int, b: int) -> bool:
    """Whether the vertices from a to b lie within 1 cm of the line between them."""
    path = ring[np.arange(a, b + 1) % len(ring)]
    along = path[-1] - path[0]
    size = float(np.hypot(*along))
    if size <= 0:
        return False
    off = path - path[0]
    return bool(np.abs((off[:, 0] * along[1] - off[:, 1] * along[0]) / size).max() < 0.01)


def solids(shapes: Shapes) -> tuple[ObjectArray, IntArray]:
    """Polygons of the abutments, islands left out, and the feature of each."""
    made, feature = [], []
    for k in np.flatnonzero(shapes.ring_kind == RingKind.OUTER).tolist():
        holes = []
        after = k + 1
        while after < len(shapes.ring_kind) and shapes.ring_kind[after] == RingKind.ISLAND:
            holes.append(shapes.xy[shapes.ring_offsets[after] : shapes.ring_offsets[after + 1]])
            after += 1
        made.append(shapely.Polygon(shapes.xy[shapes.ring_offsets[k] : shapes.ring_offsets[k + 1]], holes))
        feature.append(int(shapes.ring_feature[k]))
    polygons = np.empty(len(made), dtype=object)
    polygons[:] = made
    return polygons, np.array(feature, dtype=np.int64)


def in_sight(walls: ObjectArray, first: XYArray, second: XYArray) -> BoolArray:
    """(n,) True where a tape can be pulled straight from first to second, past the polygons ``walls``."""
    free = np.ones(len(first), dtype=bool)
    if not len(walls) or not len(first):
        return free
    walls = shapely.buffer(walls, -SHRUNK_M, join_style="mitre")
    lines = shapely.linestrings(np.stack([first, second], axis=1))
    free[shapely.STRtree(walls).query(lines, predicate="intersects")[0]] = False
    return free
