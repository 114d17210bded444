"""Where along a polyline one circle, or one straight line, goes through the vertices within their noise.

Numbers only.  A *chain* is a polyline from corner to corner (both ends included) or a whole ring
without corners.  It is cut at vertices into as few stretches as the residual test allows; a break
vertex belongs to both stretches beside it.

The test uses sums of powers of the coordinates, so that any stretch of any chain is judged at the
same small cost.  Circles: the algebraic fit with Pratt's constraint, whose least eigenvalue is the
mean square distance up to the factor (1 + d/2r)^2 (V. Pratt, "Direct least-squares fitting of
algebraic surfaces", 1987; N. Chernov, "Circular and Linear Regression", 2010, chapter 5).  A
straight line is a circle of curvature 0 there, and is preferred where it passes by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import chdtri

from siteplan.planar import offsets_of, part_of
from siteplan.types import BoolArray, FloatArray, IntArray, OffsetArray, XYArray

SIGNIFICANCE: Final = 0.005
"""share of true arcs and lines the residual test refuses"""
LEAST_SIGMA_M: Final = 1e-4
"""outlines are not taken as better than this"""
LEAST_ARC_VERTICES: Final = 4
"""three vertices are always on a circle; it takes a fourth to speak against it"""
LEAST_ARC_DEG: Final = 20.0
"""an arc of less than this is no arc"""
_PRICE: Final = 4.0
"""chi-square a stretch must gain for each further unknown, when breaks are shifted"""
_NEWTON: Final = 12
_SHIFTS: Final = (-8, -4, -2, -1, 1, 2, 4, 8)
_NARROWER: Final = (1, 2, 4)
_SWEEPS: Final = 6


@dataclass(frozen=True, slots=True, eq=False)
class Chains:
    """Polylines to be cut into stretches.  c chains, w rows."""

    xy: XYArray
    """(w, 2); a ring's vertices come twice, so that stretches may run over its start"""
    offsets: OffsetArray
    ring: BoolArray
    size: IntArray
    """(c,) vertices of each chain, a ring's counted once"""
    sigma_m: FloatArray
    """(c,) standard deviation of a vertex, each way; not less than ``LEAST_SIGMA_M``"""

    @classmethod
    def of(cls, xy: XYArray, offsets: OffsetArray, ring: BoolArray, sigma_m: FloatArray) -> Chains:
        """Make chains of polylines; rings come without repeated vertex."""
        size = np.diff(offsets)
        counts = np.where(ring, 2 * size, size)
        new = offsets_of(counts)
        chain = part_of(new)
        local = np.mod(np.arange(int(new[-1])) - new[:-1][chain], np.maximum(size, 1)[chain])
        return cls(xy[offsets[:-1][chain] + local], new, ring, size, np.maximum(sigma_m, LEAST_SIGMA_M))

    def __len__(self) -> int:
        return len(self.size)


class Powers:
    """Sums of powers along all chains, and the fits of stretches from them."""

    def __init__(self, chains: Chains) -> None:
        chain = part_of(chains.offsets)
        count = np.maximum(np.diff(chains.offsets), 1)
        middle = np.column_stack(
            [np.bincount(chain, weights=chains.xy[:, k], minlength=len(count)) / count for k in (0, 1)]
        )
        x, y = (chains.xy - middle[chain]).T
        z = x * x + y * y
        terms = np.stack([x, y, x * x, x * y, y * y, x * z, y * z, z * z])
        self._sums = np.concatenate([np.zeros((8, 1)), np.cumsum(terms, axis=1)], axis=1)
        self._variance = chains.sigma_m**2

    def chi_squares(self, chain: IntArray, first: IntArray, last: IntArray) -> tuple[FloatArray, FloatArray]:
        """Sum of squared distances over variance, of the best line and of the best circle: (n,) each.

        Parameters
        ----------
        chain : (n,) chain of each stretch
        first, last : (n,) its rows, both included
        """
        n = (last - first + 1).astype(np.float64)
        a, b, xx, xy, yy, xz, yz, zz = (self._sums[:, last + 1] - self._sums[:, first]) / n
        c = a * a + b * b
        mxx, mxy, myy, z = xx - a * a, xy - a * b, yy - b * b, xx + yy
        mxz = xz - a * z - 2 * a * mxx - 2 * b * mxy
        myz = yz - b * z - 2 * a * mxy - 2 * b * myy
        mzz = (
            zz + 4 * (a * a * xx + b * b * yy) + 8 * a * b * xy - 4 * (a * xz + b * yz)
            + 2 * c * z - 3 * c * c
        )  # fmt: skip
        mean = mxx + myy
        # the smaller eigenvalue, without the loss of a difference
        cov = mxx * myy - mxy * mxy
        greater = 0.5 * (mean + np.sqrt(np.maximum((mxx - myy) ** 2 + 4 * mxy * mxy, 0.0)))
        line = np.maximum(cov, 0.0) / np.where(greater > 0, greater, 1.0)
        circle = _pratt(mean, cov, mxx, mxy, myy, mxz, myz, mzz)
        scale = n / self._variance[chain]
        return line * scale, np.minimum(np.where(n <= 3, 0.0, circle), line) * scale


