"""The product lines of a takeoff, and which one each run is laid with."""

from __future__ import annotations

import numpy as np

from siteplan.laying.takeoff import Takeoff
from siteplan.products import ProductLine
from siteplan.types import BoolArray, IntArray


def lines_of(result: Takeoff) -> tuple[ProductLine, ...]:
    """Lines in use, each once."""
    lines: tuple[ProductLine, ...] | None = getattr(result, "lines", None)
    return (result.line,) if lines is None else lines


def line_of_runs(result: Takeoff) -> IntArray:
    """(r,) which of them each run is laid with."""
    found = getattr(result, "run_line", None)
    return np.zeros(len(result.stations.run_um), dtype=np.int64) if found is None else np.asarray(found)


def rigid_runs(result: Takeoff) -> BoolArray:
    """(r,) True where the pieces do not bend."""
    rigid = np.array([line.behaviour == "rigid" for line in lines_of(result)], dtype=bool)
    made: BoolArray = rigid[line_of_runs(result)]
    return made
