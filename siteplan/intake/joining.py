"""Lines and arcs drawn one by one, joined end to end into outlines.  Numbers only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

GAP_TIMES: Final = 50.0
"""A free end with another free end nearer than this many joining distances is told as a gap."""


@dataclass(frozen=True, slots=True)
class Chain:
    """Pieces in the order they are walked."""

    pieces: tuple[int, ...]
    reversed: tuple[bool, ...]
    closed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """How open pieces hang together.  p pieces."""

    chains: tuple[Chain, ...]
    moved: float
    """greatest distance between two ends that were joined"""
    branches: tuple[tuple[FloatArray, tuple[int, ...]], ...]
    """places where three or more ends meet, and the pieces there; nothing is joined at them"""
    gaps: tuple[tuple[FloatArray, float, int], ...]
    """place, size, and a piece: two free ends that nearly meet"""
    twice: tuple[int, ...]
    """pieces that lie on another one exactly, and are left out"""


def join(starts: XYArray, ends: XYArray, tolerance: float, *, same: Sequence[object]) -> Joined:
    """Chains of open pieces whose ends meet.

    Parameters
    ----------
    starts, ends : (p, 2) ends of each piece
    tolerance : ends at most this far apart meet, in the unit of the coordinates
    same : (p) what makes two pieces equal when their ends are (a key of shape, whatever the direction)

    Returns
    -------
    Chains in the order of their first piece, walked in its direction.
    """
    count = len(starts)
    node = _nodes(np.concatenate([starts, ends]), tolerance)
    a, b = node[:count], node[count:]
    twice = _twice(a, b, same)
    live = np.ones(count, np.bool_)
    live[list(twice)] = False
    at: dict[int, list[int]] = {}
    for k in np.flatnonzero(live).tolist():
        at.setdefault(int(a[k]), []).append(k)
        at.setdefault(int(b[k]), []).append(k)
    xy = np.concatenate([starts, ends])
    place = {int(n): xy[i] for i, n in reversed(list(enumerate(node)))}
    forked = {n for n, pieces in at.items() if len(pieces) > 2}
    chains: list[Chain] = []
    used = ~live
    for k in range(count):
        if not used[k]:
            chains.append(_chain(k, a, b, at, forked, used))
    return Joined(
        chains=tuple(chains),
        moved=_moved(xy, node, {n for n, pieces in at.items() if len(pieces) == 2}),
        branches=tuple((place[n], tuple(dict.fromkeys(at[n]))) for n in sorted(forked)),
        gaps=_gaps({n: p[0] for n, p in at.items() if len(p) == 1}, place, tolerance),
        twice=twice,
    )


def _nodes(xy: XYArray, tolerance: float) -> IntArray:
    """(n,) number of the place each end is at; ends within the tolerance, one through another, are one."""
    if not len(xy):
        return np.zeros(0, np.int64)
    pairs = cKDTree(xy).query_pairs(tolerance, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(xy), len(xy)))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def _twice(a: IntArray, b: IntArray, same: Sequence[object]) -> tuple[int, ...]:
    seen: set[tuple[int, int, object]] = set()
    out = []
    for k in range(len(a)):
        key = (min(int(a[k]), int(b[k])), max(int(a[k]), int(b[k])), same[k])
        if key in seen:
            out.append(k)
        seen.add(key)
    return tuple(out)


def _chain(
    first: int, a: IntArray, b: IntArray, at: dict[int, list[int]], forked: set[int], used: BoolArray
) -> Chain:
    """The chain a piece is in: forward from its end, then back from its start."""
    used[first] = True
    if a[first] == b[first]:
        return Chain((first,), (False,), closed=int(a[first]) not in forked)
    ahead, closed = _follow(first, int(b[first]), int(a[first]), a, b, at, forked, used)
    behind: list[tuple[int, bool]] = []
    if not closed:
        behind, _ = _follow(first, int(a[first]), -1, a, b, at, forked, used)
        behind = [(k, not turned) for k, turned in reversed(behind)]
    walked = [*behind, (first, False), *ahead]
    return Chain(tuple(k for k, _ in walked), tuple(t for _, t in walked), closed)


def _follow(
    piece: int, here: int, home: int, a: IntArray, b: IntArray,
    at: dict[int, list[int]], forked: set[int], used: BoolArray,
) -> tuple[list[tuple[int, bool]], bool]:  # fmt: skip
    """Pieces on from a node, each with whether it is walked from its end; and whether home was reached."""
    out: list[tuple[int, bool]] = []
    while here not in forked:
        if here == home:
            return out, True
        following = [k for k in at[here] if k != piece and not used[k]]
        if not following:
            break
        piece = following[0]
        used[piece] = True
        turned = int(b[piece]) == here
        out.append((piece, turned))
        here = int(a[piece] if turned else b[piece])
    return out, False


def _moved(xy: XYArray, node: IntArray, joints: set[int]) -> float:
    """Greatest distance between two ends that are one place."""
    order = np.argsort(node, kind="stable")
    most = 0.0
    for group in np.split(order, np.flatnonzero(np.diff(node[order])) + 1):
        if len(group) > 1 and int(node[group[0]]) in joints:
            part = xy[group]
            most = max(most, float(np.hypot(*(part - part[0]).T).max()))
    return most


def _gaps(
    free: dict[int, int], place: dict[int, FloatArray], tolerance: float
) -> tuple[tuple[FloatArray, float, int], ...]:
    """Pairs of free ends that nearly meet, each told once."""
    nodes = sorted(free)
    if len(nodes) < 2:
        return ()
    xy = np.array([place[n] for n in nodes])
    found = []
    for i, j in sorted(cKDTree(xy).query_pairs(GAP_TIMES * tolerance)):
        found.append((xy[i], float(np.hypot(*(xy[i] - xy[j]))), free[nodes[i]]))
    return tuple(found)
