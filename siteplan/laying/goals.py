"""What fills are compared by, as columns that may be summed over the legs of a run.

The goals of the estimator's list (docs/takeoff.md), with the length left bare right after the
number of unmet legs: along a run, fewer bare metres count before a cut elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from siteplan.laying.fit_types import FitReason, LegFits
from siteplan.laying.mitres import SawnPieces
from siteplan.products import Prefer, ProductLine
from siteplan.types import IntArray

if TYPE_CHECKING:
    from siteplan.laying.rigid import CurvePieces

GOALS: Final[dict[Prefer, tuple[str, ...]]] = {
    "pieces": ("unmet", "bare", "cuts", "pieces", "closers", "cost", "deviation", "miss"),
    "fit": ("unmet", "bare", "cuts", "miss", "deviation", "pieces", "cost", "closers"),
    "cost": ("unmet", "bare", "cost", "pieces", "deviation", "miss", "cuts", "closers"),
}
"""columns of the goals, in order"""


def run_goals(fits: LegFits, sawn: SawnPieces, line: ProductLine, prefer: Prefer) -> IntArray:
    """Goals of fills.

    Parameters
    ----------
    fits : l fills
    sawn : the sawn pieces of the same legs
    line : product line
    prefer : the list of goals

    Returns
    -------
    (l, 8) whole numbers, the first goal first.
    """
    count = sawn.count
    off = np.abs(fits.gap_total_um - fits.joints * line.gap_nominal_um)
    columns = {
        "unmet": fits.unmet,
        "bare": np.where(fits.unmet, fits.left_over_um, 0),
        "cuts": fits.cuts + count,
        "pieces": fits.pieces + count,
        "closers": fits.counts[:, len(line.sections) :].sum(axis=1),
        "cost": fits.cost,
        "deviation": np.where(fits.unmet, 0, -(-off // np.maximum(fits.joints, 1))),
        "miss": np.where(fits.unmet, 0, np.abs(fits.left_over_um)),
    }
    return np.column_stack([columns[name] for name in GOALS[prefer]]).astype(np.int64)


def curve_goals(curved: CurvePieces, line: ProductLine, prefer: Prefer) -> IntArray:
    """Goals of the pieces on curves of a rigid line.

    Returns
    -------
    (c, 8) for each of its legs, as :func:`run_goals` gives them; the deviation is that of the
    joints before the pieces.
    """
    count = len(curved.leg)
    piece = np.repeat(np.arange(count), np.diff(curved.first))
    unmet = curved.reason != FitReason.MET
    deviation = np.zeros(count, dtype=np.int64)
    off = np.where(curved.gap_um == 0, 0, np.abs(curved.gap_um - line.gap_nominal_um))
    np.maximum.at(deviation, piece, off)

    def number(which: IntArray) -> IntArray:
        return np.bincount(piece, weights=which, minlength=count).astype(np.int64)

    cut = curved.cut_um > 0
    closer = ~cut & (curved.straight >= len(line.sections))
    left_over = curved.left_over_total_um
    columns = {
        "unmet": unmet,
        "bare": np.where(unmet, left_over, 0),
        "cuts": number(cut.astype(np.int64)),
        "pieces": np.diff(curved.first),
        "closers": number(closer.astype(np.int64)),
        "cost": curved.cost,
        "deviation": np.where(unmet, 0, deviation),
        "miss": np.where(unmet, 0, np.abs(left_over)),
    }
    return np.column_stack([columns[name] for name in GOALS[prefer]]).astype(np.int64)
