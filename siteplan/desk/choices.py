"""The settings the page offers, of the site and of one bed: what holds, whence, and what it may be."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from siteplan.catalog import load_line, shipped_lines
from siteplan.record.merging import value_at
from siteplan.settings import SiteSettings
from siteplan.sites import Site
from siteplan.units import INCH_M, METRES

Value = Any


@dataclass(frozen=True, slots=True)
class Choice:
    """One setting."""

    path: tuple[str, ...]
    label: str
    help: str
    kind: str = "length"
    """``length``, ``number``, ``whole``, ``flag``, ``text``, ``line``, or ``words`` with ``words``"""
    words: tuple[tuple[str, str], ...] = ()
    """value and what it is called"""


YES_NO: Final = (("true", "yes"), ("false", "no"))
CORNERS: Final = (
    ("unit", "corner unit"),
    ("mitre", "mitre"),
    ("bend", "bent round"),
    ("butt", "butt"),
)

SITE: Final = (
    Choice(("line",), "Product line", "The pieces everything is laid with.", "line"),
    Choice(
        ("outline", "offset"),
        "Offset",
        "Laying line from the outline; more is away from the bed.",
    ),
    Choice(
        ("fit", "prefer"),
        "Best fill",
        "What a leg's fill is chosen for.",
        "words",
        (("pieces", "fewest pieces"), ("fit", "closest fit"), ("cost", "least cost")),
    ),
    Choice(("fit", "short"), "May be short by", "A fill may be this much shorter than its leg."),
    Choice(
        ("fit", "over"), "May be over by", "A fill may be this much longer than its leg, not at an abutment."
    ),
    Choice(("fit", "closers_per_leg"), "Closers in a leg", "At most so many.", "whole"),
    Choice(
        ("fit", "make_up"),
        "Closers and cuts go",
        "Where in a leg the made-up pieces stand.",
        "words",
        (("far", "at the far end"), ("start", "at the start"), ("middle", "in the middle")),
    ),
    Choice(
        ("fit", "lay_from"),
        "Laid from",
        "The end of a leg laying begins at.",
        "words",
        (("start", "the start"), ("far", "the far end")),
    ),
    Choice(("fit", "play"), "Play", "A straight leg may be moved sideways by this where that saves cuts."),
    Choice(
        ("corners", "by"),
        "Corners are made by",
        "Tried first; then what the product line can.",
        "words",
        CORNERS,
    ),
    Choice(("movement_joints", "every"), "Movement joints every", "Legs are split: no part is longer."),
    Choice(("movement_joints", "width"), "Movement joint", "Width of such a joint."),
    Choice(("outline", "abut_within"), "Alongside within", "An outline this close to an abutment is bare."),
    Choice(("outline", "shared_within"), "Shared within", "Edges of two beds this close are edged once."),
    Choice(("outline", "corner_turn_deg"), "A corner turns", "At least so many degrees.", "number"),
    Choice(("spares", "percent"), "Spares", "Percent of the takeoff ordered beyond it.", "number"),
    Choice(("spares", "least_special"), "Spares of special pieces", "At least so many of each.", "whole"),
    Choice(
        ("show", "units"),
        "Units",
        "How lengths are shown.",
        "words",
        (("m", "metres"), ("ft", "feet and inches")),
    ),
)
BED: Final = (
    Choice(("skip",), "No edging", "Plan nothing for this bed.", "flag", YES_NO),
    Choice(("line",), "Product line", "Of this bed, where it differs.", "line"),
    Choice(("offset",), "Offset", "Laying line from this outline."),
    Choice(("priority",), "Priority", "Of two beds that share an edge, the higher is edged.", "whole"),
    Choice(
        ("bed_side",), "Bed lies", "Of an open line, walking as drawn.", "words",
        (("left", "on the left"), ("right", "on the right")),
    ),
    Choice(("corner_by",), "Corners are made by", "Of this bed.", "words", CORNERS),
    Choice(("phase",), "Phase", "The phase it is built in.", "text"),
)  # fmt: skip


def _asked(settings: SiteSettings, path: Sequence[str]) -> tuple[bool, Value]:
    """Whether there is such a setting, and its value."""
    value: Any = settings
    for step in path:
        if isinstance(value, Mapping):
            if step not in value:
                return False, None
            value = value[step]
        elif value is None:
            return True, None
        elif step in type(value).model_fields:
            value = getattr(value, step)
        else:
            return False, None
    return True, value


def length_text(um: int, unit: str) -> str:
    """A length a field shows: exact, in the site's units where that can be."""
    metres = Fraction(um, 1_000_000)
    if unit == "ft":
        parts = metres / INCH_M * 64
        if parts.denominator == 1:
            whole, over = divmod(parts.numerator, 64)
            tail = Fraction(over, 64)
            return f'{whole}-{tail}"' if over and whole else (f'{tail}"' if over else f'{whole}"')
        feet = metres / METRES["ft"]
        if (feet * 10_000).denominator == 1:
            return f"{float(feet):g} ft"
    mm = metres * 1000
    return f"{mm} mm" if mm.denominator == 1 else f"{float(mm):.3f} mm"


