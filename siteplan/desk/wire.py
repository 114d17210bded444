"""What comes over the wire: JSON that is limited, and checked field by field.

Every refusal is a :class:`Refused`: a status and one sentence.  Nothing here knows the site.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from typing import Any, Final, NoReturn

MOST_BYTES: Final = 8_000_000
"""body of a request"""
MOST_CHANGES: Final = 2_000
MOST_RINGS: Final = 1_000
MOST_VERTICES: Final = 100_000
"""of all drawings in one request"""
MOST_TEXT: Final = 2_000
MOST_DEPTH: Final = 24
"""JSON nested deeper than this is nothing of ours"""
ROLES: Final = ("beds", "abutments", "openings")


class Refused(Exception):  # noqa: N818 - an answer, not a mistake of the program
    """A request that is answered with a status and why.

    Parameters
    ----------
    status : HTTP status, 4xx or 507
    what : the fault in a sentence
    mend : what can be done
    more : further fields of the answer
    """

    def __init__(self, status: int, what: str, mend: str = "", **more: Any) -> None:
        super().__init__(what)
        self.status = status
        self.what = what
        self.mend = mend
        self.more = more

    @property
    def body(self) -> dict[str, Any]:
        """The answer."""
        fault = {"what": self.what, "where": None, "mend": self.mend, "at": None}
        return {"faults": [fault], **self.more}


def bad(what: str, mend: str = "") -> NoReturn:
    """Refuse a malformed request.

    Raises
    ------
    Refused : 400, always
    """
    raise Refused(400, what, mend)


def parsed(body: bytes) -> dict[str, Any]:
    """The JSON object of a body.

    Raises
    ------
    Refused : 400 for text that is no JSON object, is nested too deep, or holds NaN, Infinity or a number
        beyond all measure
    """
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError:
        bad("The body is not UTF-8 text")
    if _depth(text) > MOST_DEPTH:
        bad(f"The body is nested deeper than {MOST_DEPTH} levels")
    try:
        value = json.loads(text, parse_constant=_no_constant, parse_int=_int, parse_float=_float)
    except (ValueError, RecursionError):
        bad("The body is not JSON")
    if not isinstance(value, dict):
        bad("The body is not a JSON object")
    return value


def _depth(text: str) -> int:
    """How deep brackets are nested, those in strings left out."""
    depth = deepest = 0
    inside = escaped = False
    for sign in text:
        if inside:
            if escaped:
                escaped = False
            elif sign == "\\":
                escaped = True
            elif sign == '"':
                inside = False
        elif sign == '"':
            inside = True
        elif sign in "[{":
            depth += 1
            deepest = max(deepest, depth)
            if deepest > MOST_DEPTH:
                return deepest
        elif sign in "]}":
            depth -= 1
    return deepest


def _no_constant(name: str) -> NoReturn:
    raise ValueError(name)


def _int(text: str) -> int:
    if len(text) > 18:
        raise ValueError(text)
    return int(text)


def _float(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


# ---------------------------------------------------------------- fields


def text(value: Any, name: str, *, most: int = MOST_TEXT, empty: bool = True) -> str:
    """A text.

    Raises
    ------
    Refused : it is none, too long, or empty where it must not be
    """
    if not isinstance(value, str):
        bad(f"{name} must be text")
    if len(value) > most:
        bad(f"{name} is longer than {most} characters")
    if not empty and not value.strip():
        bad(f"{name} must not be empty")
    if any(0xD800 <= ord(sign) <= 0xDFFF for sign in value):
        bad(f"{name} holds half a character")
    return value


def whole(value: Any, name: str, *, least: int = 0) -> int:
    """A whole number.

    Raises
    ------
    Refused : it is none, or too small
    """
    if isinstance(value, bool) or not isinstance(value, int):
        bad(f"{name} must be a whole number")
    if value < least:
        bad(f"{name} must be {least} or more")
    return value


def number(value: Any, name: str, *, least: float = -math.inf, most: float = math.inf) -> float:
    """A number.

    Raises
    ------
    Refused : it is none, or beyond its limits
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        bad(f"{name} must be a number")
    if not least <= value <= most:
        bad(f"{name} is {value:g}, beyond {least:g} to {most:g}")
    return float(value)


def choice(value: Any, name: str, known: Sequence[str]) -> str:
    """One of some words.

    Raises
    ------
    Refused : another one
    """
    if not isinstance(value, str) or value not in known:
        bad(f"{name} must be one of {', '.join(known)}")
    return value


def items(value: Any, name: str, *, least: int = 0, most: int) -> list[Any]:
    """A list.

    Raises
    ------
    Refused : it is none, too short or too long
    """
    if not isinstance(value, list):
        bad(f"{name} must be a list")
    if len(value) < least:
        bad(f"{name} must have {least} or more entries")
    if len(value) > most:
        raise Refused(413, f"{name} has {len(value):,} entries; at most {most:,} are taken at once")
    return value


def place(value: Any, name: str) -> list[float]:
    """A place: longitude and latitude in degrees.

    Raises
    ------
    Refused : anything else
    """
    if not isinstance(value, list) or len(value) != 2:
        bad(f"{name} must be [longitude, latitude]")
    return [
        number(value[0], f"{name}: longitude", least=-180, most=180),
        number(value[1], f"{name}: latitude", least=-90, most=90),
    ]


def places(value: Any, name: str, *, least: int = 0, most: int = MOST_VERTICES) -> list[list[float]]:
    """Places.

    Raises
    ------
    Refused : not a list of places, too few or too many
    """
    listed = items(value, name, least=least, most=most)
    return [place(v, f"{name}, vertex {k}") for k, v in enumerate(listed, start=1)]


