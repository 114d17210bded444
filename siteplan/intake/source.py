"""What is asked of an input file, and its rows as they came."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Final, Literal

from siteplan.errors import Fault, Finding
from siteplan.intake.troubles import Trouble
from siteplan.types import IntArray, ObjectArray

CrsSource = Literal["file", "default", "none"]
"""``file``: the file names it; ``default``: a GeoJSON without a ``crs`` member, which RFC 7946
section 4 defines as WGS 84 longitude and latitude; ``none``: not known."""
Closing = Literal["auto", "yes", "no"]
Nested = Literal["islands", "outlines"]

CLOSE_WITHIN_M: Final = 5.0
HDOP_LIMIT: Final = 5.0
SIMPLIFY_M: Final = 0.5
JOIN_WITHIN_M: Final = 0.001
GNSS_WALK: Final = "GNSS walk"
"""Value of the attribute ``measured_by`` of walked outlines, which goes with them into other files."""


@dataclass(frozen=True)
class AnchorPoint:
    """One point known in the file and on the map."""

    file: tuple[float, float]
    """x, y in the file, in its unit (field notes: metres)"""
    map: tuple[float, float]
    """easting, northing or longitude, latitude in the declared CRS"""
    name: str | None = None


@dataclass(frozen=True)
class Reading:
    """How a file is to be read, where its format leaves something open; None: not said.

    Every key of a format is listed in :data:`TAKES`; one that a format has no use for is a fault.
    """

    layers: tuple[str, ...] | None = None
    """drawing layers, tracks, survey codes or outline names to take"""
    unit: str | None = None
    """unit of the coordinates: m, mm, cm, in, ft, ftUS, yd"""
    unit_overrules: bool | None = None
    """True: ``unit`` is right where the drawing says another"""
    height_unit: str | None = None
    columns: Mapping[str, str] | None = None
    """column of a survey file for a meaning"""
    anchor: tuple[AnchorPoint, ...] | None = None
    chord_tolerance_m: float | None = None
    join_within_m: float | None = None
    simplify_m: float | None = None
    closed: Closing | None = None
    close_within_m: float | None = None
    hdop_limit: float | None = None
    nested: Nested | None = None
    """closed outlines within closed ones: their islands (default), or outlines of their own"""


@dataclass(frozen=True)
class Whereabouts:
    """About where a site lies, so that a CRS can be looked for; nothing is ever moved by it."""

    near: tuple[float, float] | None = None
    """longitude, latitude on WGS 84"""
    within_m: float | None = None
    """how well that is known"""
    region: str | None = None
    """country or state, in English"""
    weights: Mapping[str, float] = field(default_factory=dict)
    """of the search for a CRS, where they differ from the defaults"""


@dataclass(frozen=True)
class Source:
    """One file that holds features of a role.

    Parameters
    ----------
    path : the file
    layer : layer within it; needed where it has several
    where : filter on attributes, as the format understands it (SQL ``WHERE`` without the word)
    crs : CRS of the coordinates, only where the file names none; GeoJSON without a ``crs``
        member counts as naming none
    reading : what formats without such things in them need to be told
    height_m : height of the site above the ellipsoid, where known: what was measured on the
        ground and is laid on the map by anchor points keeps its length at this height
    assume : CRS to take whatever a file of features states, by a person's consent
    whereabouts : about where the site lies, to name likely CRSs where none is stated
    """

    path: Path
    layer: str | None = None
    where: str | None = None
    crs: str | None = None
    reading: Reading = Reading()
    height_m: float | None = None
    assume: str | None = None
    whereabouts: Whereabouts = field(default_factory=Whereabouts)


@dataclass(frozen=True, eq=False)
class Table:
    """Rows of one source as they came.  n rows."""

    label: str
    """file, and layer where there are several, for messages"""
    wkb: ObjectArray
    """(n,) bytes, or None for a row without geometry"""
    attributes: dict[str, ObjectArray]
    """(n,) values, None where absent"""
    crs: str | None
    crs_source: CrsSource
    fids: IntArray | None
    """(n,) the reader's own numbers of the features"""
    text: bytes | None
    """the file, where it is JSON"""
    arcs: IntArray
    """rows whose geometry has true arcs in the file"""
    findings: tuple[Finding, ...]
    troubles: tuple[Trouble, ...] = field(default=())
    """what the reader found wrong with single rows"""

    def __len__(self) -> int:
        return len(self.wkb)


TAKES: Final[dict[str, frozenset[str]]] = {
    "drawing": frozenset(
        ("layer", "layers", "unit", "unit_overrules", "anchor", "chord_tolerance", "join_within", "nested")
    ),
    "GNSS walk": frozenset(("layers", "simplify", "closed", "close_within", "hdop_limit", "nested")),
    "survey file": frozenset(
        ("layers", "unit", "height_unit", "columns", "anchor", "chord_tolerance", "nested")
    ),
    "file of field notes": frozenset(("layers", "anchor", "chord_tolerance", "nested")),
    "file of features": frozenset(("layer", "where")),
}
"""Keys of ``site.toml`` that each kind of file has a use for; ``crs`` goes with all."""


def unused_keys(source: Source, kind: str, label: str) -> list[Fault]:
    """A fault for each key that was given and that this kind of file has no use for."""
    given = [
        f.name.removesuffix("_m") for f in fields(Reading) if getattr(source.reading, f.name) is not None
    ]
    given += [name for name in ("layer", "where") if getattr(source, name) is not None]
    takes = TAKES[kind]
    return [
        Fault(
            "key-not-used",
            f"{name} is given, but a {kind} has no use for it",
            f"Take it away; a {kind} takes {', '.join(sorted(takes | {'crs'}))}",
            file=label,
        )
        for name in given
        if name not in takes
    ]
