"""What is known: the numbers of the file, and what people know of the site beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Final

import numpy as np

from siteplan.errors import UsageError
from siteplan.types import FloatArray

WITHIN_M: Final = 5_000.0
"""how well a place named by a person is known, unless said otherwise"""


@dataclass(frozen=True, slots=True)
class Place:
    """About where the site lies.

    Parameters
    ----------
    lon_deg, lat_deg : on WGS 84
    within_m : the site is this near, or nearer
    """

    lon_deg: float
    lat_deg: float
    within_m: float = WITHIN_M

    def __post_init__(self) -> None:
        if not (abs(self.lon_deg) <= 180 and abs(self.lat_deg) <= 90):
            raise UsageError(
                f"longitude {self.lon_deg}, latitude {self.lat_deg} is not a place on earth; "
                "give the longitude first"
            )
        if not (math.isfinite(self.within_m) and self.within_m > 0):
            raise UsageError("how well the place is known must be a length above zero")


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """A length or an area somebody measured, beside the same thing in the file.

    Parameters
    ----------
    name : for people, such as ``B07`` or ``B07, vertex 3 to 4``
    coords : (k, 2) vertices in the file's numbers, first vertex not repeated
    closed : the last vertex is joined to the first
    length_m, area_m2 : as measured; one of the two
    """

    name: str
    coords: FloatArray
    closed: bool
    length_m: float | None = None
    area_m2: float | None = None

    def __post_init__(self) -> None:
        value = self.length_m if self.area_m2 is None else self.area_m2
        if value is None or not (math.isfinite(value) and value > 0):
            raise UsageError(f'"{self.name}": what was measured must be above zero')
        if len(self.coords) < (3 if self.area_m2 is not None else 2):
            raise UsageError(f'"{self.name}" has too few vertices to be measured')


@dataclass(frozen=True, slots=True)
class Control:
    """A point of the file whose place on earth is known.

    Parameters
    ----------
    x, y : in the file's numbers, as they stand there
    lon_deg, lat_deg : its place
    crs : geographic CRS of that place
    within_m : how well the two agree where the CRS is right (one standard deviation)
    """

    x: float
    y: float
    lon_deg: float
    lat_deg: float
    crs: str = "EPSG:4326"
    within_m: float = 1.0

    def __post_init__(self) -> None:
        Place(self.lon_deg, self.lat_deg, self.within_m)
        if not (math.isfinite(self.x) and math.isfinite(self.y)):
            raise UsageError("the coordinates of a control point must be numbers")


@dataclass(frozen=True, slots=True)
class Weights:
    """The numbers of the rule.  Settings, not secrets: the report prints those it used.

    The first group says how common a thing is before any evidence is looked at (only their
    ratios matter); they are judgement, without a published source.  The second says how
    quickly evidence counts against an explanation.
    """

    degrees: float = 1.0
    """longitude and latitude on WGS 84"""
    degrees_other: float = 0.1
    """longitude and latitude on another datum"""
    web: float = 1.0
    """EPSG:3857, the plane of web maps"""
    utm: float = 1.0
    survey_grid: float = 1.0
    """state plane, national and county grids"""
    map_grid: float = 0.1
    """equal-area and other grids made for maps"""
    other_unit: float = 0.05
    """a grid counted in a unit the data set has no code for"""
    swapped: float = 0.05
    """second axis first"""
    older_datum: float = 0.3
    """a datum more than 3 m from WGS 84, or one of old that no published change ties to it"""
    withdrawn: float = 0.05
    """codes withdrawn, or of the other authority"""
    pixels: float = 0.2
    """columns and rows of a picture"""
    local: float = 0.2
    """a drawing's own axes, no place on earth"""
    near_zero: float = 0.05
    """a site 20 km from a grid's zero, or 1 degree from longitude and latitude 0; nearer, less in
    proportion to the area of the circle, down to a millionth of this"""
    declared: float = 20.0
    """what the file itself says, against anything else"""

    place_power: float = 4.0
    """beyond the stated distance a place counts (stated / distance) to this power"""
    region_m: float = 50_000.0
    """the same for a region, beyond its edge, with this for the stated distance"""
    area_m: float = 30_000.0
    """outside the area of use the factor falls by e in this distance"""
    area_least: float = 1e-4
    least: float = 1e-9
    """no single piece of evidence counts for less"""
    extent_per_decade: float = 0.01
    """for each tenfold beyond 1 m to 20 km"""
    tape_share: float = 0.01
    """standard deviation of a measured length against the file, as a share"""
    tape_m: float = 0.1
    """the same, as a length, added in quadrature"""
    whole_numbers: float = 1e-3
    """for degrees that are nearly all whole or half numbers (a grid: 0.3)"""
    broken_numbers: float = 1e-4
    """for pixels that are not"""
    unplaced: float = 1e-3
    """chance that something without a place on earth survives knowing a place; its root for a
    region, and ``least`` for control points"""
    told_apart: float = 100.0
    """likelihoods this many times apart tell two explanations apart"""

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if not (math.isfinite(value) and value > 0):
                raise UsageError(f'weight "{item.name}" must be a number above zero, not {value}')

    def changed(self, given: Mapping[str, float]) -> Weights:
        """These weights with some of them as a person wants them.

        Raises
        ------
        UsageError : a name that is none of them, or not above zero.
        """
        known = {f.name for f in fields(self)}
        for name in given:
            if name not in known:
                raise UsageError(f'there is no weight "{name}"; they are {", ".join(sorted(known))}')
        return replace(self, **given)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """The numbers, and what else is known.

    Parameters
    ----------
    coords : (v, 2) as in the file, first axis first; rows that are not numbers are passed over
    place : about where the site lies
    region : country or state it lies in, in English
    known : lengths and areas measured
    controls : points whose place is known
    declared : CRS the file states; None where it states none
    """

    coords: FloatArray
    place: Place | None = None
    region: str | None = None
    known: tuple[Known, ...] = ()
    controls: tuple[Control, ...] = ()
    declared: str | None = None
    finite: FloatArray = field(init=False)
    """(k, 2) rows of ``coords`` that are numbers"""

    def __post_init__(self) -> None:
        coords = np.asarray(self.coords, dtype=np.float64).reshape(-1, 2)
        finite = coords[np.isfinite(coords).all(axis=1)]
        if not len(finite):
            raise UsageError("there are no coordinates to examine")
        object.__setattr__(self, "finite", finite)

    @property
    def about(self) -> Place | None:
        """The place, or where a control point says the site is."""
        if self.place is not None or not self.controls:
            return self.place
        first = self.controls[0]
        return Place(first.lon_deg, first.lat_deg)
