"""The tables of the sheets: beds, order, legs, corners, stakeout, cuts, pieces."""

from __future__ import annotations

from typing import Final

import numpy as np

from siteplan.laying.order import OrderRow
from siteplan.model import NodeKind, PieceKind
from siteplan.outline.curve_data import Arcs, arc_data, arcs_of
from siteplan.sheets.content import CAUTIONS, Content, point_words
from siteplan.sheets.tables import Align, Column, Row, Section
from siteplan.types import IntArray
from siteplan.units import METRES

FINDINGS_SHOWN: Final = 60


def _row(*cells: str) -> Row:
    return Row(cells)


def _reading_notes(content: Content) -> tuple[str, ...]:
    """How to read the sheets, in the words of this plan."""
    one = content.show.one
    lines, rules = content.result.lines, content.result.rules
    gaps = [one(x.gap_nominal_um / 1e6) for x in lines]
    gap = gaps[0] if len(set(gaps)) == 1 else ", ".join(
        f"{text} ({x.key})" for text, x in zip(gaps, lines, strict=True)
    )  # fmt: skip
    example = content.piece_text[content.pieces[0]] if len(content.pieces) else "B07-1-2-05"
    fit = f"{one(rules.fit_short_um / 1e6)} short or {one(rules.fit_over_um / 1e6)} over"
    begin = "start" if rules.lay_from == "start" else "far end"
    return (
        f"A piece is called by its bed, run, leg and number: {example}. The number stands beside the piece; "
        "where there is no room the first, the last and every fifth of a leg keep theirs, and the piece "
        "schedule has them all. Runs are walked with the bed on the left.",
        "Corners and ends of a run have letters in laying order, A first; the stakeout table has their grid "
        f"coordinates ({content.site.frame.unit}). A piece over a match line is drawn on both sheets and "
        "belongs to one: the paler strip beyond the line is the neighbour's.",
        f"Lay each leg from its {begin}. Joint gap {gap} unless the schedule says otherwise. The pieces of "
        f"a leg may come out up to {fit}.",
        f"Tape each straight leg before laying{', along the ground' if content.laid_slope else ''}, and "
        f"write the tape beside the {'slope' if content.laid_slope else 'plan'} length in the table of "
        "runs and legs. Where they differ by more than the pieces may come out short or over, stop and ask: "
        "the outline on the ground is then not the outline of the plan.",
        f"{content.length_basis}. {content.grid_text}. {content.north_text}.",
    )


