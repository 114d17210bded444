"""Tapes beside the map: lengths, differences, and how sure each of them is.

The map's lengths are uncertain because its vertices are.  A length is a function of the
vertices it runs through, so their standard deviation becomes the covariance of all map
lengths by the gradient: two readings that share a vertex share its error.  The readings add
their own a + b x length, and every reading with one tape shares that tape's scale.

Sources
-------
Propagation of variance, C = G S G': any text on least squares, such as Ghilani, Adjustment
Computations, ch. 6.  Expected length between two vertices with normal errors: the mean of the
distribution of S. O. Rice (1944), here to its second moment, sigma^2 / s.  An arc of radius r
over its chord s: s^3 / 24 r^2.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.errors import Finding
from siteplan.geodesy import part_sums, web_mercator_factors
from siteplan.layers import run_lines
from siteplan.model import NodeKind, RingKind
from siteplan.planar import cross_dot, edges, mitre_offset, offsets_of, part_of
from siteplan.plans import RunPlan
from siteplan.reconcile.control import picture_groups
from siteplan.reconcile.reader import Target
from siteplan.reconcile.tapes import Tapes, reading_sigma
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray
from siteplan.uncertainty import components
from siteplan.uncertainty.lengths import length_slopes
from siteplan.units import um_to_m

SAME_PLACE_M: Final = 1e-3
"""vertices closer than this are one vertex: the corner two legs share, the ends of a ring"""
AT_VERTEX_M: Final = 0.5
"""a named point this close to a vertex of an outline moves with it when the outline is offset"""


@dataclass(frozen=True, slots=True, eq=False)
class Patterns:
    """What each reading (n) would differ by, were one thing wrong with the map."""

    face: FloatArray
    """(n,) metres longer for each metre the edging lies further out than traced; 8 for a rectangle"""
    chords_m: FloatArray
    """(n,) arcs over their chords"""
    noise_m: FloatArray
    """(n,) by which unsteady tracing is expected to lengthen the map"""
    web_m: FloatArray
    """(n,) map less true, were the map's metres those of EPSG:3857 (about a third too long at 40 degrees)"""
    web_back_m: FloatArray
    """(n,) the same, were they divided by it where there was nothing to divide"""
    slope_m: FloatArray
    """(n,) length along the ground less level length; NaN without heights"""


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """n readings beside the map."""

    map_m: FloatArray
    """(n,) ground (plan) length; the slope length where the reading is one and heights are known"""
    taped_m: FloatArray
    """(n,) corrected"""
    difference_m: FloatArray
    """(n,) tape less map"""
    sigma_tape_m: FloatArray
    sigma_map_m: FloatArray
    sigma_m: FloatArray
    """(n,) of the difference"""
    in_sigmas: FloatArray
    covariance_m2: FloatArray
    """(n, n) of the differences, were nothing wrong"""
    legs: sparse.csr_array
    """(n, l) how often each leg is in a reading; a distance has none"""
    leg_map_m: FloatArray
    """(l,) map length of every leg of the plan"""
    tape_map_m: FloatArray
    """(n, t) the map length in the column of the tape it was taped with, else 0"""
    patterns: Patterns
    leg_patterns: Mapping[str, FloatArray]
    """(l,) for every leg of the plan: ``face``, ``chords``, ``noise``, ``web``, ``back``, ``slope``"""
    on_slope: BoolArray
    """(n,) compared along the slope"""
    vertex_sigma_m: FloatArray
    """(b,) standard deviation of a traced vertex of each bed, each way"""
    sigma_from: str
    """where it comes from, in words"""
    lines: tuple[XYArray, ...]
    """(n) the line of each reading on the map"""
    findings: tuple[Finding, ...]

    def __len__(self) -> int:
        return len(self.map_m)


# ---------------------------------------------------------------- how sure the map is


def vertex_sigma(site: Site) -> tuple[FloatArray, str]:
    """Standard deviation of a traced vertex of each bed, each way, and where it comes from."""
    sigma, _, said = components.vertex_sigma(site, "reconcile")
    return sigma, said


