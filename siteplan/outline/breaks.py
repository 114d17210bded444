"""Stretches of outline that take no edging: abutments, openings, edges another bed owns."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, fields, replace

import numpy as np
import shapely

from siteplan.errors import Finding, UsageError
from siteplan.model import NodeKind, RingKind, Shapes
from siteplan.outline.alongside import alongside
from siteplan.outline.breaks_table import Breaks
from siteplan.outline.edges import SAME_M, Edges, boxes, edges_near, edges_of, near_rings
from siteplan.outline.ends import Ends, Meeting, facing, leg_edge, meet
from siteplan.outline.openings import in_openings
from siteplan.outline.shared import overlaps, owners, polygons, shared
from siteplan.outline.stretches import (
    Rows,
    Stretches,
    layered,
    next_gaps,
    on_ring,
    stretches,
    together,
    without_slivers,
)
from siteplan.types import FloatArray, IntArray, ObjectArray, XYArray

ABUTMENT, OPENING, SHARED = range(3)
WHY = np.array(["abutment", "opening", "shared"], dtype=object)
END = np.array([NodeKind.ABUTTED, NodeKind.FREE, NodeKind.TEE], dtype=np.int8)


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakRules:
    """What counts as an abutment, an opening and a shared edge.  Ground metres and degrees."""

    abut_within_m: float = 0.30
    """an outline this close alongside an abutment takes no edging"""
    abut_least_m: float = 0.30
    """a stretch alongside must be longer than this; shorter gaps between such stretches are closed"""
    abut_angle_deg: float = 30.0
    """greatest angle between an outline and what it runs alongside"""
    opening_reach_m: float = 0.50
    """an opening drawn as a line or point acts on outlines this close"""
    shared_within_m: float = 0.05
    """edges of two beds this close are one edge; also the shortest gap left between two stretches"""

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if not (math.isfinite(value) and value >= 0.0):
                raise UsageError(f"{item.name} = {value}: a number of 0 or more is needed")
        if not 0.0 < self.abut_angle_deg < 60.0:
            raise UsageError(f"abut_angle_deg = {self.abut_angle_deg}: must lie between 0 and 60")


def natural_rank(ids: ObjectArray) -> IntArray:
    """Place of each id in natural order: numbers within text count as numbers.

    Examples
    --------
    >>> natural_rank(np.array(["B10", "B2", "A"], dtype=object)).tolist()
    [2, 1, 0]
    """
    keys = [
        ([(0, int(p), "") if p.isdecimal() else (1, 0, p) for p in re.split(r"(\d+)", str(i)) if p], str(i))
        for i in ids
    ]
    rank = np.empty(len(keys), dtype=np.int64)
    rank[sorted(range(len(keys)), key=keys.__getitem__)] = np.arange(len(keys))
    return rank


def find_breaks(
    beds: Shapes,
    abutments: Shapes,
    openings: Shapes,
    rules: BreakRules,
    *,
    bed_ids: ObjectArray | None = None,
    edge_owner: IntArray | None = None,
    priority: FloatArray | IntArray | None = None,
    opening_width_m: FloatArray | None = None,
) -> tuple[Breaks, tuple[Finding, ...]]:
    """Find every stretch of the outlines that takes no edging.

    Parameters
    ----------
    beds : repaired outlines, bed on the left of every ring
    abutments : polygons or lines: buildings, walls, walks, kerbs
    openings : polygons, lines or points
    rules : distances and angle
    bed_ids : (n,) ids of the beds, those of ``beds`` by default
    edge_owner : (k, 3) indices of two beds, and of the one that owns the edges they share
    priority : (n,) of two beds the one with the higher priority owns; 0 by default
    opening_width_m : (m,) width of the openings that have one, NaN elsewhere

    Returns
    -------
    Breaks sorted by ring and start, without overlaps: an abutment goes before an opening, an
    opening before a shared edge.  Findings of grade error for openings that change nothing, beds
    that overlap and contradictory owners; notices for outlines deep inside an abutment.

    Notes
    -----
    Every limit is inclusive except least lengths.  An open line whose end runs into an abutment or
    another bed has a stretch of a micrometre there, which carries the kind of end and the point on
    the face.
    """
    ids = beds.ids if bed_ids is None else bed_ids
    count = len(beds)
    edges, walls, gates = edges_of(beds), edges_of(abutments), edges_of(openings)
    given = np.empty((0, 3), dtype=np.int64) if edge_owner is None else np.asarray(edge_owner, dtype=np.int64)
    rates = np.zeros(count) if priority is None else np.asarray(priority, dtype=np.float64)
    width = (
        np.full(len(openings), np.nan) if opening_width_m is None else np.asarray(opening_width_m, np.float64)
    )
    who, twice = owners(natural_rank(ids), rates, given.reshape(-1, 3), ids)
    at_wall = Meeting(rules.abut_within_m, rules.abut_angle_deg, rules.abut_least_m)
    at_bed = Meeting(
        rules.shared_within_m, rules.abut_angle_deg, rules.shared_within_m, True, rules.shared_within_m
    )

    abutting = alongside(
        edges, walls, natural_rank(abutments.ids),
        within_m=rules.abut_within_m, least_m=rules.abut_least_m, angle_deg=rules.abut_angle_deg,
    )  # fmt: skip
    sharing = shared(
        edges, beds.ring_kind == RingKind.LINE, who,
        within_m=rules.shared_within_m, angle_deg=rules.abut_angle_deg,
    )  # fmt: skip
    opened, idle = in_openings(
        edges, openings, gates, width,
        reach_m=rules.opening_reach_m, level_m=rules.shared_within_m, angle_deg=rules.abut_angle_deg,
    )  # fmt: skip
    parts = [
        _ended(abutting, edges, walls, at_wall),
        on_ring(opened, edges),
        _ended(sharing, edges, edges, at_bed),
    ]
    layer = np.repeat([ABUTMENT, OPENING, SHARED], [len(p) for p in parts])
    part, layer = layered(together(*parts), layer, edges)
    part, layer = without_slivers(part, layer, edges, rules.shared_within_m)
    part, layer = _with_line_ends(part, layer, edges, walls, at_wall, at_bed)
    names = (abutments.ids, openings.ids, ids)
    findings = (*twice, *idle, *overlaps(beds, edges, ids, within_m=rules.shared_within_m))
    findings += _deep_inside(beds, edges, abutments, walls, ids, rules.abut_within_m)
    return _with_faces(_table(part, layer, names, edges), part, layer, edges, walls, rules), findings


_AT_FACE_M = 1e-4
"""a leg's end this close to a face is on it"""


