"""What features are called, and the attributes the program itself reads."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import Any, Final

import numpy as np

from siteplan.errors import Finding, UsageError
from siteplan.intake.rings import absent
from siteplan.intake.troubles import Trouble
from siteplan.types import BoolArray, IntArray, ObjectArray
from siteplan.units import parse_length

LONGEST_ID: Final = 40
"""An id is called out and stands in every piece id; a longer one is replaced."""
_ID_WORDS: Final = {
    "beds": ("bed", "id", "ref"),
    "abutments": ("abutment", "id", "ref"),
    "openings": ("opening", "id", "ref"),
}
# Cc (control characters), line and paragraph separators, and halves of surrogate pairs.
_CONTROL: Final = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


@dataclass(frozen=True, eq=False)
class Naming:
    """Ids and names of n features, and what is wrong with them."""

    ids: ObjectArray
    """(n,) str, unique unless ``troubles`` says otherwise"""
    names: ObjectArray
    """(n,) str, the id where the data has no name"""
    labels: ObjectArray
    """(n,) str for messages: the id if the data gave it, else the name and the number of the row"""
    troubles: tuple[Trouble, ...]
    findings: tuple[Finding, ...]


def name_features(
    columns: dict[str, ObjectArray],
    feature_ids: Callable[[], ObjectArray | None],
    rows: IntArray,
    role: str,
    *,
    id_attribute: str | None,
    name_attribute: str | None,
) -> Naming:
    """Ids, names and labels by the rules of :func:`siteplan.intake.features.read_features`.

    Parameters
    ----------
    columns : attributes, (n,) each; the two attributes named are among them
    feature_ids : gives (n,) text where every feature has an id outside its attributes; asked last
    rows : (n,) number of each feature in its file
    """
    given = (
        _texts(columns[id_attribute]) if id_attribute is not None else _found_ids(columns, feature_ids, role)
    )
    ids, from_data, troubles, findings = _ids(given, len(rows), role, id_attribute)
    if id_attribute is None:
        findings.extend(_passed_over(columns, role, ids))
    named = columns[name_attribute] if name_attribute is not None else _column(columns, "name")
    names = np.full(len(rows), None, object) if named is None else _texts(named)
    labels = ids.copy()
    for k in np.flatnonzero(~from_data):
        labels[k] = f"number {rows[k]}" if names[k] is None else f"{names[k]} (number {rows[k]})"
    spare = ids if given is None else np.where(absent(given), ids, given)
    names = np.where(absent(names), spare, names)
    return Naming(ids, names, labels, tuple(troubles), tuple(findings))


def _column(columns: dict[str, ObjectArray], word: str) -> ObjectArray | None:
    """An attribute by its name; failing that, whatever its capitals."""
    if word in columns:
        return columns[word]
    return next((v for name, v in columns.items() if name.casefold() == word.casefold()), None)


def _texts(values: ObjectArray) -> ObjectArray:
    """Attribute values as text, unaltered; None where absent or blank."""
    out = values.copy()
    for k, value in enumerate(values):
        if type(value) is not str:
            out[k] = None if value is None else _plain(value)
        elif not value or value.isspace():
            out[k] = None
    return out


def _plain(value: Any) -> str | None:
    """A number without a needless ``.0``; other values as they print."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value) or None


def _ids(
    given: ObjectArray | None, count: int, role: str, attribute: str | None
) -> tuple[ObjectArray, BoolArray, list[Trouble], list[Finding]]:
    """Ids, which of them the data gave, what is wrong with them, and what to tell."""
    letter = role[0].upper()
    troubles: list[Trouble] = []
    findings: list[Finding] = []
    if given is None:
        numbered = np.array([f"{letter}{k + 1}" for k in range(count)], object)
        return numbered, np.zeros(count, np.bool_), troubles, findings
    from_data = ~absent(given)
    if attribute is not None:
        troubles.extend(_attribute_id_troubles(given, attribute))
    long = np.zeros(count, np.bool_)
    for k in np.flatnonzero(from_data):
        if len(given[k]) > LONGEST_ID:
            long[k] = True
        elif _CONTROL.search(given[k]):
            troubles.append(
                Trouble(
                    int(k),
                    "id-control-character",
                    "its id holds a line break or a control character",
                    "Take it out of the id",
                )
            )
    taken = set(given[from_data])
    ids = given.copy()
    for k in np.flatnonzero(long | ~from_data):
        ids[k] = _free_id(letter, int(k) + 1, taken)
        taken.add(ids[k])
        if long[k]:
            findings.append(
                Finding(
                    "long-id",
                    "notice",
                    f'the id "{given[k][:LONGEST_ID]}..." is longer than {LONGEST_ID} characters; '
                    f"{ids[k]} stands for it",
                    bed=ids[k],
                )
            )
    return ids, from_data & ~long, troubles, findings


