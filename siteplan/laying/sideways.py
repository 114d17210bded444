"""Legs moved sideways: which may, what that does to the lengths, and the runs as moved.

With ``u`` the direction of a leg and ``m`` the normal to its right (away from the bed), a corner
that belongs to two moved legs goes to where they meet: by ``x`` with ``x . m = t`` for both.  With
a turn ``a`` (left positive) from the leg before, that is along the leg ``x . u = (t cos a -
t_before) / sin a``, and at its far corner, of turn ``b``, ``x . u = (t_after - t cos b) / sin b``; the
difference is what the leg gains in length.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import shapely

from siteplan.model import NodeKind, Runs
from siteplan.planar import linestrings
from siteplan.types import BoolArray, FloatArray, IntArray

_OTHER_LENGTHS: Final = ("traced_m", "corrected_m")
_LEAST_SINE: Final = 0.2
"""sine of a turn; nearer to straight, or to turning back, a leg moved would take its neighbour far"""


def leg_neighbours(runs: Runs) -> tuple[IntArray, IntArray]:
    """(l,) leg before and leg after across a corner, -1 for none."""
    leg = np.arange(len(runs.leg_id))
    first, last = runs.leg_offsets[runs.leg_run], runs.leg_offsets[runs.leg_run + 1] - 1
    before = np.where(runs.start_kind == NodeKind.CORNER, np.where(leg == first, last, leg - 1), -1)
    after = np.where(runs.far_kind == NodeKind.CORNER, np.where(leg == last, first, leg + 1), -1)
    return before, after


def directions(runs: Runs) -> FloatArray:
    """(l, 2) unit direction of each straight leg, of others that of their chord; NaN where that is none."""
    chord = runs.xy[runs.offsets[1:] - 1] - runs.xy[runs.offsets[:-1]]
    length = np.hypot(chord[:, 0], chord[:, 1])
    return chord / np.where(length > 0, length, np.nan)[:, None]


def _turns(runs: Runs) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Sine and cosine of the turn at each leg's start and at its far end; NaN where there is none."""
    along = np.vstack([directions(runs), [np.nan, np.nan]])
    here = along[:-1]
    before, after = (along[n] for n in leg_neighbours(runs))

    def sine(one: FloatArray, two: FloatArray) -> FloatArray:
        out: FloatArray = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
        return out

    def cosine(one: FloatArray, two: FloatArray) -> FloatArray:
        out: FloatArray = np.einsum("ij,ij->i", one, two)
        return out

    return sine(before, here), cosine(before, here), sine(here, after), cosine(here, after)


def slopes(runs: Runs) -> tuple[FloatArray, FloatArray]:
    """Slopes of the faces each leg's ends slide along; NaN where they may not."""
    none = np.full(len(runs.leg_id), np.nan)
    start, far = runs.start_slide, runs.far_slide
    return none if start is None else start, none if far is None else far


def can_move(runs: Runs, clear_m: float, held: BoolArray | None = None) -> BoolArray:
    """Legs that may be moved sideways.

    Straight legs between corners, free ends or ends that slide along a face, whose neighbours are
    straight and turn away by enough; not beside another strip, so that nothing comes to lie on anything.

    Parameters
    ----------
    runs : runs with their legs
    clear_m : legs that come this close to another one than their neighbours stay
    held : (l,) legs that stay whatever else
    """
    count = len(runs.leg_id)
    before, after = leg_neighbours(runs)
    straight = np.append(runs.straight & (np.diff(runs.offsets) == 2), True)
    may: BoolArray = straight[:-1] & straight[before] & straight[after]
    slides = slopes(runs)
    for kind, slide in zip((runs.start_kind, runs.far_kind), slides, strict=True):
        may &= np.isin(kind, (NodeKind.CORNER, NodeKind.FREE)) | ~np.isnan(slide)
    # a leg without neighbours is moved only where that makes it longer or shorter
    may &= (before >= 0) | (after >= 0) | (np.nan_to_num(slides[0]) != np.nan_to_num(slides[1]))
    sines = _turns(runs)[::2]
    for neighbour, sine in zip((before, after), sines, strict=True):
        may &= (neighbour < 0) | (np.abs(np.nan_to_num(sine)) >= _LEAST_SINE)
    # two legs of a ring of two meet twice
    may &= (before != after) | (before < 0)
    if held is not None:
        may &= ~held
    if runs.walked_m is not None or not count:
        return may & (runs.walked_m is None)
    lines = linestrings(runs.xy, runs.offsets)
    one, two = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=clear_m)
    apart = (one != two) & (before[one] != two) & (after[one] != two)
    may[one[apart]] = False
    return may


