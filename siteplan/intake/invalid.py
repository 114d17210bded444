"""Why a polygon or line is not valid: which rings, edges and vertices are to blame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from siteplan.intake.rings import rings_of
from siteplan.intake.troubles import Trouble, place, too_few
from siteplan.model import RingKind
from siteplan.types import FloatArray, ObjectArray


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


def invalid_troubles(feature: int, geom: Any) -> list[Trouble]:
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
            found.append(too_few(feature, few, closed, low))
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