def _free_id(letter: str, number: int, taken: set[str]) -> str:
    """``B7``, or ``B7a``, ``B7aa`` ... where that is taken."""
    made = f"{letter}{number}"
    while made in taken:
        made += "a"
    return made


def _found_ids(
    columns: dict[str, ObjectArray], feature_ids: Callable[[], ObjectArray | None], role: str
) -> ObjectArray | None:
    """Ids from the first attribute that every feature has and no two share, else feature ids."""
    candidates: list[Callable[[], ObjectArray | None]] = [
        partial(_column, columns, word) for word in _ID_WORDS[role]
    ]
    for candidate in (*candidates, feature_ids):
        values = candidate()
        if values is None or absent(values).any():
            continue
        texts = _texts(values)
        if not absent(texts).any() and len(set(texts)) == len(texts):
            return texts
    return None


def _passed_over(columns: dict[str, ObjectArray], role: str, ids: ObjectArray) -> Iterator[Finding]:
    """Tell where the attribute named after the role holds ids, but two features share one."""
    word = _ID_WORDS[role][0]
    column = _column(columns, word)
    if column is None or not len(ids):
        return
    counts = Counter(text for text in _texts(column) if text is not None)
    shared, times = next(((text, n) for text, n in counts.items() if n > 1), (None, 0))
    if shared is not None:
        yield Finding(
            "id-passed-over",
            "notice",
            f'{role}: attribute "{word}" gives no ids, because {times} features share "{shared}"; '
            f"they are called {ids[0]} ... {ids[-1]} instead",
        )


def _attribute_id_troubles(given: ObjectArray, attribute: str) -> Iterator[Trouble]:
    """Ids missing or repeated in the attribute the user named."""
    counts = Counter(g for g in given if g is not None)
    for k, value in enumerate(given):
        if value is None:
            what = f'has no value in the id attribute "{attribute}"'
            yield Trouble(k, "id-missing", what, "Give it an id")
        elif counts[value] > 1:
            what = f'its id is used by {counts[value]} features (attribute "{attribute}")'
            yield Trouble(k, "id-repeated", what, "Give every feature an id of its own")


# -- openings ------------------------------------------------------------------


def opening_widths(columns: dict[str, ObjectArray], is_point: BoolArray) -> tuple[ObjectArray, list[Trouble]]:
    """Width of each opening in metres, None where it has none; a point must have one.

    Parameters
    ----------
    columns : attributes; ``width`` (text with a unit, or a number of metres), else ``width_m``
    is_point : (n,) True for openings drawn as points
    """
    count = len(is_point)
    widths = np.full(count, None, object)
    troubles: list[Trouble] = []
    given, metres = _column(columns, "width"), _column(columns, "width_m")
    for k in range(count):
        value = given[k] if given is not None else None
        if value is None and metres is not None:
            value = metres[k]
        wrong: str | None = "is a point without a width" if is_point[k] else None
        if value is not None and value != "":
            widths[k], wrong = _width(value)
        if wrong is not None:
            remedy = 'Give it a width with its unit, such as "3 ft" (a number is metres), or draw a line'
            troubles.append(Trouble(k, "opening-width", wrong, remedy))
    return widths, troubles


def _width(value: Any) -> tuple[float | None, str | None]:
    """Metres, or what is wrong."""
    try:
        metres = parse_length(value) if isinstance(value, str) else Fraction(value)
    except (UsageError, TypeError, ValueError, OverflowError) as error:
        return None, f"has a width that is not understood: {error}"
    if metres <= 0:
        return None, f"has the width {value}, which is not more than zero"
    return float(metres), None
