"""What the settings of a site say may be off, as a model of its leg lengths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import shapely
from scipy import sparse

from siteplan.errors import DataError, Fault
from siteplan.laying.corner_units import leaving_legs
from siteplan.model import NodeKind, RingKind, Shapes
from siteplan.planar import edges, part_of, ring_lines
from siteplan.sites import SITE_FILE, Site
from siteplan.tape_settings import KindSettings
from siteplan.types import BoolArray, FloatArray, IntArray
from siteplan.uncertainty.lengths import (
    LengthModel,
    Part,
    Places,
    common_part,
    joint_part,
    outward_slopes,
    own_part,
    root_of,
    tracing_bias,
    vertex_parts,
)
from siteplan.uncertainty.turns import beside, turn_slopes
from siteplan.uncertainty_settings import Uncertainty
from siteplan.units import um_to_m

if TYPE_CHECKING:
    from siteplan.model import Runs
    from siteplan.plans import RunPlan

NOT_OF_THIS: Final = -1
ADJUSTED: Final = "adjusted outlines"


@dataclass(frozen=True, slots=True, eq=False)
class AdjustedLegs:
    """Lengths of k legs after an adjustment of the outlines to tapes.

    Its model has the noise of vertices, the scales of pictures and of tapes.
    """

    legs: IntArray
    """(k,) which legs of the plan they are"""
    leg_m: FloatArray
    """(k,) ground lengths with the adjusted outlines"""
    covariance_m2: FloatArray
    """(k, k) joint covariance of those"""
    before_m2: FloatArray
    """(k, k) joint covariance the same model gives them without a single tape"""
    scale_of_bed: IntArray | None = None
    """(b,) of s scales of pictures that surveyed points tell of, the one each bed has, -1 for none"""
    scale_covariance: FloatArray | None = None
    """(s, s + k) of these scales with each other and with the legs"""

    @property
    def left(self) -> FloatArray:
        """(k, k) what is left of errors of the legs as traced, once the tapes have pulled at them.

        A reading takes out whatever makes its leg too long, also what the adjustment knows nothing of, such
        as an offset.  Least squares with prior covariance B and posterior P leaves P B^-1 of it.
        """
        kept: FloatArray = self.covariance_m2 @ np.linalg.pinv(self.before_m2, rcond=1e-9, hermitian=True)
        return kept


@dataclass(frozen=True, slots=True, eq=False)
class BedFacts:
    """What is known of each of b beds."""

    sigma_m: FloatArray
    """(b,) standard deviation of a traced vertex, each way; 0 for a bed drawn from tapes"""
    known: BoolArray
    """(b,) somebody said so: what tracing does to lengths on the average is taken off"""
    sigma_from: str
    operator: IntArray
    """(b,) who traced it, -1 where nobody did"""
    picture: IntArray
    """(b,) what it was traced from, -1 where it was not"""
    tape: IntArray
    """(b,) tape it was drawn from, -1 where it was not"""
    tapes: tuple[tuple[str, KindSettings], ...]


def vertex_sigma(
    site: Site, asked_by: Literal["uncertainty", "reconcile"] = "uncertainty"
) -> tuple[FloatArray, BoolArray, str]:
    """Standard deviation of a traced vertex of each bed, whether somebody said so, and who.

    Parameters
    ----------
    site : the site
    asked_by : the table of the settings whose own word goes first; the other one's is better than none
    """
    settings, beds = site.settings, len(site.beds)
    everywhere = np.ones(beds, dtype=np.bool_)
    words = [
        (settings.uncertainty.vertex_sigma if settings.uncertainty else None, "[uncertainty] vertex_sigma"),
        (settings.outline.tracing_sigma, "[outline] tracing_sigma"),
        (settings.reconcile.vertex_sigma, "[reconcile] vertex_sigma"),
    ]
    for value, said in words if asked_by == "uncertainty" else words[::-1]:
        if value is not None:
            return np.full(beds, um_to_m(value)), everywhere, said
    assumed = um_to_m(settings.reconcile.assumed_vertex_sigma)
    if site.pictures is not None:
        sigma = site.pictures.outline_sigma_m
        known = ~np.isnan(sigma)
        if known.any():
            rest = "" if known.all() else f"; elsewhere {assumed:g} m is assumed"
            return np.where(known, sigma, assumed), known, f"the pictures traced from{rest}"
    if settings.pictures.tracing_error is not None:
        sigma = np.full(beds, um_to_m(settings.pictures.tracing_error))
        return sigma, everywhere, "[pictures] tracing_error"
    return np.full(beds, assumed), ~everywhere, f"assumed: {assumed:g} m, nobody said how beds were traced"


def bed_facts(site: Site) -> BedFacts:
    """What is known of each bed.

    Raises
    ------
    DataError : beds or tapes the settings name and the site does not have, a bed named twice.
    """
    said = said_of(site)
    sigma, known, sigma_from = vertex_sigma(site)
    operator, faults = _groups(site, said.operators, "operators")
    operator = np.where(operator < 0, len(said.operators), operator)
    tape, more = _groups(site, said.taped, "taped")
    tapes: list[tuple[str, KindSettings]] = []
    reconcile = site.settings.reconcile
    for name in said.taped:
        facts = reconcile.tape.get(name)
        kind = reconcile.kind.get(name if facts is None else facts.kind)  # type: ignore[call-overload]
        if kind is None:
            text = f'uncertainty.taped: there is no tape and no kind of tape "{name}"'
            names = ", ".join([*reconcile.tape, *reconcile.kind])
            more.append(Fault("unknown-tape", text, f"Known are: {names}", SITE_FILE))
            continue
        if facts is not None and facts.scale_ppm is not None:
            kind = kind.model_copy(update={"scale_ppm": facts.scale_ppm})
        tapes.append((name, kind))
    if faults or more:
        raise DataError(*faults, *more)
    traced = tape < 0
    return BedFacts(
        sigma_m=np.where(traced, sigma, 0.0),
        known=known & traced,
        sigma_from=sigma_from,
        operator=np.where(traced, operator, NOT_OF_THIS),
        picture=np.where(traced, _picture(site), NOT_OF_THIS),
        tape=tape,
        tapes=tuple(tapes),
    )


def _groups(site: Site, said: dict[str, list[str]], key: str) -> tuple[IntArray, list[Fault]]:
    """Group of each bed, -1 where none names it."""
    index = {str(bed): k for k, bed in enumerate(site.beds.ids)}
    group, faults = np.full(len(site.beds), -1, dtype=np.int64), []
    for number, (name, beds) in enumerate(said.items()):
        for bed in beds:
            if bed not in index:
                text = f'uncertainty.{key} "{name}": there is no bed "{bed}"'
                faults.append(Fault("unknown-bed", text, "Name a bed of the outlines", SITE_FILE))
            elif group[index[bed]] >= 0:
                text = f'uncertainty.{key}: bed "{bed}" is named twice'
                faults.append(Fault("named-twice", text, "Name it once", SITE_FILE, bed))
            else:
                group[index[bed]] = number
    return group, faults


def said_of(site: Site) -> Uncertainty:
    """What the site says of uncertainty, or the defaults."""
    return site.settings.uncertainty or Uncertainty()


def _picture(site: Site) -> IntArray:
    """(b,) picture each bed was traced from; one unknown picture where none of the site's shows it."""
    if site.pictures is None:
        return np.zeros(len(site.beds), dtype=np.int64)
    known = site.pictures.of_bed
    return np.where(known < 0, len(site.pictures.pictures), known)


