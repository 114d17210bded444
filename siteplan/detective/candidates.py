"""What might explain the numbers: CRSs, units and axis orders, with the places they lead to.

Making a CRS is the slow part, so the CRSs whose area of use is near what is known come
first, all others only where those explain nothing, withdrawn ones last.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from siteplan import crs_database as database
from siteplan.crs_database import Entries
from siteplan.detective.evidence import Evidence, Place
from siteplan.geodesy import crs_facts
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray
from siteplan.units import METRES, Unit

NEAR_KM: Final = 600.0
"""about one UTM zone at the equator: the neighbours of the right zone are looked at too"""
_ZONED: Final = re.compile(r"UTM zone|Gauss-Kruger|UTM grid|TM \d+")
CENTRE, CORNERS, PROBES = 0, slice(1, 5), slice(5, 7)


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """The few points of the file that are placed by every candidate: m of them."""

    xy: FloatArray
    """(m, 2) middle, four corners of the box, a step along each axis, then the evidence"""
    known: tuple[slice, ...]
    controls: slice
    step: float
    """of the probes, in the file's numbers"""


def points_of(evidence: Evidence) -> Points:
    """The points to place: the middle is the median, so that one stray vertex moves nothing."""
    xy = evidence.finite
    middle = np.median(xy, axis=0)
    (west, south), (east, north) = xy.min(axis=0), xy.max(axis=0)
    corners = [(west, south), (east, south), (east, north), (west, north)]
    step = 1e-3 if np.abs(xy).max() <= 360 else 100.0
    parts = [middle[None], np.array(corners), middle + step * np.eye(2)]
    at, known = 7, []
    for item in evidence.known:
        parts.append(np.asarray(item.coords, dtype=np.float64).reshape(-1, 2))
        known.append(slice(at, at + len(parts[-1])))
        at += len(parts[-1])
    if evidence.controls:
        parts.append(np.array([(c.x, c.y) for c in evidence.controls]))
    return Points(np.concatenate(parts), tuple(known), slice(at, at + len(evidence.controls)), step)


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Ways to read the numbers that lead to a place on earth.  n of them, m points each."""

    codes: ObjectArray
    """(n,) str; WKT for a declared CRS without a code"""
    names: ObjectArray
    kinds: ObjectArray
    datums: ObjectArray
    siblings: ObjectArray
    areas: ObjectArray
    bounds: FloatArray
    """(n, 4) of the area of use; the whole world where there is none"""
    units: ObjectArray
    """(n,) ``m``, ``ft``, ``ftUS``, ``degrees`` or ``other``: what the numbers count"""
    scale: FloatArray
    """(n,) the file's numbers times this are in the CRS's own unit"""
    recounted: BoolArray
    """(n,) True where ``units`` is not the CRS's own"""
    swapped: BoolArray
    withdrawn: BoolArray
    declared: BoolArray
    lonlat: FloatArray
    """(n, m, 2) degrees from Greenwich on the CRS's own datum; inf where there is no place"""

    def __len__(self) -> int:
        return len(self.codes)

    def take(self, rows: IntArray) -> Candidates:
        """Some of them, in the order of the rows."""
        return Candidates(*(getattr(self, name)[rows] for name in self.__slots__))


def joined(parts: Sequence[Candidates]) -> Candidates:
    """Candidates of several searches as one table."""
    return Candidates(*(np.concatenate([getattr(p, n) for p in parts]) for n in Candidates.__slots__))


def gather(evidence: Evidence, points: Points) -> Iterator[Candidates]:
    """Candidates, the most likely lot first; each lot without those of the lots before it.

    With a place or a region: what is in use within 600 km, then withdrawn codes and those of
    the other authority there, then everything.  The caller stops when something fits.
    """
    first = [_degrees(points), *_declared(evidence, points)]
    table = database.entries()
    near = np.array(_near(table.bounds, evidence), dtype=np.int64)
    everywhere = _one_of_each_zone(table)
    if not len(near):
        yield joined([*first, placed(table, everywhere, points)])
    else:
        yield joined([*first, placed(table, near, points)])
        old = database.entries(withdrawn=True)
        lot = placed(old, _near(old.bounds, evidence), points)
        yield replace(lot, withdrawn=np.ones(len(lot), dtype=np.bool_))
        yield placed(table, np.setdiff1d(everywhere, near), points)


