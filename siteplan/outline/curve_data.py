"""Circular arcs of the laying line, and what surveyors write down of each.

Where the outlines were refitted, the arcs are the fitted ones, exactly; else arcs are looked for among
the vertices.  The elements of a simple curve, with R its radius and D the angle it turns by: arc
L = R D, long chord C = 2 R sin(D/2), tangent T = R tan(D/2) from its beginning (PC) and from its end
(PT) to where the two tangents meet, middle ordinate M = R (1 - cos(D/2)), external
E = R (1/cos(D/2) - 1).

Source
------
US Army FM 5-430-00-1, appendix F, and any text on route surveying; docs/stakeout.md has the numbers
they are checked against.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.model import Runs
from siteplan.outline.refit_runs import stretch_table
from siteplan.planar import edges, part_of
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

ARC_WITHIN_M: Final = 0.005
"""all vertices of an arc lie this close to its circle"""
ARC_EDGES: Final = 4
"""fewest chords taken for an arc"""
ARC_LEAST_DEG: Final = 10.0
ARC_GREATEST_RADIUS_M: Final = 1000.0
HALF_TURN: Final = np.pi - 1e-9
"""from here on the two tangents do not meet in front of the curve"""


@dataclass(frozen=True, slots=True, eq=False)
class Arcs:
    """Circular arcs of curved legs, in order of leg and walking.  a arcs."""

    leg: IntArray
    first: IntArray
    """(a,) vertex of the runs it begins at"""
    last: IntArray
    """(a,) vertex it ends at"""
    radius_m: FloatArray
    """(a,) signed, positive where the line turns left"""
    centre: XYArray
    away_m: FloatArray
    """(a,) greatest distance of a vertex from the circle"""
    fitted: BoolArray
    """(a,) True for an arc of the refitted outline, False for one found among the vertices"""

    def __len__(self) -> int:
        return len(self.leg)


@dataclass(frozen=True, slots=True, eq=False)
class CurveData:
    """Elements of simple curves.  a arcs; lengths in metres, NaN where there is none."""

    radius_m: FloatArray
    """(a,) positive"""
    turn_deg: FloatArray
    """(a,) D, signed, left positive"""
    arc_m: FloatArray
    chord_m: FloatArray
    tangent_m: FloatArray
    """(a,) NaN from a half turn on"""
    middle_m: FloatArray
    external_m: FloatArray
    """(a,) NaN from a half turn on"""


def curve_elements(radius_m: FloatArray, turn_rad: FloatArray) -> CurveData:
    """Elements of simple curves from radius and turn.

    Parameters
    ----------
    radius_m : (a,) more than 0, in any unit: the lengths come out in the same
    turn_rad : (a,) signed, left positive, at most a whole turn

    Examples
    --------
    >>> data = curve_elements(np.array([381.97]), np.radians([45.0]))
    >>> np.round([data.tangent_m[0], data.chord_m[0]], 2).tolist()
    [158.22, 292.35]
    """
    radius = np.asarray(radius_m, dtype=np.float64)
    turn = np.asarray(turn_rad, dtype=np.float64)
    half = np.abs(turn) / 2
    meets = np.abs(turn) < HALF_TURN
    tame = np.where(meets, half, 0.0)
    return CurveData(
        radius_m=radius,
        turn_deg=np.degrees(turn),
        arc_m=radius * np.abs(turn),
        chord_m=2 * radius * np.abs(np.sin(half)),
        tangent_m=np.where(meets, radius * np.tan(tame), np.nan),
        middle_m=radius * (1 - np.cos(half)),
        external_m=np.where(meets, radius * (1 / np.cos(tame) - 1), np.nan),
    )


def arc_data(runs: Runs, arcs: Arcs) -> CurveData:
    """Elements of the arcs of runs: the turn is what the line sweeps about the arc's centre."""
    a, b = runs.xy[arcs.first] - arcs.centre, runs.xy[arcs.last] - arcs.centre
    begin, end = np.arctan2(a[:, 1], a[:, 0]), np.arctan2(b[:, 1], b[:, 0])
    turn = np.mod((end - begin) * np.sign(arcs.radius_m), 2 * np.pi)
    # a whole ring begins where it ends
    turn = np.where(np.hypot(*(a - b).T) < 1e-6, 2 * np.pi, turn)
    return curve_elements(np.abs(arcs.radius_m), turn * np.sign(arcs.radius_m))


def arcs_of(runs: Runs) -> Arcs:
    """The fitted arcs where the outlines were refitted; else those found among the vertices."""
    return find_arcs(runs) if runs.edge_radius_m is None else fitted_arcs(runs)


