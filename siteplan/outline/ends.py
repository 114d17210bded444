"""Where a leg ends that runs into an abutment, or into the outline of another bed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from siteplan.outline.edges import SAME_M, TINY_M, Edges, cross, dot
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

BEND_DEG = 10.0
"""less than this at a vertex is one leg going on"""
CORNER_DEG = 35.0
"""a bit of outline that turns this much off its leg is the leg's rounded-off corner"""


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Ends of stretches without edging, each with the leg outside it.  m ends."""

    ring: IntArray
    station_m: FloatArray
    """(m,) in [0, ring length]"""
    sign: IntArray
    """(m,) +1: the leg lies before the end and is walked towards it; -1: it lies after"""
    room_m: FloatArray
    """(m,) the end may move this far along the outline, away from its stretch"""
    feature: IntArray
    """(m,) the feature run into; -1 for any"""


@dataclass(frozen=True, slots=True)
class Meeting:
    """How far a leg is followed to the face it runs into."""

    within_m: float
    """greatest distance between the leg's traced end and the face"""
    angle_deg: float
    """a face at this angle or less to the leg is alongside, not ahead"""
    absorb_m: float
    """a rounded-off corner shorter than this belongs to the stretch, not to the leg"""
    absorb_freely: bool = False
    """take the corner off even where the leg, followed on, meets no face"""
    longer_m: float = 0.0
    """faces are taken as this much longer at both ends"""

    @property
    def ahead_m(self) -> float:
        """Greatest length of leg between its traced end and the face."""
        return self.within_m / float(np.sin(np.radians(self.angle_deg)))


def leg_edge(edges: Edges, ring: IntArray, station_m: FloatArray, sign: IntArray) -> IntArray:
    """Edge on the leg's side of a station; -1 past the end of an open line."""
    apart = np.concatenate([[0.0], np.cumsum(edges.ring_length_m + 1.0)])
    keys = apart[edges.ring] + edges.from_m
    length = edges.ring_length_m[ring]
    closed = edges.closed[ring]
    before = sign > 0
    station = np.where(before & closed & (station_m <= SAME_M), length, station_m)
    station = np.where(~before & closed & (station >= length - SAME_M), 0.0, station)
    probe = station - sign * SAME_M
    edge = np.searchsorted(keys, apart[ring] + probe, side="right") - 1
    edge = np.clip(edge, edges.offsets[ring], edges.offsets[ring + 1] - 1)
    outside = ~closed & ((probe < 0) | (probe > length))
    return np.where(outside, -1, edge)


def _beyond(edges: Edges, edge: IntArray, sign: IntArray) -> IntArray:
    """The next edge walking away from the stretch; -1 past the end of an open line."""
    ring = edges.ring[edge]
    first, last = edges.offsets[ring], edges.offsets[ring + 1] - 1
    step = edge - sign
    around = edges.closed[ring]
    step = np.where(step < first, np.where(around, last, -1), step)
    return np.where(step > last, np.where(around, first, -1), step)


@dataclass(frozen=True, slots=True, eq=False)
class _Faces:
    """Faces near each end: q pairs, sorted by end."""

    end: IntArray
    start: XYArray
    unit: XYArray
    length_m: FloatArray
    feature: IntArray


def _faces(faces: Edges, at: XYArray, own_feature: IntArray, radius_m: float, longer_m: float) -> _Faces:
    """Faces within a radius of each end that are not the end's own bed."""
    tree = shapely.STRtree(faces.lines(np.arange(len(faces))))
    end, face = tree.query(shapely.points(at), predicate="dwithin", distance=radius_m)
    keep = faces.feature[face] != own_feature[end]
    end, face = end[keep], face[keep]
    order = np.lexsort((face, end))
    end, face = end[order], face[order]
    unit = faces.unit[face]
    return _Faces(
        end,
        faces.start[face] - unit * longer_m,
        unit,
        faces.length_m[face] + 2 * longer_m,
        faces.feature[face],
    )


