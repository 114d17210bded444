"""Runs taken, put in another order, turned to another start, and put together.

Ids stay as they are: a leg keeps its id wherever in its run it comes to stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, Final

import numpy as np

from siteplan.model import NodeKind, Runs
from siteplan.planar import offsets_of
from siteplan.types import FloatArray, IntArray, XYArray

PER_RUN: Final = ("run_id", "bed", "ring", "closed", "course", "line")
PER_LEG: Final = (
    "leg_id", "length_m", "start_kind", "far_kind", "start_turn_deg", "far_turn_deg", "straight",
    "left_radius_m", "right_radius_m", "straightened_m",
)  # fmt: skip
PER_VERTEX: Final = ("xy", "walked_m", "edge_radius_m")
PER_CORNER: Final = ("corner_xy", "corner_turn_deg", "corner_moved_m", "corner_exchanged")
OPTIONAL_PER_LEG: Final = (
    "start_joint_um",
    "far_joint_um",
    "start_meet_deg",
    "far_meet_deg",
    "traced_m",
    "corrected_m",
    "corrected_sigma_m",
    "start_slide",
    "far_slide",
)
INDICES: Final = ("leg_offsets", "leg_run", "offsets", "corner_leg")


def rows_of(offsets: IntArray, parts: IntArray) -> IntArray:
    """Rows of the parts of a ragged table, one part after the other."""
    lengths = np.diff(offsets)[parts]
    ends = np.cumsum(lengths)
    made: IntArray = np.repeat(offsets[:-1][parts] - (ends - lengths), lengths) + np.arange(
        int(lengths.sum()), dtype=np.int64
    )
    return made


def take_legs(runs: Runs, legs: IntArray) -> Runs:
    """Legs in another order; the runs follow in the order of their first leg.

    Parameters
    ----------
    runs : the runs
    legs : (k,) indices of legs, all of every run that is named, the legs of a run together and in
        walking order; a closed run may begin with any of its legs

    Returns
    -------
    Runs of these legs.
    """
    run = runs.leg_run[legs]
    begins = np.flatnonzero(np.r_[True, run[1:] != run[:-1]]) if len(run) else np.zeros(0, np.int64)
    return _taken(runs, legs, begins)


def _taken(runs: Runs, legs: IntArray, begins: IntArray) -> Runs:
    """Legs of runs that begin at these places among them."""
    kept = runs.leg_run[legs[begins]]
    vertices = rows_of(runs.offsets, legs)
    corner_of = np.full(len(runs.leg_id), -1, dtype=np.int64)
    corner_of[runs.corner_leg] = np.arange(len(runs.corner_leg))
    corner = corner_of[legs]
    leg_offsets = np.append(begins, len(legs)).astype(np.int64)
    changed: dict[str, Any] = {
        "leg_offsets": leg_offsets,
        "leg_run": np.repeat(np.arange(len(kept)), np.diff(leg_offsets)),
        "offsets": offsets_of(np.diff(runs.offsets)[legs]),
        "corner_leg": np.flatnonzero(corner >= 0),
    }
    for names, rows in (
        (PER_RUN, kept),
        ((*PER_LEG, *OPTIONAL_PER_LEG), legs),
        (PER_VERTEX, vertices),
        (PER_CORNER, corner[corner >= 0]),
    ):
        for name in names:
            values = getattr(runs, name)
            changed[name] = None if values is None else values[rows]
    return Runs(**changed)


def take_runs(runs: Runs, which: IntArray) -> Runs:
    """Runs by index, in the order given; one that is named again comes again."""
    which = np.asarray(which, dtype=np.int64)
    count = np.diff(runs.leg_offsets)[which]
    return _taken(runs, rows_of(runs.leg_offsets, which), (np.cumsum(count) - count)[count > 0])


def join_runs(parts: Sequence[Runs]) -> Runs:
    """Tables of runs one after the other.

    Parameters
    ----------
    parts : at least one; either all or none have what is optional
    """
    first = parts[0]
    if len(parts) == 1:
        return first
    changed: dict[str, Any] = {}
    for name in (f.name for f in fields(Runs)):
        values = [getattr(p, name) for p in parts]
        if values[0] is None:
            changed[name] = None
        elif name in ("leg_offsets", "offsets"):
            changed[name] = offsets_of(np.concatenate([np.diff(v) for v in values]))
        elif name in ("leg_run", "corner_leg"):
            owner = "run_id" if name == "leg_run" else "leg_id"
            before = np.concatenate([[0], np.cumsum([len(getattr(p, owner)) for p in parts])])
            changed[name] = np.concatenate([v + b for v, b in zip(values, before[:-1], strict=True)])
        else:
            changed[name] = np.concatenate(values)
    return replace(first, **changed)


def begin_with_leg(runs: Runs, first: IntArray) -> Runs:
    """Closed runs that begin with another of their legs.

    Parameters
    ----------
    runs : the runs
    first : (r,) index of the leg each run is to begin with; the one it begins with for open runs
    """
    legs = np.arange(len(runs.leg_id))
    start, count = runs.leg_offsets[:-1], np.diff(runs.leg_offsets)
    by = (first - start)[runs.leg_run]
    return take_legs(runs, start[runs.leg_run] + (legs - start[runs.leg_run] + by) % count[runs.leg_run])


def nearest_on(line: XYArray, point: FloatArray) -> tuple[int, float, float]:
    """Where a line comes nearest to a point: its edge, the part of it walked (0 to 1), the distance."""
    a, v = line[:-1], np.diff(line, axis=0)
    square = np.maximum((v * v).sum(axis=1), np.finfo(float).tiny)
    t = np.clip(((point - a) * v).sum(axis=1) / square, 0.0, 1.0)
    away = np.hypot(*(a + t[:, None] * v - point).T)
    k = int(np.argmin(away))
    return k, float(t[k]), float(away[k])


def begin_ring_at(runs: Runs, run: int, edge: int, part: float) -> Runs:
    """A ring without corners that begins elsewhere.

    Parameters
    ----------
    runs : the runs
    run : index of a closed run whose one leg ends at its own start
    edge, part : edge of the leg's line, and the part of it before the new start, 0 to 1

    Returns
    -------
    Runs, the ring's line turned; the point where it began stays a vertex.
    """
    leg = int(runs.leg_offsets[run])
    if not runs.closed[run] or runs.far_kind[leg] != NodeKind.SEAM:
        raise ValueError(f"run {runs.run_id[run]} is no ring without corners")
    a, b = int(runs.offsets[leg]), int(runs.offsets[leg + 1])
    line = runs.xy[a:b]
    radius = None if runs.edge_radius_m is None else runs.edge_radius_m[a:b]
    if part <= 0.0 or part >= 1.0:
        k = edge + int(part >= 1.0)
        if k in (0, len(line) - 1):
            return runs
        turned = np.concatenate([line[k:-1], line[: k + 1]])
        if radius is not None:
            radius = np.concatenate([radius[k:-1], radius[:k], radius[-1:]])
    else:
        at = line[edge] + part * (line[edge + 1] - line[edge])
        turned = np.concatenate([at[None], line[edge + 1 : -1], line[: edge + 1], at[None]])
        if radius is not None:
            radius = np.concatenate([radius[edge:-1], radius[: edge + 1], radius[-1:]])
    lengths = np.diff(runs.offsets)
    lengths[leg] = len(turned)
    return replace(
        runs,
        xy=np.concatenate([runs.xy[:a], turned, runs.xy[b:]]),
        offsets=offsets_of(lengths),
        edge_radius_m=None
        if radius is None or runs.edge_radius_m is None
        else np.concatenate([runs.edge_radius_m[:a], radius, runs.edge_radius_m[b:]]),
    )


def begin_rings_at(runs: Runs, which: IntArray, station_m: FloatArray) -> Runs:
    """Rings without corners that begin farther along.

    Parameters
    ----------
    runs : the runs
    which : (k,) runs, each once; closed, of one leg that ends at its own start
    station_m : (k,) where they begin, from their start; less than their length
    """
    if not len(which):
        return runs
    xy: list[XYArray] = []
    radius: list[FloatArray] = []
    leg_of = dict(zip(runs.leg_offsets[which].tolist(), station_m.tolist(), strict=True))
    for leg in range(len(runs.leg_id)):
        rows = slice(*runs.offsets[leg : leg + 2].tolist())
        line = runs.xy[rows]
        bend = None if runs.edge_radius_m is None else runs.edge_radius_m[rows]
        if leg in leg_of:
            at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
            k = min(int(np.searchsorted(at, leg_of[leg], side="right")) - 1, len(line) - 2)
            part = (leg_of[leg] - at[k]) / (at[k + 1] - at[k])
            point = line[k] + part * (line[k + 1] - line[k])
            before = line[: k + 1] if part > 0 else line[:k]
            line = np.concatenate([point[None], line[k + 1 : -1], before, point[None]])
            if bend is not None:
                end = bend[: k + 1] if part > 0 else bend[:k]
                bend = np.concatenate([bend[k:-1], end, bend[-1:]])
        xy.append(line)
        if bend is not None:
            radius.append(bend)
    return replace(
        runs,
        xy=np.concatenate(xy),
        offsets=offsets_of(np.array([len(line) for line in xy], dtype=np.int64)),
        edge_radius_m=np.concatenate(radius) if radius else runs.edge_radius_m,
    )
