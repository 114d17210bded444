"""Pieces that lie on one another where they should not.

Within a run the placement keeps neighbours apart.  Two runs laid closer together than the
edging is deep, or a run that doubles back on itself, is a fault of the outlines (or of an
offset or row) that no fit can mend: it has to be told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from siteplan.model import Pieces, Runs
from siteplan.planar import closed_rings
from siteplan.types import FloatArray, IntArray

LEAST_M2: Final = 1e-4
"""shared ground of a square centimetre; less is the sagitta of a straight piece on a curve"""


@dataclass(frozen=True, slots=True, eq=False)
class Overlaps:
    """Pairs of pieces that share ground.  k pairs."""

    first: IntArray
    second: IntArray
    area_m2: FloatArray


def footprints(pieces: Pieces) -> np.ndarray:
    """(p,) footprints as polygons."""
    take, rings = closed_rings(pieces.outline_offsets, np.ones(len(pieces), dtype=np.bool_))
    made = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON, pieces.outline_xy[take], (rings, np.arange(len(rings)))
    )
    return np.asarray(made, dtype=object)


def overlaps(pieces: Pieces, runs: Runs) -> Overlaps:
    """Pieces of one course that share ground and are not neighbours in their run.

    Parameters
    ----------
    pieces : all pieces
    runs : their runs, for the course each is laid in

    Returns
    -------
    Overlaps of more than a square centimetre, the greatest first.
    """
    shapes = footprints(pieces)
    a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    course = np.ones(len(runs.run_id), dtype=np.int64) if runs.course is None else runs.course
    apart = (a < b) & (course[pieces.run[a]] == course[pieces.run[b]])
    # neighbours touch at their joint, the last and the first piece of a ring too
    within = pieces.run[a] == pieces.run[b]
    count = np.bincount(pieces.run, minlength=len(runs.run_id))
    neighbours = within & ((b - a == 1) | (b - a == count[pieces.run[a]] - 1))
    a, b = a[apart & ~neighbours], b[apart & ~neighbours]
    valid = shapely.is_valid(shapes[a]) & shapely.is_valid(shapes[b])
    a, b = a[valid], b[valid]
    area = shapely.area(shapely.intersection(shapes[a], shapes[b]))
    order = np.lexsort([b, a, -area])
    order = order[area[order] > LEAST_M2]
    return Overlaps(a[order], b[order], area[order])
