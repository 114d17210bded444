"""Plans for the tests of the sheets, and a reader of finished sheets that does not know how they are made."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
import pypdfium2

from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.plans import RunPlan, plan_runs
from siteplan.sheets import signs
from siteplan.sheets.content import Content, gather
from siteplan.sheets.fonts import Fonts
from siteplan.sheets.options import SheetOptions, sheet_options
from siteplan.sheets.scene import Scene
from siteplan.sheets.write import MadePdf, make_pdf
from siteplan.sites import Site, load_site, measure, site_settings
from siteplan.takeoffs import takeoff
from tests.make_sites import polygon, write_features

FOOT_M = 0.3048
MM_PT = 72 / 25.4


@dataclass(frozen=True)
class Plan:
    """A plan with everything the sheets are made of."""

    site: Site
    measures: BedMeasures
    plan: RunPlan
    result: Takeoff

    def content(self, options: SheetOptions | None = None) -> tuple[Content, Any]:
        options = options or sheet_options()
        return gather(self.site, self.measures, self.plan, self.result, options, Fonts(options.fonts))

    def pdf(self, **options: Any) -> MadePdf:
        made = sheet_options(**options)
        fonts = Fonts(made.fonts)
        content, _ = gather(self.site, self.measures, self.plan, self.result, made, fonts)
        return make_pdf(Scene(content), fonts, made)


def planned(site: Site) -> Plan:
    plan = plan_runs(site)
    return Plan(site, measure(site), plan, takeoff(site, plan))


@lru_cache(maxsize=4)
def sample(folder: Path) -> Plan:
    return planned(load_site(folder))


def plan_of(
    folder: Path, rings: dict[str, Any], *, units: str = "m", line: str = "flex-2m", **properties: Any
) -> Plan:
    """A plan of beds given as rings in metres."""
    beds = write_features(folder / "beds.geojson", {k: polygon(r) for k, r in rings.items()}, **properties)
    return planned(load_site(site_settings(beds, line, units=units)))


# ---------------------------------------------------------------- reading sheets


@dataclass(frozen=True)
class Read:
    """A document as made, and its sheets as pdfplumber reads them, each parsed once."""

    made: MadePdf
    sheets: list[Any]

    @cached_property
    def texts(self) -> list[str]:
        """Text of every sheet, as PDFium extracts it, white space as single spaces."""
        document = pypdfium2.PdfDocument(self.made.data)
        try:
            return [" ".join(page.get_textpage().get_text_range().split()) for page in document]
        finally:
            document.close()

    @property
    def plans(self) -> list[Any]:
        """The plan sheets."""
        first = self.made.first_plan - 1
        return self.sheets[first : first + len(self.made.tiling.tiles)]


def read(made: MadePdf) -> Read:
    return Read(made, pdfplumber.open(io.BytesIO(made.data)).pages)


@lru_cache(maxsize=8)
def read_sample(folder: Path, paper: str) -> Read:
    return read(sample(folder).pdf(paper=paper))


def same_colour(found: Any, colour: str) -> bool:
    wanted = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    return found is not None and len(found) == 3 and bool(np.allclose(found, wanted, atol=1e-3))


def shape_boxes(page: Any, fill: str) -> np.ndarray:
    """(n, 4) x0, y0, x1, y1 of the filled shapes of a colour, y up."""
    found = [
        (s["x0"], page.height - s["bottom"], s["x1"], page.height - s["top"])
        for s in [*page.rects, *page.curves]
        if s["fill"] and same_colour(s["non_stroking_color"], fill)
    ]
    return np.array(found).reshape(-1, 4)


def strokes(page: Any, width: float, colour: str = "#000000") -> np.ndarray:
    """(n, 4) x0, y0, x1, y1 of the straight lines of a weight and colour, y up."""
    found = [
        (s["x0"], page.height - s["bottom"], s["x1"], page.height - s["top"])
        for s in page.lines
        if abs(s["linewidth"] - width) < 1e-6 and same_colour(s["stroking_color"], colour)
    ]
    return np.array(found).reshape(-1, 4)


def grid_numbers(page: Any, *, upright: bool) -> list[tuple[float, float]]:
    """(coordinate, place in points) of the printed eastings or northings: the tick beside each number."""
    chars = [
        c
        for c in page.chars
        if bool(c["upright"]) == upright
        and same_colour(c["non_stroking_color"], signs.GREY)
        and abs((c["height"] if upright else c["width"]) - 5.0) < 1e-6
    ]
    texts: list[list[Any]] = []
    for c in chars:
        if texts and texts[-1][-1]["text"] not in "EN":
            texts[-1].append(c)
        else:
            texts.append([c])
    ticks = strokes(page, 0.5)
    across = ticks[:, 2] - ticks[:, 0], ticks[:, 3] - ticks[:, 1]
    short, none = (across[1], across[0]) if upright else (across[0], across[1])
    places = ticks[(abs(short - 2.2) < 0.01) & (none < 1e-6)][:, 0 if upright else 1]
    made = []
    for run in texts:
        text = "".join(c["text"] for c in run)
        assert re.fullmatch(r"\d+ [EN]", text), text
        low = min(c["x0"] if upright else page.height - c["bottom"] for c in run)
        high = max(c["x1"] if upright else page.height - c["top"] for c in run)
        nearest = places[int(np.argmin(abs(places - (low + high) / 2)))]
        assert abs(nearest - (low + high) / 2) < 1.0, text
        made.append((float(text.split()[0]), float(nearest)))
    return made


@dataclass(frozen=True)
class Grid:
    """Points of a sheet to grid coordinates, from what is printed on it."""

    east: tuple[float, float]
    north: tuple[float, float]
    unit_per_pt: float

    def at(self, points: np.ndarray) -> np.ndarray:
        zero = np.array([self.east[1], self.north[1]])
        made: np.ndarray = (points - zero) * self.unit_per_pt + np.array([self.east[0], self.north[0]])
        return made


def read_grid(page: Any) -> Grid:
    """The grid of a sheet, from the first and the last of its printed coordinates."""
    easts, norths = grid_numbers(page, upright=True), grid_numbers(page, upright=False)
    longest = max((easts, norths), key=lambda n: abs(n[-1][1] - n[0][1]))
    (first, a), (last, b) = longest[0], longest[-1]
    return Grid(easts[0], norths[0], (last - first) / (b - a))
