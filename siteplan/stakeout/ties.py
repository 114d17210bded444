"""Setting out with a tape alone: two-point ties and offsets from a wall, each with its predicted error.

Two tapes from known corners with equal standard deviations s cross at the angle c.  The unit
vectors of the tapes are the rows of U, the covariance of the point is ``s^2 (U^T U)^-1``, whose
trace is ``2 s^2 / sin^2 c`` and whose greatest eigenvalue is ``s^2 / (1 - |cos c|)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from siteplan.stakeout.walls import Faces, HouseCorners, in_sight
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray

NEAREST: Final = 12
"""corners looked at for a point: its nearest"""
LEAST_TAPED_M: Final = 0.5
"""a shorter distance from a corner is no tape"""
SQUARE_SIDES_M: Final = (3.0, 4.0, 5.0)
"""the triangle the square of an offset is made with"""


@dataclass(frozen=True, slots=True)
class TapeRules:
    """What a crew's tape can do."""

    longest_m: float
    sigma_m: float
    """standard deviation of one taped distance"""
    least_deg: float = 30.0
    greatest_deg: float = 150.0
    """limits of the crossing angle, inclusive"""


@dataclass(frozen=True, slots=True, eq=False)
class TieTable:
    """A tie for each point, where there is one.  k points."""

    first: IntArray
    """(k,) house corner, -1 where the point has no tie"""
    second: IntArray
    to_first_m: FloatArray
    to_second_m: FloatArray
    left: BoolArray
    """(k,) the point lies left of the way from the first corner to the second"""
    cut_deg: FloatArray
    """(k,) angle at which the tapes cross"""
    sigma_m: FloatArray
    """(k,) standard deviation of the place: root of the sum of the two variances"""
    greatest_m: FloatArray
    """(k,) standard deviation along the worst direction"""

    @property
    def tied(self) -> BoolArray:
        """(k,) True where there is a tie."""
        made: BoolArray = self.first >= 0
        return made


@dataclass(frozen=True, slots=True, eq=False)
class OffsetTable:
    """An offset from a face for each point, where there is one.  k points."""

    face: IntArray
    """(k,) face, -1 where the point has none"""
    station_m: FloatArray
    """(k,) along the face from its first corner"""
    offset_m: FloatArray
    """(k,) square to the face, left positive"""
    sigma_m: FloatArray

    @property
    def given(self) -> BoolArray:
        """(k,) True where there is an offset."""
        made: BoolArray = self.face >= 0
        return made


def tie_sigma(cut_deg: FloatArray, sigma_m: float) -> tuple[FloatArray, FloatArray]:
    """Predicted standard deviations of a place fixed by two tapes.

    Parameters
    ----------
    cut_deg : (n,) crossing angles, strictly between 0 and 180
    sigma_m : of one taped distance

    Returns
    -------
    (n,) of the place (root of the trace), and (n,) along the worst direction.
    """
    cut = np.radians(cut_deg)
    return np.sqrt(2) * sigma_m / np.sin(cut), sigma_m / np.sqrt(1 - np.abs(np.cos(cut)))


def offset_sigma(offset_m: FloatArray, sigma_m: float) -> FloatArray:
    """Predicted standard deviation of a place set out square to a wall.

    The square is made with a triangle of sides a, b, c (3, 4, 5 m), so the right angle is off by
    ``(c dc - a da - b db) / (a b)``; station and offset are taped once each.
    """
    a, b, c = SQUARE_SIDES_M
    square = sigma_m * np.sqrt(a * a + b * b + c * c) / (a * b)
    made: FloatArray = np.sqrt(2 * sigma_m**2 + (np.asarray(offset_m) * square) ** 2)
    return made


def best_ties(
    xy: XYArray, corners: HouseCorners, walls: ObjectArray, rules: TapeRules, group: IntArray
) -> TieTable:
    """The pairs of house corners that fix the points, as few pairs as serve for a group.

    Of the nearest :data:`NEAREST` corners of a point within the tape's length and in sight, every
    pair is usable at which the tapes cross within the limits and whose corners see each other, no
    nearer than :data:`LEAST_TAPED_M`.  A crew moves its tapes as seldom as may be, so the pair
    usable for most points of a group is taken for all of these, then again for the rest.  Of pairs
    that serve equally many, the one whose worst point has the least predicted standard deviation.

    Parameters
    ----------
    xy : (k, 2) points
    corners : where tapes can be held
    walls : polygons no tape is pulled across
    rules : what the tape can do
    group : (k,) points of one number are set out together: a bed
    """
    k, most = len(xy), min(NEAREST, len(corners))
    first = np.full(k, -1, dtype=np.int64)
    second = first.copy()
    if most >= 2 and k:
        pairs, good, cut = _usable_pairs(xy, corners, walls, rules, most)
        for of in np.unique(group):
            rows = np.flatnonzero(group == of)
            chosen = _cover(pairs[rows], good[rows], cut[rows])
            first[rows], second[rows] = np.divmod(chosen, len(corners))
            first[rows[chosen < 0]] = second[rows[chosen < 0]] = -1
    return _tie_table(xy, corners, rules, first, second)


