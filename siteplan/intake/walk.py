"""A walked line cleaned: spikes, jumps, closing, simplifying.  Arrays in, arrays out.

The rule for a spike, in full.  A *leg* is the distance from one point to the next.  One to three
points in a row are a spike where

- the leg out to them and the leg back are each at least 10 m, and each more than 5 times the median
  leg of the walk; where every point has a time, speed decides instead of length: each more than 5
  times the median speed of the walk, and at least 3 m/s;
- the points on either side of them are nearer to each other than half of the shorter of those legs.

So a walker who turns back is no spike (the legs are ordinary), nor is a long straight stretch with
few points (it does not come back).  The first and the last point have one leg only and are never
removed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

TIMES_MEDIAN: Final = 5.0
LEAST_LEG_M: Final = 10.0
LEAST_SPEED: Final = 3.0
"""metres a second: faster than anybody walks"""
LONGEST_SPIKE: Final = 3
"""points"""
COME_BACK: Final = 0.5
JUMP_TIMES: Final = 20.0
"""A leg of this many median legs, and of 50 m, is told as a jump."""
LEAST_JUMP_M: Final = 50.0
_HALVINGS: Final = 8


@dataclass(frozen=True, slots=True)
class Spike:
    """Points of a walk that were taken out."""

    first: int
    count: int
    out_m: float
    back_m: float


def legs_of(xy: XYArray) -> FloatArray:
    """(n - 1,) distance from each point to the next."""
    step = np.diff(xy, axis=0)
    return np.asarray(np.hypot(step[:, 0], step[:, 1]))


def find_spikes(xy: XYArray, time_s: FloatArray | None) -> list[Spike]:
    """Spikes of a walk by the rule of this module, in order; none overlaps another.

    Parameters
    ----------
    xy : (n, 2) metres
    time_s : (n,) seconds, or None where not every point has a time
    """
    if len(xy) < 4:
        return []
    leg = legs_of(xy)
    wild = leg >= LEAST_LEG_M
    gone = np.diff(time_s) if time_s is not None else None
    if gone is not None and (gone > 0).all():
        speed = leg / gone
        wild &= (speed > TIMES_MEDIAN * np.median(speed)) & (speed >= LEAST_SPEED)
    else:
        moving = leg[leg > 0]
        wild &= leg > TIMES_MEDIAN * (np.median(moving) if len(moving) else 0.0)
    found: list[Spike] = []
    used = np.zeros(len(xy), np.bool_)
    for count in range(1, LONGEST_SPIKE + 1):
        before = np.arange(len(xy) - count - 1)
        after = before + count + 1
        gap = np.hypot(*(xy[after] - xy[before]).T)
        back = after - 1
        hit = wild[before] & wild[back] & (gap < COME_BACK * np.minimum(leg[before], leg[back]))
        for k in np.flatnonzero(hit):
            if not used[k + 1 : k + count + 1].any():
                used[k + 1 : k + count + 1] = True
                found.append(Spike(int(k) + 1, count, float(leg[k]), float(leg[k + count])))
    return sorted(found, key=lambda s: s.first)


def jumps(xy: XYArray) -> IntArray:
    """Points before which a walk jumps: a leg of 20 median legs and 50 m at least."""
    leg = legs_of(xy)
    moving = leg[leg > 0]
    if not len(moving):
        return np.zeros(0, np.int64)
    far = (leg >= LEAST_JUMP_M) & (leg > JUMP_TIMES * np.median(moving))
    return np.flatnonzero(far) + 1


def simplified(xy: XYArray, tolerance_m: float, *, closed: bool) -> BoolArray:
    """Which points to keep so that no point left out lies further than the tolerance from the line.

    Douglas and Peucker's rule as shapely has it.  A ring keeps its first point; where it would cross
    itself though it did not before, the tolerance is halved until it does not.
    """
    if tolerance_m <= 0 or len(xy) < 3:
        return np.ones(len(xy), np.bool_)
    if not closed:
        return _douglas_peucker(xy, tolerance_m)
    around = np.vstack([xy, xy[:1]])
    sound = bool(shapely.is_valid(shapely.Polygon(xy)))
    for halved in range(_HALVINGS):
        keep = _douglas_peucker(around, tolerance_m / 2**halved)[:-1]
        if keep.sum() >= 3 and (not sound or shapely.is_valid(shapely.Polygon(xy[keep]))):
            return keep
    return np.ones(len(xy), np.bool_)


def _douglas_peucker(xy: XYArray, tolerance_m: float) -> BoolArray:
    # the number of each point rides along as its height, which the simplifier leaves alone
    line = shapely.LineString(np.column_stack([xy, np.arange(len(xy))]))
    left = shapely.get_coordinates(
        shapely.simplify(line, tolerance_m, preserve_topology=False), include_z=True
    )
    keep = np.zeros(len(xy), np.bool_)
    keep[left[:, 2].astype(np.int64)] = True
    return keep