def _with_faces(
    table: Breaks, part: Stretches, layer: IntArray, edges: Edges, walls: Edges, rules: BreakRules
) -> Breaks:
    """The table with the direction of the face at each end of a leg that runs into one."""
    made = []
    for name, sign in (("start", 1), ("far", -1)):
        given = getattr(table, f"{name}_xy")
        station = _turned(part.from_m if sign > 0 else part.to_m, part.ring, edges)
        at = np.where(np.isnan(given), _points_on(edges, part.ring, station, sign), given)
        face = np.full_like(given, np.nan)
        for which, faces in ((ABUTMENT, walls), (SHARED, edges)):
            rows = np.flatnonzero(layer == which)
            ring = part.ring[rows]
            ends = Ends(ring, station[rows], np.full(len(rows), sign), np.zeros(len(rows)), part.other[rows])
            own = edges.ring_feature[ring] if faces is edges else None
            within = _AT_FACE_M if which == ABUTMENT else rules.shared_within_m + _AT_FACE_M
            face[rows] = facing(
                edges, faces, ends, at[rows], own_feature=own, angle_deg=rules.abut_angle_deg, within_m=within
            )
        made += [face, np.where(np.isnan(face), np.nan, at)]
    return replace(table, start_face=made[0], start_face_xy=made[1], far_face=made[2], far_face_xy=made[3])


