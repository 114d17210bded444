"""The as-built report on one page of paper, through the sheets' pens."""

from __future__ import annotations

import io
from typing import Final

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from siteplan.asbuilt.make import AsBuilt
from siteplan.asbuilt.picture import LEGEND, draw_map
from siteplan.asbuilt.words import (
    Board,
    figures,
    findings_board,
    rate_board,
    run_board,
    stock_board,
    taped_board,
)
from siteplan.publish.mapdata import CAUTIONS
from siteplan.sheets.fonts import Face, Fonts
from siteplan.sheets.pen import Anchor, PdfPen, Pen, Stroke
from siteplan.sheets.revision import short_hash

SIZES: Final = {"ft": (612.0, 792.0), "m": (595.28, 841.89)}
"""Letter where feet are shown, A4 elsewhere, in points"""
MARGIN: Final = 34.0
SIZE: Final = 6.8
LINE: Final = 8.8
HEAD: Final = 9.0
MOST: Final = {"Runs to look at": 9, "Pieces": 10, "Production": 5, "As-laid lengths": 5}
"""rows of each table on the page; the others are in asbuilt.html"""
FINDINGS_LEAST: Final = 60.0


def asbuilt_pdf(built: AsBuilt) -> bytes:
    """The report as a PDF document of one page."""
    fonts = Fonts()
    width, height = SIZES[built.site.settings.show.units]
    stream = io.BytesIO()
    rl_config.useA85 = 0
    canvas = Canvas(
        stream, pagesize=(width, height), pageCompression=1, invariant=1, initialFontName=fonts.first,
        lang="en",
    )  # fmt: skip
    canvas.setTitle(f"{built.site.settings.name}: as built")
    canvas.setSubject(f"Plan {built.digest}")
    for put in (canvas.setCreator, canvas.setProducer):
        put("siteplan")
    canvas.setAuthor("")
    draw_report(PdfPen(canvas, fonts), built, width, height)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def draw_report(pen: Pen, built: AsBuilt, width: float, height: float) -> None:
    """The whole page."""
    fonts, right = pen.fonts, width - MARGIN
    room = right - MARGIN
    y = height - MARGIN - 12
    title = fonts.fit(f"As built: {built.site.settings.name}", 14, room, "bold")
    pen.text(MARGIN, y, title, 14, face="bold")
    y -= 13
    names = ", ".join(name.rsplit("/", 1)[-1] for name in built.files)
    revisions = {f.revision for f in built.sheaf.files if f.revision}
    said = f"Plan {short_hash(built.digest)}. " + (
        f"Revision in the field: {', '.join(sorted(revisions))}. " if revisions else ""
    )
    pen.text(MARGIN, y, fonts.fit(f"{said}From {names}", SIZE, room), SIZE)
    y -= 8
    box_h = 200.0
    left_w = room * 0.38
    _figures(pen, built, MARGIN, y - 4, left_w)
    draw_map(pen, built, MARGIN + left_w + 10, y - box_h, room - left_w - 10, box_h)
    y -= box_h + 4
    for board in (run_board(built, every=False), stock_board(built), rate_board(built), taped_board(built)):
        if board.rows:
            y = _board(pen, board, MARGIN, y, room, MOST[board.title])
    bottom = MARGIN + 44
    _findings(pen, findings_board(built), MARGIN, y, room, bottom)
    _close(pen, MARGIN, room)


def _figures(pen: Pen, built: AsBuilt, x: float, y: float, width: float) -> None:
    for label, value in figures(built):
        y -= LINE + 1.6
        pen.text(x, y, pen.fonts.fit(label, SIZE, width * 0.44), SIZE)
        pen.text(x + width * 0.46, y, pen.fonts.fit(value, SIZE, width * 0.54, "bold"), SIZE, face="bold")
    y -= 8
    for stroke, words in LEGEND:
        y -= LINE + 1
        pen.line([(x, y + 2.2), (x + 22, y + 2.2)], stroke)
        pen.text(x + 27, y, pen.fonts.fit(words, SIZE - 0.6, width - 27), SIZE - 0.6)
    if built.surveyed is not None:
        y -= LINE + 1
        pen.box(x + 9, y, 3.6, 3.6, stroke=Stroke("#000000", 0.6))
        pen.text(x + 27, y, "survey point of no run", SIZE - 0.6)


def _board(pen: Pen, board: Board, x: float, y: float, width: float, most: int) -> float:
    """A table cut to its first rows; the y below it."""
    fonts = pen.fonts
    y -= HEAD + 5
    more = len(board.rows) - most
    title = board.title + (
        f" (the first {most} of {len(board.rows)}; all in asbuilt.html)" if more > 0 else ""
    )
    pen.text(x, y, title, HEAD, face="bold")
    rows = board.rows[:most]
    natural = [
        max([fonts.width(board.head[k], SIZE, "bold"), *(min(fonts.width(r[k], SIZE), 150.0) for r in rows)])
        for k in range(len(board.head))
    ]
    pad = min(12.0, max((width - sum(natural)) / max(len(natural) - 1, 1), 3.0))
    share = min(1.0, (width - pad * (len(natural) - 1)) / sum(natural))
    places, at = [], x
    for each in natural:
        places.append((at, at + each * share))
        at += each * share + pad
    y = _line(pen, board, board.head, places, y, "bold")
    pen.line([(x, y - 2), (at - pad, y - 2)], Stroke("#000000", 0.5))
    for row in rows:
        y = _line(pen, board, row, places, y, "regular")
    return y - 3


def _line(
    pen: Pen, board: Board, cells: tuple[str, ...], places: list[tuple[float, float]], y: float, face: Face
) -> float:
    y -= LINE
    for k, (cell, (left, right)) in enumerate(zip(cells, places, strict=True)):
        anchor: Anchor = "right" if k in board.right else "left"
        shown = pen.fonts.fit(cell, SIZE, right - left + 1.5, face)
        pen.text(right if anchor == "right" else left, y, shown, SIZE, face=face, anchor=anchor)
    return y


def _findings(pen: Pen, board: Board, x: float, y: float, width: float, bottom: float) -> None:
    """As many findings as there is room for, and how many more there are."""
    y -= HEAD + 5
    if y < bottom + LINE:
        return
    pen.text(x, y, "What to look at first", HEAD, face="bold")
    for k, (grade, bed, text) in enumerate(board.rows):
        lines = pen.fonts.wrap(f"{f'Bed {bed}: ' if bed else ''}{text}", SIZE, width - 40)
        if y - LINE * len(lines) < bottom + LINE and k < len(board.rows):
            pen.text(x, y - LINE, f"and {len(board.rows) - k} more, in asbuilt.html", SIZE, face="italic")
            return
        pen.text(x, y - LINE, grade, SIZE, face="bold" if grade == "look at" else "regular")
        for line in lines:
            y -= LINE
            pen.text(x + 40, y, line, SIZE)


def _close(pen: Pen, x: float, width: float) -> None:
    """Caution, and where to sign."""
    y = MARGIN + 30
    for line in pen.fonts.wrap(
        f"{CAUTIONS[-1]} Offsets: plus is towards the bed (left of the walk), minus away from it.",
        SIZE - 0.4, width,
    ):  # fmt: skip
        pen.text(x, y, line, SIZE - 0.4)
        y -= LINE - 0.6
    pen.text(x, MARGIN, "Agreed: ______________________________    Date: ______________", SIZE + 1)
