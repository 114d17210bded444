"""Where labels go: a sheet's drawing as a raster of taken cells.

Labels are tried in order of importance, each at its candidate places in turn; the first free
one is taken.  The order is fixed by the data, so equal input gives equal sheets.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from siteplan.types import FloatArray, OffsetArray, XYArray

CELL_PT: Final = 1.1
"""side of a cell, 0.4 mm"""


class Taken:
    """Taken cells of a rectangle of paper.

    Parameters
    ----------
    x, y, width, height : the rectangle in points; nothing may lie outside
    """

    def __init__(self, x: float, y: float, width: float, height: float) -> None:
        self._origin = np.array([x, y])
        self._shape = (int(np.ceil(width / CELL_PT)), int(np.ceil(height / CELL_PT)))
        self._cells = np.zeros(self._shape, dtype=bool)

    def _index(self, xy: XYArray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        cell = np.floor((xy - self._origin) / CELL_PT).astype(np.int64)
        i, j = cell[..., 0], cell[..., 1]
        inside = (i >= 0) & (j >= 0) & (i < self._shape[0]) & (j < self._shape[1])
        return np.where(inside, i, 0), np.where(inside, j, 0), inside

    def mark_points(self, xy: XYArray) -> None:
        """Take the cells of points; those outside are left out."""
        i, j, inside = self._index(xy)
        self._cells[i[inside], j[inside]] = True

    def mark_lines(self, xy: XYArray, offsets: OffsetArray, *, closed: bool = False) -> None:
        """Take every cell the lines pass through."""
        if not len(xy):
            return
        follow = np.arange(1, len(xy) + 1)
        last = offsets[1:] - 1
        keep = np.ones(len(xy), dtype=bool)
        if closed:
            follow[last] = offsets[:-1]
        else:
            keep[last] = False
        a, b = xy[keep], xy[np.minimum(follow, len(xy) - 1)[keep]]
        self.mark_segments(a, b)

    def mark_segments(self, a: XYArray, b: XYArray) -> None:
        """Take every cell the segments a[k] to b[k] pass through."""
        near = _touching(a, b, self._origin, np.array(self._shape) * CELL_PT)
        a, b = a[near], b[near]
        steps = np.maximum(1, np.ceil(np.hypot(*(b - a).T) / (CELL_PT * 0.6))).astype(np.int64)
        first = np.cumsum(steps + 1) - (steps + 1)
        k = np.repeat(np.arange(len(a)), steps + 1)
        share = (np.arange(len(k)) - first[k]) / steps[k]
        self.mark_points(a[k] + (b - a)[k] * share[:, None])

    def mark_box(self, centre: FloatArray, half: tuple[float, float], angle_deg: float = 0.0) -> None:
        """Take a turned rectangle."""
        self.mark_points(_boxes(np.asarray(centre)[None], half, np.array([angle_deg]))[0])

    def free(self, centres: XYArray, half: tuple[float, float], angles_deg: FloatArray) -> int | None:
        """First candidate whose turned rectangle is wholly inside and free; None where none is.

        Parameters
        ----------
        centres : (c, 2) candidates, best first
        half : half width and half height
        angles_deg : (c,)
        """
        if not len(centres):
            return None
        i, j, inside = self._index(_boxes(centres, half, angles_deg))
        good = (inside & ~self._cells[i, j]).all(axis=1)
        return int(np.argmax(good)) if good.any() else None

    def crowding(self, centres: XYArray, half: tuple[float, float], angles_deg: FloatArray) -> FloatArray:
        """(c,) share of each candidate's rectangle that is taken or outside."""
        i, j, inside = self._index(_boxes(centres, half, angles_deg))
        made: FloatArray = (~inside * 2.0 + self._cells[i, j]).mean(axis=1)
        return made


def _touching(a: XYArray, b: XYArray, origin: FloatArray, size: FloatArray) -> np.ndarray:
    """Segments whose box meets the rectangle."""
    low, high = np.minimum(a, b), np.maximum(a, b)
    return np.asarray(((high >= origin) & (low <= origin + size)).all(axis=1))


@lru_cache(maxsize=4096)
def _filling(half_width: float, half_height: float) -> XYArray:
    """Points that fill an upright rectangle, no farther apart than a cell."""
    axes = [
        np.linspace(-h, h, max(2, int(np.ceil(2 * h / (CELL_PT * 0.9))) + 1))
        for h in (half_width, half_height)
    ]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)


def _boxes(centres: XYArray, half: tuple[float, float], angles_deg: FloatArray) -> np.ndarray:
    """(c, s, 2) points that fill turned rectangles, no farther apart than a cell."""
    grid = _filling(*half)
    turn = np.radians(angles_deg)
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x = grid[:, 0] * cos - grid[:, 1] * sin
    y = grid[:, 0] * sin + grid[:, 1] * cos
    return np.stack([x, y], axis=-1) + centres[:, None, :]