def _pratt(
    mean: FloatArray, cov: FloatArray, mxx: FloatArray, mxy: FloatArray, myy: FloatArray, mxz: FloatArray,
    myz: FloatArray, mzz: FloatArray,
) -> FloatArray:  # fmt: skip
    """(n,) least eigenvalue of the moments under Pratt's constraint, by Newton's rule from 0."""
    a2 = 4 * cov - 3 * mean * mean - mzz
    a1 = mzz * mean + 4 * cov * mean - mxz * mxz - myz * myz - mean**3
    a0 = mxz * mxz * myy + myz * myz * mxx - mzz * cov - 2 * mxz * myz * mxy + mean * mean * cov
    root = np.zeros(len(mean))
    for _ in range(_NEWTON):
        slope = a1 + root * (2 * a2 + 16 * root * root)
        value = a0 + root * (a1 + root * (a2 + 4 * root * root))
        move = np.divide(value, slope, out=np.zeros(len(root)), where=slope != 0)
        root = root - move
        if not len(root) or np.all(np.abs(move) <= 1e-9 * np.abs(root) + 1e-16):
            break
    return np.maximum(root, 0.0)


def allowed(freedom: FloatArray | IntArray) -> FloatArray:
    """Chi-square that a share of ``SIGNIFICANCE`` exceeds; 0 degrees of freedom allow nothing."""
    whole = np.maximum(np.asarray(freedom).astype(np.int64), 0)
    if not whole.size:
        return np.zeros(whole.shape)
    # each number once: the inverse is far slower than looking it up
    table = np.concatenate([[0.0], chdtri(np.arange(1, int(whole.max()) + 1), SIGNIFICANCE)])
    out: FloatArray = table[whole]
    return out


