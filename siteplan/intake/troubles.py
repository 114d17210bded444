"""A fault of one feature before the feature has its id, and how places are written in it."""

from __future__ import annotations

from dataclasses import dataclass

from siteplan.types import FloatArray


@dataclass(frozen=True, slots=True)
class Trouble:
    """A fault of one feature of a file, before the feature has its id.

    Parameters
    ----------
    feature : index in the file's rows
    code, what, remedy, vertex : as in :class:`siteplan.errors.Fault`
    fatal : False for what is only told
    whole : True where it concerns the whole file, so that no feature can be left out for it
    """

    feature: int
    code: str
    what: str
    remedy: str
    vertex: int | None = None
    fatal: bool = True
    whole: bool = False


def number(value: float) -> str:
    """A coordinate for people: nine decimals at most, no trailing zeros."""
    text = f"{value:.9f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def place(xy: FloatArray) -> str:
    """A position in the coordinates of the file, x or longitude first."""
    return f"({number(float(xy[0]))}, {number(float(xy[1]))})"


def too_few(feature: int, count: int, closed: bool, first: int) -> Trouble:
    """A ring or line with too few different vertices; ``first`` counts the vertices before it."""
    if not closed:
        return Trouble(
            feature,
            "zero-length",
            "the line has no length: all its vertices are the same",
            "Draw at least two different vertices",
            first + 1,
        )
    return Trouble(
        feature,
        "too-few-vertices",
        f"the ring has {count} different {'vertex' if count == 1 else 'vertices'}; an outline needs three",
        "Draw it again, or delete it",
        first + 1,
    )
