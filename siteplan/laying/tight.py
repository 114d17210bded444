"""Curved legs where sections break the limits: shorter pieces there, else bare stretches.

Reaching out.  Pieces are laid with gaps in the middle of their range, all legs abreast.  After k
pieces each leg keeps, for every kind of piece, the sequence that ends with it and is least bare,
then reaches farthest: so a sequence that runs into a tight place with a section does not drive
out the one that comes there with a closer.  Where no kind of piece can follow any of them, the leg
stays bare up to the next place where two of the shortest pieces can lie.

Closing.  The sequences that end near the leg's end are made up with closers or a cut piece in every
allowed combination, in order of the goals; the first that closes by one common gap (held at each
joint within what its own lean leaves), with every limit kept as laid, is taken.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.laying.chords import points, step, turned, walk
from siteplan.laying.curves import (
    CLOSES_UM,
    LIMIT_DEG,
    Bare,
    CurveLegs,
    CurveRules,
    Laid,
    Track,
    lean_um,
    world,
)
from siteplan.laying.fit import FitReason
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray

_UM: Final = 1e6
_NODE_M: Final = 0.05
"""spacing of the places where a bare stretch may end"""
_TRIES: Final = 12
"""closings of a leg that are laid before it is left short"""
_STEPS: Final = 12
_NEVER: Final = 1e12


@dataclass(frozen=True, slots=True, eq=False)
class _Kinds:
    """Kinds of piece a tight place may take.  t kinds."""

    length_um: IntArray
    straight: IntArray
    cut: BoolArray
    closer: BoolArray
    gap_um: int
    """gap while reaching out"""
    lean_most_um: float
    """greatest lean at that gap"""


def _kinds(line: ProductLine) -> _Kinds:
    """Sections, closers, and equal parts of a section where they are shorter than either."""
    lengths = [s.laying_um for s in line.straights]
    straight = list(range(len(lengths)))
    cut = [False] * len(lengths)
    shortest = min(lengths)
    if line.cuttable:
        for k, section in enumerate(line.sections):
            for parts in itertools.count(2):
                each = (section.laying_um - (parts - 1) * line.kerf_um) // parts
                if each < max(line.least_cut_um, 1):
                    break
                if each < shortest:
                    lengths.append(each)
                    straight.append(k)
                    cut.append(True)
    whole = np.array(lengths, dtype=np.int64)
    lean = line.depth_um * math.sin(math.radians(line.deflection_deg) / 2)
    nominal, least, most = line.gap_nominal_um, line.gap_least_um, line.gap_greatest_um
    gap = nominal if min(nominal - least, most - nominal) >= lean else (least + most) // 2
    return _Kinds(
        length_um=whole,
        straight=np.array(straight, dtype=np.int64),
        cut=np.array(cut),
        closer=(np.array(straight) >= len(line.sections)) & ~np.array(cut),
        gap_um=gap,
        lean_most_um=min(gap - least, most - gap) + 1.0,
    )


# ---------------------------------------------------------------- places where pieces can lie


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Nodes along the lines, and the radius of the curve there."""

    offsets: OffsetArray
    at_m: FloatArray
    radius_m: FloatArray
    open: BoolArray
    """two of the shortest pieces can lie here"""
    next_open_m: FloatArray
    """the first such place at or after each node, inf where none is left"""


def _places(track: Track, kinds: _Kinds, line: ProductLine) -> _Places:
    rest = track.far_m - track.start_m
    count = np.maximum(np.ceil(rest / _NODE_M).astype(np.int64), 0) + 1
    offsets = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    leg = np.repeat(np.arange(len(count)), count)
    at = track.start_m[leg] + (np.arange(offsets[-1]) - offsets[leg]) * _NODE_M
    chord = np.full(len(at), kinds.length_um.min() / _UM)
    gap = np.full(len(at), kinds.gap_um / _UM)
    one = points(track.lines, leg, at)
    to, two = step(track.lines, leg, at, one, chord)
    to, three = step(track.lines, leg, to, two, gap)
    to, four = step(track.lines, leg, to, three, chord)
    d1, d2 = two - one, four - three
    delta = np.abs(turned(np.arctan2(d1[:, 1], d1[:, 0]), np.arctan2(d2[:, 1], d2[:, 0])))
    good = (delta <= math.radians(line.deflection_deg + LIMIT_DEG)) & (
        lean_um(delta, line) <= kinds.lean_most_um
    )
    sine = np.maximum(np.sin(delta / 2), 1e-12)
    third = np.sqrt(chord**2 + gap**2 + 2 * chord * gap * np.cos(delta / 2))
    where = np.where(good & (to <= track.far_m[leg]), at, np.inf)
    # the next open place: a running least from the end, the legs kept apart by sorting backwards
    onward = np.full(len(at), np.inf)
    for k in range(len(count)):
        part = slice(offsets[k], offsets[k + 1])
        onward[part] = np.minimum.accumulate(where[part][::-1])[::-1]
    return _Places(offsets, at, third / (2 * sine), good, onward)


