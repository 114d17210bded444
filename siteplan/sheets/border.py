"""What stands on every sheet round its content: frame, legend, title block, scale, grid, key plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from siteplan.model import PieceKind
from siteplan.sheets import signs
from siteplan.sheets.content import Content
from siteplan.sheets.drawing import hatch
from siteplan.sheets.fonts import Fonts
from siteplan.sheets.paper import MM_PT, Paper, Scale
from siteplan.sheets.pen import Pen, Stroke, turned
from siteplan.sheets.scene import Scene
from siteplan.sheets.tiling import OVERLAP_PT, Tiling, View, Window
from siteplan.types import FloatArray, XYArray

MARGIN: Final = 10.0 * MM_PT
KEY_W: Final = 40.0 * MM_PT
NORTH_W: Final = 13.0 * MM_PT
SCALE_W: Final = 112.0 * MM_PT
WIDE: Final = 236.0 * MM_PT
"""usable width from which the title block is one row"""
ROW_H: Final = 31.0 * MM_PT
TITLE_H: Final = 30.0 * MM_PT
LEGEND_H: Final = 4.8 * MM_PT
LEGEND_PT: Final = 5.7
GRID_LEAST_PT: Final = 26.0 * MM_PT
SLIM_H: Final = 16.0 * MM_PT
"""title block of sheets without a drawing"""
_ONE_TWO_FIVE: Final = [m * 10**e for e in range(6) for m in (1, 2, 5)]


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the title block says of one sheet."""

    number: int
    count: int
    title: str
    key: str
    """bookmark"""
    scale: Scale | None
    """None where nothing is drawn to scale"""
    plan: int = -1
    """which tile the sheet shows, -1 for none"""


def content_window(paper: Paper, fonts: Fonts, *, drawing: bool = True) -> Window:
    """The part of a sheet above its title block, and above the legend where there is a drawing."""
    width = paper.width_pt - 2 * MARGIN
    below = _strip_height(width) + _legend_rows(fonts, width)[1] * LEGEND_H if drawing else SLIM_H
    return Window(MARGIN, MARGIN + below, width, paper.height_pt - 2 * MARGIN - below)


def _strip_height(width: float) -> float:
    return ROW_H if width >= WIDE else ROW_H + TITLE_H


# ---------------------------------------------------------------- legend


def _piece_mark(kind: PieceKind) -> Callable[[Pen, float, float], None]:
    def draw(pen: Pen, x: float, y: float) -> None:
        pen.box(x, y - 1.1, 15, 2.2, fill=signs.PIECE_FILLS[kind], stroke=signs.PIECE_EDGE)
        ends = np.array([(x, y), (x + 15, y)])
        up = np.array([0, 2.3])
        pen.segments(ends - up, ends + up, signs.JOINT)
        signs.place(pen, signs.PIECE_SIGNS[kind], np.array([(x + 7.5, y)]))

    return draw


def _sign_mark(sign: signs.Sign) -> Callable[[Pen, float, float], None]:
    return lambda pen, x, y: signs.place(pen, sign, np.array([(x + 5, y)]), size=1.15)


def _line_mark(stroke: Stroke) -> Callable[[Pen, float, float], None]:
    return lambda pen, x, y: pen.line([(x, y), (x + 16, y)], stroke)


def _area_mark(
    fill: str | None, stroke: Stroke, lines: Stroke | None, rising: bool
) -> Callable[[Pen, float, float], None]:
    def draw(pen: Pen, x: float, y: float) -> None:
        pen.box(x, y - 3.4, 14, 6.8, fill=fill)
        if lines is not None:
            hatch(pen, shapely.box(x, y - 3.4, x + 14, y + 3.4), lines, spacing=2.4, rising=rising)
        pen.box(x, y - 3.4, 14, 6.8, stroke=stroke)

    return draw


def _arrow_mark(pen: Pen, x: float, y: float) -> None:
    pen.line([(x, y), (x + 14, y)], Stroke(signs.INK, 0.6))
    pen.shapes(turned(signs.ARROW, 0.0, 3.6) + np.array([x + 8, y]), [0, 4], fill=signs.INK)


def _stop_mark(pen: Pen, x: float, y: float) -> None:
    pen.line([(x, y), (x + 12, y)], Stroke(signs.INK, 0.6))
    pen.segments(np.array([(x + 12, y - 3.6)]), np.array([(x + 12, y + 3.6)]), Stroke(signs.INK, 1.3))


