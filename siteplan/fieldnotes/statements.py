"""Lines of field notes split into statements, from plain text or from a table."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from siteplan.errors import DataError, Fault, UsageError
from siteplan.fieldnotes.tables import DELIMITERS, read_table
from siteplan.units import METRES, parse_length

VERBS: Final = (
    "unit", "crs", "point", "anchor", "outline", "end", "start", "leg", "curve", "close", "base", "at", "tie",
    "to", "square",
)  # fmt: skip
_BARE: Final = re.compile(r"[-+\u2212]?(?:\d+(?:\.\d*)?|\.\d+)")
_DECIMAL_COMMA: Final = re.compile(r"(?<=\d),(?=\d)")


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement: its verb and its fields, with the line it stands on."""

    line: int
    verb: str
    fields: tuple[str, ...]


class Wrong(Exception):  # noqa: N818 - never leaves the package; becomes a Fault with its line
    """What is wrong with one statement, and how to mend it."""

    def __init__(self, code: str, what: str, remedy: str) -> None:
        super().__init__(what)
        self.code, self.what, self.remedy = code, what, remedy


def wrong_of(error: UsageError) -> Wrong:
    """A message of a parser, split where it says what to do."""
    what, _, remedy = str(error).partition("; ")
    return Wrong("not-understood", what, (remedy[:1].upper() + remedy[1:]) or "See docs/field-notes.md")


def statements_of_text(text: str) -> list[Statement]:
    """Statements of plain notes: a verb, then fields with commas between; # begins a comment line."""
    found = []
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        verb, _, rest = line.partition(" ")
        head, comma, tail = verb.partition(",")
        rest = f"{tail} {rest}" if comma else rest
        verb = head.lower()
        # the name of an outline is the rest of its line, commas and all
        parts = [rest.strip()] if verb == "outline" else [p.strip() for p in rest.split(",")]
        found.append(Statement(number, verb, tuple(parts) if rest.strip() else ()))
    return found


def statements_of_table(text: str, label: str) -> list[Statement]:
    """Statements of notes kept in a table: the verb in the column ``do``, a field in each cell after it.

    The other columns may have any names.  With semicolon or tab between columns a comma between
    digits is a decimal comma.

    Raises
    ------
    DataError : the first column is not named ``do``
    """
    table = read_table(text, label)
    if table.header[0].lower() != "do":
        raise DataError(
            Fault(
                "missing-column",
                f'the first column is "{table.header[0]}", not do '
                f"({DELIMITERS[table.delimiter]} between columns)",
                "Notes in a table have the verb in a first column named do, and a field in each further one",
                file=label,
            )
        )
    found = []
    for line, cells in zip(table.row, table.rows, strict=True):
        if cells[0].startswith("#"):
            continue
        fields = [c for c in cells[1:] if c]
        verb = cells[0].lower()
        if table.delimiter != "," and verb != "outline":
            fields = [_DECIMAL_COMMA.sub(".", f) for f in fields]
        found.append(Statement(line, verb, tuple(fields)))
    return found


class Fields:
    """Fields of a statement, taken one by one; what is left at the end is a fault."""

    def __init__(self, statement: Statement, unit: str | None) -> None:
        self.verb = statement.verb
        self.unit = unit
        self.left = list(statement.fields)

    def next(self, what: str) -> str:
        """The next field, by its place."""
        if not self.left or not self.left[0]:
            raise Wrong(
                "field-missing", f"{self.verb} lacks {what}", "See docs/field-notes.md for its fields"
            )
        return self.left.pop(0)

    def keyed(self, word: str) -> str | None:
        """Value of the field that begins with a word, None where there is none."""
        hits = [f for f in self.left if f.lower().split(" ", 1)[0] == word]
        if len(hits) > 1:
            raise Wrong("field-twice", f"{self.verb} has {word} twice", "Take one of them out")
        if not hits:
            return None
        self.left.remove(hits[0])
        return hits[0][len(word) :].strip()

    def flag(self, word: str) -> bool:
        """Whether the word stands by itself."""
        hits = [f for f in self.left if f.lower() == word]
        for f in hits:
            self.left.remove(f)
        return bool(hits)

    def done(self) -> None:
        """Refuse what no one took."""
        if self.left:
            shown = ", ".join(f'"{f}"' for f in self.left)
            raise Wrong(
                "field-unknown",
                f"{self.verb} has no place for {shown}",
                "Fields have a comma between them; see docs/field-notes.md",
            )

    def length(self, text: str, *, positive: bool = False) -> float:
        """Length in metres; a bare number is in the unit of the notes, if they state one."""
        if _BARE.fullmatch(text.strip()):
            if self.unit is None:
                raise Wrong(
                    "no-unit",
                    f'"{text}" has no unit',
                    f'Write "{text} ft" or "{text} m", or begin with: unit ft',
                )
            text = f"{text} {self.unit}"
        try:
            value = float(parse_length(text))
        except UsageError as error:
            raise wrong_of(error) from None
        if positive and value <= 0:
            raise Wrong("not-positive", f'"{text}" is not above 0', "Walk on in another direction instead")
        return value


def known_unit(text: str) -> str:
    """Name of a unit as :mod:`siteplan.units` has it."""
    for name in METRES:
        if name.lower() == text.strip().lower():
            return name
    raise Wrong("no-unit", f'unit "{text}" is not known', f"Use one of {', '.join(METRES)}")
