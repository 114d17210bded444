"""Edges of two beds that run alongside each other, and beds that lie over each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from siteplan.errors import Finding
from siteplan.model import RingKind, Shapes
from siteplan.outline.edges import GRAZE_M, TINY_M, Edges, beside, boxes, look, near_pairs, near_rings
from siteplan.outline.stretches import Rows, group, kept_rows, layered, next_gaps, no_rows, stretches
from siteplan.planar import ragged
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray


@dataclass(frozen=True, slots=True, eq=False)
class Owners:
    """Which of two beds owns an edge they share."""

    place: IntArray
    """(n,) place of each bed: by priority, then by id; the lower place owns"""
    pair: IntArray
    """(k,) pairs of beds decided otherwise, as least * n + greatest, sorted"""
    owner: IntArray
    """(k,) the bed that owns the edges of the pair"""

    def is_owner(self, bed: IntArray, other: IntArray) -> BoolArray:
        """(p,) the bed, and not the other, owns the edges the two share."""
        owns: BoolArray = self.place[bed] < self.place[other]
        if len(self.pair):
            key = np.minimum(bed, other) * len(self.place) + np.maximum(bed, other)
            at = np.minimum(np.searchsorted(self.pair, key), len(self.pair) - 1)
            owns = np.where(self.pair[at] == key, self.owner[at] == bed, owns)
        return owns


def owners(
    rank: IntArray, priority: FloatArray, edge_owner: IntArray, ids: ObjectArray
) -> tuple[Owners, tuple[Finding, ...]]:
    """Decide who owns shared edges.

    Parameters
    ----------
    rank : (n,) place of each bed by id
    priority : (n,) higher first
    edge_owner : (k, 3) two beds and the one of them that owns the edges they share
    ids : (n,) for messages

    Returns
    -------
    Owners, and a finding for every pair that is given two different owners (the first holds).
    """
    count = len(rank)
    place = np.empty(count, dtype=np.int64)
    place[np.lexsort((rank, -priority))] = np.arange(count)
    low, high = edge_owner[:, :2].min(axis=1, initial=count), edge_owner[:, :2].max(axis=1, initial=-1)
    key, first, inverse = np.unique(low * count + high, return_index=True, return_inverse=True)
    owner = edge_owner[first, 2]
    again = np.flatnonzero(owner[inverse] != edge_owner[:, 2])
    findings = tuple(
        Finding(
            "edge-owner-twice", "error",
            f'Beds "{ids[a]}" and "{ids[b]}" are given two owners for the edges they share; '
            f'"{ids[owner[inverse[row]]]}", named first, is taken.',
            bed=str(ids[a]),
        )
        for row in again
        for a, b in [edge_owner[row, :2]]
    )  # fmt: skip
    return Owners(place, key, owner), findings


def shared(edges: Edges, line: BoolArray, owners: Owners, *, within_m: float, angle_deg: float) -> Rows:
    """Stretches of outlines that are edged as part of another bed's outline.

    Two edges are shared where the foot of one falls on the other within ``within_m``, walked in
    opposite directions (beds lie on the left) to ``angle_deg``.  An open line may be shared walked
    either way, since the side its bed lies on is a default.

    Parameters
    ----------
    edges : of the outlines
    line : (r,) the ring is an open line
    owners : who owns
    within_m : metres
    angle_deg : degrees

    Returns
    -------
    Rows of the beds that do not own; ``other`` is the owner.
    """
    edge, other = near_pairs(edges, edges, within_m, other_features=True)
    if not len(edge):
        return no_rows()
    keep = owners.is_owner(edges.feature[other], edges.feature[edge])
    pairs = look(edges, edges, edge[keep], other[keep])
    either = line[edges.ring[pairs.edge]] | line[edges.ring[pairs.other]]
    cos = np.where(either, -np.abs(pairs.cos), pairs.cos)
    pairs = pairs.where(cos <= -np.cos(np.radians(angle_deg)) + 1e-12)
    low, high = beside(pairs, edges, edges, within_m)
    real = high - low > TINY_M
    pairs, low, high = pairs.where(real), low[real], high[real]
    if not len(pairs):
        return no_rows()
    base, bed = edges.from_m[pairs.edge], edges.feature[pairs.other]
    claims = stretches(edges.ring[pairs.edge], base + low, base + high, bed)
    part, _ = layered(claims, owners.place[bed], edges)
    # beds whose corners graze each other share nothing
    part = part.where(part.to_m - part.from_m > GRAZE_M)
    following, gap = next_gaps(part.ring, part.ring, part.from_m, part.to_m, edges)
    close = (following >= 0) & (gap <= 2 * within_m + TINY_M)
    groups = group(part.ring, part.ring, part.from_m, part.to_m, edges, close)
    return kept_rows(groups, part.ring, part.other, edges, 2 * within_m)


def polygons(shapes: Shapes, ring: IntArray) -> tuple[ObjectArray, IntArray]:
    """Polygons of some outer rings with the islands in them.

    Parameters
    ----------
    shapes : outlines
    ring : (k,) outer rings

    Returns
    -------
    (k,) polygons, mended where a ring touches itself, and (k,) their features.
    """
    outer = np.cumsum(shapes.ring_kind == RingKind.OUTER) - 1
    of_outer = np.full(int(outer.max(initial=-1)) + 1, -1, dtype=np.int64)
    of_outer[outer[ring]] = np.arange(len(ring))
    closed = (shapes.ring_kind == RingKind.OUTER) | (shapes.ring_kind == RingKind.ISLAND)
    closed &= (outer >= 0) & (np.diff(shapes.ring_offsets) > 2)
    rings = np.flatnonzero(closed)
    rings = rings[of_outer[outer[rings]] >= 0]
    if not len(rings):
        return np.empty(0, dtype=object), np.empty(0, dtype=np.int64)
    count = np.diff(shapes.ring_offsets)[rings]
    vertex = ragged(shapes.ring_offsets[:-1][rings], count)
    lines = shapely.linearrings(shapes.xy[vertex], indices=np.repeat(np.arange(len(rings)), count))
    part = np.unique(outer[rings], return_inverse=True)[1]
    made = np.asarray(shapely.polygons(np.asarray(lines), indices=part), dtype=object)
    feature = shapes.ring_feature[rings[shapes.ring_kind[rings] == RingKind.OUTER]]
    wrong = ~shapely.is_valid(made)
    made[wrong] = shapely.make_valid(made[wrong])
    return made, feature


def overlaps(beds: Shapes, edges: Edges, ids: ObjectArray, *, within_m: float) -> tuple[Finding, ...]:
    """Findings for beds that lie over each other deeper than the tolerance.

    Parameters
    ----------
    beds, edges : outlines
    ids : (n,) for messages
    within_m : an overlap no wider than this is two tracings of one edge

    Returns
    -------
    One finding of grade error for each two beds, with the area they both cover.
    """
    outer = np.flatnonzero(beds.ring_kind == RingKind.OUTER)
    box = boxes(edges)[outer]
    first, second = near_rings(box, box, -within_m)
    near = np.unique(first[beds.ring_feature[outer[first]] != beds.ring_feature[outer[second]]])
    part, feature = polygons(beds, outer[near])
    if not len(part):
        return ()
    first, second = shapely.STRtree(part).query(part, predicate="intersects")
    keep = feature[first] < feature[second]
    first, second = first[keep], second[keep]
    common = shapely.intersection(part[first], part[second])
    area = shapely.area(common)
    wide = area > within_m**2
    wide[wide] = ~shapely.is_empty(shapely.buffer(common[wide], -within_m / 2))
    pair = np.stack([feature[first[wide]], feature[second[wide]]], axis=1)
    pair, of_pair = np.unique(pair, axis=0, return_inverse=True)
    total = np.bincount(of_pair.ravel(), weights=area[wide], minlength=len(pair))
    return tuple(
        Finding(
            "beds-overlap", "error",
            f'Beds "{ids[a]}" and "{ids[b]}" lie over each other on {size:.2f} m2, deeper than '
            f"{within_m:g} m: both are edged there. "
            "Redraw one of them, or leave an island in the larger one.",
            bed=str(ids[a]),
        )
        for (a, b), size in zip(pair.tolist(), total.tolist(), strict=True)
    )  # fmt: skip
