"""How sure the lengths of legs and runs are: one factor for each thing that may be off.

The error of every leg length is ``sum of factors @ z``, z independent standard normal, so the joint
covariance is ``sum of F F'``.  Kept apart, since they do not average alike:

- *vertices*: noise of the points along the line, with correlation exp(-d / l) at the distance d along
  the outline.  The length of a polyline changes with a vertex by the difference of the unit vectors
  before and behind it, so for every ring C = J (s^2 R x I) J' (propagation of variance: Ghilani,
  Adjustment Computations, ch. 6).  exp(-d / l) with d the shorter way round is a covariance on a
  circle (Gneiting 2013, doi:10.3150/12-BEJSP06, the exponential family on spheres).
- *offsets*: b square to the outline common to a bed, a person, a picture.  A line moved by b with mitred
  vertices is longer by b times the sum of 2 tan(turn / 2): 2 pi b for every smooth ring.
- *scales*: of a picture, of a tape: in proportion to the length.

The points are those of the laying line; an offset line is taken to move with its outline.  What the
turns change at an offset d is left out: of the order d / s of the rest for edges s long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.outline.tracing_bias import expected_bias
from siteplan.planar import cross_dot, edges, part_of, sums
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray
from siteplan.uncertainty.turns import Turns, TurnSlopes, beside, given_lengths

_SAME_M = 1e-6
VERTICES: Final = "vertices"
_ROWS = 1_000
"""rows of a correlation matrix made at once; bounds the memory"""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One thing that may be off."""

    name: str
    factor: sparse.csr_array
    """(l, k): the errors of the legs are ``factor @ z``"""

    @property
    def variance(self) -> FloatArray:
        """(l,) square metres."""
        out: FloatArray = np.asarray(self.factor.multiply(self.factor).sum(axis=1)).ravel()
        return out


@dataclass(frozen=True, slots=True, eq=False)
class LengthModel:
    """Lengths of l legs, as they may be on the ground."""

    planned_m: FloatArray
    """(l,) ground length the plan has"""
    mean_m: FloatArray
    """(l,) with what tracing adds and takes on the average taken off"""
    parts: tuple[Part, ...]
    turns: Turns | None = None
    """errors of the corners' turns, by the draws of the part called ``VERTICES``"""

    @property
    def factor(self) -> sparse.csr_array:
        """(l, k) all parts side by side."""
        made: sparse.csr_array = sparse.hstack([p.factor for p in self.parts], format="csr")
        return made

    def covariance(self, rows: sparse.csr_array | None = None) -> FloatArray:
        """Joint covariance of the legs, or of sums of legs, square metres.

        Parameters
        ----------
        rows : (m, l) how often each leg is in each sum; the legs themselves by default
        """
        factor = self.factor if rows is None else rows @ self.factor
        made: FloatArray = np.asarray((factor @ factor.T).todense())
        return made

    def sigma(self, rows: sparse.csr_array | None = None) -> FloatArray:
        """(m,) standard deviations, metres."""
        factor = self.factor if rows is None else rows @ self.factor
        made: FloatArray = np.sqrt(np.asarray(factor.multiply(factor).sum(axis=1)).ravel())
        return made

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """(count, l) lengths of as many true sites, metres; each part draws from its own stream."""
        return self.draw_with_turns(rng, count)[0]

    def draw_with_turns(self, rng: np.random.Generator, count: int) -> tuple[FloatArray, FloatArray | None]:
        """(count, l) lengths of true sites, metres, and (count, c) errors of their turns, degrees.

        The turns take the draws of the vertices and a stream of their own.
        """
        out, turns, off = np.tile(self.mean_m, (count, 1)), self.turns, None
        streams = rng.spawn(len(self.parts) + (turns is not None))
        if turns is not None:
            off = streams[-1].standard_normal((count, turns.own.shape[1])) @ turns.own.T
        for part, own in zip(self.parts, streams, strict=False):
            if part.factor.nnz:
                z = own.standard_normal((count, part.factor.shape[1]))
                out += z @ part.factor.T
                if turns is not None and off is not None and part.name == VERTICES:
                    off = off + z @ turns.shared.T
        return np.maximum(out, 0.0), off

    def shares(self) -> dict[str, float]:
        """What each part makes of the variance of the whole length of the site."""
        whole = {p.name: float((np.asarray(p.factor.sum(axis=0)) ** 2).sum()) for p in self.parts}
        total = sum(whole.values())
        return {name: value / total if total else 0.0 for name, value in whole.items()}


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where the rows of the legs lie along the outlines.  w rows, r rings."""

    station_m: FloatArray
    """(w,) along its ring"""
    ring_m: FloatArray
    """(r,) length of each ring"""
    ring_closed: BoolArray


def length_slopes(xy: XYArray, offsets: OffsetArray) -> XYArray:
    """(w, 2) change of a leg's length with each coordinate of its rows."""
    line = edges(xy, offsets, np.zeros(len(offsets) - 1, dtype=np.bool_))
    unit = line.vector / np.where(line.length > 0, line.length, 1.0)[:, None]
    first = np.zeros(len(xy), dtype=np.bool_)
    first[offsets[:-1]] = True
    arriving = np.roll(unit, 1, axis=0)
    arriving[first] = 0.0
    out: XYArray = arriving - unit
    return out


