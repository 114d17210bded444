"""What ``site.toml`` says about setting out: control points, pegs, tapes.

Defaults without a published source are marked common practice or assumed.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from siteplan.tomlfile import LengthUm, Table, not_negative, positive

PositiveUm = Annotated[LengthUm, AfterValidator(positive)]
NotNegativeUm = Annotated[LengthUm, AfterValidator(not_negative)]
Degrees = Annotated[float, Field(gt=0, lt=180)]


class ControlPoint(Table):
    """A mark on the ground whose place is known."""

    name: Annotated[str, Field(min_length=1, max_length=64)]
    lon: Annotated[float, Field(ge=-180, le=180)] | None = None
    """longitude on WGS 84, degrees"""
    lat: Annotated[float, Field(ge=-90, le=90)] | None = None
    east: float | None = None
    """easting in the site's grid, in its unit"""
    north: float | None = None
    height: LengthUm | None = None
    """on the same datum as the site's heights"""

    @model_validator(mode="after")
    def _one_place(self) -> ControlPoint:
        lonlat, grid = (self.lon, self.lat), (self.east, self.north)
        given = [pair for pair in (lonlat, grid) if any(v is not None for v in pair)]
        if len(given) != 1 or None in given[0]:
            raise ValueError("give either lon and lat, or east and north")
        return self


class StakeoutSettings(Table):
    """How the plan is set out."""

    interval: PositiveUm | None = None
    """points on curves are this far apart along the line; 5 m, or 20 ft where feet are shown"""
    straight_interval: PositiveUm | None = None
    """points on straight legs too, this far apart; none by default"""
    peg_offset: PositiveUm = 600_000
    """pegs stand this far outside the laying line; common practice, no published source"""
    top_above_ground: LengthUm = 0
    """top of the edging above the smoothed ground"""
    tape_length: PositiveUm | None = None
    """longest distance taped in one; 30 m, or 100 ft where feet are shown"""
    tape_sigma: PositiveUm = 10_000
    """standard deviation of one taped distance; assumed"""
    base: list[ControlPoint] = Field(default_factory=list)
    """points somebody marked on the ground to tape from, such as the nails of a base line"""
    see_over: list[str] = Field(default_factory=list)
    """ids of abutments a tape is pulled across and none is held to: walks, kerbs"""
    least_crossing_deg: Degrees = 30.0
    greatest_crossing_deg: Degrees = 150.0
    """two tapes must cross at an angle between these"""

    @model_validator(mode="after")
    def _rising(self) -> StakeoutSettings:
        if self.least_crossing_deg >= self.greatest_crossing_deg:
            raise ValueError("least_crossing_deg must be less than greatest_crossing_deg")
        return self