# ---------------------------------------------------------------- lengths and gradients


@dataclass(frozen=True, slots=True, eq=False)
class _Vertices:
    """Vertices of the legs and named points, each place once.  v vertices."""

    of_leg: IntArray
    """(w,) vertex of each row of ``runs.xy``"""
    of_point: IntArray
    """(p,)"""
    sigma_m: FloatArray
    """(v,)"""


def _vertices(plan: RunPlan, tapes: Tapes, sigma_m: FloatArray) -> _Vertices:
    runs = plan.runs
    xy = np.concatenate([runs.xy, tapes.point_xy])
    found = np.unique(np.round(xy / SAME_PLACE_M).astype(np.int64), axis=0, return_inverse=True)[1]
    vertex: IntArray = np.asarray(found, dtype=np.int64).ravel()
    # a surveyed mark lies on the ground, and is none of the map's points even where it lies on one
    mark = np.flatnonzero(~np.isnan(tapes.point_sigma_m))
    vertex[len(runs.xy) + mark] = vertex.max(initial=-1) + 1 + np.arange(len(mark))
    count = int(vertex.max()) + 1 if len(vertex) else 0
    usual = float(np.median(sigma_m)) if len(sigma_m) else 0.0
    sigma = np.full(count, usual)
    bed = runs.bed[runs.leg_run][part_of(runs.offsets)]
    sigma[vertex[: len(bed)]] = sigma_m[bed]
    sigma[vertex[len(runs.xy) + mark]] = tapes.point_sigma_m[mark]
    return _Vertices(vertex[: len(runs.xy)], vertex[len(runs.xy) :], sigma)


def _leg_gradient(plan: RunPlan, at: _Vertices) -> sparse.csr_array:
    """(l, 2v) change of each leg's length with each coordinate of each vertex."""
    runs = plan.runs
    leg = np.repeat(part_of(runs.offsets), 2)
    column = np.column_stack([2 * at.of_leg, 2 * at.of_leg + 1]).ravel()
    slopes = length_slopes(runs.xy, runs.offsets).ravel()
    return sparse.csr_array((slopes, (leg, column)), shape=(len(runs.leg_id), 2 * len(at.sigma_m)))


def _legs_of(plan: RunPlan, tapes: Tapes) -> sparse.csr_array:
    """(n, l) which legs each reading runs along."""
    n, runs = len(tapes), plan.runs
    one = np.flatnonzero(tapes.what == Target.LEG)
    whole = np.flatnonzero(tapes.what == Target.RUN)
    counts = np.diff(runs.leg_offsets)[tapes.run[whole]]
    starts = runs.leg_offsets[:-1][tapes.run[whole]]
    legs = np.repeat(starts - offsets_of(counts)[:-1], counts) + np.arange(counts.sum())
    rows = np.concatenate([one, np.repeat(whole, counts)])
    columns = np.concatenate([tapes.leg[one], legs])
    return sparse.csr_array((np.ones(len(rows)), (rows, columns)), shape=(n, len(runs.leg_id)))


def _straight_gradient(tapes: Tapes, at: _Vertices) -> tuple[FloatArray, XYArray, sparse.csr_array]:
    """Length and direction of each distance (0 for other readings), and its gradient."""
    n = len(tapes)
    rows = np.flatnonzero(tapes.what == Target.DISTANCE)
    a, b = tapes.point[rows, 0], tapes.point[rows, 1]
    step = tapes.point_xy[b] - tapes.point_xy[a]
    length = np.hypot(step[:, 0], step[:, 1])
    unit = step / length[:, None]
    first, then = 2 * at.of_point[a], 2 * at.of_point[b]
    columns = np.concatenate([first, first + 1, then, then + 1])
    values = np.concatenate([-unit[:, 0], -unit[:, 1], unit[:, 0], unit[:, 1]])
    made = sparse.csr_array((values, (np.tile(rows, 4), columns)), shape=(n, 2 * len(at.sigma_m)))
    lengths, units = np.zeros(n), np.zeros((n, 2))
    lengths[rows], units[rows] = length, unit
    return lengths, units, made


