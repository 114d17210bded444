"""Where pictures lie: from a place in a picture as drawn to the ground, and back.

A picture g has a scale s of its own.  Pictures whose outlines share vertices are laid out together:
they have a shift t (two unknowns) and a turn w in common, about the middle c of their outlines:

    ground = c + t + R(w) (m + (1 + s) (place - m) - c)

with m the middle the picture grows about, R(w) the rotation counter-clockwise.  Shift and turn are
unknowns only where a surveyed point tells something of them; elsewhere they are 0, for they change no length
and nothing else would hold them.

The similarity (conformal, Helmert) transformation of the plane: any text on adjustment, such as Ghilani,
Adjustment Computations, ch. 18.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

PER_FRAME: Final = 3
"""unknowns of pictures laid out together: shift east, shift north, turn in radians"""


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Where the unknowns stand: 2 per vertex, then 2 per loose point, pictures, tapes, 3 per frame."""

    vertices: int
    points: int
    pictures: int
    tapes: int
    frames: int = 0

    @property
    def first_point(self) -> int:
        """Of the coordinates of loose points: named points of walls, and surveyed ones."""
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
    def first_frame(self) -> int:
        """Of shifts and turns of pictures."""
        return self.first_tape + self.tapes

    @property
    def count(self) -> int:
        """Unknowns."""
        return self.first_frame + PER_FRAME * self.frames


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """How places in pictures become places on the ground.  g pictures, f frames that are unknown."""

    layout: Layout
    middle: XYArray
    """(g, 2) points the pictures grow about"""
    frame: IntArray
    """(g,) frame of each picture, -1 where its shift and turn are no unknowns"""
    pivot: XYArray
    """(f, 2) points the frames are turned about"""

    def scale(self, x: FloatArray) -> FloatArray:
        """(g,) scales of the pictures."""
        return np.asarray(x[self.layout.first_picture : self.layout.first_tape])

    def laid(self, x: FloatArray) -> tuple[XYArray, FloatArray]:
        """Shifts (f, 2) and turns (f,), radians, of the frames."""
        own = x[self.layout.first_frame :].reshape(-1, PER_FRAME)
        return np.asarray(own[:, :2]), np.asarray(own[:, 2])

    def out(self, x: FloatArray, place: XYArray, picture: IntArray) -> XYArray:
        """(k, 2) ground of places in pictures; a picture of -1: the place is on the ground."""
        return self._turned(x, self.grown(x, place, picture), picture)

    def grown(self, x: FloatArray, place: XYArray, picture: IntArray) -> XYArray:
        """(k, 2) places brought to scale, but neither shifted nor turned."""
        middle = self.middle[picture]
        made = np.asarray(middle + (1 + self.scale(x)[picture])[:, None] * (place - middle))
        ground = picture < 0
        made[ground] = place[ground]
        return made

    def _turned(self, x: FloatArray, grown: XYArray, picture: IntArray) -> XYArray:
        which, frame = self._laid_out(picture)
        if not which.any():
            return grown
        shift, turn = self.laid(x)
        made = grown.copy()
        pivot = self.pivot[frame]
        made[which] = pivot + shift[frame] + _rotated(grown[which] - pivot, turn[frame])
        return made

    def level(self, x: FloatArray, ground: XYArray, picture: IntArray) -> XYArray:
        """(k, 2) places on the ground with shift and turn taken off: as they lie beside the picture."""
        which, frame = self._laid_out(picture)
        if not which.any():
            return ground
        shift, turn = self.laid(x)
        made = ground.copy()
        pivot = self.pivot[frame]
        made[which] = pivot + _rotated(ground[which] - pivot - shift[frame], -turn[frame])
        return made

    def back(self, x: FloatArray, ground: XYArray, picture: IntArray) -> XYArray:
        """(k, 2) places in their pictures of places on the ground."""
        middle = self.middle[picture]
        grown = self.level(x, ground, picture)
        return np.asarray(middle + (grown - middle) / (1 + self.scale(x)[picture])[:, None])

    def arm(self, x: FloatArray, ground: XYArray, picture: int) -> XYArray:
        """(k, 2) from the point a picture grows about to places on the ground, as that point is laid out."""
        every = np.full(len(ground), picture, dtype=np.int64)
        off = self.level(x, ground, every) - self.middle[picture]
        frame = int(self.frame[picture])
        return _rotated(off, np.full(len(off), self.laid(x)[1][frame])) if frame >= 0 else off

    def _laid_out(self, picture: IntArray) -> tuple[BoolArray, IntArray]:
        """Which places have a frame that is unknown (k,), and the frames of those."""
        frame = np.where(picture >= 0, self.frame[picture], -1)
        which = frame >= 0
        return which, frame[which]

    def places(self, x: FloatArray, column: IntArray, picture: IntArray) -> tuple[XYArray, sparse.csr_array]:
        """Ground (k, 2) of unknown places, and its gradient (2k, u).

        Parameters
        ----------
        x : unknowns
        column : (k,) number of the place among vertices and loose points
        picture : (k,) of each
        """
        lay, count = self.layout, len(column)
        place = x[: lay.first_picture].reshape(-1, 2)[column]
        at = self.out(x, place, picture)
        ground = picture < 0
        scale = np.where(ground, 0.0, self.scale(x)[picture])
        off = np.where(ground[:, None], 0.0, place - self.middle[picture])
        by_scale = lay.first_picture + np.where(ground, 0, picture)
        top = 2 * np.arange(count)
        rows = [top, top + 1, top, top + 1]
        columns = [2 * column, 2 * column + 1, by_scale, by_scale]
        which, frame = self._laid_out(picture)
        if not which.any():
            values = [1 + scale, 1 + scale, off[:, 0], off[:, 1]]
        else:
            shift, turn = self.laid(x)
            angle = np.zeros(count)
            angle[which] = turn[frame]
            cos, sin = np.cos(angle) * (1 + scale), np.sin(angle) * (1 + scale)
            grows = _rotated(off, angle)
            arm = at[which] - self.pivot[frame] - shift[frame]
            own, first, one = top[which], lay.first_frame + PER_FRAME * frame, np.ones(len(frame))
            rows += [top, top + 1, own, own + 1, own, own + 1]
            columns += [2 * column + 1, 2 * column, first, first + 1, first + 2, first + 2]
            values = [cos, cos, grows[:, 0], grows[:, 1], -sin, sin, one, one, -arm[:, 1], arm[:, 0]]
        made = sparse.coo_array(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            shape=(2 * count, lay.count),
        )
        return at, sparse.csr_array(made)

    def turning(self, x: FloatArray, picture: IntArray) -> sparse.csr_array:
        """(2v, 2v) how places on the ground follow those in the pictures."""
        stretched = 1 + self.scale(x)[picture]
        if not self.layout.frames:
            return sparse.csr_array(sparse.diags_array(np.repeat(stretched, 2)))
        which, frame = self._laid_out(picture)
        angle = np.zeros(len(picture))
        angle[which] = self.laid(x)[1][frame]
        cos, sin = np.cos(angle) * stretched, np.sin(angle) * stretched
        block = np.stack([np.stack([cos, -sin], axis=1), np.stack([sin, cos], axis=1)], axis=1)
        places = np.arange(len(picture))
        made = sparse.bsr_array((block, places, np.arange(len(picture) + 1)), shape=(2 * len(places),) * 2)
        return sparse.csr_array(made)


def _rotated(xy: XYArray, turn: FloatArray) -> XYArray:
    """(k, 2) turned counter-clockwise by (k,) radians."""
    cos, sin = np.cos(turn), np.sin(turn)
    return np.stack([cos * xy[:, 0] - sin * xy[:, 1], sin * xy[:, 0] + cos * xy[:, 1]], axis=1)