def _usable_pairs(
    xy: XYArray, corners: HouseCorners, walls: ObjectArray, rules: TapeRules, most: int
) -> tuple[IntArray, BoolArray, FloatArray]:
    """(k, q) pair as first corner x count + second, whether it is usable, and the crossing angle."""
    found = cKDTree(corners.xy).query(xy, k=most)
    away, near = np.asarray(found[0], dtype=np.float64), np.asarray(found[1], dtype=np.int64)
    usable: BoolArray = (away <= rules.longest_m) & (away >= LEAST_TAPED_M)
    rows, columns = np.nonzero(usable)
    usable[rows, columns] = in_sight(walls, corners.xy[near[rows, columns]], xy[rows])
    pair = np.array(list(combinations(range(most), 2)))
    ray = (corners.xy[near] - xy[:, None, :]) / np.maximum(away, 1e-9)[:, :, None]
    one, two = ray[:, pair[:, 0]], ray[:, pair[:, 1]]
    cross = one[..., 0] * two[..., 1] - one[..., 1] * two[..., 0]
    cut = np.degrees(np.arctan2(np.abs(cross), (one * two).sum(axis=2)))
    a, b = near[:, pair[:, 0]], near[:, pair[:, 1]]
    apart = corners.xy[a] - corners.xy[b]
    good = usable[:, pair[:, 0]] & usable[:, pair[:, 1]]
    good &= (cut >= rules.least_deg) & (cut <= rules.greatest_deg)
    good &= np.hypot(apart[..., 0], apart[..., 1]) >= LEAST_TAPED_M
    code = np.minimum(a, b) * len(corners) + np.maximum(a, b)
    # the distance between the two corners is taped first, so they must see each other too
    known, which = np.unique(code[good], return_inverse=True)
    one_end, other_end = np.divmod(known, len(corners))
    good[good] = in_sight(walls, corners.xy[one_end], corners.xy[other_end])[which]
    return code, good, cut


def _cover(pairs: IntArray, good: BoolArray, cut: FloatArray) -> IntArray:
    """(k,) pair for each point of a group, -1 where none is usable."""
    chosen = np.full(len(pairs), -1, dtype=np.int64)
    while True:
        row, column = np.nonzero(good & (chosen < 0)[:, None])
        if not len(row):
            return chosen
        code, which = np.unique(pairs[row, column], return_inverse=True)
        served = np.bincount(which)
        # what counts is the worst point; rounded, so that noise of rounding does not choose
        worst = np.zeros(len(code))
        np.maximum.at(worst, which, 1 / np.sin(np.radians(cut[row, column])))
        best = np.lexsort([code, np.round(worst, 4), -served])[0]
        chosen[row[which == best]] = code[best]


def _tie_table(
    xy: XYArray, corners: HouseCorners, rules: TapeRules, first: IntArray, second: IntArray
) -> TieTable:
    """Tapes, sides and predicted standard deviations of chosen pairs; -1 where there is none."""
    tied = first >= 0
    if not tied.any():
        nan = np.full(len(xy), np.nan)
        return TieTable(first, second, nan, nan, tied, nan, nan, nan)
    a, b = corners.xy[first], corners.xy[second]
    side = (b[:, 0] - a[:, 0]) * (xy[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (xy[:, 0] - a[:, 0])
    along = ((a - xy) * (b - xy)).sum(axis=1)
    # the cross product of both rays is that of the base and one ray
    angle = np.where(tied, np.degrees(np.arctan2(np.abs(side), along)), np.nan)
    sigma, greatest = tie_sigma(angle, rules.sigma_m)
    return TieTable(
        first=first,
        second=second,
        to_first_m=np.where(tied, np.hypot(*(xy - a).T), np.nan),
        to_second_m=np.where(tied, np.hypot(*(xy - b).T), np.nan),
        left=tied & (side > 0),
        cut_deg=angle,
        sigma_m=sigma,
        greatest_m=greatest,
    )


def best_offsets(
    xy: XYArray, corners: HouseCorners, faces: Faces, walls: ObjectArray, rules: TapeRules, wanted: BoolArray
) -> OffsetTable:
    """The face each wanted point is set out from square, with the shortest offset.

    The foot lies on the face itself, station and offset are within the tape's length, and the
    point is in sight of the foot.
    """
    k = len(xy)
    face = np.full(k, -1, dtype=np.int64)
    station, offset, sigma = (np.full(k, np.nan) for _ in range(3))
    rows = np.flatnonzero(wanted)
    if len(rows) and len(faces.start):
        start = corners.xy[faces.start]
        along = (corners.xy[faces.far] - start) / faces.length_m[:, None]
        off = xy[rows, None, :] - start
        at = (off * along).sum(axis=2)
        left = along[:, 0] * off[..., 1] - along[:, 1] * off[..., 0]
        good = (at >= 0) & (at <= np.minimum(faces.length_m, rules.longest_m))
        good &= np.abs(left) <= rules.longest_m
        p, f = np.nonzero(good)
        good[p, f] = in_sight(walls, start[f] + along[f] * at[p, f][:, None], xy[rows[p]])
        best = np.argmin(np.where(good, np.round(np.abs(left), 6), np.inf), axis=1)
        here = np.arange(len(rows))
        found = good[here, best]
        face[rows] = np.where(found, best, -1)
        station[rows] = np.where(found, at[here, best], np.nan)
        offset[rows] = np.where(found, left[here, best], np.nan)
        sigma[rows] = offset_sigma(offset[rows], rules.sigma_m)
    return OffsetTable(face, station, offset, sigma)