def _hits(
    faces: _Faces, at: XYArray, way: XYArray, angle_deg: float
) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Length along a ray from each end to each of its faces.

    Parameters
    ----------
    at, way : (m, 2) start and direction of the ray of each end

    Returns
    -------
    (q,) signed length along the ray, (q,) the ray's line meets the face, at more than the angle,
    and (q,) sine between the two.
    """
    d = way[faces.end]
    sin = cross(d, faces.unit)
    safe = np.where(np.abs(sin) < 1e-12, 1.0, sin)
    to = faces.start - at[faces.end]
    length = cross(to, faces.unit) / safe
    foot = cross(to, d) / safe
    ok = np.abs(sin) > np.sin(np.radians(angle_deg)) + 1e-12
    ok &= (foot >= -SAME_M) & (foot <= faces.length_m + SAME_M)
    return length, ok, np.abs(sin)


def _ahead(faces: _Faces, at: XYArray, way: XYArray, meeting: Meeting) -> tuple[FloatArray, IntArray]:
    """(m,) length from each end to the first face ahead, inf where none is near enough; its feature."""
    length, ok, sin = _hits(faces, at, way, meeting.angle_deg)
    ok &= (length >= -SAME_M) & (length * sin <= meeting.within_m + SAME_M)
    first = np.full(len(at), np.inf)
    np.minimum.at(first, faces.end[ok], np.maximum(length[ok], 0.0))
    return first, _whose(faces, ok & (np.maximum(length, 0.0) == first[faces.end]), len(at))


def _behind(
    faces: _Faces, at: XYArray, back: XYArray, part_m: FloatArray, feature: IntArray, angle_deg: float
) -> tuple[FloatArray, IntArray]:
    """(m,) how far back along an edge its outermost crossing of a face lies, else -inf; its feature."""
    length, ok, _ = _hits(faces, at, back, angle_deg)
    room = part_m[faces.end]
    ok &= (room >= 0) & (length >= -SAME_M) & (length <= room + SAME_M)
    ok &= (feature[faces.end] < 0) | (faces.feature == feature[faces.end])
    length = np.clip(length, 0.0, np.maximum(room, 0.0))
    last = np.full(len(at), -np.inf)
    np.maximum.at(last, faces.end[ok], length[ok])
    return last, _whose(faces, ok & (length == last[faces.end]), len(at))


def _whose(faces: _Faces, chosen: BoolArray, count: int) -> IntArray:
    """(m,) feature of the first chosen face of each end, -1 where none is chosen."""
    feature = np.full(count, -1, dtype=np.int64)
    row = np.flatnonzero(chosen)[::-1]
    feature[faces.end[row]] = faces.feature[row]
    return feature


def _near_face(faces: _Faces, at: XYArray, reach_m: float) -> BoolArray:
    """(m,) some face of each end lies within reach of a point."""
    to = at[faces.end] - faces.start
    foot = np.clip(dot(to, faces.unit), 0.0, faces.length_m)
    near = np.zeros(len(at), dtype=np.bool_)
    near[faces.end[np.hypot(*(to - faces.unit * foot[:, None]).T) <= reach_m + SAME_M]] = True
    return near


def _angle_deg(a: XYArray, b: XYArray) -> FloatArray:
    """(m,) angle between directions, in [0, 180]."""
    angle: FloatArray = np.degrees(np.abs(np.arctan2(cross(a, b), dot(a, b))))
    return angle


def meet(
    edges: Edges, faces: Edges, ends: Ends, meeting: Meeting, *, own_feature: IntArray | None = None
) -> tuple[FloatArray, XYArray, IntArray]:
    """Take each leg to the face it runs into.

    From each end the outline is followed away from the stretch.  Where it crosses the face on the
    way, the end moves to the outermost crossing (the outline was traced into the wall).  Where it
    first turns a rounded-off corner, the end moves to the vertex before that corner.  From there
    the leg goes on in its own direction to the first face ahead.

    Parameters
    ----------
    edges : of the outlines
    faces : edges of the abutments, or of the other beds
    ends : the ends
    meeting : limits
    own_feature : (m,) feature of ``faces`` that is never met (the bed itself)

    Returns
    -------
    (m,) how far each end moves along the outline, away from its stretch; (m, 2) the point on the
    face where the leg ends, NaN where that is the point at the station; (m,) the feature that was
    met, -1 where none was.
    """
    count = len(ends.ring)
    moved = np.zeros(count)
    xy = np.full((count, 2), np.nan)
    met = np.full(count, -1, dtype=np.int64)
    edge = leg_edge(edges, ends.ring, ends.station_m, ends.sign)
    live = np.flatnonzero(edge >= 0)
    if not len(live) or not len(faces):
        return moved, xy, met
    sign, room, feature = ends.sign[live], ends.room_m[live], ends.feature[live]
    edge = edge[live]
    own = np.full(len(live), -1) if own_feature is None else own_feature[live]
    # on a closed ring the station may be given at either side of the first vertex
    inner = np.where(sign > 0, edges.from_m[edge] + edges.length_m[edge], edges.from_m[edge])
    at_inner = np.abs(_wrapped(ends.station_m[live] - inner, edges, edge)) <= SAME_M
    along = np.where(
        at_inner, np.where(sign > 0, edges.length_m[edge], 0.0), ends.station_m[live] - edges.from_m[edge]
    )
    at = edges.start[edge] + edges.unit[edge] * along[:, None]
    part = np.where(sign > 0, along, edges.length_m[edge] - along)
    near = _faces(faces, at, own, 2 * meeting.ahead_m + meeting.absorb_m, meeting.longer_m)
    moved[live], ahead, met[live], last, way = _walk(
        edges, near, edge, at, part, sign, room, feature, meeting
    )
    beyond = np.isfinite(ahead) & (ahead > SAME_M)
    xy[live[beyond]] = last[beyond] + way[beyond] * ahead[beyond, None]
    return moved, xy, met


def _wrapped(difference: FloatArray, edges: Edges, edge: IntArray) -> FloatArray:
    """Difference of stations, the short way round on closed rings."""
    ring = edges.ring[edge]
    length = edges.ring_length_m[ring]
    turned = difference - np.round(difference / length) * length
    return np.where(edges.closed[ring], turned, difference)


def _walk(
    edges: Edges, near: _Faces, edge: IntArray, at: XYArray, part: FloatArray, sign: IntArray,
    room: FloatArray, feature: IntArray, meeting: Meeting,
) -> tuple[FloatArray, FloatArray, IntArray, XYArray, XYArray]:  # fmt: skip
    """Follow the outlines away from the ends, one edge of each at a time.

    Returns
    -------
    How far each end moves, the length ahead from there, the feature met, the point, the way.
    """
    way = edges.unit[edge] * sign[:, None]
    innermost, best_at, best_way = way, at, way
    moved, walked = np.zeros(len(edge)), np.zeros(len(edge))
    ahead, met = _ahead(near, at, way, meeting)
    limit = np.minimum(room, meeting.ahead_m)
    active = np.ones(len(edge), dtype=np.bool_)
    while active.any():
        part_here = np.where(active, np.minimum(part, limit - walked), -1.0)
        back, whose = _behind(near, at, -way, part_here, feature, meeting.angle_deg)
        crossed = active & (back >= 0)
        moved = np.where(crossed, walked + back, moved)
        ahead, met = np.where(crossed, 0.0, ahead), np.where(crossed, whose, met)
        walked = walked + part
        at = edges.start[edge] + edges.unit[edge] * np.where(sign > 0, 0.0, edges.length_m[edge])[:, None]
        beyond = _beyond(edges, edge, sign)
        active &= (walked < limit - TINY_M) & (beyond >= 0)
        edge = np.where(active, beyond, edge)
        further = edges.unit[edge] * sign[:, None]
        taken = active & (walked < meeting.absorb_m - TINY_M)
        taken &= (_angle_deg(further, way) >= BEND_DEG) & (_angle_deg(further, innermost) >= CORNER_DEG)
        if taken.any():
            onward, whose = _ahead(near, at, further, meeting)
            if not meeting.absorb_freely:
                taken &= (whose >= 0) & _near_face(near, at, meeting.within_m)
            moved = np.where(taken, walked, moved)
            ahead, met = np.where(taken, onward, ahead), np.where(taken, whose, met)
            best_at = np.where(taken[:, None], at, best_at)
            best_way = np.where(taken[:, None], further, best_way)
        way, part = further, edges.length_m[edge]
    return moved, ahead, met, best_at, best_way


def facing(
    edges: Edges,
    faces: Edges,
    ends: Ends,
    at: XYArray,
    *,
    own_feature: IntArray | None = None,
    angle_deg: float,
    within_m: float,
) -> XYArray:
    """Direction in which the face at each end comes back towards the leg.

    A piece cut square at an oblique face meets it with one edge first: on the side on which the
    face leans towards the leg.  At a corner of the face only the sides that are there count, and
    where both come back, the one that comes back farther.

    Parameters
    ----------
    edges : of the outlines
    faces : edges of the abutments, or of the other beds
    ends : ends of legs; ``feature`` is the feature met, -1 for none
    at : (m, 2) where each leg ends
    own_feature : (m,) feature of ``faces`` that is never met (the bed itself)
    angle_deg : a face at this angle or less to the leg is alongside, not ahead
    within_m : a face this close to the end is met

    Returns
    -------
    (m, 2) unit directions; NaN where no face is met or none comes back (square ones do not).
    """
    count = len(at)
    out = np.full((count, 2), np.nan)
    edge = leg_edge(edges, ends.ring, ends.station_m, ends.sign)
    some = np.flatnonzero((edge >= 0) & (ends.feature >= 0) & np.isfinite(at).all(axis=1))
    if not len(some) or not len(faces):
        return out
    towards = edges.unit[edge[some]] * ends.sign[some, None]
    tree = shapely.STRtree(faces.lines(np.arange(len(faces))))
    end, face = tree.query(shapely.points(at[some]), predicate="dwithin", distance=within_m)
    keep = faces.feature[face] == ends.feature[some[end]]
    if own_feature is not None:
        keep &= faces.feature[face] != own_feature[some[end]]
    end, face = end[keep], face[keep]
    # a face that goes on past the end has two sides, one that ends there has one
    foot = dot(at[some[end]] - faces.start[face], faces.unit[face])
    ahead, behind = faces.length_m[face] - foot > 2 * within_m, foot > 2 * within_m
    way = np.concatenate([faces.unit[face][ahead], -faces.unit[face][behind]])
    end = np.concatenate([end[ahead], end[behind]])
    back = -dot(way, towards[end])
    sine = np.abs(cross(way, towards[end]))
    fine = (back > 1e-9) & (sine > np.sin(np.radians(angle_deg)) - 1e-12)
    way, end, back = way[fine], end[fine], back[fine]
    order = np.lexsort((way[:, 1], way[:, 0], -back, end))
    hit, first = np.unique(end[order], return_index=True)
    out[some[hit]] = way[order][first]
    return out
