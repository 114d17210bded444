"""Which way each piece goes on from the one before it, as it is laid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.crew.lines import rigid_runs
from siteplan.laying.band import build_band, line_points
from siteplan.laying.takeoff import Takeoff
from siteplan.model import PieceKind, Runs
from siteplan.types import FloatArray, IntArray, XYArray

_INSIDE_UM: Final = 20.0
"""a joint's headings are taken this far from it, on the piece's own side"""
_ANY_DEPTH_UM: Final = 1_000
"""of the strip that is looked along: only the laying line in its middle counts here"""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Pieces in laying order.  p pieces of the chosen runs."""

    order: IntArray
    """(p,) rows of the Pieces"""
    joint_deg: FloatArray
    """(p,) turn at the joint before each piece, left positive, as it is laid"""
    bend_deg: FloatArray
    """(p,) turn within the piece: a corner unit's turn, or what a flexible section is bent"""
    space_um: IntArray
    """(p,) between the piece and the one laid before it, along the run; -1 before the first of an
    open run, and of a closed one"""


def wrapped(angle_deg: FloatArray) -> FloatArray:
    """Angles in (-180, 180]."""
    made: FloatArray = 180 - (180 - angle_deg) % 360
    return made


def laid_order(runs: Runs, result: Takeoff, chosen: IntArray) -> Laid:
    """Pieces of some runs in the order they are laid, and how each turns.

    Parameters
    ----------
    runs : as laid
    result : takeoff of these runs
    chosen : runs that are wanted, ascending

    Returns
    -------
    Laid.  Where laying begins at the far end (``lay_from``) a run is walked backwards: the
    last piece comes first, and a left turn is a right one.
    """
    pieces = result.pieces
    rows = np.flatnonzero(np.isin(pieces.run, chosen))
    joint, bend = _turns(runs, result)
    gap = np.full(len(pieces), -1, dtype=np.int64)
    if len(pieces):
        same = np.append(False, pieces.run[1:] == pieces.run[:-1])
        gap[same] = (pieces.from_um - np.roll(pieces.to_um, 1))[same]
    if result.rules.lay_from == "start" or not len(rows):
        return Laid(rows, joint[rows], bend[rows], gap[rows])
    # within each run backwards: the joint before a piece is then the one after it
    position = np.arange(len(rows))
    order = rows[np.lexsort((-position, pieces.run[rows]))]
    after = np.minimum(order + 1, len(pieces) - 1)
    follows = (after != order) & (pieces.run[after] == pieces.run[order])
    return Laid(
        order,
        np.where(follows, -joint[after], 0.0),
        -bend[order],
        np.where(follows, gap[after], -1),
    )


def joint_places(runs: Runs, result: Takeoff, rows: IntArray) -> tuple[XYArray, FloatArray]:
    """(p, 2) where pieces begin, walking the run, and (p,) the heading there."""
    if not len(rows):
        return np.empty((0, 2)), np.empty(0)
    pieces = result.pieces
    return line_points(build_band(runs, _ANY_DEPTH_UM), pieces.run[rows], pieces.from_um[rows])


def _turns(runs: Runs, result: Takeoff) -> tuple[FloatArray, FloatArray]:
    """(p,) turn at the joint before each piece, and within it, walking the run; left positive."""
    pieces = result.pieces
    if not len(pieces):
        return np.empty(0), np.empty(0)
    band = build_band(runs, _ANY_DEPTH_UM)
    inset = np.minimum(_INSIDE_UM, (pieces.to_um - pieces.from_um) / 4)
    _, enter = line_points(band, pieces.run, pieces.from_um + inset)
    _, leave = line_points(band, pieces.run, pieces.to_um - inset)
    middle = pieces.heading_deg
    # by the middle, so that a section bent by more than half a turn is told right
    bend = wrapped(enter - middle) + wrapped(middle - leave)
    joint = np.zeros(len(pieces))
    same = pieces.run[1:] == pieces.run[:-1]
    joint[1:][same] = wrapped(leave[:-1] - enter[1:])[same]
    # rigid pieces are straight whatever the line does beneath them
    stiff = rigid_runs(result)[pieces.run] & ~runs.straight[pieces.leg] & (pieces.kind != PieceKind.CORNER)
    bend = np.where(stiff, 0.0, bend)
    joint = np.where(stiff | (pieces.deflection_deg != 0), pieces.deflection_deg, joint)
    return joint, bend
