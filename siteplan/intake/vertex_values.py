"""Values that belong to single vertices, carried as text attributes of their feature.

Features have one row of attributes each, and so have the formats they are written to.  What belongs
to a vertex (the time it was walked at, the radius of the arc it begins) therefore travels as one
text, ``vertex_time`` or ``vertex_radius_m``: a part for each vertex of the feature through all
its rings, with semicolons between, empty where there is no value.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault
from siteplan.model import Features
from siteplan.types import FloatArray, ObjectArray

PREFIX: Final = "vertex_"
SEPARATOR: Final = ";"


def joined(values: Iterable[str]) -> str | None:
    """Parts of one feature as a text; None where all are empty."""
    parts = list(values)
    return SEPARATOR.join(parts) if any(parts) else None


def numbers_text(values: FloatArray) -> ObjectArray:
    """Numbers as text with all their digits; empty where one is not finite."""
    out = np.full(len(values), "", object)
    for k in np.flatnonzero(np.isfinite(values)):
        out[k] = repr(float(values[k]))
    return out


def vertex_texts(features: Features, name: str) -> ObjectArray:
    """Value of each vertex as text.

    Parameters
    ----------
    features : as read
    name : such as ``time``, ``hdop``, ``radius_m``

    Returns
    -------
    (v,) str, empty where a vertex has no value.

    Raises
    ------
    DataError : a feature has more or fewer parts than vertices (its geometry was changed since)
    """
    counts = np.bincount(
        features.ring_feature, weights=np.diff(features.ring_offsets), minlength=len(features)
    ).astype(np.int64)
    column = features.attributes.get(PREFIX + name)
    if column is None:
        return np.full(int(counts.sum()), "", object)
    out: list[str] = []
    faults = []
    for k, text in enumerate(column):
        parts = [""] * int(counts[k]) if text is None else str(text).split(SEPARATOR)
        if len(parts) != counts[k]:
            faults.append(
                Fault(
                    "vertex-values",
                    f"{PREFIX}{name} has {len(parts)} values for {counts[k]} vertices",
                    "The outline was changed since it was read: empty the attribute",
                    file=str(features.file[k]),
                    feature=str(features.ids[k]),
                )
            )
        out += parts
    if faults:
        raise DataError(*faults)
    return np.array(out, dtype=object)


def vertex_numbers(features: Features, name: str) -> FloatArray:
    """Value of each vertex as a number, NaN where it has none: (v,).

    Raises
    ------
    DataError : as :func:`vertex_texts`, or a value that is no number
    """
    texts = vertex_texts(features, name)
    try:
        return np.array([float(t) if t else np.nan for t in texts], dtype=np.float64)
    except ValueError as error:
        raise DataError(
            Fault(
                "vertex-values", f"{PREFIX}{name}: {error}", "Empty the attribute", file=str(features.file[0])
            )
        ) from None
