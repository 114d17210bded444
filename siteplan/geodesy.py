"""The ellipsoid, and facts about coordinate reference systems (CRS).

Longitude comes before latitude, both in degrees; azimuths are degrees clockwise from
true north; lengths are metres on the ellipsoid, heights and slopes not counted.  This
module and :mod:`siteplan.frame` are the only ones that know a CRS.

Sources
-------
Geodesics and their polygons: C. F. F. Karney, Algorithms for geodesics, Journal of
Geodesy 87 (2013) 43-55, doi:10.1007/s00190-012-0578-z, as carried by PROJ.
Mercator's scale: J. P. Snyder, Map Projections - A Working Manual, USGS Professional
Paper 1395 (1987), p. 267.
"""

from __future__ import annotations

import itertools
import math
import warnings
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Final, cast

import numpy as np
from pyproj import CRS, Geod, Transformer, network
from pyproj.aoi import AreaOfInterest
from pyproj.crs import BoundCRS
from pyproj.exceptions import CRSError
from pyproj.transformer import TransformerGroup

from siteplan.errors import DataError, Fault
from siteplan.types import BoolArray, FloatArray, LonLatArray, OffsetArray
from siteplan.units import METRES, Unit

# A length must not depend on whether a server could be reached: no grids over the network.
network.set_network_enabled(active=False)  # type: ignore[attr-defined]

# --- the ellipsoid -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ellipsoid:
    """Figure of the earth.

    Parameters
    ----------
    a_m : equatorial radius
    f : flattening, 0 for a sphere
    """

    a_m: float
    f: float

    @property
    def e2(self) -> float:
        """First eccentricity squared."""
        return self.f * (2 - self.f)

    def prime_vertical_radius_m(self, lat_deg: FloatArray | float) -> FloatArray:
        """Radius of curvature east-west (N) at a latitude."""
        return np.asarray(self.a_m / np.sqrt(1 - self.e2 * np.sin(np.radians(lat_deg)) ** 2))

    def meridian_radius_m(self, lat_deg: FloatArray | float) -> FloatArray:
        """Radius of curvature north-south (M) at a latitude."""
        return np.asarray(self.a_m * (1 - self.e2) / (1 - self.e2 * np.sin(np.radians(lat_deg)) ** 2) ** 1.5)

    def gaussian_radius_m(self, lat_deg: FloatArray | float) -> FloatArray:
        """Gaussian mean radius, sqrt(M N): the sphere that fits best at a latitude."""
        return np.sqrt(self.meridian_radius_m(lat_deg) * self.prime_vertical_radius_m(lat_deg))


WGS84: Final = Ellipsoid(6378137.0, 1 / 298.257223563)
GRS80: Final = Ellipsoid(6378137.0, 1 / 298.257222101)


@lru_cache(maxsize=64)
def _geod(ellipsoid: Ellipsoid) -> Geod:
    return Geod(a=ellipsoid.a_m, f=ellipsoid.f)


def _check_lonlat(lonlat: LonLatArray) -> LonLatArray:
    """Refuse what no place on earth has; name the first vertex that has it."""
    lonlat = np.asarray(lonlat, dtype=np.float64).reshape(-1, 2)
    bad = ~(np.isfinite(lonlat[:, 0]) & (np.abs(lonlat[:, 1]) <= 90))
    if bad.any():
        vertex = int(np.argmax(bad))
        lon, lat = lonlat[vertex].tolist()
        raise DataError(
            Fault(
                "not-a-place",
                f"longitude {lon}, latitude {lat} is not a place on earth",
                "Latitude must lie within -90..90; check the order (longitude first) and the CRS.",
                vertex=vertex + 1,
            )
        )
    return lonlat


