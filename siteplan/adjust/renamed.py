"""What readings are called once the outlines have moved: a leg's number counts from the start of its ring."""

from __future__ import annotations

import re

import numpy as np

from siteplan.model import Runs
from siteplan.reconcile.tapes import Tapes, Target
from siteplan.types import IntArray, ObjectArray


def names_after(tapes: Tapes, before: Runs, after: Runs, leg: IntArray) -> ObjectArray:
    """(n,) what people write for what each reading is of, on the plan of other outlines.

    Parameters
    ----------
    tapes : readings of the plan ``before``
    before, after : runs as drawn and with other outlines
    leg : (l,) number in ``after`` of each leg, -1 where it is gone: names that go with it stay as they are

    Notes
    -----
    A closed run starts at its south-most corner.  Where that is another one now, legs, corners and, of a ring
    in several runs, the runs have other numbers.  Vertices count as they were drawn, and keep theirs.
    """
    legs = {str(name): k for k, name in enumerate(before.leg_id)}
    runs = {str(name): k for k, name in enumerate(before.run_id)}

    def of_leg(name: str) -> str:
        there = leg[legs[name]]
        return name if there < 0 else str(after.leg_id[there])

    def of_run(name: str) -> str:
        there = leg[before.leg_offsets[runs[name]]]
        return name if there < 0 else str(after.run_id[after.leg_run[there]])

    def of_point(name: str) -> str:
        head, _, tail = name.rpartition(".")
        if head in legs:
            return f"{of_leg(head)}.{tail}"
        corner = re.fullmatch(r"(.+)-([cC])(\d+)", name)
        if corner is None or corner[1] not in runs:
            return name
        # a corner has the number of the leg that arrives at it; a surveyed mark may be called anything
        first, end = before.leg_offsets[runs[corner[1]] :][:2]
        arriving = first + int(corner[3]) - 1
        there = leg[arriving] if first <= arriving < end else -1
        if there < 0:
            return name
        run = after.leg_run[there]
        return f"{after.run_id[run]}-{corner[2]}{there - after.leg_offsets[run] + 1}"

    made = np.empty(len(tapes), dtype=object)
    for k, (what, name) in enumerate(zip(tapes.what, tapes.name, strict=True)):
        if what == Target.LEG:
            made[k] = of_leg(str(name))
        elif what == Target.RUN:
            made[k] = of_run(str(name))
        else:
            made[k] = " to ".join(of_point(str(tapes.point_name[p])) for p in tapes.point[k])
    return made
