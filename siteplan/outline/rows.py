"""Parallel rows: runs of further offsets beside those of the bed's own laying line.

Row 1 is the bed's own laying line.  A run of row k has the id of the run of row 1 it goes
beside, and ``r`` and k: ``B07-1r2``.  A run that goes beside none (what lies there in row 1 is
too short to edge) is numbered on behind the bed's runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from siteplan.model import Runs
from siteplan.outline.arrange import join_runs, nearest_on, take_runs
from siteplan.types import IntArray, ObjectArray, XYArray


def with_rows(first: Runs, rows: Sequence[Runs], bed_ids: ObjectArray) -> Runs:
    """Runs of all rows: bed by bed, row by row, in the order they have along the bed.

    Parameters
    ----------
    first : runs of row 1
    rows : runs of row 2, row 3, ...
    bed_ids : ids the run ids begin with
    """
    named = [first, *(_renamed(first, row, k, bed_ids) for k, row in enumerate(rows, start=2))]
    joined = join_runs(named)
    row = np.repeat(np.arange(len(named)), [len(r.run_id) for r in named])
    return take_runs(joined, np.lexsort((np.arange(len(row)), row, joined.bed)))


def _renamed(first: Runs, row: Runs, number: int, bed_ids: ObjectArray) -> Runs:
    """A row whose runs are named after those they go beside."""
    beside = _beside(first, row)
    # a run beside none is numbered on behind the bed's own
    nth = np.array([int(str(name).rpartition("-")[2]) for name in first.run_id], dtype=np.int64)
    count = np.zeros(len(bed_ids), dtype=np.int64)
    np.maximum.at(count, first.bed, nth)
    run_id = np.empty(len(row.run_id), dtype=object)
    for k, (bed, at) in enumerate(zip(row.bed.tolist(), beside.tolist(), strict=True)):
        if at < 0:
            count[bed] += 1
        run_id[k] = f"{bed_ids[bed]}-{count[bed] if at < 0 else nth[at]}r{number}"
    leg = np.arange(len(row.leg_id)) - row.leg_offsets[row.leg_run] + 1
    leg_id = np.empty(len(leg), dtype=object)
    leg_id[:] = [f"{r}-{n}" for r, n in zip(run_id[row.leg_run], leg.tolist(), strict=True)]
    return replace(row, run_id=run_id, leg_id=leg_id)


def _beside(first: Runs, row: Runs) -> IntArray:
    """(r,) run of row 1 that each run goes beside, -1 where none; no run twice."""
    rings = int(max(first.ring.max(initial=-1), row.ring.max(initial=-1))) + 1
    have, want = np.bincount(first.ring, minlength=rings), np.bincount(row.ring, minlength=rings)
    order, place = np.argsort(first.ring, kind="stable"), np.searchsorted(np.sort(first.ring), row.ring)
    nth = np.arange(len(row.ring)) - np.searchsorted(row.ring, row.ring, side="left")
    same = (have == want)[row.ring]
    beside = np.full(len(row.ring), -1, dtype=np.int64)
    beside[same] = order[(place + nth)[same]]
    # rings that have another number of runs in this row: the nearest one, each taken once
    for ring in np.unique(row.ring[~same]).tolist():
        own, other = np.flatnonzero(row.ring == ring), np.flatnonzero(first.ring == ring)
        if not len(other):
            continue
        middles = np.array([_middle(row, int(k)) for k in own])
        away = np.array([[nearest_on(_line(first, int(j)), m)[2] for j in other] for m in middles])
        for _ in range(min(away.shape)):
            i, j = np.unravel_index(int(np.argmin(away)), away.shape)
            beside[own[i]] = other[j]
            away[i, :], away[:, j] = np.inf, np.inf
    return beside


def _line(runs: Runs, run: int) -> XYArray:
    a, b = runs.offsets[runs.leg_offsets[[run, run + 1]]]
    return runs.xy[a:b]


def _middle(runs: Runs, run: int) -> XYArray:
    """Point half way along a run."""
    line = _line(runs, run)
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    return np.array([np.interp(at[-1] / 2, at, line[:, 0]), np.interp(at[-1] / 2, at, line[:, 1])])
