"""Which scale, which way the paper is held, and where the sheets lie on the ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.errors import Finding, UsageError
from siteplan.sheets.paper import MM_PT, Paper, Scale
from siteplan.types import XYArray

OVERLAP_PT: Final = 7.0 * MM_PT
"""what a sheet shows beyond its match lines"""
LEGIBLE_PT: Final = 4.4 * MM_PT
"""a usual piece at least this long on paper is easy to tell from the next"""
SHIFTS: Final = 6
"""places of the sheet lines that are tried each way"""
SIDES: Final = {"north": (0, 1), "east": (1, 0), "south": (0, -1), "west": (-1, 0)}


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a sheet that shows the ground, in points from the lower left of the sheet."""

    x: float
    y: float
    width: float
    height: float

    @property
    def middle(self) -> tuple[float, float]:
        """Centre."""
        return self.x + self.width / 2, self.y + self.height / 2


@dataclass(frozen=True, slots=True)
class Tile:
    """One plan sheet's share of the ground, in ground metres."""

    column: int
    row: int
    """counted north"""
    x0: float
    y0: float
    width_m: float
    height_m: float

    @property
    def middle(self) -> tuple[float, float]:
        """Centre."""
        return self.x0 + self.width_m / 2, self.y0 + self.height_m / 2


@dataclass(frozen=True, slots=True)
class View:
    """Ground metres to points of a sheet: the centre of the window and a true scale."""

    window: Window
    centre: tuple[float, float]
    pt_per_m: float

    def points(self, xy: XYArray) -> XYArray:
        """(n, 2) ground metres to points."""
        made: XYArray = (np.asarray(xy).reshape(-1, 2) - self.centre) * self.pt_per_m + self.window.middle
        return made

    @property
    def ground(self) -> tuple[float, float, float, float]:
        """What the window shows: west, south, east, north in ground metres."""
        half_w, half_h = self.window.width / 2 / self.pt_per_m, self.window.height / 2 / self.pt_per_m
        x, y = self.centre
        return x - half_w, y - half_h, x + half_w, y + half_h