def _near(bounds: FloatArray, evidence: Evidence) -> IntArray:
    """Rows in use near the place, or near the boxes of the region; none where neither is known."""
    place = evidence.about
    if place is not None:
        reach = NEAR_KM + place.within_m / 1000
        at = np.array([place.lon_deg, place.lat_deg])
        return np.flatnonzero(database.box_distance_km(bounds, at) <= reach)
    if evidence.region is None:
        return np.zeros(0, dtype=np.int64)
    found = np.zeros(len(bounds), dtype=np.bool_)
    for west, south, east, north in database.region_boxes(evidence.region):
        found |= _boxes_meet(bounds, (west, south, east, north))
    return np.flatnonzero(found)


def _boxes_meet(bounds: FloatArray, box: tuple[float, float, float, float]) -> BoolArray:
    west, south, east, north = bounds.T
    wide, box_wide = np.mod(east - west, 360), (box[2] - box[0]) % 360
    across = (np.mod(box[0] - west, 360) <= wide) | (np.mod(west - box[0], 360) <= box_wide)
    everywhere = east - west >= 360
    meet: BoolArray = (across | everywhere) & (south <= box[3]) & (north >= box[1])
    return meet


def _one_of_each_zone(table: Entries) -> IntArray:
    """Rows that lead to different places: zoned grids are the same on every datum, within a few
    hundred metres, and without a place nothing tells datums apart.
    """
    seen: dict[str, int] = {}
    kept = []
    for k in np.argsort(table.datums != "WGS 84", kind="stable"):
        suffix = str(table.names[k]).split(" / ", 1)[-1]
        if not _ZONED.search(suffix) or seen.setdefault(suffix, int(k)) == k:
            kept.append(int(k))
    return np.sort(np.array(kept, dtype=np.int64))


# --- placing -----------------------------------------------------------------------


def placed(table: Entries, rows: IntArray, points: Points) -> Candidates:
    """Candidates of some entries: both axis orders, and in the US every unit."""
    feet = set(database.counts_in_feet_too(table.areas[rows]).tolist())
    both = np.concatenate([points.xy, points.xy[:, ::-1]])
    row_of, unit, scale, own, lonlat = [], [], [], [], []
    for k, row in enumerate(rows.tolist()):
        placer = database.placer(str(table.codes[row]))
        if placer is None:
            continue
        readings = _readings(placer.metres_per_unit, k in feet and table.kinds[row] != "map grid")
        stack = np.concatenate([both * factor for _, factor in readings])
        lonlat.append(placer.lonlat(stack).reshape(2 * len(readings), len(points.xy), 2))
        for position, (name, factor) in enumerate(readings):
            row_of += [row, row]
            unit += [name, name]
            scale += [factor, factor]
            own += [position == 0, position == 0]
    return _kept(table, np.array(row_of, dtype=np.int64), unit, scale, own, lonlat, points)


def _readings(metres_per_unit: float, any_foot: bool) -> list[tuple[str, float]]:
    """What the numbers may count, and the factor to the CRS's own unit; its own first."""
    if metres_per_unit == 0:
        return [("degrees", 1.0)]
    own = database.unit_of(metres_per_unit)
    if own is None:
        return [("other", 1.0)]
    units: tuple[Unit, ...] = ("m", "ft", "ftUS")
    others = [u for u in units if u != own] if any_foot else []
    return [(own, 1.0), *((u, float(METRES[u] / METRES[own])) for u in others)]


