"""The strip of ground a run covers, and slices of it.

A run's strip lies between the mitred left and right offsets (half the depth each way)
of its laying line.  A *cross-section* belongs to every station of the run: square to
the line on its edges, and near a vertex that turns by t, within
``depth / 2 x tan(|t| / 2)`` of it, fanning out from the inner mitre point to the mitre
and on to the next square one.  A piece is the slice between its two cross-sections:
a rectangle on a straight leg, an L at a corner, a bent strip on a curve.  Cross-sections
never cross, so slices that do not share stations share no ground.

Where two vertices stand closer than the two fans need, the strip cannot have its full
depth on the inner side: there the inner mitre point is drawn in until the fans just
meet.  Nothing below loops over runs or pieces.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from siteplan.model import Runs
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

_UM: Final = 1e6
_SHIFT_UM: Final = 1_000_000
"""keeps the stations of one run clear of the next one's in the search keys"""
_STRAIGHT: Final = 1e-9
"""sine of a turn below which a vertex is no vertex of a footprint"""
_LEAST_COS2: Final = 0.08
"""1 + cos(turn) is held at this, so a mitre reaches at most five half depths"""
_BLOCK: Final = 1 << 16
"""slices made together"""
_SAME_M: Final = 1e-8
"""footprint vertices closer than this are one"""


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """Whole micrometres of legs and runs, rounded once per leg.  l legs, r runs."""

    leg_um: IntArray
    """(l,) length of each leg"""
    leg_from_um: IntArray
    """(l,) station in its run where each leg starts"""
    run_um: IntArray
    """(r,) length of each run, the sum of its legs"""


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Laying lines of all runs with their cross-sections.  r runs, n vertices.

    Cross-sections come in threes: at vertex i, at the end of its fan, and at the start of
    the next vertex's fan; so cross-section j belongs to the edge after vertex ``j // 3``.
    """

    run_um: IntArray
    """(r,)"""
    closed: BoolArray
    """(r,)"""
    shift_um: FloatArray
    """(r,) added to a station to make its search key"""
    first: OffsetArray
    """(r + 1,) vertices of each run; a closed run does not repeat its first"""
    xy: XYArray
    """(n, 2)"""
    at_um: FloatArray
    """(n,) station of each vertex"""
    edge_um: FloatArray
    """(n,) stations the edge after the vertex covers, 0 after the last of an open run"""
    edge_m: FloatArray
    """(n,) its length in the plane"""
    along: XYArray
    """(n, 2) its unit direction; the last vertex of an open run repeats the one before"""
    key_um: FloatArray
    """(3n,) search key of each cross-section, not decreasing"""
    span_um: FloatArray
    """(3n,) stations to the next cross-section of the run"""
    after: IntArray
    """(3n,) the next cross-section of the run; an open run's last is its own"""
    left: XYArray
    """(3n, 2)"""
    right: XYArray
    """(3n, 2)"""
    bends: IntArray
    """(k,) cross-sections that are vertices of a footprint that holds them"""
    bend_first: OffsetArray
    """(r + 1,) bends of each run"""
    narrow: IntArray
    """(m,) vertices so close to their neighbours, for their turn, that the strip has not its
    full depth there: no piece of this depth can lie there as drawn"""


def stations(runs: Runs) -> Stations:
    """Stations of legs and runs in whole um.

    Parameters
    ----------
    runs : runs with their legs; leg lengths in ground metres

    Returns
    -------
    Stations; each leg is rounded once and everything else is a sum.
    """
    leg_um = np.floor(runs.length_m * _UM + 0.5).astype(np.int64)
    before = np.concatenate([[0], np.cumsum(leg_um)]).astype(np.int64)
    run_from = before[runs.leg_offsets]
    return Stations(leg_um, before[:-1] - run_from[runs.leg_run], np.diff(run_from))


