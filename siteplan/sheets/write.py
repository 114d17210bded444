"""Plan sheets and pictures of a plan, written together or not at all."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from siteplan.errors import Finding
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.plans import RunPlan
from siteplan.publish.files import output_set
from siteplan.sheets.border import (
    Sheet,
    content_window,
    draw_border,
    draw_grid,
    draw_grid_numbers,
    draw_match_lines,
    grid_marks,
)
from siteplan.sheets.content import Content, gather
from siteplan.sheets.drawing import draw_ground
from siteplan.sheets.fonts import Fonts
from siteplan.sheets.labels import Labelled, letter_sheet
from siteplan.sheets.options import SheetOptions
from siteplan.sheets.overview import draw_overview, overview_view
from siteplan.sheets.paper import sheet_scales
from siteplan.sheets.pen import PdfPen
from siteplan.sheets.pictures import write_pictures
from siteplan.sheets.scene import Scene
from siteplan.sheets.schedules import Schedules
from siteplan.sheets.tables import Leaf, flow
from siteplan.sheets.tiling import Tiling, choose_tiling
from siteplan.sites import Site

PDF_NAME: Final = "sheets.pdf"
PICTURE_FOLDER: Final = "pictures"
INSET_PT: Final = 12.0
"""where one sheet shows everything, its edges stay free for grid numbers"""


@dataclass(frozen=True, slots=True)
class SheetReport:
    """What was written."""

    folder: Path
    files: tuple[str, ...]
    paper: str
    scale: str
    sheets: int
    plan_sheets: int
    pieces: int
    """pieces on the sheets, each counted once"""
    numbered: int
    """pieces whose number stands beside them on a plan sheet; the schedule has all"""
    forced: int
    """beds whose id had no free place on a sheet"""
    digest: str
    """SHA-256 of the plan's numbers"""
    findings: tuple[Finding, ...]

    @property
    def text(self) -> str:
        """For people."""
        lines = [
            f"{self.sheets} sheets on {self.paper}, {self.plan_sheets} of them plan sheets at {self.scale}; "
            f"{self.pieces} pieces, {self.numbered} numbered on the drawing",
            f"Plan {self.digest[:12]}",
            *(f"{f.grade}: {'' if f.bed is None else f'bed {f.bed}: '}{f.text}" for f in self.findings),
            f"Written to {self.folder}: {', '.join(self.files)}",
        ]
        return "\n".join(lines)


def write_sheets(
    site: Site,
    measures: BedMeasures,
    plan: RunPlan,
    result: Takeoff,
    folder: Path,
    options: SheetOptions | None = None,
) -> SheetReport:
    """Write ``sheets.pdf`` and the pictures of a plan.

    Parameters
    ----------
    site, measures, plan, result : the plan
    folder : output folder; made when it does not exist; files of the same names are replaced
    options : paper, scale, beds and so on

    Returns
    -------
    What was written, with findings: letters no font has, a scale too small to number pieces.

    Raises
    ------
    UsageError : unknown beds or phase, or more sheets than the limit.
    OutputError : a file cannot be written; the old files stay as they were.
    """
    options = options or SheetOptions()
    fonts = Fonts(options.fonts)
    content, findings = gather(site, measures, plan, result, options, fonts)
    scene = Scene(content)
    made = make_pdf(scene, fonts, options)
    with output_set(folder) as partial:
        (partial / PDF_NAME).write_bytes(made.data)
        names = [PDF_NAME]
    if options.pictures:
        with output_set(folder / PICTURE_FOLDER) as partial:
            names += [f"{PICTURE_FOLDER}/{n}" for n in write_pictures(scene, fonts, partial)]
    shown = names if len(names) <= 4 else [*names[:3], f"and {len(names) - 3} more pictures"]
    return SheetReport(
        folder=folder,
        files=tuple(shown),
        paper=made.tiling.paper.text,
        scale=made.tiling.scale.text,
        sheets=made.count,
        plan_sheets=len(made.tiling.tiles),
        pieces=len(content.pieces),
        numbered=len(np.unique(np.concatenate([m.pieces for m in made.labelled]))),
        forced=sum(m.forced for m in made.labelled),
        digest=content.digest,
        findings=(*findings, *made.findings),
    )


@dataclass(frozen=True, slots=True, eq=False)
class MadePdf:
    """The sheets as bytes, and how they came out."""

    data: bytes
    tiling: Tiling
    first_plan: int
    """number of the first plan sheet"""
    count: int
    labelled: tuple[Labelled, ...]
    findings: tuple[Finding, ...]


def make_pdf(scene: Scene, fonts: Fonts, options: SheetOptions) -> MadePdf:
    """All sheets as a PDF document."""
    content = scene.content
    papers = [(p, content_window(p, fonts)) for p in (_wide(options), _wide(options).turned())]
    tiling, findings = choose_tiling(
        scene.ground(), papers, sheet_scales(content.show.unit), options.scale, options.most_sheets
    )
    by_run = _sheets_by_run(scene, tiling)
    front, back, first_plan = _leaves(content, fonts, tiling, by_run)
    book = _Book(scene, fonts, tiling, first_plan)
    count = first_plan - 1 + len(tiling.tiles) + len(back)
    book.overview(count)
    book.tables(front, 2, count)
    labelled = [book.plan(k, count, by_run) for k in range(len(tiling.tiles))]
    book.tables(back, first_plan + len(tiling.tiles), count)
    return MadePdf(book.finish(), tiling, first_plan, count, tuple(labelled), findings)


def _wide(options: SheetOptions) -> Any:
    paper = options.paper
    return paper if paper.width_mm >= paper.height_mm else paper.turned()


