"""Outlines that come as single rings and lines, made into features with islands.

Drawings, survey files, field notes and GNSS walks know lines, closed or open, but no polygon with
an island in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely

from siteplan.errors import Fault, Finding
from siteplan.fieldnotes.strings import ArcStrings, edges_of
from siteplan.intake.source import CrsSource, Nested, Table
from siteplan.intake.troubles import Trouble, too_few
from siteplan.intake.vertex_values import PREFIX, joined
from siteplan.planar import offsets_of, sums
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray

MOST_CHORDS: Final = 100_000
"""Chords of one outline: a circle of 1 km within 0.1 mm takes 7,000."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Lines and rings as read.  n of them, v vertices, all in one CRS."""

    coords: FloatArray
    """(v, 2)"""
    z: FloatArray
    """(v,) in the unit of the CRS (metres beside longitude and latitude), NaN where not known"""
    offsets: OffsetArray
    """(n + 1,)"""
    closed: BoolArray
    """(n,) the first vertex is not repeated"""
    names: ObjectArray
    """(n,) str, for messages"""
    attributes: dict[str, ObjectArray]
    """(n,) values, None where absent"""
    vertex: dict[str, ObjectArray] = field(default_factory=dict)
    """(v,) str: what belongs to single vertices, by the name without ``vertex_``"""
    troubles: tuple[Trouble, ...] = ()
    """``feature`` counts the lines and rings"""


def taken(drawn: Drawn, keep: BoolArray) -> Drawn:
    """Only some of the lines and rings."""
    counts = np.diff(drawn.offsets)
    vertices = np.repeat(keep, counts)
    place = np.cumsum(keep) - 1
    return Drawn(
        coords=drawn.coords[vertices],
        z=drawn.z[vertices],
        offsets=offsets_of(counts[keep]),
        closed=drawn.closed[keep],
        names=drawn.names[keep],
        attributes={n: v[keep] for n, v in drawn.attributes.items()},
        vertex={n: v[vertices] for n, v in drawn.vertex.items()},
        troubles=tuple(
            Trouble(int(place[t.feature]), t.code, t.what, t.remedy, t.vertex, t.fatal, t.whole)
            for t in drawn.troubles
            if keep[t.feature]
        ),
    )


def large_arcs(strings: ArcStrings, tolerance: float, label: str) -> list[Fault]:
    """A fault for each outline whose arcs are so large that chords within the tolerance are beyond count.

    Parameters
    ----------
    strings : outlines of lines and arcs
    tolerance : in the unit of the strings
    label : the file, for messages
    """
    edge = edges_of(strings)
    radius = np.where(np.isfinite(edge.radius), np.abs(edge.radius), 0.0)
    count = sums(np.abs(edge.sweep_rad) * np.sqrt(radius / (8 * tolerance)), strings.offsets)
    return [
        Fault(
            "arc-too-large",
            f"its arcs would take {count[k]:.3g} chords to stay within the tolerance",
            "Check its points: an arc that large is a slip. Or raise chord_tolerance",
            file=label,
            feature=str(strings.names[k]),
        )
        for k in np.flatnonzero(~(count <= MOST_CHORDS))
    ]


def table_of(
    drawn: Drawn,
    label: str,
    *,
    crs: str | None,
    crs_source: CrsSource,
    findings: Sequence[Finding],
    nested: Nested | None,
) -> Table:
    """Features of the lines and rings, as any other file gives them.

    Closed rings within closed rings become their islands, rings within islands outlines of their
    own again, and so on; with ``nested = "outlines"`` each ring is an outline.
    """
    rings, troubles = _rings(drawn)
    owner = np.arange(len(drawn.closed))
    found = list(findings)
    if nested != "outlines":
        owner = _owners(rings)
        inner = np.flatnonzero(owner != np.arange(len(owner)))
        if len(inner):
            pairs = ", ".join(f'"{drawn.names[k]}" in "{drawn.names[owner[k]]}"' for k in inner[:10])
            more = f" and {len(inner) - 10} more" if len(inner) > 10 else ""
            text = f"{label}: closed outlines within others are taken as their islands: {pairs}{more}"
            hint = 'nested = "outlines" makes each an outline of its own'
            found.append(Finding("islands", "notice", f"{text}; {hint}"))
    outer = np.flatnonzero(owner == np.arange(len(owner)))
    geoms, order = _features(rings, owner, outer)
    place = np.full(len(owner), -1, np.int64)
    place[outer] = np.arange(len(outer))
    attributes = {name: values[outer] for name, values in drawn.attributes.items()}
    for name, values in drawn.vertex.items():
        attributes[PREFIX + name] = _texts(values, drawn.offsets, order)
    return Table(
        label=label,
        wkb=np.asarray(shapely.to_wkb(geoms), dtype=object),
        attributes=attributes,
        crs=crs,
        crs_source=crs_source,
        fids=None,
        text=None,
        arcs=np.zeros(0, np.int64),
        findings=tuple(found),
        troubles=tuple(
            Trouble(int(place[owner[t.feature]]), t.code, t.what, t.remedy, t.vertex, t.fatal, t.whole)
            for t in (*drawn.troubles, *troubles)
        ),
    )


