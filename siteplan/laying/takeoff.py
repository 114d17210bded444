"""From runs and their product lines to pieces, counts and what could not be met.

What stands in each leg is found first (:mod:`siteplan.laying.filling`); then every piece is put in its
place (:mod:`siteplan.laying.placement`).  Runs of several lines are laid line by line and put together
(:mod:`siteplan.laying.several`): nothing but the ends of runs at a tee, and legs moved sideways, asks
what lies beside a run.
"""

from __future__ import annotations

from collections.abc import Sequence

from siteplan.laying.lay_rules import LayRules
from siteplan.laying.lines import lines_in_use
from siteplan.laying.one_line import lay_one
from siteplan.laying.result import LineFill, Takeoff
from siteplan.laying.several import lay_several
from siteplan.laying.unmet import (
    NO_CORNER,
    NO_ROOM,
    NOTHING_FITS,
    RADIUS,
    RIGID_CURVE,
    SHORT_LEG,
    Unmet,
)
from siteplan.model import Runs
from siteplan.products import ProductLine
from siteplan.types import BoolArray, ObjectArray

__all__ = [
    "NOTHING_FITS",
    "NO_CORNER",
    "NO_ROOM",
    "RADIUS",
    "RIGID_CURVE",
    "SHORT_LEG",
    "LayRules",
    "LineFill",
    "Takeoff",
    "Unmet",
    "lay",
]


def lay(
    runs: Runs,
    bed_ids: ObjectArray | Sequence[str],
    line: ProductLine | Sequence[ProductLine],
    rules: LayRules,
    *,
    held: BoolArray | None = None,
) -> Takeoff:
    """Take off and place every piece.

    Parameters
    ----------
    runs : runs with legs and corners, on the laying line
    bed_ids : (n,) id of each bed, as ``runs.bed`` counts them
    line : the product line, or the lines ``runs.line`` counts into; no two have a piece code in common
    rules : how legs are filled and laid
    held : (l,) legs that stay where they are, whatever play there is

    Returns
    -------
    Takeoff.

    Raises
    ------
    UsageError : from the fit, for settings that cannot be used with a line.
    """
    lines, of_run = lines_in_use(runs, line)
    if len(lines) == 1:
        return lay_one(runs, bed_ids, lines[0], rules, held=held)
    return lay_several(runs, bed_ids, lines, of_run, rules, held=held)
