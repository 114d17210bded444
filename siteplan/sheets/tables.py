"""Tables, headings and paragraphs that flow over columns and sheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from siteplan.sheets import signs
from siteplan.sheets.fonts import Face, Fonts
from siteplan.sheets.pen import Pen, Stroke
from siteplan.sheets.tiling import Window

SIZE: Final = 6.3
LINE: Final = 8.3
HEAD_PT: Final = 11.0
NOTE: Final = 7.0
NOTE_LINE: Final = 9.2
NOTE_LEAST_W: Final = 320.0
WRAP_MORE: Final = 150.0
"""a wrapped column takes this much more than it needs at most"""
GUTTER: Final = 14.0
PAD: Final = 5.0
"""between columns of a table"""

Align = Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table."""

    head: str
    align: Align = "left"
    wrap: bool = False
    """long texts go over several lines, and the column takes the room that is left"""
    least: float = 0.0
    """least width in points: for blanks to write in"""


@dataclass(frozen=True, slots=True)
class Row:
    """A row of cells, or a band with one text across."""

    cells: tuple[str, ...]
    band: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with paragraphs and a table below it."""

    title: str
    notes: tuple[str, ...] = ()
    columns: tuple[Column, ...] = ()
    rows: tuple[Row, ...] = ()
    key: str = ""
    """bookmark; empty for none"""
    blanks: tuple[int, ...] = ()
    """columns with a line to write on"""
    most_columns: int = 99


@dataclass(slots=True)
class Leaf:
    """What one sheet of tables holds: things to draw, each with its place."""

    title: str = ""
    """sections on the sheet"""
    keys: list[tuple[str, str, float]] = field(default_factory=list)
    """bookmark, title, and height on the sheet"""
    texts: list[tuple[float, float, str, float, Face, Literal["left", "right"]]] = field(default_factory=list)
    rules: list[tuple[float, float, float, float, float]] = field(default_factory=list)
    bands: list[tuple[float, float, float, float]] = field(default_factory=list)

    def draw(self, pen: Pen) -> None:
        """Draw it."""
        for x, y, width, height in self.bands:
            pen.box(x, y, width, height, fill="#E6E6E6")
        for weight in sorted({r[4] for r in self.rules}):
            ends = np.array([r[:4] for r in self.rules if r[4] == weight])
            colour = signs.INK if weight > 0.3 else signs.PALE
            pen.segments(ends[:, :2], ends[:, 2:], Stroke(colour, weight))
        pen.texts(self.texts)


class _Flow:
    """Sheets being filled."""

    def __init__(self, fonts: Fonts, window: Window) -> None:
        self.fonts = fonts
        self.window = window
        self.leaves: list[Leaf] = []
        self.y = 0.0
        self.new()

    @property
    def leaf(self) -> Leaf:
        return self.leaves[-1]

    @property
    def left(self) -> float:
        return self.window.x + 8

    @property
    def width(self) -> float:
        return self.window.width - 16

    @property
    def bottom(self) -> float:
        return self.window.y + 7

    @property
    def room(self) -> float:
        return self.y - self.bottom

    def new(self) -> None:
        self.leaves.append(Leaf())
        self.y = self.window.y + self.window.height - 8

    @property
    def fresh(self) -> bool:
        return not self.leaf.texts


def flow(sections: Sequence[Section], fonts: Fonts, window: Window) -> list[Leaf]:
    """Fill sheets with sections, in order."""
    state = _Flow(fonts, window)
    for section in sections:
        _section(state, section)
    return state.leaves


def _section(state: _Flow, section: Section) -> None:
    widths = _natural(state.fonts, section)
    need = HEAD_PT * 2.2 + len(section.notes) * LINE + (LINE * 5 if section.rows else 0)
    if not state.fresh and state.room < need:
        state.new()
    state.y -= HEAD_PT * (0.9 if state.fresh else 1.7)
    leaf = state.leaf
    leaf.title = f"{leaf.title}; {section.title}" if leaf.title else section.title
    if section.key:
        leaf.keys.append((section.key, section.title, state.y + HEAD_PT * 1.2))
    leaf.texts.append((state.left, state.y, section.title, HEAD_PT, "bold", "left"))
    leaf.rules.append((state.left, state.y - 3.2, state.left + state.width, state.y - 3.2, 0.8))
    state.y -= 7.0
    _notes(state, section.notes)
    if section.rows:
        _table(state, section, widths)


def _notes(state: _Flow, notes: Sequence[str]) -> None:
    """Paragraphs, in columns no wider than is easy to read."""
    if not notes:
        return
    count = max(1, int((state.width + GUTTER) // (NOTE_LEAST_W + GUTTER)))
    width = (state.width - GUTTER * (count - 1)) / count
    blocks = [state.fonts.wrap(note, NOTE, width) for note in notes]
    heights = [len(b) * NOTE_LINE + 2.4 for b in blocks]
    if len(notes) == 1 or sum(heights) > state.room:
        count, width = 1, min(state.width, 460.0)
        blocks = [state.fonts.wrap(note, NOTE, width) for note in notes]
        heights = [len(b) * NOTE_LINE + 2.4 for b in blocks]
    top = lowest = state.y
    share = max(sum(heights) / count, *heights)
    column, used = 0, 0.0
    for block, height in zip(blocks, heights, strict=True):
        if used and used + height > share * 1.08 and column + 1 < count:
            column, used = column + 1, 0.0
        if top - used - height < state.bottom:
            state.new()
            top = lowest = state.y
            column, used = 0, 0.0
        x = state.left + column * (width + GUTTER)
        for nth, text in enumerate(block):
            y = top - used - NOTE_LINE * (nth + 1)
            state.leaf.texts.append((x, y, text, NOTE, "regular", "left"))
        used += height
        lowest = min(lowest, top - used)
    state.y = lowest


def _natural(fonts: Fonts, section: Section) -> list[float]:
    """Width every column needs; a wrapped one a modest share."""
    made = []
    for k, column in enumerate(section.columns):
        wide = max((fonts.width(r.cells[k], SIZE) for r in section.rows if not r.band), default=0.0)
        if column.wrap:
            wide = min(wide, 120.0)
        made.append(max(wide, fonts.width(column.head, SIZE, "bold"), column.least))
    return made


def _table(state: _Flow, section: Section, natural: list[float]) -> None:
    gaps = PAD * (len(natural) - 1)
    full = sum(natural) + gaps
    count = int((state.width + GUTTER) // (full + GUTTER))
    count = max(1, min(count, section.most_columns))
    column_w = (state.width - GUTTER * (count - 1)) / count
    widths = _widths(section, natural, column_w - gaps)
    column_w = sum(widths) + gaps
    blocks = [_lines(state.fonts, section, row, widths) for row in section.rows]
    heights = [
        max(len(c) for c in block) * LINE + (1.2 if row.band else 0.0)
        for block, row in zip(blocks, section.rows, strict=True)
    ]
    first = 0
    while first < len(section.rows):
        first = _columns(state, section, blocks, heights, widths, column_w, count, first)
        if first < len(section.rows):
            state.new()
            state.leaf.title = f"{section.title} (continued)"


def _widths(section: Section, natural: list[float], room: float) -> list[float]:
    """Column widths that fill the room: spare room goes to wrapped columns, lack is shared by all."""
    spare = room - sum(natural)
    wrapped = [k for k, c in enumerate(section.columns) if c.wrap]
    if spare < 0:
        return [w * room / sum(natural) for w in natural]
    if wrapped:
        each = min(spare / len(wrapped), WRAP_MORE)
        return [w + (each if k in wrapped else 0.0) for k, w in enumerate(natural)]
    each = min(spare / len(natural), 10.0)
    return [w + each for w in natural]


def _lines(fonts: Fonts, section: Section, row: Row, widths: list[float]) -> list[list[str]]:
    if row.band:
        return [[row.cells[0]]]
    return [
        fonts.wrap(cell, SIZE, width) if column.wrap else [fonts.fit(cell, SIZE, width + 0.01)]
        for cell, column, width in zip(row.cells, section.columns, widths, strict=True)
    ]


def _columns(
    state: _Flow,
    section: Section,
    blocks: list[list[list[str]]],
    heights: list[float],
    widths: list[float],
    column_w: float,
    count: int,
    first: int,
) -> int:
    """Fill the columns of what is left of a sheet, evenly where everything fits; the next row."""
    top, head = state.y, LINE * 1.35
    total = sum(heights[first:])
    # a little air, since rows are not cut in two
    even = total / count + max(heights[first:]) + head
    room = min(state.room, even) if even < state.room else state.room
    lowest = top
    for column in range(count):
        if first >= len(blocks):
            break
        x, y = state.left + column * (column_w + GUTTER), top
        y = _head(state, section, widths, x, y, column_w)
        band = _open_band(section, first)
        if band is not None:
            y = _band(state, f"{band} (continued)", x, y, column_w)
        begun = first
        while first < len(blocks):
            height = heights[first]
            keep = section.rows[first].band and first + 1 < len(blocks)
            needs = height + (heights[first + 1] if keep else 0.0)
            if top - (y - needs) > room and first > begun:
                break
            y = _row(state, section, blocks[first], section.rows[first], widths, x, y, column_w, height)
            first += 1
        lowest = min(lowest, y)
    state.y = lowest - 4
    return first


def _open_band(section: Section, row: int) -> str | None:
    """Text of the band a row stands under, None where it is a band or under none."""
    if section.rows[row].band:
        return None
    return next((r.cells[0] for r in reversed(section.rows[:row]) if r.band), None)


def _cells(widths: list[float], x: float) -> list[tuple[float, float]]:
    made = []
    for width in widths:
        made.append((x, x + width))
        x += width + PAD
    return made


def _head(state: _Flow, section: Section, widths: list[float], x: float, y: float, column_w: float) -> float:
    y -= LINE
    for (left, right), column in zip(_cells(widths, x), section.columns, strict=True):
        at = right if column.align == "right" else left
        state.leaf.texts.append((at, y, column.head, SIZE, "bold", column.align))
    state.leaf.rules.append((x, y - 2.2, x + column_w, y - 2.2, 0.6))
    return y - LINE * 0.35


def _band(state: _Flow, text: str, x: float, y: float, column_w: float) -> float:
    y -= LINE + 1.2
    state.leaf.bands.append((x, y - 2.0, column_w, LINE))
    state.leaf.texts.append(
        (x + 2, y, state.fonts.fit(text, SIZE, column_w - 4, "bold"), SIZE, "bold", "left")
    )
    return y


def _row(
    state: _Flow,
    section: Section,
    block: list[list[str]],
    row: Row,
    widths: list[float],
    x: float,
    y: float,
    column_w: float,
    height: float,
) -> float:
    if row.band:
        return _band(state, row.cells[0], x, y, column_w)
    for k, ((left, right), column) in enumerate(zip(_cells(widths, x), section.columns, strict=True)):
        at = right if column.align == "right" else left
        for nth, text in enumerate(block[k]):
            if text:
                state.leaf.texts.append((at, y - LINE * (nth + 1), text, SIZE, "regular", column.align))
        if k in section.blanks:
            state.leaf.rules.append((left, y - LINE - 1.5, right, y - LINE - 1.5, 0.35))
    state.leaf.rules.append((x, y - height - 2.2, x + column_w, y - height - 2.2, 0.2))
    return y - height
