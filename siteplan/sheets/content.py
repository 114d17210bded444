"""What the sheets show, gathered once: chosen beds, pieces, points and texts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from siteplan.errors import Finding, UsageError
from siteplan.layers import NODE_WORDS, Layer, plan_layers
from siteplan.laying.band import build_band, line_points
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.model import NodeKind, Runs
from siteplan.ordering import Purchase, purchase
from siteplan.phases import choose_beds
from siteplan.plans import RunPlan, laid_length
from siteplan.publish.mapdata import CAUTIONS
from siteplan.publish.write import all_findings
from siteplan.sheets.fonts import Fonts
from siteplan.sheets.options import SheetOptions
from siteplan.sheets.revision import plan_hash
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, XYArray
from siteplan.units import format_length, format_lengths

__all__ = ["CAUTIONS", "Content", "Points", "choose_beds", "gather", "run_points"]


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Corners and ends of runs, in laying order.  k points.

    A point is called by its run and a letter: ``B07-1 A`` is where laying of the run begins.
    """

    run: IntArray
    letter: ObjectArray
    """(k,) str: A, B, ... Z, AA, AB, ..."""
    xy: XYArray
    turn_deg: FloatArray
    """(k,) signed turn of a corner, left positive, 0 elsewhere"""
    kind: IntArray
    """(k,) NodeKind"""
    leg: IntArray
    """(k,) the leg that begins here; of the last point of an open run the leg that ends here"""


def letters(count: int) -> list[str]:
    """A, B, ... Z, AA, AB, ...: names that are not taken for numbers."""
    made = []
    for k in range(count):
        number, text = k + 1, ""
        while number:
            number, rest = divmod(number - 1, 26)
            text = chr(65 + rest) + text
        made.append(text)
    return made


def run_points(runs: Runs) -> Points:
    """Corners and ends of every run.

    Returns
    -------
    Points, runs in order, A first.  A closed run has a point where each of its legs begins;
    a closed run without corners has one, the joint its pieces start at.
    """
    count = len(runs.run_id)
    per_run = np.diff(runs.leg_offsets)
    leg = np.arange(len(runs.leg_id))
    index = leg - runs.leg_offsets[runs.leg_run]
    open_runs = np.flatnonzero(~runs.closed)
    last = runs.leg_offsets[open_runs + 1] - 1
    run = np.concatenate([runs.leg_run, open_runs])
    order = np.lexsort([np.concatenate([index, per_run[open_runs]]), run])
    xy = np.concatenate([runs.xy[runs.offsets[:-1]], runs.xy[runs.offsets[last + 1] - 1]])
    names = np.array(letters(int(per_run.max()) + 1 if count else 0), dtype=object)
    return Points(
        run=run[order],
        letter=names[np.concatenate([index, per_run[open_runs]])[order]],
        xy=xy[order],
        turn_deg=np.concatenate([runs.start_turn_deg, runs.far_turn_deg[last]])[order],
        kind=np.concatenate([runs.start_kind, runs.far_kind[last]]).astype(np.int64)[order],
        leg=np.concatenate([leg, last])[order],
    )


def point_words(kind: int, turn_deg: float) -> str:
    """What stands at a point, in words."""
    if kind == NodeKind.CORNER:
        return "outside corner" if turn_deg > 0 else "inside corner"
    return NODE_WORDS[NodeKind(kind)] if kind != NodeKind.SEAM else "start joint"


