"""The EPSG data set as PROJ carries it: which CRSs there are, where they serve, where they put numbers.

A CRS costs half a millisecond to make, so the list with its areas of use is asked for
first and a CRS is made only when somebody wants coordinates placed; then it is kept.

Realisations of one datum (NAD83, NAD83(HARN), NAD83(2011) ...) lie within a metre or two of
each other.  They share one row here, the oldest leading, the others its siblings, because
no evidence of this module's callers could part them.

Sources
-------
The data set itself (IOGP, EPSG Geodetic Parameter Dataset) through the projection library's
queries; distances to a box are great-circle ones on a sphere of 6,371 km, good to 0.5 %.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from pyproj import CRS, Transformer
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import ProjError

from siteplan.errors import UsageError
from siteplan.geodesy import crs_facts
from siteplan.types import BoolArray, FloatArray, IntArray, LonLatArray, ObjectArray
from siteplan.units import METRES, Unit

EARTH_RADIUS_KM: Final = 6371.0
_DEGREE_RAD: Final = math.pi / 180
_SHAPES_TRUE: Final = ("Transverse Mercator", "Lambert Conic", "Oblique", "Krovak", "Cassini", "Laborde")
"""methods of grids surveyors set out in; others (Albers, azimuthal, world maps) are for maps"""
_NO_DATUM: Final = ("Sphere", "Hughes", "NSWC", "Unknown", "Unspecified")
"""names of longitudes and latitudes nobody draws a site in"""
_NO_METHOD: Final = ("Zoned", "3D", "Local Orthographic")
"""methods the projection library has no plane coordinates for"""
_DATUM_FAMILIES: Final = (
    ("NAD83", "NAD83"), ("NAD_1983", "NAD83"), ("NAD_1927", "NAD27"),
    ("WGS 84", "WGS 84"), ("WGS_1984", "WGS 84"), ("ITRF", "WGS 84"), ("IGS", "WGS 84"), ("IGb", "WGS 84"),
    ("Mexico ITRF", "WGS 84"),
    ("WGS 72", "WGS 72"), ("WGS_1972", "WGS 72"), ("PZ-90", "PZ-90"),
    ("ETRS89", "ETRS89"), ("ETRS_1989", "ETRS89"), ("ETRF", "ETRS89"), ("RGF93", "ETRS89"),
    ("IGM95", "ETRS89"), ("RDN2008", "ETRS89"), ("SWEREF99", "ETRS89"), ("IRENET95", "ETRS89"),
    ("CHTRS95", "ETRS89"), ("EST97", "ETRS89"), ("LKS-92", "ETRS89"), ("LKS94", "ETRS89"),
    ("SIRGAS", "SIRGAS 2000"), ("MAGNA-SIRGAS", "SIRGAS 2000"), ("POSGAR", "POSGAR"),
)  # fmt: skip
"""how the names of CRSs begin, and the datum they are realisations of, within a metre or two"""
GEOCENTRIC: Final = frozenset(
    ("NAD83", "WGS 84", "ETRS89", "SIRGAS 2000", "POSGAR", "GDA94", "GDA2020", "NZGD2000", "CGCS2000")
)
"""families of datums made to lie within a metre or two of WGS 84, published change or not"""
_AXIS_ORDER: Final = re.compile(r" \((?:[NE]-[NE]|[NE],[NE]|zN|lon-lat)\)$|\((?:[NE]-[NE])\)$")
"""ends of names that tell entries of the data set apart by the order of their axes only"""
_REGION_NAMES: Final = {
    "us": "United States (USA)", "usa": "United States (USA)", "united states": "United States (USA)",
    "uk": "United Kingdom (UK)", "gb": "United Kingdom (UK)", "united kingdom": "United Kingdom (UK)",
}  # fmt: skip
_LARGEST_REGION_DEG: Final = 60.0
_FOOT_COUNTRIES: Final = re.compile(r"\(USA\)|\bUSA\b")
_STRIP: Final = re.compile(r"(?i)\b(between|(?:east|west|north|south) of)\b")
_STRIP_COUNTS: Final = 8.0
_UTM: Final = re.compile(r"UTM zone (\d{1,2})([NS])$")


@dataclass(frozen=True, slots=True, eq=False)
class Entries:
    """CRSs of one type, realisations of one datum together.  n rows, in order of code."""

    codes: ObjectArray
    """(n,) str such as ``EPSG:26916``"""
    names: ObjectArray
    """(n,) str"""
    kinds: ObjectArray
    """(n,) ``degrees``, ``utm``, ``web``, ``survey grid`` or ``map grid``"""
    datums: ObjectArray
    """(n,) family of the datum, such as ``NAD83``"""
    siblings: ObjectArray
    """(n,) tuple of the codes of the other realisations"""
    areas: ObjectArray
    """(n,) str: name of the area of use"""
    bounds: FloatArray
    """(n, 4) west, south, east, north in degrees; west > east across the 180th meridian"""

    def __len__(self) -> int:
        return len(self.codes)

    def of(self, code: str) -> int | None:
        """Row of a code, be it the leading one or a sibling; None where there is none."""
        return _rows(self).get(code)


_ROWS: dict[int, tuple[Entries, dict[str, int]]] = {}


def _rows(entries: Entries) -> dict[str, int]:
    kept = _ROWS.get(id(entries))
    if kept is None or kept[0] is not entries:
        found = {code: k for k, also in enumerate(entries.siblings) for code in also}
        found.update({code: k for k, code in enumerate(entries.codes)})
        _ROWS[id(entries)] = kept = (entries, found)
    return kept[1]


def datum_family(name: str) -> str:
    """Datum a CRS name starts with, realisations of one under one name."""
    base = name.split(" / ", 1)[0]
    for start, family in _DATUM_FAMILIES:
        if base.startswith(start):
            return family
    return base


def utm_zone(name: str) -> tuple[int, str] | None:
    """Zone number and hemisphere of a UTM grid by its name; None for anything else."""
    match = _UTM.search(name)
    return (int(match[1]), match[2]) if match else None


def _kind(name: str, method: str) -> str:
    if "Pseudo Mercator" in method:
        return "web"
    if utm_zone(name):
        return "utm"
    return "survey grid" if any(m in method for m in _SHAPES_TRUE) else "map grid"


@lru_cache(maxsize=4)
def entries(*, geographic: bool = False, withdrawn: bool = False) -> Entries:
    """What the data set has.

    Parameters
    ----------
    geographic : longitude and latitude instead of grids
    withdrawn : the entries withdrawn from the data set and those of the other authority
        (``ESRI``) instead of the valid ones

    Returns
    -------
    Entries; CRSs without an area of use, and methods without plane coordinates, are left out.
    """
    kind = PJType.GEOGRAPHIC_2D_CRS if geographic else PJType.PROJECTED_CRS
    found = list(query_crs_info("EPSG", kind, allow_deprecated=withdrawn))
    if withdrawn:
        found = [i for i in found if i.deprecated] + list(query_crs_info("ESRI", kind))
    groups: dict[tuple[str, str], list[Any]] = {}
    for info in found:
        method = info.projection_method_name or ""
        if info.area_of_use is None or any(m in method for m in _NO_METHOD):
            continue
        if geographic and any(word in info.name for word in _NO_DATUM):
            continue
        suffix = "" if geographic else _AXIS_ORDER.sub("", info.name.split(" / ", 1)[-1])
        groups.setdefault((datum_family(info.name), suffix), []).append(info)
    heads = [_leading(g, family) for (family, _), g in groups.items()]
    return Entries(
        codes=np.array([f"{h.auth_name}:{h.code}" for h in heads], dtype=object),
        names=np.array([h.name for h in heads], dtype=object),
        kinds=np.array(
            ["degrees" if geographic else _kind(h.name, h.projection_method_name or "") for h in heads],
            dtype=object,
        ),
        datums=np.array([family for family, _ in groups], dtype=object),
        siblings=_tuples(
            [
                tuple(f"{i.auth_name}:{i.code}" for i in g if i is not h)
                for h, g in zip(heads, groups.values(), strict=True)
            ]
        ),
        areas=np.array([h.area_of_use.name for h in heads], dtype=object),
        bounds=np.array([h.area_of_use.bounds for h in heads], dtype=np.float64).reshape(-1, 4),
    )


def _leading(group: list[Any], family: str) -> Any:
    """The realisation people mean when they say the datum's name: the plainest name."""

    def plainness(info: Any) -> tuple[bool, int, int, str]:
        base = info.name.split(" / ", 1)[0]
        return (base != family, len(info.name), len(info.code), info.code)

    return min(group, key=plainness)


