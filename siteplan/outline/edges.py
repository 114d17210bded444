"""The single edges of outlines, abutments and openings, and which of them lie near each other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from siteplan.model import RingKind, Shapes
from siteplan.planar import ragged
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray

TINY_M = 1e-9
"""lengths below a nanometre are rounding, not geometry"""
SAME_M = 1e-6
"""two stations or points this close are one: a micrometre, far below any drawing"""

GRAZE_M = 0.001
"""a contact shorter than a millimetre is none"""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Straight edges of all rings, in walking order.  e edges, r rings.

    Edges of no length and single points are left out; their rings stay, with no edge.
    """

    start: XYArray
    """(e, 2)"""
    unit: XYArray
    """(e, 2) direction of walking, length 1"""
    length_m: FloatArray
    """(e,) more than zero"""
    ring: IntArray
    """(e,) not decreasing"""
    feature: IntArray
    """(e,)"""
    from_m: FloatArray
    """(e,) station of the edge's start along its ring, from the ring's first vertex"""
    offsets: OffsetArray
    """(r + 1,) edges of each ring"""
    ring_length_m: FloatArray
    """(r,)"""
    closed: BoolArray
    """(r,)"""
    ring_feature: IntArray
    """(r,)"""

    def __len__(self) -> int:
        return len(self.length_m)

    @property
    def end(self) -> XYArray:
        """(e, 2) far end of each edge."""
        return self.start + self.unit * self.length_m[:, None]

    def lines(self, index: IntArray) -> ObjectArray:
        """(k,) shapely lines of the edges of an index."""
        start = self.start[index]
        both = np.stack([start, start + self.unit[index] * self.length_m[index, None]], axis=1)
        return np.asarray(shapely.linestrings(both), dtype=object)

    def of_rings(self, keep: BoolArray) -> Edges:
        """The edges of some rings; the other rings stay, with no edge."""
        some = keep[self.ring]
        before = np.concatenate([[0], np.cumsum(some)])
        return replace(
            self,
            start=self.start[some],
            unit=self.unit[some],
            length_m=self.length_m[some],
            ring=self.ring[some],
            feature=self.feature[some],
            from_m=self.from_m[some],
            offsets=before[self.offsets],
        )


def edges_of(shapes: Shapes) -> Edges:
    """Edges of every ring of some shapes.

    Parameters
    ----------
    shapes : rings; ``OUTER`` and ``ISLAND`` are closed, ``LINE`` is open, ``POINT`` has no edge

    Returns
    -------
    Edges, ring by ring.
    """
    offsets = shapes.ring_offsets
    count = np.diff(offsets)
    rings = len(count)
    closed = (shapes.ring_kind == RingKind.OUTER) | (shapes.ring_kind == RingKind.ISLAND)
    ring = np.repeat(np.arange(rings), count)
    vertex = np.arange(len(shapes.xy))
    following = vertex + 1
    last = offsets[1:][count > 0] - 1
    following[last] = offsets[:-1][count > 0]
    step = shapes.xy[following] - shapes.xy if len(vertex) else np.empty((0, 2))
    length = np.hypot(step[:, 0], step[:, 1])
    keep = length > TINY_M
    keep[last[~closed[count > 0]]] = False
    start, step, length, ring = shapes.xy[keep], step[keep], length[keep], ring[keep]
    edge_offsets = np.searchsorted(ring, np.arange(rings + 1)).astype(np.int64)
    along = np.concatenate([[0.0], np.cumsum(length)])
    from_m = along[:-1] - along[edge_offsets[ring]]
    ring_length = along[edge_offsets[1:]] - along[edge_offsets[:-1]]
    return Edges(
        start=start,
        unit=step / length[:, None],
        length_m=length,
        ring=ring,
        feature=shapes.ring_feature[ring],
        from_m=from_m,
        offsets=edge_offsets,
        ring_length_m=ring_length,
        closed=closed,
        ring_feature=shapes.ring_feature,
    )


def members(index: IntArray, offsets: OffsetArray) -> tuple[IntArray, IntArray]:
    """Members of the parts of a ragged table: (position in ``index``, member)."""
    counts = np.diff(offsets)[index]
    return np.repeat(np.arange(len(index)), counts), ragged(offsets[:-1][index], counts)


def boxes(edges: Edges) -> FloatArray:
    """(r, 4) least x, least y, greatest x, greatest y of each ring; NaN where it has no edge."""
    box = np.full((len(edges.closed), 4), np.nan)
    full = np.diff(edges.offsets) > 0
    if full.any():
        at = edges.offsets[:-1][full]
        low = np.minimum(edges.start, edges.end)
        high = np.maximum(edges.start, edges.end)
        box[full] = np.hstack([np.minimum.reduceat(low, at), np.maximum.reduceat(high, at)])
    return box


def near_rings(first: FloatArray, second: FloatArray, reach_m: float) -> tuple[IntArray, IntArray]:
    """Pairs of boxes that are within ``reach_m`` of each other, in x and in y."""
    grown = first + np.array([-reach_m, -reach_m, reach_m, reach_m])
    tree = shapely.STRtree(np.asarray(shapely.box(*second.T), dtype=object))
    pairs = tree.query(shapely.box(*grown.T))
    return pairs[0].astype(np.int64), pairs[1].astype(np.int64)


