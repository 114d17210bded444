"""What goes into the fit of legs and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from siteplan.errors import UsageError
from siteplan.types import BoolArray, IntArray, KindArray


class FitReason(IntEnum):
    """Whether a leg is met, and if not, why."""

    MET = 0
    """a fill stands within the limits"""
    NOTHING_FITS = 1
    """no allowed fill meets the leg; its longest fill that is not over stands instead"""
    NO_ROOM = 2
    """corner arms, end units and clearances leave no room, or a closed run is shorter than its
    shortest piece: nothing is laid and the whole rest is left over"""


@dataclass(frozen=True, slots=True, eq=False)
class LegFits:
    """The best fill of each leg.  l legs, s straights (sections, then closers).

    For every leg ``counts @ laying + cut_um.sum() + gap_total_um + left_over_um`` is the rest.
    """

    counts: IntArray
    """(l, s) whole pieces of each section and closer, in catalogue order"""
    cut_um: IntArray
    """(l, 2) lengths of the cut pieces, the longer first, 0 where there is none"""
    cut_from: IntArray
    """(l, 2) index of the section each cut piece is cut from, -1 where there is none"""
    joints: IntArray
    """(l,) joints the gaps are shared over"""
    gap_total_um: IntArray
    """(l,) sum of the joint gaps"""
    left_over_um: IntArray
    """(l,) signed: positive is short of the leg, negative over it"""
    unmet: BoolArray
    """(l,) no allowed fill meets the leg"""
    reason: KindArray
    """(l,) FitReason"""
    rule_sections: IntArray
    """(l,) sections by the rule of thumb: rest over nominal length, halves up"""
    rule_left_over_um: IntArray
    """(l,) signed: what those sections leave over at the nominal gap"""
    cost: IntArray
    """(l,) minor units: pieces, laying and cutting; a price not given counts as nothing"""
    sawn_um: IntArray | None = None
    """(l,) sum of the lengths of the sawn pieces the leg must have, 0 without one; it belongs to the
    sum above"""

    def __len__(self) -> int:
        return len(self.joints)

    @property
    def cuts(self) -> IntArray:
        """(l,) number of cut pieces."""
        cuts: IntArray = (self.cut_um > 0).sum(axis=1, dtype=np.int64)
        return cuts

    @property
    def pieces(self) -> IntArray:
        """(l,) sections, closers and cut pieces."""
        whole: IntArray = self.counts.sum(axis=1, dtype=np.int64)
        return whole + self.cuts


@dataclass(frozen=True, slots=True, eq=False)
class Sawn:
    """Pieces that must stand at the ends of legs, sawn to a length that is free within limits.

    They stand where a unit would: give their ends as ``units`` too.  l legs.
    """

    pieces: IntArray
    """(l,) 0, 1 or 2 pieces"""
    least_um: IntArray
    """(l,) least and greatest sum of their lengths; 0 where there is none"""
    greatest_um: IntArray
    cost: IntArray
    """(l,) minor units: what they are sawn from, laying and sawing"""


@dataclass(frozen=True, slots=True, eq=False)
class Legs:
    """Checked input of the fit.  l legs."""

    rest_um: IntArray
    extra_joints: IntArray
    """(l,) joints less pieces: ends at which a unit stands less one; 0 for a closed run"""
    closed: BoolArray
    short_um: IntArray
    over_um: IntArray
    gap_least_um: IntArray
    """(l,) the joint gaps of each leg lie between these; least above greatest: no piece can be joined"""
    gap_greatest_um: IntArray
    sawn_pieces: IntArray
    sawn_least_um: IntArray
    """(l,) the sawn pieces of each leg come to between these; 0 without one"""
    sawn_greatest_um: IntArray

    def __len__(self) -> int:
        return len(self.rest_um)

    def take(self, which: IntArray) -> Legs:
        """The legs ``which``."""
        return Legs(
            self.rest_um[which],
            self.extra_joints[which],
            self.closed[which],
            self.short_um[which],
            self.over_um[which],
            self.gap_least_um[which],
            self.gap_greatest_um[which],
            self.sawn_pieces[which],
            self.sawn_least_um[which],
            self.sawn_greatest_um[which],
        )

    @property
    def empty_joints(self) -> IntArray:
        """(l,) joints of a leg with no piece: one between two units, else none."""
        return np.maximum(self.extra_joints, 0)

    def distinct(self) -> tuple[Legs, IntArray]:
        """Legs that differ, in order of rest, and for each leg the one it equals."""
        columns = (
            self.sawn_greatest_um, self.sawn_least_um, self.sawn_pieces,
            self.gap_greatest_um, self.gap_least_um,
            self.over_um, self.short_um, self.closed, self.extra_joints, self.rest_um,
        )  # fmt: skip
        order = np.lexsort(columns)
        new = np.zeros(len(self), bool)
        new[:1] = True
        for column in columns:
            ordered = column[order]
            new[1:] |= ordered[1:] != ordered[:-1]
        same = np.empty(len(self), np.int64)
        same[order] = np.cumsum(new) - 1
        return self.take(order[new]), same


def _whole(values: ArrayLike, name: str) -> IntArray:
    array = np.asarray(values)
    if array.size == 0:
        return array.astype(np.int64)
    if not np.issubdtype(array.dtype, np.integer):
        raise UsageError(f"{name} must be whole numbers, not {array.dtype}")
    return array.astype(np.int64)


def check_legs(
    rest_um: ArrayLike,
    units: ArrayLike,
    closed: ArrayLike,
    short_um: ArrayLike,
    over_um: ArrayLike,
    gap_least_um: ArrayLike,
    gap_greatest_um: ArrayLike,
    sawn: Sawn | None = None,
) -> Legs:
    """Arrays of the fit, checked and made equally long.

    Raises
    ------
    UsageError : values that are not whole, units outside 0..2, a negative tolerance, arrays
        whose lengths do not agree, sawn pieces on a closed run or with least above greatest.
    """
    rest = np.atleast_1d(_whole(rest_um, "rest_um"))
    parts = [_whole(units, "units"), np.asarray(closed, dtype=bool)]
    parts += [_whole(short_um, "short_um"), _whole(over_um, "over_um")]
    parts += [_whole(gap_least_um, "gap_least_um"), _whole(gap_greatest_um, "gap_greatest_um")]
    try:
        unit, ring, short, over, least, greatest = (np.broadcast_to(p, rest.shape) for p in parts)
    except ValueError:
        shapes = ", ".join(str(p.shape) for p in parts)
        raise UsageError(f"rest_um has shape {rest.shape}, the arrays beside it {shapes}") from None
    if rest.ndim != 1:
        raise UsageError(f"rest_um must have one dimension, not {rest.ndim}")
    if np.any((unit < 0) | (unit > 2)):
        raise UsageError("units must be 0, 1 or 2: the ends of the leg at which a unit stands")
    if np.any((short < 0) | (over < 0)):
        raise UsageError("fit tolerances must not be negative")
    none = np.int64(0)
    zero = np.zeros(len(rest), dtype=np.int64)
    if sawn is None:
        sawn = Sawn(zero, zero, zero, zero)
    if np.any(sawn.least_um > sawn.greatest_um) or np.any((sawn.pieces > 0) & ring):
        raise UsageError("sawn pieces need least <= greatest, and an end to stand at")
    return Legs(
        rest,
        np.where(ring, none, unit.astype(np.int64) - 1),
        ring.astype(bool),
        # a ring has no end to be short or over at: its joints take up everything
        np.where(ring, none, short.astype(np.int64)),
        np.where(ring, none, over.astype(np.int64)),
        least.astype(np.int64),
        greatest.astype(np.int64),
        sawn.pieces,
        sawn.least_um,
        sawn.greatest_um,
    )