def build_band(runs: Runs, depth_um: int | IntArray) -> Band:
    """Strip of every run.

    Parameters
    ----------
    runs : runs on their laying lines
    depth_um : front to back of the pieces, of all runs or (r,) of each

    Returns
    -------
    Band, ready to be sliced.
    """
    part = stations(runs)
    keep, at_um = _line_vertices(runs, part)
    run = np.repeat(runs.leg_run, np.diff(runs.offsets))[keep]
    depth_m = np.broadcast_to(np.asarray(depth_um) / _UM, len(runs.run_id))[run]
    xy, at_um = runs.xy[keep], at_um[keep]
    first = np.searchsorted(run, np.arange(len(runs.run_id) + 1)).astype(np.int64)
    n = len(xy)
    follow, before = _neighbours(first, runs.closed, n)
    ends = follow == np.arange(n)
    step = xy[follow] - xy
    edge_m = np.hypot(step[:, 0], step[:, 1])
    along = step / np.where(ends, 1.0, edge_m)[:, None]
    along[ends] = along[np.flatnonzero(ends) - 1]
    to_um = np.where(follow > np.arange(n), at_um[follow], part.run_um[run].astype(np.float64))
    edge_um = np.where(ends, 0.0, to_um - at_um)

    opening = before == np.arange(n)
    arriving = np.where(opening[:, None], along, along[before])
    left, right, key, kept = _cross_sections(
        xy, arriving, along, edge_m, at_um, edge_um, follow, before, ends, opening, depth_m
    )
    shift = np.concatenate([[0], np.cumsum(part.run_um + _SHIFT_UM)[:-1]]).astype(np.float64)
    key = (key + shift[run][:, None]).reshape(-1)
    np.maximum.accumulate(key, out=key)
    after, span = _spans(key, first, runs.closed, part.run_um)
    bends = np.flatnonzero(kept.reshape(-1))
    return Band(
        run_um=part.run_um,
        closed=runs.closed,
        shift_um=shift,
        first=first,
        xy=xy,
        at_um=at_um,
        edge_um=edge_um,
        edge_m=edge_m,
        along=along,
        key_um=key,
        span_um=span,
        after=after,
        left=left,
        right=right,
        bends=bends,
        bend_first=np.searchsorted(bends, 3 * first).astype(np.int64),
        narrow=np.flatnonzero(kept[:, 1]),
    )


def _line_vertices(runs: Runs, part: Stations) -> tuple[BoolArray, FloatArray]:
    """Which vertices of the legs make up the runs' laying lines, and the station of each.

    A corner stands in two legs and is taken once; a closed run's end is its start.
    Stations follow the length along the chords (on a slope: along the slope), scaled so that
    each leg has its own length exactly.
    """
    leg = np.repeat(np.arange(len(runs.leg_id)), np.diff(runs.offsets))
    starts = runs.offsets[:-1]
    step = np.zeros(len(runs.xy))
    step[1:] = np.hypot(*np.diff(runs.xy, axis=0).T)
    step[starts] = 0.0
    if runs.walked_m is None:
        walked = np.cumsum(step)
        walked -= walked[starts][leg]
    else:
        walked = runs.walked_m
    whole = walked[runs.offsets[1:] - 1]
    at_um = part.leg_from_um[leg] + walked / whole[leg] * part.leg_um[leg]
    keep = step > 0
    keep[starts[runs.leg_offsets[:-1]]] = True
    run = runs.leg_run[leg]
    keep &= ~(runs.closed[run] & (at_um > part.run_um[run] - 1e-3))
    return keep, at_um


def _neighbours(first: OffsetArray, closed: BoolArray, n: int) -> tuple[IntArray, IntArray]:
    """Next and previous vertex of each; at an open end the vertex itself."""
    follow, before = np.arange(1, n + 1), np.arange(-1, n - 1)
    head, tail = first[:-1], first[1:] - 1
    follow[tail] = np.where(closed, head, tail)
    before[head] = np.where(closed, tail, head)
    return follow, before


