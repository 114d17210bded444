"""The test of all readings together, tied to the test of each by itself.

A slip of one reading shows in the test of that reading and in the sum of all squared residuals.  The
significance of the one test says that of the other: both are to find the least detectable slip with the same
power.  So for the same noncentrality lambda0 the limit of the sum is where its noncentral chi-square has
``power`` above it.  Where the sum is beyond the limit and no suspect fails its own test, something is wrong
and nothing says what: *detected, not locatable*.

The price: with many checks left the significance that goes with equal power is large, 0.11 for 20 checks
(alpha 0.001, power 0.80), and so often the sum is beyond its limit with nothing wrong.  It is held at
``MOST``: a sum that comes by chance more often than that is no reason to look for a slip, and of very many
readings the sum shows a single slip less surely than its own test does.

Source
------
The B-method of testing of W. Baarda, A testing procedure for use in geodetic networks, Netherlands Geodetic
Commission, 1968 (the paper was not at hand; the formula follows from equal power, as above).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from scipy.stats import chi2 as chi2_law
from scipy.stats import ncx2

from siteplan.adjust.conditions import Conditions, noncentrality

MOST: Final = 0.20
"""a sum that comes by chance more often than this is not told (assumed)"""
UNUSUAL: Final = 0.025
"""below this something *is* said to be off, above it that it may be (assumed: one side of 0.05)"""


@dataclass(frozen=True, slots=True)
class Together:
    """What the sum of squares says, once what is named is left free."""

    chance: float
    """of a sum as large or larger, were nothing wrong; NaN where nothing is left to check by"""
    alpha: float
    """the chance below which the sum is told to be too large; NaN likewise"""

    @property
    def unusual(self) -> bool:
        """Something is wrong, or still wrong, and no test by itself says what."""
        return self.chance < UNUSUAL

    @property
    def too_large(self) -> bool:
        """Something may be wrong, or still wrong, and no test by itself says what."""
        return self.unusual or self.chance < self.alpha


def equal_power(alpha: float, power: float, freedom: int) -> float:
    """Significance of the test of all together that finds what a test of size ``alpha`` finds, as often.

    Parameters
    ----------
    alpha, power : of the test of one reading
    freedom : checks left, 1 or more

    Examples
    --------
    >>> [round(equal_power(0.001, 0.80, f), 3) for f in (1, 5, 20, 100)]
    [0.001, 0.013, 0.106, 0.396]
    """
    limit = ncx2.ppf(1 - power, freedom, noncentrality(alpha, power) ** 2)
    return float(chi2_law.sf(limit, freedom))


def together(made: Conditions, alpha: float, power: float) -> Together:
    """The sum of squares of an adjustment, where a reading is tested with this ``alpha`` and ``power``."""
    if made.freedom <= 0:
        return Together(math.nan, math.nan)
    chance = float(chi2_law.sf(made.chi2, made.freedom))
    return Together(chance, min(equal_power(alpha, power, made.freedom), MOST))
