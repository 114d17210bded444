"""Which stretch of an unmet leg lies bare."""

from __future__ import annotations

from typing import Final

import numpy as np

from siteplan.laying.result import Takeoff
from siteplan.model import Runs
from siteplan.types import XYArray

LEAST_UM: Final = 50_000
"""a shorter stretch between two pieces is a joint"""


def bare_lines(runs: Runs, result: Takeoff) -> list[XYArray]:
    """The line of each row of the table of what is unmet.

    Parameters
    ----------
    runs, result : the plan, where the pieces lie

    Returns
    -------
    Of each row the longest stretch of its leg that no piece covers, as a line along the leg; the whole leg
    where no piece covers it, or where what is bare lies beside it (a corner whose other leg is short).
    """
    pieces, part = result.pieces, result.stations
    made = []
    for leg in result.unmet.leg.tolist():
        line = runs.xy[runs.offsets[leg] : runs.offsets[leg + 1]]
        length, begin = int(part.leg_um[leg]), int(part.leg_from_um[leg])
        own = np.flatnonzero(pieces.run == runs.leg_run[leg])
        low = np.clip(pieces.from_um[own] - begin, 0, length)
        high = np.clip(pieces.to_um[own] - begin, 0, length)
        made.append(_cut(line, length, *_longest(low[high > low], high[high > low], length)))
    return made


def _longest(low: np.ndarray, high: np.ndarray, length: int) -> tuple[int, int]:
    """The longest stretch of [0, length] outside some intervals; all of it where none is long enough."""
    order = np.argsort(low, kind="stable")
    reach = np.maximum.accumulate(np.concatenate([[0], high[order]]))
    start, end = reach, np.concatenate([low[order], [length]])
    best = int(np.argmax(end - start))
    if end[best] - start[best] < LEAST_UM:
        return 0, length
    return int(start[best]), int(end[best])


def _cut(line: XYArray, length: int, low: int, high: int) -> XYArray:
    """Part of a line between two places along it, in parts of a length."""
    if length <= 0 or (low <= 0 and high >= length):
        return line
    walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    ends = np.array([low, high]) / length * walked[-1]
    inside = (walked > ends[0]) & (walked < ends[1])
    at = np.column_stack([np.interp(ends, walked, line[:, k]) for k in (0, 1)])
    return np.concatenate([at[:1], line[inside], at[1:]])
