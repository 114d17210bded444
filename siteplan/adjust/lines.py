"""How runs and legs follow the vertices of the outlines: the derivative of the laying line.

The runs are made from the traced vertices by many steps: corners where fitted legs meet, the
offset, ends at walls, tees, openings.  A row of the laying line that *is* a traced vertex (a corner at
a vertex, a vertex of a curve, no offset) follows it one to one.  Every other row is differentiated through
the plan itself: each vertex near it is moved a little to and fro, the plan made anew, and what the
row does is recorded.  Vertices of places that have nothing to do with each other are moved at the same time.

What comes out is then checked: all vertices are moved together in a random direction, and the legs
must follow as predicted.  Where one does not, its ring is differentiated through the plan as a whole.

Walls and openings stay as drawn, except that they move with their picture, as everything traced from it
does (:func:`carried_rows`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.adjust.moved import moved, only_beds, ring_boxes
from siteplan.errors import DataError
from siteplan.model import NodeKind, RingKind, Runs, Shapes
from siteplan.outline.edges import near_rings
from siteplan.planar import edges, part_of, ragged, ring_lines
from siteplan.plans import RunPlan, per_bed, plan_runs
from siteplan.reconcile.control import snapped
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray
from siteplan.uncertainty.lengths import length_slopes

STEP_M: Final = 1e-4
"""by which vertices are moved to see what follows"""
AGREES: Final = 2e-3
"""greatest difference from the plan in the check, in steps"""
NEAR_M: Final = 0.75
"""outlines farther apart than this, and twice their offsets, have nothing to do with each other's ends"""
SMALL_RING: Final = 12
"""vertices of a ring that are all tried; of a longer one only those near the row"""
WINDOW: Final = 4
"""vertices either way of the nearest three that are tried on a longer ring"""
CLOSE_M: Final = 0.01
"""a leg that starts farther than this from where it did is another one"""
_SAME_M: Final = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class LineGradient:
    """w rows, l legs, v vertices as drawn."""

    rows: sparse.csr_array
    """(2w, 2v) change of each coordinate of ``plan.runs.xy`` with each coordinate of each vertex.  Of
    vertices that are one (snapped) only the first has entries; the others move with it"""
    legs: sparse.csr_array
    """(l, 2v) change of the ground length of each leg"""
    owner: IntArray
    """(v,) the first vertex at the place of each vertex: those with one owner move together"""
    wanted: BoolArray
    """(l,) legs that were asked for; the others have no entries"""
    doubtful: tuple[str, ...]
    """ids of legs that did not follow as predicted: a corner comes or goes at the least movement"""


def matched_legs(before: Runs, after: Runs, within_m: float) -> IntArray:
    """(l,) the leg of another plan of nearly the same outlines that lies where each leg lies, -1 where none.

    Ids are no help: the number of a leg counts from the start of its ring, which may jump to
    another corner when outlines move.  Legs belong together where both their ends do, of a closed run without
    corners its middle; bed and course must be the same, and each must be the nearest of the other.
    """
    from scipy.spatial import cKDTree

    if not len(before.leg_id) or not len(after.leg_id):
        return np.full(len(before.leg_id), -1, dtype=np.int64)
    apart = 4 * max(float(np.abs(r.xy).max()) for r in (before, after)) + 10

    def places(runs: Runs) -> FloatArray:
        first, last = runs.xy[runs.offsets[:-1]], runs.xy[runs.offsets[1:] - 1]
        count = np.diff(runs.offsets)[:, None]
        middle = np.add.reduceat(runs.xy, runs.offsets[:-1]) / count
        seam = (runs.start_kind == NodeKind.SEAM)[:, None]
        course = np.zeros(len(runs.run_id)) if runs.course is None else runs.course
        fixed = np.column_stack([runs.bed, course])[runs.leg_run] * apart
        return np.hstack([np.where(seam, middle, first), np.where(seam, middle, last), fixed])

    a, b = places(before), places(after)
    gap, there = cKDTree(b).query(a)
    back = np.asarray(cKDTree(a).query(b)[1], dtype=np.int64)
    there = np.asarray(there, dtype=np.int64)
    good = (np.asarray(gap) <= within_m) & (back[there] == np.arange(len(a)))
    return np.where(good, there, -1)


