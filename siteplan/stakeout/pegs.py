"""Offset pegs: marks beside the laying line that outlast the digging."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from siteplan.layers import run_lines
from siteplan.model import Runs, Shapes
from siteplan.stakeout.points import GREATEST_MITRE, StakePoints
from siteplan.stakeout.walls import solids
from siteplan.types import BoolArray, FloatArray, ObjectArray, XYArray


@dataclass(frozen=True, slots=True, eq=False)
class Pegs:
    """A peg beside every staked point.  k pegs, in the order of the points."""

    name: ObjectArray
    xy: XYArray
    offset_m: float
    """square to the line, or to both legs of a corner"""
    from_point_m: FloatArray
    """(k,) from the staked point to the peg"""
    bearing_deg: FloatArray
    """(k,) from the staked point to the peg, clockwise from grid north, [0, 360)"""
    square_m: FloatArray
    """(k,) distance from the peg square to the line: the offset, but less at a very sharp corner"""
    in_wall: BoolArray
    """(k,) the place lies inside an abutment"""
    in_trench: BoolArray
    """(k,) the place lies less than half the offset from a laying line, and would be dug out"""

    def __len__(self) -> int:
        return len(self.name)


def offset_pegs(points: StakePoints, runs: Runs, abutments: Shapes, offset_m: float) -> Pegs:
    """A peg outside every staked point.

    Parameters
    ----------
    points : staked points
    runs : every run of the site, those that are not staked too
    abutments : in ground metres
    offset_m : square to the line
    """
    out = points.outside * offset_m
    xy = points.xy + out
    place = shapely.points(xy)
    walls, _ = solids(abutments)
    in_wall = np.zeros(len(xy), dtype=bool)
    if len(walls) and len(xy):
        in_wall[shapely.STRtree(walls).query(place, predicate="intersects")[0]] = True
    in_trench = np.zeros(len(xy), dtype=bool)
    if len(xy):
        line_xy, line_offsets = run_lines(runs)
        lines = shapely.from_ragged_array(shapely.GeometryType.LINESTRING, line_xy, (line_offsets,))
        # a hair less than half, so that an exact half is not caught by rounding
        reach = offset_m / 2 * (1 - 1e-9)
        in_trench[shapely.STRtree(lines).query(place, predicate="dwithin", distance=reach)[0]] = True
    turn = np.radians(np.abs(points.turn_deg))
    long = np.hypot(out[:, 0], out[:, 1])
    # only a corner turns so sharply that its peg is held back
    held = long > offset_m * GREATEST_MITRE * (1 - 1e-9)
    return Pegs(
        name=np.array([f"{n}-P" for n in points.name], dtype=object),
        xy=xy,
        offset_m=offset_m,
        from_point_m=long,
        bearing_deg=_bearing(out),
        square_m=np.where(held, long * np.cos(turn / 2), offset_m),
        in_wall=in_wall,
        in_trench=in_trench,
    )


def _bearing(vector: XYArray) -> FloatArray:
    degrees = np.degrees(np.arctan2(vector[:, 0], vector[:, 1])) % 360.0
    return np.where(degrees >= 360.0, 0.0, degrees)
