"""What the end of a run takes off its leg where the run stops at a face or at another run.

Pieces are cut square.  At a face that meets the leg at an angle ``a`` the nearer edge of a
piece of depth ``d`` would touch ``d / 2 x cot(a)`` before its middle does, so that much comes
off besides the clearance.  The clearance is measured along the leg, at the nearer edge.

At a tee the other run's strip lies in the way: half its depth along the leg,
``d / 2 / sin(a)``, where that run goes straight on.  It may turn there, or be curved, so the
leg is cut back until its square-cut strip clears the other strips as they really lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from siteplan.laying.band import Band, Stations, slice_band
from siteplan.laying.lines import per_run
from siteplan.model import NodeKind, Runs
from siteplan.planar import ragged
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray

_REACH_DEPTHS: Final = 8.0
"""strips are looked for this many depths from a tee: an end that meets another run at 15
degrees is cut back by 4 depths"""
_BRIDGE_DEPTHS: Final = 2.0
"""a stretch of leg this long, or shorter, between two places another strip lies on is not edged"""
_TOUCH_UM: Final = 1.0
"""strips that share less than this along the leg touch"""
_BESIDE_M: Final = 2e-8
"""strips that share less than this across the leg lie side by side"""
_LEAST_DEG: Final = 15.0
"""a face at less than this to its leg cannot be what the leg ends at: the angle is taken as this"""
_ROUNDS: Final = 4
"""ends that meet at one tee give way one after the other; more than four do not meet"""


def meet_angles(runs: Runs) -> tuple[FloatArray, FloatArray]:
    """Angle in degrees at which each leg meets what it starts and ends at, 90 where unknown."""
    square = np.full(len(runs.leg_id), 90.0)
    start, far = runs.start_meet_deg, runs.far_meet_deg
    return (
        square if start is None else np.maximum(start, _LEAST_DEG),
        square if far is None else np.maximum(far, _LEAST_DEG),
    )


def _up(values_um: FloatArray) -> IntArray:
    """Whole micrometres, rounded up but for a tenth of one: coordinates carry a hundredth."""
    return np.ceil(values_um - 0.1).astype(np.int64)


def slant_um(depth_um: int | IntArray, angle_deg: FloatArray) -> IntArray:
    """How much sooner the nearer edge of a square end meets a face than its middle, in um.

    Parameters
    ----------
    depth_um : front to back
    angle_deg : (n,) angles between leg and face, in (0, 90]

    Returns
    -------
    (n,) ``depth / 2 x cot(angle)``, rounded up.

    Examples
    --------
    >>> slant_um(100_000, np.array([90.0, 45.0])).tolist()
    [0, 50000]
    """
    angle = np.radians(angle_deg)
    return _up(depth_um / 2 * np.abs(np.cos(angle) / np.sin(angle)))


def straight_tee_um(depth_um: int | IntArray, angle_deg: FloatArray) -> IntArray:
    """What another run's strip takes off a square-cut leg where that run goes straight on, in um.

    Parameters
    ----------
    depth_um : front to back of both
    angle_deg : (n,) angles between the two, in (0, 90]

    Returns
    -------
    (n,) ``depth / 2 / sin(angle) + depth / 2 x cot(angle)``, rounded up; without clearance.

    Examples
    --------
    >>> straight_tee_um(100_000, np.array([90.0, 30.0])).tolist()
    [50000, 186603]
    """
    angle = np.radians(angle_deg)
    return _up(depth_um / 2 * (1 + np.abs(np.cos(angle))) / np.sin(angle))


@dataclass(frozen=True, slots=True, eq=False)
class _Tees:
    """Ends of legs at tees.  e ends, in order of leg, starts first."""

    leg: IntArray
    run: IntArray
    far: BoolArray
    """(e,) the far end of the leg"""


def clearances(
    runs: Runs, part: Stations, band: Band, line: ProductLine | Sequence[ProductLine]
) -> tuple[IntArray, IntArray]:
    """What comes off each leg where its run ends at a face or at another run.

    Parameters
    ----------
    runs, part, band : runs, their stations, their strips of ground
    line : product line, or the lines ``runs.line`` counts into

    Returns
    -------
    (l,) whole um at the start and at the far end; 0 at corners, free ends and seams.

    Notes
    -----
    The clearance is that of the run's own line; what lies in its way at a tee is as deep as the
    other run's line is.
    A tee whose other run is not among the runs (its bed is not edged) takes the closed form, with
    the depth of its own line.
    Of several runs that end at one tee the first in the table goes first.
    """
    run_depth = per_run(runs, line, lambda x: x.depth_um)
    depth = run_depth[runs.leg_run]
    end_clearance = per_run(runs, line, lambda x: x.end_clearance_um)[runs.leg_run]
    taken = []
    for kind, angle in zip((runs.start_kind, runs.far_kind), meet_angles(runs), strict=True):
        um = np.zeros(len(runs.leg_id), dtype=np.int64)
        wall, tee = kind == NodeKind.ABUTTED, kind == NodeKind.TEE
        um[wall] = slant_um(depth[wall], angle[wall])
        um[tee] = straight_tee_um(depth[tee], angle[tee])
        taken.append(um)
    start, far = taken
    leg = np.concatenate([np.flatnonzero(runs.start_kind == NodeKind.TEE),
                          np.flatnonzero(runs.far_kind == NodeKind.TEE)])  # fmt: skip
    at_far = np.repeat(
        [False, True], [int((k == NodeKind.TEE).sum()) for k in (runs.start_kind, runs.far_kind)]
    )
    tees = _Tees(leg, runs.leg_run[leg], at_far)
    if len(leg):
        cut = _cut_back(runs, part, band, tees, run_depth, np.where(at_far, far[leg], start[leg]))
        start[leg[~at_far]], far[leg[at_far]] = cut[~at_far], cut[at_far]
    blocked = (NodeKind.ABUTTED, NodeKind.TEE)
    kept = []
    for kind, joint in ((runs.start_kind, runs.start_joint_um), (runs.far_kind, runs.far_joint_um)):
        clear = np.where(np.isin(kind, blocked), end_clearance, 0)
        # a joint held at a face keeps its width there instead
        kept.append(clear if joint is None else np.where(joint >= 0, joint, clear))
    return start + kept[0], far + kept[1]


def _cut_back(
    runs: Runs, part: Stations, band: Band, tees: _Tees, run_depth: IntArray, closed_um: IntArray
) -> IntArray:
    """(e,) how far each tee's leg must end before its run does, without clearance; (r,) depths."""
    depth_um = run_depth[tees.run]
    end_um = np.where(tees.far, part.run_um[tees.run], 0)
    through, ending, reach_um = _others(runs, band, tees, run_depth)
    own = _strips(band, tees, end_um, reach_um)
    cut = _cleared(band, own, through, end_um, depth_um, closed_um)
    if not len(ending):
        return cut
    # runs that end at the same tee: the later one also keeps clear of what the earlier one keeps
    for _ in range(_ROUNDS):
        trimmed = _trimmed(band, ending, cut, end_um)
        again = np.maximum(cut, _cleared(band, own, _joined(through, trimmed), end_um, depth_um, closed_um))
        if (again == cut).all():
            break
        cut = again
    return cut


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Parts of strips near tees, one for each edge of a laying line.  p parts."""

    end: IntArray
    """(p,) the tee"""
    vertex: IntArray
    """(p,) vertex of the band the edge starts at"""
    from_um: FloatArray
    to_um: FloatArray
    shape: ObjectArray
    tee: IntArray
    """(p,) tee that ends the part's run here, -1 where the run goes through"""

    def __len__(self) -> int:
        return len(self.end)