def places_along(outlines: Shapes, runs: Runs) -> Places:
    """Where the rows of the legs lie along the outlines."""
    closed = np.isin(outlines.ring_kind, (RingKind.OUTER, RingKind.ISLAND))
    lines = ring_lines(outlines.xy, outlines.ring_offsets, closed)
    ring = runs.ring[runs.leg_run][part_of(runs.offsets)]
    length = edges(outlines.xy, outlines.ring_offsets, closed).part_length
    return Places(shapely.line_locate_point(lines[ring], shapely.points(runs.xy)), length, closed)


def length_model(site: Site, plan: RunPlan, *, adjusted: AdjustedLegs | None = None) -> LengthModel:
    """Ground lengths of the legs of a plan, and turns of its corners, as they may be.

    Parameters
    ----------
    site, plan : the plan
    adjusted : legs whose outlines were adjusted to tapes: their joint covariance stands in place of vertices
        and scales, and of what they have in common square to the outline only what the tapes leave

    Raises
    ------
    DataError : from :func:`bed_facts`.
    """
    said, facts, runs = said_of(site), bed_facts(site), plan.runs
    bed = runs.bed[runs.leg_run]
    planned = plan.lengths.ground_m
    own = np.ones(len(planned), dtype=np.bool_)
    if adjusted is not None:
        own[adjusted.legs] = False
    correlation = um_to_m(said.correlation_length)
    sigma = np.where(own, facts.sigma_m[bed], 0.0)
    turned = turn_slopes(runs.xy, runs.offsets, runs.corner_leg, leaving_legs(runs))
    vertices, turns = vertex_parts(
        runs.xy, runs.offsets, runs.ring[runs.leg_run], sigma, places_along(plan.outlines, runs), correlation,
        turned,
    )  # fmt: skip
    bias = tracing_bias(runs.xy, runs.offsets, np.where(facts.known[bed], sigma, 0.0), correlation)
    fitted = _fitted(runs)
    if fitted.any() and runs.corrected_m is not None and runs.corrected_sigma_m is not None:
        # arcs fitted to many vertices are surer than the vertices they are drawn with
        vertices = _scaled(vertices, fitted & own, runs.corrected_sigma_m)
        bias = np.where(fitted & own, np.nan_to_num(planned - runs.corrected_m), bias)
    mean = planned - bias
    if adjusted is not None:
        mean[adjusted.legs] = adjusted.leg_m
    outward = outward_slopes(
        runs.xy, runs.offsets, runs.start_turn_deg, runs.far_turn_deg, runs.start_kind == NodeKind.SEAM
    )
    traced_bed = np.where(facts.tape[bed] < 0, bed, NOT_OF_THIS)
    tape_sigma, tape_scale = _tapes(facts, bed, mean, own)
    surveyed = _surveyed(adjusted, facts, bed, own)
    offsets = (
        common_part("offset of each bed", um_to_m(said.offset_bed) * outward, traced_bed),
        common_part("offset of each person", um_to_m(said.offset_operator) * outward, facts.operator[bed]),
        common_part("offset of each picture", um_to_m(said.offset_picture) * outward, facts.picture[bed]),
    )
    parts = (
        vertices,
        *(offsets if adjusted is None or not len(adjusted.legs) else (_left(p, adjusted) for p in offsets)),
        common_part(
            "scale of each picture",
            said.picture_scale_ppm * 1e-6 * mean * (own & (surveyed < 0)),
            facts.picture[bed],
        ),
        own_part("tape readings", tape_sigma),
        common_part("scale of each tape", tape_scale, facts.tape[bed]),
    )
    if adjusted is not None:
        if adjusted.scale_covariance is None:
            parts += (joint_part(ADJUSTED, adjusted.legs, adjusted.covariance_m2, len(planned)),)
        else:
            parts += (_with_scales(adjusted, surveyed, mean),)
    return LengthModel(planned, mean, parts, turns)


