"""Fitted arcs on the laying line: exact offsets, radii, lengths beside those as traced."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siteplan.errors import Finding
from siteplan.model import Runs
from siteplan.outline.cuts import Spans
from siteplan.outline.legs import Legs
from siteplan.outline.refit import Refitted
from siteplan.outline.tracing_bias import expected_bias
from siteplan.planar import edges, neighbours, offsets_of, part_of, ragged, sums
from siteplan.types import FloatArray, IntArray, ObjectArray, XYArray


def _moved_radius(radius_m: FloatArray, offset_m: FloatArray) -> FloatArray:
    """Radius of arcs moved by an offset away from the bed: a left turn's grows, a right turn's shrinks."""
    out: FloatArray = radius_m + offset_m
    return out


def offset_arcs(refitted: Refitted, laying: XYArray, offset_m: FloatArray) -> XYArray:
    """A laying line whose arcs are concentric with the outline's, exactly.

    Parameters
    ----------
    refitted : the outline
    laying : (v, 2) its mitred offset
    offset_m : (r,) of each ring, positive away from the bed

    Returns
    -------
    (v, 2): vertices inside arcs, and points where arcs run into their neighbours without a kink, lie
    at the arc's radius plus the offset (left turn) or less the offset (right turn); the others stay.
    """
    moved = laying.copy()
    offsets, closed = refitted.fitted.offsets, refitted.fitted.closed
    before, _ = neighbours(offsets, closed)
    own, arriving = refitted.stretch, refitted.stretch[before]
    bent = np.zeros(len(refitted.ring) + 1, dtype=np.bool_)
    bent[:-1] = np.isfinite(refitted.radius_m)
    arc = np.where(bent[own], own, np.where(bent[arriving], arriving, -1))
    rows = np.flatnonzero(refitted.tangent & (arc >= 0))
    k = arc[rows]
    radius = refitted.radius_m[k]
    share = _moved_radius(radius, offset_m[refitted.ring[k]]) / radius
    moved[rows] = refitted.centre[k] + (refitted.fitted.xy[rows] - refitted.centre[k]) * share[:, None]
    return moved


def with_arcs(runs: Runs, refitted: Refitted, legs: Legs, spans: Spans, offset_m: FloatArray) -> Runs:
    """Runs with the radius of the fitted arc at every edge, and least radii taken from them.

    A leg whose edges are all fitted, without a kink inside, has the least radii of its arcs; another
    keeps those found from its vertices.
    """
    radius = refitted.radius_m
    moved = np.append(
        np.where(np.isfinite(radius), _moved_radius(radius, offset_m[refitted.ring]), radius), np.nan
    )
    edge_radius = moved[refitted.stretch[legs.edge]]
    size = np.diff(runs.offsets)
    leg = part_of(runs.offsets)
    edge_radius[runs.straight[leg] & ~np.isnan(edge_radius)] = np.inf
    last = np.zeros(len(edge_radius), dtype=np.bool_)
    last[runs.offsets[1:] - 1] = True
    edge_radius[last] = np.nan
    # inner vertices that are no tangent points are kinks
    inner = ~last
    inner[runs.offsets[:-1]] = False
    on_vertex = inner & ~refitted.tangent[legs.edge]
    fitted_leg = np.bincount(leg, weights=np.isnan(edge_radius) & ~last, minlength=len(size)) == 0
    fitted_leg &= np.bincount(leg, weights=on_vertex, minlength=len(size)) == 0
    fitted_leg &= ~runs.straight
    left, right = np.full(len(size), np.inf), np.full(len(size), np.inf)
    some = ~last
    np.minimum.at(left, leg[some], np.where(edge_radius[some] > 0, edge_radius[some], np.inf))
    np.minimum.at(right, leg[some], np.where(edge_radius[some] < 0, -edge_radius[some], np.inf))
    return replace(
        runs,
        edge_radius_m=edge_radius,
        left_radius_m=np.where(fitted_leg, left, runs.left_radius_m),
        right_radius_m=np.where(fitted_leg, right, runs.right_radius_m),
    )


def with_corrections(
    runs: Runs, refitted: Refitted | None, legs: Legs, spans: Spans, sigma_m: FloatArray
) -> Runs:
    """Runs with their lengths as traced, and with the bias of tracing taken off.

    Parameters
    ----------
    runs : the runs
    refitted : the fitted outline; None where nothing was fitted
    legs, spans : where the legs lie on it
    sigma_m : (l,) standard deviation of a traced vertex of each leg
    """
    count = len(runs.leg_id)
    traced, fit_sigma = None, np.zeros(count)
    free = np.ones(len(runs.xy), dtype=np.bool_)
    if refitted is not None:
        traced = runs.length_m + _longer_as_traced(refitted, legs, spans)
        fit_sigma = _fit_sigmas(runs, refitted, legs)
        if runs.edge_radius_m is not None:
            free = np.isnan(runs.edge_radius_m)
    # stretches that are as traced, as polylines of their own
    last = np.zeros(len(runs.xy), dtype=np.bool_)
    last[runs.offsets[1:] - 1] = True
    edge = free & ~last
    begins = edge & ~np.concatenate([[False], edge[:-1] & ~last[:-1]])
    first = np.flatnonzero(begins)
    edges_in = np.bincount(np.cumsum(begins)[edge] - 1, minlength=len(first)).astype(np.int64)
    rows = ragged(first, edges_in + 1)
    leg = part_of(runs.offsets)[first]
    noise, chords, spread = expected_bias(
        runs.xy[rows], offsets_of(edges_in + 1), np.zeros(len(first), dtype=np.bool_), sigma_m[leg]
    )
    unknown = np.isnan(sigma_m)
    bias = np.bincount(leg, weights=np.nan_to_num(chords - noise), minlength=count)
    square = np.bincount(leg, weights=np.nan_to_num(spread) ** 2, minlength=count) + fit_sigma**2
    return replace(
        runs,
        traced_m=traced,
        corrected_m=np.where(unknown, np.nan, runs.length_m + bias),
        corrected_sigma_m=np.where(unknown, np.nan, np.sqrt(square)),
    )


def _longer_as_traced(refitted: Refitted, legs: Legs, spans: Spans) -> FloatArray:
    """(l,) how much longer each leg's part of the outline was before it was fitted."""
    fitted = refitted.fitted
    ring = spans.ring[legs.span]
    total = fitted.line.part_length[ring]
    at = np.append(fitted.line.station[fitted.corner_vertex], np.nan)
    start = np.where(legs.start_corner >= 0, at[legs.start_corner], spans.from_m[legs.span])
    far = np.where(legs.far_corner >= 0, at[legs.far_corner], spans.to_m[legs.span])
    far = np.where(fitted.closed[ring] & (far <= start + 1e-9), far + total, far)
    far = np.where(fitted.closed[ring] & (far > start + total + 1e-9), far - total, far)
    longer: FloatArray = refitted.traced_between(ring, start, far) - (far - start)
    return longer


