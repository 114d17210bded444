"""Outlines and tapes as a network: which unknowns there are, and what each reading says of them.

Unknowns: the place of every vertex in its picture (vertices that are one, once), the scale of every
picture, the scale of every tape, and loose points: named ones of walls, and surveyed ones.  Where
something surveyed says where a picture lies, also its shift and its turn.  All of them are observed directly:
a vertex where it was traced, a scale as 0 +/- its usual size.  Readings: lengths along the laying line and
between points, which follow the vertices as :mod:`siteplan.adjust.lines` says, and coordinates of
surveyed points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.adjust.lines import LineGradient, direction_matrix, leg_lengths
from siteplan.adjust.network import Network
from siteplan.adjust.pictures import Placing
from siteplan.model import Runs
from siteplan.types import FloatArray, IntArray, XYArray

OUTSIDE: Final = 1e-9
"""a named point this close to a row of the laying line or a vertex is that row or vertex"""


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
    about_laid: FloatArray
    """(3f,) shifts and turns of the pictures it was made from"""
    grown: FloatArray
    """(2w, g) how the rows follow the scale of each picture"""
    laid: FloatArray
    """(2w, 3f) how the rows follow shifts and turns"""


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """n readings of legs and distances."""

    legs: sparse.csr_array
    """(n, l) how often each leg is in each reading; times slope over level length for one along the slope"""
    ends: IntArray
    """(n, 2) nodes of a distance, -1 where it is none: 2 x a leg for its start and one more for its end,
    then 2l + a vertex, then 2l + v + a loose point"""
    tape: IntArray
    """(n,)"""
    value_m: FloatArray
    sigma_m: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Fixes:
    """k points seen in a picture whose place on the ground was surveyed."""

    node: IntArray
    """(k,) as in :class:`Read`"""
    xy: XYArray
    sigma_m: FloatArray
    """(k,) each way"""

    def __len__(self) -> int:
        return len(self.node)


class Lengths:
    """Lengths of legs and distances as functions of the unknowns."""

    def __init__(
        self,
        placing: Placing,
        rows: Rows,
        drawn: XYArray,
        picture: IntArray,
        point_picture: IntArray,
    ) -> None:
        """
        Parameters
        ----------
        placing, rows : see there
        drawn : (v, 2) vertices as drawn
        picture : (v,) picture of each vertex
        point_picture : (p,) picture of each loose point, -1 for one that is on the ground
        """
        self.placing, self.layout, self.rows, self.drawn = placing, placing.layout, rows, drawn
        self.picture, self.point_picture = picture, point_picture
        layout, height = self.layout, rows.grown.shape[0]
        self.about = np.concatenate(
            [
                rows.about_xy.ravel(), np.zeros(2 * layout.points), rows.about_scale, np.zeros(layout.tapes),
                rows.about_laid,
            ]
        )  # fmt: skip
        parts = [
            rows.gradient.rows @ placing.turning(self.about, picture),
            sparse.csr_array((height, 2 * layout.points)),
            sparse.csr_array(rows.grown),
            sparse.csr_array((height, layout.tapes)),
            sparse.csr_array(rows.laid),
        ]
        self.follow = sparse.hstack(parts, format="csr")  # (2w, u)
        self.start = rows.runs.xy.ravel() - self.follow @ self.about

    def row_xy(self, x: FloatArray) -> XYArray:
        """(w, 2) rows of the laying line."""
        return np.asarray((self.start + self.follow @ x).reshape(-1, 2))

    def world(self, x: FloatArray) -> XYArray:
        """(v, 2) vertices on the ground: those of their picture, laid out with it; snapped ones together."""
        place = x[: self.layout.first_point].reshape(-1, 2)
        place = self.drawn + (place - self.drawn)[self.rows.gradient.owner]
        return self.placing.out(x, place, self.picture)

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
        loose, top = np.flatnonzero(~is_row), np.flatnonzero(is_row)
        number = node[loose] - len(rows_of_ends)
        group = np.concatenate([self.picture, self.point_picture])[number]
        at[loose], found = self.placing.places(x, number, group)
        own = found.tocoo()
        places = np.column_stack([2 * loose, 2 * loose + 1]).ravel()
        made = sparse.coo_array((own.data, (places[own.row], own.col)), shape=(2 * len(node), lay.count))
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

    def predict(
        self, read: Read, fixes: Fixes
    ) -> Callable[[FloatArray], tuple[FloatArray, sparse.csr_array]]:
        """What the readings should be: a tape 1 + k times as long as it says reads 1/(1 + k) of a length.

        After the n tapes come the 2k coordinates of surveyed points, east and north of each.
        """
        lay = self.layout
        rows = np.arange(len(read.tape))

        def made(x: FloatArray) -> tuple[FloatArray, sparse.csr_array]:
            length, gradient = self.lengths(x, read)
            scale = 1 + x[lay.first_tape : lay.first_frame][read.tape]
            by_tape = sparse.csr_array(
                (-length / scale**2, (rows, lay.first_tape + read.tape)), shape=gradient.shape
            )
            taped = sparse.csr_array(sparse.diags_array(1 / scale) @ gradient + by_tape)
            if not len(fixes):
                return length / scale, taped
            at, own = self.nodes(x, fixes.node)
            return np.concatenate([length / scale, at.ravel()]), sparse.csr_array(sparse.vstack([taped, own]))

        return made

    def network(self, prior: FloatArray, prior_sigma: FloatArray, read: Read, fixes: Fixes) -> Network:
        """The network."""
        return Network(
            prior,
            prior_sigma,
            np.concatenate([read.value_m, fixes.xy.ravel()]),
            np.concatenate([read.sigma_m, np.repeat(fixes.sigma_m, 2)]),
            self.predict(read, fixes),
        )