def _cross_sections(
    xy: XYArray,
    arriving: XYArray,
    along: XYArray,
    edge_m: FloatArray,
    at_um: FloatArray,
    edge_um: FloatArray,
    follow: IntArray,
    before: IntArray,
    ends: BoolArray,
    opening: BoolArray,
    depth_m: FloatArray,
) -> tuple[XYArray, XYArray, FloatArray, BoolArray]:
    """Left and right points (3n, 2), stations (n, 3) and footprint vertices (n, 3); (n,) depths."""
    n = len(xy)
    half = depth_m / 2
    cross = arriving[:, 0] * along[:, 1] - arriving[:, 1] * along[:, 0]
    cos2 = np.maximum(1.0 + np.einsum("ij,ij->i", arriving, along), _LEAST_COS2)
    reach = half * np.abs(cross) / cos2
    share, tight = _fit_fans(reach, edge_m, follow, before, ends, opening)
    reach *= share
    # the inner side of a fan is drawn in by the same share: its point is the fan's pivot
    narrow_left = np.where(cross > 0, share, 1.0)
    narrow_right = np.where(cross < 0, share, 1.0)

    normal = np.column_stack([-along[:, 1], along[:, 0]])
    mitre = np.column_stack([-(arriving + along)[:, 1], (arriving + along)[:, 0]]) * (half / cos2)[:, None]
    left = np.empty((n, 3, 2))
    right = np.empty((n, 3, 2))
    left[:, 0] = xy + mitre * narrow_left[:, None]
    right[:, 0] = xy - mitre * narrow_right[:, None]
    base = xy + along * reach[:, None]
    left[:, 1] = base + normal * (half * narrow_left)[:, None]
    right[:, 1] = base - normal * (half * narrow_right)[:, None]
    base = xy[follow] - along * reach[follow][:, None]
    left[:, 2] = base + normal * (half * narrow_left[follow])[:, None]
    right[:, 2] = base - normal * (half * narrow_right[follow])[:, None]

    scale = np.divide(edge_um, edge_m, out=np.zeros(n), where=edge_m > 0)
    key = np.column_stack([at_um, at_um + reach * scale, at_um + edge_um - reach[follow] * scale])
    kept = np.column_stack([np.abs(cross) > _STRAIGHT, tight, tight[follow] & ~ends])
    return left.reshape(-1, 2), right.reshape(-1, 2), key, kept


def _fit_fans(
    reach: FloatArray,
    edge_m: FloatArray,
    follow: IntArray,
    before: IntArray,
    ends: BoolArray,
    opening: BoolArray,
) -> tuple[FloatArray, BoolArray]:
    """Share of its fan each vertex may have, so that no two fans of an edge overlap."""
    want = reach + reach[follow]
    room = np.divide(edge_m, want, out=np.ones(len(want)), where=(want > edge_m) & ~ends)
    share = np.minimum(room, np.where(opening, 1.0, room[before]))
    return share, share < 1.0 - 1e-9


def _spans(
    key: FloatArray, first: OffsetArray, closed: BoolArray, run_um: IntArray
) -> tuple[IntArray, FloatArray]:
    """Next cross-section of each, and the stations to it."""
    after = np.arange(1, len(key) + 1)
    head, tail = 3 * first[:-1], 3 * first[1:] - 1
    after[tail] = np.where(closed, head, tail)
    span = key[after] - key
    span[tail] += np.where(closed, run_um, 0)
    return after, span


def _wrap(band: Band, run: IntArray, at_um: NDArray[np.floating]) -> tuple[IntArray, FloatArray, FloatArray]:
    """Times round a closed run, the station within it, and how far past an open end."""
    length = band.run_um[run].astype(np.float64)
    closed = band.closed[run]
    times = np.where(closed, np.floor_divide(at_um, length), 0.0)
    within = np.where(closed, at_um - times * length, np.clip(at_um, 0.0, length))
    past = np.where(closed, 0.0, at_um - within)
    return times.astype(np.int64), within, past


def _find(band: Band, run: IntArray, within_um: FloatArray) -> IntArray:
    """Cross-section at or before each station."""
    j = np.searchsorted(band.key_um, within_um + band.shift_um[run], side="right") - 1
    return np.clip(j, 3 * band.first[run], 3 * band.first[run + 1] - 1)


def line_points(band: Band, run: IntArray, at_um: NDArray[np.number]) -> tuple[XYArray, FloatArray]:
    """Points on the laying line and the heading there.

    Parameters
    ----------
    band : strip of the runs
    run : (p,) run of each point
    at_um : (p,) station of each point; past the ends of an open run the line goes straight
        on, and a closed run goes round

    Returns
    -------
    (p, 2) ground metres and (p,) degrees clockwise from grid north, [0, 360); at a vertex
    the heading is that of the edge after it.
    """
    _, within, past = _wrap(band, run, np.asarray(at_um, dtype=np.float64))
    vertex = _find(band, run, within) // 3
    span = band.edge_um[vertex]
    ahead = np.divide(within - band.at_um[vertex], span, out=np.zeros(len(span)), where=span > 0)
    along = band.along[vertex]
    xy = band.xy[vertex] + along * (ahead * band.edge_m[vertex] + past / _UM)[:, None]
    return xy, headings(along)


def headings(along: XYArray) -> FloatArray:
    """Degrees clockwise from grid north of directions (p, 2), in [0, 360)."""
    degrees = np.degrees(np.arctan2(along[:, 0], along[:, 1])) % 360.0
    # the remainder of a tiny negative angle rounds to 360 itself
    return np.where(degrees >= 360.0, 0.0, degrees)


