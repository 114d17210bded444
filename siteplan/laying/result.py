"""What a takeoff comes to: fills, counts, pieces, and what could not be met, of one line or of several."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from siteplan.errors import UsageError
from siteplan.laying.band import Stations
from siteplan.laying.corner_units import CornerChoice
from siteplan.laying.fit_types import LegFits
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.mitres import CornerSections
from siteplan.laying.placement import LegPlan
from siteplan.laying.play import Play
from siteplan.laying.rigid import CurvePieces
from siteplan.laying.unmet import Unmet
from siteplan.model import PieceKind, Pieces
from siteplan.products import Article, CornerUnit, ProductLine, Straight
from siteplan.slope import Steps
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

ArticleKind = Literal["section", "closer", "corner", "end"]
_KINDS: Final[tuple[tuple[ArticleKind, str], ...]] = (
    ("section", "sections"),
    ("closer", "closers"),
    ("corner", "corners"),
    ("end", "ends"),
)


@dataclass(frozen=True, slots=True, eq=False)
class LineFill:
    """What the legs of one product line hold, in the line's own numbers, for those who look closer."""

    line: ProductLine
    run: IntArray
    """runs laid with it, increasing"""
    leg: IntArray
    """(k,) their legs, increasing"""
    legs: LegPlan
    """of those legs, in their order: what is taken off each, its end units, and its fill"""
    curved: CurvePieces | None
    """pieces on the curves of a rigid line, its legs counted among ``leg``; None for a flexible line"""


@dataclass(frozen=True, slots=True, eq=False)
class Takeoff:
    """The takeoff of a site.  r runs, l legs, c corners, a articles, s straights.

    With several product lines, articles stand line by line, each in the order of its catalogue.
    """

    lines: tuple[ProductLine, ...]
    """the lines that runs are laid with; without a run, the site's"""
    run_line: IntArray
    """(r,) which of them"""
    rules: LayRules
    stations: Stations
    corners: CornerChoice
    """how each corner is made; a unit is the index of one of ``corner_units``"""
    corner_laid: BoolArray
    """(c,) True where the chosen unit stands; False where none fits or it was left out"""
    corner_sections: CornerSections
    """the sawn pieces beside each corner"""
    fills: tuple[LineFill, ...]
    """line by line"""
    rest_um: IntArray
    """(l,) what is left of each leg for sections and closers"""
    laid: BoolArray
    """(l,) False for a leg that takes no sections: too short, or a curve the line cannot follow"""
    fits: LegFits
    """the fill of every leg, (l, s) counts; of a leg not laid, the rule of thumb and an empty fill"""
    codes: tuple[str, ...]
    """(a,) article codes in catalogue order: the columns of the counts"""
    leg_counts: IntArray
    """(l, a) pieces of each leg; a cut piece counts as one of the section it is cut from"""
    run_counts: IntArray
    """(r, a)"""
    by_kind: dict[str, int]
    """pieces by kind: section, closer, corner, end, cut"""
    unmet: Unmet
    narrow_run: IntArray
    """(m,) runs with places where the laying line turns tighter than the depth allows"""
    narrow_xy: XYArray
    """(m, 2) those places: footprints are drawn narrower there, and may touch others"""
    pieces: Pieces
    curve_um: IntArray
    """(l,) how much longer a leg is than pieces, gaps and left-over: what curves have over their
    chords, and the traced line over the fair one; 0 but on the curves of a rigid line"""
    faired_m: FloatArray
    """(l,) how far the line rigid pieces lie on goes from the traced one"""
    steps: Steps | None = None
    """where level pieces step; None where the edging does not step down the slope"""
    play: Play | None = None
    """legs moved sideways, and the runs as moved, on which everything here lies; None where no leg may
    be moved"""

    @property
    def line(self) -> ProductLine:
        """The product line of a site that has one; asking a site of several for it is a mistake."""
        self._only  # noqa: B018
        return self.lines[0]

    @property
    def legs(self) -> LegPlan:
        """What the legs of a site of one line hold."""
        return self._only.legs

    @property
    def curved(self) -> CurvePieces | None:
        """Pieces on the curves of a site of one line, where that is rigid."""
        return self._only.curved

    @property
    def _only(self) -> LineFill:
        if len(self.fills) != 1:
            keys = ", ".join(x.key for x in self.lines)
            raise UsageError(f"the site has several product lines ({keys}): look at each of them")
        return self.fills[0]

    @property
    def straights(self) -> tuple[Straight, ...]:
        """(s,) sections and closers, line by line: the columns of the fits."""
        return tuple(s for x in self.lines for s in x.straights)

    @property
    def corner_units(self) -> tuple[CornerUnit, ...]:
        """Corner units, line by line."""
        return tuple(c for x in self.lines for c in x.corners)

    @property
    def articles(self) -> tuple[Article, ...]:
        """(a,) articles, as ``codes`` has them."""
        return tuple(a for x in self.lines for a in x.articles)

    @property
    def article_line(self) -> IntArray:
        """(a,) which of the lines each article is of."""
        return np.repeat(np.arange(len(self.lines)), [len(x.articles) for x in self.lines])

    @property
    def article_kinds(self) -> tuple[ArticleKind, ...]:
        """(a,) what each article is."""
        return tuple(kind for x in self.lines for kind, parts in _KINDS for _ in getattr(x, parts))

    @property
    def line_names(self) -> str:
        """Names of the lines for people; with their keys where there are several."""
        if len(self.lines) == 1:
            return self.lines[0].name
        return "; ".join(f"{x.name} ({x.key})" for x in self.lines)

    @property
    def usual_um(self) -> int:
        """The shortest first section of the lines: what a piece is usually no shorter than."""
        return min(x.sections[0].laying_um for x in self.lines)

    def line_of_run(self, run: int) -> ProductLine:
        """The product line a run is laid with."""
        return self.lines[int(self.run_line[run])]

    @property
    def run_depth_um(self) -> IntArray:
        """(r,) front to back of the pieces of each run."""
        return np.array([x.depth_um for x in self.lines], dtype=np.int64)[self.run_line]

    @property
    def counts(self) -> dict[str, int]:
        """Pieces of every code that is used, in catalogue order."""
        return _named(self.codes, self.leg_counts.sum(axis=0))

    def counts_of_run(self, run: int) -> dict[str, int]:
        """Pieces of every code that a run uses."""
        return _named(self.codes, self.run_counts[run])

    def counts_of_leg(self, leg: int) -> dict[str, int]:
        """Pieces of every code that a leg uses; a corner counts on its arriving leg."""
        return _named(self.codes, self.leg_counts[leg])

    def cuts_in(self, legs: BoolArray) -> int:
        """Cut pieces of the legs that are flagged, sawn ones at mitres among them."""
        return int(np.count_nonzero(legs[self.pieces.leg] & (self.pieces.kind == PieceKind.CUT)))

    @property
    def rule_sections(self) -> int:
        """Sections of the whole site by the rule of thumb."""
        return int(self.fits.rule_sections.sum())

    @property
    def rule_left_over_um(self) -> int:
        """What those sections leave over (short of the legs is positive), summed."""
        return int(self.fits.rule_left_over_um.sum())


def _named(codes: tuple[str, ...], counts: IntArray) -> dict[str, int]:
    return {code: int(n) for code, n in zip(codes, counts, strict=True) if n}
