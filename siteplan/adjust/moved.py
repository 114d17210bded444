"""A site with its outlines moved, and parts of it, to plan again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from siteplan.model import RingKind, Shapes
from siteplan.planar import cross_dot, part_of, ragged
from siteplan.plans import RunPlan, per_bed
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray


def moved(
    site: Site, beds: XYArray, abutments: XYArray | None = None, openings: XYArray | None = None
) -> Site:
    """The site with other ground coordinates of its vertices, for planning; without heights.

    ``site.beds`` and the other inputs stay as they came: only the shapes the runs are built from change.
    """
    walls, gaps = site.abutment_shapes, site.opening_shapes
    return replace(
        site,
        heights=None,
        bed_shapes=replace(site.bed_shapes, xy=beds),
        abutment_shapes=walls if abutments is None else replace(walls, xy=abutments),
        opening_shapes=gaps if openings is None else replace(gaps, xy=openings),
    )


def kept_rings(shapes: Shapes, keep: BoolArray) -> tuple[Shapes, IntArray]:
    """Shapes of which some rings (r,) stay, and the vertices that stay."""
    lengths = np.diff(shapes.ring_offsets)
    vertex = np.flatnonzero(np.repeat(keep, lengths))
    made = replace(
        shapes,
        xy=shapes.xy[vertex],
        ring_offsets=np.concatenate([[0], np.cumsum(lengths[keep])]).astype(np.int64),
        ring_kind=shapes.ring_kind[keep],
        ring_feature=shapes.ring_feature[keep],
    )
    return made, vertex


def only_beds(site: Site, beds: BoolArray) -> tuple[Site, IntArray]:
    """The site with the outlines of some beds (n,) only, and which vertices of the beds stay.

    Ids and settings per bed stay as they are, so that runs and legs keep their names; what the
    settings say of other beds' runs and vertices is left out, because they are not there.
    """
    shapes, vertex = kept_rings(site.bed_shapes, beds[site.bed_shapes.ring_feature])
    names = {str(b) for b in site.beds.ids[beds]}
    said = site.settings
    settings = said.model_copy(
        update={
            "bed": {k: v for k, v in said.bed.items() if k in names},
            "run": {k: v for k, v in said.run.items() if k.rpartition("-")[0] in names},
            "edge_owner": [e for e in said.edge_owner if set(e.beds) <= names],
        }
    )
    return replace(site, settings=settings, bed_shapes=shapes, heights=None), vertex


def ring_boxes(shapes: Shapes) -> FloatArray:
    """(r, 4) west, south, east, north of every ring; inf and -inf of one without vertices."""
    part = part_of(shapes.ring_offsets)
    count = len(shapes.ring_offsets) - 1
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    np.minimum.at(low, part, shapes.xy)
    np.maximum.at(high, part, shapes.xy)
    return np.hstack([low, high])


def carried(
    site: Site, plan: RunPlan, ground: XYArray, ends_moved: FloatArray, wanted: BoolArray, follows: BoolArray
) -> XYArray:
    """Vertices with those inside straight legs and edges taken along.

    A straight leg is the line between its ends: vertices traced on the way say nothing of its length,
    and left where they are would bend it once its ends move.  Likewise vertices on a straight edge.

    Parameters
    ----------
    site, plan : as drawn
    ground : (v, 2) adjusted vertices
    ends_moved : (l, 2, 2) by how much start and end of each leg have moved
    wanted : (l,) legs that may have moved by more than the scale of the map
    follows : (v,) vertices the legs follow: they stay where they are

    Returns
    -------
    (v, 2)
    """
    runs, shapes = plan.runs, site.bed_shapes
    if plan.vertex is None or not len(plan.vertex):
        return ground
    drawn = part_of(shapes.ring_offsets)[plan.vertex[plan.outlines.ring_offsets[:-1]]]
    leg = np.flatnonzero(wanted & runs.straight)
    ring = drawn[runs.ring[runs.leg_run[leg]]]
    sizes = np.diff(shapes.ring_offsets)[ring]
    pair, vertex = np.repeat(leg, sizes), ragged(shapes.ring_offsets[:-1][ring], sizes)
    a, b = runs.xy[runs.offsets[pair]], runs.xy[runs.offsets[pair + 1] - 1]
    length = np.hypot(*(b - a).T)
    unit = (b - a) / np.where(length > 0, length, 1.0)[:, None]
    left, along = cross_dot(unit, shapes.xy[vertex] - a)
    offset = np.array(per_bed(site, "offset", site.settings.outline.offset), dtype=float)[runs.bed] * 1e-6
    reach = site.settings.outline.straight_within * 1e-6 + 1e-3
    inside = (np.abs(left - offset[runs.leg_run[pair]]) <= reach) & (along > 0) & (along < length)
    inside &= ~follows[vertex]
    found, pick = np.unique(vertex[inside], return_index=True)
    at = np.flatnonzero(inside)[pick]
    share = (along[at] / length[at])[:, None]
    ends = ends_moved[pair[at]]
    out = ground.copy()
    out[found] = shapes.xy[found] + (1 - share) * ends[:, 0] + share * ends[:, 1]
    held = np.zeros(len(ground), dtype=bool)
    held[plan.vertex] = True
    held[found] = True
    return _between(shapes, out, held)


def _between(shapes: Shapes, ground: XYArray, held: BoolArray) -> XYArray:
    """Vertices that were no part of the outline's shape, moved as the edge they lie on."""
    out = ground.copy()
    part = part_of(shapes.ring_offsets)
    for ring in np.unique(part[~held]).tolist():
        first, last = shapes.ring_offsets[ring], shapes.ring_offsets[ring + 1]
        fixed = held[first:last]
        if not fixed.any():
            continue
        xy = shapes.xy[first:last]
        closed = shapes.ring_kind[ring] in (RingKind.OUTER, RingKind.ISLAND)
        step = np.hypot(*np.diff(xy, axis=0, append=xy[:1]).T)
        station = np.concatenate([[0.0], np.cumsum(step)])
        moved_by = ground[first:last] - xy
        at = station[:-1][fixed]
        for axis in range(2):
            known = moved_by[fixed, axis]
            made = np.interp(station[:-1][~fixed], at, known, period=station[-1] if closed else None)
            out[first:last][~fixed, axis] = xy[~fixed, axis] + made
    return out
