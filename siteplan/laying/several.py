"""Runs of several product lines: laid line by line, and put together as one takeoff.

A run has one line, and no corner, fill or cut goes from one run to another, so each line's runs are
laid as a site of their own.  Two things alone look beside a run: an end at a tee, which keeps clear of the
other run's strip whatever line that is of (:class:`siteplan.laying.filling.Beside`), and a leg moved
sideways, which keeps clear of every other leg.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np
import shapely

from siteplan.laying.band import stations
from siteplan.laying.filling import Beside
from siteplan.laying.fit_types import LegFits
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.mitres import CornerSections
from siteplan.laying.one_line import lay_one
from siteplan.laying.play import Play
from siteplan.laying.result import LineFill, Takeoff
from siteplan.laying.unmet import Unmet
from siteplan.model import Pieces, Runs
from siteplan.outline.arrange import join_runs, rows_of, take_runs
from siteplan.planar import linestrings, offsets_of
from siteplan.products import ProductLine
from siteplan.types import BoolArray, IntArray, ObjectArray

Table = TypeVar("Table")


def lay_several(
    runs: Runs,
    bed_ids: ObjectArray | Sequence[str],
    lines: tuple[ProductLine, ...],
    of_run: IntArray,
    rules: LayRules,
    *,
    held: BoolArray | None = None,
) -> Takeoff:
    """Take off and place the pieces of runs of several lines.

    Parameters
    ----------
    runs, bed_ids, rules, held : as in :func:`siteplan.laying.takeoff.lay`
    lines : lines in use, each once
    of_run : (r,) which of them each run is laid with
    """
    # here runs count into the lines in use; what comes out counts as the caller does
    counted = replace(runs, line=of_run)
    if rules.play_um:
        near = beside_another(counted, lines, rules.play_um)
        held = near if held is None else held | near
    own = [np.flatnonzero(of_run == k) for k in range(len(lines))]
    parts = []
    for line, which in zip(lines, own, strict=True):
        legs = rows_of(runs.leg_offsets, which)
        parts.append(
            lay_one(
                take_runs(counted, which),
                bed_ids,
                line,
                rules,
                held=None if held is None else held[legs],
                beside=Beside(counted, lines, which),
            )
        )
    return put_together(runs, own, parts)


def beside_another(runs: Runs, lines: Sequence[ProductLine], play_um: int) -> BoolArray:
    """(l,) legs so close to one of another line that they may not be moved towards it.

    Parameters
    ----------
    runs : all runs, their lines in ``runs.line``
    lines : the lines
    play_um : how far each leg may be moved
    """
    out = np.zeros(len(runs.leg_id), dtype=np.bool_)
    if runs.line is None or not len(out):
        return out
    of_leg = runs.line[runs.leg_run]
    half_m = np.array([x.depth_um for x in lines])[of_leg] / 2e6
    shapes = linestrings(runs.xy, runs.offsets)
    farthest_m = 2 * float(half_m.max()) + 2 * play_um / 1e6
    one, two = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=farthest_m)
    other = of_leg[one] != of_leg[two]
    one, two = one[other], two[other]
    clear_m = half_m[one] + half_m[two] + 2 * play_um / 1e6
    out[one[shapely.dwithin(shapes[one], shapes[two], clear_m)]] = True
    return out


def put_together(runs: Runs, own: Sequence[IntArray], parts: Sequence[Takeoff]) -> Takeoff:
    """Takeoffs of single lines as one.

    Parameters
    ----------
    runs : all runs, their lines counted as the caller does; so are those of the moved runs
    own : the runs of each part, increasing
    parts : takeoffs of one line each, of those runs in that order
    """
    legs = [rows_of(runs.leg_offsets, which) for which in own]
    corner_of = np.full(len(runs.leg_id), -1, dtype=np.int64)
    corner_of[runs.corner_leg] = np.arange(len(runs.corner_leg))
    corners = [(c := corner_of[leg])[c >= 0] for leg in legs]
    of_run, of_leg, of_corner = _Rows(own), _Rows(legs), _Rows(corners)
    lines = tuple(p.lines[0] for p in parts)
    straight = _shifts([len(x.straights) for x in lines])
    unit = _shifts([len(x.corners) for x in lines])
    article = _shifts([len(x.articles) for x in lines])
    moved = _moved(runs, own, parts, of_run, of_leg)
    where = [(p.narrow_run, p.narrow_xy) for p in parts]
    narrow_run = np.concatenate([which[run] for which, (run, _) in zip(own, where, strict=True)])
    in_order = np.argsort(narrow_run, kind="stable")
    return Takeoff(
        lines=lines,
        run_line=of_run.part,
        rules=parts[0].rules,
        stations=stations(runs if moved is None else moved.runs),
        corners=replace(
            of_corner.table([p.corners for p in parts]),
            unit=of_corner.values([_shifted(p.corners.unit, k) for p, k in zip(parts, unit, strict=True)]),
        ),
        corner_laid=of_corner.values([p.corner_laid for p in parts]),
        corner_sections=CornerSections(
            arriving=of_corner.table([p.corner_sections.arriving for p in parts]),
            leaving=of_corner.table([p.corner_sections.leaving for p in parts]),
        ),
        fills=tuple(
            LineFill(x, which, leg, p.fills[0].legs, p.fills[0].curved)
            for x, which, leg, p in zip(lines, own, legs, parts, strict=True)
        ),
        rest_um=of_leg.values([p.rest_um for p in parts]),
        laid=of_leg.values([p.laid for p in parts]),
        fits=_fits([p.fits for p in parts], straight, of_leg),
        codes=tuple(code for p in parts for code in p.codes),
        leg_counts=of_leg.values(_side_by_side([p.leg_counts for p in parts], article)),
        run_counts=of_run.values(_side_by_side([p.run_counts for p in parts], article)),
        by_kind={k: sum(p.by_kind[k] for p in parts) for k in parts[0].by_kind},
        unmet=_unmet([p.unmet for p in parts], own, legs),
        narrow_run=narrow_run[in_order],
        narrow_xy=np.concatenate([xy for _, xy in where])[in_order],
        pieces=_pieces([p.pieces for p in parts], own, legs),
        curve_um=of_leg.values([p.curve_um for p in parts]),
        faired_m=of_leg.values([p.faired_m for p in parts]),
        play=moved,
    )


class _Rows:
    """Where the rows of several tables go in the one they are parts of."""

    def __init__(self, rows: Sequence[IntArray]) -> None:
        """Of each part, the row of the whole that each of its rows is."""
        self.rows = rows
        self.part = self.values([np.full(len(r), k, dtype=np.int64) for k, r in enumerate(rows)])

    def values(self, values: Sequence[Any]) -> Any:
        """A column of the whole."""
        first = values[0]
        made = np.empty((sum(len(r) for r in self.rows), *first.shape[1:]), dtype=np.result_type(*values))
        for rows, part in zip(self.rows, values, strict=True):
            made[rows] = part
        return made

    def table(self, tables: Sequence[Table]) -> Table:
        """A dataclass of columns."""
        names = [f.name for f in fields(tables[0])]  # type: ignore[arg-type]
        return replace(  # type: ignore[type-var]
            tables[0], **{n: self.values([getattr(t, n) for t in tables]) for n in names}
        )


def _shifts(counts: Sequence[int]) -> list[tuple[int, int]]:
    """Of each part: columns before it, columns behind it."""
    before = np.concatenate([[0], np.cumsum(counts)]).tolist()
    return [(before[k], before[-1] - before[k + 1]) for k in range(len(counts))]


def _shifted(index: IntArray, shift: tuple[int, int]) -> IntArray:
    """Indices of a part as those of the whole; -1 stays -1."""
    return np.where(index >= 0, index + shift[0], -1)


def _side_by_side(tables: Sequence[IntArray], shifts: Sequence[tuple[int, int]]) -> list[IntArray]:
    """Tables of a part's columns with those of all parts."""
    return [
        np.pad(table, ((0, 0), (before, behind)))
        for table, (before, behind) in zip(tables, shifts, strict=True)
    ]


