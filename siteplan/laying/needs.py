"""What many true sites take: the fills of all their legs at once, units and corners as planned.

A true site differs from the plan in the lengths of its legs.  What stands at the ends of the legs is
held as planned: how each corner is made, which unit stands there and which way round, end units, what is
left out of short legs, clearances at faces and tees.  The rest of every leg is filled anew by the
same rules, and the cuts of each site are planned together.

Where the turns of the corners are given too, a run of which a corner can be made in other ways than on
the plan is laid anew on that site (:mod:`siteplan.laying.needs_anew`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siteplan.laying.band import stations
from siteplan.laying.cutting_many import sections_to_cut
from siteplan.laying.filling import Filled, fit_rests, lay_bent
from siteplan.laying.fit_types import FitReason
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.mitres import point_um
from siteplan.laying.needs_anew import Turned, blocks_of, changed_runs, stand_anew, units_of_runs
from siteplan.laying.rigid import CurvePieces
from siteplan.laying.tight import kinds_of, least_radius_m
from siteplan.laying.unmet import sections_for
from siteplan.outline.arrange import rows_of
from siteplan.planar import part_of
from siteplan.products import ProductLine
from siteplan.types import IntArray

_LEGS = 100_000
"""legs filled in one call; bounds the memory"""


_GOLDEN = (np.sqrt(5.0) - 1) / 2
"""multiples of it, less their whole parts, lie as evenly as can be"""


@dataclass(frozen=True, slots=True, eq=False)
class Needs:
    """What d sites take, of the s straights (sections, then closers) of a line."""

    whole: IntArray
    """(d, s) pieces laid whole, and sections added for legs that nothing fits"""
    cut_stock: IntArray
    """(d, s) sections to cut the cut pieces from"""
    cut_least: IntArray
    """(d, s) no plan of the cuts takes fewer"""
    more_units: IntArray
    """(d, u) corner units, then end units, more (or fewer) than the plan has"""

    @property
    def total(self) -> IntArray:
        """(d, s)"""
        made: IntArray = self.whole + self.cut_stock
        return made


@dataclass(frozen=True, slots=True, eq=False)
class _Cuts:
    """Pieces to be cut: of which draw, which straight, how much of a section each takes."""

    draw: IntArray
    straight: IntArray
    stock_um: IntArray


def needs(
    filled: Filled,
    line: ProductLine,
    rules: LayRules,
    leg_um: IntArray,
    curve_lengths: int,
    turned: Turned | None = None,
) -> Needs:
    """What sites take whose legs have other lengths.

    Parameters
    ----------
    filled : the plan
    line, rules : its line and rules
    leg_um : (d, l) whole micrometres of each leg as it is filled
    curve_lengths : lengths at which each curve of a rigid line is laid, from the least to the greatest
        drawn; a site takes the nearest
    turned : how their corners turn; None: as planned

    Returns
    -------
    Needs; with ``leg_um`` as planned it is what the plan takes.
    """
    draws, legs = leg_um.shape
    straights = len(line.straights)
    whole = np.zeros((draws, straights), dtype=np.int64)
    cuts: list[_Cuts] = []
    more = np.zeros((draws, len(line.corners) + len(line.ends)), dtype=np.int64)
    as_planned = np.ones((draws, legs), dtype=np.bool_)
    if filled.curved is not None:
        as_planned[:, filled.curved.leg] = False
    if turned is not None:
        draw, run = changed_runs(filled, line, rules, turned)
        each = np.repeat(draw, np.diff(filled.runs.leg_offsets)[run])
        as_planned[each, rows_of(filled.runs.leg_offsets, run)] = False
        planned = units_of_runs(filled.runs, filled.units, line)
        for some, of_run in blocks_of(filled.runs, draw, run):
            anew = stand_anew(filled, line, rules, turned, leg_um, some, of_run)
            own, every = anew.filled, np.arange(len(anew.draw))
            _fill(own, line, rules, every, own.rest_um, anew.draw, whole, cuts)
            np.add.at(more, some, units_of_runs(own.runs, own.units, line) - planned[of_run])
    step = max(1, _LEGS // max(legs, 1))
    for first in range(0, draws, step):
        draw, leg = np.nonzero(as_planned[first : first + step])
        rest = leg_um[draw + first, leg] - (filled.units.start_um + filled.units.far_um)[leg]
        _fill(filled, line, rules, leg, rest, draw + first, whole, cuts)
    if filled.curved is not None:
        _curved_legs(filled, line, rules, leg_um, curve_lengths, whole, cuts)
    cut = _Cuts(*(np.concatenate([getattr(c, n) for c in cuts] or [np.zeros(0, np.int64)]) for n in
                  ("draw", "straight", "stock_um")))  # fmt: skip
    stock, least = np.zeros_like(whole), np.zeros_like(whole)
    for s in np.unique(cut.straight).tolist():
        rows = cut.straight == s
        stock[:, s], least[:, s] = sections_to_cut(
            cut.draw[rows], cut.stock_um[rows], draws, line.straights[s].laying_um, line.kerf_um,
            line.usable_ends,
        )  # fmt: skip
    return Needs(whole, stock, least, more)


def _fill(
    filled: Filled,
    line: ProductLine,
    rules: LayRules,
    leg: IntArray,
    rest: IntArray,
    draw: IntArray,
    whole: IntArray,
    cuts: list[_Cuts],
) -> None:
    """Fill legs and add what they take to the ``whole`` pieces (d, s) and the ``cuts`` of their sites.

    Parameters
    ----------
    leg, rest, draw : (k,) legs of ``filled``, how much of each is to be filled, and on which site
    """
    units, laid = filled.units, filled.laid[leg]
    fits, sawn = fit_rests(filled.runs, leg, rest, laid, units, line, rules)
    np.add.at(whole, draw, fits.counts)
    for nth in (0, 1):
        rows = np.flatnonzero(fits.cut_um[:, nth] > 0)
        cuts.append(_Cuts(draw[rows], fits.cut_from[rows, nth], fits.cut_um[rows, nth]))
    start = point_um(line.depth_um, units.sawn.start_deg)[leg]
    far = point_um(line.depth_um, units.sawn.far_deg)[leg]
    for length, points in ((sawn.start_um, start + np.where(sawn.one, far, 0)), (sawn.far_um, far)):
        rows = np.flatnonzero(length > 0)
        source = np.full(len(rows), sawn.source, dtype=np.int64)
        cuts.append(_Cuts(draw[rows], source, (length + points)[rows]))
    unmet = np.flatnonzero(laid & (fits.reason == FitReason.NOTHING_FITS))
    np.add.at(whole[:, 0], draw[unmet], sections_for(fits.left_over_um[unmet], line))


def _curved_legs(
    filled: Filled,
    line: ProductLine,
    rules: LayRules,
    leg_um: IntArray,
    lengths: int,
    whole: IntArray,
    cuts: list[_Cuts],
) -> None:
    """Add what the curves of a rigid line take, each laid at some lengths."""
    curved, runs = filled.curved, filled.runs
    if curved is None or not len(curved.leg):
        return
    legs = np.flatnonzero(~runs.straight & ~filled.units.short)
    drawn = leg_um[:, legs]
    low, high = drawn.min(axis=0), drawn.max(axis=0)
    # each leg has its own places between the steps, so that what all legs have in common
    # does not bring all of them to the same step at once
    step = np.maximum((high - low) / (lengths - 1), 1.0)
    low = low - step * np.mod(_GOLDEN * np.arange(len(legs)), 1.0) * (high > low)
    nearest = np.rint((drawn - low) / step).astype(np.int64)
    row_leg = part_of(runs.offsets)
    for k in range(lengths + 1):
        draw, column = np.nonzero(nearest == k)
        if not len(draw):
            continue
        # the same shape, larger or smaller: its turns stay and its radii grow with it
        factor = np.ones(len(runs.leg_id))
        length_um = low + step * k
        factor[legs] = length_um / np.maximum(filled.part.leg_um[legs], 1)
        origin = runs.xy[runs.offsets[:-1]][row_leg]
        made = replace(
            runs,
            xy=origin + (runs.xy - origin) * factor[row_leg][:, None],
            length_m=runs.length_m * factor,
            walked_m=None if runs.walked_m is None else runs.walked_m * factor[row_leg],
        )
        units = filled.units
        laid = lay_bent(made, stations(made), legs, units.start_um, units.far_um, units, line, rules)
        if laid is None:
            return
        place = np.full(len(runs.leg_id), -1, dtype=np.int64)
        place[legs] = np.arange(len(legs))
        piece = place[laid.piece_leg]
        per_leg = np.zeros((len(legs), whole.shape[1]), dtype=np.int64)
        uncut = laid.cut_um == 0
        np.add.at(per_leg, (piece[uncut], laid.straight[uncut]), 1)
        np.add.at(per_leg[:, 0], *_added(laid, place, line))
        np.add.at(whole, draw, per_leg[column])
        rows = np.flatnonzero(~uncut)
        rows = rows[np.argsort(piece[rows], kind="stable")]
        first = np.searchsorted(piece[rows], np.arange(len(legs) + 1))
        count = np.diff(first)[column]
        each = np.repeat(first[column] - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
        cuts.append(_Cuts(np.repeat(draw, count), laid.straight[rows[each]], laid.cut_um[rows[each]]))


def _added(laid: CurvePieces, place: IntArray, line: ProductLine) -> tuple[IntArray, IntArray]:
    """Curves where no piece closes, and the sections the order adds for them."""
    least_m = least_radius_m(line, int(kinds_of(line).length_um.min()))
    wide = laid.bare_radius_m >= least_m
    short = (laid.bare_to_um - laid.bare_from_um)[wide]
    rest = (laid.reason == FitReason.NOTHING_FITS) & ~np.isin(laid.leg, laid.bare_leg)
    legs = np.concatenate([laid.bare_leg[wide], laid.leg[rest]])
    return place[legs], sections_for(np.concatenate([short, laid.left_over_total_um[rest]]), line)
