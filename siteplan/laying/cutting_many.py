"""Sections to cut, for the cuts of many sites at once.

The cut plan of one site (:mod:`siteplan.laying.cutting`) is proven; for thousands of drawn sites a quick
plan stands in for it, with a lower bound beside it: where the two are equal the plan is proven too.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from siteplan.products import UsableEnds
from siteplan.types import IntArray

_CELLS: Final = 1 << 24
"""sites x cuts x 8 looked at together; bounds the memory"""
_THRESHOLDS: Final = 24


def sections_to_cut(
    site: IntArray, cut_um: IntArray, sites: int, stock_um: int, kerf_um: int, usable_ends: UsableEnds
) -> tuple[IntArray, IntArray]:
    """Sections each site takes for its cuts, and a bound none can take fewer than.

    Parameters
    ----------
    site : (c,) site each piece belongs to, from 0
    cut_um : (c,) length of section each piece takes, without the blade
    sites : how many there are
    stock_um, kerf_um, usable_ends : of the section, as for :func:`siteplan.laying.cutting.plan_cuts`

    Returns
    -------
    (sites,) and (sites,).  Where two pieces at most come from a section the plan is optimal: the longest
    with the shortest that is left, if they fit.  Else each piece, the longest first, goes where it
    leaves least.  The bound is that of Martello and Toth (1990, doi:10.1016/0166-218X(90)90094-S), L2.
    """
    count, least = np.zeros(sites, dtype=np.int64), np.zeros(sites, dtype=np.int64)
    if not len(site):
        return count, least
    order = np.lexsort((-cut_um, site))
    owner, size = site[order], (cut_um + kerf_um)[order]
    capacity = stock_um + kerf_um
    each = np.bincount(owner, minlength=sites)
    widest = int(each.max())
    nth = np.arange(len(owner)) - np.searchsorted(owner, owner)
    table = np.zeros((sites, widest), dtype=np.int64)
    table[owner, nth] = size
    ends = np.sort(np.where(table > 0, table, 2 * capacity), axis=1)[:, :3]
    pairs = usable_ends == "one_factory_end" or ends.shape[1] < 3 or int(ends.sum(axis=1).min()) > capacity
    if pairs:
        count = _in_pairs(table, each, capacity)
        return count, count.copy()
    step = max(1, _CELLS // (8 * widest))
    for first in range(0, sites, step):
        rows = slice(first, first + step)
        count[rows] = _best_fit(table[rows], capacity)
        least[rows] = _bound(table[rows], capacity)
    return count, least


def _in_pairs(table: IntArray, each: IntArray, capacity: int) -> IntArray:
    """Sections when two pieces at most come from one: proven as in ``cutting_lp.pair``."""
    sites = np.arange(len(table))
    low, high = np.zeros(len(table), dtype=np.int64), each - 1
    count = np.zeros(len(table), dtype=np.int64)
    while (busy := low <= high).any():
        one = table[sites, np.minimum(low, table.shape[1] - 1)]
        other = table[sites, np.maximum(high, 0)]
        both = busy & (low < high) & (one + other <= capacity)
        count += busy
        low += busy
        high -= both
    return count


def _best_fit(table: IntArray, capacity: int) -> IntArray:
    """Sections when each piece, the longest first, goes into the section it leaves least of."""
    sites, widest = table.shape
    room = np.full((sites, widest), capacity, dtype=np.int64)
    used = np.zeros(sites, dtype=np.int64)
    row = np.arange(sites)
    open_to = 1
    for k in range(widest):
        size = table[:, k]
        part = room[:, :open_to]
        # untouched sections are all alike and come last, so that the first of them is taken
        fits = np.where(part >= size[:, None], part, 4 * capacity)
        at = fits.argmin(axis=1)
        some = size > 0
        room[row[some], at[some]] -= size[some]
        used = np.maximum(used, np.where(some, at + 1, 0))
        open_to = min(widest, int(used.max()) + 1)
    return used


def _bound(table: IntArray, capacity: int) -> IntArray:
    """No plan takes fewer sections."""
    best: IntArray = -(-table.sum(axis=1) // capacity)
    for threshold in np.unique(np.linspace(0, capacity // 2, _THRESHOLDS).astype(np.int64)).tolist():
        alone = (table > capacity - threshold).sum(axis=1)
        large = (table <= capacity - threshold) & (2 * table > capacity)
        small = (2 * table <= capacity) & (table >= max(threshold, 1))
        room = large.sum(axis=1) * capacity - np.where(large, table, 0).sum(axis=1)
        over = np.maximum(np.where(small, table, 0).sum(axis=1) - room, 0)
        best = np.maximum(best, alone + large.sum(axis=1) + -(-over // capacity))
    return best
