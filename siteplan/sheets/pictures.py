"""Pictures for a quote: the site, and each bed, as SVG and PNG.

The PNG is the same drawing by way of a PDF page, turned into pixels by PDFium (pypdfium2):
one renderer, the fonts of the sheets, and no drawing library more than the sheets need.
"""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
import pypdfium2
import shapely
from reportlab.pdfgen.canvas import Canvas

from siteplan.sheets import signs
from siteplan.sheets.border import shown_hash
from siteplan.sheets.content import Content
from siteplan.sheets.drawing import draw_ground
from siteplan.sheets.fonts import Fonts
from siteplan.sheets.labels import letter_sheet
from siteplan.sheets.overview import AIR_PT, draw_overview, fitting_scale, overview_view
from siteplan.sheets.paper import MM_PT, Scale
from siteplan.sheets.pen import PdfPen, Pen, Stroke, SvgPen
from siteplan.sheets.scene import Scene
from siteplan.sheets.tiling import View, Window
from siteplan.units import METRES

OVERVIEW_MM: Final = (297.0, 210.0)
BED_MM: Final = (180.0, 135.0)
CAPTION: Final = 15.0 * MM_PT
PNG_DPI: Final = 150
BAR_PT: Final = 50.0 * MM_PT
"""greatest length of a picture's bar of scale"""

Draw = Callable[[Pen], None]


def write_pictures(scene: Scene, fonts: Fonts, folder: Path) -> list[str]:
    """Write the overview and a picture of each bed with edging.

    Returns
    -------
    File names in the order they were written.
    """
    names = _write(folder, "overview", OVERVIEW_MM, scene.content.site.settings.name, fonts, _overview(scene))
    content = scene.content
    stems = file_stems([content.site.beds.ids[b] for b in content.beds])
    edged = set(content.plan.runs.bed[content.runs].tolist())
    for bed, stem in zip(content.beds.tolist(), stems, strict=True):
        if bed in edged:
            title = f"{content.bed_text[bed]} {content.site.beds.names[bed]}"
            names += _write(folder, f"bed-{stem}", BED_MM, title, fonts, _bed(scene, bed))
    return names


def file_stems(ids: list[str]) -> list[str]:
    """A file name for each id: letters and digits of ASCII, unlike all others even without case."""
    made: list[str] = []
    used: set[str] = set()
    for text in ids:
        plain = unicodedata.normalize("NFKD", str(text)).encode("ascii", "ignore").decode()
        stem = re.sub(r"[^A-Za-z0-9_-]+", "-", plain).strip("-")[:60] or "bed"
        tried, number = stem, 2
        while tried.lower() in used:
            tried, number = f"{stem}-{number}", number + 1
        used.add(tried.lower())
        made.append(tried)
    return made


def _write(
    folder: Path,
    stem: str,
    size_mm: tuple[float, float],
    title: str,
    fonts: Fonts,
    draw: Callable[[Window], Draw],
) -> list[str]:
    width, height = (s * MM_PT for s in size_mm)
    on = draw(Window(0.0, 0.0, width, height))
    svg = SvgPen(width, height, fonts, title)
    svg.box(0, 0, width, height, fill=signs.WHITE)
    on(svg)
    (folder / f"{stem}.svg").write_text(svg.document(), encoding="utf-8", newline="\n")
    page = io.BytesIO()
    canvas = Canvas(page, pagesize=(width, height), invariant=1, initialFontName=fonts.first)
    on(PdfPen(canvas, fonts))
    canvas.showPage()
    canvas.save()
    png(page.getvalue(), folder / f"{stem}.png")
    return [f"{stem}.svg", f"{stem}.png"]


