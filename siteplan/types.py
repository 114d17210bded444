"""Names for the arrays that travel between the modules.

Every alias says what a row means; the unit is in the name of the variable that
holds it (``length_m``, ``rest_um``, ``turn_deg``).
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
"""(n,) float64."""
LonLatArray: TypeAlias = NDArray[np.float64]
"""(n, 2) degrees, longitude first."""
XYArray: TypeAlias = NDArray[np.float64]
"""(n, 2) ground metres of the site, x east, y north, near the site's own origin."""
IntArray: TypeAlias = NDArray[np.int64]
"""(n,) int64: counts, indices, whole micrometres, whole minor units of money."""
OffsetArray: TypeAlias = NDArray[np.int64]
"""(n + 1,) int64: part k of a ragged array is ``values[offsets[k]:offsets[k + 1]]``."""
BoolArray: TypeAlias = NDArray[np.bool_]
"""(n,) bool."""
KindArray: TypeAlias = NDArray[np.int8]
"""(n,) int8 holding the values of one of the IntEnums of :mod:`siteplan.model`."""
ObjectArray: TypeAlias = NDArray[Any]
"""(n,) object: text or attribute values as they came."""