def _reach(chains: Chains, powers: Powers) -> IntArray:
    """(w,) last row of the longest stretch from each row that one circle fits."""
    chain = part_of(chains.offsets)
    row = np.arange(len(chain))
    final = chains.offsets[1:][chain] - 1
    # a ring's stretch holds each vertex once, and the first again at most
    final = np.where(chains.ring[chain], np.minimum(row + chains.size[chain], final), final)
    good = np.minimum(row + 2, final)
    bad = final + 1
    jump = np.full(len(row), 2)
    todo = np.flatnonzero(good < final)
    while len(todo):
        doubling = bad[todo] > final[todo]
        ahead = np.where(doubling, good[todo] + jump[todo], (good[todo] + bad[todo]) // 2)
        ahead = np.minimum(ahead, final[todo])
        n = ahead - row[todo] + 1
        _, circle = powers.chi_squares(chain[todo], row[todo], ahead)
        fits = circle <= allowed(n - 3)
        good[todo] = np.where(fits, ahead, good[todo])
        bad[todo] = np.where(fits, bad[todo], ahead)
        jump[todo] *= 2
        todo = todo[(good[todo] < final[todo]) & (good[todo] + 1 < bad[todo])]
    return good


def find_breaks(chains: Chains) -> tuple[IntArray, OffsetArray]:
    """Rows where stretches begin and end, and their offsets by chain.

    Each chain gets its first break and its last; a ring's last is its first, one turn on.  A ring
    that one circle fits has these two only, at its first vertex.  Of the ways to cut, one with
    fewest stretches is taken, and its breaks shifted to where the squares are least.
    """
    powers = Powers(chains)
    reach = _reach(chains, powers)
    start = _starts(chains, reach)
    end = start + np.where(chains.ring, chains.size, chains.size - 1)
    breaks = [start]
    owner = [np.arange(len(chains))]
    at, todo = start.copy(), np.arange(len(chains))
    while len(todo):
        at[todo] = np.minimum(np.maximum(_onward(chains, reach, todo, at[todo]), at[todo] + 1), end[todo])
        breaks.append(at[todo].copy())
        owner.append(todo)
        todo = todo[at[todo] < end[todo]]
    rows, of = np.concatenate(breaks), np.concatenate(owner)
    order = np.lexsort((rows, of))
    rows, of = rows[order], of[order]
    offsets = offsets_of(np.bincount(of, minlength=len(chains)))
    rows = _shifted(chains, powers, rows, of)
    if chains.ring.any():
        # a ring's first break is one like the others, and so are the stretches beside it: they are shifted
        # once the ring starts at the next, and the one after that
        for _ in range(2):
            rows = _shifted(chains, powers, _from_next(chains, rows, offsets), of)
    return rows, offsets


def _from_next(chains: Chains, rows: IntArray, offsets: OffsetArray) -> IntArray:
    """Breaks with those of rings of two stretches or more beginning at their second."""
    out = rows.copy()
    count = np.diff(offsets)
    turned = chains.ring & (count > 2)
    of = part_of(offsets)
    here = np.flatnonzero(turned[of])
    first = offsets[:-1][of[here]]
    size = chains.size[of[here]]
    last = here == offsets[1:][of[here]] - 1
    moved = np.where(last, rows[first + 1] + size, rows[np.minimum(here + 1, len(rows) - 1)])
    over = rows[first + 1] - chains.offsets[:-1][of[here]] >= size
    out[here] = moved - np.where(over, size, 0)
    return out


def _onward(chains: Chains, reach: IntArray, chain: IntArray, at: IntArray) -> IntArray:
    """Reach from rows that may lie in the second turn of a ring."""
    first, size = chains.offsets[:-1][chain], chains.size[chain]
    back = np.where(chains.ring[chain] & (at - first >= size), size, 0)
    return reach[at - back] + back


def _starts(chains: Chains, reach: IntArray) -> IntArray:
    """(c,) row each chain is walked from: on rings the one that takes fewest stretches all round."""
    start = chains.offsets[:-1].copy()
    ring = np.flatnonzero(chains.ring)
    if not len(ring):
        return start
    size = chains.size[ring]
    chain = np.repeat(ring, size)
    row = np.arange(len(chain)) - np.repeat(offsets_of(size)[:-1], size) + start[chain]
    at, count = row.copy(), np.zeros(len(row), dtype=np.int64)
    reached = np.zeros(len(row))
    todo = np.arange(len(row))
    while len(todo):
        before = at[todo]
        at[todo] = np.maximum(_onward(chains, reach, chain[todo], before), before + 1)
        count[todo] += 1
        reached[todo] = at[todo] - row[todo]
        todo = todo[at[todo] < row[todo] + chains.size[chain[todo]]]
    # of equals the one with most room to spare, then the south-most, so that numbering does not matter
    place = chains.xy[row]
    order = np.lexsort((place[:, 0], place[:, 1], -reached, count, chain))
    first = order[np.searchsorted(chain[order], ring, side="left")]
    start[ring] = row[first]
    return start


def _price(powers: Powers, chain: IntArray, first: IntArray, last: IntArray) -> FloatArray:
    """Chi-square of stretches with their price for each unknown."""
    line, circle = powers.chi_squares(chain, first, last)
    out: FloatArray = np.minimum(line + 2 * _PRICE, circle + 3 * _PRICE)
    return out


def _shifted(chains: Chains, powers: Powers, rows: IntArray, of: IntArray) -> IntArray:
    """Breaks where the squares of the stretches beside them are least."""
    rows = rows.copy()
    last = np.concatenate([of[1:] != of[:-1], [True]])
    first = np.concatenate([[True], of[1:] != of[:-1]])
    number = np.arange(len(rows)) - np.maximum.accumulate(np.where(first, np.arange(len(rows)), 0))
    for _ in range(_SWEEPS):
        moved = False
        for parity in (1, 0):
            k = np.flatnonzero(~first & ~last & (number % 2 == parity))
            if not len(k):
                continue
            best, at = np.full(len(k), np.inf), rows[k].copy()
            for shift in (0, *_SHIFTS):
                to = rows[k] + shift
                inside = (to > rows[k - 1]) & (to < rows[k + 1])
                to = np.where(inside, to, rows[k])
                cost = _price(powers, of[k], rows[k - 1], to) + _price(powers, of[k], to, rows[k + 1])
                better = cost < best - 1e-9
                best, at = np.where(better, cost, best), np.where(better, to, at)
            moved |= bool((at != rows[k]).any())
            rows[k] = at
        for third in (1, 2, 0):
            k = np.flatnonzero(~first[:-1] & ~last[:-1] & ~last[1:] & (number[:-1] % 3 == third))
            moved |= _narrowed(powers, rows, of, k)
        if not moved:
            break
    return rows


def _narrowed(powers: Powers, rows: IntArray, of: IntArray, k: IntArray) -> bool:
    """Move breaks ``k`` on and those after them back, at once, where that gains; whether any moved.

    A straight side drawn as one edge between two arcs is on one circle with the edges before and after it,
    as the four vertices are a symmetric trapezium.  With one of the two only it is on a circle as well, so
    that neither break by itself gains.
    """
    if not len(k):
        return False

    def cost(start: IntArray, far: IntArray) -> FloatArray:
        return (
            _price(powers, of[k], rows[k - 1], start)
            + _price(powers, of[k], start, far)
            + _price(powers, of[k], far, rows[k + 2])
        )

    start, far = rows[k].copy(), rows[k + 1].copy()
    best = cost(start, far)
    for shift in _NARROWER:
        to, back = rows[k] + shift, rows[k + 1] - shift
        inside = to < back
        to, back = np.where(inside, to, rows[k]), np.where(inside, back, rows[k + 1])
        now = cost(to, back)
        better = now < best - 1e-9
        best = np.where(better, now, best)
        start, far = np.where(better, to, start), np.where(better, back, far)
    moved = bool((start != rows[k]).any())
    rows[k], rows[k + 1] = start, far
    return moved
