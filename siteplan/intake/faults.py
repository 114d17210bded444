"""What can be wrong with the geometry of single features, and where.

The clean path is three array calls; only features that fail one of them are looked at
one by one, to say which vertex is wrong and how to mend it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

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
from siteplan.model import RingKind
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray

_KIND_NAMES: Final = {
    POINT: "a point", LINE: "a line", RING: "a ring", POLYGON: "a polygon", MULTI_POINT: "several points",
    MULTI_LINE: "several lines", MULTI_POLYGON: "several polygons", COLLECTION: "a collection",
}  # fmt: skip
_LINES_AND_POLYGONS: Final = (LINE, RING, POLYGON, MULTI_LINE, MULTI_POLYGON)
_POINTS: Final = (POINT, MULTI_POINT)
_WORTH_SHARING: Final = 2000


@dataclass(frozen=True, slots=True)
class Trouble:
    """A fault of one feature of a file, before the feature has its id.

    Parameters
    ----------
    feature : index in the file's rows
    code, what, remedy, vertex : as in :class:`siteplan.errors.Fault`
    fatal : False for what is only told
    whole : True where it concerns the whole file, so that no feature can be left out for it
    """

    feature: int
    code: str
    what: str
    remedy: str
    vertex: int | None = None
    fatal: bool = True
    whole: bool = False


def number(value: float) -> str:
    """A coordinate for people: nine decimals at most, no trailing zeros."""
    text = f"{value:.9f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def place(xy: FloatArray) -> str:
    """A position in the coordinates of the file, x or longitude first."""
    return f"({number(float(xy[0]))}, {number(float(xy[1]))})"


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
        troubles.extend(_invalid_troubles(int(k), geoms[k]))
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
            found.append(_too_few(feature, few, closed, first))
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


def _too_few(feature: int, count: int, closed: bool, first: int) -> Trouble:
    if not closed:
        return Trouble(
            feature,
            "zero-length",
            "the line has no length: all its vertices are the same",
            "Draw at least two different vertices",
            first + 1,
        )
    return Trouble(
        feature,
        "too-few-vertices",
        f"the ring has {count} different {'vertex' if count == 1 else 'vertices'}; an outline needs three",
        "Draw it again, or delete it",
        first + 1,
    )


# -- geometry that parses but encloses nothing sensible -----------------------


@dataclass(frozen=True)
class _Ring:
    """One ring of a suspect feature: ``xy`` without the closing vertex."""

    xy: FloatArray
    first: int
    part: int
    name: str

    def vertex(self, k: int) -> int:
        return self.first + k % len(self.xy) + 1

    def edge(self, k: int) -> str:
        return f"{self.vertex(k)}-{self.vertex(k + 1)}"


def _invalid_troubles(feature: int, geom: Any) -> list[Trouble]:
    """Why a polygon or line is not valid; at least one trouble.

    Spikes (out and back over the same points) are told only: the outline stage takes them out.
    """
    table = rings_of(np.array([geom], object))
    several = int(np.count_nonzero(table.kind == RingKind.OUTER)) > 1
    rings: list[_Ring] = []
    found: list[Trouble] = []
    part = island = 0
    for k in range(len(table.kind)):
        low, high = int(table.offsets[k]), int(table.offsets[k + 1])
        xy = table.coords[low:high]
        closed = bool(table.kind[k] <= RingKind.ISLAND)
        few = len(np.unique(xy, axis=0))
        if few < (3 if closed else 2):
            found.append(_too_few(feature, few, closed, low))
            continue
        if not closed:
            continue
        part, island = (part + 1, 0) if table.kind[k] == RingKind.OUTER else (part, island + 1)
        name = "the outline" if island == 0 else f"island {island}"
        rings.append(_Ring(xy, low, part, f"{name} of part {part}" if several else name))
    if found:
        return found
    tidy = [_without_spikes(r.xy) for r in rings]
    for ring, clean in zip(rings, tidy, strict=True):
        if len(clean) < 3:
            found.append(
                Trouble(
                    feature,
                    "zero-area",
                    f"{ring.name} encloses no area: it goes out and back on one line",
                    "Draw it again, or draw it as a line",
                    ring.vertex(0),
                )
            )
    if found:
        return found
    for ring, clean in zip(rings, tidy, strict=True):
        if not shapely.is_valid(shapely.Polygon(clean)):
            found.extend(_self_crossing(feature, ring))
    if found:
        return found
    found = list(_between_rings(feature, rings, tidy))
    if found:
        return found
    if shapely.is_valid(_assembled(rings, tidy)):
        return [
            Trouble(
                feature,
                "spike",
                "the outline goes out and back over the same points; the spike is left out",
                "Delete the vertex at the tip",
                fatal=False,
            )
        ]
    reason = str(shapely.is_valid_reason(geom))
    return [
        Trouble(
            feature,
            "invalid-outline",
            f"its rings do not bound one area ({reason[0].lower()}{reason[1:]})",
            "Draw the islands so that they touch nothing more than once",
        )
    ]


def _assembled(rings: list[_Ring], tidy: list[FloatArray]) -> Any:
    by_part: dict[int, list[FloatArray]] = {}
    for ring, xy in zip(rings, tidy, strict=True):
        by_part.setdefault(ring.part, []).append(xy)
    return shapely.MultiPolygon([(xys[0], xys[1:]) for xys in by_part.values()])


def _without_spikes(xy: FloatArray) -> FloatArray:
    """Ring without doubled vertices and without vertices where it turns straight back.

    "Straight back" is exact: the cross product of the two edges is zero and their dot
    product negative, so nothing that encloses any area is taken away.
    """
    kept = [tuple(p) for p in xy]
    changed = True
    while changed and len(kept) >= 3:
        changed = False
        k = 0
        while k < len(kept) and len(kept) >= 3:
            (ax, ay), (bx, by), (cx, cy) = kept[k - 1], kept[k], kept[(k + 1) % len(kept)]
            ux, uy, vx, vy = bx - ax, by - ay, cx - bx, cy - by
            if (ux == 0 and uy == 0) or (ux * vy - uy * vx == 0 and ux * vx + uy * vy < 0):
                del kept[k]
                changed = True
            else:
                k += 1
    return np.array(kept, np.float64).reshape(-1, 2)


def _self_crossing(feature: int, ring: _Ring) -> list[Trouble]:
    """Where a ring meets itself: first a true crossing, else a touch."""
    ends = np.stack([ring.xy, np.roll(ring.xy, -1, axis=0)], axis=1)
    real = np.flatnonzero((ends[:, 0] != ends[:, 1]).any(axis=1))
    edges: ObjectArray = np.asarray(shapely.linestrings(ends[real]), object)
    a, b = shapely.STRtree(edges).query(edges, predicate="intersects")
    rank_a, rank_b = a[a < b], b[a < b]
    apart = (rank_b - rank_a > 1) & ~((rank_a == 0) & (rank_b == len(real) - 1))
    rank_a, rank_b = rank_a[apart], rank_b[apart]
    crossing = shapely.crosses(edges[rank_a], edges[rank_b])
    meets: ObjectArray = np.asarray(shapely.intersection(edges[rank_a], edges[rank_b]), object)
    # An end that lies on the other edge is a touch, whatever rounding says of the crossing.
    pick = np.flatnonzero(crossing)
    code, verb = "bow-tie", "crosses itself"
    if not len(pick):
        pick, code, verb = np.arange(len(rank_a)), "ring-touches-itself", "touches itself"
    if not len(pick):
        return []
    order = pick[np.lexsort((real[rank_b[pick]], real[rank_a[pick]]))]
    i, j = int(real[rank_a[order[0]]]), int(real[rank_b[order[0]]])
    at = shapely.get_coordinates(meets[order[0]])[0]
    more = f" ({len(order)} crossings in all)" if code == "bow-tie" and len(order) > 1 else ""
    return [
        Trouble(
            feature,
            code,
            f"{ring.name} {verb} at {place(at)}, where edge {ring.edge(i)} meets edge {ring.edge(j)}" + more,
            "Move or delete a vertex so that the outline goes round once",
            ring.vertex(i),
        )
    ]


def _between_rings(feature: int, rings: list[_Ring], tidy: list[FloatArray]) -> Iterator[Trouble]:
    """Rings that are sound each by itself but do not fit together."""
    areas: ObjectArray = np.array([shapely.Polygon(xy) for xy in tidy], object)
    outer = [k for k, r in enumerate(rings) if k == 0 or rings[k - 1].part != r.part]
    for head in outer:
        islands = [k for k in range(head + 1, len(rings)) if rings[k].part == rings[head].part]
        same = [k for k in islands if shapely.equals(areas[k], areas[head])]
        for k in same:
            yield _pair(feature, rings[head], rings[k], "duplicate-ring", "is the same ring as")
        for k in islands:
            if k not in same and not shapely.covers(areas[head], areas[k]):
                inside = shapely.relate_pattern(areas[head], areas[k], "T********")
                code, verb = ("rings-cross", "crosses") if inside else ("island-outside", "lies outside")
                yield _pair(feature, rings[head], rings[k], code, verb)
            elif k not in same and _shared_edge(areas[head], areas[k]):
                yield _pair(feature, rings[head], rings[k], "rings-touch", "runs along")
        yield from _overlaps(feature, rings, areas, islands, "islands-overlap")
    if len(outer) > 1:
        whole = np.array(
            [
                _assembled(
                    [r for r in rings if r.part == rings[h].part],
                    [t for r, t in zip(rings, tidy, strict=True) if r.part == rings[h].part],
                )
                for h in outer
            ],
            object,
        )
        if shapely.is_valid(whole).all():
            table = np.empty(len(rings), object)
            table[outer] = whole
            yield from _overlaps(feature, rings, table, outer, "parts-overlap")


def _shared_edge(a: Any, b: Any) -> bool:
    return bool(shapely.relate_pattern(shapely.boundary(a), shapely.boundary(b), "1********"))


def _overlaps(feature: int, rings: list[_Ring], areas: Any, which: list[int], code: str) -> Iterator[Trouble]:
    """Pairs among ``which`` whose areas overlap, are equal, or share an edge."""
    if len(which) < 2:
        return
    shapes = np.array([areas[k] for k in which], object)
    a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    for i, j in sorted(zip(a[a < b].tolist(), b[a < b].tolist(), strict=True)):
        first, second = rings[which[i]], rings[which[j]]
        if shapely.equals(shapes[i], shapes[j]):
            yield _pair(feature, first, second, "duplicate-ring", "is the same ring as")
        elif shapely.relate_pattern(shapes[i], shapes[j], "T********"):
            yield _pair(feature, first, second, code, "overlaps")
        elif _shared_edge(shapes[i], shapes[j]):
            verb = "shares an edge with"
            yield _pair(
                feature, first, second, "parts-touch" if code == "parts-overlap" else "rings-touch", verb
            )


def _pair(feature: int, one: _Ring, other: _Ring, code: str, verb: str) -> Trouble:
    remedies = {
        "duplicate-ring": "Delete one of the two",
        "island-outside": "Move the island into the outline, or make it a bed of its own",
        "rings-cross": "Redraw the island inside the outline",
        "rings-touch": "Join the two rings, or leave a gap between them",
        "islands-overlap": "Join the islands into one",
        "parts-overlap": "Join the parts into one outline, or make them beds of their own",
        "parts-touch": "Join the parts into one outline, or make them beds of their own",
    }
    start = place(other.xy[0])
    return Trouble(
        feature, code, f"{other.name} (starts at {start}) {verb} {one.name}", remedies[code], other.vertex(0)
    )
