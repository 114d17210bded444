"""The laying line: the outline moved sideways by the offset, corners mitred."""

from __future__ import annotations

import numpy as np
import shapely

from siteplan.errors import Fault
from siteplan.outline.repair import first_meeting
from siteplan.planar import cross_dot, edges, mitre_offset, neighbours, part_of
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray


def laying_line(
    xy: XYArray,
    offsets: OffsetArray,
    closed: BoolArray,
    offset_m: FloatArray,
    *,
    edged: BoolArray,
    feature: ObjectArray,
    number: IntArray,
) -> tuple[XYArray, list[Fault]]:
    """Fitted outlines moved by an offset.

    Every vertex is mitred, on curves as at corners: a left turn ``a`` adds 2 d tan(a/2) to the
    length, a right turn takes as much off, so an arc of radius r becomes one of r + d where it
    turns left and r - d where it turns right.

    Parameters
    ----------
    xy, offsets, closed : fitted outlines, bed on the left
    offset_m : (r,) metres, positive away from the bed
    edged : (v,) True where the edge that leaves a vertex takes edging, at least in part; other
        edges may turn round or cross without harm
    feature : (r,) id of each ring's bed, for messages
    number : (v,) number of the traced vertex at or nearest each vertex, for messages

    Returns
    -------
    Vertices of the laying line, one for each vertex, and what is wrong with it: edges that
    vanish, a concave arc no wider than the offset among them.
    """
    moved_at_all = offset_m != 0.0
    if not moved_at_all.any():
        return xy.copy(), []
    moved = mitre_offset(xy, offsets, closed, offset_m)
    moved = np.where(moved_at_all[part_of(offsets)][:, None], moved, xy)
    faults = _vanished(xy, moved, offsets, closed, offset_m, edged, feature, number)
    return moved, faults


def _has_edge(offsets: OffsetArray, closed: BoolArray) -> BoolArray:
    """(v,) False at the last vertex of open lines."""
    out = np.ones(int(offsets[-1]), dtype=np.bool_)
    out[offsets[1:][~closed] - 1] = False
    return out


def _vanished(
    xy: XYArray,
    moved: XYArray,
    offsets: OffsetArray,
    closed: BoolArray,
    offset_m: FloatArray,
    edged: BoolArray,
    feature: ObjectArray,
    number: IntArray,
) -> list[Fault]:
    """Faults of edged edges that the offset leaves no length."""
    before, after = neighbours(offsets, closed)
    line, new = edges(xy, offsets, closed), edges(moved, offsets, closed)
    _, dot = cross_dot(line.vector, new.vector)
    gone = edged & _has_edge(offsets, closed) & ~(dot > 1e-9 * line.length)
    part = part_of(offsets)
    # One fault for a stretch of neighbouring edges that all vanish.
    heads = np.flatnonzero(gone & ~gone[before])
    if not len(heads) and gone.any():
        heads = np.flatnonzero(gone)[:1]
    turn = np.arctan2(*cross_dot(line.vector[before], line.vector))
    faults = []
    for vertex in heads.tolist():
        ring = int(part[vertex])
        far = int(after[vertex])
        offset = float(offset_m[ring])
        # Away from the bed it is right turns that lose length, towards it left turns.
        lost = -np.sign(offset)
        both = min(lost * turn[vertex], lost * turn[far])
        x, y = xy[vertex].tolist()
        place = f"at x {x:.3f} m, y {y:.3f} m of the site's working axes"
        if both > 0.0:
            radius = float(line.length[vertex] / (np.tan(turn[vertex] / 2) + np.tan(turn[far] / 2)))
            what = (
                f"a bend {place} has a radius of {abs(radius):.3f} m, "
                f"no wider than the offset of {abs(offset):.3f} m"
            )
        else:
            what = f"an edge {place} of {line.length[vertex]:.3f} m vanishes at an offset of {offset:.3f} m"
        faults.append(
            Fault(
                code="offset-too-wide",
                what=what,
                remedy="Make the offset smaller, or draw the outline wider there.",
                feature=str(feature[ring]),
                vertex=int(number[vertex]),
                place_xy=(x, y),
            )
        )
    return faults


def crossing_faults(
    xy: XYArray,
    offsets: OffsetArray,
    ring: IntArray,
    closed: BoolArray,
    *,
    offset_m: FloatArray,
    feature: ObjectArray,
    number: IntArray,
) -> list[Fault]:
    """Faults of rings whose runs, moved by the offset, cross themselves or one another.

    Parameters
    ----------
    xy, offsets : every run as a polyline on the laying line; a closed one ends where it starts
    ring : (runs,) not decreasing
    closed : (runs,)
    offset_m, feature : (r,) of every ring
    number : (w,) number of the traced vertex at or before each row of ``xy``, for messages
    """
    chosen = (offset_m != 0.0)[ring]
    if not chosen.any():
        return []
    part = part_of(offsets)
    rows = chosen[part]
    order = np.cumsum(chosen) - 1
    lines = shapely.linestrings(xy[rows], indices=order[part[rows]])
    present, group = np.unique(ring[chosen], return_inverse=True)
    crossed = present[~shapely.is_simple(shapely.multilinestrings(lines, indices=group))]
    faults = []
    for which in crossed.tolist():
        runs = np.flatnonzero(ring == which)
        ends: list[XYArray] = []
        following: list[IntArray] = []
        leaves: list[IntArray] = []
        before = 0
        for run in runs.tolist():
            line = xy[offsets[run] : offsets[run + 1]]
            goes_on = np.arange(1, len(line)) + before
            goes_on[-1] = before if closed[run] else -1
            ends.append(np.stack([line[:-1], line[1:]], axis=1))
            following.append(goes_on)
            leaves.append(number[offsets[run] : offsets[run + 1] - 1])
            before += len(line) - 1
        meeting = first_meeting(np.concatenate(ends), np.concatenate(following))
        if meeting is None:
            continue
        edge, place = meeting
        faults.append(
            Fault(
                code="offset-crosses",
                what=f"the laying line at an offset of {float(offset_m[which]):.3f} m crosses itself at "
                f"x {place[0]:.3f} m, y {place[1]:.3f} m of the site's working axes",
                remedy="Make the offset smaller, or draw the outline wider there.",
                feature=str(feature[which]),
                vertex=int(np.concatenate(leaves)[edge]),
                place_xy=(float(place[0]), float(place[1])),
            )
        )
    return faults
