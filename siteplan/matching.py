"""Beds and runs of two revisions matched, by their ids and where they lie.

docs/compare.md says the rules in words.  Everything is ground metres of one common grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray

WITHIN_M: Final = 0.5
"""two lines share ground where they lie this close"""
SHARE: Final = 0.5
"""least part of the shorter one that two runs, or of both together that two beds, share"""


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """Which row of one revision is which of the other.  m pairs, in order of the old row."""

    old: IntArray
    new: IntArray

    def partner_of_old(self, count: int) -> IntArray:
        """(count,) new row of each old one, -1 for none."""
        partner = np.full(count, -1, dtype=np.int64)
        partner[self.old] = self.new
        return partner


class _Pairs:
    """Pairs found so far; a row is in one pair at most."""

    def __init__(self, n_old: int, n_new: int) -> None:
        self.of_old = np.full(n_old, -1, dtype=np.int64)
        self.of_new = np.full(n_new, -1, dtype=np.int64)

    @property
    def left_old(self) -> IntArray:
        return np.flatnonzero(self.of_old < 0)

    @property
    def left_new(self) -> IntArray:
        return np.flatnonzero(self.of_new < 0)

    def take(self, old: IntArray, new: IntArray) -> None:
        """Pairs in order of preference; those with a row that is taken are passed over."""
        for i, j in zip(old.tolist(), new.tolist(), strict=True):
            if self.of_old[i] < 0 and self.of_new[j] < 0:
                self.of_old[i], self.of_new[j] = j, i

    def matches(self) -> Matches:
        old = np.flatnonzero(self.of_old >= 0)
        return Matches(old, self.of_old[old])


def _same_id(old_ids: ObjectArray, new_ids: ObjectArray) -> tuple[IntArray, IntArray]:
    place = {str(name): k for k, name in enumerate(new_ids)}
    pairs = [(i, place[str(name)]) for i, name in enumerate(old_ids) if str(name) in place]
    made = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return made[:, 0], made[:, 1]


def _near(old: ObjectArray, new: ObjectArray, within_m: float) -> tuple[IntArray, IntArray]:
    """Every pair that comes within a distance, in order of the old row, then the new one."""
    found = shapely.STRtree(new).query(old, predicate="dwithin", distance=within_m)
    order = np.lexsort((found[1], found[0]))
    return found[0][order].astype(np.int64), found[1][order].astype(np.int64)


def match_beds(
    old: ObjectArray,
    new: ObjectArray,
    old_ids: ObjectArray,
    new_ids: ObjectArray,
    *,
    within_m: float = WITHIN_M,
) -> Matches:
    """Beds of two revisions.

    Parameters
    ----------
    old, new : polygons or lines, one for each bed
    old_ids, new_ids : their ids, each unique
    within_m : how close counts as the same place

    Notes
    -----
    First beds with the same id in the same place; then beds with another id that share at least half
    of the ground both cover together (of lines, of the shorter one), the most first; then the same
    id wherever it lies.
    """
    pairs = _Pairs(len(old), len(new))
    i, j = _same_id(old_ids, new_ids)
    here = shapely.dwithin(old[i], new[j], within_m) if len(i) else np.zeros(0, dtype=bool)
    pairs.take(i[here], j[here])
    left_old, left_new = pairs.left_old, pairs.left_new
    if len(left_old) and len(left_new):
        a, b = _near(old[left_old], new[left_new], within_m)
        a, b = left_old[a], left_new[b]
        share = _bed_share(old[a], new[b], within_m)
        order = np.lexsort((b, a, -share))
        order = order[share[order] >= SHARE]
        pairs.take(a[order], b[order])
    pairs.take(i, j)
    return pairs.matches()


def _bed_share(old: ObjectArray, new: ObjectArray, within_m: float) -> FloatArray:
    """What pairs of beds have in common: ground of polygons, length of lines; nothing of a mixed pair."""
    area = (shapely.get_dimensions(old) == 2) & (shapely.get_dimensions(new) == 2)
    line = (shapely.get_dimensions(old) == 1) & (shapely.get_dimensions(new) == 1)
    share = np.zeros(len(old))
    both = shapely.area(shapely.intersection(old[area], new[area]))
    all_of = shapely.area(old[area]) + shapely.area(new[area]) - both
    share[area] = np.divide(both, all_of, out=np.zeros_like(both), where=all_of > 0)
    share[line] = _line_share(old[line], new[line], within_m)[0]
    return share


def _line_share(old: ObjectArray, new: ObjectArray, within_m: float) -> tuple[FloatArray, FloatArray]:
    """Part of the shorter line that lies along the other one, and its length."""
    if not len(old):
        return np.zeros(0), np.zeros(0)
    one = shapely.length(shapely.intersection(new, shapely.buffer(old, within_m)))
    two = shapely.length(shapely.intersection(old, shapely.buffer(new, within_m)))
    shared = np.minimum(one, two)
    shorter = np.minimum(shapely.length(old), shapely.length(new))
    return np.divide(shared, shorter, out=np.zeros_like(shared), where=shorter > 0), shared


def match_runs(
    old: ObjectArray,
    new: ObjectArray,
    old_ids: ObjectArray,
    new_ids: ObjectArray,
    old_bed: IntArray,
    new_bed: IntArray,
    beds: Matches,
    *,
    within_m: float = WITHIN_M,
) -> Matches:
    """Runs of two revisions.

    Parameters
    ----------
    old, new : lines
    old_ids, new_ids : ids, used only to decide between equals
    old_bed, new_bed : bed of each run, as an index
    beds : the beds' matches
    within_m : two lines share ground where they lie this close

    Notes
    -----
    First runs with exactly the same vertices.  Then runs that share at least half of the shorter one,
    those that share the greatest length first.  Then what is left of matched beds, if the shorter is at
    least half as long as the longer, the most alike in length first: a bed that was moved or redrawn.
    """
    pairs = _Pairs(len(old), len(new))
    _take_exact(pairs, old, new, old_ids, new_ids)
    left_old, left_new = pairs.left_old, pairs.left_new
    if len(left_old) and len(left_new):
        a, b = _near(old[left_old], new[left_new], within_m)
        a, b = left_old[a], left_new[b]
        share, shared = _line_share(old[a], new[b], within_m)
        order = np.lexsort((b, a, _other_name(old_ids, new_ids, a, b), -np.round(shared, 3)))
        order = order[share[order] >= SHARE]
        pairs.take(a[order], b[order])
    a, b = _of_beds(pairs.left_old, pairs.left_new, old_bed, new_bed, beds)
    one, two = shapely.length(old[a]), shapely.length(new[b])
    like = np.minimum(one, two) >= SHARE * np.maximum(one, two)
    a, b, off = a[like], b[like], np.abs(one - two)[like]
    order = np.lexsort((b, a, _other_name(old_ids, new_ids, a, b), np.round(off, 3)))
    pairs.take(a[order], b[order])
    return pairs.matches()


def _take_exact(
    pairs: _Pairs, old: ObjectArray, new: ObjectArray, old_ids: ObjectArray, new_ids: ObjectArray
) -> None:
    """Pairs of the same vertices; among several the same id first."""
    places: dict[bytes, list[int]] = {}
    for j, shape in enumerate(shapely.to_wkb(new)):
        places.setdefault(shape, []).append(j)
    for i, shape in enumerate(shapely.to_wkb(old)):
        here = places.get(shape)
        if here:
            j = next((j for j in here if new_ids[j] == old_ids[i]), here[0])
            here.remove(j)
            pairs.take(np.array([i]), np.array([j]))


def _other_name(old_ids: ObjectArray, new_ids: ObjectArray, a: IntArray, b: IntArray) -> BoolArray:
    """(k,) False where a pair has the same id."""
    return np.asarray(old_ids[a] != new_ids[b], dtype=np.bool_)


def _of_beds(
    left_old: IntArray, left_new: IntArray, old_bed: IntArray, new_bed: IntArray, beds: Matches
) -> tuple[IntArray, IntArray]:
    """Every pair of runs whose beds are matched."""
    partner = dict(zip(beds.old.tolist(), beds.new.tolist(), strict=True))
    here: dict[int, list[int]] = {}
    for j in left_new.tolist():
        here.setdefault(int(new_bed[j]), []).append(j)
    found = [(i, j) for i in left_old.tolist() for j in here.get(partner.get(int(old_bed[i]), -1), ())]
    made = np.array(found, dtype=np.int64).reshape(-1, 2)
    return made[:, 0], made[:, 1]


def kept_ids(old_ids: ObjectArray, new_ids: ObjectArray, new_beds: ObjectArray, runs: Matches) -> ObjectArray:
    """(new,) id each run keeps: that of the run it matches, else its own, else the next free one.

    Parameters
    ----------
    old_ids, new_ids : ids of the runs
    new_beds : (new,) bed of each new run, for ids that have to be made
    runs : the matches
    """
    kept = np.empty(len(new_ids), dtype=object)
    kept[runs.new] = old_ids[runs.old]
    taken = {str(name) for name in old_ids}
    for k in np.setdiff1d(np.arange(len(new_ids)), runs.new).tolist():
        name, number = str(new_ids[k]), 1
        while name in taken:
            name = f"{new_beds[k]}-{number}"
            number += 1
        taken.add(name)
        kept[k] = name
    return kept
