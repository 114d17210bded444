"""Whether the coordinates of a file can be in the CRS it states.  Nothing is guessed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

import numpy as np
import shapely

from siteplan.errors import DataError, Fault, Finding
from siteplan.geodesy import CrsFacts, crs_facts, inverse, unproject
from siteplan.intake.likely import most_plausible
from siteplan.intake.rings import Rings, finite_rows
from siteplan.intake.source import Source, Table, Whereabouts
from siteplan.intake.troubles import Trouble, number, place
from siteplan.types import BoolArray, FloatArray, LonLatArray

GREATEST_EXTENT_M: Final = 20_000.0
"""Greatest diagonal of a site."""
GREATEST_NUMBER: Final = 1e11
"""No coordinate is greater, in whatever unit: the earth is 4e10 mm round."""
AREA_MARGIN_DEG: Final = 3.0
"""How far outside its area of use a CRS is taken without question: half a UTM zone."""
_DEGREE_SIZED: Final = 0.25
"""No bed is longer than this in degrees (20 km); every bed is longer in feet or metres."""


def crs_of(table: Table, source: Source) -> CrsFacts:
    """CRS of a table: what the file says, or what was declared where it says nothing.

    What a person consented to assume goes before both.

    Raises
    ------
    DataError : unknown, not understood, or declared otherwise than the file says
    """
    if source.assume is not None:
        return _facts(source.assume, table.label)
    stated = _facts(table.crs, table.label) if table.crs is not None else None
    declared = _facts(source.crs, table.label) if source.crs is not None else None
    if declared is not None and (stated is None or table.crs_source == "default"):
        return declared
    if stated is None:
        raise DataError(missing_crs_fault(table.label, _coords_of(table), whereabouts=source.whereabouts))
    if declared is not None and crs_key(declared) != crs_key(stated):
        raise DataError(
            Fault(
                "crs-contradicts",
                f"the file says {stated.label}, but {declared.label} is declared for it",
                "Take the declaration away, or mend the file if the file is wrong",
                file=table.label,
            )
        )
    return stated


def _facts(crs: str, label: str) -> CrsFacts:
    try:
        return crs_facts(crs)
    except DataError as error:
        raise DataError(*(replace(f, file=label) for f in error.faults)) from None


def crs_key(facts: CrsFacts) -> str:
    """Text that is equal for equal CRSs; CRS84 and EPSG:4326 differ in axis order only."""
    return "EPSG:4326" if facts.code == "OGC:CRS84" else facts.code or facts.wkt


def crs_text(facts: CrsFacts, given: str) -> str:
    """CRS as :class:`siteplan.model.Features` carries it.

    A CRS without a code keeps the text of the file where that prescribes a datum change.
    """
    return crs_key(facts) if facts.code or facts.shift_wkt == facts.geographic_wkt else given


def assumed_finding(table: Table, source: Source, facts: CrsFacts) -> list[Finding]:
    """That a CRS was assumed by consent, and what the file says; nothing where none was."""
    if source.assume is None:
        return []
    said = "states none" if table.crs is None else f"says {_said(table.crs)}"
    if table.crs_source == "default":
        said = "is a GeoJSON without a crs member (longitude and latitude on WGS 84)"
    text = f"{table.label}: {facts.label} was assumed with your consent; the file {said}"
    return [Finding("crs-assumed", "notice", text)]


def _said(crs: str) -> str:
    """What a file states, for a message; also where nobody understands it."""
    try:
        return crs_facts(crs).label
    except DataError:
        return "something that is not understood"


def missing_crs_fault(
    label: str, xy: FloatArray, remedy: str = "", *, whereabouts: Whereabouts | None = None
) -> Fault:
    """The one place where the fault of a file without a CRS is made.

    Parameters
    ----------
    label : the file, for messages
    xy : (n, 2) its coordinates, so that what they look like can be told; may be empty
    remedy : another way out that this kind of file has
    whereabouts : about where the site lies, which makes the list of likely CRSs shorter
    """
    likely = most_plausible(xy, whereabouts or Whereabouts())
    way = (
        'Find out from whoever made it and state it, for example crs = "EPSG:2230"; '
        "a shapefile keeps it in its .prj part. 'siteplan crs' with the file and --near LON,LAT tells more"
    )
    return Fault(
        "no-crs",
        f"the file does not say which CRS its coordinates are in{_looks_hint(xy)}{likely}",
        f"{way}. {remedy}" if remedy else way,
        file=label,
    )


def _coords_of(table: Table) -> FloatArray:
    with np.errstate(invalid="ignore"):
        return np.asarray(shapely.get_coordinates(shapely.from_wkb(table.wkb, on_invalid="ignore")))


def _looks_hint(xy: FloatArray) -> str:
    """What the numbers of a file without a CRS look like, as the end of a sentence."""
    xy = xy[finite_rows(xy)]
    if not len(xy):
        return ""
    low, high = xy.min(axis=0), xy.max(axis=0)
    span = f"x {number(low[0])} to {number(high[0])}, y {number(low[1])} to {number(high[1])}"
    return f" ({span}: {_looks_like(xy) or 'these could be degrees'})"


def _looks_like(xy: FloatArray) -> str | None:
    """What numbers that are not degrees look like; None where they could be degrees."""
    greatest = np.abs(xy).max()
    if (np.abs(xy[:, 0]) <= 180).all() and (np.abs(xy[:, 1]) <= 90).all():
        return None
    whole = (xy * 2 == np.round(xy * 2)).mean()
    if xy.min() >= -1 and greatest < 100_000 and whole > 0.9:
        return "the numbers look like pixel columns and rows of a picture"
    if greatest >= 1000:
        return "the numbers look like metres or feet of a projected grid"
    return "the numbers are no longitudes and latitudes"


# -- where the coordinates lie -------------------------------------------------


def place_troubles(table: Table, facts: CrsFacts, source: Source, rings: Rings) -> Iterator[Trouble]:
    """Coordinates that cannot be in the CRS.

    Where more than half of the features are out, the file is wrong as a whole and the first
    vertex is named; otherwise each feature that is out is named.
    """
    fine = finite_rows(rings.coords)
    if not fine.any():
        return
    huge = fine & (np.abs(np.where(fine[:, None], rings.coords, 0.0)) > GREATEST_NUMBER).any(axis=1)
    if huge.any():
        yield from _told(rings, huge, lambda v: _no_number_of_earth(rings.coords[v]))
        return
    remedy = _remedy(table, facts, source)
    if facts.is_geographic:
        degrees = rings.coords * facts.degrees_per_unit
        out = fine & ((np.abs(degrees[:, 0]) > 180) | (np.abs(degrees[:, 1]) > 90))
        if out.any():
            told = list(_told(rings, out, lambda v: _not_degrees(rings.coords, out, v, remedy)))
            if told[0].whole and told[0].code == "grid-in-degrees":
                likely = most_plausible(rings.coords[fine], source.whereabouts)
                told = [replace(told[0], what=told[0].what + likely)]
            yield from told
            return
    elif _degree_like(table, rings, fine):
        v = int(np.argmax(fine))
        yield Trouble(
            int(rings.vertex_feature[v]),
            "degrees-in-grid",
            f"coordinate {place(rings.coords[v])} and all others look like longitude and latitude, "
            f"but the CRS is {facts.label}, a grid in {facts.unit_name}",
            remedy,
            rings.vertex_number(v),
            whole=True,
        )
        return
    yield from _outside_area(facts, rings, fine, remedy)


def _no_number_of_earth(xy: FloatArray) -> Trouble:
    return Trouble(
        -1,
        "impossible-number",
        f"coordinate ({xy[0]:.6g}, {xy[1]:.6g}) is no place on earth: that is "
        "4e10 mm round, and no unit is smaller",
        "A number was damaged on its way: export the file again, or mend the vertex",
    )


def _remedy(table: Table, facts: CrsFacts, source: Source) -> str:
    if source.assume is not None:
        return f"State the CRS the coordinates really are in; {facts.label} was assumed"
    if source.crs is not None and table.crs_source != "file":
        return f"State the CRS the coordinates really are in; {facts.label} is declared"
    if table.crs_source == "default":
        return (
            "A GeoJSON without a crs member is longitude and latitude (RFC 7946): export it so, or state "
            'the CRS the coordinates really are in, for example crs = "EPSG:32616"'
        )
    return f"The file says {facts.label}: export it again with its right CRS"


def _told(rings: Rings, out: BoolArray, trouble: Callable[[int], Trouble]) -> Iterator[Trouble]:
    """First vertex that is out: of the file where most features have one, else of each feature."""
    of = rings.vertex_feature
    vertices = np.flatnonzero(out)
    features, first = np.unique(of[vertices], return_index=True)
    if 2 * len(features) > len(np.unique(of)):
        v = int(vertices[0])
        many = f"{len(features)} feature{'s' if len(features) != 1 else ''}"
        count = f" ({len(vertices)} vertices of {many} are like this)"
        one = trouble(v)
        yield replace(
            one,
            feature=int(of[v]),
            vertex=rings.vertex_number(v),
            whole=True,
            what=one.what + (count if len(vertices) > 1 else ""),
        )
        return
    for v in vertices[first]:
        yield replace(trouble(int(v)), feature=int(of[v]), vertex=rings.vertex_number(int(v)))


def _not_degrees(coords: FloatArray, out: BoolArray, vertex: int, remedy: str) -> Trouble:
    """Fault of a vertex beyond -180..180, -90..90, and what all such vertices look like."""
    lon, lat = coords[vertex]
    if abs(lat) > 90:
        what = f"latitude {number(lat)} is outside -90..90"
    else:
        what = f"longitude {number(lon)} is outside -180..180"
    bad = coords[out]
    if (np.abs(bad[:, 0]) <= 90).all() and (np.abs(bad[:, 1]) <= 180).all():
        swapped = f"{what}; longitude and latitude look swapped (expected longitude first)"
        return Trouble(0, "swapped-axes", swapped, "Export it again with longitude first")
    looks = _looks_like(bad) or ""
    if "pixel" in looks:
        remedy = "Trace on a georeferenced picture, or export in map coordinates"
        return Trouble(0, "pixel-coordinates", f"{what}; {looks}", remedy)
    code = "grid-in-degrees" if "grid" in looks else "outside-lonlat"
    return Trouble(0, code, f"{what}; {looks}" if code == "grid-in-degrees" else what, remedy)


def _degree_like(table: Table, rings: Rings, fine: BoolArray) -> bool:
    """Whether numbers in a grid are degrees: in their range, and no feature as long as a bed is.

    Points have no length, so for them the range decides.
    """
    x, y = rings.coords[fine].T
    if max(-x.min(), x.max()) > 180 or max(-y.min(), y.max()) > 90:
        return False
    low, high = rings.bounds(len(table))
    size = (high - low)[finite_rows(low) & finite_rows(high)]
    return bool((size < _DEGREE_SIZED).all())


def _outside_area(facts: CrsFacts, rings: Rings, fine: BoolArray, remedy: str) -> Iterator[Trouble]:
    """Coordinates far outside the area the CRS is made for, or off the earth.

    Four extreme vertices are tried first; only if one is out, all are.
    """
    if facts.area_of_use is None:
        return
    at = np.flatnonzero(fine)
    xy = rings.coords[at]
    ends = np.unique([xy[:, 0].argmin(), xy[:, 0].argmax(), xy[:, 1].argmin(), xy[:, 1].argmax()])
    if not _out(facts, xy[ends]).any():
        return
    out = np.zeros(len(fine), np.bool_)
    out[at] = _out(facts, xy)
    swapped = not _out(facts, rings.coords[out][:, ::-1]).any()
    west, south, east, north = facts.area_of_use
    area = f"{west:g} to {east:g} east, {south:g} to {north:g} north"

    def trouble(vertex: int) -> Trouble:
        here = rings.coords[vertex]
        lon, lat = _greenwich(facts, here[None, :])[0]
        where = (
            f"lies at longitude {lon:.4f}, latitude {lat:.4f}"
            if np.isfinite([lon, lat]).all()
            else "is no place on earth"
        )
        what = f"coordinate {place(here)} {where}, outside the area of {facts.label} ({area})"
        if swapped:
            first = "longitude" if facts.is_geographic else "easting"
            what += f"; the two axes look swapped (expected {first} first)"
            return Trouble(0, "swapped-axes", what, f"Export it again with {first} first")
        return Trouble(0, "outside-area", what, remedy)

    yield from _told(rings, out, trouble)


def _greenwich(facts: CrsFacts, xy: FloatArray) -> LonLatArray:
    lonlat: LonLatArray = unproject(facts.code or facts.wkt, xy)
    shifted: LonLatArray = lonlat + np.array([facts.prime_meridian_deg, 0.0])
    return shifted


def _out(facts: CrsFacts, xy: FloatArray) -> BoolArray:
    """(n,) True where a coordinate lies more than the margin outside the area of use."""
    if facts.area_of_use is None:
        return np.zeros(len(xy), np.bool_)
    west, south, east, north = facts.area_of_use
    lonlat = _greenwich(facts, xy)
    finite = finite_rows(lonlat)
    lon, lat = np.where(finite[:, None], lonlat, 0.0).T
    wide = east - west if east >= west else east - west + 360
    eastward = np.mod(lon - west + AREA_MARGIN_DEG, 360)
    inside = (eastward <= wide + 2 * AREA_MARGIN_DEG) | (wide + 2 * AREA_MARGIN_DEG >= 360)
    inside &= (lat >= south - AREA_MARGIN_DEG) & (lat <= north + AREA_MARGIN_DEG)
    out: BoolArray = ~(inside & finite)
    return out


def extent_trouble(facts: CrsFacts, rings: Rings, count: int) -> Trouble | None:
    """A role in degrees that is spread over more than 20 km; None where it is not.

    The extent is the geodesic from the south-west to the north-east corner.  Longitudes
    on both sides of the 180th meridian are near each other.
    """
    if not facts.is_geographic:
        return None
    low, high = (b * facts.degrees_per_unit for b in rings.bounds(count))
    at = np.flatnonzero(finite_rows(low) & finite_rows(high))
    if not len(at):
        return None
    low, high = low[at], high[at]
    if np.ptp([low[:, 0].min(), high[:, 0].max()]) > 180:
        low[:, 0], high[:, 0] = low[:, 0] % 360, high[:, 0] % 360
    ends = np.array([low.min(axis=0), high.max(axis=0)])
    extent_m = float(inverse(ends[:1], ends[1:], ellipsoid=facts.ellipsoid)[0][0])
    if extent_m <= GREATEST_EXTENT_M:
        return None
    middle = (low + high) / 2
    off = middle - np.median(middle, axis=0)
    far = int(np.argmax(np.hypot(off[:, 0] * np.cos(np.radians(np.median(middle[:, 1]))), off[:, 1])))
    return Trouble(
        int(at[far]),
        "extent",
        f"the features are spread over {extent_m / 1000:.1f} km, more than "
        f"{GREATEST_EXTENT_M / 1000:.0f} km; this one, at {place(middle[far])}, is farthest from the rest",
        "Plan one property at a time, or mend the feature that lies astray",
        whole=True,
    )
