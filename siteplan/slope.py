"""Heights along runs: smoothing, slope lengths, grades, and steps.  Numbers only.

Every run is sampled evenly along its plan line; whoever calls reads a height at each
sample (:mod:`siteplan.heights`).  Heights are smoothed along the run before anything is
measured, because noise makes a line longer and never shorter: independent noise of
standard deviation s at spacing d lengthens level ground by the fraction (s/d)^2, to first
order (docs/heights.md shows what is left of that after smoothing).

The smoother.  The height at a place is read off a plane fitted to the samples up to the
stated reach along the run on either side, near ones counting more (tricube weights).  A
plane and not a line, so that a slope is carried round a corner unchanged (within half a
millimetre of a leg's length on ground of 60 %); across the run it may tilt only where the
samples spread that way.  The fit starts as least absolute
residuals and is finished by least squares without the samples that lie far off
(bisquare), so that a step in the ground shorter than half the reach, such as cells that
stand on a wall, is passed over.  At an open end the window keeps its width and lies inward.  A
closed run is periodic.

Sources
-------
Local regression with tricube weights and bisquare reweighting: W. S. Cleveland, Robust
locally weighted regression and smoothing scatterplots, Journal of the American Statistical
Association 74 (1979) 829-836.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from siteplan.model import Pieces, Runs
from siteplan.planar import offsets_of, ragged, sums
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

SPACING_M: Final = 0.5
"""samples along a run are never farther apart"""
LEAST_SPACING_M: Final = 0.1
"""nor closer: finer cells say nothing more about the ground"""
GRADE_OVER_M: Final = 1.0
"""a grade is the rise over this length of run, or over a shorter run"""
_ACROSS_M: Final = 0.03
"""the plane tilts across the run where the samples spread this far that way (one standard
deviation): more than the jitter of a traced line, so that the jitter is not taken for breadth"""
_LAD_ROUNDS: Final = 16
_TIGHT_M: Final = 0.001
"""residuals below this count alike"""
_FAR: Final = 6.0
"""samples farther off than this many median residuals have no say (Cleveland 1979)"""
_BLOCK: Final = 400_000
"""window cells worked on at once, to bound the memory"""


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Even samples of every run.  r runs, s samples."""

    offsets: OffsetArray
    """(r + 1,)"""
    step_m: FloatArray
    """(r,) plan length between two samples"""
    closed: BoolArray
    """(r,)"""
    xy: XYArray
    """(s, 2)"""


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """The vertices of every leg and even points between them.  l legs, p points."""

    offsets: OffsetArray
    """(l + 1,) both ends of each leg included"""
    run: IntArray
    """(p,)"""
    at_m: FloatArray
    """(p,) plan length from the start of the leg"""
    station_m: FloatArray
    """(p,) plan length from the start of the run"""
    xy: XYArray
    """(p, 2)"""


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """The ground along every leg.  l legs, r runs, p points."""

    points: Points
    height_m: FloatArray
    """(p,) smoothed"""
    along_m: FloatArray
    """(p,) length on the slope from the start of the leg"""
    slope_m: FloatArray
    """(l,) slope length of each leg"""
    steepest: FloatArray
    """(r,) greatest rise over run, without sign, over :data:`GRADE_OVER_M`"""
    steepest_xy: XYArray
    """(r, 2) the middle of that stretch"""


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Steps between level pieces.  k steps, in walking order."""

    run: IntArray
    leg: IntArray
    """(k,) leg of the piece after the step"""
    before: IntArray
    """(k,) the piece walked off"""
    after: IntArray
    """(k,) the piece stepped on to"""
    station_m: FloatArray
    """(k,) plan length from the start of the run"""
    rise_m: FloatArray
    """(k,) up is positive"""
    too_high: BoolArray
    """(k,) higher than allowed: the ground under one piece alone rises more than that"""
    xy: XYArray
    """(k, 2)"""
    greatest_m: float
    """greatest step allowed; of several lines' pieces, that of the highest"""
    limit_m: FloatArray
    """(k,) greatest step allowed there"""

    def __len__(self) -> int:
        return len(self.run)


# ---------------------------------------------------------------- along the plan


