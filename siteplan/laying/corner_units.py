"""Which unit makes each corner, and what its arms cover on the laying line.

An arm is measured on a face of the unit: the outer (convex) face, the centre or the
inner face.  The laying line is the centre, so an arm measured on the outer face is
longer than its share of the line by ``depth / 2 x tan(turn / 2)``, and one measured on
the inner face is shorter by as much (plane trigonometry: the two faces meet on the
line that halves the corner).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.model import Runs
from siteplan.products import CornerUnit, Face, ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray

TURN_TOLERANCE_DEG: Final = 1e-6
"""Turns come from coordinates; 1e-6 degrees is 17 nm in a metre.  A square corner must
not lose its square unit to the last digits of a projection."""

_FACE_SIGN: Final[dict[Face, int]] = {"outer": -1, "centre": 0, "inner": 1}


@dataclass(frozen=True, slots=True, eq=False)
class CornerChoice:
    """The unit at each corner.  c corners, in the order of the runs' corners.

    ``exchanged`` is False throughout today; a later choice of orientation for reversible
    units sets it and swaps the two arms, and nothing else changes.
    """

    unit: IntArray
    """(c,) index into the line's corners, -1 where no unit makes this corner"""
    exchanged: BoolArray
    """(c,) True where a reversible unit is laid with its two arms exchanged"""
    arriving_um: IntArray
    """(c,) what the corner takes of the arriving leg, on the laying line: the arm, or where
    no unit fits the length over which the footprints of the two legs would overlap"""
    leaving_um: IntArray
    """(c,) the same for the leaving leg"""
    why: ObjectArray
    """(c,) str: why no unit fits, empty where one does"""

    def __len__(self) -> int:
        return len(self.unit)


def mitre_um(depth_um: int, turn_deg: FloatArray) -> IntArray:
    """Distance from a corner to where the faces of two strips of this depth part, in um.

    Parameters
    ----------
    depth_um : front to back
    turn_deg : (n,) turns, either sign, below 180 in size

    Returns
    -------
    (n,) ``depth / 2 x tan(|turn| / 2)``, rounded to whole um; 0 for no turn.
    """
    half = np.radians(np.abs(turn_deg)) / 2
    return np.rint(depth_um / 2 * np.tan(half)).astype(np.int64)


def centre_arms(unit: CornerUnit, depth_um: int, turn_deg: FloatArray) -> tuple[IntArray, IntArray]:
    """Arriving and leaving arm of a unit on the laying line, in whole um.

    Parameters
    ----------
    unit : a corner unit, its arms on the face they are measured on
    depth_um : depth of the line
    turn_deg : (n,) turns at which the unit is to be laid

    Returns
    -------
    Two (n,) arrays; negative where the face arm is shorter than the corner itself.
    """
    shift = mitre_um(depth_um, turn_deg) * _FACE_SIGN[unit.measured_on]
    return unit.arriving_um + shift, unit.leaving_um + shift


def choose_corners(runs: Runs, line: ProductLine) -> CornerChoice:
    """Corner unit of every corner: the first in catalogue order that makes the turn.

    A unit makes a corner if its turn (left: outside, right: inside) and its range of
    angles, limits inclusive, hold it, and if neither arm falls short of the corner point.

    Parameters
    ----------
    runs : runs with their corners
    line : product line

    Returns
    -------
    CornerChoice.  A corner without a unit has a reason, and both legs end there as bare
    ends, each shortened so that their footprints touch and do not overlap.
    """
    turn = runs.corner_turn_deg
    size = np.abs(turn)
    bare = mitre_um(line.depth_um, turn)
    unit = np.full(len(turn), -1, dtype=np.int64)
    arriving, leaving = bare.copy(), bare.copy()
    # from the last to the first, so that the first unit that fits is written last
    for k in range(len(line.corners) - 1, -1, -1):
        record = line.corners[k]
        first, second = centre_arms(record, line.depth_um, turn)
        fits = (
            (turn > 0 if record.turn == "outside" else turn < 0)
            & (size >= record.least_deg - TURN_TOLERANCE_DEG)
            & (size <= record.greatest_deg + TURN_TOLERANCE_DEG)
            & (np.minimum(first, second) >= 0)
            & (first + second > 0)
        )
        unit[fits] = k
        arriving[fits], leaving[fits] = first[fits], second[fits]
    why = np.full(len(turn), "", dtype=object)
    for c in np.flatnonzero(unit < 0):
        why[c] = _no_unit(float(turn[c]), line)
    return CornerChoice(unit, np.zeros(len(turn), dtype=np.bool_), arriving, leaving, why)


def _no_unit(turn_deg: float, line: ProductLine) -> str:
    """Say which turn no unit makes, and what the line offers for such turns."""
    side = "outside" if turn_deg > 0 else "inside"
    offered = [
        f"{u.article.code} {u.least_deg:g} to {u.greatest_deg:g} degrees"
        for u in line.corners
        if u.turn == side
    ]
    size = f"{abs(turn_deg):.2f}".rstrip("0").rstrip(".")
    if not offered:
        return f"no unit for the {side} corner of {size} degrees: the line has no {side} corner"
    fits = any(
        u.turn == side
        and u.least_deg - TURN_TOLERANCE_DEG <= abs(turn_deg) <= u.greatest_deg + TURN_TOLERANCE_DEG
        for u in line.corners
    )
    # the range holds the turn, so the arms were what failed
    reason = ", but the arms end short of the corner point at this angle" if fits else ""
    return f"no unit for the {side} corner of {size} degrees: the line offers {', '.join(offered)}{reason}"