def fitted_arcs(runs: Runs) -> Arcs:
    """Arcs of refitted outlines on the laying line, as :func:`stretch_table` has them.

    Returns
    -------
    Arcs; the centre of each is that of its own vertices, which lie on the fitted circle.
    """
    stretches = stretch_table(runs)
    bent = np.flatnonzero(np.isfinite(stretches.radius_m) & (stretches.radius_m != 0))
    station = edges(runs.xy, runs.offsets, np.zeros(len(runs.leg_id), dtype=np.bool_)).station
    leg, radius = stretches.leg[bent], stretches.radius_m[bent]
    # vertices of all legs in one increasing row, to be searched in one go
    shift = np.concatenate([[0.0], np.cumsum(station[runs.offsets[1:] - 1] + 1.0)])[:-1]
    key = station + shift[part_of(runs.offsets)]
    first = np.searchsorted(key, stretches.from_m[bent] + shift[leg] - 1e-9)
    last = np.searchsorted(key, stretches.to_m[bent] + shift[leg] - 1e-9)
    centre = _centres(runs.xy, first, last, radius)
    away = np.array(
        [
            float(np.abs(np.hypot(*(runs.xy[i : j + 1] - c).T) - abs(r)).max())
            for i, j, c, r in zip(first.tolist(), last.tolist(), centre, radius.tolist(), strict=True)
        ]
    )
    return Arcs(leg, first, last, radius, centre, away, np.ones(len(leg), dtype=np.bool_))


def _centres(xy: XYArray, first: IntArray, last: IntArray, radius_m: FloatArray) -> XYArray:
    """(a, 2) centres, by least squares of the inner vertices; of fewer than three from the chord.

    The two ends of a stretch stand where it was cut or runs into its neighbour, which need not be on
    the circle to the last tenth of a millimetre; the vertices between them are made on it.
    """
    made = np.empty((len(first), 2))
    for k, (i, j) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        p = xy[i + 1 : j] if j - i >= 4 else xy[i : j + 1]
        origin = p.mean(axis=0)
        q = p - origin
        if len(p) >= 3:
            design = np.column_stack([2 * q, np.ones(len(q))])
            (a, b, _), *_ = np.linalg.lstsq(design, (q**2).sum(axis=1), rcond=None)
            made[k] = origin[0] + a, origin[1] + b
            continue
        chord = p[-1] - p[0]
        size = float(np.hypot(*chord))
        high = np.sqrt(max(float(radius_m[k]) ** 2 - size**2 / 4, 0.0)) * np.sign(radius_m[k])
        made[k] = (p[0] + p[-1]) / 2 + np.array([-chord[1], chord[0]]) / max(size, 1e-12) * high
    return made


def find_arcs(runs: Runs) -> Arcs:
    """Arcs of circles among the vertices: four chords or more of one curvature."""
    xy = runs.xy
    edge = np.diff(xy, axis=0)
    size = np.hypot(edge[:, 0], edge[:, 1])
    cross = edge[:-1, 0] * edge[1:, 1] - edge[:-1, 1] * edge[1:, 0]
    dot = (edge[:-1] * edge[1:]).sum(axis=1)
    mean = (size[:-1] + size[1:]) / 2
    curvature = np.zeros(len(xy))
    with np.errstate(divide="ignore", invalid="ignore"):
        curvature[1:-1] = np.nan_to_num(np.arctan2(cross, dot) / mean)
    inner = np.ones(len(xy), dtype=bool)
    inner[runs.offsets[:-1]] = inner[runs.offsets[1:] - 1] = False
    inner &= np.abs(curvature) > 1 / ARC_GREATEST_RADIUS_M
    span = np.zeros(len(xy))
    span[1:-1] = mean
    # two vertices belong together where the difference of curvature moves the line by little
    same = inner[:-1] & inner[1:]
    same &= np.abs(np.diff(curvature)) * (span[:-1] + span[1:]) ** 2 / 8 < ARC_WITHIN_M
    same &= np.abs(np.diff(curvature)) < 0.1 * np.abs(curvature[:-1])
    starts = np.flatnonzero(np.append(True, ~same))
    counts = np.diff(np.append(starts, len(xy)))
    rows = []
    leg = part_of(runs.offsets)
    for k in np.flatnonzero((counts >= ARC_EDGES - 1) & inner[starts]).tolist():
        first, last = int(starts[k]) - 1, int(starts[k] + counts[k])
        found = _circle(xy[first : last + 1])
        if found is not None:
            rows.append((int(leg[first]), first, last, *found))
    made = np.array(rows, dtype=np.float64).reshape(-1, 7)
    return Arcs(
        made[:, 0].astype(np.int64), made[:, 1].astype(np.int64), made[:, 2].astype(np.int64),
        made[:, 3], made[:, 4:6], made[:, 6], np.zeros(len(made), dtype=np.bool_),
    )  # fmt: skip


def _circle(xy: XYArray) -> tuple[float, float, float, float] | None:
    """Signed radius, centre and greatest misfit of the circle of vertices; None where they have none."""
    origin = xy.mean(axis=0)
    p = xy - origin
    # x^2 + y^2 = 2 a x + 2 b y + c is linear in the centre (a, b)
    (a, b, c), *_ = np.linalg.lstsq(np.column_stack([2 * p, np.ones(len(p))]), (p**2).sum(axis=1), rcond=None)
    radius = float(np.sqrt(c + a * a + b * b))
    away = float(np.abs(np.hypot(p[:, 0] - a, p[:, 1] - b) - radius).max())
    turned = np.unwrap(np.arctan2(p[:, 1] - b, p[:, 0] - a))
    sweep = float(turned[-1] - turned[0])
    if away > ARC_WITHIN_M or abs(sweep) < np.radians(ARC_LEAST_DEG):
        return None
    return (radius if sweep > 0 else -radius), float(a + origin[0]), float(b + origin[1]), away