@dataclass(frozen=True, slots=True)
class Tiling:
    """Plan sheets of a site, in the order they are numbered: north to south, west to east."""

    paper: Paper
    window: Window
    scale: Scale
    tiles: tuple[Tile, ...]
    margin_pt: float
    """what a sheet shows beyond its tile; 0 where one sheet shows everything"""

    def view(self, number: int) -> View:
        """How sheet ``number`` (from 0) shows the ground."""
        return View(self.window, self.tiles[number].middle, self.scale.pt_per_m)

    def neighbours(self, number: int) -> dict[str, int]:
        """Sheets that share a match line with a sheet, by side."""
        at = {(t.column, t.row): k for k, t in enumerate(self.tiles)}
        tile = self.tiles[number]
        found = {side: at.get((tile.column + dx, tile.row + dy)) for side, (dx, dy) in SIDES.items()}
        return {side: k for side, k in found.items() if k is not None}

    def sheet_of(self, xy: XYArray) -> np.ndarray:
        """(n,) number of the sheet each point belongs to (its tile), -1 for none."""
        first = self.tiles[0]
        column = np.floor((xy[:, 0] - first.x0) / first.width_m).astype(np.int64) + first.column
        row = np.floor((xy[:, 1] - first.y0) / first.height_m).astype(np.int64) + first.row
        made = np.full(len(xy), -1, dtype=np.int64)
        for k, tile in enumerate(self.tiles):
            made[(column == tile.column) & (row == tile.row)] = k
        return made


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What must be on some sheet.  n things."""

    middle: XYArray
    """(n, 2) a thing belongs to the sheet its middle lies on"""
    low: XYArray
    high: XYArray
    """(n, 2) its box: no part of a thing may be missing from the sheets"""
    usual_m: float
    """length of a usual piece"""


def _cells(ground: Ground, origin: XYArray, size: XYArray, margin_m: float) -> np.ndarray:
    """(k, 2) columns and rows that must be drawn, each once."""
    low = np.minimum(ground.low + margin_m, ground.middle)
    high = np.maximum(ground.high - margin_m, ground.middle)
    corners = [ground.middle, low, high]
    corners += [np.column_stack([low[:, 0], high[:, 1]]), np.column_stack([high[:, 0], low[:, 1]])]
    cells = np.floor((np.concatenate(corners) - origin) / size).astype(np.int64)
    # one number for each cell: sorting pairs is slow
    least = cells.min(axis=0)
    wide = int(np.ptp(cells[:, 1])) + 1
    number = np.unique((cells[:, 0] - least[0]) * wide + cells[:, 1] - least[1])
    made: np.ndarray = np.column_stack([number // wide, number % wide]) + least
    return made


def _best(ground: Ground, window: Window, scale: Scale) -> tuple[np.ndarray, XYArray, XYArray, float]:
    """Fewest sheets at a scale: cells, origin, size of a cell, margin in points."""
    low, high = ground.low.min(axis=0), ground.high.max(axis=0)
    paper = np.array([window.width, window.height])
    air = 6.0 * MM_PT
    if ((high - low) * scale.pt_per_m + 2 * air <= paper).all():
        size = paper / scale.pt_per_m
        return np.zeros((1, 2), np.int64), (low + high) / 2 - size / 2, size, 0.0
    size = (paper - 2 * OVERLAP_PT) / scale.pt_per_m
    margin_m = (OVERLAP_PT - 1.0 * MM_PT) / scale.pt_per_m
    extent = high - low
    # first the lines that leave equal air on both sides, then shifted ones; the first best stays
    centred = low - (np.ceil(extent / size) * size - extent) / 2
    best: tuple[np.ndarray, XYArray] | None = None
    for shift_x in range(SHIFTS):
        for shift_y in range(SHIFTS):
            origin = centred - size * (shift_x, shift_y) / SHIFTS
            cells = _cells(ground, origin, size, margin_m)
            if best is None or len(cells) < len(best[0]):
                best = cells, origin
    if best is None:
        raise UsageError("there is nothing to put on sheets")
    return best[0], best[1], size, OVERLAP_PT


def _tiling(ground: Ground, papers: list[tuple[Paper, Window]], scale: Scale) -> Tiling:
    """The way to hold the paper that needs fewer sheets; lying where both need the same."""
    made = []
    for paper, window in papers:
        cells, origin, size, margin = _best(ground, window, scale)
        made.append((len(cells), paper, window, cells, origin, size, margin))
    _, paper, window, cells, origin, size, margin = min(made, key=lambda m: m[0])
    order = np.lexsort([cells[:, 0], -cells[:, 1]])
    tiles = tuple(
        Tile(
            c,
            r,
            float(origin[0] + c * size[0]),
            float(origin[1] + r * size[1]),
            float(size[0]),
            float(size[1]),
        )
        for c, r in cells[order].tolist()
    )
    return Tiling(paper, window, scale, tiles, margin)


def choose_tiling(
    ground: Ground,
    papers: list[tuple[Paper, Window]],
    scales: tuple[Scale, ...],
    asked: Scale | None,
    most_sheets: int,
) -> tuple[Tiling, tuple[Finding, ...]]:
    """Scale, way to hold the paper, and sheets.

    Without a scale asked for: of the scales that show a usual piece legibly the smallest, which
    needs the fewest sheets; then any larger one that needs no more.

    Parameters
    ----------
    ground : what must be shown
    papers : the paper held both ways, each with the window its sheets have
    scales : scales to choose from, largest drawing first
    asked : scale asked for, or None
    most_sheets : limit

    Raises
    ------
    UsageError : more sheets than the limit at the scale asked for or at any scale.
    """
    if asked is not None:
        made = _tiling(ground, papers, asked)
        if len(made.tiles) > most_sheets:
            raise UsageError(_too_many(made, most_sheets))
        return made, _legibility(ground, made)
    legible = [s for s in scales if ground.usual_m * s.pt_per_m >= LEGIBLE_PT] or [scales[0]]
    made = _tiling(ground, papers, legible[-1])
    for scale in reversed(legible[:-1]):
        finer = _tiling(ground, papers, scale)
        if len(finer.tiles) > len(made.tiles):
            break
        made = finer
    if len(made.tiles) > most_sheets:
        smaller = scales[scales.index(made.scale) + 1 :]
        fitting = (_tiling(ground, papers, s) for s in smaller)
        found = next((t for t in fitting if len(t.tiles) <= most_sheets), None)
        if found is None:
            raise UsageError(_too_many(made, most_sheets))
        made = found
    return made, _legibility(ground, made)


def _too_many(made: Tiling, most_sheets: int) -> str:
    return (
        f"{made.scale.text} on {made.paper.text} needs {len(made.tiles)} plan sheets, more than "
        f"{most_sheets}; "
        "use a smaller scale (--scale 1:500 or --scale 100ft), larger paper, fewer beds (--bed, --phase), "
        f"or allow them with --most-sheets {len(made.tiles)}"
    )


def _legibility(ground: Ground, made: Tiling) -> tuple[Finding, ...]:
    usual_mm = ground.usual_m * made.scale.pt_per_m / MM_PT
    if usual_mm >= LEGIBLE_PT / MM_PT:
        return ()
    return (
        Finding(
            "small-scale",
            "notice",
            f"at {made.scale.text} a usual piece is {usual_mm:.1f} mm long on the sheets: some numbers stand "
            "in the piece schedule only. A larger scale, larger paper or fewer beds show more.",
        ),
    )
