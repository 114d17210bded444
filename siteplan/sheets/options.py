"""What a person may ask of the sheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from siteplan.sheets.paper import SIZES, Paper, Scale, parse_paper, parse_scale

MOST_SHEETS = 60


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """How the sheets are made.  The defaults draw the whole site on Letter paper."""

    paper: Paper = SIZES["letter"]
    scale: Scale | None = None
    """None: the scale that shows every piece legibly on the fewest sheets"""
    beds: tuple[str, ...] = ()
    """ids of the beds to draw; empty: all"""
    phase: str | None = None
    """draw the beds whose attribute ``phase`` has this value"""
    revision: str = ""
    """name of the revision, and its date if there should be one: printed as it is"""
    fonts: tuple[Path, ...] = ()
    """further TrueType fonts, for letters that the built-in one does not have"""
    most_sheets: int = MOST_SHEETS
    """plan sheets beyond this number are an error, so that nobody prints hundreds by mistake"""
    pictures: bool = True
    """also write the overview and a picture of each bed"""


def sheet_options(
    *,
    paper: str = "letter",
    scale: str | None = None,
    beds: Sequence[str] = (),
    phase: str | None = None,
    revision: str = "",
    fonts: Sequence[Path] = (),
    most_sheets: int = MOST_SHEETS,
    pictures: bool = True,
) -> SheetOptions:
    """Options as they are written on the command line.

    Raises
    ------
    UsageError : paper or scale not understood.
    """
    return SheetOptions(
        paper=parse_paper(paper),
        scale=None if scale is None else parse_scale(scale),
        beds=tuple(beds),
        phase=phase,
        revision=revision,
        fonts=tuple(fonts),
        most_sheets=most_sheets,
        pictures=pictures,
    )