class Schedules:
    """Makes the tables.

    Parameters
    ----------
    content : the plan
    sheets_of_run : numbers of the plan sheets each run has pieces on
    """

    def __init__(self, content: Content, sheets_of_run: dict[int, list[int]]) -> None:
        self.content = content
        self.sheets_of_run = sheets_of_run
        self.layers = content.layers

    def front(self) -> list[Section]:
        """What a crew reads before the plan sheets."""
        return [
            self.cautions(),
            self.how_to_read(),
            self.beds(),
            self.order(),
            *self.unmet(),
            *self.findings(),
        ]

    def back(self) -> list[Section]:
        """What it looks up."""
        return [self.legs(), *self.corners(), *self.curves(), self.stakeout(), *self.cuts(), self.pieces()]

    # --- front ---

    def cautions(self) -> Section:
        """Cautions of every output."""
        return Section("Before anybody digs", CAUTIONS, key="cautions")

    def how_to_read(self) -> Section:
        """What the numbers on the sheets mean, and the checks a crew makes."""
        return Section("How to use these sheets", _reading_notes(self.content), key="how")

    def _sheets(self, bed: int) -> str:
        runs = self.content.runs
        of_bed = runs[self.content.plan.runs.bed[runs] == bed]
        return ", ".join(
            str(n) for n in sorted({n for r in of_bed.tolist() for n in self.sheets_of_run.get(r, [])})
        )

    def beds(self) -> Section:
        """Beds with lengths and counts."""
        content = self.content
        pieces, runs = content.result.pieces, content.plan.runs
        table = np.zeros((len(content.bed_text), len(PieceKind)), dtype=np.int64)
        np.add.at(table, (pieces.bed[content.pieces], pieces.kind[content.pieces]), 1)
        length = np.bincount(
            runs.bed[content.runs],
            weights=content.run_m[content.runs],
            minlength=len(content.bed_text),
        )
        count = np.bincount(runs.bed[content.runs], minlength=len(content.bed_text))
        rows = [
            _row(
                content.bed_text[b],
                str(content.site.beds.names[b]),
                str(count[b] or "none"),
                content.show.one(length[b]) if count[b] else "",
                *(str(n) if n else "" for n in table[b]),
                self._sheets(b),
            )
            for b in content.beds.tolist()
        ]
        totals = table[content.beds].sum(axis=0)
        rows.append(
            Row(
                (f"Together: {content.show.one(length[content.beds].sum())}, {totals.sum()} pieces",),
                band=True,
            )
        )
        rows.append(_row("", "", str(count[content.beds].sum()), content.show.one(length[content.beds].sum()),
                         *(str(n) for n in totals), ""))  # fmt: skip
        right: Align = "right"
        return Section(
            "Beds",
            (f"Edging is the {_which(content)} length of the laying line of the bed's runs.",),
            (
                Column("Bed"), Column("Name", wrap=True), Column("Runs", right), Column("Edging", right),
                Column("Sect.", right), Column("Clos.", right), Column("Cut", right), Column("Corn.", right),
                Column("Ends", right), Column("Sheets"),
            ),
            tuple(rows),
            key="beds",
        )  # fmt: skip

    def order(self) -> Section:
        """Pieces to order, or to bring to the chosen beds."""
        content = self.content
        right: Align = "right"
        rows = content.bought.order.rows
        if content.whole_site:
            note = (
                "Takeoff: pieces of the plan, a cut piece counted as the section it is cut from. Order: "
                "sections to cut by the cut plan, sections for unmet legs, breakage, spares, in whole packs."
            )
            return Section(
                "Order",
                (note,),
                (Column("Code"), Column("Piece", wrap=True), Column("Takeoff", right), Column("Unmet", right),
                 Column("Spares", right), Column("Order", right), Column("Packs", right)),
                tuple(self._order_rows([r for r in rows if r.order])),
                key="order",
                most_columns=1,
            )  # fmt: skip
        counts = content.result.leg_counts[content.legs].sum(axis=0).tolist()
        used = dict(zip(content.result.codes, counts, strict=True))
        note = "A cut piece counts as the section it is cut from. Spares are in the order for the whole site."
        needed = [(r.line, _row(r.code, r.name, str(used[r.code]))) for r in rows if used[r.code]]
        return Section(
            "Pieces for these beds",
            (note,),
            (Column("Code"), Column("Piece", wrap=True), Column("Pieces", right)),
            tuple(self._by_line(needed)),
            key="order",
            most_columns=1,
        )

    def _order_rows(self, rows: list[OrderRow]) -> list[Row]:
        """Rows of the order; under the name of their line where there are several."""
        return self._by_line([(r.line, _order_row(r)) for r in rows])

    def _by_line(self, rows: list[tuple[str, Row]]) -> list[Row]:
        """Rows, under the name of their product line where there are several."""
        lines = self.content.result.lines
        if len(lines) == 1:
            return [row for _, row in rows]
        made: list[Row] = []
        for line in lines:
            own = [row for key, row in rows if key == line.key]
            made += [Row((f"{line.name} ({line.key})",), band=True), *own] if own else []
        return made

    def unmet(self) -> list[Section]:
        """Legs and corners that nothing in the product line makes."""
        content = self.content
        unmet = content.result.unmet
        rows = [
            _row(content.leg_text[leg], content.show.one(short), str(why))
            for leg, short, why in zip(unmet.leg.tolist(), unmet.short_m.tolist(), unmet.why, strict=True)
            if leg in set(content.legs.tolist())
        ]
        if not rows:
            return []
        return [
            Section(
                "Unmet",
                ("These legs and corners cannot be made as planned. Decide before laying.",),
                (Column("Leg"), Column("Short", "right"), Column("Why", wrap=True)),
                tuple(rows),
                key="unmet",
                most_columns=1,
            )
        ]

    def findings(self) -> list[Section]:
        """What to look at first."""
        content = self.content
        names = dict(zip(map(str, content.site.beds.ids), content.bed_text, strict=True))
        chosen = {str(content.site.beds.ids[b]) for b in content.beds}
        found = [f for f in content.findings if f.bed is None or f.bed in chosen]
        rows = [_row(f.grade, names.get(f.bed or "", ""), f.text) for f in found[:FINDINGS_SHOWN]]
        if not rows:
            return []
        more = len(found) - len(rows)
        notes = (f"The first {len(rows)} of {len(found)}; the others are in summary.json.",) if more else ()
        columns = (Column("Grade"), Column("Bed"), Column("Finding", wrap=True))
        return [Section("Look at first", notes, columns, tuple(rows), key="findings", most_columns=1)]

    # --- back ---

    def _run_band(self, run: int, *, both: bool = False) -> Row:
        content = self.content
        runs = content.plan.runs
        columns = self.layers["runs"].columns
        bed = int(runs.bed[run])
        form = "closed" if runs.closed[run] else "open"
        name = str(content.site.beds.names[bed])
        sheets = self.sheets_of_run.get(run, [])
        parts = [
            content.run_text[run],
            f"{form}, "
            + (
                content.both_lengths(content.run_m[run], columns["ground_m"][run], columns["slope_m"][run])
                if both
                else content.show.one(content.run_m[run])
            ),
            f"{int(columns['pieces'][run])} pieces",
            content.result.line_of_run(run).key if len(content.result.lines) > 1 else "",
            str(columns["owner"][run]) if "owner" in columns else "",
            f"sheet{'s' if len(sheets) > 1 else ''} {', '.join(map(str, sheets))}" if sheets else "",
            "" if name in (content.bed_text[bed], str(content.site.beds.ids[bed])) else name,
        ]
        return Row((" · ".join(p for p in parts if p),), band=True)

    def _letters(self) -> tuple[list[str], list[str]]:
        """Letters of the points each leg begins and ends at."""
        runs, points = self.content.plan.runs, self.content.points
        starts = [""] * len(runs.leg_id)
        fars = [""] * len(runs.leg_id)
        first: dict[int, str] = {}
        for run, letter, leg in zip(points.run.tolist(), points.letter, points.leg.tolist(), strict=True):
            first.setdefault(run, letter)
            if not starts[leg]:
                starts[leg] = letter
            else:
                fars[leg] = letter
        for leg in range(len(runs.leg_id)):
            if not fars[leg]:
                run = int(runs.leg_run[leg])
                last = leg + 1 == runs.leg_offsets[run + 1]
                fars[leg] = first[run] if last else starts[leg + 1]
        return starts, fars

    def legs(self) -> Section:
        """Runs and legs with lengths, and room for the tape."""
        content = self.content
        runs = content.plan.runs
        columns = self.layers["legs"].columns
        starts, fars = self._letters()
        other = columns["ground_m" if content.laid_slope else "slope_m"]
        names = ("Slope", "Plan") if content.laid_slope else ("Plan", "Slope")
        both = content.has_slope
        heads = [Column(name, "right") for name in (names if both else ("Length",))]
        rows: list[Row] = []
        for run in content.runs.tolist():
            rows.append(self._run_band(run, both=True))
            rows += [
                _row(
                    content.leg_text[leg].rsplit("-", 1)[-1],
                    f"{starts[leg]} to {fars[leg]}",
                    content.show.one(content.leg_m[leg]),
                    *([content.show.one(other[leg])] if content.has_slope else []),
                    "",
                    "straight" if runs.straight[leg] else "curved",
                    _fill(content, leg),
                    _signed(content, float(columns["left_over_m"][leg])),
                )
                for leg in range(int(runs.leg_offsets[run]), int(runs.leg_offsets[run + 1]))
            ]
        return Section(
            "Runs and legs",
            (
                f"{content.length_basis}. Lengths run from corner point to corner point. Left over: what the "
                "pieces leave short (+) or over (-).",
            ),
            (Column("Leg"), Column("Points"), *heads, Column("Taped", least=52.0),
             Column("Form"), Column("Between its units", wrap=True), Column("Left over", "right")),
            tuple(rows), key="legs", blanks=(4 if both else 3,),
        )  # fmt: skip

    def corners(self) -> list[Section]:
        """Corner units with turns."""
        content = self.content
        points, rows_at = content.points, content.point_rows
        corners = rows_at[points.kind[rows_at] == NodeKind.CORNER]
        if not len(corners):
            return []
        codes = _corner_codes(content)
        rows = [
            _row(
                f"{content.run_text[points.run[k]]} {points.letter[k]}",
                "outside" if points.turn_deg[k] > 0 else "inside",
                f"{abs(points.turn_deg[k]):.1f}°",
                f"{180 - abs(points.turn_deg[k]):.1f}°",
                codes.get(int(points.leg[k]), "no unit"),
            )
            for k in corners.tolist()
        ]
        columns = (
            Column("Point"),
            Column("Side"),
            Column("Turn", "right"),
            Column("Angle", "right"),
            Column("Unit"),
        )
        notes = ("Turn: how far the line turns. Angle: between the two legs.",)
        return [Section("Corners", notes, columns, tuple(rows), key="corners")]

    def curves(self) -> list[Section]:
        """Elements of the fitted arcs; radius, arc and chord of the curved legs that stayed as traced."""
        runs = self.content.plan.runs
        legs = self.content.legs[~runs.straight[self.content.legs]]
        if runs.edge_radius_m is None:
            return self._traced_curves(legs)
        arcs = arcs_of(runs)
        drawn = np.flatnonzero(np.isin(arcs.leg, legs))
        fitted = [self._fitted_arcs(arcs, drawn)] if len(drawn) else []
        return [*fitted, *self._traced_curves(legs[~np.isin(legs, arcs.leg)])]

    def _fitted_arcs(self, arcs: Arcs, rows_at: IntArray) -> Section:
        content = self.content
        runs, show = content.plan.runs, content.show
        data = arc_data(runs, arcs)
        begin, end = (content.site.frame.grid(runs.xy[at]) for at in (arcs.first, arcs.last))
        rows = [
            _row(
                content.leg_text[int(arcs.leg[k])], "left" if arcs.radius_m[k] > 0 else "right",
                *(show.one(v[k]) for v in (data.radius_m, data.arc_m, data.chord_m)),
                f"{abs(data.turn_deg[k]):.3f}°", show.one(data.tangent_m[k]),
                f"{begin[k, 0]:.3f}", f"{begin[k, 1]:.3f}", f"{end[k, 0]:.3f}", f"{end[k, 1]:.3f}",
            )
            for k in rows_at.tolist()
        ]  # fmt: skip
        right: Align = "right"
        note = (
            "Arcs fitted to the traced outlines, on the laying line. R: radius. Arc, chord: from beginning "
            "(PC) to end (PT), along the curve and straight. Turn: between the tangents. T: from PC and "
            "from PT to where the tangents meet; a dash from a half turn on. "
            f"Coordinates in the grid ({content.site.frame.unit})."
        )
        return Section(
            "Curve data",
            (note,),
            (Column("Leg"), Column("Turns"), Column("R", right), Column("Arc", right), Column("Chord", right),
             Column("Turn", right), Column("T", right), Column("PC east", right), Column("PC north", right),
             Column("PT east", right), Column("PT north", right)),
            tuple(rows), key="arcs",
        )  # fmt: skip

    def _traced_curves(self, legs: IntArray) -> list[Section]:
        content = self.content
        columns = self.layers["legs"].columns
        runs = content.plan.runs
        if not len(legs):
            return []
        starts, fars = self._letters()
        rows = [
            _row(
                content.leg_text[leg],
                f"{starts[leg]} to {fars[leg]}",
                content.show.one(columns["left_radius_m"][leg]),
                content.show.one(columns["right_radius_m"][leg]),
                content.show.one(columns["ground_m"][leg]),
                "–" if runs.far_kind[leg] == NodeKind.SEAM else content.show.one(columns["chord_m"][leg]),
            )
            for leg in legs.tolist()
        ]
        right: Align = "right"
        return [
            Section(
                "Curves",
                ("Least radius of the parts that turn left (outward) and right (inward). Arc: the plan "
                 "length of the leg on the laying line. Chord: straight from its first to its last point.",),
                (Column("Leg"), Column("Points"), Column("R left", right), Column("R right", right),
                 Column("Arc", right), Column("Chord", right)),
                tuple(rows), key="curves",
            )
        ]  # fmt: skip

    def stakeout(self) -> Section:
        """Grid coordinates of corners and ends."""
        content = self.content
        points = content.points
        unit = content.site.frame.unit
        grid = content.site.frame.grid(points.xy)
        rows: list[Row] = []
        run = -1
        for k in content.point_rows.tolist():
            if points.run[k] != run:
                run = int(points.run[k])
                rows.append(self._run_band(run))
            rows.append(
                _row(str(points.letter[k]), point_words(int(points.kind[k]), float(points.turn_deg[k])),
                     f"{grid[k, 0]:.3f}", f"{grid[k, 1]:.3f}")
            )  # fmt: skip
        return Section(
            "Stakeout: corners and ends",
            (f"{content.grid_text}. Points lie on the laying line, which is dug out: set offset pegs.",),
            (
                Column("Point"),
                Column("What"),
                Column(f"East ({unit})", "right"),
                Column(f"North ({unit})", "right"),
            ),
            tuple(rows),
            key="stakeout",
        )

    def cuts(self) -> list[Section]:
        """Cut pieces by the section they are sawn from, in order of sawing."""
        content = self.content
        saw = content.bought.cuts.saw_list()
        here = np.flatnonzero(np.isin(saw.row, content.pieces))
        if not len(here):
            return []
        show = content.show.many
        angles = _saw_angles(content, saw.row[here])
        sawn = any(angles)
        rows = [
            _row(
                f"{saw.stock[k]}.{saw.nth[k]}",
                str(saw.code[k]),
                length,
                content.piece_text[saw.row[k]],
                *((angle,) if sawn else ()),
                ("keep " if saw.kept[k] else "") + offcut if saw.offcut_um[k] else "",
                "",
            )
            for k, length, offcut, angle in zip(
                here.tolist(), show(saw.cut_um[here]), show(saw.offcut_um[here]), angles, strict=True
            )
        ]
        sections = len(np.unique(saw.stock[here]))
        shared = (
            "" if content.whole_site else " A section may also hold pieces of beds that are not drawn here."
        )
        note = (
            f"{len(here)} cut pieces from {sections} sections. Cut: section and cut, in order of sawing. "
            f"Offcut: what is left of the section after its last cut.{shared}"
        )
        if sawn:
            note += (
                " Saw: degrees off square at the start and the far end of the piece, and which face is the "
                "longer one there, walking with the bed on the left (R right, L left). A piece sawn off "
                "square is cut to its length from point to point; its faces are in the order book."
            )
        columns = (
            Column("Cut"), Column("From"), Column("Cut to", "right"), Column("Piece"),
            *((Column("Saw"),) if sawn else ()),
            Column("Offcut", "right"), Column("Done", least=22.0),
        )  # fmt: skip
        blanks = (len(columns) - 1,)
        return [Section("Cut list", (note,), columns, tuple(rows), key="cuts", blanks=blanks)]

    def pieces(self) -> Section:
        """Every piece, in laying order."""
        content = self.content
        pieces, chosen = content.result.pieces, content.pieces
        columns = self.layers["pieces"].columns
        starts = content.show.many(pieces.from_um[chosen])
        lengths = content.show.many(pieces.to_um[chosen] - pieces.from_um[chosen])
        gaps = _gaps(content, chosen)
        kinds = columns["kind"][chosen]
        left = pieces.left_over_um[chosen].tolist()
        rows: list[Row] = []
        run = -1
        for k, p in enumerate(chosen.tolist()):
            if pieces.run[p] != run:
                run = int(pieces.run[p])
                rows.append(self._run_band(run))
            over = f" {_signed(content, left[k] / 1e6)}" if left[k] else ""
            rows.append(
                _row(
                    content.piece_text[p],
                    str(kinds[k]),
                    str(pieces.code[p]),
                    starts[k],
                    lengths[k],
                    f"{gaps[k]}{over}",
                )
            )
        right: Align = "right"
        return Section(
            "Piece schedule",
            ("Every piece once, in laying order. From: station along the run where it begins. Gap: the joint "
             "before it; a signed length after it is the left-over of the leg, kept at that joint.",),
            (Column("Piece"), Column("Kind"), Column("Code"), Column("From", right), Column("Length", right),
             Column("Gap", right)),
            tuple(rows), key="pieces",
        )  # fmt: skip


