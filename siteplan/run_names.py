"""Runs keep their ids when a bed is edited.

The runs of a bed are numbered along its outline.  Cut a gate into it, and every run behind the gate would
have another number, and with it every tape and setting that names one.  So the record keeps what the runs
are called and where they lie, and after an edit a run takes the id of the one it was before:

- only runs of the same bed are looked at, and of its own laying line; runs of further rows are named after
  those they go beside;
- a run is the one that lies where it lay; else the one it shares the most ground with, at least half of the
  shorter one; else what is left over if it is about as long (:func:`siteplan.matching.match_runs`);
- a run that was none before takes the next number that no run of the bed ever had.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import shapely

from siteplan.frame import Frame
from siteplan.matching import Matches, kept_ids, match_runs
from siteplan.model import Runs
from siteplan.planar import linestrings
from siteplan.record import RunNames
from siteplan.types import LonLatArray, ObjectArray, XYArray

WITHIN_M: Final = 0.05
"""lines are kept simplified within this"""
SAME_M: Final = 0.002
"""lines that differ by no more are the same"""
DECIMALS: Final = 9
"""of a degree: 0.1 mm"""
_NUMBERS: Final = np.dtype("<f8")
_VERTEX: Final = 16
"""bytes of a vertex"""


def _lines(runs: Runs) -> list[XYArray]:
    """Line of each run, simplified."""
    lines = linestrings(runs.xy, runs.offsets[runs.leg_offsets])
    xy, of = shapely.get_coordinates(shapely.simplify(lines, WITHIN_M), return_index=True)
    return np.split(xy, np.searchsorted(of, np.arange(1, len(lines))))


def with_kept_names(runs: Runs, bed_ids: ObjectArray, names: Mapping[str, RunNames], frame: Frame) -> Runs:
    """Runs of the beds' own laying line under the names they have in the record.

    Parameters
    ----------
    runs : numbered along the outlines
    bed_ids : (n,) ids of the beds
    names : by bed; a bed that has none keeps the numbers
    frame : of the site
    """
    known = [
        (k, names[str(bed)]) for k, bed in enumerate(bed_ids) if str(bed) in names and names[str(bed)].runs
    ]
    if not known or not len(runs.run_id):
        return runs
    kept = [line for _, said in known for _, line in said.runs]
    lonlat = np.frombuffer(b"".join(kept), _NUMBERS).reshape(-1, 2)
    old = np.split(frame.from_lonlat(lonlat), np.cumsum([len(line) // _VERTEX for line in kept])[:-1])
    new = _lines(runs)
    first = np.searchsorted(runs.bed, np.arange(len(bed_ids) + 1))
    run_id = runs.run_id.copy()
    at = 0
    for bed, said in known:
        here = slice(int(first[bed]), int(first[bed + 1]))
        was, at = old[at : at + len(said.runs)], at + len(said.runs)
        run_id[here] = _names_of_bed(str(bed_ids[bed]), was, new[here], said, run_id[here])
    if (run_id == runs.run_id).all():
        return runs
    local = np.arange(len(runs.leg_id)) - runs.leg_offsets[runs.leg_run] + 1
    leg_id = np.empty(len(local), dtype=object)
    leg_id[:] = [f"{r}-{n}" for r, n in zip(run_id[runs.leg_run], local.tolist(), strict=True)]
    return replace(runs, run_id=run_id, leg_id=leg_id)


def _names_of_bed(
    bed: str, old: list[XYArray], new: list[XYArray], said: RunNames, fresh: ObjectArray
) -> ObjectArray:
    """Ids of the runs of one bed."""
    old_ids = np.array([name for name, _ in said.runs], dtype=object)
    if len(old) == len(new) and all(
        a.shape == b.shape and np.abs(a - b).max() <= SAME_M for a, b in zip(old, new, strict=True)
    ):
        return old_ids
    if not new:
        return fresh
    one = np.array([shapely.LineString(line) for line in old], dtype=object)
    two = np.array([shapely.LineString(line) for line in new], dtype=object)
    zero = np.zeros(1, dtype=np.int64)
    found = match_runs(
        one,
        two,
        old_ids,
        fresh,
        np.zeros(len(one), np.int64),
        np.zeros(len(two), np.int64),
        Matches(zero, zero),
    )
    taken = np.concatenate([old_ids, np.array(said.used, dtype=object)])
    return kept_ids(taken, fresh, np.full(len(two), bed, dtype=object), found)


def names_of(
    runs: Runs, bed_ids: ObjectArray, names: Mapping[str, RunNames], frame: Frame
) -> dict[str, RunNames]:
    """What the runs of every bed are called, to be kept; only beds of which it is not kept already.

    Parameters
    ----------
    runs : of the beds' own laying line, under their names
    bed_ids : (n,) ids of the beds
    names : kept up to now
    frame : of the site
    """
    lines = _lines(runs) if len(runs.run_id) else []
    lonlat: LonLatArray = np.round(frame.lonlat(np.vstack(lines)), DECIMALS) if lines else np.empty((0, 2))
    ends = np.cumsum([len(line) for line in lines])
    places = np.split(lonlat, ends[:-1]) if lines else []
    first = np.searchsorted(runs.bed, np.arange(len(bed_ids) + 1)).tolist()
    made = {}
    for k, bed in enumerate(bed_ids.tolist()):
        here = range(first[k], first[k + 1])
        own = tuple((str(runs.run_id[r]), places[r].astype(_NUMBERS).tobytes()) for r in here)
        before = names.get(bed, RunNames(()))
        ids = {name for name, _ in own}
        used = tuple(dict.fromkeys(n for n in (*before.used, *(n for n, _ in before.runs)) if n not in ids))
        if (own, used) != (before.runs, before.used):
            made[bed] = RunNames(own, used)
    return made