def _joined(a: _Parts, b: _Parts) -> _Parts:
    return _Parts(*(np.concatenate([getattr(a, n), getattr(b, n)]) for n in _Parts.__slots__))


def _drawn(band: Band, run: IntArray, from_um: FloatArray, to_um: FloatArray) -> ObjectArray:
    """Polygons of parts of strips."""
    if not len(run):
        return np.empty(0, dtype=object)
    xy, offsets = slice_band(band, run, from_um, to_um)  # type: ignore[arg-type]
    ring = np.repeat(np.arange(len(run)), np.diff(offsets))
    return np.asarray(shapely.polygons(shapely.linearrings(xy, indices=ring)), dtype=object)


def _edges_between(
    band: Band, run: IntArray, low_um: FloatArray, high_um: FloatArray
) -> tuple[IntArray, IntArray]:
    """Edges of laying lines between two stations: (q,) row of the input, (q,) vertex."""
    key = band.at_um + band.shift_um[np.searchsorted(band.first, np.arange(len(band.xy)), side="right") - 1]
    first = np.searchsorted(key, low_um + band.shift_um[run] + 1.0, side="right") - 1
    last = np.searchsorted(key, high_um + band.shift_um[run] - 1.0, side="left")
    first = np.clip(first, band.first[run], band.first[run + 1] - 1)
    last = np.clip(last, first, band.first[run + 1])
    return np.repeat(np.arange(len(run)), last - first), ragged(first, last - first)