def legs_after(before: Runs, after: Runs, moved_by: XYArray) -> IntArray:
    """(l,) the legs in a plan of outlines that have moved, -1 where one is gone.

    Parameters
    ----------
    before, after : the plans
    moved_by : (v, 2) by how much the vertices have moved
    """
    return matched_legs(before, after, 0.05 + 3 * float(np.abs(moved_by).max(initial=0.0)))


def direction_matrix(xy: XYArray, offsets: IntArray) -> sparse.csr_array:
    """(l, 2w) change of the length of each leg with each coordinate of its rows."""
    leg = np.repeat(part_of(offsets), 2)
    slopes = length_slopes(xy, offsets).ravel()
    return sparse.csr_array((slopes, (leg, np.arange(2 * len(xy)))), shape=(len(offsets) - 1, 2 * len(xy)))


def leg_lengths(xy: XYArray, offsets: IntArray) -> FloatArray:
    """(l,) ground length of legs along their rows."""
    return edges(xy, offsets, np.zeros(len(offsets) - 1, dtype=np.bool_)).part_length


def _wanted(site: Site, plan: RunPlan, beds: IntArray | None, legs: IntArray | None) -> BoolArray:
    runs = plan.runs
    if beds is None and legs is None:
        return np.ones(len(runs.leg_id), dtype=bool)
    made = np.zeros(len(runs.leg_id), dtype=bool)
    if beds is not None:
        made |= np.isin(runs.bed[runs.leg_run], beds)
    if legs is not None:
        made[legs] = True
    return made


def line_gradient(
    site: Site, plan: RunPlan, beds: IntArray | None = None, *, legs: IntArray | None = None
) -> LineGradient:
    """How the legs follow the vertices.

    Parameters
    ----------
    site, plan : the map; ``plan`` made from ``site``
    beds, legs : indices of the beds and legs wanted; all where both are None

    Returns
    -------
    Gradients.  Takes a handful of plans of the beds concerned: two for the check, and twice two for
    every vertex near the rows of one place that are not traced vertices.
    """
    return _Differ(site, plan, _wanted(site, plan, beds, legs)).made()


