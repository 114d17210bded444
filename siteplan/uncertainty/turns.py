"""How sure the turns of corners are, together with the lengths of the legs.

A turn is the angle from the last edge of the arriving leg, a to p, to the first edge of the leaving one,
p to b.  Moving a, p, b changes it by n1 / |ap|, -(n1 / |ap| + n2 / |pb|) and n2 / |pb| along the left
normals n of the two edges.  A straight leg is one edge between its two corners, so this is the turn of
the fitted legs.  Noise of the vertices changes turns and lengths together; sides moved square to
themselves and scales change no turn.

Given what the noise does to the lengths, the turns are drawn from what is left: with the errors of the
lengths F z, and the joint covariance C of lengths and turns, the turns are G z + H w where G F' = C_tl
and H H' = C_tt - G G' (the conditional normal distribution).  So the draws of the lengths are the same
whether turns are drawn or not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from siteplan.types import FloatArray, IntArray, OffsetArray, XYArray

_RESIDUE = 1e-9
"""share of a variance that counts as rounding"""


@dataclass(frozen=True, slots=True, eq=False)
class Turns:
    """Errors of the turns of c corners, degrees: ``shared @ z + own @ w``, w independent standard normal."""

    shared: sparse.csr_array
    """(c, k) by the z of the noise of vertices in the lengths"""
    own: sparse.csr_array
    """(c, m) what the lengths do not tell"""

    @property
    def sigma_deg(self) -> FloatArray:
        """(c,) standard deviations."""
        square = sum(np.asarray(f.multiply(f).sum(axis=1)).ravel() for f in (self.shared, self.own))
        out: FloatArray = np.sqrt(square)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class TurnSlopes:
    """Change of c turns with their points, degrees a metre.  Points are rows of the legs."""

    row: IntArray
    """(c, 4) the rows a, p as it ends the arriving leg, p as it starts the leaving one, b"""
    slope: FloatArray
    """(c, 4, 2) change with each of their coordinates"""

    def __len__(self) -> int:
        return len(self.row)


def turn_slopes(xy: XYArray, offsets: OffsetArray, arriving: IntArray, leaving: IntArray) -> TurnSlopes:
    """Change of the turns of corners with the points of their two edges.

    Parameters
    ----------
    xy, offsets : (w, 2) rows of the legs
    arriving, leaving : (c,) legs of each corner
    """
    last, first = offsets[arriving + 1] - 1, offsets[leaving]
    row = np.column_stack([last - 1, last, first, first + 1])
    slope = np.zeros((len(row), 4, 2))
    for at, sign in ((0, 1.0), (2, -1.0)):
        edge = xy[row[:, at + 1]] - xy[row[:, at]]
        square = (edge * edge).sum(axis=1)
        # the left normal over the length, as the heading of an edge changes with its far end
        normal = np.column_stack([-edge[:, 1], edge[:, 0]]) / np.where(square > 0, square, 1.0)[:, None]
        slope[:, at], slope[:, at + 1] = sign * normal, -sign * normal
    return TurnSlopes(row, np.degrees(slope))


def given_lengths(
    factor: FloatArray, cross: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Factors G and H of turns drawn together with lengths.

    Parameters
    ----------
    factor : (l, k) F of the lengths, its columns square to one another
    cross : (c, l) covariance of turns and lengths
    covariance : (c, c) of the turns
    """
    shared = cross @ factor / (factor * factor).sum(axis=0)
    left = covariance - shared @ shared.T
    values, vectors = np.linalg.eigh((left + left.T) / 2)
    keep = values > _RESIDUE * np.diag(covariance).max(initial=0.0)
    return shared, vectors[:, keep] * np.sqrt(values[keep])


def beside(blocks: Sequence[tuple[IntArray, FloatArray]], rows: int) -> sparse.csr_array:
    """(rows, k) factors of groups of rows, side by side, each with its own columns."""
    row, column, values, width = [], [], [], 0
    for which, factor in blocks:
        row.append(np.repeat(which, factor.shape[1]))
        column.append(np.tile(np.arange(factor.shape[1]) + width, len(which)))
        values.append(factor.ravel())
        width += factor.shape[1]
    if not blocks:
        return sparse.csr_array((rows, 0))
    where = (np.concatenate(row), np.concatenate(column))
    return sparse.csr_array((np.concatenate(values), where), shape=(rows, width))