def _ties(site: Site, tapes: Tapes, unit: XYArray) -> FloatArray:
    """(n, k) what the place and direction of the pictures add to each reading, at one standard deviation.

    Only where one end is a surveyed mark and the other one lies on the map.
    """
    mark = np.append(~np.isnan(tapes.point_sigma_m), False)[tapes.point]
    tie = np.flatnonzero(mark[:, 0] != mark[:, 1])
    if not len(tie):
        return np.zeros((len(tapes), 0))
    groups, said = picture_groups(site), site.settings.reconcile.adjust
    end = np.where(mark[tie, 0], 1, 0)
    xy = tapes.point_xy[tapes.point[tie, end]]
    toward = unit[tie] * np.where(end == 1, 1.0, -1.0)[:, None]
    frame = groups.frame[groups.at(site.bed_shapes, xy)]
    arm = xy - groups.pivot[frame]
    made = np.zeros((len(tapes), 3 * len(groups.pivot)))
    made[tie, 3 * frame] = toward[:, 0] * um_to_m(said.picture_shift)
    made[tie, 3 * frame + 1] = toward[:, 1] * um_to_m(said.picture_shift)
    turned = toward[:, 1] * arm[:, 0] - toward[:, 0] * arm[:, 1]
    made[tie, 3 * frame + 2] = turned * np.radians(said.picture_turn_deg)
    return made


# ---------------------------------------------------------------- patterns of what may be wrong


def _leg_patterns(
    plan: RunPlan, leg_sigma_m: FloatArray, factors: tuple[float, float]
) -> dict[str, FloatArray]:
    """Patterns of every leg, (l,) each."""
    runs = plan.runs
    none_closed = np.zeros(len(runs.leg_id), dtype=bool)
    line = edges(runs.xy, runs.offsets, none_closed)
    east, north = factors
    web = np.hypot(line.vector[:, 0] / east, line.vector[:, 1] / north)
    back = np.hypot(line.vector[:, 0] * east, line.vector[:, 1] * north)
    s = line.length
    before = np.roll(line.vector, 1, axis=0)
    cross, dot = cross_dot(before, line.vector)
    inner = np.ones(len(runs.xy), dtype=bool)
    inner[runs.offsets[:-1]] = inner[runs.offsets[1:] - 1] = False
    turn = np.where(inner, np.arctan2(cross, dot), 0.0)
    sigma = leg_sigma_m[part_of(runs.offsets)]
    real = s > 0
    # an edge bends by the mean of the turns at its ends; at the end of a leg there is only one
    ends = inner.astype(float) + np.roll(inner, -1)
    bend = (turn + np.roll(turn, -1)) / np.maximum(ends, 1)
    spread = np.where(real, (sigma / np.where(real, s, 1.0)) ** 2, 0.0)
    excess = np.where(ends > 0, s * (bend**2 - spread) / 24, 0.0)
    shaky = np.where(real, np.minimum(sigma**2 / np.where(real, s, 1.0), s / 2), 0.0)
    curved = part_sums(turn, runs.offsets)
    corner = np.tan(np.radians(runs.start_turn_deg) / 2) + np.tan(np.radians(runs.far_turn_deg) / 2)
    smooth_ring = np.where(none_closed, 0.0, _seam_turn(plan))
    return {
        "face": corner + curved + smooth_ring,
        "chords": np.maximum(part_sums(excess, runs.offsets), 0.0),
        "noise": np.where(runs.straight, 0.0, part_sums(shaky, runs.offsets)),
        "web": part_sums(s, runs.offsets) - part_sums(web, runs.offsets),
        "back": part_sums(s, runs.offsets) - part_sums(back, runs.offsets),
    }


def _seam_turn(plan: RunPlan) -> FloatArray:
    """(l,) turn at the joint where a closed run without corners begins and ends, radians."""
    runs = plan.runs
    first, last = runs.offsets[:-1], runs.offsets[1:] - 1
    arriving = runs.xy[last] - runs.xy[last - 1]
    leaving = runs.xy[first + 1] - runs.xy[first]
    cross, dot = cross_dot(arriving, leaving)
    return np.where(runs.start_kind == NodeKind.SEAM, np.arctan2(cross, dot), 0.0)


