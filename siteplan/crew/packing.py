"""Numbers as base64 of little-endian integers, and positions as whole tenths of a millimetre."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from siteplan.errors import UsageError
from siteplan.types import FloatArray, XYArray

UNITS_PER_M: Final = 10_000
"""packed units in a metre"""
LONLAT_UNIT: Final = 1e8
"""packed units in a degree"""
_MOST: Final = np.iinfo(np.int32).max


def packed(values: Any, kind: str) -> str:
    """Values as base64 text.

    Parameters
    ----------
    values : whole numbers
    kind : numpy type with its byte order, such as ``<i4``

    Raises
    ------
    UsageError : a value does not fit.
    """
    given = np.asarray(values)
    limits = np.iinfo(np.dtype(kind))
    if given.size and (given.min() < limits.min or given.max() > limits.max):
        raise UsageError(f"the crew page cannot hold {given.min()} to {given.max()} as {kind}")
    return base64.b64encode(np.ascontiguousarray(given, dtype=kind).tobytes()).decode("ascii")


def bits(flags: Any) -> str:
    """Flags, a byte each."""
    return packed(np.asarray(flags, dtype=bool).astype(np.uint8), "u1")


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Ground metres as whole tenths of a millimetre from the south-west of everything shown."""

    origin_m: FloatArray
    """(2,)"""

    @classmethod
    def of(cls, *parts: XYArray) -> Places:
        """Places that hold all the parts."""
        every = np.concatenate([np.empty((0, 2)), *(np.asarray(p, np.float64).reshape(-1, 2) for p in parts)])
        origin = np.floor(every.min(axis=0)) if len(every) else np.zeros(2)
        if len(every) and (every.max(axis=0) - origin).max() * UNITS_PER_M > _MOST:
            raise UsageError("the crew page cannot show a plan more than 214 km across")
        return cls(origin)

    def __call__(self, xy: XYArray) -> str:
        """(n, 2) ground metres, packed."""
        offsets = (np.asarray(xy, np.float64).reshape(-1, 2) - self.origin_m) * UNITS_PER_M
        return packed(np.rint(offsets).astype(np.int64), "<i4")


def affine(source: FloatArray, target: FloatArray) -> tuple[list[float], float]:
    """The affine change of coordinates that fits best, and its greatest miss.

    Parameters
    ----------
    source, target : (n, 2), n >= 3 and not in one line

    Returns
    -------
    a, b, c, d, e, f : x = a u + b v + c, y = d u + e v + f
    miss : in units of the target
    """
    rows = np.column_stack([source, np.ones(len(source))])
    found, *_ = np.linalg.lstsq(rows, target, rcond=None)
    miss = np.hypot(*(rows @ found - target).T).max()
    return [*found[:, 0].tolist(), *found[:, 1].tolist()], float(miss)
