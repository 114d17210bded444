"""What a person says about single runs: left out, pinned to a place, begun elsewhere."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault
from siteplan.model import NodeKind, Runs, Unedged
from siteplan.outline.arrange import begin_ring_at, begin_with_leg, nearest_on, take_runs
from siteplan.planar import offsets_of
from siteplan.tomlfile import nearest
from siteplan.types import FloatArray, IntArray, ObjectArray, XYArray

PIN_WITHIN_M: Final = 0.5
"""a pinned run passes this close to its point"""
SKIPPED: Final = "skipped"


@dataclass(frozen=True, slots=True, eq=False)
class RunChoice:
    """What is said about one run."""

    skip: bool = False
    start_leg: int | None = None
    """number of the leg a closed run begins with, as its id has it"""
    start_xy: FloatArray | None = None
    """(2,) ground metres: a closed run begins at the corner nearest to it, a ring without corners at
    the nearest point"""
    pin_xy: FloatArray | None = None
    """(2,) ground metres: the run passes here"""


def run_line(runs: Runs, run: int) -> XYArray:
    """Vertices of the legs of a run, one after the other."""
    a, b = runs.offsets[runs.leg_offsets[[run, run + 1]]]
    return runs.xy[a:b]


def check_runs(runs: Runs, choices: Mapping[str, RunChoice], bed_ids: ObjectArray, file: str) -> None:
    """Raise for runs that are named and not there, or not where they were pinned.

    Raises
    ------
    DataError : with every such run, its nearest spelling and the remedy
    """
    index = {str(r): k for k, r in enumerate(runs.run_id)}
    faults = []
    for name, choice in choices.items():
        at = index.get(name)
        if at is None:
            faults.append(_unknown(name, index, [str(b) for b in bed_ids], runs, choice, file))
        elif choice.pin_xy is not None:
            away = nearest_on(run_line(runs, at), choice.pin_xy)[2]
            if away > PIN_WITHIN_M:
                faults.append(
                    Fault(
                        "run-moved",
                        f'run."{name}": its pin lies {away:.2f} m from the run, more than {PIN_WITHIN_M} m',
                        f"{_passing(runs, choice.pin_xy)} Name the run that is meant, or move pin_lonlat",
                        file,
                        name,
                    )
                )
    if faults:
        raise DataError(*faults)


def _unknown(
    name: str,
    index: Mapping[str, int],
    beds: list[str],
    runs: Runs,
    choice: RunChoice,
    file: str,
) -> Fault:
    """A run that is named and not there: what is there instead."""
    bed = re.sub(r"-\d+(r\d+)?$", "", name)
    own = [r for r in index if re.sub(r"-\d+(r\d+)?$", "", r) == bed]
    like = nearest(name, own or list(index))
    hint = f'Did you mean "{like}"? ' if like else ""
    if own:
        hint += f"Bed {bed} has {', '.join(own[:8])}{' and more' if len(own) > 8 else ''}. "
    elif bed in beds:
        hint += f"Bed {bed} has no run now: it is skipped, shared or has no stretch to edge. "
    if choice.pin_xy is not None:
        hint += f"{_passing(runs, choice.pin_xy)} "
    return Fault(
        "unknown-run",
        f'run."{name}": there is no such run (any more)',
        f"{hint}Runs are numbered along their bed; name the run that is meant, or take the table out",
        file,
        name,
    )


def _passing(runs: Runs, xy: FloatArray) -> str:
    """The run nearest to a point, as a sentence."""
    if not len(runs.run_id):
        return "There is no run at all."
    away = [nearest_on(run_line(runs, k), xy)[2] for k in range(len(runs.run_id))]
    k = int(np.argmin(away))
    return f'The run nearest to the pin is "{runs.run_id[k]}", {away[k]:.2f} m away.'


def without_skipped(runs: Runs, unedged: Unedged, choices: Mapping[str, RunChoice]) -> tuple[Runs, Unedged]:
    """Runs without those left out, which are unedged stretches for the reason ``skipped``.

    A stretch left out lies on its laying line: no other line of it is known here.
    """
    out = np.array([(c := choices.get(str(r))) is not None and c.skip for r in runs.run_id], dtype=bool)
    if not out.any():
        return runs, unedged
    gone = take_runs(runs, np.flatnonzero(out))
    vertex_run = gone.leg_run[np.repeat(np.arange(len(gone.leg_id)), np.diff(gone.offsets))]
    # a corner is the last vertex of one leg and the first of the next
    keep = np.ones(len(gone.xy), dtype=bool)
    keep[gone.offsets[:-1]] = False
    keep[gone.offsets[gone.leg_offsets[:-1]]] = True
    rows = np.bincount(vertex_run[keep], minlength=len(gone.run_id))
    length = np.bincount(gone.leg_run, weights=gone.length_m, minlength=len(gone.run_id))
    n = len(gone.run_id)
    why, other = np.full(n, SKIPPED, dtype=object), np.full(n, "", dtype=object)
    more = Unedged(
        bed=np.concatenate([unedged.bed, gone.bed]),
        ring=np.concatenate([unedged.ring, gone.ring]),
        why=np.concatenate([unedged.why, why]),
        other=np.concatenate([unedged.other, other]),
        length_m=np.concatenate([unedged.length_m, length]),
        xy=np.concatenate([unedged.xy, gone.xy[keep]]),
        offsets=offsets_of(np.concatenate([np.diff(unedged.offsets), rows])),
    )
    return take_runs(runs, np.flatnonzero(~out)), more


def started(runs: Runs, choices: Mapping[str, RunChoice], file: str) -> Runs:
    """Closed runs begun where they are said to begin.

    Raises
    ------
    DataError : an open run, a leg that is not there
    """
    first: IntArray = runs.leg_offsets[:-1].copy()
    faults: list[Fault] = []
    rings = []
    for k, name in enumerate(runs.run_id.tolist()):
        choice = choices.get(name)
        if choice is None or (choice.start_leg is None and choice.start_xy is None):
            continue
        if not runs.closed[k]:
            faults.append(
                Fault(
                    "open-start",
                    f'run."{name}": the run is open and begins at its end',
                    'Take the start out; [fit] lay_from = "far" lays from the other end',
                    file,
                    name,
                )
            )
        elif choice.start_leg is not None:
            leg = _leg_by_number(runs, k, choice.start_leg)
            if leg is None:
                own = ", ".join(runs.leg_id[runs.leg_offsets[k] : runs.leg_offsets[k + 1]].tolist())
                what = f'run."{name}": there is no leg {choice.start_leg}'
                faults.append(Fault("unknown-leg", what, f"The run has {own}", file, name))
            else:
                first[k] = leg
        elif choice.start_xy is not None:
            if runs.far_kind[runs.leg_offsets[k]] == NodeKind.SEAM:
                rings.append((k, choice.start_xy))
            else:
                first[k] = _nearest_start(runs, k, choice.start_xy)
    if faults:
        raise DataError(*faults)
    if (first != runs.leg_offsets[:-1]).any():
        runs = begin_with_leg(runs, first)
    for k, xy in rings:
        edge, part, _ = nearest_on(run_line(runs, k), xy)
        runs = begin_ring_at(runs, k, edge, part)
    return runs


def _leg_by_number(runs: Runs, run: int, number: int) -> int | None:
    """Leg of a run by the number its id ends with; corners that are bent round leave gaps."""
    name = f"{runs.run_id[run]}-{number}"
    for leg in range(int(runs.leg_offsets[run]), int(runs.leg_offsets[run + 1])):
        if runs.leg_id[leg] == name:
            return leg
    return None


def _nearest_start(runs: Runs, run: int, xy: FloatArray) -> int:
    """The leg of a closed run with corners that begins nearest to a point."""
    legs = np.arange(runs.leg_offsets[run], runs.leg_offsets[run + 1])
    return int(legs[np.argmin(np.hypot(*(runs.xy[runs.offsets[legs]] - xy).T))])
