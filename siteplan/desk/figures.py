"""Plane figures in source coordinates: divided, put together, and the heights of their vertices."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import shapely
from shapely.ops import split

from siteplan.desk.wire import Refused
from siteplan.model import RingKind
from siteplan.record import PutFeature
from siteplan.types import FloatArray, XYArray

Figure = tuple[list[FloatArray], list[int]]
"""rings and their kinds"""

_ULPS: Final = 64
"""a vertex this many steps of its numbers away from an edge was made by crossing it"""


def is_closed(kind: int) -> bool:
    """Whether a ring of this kind ends where it begins."""
    return kind in (RingKind.OUTER, RingKind.ISLAND)


def _polygons(put: PutFeature) -> list[shapely.Polygon]:
    """Polygon parts of a feature, in its source coordinates."""
    parts: list[tuple[Any, list[Any]]] = []
    for ring, kind in zip(put.rings, put.kinds, strict=True):
        xy = np.asarray(ring)[:, :2]
        if kind == RingKind.OUTER:
            parts.append((xy, []))
        elif kind == RingKind.ISLAND:
            parts[-1][1].append(xy)
    made = [shapely.Polygon(outer, holes) for outer, holes in parts]
    if not all(p.is_valid for p in made):
        raise Refused(422, f'"{put.id}" crosses itself', "Mend the outline first")
    return made


def _rings_of(areas: Sequence[Any], puts: Sequence[PutFeature]) -> Figure:
    """Rings of areas made of some features, with the heights these have."""
    rings: list[XYArray] = []
    kinds: list[int] = []
    for area in areas:
        rings.append(shapely.get_coordinates(area.exterior)[:-1])
        kinds.append(int(RingKind.OUTER))
        for hole in area.interiors:
            rings.append(shapely.get_coordinates(hole)[:-1])
            kinds.append(int(RingKind.ISLAND))
    return _with_heights(rings, kinds, puts), kinds


def split_parts(put: PutFeature, cut: Any) -> list[Figure]:
    """Parts of a feature either side of a line; one where the line divides nothing.

    Vertices that were there keep their coordinates; new ones stand where the line crosses, at the height
    the outline has there.
    """
    if any(kind == RingKind.LINE for kind in put.kinds):
        if len(put.kinds) != 1:
            return [(list(put.rings), list(put.kinds))]
        line = shapely.LineString(np.asarray(put.rings[0])[:, :2])
        pieces = split(line, cut).geoms if line.crosses(cut) else [line]
        kinds = [int(RingKind.LINE)]
        return [(_with_heights([shapely.get_coordinates(p)], kinds, [put]), kinds) for p in pieces]
    made = []
    for area in _polygons(put):
        cells = shapely.polygonize([shapely.union(area.boundary, cut)]).geoms
        made += [cell for cell in cells if area.contains(cell.representative_point())]
    made.sort(key=lambda p: -p.area)
    return [_rings_of([p], [put]) for p in made]


def merged_parts(puts: Sequence[PutFeature]) -> Figure:
    """One figure of several that touch or overlap.

    Raises
    ------
    Refused : lines or points, or figures that lie apart
    """
    if any(not is_closed(kind) for put in puts for kind in put.kinds):
        raise Refused(422, "only outlines can be merged, and one of these is a line or a point", "")
    areas = [p for put in puts for p in _polygons(put)]
    whole = shapely.union_all(areas)
    parts = list(shapely.get_parts(whole))
    if len(parts) > max(1, len(areas) - len(puts) + 1):
        raise Refused(
            422,
            "these lie apart from each other and make no one outline",
            "Move them together until they touch, and snap their vertices",
        )
    return _rings_of(parts, puts)


# ---------------------------------------------------------------- heights


def filled(xy: XYArray, z: FloatArray, *, closed: bool) -> FloatArray:
    """Heights of a ring's vertices, those not known between their neighbours' by the way along the ring.

    Parameters
    ----------
    xy : (n, 2)
    z : (n,) NaN where not known; at least one is
    closed : whether the ring goes on from its last vertex to its first

    Returns
    -------
    (n,) beyond the last known vertex of an open ring it is that one's height
    """
    known = np.flatnonzero(np.isfinite(z))
    steps = np.hypot(*np.diff(xy, axis=0, append=xy[:1]).T)
    walked = np.concatenate([[0.0], np.cumsum(steps)])
    made: FloatArray = np.interp(
        walked[:-1], walked[known], z[known], period=float(walked[-1]) or None if closed else None
    )
    made[known] = z[known]
    return made


def _with_heights(
    rings: Sequence[XYArray], kinds: Sequence[int], puts: Sequence[PutFeature]
) -> list[FloatArray]:
    """Rings made of the outlines of some features, with the heights these have.

    A vertex that was there keeps its height, one on an edge lies at the edge's there, and any other between
    its neighbours.  Without heights the rings stay as they are.
    """
    known: dict[tuple[float, float], float] = {}
    sides = []
    for put in puts:
        for given, kind in zip(put.rings, put.kinds, strict=True):
            ring = np.asarray(given, dtype=np.float64)
            if ring.shape[1] < 3 or not np.isfinite(ring[:, 2]).any():
                continue
            ring = np.column_stack([ring[:, :2], filled(ring[:, :2], ring[:, 2], closed=is_closed(kind))])
            for x, y, z in ring.tolist():
                known.setdefault((x, y), z)
            after = np.roll(ring, -1, axis=0)
            sides.append(np.stack([ring, after], axis=1)[: None if is_closed(kind) else -1])
    if not known:
        return list(rings)
    edges = np.concatenate(sides)
    made: list[FloatArray] = []
    for xy, kind in zip(rings, kinds, strict=True):
        z = np.array([known.get((x, y), np.nan) for x, y in xy.tolist()])
        new = np.flatnonzero(np.isnan(z))
        if len(new):
            z[new] = _along(edges, xy[new])
        if not np.isfinite(z).any():
            made.append(xy)
            continue
        made.append(np.column_stack([xy, filled(xy, z, closed=is_closed(kind))]))
    return made


def _along(edges: FloatArray, xy: XYArray) -> FloatArray:
    """(n,) heights at places on edges; NaN off them.

    Parameters
    ----------
    edges : (e, 2, 3) both ends of each, with heights
    xy : (n, 2)
    """
    lines = np.asarray(shapely.linestrings(edges[..., :2]), dtype=object)
    side = edges[shapely.STRtree(lines).nearest(shapely.points(xy))]
    start, step = side[:, 0], side[:, 1] - side[:, 0]
    square = np.maximum((step[:, :2] ** 2).sum(axis=1), np.finfo(float).tiny)
    part = np.clip(((xy - start[:, :2]) * step[:, :2]).sum(axis=1) / square, 0.0, 1.0)
    foot = start + part[:, None] * step
    off = np.hypot(*(foot[:, :2] - xy).T) > _ULPS * np.spacing(np.abs(edges[..., :2]).max())
    made: FloatArray = np.where(off, np.nan, foot[:, 2])
    return made