def _tuples(items: Sequence[tuple[str, ...]]) -> ObjectArray:
    out = np.empty(len(items), dtype=object)
    out[:] = items
    return out


# --- areas -------------------------------------------------------------------------


def box_distance_km(bounds: FloatArray, lonlat: LonLatArray) -> FloatArray:
    """About how far places lie outside boxes of longitude and latitude.

    Parameters
    ----------
    bounds : (n, 4) west, south, east, north
    lonlat : (2,) or (n, 2) degrees; not finite gives inf

    Returns
    -------
    (n,) kilometres, 0 inside.  To the point of the box whose latitude, then longitude, is
    nearest: right to a few percent for the distances that matter here.
    """
    bounds = np.asarray(bounds, dtype=np.float64).reshape(-1, 4)
    lonlat = np.broadcast_to(np.asarray(lonlat, dtype=np.float64), (len(bounds), 2))
    west, south, east, north = bounds.T
    fine = finite_rows(lonlat)
    lon, lat = np.where(fine[:, None], lonlat, 0.0).T
    wide = np.where(east >= west, east - west, east - west + 360)
    past = np.mod(lon - west, 360)
    over = np.where((past <= wide) | (wide >= 360), 0.0, np.minimum(past - wide, 360 - past))
    near_lat = np.clip(lat, south, north)
    a, b, over = np.radians(lat), np.radians(near_lat), np.radians(over)
    chord = np.sin((b - a) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(over / 2) ** 2
    far = 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(chord, 1.0)))
    out: FloatArray = np.where(fine, far, np.inf)
    return out


