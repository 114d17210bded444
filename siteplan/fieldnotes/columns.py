"""Which column of a survey file is what, from the words in its header."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from siteplan.errors import Fault
from siteplan.units import Unit

MEANINGS: Final[dict[str, tuple[str, ...]]] = {
    "point": (
        "point", "point id", "point no", "point number", "point name", "pt", "pt id", "pt no", "pnt", "pno",
        "number", "no", "nr", "num", "id", "name",
    ),
    "northing": ("northing", "northings", "north", "n", "y", "local n", "grid n", "y north"),
    "easting": ("easting", "eastings", "east", "e", "x", "local e", "grid e", "x east"),
    "height": ("height", "elevation", "elev", "el", "z", "h", "alt", "altitude", "local z", "rl", "level"),
    "code": ("code", "feature code", "description", "desc", "remark", "remarks"),
    "lon": ("lon", "long", "lng", "longitude"),
    "lat": ("lat", "latitude"),
    "line": ("line",),
    "seq": ("seq", "sequence"),
    "curve": ("curve",),
    "radius": ("radius",),
    "close": ("close", "closed"),
}  # fmt: skip
"""Words a header may use for each column, in lower case."""
_BY_WORD: Final = {word: meaning for meaning, words in MEANINGS.items() for word in words}
_WEAK: Final = {"name", "id", "no", "nr", "num", "number", "description", "desc", "remark", "remarks"}
"""Words that give way where another column of the file says the same more plainly."""
_UNIT_WORDS: Final[dict[str, Unit]] = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "ft": "ft", "feet": "ft", "foot": "ft", "ftus": "ftUS", "usft": "ftUS", "sft": "ftUS",
}  # fmt: skip
_PARENTHESES: Final = re.compile(r"[(\[]([^)\]]*)[)\]]\s*$")


@dataclass(frozen=True, slots=True)
class Columns:
    """Place of each meaning in the header, and the unit the header states for it."""

    place: Mapping[str, int]
    unit: Mapping[str, Unit]
    ignored: tuple[str, ...]
    """columns the program makes nothing of"""


def _read_name(name: str) -> tuple[str, Unit | None]:
    """Meaningful words of a column name, and a unit behind them: ``Northing (ftUS)``, ``n_m``."""
    unit: Unit | None = None
    if match := _PARENTHESES.search(name):
        unit = _UNIT_WORDS.get(re.sub(r"[^a-z]", "", match[1].lower()))
        name = name[: match.start()] if unit else name
    words = re.sub(r"[^0-9a-z]+", " ", name.lower()).split()
    if unit is None and len(words) > 1 and words[-1] in _UNIT_WORDS:
        unit = _UNIT_WORDS[words.pop()]
    return " ".join(words), unit


def match_columns(
    header: tuple[str, ...], chosen: Mapping[str, str] | None, label: str
) -> tuple[Columns, list[Fault]]:
    """Find the columns by name.

    Parameters
    ----------
    header : names as the file has them
    chosen : meaning to column name, for what the words do not settle
    label : the file, for messages
    """
    chosen = dict(chosen or {})
    faults = [*_chosen_faults(header, chosen, label), *_repeated(header, label)]
    taken = {name.strip() for name in chosen.values()}
    found: dict[str, list[int]] = {}
    units: dict[int, Unit] = {}
    weak: set[int] = set()
    ignored: list[str] = []
    by_choice = {name.strip(): meaning for meaning, name in chosen.items()}
    for k, name in enumerate(header):
        words, unit = _read_name(name)
        meaning = by_choice.get(name) or _BY_WORD.get(words)
        if meaning is None or (meaning in chosen and name not in taken):
            ignored.append(name)
            continue
        found.setdefault(meaning, []).append(k)
        if words in _WEAK and name not in taken:
            weak.add(k)
        if unit:
            units[k] = unit
    for meaning, every in found.items():
        places = [k for k in every if k not in weak] or every
        ignored += [header[k] for k in every if k not in places]
        found[meaning] = places
        if len(places) > 1:
            named = " and ".join(f'"{header[k]}"' for k in places)
            faults.append(
                Fault(
                    "ambiguous-columns",
                    f"{named} can both be the {meaning}",
                    f'Say which one it is, for example columns = {{"{meaning}": "{header[places[0]]}"}}, '
                    "or rename the other",
                    file=label,
                )
            )
    place = {meaning: places[0] for meaning, places in found.items()}
    return Columns(place, {m: units[k] for m, k in place.items() if k in units}, tuple(ignored)), faults


def _chosen_faults(header: tuple[str, ...], chosen: Mapping[str, str], label: str) -> list[Fault]:
    faults = []
    for meaning, name in chosen.items():
        if meaning not in MEANINGS:
            what, remedy = f'"{meaning}" is not a column this reads', f"Known: {', '.join(MEANINGS)}"
        elif name.strip() not in header:
            what = f'there is no column "{name}" to be the {meaning}'
            remedy = f"The file has: {', '.join(header)}"
        else:
            continue
        faults.append(Fault("no-such-column", what, remedy, file=label))
    return faults


def _repeated(header: tuple[str, ...], label: str) -> list[Fault]:
    twice = sorted({h for h in header if h and header.count(h) > 1})
    if not twice:
        return []
    return [
        Fault(
            "repeated-column", f"the header names {', '.join(twice)} more than once", "Rename one", file=label
        )
    ]


def coordinate_faults(
    columns: Columns, header: tuple[str, ...], label: str, *, geographic: bool | None
) -> list[Fault]:
    """What is wrong with the choice of coordinate columns.

    Parameters
    ----------
    geographic : whether the declared CRS is one of longitude and latitude, None where not known
    """
    place = columns.place
    grid = [m for m in ("northing", "easting") if m in place]
    globe = [m for m in ("lat", "lon") if m in place]
    shown = f"The columns found are: {', '.join(header)}"
    if grid and globe:
        named = ", ".join(f'"{header[place[m]]}"' for m in grid + globe)
        return [
            Fault(
                "mixed-coordinates",
                f"the file has both grid and geographic coordinates: {named}",
                "Leave one pair out; which pair is meant is not guessed",
                file=label,
            )
        ]
    faults = []
    pair = ("lat", "lon") if globe or (geographic and not grid) else ("northing", "easting")
    lacking = [m for m in pair if m not in place]
    if lacking:
        faults.append(
            Fault(
                "missing-column",
                f"no column holds the {' or the '.join(lacking)}",
                f"{shown}. Name one of them so, or say which it is with columns",
                file=label,
            )
        )
    if "point" not in place:
        faults.append(
            Fault(
                "missing-column",
                "no column holds the point number",
                f"{shown}. Name one of them point, or say which it is with columns",
                file=label,
            )
        )
    if geographic is not None and (grid or globe) and geographic != bool(globe):
        which = "longitude and latitude" if geographic else "a grid"
        faults.append(
            Fault(
                "crs-contradicts",
                f"the declared CRS is one of {which}, the columns are {', '.join(grid + globe)}",
                "Declare the CRS the coordinates are in",
                file=label,
            )
        )
    if ("line" in place) != ("seq" in place):
        has, lacks = ("line", "seq") if "line" in place else ("seq", "line")
        faults.append(
            Fault(
                "missing-column",
                f"there is a column {has} but none named {lacks}",
                "Linework needs both: the name of the outline and the order of its points",
                file=label,
            )
        )
    elif "line" not in place and {"curve", "close"} & set(place):
        named = ", ".join(sorted({"curve", "close"} & set(place)))
        faults.append(
            Fault(
                "missing-column",
                f"there is a column {named} but no line and seq",
                "Linework needs both: the name of the outline and the order of its points",
                file=label,
            )
        )
    return faults
