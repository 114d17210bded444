"""Which product line each run is laid with.

A run has one product line.  :attr:`siteplan.model.Runs.line` counts into the lines that travel
beside the runs; where it is None, every run is laid with the first of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from siteplan.errors import UsageError
from siteplan.model import Runs
from siteplan.products import ProductLine
from siteplan.types import IntArray


def as_lines(line: ProductLine | Sequence[ProductLine]) -> tuple[ProductLine, ...]:
    """One line, or several, as a tuple."""
    return (line,) if isinstance(line, ProductLine) else tuple(line)


def lines_in_use(
    runs: Runs, line: ProductLine | Sequence[ProductLine]
) -> tuple[tuple[ProductLine, ...], IntArray]:
    """Lines that runs are laid with, each once, and for each run which of them.

    Parameters
    ----------
    runs : the runs
    line : the line of all of them, or the lines ``runs.line`` counts into; equal ones are one

    Returns
    -------
    Lines in the order given, and (r,) places among them.  Without a run: the first line.

    Raises
    ------
    UsageError : no line at all, or a run of a line that is not there.
    """
    lines = as_lines(line)
    if not lines:
        raise UsageError("there is no product line to lay runs with")
    of_run = np.zeros(len(runs.run_id), dtype=np.int64) if runs.line is None else runs.line
    if len(of_run) and not (of_run.min() >= 0 and of_run.max() < len(lines)):
        raise UsageError(f"a run has product line {int(of_run.max())}, but there are only {len(lines)}")
    same = np.array([lines.index(other) for other in lines], dtype=np.int64)
    of_run = same[of_run]
    used = np.unique(of_run) if len(of_run) else np.zeros(1, dtype=np.int64)
    return tuple(lines[k] for k in used), np.searchsorted(used, of_run).astype(np.int64)


def per_run(
    runs: Runs, line: ProductLine | Sequence[ProductLine], value: Callable[[ProductLine], int]
) -> IntArray:
    """(r,) a number of the line of each run, such as its depth."""
    lines = as_lines(line)
    values = np.array([value(x) for x in lines], dtype=np.int64)
    return np.full(len(runs.run_id), values[0]) if runs.line is None else values[runs.line]