def rings(value: Any, name: str) -> list[list[list[float]]]:
    """Rings of places.

    Raises
    ------
    Refused : not rings, or too many vertices in all
    """
    made = [
        places(ring, f"{name}, ring {k}", least=1)
        for k, ring in enumerate(items(value, name, least=1, most=MOST_RINGS), start=1)
    ]
    total = sum(map(len, made))
    if total > MOST_VERTICES:
        raise Refused(413, f"{name} has {total:,} vertices; at most {MOST_VERTICES:,} are taken at once")
    return made


def attributes(value: Any, name: str) -> dict[str, Any]:
    """Attributes of a feature: texts, numbers, true, false or nothing.

    Raises
    ------
    Refused : another kind of value
    """
    if value is None:
        return {}
    if not isinstance(value, dict):
        bad(f"{name} must be an object")
    if len(value) > 200:
        bad(f"{name} has more than 200 entries")
    for key, inner in value.items():
        text(key, f"{name}: a key", most=200, empty=False)
        if isinstance(inner, str):
            text(inner, f"{name}: {key[:40]}")
        elif inner is not None and not isinstance(inner, (bool, int, float)):
            bad(f"{name}: {key[:40]} must be text, a number, true, false or null")
    return value


def changes(value: Any, name: str = "changes") -> list[dict[str, Any]]:
    """Changes, each checked; see :data:`CHANGES`.

    Raises
    ------
    Refused : something that is no change, or too much at once
    """
    made = []
    vertices = 0
    for k, entry in enumerate(items(value, name, least=1, most=MOST_CHANGES), start=1):
        where = f"{name} {k}"
        if not isinstance(entry, dict):
            bad(f"{where} must be an object")
        op = choice(entry.get("op"), f"{where}: op", tuple(CHANGES))
        change = {"op": op, **CHANGES[op](entry, where)}
        vertices += sum(map(len, change.get("rings", ())))
        if vertices > MOST_VERTICES:
            raise Refused(413, f"{name} have more than {MOST_VERTICES:,} vertices in all")
        made.append(change)
    return made


def _put(entry: dict[str, Any], where: str) -> dict[str, Any]:
    made = rings(entry.get("rings"), f"{where}: rings")
    given = items(entry.get("kinds"), f"{where}: kinds", most=MOST_RINGS)
    kinds = [whole(k, f"{where}: kinds") for k in given]
    if len(kinds) != len(made) or any(k > 3 for k in kinds):
        bad(f"{where}: kinds must have a number from 0 to 3 for each ring")
    own = entry.get("id")
    name = entry.get("name")
    return {
        "role": choice(entry.get("role"), f"{where}: role", ROLES),
        "id": None if own is None else text(own, f"{where}: id", empty=False),
        "name": None if name is None else text(name, f"{where}: name"),
        "rings": made,
        "kinds": kinds,
        "attributes": attributes(entry.get("attributes"), f"{where}: attributes"),
    }


def _named(entry: dict[str, Any], where: str) -> dict[str, Any]:
    return {
        "role": choice(entry.get("role"), f"{where}: role", ROLES),
        "id": text(entry.get("id"), f"{where}: id", empty=False),
    }


def _split(entry: dict[str, Any], where: str) -> dict[str, Any]:
    return {**_named(entry, where), "line": places(entry.get("line"), f"{where}: line", least=2, most=1000)}


def _merge(entry: dict[str, Any], where: str) -> dict[str, Any]:
    ids = items(entry.get("ids"), f"{where}: ids", least=2, most=200)
    return {
        "role": choice(entry.get("role"), f"{where}: role", ROLES),
        "ids": [text(i, f"{where}: ids", empty=False) for i in ids],
    }


def _island(entry: dict[str, Any], where: str) -> dict[str, Any]:
    return {
        "id": text(entry.get("id"), f"{where}: id", empty=False),
        "ring": places(entry.get("ring"), f"{where}: ring", least=3),
    }


def _set(entry: dict[str, Any], where: str) -> dict[str, Any]:
    path = items(entry.get("path"), f"{where}: path", least=1, most=8)
    return {
        "path": tuple(text(p, f"{where}: path", empty=False) for p in path),
        "value": _plain(entry.get("value"), f"{where}: value"),
    }


def _plain(value: Any, name: str) -> Any:
    if isinstance(value, str):
        return text(value, name)
    if isinstance(value, list):
        return [_plain(v, name) for v in value]
    if isinstance(value, dict):
        return {text(k, name, empty=False): _plain(v, name) for k, v in value.items()}
    return value


def _tape(entry: dict[str, Any], where: str) -> dict[str, Any]:
    key, kind = entry.get("key"), entry.get("kind")
    return {
        "leg": text(entry.get("leg"), f"{where}: leg", empty=False),
        "reading": text(entry.get("reading"), f"{where}: reading", empty=False, most=100),
        "kind": None if kind is None else text(kind, f"{where}: kind", most=100),
        "key": None if key is None else text(key, f"{where}: key", empty=False, most=200),
    }


def _drop_tape(entry: dict[str, Any], where: str) -> dict[str, Any]:
    return {"key": text(entry.get("key"), f"{where}: key", empty=False, most=200)}


CHANGES: Final[dict[str, Callable[[dict[str, Any], str], dict[str, Any]]]] = {
    "put": _put,
    "drop": _named,
    "split": _split,
    "merge": _merge,
    "island": _island,
    "set": _set,
    "tape": _tape,
    "drop_tape": _drop_tape,
}
"""What can be done, and what it is checked with."""
