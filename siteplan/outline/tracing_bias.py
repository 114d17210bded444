"""What tracing does to lengths on the average: noise lengthens, chords shorten.

Numbers only.  *Assumed*: every vertex is off by errors that are normal, independent of one another
and between east and north, with one standard deviation sigma each way.  Errors that neighbouring
vertices share (a picture that lies wrong, a hand that drifts) move the line without lengthening it
as much; then the noise part taken off is too large.

Noise.  The vector of an edge whose true length is s is normal with a standard deviation of
sqrt(2) sigma each way, so its length is Rice distributed and has the mean

    E = sqrt(pi) sigma L(-s^2 / 4 sigma^2),   L(-x) = exp(-x/2) ((1 + x) I0(x/2) + x I1(x/2))

(S. O. Rice, "Mathematical analysis of random noise", 1945).  That is exact on straight lines and on
curves alike, and the mean of a sum is the sum of the means, though neighbouring edges share a vertex.
For s large it is s (1 + (sigma/s)^2 + (sigma/s)^4/2 + ...); at s = 0 it is sqrt(pi) sigma.

Chords.  An edge that turns by the angle p is short by s ((p/2) / sin(p/2) - 1) = s (p^2/24 + 7 p^4/5760 ...).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import i0e, i1e

from siteplan.planar import edges, neighbours, part_of, sums, turns
from siteplan.types import BoolArray, FloatArray, OffsetArray, XYArray

_HALVINGS: Final = 34
_WINDOW: Final = 2
"""edges on either side whose mean length stands for the spacing of the vertices"""


def noisy_length(true_m: FloatArray, sigma_m: FloatArray) -> FloatArray:
    """Mean length of edges whose two ends carry noise.

    Parameters
    ----------
    true_m : (n,) lengths without noise
    sigma_m : (n,) standard deviation of a vertex, each way; 0 gives the true length

    Returns
    -------
    (n,) metres, never less than ``true_m``.

    Examples
    --------
    >>> noisy_length(np.array([0.0, 1.0]), np.array([0.1, 0.0])).round(6).tolist()
    [0.177245, 1.0]
    """
    true_m, sigma_m = np.broadcast_arrays(np.asarray(true_m, float), np.asarray(sigma_m, float))
    some = sigma_m > 0
    sigma = np.where(some, sigma_m, 1.0)
    half = np.where(some, true_m / sigma, 0.0) ** 2 / 8
    # i0e and i1e carry the factor exp(-x/2)
    mean = np.sqrt(np.pi) * sigma * ((1 + 2 * half) * i0e(half) + 2 * half * i1e(half))
    # beyond 1e4 sigma the two terms cancel to the last digits: the series is exact there
    series = true_m + sigma**2 / np.where(true_m > 0, true_m, 1.0)
    return np.where(some, np.where(half > 1e7, series, mean), true_m)


def expected_bias(
    xy: XYArray, offsets: OffsetArray, closed: BoolArray, sigma_m: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How much too long each part is by noise, too short by chords, and how sure its length is.

    Parameters
    ----------
    xy, offsets, closed : polylines as traced
    sigma_m : (r,) standard deviation of a vertex of each part, each way; NaN where not known

    Returns
    -------
    noise_m : (r,) to be taken off; NaN where sigma is not known
    chords_m : (r,) to be added
    spread_m : (r,) standard deviation of the length so corrected, to first order in sigma

    Notes
    -----
    The true spacing is not known.  It is taken as the mean of the traced lengths of an edge and the two
    on either side, times one factor for each part, such that the expectation is the length as traced.
    The noise in the turns is taken off their square, so that it does not pass for curvature; what
    remains is kept at 0 or more for a part as a whole.
    """
    line = edges(xy, offsets, closed)
    part = part_of(offsets)
    sigma = np.where(np.isnan(sigma_m), 0.0, sigma_m)
    own = sigma[part]
    real = line.length > 0
    spacing = _mean_spacing(line.length, offsets, closed)
    low, high = np.zeros(len(sigma)), np.ones(len(sigma))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        long = (
            sums(np.where(real, noisy_length(middle[part] * spacing, own), 0.0), offsets) > line.part_length
        )
        low, high = np.where(long, low, middle), np.where(long, middle, high)
    factor = np.where(sigma > 0, 0.5 * (low + high), 1.0)
    noise = line.part_length - factor * sums(np.where(real, spacing, 0.0), offsets)
    noise = np.where(sigma > 0, np.maximum(noise, 0.0), 0.0)
    chords = _chord_loss(line.length, turns(line, offsets, closed), spacing, offsets, closed, own)
    spread = sigma * np.sqrt(_gradient_squares(line.vector, line.length, offsets, closed))
    unknown = np.isnan(sigma_m)
    return tuple(np.where(unknown, np.nan, v) for v in (noise, chords, spread))  # type: ignore[return-value]


def _mean_spacing(length: FloatArray, offsets: OffsetArray, closed: BoolArray) -> FloatArray:
    """(v,) mean of edges near each, scaled so that each part keeps its length."""
    before, after = neighbours(offsets, closed)
    real = length > 0
    total, count = length.copy(), real.astype(np.float64)
    back, on = np.arange(len(length)), np.arange(len(length))
    for _ in range(_WINDOW):
        new_back, new_on = before[back], after[on]
        for new, old in ((new_back, back), (new_on, on)):
            fresh = (new != old) & real[new]
            total += np.where(fresh, length[new], 0.0)
            count += fresh
        back, on = new_back, new_on
    mean = np.where(real, total / np.maximum(count, 1.0), 0.0)
    whole, smooth = sums(length, offsets), sums(mean, offsets)
    out: FloatArray = mean * (whole / np.where(smooth > 0, smooth, 1.0))[part_of(offsets)]
    return out


def _chord_loss(
    length: FloatArray, turn: FloatArray, spacing: FloatArray, offsets: OffsetArray, closed: BoolArray,
    sigma: FloatArray,
) -> FloatArray:  # fmt: skip
    """(r,) how much shorter the chords are than arcs that turn as they do."""
    _, after = neighbours(offsets, closed)
    here = np.arange(len(length))
    inner = np.ones(len(length), dtype=np.bool_)
    open_part = ~closed & (np.diff(offsets) > 0)
    inner[offsets[:-1][open_part]] = inner[offsets[1:][open_part] - 1] = False
    real = (length > 0) & (after != here)
    ends = inner.astype(np.float64) + inner[after]
    bend = (turn + turn[after]) / np.maximum(ends, 1.0)
    # two turns: the directions two edges apart, four vertices; one turn: three vertices, 1 + 4 + 1
    share = np.where(ends == 2, 1.0, 6.0)
    square = bend**2 - share * np.divide(sigma, spacing, out=np.zeros(len(length)), where=spacing > 0) ** 2
    loss = np.where(real & (ends > 0), length * (square / 24 + 7 * square * np.abs(square) / 5760), 0.0)
    return np.maximum(sums(loss, offsets), 0.0)


def _gradient_squares(
    vector: XYArray, length: FloatArray, offsets: OffsetArray, closed: BoolArray
) -> FloatArray:
    """(r,) sum of squares of the change of a part's length with each coordinate of its vertices."""
    before, _ = neighbours(offsets, closed)
    here = np.arange(len(length))
    unit = vector / np.where(length > 0, length, 1.0)[:, None]
    arriving = np.where((before == here)[:, None], 0.0, unit[before])
    slope = arriving - unit
    return sums((slope**2).sum(axis=1), offsets)