def _ring_mark(pen: Pen, x: float, y: float) -> None:
    signs.place(
        pen, signs.Sign(signs.DISC, None, Stroke(signs.GREY, 0.8, (1.2, 0.9)), 3.0), np.array([(x + 5, y)])
    )


LEGEND: Final[tuple[tuple[str, float, Callable[[Pen, float, float], None]], ...]] = (
    ("section", 15, _piece_mark(PieceKind.SECTION)),
    ("closer", 15, _piece_mark(PieceKind.CLOSER)),
    ("cut piece", 15, _piece_mark(PieceKind.CUT)),
    ("corner unit", 15, _piece_mark(PieceKind.CORNER)),
    ("end unit", 15, _piece_mark(PieceKind.END)),
    ("lay this way", 14, _arrow_mark),
    ("outside corner", 9, _sign_mark(signs.OUTSIDE)),
    ("inside corner", 9, _sign_mark(signs.INSIDE)),
    ("abutted end", 13, _stop_mark),
    ("UNMET: nothing fits", 16, _line_mark(signs.UNMET)),
    ("no edging here", 16, _line_mark(signs.BARE)),
    ("opening", 16, _line_mark(signs.OPENING)),
    ("bed", 14, _area_mark(signs.BED_FILL, signs.BED, None, True)),
    ("other bed", 14, _area_mark(None, signs.OTHER_BED, None, True)),
    ("wall, building, kerb", 14, _area_mark(signs.WALL_FILL, signs.WALL, signs.HATCH, True)),
    ("match line", 22, _line_mark(signs.MATCH)),
)


def _legend_rows(fonts: Fonts, width: float) -> tuple[list[tuple[float, int]], int]:
    """Place (x, row) of each entry of the legend, and the number of rows."""
    places, x, row = [], 4.0, 0
    for text, mark, _ in LEGEND:
        need = mark + 3 + fonts.width(text, LEGEND_PT)
        if x + need > width - 4 and x > 4:
            x, row = 4.0, row + 1
        places.append((x, row))
        x += need + 9
    return places, row + 1


def _legend(pen: Pen, paper: Paper, top: float) -> None:
    width = paper.width_pt - 2 * MARGIN
    places, rows = _legend_rows(pen.fonts, width)
    pen.box(MARGIN, top - rows * LEGEND_H, width, rows * LEGEND_H, stroke=signs.THIN)
    for (text, mark, draw), (x, row) in zip(LEGEND, places, strict=True):
        y = top - (row + 0.5) * LEGEND_H
        draw(pen, MARGIN + x, y)
        pen.text(MARGIN + x + mark + 3, y - LEGEND_PT * 0.36, text, LEGEND_PT)


# ---------------------------------------------------------------- title block


def draw_border(pen: Pen, paper: Paper, sheet: Sheet, scene: Scene, tiling: Tiling, first_plan: int) -> None:
    """Frame, legend and title block of a sheet.

    Parameters
    ----------
    pen, paper, sheet : what to draw with, on what, and what it says
    scene, tiling : the plan, and its sheets for the key plan
    first_plan : number of the first plan sheet
    """
    width, height = paper.width_pt - 2 * MARGIN, paper.height_pt - 2 * MARGIN
    if sheet.scale is None:
        cells = _slim_block(pen, sheet, scene.content, paper, width)
    else:
        _legend(pen, paper, content_window(paper, pen.fonts).y)
        cells = _block(pen, sheet, sheet.scale, scene, tiling, first_plan, paper, width)
    for cell in cells:
        pen.box(cell.x, cell.y, cell.width, cell.height, stroke=signs.THIN)
    pen.box(MARGIN, MARGIN, width, height, stroke=signs.FRAME)


def _block(
    pen: Pen,
    sheet: Sheet,
    scale: Scale,
    scene: Scene,
    tiling: Tiling,
    first_plan: int,
    paper: Paper,
    width: float,
) -> tuple[Window, ...]:
    """Title block of a drawing: title, scale, north, key plan; in two rows where the paper is narrow."""
    strip = _strip_height(width)
    key = Window(MARGIN + width - KEY_W, MARGIN + strip - ROW_H, KEY_W, ROW_H)
    if width >= WIDE:
        title = Window(MARGIN, MARGIN, width - KEY_W - NORTH_W - SCALE_W, ROW_H)
        bar = Window(title.x + title.width, MARGIN, SCALE_W, ROW_H)
        north = Window(bar.x + SCALE_W, MARGIN, NORTH_W, ROW_H)
    else:
        title = Window(MARGIN, MARGIN + strip - ROW_H, width - KEY_W - NORTH_W, ROW_H)
        north = Window(title.x + title.width, title.y, NORTH_W, ROW_H)
        bar = Window(MARGIN, MARGIN, width, TITLE_H)
    _title(pen, title, sheet, scene.content, paper)
    _scale(pen, bar, scale, scene.content)
    _north(pen, north)
    _key_plan(pen, key, sheet, scene, tiling, first_plan)
    return title, bar, north, key