def _edges(runs: Runs) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Per vertex: length of the edge after it (0 at a leg's end), and its place in leg and run.

    Lengths are scaled so that each leg has its own ground length exactly.
    """
    leg = np.repeat(np.arange(len(runs.leg_id)), np.diff(runs.offsets))
    edge = np.zeros(len(runs.xy))
    edge[:-1] = np.hypot(*np.diff(runs.xy, axis=0).T)
    edge[runs.offsets[1:] - 1] = 0.0
    chord = sums(edge, runs.offsets)
    edge *= np.divide(runs.length_m, chord, out=np.ones(len(chord)), where=chord > 0)[leg]
    walked = np.concatenate([[0.0], np.cumsum(edge)])
    at = walked[:-1] - walked[runs.offsets[:-1]][leg]
    return edge, at, walked[:-1] - walked[runs.offsets[runs.leg_offsets[:-1]]][runs.leg_run[leg]]


def leg_points(runs: Runs, spacing_m: float) -> Points:
    """Every vertex of every leg, and points between them no farther apart than ``spacing_m``."""
    edge, at, station = _edges(runs)
    parts = np.maximum(np.ceil(edge / spacing_m - 1e-9), 1).astype(np.int64)
    vertex = np.repeat(np.arange(len(edge)), parts)
    share = (ragged(np.zeros(len(parts), np.int64), parts) / parts[vertex])[:, None]
    follow = np.minimum(vertex + 1, len(edge) - 1)
    leg = np.repeat(np.arange(len(runs.leg_id)), np.diff(runs.offsets))
    xy = np.where(share > 0, runs.xy[vertex] * (1 - share) + runs.xy[follow] * share, runs.xy[vertex])
    return Points(
        offsets=offsets_of(sums(parts.astype(np.float64), runs.offsets).astype(np.int64)),
        run=runs.leg_run[leg][vertex],
        at_m=at[vertex] + share[:, 0] * edge[vertex],
        station_m=station[vertex] + share[:, 0] * edge[vertex],
        xy=xy,
    )


def samples(runs: Runs, spacing_m: float) -> Samples:
    """Even samples along every run, no farther apart than ``spacing_m``.

    An open run has a sample at both ends, a closed run (at least eight samples) does not
    repeat its first.
    """
    edge, _, station = _edges(runs)
    first = runs.offsets[runs.leg_offsets[:-1]]
    last = runs.offsets[runs.leg_offsets[1:]] - 1
    length = station[last] + edge[last]
    parts = np.ceil(length / spacing_m - 1e-9).astype(np.int64)
    parts = np.maximum(parts, np.where(runs.closed, 8, 1))
    count = parts + ~runs.closed
    run = np.repeat(np.arange(len(first)), count)
    step = length / parts
    at = ragged(np.zeros(len(count), np.int64), count) * step[run]
    shift = np.concatenate([[0.0], np.cumsum(length + 1.0)])[:-1]
    key = station + np.repeat(shift, last + 1 - first)
    vertex = np.searchsorted(key, at + shift[run] + 1e-12, side="right") - 1
    vertex = np.clip(vertex, first[run], np.maximum(last[run] - 1, first[run]))
    share = np.divide(at - station[vertex], edge[vertex], out=np.zeros(len(at)), where=edge[vertex] > 0)
    share = np.clip(share, 0.0, 1.0)[:, None]
    return Samples(
        offsets_of(count), step, runs.closed, runs.xy[vertex] * (1 - share) + runs.xy[vertex + 1] * share
    )


# ---------------------------------------------------------------- smoothing


def smooth(given: Samples, height_m: FloatArray, points: Points, reach_m: float) -> FloatArray:
    """Smoothed heights at points of the legs.

    Parameters
    ----------
    given : even samples
    height_m : (s,) their heights, all finite
    points : where heights are wanted
    reach_m : distance along the run, to either side, over which heights are smoothed

    Returns
    -------
    (p,) heights.
    """
    count = np.diff(given.offsets)
    half = np.ceil(reach_m / given.step_m - 1e-9).astype(np.int64)
    half = np.where(given.closed, np.minimum(half, (count - 1) // 2), half)
    width = np.minimum(2 * half + 1, count)
    nodes, key, node_key = _nodes(points, given.step_m)
    out = np.empty(len(nodes.at_m))
    # runs of like windows together, so that short runs do not pay for long windows
    order = np.argsort(width[nodes.run], kind="stable")
    start = 0
    while start < len(order):
        rows = order[start : start + max(_BLOCK // int(width[nodes.run[order[start]]]), 1)]
        rows = rows[: max(_BLOCK // int(width[nodes.run[rows[-1]]]), 1)]
        out[rows] = _smooth_rows(given, height_m, nodes, half, width, rows)
        start += len(rows)
    return np.asarray(np.interp(key, node_key, out), dtype=np.float64)


def _nodes(points: Points, step_m: FloatArray) -> tuple[Points, FloatArray, FloatArray]:
    """Even places along each leg, ends included, about as far apart as the samples.

    Heights are smoothed there and straight in between, however densely a leg was traced:
    the smoothed heights of two near places differ by a little noise too, and would lengthen.

    Returns
    -------
    the places, and search keys of the points and of the places
    """
    first, last = points.offsets[:-1], points.offsets[1:] - 1
    length, run = points.at_m[last], points.run[first]
    parts = np.maximum(np.rint(length / step_m[run]), 1).astype(np.int64)
    leg = np.repeat(np.arange(len(first)), parts + 1)
    at = ragged(np.zeros(len(parts), np.int64), parts + 1) / parts[leg] * length[leg]
    shift = np.concatenate([[0.0], np.cumsum(length + 1.0)])[:-1]
    key = points.at_m + np.repeat(shift, np.diff(points.offsets))
    node_key = at + shift[leg]
    xy = np.column_stack([np.interp(node_key, key, points.xy[:, k]) for k in (0, 1)])
    return (
        Points(offsets_of(parts + 1), run[leg], at, points.station_m[first][leg] + at, xy),
        key,
        node_key,
    )


def _smooth_rows(
    given: Samples, height_m: FloatArray, points: Points, half: IntArray, width: IntArray, rows: IntArray
) -> FloatArray:
    """Smoothed heights of some points: one window of samples in each row."""
    run = points.run[rows]
    count, step, closed = np.diff(given.offsets)[run], given.step_m[run], given.closed[run]
    middle = np.rint(points.station_m[rows] / step).astype(np.int64)
    begin = middle - half[run]
    begin = np.where(closed, begin, np.clip(begin, 0, count - width[run]))
    column = np.arange(int(width[run].max()))
    place = begin[:, None] + column
    inside = column < width[run][:, None]
    sample = given.offsets[:-1][run][:, None] + np.where(inside, place % count[:, None], 0)
    away = np.abs(place * step[:, None] - points.station_m[rows][:, None])
    # samples come in and go out of the window without weight, so that heights do not jump
    farthest = np.where(inside, away, 0.0).max(axis=1) * (1 + 1e-9)
    reach = np.maximum(farthest, (half[run] + 0.5) * step)
    weight = np.where(inside, (1 - np.minimum(away / reach[:, None], 1) ** 3) ** 3, 0.0)
    across = given.xy[sample] - points.xy[rows][:, None, :]
    return _robust_plane(across[:, :, 0], across[:, :, 1], height_m[sample], weight)


def _robust_plane(x: FloatArray, y: FloatArray, z: FloatArray, weight: FloatArray) -> FloatArray:
    """(n,) height at (0, 0) of a plane fitted to each row of (n, k) samples."""
    # all samples count alike at first: what stands under the place itself must not outvote the rest
    even = (weight > 0).astype(np.float64)
    _, off = _plane(x, y, z, even)
    for _ in range(_LAD_ROUNDS):
        _, off = _plane(x, y, z, even / np.maximum(np.abs(off), _TIGHT_M))
    off = np.abs(off)
    usual = np.maximum(_row_medians(off, weight > 0), _TIGHT_M)[:, None]
    say = np.maximum(1 - (off / (_FAR * usual)) ** 2, 0.0) ** 2
    return _plane(x, y, z, weight * say)[0]


def _row_medians(values: FloatArray, valid: BoolArray) -> FloatArray:
    """Lower median of the valid values of each row."""
    ordered = np.sort(np.where(valid, values, np.inf), axis=1)
    middle = (np.count_nonzero(valid, axis=1) - 1) // 2
    return np.asarray(ordered[np.arange(len(values)), middle], dtype=np.float64)


def _plane(x: FloatArray, y: FloatArray, z: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares plane of each row: its height at (0, 0), and (n, k) residuals."""
    share = weight / weight.sum(axis=1, keepdims=True)
    mx, my, mz = (np.einsum("ij,ij->i", share, v) for v in (x, y, z))
    dx, dy, dz = x - mx[:, None], y - my[:, None], z - mz[:, None]
    xx, yy, xy, xz, yz = (
        np.einsum("ij,ij,ij->i", share, a, b) for a, b in ((dx, dx), (dy, dy), (dx, dy), (dx, dz), (dy, dz))
    )
    # main axes of the samples' spread: along the run, and across it
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    cos, sin = np.cos(angle), np.sin(angle)
    mean, apart = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    along, across = mean + apart, mean - apart
    lean = np.divide(xz * cos + yz * sin, along, out=np.zeros(len(along)), where=along > 1e-12)
    tilt = np.divide(
        yz * cos - xz * sin, across, out=np.zeros(len(across)), where=across > _ACROSS_M * _ACROSS_M
    )
    gx, gy = lean * cos - tilt * sin, lean * sin + tilt * cos
    return mz - gx * mx - gy * my, dz - gx[:, None] * dx - gy[:, None] * dy


# ---------------------------------------------------------------- measuring


def profile(runs: Runs, points: Points, height_m: FloatArray) -> Profile:
    """Slope lengths and grades of legs whose points have heights.

    Parameters
    ----------
    runs : the runs the points were made from
    points : with :func:`leg_points`
    height_m : (p,) heights, smoothed or as they are

    Returns
    -------
    Profile.  Between two points the ground is straight.
    """
    rise = np.zeros(len(height_m))
    rise[:-1] = np.diff(height_m)
    ahead = np.zeros(len(height_m))
    ahead[:-1] = np.diff(points.at_m)
    ends = points.offsets[1:] - 1
    rise[ends], ahead[ends] = 0.0, 0.0
    part = np.hypot(ahead, rise)
    walked = np.concatenate([[0.0], np.cumsum(part)])
    leg = np.repeat(np.arange(len(points.offsets) - 1), np.diff(points.offsets))
    steepest, place = _steepest(runs, points, height_m)
    return Profile(
        points=points,
        height_m=height_m,
        along_m=walked[:-1] - walked[points.offsets[:-1]][leg],
        slope_m=sums(part, points.offsets),
        steepest=steepest,
        steepest_xy=place,
    )


def _steepest(runs: Runs, points: Points, height_m: FloatArray) -> tuple[FloatArray, XYArray]:
    """(r,) steepest grade of each run over a metre, and (r, 2) its place."""
    n = len(runs.run_id)
    length = points.station_m[points.offsets[runs.leg_offsets[1:]] - 1]
    shift = np.concatenate([[0.0], np.cumsum(length + 10.0)])[:-1]
    key = points.station_m + shift[points.run]
    # a corner stands twice in the points, at one station and of one height
    whole = length[points.run]
    back = np.maximum(np.minimum(points.station_m, whole - GRADE_OVER_M), 0.0)
    front = np.minimum(back + GRADE_OVER_M, whole)
    rise = np.interp(front + shift[points.run], key, height_m) - np.interp(
        back + shift[points.run], key, height_m
    )
    grade = np.abs(np.divide(rise, front - back, out=np.zeros(len(rise)), where=front > back))
    order = np.lexsort((-grade, points.run))
    first = order[np.searchsorted(points.run[order], np.arange(n))]
    middle = (back[first] + front[first]) / 2 + shift[np.arange(n)]
    place = np.column_stack([np.interp(middle, key, points.xy[:, k]) for k in (0, 1)])
    return grade[first], place


def sloped(runs: Runs, ground: Profile) -> Runs:
    """Runs as they are laid on the slope: leg lengths are slope lengths.

    The vertices stay where they are in plan; ``walked_m`` says how far along the slope each
    one is, so that stations map to plan places one to one.
    """
    return replace(
        runs,
        xy=ground.points.xy,
        offsets=ground.points.offsets,
        length_m=ground.slope_m,
        walked_m=ground.along_m,
    )


def noise_lengthening(sigma_m: float, spacing_m: float) -> float:
    """Fraction by which independent noise in heights lengthens level ground.

    Notes
    -----
    E[sqrt(1 + q^2)] - 1 for q normal with variance 2 (sigma/spacing)^2, by quadrature; to
    first order (sigma/spacing)^2.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    q = nodes * np.sqrt(2.0) * sigma_m / spacing_m
    return float((weights * np.sqrt(1 + q * q)).sum() / weights.sum() - 1.0)


# ---------------------------------------------------------------- steps


def steps(runs: Runs, pieces: Pieces, ground: Profile, greatest_m: float | FloatArray) -> Steps:
    """Where level pieces step to follow the ground, with as few steps as may be.

    Parameters
    ----------
    runs, pieces : laid by plan lengths
    ground : heights along the runs
    greatest_m : greatest step allowed, more than 0, of all runs or (r,) of each

    Returns
    -------
    Steps.  Pieces in a row share a level while the ground under all of them stays within
    ``greatest_m``, and lie half-way between its highest and lowest; so no step is higher
    than that, but where the ground under one single piece rises more (``too_high``).
    """
    rows: list[tuple[int, int, int, float, float]] = []
    of_run = np.searchsorted(pieces.run, np.arange(len(runs.run_id) + 1))
    points = ground.points
    begin = points.offsets[runs.leg_offsets]
    limit_m = np.broadcast_to(np.asarray(greatest_m, dtype=np.float64), len(runs.run_id))
    for run in range(len(runs.run_id)):
        first, last = int(of_run[run]), int(of_run[run + 1])
        if last - first < 2:
            continue
        own = slice(int(begin[run]), int(begin[run + 1]))
        joint, low, high = _under_pieces(
            pieces.from_um[first:last] / 1e6,
            pieces.to_um[first:last] / 1e6,
            points.station_m[own],
            ground.height_m[own],
            closed=bool(runs.closed[run]),
        )
        cuts = _fewest(low, high, float(limit_m[run]), closed=bool(runs.closed[run]))
        level = [_level(low, high, a, b) for a, b in cuts]
        for k, (a, _) in enumerate(cuts):
            if k == 0 and (not runs.closed[run] or len(cuts) < 2):
                continue
            at = a % (last - first)
            before = first + (at - 1) % (last - first)
            rows.append((run, first + at, before, float(joint[at]), level[k] - level[k - 1]))
    rows = sorted((r for r in rows if abs(r[4]) > 5e-4), key=lambda r: (r[0], r[3]))
    of, onto, off = (np.array([r[k] for r in rows], dtype=np.int64) for k in (0, 1, 2))
    station, rise = (np.array([r[k] for r in rows], dtype=np.float64) for k in (3, 4))
    return Steps(
        run=of,
        leg=pieces.leg[onto],
        before=off,
        after=onto,
        station_m=station,
        rise_m=rise,
        too_high=np.abs(rise) > limit_m[of] + 1e-9,
        xy=_places(runs, points, of, station),
        greatest_m=float(np.max(greatest_m, initial=0.0)),
        limit_m=limit_m[of],
    )


def _under_pieces(
    from_m: FloatArray, to_m: FloatArray, station_m: FloatArray, height_m: FloatArray, *, closed: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Station of the joint before each piece of a run, and the lowest and highest ground under it.

    A piece reaches to the middle of the joints at its ends.
    """
    length = float(station_m[-1])
    if closed:
        turns = np.array([-length, 0.0, length])
        station_m = (station_m[:-1] + turns[:, None]).ravel()
        height_m = np.tile(height_m[:-1], 3)
    inner = (to_m[:-1] + from_m[1:]) / 2
    if closed:
        seam = (to_m[-1] - length + from_m[0]) / 2
        marks = np.concatenate([[seam], inner, [seam + length]])
    else:
        marks = np.concatenate([from_m[:1], inner, to_m[-1:]])
    every = np.sort(np.concatenate([station_m, marks]))
    height = np.interp(every, station_m, height_m)
    begin = np.searchsorted(every, marks[:-1], side="left")
    end = np.searchsorted(every, marks[1:], side="right")
    spans = np.column_stack([begin, end]).ravel()
    height = np.append(height, height[-1])
    low = np.minimum.reduceat(height, spans)[::2]
    high = np.maximum.reduceat(height, spans)[::2]
    joint = np.mod(marks[:-1], length) if closed else marks[:-1]
    return joint, low, high


def _level(low: FloatArray, high: FloatArray, a: int, b: int) -> float:
    """Level of pieces a to b (b not included), counted round a closed run."""
    which = np.arange(a, b) % len(low)
    return float(low[which].min() + high[which].max()) / 2


def _fewest(low: FloatArray, high: FloatArray, greatest_m: float, *, closed: bool) -> list[tuple[int, int]]:
    """Fewest groups of neighbours whose ground stays within ``greatest_m``, as (first, end).

    From a given start, taking as many as fit is best.  Round a closed run every start up to
    the end of the first group is tried: one of the cuts must lie there.
    """
    n = len(low)
    if high.max() - low.min() <= greatest_m:
        return [(0, n)]
    lows, highs = low.tolist(), high.tolist()

    def from_start(start: int) -> list[tuple[int, int]]:
        groups, a = [], start
        while a < start + n:
            least, most, b = lows[a % n], highs[a % n], a + 1
            while b < start + n:
                least, most = min(least, lows[b % n]), max(most, highs[b % n])
                if most - least > greatest_m + 1e-12:
                    break
                b += 1
            groups.append((a, b))
            a = b
        return groups

    best = from_start(0)
    if closed:
        for start in range(1, best[0][1] + 1):
            other = from_start(start)
            best = other if len(other) < len(best) else best
    return best


def _places(runs: Runs, points: Points, run: IntArray, station_m: FloatArray) -> XYArray:
    """Plan places of stations."""
    length = points.station_m[points.offsets[runs.leg_offsets[1:]] - 1]
    shift = np.concatenate([[0.0], np.cumsum(length + 10.0)])[:-1]
    key = points.station_m + shift[points.run]
    return np.column_stack([np.interp(station_m + shift[run], key, points.xy[:, k]) for k in (0, 1)])
