"""Which runs of a takeoff are of pieces that do not bend."""

from __future__ import annotations

import numpy as np

from siteplan.laying.takeoff import Takeoff
from siteplan.types import BoolArray


def rigid_runs(result: Takeoff) -> BoolArray:
    """(r,) True where the pieces do not bend."""
    rigid = np.array([line.behaviour == "rigid" for line in result.lines], dtype=bool)
    made: BoolArray = rigid[result.run_line]
    return made