def vertex_part(
    xy: XYArray,
    offsets: OffsetArray,
    leg_ring: IntArray,
    sigma_m: FloatArray,
    places: Places,
    correlation_m: float,
) -> Part:
    """Noise of the points along the line, without turns: see :func:`vertex_parts`."""
    none = TurnSlopes(np.zeros((0, 4), np.int64), np.zeros((0, 4, 2)))
    return vertex_parts(xy, offsets, leg_ring, sigma_m, places, correlation_m, none)[0]


def vertex_parts(
    xy: XYArray,
    offsets: OffsetArray,
    leg_ring: IntArray,
    sigma_m: FloatArray,
    places: Places,
    correlation_m: float,
    turns: TurnSlopes,
) -> tuple[Part, Turns]:
    """Noise of the points along the line: what it does to lengths, and to turns.

    Parameters
    ----------
    xy, offsets : (w, 2) rows of l legs on the laying line
    leg_ring : (l,) ring of outline each leg follows
    sigma_m : (l,) standard deviation of a point, each way; 0 for legs that are none of this
    places : where the rows lie along the rings
    correlation_m : length over which likeness falls to 1/e; 0: independent points
    turns : of the corners; both legs of a corner follow one ring.  A turn is not off where a leg of it is
        none of this

    Notes
    -----
    Rows at one place of one ring are one point: the corner two legs share, a second row of edging.
    """
    leg = part_of(offsets)
    slope = length_slopes(xy, offsets) * sigma_m[leg][:, None]
    turn_sigma = sigma_m[leg[turns.row]]
    turn_sigma[(turn_sigma == 0).any(axis=1)] = 0.0
    turn_slope = turns.slope * turn_sigma[:, :, None]
    ring = leg_ring[leg]
    turn_ring = ring[turns.row[:, 0]]
    blocks, shared, left = [], [], []
    for k in np.unique(leg_ring[sigma_m > 0]):
        rows = np.flatnonzero(ring == k)
        legs, local = np.unique(leg[rows], return_inverse=True)
        # the two ends of a ring are one place
        station = places.station_m[rows]
        if places.ring_closed[k]:
            station = np.where(station > places.ring_m[k] - _SAME_M, station - places.ring_m[k], station)
        key, point = np.unique(np.rint(station / _SAME_M).astype(np.int64), return_inverse=True)
        at_m: FloatArray = key.astype(np.float64) * _SAME_M
        shape = (len(legs), len(key))
        parts = [sparse.csr_array((slope[rows, axis], (local, point)), shape=shape) for axis in (0, 1)]
        corners = np.flatnonzero(turn_ring == k)
        where = (
            np.repeat(np.arange(len(corners)), 4), point[np.searchsorted(rows, turns.row[corners])].ravel()
        )  # fmt: skip
        turned = [
            sparse.csr_array((turn_slope[corners, :, axis].ravel(), where), shape=(len(corners), len(key)))
            for axis in (0, 1)
        ]
        like = (at_m, places.ring_m[k], bool(places.ring_closed[k]), correlation_m)
        blocks.append((legs, root_of(_covariance(parts, parts, *like))))
        if len(corners):
            cross, own = _covariance(turned, parts, *like), _covariance(turned, turned, *like)
            of_lengths, of_turns = given_lengths(blocks[-1][1], cross, own)
        else:
            of_lengths, of_turns = np.zeros((0, blocks[-1][1].shape[1])), np.zeros((0, 0))
        shared.append((corners, of_lengths))
        left.append((corners, of_turns))
    made = Turns(beside(shared, len(turns)), beside(left, len(turns)))
    return Part(VERTICES, beside(blocks, len(leg_ring))), made


