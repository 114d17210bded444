"""Runs made by hand from polylines and corner numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from siteplan.model import NodeKind, Runs


@dataclass(frozen=True)
class Path:
    """One run: vertices walked with the bed on the left, and which of them are corners.

    A closed path does not repeat its first vertex; with corners it must start at one.
    """

    xy: ArrayLike
    corners: Sequence[int] = ()
    closed: bool = False
    start: NodeKind = NodeKind.FREE
    far: NodeKind = NodeKind.FREE
    bed: int = 0
    left_radius_m: float = np.inf
    right_radius_m: float = np.inf


def turn_deg(one: np.ndarray, two: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(one[0] * two[1] - one[1] * two[0], one @ two)))


def make_runs(paths: Sequence[Path]) -> Runs:
    """Runs of the paths, with ids ``R1-1``, ``R2-1`` and legs ``R1-1-1``."""
    legs: list[np.ndarray] = []
    start_kind, far_kind, start_turn, far_turn = [], [], [], []
    leg_run, leg_id, radii = [], [], []
    corner_xy, corner_leg, corner_turn = [], [], []
    leg_offsets = [0]
    for r, path in enumerate(paths):
        xy = np.asarray(path.xy, dtype=np.float64)
        if path.closed:
            xy = np.vstack([xy, xy[:1]])
        n = len(xy)
        inner = [c for c in path.corners if 0 < c < n - 1]
        if path.closed and path.corners:
            assert path.corners[0] == 0
        cuts = [0, *inner, n - 1]
        last = len(cuts) - 2
        ring_corner = path.closed and bool(path.corners)
        for k in range(len(cuts) - 1):
            legs.append(xy[cuts[k] : cuts[k + 1] + 1])
            leg_run.append(r)
            leg_id.append(f"R{r + 1}-1-{k + 1}")
            radii.append((path.left_radius_m, path.right_radius_m))
            ends = NodeKind.CORNER if ring_corner else NodeKind.SEAM
            start_kind.append(NodeKind.CORNER if k > 0 else ends if path.closed else path.start)
            far_kind.append(NodeKind.CORNER if k < last else ends if path.closed else path.far)
        mine = range(leg_offsets[-1], leg_offsets[-1] + last + 1)
        turns = {}
        for k in mine:
            following = k + 1 if k + 1 < mine.stop else mine.start
            if far_kind[k] == NodeKind.CORNER:
                turn = turn_deg(legs[k][-1] - legs[k][-2], legs[following][1] - legs[following][0])
                turns[k], turns[-1 - following] = turn, turn
                corner_xy.append(legs[k][-1])
                corner_leg.append(k)
                corner_turn.append(turn)
        start_turn += [turns.get(-1 - k, 0.0) for k in mine]
        far_turn += [turns.get(k, 0.0) for k in mine]
        leg_offsets.append(mine.stop)
    sizes = [len(leg) for leg in legs]
    text = [np.array(t, dtype=object) for t in ([f"R{r + 1}-1" for r in range(len(paths))], leg_id)]
    n_legs, n_corners = len(legs), len(corner_leg)
    return Runs(
        run_id=text[0],
        bed=np.array([p.bed for p in paths], dtype=np.int64),
        ring=np.arange(len(paths)),
        closed=np.array([p.closed for p in paths], dtype=bool),
        leg_offsets=np.array(leg_offsets, dtype=np.int64),
        leg_id=text[1],
        leg_run=np.array(leg_run, dtype=np.int64),
        xy=np.vstack(legs) if legs else np.empty((0, 2)),
        offsets=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        length_m=np.array([np.hypot(*np.diff(leg, axis=0).T).sum() for leg in legs]),
        start_kind=np.array(start_kind, dtype=np.int8),
        far_kind=np.array(far_kind, dtype=np.int8),
        start_turn_deg=np.array(start_turn),
        far_turn_deg=np.array(far_turn),
        straight=np.array([len(leg) == 2 for leg in legs], dtype=bool),
        left_radius_m=np.array([a for a, _ in radii], dtype=np.float64),
        right_radius_m=np.array([b for _, b in radii], dtype=np.float64),
        straightened_m=np.zeros(n_legs),
        corner_xy=np.array(corner_xy).reshape(n_corners, 2),
        corner_leg=np.array(corner_leg, dtype=np.int64),
        corner_turn_deg=np.array(corner_turn, dtype=np.float64),
        corner_moved_m=np.zeros(n_corners),
    )