def _saw_angles(content: Content, pieces: IntArray) -> list[str]:
    """Angles a piece is sawn at, ``45.0 R | square``; empty where both ends are square."""
    of = content.result.pieces
    if of.start_saw_deg is None or of.far_saw_deg is None:
        return [""] * len(pieces)

    def one(angle: float) -> str:
        return "square" if np.isnan(angle) else f"{abs(angle):.1f}° {'R' if angle > 0 else 'L'}"

    return [
        "" if np.isnan(a) and np.isnan(b) else f"{one(a)} | {one(b)}"
        for a, b in zip(of.start_saw_deg[pieces].tolist(), of.far_saw_deg[pieces].tolist(), strict=True)
    ]


def _order_row(row: OrderRow) -> Row:
    packs = f"{row.packs} x {row.pack}" if row.packs else ""
    singles = f"{row.singles} single" if row.singles else ""
    return _row(
        row.code, row.name, str(row.takeoff), str(row.for_unmet or ""), str(row.spares), str(row.order),
        " + ".join(p for p in (packs, singles) if p),
    )  # fmt: skip


def _which(content: Content) -> str:
    return "slope" if content.laid_slope else "ground"


def _signed(content: Content, length_m: float) -> str:
    if not length_m:
        return ""
    if content.show.unit == "m":
        return f"{length_m * 1e3:+.1f} mm"
    return f'{length_m / float(METRES["in"]):+.2f}"'