def _covariance(
    one: Sequence[sparse.csr_array],
    two: Sequence[sparse.csr_array],
    at_m: FloatArray,
    ring_m: float,
    closed: bool,
    length_m: float,
) -> FloatArray:
    """(m, n) covariance of what changes with the points of one ring by slopes (m, points), (n, points)."""
    covariance = np.zeros((one[0].shape[0], two[0].shape[0]))
    for start in range(0, len(at_m), _ROWS):
        rows = slice(start, start + _ROWS)
        away = np.abs(at_m[rows, None] - at_m)
        if closed:
            away = np.minimum(away, np.maximum(ring_m - away, 0.0))
        like = np.exp(-away / length_m) if length_m > 0 else (away == 0.0).astype(np.float64)
        for a, b in zip(one, two, strict=True):
            covariance += a[:, rows] @ (b @ like.T).T
    return covariance


def root_of(covariance: FloatArray) -> FloatArray:
    """(n, k) F with F F' the covariance, which may be singular.

    Raises
    ------
    ValueError : a matrix that is no covariance.
    """
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    greatest = float(values.max(initial=0.0))
    if values.min(initial=0.0) < -1e-6 * greatest:
        raise ValueError("the matrix has negative eigenvalues: it is no covariance")
    keep = values > 1e-14 * greatest
    out: FloatArray = vectors[:, keep] * np.sqrt(values[keep])
    return out


def joint_part(name: str, legs: IntArray, covariance_m2: FloatArray, count: int) -> Part:
    """A joint covariance of some of ``count`` legs as a part."""
    return Part(name, beside([(legs, root_of(covariance_m2))], count))


def outward_slopes(
    xy: XYArray,
    offsets: OffsetArray,
    start_turn_deg: FloatArray,
    far_turn_deg: FloatArray,
    seam: BoolArray,
) -> FloatArray:
    """(l,) metres each leg grows for each metre its line moves outward, mitred.

    Parameters
    ----------
    xy, offsets : rows of the legs
    start_turn_deg, far_turn_deg : (l,) turns at the corners of each leg, 0 where there is none
    seam : (l,) closed runs without corners, which turn at their seam too
    """
    open_part = np.zeros(len(offsets) - 1, dtype=np.bool_)
    line = edges(xy, offsets, open_part)
    cross, dot = cross_dot(np.roll(line.vector, 1, axis=0), line.vector)
    inner = np.ones(len(xy), dtype=np.bool_)
    inner[offsets[:-1]] = inner[offsets[1:] - 1] = False
    bends = sums(np.where(inner, 2 * np.tan(np.arctan2(cross, dot) / 2), 0.0), offsets)
    first, last = offsets[:-1], offsets[1:] - 1
    cross, dot = cross_dot(xy[last] - xy[last - 1], xy[first + 1] - xy[first])
    around = np.where(seam, 2 * np.tan(np.arctan2(cross, dot) / 2), 0.0)
    ends = np.tan(np.radians(start_turn_deg) / 2) + np.tan(np.radians(far_turn_deg) / 2)
    out: FloatArray = bends + around + ends
    return out


def common_part(name: str, values: FloatArray, group: IntArray) -> Part:
    """Errors in proportion to ``values`` that all legs of a group have in common.

    Parameters
    ----------
    values : (l,) error of each leg at one standard deviation
    group : (l,) group of each leg; below 0: none of this
    """
    which = np.flatnonzero((group >= 0) & (values != 0.0))
    names, column = np.unique(group[which], return_inverse=True)
    shape = (len(values), len(names))
    return Part(name, sparse.csr_array((values[which], (which, column)), shape=shape))


def own_part(name: str, sigma_m: FloatArray) -> Part:
    """Errors every leg has for itself."""
    which = np.flatnonzero(sigma_m > 0)
    shape = (len(sigma_m), len(which))
    return Part(name, sparse.csr_array((sigma_m[which], (which, np.arange(len(which)))), shape=shape))


def tracing_bias(xy: XYArray, offsets: OffsetArray, sigma_m: FloatArray, correlation_m: float) -> FloatArray:
    """(l,) metres tracing makes each leg too long on the average: noise less what chords lack.

    Parameters
    ----------
    xy, offsets : rows of the legs
    sigma_m : (l,) of a vertex, each way; 0: nothing is taken off
    correlation_m : vertices alike move an edge without lengthening it: what lengthens is the difference of
        its two ends, 1 - exp(-s / l) of what independent ones have, at the mean spacing s of the leg
    """
    open_part = np.zeros(len(offsets) - 1, dtype=np.bool_)
    line = edges(xy, offsets, open_part)
    spacing = line.part_length / np.maximum(np.diff(offsets) - 1, 1)
    unlike = -np.expm1(-spacing / correlation_m) if correlation_m > 0 else np.ones(len(spacing))
    own = np.where(sigma_m > 0, sigma_m * np.sqrt(unlike), np.nan)
    noise, chords, _ = expected_bias(xy, offsets, open_part, own)
    return np.nan_to_num(noise - chords)
