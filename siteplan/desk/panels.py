"""What the side panel says: of one bed, or of the whole site."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from siteplan.desk.state import State
from siteplan.desk.view import BED_SUMS, PartView, Shown
from siteplan.desk.words import Words, counted, rows
from siteplan.errors import Finding
from siteplan.laying.result import Takeoff
from siteplan.lengths import bed_measures
from siteplan.model import PieceKind
from siteplan.parts import Part
from siteplan.tables import taken
from siteplan.types import BoolArray, IntArray
from siteplan.units import um_to_m

PENDING: Final = {"text": "being reckoned", "pending": True}
TRIED: Final = {"text": "reckoned when the change is kept", "pending": "The change is only tried."}
"""while a change is tried: what is known is of the plan before it"""


class Counts:
    """Pieces by code, summed over parts."""

    def __init__(self) -> None:
        self.rows: dict[str, dict[str, Any]] = {}
        self.cuts = 0

    def add(self, result: Takeoff, counts: IntArray, cuts: int) -> None:
        """Count pieces.

        Parameters
        ----------
        result : whose articles they are
        counts : (a,) pieces of each article
        cuts : how many of them are cut
        """
        for article, kind, n in zip(result.articles, result.article_kinds, counts.tolist(), strict=True):
            if n:
                row = self.rows.setdefault(
                    article.code, {"code": article.code, "what": article.name, "kind": kind, "count": 0}
                )
                row["count"] += int(n)
        self.cuts += cuts

    def table(self) -> list[dict[str, Any]]:
        """Rows of the table of counts: kind by kind, in the order they came in."""
        made = sorted(self.rows.values(), key=lambda r: KINDS.index(r["kind"]))
        if self.cuts:
            made.append({"code": "", "what": "of these, cut to length", "kind": "cut", "count": self.cuts})
        return [{**row, "text": f"{row['count']:,}"} for row in made]


KINDS: Final = ("section", "closer", "corner", "end")


def _legs_of(part: Part, beds: BoolArray) -> BoolArray:
    runs = part.plan.runs
    of_run = beds[runs.bed]
    found: BoolArray = of_run[runs.leg_run]
    return found


def finding_rows(part: Part, findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Findings with the place they are about."""
    shapes = part.site.bed_shapes
    first: dict[str, int] = {}
    for ring, bed in enumerate(shapes.ids[shapes.ring_feature].tolist()):
        first.setdefault(str(bed), int(shapes.ring_offsets[ring]))
    at = [first.get(f.bed) if f.bed is not None else None for f in findings]
    known = np.array([a for a in at if a is not None], dtype=np.int64)
    lonlat = iter(np.round(part.site.frame.wgs84(shapes.xy[known]), 10).tolist() if len(known) else [])
    return [
        {"level": f.grade, "text": f.text, "bed": f.bed, "at": None if a is None else next(lonlat)}
        for f, a in zip(findings, at, strict=True)
    ]


def bed_panel(view: PartView, bed: int, revision: int) -> dict[str, Any]:
    """The panel of one bed.

    Parameters
    ----------
    view : of the bed's part
    bed : its index there
    revision : of the record
    """
    part = view.part
    site, runs, result = part.site, part.plan.runs, part.result
    words = Words.of(site)
    own = np.arange(len(site.beds)) == bed
    measures = bed_measures(site.frame, taken(site.beds, own))
    legs = _legs_of(part, own)
    of_run = own[runs.bed]
    bed_id = str(site.beds.ids[bed])
    counts = Counts()
    cut = legs[result.pieces.leg] & (result.pieces.kind == PieceKind.CUT)
    counts.add(result, result.leg_counts[legs].sum(axis=0), int(np.count_nonzero(cut)))
    unmet = own[runs.bed[result.unmet.run]]
    unedged = own[part.plan.unedged.bed]
    shown = [
        ("Outline", words.length(float(measures.perimeter_m[0]))),
        *([("Area", words.area(float(measures.area_m2[0])))] if measures.area_m2[0] else []),
        ("Edging", words.length(float(part.plan.lengths.run_ground_m[of_run].sum()))),
        ("Runs", f"{counted(int(of_run.sum()), 'run')}, {counted(int(legs.sum()), 'leg')}"),
        ("Corners", _corner_text(part, legs)),
        ("Pieces", f"{int(np.count_nonzero(own[result.pieces.bed])):,}"),
    ]
    if unedged.any():
        shown.append(("No edging", words.length(float(part.plan.unedged.length_m[unedged].sum()))))
    if site.settings.length_basis == "slope":
        shown.append(
            ("Edging on the slope", words.length(float(part.plan.lengths.run_slope_m[of_run].sum())))
        )
    name = str(site.beds.names[bed])
    return {
        "title": name if name == bed_id else f"{name} ({bed_id})",
        "bed": bed_id,
        "revision": revision,
        "rows": rows(shown),
        "counts": counts.table(),
        "legs": _leg_rows(part, legs, words),
        "unmet": _unmet_rows(view, unmet),
        "findings": finding_rows(part, [f for f in view.findings if f.bed == bed_id]),
        "cost": None,
    }