def _slim_block(pen: Pen, sheet: Sheet, content: Content, paper: Paper, width: float) -> tuple[Window, ...]:
    """Title block of a sheet of tables."""
    left = Window(MARGIN, MARGIN, width * 0.45, SLIM_H)
    right = Window(MARGIN + left.width, MARGIN, width - left.width, SLIM_H)
    fonts, x, y = pen.fonts, left.x + 5, left.y + left.height - 11
    room = left.width - 10
    pen.text(x, y, fonts.fit(content.site.settings.name, 8.5, room, "bold"), 8.5, face="bold")
    number = f"Sheet {sheet.number} of {sheet.count}"
    pen.text(x + room, y - 11, number, 8.0, face="bold", anchor="right")
    pen.text(x, y - 11, fonts.fit(sheet.title, 7.5, room - fonts.width(number, 8.0, "bold") - 6), 7.5)
    pen.text(x, y - 19.5, fonts.fit(f"{content.subject}. {_revision(content)}", 5.9, room), 5.9)
    pen.text(x, y - 27, fonts.fit(f"{_lines_text(content)}. {paper.text}", 5.9, room), 5.9)
    _notes(pen, right.x + 5, y + 2, right.width - 10, right.y + 2, content)
    return left, right


def _lines_text(content: Content) -> str:
    lines = content.result.lines
    if len(lines) == 1:
        return f"Product line: {lines[0].name}"
    return f"Product lines: {', '.join(x.key for x in lines)}; each run says its own"


def _revision(content: Content) -> str:
    named = f"Revision {content.revision}" if content.revision else "No revision given"
    return f"{named}. Plan {shown_hash(content)}"


def _notes(pen: Pen, x: float, y: float, width: float, least_y: float, content: Content) -> None:
    """Which length, grid, datum and north the numbers have."""
    for text in (content.length_basis, content.grid_text, content.north_text):
        for line in pen.fonts.wrap(text, 5.6, width):
            if y < least_y:
                return
            pen.text(x, y, line, 5.6)
            y -= 6.9


def _title(pen: Pen, cell: Window, sheet: Sheet, content: Content, paper: Paper) -> None:
    x, width = cell.x + 5, cell.width - 10
    fonts, y = pen.fonts, cell.y + cell.height - 12
    size = 10.5
    lines = fonts.wrap(content.site.settings.name, size, width, "bold")
    if len(lines) > 1:
        size = 8.5
        lines = fonts.wrap(content.site.settings.name, size, width, "bold")
        lines = [*lines[:1], fonts.fit(" ".join(lines[1:]), size, width, "bold")][: len(lines)]
    for line in lines:
        pen.text(x, y, line, size, face="bold")
        y -= size * 1.15
    y -= 1.5
    number = f"Sheet {sheet.number} of {sheet.count}"
    pen.text(x + width, y, number, 8.0, face="bold", anchor="right")
    room = width - fonts.width(number, 8.0, "bold") - 6
    pen.text(x, y, fonts.fit(sheet.title, 8.0, room), 8.0)
    rows = [
        content.subject,
        _lines_text(content),
        f"{_revision(content)}. {paper.text}",
    ]
    if content.site.settings.note:
        rows.append(content.site.settings.note)
    y -= 10.5
    for row in rows:
        if y < cell.y + 2:
            break
        pen.text(x, y, fonts.fit(row, 5.9, width), 5.9)
        y -= 7.4


def shown_hash(content: Content) -> str:
    """The plan's hash, short, in groups that can be read out."""
    return " ".join(content.digest[k : k + 4] for k in range(0, 12, 4))


def _scale(pen: Pen, cell: Window, scale: Scale, content: Content) -> None:
    x, width = cell.x + 6, cell.width - 12
    y = cell.y + cell.height - 10
    pen.text(x, y, f"Scale {scale.text}", 8.2, face="bold")
    ground, words, _ = scale.check_line()
    pen.text(x + width, y, f"Check: this bar is {words}", 5.9, anchor="right")
    scale_bar(pen, x, y - 17.5, scale, ground)
    y -= 34
    pen.text(
        x,
        y,
        "Measure the bar before use. If it is off, the sheet was not printed at 100 %.",
        5.6,
        face="bold",
    )
    _notes(pen, x, y - 7.6, width, cell.y + 2, content)