def _strips(band: Band, tees: _Tees, end_um: IntArray, reach_um: FloatArray) -> _Parts:
    """The last of each tee's own strip, edge by edge."""
    length = band.run_um[tees.run].astype(np.float64)
    low = np.where(tees.far, np.maximum(end_um - reach_um, 0.0), 0.0)
    high = np.where(tees.far, length, np.minimum(reach_um, length))
    end, vertex = _edges_between(band, tees.run, low, high)
    from_um = np.maximum(band.at_um[vertex], low[end])
    to_um = np.minimum(band.at_um[vertex] + band.edge_um[vertex], high[end])
    real = to_um - from_um > 1.0
    end, vertex, from_um, to_um = end[real], vertex[real], from_um[real], to_um[real]
    shape = _drawn(band, tees.run[end], from_um, to_um)
    return _Parts(end, vertex, from_um, to_um, shape, np.full(len(end), -1, dtype=np.int64))


def _others(runs: Runs, band: Band, tees: _Tees, run_depth: IntArray) -> tuple[_Parts, _Parts, FloatArray]:
    """Strips of other runs near each tee, and (e,) how far to look along its own.

    The strips are those that go through, and those that end there too.  The deeper of two runs says how
    far from a tee they are looked for.
    """
    at = runs.xy[np.where(tees.far, runs.offsets[tees.leg + 1] - 1, runs.offsets[tees.leg])]
    low = np.minimum.reduceat(band.xy, band.first[:-1], axis=0)
    high = np.maximum.reduceat(band.xy, band.first[:-1], axis=0)
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    farthest_m = _REACH_DEPTHS * float(run_depth.max()) / 1e6
    end, run = shapely.STRtree(boxes).query(shapely.points(at), predicate="dwithin", distance=farthest_m)
    reach_um = _REACH_DEPTHS * np.maximum(run_depth[tees.run[end]], run_depth[run])
    other = run != tees.run[end]
    other &= shapely.dwithin(boxes[run], shapely.points(at[end]), reach_um / 1e6)
    if runs.course is not None:
        # what lies in another course lies above or below
        other &= runs.course[run] == runs.course[tees.run[end]]
    end, run, reach_um = end[other], run[other], reach_um[other]
    own_reach_um = _REACH_DEPTHS * run_depth[tees.run].astype(np.float64)
    np.maximum.at(own_reach_um, end, reach_um)
    count = np.diff(band.first)[run]
    end, vertex = np.repeat(end, count), ragged(band.first[run], count)
    run, reach_um = np.repeat(run, count), np.repeat(reach_um, count)
    near = band.edge_um[vertex] > 0
    away = _distance(at[end], band.xy[vertex], band.along[vertex], band.edge_m[vertex])
    near &= away <= reach_um / 1e6
    end, vertex, run, reach_um = end[near], vertex[near], run[near], reach_um[near]
    from_um, to_um = band.at_um[vertex], band.at_um[vertex] + band.edge_um[vertex]
    tee = _ending_here(tees, at, end, run, reach_um / 1e6)
    parts = _Parts(end, vertex, from_um, to_um, _drawn(band, run, from_um, to_um), tee)
    first = (tee >= 0) & (tee_order(tees, tee) < tee_order(tees, end))
    return _chosen(parts, tee < 0), _chosen(parts, first), own_reach_um


