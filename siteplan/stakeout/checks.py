"""Distances a crew tapes to find a mistake before it is dug in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.model import Runs
from siteplan.stakeout.control import Control
from siteplan.stakeout.pegs import Pegs
from siteplan.stakeout.points import StakePoints
from siteplan.stakeout.ties import TieTable
from siteplan.stakeout.walls import CONTROL, HOUSE, HouseCorners
from siteplan.types import BoolArray, FloatArray, IntArray

CONTROL_PAIRS: Final = 40
"""up to this many control points every pair is listed; beyond, each with the next"""


@dataclass(frozen=True, slots=True)
class Check:
    """One distance to tape."""

    kind: str
    start: str
    far: str
    ground_m: float


def _length(a: FloatArray, b: FloatArray) -> list[float]:
    return [float(v) for v in np.hypot(*(np.asarray(b) - np.asarray(a)).T)]


def control_checks(control: Control) -> list[Check]:
    """Between control points."""
    count = len(control)
    first, second = (
        np.triu_indices(count, 1) if count <= CONTROL_PAIRS else (np.arange(count - 1), np.arange(1, count))
    )
    return _rows("control", control.name, control.name, control.xy, control.xy, first, second)


def base_checks(ties: TieTable, corners: HouseCorners) -> list[Check]:
    """Between the corners or marks of every pair used: shows that they are where the map says.

    Pairs of house corners are ``house-corners``; a pair with a mark in it is ``marks``.  Pairs of
    control points are listed by :func:`control_checks` already.
    """
    used = ties.tied
    pairs = np.unique(np.sort(np.column_stack([ties.first[used], ties.second[used]]), axis=1), axis=0)
    kinds = corners.kind[pairs]
    houses, controls = (kinds == HOUSE).all(axis=1), (kinds == CONTROL).all(axis=1)
    rows: list[Check] = []
    for kind, of in (("house-corners", houses), ("marks", ~houses & ~controls)):
        a, b = pairs[of].T
        rows += _rows(kind, corners.name, corners.name, corners.xy, corners.xy, a, b)
    return rows


def peg_checks(points: StakePoints, pegs: Pegs, runs: Runs) -> list[Check]:
    """Between neighbouring pegs of a run, round to the first in a closed one."""
    first, second = _neighbours(points, runs, 1)
    return _rows("pegs", pegs.name, pegs.name, pegs.xy, pegs.xy, first, second)


def point_checks(points: StakePoints, runs: Runs) -> list[Check]:
    """Between neighbouring points on the line."""
    first, second = _neighbours(points, runs, 1)
    return _rows("points", points.name, points.name, points.xy, points.xy, first, second)


def diagonal_checks(points: StakePoints, runs: Runs) -> list[Check]:
    """Between corners and ends two apart: across the bed, as the diagonals of a rectangle."""
    node = np.flatnonzero(_is_node(points))
    sub = points.run[node]
    rows: list[Check] = []
    starts = np.flatnonzero(np.append(True, sub[1:] != sub[:-1])) if len(sub) else np.empty(0, dtype=np.int64)
    for begin, end in zip(starts.tolist(), [*starts[1:].tolist(), len(sub)], strict=True):
        own = node[begin:end]
        pairs = [(k, k + 2) for k in range(len(own) - 2)]
        if runs.closed[sub[begin]] and len(own) > 4:
            pairs += [(len(own) - 2, 0), (len(own) - 1, 1)]
        elif runs.closed[sub[begin]] and len(own) == 4:
            pairs = [(0, 2), (1, 3)]
        first = own[[a for a, _ in pairs]] if pairs else own[:0]
        second = own[[b for _, b in pairs]] if pairs else own[:0]
        rows += _rows("diagonal", points.name, points.name, points.xy, points.xy, first, second)
    return rows


def _is_node(points: StakePoints) -> BoolArray:
    """(k,) True for corners and ends."""
    made: BoolArray = np.array(
        [c.startswith(("CORNER", "END")) or c == "JOINT" for c in points.code], dtype=bool
    )
    return made


def _neighbours(points: StakePoints, runs: Runs, step: int) -> tuple[IntArray, IntArray]:
    k = len(points)
    first = np.arange(k - step)
    same = points.run[first] == points.run[first + step]
    first = first[same]
    second = first + step
    begins = (
        np.flatnonzero(np.append(True, points.run[1:] != points.run[:-1])) if k else np.empty(0, np.int64)
    )
    ends = np.append(begins[1:], k) - 1
    ring = (ends - begins >= 2) & runs.closed[points.run[begins]] if k else np.zeros(0, dtype=bool)
    order = np.lexsort([np.concatenate([first, ends[ring]])])
    return (
        np.concatenate([first, ends[ring]])[order],
        np.concatenate([second, begins[ring]])[order],
    )


def _rows(
    kind: str,
    names: FloatArray,
    far: FloatArray,
    a: FloatArray,
    b: FloatArray,
    first: IntArray,
    second: IntArray,
) -> list[Check]:
    return [
        Check(kind, str(names[i]), str(far[j]), d)
        for i, j, d in zip(first.tolist(), second.tolist(), _length(a[first], b[second]), strict=True)
    ]