def finite_rows(lonlat: FloatArray) -> BoolArray:
    """(...) True where both of the last axis are numbers."""
    fine: BoolArray = np.asarray(np.isfinite(lonlat[..., 0]) & np.isfinite(lonlat[..., 1]))
    return fine


def box_size(bounds: FloatArray) -> FloatArray:
    """(n,) square degrees of boxes, counted on the sphere: which of two areas is the smaller."""
    west, south, east, north = np.asarray(bounds, dtype=np.float64).reshape(-1, 4).T
    wide = np.where(east >= west, east - west, east - west + 360)
    size: FloatArray = wide * (np.sin(np.radians(north)) - np.sin(np.radians(south))) / _DEGREE_RAD
    return size


def region_name(lonlat: LonLatArray) -> str:
    """Name of the smallest area of use whose box has a place: country, often state or county.

    Boxes reach over borders, so this says *about where*.  Strips between two meridians reach
    farthest over them and are passed over for a country or state of about their size; an
    empty text where nothing has the place.
    """
    grids = entries()
    inside = np.flatnonzero(np.equal(box_distance_km(grids.bounds, lonlat), 0))
    if not len(inside):
        return ""
    strip = np.array([bool(_STRIP.search(str(a))) for a in grids.areas[inside]], dtype=np.bool_)
    size = box_size(grids.bounds[inside]) * np.where(strip, _STRIP_COUNTS, 1.0)
    return short_area(str(grids.areas[inside[np.argmin(size)]]))


def short_area(name: str) -> str:
    """Name of an area of use without its list of counties, at most 70 characters."""
    name = re.split(r" - count(?:y|ies)\b|; ", name)[0].rstrip(". ")
    return name if len(name) <= 70 else name[:67].rstrip() + "..."


def region_boxes(region: str) -> FloatArray:
    """Boxes that make up a region named by a person.

    Parameters
    ----------
    region : a country or a part of one as the areas of use are named: ``US``, ``Germany``,
        ``Massachusetts``

    Returns
    -------
    (k, 4) boxes of the areas of use of that name; their union is the region, a little
    widened, since a box reaches over a border.

    Raises
    ------
    UsageError : no area of use has the name.
    """
    wanted = _REGION_NAMES.get(region.strip().lower(), region.strip())
    grids = entries()
    # "Country - part ...": an area of one country starts with its name, others list several.
    pattern = re.compile(rf"(?:[^-;]+ - )?{re.escape(wanted)}(?![\w;])", re.IGNORECASE)
    named = np.array([bool(pattern.match(str(a))) for a in grids.areas])
    wide = np.mod(grids.bounds[:, 2] - grids.bounds[:, 0], 360)
    chosen = np.flatnonzero(named & (wide <= _LARGEST_REGION_DEG))
    if not wanted or not len(chosen):
        raise UsageError(
            f'region "{region}" is not known; name a country or a state in English, such as US, '
            "Germany, Massachusetts"
        )
    boxes: FloatArray = np.unique(grids.bounds[chosen], axis=0)
    return boxes