def _point_shift(plan: RunPlan, tapes: Tapes) -> XYArray:
    """(p, 2) how each named point moves for each metre the edging lies further out."""
    from scipy.spatial import cKDTree

    outlines = plan.outlines
    moved = np.zeros((len(tapes.point_xy), 2))
    if not len(moved) or not len(outlines.xy):
        return moved
    closed = np.isin(outlines.ring_kind, (RingKind.OUTER, RingKind.ISLAND))
    shift = mitre_offset(outlines.xy, outlines.ring_offsets, closed, np.ones(len(closed))) - outlines.xy
    found = cKDTree(outlines.xy).query(tapes.point_xy)
    gap, vertex = np.asarray(found[0]), np.asarray(found[1], dtype=np.int64)
    near = gap <= AT_VERTEX_M
    moved[near] = shift[vertex[near]]
    return moved


def _patterns(
    site: Site, plan: RunPlan, tapes: Tapes, legs: sparse.csr_array, unit: XYArray, straight_m: FloatArray,
    sigma_m: FloatArray,
) -> tuple[dict[str, FloatArray], Patterns]:  # fmt: skip
    lat = float(site.frame.wgs84(plan.runs.xy[:1])[0, 1])
    east, north = (float(f) for f in web_mercator_factors(lat))
    leg_sigma = sigma_m[plan.runs.bed[plan.runs.leg_run]]
    made = _leg_patterns(plan, leg_sigma, (east, north))
    shift = _point_shift(plan, tapes)
    far = tapes.what == Target.DISTANCE
    face = legs @ made["face"]
    a, b = tapes.point[:, 0], tapes.point[:, 1]
    if far.any():
        face[far] = ((shift[b[far]] - shift[a[far]]) * unit[far]).sum(axis=1)
    web = straight_m - np.hypot(unit[:, 0] * straight_m / east, unit[:, 1] * straight_m / north)
    back = straight_m - np.hypot(unit[:, 0] * straight_m * east, unit[:, 1] * straight_m * north)
    made["slope"] = plan.lengths.slope_m - plan.lengths.ground_m
    return made, Patterns(
        face=face,
        chords_m=legs @ made["chords"],
        noise_m=legs @ made["noise"],
        web_m=legs @ made["web"] + web,
        web_back_m=legs @ made["back"] + back,
        slope_m=np.where(far, np.nan, legs @ made["slope"]),
    )


# ---------------------------------------------------------------- the comparison


def compare(site: Site, plan: RunPlan, tapes: Tapes) -> Comparison:
    """Every reading beside the map.

    Parameters
    ----------
    site, plan : the map
    tapes : readings, corrected for the tape

    Returns
    -------
    Lengths, differences and their covariance, were nothing wrong.  A reading along the slope
    is compared with the map's slope length; without heights with its level length, and a
    finding says so.
    """
    sigma_v, sigma_from = vertex_sigma(site)
    at = _vertices(plan, tapes, sigma_v)
    legs = _legs_of(plan, tapes)
    straight_m, unit, straight = _straight_gradient(tapes, at)
    gradient = (legs @ _leg_gradient(plan, at) + straight).tocsr()
    ground = legs @ plan.lengths.ground_m + straight_m
    leg_patterns, patterns = _patterns(site, plan, tapes, legs, unit, straight_m, sigma_v)
    known = tapes.along_slope & ~np.isnan(patterns.slope_m)
    map_m = np.where(known, ground + np.nan_to_num(patterns.slope_m), ground)
    weighted = gradient @ sparse.diags_array(np.repeat(at.sigma_m, 2) ** 2)
    map_cov = np.asarray((weighted @ gradient.T).todense())
    ties = _ties(site, tapes, unit)
    if ties.shape[1]:
        map_cov = map_cov + ties @ ties.T
    own = reading_sigma(tapes, map_m)
    by_tape = np.zeros((len(tapes), len(tapes.tapes)))
    by_tape[np.arange(len(tapes)), tapes.tape] = map_m
    scales = np.array([t.scale for t in tapes.tapes])
    tape_cov = np.diag(own**2) + (by_tape * scales**2) @ by_tape.T
    covariance = map_cov + tape_cov
    difference = tapes.taped_m - map_m
    sigma = np.sqrt(np.diag(covariance))
    return Comparison(
        map_m=map_m,
        taped_m=tapes.taped_m,
        difference_m=difference,
        sigma_tape_m=np.sqrt(np.diag(tape_cov)),
        sigma_map_m=np.sqrt(np.maximum(np.diag(map_cov), 0.0)),
        sigma_m=sigma,
        in_sigmas=difference / sigma,
        covariance_m2=covariance,
        legs=legs,
        leg_map_m=plan.lengths.ground_m,
        tape_map_m=by_tape,
        patterns=patterns,
        leg_patterns=leg_patterns,
        on_slope=known,
        vertex_sigma_m=sigma_v,
        sigma_from=sigma_from,
        lines=_lines(plan, tapes),
        findings=_findings(tapes, known),
    )