class _Differ:
    """One gradient in the making."""

    def __init__(self, site: Site, plan: RunPlan, wanted: BoolArray) -> None:
        self.site, self.plan, self.wanted = site, plan, wanted
        self.runs: Runs = plan.runs
        self.shapes: Shapes = site.bed_shapes
        self.owner = snapped(self.shapes.xy)
        self.count = len(self.shapes.xy)
        self.vertex = np.arange(self.count) if plan.vertex is None else plan.vertex
        runs = self.runs
        self.row_leg = part_of(runs.offsets)
        # rings of the plan's outlines are the rings as drawn, those of skipped beds left out
        out_ring = part_of(plan.outlines.ring_offsets)
        first = plan.outlines.ring_offsets[:-1]
        drawn = part_of(self.shapes.ring_offsets)
        self.ring_drawn = drawn[self.vertex[np.minimum(first, len(self.vertex) - 1)]] if len(first) else first
        self.out_ring = out_ring
        self.row_ring = runs.ring[runs.leg_run[self.row_leg]]
        self.drawn_ring = drawn
        boxes = ring_boxes(self.shapes)
        widest = max(
            (abs(float(o)) for o in per_bed(site, "offset", site.settings.outline.offset)), default=0
        )
        self.near_m = NEAR_M + 2 * widest * 1e-6
        self.shape = (2 * len(runs.xy), 2 * self.count)
        one, other = near_rings(boxes, boxes, self.near_m)
        self.near = sparse.csr_array((np.ones(len(one)), (one, other)), shape=(len(boxes), len(boxes)))

    def made(self) -> LineGradient:
        """The gradient, checked."""
        follows = self._identity()
        follows[~self.wanted[self.row_leg]] = -1
        open_rows = np.flatnonzero((follows < 0) & self.wanted[self.row_leg])
        traced = self._differentiated(open_rows)
        off, rows, legs = self._checked(follows, traced)
        again = np.isin(self.row_ring, self.row_ring[np.isin(self.row_leg, off)]) & (follows >= 0)
        if again.any():
            follows[again] = -1
            traced = sparse.coo_array(traced + self._differentiated(np.flatnonzero(again)))
            off, rows, legs = self._checked(follows, traced)
        return LineGradient(rows, legs, self.owner, self.wanted, tuple(str(i) for i in self.runs.leg_id[off]))

    def _checked(
        self, follows: IntArray, traced: sparse.coo_array
    ) -> tuple[IntArray, sparse.csr_array, sparse.csr_array]:
        """Legs that do not follow as predicted, and the gradients of rows and legs."""
        rows = sparse.csr_array(self._known(follows) + traced)
        keep = sparse.diags_array(self.wanted.astype(float))
        legs = sparse.csr_array(keep @ direction_matrix(self.runs.xy, self.runs.offsets) @ rows)
        return self._check(legs), rows, legs

    # ------------------------------------------------------------ rows that are vertices

    def _identity(self) -> IntArray:
        """(w,) the vertex each row is, -1 where it is none or an end that may follow something else."""
        from scipy.spatial import cKDTree

        runs, outlines = self.runs, self.plan.outlines
        made = np.full(len(runs.xy), -1, dtype=np.int64)
        if self.site.settings.outline.refit == "arcs" or not len(runs.xy):
            return made
        apart = np.abs(np.concatenate([outlines.xy, runs.xy])).max() * 4 + 1
        tree = cKDTree(np.column_stack([outlines.xy, self.out_ring * apart]))
        gap, at = tree.query(np.column_stack([runs.xy, self.row_ring * apart]))
        same = np.asarray(gap) <= _SAME_M
        line = outlines.ring_kind[self.row_ring] == RingKind.LINE
        for rows, kinds in (
            (runs.offsets[:-1], runs.start_kind),
            (runs.offsets[1:] - 1, runs.far_kind),
        ):
            at_vertex = np.isin(kinds, (NodeKind.CORNER, NodeKind.SEAM))
            at_vertex |= (kinds == NodeKind.FREE) & line[rows]
            same[rows] &= at_vertex
        made[same] = self.vertex[np.asarray(at)[same]]
        return made

    # ------------------------------------------------------------ the others, through the plan

    def _known(self, follows: IntArray) -> sparse.coo_array:
        """Entries of the rows that are vertices."""
        known = np.flatnonzero(follows >= 0)
        vertex = self.owner[follows[known]]
        r = np.concatenate([2 * known, 2 * known + 1])
        c = np.concatenate([2 * vertex, 2 * vertex + 1])
        return sparse.coo_array((np.ones(len(r)), (r, c)), shape=self.shape)

    def _tried(self, open_rows: IntArray) -> sparse.csr_array:
        """(rows, v) the vertices each row may depend on: near it on its ring, and of rings beside it."""
        import shapely
        from scipy.spatial import cKDTree

        shapes, at = self.shapes, self.runs.xy[open_rows]
        sizes, first = np.diff(shapes.ring_offsets), shapes.ring_offsets[:-1]
        own = self.ring_drawn[self.row_ring[open_rows]]
        part, closed = self.drawn_ring, np.isin(shapes.ring_kind, (RingKind.OUTER, RingKind.ISLAND))
        tree = shapely.STRtree(ring_lines(shapes.xy, shapes.ring_offsets, closed))
        row, beside = tree.query(shapely.points(at), predicate="dwithin", distance=self.near_m)
        pair = np.unique(
            np.column_stack([np.append(row, np.arange(len(own))), np.append(beside, own)]), axis=0
        )
        row, beside = pair.T
        every = (sizes <= SMALL_RING) | (self.site.settings.outline.refit == "arcs")
        small = every[beside]
        rows = [np.repeat(row[small], sizes[beside[small]])]
        found = [ragged(first[beside[small]], sizes[beside[small]])]
        row, beside = row[~small], beside[~small]
        if len(row):
            apart = np.abs(shapes.xy).max() * 4 + 1
            tree3 = cKDTree(np.column_stack([shapes.xy, part * apart]))
            near = np.asarray(tree3.query(np.column_stack([at[row], beside * apart]), k=3)[1])
            window = np.arange(-WINDOW, WINDOW + 1)
            local = near[:, :, None] - first[beside][:, None, None] + window
            size = sizes[beside][:, None, None]
            local = np.where(closed[beside][:, None, None], local % size, np.clip(local, 0, size - 1))
            rows.append(np.repeat(row, local[0].size))
            found.append((local + first[beside][:, None, None]).ravel())
        r, c = np.concatenate(rows), self.owner[np.concatenate(found)]
        made = sparse.csr_array((np.ones(len(r)), (r, c)), shape=(len(open_rows), self.count))
        made.data[:] = 1.0
        return made

    def _differentiated(self, open_rows: IntArray) -> sparse.coo_array:
        """Entries of these rows, from plans with their vertices moved."""
        tried = self._tried(open_rows)
        kept = np.zeros(self.count, dtype=bool)
        kept[self.owner[self.vertex]] = True
        busy = np.flatnonzero((tried.sum(axis=0) > 0) & kept)
        tried = sparse.csr_array(sparse.csc_array(tried)[:, busy])
        colour = _coloured(tried)
        replan = _Replan(self, self._beds_around(np.unique(self.drawn_ring[busy])))
        r, c, values = [], [], []
        for k in range(int(colour.max(initial=-1)) + 1):
            picked = np.flatnonzero(colour == k)
            row, which = sparse.csr_array(sparse.csc_array(tried)[:, picked]).nonzero()
            rows, column = open_rows[row], busy[picked[which]]
            for axis in range(2):
                moved_rows, known = replan.derivative(busy[picked], axis)
                for way in range(2):
                    value = moved_rows[rows, way]
                    some = known[rows] & (np.abs(value) > 1e-9)
                    r.append(2 * rows[some] + way)
                    c.append(2 * column[some] + axis)
                    values.append(value[some])
        entries = [np.concatenate(x) if x else np.zeros(0) for x in (values, r, c)]
        return sparse.coo_array(
            (entries[0], (entries[1].astype(np.int64), entries[2].astype(np.int64))), self.shape
        )

    def _beds_around(self, rings: IntArray) -> BoolArray:
        """(n,) beds of rings and of the rings beside them."""
        made = np.zeros(len(self.site.beds), dtype=bool)
        around = np.unique(np.concatenate([rings, self.near[rings].indices])).astype(np.int64)
        made[self.shapes.ring_feature[around]] = True
        return made

    # ------------------------------------------------------------ the check

    def _check(self, legs: sparse.csr_array) -> IntArray:
        """Wanted legs that do not follow as predicted."""
        runs = self.runs
        of_bed = np.isin(self.shapes.ring_feature, runs.bed[runs.leg_run[self.wanted]])
        replan = _Replan(self, self._beds_around(np.flatnonzero(of_bed)))
        way = np.random.default_rng(20).standard_normal((self.count, 2))[self.owner]
        legs_moved, known = replan.along(way)
        # of vertices that are one only the first has a column, which stands for all of them
        predicted = legs @ way.ravel()
        off = np.abs(legs_moved - predicted) > AGREES * (
            1 + np.sqrt(np.asarray(abs(legs).sum(axis=1)).ravel())
        )
        return np.flatnonzero(self.wanted & (off | ~known))