def _rings(drawn: Drawn) -> tuple[ObjectArray, list[Trouble]]:
    """A polygon for each ring and a line for each line; a ring of too few vertices is left a line."""
    has_z = np.isfinite(drawn.z).any()
    xyz = np.column_stack([drawn.coords, drawn.z]) if has_z else drawn.coords
    counts = np.diff(drawn.offsets)
    made = np.empty(len(counts), object)
    troubles = []
    ring = drawn.closed & (counts >= 3)
    for k in np.flatnonzero(~ring):
        part = xyz[drawn.offsets[k] : drawn.offsets[k + 1]]
        if drawn.closed[k] or len(part) < 2:
            troubles.append(too_few(int(k), len(part), bool(drawn.closed[k]), 0))
        if len(part) < 2:
            part = np.vstack([part, part[-1:]])
        made[k] = shapely.LineString(part)
    at = np.flatnonzero(ring)
    if len(at):
        first = drawn.offsets[:-1][at]
        take = np.concatenate(
            [np.append(np.arange(a, b), a) for a, b in zip(first, drawn.offsets[1:][at], strict=True)]
        )
        offsets = offsets_of(counts[at] + 1)
        made[at] = shapely.from_ragged_array(
            shapely.GeometryType.POLYGON, xyz[take], (offsets, np.arange(len(at) + 1))
        )
    return made, troubles


def _owners(rings: ObjectArray) -> IntArray:
    """Outline each ring belongs to: itself, or the one it is an island of.

    The depth of a ring is the number of rings it lies in; one at odd depth is an island of the
    smallest ring round it.
    """
    owner = np.arange(len(rings))
    sound = np.flatnonzero(shapely.get_type_id(rings) == shapely.GeometryType.POLYGON)
    sound = sound[shapely.is_valid(rings[sound])]
    if len(sound) < 2:
        return owner
    shapes = rings[sound]
    inner, around = shapely.STRtree(shapes).query(shapes, predicate="within")
    real = inner != around
    inner, around = inner[real], around[real]
    size = shapely.area(shapes)
    # two rings that are the same lie each in the other; that is no island
    bigger = size[around] > size[inner]
    inner, around = inner[bigger], around[bigger]
    depth = np.bincount(inner, minlength=len(sound))
    order = np.lexsort((size[around], inner))
    inner, around = inner[order], around[order]
    heads = np.flatnonzero(np.diff(inner, prepend=-1))
    island = depth[inner[heads]] % 2 == 1
    owner[sound[inner[heads][island]]] = sound[around[heads][island]]
    return owner


def _features(rings: ObjectArray, owner: IntArray, outer: IntArray) -> tuple[ObjectArray, list[list[int]]]:
    """Geometry of each outline with its islands, and which rings it is made of, in their order."""
    islands: dict[int, list[int]] = {}
    for k in np.flatnonzero(owner != np.arange(len(owner))):
        islands.setdefault(int(owner[k]), []).append(int(k))
    geoms = rings[outer].copy()
    order = []
    for place, k in enumerate(outer.tolist()):
        inside = islands.get(k, [])
        order.append([k, *inside])
        if inside:
            geoms[place] = shapely.Polygon(
                shapely.get_exterior_ring(rings[k]), [shapely.get_exterior_ring(rings[i]) for i in inside]
            )
    return geoms, order


def _texts(values: ObjectArray, offsets: OffsetArray, order: list[list[int]]) -> ObjectArray:
    out = np.empty(len(order), object)
    out[:] = [joined(t for k in rings for t in values[offsets[k] : offsets[k + 1]]) for rings in order]
    return out
