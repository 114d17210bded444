"""A file before the CRS detective: what its numbers are, and what is known of its features."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from siteplan.detective import Control, CrsReport, Evidence, Known, Place, Weights, examine
from siteplan.errors import UsageError
from siteplan.intake.files import read_table
from siteplan.intake.rings import Rings, finite_rows, rings_of
from siteplan.intake.source import Source, Table
from siteplan.model import RingKind
from siteplan.units import parse_length

_PAIR: Final = re.compile(r"^\s*([-+\d.eE]+)\s*,\s*([-+\d.eE]+)\s*$")
_EDGE: Final = re.compile(r"^(?P<feature>.+):(?P<first>\d+)-(?P<last>\d+)$")
_AREA: Final = re.compile(
    r"^\s*(?P<value>\d+(?:\.\d*)?|\.\d+)\s*(?P<unit>m2|ft2|ha|acre)s?\s*$", re.IGNORECASE
)
_AREA_M2: Final = {"m2": 1.0, "ft2": 0.3048**2, "ha": 10_000.0, "acre": 43_560 * 0.3048**2}
_ID_COLUMNS: Final = ("bed", "abutment", "opening", "id", "ref", "name")


# --- what people write ------------------------------------------------------------------


def parse_pair(text: str, what: str) -> tuple[float, float]:
    """Two numbers with a comma between: ``-84.45,33.62``.

    Raises
    ------
    UsageError : anything else.
    """
    match = _PAIR.match(text)
    try:
        if match:
            return float(match[1]), float(match[2])
    except ValueError:
        pass
    raise UsageError(f'{what} "{text}" is not two numbers with a comma between, such as -84.45,33.62')


def parse_place(near: str, within: str | None = None) -> Place:
    """Place as a person writes it, longitude first; ``within`` is a length with its unit."""
    lon, lat = parse_pair(near, "the place")
    return Place(lon, lat) if within is None else Place(lon, lat, float(parse_length(within)))


def parse_control(text: str, *, crs: str = "EPSG:4326", within: str | None = None) -> Control:
    """Control point: ``X,Y=LON,LAT``, the file's numbers first.

    Raises
    ------
    UsageError : not of that form, or no place on earth.
    """
    left, equals, right = text.partition("=")
    if not equals:
        raise UsageError(f'control point "{text}" must be X,Y=LON,LAT, the numbers of the file first')
    x, y = parse_pair(left, "the point of the file")
    lon, lat = parse_pair(right, "the place of the control point")
    return Control(x, y, lon, lat, crs, 1.0 if within is None else float(parse_length(within)))


def parse_area(text: str) -> float:
    """Area with its unit (m2, ft2, ha, acre) in square metres; the foot is the international one.

    Raises
    ------
    UsageError : no unit, or another one.
    """
    match = _AREA.match(text)
    if match is None:
        raise UsageError(
            f'area "{text}" is not understood; write for example 120 m2, 1300 ft2, 0.5 ha, 1 acre'
        )
    return float(match["value"]) * _AREA_M2[match["unit"].lower()]


def parse_weight(text: str) -> tuple[str, float]:
    """Weight of the rule: ``NAME=NUMBER``."""
    name, equals, value = text.partition("=")
    try:
        if equals:
            return name.strip().replace("-", "_"), float(value)
    except ValueError:
        pass
    raise UsageError(f'weight "{text}" must be NAME=NUMBER, such as utm=0.5')


# --- a file -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clues:
    """What a person says beside a file, as written: see ``siteplan crs --help``."""

    near: str | None = None
    within: str | None = None
    region: str | None = None
    lengths: Sequence[str] = ()
    areas: Sequence[str] = ()
    controls: Sequence[str] = ()
    control_crs: str = "EPSG:4326"
    control_within: str | None = None
    weights: Sequence[str] = ()


def examine_file(source: Source, clues: Clues, *, most: int = 10) -> CrsReport:
    """Rank what might explain the numbers of a file.

    Parameters
    ----------
    source : a file of features
    clues : what is known
    most : explanations reported

    Raises
    ------
    DataError : the file cannot be read, or the CRS it states is not understood.
    UsageError : a clue that is not understood, or names a feature the file does not have.
    """
    if clues.within is not None and clues.near is None:
        raise UsageError("--within says how well --near is known; give both")
    controls = tuple(
        parse_control(c, crs=clues.control_crs, within=clues.control_within) for c in clues.controls
    )
    weights = Weights().changed(dict(parse_weight(w) for w in clues.weights))
    place = None if clues.near is None else parse_place(clues.near, clues.within)
    table = read_table(source)
    with np.errstate(invalid="ignore"):
        rings = rings_of(np.asarray(shapely.from_wkb(table.wkb, on_invalid="ignore"), dtype=object))
    evidence = Evidence(
        rings.coords[finite_rows(rings.coords)],
        place=place,
        region=clues.region,
        known=_known(table, rings, clues),
        controls=controls,
        declared=table.crs or source.crs,
    )
    return examine(evidence, weights=weights, most=most)


def _known(table: Table, rings: Rings, clues: Clues) -> tuple[Known, ...]:
    known = []
    for text in clues.lengths:
        what, value = _split(text, "length", "41ft")
        known.append(_known_length(table, rings, what, float(parse_length(value))))
    for text in clues.areas:
        what, value = _split(text, "area", "120m2")
        known.append(_known_area(table, rings, what, parse_area(value)))
    return tuple(known)


def _split(text: str, kind: str, example: str) -> tuple[str, str]:
    what, equals, value = text.rpartition("=")
    if not equals or not what.strip():
        raise UsageError(f'{kind} "{text}" must be FEATURE={example}, such as B07={example}')
    return what.strip(), value


def _known_length(table: Table, rings: Rings, what: str, length_m: float) -> Known:
    """Edge ``FEATURE:3-4``, or the outline of a feature: its outer ring, or the line."""
    edge = _EDGE.match(what)
    if edge is None:
        ring = _ring(table, rings, what)
        coords = rings.coords[rings.offsets[ring] : rings.offsets[ring + 1]]
        closed = bool(rings.kind[ring] != RingKind.LINE)
        return Known(f'the outline of "{what}"', coords, closed, length_m=length_m)
    first, last = int(edge["first"]), int(edge["last"])
    ring = _ring(table, rings, edge["feature"])
    coords = rings.coords[rings.offsets[ring] : rings.offsets[ring + 1]]
    if not (1 <= first <= len(coords) and 1 <= last <= len(coords) and first != last):
        raise UsageError(
            f'"{edge["feature"]}" has vertices 1 to {len(coords)}; {first}-{last} is no edge of it'
        )
    ends = coords[[first - 1, last - 1]]
    return Known(f'"{edge["feature"]}", vertex {first} to {last}', ends, False, length_m=length_m)


def _known_area(table: Table, rings: Rings, what: str, area_m2: float) -> Known:
    ring = _ring(table, rings, what)
    if rings.kind[ring] != RingKind.OUTER:
        raise UsageError(f'"{what}" is not a polygon, so it has no area')
    coords = rings.coords[rings.offsets[ring] : rings.offsets[ring + 1]]
    return Known(f'the area of "{what}"', coords, True, area_m2=area_m2)


def _ring(table: Table, rings: Rings, what: str) -> int:
    """First ring of the feature with an id or name, or with a number in the file from 1."""
    rows = [
        int(k)
        for column in _ID_COLUMNS
        if column in table.attributes
        for k in np.flatnonzero([str(v) == what for v in table.attributes[column]])
    ]
    if not rows and what.isdigit() and 1 <= int(what) <= len(table):
        rows = [int(what) - 1]
    if not rows:
        raise UsageError(
            f'the file has no feature "{what}"; '
            f"name one by its id, its name, or its number (1 to {len(table)})"
        )
    if len(set(rows)) > 1:
        raise UsageError(f'{len(set(rows))} features are called "{what}"; name one by its number in the file')
    found = np.flatnonzero(rings.feature == rows[0])
    if not len(found) or rings.kind[found[0]] == RingKind.POINT:
        raise UsageError(f'"{what}" has no outline to measure')
    return int(found[0])
