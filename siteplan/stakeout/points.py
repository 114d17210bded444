"""The points of the laying line that are set out, and where the outside of the line is.

A point is called by its run and a letter, as on the plan sheets: ``B07-1-A`` is where run
``B07-1`` begins.  Points between two of these are counted from the one before:
``B07-1-A-01``.  So a change in one leg leaves the names of all others as they were.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.model import NodeKind, Runs
from siteplan.outline.curve_data import Arcs, arcs_of, find_arcs
from siteplan.planar import Edges, edges, part_of
from siteplan.sheets.content import Points, run_points
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray

CLOSE_M: Final = 0.3
"""a point at an interval this close to a point that matters more is left out"""
GREATEST_MITRE: Final = 2.0
"""a peg at a corner stands at most this many offsets from the corner (turns over 120 degrees)"""

__all__ = ["Arcs", "StakePoints", "along_legs", "find_arcs", "leg_lengths", "leg_shares", "outward",
           "stake_points"]  # fmt: skip

END_CODES: Final = {
    NodeKind.FREE: "END-FREE",
    NodeKind.ABUTTED: "END-ABUTTED",
    NodeKind.TEE: "END-TEE",
    NodeKind.SEAM: "JOINT",
    NodeKind.JOINT: "JOINT",
    NodeKind.SET: "JOINT",
}


@dataclass(frozen=True, slots=True, eq=False)
class StakePoints:
    """Points on the laying line, in laying order.  k points."""

    name: ObjectArray
    run: IntArray
    leg: IntArray
    at_m: FloatArray
    """(k,) along the vertices of the leg"""
    xy: XYArray
    code: ObjectArray
    """(k,) str: what stands there"""
    outside: XYArray
    """(k, 2) where a peg stands for an offset of 1: square to the line away from the bed; at a
    corner on the bisector, as far out as lines parallel to both legs meet"""
    turn_deg: FloatArray

    def __len__(self) -> int:
        return len(self.name)

    def of_runs(self, keep: BoolArray) -> StakePoints:
        """The points of some runs; ``keep`` is (runs,)."""
        k = keep[self.run]
        return StakePoints(
            self.name[k], self.run[k], self.leg[k], self.at_m[k], self.xy[k], self.code[k],
            self.outside[k], self.turn_deg[k],
        )  # fmt: skip


def along_legs(runs: Runs) -> FloatArray:
    """(v,) distance of every vertex from the start of its leg, along the vertices."""
    return _leg_edges(runs).station


def leg_lengths(runs: Runs) -> FloatArray:
    """(l,) along the vertices: plan lengths, whatever pieces are fitted to."""
    return _leg_edges(runs).part_length


def _leg_edges(runs: Runs) -> Edges:
    return edges(runs.xy, runs.offsets, np.zeros(len(runs.leg_id), dtype=np.bool_))


def right_of(direction: XYArray) -> XYArray:
    """Directions turned a quarter to the right: away from the bed."""
    return np.column_stack([direction[:, 1], -direction[:, 0]])


def _unit(vector: XYArray) -> XYArray:
    return vector / np.hypot(vector[:, 0], vector[:, 1])[:, None]


def outward(arriving: XYArray, leaving: XYArray) -> XYArray:
    """Where a peg stands for an offset of 1, between an edge that arrives and one that leaves.

    Parameters
    ----------
    arriving, leaving : (n, 2) unit directions

    Returns
    -------
    (n, 2) on the bisector, ``1 / cos(turn / 2)`` long, at most :data:`GREATEST_MITRE`.
    """
    a, b = right_of(arriving), right_of(leaving)
    both = a + b
    size = np.hypot(both[:, 0], both[:, 1])
    # a line that turns right back has no bisector: the peg stands ahead of the point
    back = size < 1e-9
    bisector = np.where(back[:, None], arriving, both / np.where(back, 1.0, size)[:, None])
    long = np.minimum(1 / np.maximum(size / 2, 1e-9), GREATEST_MITRE)
    return bisector * long[:, None]


def stake_points(
    runs: Runs, *, interval_m: float, straight_interval_m: float | None = None
) -> tuple[StakePoints, Arcs]:
    """Corners, ends, points of arcs and points at an interval.

    Parameters
    ----------
    runs : the runs
    interval_m : along curved legs
    straight_interval_m : along straight legs; None for no points there

    Returns
    -------
    Points in laying order, all on the laying line, and the arcs: fitted ones where there are any.
    """
    arcs = arcs_of(runs)
    at = along_legs(runs)
    nodes = run_points(runs)
    leg, station, code = _between(runs, arcs, at, interval_m, straight_interval_m)
    xy, outside = _on_legs(runs, at, leg, station)
    number = np.arange(len(leg)) - np.searchsorted(leg, leg) + 1
    starts = np.full(len(runs.leg_id), "", dtype=object)
    node_name = np.array(
        [f"{runs.run_id[r]}-{x}" for r, x in zip(nodes.run, nodes.letter, strict=True)], dtype=object
    )
    last = _is_last(runs, nodes)
    starts[nodes.leg[~last]] = node_name[~last]
    names = np.array([f"{starts[k]}-{n:02d}" for k, n in zip(leg, number, strict=True)], dtype=object)
    length = at[runs.offsets[1:] - 1]
    node_at = np.where(last, length[nodes.leg], 0.0)
    order = np.lexsort(
        [np.concatenate([node_at, station]), np.concatenate([nodes.leg, leg]),
         np.concatenate([nodes.run, runs.leg_run[leg]])]
    )  # fmt: skip
    points = StakePoints(
        name=np.concatenate([node_name, names])[order],
        run=np.concatenate([nodes.run, runs.leg_run[leg]])[order],
        leg=np.concatenate([nodes.leg, leg])[order],
        at_m=np.concatenate([node_at, station])[order],
        xy=np.concatenate([nodes.xy, xy])[order],
        code=np.concatenate([_node_codes(nodes), code])[order],
        outside=np.concatenate([_node_outside(runs, nodes, last), outside])[order],
        turn_deg=np.concatenate([nodes.turn_deg, np.zeros(len(leg))])[order],
    )
    return points, arcs


def _is_last(runs: Runs, nodes: Points) -> BoolArray:
    """(k,) True for the last point of an open run."""
    end = np.append(nodes.run[1:] != nodes.run[:-1], True) if len(nodes.run) else np.zeros(0, dtype=bool)
    made: BoolArray = end & ~runs.closed[nodes.run]
    return made


def _node_codes(nodes: Points) -> ObjectArray:
    corner = ["CORNER-OUTSIDE" if t > 0 else "CORNER-INSIDE" for t in nodes.turn_deg]
    made = np.empty(len(nodes.run), dtype=object)
    made[:] = [
        c if k == NodeKind.CORNER else END_CODES[NodeKind(int(k))]
        for c, k in zip(corner, nodes.kind, strict=True)
    ]
    return made


def _node_outside(runs: Runs, nodes: Points, last: BoolArray) -> XYArray:
    first, final = runs.offsets[:-1], runs.offsets[1:] - 1
    leaving = _unit(runs.xy[first + 1] - runs.xy[first])
    arriving = _unit(runs.xy[final] - runs.xy[final - 1])
    leg = nodes.leg
    run = nodes.run
    begins = leg == runs.leg_offsets[run]
    before = np.where(begins, runs.leg_offsets[run + 1] - 1, leg - 1)
    alone = begins & ~runs.closed[run] & ~last
    come = np.where(last[:, None], arriving[leg], np.where(alone[:, None], leaving[leg], arriving[before]))
    go = np.where(last[:, None], arriving[leg], leaving[leg])
    return outward(come, go)


def _between(
    runs: Runs, arcs: Arcs, at: FloatArray, interval_m: float, straight_interval_m: float | None
) -> tuple[IntArray, FloatArray, ObjectArray]:
    """Leg, place and code of the points between the ends of legs, in order."""
    length = at[runs.offsets[1:] - 1]
    every = np.where(
        runs.straight, np.inf if straight_interval_m is None else straight_interval_m, interval_m
    )
    count = np.floor((length - 1e-9) / every).astype(np.int64)
    leg = np.repeat(np.arange(len(length)), count)
    nth = np.arange(len(leg)) - np.repeat(np.cumsum(count) - count, count) + 1
    station = np.asarray(nth * every[leg], dtype=np.float64)
    middle = (at[arcs.first] + at[arcs.last]) / 2
    arc_leg = np.concatenate([arcs.leg] * 3)
    arc_at = np.concatenate([at[arcs.first], middle, at[arcs.last]])
    arc_code = np.repeat(np.array(["CURVE-START", "CURVE-MIDDLE", "CURVE-END"], dtype=object), len(arcs))
    # an arc that takes its whole leg begins and ends where a corner or an end stands already
    own = (arc_at > CLOSE_M) & (arc_at < length[arc_leg] - CLOSE_M)
    arc_leg, arc_at, arc_code = arc_leg[own], arc_at[own], arc_code[own]
    keep = (station > CLOSE_M) & (station < length[leg] - CLOSE_M)
    keep &= _apart(length, leg, station, arc_leg, arc_at) > CLOSE_M
    plain = np.where(runs.straight[leg], "ON-LINE", "ON-CURVE").astype(object)
    all_leg = np.concatenate([arc_leg, leg[keep]])
    all_at = np.concatenate([arc_at, station[keep]])
    order = np.lexsort([all_at, all_leg])
    return all_leg[order], all_at[order], np.concatenate([arc_code, plain[keep]])[order]


def _apart(
    length: FloatArray, leg: IntArray, station: FloatArray, other_leg: IntArray, other: FloatArray
) -> FloatArray:
    """(n,) distance along its leg from each place to the nearest other one of the same leg."""
    if not len(other):
        return np.full(len(leg), np.inf)
    # legs one after another with room between, so that neighbours of other legs are never near
    shift = np.concatenate([[0.0], np.cumsum(length + 10 * CLOSE_M)])[:-1]
    key = np.sort(other + shift[other_leg])
    at = station + shift[leg]
    after = np.searchsorted(key, at)
    made: FloatArray = np.minimum(
        np.abs(key[np.minimum(after, len(key) - 1)] - at), np.abs(key[np.maximum(after - 1, 0)] - at)
    )
    return made


def _on_legs(runs: Runs, at: FloatArray, leg: IntArray, station: FloatArray) -> tuple[XYArray, XYArray]:
    """Places along legs, and the way out there: at a vertex between its two edges."""
    length = at[runs.offsets[1:] - 1]
    shift = np.concatenate([[0.0], np.cumsum(length + 1.0)])[:-1]
    key = at + shift[part_of(runs.offsets)]
    low, high = runs.offsets[leg], runs.offsets[leg + 1] - 2
    vertex = np.clip(np.searchsorted(key, station + shift[leg] + 1e-9, side="right") - 1, low, high)
    edge = runs.xy[vertex + 1] - runs.xy[vertex]
    size = np.hypot(edge[:, 0], edge[:, 1])
    on = (station - at[vertex]) / np.where(size > 0, size, 1.0)
    xy = runs.xy[vertex] + edge * on[:, None]
    here = edge / np.where(size > 0, size, 1.0)[:, None]
    stands = (np.abs(station - at[vertex]) < 1e-6) & (vertex > low)
    back = runs.xy[vertex] - runs.xy[np.maximum(vertex - 1, 0)]
    back_size = np.hypot(back[:, 0], back[:, 1])
    back = back / np.where(back_size > 0, back_size, 1.0)[:, None]
    return xy, outward(np.where(stands[:, None], back, here), here)


def leg_shares(runs: Runs, points: StakePoints) -> FloatArray:
    """(k,) at which share of its leg each point lies, 0 to 1."""
    made: FloatArray = points.at_m / leg_lengths(runs)[points.leg]
    return made