def _gaps(content: Content, chosen: IntArray) -> list[str]:
    """Joint gaps, fine enough to see them."""
    gap = content.result.pieces.gap_um[chosen]
    if content.show.unit == "m":
        return [f"{g / 1e3:.1f} mm" if g else "" for g in gap.tolist()]
    inch = float(METRES["in"]) * 1e6
    return [f'{g / inch:.2f}"' if g else "" for g in gap.tolist()]


def _fill(content: Content, leg: int) -> str:
    """What stands between the units of a leg: ``5 x F-2000, cut 1.234 m``."""
    result = content.result
    parts = [
        f"{n} x {s.article.code}"
        for s, n in zip(result.straights, result.fits.counts[leg].tolist(), strict=True)
        if n
    ]
    parts += [f"cut {content.show.one(um / 1e6)}" for um in result.fits.cut_um[leg].tolist() if um]
    return ", ".join(parts)


def _corner_codes(content: Content) -> dict[int, str]:
    """Code of the unit at each corner, by the leg that leaves it."""
    runs = content.plan.runs
    codes = content.layers["corners"].columns["code"]
    made = {}
    for arriving, code in zip(runs.corner_leg.tolist(), codes, strict=True):
        run = int(runs.leg_run[arriving])
        last = arriving + 1 == runs.leg_offsets[run + 1]
        leaving = int(runs.leg_offsets[run]) if last else arriving + 1
        if code is not None:
            made[leaving] = str(code)
    return made