class Lengths:
    """Lengths in the units the site shows."""

    def __init__(self, site: Site) -> None:
        self.unit = site.settings.show.units
        self.denominator = site.settings.show.inch_fraction

    def one(self, length_m: float) -> str:
        """A length in metres; not known is a dash."""
        text = format_length(float(length_m), self.unit, denominator=self.denominator)
        return "–" if text == "n/a" else text

    def many(self, length_um: IntArray) -> list[str]:
        """Many whole micrometres."""
        return format_lengths([int(v) for v in length_um], self.unit, denominator=self.denominator)


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """Everything the sheets draw and list, for the chosen beds."""

    site: Site
    plan: RunPlan
    result: Takeoff
    layers: dict[str, Layer]
    show: Lengths
    whole_site: bool
    subject: str
    """what is drawn, for the title block"""
    digest: str
    revision: str
    beds: IntArray
    """beds that are drawn, as indices"""
    runs: IntArray
    legs: IntArray
    pieces: IntArray
    corners: IntArray
    points: Points
    point_rows: IntArray
    """the points of the runs that are drawn"""
    chosen: BoolArray
    """(beds,) True where drawn"""
    bed_text: list[str]
    """(beds,) id of each bed as the sheets write it"""
    run_text: list[str]
    leg_text: list[str]
    piece_text: list[str]
    piece_number: list[str]
    """(p,) number of each piece within its leg, as its id has it"""
    joint_xy: XYArray
    """(p + open runs,) where pieces begin, and where open runs end"""
    joint_heading_deg: FloatArray
    joint_run: IntArray
    bought: Purchase
    """order and cut plan of the whole site"""
    findings: tuple[Finding, ...]
    """of the plan; those of the sheets are given back by :func:`write_sheets`"""

    def only(self, chosen: BoolArray) -> Content:
        """The same plan with other beds drawn.

        Parameters
        ----------
        chosen : (beds,) True where drawn
        """
        return replace(self, chosen=chosen, **_selection(chosen, self.plan, self.result, self.points))

    @property
    def length_basis(self) -> str:
        """Which length the sheets give."""
        frame = self.site.frame
        height = (
            "on the ellipsoid (no reference height)"
            if frame.height_m is None
            else f"at {frame.ellipsoidal_height_m:g} m above the ellipsoid"
        )
        if not self.has_slope:
            return f"Lengths: ground (plan, not slope), {height}"
        laid = (
            "slope lengths, along the ground, to which the pieces are fitted"
            if self.laid_slope
            else "ground (plan) lengths, to which the pieces are fitted since the edging steps"
        )
        return (
            f"Drawn to scale: plan (level) lengths, {height}. Dimensioned: {laid}. "
            "The table of runs and legs has both"
        )

    @property
    def has_slope(self) -> bool:
        """Whether the site asks for slope lengths, so that the sheets give both."""
        return self.site.settings.length_basis == "slope"

    @property
    def laid_slope(self) -> bool:
        """Whether pieces are fitted to slope lengths: these are dimensioned then."""
        return laid_length(self.site) == "slope"

    @property
    def leg_m(self) -> FloatArray:
        """(l,) length of each leg the sheets give: what the pieces are fitted to."""
        columns = self.layers["legs"].columns
        made: FloatArray = columns["slope_m" if self.laid_slope else "ground_m"]
        return made

    @property
    def run_m(self) -> FloatArray:
        """(r,) length of each run the sheets give."""
        columns = self.layers["runs"].columns
        made: FloatArray = columns["slope_m" if self.laid_slope else "ground_m"]
        return made

    def both_lengths(self, dimensioned_m: float, ground_m: float, slope_m: float) -> str:
        """A length, with the other one behind it where the site asks for slope lengths."""
        text = self.show.one(dimensioned_m)
        if not self.has_slope:
            return text
        if self.laid_slope:
            return f"{text} on the slope, {self.show.one(ground_m)} in plan"
        return f"{text} in plan, {self.show.one(slope_m)} on the slope"

    @property
    def grid_text(self) -> str:
        """Grid, unit, datum and factor."""
        frame = self.site.frame
        return (
            f"Grid: {frame.name}, in {frame.unit}. Datum: {frame.datum}. "
            f"Combined factor {frame.combined_factor:.8f}"
        )

    @property
    def north_text(self) -> str:
        """How grid north lies to true north."""
        turn = self.site.frame.convergence_deg
        if abs(turn) < 0.0005:
            return "Grid north is up; true north is the same here"
        side = "west" if turn > 0 else "east"
        return f"Grid north is up; true north lies {abs(turn):.3f}° {side} of it at the middle of the site"


def _texts(values: Iterable[Any]) -> list[str]:
    return [str(v) for v in values]


def _bed_texts(site: Site, fonts: Fonts) -> tuple[list[str], list[Finding]]:
    """How each bed is called on the sheets, and findings where that is not its own id."""
    made, findings = [], []
    for number, (bed, name) in enumerate(zip(_texts(site.beds.ids), _texts(site.beds.names), strict=True), 1):
        lost = fonts.missing(bed)
        made.append(f"#{number}" if lost else bed)
        if lost:
            findings.append(_lost(bed, f'its id is written "#{number}" on the sheets', lost))
        elif fonts.missing(name):
            findings.append(_lost(bed, f'its name "{name}" shows ? for some letters', fonts.missing(name)))
    return made, findings


def _other_letters(site: Site, result: Takeoff, options: SheetOptions, fonts: Fonts) -> list[Finding]:
    """Findings for letters outside the beds' own names."""
    articles = [text for a in result.articles for text in (a.code, a.name)]
    texts = {
        "the site's name": [site.settings.name],
        "the site's note": [site.settings.note],
        "the revision": [options.revision],
        "the product line": [*(x.name for x in result.lines), *articles],
        "names of abutments": _texts(site.abutments.names),
    }
    return [
        Finding(
            "missing-letters",
            "notice",
            f"{what}: ? stands for {' '.join(missing)}, which the fonts of the sheets cannot show. Name a "
            "TrueType font that has these letters with --font.",
        )
        for what, of_it in texts.items()
        if (missing := fonts.missing(" ".join(of_it)))
    ]