def _leaves(
    content: Content, fonts: Fonts, tiling: Tiling, by_run: dict[int, list[int]]
) -> tuple[list[Leaf], list[Leaf], int]:
    """Sheets of tables before and after the plan sheets, and the number of the first plan sheet.

    The first tables name sheets, and how many sheets they fill decides those numbers, so the
    count is raised until they fit it.  Should they then need fewer (a number lost a digit), the
    sheets left over say that they are empty: every reference stays right.
    """
    window = content_window(tiling.paper, fonts, drawing=False)
    count = 1
    while True:
        first_plan = 2 + count
        schedules = Schedules(content, {r: [first_plan + k for k in sheets] for r, sheets in by_run.items()})
        front = flow(schedules.front(), fonts, window)
        if len(front) <= count:
            break
        count = len(front)
    front += [Leaf(title="This sheet is empty") for _ in range(count - len(front))]
    return front, flow(schedules.back(), fonts, window), first_plan


def _sheets_by_run(scene: Scene, tiling: Tiling) -> dict[int, list[int]]:
    """Plan sheets (from 0) each run has pieces or unmet legs on."""
    pieces, chosen = scene.content.result.pieces, scene.content.pieces
    bare, bare_run = scene.bare_points
    run = np.concatenate([pieces.run[chosen], bare_run])
    sheet = tiling.sheet_of(np.concatenate([pieces.xy[chosen], bare]))
    made: dict[int, list[int]] = {}
    for one, number in np.unique(np.column_stack([run, sheet]), axis=0).tolist():
        made.setdefault(one, []).append(number)
    return made


class _Book:
    """A PDF document being drawn."""

    def __init__(self, scene: Scene, fonts: Fonts, tiling: Tiling, first_plan: int) -> None:
        self.scene, self.fonts, self.tiling, self.first_plan = scene, fonts, tiling, first_plan
        self.paper = tiling.paper
        self._bytes = io.BytesIO()
        site = scene.content.site
        # A85 would write binary data as text, a quarter larger.
        rl_config.useA85 = 0
        self.canvas = Canvas(
            self._bytes,
            pagesize=(self.paper.width_pt, self.paper.height_pt),
            pageCompression=1,
            invariant=1,
            initialFontName=fonts.first,
            lang="en",
        )
        self.canvas.setTitle(f"{site.settings.name}: plan sheets")
        self.canvas.setSubject(f"Plan {scene.content.digest}")
        self.canvas.setCreator("siteplan")
        self.canvas.setProducer("siteplan")
        self.canvas.setAuthor("")
        # Printing "to fit" is the usual way a scale is lost.
        self.canvas.setViewerPreference("PrintScaling", "None")
        self.pen = PdfPen(self.canvas, fonts)

    def _begin(self, sheet: Sheet, *, level: int = 0) -> None:
        self.canvas.bookmarkPage(sheet.key)
        self.canvas.addOutlineEntry(
            f"{sheet.number}  {sheet.title}", sheet.key, level=level, closed=level == 0
        )

    def overview(self, count: int) -> None:
        """The first sheet: everything at once."""
        view, scale = overview_view(self.scene, self.tiling, content_window(self.paper, self.fonts))
        sheet = Sheet(1, count, "Overview", "overview", scale)
        self._begin(sheet)
        window = view.window
        with self.pen.clip(window.x, window.y, window.width, window.height):
            draw_overview(self.pen, view, self.scene, self.tiling, self.first_plan)
        draw_border(self.pen, self.paper, sheet, self.scene, self.tiling, self.first_plan)
        self.canvas.showPage()

    def plan(self, k: int, count: int, by_run: dict[int, list[int]]) -> Labelled:
        """One plan sheet."""
        tiling, content = self.tiling, self.scene.content
        view, tile = tiling.view(k), tiling.tiles[k]
        number = self.first_plan + k
        window = view.window
        owned = (tile.x0, tile.y0, tile.x0 + tile.width_m, tile.y0 + tile.height_m)
        here = {int(content.plan.runs.bed[run]) for run, sheets in by_run.items() if k in sheets}
        beds = [content.bed_text[b] for b in sorted(here)]
        title = f"Plan: {', '.join(beds)}" if beds else "Plan"
        sheet = Sheet(number, count, title, f"plan{k + 1}", tiling.scale, k)
        if k == 0:
            self.canvas.bookmarkPage("plans")
            self.canvas.addOutlineEntry("Plan sheets", "plans", level=0, closed=False)
        self._begin(sheet, level=1)
        with self.pen.clip(window.x, window.y, window.width, window.height):
            marks = grid_marks(view, content)
            draw_grid(self.pen, marks)
            draw_ground(self.pen, view, self.scene)
            inset = 0.0 if tiling.margin_pt else INSET_PT
            labelled = letter_sheet(self.pen, view, self.scene, owned, inset_pt=inset)
            draw_match_lines(self.pen, view, tiling, k, self.first_plan)
            draw_grid_numbers(self.pen, view, marks)
        draw_border(self.pen, self.paper, sheet, self.scene, tiling, self.first_plan)
        self.canvas.showPage()
        return labelled

    def tables(self, leaves: list[Leaf], first: int, count: int) -> None:
        """Sheets of tables."""
        for n, leaf in enumerate(leaves):
            sheet = Sheet(first + n, count, leaf.title, f"table{first + n}", None)
            self.canvas.bookmarkPage(sheet.key)
            for key, title, top in leaf.keys:
                self.canvas.bookmarkHorizontal(key, 0, top)
                self.canvas.addOutlineEntry(f"{sheet.number}  {title}", key, level=0)
            leaf.draw(self.pen)
            draw_border(self.pen, self.paper, sheet, self.scene, self.tiling, self.first_plan)
            self.canvas.showPage()

    def finish(self) -> bytes:
        """The document."""
        self.canvas.save()
        return self._bytes.getvalue()