def tee_order(tees: _Tees, tee: IntArray) -> IntArray:
    """Which of two tees goes first: by run, then start before far end."""
    order: IntArray = tees.run[tee] * 2 + tees.far[tee]
    return order


def _distance(at: FloatArray, start: FloatArray, along: FloatArray, length_m: FloatArray) -> FloatArray:
    """(p,) distance from points to edges."""
    to = at - start
    foot = np.clip(np.einsum("ij,ij->i", to, along), 0.0, length_m)
    away: FloatArray = np.hypot(*(to - along * foot[:, None]).T)
    return away


def _ending_here(tees: _Tees, at: FloatArray, end: IntArray, run: IntArray, reach_m: FloatArray) -> IntArray:
    """(p,) tee at which each part's run ends near the part's own tee, -1 where none does."""
    out = np.full(len(end), -1, dtype=np.int64)
    if not len(end):
        return out
    pair, first, of_pair = np.unique(
        np.column_stack([end, run]), axis=0, return_index=True, return_inverse=True
    )
    reach_m = reach_m[first]
    found = np.full(len(pair), -1, dtype=np.int64)
    order = np.argsort(tees.run, kind="stable")
    low = np.searchsorted(tees.run[order], pair[:, 1], side="left")
    high = np.searchsorted(tees.run[order], pair[:, 1], side="right")
    for nth in range(2):  # a run has two ends
        some = np.flatnonzero(low + nth < high)
        tee = order[low[some] + nth]
        close = np.hypot(*(at[tee] - at[pair[some, 0]]).T) <= reach_m[some]
        found[some[close]] = tee[close]
    return found[of_pair.ravel()]


def _chosen(parts: _Parts, keep: BoolArray) -> _Parts:
    return _Parts(*(getattr(parts, n)[keep] for n in _Parts.__slots__))


def _trimmed(band: Band, parts: _Parts, cut: IntArray, end_um: IntArray) -> _Parts:
    """Parts of strips that end at a tee, without what is cut back there."""
    run = np.searchsorted(band.first, parts.vertex, side="right") - 1
    at_start = end_um[parts.tee] == 0
    from_um = np.where(at_start, np.maximum(parts.from_um, cut[parts.tee]), parts.from_um)
    stop = (end_um - cut)[parts.tee]
    to_um = np.where(at_start, parts.to_um, np.minimum(parts.to_um, stop))
    kept = to_um - from_um > 1.0
    part = _chosen(parts, kept)
    shape = _drawn(band, run[kept], from_um[kept], to_um[kept])
    return _Parts(part.end, part.vertex, from_um[kept], to_um[kept], shape, part.tee)


def _cleared(
    band: Band, own: _Parts, others: _Parts, end_um: IntArray, depth_um: IntArray, closed_um: IntArray
) -> IntArray:
    """(e,) how far back the other strips reach into each tee's own."""
    count = len(end_um)
    mine, theirs = _pairs(own.end, others.end)
    low, high, hit = _stations_of(band, own, mine, others.shape[theirs], depth_um[own.end[mine]])
    mine, low, high = mine[hit], low[hit], high[hit]
    end = own.end[mine]
    back = np.where(end_um[end] == 0, high, end_um[end] - low)
    front = np.where(end_um[end] == 0, low, end_um[end] - high)
    met = np.zeros(count, dtype=np.bool_)
    met[others.end] = True
    cut = np.where(met, 0, closed_um).astype(np.float64)
    order = np.lexsort((back, front, end))
    end, front, back = end[order], front[order], back[order]
    # walking back from the end: what lies closer than the bridge to what is cut already is cut too
    bridge = _BRIDGE_DEPTHS * depth_um
    nth = np.arange(len(end)) - np.searchsorted(end, end)
    for k in range(int(nth.max(initial=-1)) + 1):
        row = np.flatnonzero(nth == k)
        close = front[row] <= cut[end[row]] + bridge[end[row]]
        row = row[close]
        cut[end[row]] = np.maximum(cut[end[row]], back[row])
    return _up(cut)