def _points_on(edges: Edges, ring: IntArray, station_m: FloatArray, sign: int) -> XYArray:
    """(m, 2) points of the outlines at stations, on the leg's side of a vertex."""
    edge = leg_edge(edges, ring, station_m, np.full(len(ring), sign))
    known = edge >= 0
    at = np.full((len(ring), 2), np.nan)
    row = edge[known]
    along = station_m[known] - edges.from_m[row]
    # at the first vertex of a closed ring the station may be that of the far side
    length = edges.ring_length_m[ring[known]]
    along = np.where(edges.closed[ring[known]], along - np.round(along / length) * length, along)
    along = np.where(along < -SAME_M, along + length, along)
    at[known] = edges.start[row] + edges.unit[row] * np.clip(along, 0.0, edges.length_m[row])[:, None]
    return at


def _table(part: Stretches, layer: IntArray, names: tuple[ObjectArray, ...], edges: Edges) -> Breaks:
    """The table with ids for indices; leg ends only where a leg ends."""
    other = np.empty(len(part), dtype=object)
    for which, of_layer in enumerate(names):
        mine = layer == which
        other[mine] = of_layer[part.other[mine]]
    start_xy, far_xy = part.start_xy.copy(), part.far_xy.copy()
    following, gap = next_gaps(part.ring, part.ring, part.from_m, part.to_m, edges)
    touching = np.flatnonzero((following >= 0) & (np.abs(gap) <= SAME_M))
    far_xy[touching] = np.nan
    start_xy[following[touching]] = np.nan
    return Breaks(
        ring=part.ring, from_m=part.from_m, to_m=part.to_m, why=WHY[layer], other=other,
        start_end=END[layer], far_end=END[layer], start_xy=start_xy, far_xy=far_xy,
    )  # fmt: skip


def _ended(rows: Rows, edges: Edges, faces: Edges, meeting: Meeting) -> Stretches:
    """Take the legs beside whole stretches to the faces they run into."""
    part = stretches(rows.ring, rows.from_m, rows.to_m, rows.other)
    some = np.flatnonzero(~rows.full)
    if not len(some):
        return on_ring(part, edges)
    first, last = rows.first[some], rows.last[some]
    ring, from_m, to_m = rows.ring[first], rows.from_m[first], rows.to_m[last]
    length = edges.ring_length_m[ring]
    following, gap = next_gaps(ring, ring, from_m, to_m, edges)
    before, after = (
        np.where(edges.closed[ring], 0.0, from_m),
        np.where(following >= 0, gap / 2, length - to_m),
    )
    chained = np.flatnonzero(following >= 0)
    before[following[chained]] = gap[chained] / 2
    ends = Ends(
        ring=np.concatenate([ring, ring]),
        station_m=_turned(np.concatenate([from_m, to_m]), np.concatenate([ring, ring]), edges),
        sign=np.repeat([1, -1], len(some)),
        room_m=np.concatenate([before, after]),
        feature=np.concatenate([rows.other[first], rows.other[last]]),
    )
    wanted = np.zeros(int(faces.ring_feature.max(initial=-1)) + 1, dtype=np.bool_)
    wanted[ends.feature] = True
    own = edges.ring_feature[ends.ring] if faces is edges else None
    moved, xy, _ = meet(edges, faces.of_rings(wanted[faces.ring_feature]), ends, meeting, own_feature=own)
    part.from_m[first] -= moved[: len(some)]
    part.to_m[last] += moved[len(some) :]
    part.start_xy[first] = xy[: len(some)]
    part.far_xy[last] = xy[len(some) :]
    return on_ring(part, edges)


def _turned(station_m: FloatArray, ring: IntArray, edges: Edges) -> FloatArray:
    """Stations of closed rings brought into [0, ring length]."""
    length = edges.ring_length_m[ring]
    return np.where(edges.closed[ring] & (station_m > length), station_m - length, station_m)