def _fits(parts: Sequence[LegFits], shifts: Sequence[tuple[int, int]], of_leg: _Rows) -> LegFits:
    """Fills of all legs."""
    sawn = any(p.sawn_um is not None for p in parts)
    counted = _side_by_side([p.counts for p in parts], shifts)
    plain = [
        replace(
            p,
            counts=counts,
            cut_from=_shifted(p.cut_from, shift),
            sawn_um=np.zeros(len(p), dtype=np.int64) if p.sawn_um is None else p.sawn_um,
        )
        for p, counts, shift in zip(parts, counted, shifts, strict=True)
    ]
    made = of_leg.table(plain)
    return made if sawn else replace(made, sawn_um=None)


def _unmet(parts: Sequence[Unmet], own: Sequence[IntArray], legs: Sequence[IntArray]) -> Unmet:
    """What the lines cannot make, in order of leg."""
    leg = np.concatenate([rows[p.leg] for rows, p in zip(legs, parts, strict=True)])
    order = np.argsort(leg, kind="stable")

    def column(value: Callable[[Unmet], Any]) -> Any:
        return np.concatenate([value(p) for p in parts])[order]

    return Unmet(
        bed=column(lambda p: p.bed),
        run=np.concatenate([rows[p.run] for rows, p in zip(own, parts, strict=True)])[order],
        leg=leg[order],
        short_m=column(lambda p: p.short_m),
        why=column(lambda p: p.why),
        code=column(lambda p: p.code),
    )


def _pieces(parts: Sequence[Pieces], own: Sequence[IntArray], legs: Sequence[IntArray]) -> Pieces:
    """Pieces of all runs in walking order: run by run, leg by leg."""
    run = np.concatenate([rows[p.run] for rows, p in zip(own, parts, strict=True)])
    leg = np.concatenate([rows[p.leg] for rows, p in zip(legs, parts, strict=True)])
    order = np.argsort(run, kind="stable")
    changed: dict[str, Any] = {"run": run[order], "leg": leg[order]}
    for name in (f.name for f in fields(Pieces)):
        values = [getattr(p, name) for p in parts]
        if name not in changed and name not in ("outline_xy", "outline_offsets"):
            changed[name] = None if values[0] is None else np.concatenate(values)[order]
    offsets = offsets_of(np.concatenate([np.diff(p.outline_offsets) for p in parts]))
    outlines = np.concatenate([p.outline_xy for p in parts])
    return Pieces(
        **changed,
        outline_xy=outlines[rows_of(offsets, order)],
        outline_offsets=offsets_of(np.diff(offsets)[order]),
    )


def _moved(
    runs: Runs, own: Sequence[IntArray], parts: Sequence[Takeoff], of_run: _Rows, of_leg: _Rows
) -> Play | None:
    """Legs moved sideways, of all lines."""
    plays = [p.play for p in parts if p.play is not None]
    if len(plays) < len(parts):
        return None
    joined = take_runs(join_runs([p.runs for p in plays]), np.argsort(np.concatenate(own)))
    return Play(
        runs=replace(joined, line=runs.line),
        moved_m=of_leg.values([p.moved_m for p in plays]),
        cuts_before=of_run.values([p.cuts_before for p in plays]),
        unmet_before=of_run.values([p.unmet_before for p in plays]),
    )