def edges_near(edges: Edges, ring: IntArray, box: FloatArray, reach_m: float) -> IntArray:
    """Edges of ``ring[k]`` that come within reach of ``box[k]``, each edge once."""
    pair, edge = members(ring, edges.offsets)
    a = edges.start[edge]
    b = a + edges.unit[edge] * edges.length_m[edge, None]
    near = np.all(np.maximum(a, b) >= box[pair, :2] - reach_m, axis=1)
    near &= np.all(np.minimum(a, b) <= box[pair, 2:] + reach_m, axis=1)
    return np.unique(edge[near])


def near_pairs(
    edges: Edges, others: Edges, reach_m: float, *, other_features: bool = False
) -> tuple[IntArray, IntArray]:
    """Pairs of an edge and another edge within ``reach_m`` of each other.

    Rings are compared by their boxes first, so that outlines with nothing near cost nothing.

    Parameters
    ----------
    edges, others : may be the same table
    reach_m : greatest distance, inclusive
    other_features : only pairs of different features (when both tables are one)

    Returns
    -------
    (p,) index into ``edges`` and (p,) index into ``others``, sorted by both.
    """
    nothing = np.empty(0, dtype=np.int64)
    if not len(edges) or not len(others):
        return nothing, nothing
    reach_m = reach_m + TINY_M
    box, other_box = boxes(edges), boxes(others)
    ring, other_ring = near_rings(box, other_box, reach_m)
    if other_features:
        keep = edges.ring_feature[ring] != others.ring_feature[other_ring]
        ring, other_ring = ring[keep], other_ring[keep]
    if not len(ring):
        return nothing, nothing
    index = edges_near(edges, ring, other_box[other_ring], reach_m)
    other_index = edges_near(others, other_ring, box[ring], reach_m)
    tree = shapely.STRtree(others.lines(other_index))
    i, j = tree.query(edges.lines(index), predicate="dwithin", distance=reach_m)
    i, j = index[i], other_index[j]
    if other_features:
        keep = edges.feature[i] != others.feature[j]
        i, j = i[keep], j[keep]
    order = np.lexsort((j, i))
    return i[order], j[order]


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """How another edge lies as seen from an edge: p pairs.

    Along an edge at distance t from its start, the foot on the other edge's line lies
    ``foot_m + t * cos`` from that edge's start, and ``off_m + t * sin`` away on the left of the
    other edge's direction.
    """

    edge: IntArray
    other: IntArray
    cos: FloatArray
    sin: FloatArray
    foot_m: FloatArray
    off_m: FloatArray
    start_along_m: FloatArray
    start_aside_m: FloatArray
    """the other edge's start as seen from the edge: along it, and to its left"""
    far_along_m: FloatArray
    far_aside_m: FloatArray

    def __len__(self) -> int:
        return len(self.edge)

    def where(self, keep: BoolArray | IntArray) -> Pairs:
        """Pairs of a mask or an index."""
        return Pairs(*(getattr(self, name)[keep] for name in self.__slots__))


def cross(a: XYArray, b: XYArray) -> FloatArray:
    """(n,) z of the cross product: positive where b points to the left of a."""
    z: FloatArray = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return z


def dot(a: XYArray, b: XYArray) -> FloatArray:
    """(n,) dot product of rows."""
    product: FloatArray = a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1]
    return product


def look(edges: Edges, others: Edges, edge: IntArray, other: IntArray) -> Pairs:
    """How each other edge lies as seen from its edge."""
    u, v = edges.unit[edge], others.unit[other]
    to = others.start[other] - edges.start[edge]
    cos, sin = dot(u, v), cross(u, v)
    along, aside = dot(to, u), cross(u, to)
    length = others.length_m[other]
    return Pairs(
        edge=edge,
        other=other,
        cos=cos,
        sin=sin,
        foot_m=-dot(to, v),
        off_m=cross(v, to),
        start_along_m=along,
        start_aside_m=aside,
        far_along_m=along + length * cos,
        far_aside_m=aside + length * sin,
    )


def between(
    at_zero: FloatArray,
    slope: FloatArray,
    low: FloatArray,
    high: FloatArray,
    start: FloatArray,
    far: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Part of [start, far] in which ``low <= at_zero + slope * t <= high``.

    Returns
    -------
    (n,) from and (n,) to; from > to where there is none.
    """
    flat = np.abs(slope) < 1e-12
    safe = np.where(flat, 1.0, slope)
    one, two = (low - at_zero) / safe, (high - at_zero) / safe
    inside = (at_zero >= low) & (at_zero <= high)
    first = np.where(flat, np.where(inside, start, np.inf), np.minimum(one, two))
    second = np.where(flat, np.where(inside, far, -np.inf), np.maximum(one, two))
    return np.maximum(first, start), np.minimum(second, far)


def beside(pairs: Pairs, edges: Edges, others: Edges, reach_m: float) -> tuple[FloatArray, FloatArray]:
    """Part of each edge whose foot lies on the other edge, within reach of it.

    The pairs must not be square to each other.

    Returns
    -------
    (p,) from and (p,) to along the edge; from > to where there is none.
    """
    zero = np.zeros(len(pairs))
    reach = np.full(len(pairs), reach_m + TINY_M)
    low, high = between(
        pairs.foot_m, pairs.cos, zero, others.length_m[pairs.other], zero, edges.length_m[pairs.edge]
    )
    return between(pairs.off_m, pairs.sin, -reach, reach, low, high)