def length_changes(runs: Runs) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How the length of each leg follows the shifts of the leg before, of itself, of the leg after.

    Returns
    -------
    Three (l,) arrays: metres of length for a metre of shift, shifts positive away from the bed;
    0 across an end that is no corner.  An end that slides along a face adds its slope to the leg's own.
    """
    sine_a, cosine_a, sine_b, cosine_b = _turns(runs)
    start, far = (np.nan_to_num(s) for s in slopes(runs))
    with np.errstate(divide="ignore", invalid="ignore"):
        before, after = 1 / sine_a, 1 / sine_b
        own = -np.nan_to_num(cosine_a * before, posinf=0.0, neginf=0.0)
        own -= np.nan_to_num(cosine_b * after, posinf=0.0, neginf=0.0)
    return (
        np.nan_to_num(before, posinf=0.0, neginf=0.0),
        own + far - start,
        np.nan_to_num(after, posinf=0.0, neginf=0.0),
    )


def shift_legs(runs: Runs, moved_m: FloatArray) -> Runs:
    """Runs with their legs moved sideways, and corners where the moved legs meet.

    Parameters
    ----------
    runs : runs; a leg that moves is straight and so are its neighbours
    moved_m : (l,) positive away from the bed

    Returns
    -------
    Runs.  A free end moves with its leg, square to it; an end at a wall slides along the face.
    """
    along = directions(runs)
    right = np.column_stack([along[:, 1], -along[:, 0]])
    before, after = leg_neighbours(runs)
    sine_a, cosine_a, _, _ = _turns(runs)
    padded = np.append(moved_m, 0.0)
    xy = runs.xy.copy()
    head, tail = runs.offsets[:-1], runs.offsets[1:] - 1
    moves = (moved_m != 0) | (padded[before] != 0)
    at_corner = np.flatnonzero(moves & (before >= 0))
    step = (moved_m * cosine_a - padded[before])[at_corner] / sine_a[at_corner]
    to = right[at_corner] * moved_m[at_corner, None] + along[at_corner] * step[:, None]
    xy[head[at_corner]] += to
    xy[tail[before[at_corner]]] = xy[head[at_corner]]
    for ends, neighbour, slide in ((head, before, slopes(runs)[0]), (tail, after, slopes(runs)[1])):
        loose = np.flatnonzero((moved_m != 0) & (neighbour < 0))
        slid = moved_m[loose] * np.nan_to_num(slide[loose])
        xy[ends[loose]] += right[loose] * moved_m[loose, None] + along[loose] * slid[:, None]
    changed = np.flatnonzero((moved_m != 0) | (padded[before] != 0) | (padded[after] != 0))
    length = runs.length_m.copy()
    length[changed] = np.hypot(*(xy[tail[changed]] - xy[head[changed]]).T)
    corner = runs.corner_xy.copy()
    corner[:] = np.where(
        np.isin(runs.corner_leg, changed)[:, None], xy[tail[runs.corner_leg]], runs.corner_xy
    )
    # other lengths of the legs, where they are known, follow
    others = {
        name: getattr(runs, name) + (length - runs.length_m)
        for name in _OTHER_LENGTHS
        if getattr(runs, name, None) is not None
    }
    return replace(runs, xy=xy, length_m=length, corner_xy=corner, **others)
