"""What ``site.toml`` says about setting out: control points, pegs, tapes.

Defaults without a published source are marked common practice or assumed.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from siteplan.tomlfile import LengthUm, Table, not_negative, positive

PositiveUm = Annotated[LengthUm, AfterValidator(positive)]
NotNegativeUm = Annotated[LengthUm, AfterValidator(not_negative)]
Degrees = Annotated[float, Field(gt=0, lt=180)]
Coordinate = Annotated[float, Field(allow_inf_nan=False)]


class ControlPoint(Table):
    """A mark on the ground whose place is known."""

    name: Annotated[str, Field(min_length=1, max_length=64)]
    lon: Annotated[float, Field(ge=-180, le=180)] | None = None
    """longitude on WGS 84, degrees"""
    lat: Annotated[float, Field(ge=-90, le=90)] | None = None
    east: Coordinate | None = None
    """easting in the site's grid, in its unit"""
    north: Coordinate | None = None
    height: LengthUm | None = None
    """on the same datum as the site's heights"""

    @model_validator(mode="after")
    def _one_place(self) -> ControlPoint:
        lonlat, grid = (self.lon, self.lat), (self.east, self.north)
        given = [pair for pair in (lonlat, grid) if any(v is not None for v in pair)]
        if len(given) != 1 or None in given[0]:
            raise ValueError("give either lon and lat, or east and north")
        return self


class SurveyedMark(ControlPoint):
    """A mark of ``[[control]]``: beside setting out it may tell where the outlines lie."""

    use: Literal["check", "control"] = "check"
    """``control``: it has a say when the outlines are adjusted; ``check``: it has none, so that it may check
    them"""
    sigma: PositiveUm | None = None
    """standard deviation of its surveyed place, each way; needed with ``control``"""
    seen_lon: Annotated[float, Field(ge=-180, le=180)] | None = None
    """where it is seen in the picture, on the map as drawn: on WGS 84, degrees"""
    seen_lat: Annotated[float, Field(ge=-90, le=90)] | None = None
    seen_east: Coordinate | None = None
    """the same in the site's grid, in its unit"""
    seen_north: Coordinate | None = None
    seen_at: Annotated[str, Field(min_length=1)] | None = None
    """the same as a vertex of an outline: ``B07.v14``"""
    seen_sigma: PositiveUm | None = None
    """standard deviation of where it is seen, each way; that of a traced vertex by default"""
    picture: Annotated[str, Field(min_length=1)] | None = None
    """file of the picture it is seen in; needed where the outlines come from several"""

    @property
    def is_seen(self) -> bool:
        """Whether it is said where it is seen on the map."""
        return self.seen_lon is not None or self.seen_east is not None or self.seen_at is not None

    @model_validator(mode="after")
    def _seen_once(self) -> SurveyedMark:
        lonlat, grid = (self.seen_lon, self.seen_lat), (self.seen_east, self.seen_north)
        given = [g for g in (lonlat, grid, (self.seen_at,)) if any(v is not None for v in g)]
        if len(given) > 1 or (given and None in given[0]):
            raise ValueError(
                "say where it is seen once: seen_lon and seen_lat, or seen_east and seen_north, or seen_at"
            )
        if not given and (self.picture is not None or self.seen_sigma is not None):
            raise ValueError("picture and seen_sigma go with the place where it is seen")
        if self.seen_at is not None and self.seen_sigma is not None:
            raise ValueError("seen_at names a vertex, as sure as it was traced: leave seen_sigma out")
        if self.use == "control" and self.sigma is None:
            raise ValueError('use = "control" needs sigma, how good its coordinates are: sigma = "20 mm"')
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
