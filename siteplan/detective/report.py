"""What :func:`siteplan.detective.examine` answers, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from siteplan.detective.evidence import Evidence, Weights

Reading = Literal["degrees", "grid", "pixels", "local"]
Status = Literal["one", "several", "nothing"]


@dataclass(frozen=True, slots=True)
class Factor:
    """One piece of evidence or one weight: what it counts, and why."""

    name: str
    value: float
    why: str


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One explanation of the numbers."""

    rank: int
    reading: Reading
    code: str | None
    """authority code, such as ``EPSG:26916``; None where no code says it"""
    crs: str | None
    """what to declare, code or WKT; None where no declaration mends the file"""
    name: str
    siblings: tuple[str, ...]
    """codes that put the file at the same place, within a metre or two"""
    alike: int
    """others of its kind (UTM zones, grids of one country) that fit as well; 0 where a place,
    a region or a control point is known, since then each stands for itself"""
    datum: str
    unit: str
    """what the numbers count: ``m``, ``ft``, ``ftUS``, ``degrees``, ``pixels``, ``other``, ``unknown``"""
    swapped: bool
    lonlat: tuple[float, float] | None
    """middle of the file on WGS 84, as far as a published change of datum leads there"""
    area: str
    """the area the CRS is made for"""
    region: str
    """about where the site would lie, by the smallest area of use that has it"""
    extent_m: tuple[float, float] | None
    """width and height on the ground"""
    metres_per_unit: float | None
    """ground metres of one of the file's units, along its first axis"""
    outside_km: float | None
    place_km: float | None
    region_km: float | None
    measured: tuple[float, ...]
    """each known length (m) or area (m2) as the file has it under this reading"""
    control_m: tuple[float, ...]
    datum_change: str
    """how the datum is brought to WGS 84 and how well; empty where it needs none"""
    datum_accuracy_m: float | None
    """0 on WGS 84 itself; None where nobody states it"""
    explains: str
    """what went wrong with the file, in a sentence"""
    remedy: str
    factors: tuple[Factor, ...]
    likelihood: float
    """product of the evidence, 1 for a perfect fit"""
    prior: float
    """product of the weights"""
    share: float
    """of the likelihood times prior of everything looked at"""
    fits: bool
    """as likely as the best one, within the factor that tells explanations apart"""

    @property
    def codes(self) -> tuple[str, ...]:
        """Its code and those of its siblings."""
        return (*((self.code,) if self.code else ()), *self.siblings)


@dataclass(frozen=True, slots=True)
class Apart:
    """Two explanations that both fit: how far apart, and what would decide."""

    first: int
    second: int
    """ranks"""
    apart_m: float
    """on the ground, as far as the datums are known"""
    length_ppm: float
    """how much longer the second makes every length, in parts per million"""
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class CrsReport:
    """Ranked explanations of the numbers of a file."""

    evidence: Evidence
    weights: Weights
    hypotheses: tuple[Hypothesis, ...]
    apart: tuple[Apart, ...]
    status: Status
    """``one``: only the first explains the evidence.  ``several``: others do as well.
    ``nothing``: no place on earth does"""
    verdict: str
    spread_m: float
    """greatest distance between the first and any other that fits; NaN where there is none"""
    fit_count: int
    """explanations that fit, reported or not"""
    looked_at: int

    @property
    def best(self) -> Hypothesis:
        """The first of the list."""
        return self.hypotheses[0]

    def rank_of(self, code: str) -> int | None:
        """Rank of the explanation a code belongs to; None where it is not in the list."""
        return next((h.rank for h in self.hypotheses if code in h.codes and not h.swapped), None)