def _coloured(tried: sparse.csr_array) -> IntArray:
    """A colour for each column, so that no row has two columns of one colour (greedy, in order)."""
    met = sparse.csr_array(tried.T @ tried)
    colour = np.full(tried.shape[1], -1, dtype=np.int64)
    for k in range(len(colour)):
        taken = set(colour[met.indices[met.indptr[k] : met.indptr[k + 1]]].tolist())
        colour[k] = next(c for c in range(len(colour)) if c not in taken)
    return colour


class _Replan:
    """Plans of some beds with vertices moved, matched to the legs of the whole plan."""

    def __init__(self, differ: _Differ, beds: BoolArray) -> None:
        self.runs, self.owner = differ.runs, differ.owner
        self.site, self.vertex = only_beds(differ.site, beds)
        self.xy = differ.shapes.xy

    def _plan(self, shift: XYArray) -> Runs | None:
        try:
            return plan_runs(moved(self.site, (self.xy + shift)[self.vertex])).runs
        except DataError:
            # a vertex moved across something that is not allowed: the outline is on the edge of a fault
            return None

    def _matched(self, plus: Runs, minus: Runs, *, rows: bool) -> tuple[IntArray, IntArray, IntArray]:
        """Legs of the whole plan that both plans have too, and their numbers there.

        With ``rows`` only those with as many rows, the first one where it was.
        """
        runs, found = self.runs, []
        for made in (plus, minus):
            at = matched_legs(runs, made, CLOSE_M)
            if rows:
                here = np.flatnonzero(at >= 0)
                there = at[here]
                first = runs.xy[runs.offsets[here]] - made.xy[made.offsets[there]]
                other = np.diff(runs.offsets)[here] != np.diff(made.offsets)[there]
                at[here[other | (np.hypot(first[:, 0], first[:, 1]) > CLOSE_M)]] = -1
            found.append(at)
        whole = np.flatnonzero((found[0] >= 0) & (found[1] >= 0))
        return whole, found[0][whole], found[1][whole]

    def derivative(self, vertices: IntArray, axis: int) -> tuple[FloatArray, BoolArray]:
        """(w, 2) derivative of each row, and (w,) whether it is known, for vertices moved together."""
        shift = np.zeros_like(self.xy)
        shift[np.isin(self.owner, vertices), axis] = STEP_M
        plus, minus = self._plan(shift), self._plan(-shift)
        made, known = np.zeros_like(self.runs.xy), np.zeros(len(self.runs.xy), dtype=bool)
        if plus is not None and minus is not None:
            whole, there, back = self._matched(plus, minus, rows=True)
            counts = np.diff(self.runs.offsets)[whole]
            at = ragged(self.runs.offsets[whole], counts)
            ahead = plus.xy[ragged(plus.offsets[there], counts)]
            made[at] = (ahead - minus.xy[ragged(minus.offsets[back], counts)]) / (2 * STEP_M)
            known[at] = True
        return made, known

    def along(self, way: XYArray) -> tuple[FloatArray, BoolArray]:
        """(l,) derivative of each leg's length along a movement of all vertices."""
        plus, minus = self._plan(STEP_M * way), self._plan(-STEP_M * way)
        made, known = np.zeros(len(self.runs.leg_id)), np.zeros(len(self.runs.leg_id), dtype=bool)
        if plus is not None and minus is not None:
            whole, there, back = self._matched(plus, minus, rows=False)
            made[whole] = (plus.length_m[there] - minus.length_m[back]) / (2 * STEP_M)
            known[whole] = True
        return made, known


