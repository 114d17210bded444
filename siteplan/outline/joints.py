"""Joints held at set places: movement joints every so far, and legs split at them.

A leg that is split becomes several, each laid by itself between its joints.  What a joint takes
off the legs on its two sides adds up to its width.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np

from siteplan.model import NodeKind, Runs
from siteplan.outline.arrange import OPTIONAL_PER_LEG, PER_LEG
from siteplan.outline.curves import least_radii
from siteplan.outline.rules import OutlineRules
from siteplan.planar import StationIndex, edges, offsets_of, ragged, slices
from siteplan.types import BoolArray, FloatArray, IntArray

NO_JOINT: Final = -1
_SHARED_OUT: Final = ("traced_m", "corrected_m", "corrected_sigma_m")
"""lengths of a leg that its parts share in proportion"""
_SAME_M: Final = 1e-6


def joint_um(runs: Runs) -> tuple[IntArray, IntArray]:
    """(l,) what a set joint takes off each leg at its start and at its far end, -1 where none is."""
    none = np.full(len(runs.leg_id), NO_JOINT, dtype=np.int64)
    start, far = runs.start_joint_um, runs.far_joint_um
    return none.copy() if start is None else start, none.copy() if far is None else far


def split_legs(
    runs: Runs, leg: IntArray, at_m: FloatArray, kind: NodeKind, width_um: int, rules: OutlineRules
) -> Runs:
    """Legs split at joints of one width.

    Parameters
    ----------
    runs : the runs, in plan
    leg, at_m : (k,) leg and how far along it, not decreasing; inside the leg
    kind : what the new ends are
    width_um : of each joint; the leg before it gives the half that is rounded down
    rules : how a bend's radius is measured

    Returns
    -------
    Runs; the parts of leg ``B07-1-2`` are ``B07-1-2p1``, ``B07-1-2p2``, ...
    """
    if not len(leg):
        return runs
    count = np.bincount(leg, minlength=len(runs.leg_id)) + 1
    offsets = offsets_of(count)
    old = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(old)) - offsets[old]
    first, last = nth == 0, nth == count[old] - 1
    from_m, to_m = np.zeros(len(old)), runs.length_m[old]
    from_m[~first], to_m[~last] = at_m, at_m
    line = edges(runs.xy, runs.offsets, np.zeros(len(count), dtype=np.bool_))
    index = StationIndex.of(line, runs.offsets, np.zeros(len(count), dtype=np.bool_))
    # the whole of a leg to its last vertex, whatever the last digit of its length says
    cut = slices(index, old, from_m, np.where(last, line.part_length[old], to_m))
    changed: dict[str, Any] = {
        n: None if getattr(runs, n) is None else getattr(runs, n)[old] for n in (*PER_LEG, *OPTIONAL_PER_LEG)
    }
    share = (to_m - from_m) / runs.length_m[old]
    for name in _SHARED_OUT:
        if changed.get(name) is not None:
            changed[name] = changed[name] * share
    several = count[old] > 1
    changed["leg_id"] = np.where(
        several,
        [f"{i}p{k}" for i, k in zip(changed["leg_id"], (nth + 1).tolist(), strict=True)],
        changed["leg_id"],
    )
    changed["length_m"] = to_m - from_m
    start, far = joint_um(runs)
    for side, ends, um, own in (
        ("start", first, width_um - width_um // 2, start),
        ("far", last, width_um // 2, far),
    ):
        changed[f"{side}_kind"][~ends] = kind
        changed[f"{side}_turn_deg"][~ends] = 0.0
        if changed[f"{side}_meet_deg"] is not None:
            changed[f"{side}_meet_deg"][~ends] = 90.0
        changed[f"{side}_joint_um"] = np.where(ends, own[old], um)
    radius = getattr(runs, "edge_radius_m", None)
    if radius is not None:
        changed["edge_radius_m"] = radius[cut.edge]
        changed["edge_radius_m"][cut.offsets[1:] - 1] = np.nan
    made = replace(
        runs,
        **changed,
        leg_offsets=offsets[runs.leg_offsets],
        leg_run=runs.leg_run[old],
        xy=cut.of(runs.xy, line),
        offsets=cut.offsets,
        corner_leg=offsets[runs.corner_leg + 1] - 1,
    )
    return _bends_again(made, several & ~made.straight, rules)


def _bends_again(runs: Runs, which: BoolArray, rules: OutlineRules) -> Runs:
    """Radii of parts of curved legs, which may be straight now."""
    part = np.flatnonzero(which)
    if not len(part):
        return runs
    lengths = np.diff(runs.offsets)[part]
    rows = ragged(runs.offsets[part], lengths)
    straight = runs.straight.copy()
    straight[part] = lengths == 2
    left, right = runs.left_radius_m.copy(), runs.right_radius_m.copy()
    left[part], right[part] = least_radii(
        runs.xy[rows],
        offsets_of(lengths),
        np.zeros(len(part), dtype=np.bool_),
        rules.corner_stretch_m,
        float(np.radians(rules.corner_turn_deg)),
    )
    left[straight & which], right[straight & which] = np.inf, np.inf
    return replace(runs, straight=straight, left_radius_m=left, right_radius_m=right)


def joint_places(length_m: FloatArray, every_m: float) -> tuple[IntArray, FloatArray]:
    """Where legs are split so that no part is longer than ``every_m``, all parts of a leg equal.

    Returns
    -------
    Leg and how far along it, in order.

    Examples
    --------
    >>> joint_places(np.array([10.0, 6.0, 12.5]), 6.0)[1].round(3).tolist()
    [5.0, 4.167, 8.333]
    """
    parts = np.maximum(np.ceil(length_m / every_m - _SAME_M), 1).astype(np.int64)
    leg = np.repeat(np.arange(len(length_m)), parts - 1)
    nth = ragged(np.ones(len(length_m), dtype=np.int64), parts - 1)
    return leg, nth / parts[leg] * length_m[leg]


def with_movement_joints(
    runs: Runs, every_m: float | None, width_um: int, at_buildings: bool, rules: OutlineRules
) -> Runs:
    """Runs with movement joints.

    Parameters
    ----------
    runs : the runs, in plan
    every_m : legs are split so that no part is longer; None: they are not
    width_um : of each joint
    at_buildings : abutted ends keep a joint instead of the end clearance
    rules : how a bend's radius is measured

    Notes
    -----
    A ring without corners that is split has a joint at its start too.
    """
    if every_m is not None:
        leg, at_m = joint_places(runs.length_m, every_m)
        ring = np.flatnonzero(
            (runs.far_kind == NodeKind.SEAM) & (np.bincount(leg, minlength=len(runs.leg_id)) > 0)
        )
        start, far = joint_um(runs)
        start_kind, far_kind = runs.start_kind.copy(), runs.far_kind.copy()
        start_kind[ring], far_kind[ring] = NodeKind.JOINT, NodeKind.JOINT
        start[ring], far[ring] = width_um - width_um // 2, width_um // 2
        runs = replace(runs, start_kind=start_kind, far_kind=far_kind, start_joint_um=start, far_joint_um=far)
        runs = split_legs(runs, leg, at_m, NodeKind.JOINT, width_um, rules)
    if at_buildings:
        start, far = joint_um(runs)
        start = np.where(runs.start_kind == NodeKind.ABUTTED, width_um, start)
        far = np.where(runs.far_kind == NodeKind.ABUTTED, width_um, far)
        runs = replace(runs, start_joint_um=start, far_joint_um=far)
    return runs
