"""The settings of the outline stage, with their defaults."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from siteplan.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlineRules:
    """How corners, curves and runs are read from an outline.

    Site settings, not of the product line, so that product lines compare on the same corners.
    """

    repeated_m: float = 0.001
    """a vertex closer than this to the one before it is a repeated vertex"""
    collinear_m: float = 0.0001
    """a vertex closer than this to the line between its neighbours is left out where that
    changes the length by less than a nanometre; also the greatest width of a spike"""
    corner_turn_deg: float = 35.0
    """least turn of a corner"""
    corner_stretch_m: float = 0.5
    """greatest stretch of outline over which that turn is collected"""
    straight_within_m: float = 0.02
    """a leg is straight where no vertex is farther than this from the line between its ends"""
    least_run_m: float = 0.1
    """a stretch shorter than this between two breaks takes no edging"""

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if not (math.isfinite(value) and value >= 0.0):
                raise UsageError(f"{item.name} = {value}: a number of 0 or more is needed")
        if not 0.0 < self.corner_turn_deg < 180.0:
            raise UsageError(f"corner_turn_deg = {self.corner_turn_deg}: must lie between 0 and 180")
        if self.corner_stretch_m <= 0.0:
            raise UsageError(f"corner_stretch_m = {self.corner_stretch_m}: must be more than 0")
