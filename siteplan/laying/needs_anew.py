"""Runs laid anew for true sites on which a corner is made another way than on the plan.

The turn of a corner decides which ways can make it.  Where the turn of a drawn site leaves the range of one
of them, or comes into it, everything of that run is chosen anew on that site, as a plan of it would:
corners, units and which way round they lie, what is left out of short legs, the fills.
Clearances at faces and tees stay as planned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from siteplan.laying.band import stations
from siteplan.laying.corner_units import CornerWay, CornerWays, corner_ways, leaving_legs
from siteplan.laying.filling import Filled, turned_units
from siteplan.laying.lay_rules import LayRules
from siteplan.laying.leg_ends import Units
from siteplan.model import Runs
from siteplan.outline.arrange import rows_of, take_runs
from siteplan.planar import offsets_of
from siteplan.products import ProductLine
from siteplan.types import BoolArray, FloatArray, IntArray

_ROWS = 200_000
"""vertices of copied runs held at once; bounds the memory"""


@dataclass(frozen=True, slots=True, eq=False)
class Turned:
    """How the corners of d sites turn.  c corners of the runs of one line."""

    turn_deg: FloatArray
    """(d, c) left positive"""
    by_bed: Mapping[int, Sequence[CornerWay]]
    """ways to make the corners of single beds, by index"""


@dataclass(frozen=True, slots=True, eq=False)
class Anew:
    """Some runs of some sites, with what stands at the ends of their legs there.  k runs, m legs."""

    filled: Filled
    """the runs one after the other: their units, which legs are laid, what of each is to be filled"""
    draw: IntArray
    """(m,) the site each leg is of"""


def may_be_laid_anew(runs: Runs, line: ProductLine) -> BoolArray:
    """(r,) runs that are; curves of rigid lines take too long, their runs stay as planned."""
    out = np.ones(len(runs.run_id), dtype=np.bool_)
    if line.behaviour == "rigid":
        out[runs.leg_run[~runs.straight]] = False
    return out


def changed_runs(
    filled: Filled, line: ProductLine, rules: LayRules, turned: Turned
) -> tuple[IntArray, IntArray]:
    """Site and run, (k,) each, wherever a drawn turn changes the ways in which a corner can be made.

    Parameters
    ----------
    filled, line, rules : the plan
    turned : turns of the sites
    """
    runs, draws = filled.runs, len(turned.turn_deg)
    corner_run = runs.leg_run[runs.corner_leg]
    moves = (turned.turn_deg != runs.corner_turn_deg).any(axis=0)
    which = np.flatnonzero(np.bincount(corner_run[moves], minlength=len(runs.run_id)) > 0)
    which = which[may_be_laid_anew(runs, line)[which]]
    if not len(which):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    own, place = take_runs(runs, which), _corners_of(runs, which)
    planned = _ways(own, line, rules, turned)
    asked = (planned.order[:, :, None] == np.arange(len(planned.can))).any(axis=1).T
    step = max(1, _ROWS // len(own.xy))
    sites, found = [], []
    for first in range(0, draws, step):
        turn = turned.turn_deg[first : first + step, place]
        count = len(turn)
        many = take_runs(own, np.tile(np.arange(len(which)), count))
        ways = _ways(replace(many, corner_turn_deg=turn.ravel()), line, rules, turned)
        other = (ways.can != np.tile(planned.can, count)) & np.tile(asked, count)
        other[0] |= ways.unit != np.tile(planned.unit, count)
        draw, corner = np.nonzero(other.any(axis=0).reshape(count, -1))
        sites.append(draw + first)
        found.append(corner_run[place[corner]])
    pairs = np.unique(np.column_stack([np.concatenate(sites), np.concatenate(found)]), axis=0)
    return pairs[:, 0], pairs[:, 1]


def blocks_of(runs: Runs, draw: IntArray, run: IntArray) -> list[tuple[IntArray, IntArray]]:
    """Pairs of site and run in blocks of bounded size."""
    size = np.diff(runs.offsets[runs.leg_offsets])[run]
    block = (np.cumsum(size) - size) // _ROWS
    edges = np.flatnonzero(np.diff(block)) + 1
    return list(zip(np.split(draw, edges), np.split(run, edges), strict=True)) if len(draw) else []


def stand_anew(
    filled: Filled,
    line: ProductLine,
    rules: LayRules,
    turned: Turned,
    leg_um: IntArray,
    draw: IntArray,
    run: IntArray,
) -> Anew:
    """Units of runs as they turn, and are long, on their sites.

    Parameters
    ----------
    filled, line, rules : the plan
    turned : turns of the sites
    leg_um : (d, l) lengths of the legs on the sites
    draw, run : (k,) site and run of each
    """
    runs = filled.runs
    legs, corners = rows_of(runs.leg_offsets, run), _corners_of(runs, run)
    site = np.repeat(draw, np.diff(runs.leg_offsets)[run])
    many = take_runs(runs, run)
    turn = turned.turn_deg[draw[many.leg_run[many.corner_leg]], corners]
    start_turn, far_turn = many.start_turn_deg.copy(), many.far_turn_deg.copy()
    far_turn[many.corner_leg], start_turn[leaving_legs(many)] = turn, turn
    length = leg_um[site, legs]
    many = replace(
        many, corner_turn_deg=turn, start_turn_deg=start_turn, far_turn_deg=far_turn,
        length_m=length / 1e6,
    )  # fmt: skip
    part, curve = stations(many), filled.curve[legs]
    clear = filled.clear_um[0][legs], filled.clear_um[1][legs]
    ways = _ways(many, line, rules, turned)
    units = turned_units(many, part, ways, curve, line, clear, rules)
    rest = part.leg_um - units.start_um - units.far_um
    laid = ~units.short & (curve == "")
    own = replace(filled, runs=many, part=part, units=units, curve=curve, laid=laid, rest_um=rest,
                  clear_um=clear, curved=None)  # fmt: skip
    return Anew(own, site)


def units_of_runs(runs: Runs, units: Units, line: ProductLine) -> IntArray:
    """(r, u) corner units and end units of each run, in the order of the catalogue."""
    out = np.zeros((len(runs.run_id), len(line.corners) + len(line.ends)), dtype=np.int64)
    unit = units.unit_standing
    stands = unit >= 0
    np.add.at(out, (runs.leg_run[runs.corner_leg[stands]], unit[stands]), 1)
    for end in (units.start_end, units.far_end):
        has = end >= 0
        np.add.at(out, (runs.leg_run[has], len(line.corners) + end[has]), 1)
    return out


def _ways(runs: Runs, line: ProductLine, rules: LayRules, turned: Turned) -> CornerWays:
    return corner_ways(runs, line, rules.corner_by, turned.by_bed, reasons=False)


def _corners_of(runs: Runs, which: IntArray) -> IntArray:
    """Corners of runs, one run after the other, as :func:`take_runs` has them."""
    order = np.argsort(runs.corner_leg)
    count = np.bincount(runs.leg_run[runs.corner_leg], minlength=len(runs.run_id))
    made: IntArray = order[rows_of(offsets_of(count), which)]
    return made