# ---------------------------------------------------------------- reaching out


@dataclass(frozen=True, slots=True, eq=False)
class _Waves:
    """Sequences kept after each wave.  w waves, r legs, u = t kinds + 1 (the last: bare)."""

    at_m: FloatArray
    """(w, r, u) where the sequence has come to, nan where there is none"""
    parent: IntArray
    """(w, r, u) which of the wave before it goes on from"""
    bare_m: FloatArray
    closers: IntArray
    cuts: IntArray
    wider_um: FloatArray
    """(w, r, u) by how much the gaps so far could be wider, all together"""
    tighter_um: FloatArray
    angle: FloatArray
    """(w, r, u) direction of the last piece"""
    head: FloatArray
    """(w, r, u) direction of the first piece"""
    xy: FloatArray
    """(w, r, u, 2) where it ends"""


def _reach(legs: CurveLegs, track: Track, rows: IntArray, kinds: _Kinds, line: ProductLine) -> _Waves:
    r, t = len(rows), len(kinds.length_um)
    u = t + 1
    places = _places(track, kinds, line)
    at = np.full((r, u), np.nan)
    at[:, t] = track.start_m
    xy = np.zeros((r, u, 2))
    xy[:, t] = points(track.lines, np.arange(r), track.start_m)
    angle = np.zeros((r, u))
    angle[:, t] = legs.start_angle[rows]
    joint = np.ones((r, u), dtype=np.bool_)
    joint[:, t] = legs.start_joint[rows]
    bare, closers, cuts = np.zeros((r, u)), np.zeros((r, u), np.int64), np.zeros((r, u), np.int64)
    wider, tighter, head = np.zeros((r, u)), np.zeros((r, u)), np.zeros((r, u))
    out: list[tuple[FloatArray | IntArray, ...]] = []
    out.append(
        (
            at.copy(),
            np.full((r, u), -1),
            *(a.copy() for a in (bare, closers, cuts, wider, tighter, angle, head, xy)),
        )
    )
    alive = np.arange(r)
    most_turn = math.radians(line.deflection_deg + LIMIT_DEG)
    slack_each = (kinds.gap_um - line.gap_least_um) / _UM
    chords = kinds.length_um / _UM
    while len(alive):
        n = len(alive)
        wave = len(out)
        flat = np.flatnonzero(np.isfinite(at[alive]).reshape(-1))
        leg, label = alive[flat // u], flat % u
        gap = np.where(joint[leg, label], kinds.gap_um / _UM, 0.0)
        begin, begin_xy = step(track.lines, leg, at[leg, label], xy[leg, label], gap)
        # every kind after every sequence
        many = np.repeat(np.arange(len(flat)), t)
        kind = np.tile(np.arange(t), len(flat))
        to, to_xy = step(track.lines, leg[many], begin[many], begin_xy[many], chords[kind])
        along = to_xy - begin_xy[many]
        way = np.arctan2(along[:, 1], along[:, 0])
        delta = np.where(joint[leg, label][many], turned(angle[leg, label][many], way), 0.0)
        limit = track.far_m[leg[many]] + slack_each * wave + legs.over_um[rows[leg[many]]] / _UM
        fits = (np.abs(delta) <= most_turn) & (lean_um(delta, line) <= kinds.lean_most_um) & (to <= limit)
        # least bare, then fewest cuts, then farthest: one number that orders by all three
        worth = np.full((n, u, t), _NEVER)
        score = (bare[leg, label][many] * 1e3 + cuts[leg, label][many] + kinds.cut[kind]) * 1e4 - to
        worth[(flat // u)[many], label[many], kind] = np.where(fits, score, _NEVER)
        source = np.zeros((n, u, t), dtype=np.int64)
        source[(flat // u)[many], label[many], kind] = np.arange(len(many))
        best = worth.argmin(axis=1)
        chosen = np.take_along_axis(source, best[:, None, :], axis=1)[:, 0]
        found = np.take_along_axis(worth, best[:, None, :], axis=1)[:, 0] < _NEVER / 2
        new_at = np.full((n, u), np.nan)
        new_at[:, :t] = np.where(found, to[chosen], np.nan)
        parent = np.full((n, u), -1)
        parent[:, :t] = np.where(found, best, -1)
        new_bare, new_closers, new_cuts = (
            np.zeros((n, u)),
            np.zeros((n, u), np.int64),
            np.zeros((n, u), np.int64),
        )
        new_xy, new_angle = np.zeros((n, u, 2)), np.zeros((n, u))
        new_xy[:, :t], new_angle[:, :t] = to_xy[chosen], way[chosen]
        new_head = np.zeros((n, u))
        new_head[:, :t] = np.where(wave == 1, way[chosen], head[alive[:, None], best])
        new_bare[:, :t] = bare[alive[:, None], best]
        new_closers[:, :t] = closers[alive[:, None], best] + kinds.closer
        new_cuts[:, :t] = cuts[alive[:, None], best] + kinds.cut
        lean = np.where(joint[leg, label][many], lean_um(delta, line), np.inf)[chosen]
        new_wider, new_tighter = np.zeros((n, u)), np.zeros((n, u))
        new_wider[:, :t] = wider[alive[:, None], best] + np.maximum(
            line.gap_greatest_um - kinds.gap_um - lean, 0.0
        )
        new_tighter[:, :t] = tighter[alive[:, None], best] + np.maximum(
            kinds.gap_um - line.gap_least_um - lean, 0.0
        )
        new_joint = np.ones((n, u), dtype=np.bool_)
        new_joint[:, t] = False
        stuck = ~found.any(axis=1)
        go = np.zeros(n, dtype=np.bool_)
        if stuck.any():
            go = _skip(
                track,
                places,
                alive,
                stuck,
                at,
                bare,
                closers,
                cuts,
                parent,
                new_at,
                new_bare,
                new_closers,
                new_cuts,
            )
            k = np.flatnonzero(go)
            new_xy[k, t] = points(track.lines, alive[k], new_at[k, t])
        keep = ~stuck | go
        shape = (r, u)
        full_at, full_parent = np.full(shape, np.nan), np.full(shape, -1)
        full_at[alive], full_parent[alive] = new_at, parent
        for full, new in (
            (bare, new_bare),
            (closers, new_closers),
            (cuts, new_cuts),
            (xy, new_xy),
            (angle, new_angle),
            (joint, new_joint),
            (wider, new_wider),
            (tighter, new_tighter),
            (head, new_head),
        ):
            full[alive] = new
        at = full_at
        out.append(
            (
                full_at.copy(),
                full_parent,
                *(a.copy() for a in (bare, closers, cuts, wider, tighter, angle, head, xy)),
            )
        )
        alive = alive[keep]
    return _Waves(*(np.stack([o[k] for o in out]) for k in range(10)))  # type: ignore[arg-type]


def _skip(
    track: Track,
    places: _Places,
    alive: IntArray,
    stuck: BoolArray,
    at: FloatArray,
    bare: FloatArray,
    closers: IntArray,
    cuts: IntArray,
    parent: IntArray,
    new_at: FloatArray,
    new_bare: FloatArray,
    new_closers: IntArray,
    new_cuts: IntArray,
) -> BoolArray:
    """Leave legs bare up to where pieces can lie again; which of them there is such a place for."""
    u = at.shape[1]
    k = np.flatnonzero(stuck)
    leg = alive[k]
    score = np.where(np.isfinite(at[leg]), bare[leg] * 1e7 + cuts[leg] * 1e4 - at[leg], np.inf)
    label = score.argmin(axis=1)
    here = at[leg, label]
    node = places.offsets[leg] + np.floor((here - track.start_m[leg]) / _NODE_M).astype(np.int64) + 1
    inside = node < places.offsets[leg + 1]
    to = np.where(inside, places.next_open_m[np.minimum(node, len(places.at_m) - 1)], np.inf)
    some = np.isfinite(to)
    k, leg, label, to, here = k[some], leg[some], label[some], to[some], here[some]
    new_at[k, u - 1], parent[k, u - 1] = to, label
    new_bare[k, u - 1] = bare[leg, label] + to - here
    new_closers[k, u - 1], new_cuts[k, u - 1] = closers[leg, label], cuts[leg, label]
    go = np.zeros(len(alive), dtype=np.bool_)
    go[k] = True
    return go


# ---------------------------------------------------------------- closing


@dataclass(frozen=True, slots=True, eq=False)
class _Tails:
    """Make-up pieces at the end of a leg.  m combinations, of at most q pieces."""

    kind: IntArray
    """(m, q) index of the kind, -1 for none, -2 for the cut piece of free length"""
    count: IntArray
    length_um: IntArray
    """without the cut piece"""
    closers: IntArray
    cuts: IntArray
    cut_from: IntArray
    """(m,) section of the cut piece, -1"""


def _tails(kinds: _Kinds, line: ProductLine, closer_limit: int) -> _Tails:
    closer = np.flatnonzero(kinds.closer)
    made: list[tuple[tuple[int, ...], int]] = []
    for n in range(min(closer_limit, 3) + 1):
        made += [(c, -1) for c in itertools.combinations_with_replacement(closer.tolist(), n)]
    cuttable = [
        k
        for k, s in enumerate(line.sections)
        if line.cuttable and s.laying_um - line.kerf_um >= line.least_cut_um
    ]
    for k in cuttable:
        made.append(((-2,), k))
        made += [((int(c), -2), k) for c in closer]
        made += [((-2, int(c)), k) for c in closer]
    width = max(len(m) for m, _ in made)
    table = np.full((len(made), width), -1, dtype=np.int64)
    for i, (pieces, _) in enumerate(made):
        table[i, : len(pieces)] = pieces
    lengths = np.append(kinds.length_um, [0, 0])  # -1 and -2 have none
    return _Tails(
        kind=table,
        count=(table != -1).sum(axis=1),
        length_um=lengths[table].sum(axis=1),
        closers=(table >= 0).sum(axis=1),
        cuts=(table == -2).sum(axis=1),
        cut_from=np.array([k for _, k in made], dtype=np.int64),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Closings:
    """Ways to end legs, best first within each leg."""

    leg: IntArray
    wave: IntArray
    label: IntArray
    tail: IntArray


def _closings(
    legs: CurveLegs,
    track: Track,
    rows: IntArray,
    kinds: _Kinds,
    tails: _Tails,
    waves: _Waves,
    line: ProductLine,
) -> _Closings:
    """Combinations of a sequence and make-up pieces that may close their leg, in order of the goals."""
    rem = (track.far_m[None, :, None] - waves.at_m) * _UM
    longest = int(kinds.length_um.max())
    reach = 2 * longest + 4 * line.gap_greatest_um
    label_is_piece = np.arange(waves.at_m.shape[2]) < len(kinds.length_um)
    near = np.isfinite(rem) & (rem <= reach) & label_is_piece
    wave, leg, label = np.nonzero(near)
    rem = rem[near]
    joints = wave - 1 + legs.start_joint[rows[leg]] + legs.far_joint[rows[leg]]
    short, over = legs.short_um[rows[leg]], legs.over_um[rows[leg]]
    ring = legs.ring[rows[leg]]
    short, over = np.where(ring, 0, short), np.where(ring, 0, over)
    n = joints[:, None] + tails.count
    added = tails.length_um + (tails.count + legs.far_joint[rows[leg]][:, None]) * kinds.gap_um
    left = rem[:, None] - added
    lengths = np.array([s.laying_um for s in line.straights], dtype=np.int64)
    cut_most = np.where(tails.cut_from >= 0, lengths[tails.cut_from] - line.kerf_um, 0)
    cut_least = np.where(tails.cut_from >= 0, line.least_cut_um, 0)
    cut = np.clip(left, cut_least, cut_most)
    left = left - cut
    # joints of the make-up pieces count with their whole range: what they lean is not known yet
    more = n - (wave - 1 + legs.start_joint[rows[leg]])[:, None]
    low = -(waves.tighter_um[near][:, None] + more * (kinds.gap_um - line.gap_least_um) + over[:, None])
    high = waves.wider_um[near][:, None] + more * (line.gap_greatest_um - kinds.gap_um) + short[:, None]
    which, tail = np.nonzero((left >= low - 1e3) & (left <= high + 1e3))
    bends = _tail_bends(
        legs,
        track,
        rows,
        kinds,
        tails,
        waves,
        line,
        wave[which],
        leg[which],
        label[which],
        tail,
        cut[which, tail],
    )
    which, tail = which[bends], tail[bends]
    dev = np.abs(left[which, tail]) / np.maximum(n[which, tail], 1)
    w, g, lab = wave[which], leg[which], label[which]
    keys = (
        dev,
        waves.closers[w, g, lab] + tails.closers[tail],
        w + tails.count[tail],
        waves.cuts[w, g, lab] + tails.cuts[tail],
        np.rint(waves.bare_m[w, g, lab] * 1e3),
        g,
    )
    order = np.lexsort(keys)
    return _Closings(g[order], w[order], lab[order], tail[order])


def _tail_bends(
    legs: CurveLegs,
    track: Track,
    rows: IntArray,
    kinds: _Kinds,
    tails: _Tails,
    waves: _Waves,
    line: ProductLine,
    wave: IntArray,
    leg: IntArray,
    label: IntArray,
    tail: IntArray,
    cut_um: IntArray,
) -> BoolArray:
    """Whether the joints of make-up pieces, laid at the middle gap, turn by no more than they may."""
    most = math.radians(line.deflection_deg + LIMIT_DEG)
    at, xy = waves.at_m[wave, leg, label], waves.xy[wave, leg, label]
    angle = waves.angle[wave, leg, label].copy()
    good = np.ones(len(wave), dtype=np.bool_)
    lengths = np.append(kinds.length_um, [0, 0])
    for q in range(tails.kind.shape[1]):
        kind = tails.kind[tail, q]
        k = np.flatnonzero(kind != -1)
        chord = np.where(kind[k] == -2, np.maximum(cut_um[k], 1), lengths[kind[k]]) / _UM
        on = leg[k]
        begin, begin_xy = step(track.lines, on, at[k], xy[k], np.full(len(k), kinds.gap_um / _UM))
        at[k], xy[k] = step(track.lines, on, begin, begin_xy, chord)
        along = xy[k] - begin_xy
        way = np.arctan2(along[:, 1], along[:, 0])
        good[k] &= np.abs(turned(angle[k], way)) <= most
        angle[k] = way
    ring = legs.ring[rows[leg]]
    onward = np.abs(turned(angle, np.where(ring, waves.head[wave, leg, label], legs.far_angle[rows[leg]])))
    good &= ~legs.far_joint[rows[leg]] | (onward <= most) | (ring & (waves.bare_m[wave, leg, label] > 0))
    return good


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Stretches of pieces to be laid: each a row of its own.  s stretches, p pieces."""

    way: IntArray
    """(s,) which of the chosen closings"""
    leg: IntArray
    start_m: FloatArray
    joint: BoolArray
    """(s,) a joint before the first piece"""
    last: BoolArray
    """(s,) ends at the end of the leg and is to close there"""
    first: OffsetArray
    kind: IntArray
    """(p,), -2 for the cut piece of free length"""
    cut_from: IntArray
    """(s,) section of that cut piece"""


def _sequences(
    legs: CurveLegs,
    track: Track,
    rows: IntArray,
    waves: _Waves,
    tails: _Tails,
    chosen: _Closings,
    kinds: _Kinds,
) -> _Rows:
    """Walk back through the waves: the stretches of the chosen sequences with their tails."""
    t = len(kinds.length_um)
    n = len(chosen.leg)
    wave, label = chosen.wave.copy(), chosen.label.copy()
    item: list[tuple[IntArray, IntArray, IntArray, FloatArray]] = []  # row, wave, kind or t, at
    running = np.flatnonzero(wave > 0)
    while len(running):
        w, g, lab = wave[running], chosen.leg[running], label[running]
        item.append((running, w, lab, waves.at_m[w, g, lab]))
        label[running] = waves.parent[w, g, lab]
        wave[running] -= 1
        running = running[wave[running] > 0]
    for q in range(tails.kind.shape[1]):
        kind = np.where(chosen.tail >= 0, tails.kind[chosen.tail, q], -1)
        some = np.flatnonzero(kind != -1)
        item.append((some, chosen.wave[some] + 1 + q, kind[some], np.zeros(len(some))))
    row = np.concatenate([i[0] for i in item]) if item else np.empty(0, np.int64)
    nth = np.concatenate([i[1] for i in item]) if item else np.empty(0, np.int64)
    kind = np.concatenate([i[2] for i in item]) if item else np.empty(0, np.int64)
    at = np.concatenate([i[3] for i in item]) if item else np.empty(0)
    order = np.lexsort((nth, row))
    row, kind, at = row[order], kind[order], at[order]
    # a stretch begins with each row and with each bare place
    bare = kind == t
    head = np.searchsorted(row, np.arange(n))
    stretch_of = np.cumsum(bare) + row
    stretch_rows = np.concatenate([np.arange(n), row[bare]])
    start = np.concatenate([track.start_m[chosen.leg], at[bare]])
    number = np.concatenate([np.concatenate([[0], np.cumsum(bare)])[head] + np.arange(n), stretch_of[bare]])
    order = np.argsort(number, kind="stable")
    stretch_rows, start = stretch_rows[order], start[order]
    is_first = np.concatenate([[True], stretch_rows[1:] != stretch_rows[:-1]]) if n else np.empty(0, bool)
    is_last = np.concatenate([stretch_rows[1:] != stretch_rows[:-1], [True]]) if n else np.empty(0, bool)
    pieces = ~bare
    first = np.searchsorted(stretch_of[pieces], np.arange(len(start) + 1)).astype(np.int64)
    tail = chosen.tail[stretch_rows]
    return _Rows(
        way=stretch_rows,
        leg=chosen.leg[stretch_rows],
        start_m=start,
        joint=is_first & legs.start_joint[rows[chosen.leg[stretch_rows]]],
        last=is_last & (tail >= 0),
        first=first,
        kind=kind[pieces],
        cut_from=np.where(is_last & (tail >= 0), tails.cut_from[tail], -1),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Spaced:
    """Stretches laid, their gaps and their cut pieces so that they close."""

    rows: _Rows
    length_um: IntArray
    gap_um: IntArray
    """(p,) before each piece"""
    far_gap_um: IntArray
    """(s,)"""
    from_m: FloatArray
    to_m: FloatArray
    start_xy: FloatArray
    end_xy: FloatArray
    angle: FloatArray
    before: FloatArray
    behind: FloatArray
    reach_m: FloatArray
    off_um: FloatArray
    """(s,) what is left to the end of the leg"""
    keeps: BoolArray
    """(s,) every limit is kept"""


def _spaced(
    legs: CurveLegs, track: Track, rows: IntArray, part: _Rows, kinds: _Kinds, line: ProductLine
) -> _Spaced:
    """Lay stretches; those that are to close do so by one gap, held at each joint by its lean."""
    count = np.diff(part.first)
    stretch = np.repeat(np.arange(len(count)), count)
    free = part.kind == -2
    length = np.where(free, 0, np.append(kinds.length_um, 0)[part.kind]).astype(np.float64)
    lengths = np.array([s.laying_um for s in line.straights], dtype=np.int64)
    cut_most = np.append(lengths, 0)[part.cut_from] - line.kerf_um
    has_cut = np.zeros(len(count), dtype=np.bool_)
    has_cut[stretch[free]] = True
    length[free] = line.least_cut_um
    head = np.zeros(len(stretch), dtype=np.bool_)
    head[part.first[:-1][count > 0]] = True
    joint = ~head | part.joint[stretch]
    row = rows[part.leg]
    ring = legs.ring[row]
    far_joint = part.last & legs.far_joint[row] & (count > 0)
    target = np.where(part.last, track.far_m[part.leg], np.nan)
    common = np.full(len(count), float(kinds.gap_um))
    lean, far_lean = np.zeros(len(stretch)), np.zeros(len(count))
    closing = part.last & (count > 0)
    # the first piece of a ring that starts with a piece follows the last one
    start_head = np.where(count > 0, part.first[:-1], 0)
    ring_head = _ring_heads(part, ring)
    least, most = float(line.gap_least_um), float(line.gap_greatest_um)
    for turn in range(_STEPS):
        gap = np.where(
            joint, np.clip(common[stretch], least + lean, np.maximum(most - lean, least + lean)), 0.0
        )
        far_gap = np.where(
            far_joint, np.clip(common, least + far_lean, np.maximum(most - far_lean, least + far_lean)), 0.0
        )
        if turn == _STEPS - 1:
            gap, far_gap, length = np.rint(gap), np.rint(far_gap), np.rint(length)
        laid = walk(track.lines, part.leg, part.first, part.start_m, gap / _UM, length / _UM, far_gap / _UM)
        before = np.zeros(len(stretch))
        before[1:] = turned(laid.angle[:-1], laid.angle[1:])
        before[head] = np.where(
            part.joint[stretch[head]], turned(legs.start_angle[row[stretch[head]]], laid.angle[head]), 0.0
        )
        behind = np.zeros(len(count))
        k = np.flatnonzero(far_joint)
        onward = np.where(ring[k], laid.angle[ring_head[k]], legs.far_angle[row[k]])
        behind[k] = turned(laid.angle[part.first[1:][k] - 1], onward)
        off = (target - laid.reach_m) * _UM
        if turn == _STEPS - 1:
            break
        lean, far_lean = (
            np.where(joint, lean_um(before, line), 0.0),
            np.where(far_joint, lean_um(behind, line), 0.0),
        )
        # a cut piece takes up what the joints need not; else the joints that still can
        move = np.where(closing, off, 0.0)
        with_cut = np.flatnonzero(free)
        wanted = length[with_cut] + move[stretch[with_cut]]
        new = np.clip(wanted, line.least_cut_um, cut_most[stretch[with_cut]])
        move[stretch[with_cut]] -= new - length[with_cut]
        length[with_cut] = new
        up = move > 0
        can = joint & np.where(up[stretch], gap < most - lean - 0.5, gap > least + lean + 0.5)
        can_far = far_joint & np.where(up, far_gap < most - far_lean - 0.5, far_gap > least + far_lean + 0.5)
        n = np.bincount(stretch[can], minlength=len(count)) + can_far
        common = np.clip(common + move / np.maximum(n, 1), least, most)
    del start_head
    limit = math.radians(line.deflection_deg + LIMIT_DEG)
    ok = (np.abs(before) <= limit) & (
        ~joint | ((gap - lean_um(before, line) >= least - 1.0) & (gap + lean_um(before, line) <= most + 1.0))
    )
    keeps = np.bincount(stretch[~ok], minlength=len(count)) == 0
    keeps &= (np.abs(behind) <= limit) & (
        ~far_joint
        | ((far_gap - lean_um(behind, line) >= least - 1.0) & (far_gap + lean_um(behind, line) <= most + 1.0))
    )
    short = np.where(ring, CLOSES_UM, np.maximum(legs.short_um[row], CLOSES_UM))
    over = np.where(ring, CLOSES_UM, np.maximum(legs.over_um[row], CLOSES_UM))
    # whole micrometres of up to n gaps and a cut
    over = over + np.where(legs.over_um[row] == 0, count, 0)
    short = short + np.where(ring, count, 0)
    keeps &= ~part.last | ((off <= short) & (off >= -over))
    whole = np.rint(length).astype(np.int64)
    return _Spaced(
        part, whole, np.rint(gap).astype(np.int64), np.rint(far_gap).astype(np.int64), laid.from_m, laid.to_m,
        laid.start_xy, laid.end_xy, laid.angle, before, behind, laid.reach_m, off, keeps,
    )  # fmt: skip


def _ring_heads(part: _Rows, ring: BoolArray) -> IntArray:
    """For each stretch the first piece of its leg's first stretch."""
    first_of_leg = np.searchsorted(part.way, part.way, side="left")
    heads: IntArray = np.minimum(part.first[:-1][first_of_leg], max(len(part.kind) - 1, 0))
    return np.where(ring, heads, 0)


# ---------------------------------------------------------------- the whole


def lay_tight(
    legs: CurveLegs, track: Track, rows: IntArray, line: ProductLine, rules: CurveRules
) -> tuple[Laid, Bare]:
    """Lay legs with shorter pieces where sections break the limits.

    Parameters
    ----------
    legs, track : the curved legs; the lines of the legs ``rows``
    rows : (c,)
    line, rules : product line and choices

    Returns
    -------
    The pieces of every leg of ``rows``, and the stretches left bare.
    """
    kinds = _kinds(line)
    tails = _tails(kinds, line, rules.closer_limit)
    waves = _reach(legs, track, rows, kinds, line)
    ways = _closings(legs, track, rows, kinds, tails, waves, line)
    chosen = _first_that_keeps(legs, track, rows, waves, tails, ways, kinds, line)
    part = _sequences(legs, track, rows, waves, tails, chosen, kinds)
    return _table(legs, track, rows, _spaced(legs, track, rows, part, kinds, line), kinds, line)


def _first_that_keeps(
    legs: CurveLegs,
    track: Track,
    rows: IntArray,
    waves: _Waves,
    tails: _Tails,
    ways: _Closings,
    kinds: _Kinds,
    line: ProductLine,
) -> _Closings:
    """The first closing of each leg that keeps every limit as laid, else its farthest sequence."""
    begins = np.searchsorted(ways.leg, np.arange(len(rows) + 1))
    found = np.full(len(rows), -1)
    # the best way of every leg first; the next ones of those that are left all at once
    for low, high in ((0, 1), (1, _TRIES)):
        nth = np.arange(len(ways.leg)) - begins[ways.leg]
        k = np.flatnonzero((nth >= low) & (nth < high) & (found[ways.leg] < 0))
        if not len(k):
            continue
        some = _Closings(ways.leg[k], ways.wave[k], ways.label[k], ways.tail[k])
        spaced = _spaced(
            legs, track, rows, _sequences(legs, track, rows, waves, tails, some, kinds), kinds, line
        )
        failed = np.bincount(spaced.rows.way[~spaced.keeps], minlength=len(k)) > 0
        good = k[~failed][::-1]
        found[ways.leg[good]] = good  # the first of each leg is written last
    left = np.flatnonzero(found < 0)
    far = _farthest(track, waves, left)
    leg = np.arange(len(rows))
    wave, label, tail = (
        a[found] if len(a) else np.zeros(len(rows), np.int64) for a in (ways.wave, ways.label, ways.tail)
    )
    wave[left], label[left], tail[left] = far.wave, far.label, far.tail
    return _Closings(leg, wave, label, tail)


def _farthest(track: Track, waves: _Waves, pending: IntArray) -> _Closings:
    """Of each leg the sequence that leaves least bare, its end open."""
    at = waves.at_m[:, pending]
    bare = waves.bare_m[:, pending] + track.far_m[pending][None, :, None] - at
    over = at > track.far_m[pending][None, :, None] + 1e-9
    cost = np.where(np.isfinite(bare) & ~over, bare * 1e6 + np.arange(len(at))[:, None, None] * 1e-3, np.inf)
    flat = cost.transpose(1, 0, 2).reshape(len(pending), at.shape[0] * at.shape[2]).argmin(axis=1)
    wave, label = np.divmod(flat, at.shape[2])
    return _Closings(pending, wave, label, np.full(len(pending), -1))


def _table(
    legs: CurveLegs,
    track: Track,
    rows: IntArray,
    spaced: _Spaced,
    kinds: _Kinds,
    line: ProductLine,
) -> tuple[Laid, Bare]:
    """Stretches of every leg as a table of pieces and a table of bare stretches."""
    part = spaced.rows
    count = np.diff(part.first)
    whole_leg = np.bincount(part.leg, minlength=len(rows))[part.leg] == 1
    whole_leg &= part.last
    length_m = np.zeros(len(count))
    some = count > 0
    length_m[some] = spaced.to_m[part.first[1:][some] - 1] - spaced.from_m[part.first[:-1][some]]
    island = (count < 3) | (length_m < kinds.length_um.max() / _UM)
    kept = some & (whole_leg | ~island)
    stretch = np.repeat(np.arange(len(count)), count)
    pieces = np.flatnonzero(kept[stretch])
    stretch = stretch[pieces]
    leg = part.leg[stretch]
    chosen = np.arange(len(rows))
    first = np.searchsorted(leg, np.append(chosen, len(rows))).astype(np.int64)
    row = rows[leg]
    kind = part.kind[pieces]
    from_um = track.traced_um(leg, spaced.from_m[pieces])
    to_um = track.traced_um(leg, spaced.to_m[pieces])
    # what is bare before the first piece of each stretch
    head = np.ones(len(pieces), dtype=np.bool_)
    head[1:] = stretch[1:] != stretch[:-1]
    leg_head = np.ones(len(pieces), dtype=np.bool_)
    leg_head[1:] = leg[1:] != leg[:-1]
    begin = (
        np.where(leg_head, legs.start_um[row], np.concatenate([[0], to_um[:-1]])) if len(pieces) else to_um
    )
    gap = spaced.gap_um[pieces]
    left = np.where(head, from_um - begin - gap, 0)
    left[np.abs(left) <= CLOSES_UM] = 0
    n = np.diff(first)
    tail = first[1:] - 1
    far_gap, far_turn = np.zeros(len(chosen), np.int64), np.zeros(len(chosen))
    has = n > 0
    ends = stretch[tail[has]]
    far_gap[has], far_turn[has] = spaced.far_gap_um[ends], spaced.behind[ends]
    end = (legs.length_um - legs.far_um)[rows[chosen]]
    stop = legs.start_um[rows[chosen]].copy()
    stop[has] = to_um[tail[has]]
    closes = np.zeros(len(chosen), dtype=np.bool_)
    closes[has] = part.last[ends]
    far_left = end - stop - far_gap
    off = np.zeros(len(chosen))
    off[has] = spaced.off_um[ends]
    far_left = np.where(closes, np.where(np.abs(off) <= np.maximum(n, CLOSES_UM), 0, np.rint(off)), far_left)
    far_left = far_left.astype(np.int64)
    straight = np.where(kind >= 0, np.append(kinds.straight, 0)[kind], part.cut_from[stretch])
    is_cut = (kind == -2) | np.append(kinds.cut, False)[np.maximum(kind, 0)] & (kind >= 0)
    length = spaced.length_um[pieces]
    bare = _bare(
        legs,
        track,
        rows,
        chosen,
        first,
        leg,
        begin,
        from_um,
        left,
        gap,
        stop,
        end,
        far_left,
        closes,
        kinds,
        line,
    )
    short = np.bincount(np.searchsorted(chosen, bare.row), minlength=len(chosen)) > 0
    bare = Bare(rows[bare.row], bare.from_um, bare.to_um, bare.radius_m)
    reason = np.where(~has, FitReason.NO_ROOM, np.where(short, FitReason.NOTHING_FITS, FitReason.MET))
    price = np.array([(s.article.price or 0) + line.laying_cost for s in line.straights], dtype=np.int64)
    each = price[straight] + np.where(is_cut, line.cut_cost, 0) if len(pieces) else np.empty(0, np.int64)
    sums = np.concatenate([[0], np.cumsum(each)])
    return Laid(
        row=rows[chosen],
        first=first,
        straight=straight,
        cut_um=np.where(is_cut, length, 0),
        length_um=length,
        from_um=from_um,
        to_um=to_um,
        start_xy=world(legs, row, spaced.start_xy[pieces]),
        end_xy=world(legs, row, spaced.end_xy[pieces]),
        gap_um=gap,
        left_over_um=left,
        deflection=np.where(gap != 0, spaced.before[pieces], np.where(left != 0, 0.0, spaced.before[pieces])),
        far_gap_um=far_gap,
        far_left_over_um=far_left,
        far_deflection=far_turn,
        cost=sums[first[1:]] - sums[first[:-1]],
        reason=reason.astype(np.int8),
        moved_m=track.moved_m[chosen],
    ), bare


def _bare(
    legs: CurveLegs,
    track: Track,
    rows: IntArray,
    chosen: IntArray,
    first: OffsetArray,
    leg: IntArray,
    begin: IntArray,
    from_um: IntArray,
    left: IntArray,
    gap: IntArray,
    stop: IntArray,
    end: IntArray,
    far_left: IntArray,
    closes: BoolArray,
    kinds: _Kinds,
    line: ProductLine,
) -> Bare:
    """Bare stretches with the least radius in each; ``row`` counts within the track."""
    inner = np.flatnonzero(left != 0)
    tail = np.flatnonzero(~closes & (far_left != 0))
    row = np.concatenate([leg[inner], chosen[tail]])
    from_at = np.concatenate([begin[inner], stop[tail]])
    to_at = np.concatenate([(from_um - gap)[inner], end[tail]])
    order = np.lexsort((from_at, row))
    row, from_at, to_at = row[order], from_at[order], to_at[order]
    places = _places(track, kinds, line)
    own = np.interp(from_at / _UM + track.traced_base[row], track.traced_m, track.own_m) - track.own_base[row]
    own_to = (
        np.interp(to_at / _UM + track.traced_base[row], track.traced_m, track.own_m) - track.own_base[row]
    )
    radius = np.full(len(row), np.inf)
    for k, r in enumerate(row):
        at = places.at_m[places.offsets[r] : places.offsets[r + 1]]
        inside = places.radius_m[places.offsets[r] : places.offsets[r + 1]][
            (at >= own[k] - 2 * _NODE_M) & (at <= own_to[k])
        ]
        radius[k] = inside.min(initial=np.inf)
    del first, rows
    return Bare(row, from_at, to_at, radius)
