"""Points against laying lines: which run, which station, how far off.  Numbers only.

A point belongs to the nearest laying line within a limit.  Its offset is the distance to that line,
positive to the left of the walk, which is towards the bed, negative away from it.  Beyond the free
end of an open run the distance along the line is kept apart, so that an end cut long is not taken
for edging off its line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from siteplan.model import Runs
from siteplan.planar import edges, part_of
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Where points lie against the runs.  p points."""

    run: IntArray
    """(p,) -1 where no line is within the limit"""
    leg: IntArray
    """(p,) -1 likewise"""
    along_m: FloatArray
    """(p,) along the vertices of the leg to the foot of the point; NaN where not matched"""
    offset_m: FloatArray
    """(p,) signed, left (towards the bed) positive; NaN where not matched"""
    beyond_m: FloatArray
    """(p,) how far beyond an open end it lies, along the line; 0 elsewhere"""
    foot: XYArray
    """(p, 2) nearest place on the line"""
    left: XYArray
    """(p, 2, 2) unit directions to the left of the edge that arrives at the foot and of the one that
    leaves it: the same direction twice, but for a foot at a vertex"""
    nearest_run: IntArray
    """(p,) nearest run whatever its distance; -1 without runs"""
    nearest_m: FloatArray
    """(p,) its distance"""
    other_run: IntArray
    """(p,) second nearest run within the limit; -1 where there is none"""
    other_m: FloatArray


def match_points(xy: XYArray, runs: Runs, within_m: float, allowed: BoolArray | None = None) -> Matched:
    """The nearest laying line of each point.

    Parameters
    ----------
    xy : (p, 2) ground metres
    runs : the runs
    within_m : the limit, inclusive
    allowed : (p, r) runs each point may be of; None: all

    Returns
    -------
    Matched; of two runs equally near the first.
    """
    count = len(xy)
    first, length, start, vector, run_of, at = _edges(runs)
    none = np.full(count, np.nan)
    made = Matched(
        run=np.full(count, -1, dtype=np.int64), leg=np.full(count, -1, dtype=np.int64),
        along_m=none.copy(), offset_m=none.copy(), beyond_m=np.zeros(count), foot=np.full((count, 2), np.nan),
        left=np.full((count, 2, 2), np.nan), nearest_run=np.full(count, -1, dtype=np.int64),
        nearest_m=np.full(count, np.inf), other_run=np.full(count, -1, dtype=np.int64),
        other_m=np.full(count, np.inf),
    )  # fmt: skip
    if not count or not len(first):
        return made
    lines = np.asarray(shapely.linestrings(np.stack([start, start + vector], axis=1)), dtype=object)
    tree = shapely.STRtree(lines)
    points = np.asarray(shapely.points(xy), dtype=object)
    p, e = tree.query(points, predicate="dwithin", distance=within_m)
    if allowed is not None:
        keep = allowed[p, run_of[e]]
        p, e = p[keep], e[keep]
    far = np.flatnonzero(~np.isin(np.arange(count), p))
    if len(far):
        (of, edge), away = tree.query_nearest(points[far], return_distance=True, all_matches=False)
        made.nearest_run[far[of]], made.nearest_m[far[of]] = run_of[edge], away
    off = xy[p] - start[e]
    share = np.clip((off * vector[e]).sum(axis=1) / np.maximum(length[e], 1e-12) ** 2, 0.0, 1.0)
    foot = start[e] + vector[e] * share[:, None]
    away_m = np.hypot(*(xy[p] - foot).T)
    order = np.lexsort([e, run_of[e], np.round(away_m, 9), p])
    p, e, share, foot, away_m = p[order], e[order], share[order], foot[order], away_m[order]
    best = np.flatnonzero(np.append(True, p[1:] != p[:-1])) if len(p) else np.empty(0, dtype=np.int64)
    at_p, edge = p[best], e[best]
    made.run[at_p], made.leg[at_p] = run_of[edge], part_of(runs.offsets)[first[edge]]
    made.along_m[at_p] = at[first[edge]] + share[best] * length[edge]
    made.foot[at_p] = foot[best]
    made.nearest_run[at_p], made.nearest_m[at_p] = run_of[edge], away_m[best]
    _offsets(made, xy, runs, at_p, edge, share[best], away_m[best], vector / length[:, None], run_of)
    # the second nearest run of a point is the first pair that is of another run
    other = run_of[e] != made.run[p]
    p, e, away_m = p[other], e[other], away_m[other]
    second = np.flatnonzero(np.append(True, p[1:] != p[:-1])) if len(p) else np.empty(0, dtype=np.int64)
    made.other_run[p[second]], made.other_m[p[second]] = run_of[e[second]], away_m[second]
    return made