def png(pdf: bytes, path: Path, *, dpi: int = PNG_DPI) -> None:
    """The first page of a PDF as PNG, its resolution written into the file."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        image = document[0].render(scale=dpi / 72).to_pil()
        image.convert("RGB").save(path, "PNG", dpi=(dpi, dpi))
    finally:
        document.close()


def _overview(scene: Scene) -> Callable[[Window], Draw]:
    def on(page: Window) -> Draw:
        window = Window(page.x, page.y + CAPTION, page.width, page.height - CAPTION)
        view, scale = overview_view(scene, None, window)
        content = scene.content
        length = float(content.run_m[content.runs].sum())
        text = f"{len(content.beds)} beds, {content.show.one(length)} of edging, {len(content.pieces)} pieces"

        def draw(pen: Pen) -> None:
            with pen.clip(window.x, window.y, window.width, window.height):
                draw_overview(pen, view, scene, None, 0)
            _caption(pen, page, content.site.settings.name, text, scale, content)

        return draw

    return on


def _bed(site_scene: Scene, bed: int) -> Callable[[Window], Draw]:
    scene = site_scene.only(np.arange(len(site_scene.content.chosen)) == bed)

    def on(page: Window) -> Draw:
        content = scene.content
        window = Window(page.x, page.y + CAPTION, page.width, page.height - CAPTION)
        low, high = np.array(shapely.bounds(scene.beds[bed])).reshape(2, 2)
        scale = fitting_scale(low, high, window, content.show.unit)
        view = View(window, tuple(((low + high) / 2).tolist()), scale.pt_per_m)
        reach = AIR_PT / scale.pt_per_m
        owned = (*(low - reach).tolist(), *(high + reach).tolist())

        def draw(pen: Pen) -> None:
            with pen.clip(window.x, window.y, window.width, window.height):
                draw_ground(pen, view, scene)
                letter_sheet(pen, view, scene, owned)
            name = str(content.site.beds.names[bed])
            title = (
                content.bed_text[bed]
                if name == content.bed_text[bed]
                else f"{content.bed_text[bed]}   {name}"
            )
            _caption(pen, page, title, _bed_text(content, bed), scale, content)

        return draw

    return on


def _bed_text(content: Content, bed: int) -> str:
    runs, pieces = content.plan.runs, content.result.pieces
    of_bed = content.runs[runs.bed[content.runs] == bed]
    length = float(content.run_m[of_bed].sum())
    kinds = content.layers["pieces"].columns["kind"][pieces.bed == bed]
    words = {
        "section": "sections",
        "closer": "closers",
        "cut": "cut pieces",
        "corner": "corner units",
        "end": "end units",
    }
    counts = ", ".join(
        f"{n} {many if n != 1 else many.rstrip('s')}"
        for one, many in words.items()
        if (n := int((kinds == one).sum()))
    )
    return (
        f"{content.show.one(length)} of edging: {counts}"
        if counts
        else f"{content.show.one(length)} of edging"
    )


def _caption(pen: Pen, page: Window, title: str, text: str, scale: Scale, content: Content) -> None:
    """Title, numbers and a bar of scale below a picture."""
    pen.line([(page.x, page.y + CAPTION), (page.x + page.width, page.y + CAPTION)], Stroke(signs.INK, 0.8))
    count, unit = _round_length(scale, content.show.unit)
    bar = count * float(METRES[unit]) * scale.pt_per_m
    room = page.width - bar - 34
    pen.text(page.x + 10, page.y + 26, pen.fonts.fit(title, 11, room, "bold"), 11, face="bold")
    pen.text(page.x + 10, page.y + 14, pen.fonts.fit(text, 7.5, room), 7.5)
    note = f"{content.length_basis}. Plan {shown_hash(content)}. Grid north is up."
    pen.text(page.x + 10, page.y + 5, pen.fonts.fit(note, 5.5, room), 5.5, colour=signs.GREY)
    x = page.x + page.width - bar - 12
    for k in range(4):
        pen.box(x + k * bar / 4, page.y + 14, bar / 4, 3.6, fill=signs.INK if k % 2 == 0 else signs.WHITE)
    pen.box(x, page.y + 14, bar, 3.6, stroke=Stroke(signs.INK, 0.4))
    pen.text(x, page.y + 20.5, "0", 6)
    pen.text(x + bar, page.y + 20.5, f"{count} {unit}", 6, anchor="right")


def _round_length(scale: Scale, unit: str) -> tuple[int, str]:
    """A length of 1, 2 or 5 and zeros that is at most ``BAR_PT`` long on paper."""
    pt_per_unit = float(METRES[unit]) * scale.pt_per_m
    fitting = [m * 10**e for e in range(5) for m in (1, 2, 5) if m * 10**e * pt_per_unit <= BAR_PT]
    return (fitting[-1] if fitting else 1), unit
