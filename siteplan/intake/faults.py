"""What can be wrong with the geometry of single features, and where.

The clean path is three array calls; only features that fail one of them are looked at
one by one, to say which vertex is wrong and how to mend it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

import numpy as np
import shapely

from siteplan.intake.invalid import invalid_troubles
from siteplan.intake.rings import (
    COLLECTION,
    LINE,
    MULTI_LINE,
    MULTI_POINT,
    MULTI_POLYGON,
    POINT,
    POLYGON,
    RING,
    Rings,
    absent,
    finite_rows,
    raw_shape,
    rings_of,
    simple_parts,
)
from siteplan.intake.troubles import Trouble, place, too_few
from siteplan.types import BoolArray, IntArray, ObjectArray

_KIND_NAMES: Final = {
    POINT: "a point", LINE: "a line", RING: "a ring", POLYGON: "a polygon", MULTI_POINT: "several points",
    MULTI_LINE: "several lines", MULTI_POLYGON: "several polygons", COLLECTION: "a collection",
}  # fmt: skip
_LINES_AND_POLYGONS: Final = (LINE, RING, POLYGON, MULTI_LINE, MULTI_POLYGON)
_POINTS: Final = (POINT, MULTI_POINT)
_WORTH_SHARING: Final = 2000


def geometry_troubles(
    wkb: ObjectArray, arcs: IntArray, role: str
) -> tuple[ObjectArray, Rings, list[Trouble]]:
    """Geometries of a table, their rings, and what is wrong with them.

    Parameters
    ----------
    wkb : (n,) bytes or None
    arcs : rows that had true arcs in the file
    role : ``openings`` may be points; the other roles may not

    Returns
    -------
    geometries : (n,) shapely, None where there is none or it does not parse
    rings : ring table of all of them, faulty ones included
    troubles : in the order of the file
    """
    with np.errstate(invalid="ignore"):  # coordinates that are not numbers are told below
        geoms = shapely.from_wkb(wkb, on_invalid="ignore")
        rings = rings_of(geoms)
    missing = absent(wkb)
    unread = shapely.is_missing(geoms) & ~missing
    empty = shapely.is_empty(geoms)
    wrong_kind = _wrong_kind(geoms, role) & ~empty
    infinite = np.zeros(len(wkb), np.bool_)
    finite = finite_rows(rings.coords) & ~np.isinf(rings.z)
    infinite[rings.vertex_feature[~finite]] = True
    told = missing | unread | empty | wrong_kind | infinite
    suspect = ~told
    suspect[suspect] = ~_is_valid(geoms[suspect])
    troubles: list[Trouble] = []
    for k in np.flatnonzero(missing):
        troubles.append(_no_geometry(int(k), "null-geometry", "has no geometry that can be read"))
    for k in np.flatnonzero(empty):
        troubles.append(_no_geometry(int(k), "empty-geometry", "has an empty geometry"))
    for k in np.flatnonzero(unread):
        troubles.extend(_unread_troubles(int(k), wkb[k]))
    for k in np.flatnonzero(wrong_kind):
        troubles.append(_wrong_kind_trouble(int(k), geoms[k], role))
    for k in np.flatnonzero(infinite & ~wrong_kind):
        troubles.append(_infinite_trouble(int(k), rings, finite))
    for k in np.flatnonzero(suspect):
        troubles.extend(invalid_troubles(int(k), geoms[k]))
    for k in arcs:
        troubles.append(
            Trouble(
                int(k),
                "arcs",
                "is drawn with true arcs, which would be made straight without notice",
                "Turn arcs into short straight pieces in your GIS, with a chord error you choose",
            )
        )
    troubles.extend(_crossing_lines(geoms, told | suspect))
    troubles.sort(key=lambda t: t.feature)
    return geoms, rings, troubles


def _is_valid(geoms: ObjectArray) -> BoolArray:
    """Validity of many geometries; shared out among the processors, since it is most of the work."""
    threads = min(8, os.cpu_count() or 1)
    if len(geoms) < _WORTH_SHARING or threads < 2:
        return shapely.is_valid(geoms)
    with ThreadPoolExecutor(threads) as pool:
        return np.concatenate(list(pool.map(shapely.is_valid, np.array_split(geoms, 4 * threads))))


def _no_geometry(feature: int, code: str, what: str) -> Trouble:
    return Trouble(feature, code, what, "Draw its outline, or delete the row")


def _wrong_kind(geoms: ObjectArray, role: str) -> BoolArray:
    """True where a geometry, or a part of a collection, is of a kind the role does not take."""
    allowed = _LINES_AND_POLYGONS + (_POINTS if role == "openings" else ())
    kinds = shapely.get_type_id(geoms)
    wrong: BoolArray = ~np.isin(kinds, allowed) & (kinds >= 0)
    mixed = np.flatnonzero(kinds == COLLECTION)
    if len(mixed):
        parts, owner = simple_parts(geoms[mixed])
        bad = np.zeros(len(mixed), np.bool_)
        bad[owner[~np.isin(shapely.get_type_id(parts), allowed)]] = True
        wrong[mixed] = bad
    return wrong


def _wrong_kind_trouble(feature: int, geom: Any, role: str) -> Trouble:
    kind = int(shapely.get_type_id(geom))
    code = "point-geometry" if kind in _POINTS else "geometry-collection"
    one = role.removesuffix("s")
    what = f"is {_KIND_NAMES[kind]}"
    if kind == COLLECTION:
        what += " that holds points" if role != "openings" else " of kinds that do not fit"
    takes = "polygons and lines" + (" and points with a width" if role == "openings" else "")
    article = "an" if one[0] in "aeiou" else "a"
    return Trouble(
        feature,
        code,
        f"{what}; {role} are {takes}",
        f"Draw {article} {one} as an outline or a line",
    )


def _infinite_trouble(feature: int, rings: Rings, finite: BoolArray) -> Trouble:
    bad = np.flatnonzero(~finite & (rings.vertex_feature == feature))
    vertex = int(bad[0])
    x, y = rings.coords[vertex]
    return Trouble(
        feature,
        "not-finite",
        f"coordinate ({x}, {y}, z {rings.z[vertex]}) is not a number"
        + (f" ({len(bad)} such vertices)" if len(bad) > 1 else ""),
        "Delete or move the vertex",
        rings.vertex_number(vertex),
    )


def _crossing_lines(geoms: ObjectArray, known_bad: BoolArray) -> Iterator[Trouble]:
    """Open lines that cross themselves: allowed, but the pieces would lie over each other."""
    lines = np.flatnonzero(np.isin(shapely.get_type_id(geoms), (LINE, MULTI_LINE)) & ~known_bad)
    for k in lines[~shapely.is_simple(geoms[lines])]:
        yield Trouble(
            int(k),
            "line-crosses-itself",
            "the line crosses or repeats itself",
            "Pieces would lie on each other there: split it into lines that do not cross",
            fatal=False,
        )


# -- geometry that does not parse ---------------------------------------------


def _unread_troubles(feature: int, wkb: bytes) -> list[Trouble]:
    """Rings shapely will not build, and types it does not have."""
    shape = raw_shape(wkb)
    if not shape.known:
        return [
            Trouble(
                feature,
                "unsupported-geometry",
                f"is a {shape.name}, which is not an outline",
                "Export it as polygons or lines",
            )
        ]
    found = []
    first = 0
    for ring, closed in zip(shape.rings, shape.closed, strict=True):
        kept = len(ring) - (1 if closed and len(ring) > 1 and (ring[0] == ring[-1]).all() else 0)
        finite = finite_rows(ring)
        if not finite.all():
            at = int(np.argmin(finite))
            found.append(
                Trouble(
                    feature,
                    "not-finite",
                    f"coordinate ({ring[at][0]}, {ring[at][1]}) is not a number",
                    "Delete or move the vertex",
                    first + at + 1,
                )
            )
        elif (few := len(np.unique(ring, axis=0))) < (3 if closed else 2):
            found.append(too_few(feature, few, closed, first))
        elif closed and kept == len(ring):
            found.append(
                Trouble(
                    feature,
                    "unclosed-ring",
                    f"the ring starts at {place(ring[0])} and ends at {place(ring[-1])}",
                    "It must end where it starts: repeat the first vertex, or draw it as an open line",
                    first + len(ring),
                )
            )
        first += kept
    return found or [
        Trouble(feature, "unsupported-geometry", f"its {shape.name} cannot be read", "Draw it again")
    ]