def cross_sections(band: Band, run: IntArray, at_um: NDArray[np.number]) -> tuple[XYArray, XYArray]:
    """Left and right end of the cross-section at each station.

    Parameters
    ----------
    band : strip of the runs
    run : (p,) run of each cross-section
    at_um : (p,) its station; past the ends of an open run the strip goes straight on

    Returns
    -------
    Two (p, 2) arrays in ground metres.
    """
    _, within, past = _wrap(band, run, np.asarray(at_um, dtype=np.float64))
    j = _find(band, run, within)
    span = band.span_um[j]
    gone = within + band.shift_um[run] - band.key_um[j]
    t = np.clip(np.divide(gone, span, out=np.zeros(len(span)), where=span > 0), 0.0, 1.0)[:, None]
    k = band.after[j]
    on = band.along[j // 3] * (past / _UM)[:, None]
    return (
        band.left[j] * (1 - t) + band.left[k] * t + on,
        band.right[j] * (1 - t) + band.right[k] * t + on,
    )


def slice_band(band: Band, run: IntArray, from_um: IntArray, to_um: IntArray) -> tuple[XYArray, OffsetArray]:
    """Footprints between pairs of stations.

    Parameters
    ----------
    band : strip of the runs
    run : (p,) run of each slice
    from_um, to_um : (p,) stations, ``from_um < to_um``; a slice of a closed run may reach
        over its start (``to_um`` beyond the run length), one of an open run may stick out

    Returns
    -------
    (v, 2) rings in ground metres, counter-clockwise, first vertex not repeated, and their
    (p + 1,) offsets.
    """
    # in blocks, so that what is needed on the way stays small on a large site
    blocks = [
        _slice_block(band, run[at : at + _BLOCK], from_um[at : at + _BLOCK], to_um[at : at + _BLOCK])
        for at in range(0, max(len(run), 1), _BLOCK)
    ]
    sizes = np.concatenate([np.diff(offsets) for _, offsets in blocks])
    return np.concatenate([xy for xy, _ in blocks]), np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)


def _slice_block(
    band: Band, run: IntArray, from_um: IntArray, to_um: IntArray
) -> tuple[XYArray, OffsetArray]:
    """Footprints of some slices."""
    start, count = _held_bends(band, run, from_um, to_um)
    size = 4 + 2 * count
    offsets = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
    head = offsets[:-1]
    xy = np.empty((offsets[-1], 2))
    # down the right side, then back up the left
    xy[head + 3 + 2 * count], xy[head] = cross_sections(band, run, from_um)
    xy[head + 2 + count], xy[head + 1 + count] = cross_sections(band, run, to_um)

    piece = np.repeat(np.arange(len(run)), count)
    nth = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    origin = band.bend_first[run[piece]]
    total = np.diff(band.bend_first)[run[piece]]
    bend = band.bends[origin + (start[piece] + nth) % np.maximum(total, 1)]
    xy[head[piece] + 1 + nth] = band.right[bend]
    xy[head[piece] + 2 + 2 * count[piece] - nth] = band.left[bend]
    return _drop_doubles(xy, offsets)


def _held_bends(band: Band, run: IntArray, from_um: IntArray, to_um: IntArray) -> tuple[IntArray, IntArray]:
    """First bend inside each slice, counted round its run, and how many it holds."""
    keys = band.key_um[band.bends]
    total = np.diff(band.bend_first)[run]
    found = []
    for at in (from_um + 0.5, to_um - 0.5):  # a bend on the cut itself adds nothing
        times, within, _ = _wrap(band, run, at)
        place = np.searchsorted(keys, within + band.shift_um[run]) - band.bend_first[run]
        found.append(place + times * total)
    return found[0], np.maximum(found[1] - found[0], 0)


def _drop_doubles(xy: XYArray, offsets: OffsetArray) -> tuple[XYArray, OffsetArray]:
    """Rings without vertices that repeat the one before, as at the pivot of a fan."""
    if len(xy) == 0:
        return xy, offsets
    before = np.arange(-1, len(xy) - 1)
    before[offsets[:-1]] = offsets[1:] - 1
    step = xy - xy[before]
    away = (np.abs(step[:, 0]) > _SAME_M) | (np.abs(step[:, 1]) > _SAME_M)
    if away.all():
        return xy, offsets
    kept = np.concatenate([[0], np.cumsum(away)]).astype(np.int64)
    return xy[away], kept[offsets]
