"""How legs are filled and laid, as an estimator sets it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from siteplan.errors import UsageError
from siteplan.laying.corner_units import WAYS, CornerWay
from siteplan.laying.placement import LayFrom, MakeUp
from siteplan.products import Prefer


@dataclass(frozen=True, slots=True)
class LayRules:
    """How legs are filled and laid."""

    prefer: Prefer = "pieces"
    closer_limit: int = 3
    """closers a leg may take"""
    fit_short_um: int = 6_000
    """how much shorter than its leg a fill may be"""
    fit_over_um: int = 6_000
    """how much longer; never on a leg that ends at an abutment or a tee"""
    lay_from: LayFrom = "start"
    """end of each leg that laying begins at"""
    make_up: MakeUp = "far"
    """where closers and cut pieces go, seen from there"""
    fair_within_um: int = 20_000
    """how far a fair line may go from the traced one where rigid pieces lie on a curve; 0 for never"""
    play_um: int = 0
    """how far a leg may be moved sideways where that saves cuts"""
    corner_by: tuple[CornerWay, ...] = WAYS
    """ways to make a corner, in the order they are tried; what the line cannot is passed over"""
    corner_by_bed: tuple[tuple[str, tuple[CornerWay, ...]], ...] = ()
    """other orders for single beds, by id"""

    def __post_init__(self) -> None:
        for name, value, known in (
            ("lay_from", self.lay_from, get_args(LayFrom)),
            ("make_up", self.make_up, get_args(MakeUp)),
        ):
            if value not in known:
                raise UsageError(f'{name} = "{value}" is not known; use {" or ".join(known)}')
        for ways in (self.corner_by, *(w for _, w in self.corner_by_bed)):
            for way in ways:
                if way not in WAYS:
                    raise UsageError(f'corner_by = "{way}" is not known; use {", ".join(WAYS)}')
        if self.play_um < 0:
            raise UsageError(f"play_um is {self.play_um}; it must not be negative")