def carried_rows(
    site: Site, plan: RunPlan, way: tuple[XYArray, XYArray, XYArray], otherwise: XYArray, *, step: float
) -> XYArray:
    """How the rows follow a movement of beds, abutments and openings at once: (w, 2) for one of it.

    Parameters
    ----------
    site, plan : the map
    way : (v, 2) each, how the vertices of the three move for one of it
    otherwise : (w, 2) of rows that cannot be followed: their leg comes or goes at the least movement
    step : how much of it is tried, to and fro
    """
    ends = []
    for sign in (1.0, -1.0):
        shapes = (site.bed_shapes, site.abutment_shapes, site.opening_shapes)
        made = [s.xy + sign * step * w for s, w in zip(shapes, way, strict=True)]
        try:
            ends.append(plan_runs(moved(site, *made)).runs)
        except DataError:
            # the outline is on the edge of a fault
            return otherwise
    plus, minus = ends
    velocity: FloatArray = otherwise.copy()
    a, b = (matched_legs(plan.runs, runs, CLOSE_M) for runs in (plus, minus))
    whole = np.flatnonzero((a >= 0) & (b >= 0))
    count = np.diff(plan.runs.offsets)
    same = (np.diff(plus.offsets)[a[whole]] == count[whole]) & (
        np.diff(minus.offsets)[b[whole]] == count[whole]
    )
    whole = whole[same]
    at = ragged(plan.runs.offsets[whole], count[whole])
    ahead = plus.xy[ragged(plus.offsets[a[whole]], count[whole])]
    velocity[at] = (ahead - minus.xy[ragged(minus.offsets[b[whole]], count[whole])]) / (2 * step)
    return velocity


__all__ = [
    "LineGradient",
    "carried_rows",
    "direction_matrix",
    "leg_lengths",
    "legs_after",
    "line_gradient",
    "matched_legs",
    "snapped",
]