def scale_bar(pen: Pen, x: float, y: float, scale: Scale, ground_m: float) -> None:
    """A bar of known length, divided, black and white in turn, with numbers above."""
    length = ground_m * scale.pt_per_m
    numbers, unit = scale.bar_numbers()
    step = length / (len(numbers) - 1)
    for k in range(len(numbers) - 1):
        pen.box(x + k * step, y - 4, step, 4, fill=signs.INK if k % 2 == 0 else signs.WHITE)
    pen.box(x, y - 4, length, 4, stroke=Stroke(signs.INK, 0.4))
    ends = np.array([(x, y - 6.5), (x + length, y - 6.5)])
    pen.segments(ends, ends + np.array([0, 9.0]), Stroke(signs.INK, 0.4))
    for k, text in enumerate(numbers):
        last = k == len(numbers) - 1
        shown = f"{text} {unit}" if last else text
        pen.text(
            x + k * step, y + 3.4, shown, 5.4, anchor="left" if k == 0 else "right" if last else "middle"
        )


def _north(pen: Pen, cell: Window) -> None:
    x, y = cell.x + cell.width / 2, cell.y + cell.height / 2 - 8
    top = np.array([x, y + 24])
    left = np.array([(0, 0), (-5, -18), (0, -13.5)]) + top
    right = np.array([(0, 0), (5, -18), (0, -13.5)]) + top
    pen.shapes(left, [0, 3], fill=signs.INK, stroke=Stroke(signs.INK, 0.5))
    pen.shapes(right, [0, 3], fill=signs.WHITE, stroke=Stroke(signs.INK, 0.5))
    pen.line([(x, y + 10.5), (x, y - 6)], Stroke(signs.INK, 0.7))
    pen.centred(x, y + 31, "N", 9.0, face="bold")
    pen.centred(x, cell.y + 13.5, "grid", 5.4)
    pen.centred(x, cell.y + 7, "north", 5.4)


# ---------------------------------------------------------------- key plan


def _key_plan(pen: Pen, cell: Window, sheet: Sheet, scene: Scene, tiling: Tiling, first_plan: int) -> None:
    box = Window(cell.x + 4, cell.y + 4, cell.width - 8, cell.height - 12.5)
    pen.text(cell.x + 4, cell.y + cell.height - 7, "Key plan", 5.4, face="bold")
    pen.text(cell.x + cell.width - 4, cell.y + cell.height - 7, "not to scale", 4.8, anchor="right")
    low = np.array([(t.x0, t.y0) for t in tiling.tiles]).min(axis=0)
    high = np.array([(t.x0 + t.width_m, t.y0 + t.height_m) for t in tiling.tiles]).max(axis=0)
    span = high - low
    factor = float(min(box.width / span[0], box.height / span[1]))
    view = View(box, tuple(((low + high) / 2).tolist()), factor)
    xy, offsets = scene.outlines
    pen.shapes(view.points(xy), offsets, fill="#B9D8CB", stroke=Stroke(signs.BED_LINE, 0.25), together=True)
    for k, tile in enumerate(tiling.tiles):
        corner = view.points(np.array([(tile.x0, tile.y0)]))[0]
        w, h = tile.width_m * factor, tile.height_m * factor
        here = k == sheet.plan
        x, y = float(corner[0]), float(corner[1])
        pen.box(x, y, w, h, stroke=Stroke(signs.INK, 1.3 if here else 0.3))
        pen.link(x, y, w, h, f"plan{k + 1}")
        size = min(6.0, h * 0.6, w * 0.42)
        if size >= 2.4:
            number = str(first_plan + k)
            if here:
                half = pen.fonts.width(number, size, "bold") / 2 + 1.2
                pen.box(x + w / 2 - half, y + h / 2 - size * 0.62, 2 * half, size * 1.24, fill=signs.INK)
            pen.centred(
                x + w / 2, y + h / 2, number, size, face="bold" if here else "regular",
                colour=signs.WHITE if here else signs.INK,
            )  # fmt: skip


# ---------------------------------------------------------------- grid and match lines


@dataclass(frozen=True, slots=True, eq=False)
class GridMarks:
    """Round grid coordinates in a view, and where they lie on the sheet."""

    easts: FloatArray
    norths: FloatArray
    """in the unit of the grid"""
    at: XYArray
    """(easts, norths, 2) points"""


