"""Curved legs where sections break the limits: shorter pieces there, else bare stretches.

Reaching out.  Pieces are laid with gaps in the middle of their range, all legs abreast.  After k
pieces each leg keeps, for every kind of piece, the sequence that ends with it and is least bare,
then has fewest cuts, then reaches farthest: so a sequence that runs into a tight place with a
section does not drive out the one that comes there with a closer.  Where no kind of piece can
follow any of them, the leg stays bare up to the next place where two of the shortest pieces can lie.

How the leg's end is met is in :mod:`siteplan.laying.closing`.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from siteplan.laying.chords import least_radius, points, step, turned
from siteplan.laying.curves import LIMIT_DEG, CurveLegs, Track, lean_um
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray
from siteplan.units import um_to_m

_UM: Final = 1e6
_NODE_M: Final = 0.05
"""spacing of the places where a bare stretch may end"""
_NEVER: Final = 1e12


@dataclass(frozen=True, slots=True, eq=False)
class Kinds:
    """Kinds of piece a tight place may take.  t kinds."""

    length_um: IntArray
    straight: IntArray
    cut: BoolArray
    closer: BoolArray
    gap_um: int
    """gap while reaching out"""
    lean_most_um: float
    """greatest lean at that gap"""


def kinds_of(line: ProductLine) -> Kinds:
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
    return Kinds(
        length_um=whole,
        straight=np.array(straight, dtype=np.int64),
        cut=np.array(cut),
        closer=(np.array(straight) >= len(line.sections)) & ~np.array(cut),
        gap_um=gap,
        lean_most_um=min(gap - least, most - gap) + 1.0,
    )


def least_radius_m(line: ProductLine, piece_um: int) -> float:
    """Least radius of a circle that pieces of one length can follow; inf where they follow none."""
    least, _ = least_radius(
        um_to_m(piece_um),
        um_to_m(line.gap_least_um),
        um_to_m(line.gap_greatest_um),
        um_to_m(line.depth_um),
        line.deflection_deg,
    )
    return least


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What is to be laid: r legs of ``legs``, on ``track``, with ``kinds`` of ``line``."""

    legs: CurveLegs
    track: Track
    rows: IntArray
    """(r,) which of the legs; the track holds these"""
    kinds: Kinds
    line: ProductLine

    def keeps(self, deflection: FloatArray) -> BoolArray:
        """Whether joints that turn so keep the limits at the gap of reaching out."""
        most = math.radians(self.line.deflection_deg + LIMIT_DEG)
        good: BoolArray = (np.abs(deflection) <= most) & (
            lean_um(deflection, self.line) <= self.kinds.lean_most_um
        )
        return good