_Edges = tuple[IntArray, FloatArray, XYArray, XYArray, IntArray, FloatArray]


def _edges(runs: Runs) -> _Edges:
    """Edges with a length: first vertex, length, start, vector, run; and the station of every vertex."""
    line = edges(runs.xy, runs.offsets, np.zeros(len(runs.leg_id), dtype=np.bool_))
    first = np.flatnonzero(line.length > 0)
    run = runs.leg_run[part_of(runs.offsets)[first]] if len(first) else np.empty(0, dtype=np.int64)
    return first, line.length[first], runs.xy[first], line.vector[first], run, line.station


def _offsets(
    made: Matched,
    xy: XYArray,
    runs: Runs,
    at_p: IntArray,
    edge: IntArray,
    share: FloatArray,
    away_m: FloatArray,
    along: XYArray,
    run_of: IntArray,
) -> None:
    """Signed offsets; at a vertex the side is that of both its edges together."""
    run = made.run[at_p]
    go = along[edge]
    count = len(along)
    low, high = np.searchsorted(run_of, run, "left"), np.searchsorted(run_of, run, "right") - 1
    ring = runs.closed[run]
    before = np.where(edge == low, np.where(ring, high, edge), edge - 1) % count
    after = np.where(edge == high, np.where(ring, low, edge), edge + 1) % count
    at_start, at_end = share <= 0.0, share >= 1.0
    arrives = np.where(at_start[:, None], along[before], go)
    leaves = np.where(at_end[:, None], along[after], go)
    both = arrives + leaves
    size = np.hypot(both[:, 0], both[:, 1])
    tangent = np.where((size > 1e-9)[:, None], both / np.maximum(size, 1e-9)[:, None], go)
    off = xy[at_p] - made.foot[at_p]
    side = tangent[:, 0] * off[:, 1] - tangent[:, 1] * off[:, 0]
    made.offset_m[at_p] = np.where(side >= 0, away_m, -away_m)
    made.left[at_p] = np.stack([[-d[:, 1], d[:, 0]] for d in (arrives, leaves)]).transpose(2, 0, 1)
    # beyond an open end the foot is the end itself: what is along the line is not off it
    end = ~ring & ((at_start & (edge == low)) | (at_end & (edge == high)))
    along_m = (go * off).sum(axis=1)
    made.beyond_m[at_p] = np.where(end, np.abs(along_m), 0.0)
    cross = go[:, 0] * off[:, 1] - go[:, 1] * off[:, 0]
    made.offset_m[at_p] = np.where(end, cross, made.offset_m[at_p])


@dataclass(frozen=True, slots=True)
class Shift:
    """How a run lies as a whole against its line, by least squares of its offsets."""

    east_m: float
    """NaN where the points do not tell: a straight run shows nothing of what is along it"""
    north_m: float
    towards_bed_m: float
    """the same distance everywhere towards the bed; NaN where it cannot be told from a shift"""
    rest_m: float
    """root mean square of what is left"""
    sigma_m: float
    """standard deviation of the shift (of the distance where there is no shift), from that of the points"""
    bed_sigma_m: float
    """standard deviation of ``towards_bed_m``; NaN where that is not told"""

    @property
    def moved_m(self) -> float:
        """Length of the shift, NaN where there is none."""
        return float(np.hypot(self.east_m, self.north_m))

    @property
    def bearing_deg(self) -> float:
        """Grid bearing of the shift."""
        return float(np.degrees(np.arctan2(self.east_m, self.north_m)) % 360.0)