def _lost(bed: str, what: str, missing: Sequence[str]) -> Finding:
    return Finding(
        "missing-letters",
        "notice",
        f"{what}: the fonts of the sheets cannot show {' '.join(missing)}. Name a TrueType font that has "
        "these letters with --font; scripts written from right to left or with marks need a Latin name.",
        bed=bed,
    )


def _renamed(ids: ObjectArray, bed: IntArray, bed_ids: list[str], bed_text: list[str]) -> list[str]:
    """Ids that begin with their bed's, with the bed as the sheets write it."""
    if bed_ids == bed_text:
        return _texts(ids)
    return [bed_text[b] + text[len(bed_ids[b]) :] for text, b in zip(_texts(ids), bed.tolist(), strict=True)]


def _joints(plan: RunPlan, result: Takeoff) -> tuple[XYArray, FloatArray, IntArray]:
    """Where pieces begin, and where the last piece of each open run ends."""
    pieces, runs = result.pieces, plan.runs
    if not len(pieces):
        return np.empty((0, 2)), np.empty(0), np.empty(0, dtype=np.int64)
    last = np.flatnonzero(np.append(pieces.run[1:] != pieces.run[:-1], True))
    last = last[~runs.closed[pieces.run[last]]]
    run = np.concatenate([pieces.run, pieces.run[last]])
    at = np.concatenate([pieces.from_um, pieces.to_um[last]])
    xy, heading = line_points(build_band(runs, result.run_depth_um), run, at)
    return xy, heading, run


def _selection(chosen: BoolArray, plan: RunPlan, result: Takeoff, points: Points) -> dict[str, Any]:
    """Rows of everything that belongs to the chosen beds."""
    runs = plan.runs
    in_run = chosen[runs.bed]
    return {
        "beds": np.flatnonzero(chosen),
        "runs": np.flatnonzero(in_run),
        "legs": np.flatnonzero(in_run[runs.leg_run]),
        "pieces": np.flatnonzero(in_run[result.pieces.run]),
        "corners": np.flatnonzero(in_run[runs.leg_run[runs.corner_leg]]),
        "point_rows": np.flatnonzero(in_run[points.run]),
    }


def gather(
    site: Site, measures: BedMeasures, plan: RunPlan, result: Takeoff, options: SheetOptions, fonts: Fonts
) -> tuple[Content, tuple[Finding, ...]]:
    """Everything the sheets draw and list.

    Returns
    -------
    content
    findings : names whose letters cannot be shown

    Raises
    ------
    UsageError : beds or a phase the site does not have, or none of them has any edging.
    """
    plan = laid_plan(site, plan, result)
    chosen = choose_beds(site, options.beds, options.phase)
    runs, pieces = plan.runs, result.pieces
    if not chosen[runs.bed].any():
        raise UsageError("the beds to draw have no edging; there is nothing to put on sheets")
    bed_ids = _texts(site.beds.ids)
    bed_text, findings = _bed_texts(site, fonts)
    findings += _other_letters(site, result, options, fonts)
    points = run_points(runs)
    joint_xy, joint_heading, joint_run = _joints(plan, result)
    bought = purchase(site, plan, result)
    piece_text = _renamed(pieces.piece_id, pieces.bed, bed_ids, bed_text)
    content = Content(
        site=site,
        plan=plan,
        result=result,
        layers=plan_layers(site, measures, plan, result),
        show=Lengths(site),
        whole_site=bool(chosen.all()),
        subject=_subject(chosen, bed_text, options),
        digest=plan_hash(site, plan, result),
        revision=options.revision,
        points=points,
        chosen=chosen,
        **_selection(chosen, plan, result, points),
        bed_text=bed_text,
        run_text=_renamed(runs.run_id, runs.bed, bed_ids, bed_text),
        leg_text=_renamed(runs.leg_id, runs.bed[runs.leg_run], bed_ids, bed_text),
        piece_text=piece_text,
        piece_number=[text.rsplit("-", 1)[-1] for text in piece_text],
        joint_xy=joint_xy,
        joint_heading_deg=joint_heading,
        joint_run=joint_run,
        bought=bought,
        findings=(*all_findings(site, plan, result), *bought.order.findings),
    )
    return content, tuple(findings)


def _subject(chosen: BoolArray, bed_text: list[str], options: SheetOptions) -> str:
    if chosen.all() and options.phase is None:
        return "Whole site"
    names = [bed_text[b] for b in np.flatnonzero(chosen)]
    beds = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    beds = f"{'Bed' if len(names) == 1 else 'Beds'} {beds}"
    return beds if options.phase is None else f"Phase {options.phase}: {beds.lower() if not names else beds}"