def _corner_text(part: Part, legs: BoolArray) -> str:
    runs = part.plan.runs
    turn = runs.corner_turn_deg[legs[runs.corner_leg]]
    outside = int((turn > 0).sum())
    return f"{outside:,} outside, {len(turn) - outside:,} inside"


def _leg_rows(part: Part, legs: BoolArray, words: Words) -> list[dict[str, Any]]:
    runs, result = part.plan.runs, part.result
    unmet = set(result.unmet.leg.tolist())
    pieces = result.leg_counts.sum(axis=1)
    which = np.flatnonzero(legs)
    lengths = words.lengths(runs.length_m[which])
    return [
        {
            "id": str(runs.leg_id[k]),
            "length": length,
            "pieces": f"{int(pieces[k]):,}",
            "unmet": k in unmet,
            "left_over": _left_over(words, int(result.fits.left_over_um[k])),
        }
        for k, length in zip(which.tolist(), lengths, strict=True)
    ]


def _left_over(words: Words, um: int) -> str:
    if not um:
        return "none"
    return f"{words.length(abs(um_to_m(um)))} {'short' if um > 0 else 'over'}"


def _unmet_rows(view: PartView, keep: BoolArray, most: int | None = None) -> list[dict[str, Any]]:
    runs, unmet = view.part.plan.runs, view.part.result.unmet
    return [
        {"leg": str(runs.leg_id[unmet.leg[k]]), "bed": str(unmet.bed[k]), "text": view.unmet_texts[k]}
        for k in np.flatnonzero(keep)[:most].tolist()
    ]


def site_panel(
    title: str,
    shown: Sequence[Shown],
    revision: int,
    *,
    findings: list[dict[str, Any]] | None,
    cost: dict[str, Any] | None,
    listed: bool = True,
) -> dict[str, Any]:
    """The panel of the whole site, summed over its parts.

    Parameters
    ----------
    findings : None while they are being gathered
    cost : None while it is being reckoned
    listed : with the unmet places and the findings one by one
    """
    totals = np.zeros(len(BED_SUMS))
    counts = Counts()
    unmet: list[dict[str, Any]] = []
    unmet_count = 0
    for each in shown:
        part, sums = each.view.part, each.view.bed_sums
        totals += sums.values[each.live].sum(axis=0)
        counts.add(part.result, sums.counts[each.live].sum(axis=0), int(sums.cuts[each.live].sum()))
        if len(part.result.unmet):
            keep = each.live[part.plan.runs.bed[part.result.unmet.run]]
            unmet_count += int(np.count_nonzero(keep))
            if listed:
                unmet += _unmet_rows(each.view, keep, MOST_ROWS - len(unmet))
    length = float(totals[0])
    runs, legs, pieces, outside, corners = (int(v) for v in totals[1:])
    beds = sum(int(each.live.sum()) for each in shown)
    first = shown[0].view.part if shown else None
    total = Words.of(first.site).length(length) if first is not None else "none yet"
    return {
        "title": title,
        "revision": revision,
        "rows": rows(
            [
                ("Beds", f"{beds:,}"),
                ("Edging", total),
                ("Runs", f"{counted(runs, 'run')}, {counted(legs, 'leg')}"),
                ("Corners", f"{outside:,} outside, {corners - outside:,} inside"),
                ("Pieces", f"{pieces:,}"),
                ("Unmet", counted(unmet_count, "place")),
            ]
        ),
        "counts": counts.table(),
        "legs": [],
        **({"unmet": unmet, "findings": findings or []} if listed else {}),
        "unmet_count": unmet_count,
        "findings_pending": findings is None,
        "cost": PENDING if cost is None else cost,
    }


def tried_panel(state: State) -> dict[str, Any]:
    """The panel of a site while a change is tried: its sums alone."""
    name = state.site.settings.name
    return site_panel(name, state.shown, state.revision, findings=[], cost=TRIED, listed=False)


MOST_ROWS: Final = 500
"""unmet places named in the panel of a site"""
