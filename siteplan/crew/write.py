"""The crew page as a file of the handout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from siteplan.crew.data import crew_data, crew_plan
from siteplan.crew.page import crew_page
from siteplan.crew.picture import crew_picture
from siteplan.laying.takeoff import Takeoff
from siteplan.plans import RunPlan
from siteplan.publish.files import output_set
from siteplan.sites import Site

PAGE_NAME: Final = "crew.html"


@dataclass(frozen=True, slots=True)
class CrewReport:
    """What was written."""

    path: Path
    size: int
    """bytes"""
    picture_size: int
    """bytes of them that are the picture, 0 without one"""
    runs: int
    pieces: int
    digest: str

    @property
    def text(self) -> str:
        """For people."""
        picture = f", {self.picture_size / 1e6:.1f} MB of it the picture" if self.picture_size else ""
        counts = f"{_count(self.runs, 'run')}, {_count(self.pieces, 'piece')}"
        return (
            f"Crew page: {counts}, {self.size / 1e6:.1f} MB{picture}; "
            f"opens on a phone without a network: {self.path}"
        )


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def write_crew(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    folder: Path,
    *,
    beds: Sequence[str] = (),
    phase: str | None = None,
    revision: str = "",
) -> CrewReport:
    """Write ``crew.html`` into an output folder.

    Parameters
    ----------
    site, plan, result : the plan
    folder : output folder; made when it does not exist; a file of the same name is replaced
    beds, phase : only these
    revision : name of the revision, shown and written into the field files

    Raises
    ------
    UsageError : unknown beds or phase.
    DataError : the site's picture cannot be read.
    OutputError : the file cannot be written; the old one stays as it was.
    """
    crew = crew_plan(site, plan, result, beds=beds, phase=phase, revision=revision)
    picture = crew_picture(site)
    page = crew_page(crew_data(crew, picture))
    with output_set(folder) as partial:
        (partial / PAGE_NAME).write_bytes(page)
    return CrewReport(
        path=folder / PAGE_NAME,
        size=len(page),
        picture_size=0 if picture is None else len(picture.url),
        runs=len(crew.runs),
        pieces=len(crew.laid.order),
        digest=crew.digest,
    )