def _shown(choice: Choice, value: Value, unit: str) -> str | None:
    if value is None:
        return None
    if choice.kind == "length":
        return length_text(int(value), unit)
    if choice.kind == "flag":
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return str(value[0]) if value else None
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def choice_rows(
    site: Site, overrides: Mapping[str, Any], said: Mapping[str, Any], bed: str | None
) -> list[dict[str, Any]]:
    """Rows for the page.

    Parameters
    ----------
    site : as it stands
    overrides : of the record
    said : ``site.toml`` as it is written
    bed : None for the site's own
    """
    unit = site.settings.show.units
    made = []
    for choice in SITE if bed is None else BED:
        path = choice.path if bed is None else ("bed", bed, *choice.path)
        there, value = _asked(site.settings, path)
        if not there and (bed is None or not _known_of_bed(choice)):
            continue
        set_here, _ = value_at(overrides, path)
        written, raw = value_at(said, path)
        came = "desk" if set_here else ("site.toml" if written else "default")
        inherited = None
        if bed is not None and value is None and not set_here and not written:
            came = "default"
            inherited = _inherited(site, choice, bed)
        text = _shown(choice, value, unit)
        made.append(
            {
                "path": list(path),
                "label": choice.label,
                "help": choice.help,
                "kind": "choice" if choice.kind in ("words", "line", "flag") else "text",
                "choices": _choices(choice, site),
                "value": text if text is not None else (inherited or ""),
                "from": came,
                "site_value": None if raw is None else str(raw),
            }
        )
    return made


def _known_of_bed(choice: Choice) -> bool:
    from siteplan.settings import BedOverride

    return choice.path[0] in BedOverride.model_fields


def _inherited(site: Site, choice: Choice, bed: str) -> str | None:
    """What holds for a bed that says nothing itself."""
    settings, unit = site.settings, site.settings.show.units
    name = choice.path[0]
    ids = [str(i) for i in site.beds.ids]
    column = site.beds.attributes.get(settings.inputs.line_attribute if name == "line" else name)
    own = column[ids.index(bed)] if column is not None and bed in ids else None
    if name in ("skip", "priority", "phase", "line") and own is not None:
        return _shown(choice, own, unit)
    values: dict[str, Value] = {
        "offset": settings.outline.offset,
        "bed_side": settings.outline.bed_side,
        "corner_by": settings.corners.by,
        "line": settings.line,
        "skip": False,
        "priority": 0,
    }
    return _shown(choice, values.get(name), unit)


def _choices(choice: Choice, site: Site) -> list[dict[str, str]] | None:
    if choice.kind == "line":
        made = [{"value": key, "name": load_line(key).name} for key in shipped_lines()]
        if site.settings.line not in {row["value"] for row in made}:
            made.insert(0, {"value": site.settings.line, "name": site.line.name})
        return made
    return [{"value": value, "name": name} for value, name in choice.words] or None


def typed(path: Sequence[str], value: Value) -> Value:
    """A value as ``site.toml`` would have it, from the text of a field."""
    if not isinstance(value, str):
        return value
    known = {c.path: c for c in SITE} | {("bed", "", *c.path): c for c in BED}
    key = ("bed", "", *path[2:]) if len(path) > 2 and path[0] == "bed" else tuple(path)
    choice = known.get(key)
    if choice is None:
        return value
    text = value.strip()
    makers: dict[str, Callable[[str], Value]] = {"whole": int, "number": float}
    if choice.kind == "flag" and text in ("true", "false"):
        return text == "true"
    if choice.kind in makers:
        try:
            number = makers[choice.kind](text)
        except ValueError:
            return value
        return number if math.isfinite(number) else value
    return text
