"""Runs made by hand from polylines and corner numbers, and a product line to lay on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from siteplan.model import NodeKind, Pieces, Runs
from siteplan.products import Article, CornerUnit, EndUnit, ProductLine, Straight


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


def turn_deg(one: NDArray[np.float64], two: NDArray[np.float64]) -> float:
    return float(np.degrees(np.arctan2(one[0] * two[1] - one[1] * two[0], one @ two)))


def make_runs(paths: Sequence[Path]) -> Runs:
    """Runs of the paths, with ids ``R1-1``, ``R2-1`` and legs ``R1-1-1``."""
    legs: list[NDArray[np.float64]] = []
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


def straight(code: str, laying_um: int, nominal_um: int | None = None) -> Straight:
    return Straight(Article(code, code), laying_um, laying_um, nominal_um or laying_um)


LINE = ProductLine(
    key="test", name="Test line", note="", behaviour="flexible", depth_um=150_000, height_um=100_000,
    gap_least_um=0, gap_nominal_um=5_000, gap_greatest_um=10_000, deflection_deg=3.0,
    outward_radius_um=None, inward_radius_um=None, end_clearance_um=10_000,
    cuttable=True, least_cut_um=100_000, kerf_um=4_000, usable_ends="any", cut_cost=0, laying_cost=0,
    currency=None, currency_digits=2,
    sections=(straight("S1000", 1_000_000),),
    closers=(straight("C250", 250_000),),
    corners=(
        CornerUnit(Article("OUT", "OUT"), "outside", 60.0, 120.0, 300_000, 200_000, "outer", False),
        CornerUnit(Article("IN", "IN"), "inside", 60.0, 120.0, 200_000, 250_000, "inner", False),
    ),
    ends=(EndUnit(Article("END", "END"), 200_000, "either"),),
)  # fmt: skip
"""An invented flexible line in round metric sizes."""


def make_line(**changes: Any) -> ProductLine:
    """The test line with some of its fields changed."""
    return replace(LINE, **changes)


def footprints(pieces: Pieces) -> NDArray[Any]:
    """Footprints as shapely polygons."""
    return polygons(pieces.outline_xy, pieces.outline_offsets)


def polygons(xy: NDArray[np.float64], offsets: NDArray[np.int64]) -> NDArray[Any]:
    """Polygons of open rings in a ragged array."""
    ring = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))
    order = np.concatenate([np.arange(len(xy)), offsets[:-1]])
    ring = np.concatenate([ring, np.arange(len(offsets) - 1)])
    by_ring = np.argsort(ring, kind="stable")
    return np.asarray(shapely.polygons(shapely.linearrings(xy[order[by_ring]], indices=ring[by_ring])))


def overlaps(shapes: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Pairs (2, k) of polygons that touch or overlap, and the area (k,) they share."""
    pairs = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    pairs = pairs[:, pairs[0] < pairs[1]]
    return pairs, shapely.area(shapely.intersection(shapes[pairs[0]], shapes[pairs[1]]))


def random_paths(seed: int, n: int) -> list[Path]:
    """Beds of three kinds, turned and scattered on a grid of 40 m: none comes near another.

    Blocks in steps with outside and inside corners, smooth lobed rings, and open strips
    with corners of any angle and ends of every kind.
    """
    rng = np.random.default_rng(seed)
    paths = []
    ends = [NodeKind.FREE, NodeKind.ABUTTED, NodeKind.TEE]
    for k in range(n):
        angle = rng.uniform(0, 2 * np.pi)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        centre = np.array([40.0 * (k % 50), 40.0 * (k // 50)])
        if k % 3 == 0:
            xy = steps(rng)
            paths.append(Path((xy - xy.mean(axis=0)) @ turn + centre, range(len(xy)), closed=True))
        elif k % 3 == 1:
            at = np.arange(48) * (2 * np.pi / 48)
            radius = rng.uniform(3, 9) * (1 + 0.2 * np.sin(rng.integers(2, 5) * at + angle))
            xy = np.column_stack([radius * np.cos(at), 0.8 * radius * np.sin(at)])
            paths.append(Path(xy @ turn + centre, closed=True))
        else:
            xy = strip(rng)
            start, far = (ends[i] for i in rng.integers(0, 3, 2))
            paths.append(Path(xy @ turn + centre, range(1, 4), start=start, far=far))
    return paths


def steps(rng: np.random.Generator) -> NDArray[np.float64]:
    """Outline of columns side by side, counter-clockwise: outside and inside corners."""
    n = int(rng.integers(1, 5))
    edges = np.concatenate([[0.0], np.cumsum(rng.uniform(1.2, 5.0, n))])
    heights = 2.0 + np.cumsum(rng.uniform(1.2, 4.0, n)) * np.where(np.arange(n) % 2, 1.0, 0.3)
    for i in range(1, n):
        if abs(heights[i] - heights[i - 1]) < 1.2:
            heights[i] = heights[i - 1] + 1.2
    top = [(edges[i + side], heights[i]) for i in range(n - 1, -1, -1) for side in (1, 0)]
    return np.array([(0.0, 0.0), (edges[-1], 0.0), *top])


def strip(rng: np.random.Generator) -> NDArray[np.float64]:
    """Open line of four legs with corners to either side, clear of itself by half a metre."""
    while True:
        lengths = np.array([1.0, 1.7, 2.9, 4.9]) * rng.uniform(0.9, 1.4, 4)
        heading = np.cumsum(np.radians(rng.uniform(40, 125, 4)) * rng.choice([-1, 1], 4))
        steps_m = lengths[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
        xy = np.vstack([np.zeros(2), np.cumsum(steps_m, axis=0)])
        legs = [shapely.LineString(xy[i : i + 2]) for i in range(4)]
        apart = [shapely.distance(legs[i], legs[j]) for i in range(4) for j in range(i + 2, 4)]
        if min(apart) > 0.5:
            return xy