def _pairs(one: IntArray, two: IntArray) -> tuple[IntArray, IntArray]:
    """Rows of two tables that have the same key."""
    order = np.argsort(two, kind="stable")
    low = np.searchsorted(two[order], one, side="left")
    count = np.searchsorted(two[order], one, side="right") - low
    return np.repeat(np.arange(len(one)), count), order[ragged(low, count)]


def _stations_of(
    band: Band, own: _Parts, part: IntArray, shape: ObjectArray, depth_um: IntArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Least and greatest station of what shapes cover of the own strips.

    Parameters
    ----------
    own, part : (k,) the own part beside each shape
    shape : (k,) parts of other strips
    depth_um : (k,) of the own strip

    Returns
    -------
    (k,) stations, and whether the shape lies on the part at all; they mean nothing where it does not.

    Notes
    -----
    Each shape is clipped to the ribbon along the own edge.  Cross-sections are square to an edge but
    near its vertices, where they fan out: what lies in a fan counts with the whole of it.
    """
    vertex = own.vertex[part]
    edge_um, edge_m = band.edge_um[vertex], band.edge_m[vertex]
    key = band.key_um.reshape(-1, 3)[vertex]
    fan_start, fan_end = key[:, 1] - key[:, 0], edge_um - (key[:, 2] - key[:, 0])
    low, high = _clipped(band, vertex, shape, depth_um / 2e6)
    scale = edge_um / edge_m
    low = np.maximum(low * scale, np.where(own.from_um[part] > band.at_um[vertex], 0.0, -fan_start))
    high = np.minimum(high * scale, edge_um + fan_end)
    hit = high - low > _TOUCH_UM
    low = np.where(low < fan_start, 0.0, np.where(low > edge_um - fan_end, edge_um - fan_end, low))
    high = np.where(high > edge_um - fan_end, edge_um, np.where(high < fan_start, fan_start, high))
    low, high = band.at_um[vertex] + low, band.at_um[vertex] + high
    hit &= (low < own.to_um[part]) & (high > own.from_um[part])
    return low, high, hit


def _clipped(
    band: Band, vertex: IntArray, shape: ObjectArray, half_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """(k,) least and greatest distance along edges of what shapes have within half a depth of them."""
    low, high = np.full(len(shape), np.inf), np.full(len(shape), -np.inf)
    xy, of = shapely.get_coordinates(shape, return_index=True)
    along = band.along[vertex][of]
    to = xy - band.xy[vertex][of]
    x = np.einsum("ij,ij->i", to, along)
    y = along[:, 0] * to[:, 1] - along[:, 1] * to[:, 0]
    side = np.flatnonzero(of[1:] == of[:-1])  # rings come closed
    x0, y0, dx, dy = x[side], y[side], np.diff(x)[side], np.diff(y)[side]
    inside = half_m[of[side]] - _BESIDE_M
    level = dy == 0.0
    step = np.where(level, 1.0, dy)
    one, two = (-inside - y0) / step, (inside - y0) / step
    first = np.where(level, 0.0, np.clip(np.minimum(one, two), 0.0, None))
    last = np.where(level, 1.0, np.clip(np.maximum(one, two), None, 1.0))
    met = (first <= last) & (~level | (np.abs(y0) <= inside))
    for t in (first, last):
        np.minimum.at(low, of[side][met], (x0 + t * dx)[met])
        np.maximum.at(high, of[side][met], (x0 + t * dx)[met])
    return low, high