LEAST_POINTS = 3
CONDITION = 0.15
"""least singular value of the unit design over the root of the number of points"""


def fit_points(xy: XYArray, found: Matched, rows: IntArray, sigma_m: float) -> Shift | None:
    """Shift of a run that explains best how some points lie against it.

    Parameters
    ----------
    xy : (p, 2) the points
    found : where they lie against the runs
    rows : those of one run
    sigma_m : standard deviation of a point, each way

    Returns
    -------
    As :func:`fit_shift` has it; None with fewer than three points.

    Notes
    -----
    A point whose foot is a vertex lies off both edges that meet there, each by its own amount: the
    corner of a bed moved 40 mm east is 40 mm off its east side and none off its north side.  So it gives
    two rows, of the weight ``1 / sqrt(1 + |c|)`` each, c the cosine between the edges.  Then it tells no
    more in any direction than a point does: two whole rows at a right angle, one row together where the
    edges run on into each other.
    """
    if len(rows) < LEAST_POINTS:
        return None
    left = found.left[rows]
    off_m = np.einsum("pek,pk->pe", left, xy[rows] - found.foot[rows])
    cosine = np.abs((left[:, 0] * left[:, 1]).sum(axis=1))
    weight = np.repeat(1 / np.sqrt(1 + cosine), 2)
    return fit_shift(left.reshape(-1, 2), off_m.ravel(), sigma_m, weight)


def fit_shift(
    left: XYArray, offset_m: FloatArray, sigma_m: float, weight: FloatArray | None = None
) -> Shift | None:
    """Shift of a run that explains its offsets best.

    Parameters
    ----------
    left : (n, 2) unit directions to the left of the line at the points
    offset_m : (n,) signed offsets
    sigma_m : standard deviation of an offset of weight 1
    weight : (n,) what each row is multiplied by; 1 by default

    Returns
    -------
    A shift east and north together with a distance towards the bed where the directions tell all
    three; else the shift alone where they tell two; else the distance alone (a straight run).  None
    with fewer than three offsets, weights squared.

    Notes
    -----
    A small shift t moves a point of the line by ``n . t`` square to it (n to the left); a line laid
    closer to the bed by b adds b everywhere.  The design has rows (n_east, n_north, 1).
    """
    weight = np.ones(len(offset_m)) if weight is None else weight
    total = float((weight**2).sum())
    # whole offsets only: what is over of two nearly parallel rows is no further observation
    count = int(total + 1e-9)
    if count < LEAST_POINTS:
        return None
    nan = float("nan")
    full = np.column_stack([left, np.ones(len(left))]) * weight[:, None]
    for columns in ([0, 1, 2], [0, 1], [2]):
        design = full[:, columns]
        least = np.linalg.svd(design, compute_uv=False)[-1] / np.sqrt(total)
        if len(columns) > 1 and (least < CONDITION or count <= len(columns)):
            continue
        found, *_ = np.linalg.lstsq(design, offset_m * weight, rcond=None)
        rest = float(np.sqrt(((offset_m * weight - design @ found) ** 2).sum() / total))
        variance = dict(zip(columns, (np.linalg.inv(design.T @ design).diagonal() * sigma_m**2).tolist(),
                            strict=True))  # fmt: skip
        value = dict(zip(columns, found.tolist(), strict=True))
        bed_sigma = float(np.sqrt(variance.get(2, nan)))
        sigma = float(np.sqrt(variance[0] + variance[1])) if 0 in columns else bed_sigma
        return Shift(value.get(0, nan), value.get(1, nan), value.get(2, nan), rest, sigma, bed_sigma)
    return None