# --- placing -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Placer:
    """Brings coordinates of one CRS to longitude and latitude on its own datum."""

    metres_per_unit: float
    """0 for degrees"""
    prime_meridian_deg: float
    degrees_per_unit: float
    _transformer: Transformer | None

    def lonlat(self, coords: FloatArray) -> LonLatArray:
        """(n, 2) x or easting first to (n, 2) degrees from Greenwich; inf where there is no place."""
        x, y = np.asarray(coords, dtype=np.float64).reshape(-1, 2).T
        if self._transformer is None:
            lon, lat = x, y
        else:
            lon, lat = self._transformer.transform(x, y, direction="INVERSE")
        out = np.column_stack([lon, lat]) * self.degrees_per_unit
        out[:, 0] += self.prime_meridian_deg
        wrong = ~np.isfinite(out).all(axis=1) | (np.abs(out[:, 1]) > 90) | (np.abs(out[:, 0]) > 360)
        out[wrong] = np.inf
        out[~wrong, 0] = np.mod(out[~wrong, 0] + 180, 360) - 180
        return out


@lru_cache(maxsize=8192)
def placer(crs: str) -> Placer | None:
    """Placer of a CRS by its code; None where the library cannot compute it."""
    made = CRS.from_user_input(crs)
    geographic = made.geodetic_crs
    if geographic is None or not (made.is_projected or made.is_geographic):
        return None
    meridian = geographic.prime_meridian
    offset = 0.0
    if meridian is not None:
        offset = float(meridian.longitude) * float(meridian.unit_conversion_factor) / _DEGREE_RAD
    degrees = geographic.axis_info[0].unit_conversion_factor / _DEGREE_RAD
    if not made.is_projected:
        return Placer(0.0, offset, degrees, None)
    try:
        transformer = Transformer.from_crs(geographic, made, always_xy=True)
    except ProjError:
        return None
    return Placer(float(made.axis_info[0].unit_conversion_factor), offset, degrees, transformer)


def unit_of(metres_per_unit: float) -> Unit | None:
    """Unit of ours that has so many metres; None for degrees and other feet."""
    units: tuple[Unit, ...] = ("m", "ft", "ftUS")
    for unit in units:
        if math.isclose(metres_per_unit, float(METRES[unit]), rel_tol=1e-10):
            return unit
    return None


def counts_in_feet_too(areas: ObjectArray) -> IntArray:
    """Rows of areas where surveyors use either foot, whatever unit the grid was defined in."""
    return np.flatnonzero([bool(_FOOT_COUNTRIES.search(str(a))) for a in areas])


@lru_cache(maxsize=64)
def counted_in(crs: str, unit: Unit) -> str:
    """WKT 2 of a grid counted in another unit: same projection, same datum.

    Parameters
    ----------
    crs : a projected CRS
    unit : unit of the new coordinates

    Raises
    ------
    UsageError : not a projected CRS.
    """
    data = CRS.from_user_input(crs).to_json_dict()
    if data.get("type") != "ProjectedCRS":
        raise UsageError(f"{crs} is not a map grid")
    names = {"m": "metre", "ft": "foot", "ftUS": "US survey foot"}
    factor = float(METRES[unit])
    length = (
        "metre" if unit == "m" else {"type": "LinearUnit", "name": names[unit], "conversion_factor": factor}
    )
    for axis in data["coordinate_system"]["axis"]:
        axis["unit"] = length
    for key in ("id", "usages", "scope", "area", "bbox"):
        data.pop(key, None)
    data["name"] = f"{data['name']}, counted in {names[unit]}"
    return CRS.from_json(json.dumps(data)).to_wkt()


def label(crs: str) -> str:
    """Code and name of a CRS for people."""
    return crs_facts(crs).label
