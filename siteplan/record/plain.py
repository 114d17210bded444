"""Values of attributes as JSON text, and back, without loss.

JSON (RFC 8259) has text, numbers, true, false, null, lists and objects.  What it has no way to say is
written as an object with the one key ``$``: numbers that are not finite, bytes, dates.
"""

from __future__ import annotations

import base64
import json
import math
from datetime import date, datetime, time
from typing import Any

import numpy as np

from siteplan.errors import DataError, Fault

_TAG = "$"


def to_json(value: object) -> str:
    """Any plain value as JSON text, plain ASCII.

    Parameters
    ----------
    value : None, truth value, whole or real number, text, bytes, date, time, or lists and tables with text
        as keys of these; numbers and arrays of numpy count as the plain ones they hold, tuples as lists

    Raises
    ------
    DataError : a value of another kind
    """
    return json.dumps(_plain(value), ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def from_json(text: str) -> Any:
    """The value of :func:`to_json`."""
    return _value(json.loads(text))


def _plain(value: object) -> object:
    if isinstance(value, (np.generic, np.ndarray)):
        value = value.tolist()
    if value is None or isinstance(value, (bool, int)):
        return value
    if isinstance(value, str):
        return str(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else {_TAG: ["number", repr(value)]}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, dict) and all(isinstance(k, str) for k in value):
        made = {k: _plain(v) for k, v in value.items()}
        return {_TAG: ["table", made]} if _TAG in made else made
    if isinstance(value, (bytes, bytearray)):
        return {_TAG: ["bytes", base64.b64encode(value).decode("ascii")]}
    for name, kind in _DATES.items():
        if isinstance(value, kind):
            return {_TAG: [name, value.isoformat()]}
    raise DataError(
        Fault(
            "not-plain",
            f"a value of the kind {type(value).__name__} cannot be kept in the record",
            "Give text, a number, true or false, a date, or a list of these",
        )
    )


# A moment is a date too, so it is asked about first.
_DATES: dict[str, type[date | time]] = {"moment": datetime, "date": date, "time": time}


def _value(value: Any) -> Any:
    if isinstance(value, list):
        return [_value(v) for v in value]
    if not isinstance(value, dict):
        return value
    if set(value) != {_TAG}:
        return {k: _value(v) for k, v in value.items()}
    name, inner = value[_TAG]
    if name == "number":
        return float(inner)
    if name == "bytes":
        return base64.b64decode(inner)
    if name == "table":
        return {k: _value(v) for k, v in inner.items()}
    kind: Any = _DATES[name]
    return kind.fromisoformat(inner)