def _fit_sigmas(runs: Runs, refitted: Refitted, legs: Legs) -> FloatArray:
    """(l,) standard deviation of the fitted parts of each leg."""
    stretch = np.append(
        np.where(refitted.known, refitted.sigma_m**2 / np.maximum(refitted.length_m, 1e-9), 0.0), 0.0
    )
    line = edges(runs.xy, runs.offsets, np.zeros(len(runs.leg_id), dtype=np.bool_))
    out: FloatArray = np.sqrt(sums(stretch[refitted.stretch[legs.edge]] * line.length, runs.offsets))
    return out


@dataclass(frozen=True, slots=True, eq=False)
class StretchTable:
    """Stretches of equal radius along legs.  s stretches, in order of leg and walking."""

    leg: IntArray
    from_m: FloatArray
    """(s,) along the leg's laying line"""
    to_m: FloatArray
    radius_m: FloatArray
    """(s,) left positive; inf on a straight line, NaN as traced"""

    def __len__(self) -> int:
        return len(self.leg)


def stretch_table(runs: Runs) -> StretchTable:
    """Arcs, straight lines and what stayed as traced along every leg.

    Returns
    -------
    StretchTable; without fitted arcs one stretch to a leg, NaN, or inf where the leg is straight.
    """
    line = edges(runs.xy, runs.offsets, np.zeros(len(runs.leg_id), dtype=np.bool_))
    leg = part_of(runs.offsets)
    last = np.zeros(len(runs.xy), dtype=np.bool_)
    last[runs.offsets[1:] - 1] = True
    radius = runs.edge_radius_m
    if radius is None:
        radius = np.where(runs.straight[leg], np.inf, np.nan)
    begins = ~last
    same = (radius[1:] == radius[:-1]) | (np.isnan(radius[1:]) & np.isnan(radius[:-1]))
    begins[1:] &= ~(same & (leg[1:] == leg[:-1]))
    first = np.flatnonzero(begins)
    end = np.append(first[1:], len(leg))
    end = np.minimum(end, runs.offsets[1:][leg[first]] - 1)
    return StretchTable(leg[first], line.station[first], line.station[end], radius[first])


def tracing_findings(runs: Runs, bed_ids: ObjectArray, *, refit: bool) -> tuple[Finding, ...]:
    """What tracing did to the lengths, in words."""
    corrected = runs.corrected_m
    if corrected is None:
        if not refit or not len(runs.leg_id):
            return ()
        text = (
            "nothing says how well the outlines were traced, so no arc is fitted: "
            "state tracing_sigma in [outline]"
        )
        return (Finding("refit-without-sigma", "error", text),)
    known = ~np.isnan(corrected)
    traced = (runs.length_m if runs.traced_m is None else runs.traced_m)[known].sum()
    sigma = np.zeros(0) if runs.corrected_sigma_m is None else runs.corrected_sigma_m[known]
    best, laid = corrected[known].sum(), runs.length_m[known].sum()
    spread = float(np.sqrt((sigma**2).sum()))
    told = (
        f"{traced:.3f} m of edging as traced; what tracing does to lengths on the average taken off, "
        f"{best:.3f} m with a standard deviation of {spread:.3f} m"
    )
    how = (
        f"; laid on fitted arcs and lines: {laid:.3f} m"
        if runs.edge_radius_m is not None
        else "; pieces are fitted to the line as traced"
    )
    findings = [Finding("tracing-bias", "notice", told + how)]
    if refit and not known.all():
        beds = np.unique(runs.bed[runs.leg_run[~known]])
        names = ", ".join(str(bed_ids[b]) for b in beds[:8].tolist())
        text = f"nothing says how well {len(beds)} beds were traced; no arc is fitted there: {names}"
        findings.append(Finding("refit-without-sigma", "error", text))
    return tuple(findings)