def _left(part: Part, adjusted: AdjustedLegs) -> Part:
    """A part with what the tapes leave of it on the adjusted legs."""
    legs, factor = adjusted.legs, sparse.lil_array(part.factor)
    factor[legs] = adjusted.left @ part.factor[legs].toarray()
    return Part(part.name, sparse.csr_array(factor))


def _surveyed(adjusted: AdjustedLegs | None, facts: BedFacts, bed: IntArray, own: BoolArray) -> IntArray:
    """(l,) which of the surveyed scales of pictures each leg has that is not adjusted itself, -1 for none."""
    if adjusted is None or adjusted.scale_of_bed is None:
        return np.full(len(bed), -1, dtype=np.int64)
    return np.where(own & (facts.tape[bed] < 0), adjusted.scale_of_bed[bed], -1)


def _with_scales(adjusted: AdjustedLegs, surveyed: IntArray, length_m: FloatArray) -> Part:
    """Adjusted legs, and the others by the scale of their picture: what both have in common is one draw.

    The scales' own factors come first, so that legs that are not adjusted have entries in these columns only.
    """
    cross = np.zeros((0, 0)) if adjusted.scale_covariance is None else adjusted.scale_covariance
    count = len(cross)
    scales = root_of(cross[:, :count])
    shared = np.linalg.pinv(scales) @ cross[:, count:]  # (c, k)
    rest = root_of(adjusted.covariance_m2 - shared.T @ shared) if len(adjusted.legs) else np.zeros((0, 0))
    legs = np.flatnonzero(surveyed >= 0)
    own = beside([(adjusted.legs, shared.T)], len(surveyed))
    others = beside([(legs, length_m[legs][:, None] * scales[surveyed[legs]])], len(surveyed))
    left = beside([(adjusted.legs, rest)], len(surveyed))
    return Part(ADJUSTED, sparse.csr_array(sparse.hstack([own + others, left], format="csr")))


def _fitted(runs: Runs) -> BoolArray:
    """(l,) legs that lie on fitted arcs or lines, at least in part."""
    out = np.zeros(len(runs.leg_id), dtype=np.bool_)
    if runs.edge_radius_m is not None:
        out[part_of(runs.offsets)[~np.isnan(runs.edge_radius_m)]] = True
    return out & ~runs.straight


def _scaled(part: Part, which: BoolArray, sigma_m: FloatArray) -> Part:
    """A part whose legs ``which`` have these standard deviations."""
    now = np.sqrt(part.variance)
    factor = np.where(which & (now > 0) & ~np.isnan(sigma_m), sigma_m / np.where(now > 0, now, 1.0), 1.0)
    return Part(part.name, sparse.csr_array(sparse.diags_array(factor) @ part.factor))


def _tapes(
    facts: BedFacts, bed: IntArray, length_m: FloatArray, own: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """(l,) standard deviation of the reading behind each leg, and of its tape's scale on it."""
    fixed = np.array([um_to_m(k.fixed) for _, k in facts.tapes] + [0.0])
    per = np.array([k.per_length_ppm * 1e-6 for _, k in facts.tapes] + [0.0])
    scale = np.array([k.scale_ppm * 1e-6 for _, k in facts.tapes] + [0.0])
    tape = facts.tape[bed]
    some = np.where(own & (tape >= 0), 1.0, 0.0)
    return some * (fixed[tape] + per[tape] * length_m), some * scale[tape] * length_m