def inverse(
    start: LonLatArray, end: LonLatArray, *, ellipsoid: Ellipsoid = WGS84
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Length and both azimuths of the geodesics between points.

    Parameters
    ----------
    start, end : (n, 2) degrees, longitude first
    ellipsoid : figure of the earth

    Returns
    -------
    (n,) metres, (n,) azimuth at the start, (n,) azimuth at the end, both pointing along
    the line.  Equal points give 0.0 m.

    Raises
    ------
    DataError : not finite, or a latitude beyond 90.
    """
    a, b = _check_lonlat(start), _check_lonlat(end)
    az1, back, length_m = _geod(ellipsoid).inv(a[:, 0], a[:, 1], b[:, 0], b[:, 1])
    return np.asarray(length_m), np.asarray(az1), (np.asarray(back) + 360) % 360 - 180


def direct(
    start: LonLatArray, azimuth_deg: FloatArray, length_m: FloatArray, *, ellipsoid: Ellipsoid = WGS84
) -> LonLatArray:
    """Where geodesics of given azimuth and length end.

    Parameters
    ----------
    start : (n, 2) degrees, longitude first
    azimuth_deg, length_m : (n,)
    ellipsoid : figure of the earth

    Returns
    -------
    (n, 2) degrees, longitude first.
    """
    a = _check_lonlat(start)
    lon, lat, _ = _geod(ellipsoid).fwd(a[:, 0], a[:, 1], np.asarray(azimuth_deg), np.asarray(length_m))
    return np.column_stack([lon, lat])


def part_sums(values: FloatArray, offsets: OffsetArray) -> FloatArray:
    """Sum of each part of a ragged array; an empty part gives 0.

    Parameters
    ----------
    values : (v,)
    offsets : (n + 1,)

    Returns
    -------
    (n,)

    Notes
    -----
    Each part is summed by itself, so the error of a part does not grow with the file.
    """
    offsets = np.asarray(offsets, dtype=np.int64)
    sums = np.zeros(len(offsets) - 1)
    filled = np.flatnonzero(np.diff(offsets) > 0)
    if len(filled):
        sums[filled] = np.add.reduceat(values[: offsets[-1]], offsets[:-1][filled])
    return sums


def next_vertex(offsets: OffsetArray, closed: BoolArray) -> OffsetArray:
    """Index of the vertex that follows each vertex within its part.

    Parameters
    ----------
    offsets : (n + 1,)
    closed : (n,) True for a ring, whose last vertex is followed by its first

    Returns
    -------
    (v,) The last vertex of an open part is followed by itself.
    """
    offsets = np.asarray(offsets, dtype=np.int64)
    following = np.arange(1, offsets[-1] + 1)
    filled = np.flatnonzero(np.diff(offsets) > 0)
    last = offsets[1:][filled] - 1
    following[last] = np.where(np.asarray(closed, dtype=bool)[filled], offsets[:-1][filled], last)
    return following


def segment_lengths(
    lonlat: LonLatArray, offsets: OffsetArray, closed: BoolArray, *, ellipsoid: Ellipsoid = WGS84
) -> FloatArray:
    """Geodesic length from each vertex to the next one of its part.

    Parameters
    ----------
    lonlat : (v, 2) degrees, longitude first, of all parts
    offsets : (n + 1,)
    closed : (n,) True for a ring (which repeats no vertex)
    ellipsoid : figure of the earth; heights and slope are ignored

    Returns
    -------
    (v,) metres; 0.0 at the last vertex of an open part, and for a repeated vertex.

    Raises
    ------
    DataError : not finite, or a latitude beyond 90.

    Notes
    -----
    One call for all vertices.  Longitudes of either side of the 180th meridian may be mixed.

    Examples
    --------
    >>> line = np.array([[-100.0, 40.0], [-99.99, 40.005]])
    >>> segment_lengths(line, np.array([0, 2]), np.array([False])).round(4).tolist()
    [1018.5163, 0.0]
    """
    lonlat = _check_lonlat(lonlat)
    ahead = lonlat[next_vertex(offsets, closed)]
    *_, length_m = _geod(ellipsoid).inv(lonlat[:, 0], lonlat[:, 1], ahead[:, 0], ahead[:, 1])
    return np.asarray(length_m)


def ring_lengths(
    lonlat: LonLatArray, offsets: OffsetArray, closed: BoolArray, *, ellipsoid: Ellipsoid = WGS84
) -> FloatArray:
    """Geodesic length of each part: a ring with its closing edge, a line without.

    Parameters and errors as :func:`segment_lengths`.

    Returns
    -------
    (n,) metres; an empty part or a single point gives 0.
    """
    return part_sums(segment_lengths(lonlat, offsets, closed, ellipsoid=ellipsoid), offsets)


def ring_areas(
    lonlat: LonLatArray, offsets: OffsetArray, *, ellipsoid: Ellipsoid = WGS84
) -> tuple[FloatArray, FloatArray]:
    """Geodesic area and perimeter of each ring by itself, whichever way it turns.

    Parameters
    ----------
    lonlat : (v, 2) degrees, longitude first
    offsets : (n + 1,) every part is taken as a closed ring
    ellipsoid : figure of the earth

    Returns
    -------
    area_m2 : (n,) never negative; islands are rings like any other, the caller takes them off
    perimeter_m : (n,)

    Notes
    -----
    Ring by ring, because wrappers that take a polygon leave its holes out of the perimeter
    and add a hole that turns the wrong way.  The loop costs about 30 us a ring of 48 vertices, of which
    two thirds are the geodesics themselves.  The area of a small ring is good to about
    1.5e-4 m2, which is where doubles end in this method.
    """
    lonlat = _check_lonlat(lonlat)
    lon, lat = np.ascontiguousarray(lonlat[:, 0]), np.ascontiguousarray(lonlat[:, 1])
    measure = _geod(ellipsoid).polygon_area_perimeter
    bounds = np.asarray(offsets, dtype=np.int64).tolist()
    both = np.zeros((len(bounds) - 1, 2))
    for k, (a, b) in enumerate(itertools.pairwise(bounds)):
        if b > a:
            both[k] = measure(lon[a:b], lat[a:b])
    return np.abs(both[:, 0]), both[:, 1]


# --- CRS facts ---------------------------------------------------------------------

LOCAL_GRID: Final = "Local grid"
"""how the names of our own grids begin; no authority has them, and the search takes half a second"""
_MERCATORS: Final = {"9804", "9805", "9841", "1026", "1044"}
_DEGREE_RAD: Final = math.pi / 180


@dataclass(frozen=True, slots=True)
class CrsFacts:
    """What the program needs to know of a CRS; its horizontal part only."""

    name: str
    code: str | None
    """authority code such as ``EPSG:2230``, None where none fits"""
    wkt: str
    """WKT 2 of the horizontal part; equal text means equal CRS"""
    is_geographic: bool
    is_projected: bool
    is_web_mercator: bool
    """any pseudo-Mercator: its metres are not metres on the ground"""
    unit: Unit | None
    """of a projected CRS, None where it is none of ours"""
    unit_name: str
    metres_per_unit: Fraction | None
    """exact where ``unit`` is known; None for a geographic CRS"""
    degrees_per_unit: float
    """of longitude and latitude: 1, or 0.9 where the CRS counts in grads"""
    east_north: bool
    """True where x grows eastward and y northward (False: south-orientated, polar)"""
    area_of_use: tuple[float, float, float, float] | None
    """west, south, east, north in degrees; west > east across the 180th meridian"""
    datum: str
    ellipsoid: Ellipsoid
    prime_meridian_deg: float
    """of the CRS's own longitudes, east of Greenwich"""
    geographic_wkt: str
    """WKT 2 of the longitude and latitude the CRS is built on"""
    shift_wkt: str
    """the same, with the change to WGS 84 the file itself prescribes, where it does"""

    @property
    def label(self) -> str:
        """Code and name for people."""
        return f"{self.code} ({self.name})" if self.code else self.name


def _crs_fault(crs: str, what: str) -> DataError:
    shown = crs if len(crs) <= 60 else crs[:57] + "..."
    return DataError(
        Fault(
            "crs",
            f'the CRS "{shown}" {what}',
            "State the CRS the coordinates really are in by its code, for example EPSG:4326 "
            "(longitude and latitude) or EPSG:26916 (UTM zone 16 north).",
        )
    )


def _horizontal(crs: CRS) -> tuple[CRS, CRS | None]:
    """Horizontal two-dimensional part, and the bound CRS where the file prescribes one."""
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    bound = crs if crs.is_bound else None
    if bound is not None and bound.source_crs is not None:
        crs = bound.source_crs
    if len(crs.axis_info) == 3 and (crs.is_geographic or crs.is_projected):
        crs = crs.to_2d()
    return crs, bound


def _places_agree(a: CRS, b: CRS) -> bool:
    """Whether two projected CRSs put the same longitude and latitude on the same spot."""
    if b.area_of_use is None:
        return False
    west, south, east, north = b.area_of_use.bounds
    lon = [west + t * ((east - west) % 360) for t in (0.3, 0.7)]
    lat = [south + t * (north - south) for t in (0.3, 0.7)]
    xy_a, xy_b = (
        np.array(Transformer.from_crs(c.geodetic_crs, c, always_xy=True).transform(lon, lat)) for c in (a, b)
    )
    return bool(np.isfinite(xy_b).all() and np.abs(xy_a - xy_b).max() < 1e-4)


def _same_figure(a: CRS, b: CRS) -> bool:
    one, other = a.ellipsoid, b.ellipsoid
    if one is None or other is None:
        return False
    same_size = math.isclose(one.semi_major_metre, other.semi_major_metre, rel_tol=1e-10)
    return same_size and math.isclose(one.inverse_flattening, other.inverse_flattening, rel_tol=1e-10)


def _identified(crs: CRS) -> tuple[CRS, str | None]:
    """Swap a CRS described at length for its authority's own entry, where they are the same."""
    authority = None if crs.name.startswith(LOCAL_GRID) else crs.to_authority(min_confidence=70)
    if authority is None:
        return crs, None
    code = ":".join(authority)
    entry = CRS.from_authority(*authority)
    if entry.equals(crs, ignore_axis_order=True):
        return entry, code
    if crs.is_geographic:
        return crs, None
    same_unit = math.isclose(*(c.axis_info[0].unit_conversion_factor for c in (crs, entry)), rel_tol=1e-10)
    same = same_unit and _same_figure(crs, entry) and _places_agree(crs, entry)
    return (entry, code) if same else (crs, None)


def _is_pseudo_mercator(crs: CRS) -> bool:
    operation = crs.coordinate_operation
    if operation is None:
        return False
    if operation.method_code == "1024" or "pseudo" in operation.method_name.lower():
        return True
    figure = crs.ellipsoid
    return (
        operation.method_code in _MERCATORS
        and figure is not None
        and figure.inverse_flattening == 0
        and figure.semi_major_metre == WGS84.a_m
    )


def _unit_of(factor: float) -> tuple[Unit | None, Fraction]:
    # Other feet (Clarke's, Sears', the Indian) differ from ours by a millionth or more.
    units: tuple[Unit, ...] = ("m", "ft", "ftUS")
    for unit in units:
        if math.isclose(factor, float(METRES[unit]), rel_tol=1e-10):
            return unit, METRES[unit]
    return None, Fraction(factor)


@lru_cache(maxsize=256)
def crs_facts(crs: str) -> CrsFacts:
    """What a CRS is.

    Parameters
    ----------
    crs : authority code, WKT, PROJ string or PROJ JSON; a compound or three-dimensional
        CRS is reduced to its horizontal part

    Returns
    -------
    Facts.  A pseudo-Mercator on a sphere (older files) is taken for EPSG:3857, which has
    the same coordinates.

    Raises
    ------
    DataError : not understood, or not tied to the earth's surface (a drawing's own axes,
        earth-centred coordinates).

    Examples
    --------
    >>> facts = crs_facts("EPSG:2230")
    >>> facts.unit, facts.is_projected
    ('ftUS', True)
    """
    try:
        parsed, bound = _horizontal(CRS.from_user_input(crs))
    except CRSError:
        raise _crs_fault(crs, "is not understood") from None
    if parsed.type_name not in ("Geographic 2D CRS", "Projected CRS"):
        raise _crs_fault(crs, f"is a {parsed.type_name.lower()}, not a map grid or longitude and latitude")
    web = _is_pseudo_mercator(parsed)
    if web and parsed.ellipsoid is not None and parsed.ellipsoid.inverse_flattening == 0:
        pseudo = CRS.from_epsg(3857)
        web = _places_agree(parsed, pseudo)
        parsed, bound = (pseudo, None) if web else (parsed, bound)
    found, code = _identified(parsed)
    geographic = found.geodetic_crs
    figure = found.ellipsoid
    if geographic is None or figure is None:
        raise _crs_fault(crs, "has no ellipsoid")
    rf = figure.inverse_flattening
    axes = found.axis_info
    unit, metres = _unit_of(axes[0].unit_conversion_factor) if found.is_projected else (None, None)
    shift = geographic
    if bound is not None and code is None and bound.coordinate_operation is not None:
        shift = BoundCRS(geographic, bound.target_crs, bound.coordinate_operation)
    return CrsFacts(
        name=found.name,
        code=code,
        wkt=found.to_wkt(),
        is_geographic=found.is_geographic,
        is_projected=found.is_projected,
        is_web_mercator=web,
        unit=unit,
        unit_name=axes[0].unit_name,
        metres_per_unit=metres,
        degrees_per_unit=_degrees(geographic),
        east_north={a.direction for a in axes[:2]} == {"east", "north"},
        area_of_use=None if found.area_of_use is None else found.area_of_use.bounds,
        datum=geographic.datum.name if geographic.datum is not None else geographic.name,
        prime_meridian_deg=_prime_meridian_deg(geographic),
        ellipsoid=Ellipsoid(figure.semi_major_metre, 1 / rf if rf else 0.0),
        geographic_wkt=geographic.to_wkt(),
        shift_wkt=shift.to_wkt(),
    )


def vertical_unit(crs: str) -> Unit | None:
    """Unit of the heights of a compound or three-dimensional CRS.

    Parameters
    ----------
    crs : as :func:`crs_facts` takes it

    Returns
    -------
    The unit; None where the CRS has no heights, or counts them in a unit that is none of ours.

    Examples
    --------
    >>> vertical_unit("EPSG:6360"), vertical_unit("EPSG:4326")
    ('ftUS', None)
    """
    try:
        axes = CRS.from_user_input(crs).axis_info
    except CRSError:
        raise _crs_fault(crs, "is not understood") from None
    up = [a for a in axes if a.direction in ("up", "down")]
    return _unit_of(up[0].unit_conversion_factor)[0] if up else None


def _degrees(geographic: CRS) -> float:
    per_unit = geographic.axis_info[0].unit_conversion_factor / _DEGREE_RAD
    return 1.0 if math.isclose(per_unit, 1, rel_tol=1e-12) else per_unit


def _prime_meridian_deg(geographic: CRS) -> float:
    meridian = geographic.prime_meridian
    if meridian is None or meridian.longitude == 0:
        return 0.0
    return float(meridian.longitude) * float(meridian.unit_conversion_factor) / _DEGREE_RAD


# --- longitude and latitude to a CRS and back, on the CRS's own datum ------------------


@lru_cache(maxsize=64)
def _conversion(geographic_wkt: str, wkt: str) -> Transformer:
    return Transformer.from_crs(CRS.from_wkt(geographic_wkt), CRS.from_wkt(wkt), always_xy=True)


def project(crs: str, lonlat: LonLatArray) -> FloatArray:
    """Coordinates in a CRS of longitudes and latitudes on its own datum.

    Parameters
    ----------
    crs : as :func:`crs_facts` takes it
    lonlat : (n, 2) degrees, longitude first

    Returns
    -------
    (n, 2) in the CRS's unit, x or easting first; inf where the projection has no such place.
    """
    facts = crs_facts(crs)
    own = np.asarray(lonlat, dtype=np.float64).reshape(-1, 2) / facts.degrees_per_unit
    if facts.is_geographic:
        return own
    x, y = _conversion(facts.geographic_wkt, facts.wkt).transform(own[:, 0], own[:, 1])
    return np.column_stack([x, y])


def unproject(crs: str, coords: FloatArray) -> LonLatArray:
    """Longitudes and latitudes, on the CRS's own datum, of coordinates in it.

    Parameters
    ----------
    crs : as :func:`crs_facts` takes it
    coords : (n, 2) in the CRS's unit, x or easting first

    Returns
    -------
    (n, 2) degrees, longitude first; inf where the projection has no such place.  Degrees
    pass through untouched.
    """
    facts = crs_facts(crs)
    coords = np.asarray(coords, dtype=np.float64).reshape(-1, 2)
    if facts.is_geographic:
        return coords * facts.degrees_per_unit
    lon, lat = _conversion(facts.geographic_wkt, facts.wkt).transform(
        coords[:, 0], coords[:, 1], direction="INVERSE"
    )
    return np.column_stack([lon, lat]) * facts.degrees_per_unit


# --- scale -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class GridFactors:
    """Scale and convergence of a projected CRS at n places: grid metres per ellipsoid metre."""

    east_west: FloatArray
    """(n,) along the parallel"""
    north_south: FloatArray
    """(n,) along the meridian"""
    scale: FloatArray
    """(n,) root of the area scale: the point scale of a conformal grid"""
    stretch: FloatArray
    """(n,) greatest over least scale, less 1: 0 in a conformal grid"""
    convergence_deg: FloatArray
    """(n,) true azimuth = grid azimuth + convergence"""


def grid_factors(crs: str, lonlat: LonLatArray) -> GridFactors:
    """Scale of a projected CRS at places, found from its own coordinates.

    Parameters
    ----------
    crs : a projected CRS
    lonlat : (n, 2) degrees on the CRS's own datum, latitude within -89..89

    Returns
    -------
    Factors, good to about 1e-11.

    Notes
    -----
    The differential of the projection is taken by differences of fourth order over 600 m,
    not from the projection library's own factors: those are the sphere's for a
    pseudo-Mercator (1.3054073 at 40 degrees both ways, where 1.3036007 east-west and
    1.3087563 north-south are true).
    """
    facts = crs_facts(crs)
    lonlat = _check_lonlat(lonlat)
    if facts.metres_per_unit is None:
        raise _crs_fault(crs, "is not a map grid")
    step = math.degrees(1e-4)
    weights = np.array([1.0, -8.0, 8.0, -1.0]) / (12e-4)
    shifts = np.array([-2.0, -1.0, 1.0, 2.0]) * step
    n = len(lonlat)
    moved = np.repeat(lonlat[None], 8, axis=0)
    moved[:4, :, 0] += shifts[:, None]
    moved[4:, :, 1] += shifts[:, None]
    coords = project(crs, moved.reshape(-1, 2)).reshape(2, 4, n, 2) * float(facts.metres_per_unit)
    slope = np.einsum("k,dknc->dnc", weights, coords)
    figure, lat = facts.ellipsoid, lonlat[:, 1]
    along_parallel = slope[0] / (figure.prime_vertical_radius_m(lat) * np.cos(np.radians(lat)))[:, None]
    along_meridian = slope[1] / figure.meridian_radius_m(lat)[:, None]
    jacobian = np.stack([along_parallel, along_meridian], axis=-1)
    axes = np.linalg.svd(jacobian, compute_uv=False)
    return GridFactors(
        east_west=np.hypot(*along_parallel.T),
        north_south=np.hypot(*along_meridian.T),
        scale=np.sqrt(axes[:, 0] * axes[:, 1]),
        stretch=axes[:, 0] / axes[:, 1] - 1,
        convergence_deg=-np.degrees(np.arctan2(along_meridian[:, 0], along_meridian[:, 1])),
    )


def web_mercator_factors(lat_deg: FloatArray | float) -> tuple[FloatArray, FloatArray]:
    """How much too long EPSG:3857 draws, east-west and north-south, on the WGS 84 ellipsoid.

    Parameters
    ----------
    lat_deg : degrees

    Returns
    -------
    a / (N cos lat), a / (M cos lat).  The first is Snyder's k (p. 267); the second follows
    from the sphere's northing over the meridian's radius.  Plain 1 / cos lat is neither.
    """
    stretched = WGS84.a_m / np.cos(np.radians(lat_deg))
    return stretched / WGS84.prime_vertical_radius_m(lat_deg), stretched / WGS84.meridian_radius_m(lat_deg)


def height_factor(height_m: float, lat_deg: float, *, ellipsoid: Ellipsoid = WGS84) -> float:
    """Ellipsoid length over ground length at a height: R / (R + h).

    Parameters
    ----------
    height_m : above the ellipsoid
    lat_deg : degrees
    ellipsoid : figure of the earth

    Notes
    -----
    R is the Gaussian mean radius at the latitude.  The true radius depends on the direction
    of the line by up to 0.34 % either way, so at 1,000 m its own factor may differ by up to
    0.53 ppm from this one.  The fixed 6,372,000 m of hand computations (published in study
    texts) lies within 0.24 % of R at the equator and 0.43 % at the poles: up to 0.7 ppm at 1,000 m.
    """
    radius = float(ellipsoid.gaussian_radius_m(lat_deg))
    return radius / (radius + height_m)


# --- datums ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DatumChange:
    """How longitudes and latitudes of one datum are brought to another."""

    source: str
    target: str
    operation: str
    """name of the published operation; two joined by `` + `` where it goes by way of WGS 84"""
    accuracy_m: float | None
    """as published (summed where there are two), None where its publisher states none"""
    pipelines: tuple[str, ...]
    """PROJ pipelines, longitude first, in the units of the two CRSs"""
    better: str
    """the best operation that needs a grid not installed here, in words; empty where none"""
    source_degrees_per_unit: float
    target_degrees_per_unit: float

    @property
    def moves_nothing(self) -> bool:
        """True where the operation leaves the numbers as they are."""
        same_unit = self.source_degrees_per_unit == self.target_degrees_per_unit
        return same_unit and all(p.startswith("proj=noop") for p in self.pipelines)

    @property
    def text(self) -> str:
        """The change in a sentence for people."""
        accuracy = "not stated" if self.accuracy_m is None else f"{self.accuracy_m:g} m"
        tail = f" {self.better}" if self.better else ""
        return f'{self.source} to {self.target} by "{self.operation}", accuracy {accuracy}.{tail}'

    def apply(self, lonlat: LonLatArray) -> LonLatArray:
        """(n, 2) degrees on the source datum to (n, 2) degrees on the target datum."""
        lonlat = np.asarray(lonlat, dtype=np.float64).reshape(-1, 2)
        if self.moves_nothing:
            return lonlat
        lon, lat = (lonlat / self.source_degrees_per_unit).T
        for pipeline in self.pipelines:
            lon, lat = _pipeline(pipeline).transform(lon, lat)
        return np.column_stack([lon, lat]) * self.target_degrees_per_unit


@lru_cache(maxsize=64)
def _pipeline(definition: str) -> Transformer:
    return Transformer.from_pipeline(definition)


@dataclass(frozen=True, slots=True)
class _Operation:
    name: str
    accuracy_m: float | None
    pipeline: str


def _published(source: CRS, target: CRS, area: AreaOfInterest) -> tuple[_Operation | None, str]:
    """Best operation that can be computed here, ballpark ones left out; the better one, if any."""
    with warnings.catch_warnings():
        # The missing grid is told to the user in words of our own.
        warnings.filterwarnings("ignore", message="Best transformation is not available")
        group = TransformerGroup(source, target, always_xy=True, area_of_interest=area, allow_ballpark=False)  # type: ignore[arg-type]
    best = None
    if group.transformers:
        first = group.transformers[0]
        parts = [p for p in first.description.split(" + ") if not p.startswith("axis order change")]
        accuracy = first.accuracy if first.accuracy >= 0 else None
        best = _Operation(" + ".join(parts) or "no change", accuracy, first.definition)
    limit = math.inf if best is None or best.accuracy_m is None else best.accuracy_m
    missing = [o for o in group.unavailable_operations if 0 <= o.accuracy < limit]
    if not missing:
        return best, ""
    least = min(missing, key=lambda o: (o.accuracy, o.name))
    grids = ", ".join(sorted(g.short_name for g in least.grids))
    return (
        best,
        f'"{least.name}" ({least.accuracy:g} m) would be better but needs {grids}, not installed here.',
    )


def same_datum(a: CrsFacts, b: CrsFacts) -> bool:
    """Whether longitudes and latitudes of two CRSs mean the same places."""
    return a.geographic_wkt == b.geographic_wkt or bool(
        CRS.from_wkt(a.geographic_wkt).equals(CRS.from_wkt(b.geographic_wkt), ignore_axis_order=True)
    )


@lru_cache(maxsize=256)
def datum_change(source: str, target: str, area: tuple[float, float, float, float]) -> DatumChange | None:
    """How to bring longitudes and latitudes from the datum of one CRS to that of another.

    Parameters
    ----------
    source, target : CRSs, as :func:`crs_facts` takes them
    area : west, south, east, north of the site, degrees from Greenwich

    Returns
    -------
    The best published operation that needs no grid from the network; by way of WGS 84
    where no direct one can be computed here.  None where the datum is the same.

    Raises
    ------
    DataError : only a ballpark exists, that is none whose error anybody states.
    """
    a, b = crs_facts(source), crs_facts(target)
    if same_datum(a, b):
        return None
    place = AreaOfInterest(*area)
    crs_a, crs_b = CRS.from_wkt(a.shift_wkt), CRS.from_wkt(b.shift_wkt)
    straight, better = _published(crs_a, crs_b, place)
    if straight is not None:
        found = [straight]
    else:
        hub = CRS.from_epsg(4326)
        halves = (_published(crs_a, hub, place), _published(hub, crs_b, place))
        found = [operation for operation, _ in halves if operation is not None]
        better = better or " ".join(text for _, text in halves if text)
        if len(found) < 2:
            raise DataError(
                Fault(
                    "ballpark-datum",
                    f"no published way leads from the datum of {a.label} to that of {b.label} at this "
                    "place, and a guess may be hundreds of metres off",
                    "Give all layers in one CRS, or state the CRS they really are in.",
                )
            )
    accuracies = [o.accuracy_m for o in found]
    return DatumChange(
        source=a.datum,
        target=b.datum,
        operation=" + ".join(o.name for o in found),
        accuracy_m=None if None in accuracies else sum(cast("list[float]", accuracies)),
        pipelines=tuple(o.pipeline for o in found),
        better=better,
        source_degrees_per_unit=a.degrees_per_unit,
        target_degrees_per_unit=b.degrees_per_unit,
    )