def grid_marks(view: View, content: Content) -> GridMarks:
    """Where the grid's crosses come: every 1, 2 or 5 units, no closer than is easy to read."""
    frame = content.site.frame
    west, south, east, north = view.ground
    (e0, n0), (e1, n1) = frame.grid(np.array([(west, south), (east, north)])).tolist()
    pt_per_unit = frame.ground_m_per_grid_unit * view.pt_per_m
    step = next((s for s in _ONE_TWO_FIVE if s * pt_per_unit >= GRID_LEAST_PT), _ONE_TWO_FIVE[-1])
    easts = np.arange(np.ceil(e0 / step), np.floor(e1 / step) + 1) * step
    norths = np.arange(np.ceil(n0 / step), np.floor(n1 / step) + 1) * step
    grid = np.stack(np.meshgrid(easts, norths, indexing="ij"), axis=-1)
    at = view.points(frame.ground_xy(grid.reshape(-1, 2), frame.crs_wkt)).reshape(*grid.shape)
    return GridMarks(easts, norths, at)


def draw_grid(pen: Pen, marks: GridMarks) -> None:
    """Crosses at round grid coordinates."""
    flat = marks.at.reshape(-1, 2)
    for arm in ((3.0, 0.0), (0.0, 3.0)):
        pen.segments(flat - arm, flat + arm, signs.GRID)


def draw_grid_numbers(pen: Pen, view: View, marks: GridMarks) -> None:
    """Ticks on all edges of the drawing, with coordinates along the lower and the left one."""
    window, at = view.window, marks.at
    if not at.size:
        return
    right, top = window.x + window.width, window.y + window.height
    _ticks(pen, at[:, 0, 0], window.y, top, upright=True)
    _ticks(pen, at[0, :, 1], window.x, right, upright=False)
    for x, value in zip(at[:, 0, 0].tolist(), marks.easts.tolist(), strict=True):
        if window.x + 34 < x < right - 24:
            _edge_number(pen, x, window.y + 5.0, f"{value:.0f} E", 0.0)
    for y, value in zip(at[0, :, 1].tolist(), marks.norths.tolist(), strict=True):
        if window.y + 34 < y < top - 24:
            _edge_number(pen, window.x + 5.0, y, f"{value:.0f} N", 90.0)


def _edge_number(pen: Pen, x: float, y: float, text: str, angle: float) -> None:
    pen.centred(x, y, text, 5.0, colour=signs.GREY, angle_deg=angle, backing=1.0)


def _ticks(pen: Pen, at: np.ndarray, low: float, high: float, *, upright: bool) -> None:
    for edge, inwards in ((low, 2.2), (high, -2.2)):
        a = np.column_stack([at, np.full(len(at), edge)])
        b = a + np.array([0, inwards])
        if not upright:
            a, b = a[:, ::-1], b[:, ::-1]
        pen.segments(a, b, signs.THIN)


def draw_match_lines(pen: Pen, view: View, tiling: Tiling, number: int, first_plan: int) -> None:
    """Match lines of a plan sheet, each naming the sheet beyond, with what lies beyond paled."""
    if not tiling.margin_pt:
        return
    neighbours = tiling.neighbours(number)
    bands = {side: _band(view.window, side) for side in neighbours}
    for band, _, _ in bands.values():
        pen.box(band.x, band.y, band.width, band.height, fill=signs.WHITE, opacity=0.55)
    for side, other in neighbours.items():
        band, line, label = bands[side]
        pen.line(line, signs.MATCH)
        angle = 0.0 if side in ("north", "south") else 90.0
        text = f"MATCH LINE   SHEET {first_plan + other}"
        pen.centred(*label, text, 6.6, face="bold", angle_deg=angle, backing=1.0)
        pen.link(band.x, band.y, band.width, band.height, f"plan{other + 1}")


def _band(window: Window, side: str) -> tuple[Window, list[tuple[float, float]], tuple[float, float]]:
    """The strip beyond a match line, the line, and where it is lettered."""
    right, top = window.x + window.width, window.y + window.height
    middle_x, middle_y = window.middle
    if side in ("north", "south"):
        y = top - OVERLAP_PT if side == "north" else window.y + OVERLAP_PT
        low = y if side == "north" else window.y
        label = middle_x, y + (5.2 if side == "north" else -5.2)
        return Window(window.x, low, window.width, OVERLAP_PT), [(window.x, y), (right, y)], label
    x = right - OVERLAP_PT if side == "east" else window.x + OVERLAP_PT
    low = x if side == "east" else window.x
    label = x + (5.2 if side == "east" else -5.2), middle_y
    return Window(low, window.y, OVERLAP_PT, window.height), [(x, window.y), (x, top)], label