# ---------------------------------------------------------------- places where pieces can lie


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Nodes along the lines, and the curve there."""

    offsets: OffsetArray
    """(r + 1,)"""
    at_m: FloatArray
    radius_m: FloatArray
    """over two of the shortest pieces that begin at the node"""
    next_open_m: FloatArray
    """the first node at or after each where those two can lie, inf where none is left"""

    def node(self, track: Track, leg: IntArray, at_m: FloatArray) -> IntArray:
        """Index of the node at or before places along lines."""
        nth = np.floor((at_m - track.start_m[leg]) / _NODE_M + 1e-9).astype(np.int64)
        node: IntArray = np.clip(self.offsets[leg] + nth, self.offsets[leg], self.offsets[leg + 1] - 1)
        return node


def places_of(case: Case) -> Places:
    """Places along the lines of a case."""
    track, gap_m = case.track, case.kinds.gap_um / _UM
    rest = track.far_m - track.start_m
    count = np.maximum(np.ceil(rest / _NODE_M).astype(np.int64), 0) + 1
    offsets = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    leg = np.repeat(np.arange(len(count)), count)
    at = track.start_m[leg] + (np.arange(offsets[-1]) - offsets[leg]) * _NODE_M
    shortest = float(case.kinds.length_um.min() / _UM)
    chord, gap = np.full(len(at), shortest), np.full(len(at), gap_m)
    one = points(track.lines, leg, at)
    to, two = step(track.lines, leg, at, one, chord)
    to, three = step(track.lines, leg, to, two, gap)
    to, four = step(track.lines, leg, to, three, chord)
    delta = np.abs(turned(_way(one, two), _way(three, four)))
    third = np.sqrt(shortest**2 + gap_m**2 + 2 * shortest * gap_m * np.cos(delta / 2))
    free = case.keeps(delta) & (to <= track.far_m[leg])
    # the next open node: a running least from the end on, each leg's values above the next one's
    onward = np.where(free, np.arange(len(at)), np.iinfo(np.int64).max)
    onward = np.minimum.accumulate(onward[::-1])[::-1]
    mine = onward < offsets[1:][leg]
    return Places(
        offsets,
        at,
        third / (2 * np.maximum(np.sin(delta / 2), 1e-12)),
        np.where(mine, at[np.where(mine, onward, 0)], np.inf),
    )


def _way(one: FloatArray, two: FloatArray) -> FloatArray:
    """Direction from points to points, radians."""
    along = two - one
    out: FloatArray = np.arctan2(along[..., 1], along[..., 0])
    return out


# ---------------------------------------------------------------- reaching out


@dataclass(slots=True, eq=False)
class Front:
    """Sequences kept after a wave.  r legs, u = kinds + 1 (the last: begun anew after a bare stretch)."""

    at_m: FloatArray
    """(r, u) where the sequence has come to, nan where there is none"""
    parent: IntArray
    """(r, u) which of the wave before it goes on from"""
    bare_m: FloatArray
    closers: IntArray
    cuts: IntArray
    wider_um: FloatArray
    """(r, u) by how much the gaps so far could be wider, all together"""
    tighter_um: FloatArray
    angle: FloatArray
    """(r, u) direction of the last piece"""
    head: FloatArray
    """(r, u) direction of the first piece"""
    xy: FloatArray
    """(r, u, 2) where it ends"""

    @staticmethod
    def empty(r: int, u: int) -> Front:
        """No sequence anywhere."""
        real, whole = (np.zeros((r, u)) for _ in range(6)), (np.zeros((r, u), np.int64) for _ in range(2))
        return Front(
            np.full((r, u), np.nan), np.full((r, u), -1), next(real), next(whole), next(whole),
            next(real), next(real), next(real), next(real), np.zeros((r, u, 2)),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Waves:
    """All fronts of a search, one above the other: each array with a first axis of w waves."""

    at_m: FloatArray
    parent: IntArray
    bare_m: FloatArray
    closers: IntArray
    cuts: IntArray
    wider_um: FloatArray
    tighter_um: FloatArray
    angle: FloatArray
    head: FloatArray
    xy: FloatArray


def reach_out(case: Case, places: Places) -> Waves:
    """Lay piece after piece until no leg has room for another."""
    legs, track = case.legs, case.track
    r, t = len(case.rows), len(case.kinds.length_um)
    front = Front.empty(r, t + 1)
    front.at_m[:, t] = track.start_m
    front.xy[:, t] = points(track.lines, np.arange(r), track.start_m)
    front.angle[:, t] = legs.start_angle[case.rows]
    fronts = [front]
    alive = np.arange(r)
    while len(alive):
        new, stuck = _next_front(case, front, alive, len(fronts))
        go = ~stuck
        if stuck.any():
            go[stuck] = _skip(case, places, front, new, alive[stuck])
        alive = alive[go]
        front = new
        fronts.append(front)
    return Waves(*(np.stack([getattr(f, name.name) for f in fronts]) for name in fields(Front)))


def _next_front(case: Case, front: Front, alive: IntArray, wave: int) -> tuple[Front, BoolArray]:
    """Every kind of piece after every sequence, and the best for each kind; legs where none fits."""
    legs, track, kinds, line = case.legs, case.track, case.kinds, case.line
    t = len(kinds.length_um)
    u = t + 1
    spot, label = np.nonzero(np.isfinite(front.at_m[alive]))
    leg = alive[spot]
    # no joint before the first piece of a leg without a unit, or of a stretch begun anew
    joint = (label < t) | ((wave == 1) & legs.start_joint[case.rows[leg]])
    gap = np.where(joint, kinds.gap_um / _UM, 0.0)
    begin, begin_xy = step(track.lines, leg, front.at_m[leg, label], front.xy[leg, label], gap)
    many, kind = np.repeat(np.arange(len(leg)), t), np.tile(np.arange(t), len(leg))
    to, to_xy = step(track.lines, leg[many], begin[many], begin_xy[many], kinds.length_um[kind] / _UM)
    way = _way(begin_xy[many], to_xy)
    old_leg, old_label = leg[many], label[many]
    delta = np.where(joint[many], turned(front.angle[old_leg, old_label], way), 0.0)
    # the gaps so far may yet be tightened, and the leg's end overrun by its tolerance
    slack_um = (kinds.gap_um - line.gap_least_um) * wave + legs.over_um[case.rows[old_leg]]
    fits = case.keeps(delta) & (to <= track.far_m[old_leg] + slack_um / _UM)
    # least bare, then fewest cuts, then farthest: one number that orders by all three
    score = (
        front.bare_m[old_leg, old_label] * 1e3 + front.cuts[old_leg, old_label] + kinds.cut[kind]
    ) * 1e4 - to
    worth = np.full((len(alive), u, t), _NEVER)
    worth[spot[many], old_label, kind] = np.where(fits, score, _NEVER)
    source = np.zeros((len(alive), u, t), dtype=np.int64)
    source[spot[many], old_label, kind] = np.arange(len(many))
    best = worth.argmin(axis=1)
    row, column = np.nonzero(np.take_along_axis(worth, best[:, None, :], axis=1)[:, 0] < _NEVER)
    from_label, k = best[row, column], source[row, best[row, column], column]
    row_leg = alive[row]
    lean = np.where(joint[many[k]], lean_um(delta[k], line), np.inf)
    new = Front.empty(*front.at_m.shape)
    here, old = (row_leg, column), (row_leg, from_label)
    new.at_m[here], new.xy[here], new.angle[here], new.parent[here] = to[k], to_xy[k], way[k], from_label
    new.head[here] = way[k] if wave == 1 else front.head[old]
    new.bare_m[here] = front.bare_m[old]
    new.closers[here] = front.closers[old] + kinds.closer[column]
    new.cuts[here] = front.cuts[old] + kinds.cut[column]
    room = (line.gap_greatest_um - kinds.gap_um, kinds.gap_um - line.gap_least_um)
    new.wider_um[here] = front.wider_um[old] + np.maximum(room[0] - lean, 0.0)
    new.tighter_um[here] = front.tighter_um[old] + np.maximum(room[1] - lean, 0.0)
    stuck = np.ones(len(alive), dtype=np.bool_)
    stuck[row] = False
    return new, stuck


def _skip(case: Case, places: Places, front: Front, new: Front, leg: IntArray) -> BoolArray:
    """Leave legs bare up to where pieces can lie again; whether there is such a place."""
    bare = front.at_m.shape[1] - 1
    finite = np.isfinite(front.at_m[leg])
    score = np.where(finite, front.bare_m[leg] * 1e7 + front.cuts[leg] * 1e4 - front.at_m[leg], np.inf)
    label = score.argmin(axis=1)
    here = front.at_m[leg, label]
    # so wide that the pieces on either side are clear of one another, whatever they turn
    clear = here + (case.line.gap_greatest_um + case.line.depth_um) / _UM
    node = np.minimum(places.node(case.track, leg, clear) + 1, places.offsets[leg + 1] - 1)
    to = places.next_open_m[node]
    some: BoolArray = np.isfinite(to) & (to > clear)
    k, label, to, here = leg[some], label[some], to[some], here[some]
    new.at_m[k, bare], new.parent[k, bare] = to, label
    new.xy[k, bare] = points(case.track.lines, k, to)
    new.bare_m[k, bare] = front.bare_m[k, label] + to - here
    new.closers[k, bare], new.cuts[k, bare] = front.closers[k, label], front.cuts[k, label]
    return some
