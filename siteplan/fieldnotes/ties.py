"""Points fixed with a tape: ties from two points, offsets from a base line, square corners."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.errors import UsageError
from siteplan.types import FloatArray, XYArray

_TOUCH_M: Final = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Ties:
    """Where two tapes meet.  n ties."""

    left: XYArray
    """(n, 2) the point left of the line from the first known point to the second; NaN where
    the circles do not meet"""
    right: XYArray
    """(n, 2) the point right of it"""
    apart_m: FloatArray
    """(n,) by how much the circles do not meet: positive where the two tapes together are too
    short to reach, negative where one is too long for the other to reach; 0 where they meet"""
    cut_deg: FloatArray
    """(n,) angle at which the tapes cross; near 0 or 180 the point is poorly fixed"""


def tie(first: XYArray, second: XYArray, to_first_m: FloatArray, to_second_m: FloatArray) -> Ties:
    """Both points at given distances from two known points.

    Parameters
    ----------
    first, second : (n, 2) known points
    to_first_m, to_second_m : (n,) taped distances

    Raises
    ------
    UsageError : a distance that is not positive, or known points that coincide
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    ra = np.atleast_1d(np.asarray(to_first_m, dtype=np.float64))
    rb = np.atleast_1d(np.asarray(to_second_m, dtype=np.float64))
    base = b - a
    length = np.hypot(base[:, 0], base[:, 1])
    if (length <= _TOUCH_M).any():
        raise UsageError("the two known points of a tie are the same point")
    if not ((ra > 0) & (rb > 0)).all():
        raise UsageError("a taped distance must be above 0")
    short = length - (ra + rb)
    long = length - np.abs(ra - rb)
    apart = np.where(short > _TOUCH_M, short, np.where(long < -_TOUCH_M, long, 0.0))
    x = (length**2 + ra**2 - rb**2) / (2 * length)
    # (ra - x)(ra + x) keeps the digits that ra^2 - x^2 loses on a flat triangle
    height = np.sqrt(np.maximum((ra - x) * (ra + x), 0.0))
    unit = base / length[:, None]
    across = np.column_stack([-unit[:, 1], unit[:, 0]])
    foot = a + x[:, None] * unit
    meets = (apart == 0)[:, None]
    cosine = np.clip((ra**2 + rb**2 - length**2) / (2 * ra * rb), -1, 1)
    return Ties(
        left=np.where(meets, foot + height[:, None] * across, np.nan),
        right=np.where(meets, foot - height[:, None] * across, np.nan),
        apart_m=apart,
        cut_deg=np.degrees(np.arccos(cosine)),
    )


def from_base(start: XYArray, azimuth_deg: float, station_m: FloatArray, left_m: FloatArray) -> XYArray:
    """Points at stations along a base line and offsets square to it: (n, 2).

    Parameters
    ----------
    start : (2,) station 0
    azimuth_deg : direction of the base line
    station_m, left_m : (n,) along the line, and to its left (right is negative)
    """
    a = math.radians(azimuth_deg)
    along = np.array([math.sin(a), math.cos(a)])
    left = np.array([-along[1], along[0]])
    return np.asarray(
        np.asarray(start) + np.outer(np.atleast_1d(station_m), along) + np.outer(np.atleast_1d(left_m), left)
    )


@dataclass(frozen=True, slots=True)
class SquareCheck:
    """How square a taped triangle is."""

    angle_deg: float
    """the corner between the two sides"""
    off_deg: float
    """positive where the corner is more than square"""
    diagonal_m: float
    """what the diagonal would be if it were square"""
    diagonal_over_m: float
    """taped diagonal less that"""
    sideways_mm_per_m: float
    """how far a line set out along the second side strays for every metre"""


def check_square(side_m: float, other_m: float, diagonal_m: float) -> SquareCheck:
    """Whether a taped triangle is square, and by how much not.

    Parameters
    ----------
    side_m, other_m : the two sides at the corner, such as 3 and 4
    diagonal_m : the third side, such as 5

    Raises
    ------
    UsageError : lengths that make no triangle; the text says by how much
    """
    a, b, c = float(side_m), float(other_m), float(diagonal_m)
    if not min(a, b, c) > 0:
        raise UsageError("the sides of a triangle must be above 0")
    if c >= a + b:
        raise UsageError(f"the diagonal is too long for the two sides, by {c - a - b:.3f} m")
    if c <= abs(a - b):
        raise UsageError(f"the diagonal is too short for the two sides, by {abs(a - b) - c:.3f} m")
    angle = 2 * math.atan2(math.sqrt((c - a + b) * (c + a - b)), math.sqrt((a + b + c) * (a + b - c)))
    square = math.hypot(a, b)
    return SquareCheck(
        angle_deg=math.degrees(angle),
        off_deg=math.degrees(angle) - 90.0,
        diagonal_m=square,
        diagonal_over_m=c - square,
        sideways_mm_per_m=1000 * abs(math.cos(angle)),
    )


def square_pegs(foot: XYArray, azimuth_deg: float, unit_m: float, *, left: bool = True) -> XYArray:
    """Two pegs that set out a right angle by 3-4-5.

    Parameters
    ----------
    foot : (2,) point on the base line where the right angle is wanted
    azimuth_deg : direction of the base line
    unit_m : length of one unit
    left : which side of the line the square stands on

    Returns
    -------
    (2, 2): the peg 3 units back along the base line, and the one 4 units out; 5 units lie
    between them, which is what the tape is held to.
    """
    side = 1.0 if left else -1.0
    return from_base(foot, azimuth_deg, np.array([-3 * unit_m, 0.0]), np.array([0.0, side * 4 * unit_m]))
