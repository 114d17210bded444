"""Which way each reversible corner unit lies, best for the whole run.

A reversible unit (front equals back) may be laid with its two arms exchanged.  Each leg's best
fill depends only on the arms at its own two ends, so the fills of a leg come in at most four
kinds, and the best choice along a run is a shortest path: walked back from the end of the run,
what the rest of the run comes to is known for both ways its next corner may lie.  A closed run
is walked twice, once for each way its first corner may lie, and must end as it began.  The goals
of the legs are summed along the run and compared one after the other, so the choice is the
proven least of all 2 to the power of n.  docs/whole-run.md says it in words.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from siteplan.model import Runs
from siteplan.products import ProductLine
from siteplan.types import BoolArray, IntArray

Measure = Callable[[IntArray, IntArray, IntArray], IntArray]
"""(k,) leg, (k,) taken off at its start, (k,) taken off at its far end -> (k, g) goals of its best fill,
the first one first; they are summed along the run"""

_WAYS: Final = ((0, 0), (0, 1), (1, 0), (1, 1))


def can_turn(unit: IntArray, arriving_um: IntArray, leaving_um: IntArray, line: ProductLine) -> BoolArray:
    """Corners whose unit may be laid either way, and where that makes a difference.

    Parameters
    ----------
    unit : (c,) index of the unit at each corner, -1 for none
    arriving_um, leaving_um : (c,) its arms on the laying line
    line : product line
    """
    reversible = np.array([*(u.reversible for u in line.corners), False], dtype=np.bool_)
    able: BoolArray = reversible[unit] & (unit >= 0) & (arriving_um != leaving_um)
    return able


def best_orientation(
    runs: Runs,
    free: BoolArray,
    start_corner: IntArray,
    far_corner: IntArray,
    start_um: IntArray,
    far_um: IntArray,
    more_um: IntArray,
    measure: Measure,
) -> BoolArray:
    """Corners to be laid with their arms exchanged.

    Parameters
    ----------
    runs : runs with their legs
    free : (c,) corners that may lie either way
    start_corner, far_corner : (l,) corner at the ends of each leg, -1 for none
    start_um, far_um : (l,) what is taken off the legs as the catalogue has the units
    more_um : (c,) how much more an exchanged unit takes of the leaving leg; it takes as much less
        of the arriving one
    measure : goals of the best fill of legs of which so much is taken off

    Returns
    -------
    (c,) the choice whose goals, summed along each run and compared in order, are least.  Of equal
    ones the one with the fewest exchanged corners; then the one whose first corner that differs
    lies as in the catalogue.
    """
    chosen = np.zeros(len(free), dtype=np.bool_)
    if not free.any():
        return chosen
    goals = _goals(free, start_corner, far_corner, start_um, far_um, more_um, measure)
    run = np.unique(runs.leg_run[_legs_at(free, start_corner, far_corner)])
    first, last = runs.leg_offsets[run], runs.leg_offsets[run + 1] - 1
    ring = start_corner[first] >= 0
    follow, total = _walk_back(first, last, ring, goals)
    # at the start of the run: the way its first corner lies (an open run has none, and lies one way)
    both = total[np.arange(len(run))[:, None], [0, 1], [0, 1]]
    way = less(both[:, 1], both[:, 0]).astype(np.int64)
    begun = way.copy()
    for nth in range(int((last - first).max()) + 1):
        on = np.flatnonzero(first + nth <= last)
        leg = first[on] + nth
        corner = start_corner[leg]
        at = corner >= 0
        chosen[corner[at]] = way[on[at]] > 0
        way[on] = follow[leg, begun[on], way[on]]
    return chosen


def _legs_at(free: BoolArray, start_corner: IntArray, far_corner: IntArray) -> IntArray:
    """Legs with a free corner at an end."""
    padded = np.concatenate([free, [False]])
    return np.flatnonzero(padded[start_corner] | padded[far_corner])


def _goals(
    free: BoolArray,
    start_corner: IntArray,
    far_corner: IntArray,
    start_um: IntArray,
    far_um: IntArray,
    more_um: IntArray,
    measure: Measure,
) -> IntArray:
    """(l, 2, 2, g) goals of each leg for both ways of both its corners.

    The first goal counts ways that cannot be, the last one exchanged corners.
    """
    padded, more = np.concatenate([free, [False]]), np.concatenate([more_um, [0]])
    legs = _legs_at(free, start_corner, far_corner)
    rows = []
    for a, b in _WAYS:
        able = (padded[start_corner[legs]] | (a == 0)) & (padded[far_corner[legs]] | (b == 0))
        rows.append((legs[able], a, b))
    leg = np.concatenate([some for some, _, _ in rows])
    one = np.concatenate([np.full(len(some), a) for some, a, _ in rows])
    two = np.concatenate([np.full(len(some), b) for some, _, b in rows])
    of_leg = measure(
        leg, start_um[leg] + one * more[start_corner[leg]], far_um[leg] - two * more[far_corner[leg]]
    )
    out = np.zeros((len(start_corner), 2, 2, of_leg.shape[1] + 2), dtype=np.int64)
    out[:, 1, :, 0] = ~padded[start_corner][:, None]
    out[:, :, 1, 0] += ~padded[far_corner][:, None]
    out[leg, one, two, 1:-1] = of_leg
    out[:, 1, :, -1] += 1
    return out


def less(a: IntArray, b: IntArray) -> BoolArray:
    """(...,) whether the goals (..., g) of ``a`` come before those of ``b``."""
    differs = a != b
    at = differs.argmax(axis=-1)[..., None]
    less: BoolArray = (np.take_along_axis(a, at, -1) < np.take_along_axis(b, at, -1))[..., 0]
    return less


def _walk_back(
    first: IntArray, last: IntArray, ring: BoolArray, goals: IntArray
) -> tuple[IntArray, IntArray]:
    """Best way of each leg's far corner, and what each run comes to.

    Parameters
    ----------
    first, last : (r,) first and last leg of each run
    ring : (r,) the run ends at the corner it starts at
    goals : (l, 2, 2, g) by way of the start corner and of the far corner

    Returns
    -------
    (l, 2, 2) way of the far corner, by the way the run's first corner lies and the way the leg's
    start corner lies; (r, 2, 2, g) goals of the whole run, by the same two.
    """
    runs, count = len(first), goals.shape[-1]
    follow = np.zeros((len(goals), 2, 2), dtype=np.int64)
    # what follows the run's end, by the way its first corner lies and the way the end lies
    rest = np.zeros((runs, 2, 2, count), dtype=np.int64)
    rest[:, 0, 1, 0] = 1
    rest[:, 1, 0, 0] = ring
    rest[:, 1, :, 0] += ~ring[:, None]
    for nth in range(int((last - first).max()) + 1):
        on = np.flatnonzero(last - nth >= first)
        leg = last[on] - nth
        # by the run's first corner, this leg's start corner, its far corner
        sums = goals[leg][:, None] + rest[on][:, :, None]
        other = less(sums[..., 1, :], sums[..., 0, :])
        follow[leg] = other
        rest[on] = np.where(other[..., None], sums[..., 1, :], sums[..., 0, :])
    return follow, rest
