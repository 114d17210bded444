"""Outlines and tapes as a network: which unknowns there are, and what each reading says of them.

Unknowns: the place of every vertex in its picture (vertices that are one, once), the scale of every
picture, the scale of every tape, and named points of walls.  All of them are observed directly: a
vertex where it was traced, a scale as 0 +/- its usual size.  Readings: lengths along the laying line and
between points, which follow the vertices as :mod:`siteplan.adjust.lines` says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.adjust.lines import LineGradient, direction_matrix, leg_lengths
from siteplan.adjust.network import Network
from siteplan.model import Runs
from siteplan.types import FloatArray, IntArray, XYArray

OUTSIDE: Final = 1e-9
"""a named point this close to a row of the laying line or a vertex is that row or vertex"""


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Where the unknowns stand: 2 per vertex, then 2 per named point of a wall, pictures, tapes."""

    vertices: int
    points: int
    pictures: int
    tapes: int

    @property
    def first_point(self) -> int:
        """Of the coordinates of named points."""
        return 2 * self.vertices

    @property
    def first_picture(self) -> int:
        """Of the scales of pictures."""
        return self.first_point + 2 * self.points

    @property
    def first_tape(self) -> int:
        """Of the scales of tapes."""
        return self.first_picture + self.pictures

    @property
    def count(self) -> int:
        """Unknowns."""
        return self.first_tape + self.tapes


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The laying line about the vertices it was made from."""

    runs: Runs
    leg: IntArray
    """(l,) number in ``runs`` of each leg of the plan as drawn: numbers may change as outlines move"""
    gradient: LineGradient
    about_xy: XYArray
    """(v, 2) vertices in their pictures it was made from"""
    about_scale: FloatArray
    """(g,) scales of the pictures it was made from"""
    grown: FloatArray
    """(2w, g) how the rows follow the scale of each picture"""


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """n readings of legs and distances."""

    legs: sparse.csr_array
    """(n, l) how often each leg is in each reading; times slope over level length for one along the slope"""
    ends: IntArray
    """(n, 2) nodes of a distance, -1 where it is none: 2 x a leg for its start and one more for its end,
    then 2l + a vertex, then 2l + v + a named point of a wall"""
    tape: IntArray
    """(n,)"""
    value_m: FloatArray
    sigma_m: FloatArray


class Lengths:
    """Lengths of legs and distances as functions of the unknowns."""

    def __init__(
        self,
        layout: Layout,
        rows: Rows,
        drawn: XYArray,
        middle: XYArray,
        picture: IntArray,
        point_picture: IntArray,
    ) -> None:
        """
        Parameters
        ----------
        layout, rows : see there
        drawn : (v, 2) vertices as drawn
        middle : (g, 2) points the pictures grow about
        picture : (v,) picture of each vertex
        point_picture : (p,) picture of each named point of a wall
        """
        self.layout, self.rows, self.drawn, self.middle = layout, rows, drawn, middle
        self.picture, self.point_picture = picture, point_picture
        scale = np.repeat(1 + rows.about_scale[picture], 2)
        height = rows.grown.shape[0]
        self.follow = sparse.hstack(
            [
                rows.gradient.rows @ sparse.diags_array(scale),
                sparse.csr_array((height, 2 * layout.points)),
                sparse.csr_array(rows.grown),
                sparse.csr_array((height, layout.tapes)),
            ],
            format="csr",
        )  # (2w, u)
        self.about = np.concatenate(
            [rows.about_xy.ravel(), np.zeros(2 * layout.points), rows.about_scale, np.zeros(layout.tapes)]
        )
        self.start = rows.runs.xy.ravel() - self.follow @ self.about

    def row_xy(self, x: FloatArray) -> XYArray:
        """(w, 2) rows of the laying line."""
        return np.asarray((self.start + self.follow @ x).reshape(-1, 2))

    def world(self, x: FloatArray) -> XYArray:
        """(v, 2) vertices on the ground: those of their picture, grown with it; snapped ones together."""
        scale = x[self.layout.first_picture : self.layout.first_tape]
        place = x[: self.layout.first_point].reshape(-1, 2)
        place = self.drawn + (place - self.drawn)[self.rows.gradient.owner]
        middle = self.middle[self.picture]
        return np.asarray(middle + (1 + scale[self.picture])[:, None] * (place - middle))

    def legs(self, x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
        """Lengths of all legs (l,), and their gradient (l, u)."""
        xy = self.row_xy(x)
        offsets, leg = self.rows.runs.offsets, self.rows.leg
        gradient = sparse.csr_array(direction_matrix(xy, offsets)[leg] @ self.follow)
        return leg_lengths(xy, offsets)[leg], gradient

    def ends(self, x: FloatArray) -> FloatArray:
        """(l, 2, 2) where each leg starts and ends."""
        return np.asarray(self.row_xy(x)[self._end_rows()].reshape(-1, 2, 2))

    def _end_rows(self) -> IntArray:
        """(2l,) rows legs start and end at."""
        offsets, leg = self.rows.runs.offsets, self.rows.leg
        return np.column_stack([offsets[leg], offsets[leg + 1] - 1]).ravel()

    def nodes(self, x: FloatArray, node: IntArray) -> tuple[XYArray, sparse.csr_array]:
        """Places (k, 2) of nodes, and their gradient (2k, u)."""
        lay, rows_of_ends = self.layout, self._end_rows()
        at = np.empty((len(node), 2))
        is_row = node < len(rows_of_ends)
        row = rows_of_ends[node[is_row]]
        at[is_row] = self.row_xy(x)[row]
        loose = np.flatnonzero(~is_row)
        number = node[loose] - len(rows_of_ends)
        group = np.concatenate([self.picture, self.point_picture])[number]
        scale = x[lay.first_picture + group]
        place = x[: lay.first_picture].reshape(-1, 2)[number]
        off = place - self.middle[group]
        at[loose] = self.middle[group] + (1 + scale)[:, None] * off
        top = np.flatnonzero(is_row)
        rows = np.concatenate([2 * loose, 2 * loose + 1, 2 * loose, 2 * loose + 1])
        columns = np.concatenate([2 * number, 2 * number + 1, *(2 * [lay.first_picture + group])])
        values = np.concatenate([1 + scale, 1 + scale, off[:, 0], off[:, 1]])
        made = sparse.coo_array((values, (rows, columns)), shape=(2 * len(node), lay.count))
        if len(top):
            both = np.column_stack([2 * top, 2 * top + 1]).ravel()
            from_rows = self.follow[np.column_stack([2 * row, 2 * row + 1]).ravel()].tocoo()
            made = made + sparse.coo_array(
                (from_rows.data, (both[from_rows.row], from_rows.col)), shape=made.shape
            )
        return at, sparse.csr_array(made)

    def distances(self, x: FloatArray, ends: IntArray) -> tuple[FloatArray, sparse.csr_array]:
        """Lengths between pairs of nodes (k,), and their gradient (k, u)."""
        a, da = self.nodes(x, ends[:, 0])
        b, db = self.nodes(x, ends[:, 1])
        step = b - a
        length = np.hypot(step[:, 0], step[:, 1])
        unit = step / np.where(length > 0, length, 1.0)[:, None]
        row = np.repeat(np.arange(len(ends)), 2)
        pick = sparse.csr_array(
            (unit.ravel(), (row, np.arange(2 * len(ends)))), shape=(len(ends), 2 * len(ends))
        )
        return length, sparse.csr_array(pick @ (db - da))

    def lengths(self, x: FloatArray, read: Read) -> tuple[FloatArray, sparse.csr_array]:
        """True lengths of what was taped (n,), and their gradient (n, u)."""
        legs, gradient = self.legs(x)
        far = np.flatnonzero(read.ends[:, 0] >= 0)
        made, follows = read.legs @ legs, read.legs @ gradient
        if len(far):
            straight, more = self.distances(x, read.ends[far])
            made[far] += straight
            place = sparse.csr_array(
                (np.ones(len(far)), (far, np.arange(len(far)))), shape=(len(read.tape), len(far))
            )
            follows = follows + place @ more
        return np.asarray(made), sparse.csr_array(follows)

    def predict(self, read: Read) -> Callable[[FloatArray], tuple[FloatArray, sparse.csr_array]]:
        """What the readings should be: a tape 1 + k times as long as it says reads 1/(1 + k) of a length."""
        lay = self.layout
        rows = np.arange(len(read.tape))

        def made(x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
            length, gradient = self.lengths(x, read)
            scale = 1 + x[lay.first_tape :][read.tape]
            by_tape = sparse.csr_array(
                (-length / scale**2, (rows, lay.first_tape + read.tape)), shape=gradient.shape
            )
            return length / scale, sparse.csr_array(sparse.diags_array(1 / scale) @ gradient + by_tape)

        return made

    def network(self, prior: FloatArray, prior_sigma: FloatArray, read: Read) -> Network:
        """The network."""
        return Network(prior, prior_sigma, read.value_m, read.sigma_m, self.predict(read))
