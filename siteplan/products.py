"""A product line as numbers: what the takeoff needs to know of a catalogue.

Plain frozen dataclasses in whole micrometres and whole minor units of money.
:mod:`siteplan.catalog` reads them from TOML; tests build them directly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Behaviour = Literal["flexible", "rigid"]
Face = Literal["outer", "centre", "inner"]
Turn = Literal["outside", "inside"]
Hand = Literal["left", "right", "either"]
UsableEnds = Literal["any", "one_factory_end", "both"]
Prefer = Literal["pieces", "fit", "cost"]
"""What the best fill of a leg is: see docs/takeoff.md."""


@dataclass(frozen=True, slots=True)
class Article:
    """What every orderable code has: name, price, weight, pack."""

    code: str
    name: str
    price: int | None = None
    """minor units of the line's currency, None where not given"""
    weight_g: int | None = None
    pack: int = 1
    """pieces in a pack; orders are rounded up to whole packs"""
    pallet: int | None = None
    """packs on a pallet, None where not known"""
    single_price: int | None = None
    """minor units for one piece out of a broken pack; None: packs are not broken"""
    least_order: int = 0
    """least number of pieces that is sold"""


@dataclass(frozen=True, slots=True)
class Straight:
    """A section or a closer."""

    article: Article
    laying_um: int
    """what the piece covers on the laying line; the only length that enters arithmetic"""
    piece_um: int
    """the real body"""
    nominal_um: int
    """the length in its name, used by the rule of thumb only"""


@dataclass(frozen=True, slots=True)
class CornerUnit:
    """A unit that makes a corner."""

    article: Article
    turn: Turn
    least_deg: float
    greatest_deg: float
    """range of the absolute turn, limits inclusive; 90 is square"""
    arriving_um: int
    leaving_um: int
    """arms as measured on ``measured_on``, walking with the bed on the left"""
    measured_on: Face
    """outer is the convex side of the unit, inner the concave side"""
    reversible: bool
    """True: front equals back, so it may be laid with its arms exchanged"""


@dataclass(frozen=True, slots=True)
class EndUnit:
    """A unit that finishes a free end."""

    article: Article
    laying_um: int
    hand: Hand
    """seen from outside the bed, facing it: ``left`` stands at the start of a run, ``right``
    at its far end"""


@dataclass(frozen=True, slots=True)
class CornerRules:
    """How a line's corners can be made without a corner unit."""

    mitre: bool = False
    """two sections may be sawn to half the turn"""
    butt: bool = False
    """one leg may run through and the other stop at its face"""
    bend_radius_um: int | None = None
    """least radius a flexible section is bent round a corner with; None: not bent"""
    greatest_saw_deg: float = 60.0
    """greatest angle off square a section is sawn at"""


@dataclass(frozen=True, slots=True)
class ProductLine:
    """One catalogue of pieces that fit together."""

    key: str
    """short name used on the command line and in ``site.toml``"""
    name: str
    note: str
    behaviour: Behaviour
    depth_um: int
    """front to back, square to the laying line"""
    height_um: int
    gap_least_um: int
    gap_nominal_um: int
    gap_greatest_um: int
    """space between two pieces on the laying line; negative is an overlap"""
    deflection_deg: float
    """greatest angle between two rigid pieces"""
    outward_radius_um: int | None
    """least radius of a left-turning curve a flexible section follows; None: no limit"""
    inward_radius_um: int | None
    """the same for a right-turning curve"""
    end_clearance_um: int
    """space kept at an abutted end"""
    cuttable: bool
    least_cut_um: int
    kerf_um: int
    usable_ends: UsableEnds
    cut_cost: int
    """minor units per saw cut"""
    laying_cost: int
    """minor units per piece laid"""
    currency: str | None
    """ISO 4217 code, None where the line has no prices"""
    currency_digits: int
    """decimals of the currency: 2 for cents"""
    sections: tuple[Straight, ...]
    closers: tuple[Straight, ...]
    corners: tuple[CornerUnit, ...]
    ends: tuple[EndUnit, ...]
    least_offcut_um: int = 0
    """shortest offcut worth keeping; never less than the least cut"""
    colours: tuple[str, ...] = ()
    """colours the pieces are made in; empty where there is no choice"""
    corner_rules: CornerRules = CornerRules()

    @property
    def straights(self) -> tuple[Straight, ...]:
        """Sections, then closers, in catalogue order: the codes of the fit."""
        return self.sections + self.closers

    @property
    def articles(self) -> tuple[Article, ...]:
        """Every orderable article: sections, closers, corners, ends, in catalogue order."""
        parts: tuple[Straight | CornerUnit | EndUnit, ...] = (*self.straights, *self.corners, *self.ends)
        return tuple(p.article for p in parts)