def _lines(plan: RunPlan, tapes: Tapes) -> tuple[XYArray, ...]:
    runs = plan.runs
    xy, offsets = run_lines(runs)
    made = []
    for what, leg, run, point in zip(tapes.what, tapes.leg, tapes.run, tapes.point, strict=True):
        if what == Target.LEG:
            made.append(runs.xy[runs.offsets[leg] : runs.offsets[leg + 1]])
        elif what == Target.RUN:
            made.append(xy[offsets[run] : offsets[run + 1]])
        else:
            made.append(tapes.point_xy[point])
    return tuple(made)


def _findings(tapes: Tapes, known: BoolArray) -> tuple[Finding, ...]:
    lost = tapes.along_slope & ~known
    if not lost.any():
        return ()
    shown = ", ".join(str(i) for i in tapes.ids[lost][:8])
    return (
        Finding(
            "slope-not-reduced",
            "notice",
            f"{int(lost.sum())} readings were taped along the slope with no rise given and no heights "
            f"on the map ({shown}); they are compared with level lengths. "
            "Give the rise or an elevation model.",
        ),
    )


# ---------------------------------------------------------------- run by run


@dataclass(frozen=True, slots=True, eq=False)
class RunRows:
    """Runs of which every part was taped.  r runs."""

    run: ObjectArray
    map_m: FloatArray
    taped_m: FloatArray
    difference_m: FloatArray
    sigma_m: FloatArray
    how: ObjectArray
    """``taped whole`` or ``sum of its legs``"""


def by_run(plan: RunPlan, tapes: Tapes, made: Comparison) -> RunRows:
    """Runs taped whole, or leg by leg without a gap; repeated readings are averaged."""
    runs = plan.runs
    rows = []
    for k, name in enumerate(runs.run_id):
        whole = np.flatnonzero((tapes.what == Target.RUN) & (tapes.run == k))
        weight = np.zeros(len(tapes))
        if len(whole):
            weight[whole] = 1 / len(whole)
            rows.append((name, weight, "taped whole"))
            continue
        legs = np.arange(runs.leg_offsets[k], runs.leg_offsets[k + 1])
        found = [np.flatnonzero((tapes.what == Target.LEG) & (tapes.leg == leg)) for leg in legs]
        if all(len(f) for f in found):
            for f in found:
                weight[f] = 1 / len(f)
            rows.append((name, weight, "sum of its legs"))
    w = np.array([r[1] for r in rows]).reshape(len(rows), len(tapes))
    names, how = np.empty(len(rows), dtype=object), np.empty(len(rows), dtype=object)
    names[:], how[:] = [r[0] for r in rows], [r[2] for r in rows]
    return RunRows(
        run=names,
        map_m=w @ made.map_m,
        taped_m=w @ made.taped_m,
        difference_m=w @ made.difference_m,
        sigma_m=np.sqrt(np.maximum(((w @ made.covariance_m2) * w).sum(axis=1), 0.0)),
        how=how,
    )
