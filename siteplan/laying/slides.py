"""Ends at a wall that may slide along its face when their leg moves sideways.

A leg that ends at a straight face and moves sideways by ``t`` ends ``k t`` farther along its own direction,
with ``k`` the slope of the face across the leg: 0 where the face is square to it, ``cot`` of the angle
between them otherwise.  A face is taken as straight only where it is so as far as the leg may move, to either
side; else the end may not slide.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely

from siteplan.laying.sideways import directions
from siteplan.model import NodeKind, RingKind, Runs, Shapes
from siteplan.planar import ring_lines
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray

_SHARES: Final = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
"""of the play: where the face is looked at"""
_REACH_M: Final = 0.5
"""a face is looked for this far before and behind the end"""
_SAME_M: Final = 2e-5
"""a face within this of a straight one is straight"""
_GREATEST: Final = 3.0
"""slope of a face; at a sharper angle the end would run away along it"""


def face_slides(runs: Runs, faces: Shapes, play_m: float) -> tuple[FloatArray, FloatArray]:
    """How far each abutted end goes along its leg for a metre of movement.

    Parameters
    ----------
    runs : runs with their legs, in plan
    faces : abutments the runs end at
    play_m : greatest movement, more than 0

    Returns
    -------
    Two (l,) arrays for start and far end, along the direction of the leg, movement positive away from the
    bed; NaN where an end may not slide.
    """
    count = len(runs.leg_id)
    out = np.full((2, count), np.nan)
    lines = _rings(faces)
    if not len(lines) or not count:
        return out[0], out[1]
    tree = shapely.STRtree(lines)
    head, tail = runs.xy[runs.offsets[:-1]], runs.xy[runs.offsets[1:] - 1]
    along = directions(runs)
    right = np.column_stack([along[:, 1], -along[:, 0]])
    for k, (kind, end, sign) in enumerate(((runs.start_kind, head, -1.0), (runs.far_kind, tail, 1.0))):
        leg = np.flatnonzero((kind == NodeKind.ABUTTED) & runs.straight)
        if len(leg):
            beyond = _beyond(tree, lines, end[leg], along[leg] * sign, right[leg], play_m, runs.length_m[leg])
            out[k, leg] = sign * _slope(beyond, play_m)
    return out[0], out[1]


def _rings(faces: Shapes) -> ObjectArray:
    """(rings,) lines of the faces; a ring of one vertex is none."""
    closed = np.isin(faces.ring_kind, (RingKind.OUTER, RingKind.ISLAND))
    made = ring_lines(faces.xy, faces.ring_offsets, closed)
    return made[~shapely.is_missing(made)]


def _beyond(
    tree: shapely.STRtree,
    lines: ObjectArray,
    end: FloatArray,
    outward: FloatArray,
    right: FloatArray,
    play_m: float,
    length_m: FloatArray,
) -> FloatArray:
    """(k, 5) how far beyond each end the face lies, beside it by shares of the play; NaN where none is."""
    reach = np.minimum(_REACH_M, length_m / 2)
    base = end[:, None] + right[:, None] * (_SHARES * play_m)[:, None]
    step = outward[:, None] * reach[:, None, None]
    rays = np.asarray(shapely.linestrings(np.stack([base - step, base + step], axis=2)), dtype=object)
    found = np.full(rays.shape, np.inf)
    flat: IntArray
    flat, line = tree.query(rays.ravel(), predicate="intersects")
    hits = shapely.intersection(rays.ravel()[flat], lines[line])
    xy, of = shapely.get_coordinates(hits, return_index=True)
    row = flat[of]
    away = np.einsum("ij,ij->i", xy - base.reshape(-1, 2)[row], np.repeat(outward, len(_SHARES), axis=0)[row])
    # the first face met, coming from the leg
    np.minimum.at(found.reshape(-1), row, away)
    return np.where(np.isfinite(found), found, np.nan)


def _slope(beyond: FloatArray, play_m: float) -> FloatArray:
    """(k,) slope of each face; NaN where it is not straight there or does not pass the end."""
    slope = (beyond[:, -1] - beyond[:, 0]) / (2 * play_m)
    off = np.abs(beyond - slope[:, None] * (_SHARES * play_m)).max(axis=1)
    good: BoolArray = (off <= _SAME_M) & (np.abs(slope) <= _GREATEST)
    # less than the straightness says nothing
    slope = np.where(np.abs(slope) * play_m < 1e-9, 0.0, slope)
    return np.where(good, slope, np.nan)