def _kept(
    table: Entries,
    row: IntArray,
    unit: list[str],
    scale: list[float],
    own: list[bool],
    lonlat: list[FloatArray],
    points: Points,
) -> Candidates:
    """Candidates whose middle is a place on earth."""
    places = np.concatenate(lonlat) if lonlat else np.zeros((0, len(points.xy), 2))
    good = np.flatnonzero(np.isfinite(places[:, CENTRE]).all(axis=1))
    row, none = row[good], np.zeros(len(good), dtype=np.bool_)
    return Candidates(
        codes=table.codes[row],
        names=table.names[row],
        kinds=table.kinds[row],
        datums=table.datums[row],
        siblings=table.siblings[row],
        areas=table.areas[row],
        bounds=table.bounds[row],
        units=np.array(unit, dtype=object)[good],
        scale=np.array(scale, dtype=np.float64)[good],
        recounted=~np.array(own, dtype=np.bool_)[good],
        swapped=np.tile([False, True], len(scale) // 2).astype(np.bool_)[good],
        withdrawn=none,
        declared=none.copy(),
        lonlat=places[good],
    )


def _degrees(points: Points) -> Candidates:
    """Longitude and latitude on every datum in use where the numbers themselves lie."""
    table = database.entries(geographic=True)
    middle = points.xy[CENTRE]
    rows: set[int] = set()
    for lonlat in (middle, middle[::-1]):
        if abs(lonlat[0]) <= 360 and abs(lonlat[1]) <= 90:
            rows |= set(np.flatnonzero(database.box_distance_km(table.bounds, lonlat) == 0).tolist())
            rows.add(_row(table, "EPSG:4326"))
    return placed(table, np.array(sorted(rows), dtype=np.int64), points)


def _row(table: Entries, code: str) -> int:
    row = table.of(code)
    assert row is not None, f"{code} is not in the data set"  # noqa: S101 - the data set is broken then
    return row


def _declared(evidence: Evidence, points: Points) -> list[Candidates]:
    """The numbers read as the file says."""
    if evidence.declared is None:
        return []
    facts = crs_facts(evidence.declared)
    code = facts.code or facts.wkt
    code = "EPSG:4326" if code == "OGC:CRS84" else code
    for geographic in (facts.is_geographic, not facts.is_geographic):
        table = database.entries(geographic=geographic)
        row = table.of(code)
        if row is not None:
            alone = _single(table, row, code, facts.name)
            break
    else:
        area = facts.area_of_use or (-180.0, -90.0, 180.0, 90.0)
        kind = "degrees" if facts.is_geographic else "web" if facts.is_web_mercator else "survey grid"
        alone = Entries(
            codes=np.array([code], dtype=object),
            names=np.array([facts.name], dtype=object),
            kinds=np.array([kind], dtype=object),
            datums=np.array([database.datum_family(facts.name)], dtype=object),
            siblings=_no_siblings(),
            areas=np.array(["the area it was made for is not stated"], dtype=object),
            bounds=np.array([area], dtype=np.float64),
        )
    read = placed(alone, np.zeros(1, dtype=np.int64), points)
    return [replace(read, declared=~read.recounted & ~read.swapped)]


def _no_siblings() -> ObjectArray:
    out = np.empty(1, dtype=object)
    out[0] = ()
    return out


def _single(table: Entries, row: int, code: str, name: str) -> Entries:
    """One entry under the code that was declared, the other realisations as its siblings."""
    family = {str(table.codes[row]), *table.siblings[row]}
    siblings = _no_siblings()
    siblings[0] = tuple(sorted(family - {code}))
    one = slice(row, row + 1)
    return Entries(
        codes=np.array([code], dtype=object),
        names=np.array([name], dtype=object),
        kinds=table.kinds[one],
        datums=table.datums[one],
        siblings=siblings,
        areas=table.areas[one],
        bounds=table.bounds[one],
    )


def about_km(place: Place, lonlat: FloatArray) -> FloatArray:
    """(n,) kilometres from a place to places, on the sphere."""
    here = np.array([place.lon_deg, place.lat_deg] * 2)
    return database.box_distance_km(np.broadcast_to(here, (len(lonlat), 4)), lonlat)