def _with_line_ends(
    part: Stretches, layer: IntArray, edges: Edges, walls: Edges, at_wall: Meeting, at_bed: Meeting
) -> tuple[Stretches, IntArray]:
    """Add the ends of open lines that run into an abutment, or into the outline of another bed."""
    lines = np.flatnonzero(~edges.closed & (edges.ring_length_m > 2 * SAME_M))
    if not len(lines):
        return part, layer
    ring = np.repeat(lines, 2)
    sign = np.tile([-1, 1], len(lines))
    length = edges.ring_length_m[ring]
    room = np.stack([edges.ring_length_m, edges.ring_length_m], axis=1)
    np.minimum.at(room[:, 0], part.ring, part.from_m)
    np.minimum.at(room[:, 1], part.ring, edges.ring_length_m[part.ring] - part.to_m)
    room = room[lines].ravel()
    bare = room > SAME_M
    ring, sign, length, room = ring[bare], sign[bare], length[bare], room[bare]
    ends = Ends(ring, np.where(sign > 0, length, 0.0), sign, room / 2, np.full(len(ring), -1))
    parts, layers = [part], [layer]
    for which, faces, meeting in ((ABUTMENT, walls, at_wall), (SHARED, edges, at_bed)):
        own = edges.ring_feature[ends.ring] if faces is edges else None
        plain = replace(meeting, absorb_m=0.0, longer_m=0.0)
        moved, xy, met = meet(edges, faces, ends, plain, own_feature=own)
        hit = np.flatnonzero(met >= 0)
        parts.append(_line_stubs(edges, ends, moved, xy, met, hit))
        layers.append(np.full(len(hit), which))
        rest = np.flatnonzero(met < 0)
        ends = Ends(*(getattr(ends, name)[rest] for name in Ends.__slots__))
    whole, layer = together(*parts), np.concatenate(layers)
    order = np.lexsort((whole.from_m, whole.ring))
    return whole.where(order), layer[order]


def _line_stubs(
    edges: Edges, ends: Ends, moved: FloatArray, xy: XYArray, met: IntArray, hit: IntArray
) -> Stretches:
    """Stretches at the ends of open lines, at least a micrometre long, with the point on the face."""
    ring, ahead = ends.ring[hit], ends.sign[hit] > 0
    length = edges.ring_length_m[ring]
    long = np.maximum(moved[hit], SAME_M)
    edge = np.where(ahead, edges.offsets[ring + 1] - 1, edges.offsets[ring])
    tip = np.where(ahead[:, None], edges.end[edge], edges.start[edge])
    # a line traced into the face ends at its crossing, which the station says already
    point = np.where(np.isnan(xy[hit]) & (moved[hit] <= SAME_M)[:, None], tip, xy[hit])
    nan = np.full_like(point, np.nan)
    return Stretches(
        ring,
        np.where(ahead, length - long, 0.0),
        np.where(ahead, length, long),
        met[hit],
        np.where(ahead[:, None], point, nan),
        np.where(ahead[:, None], nan, point),
    )


def _deep_inside(
    beds: Shapes, edges: Edges, abutments: Shapes, walls: Edges, ids: ObjectArray, within_m: float
) -> tuple[Finding, ...]:
    """Findings for outlines that run inside an abutment deeper than the distance alongside."""
    outer = np.flatnonzero(abutments.ring_kind == RingKind.OUTER)
    box = boxes(walls)[outer]
    ring, near = near_rings(boxes(edges), box, -within_m)
    if not len(ring):
        return ()
    index = edges_near(edges, ring, box[near], -within_m)
    areas, feature = polygons(abutments, outer[np.unique(near)])
    cores = shapely.buffer(areas, -within_m, join_style="mitre")
    lines = edges.lines(index)
    core, line = shapely.STRtree(lines).query(cores, predicate="intersects")
    inside = shapely.length(shapely.intersection(lines[line], cores[core]))
    pair, of_pair = np.unique(
        np.stack([edges.feature[index[line]], feature[core]], axis=1), axis=0, return_inverse=True
    )
    total = np.bincount(of_pair.ravel(), weights=inside, minlength=len(pair))
    return tuple(
        Finding(
            "deep-in-abutment", "notice",
            f'{size:.2f} m of the outline of bed "{ids[bed]}" run inside abutment "{abutments.ids[wall]}", '
            f"farther than {within_m:g} m from its edge: they keep their edging. Mend one of the two if the "
            "abutment is solid.",
            bed=str(ids[bed]),
        )
        for (bed, wall), size in zip(pair.tolist(), total.tolist(), strict=True)
        if size > SAME_M
    )  # fmt: skip
