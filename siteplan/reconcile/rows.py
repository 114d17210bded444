"""Rows of a tape file or of ``site.toml``, as text."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final, NamedTuple

from siteplan.errors import DataError, Fault
from siteplan.fieldnotes.tables import read_table, read_text
from siteplan.record import RECORD_FILE
from siteplan.sites import SITE_FILE, Site
from siteplan.tape_settings import TapeRow
from siteplan.tomlfile import nearest


class Row(NamedTuple):
    """A reading as text, with where it stands."""

    text: TapeRow
    file: str
    row: int
    unit: str | None
    """unit the head of the column states for ``reading``"""
    also_unit: str | None


COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "id": ("id", "no", "nr", "number", "reading no"),
    "of": ("of", "leg", "run", "leg or run", "what"),
    "from": ("from", "from point", "start"),
    "to": ("to", "to point", "end"),
    "reading": ("reading", "taped", "length", "distance", "measured"),
    "also": ("also", "inches", "feet", "metres", "meters", "second reading"),
    "tape": ("tape", "tape name"),
    "kind": ("kind", "tape kind"),
    "basis": ("basis", "slope or level"),
    "rise": ("rise",),
    "grade": ("grade",),
    "temperature": ("temperature", "temp"),
    "pull": ("pull",),
    "support": ("support",),
    "who": ("who", "by", "crew"),
    "when": ("when", "date", "time"),
    "note": ("note", "notes", "remark", "remarks"),
}
"""Words a head may use for each column, in lower case."""
_BY_WORD: Final = {word: key for key, words in COLUMNS.items() for word in words}
_HEAD_UNITS: Final = {
    "m": "m", "metre": "m", "metres": "m", "meters": "m", "mm": "mm", "cm": "cm", "ft": "ft", "feet": "ft",
    "in": "in", "inch": "in", "inches": "in",
}  # fmt: skip


def file_rows(path: Path) -> list[Row]:
    """Rows of a tape file.

    Raises
    ------
    DataError : not readable, no columns, columns that are not known or said twice
    """
    table = read_table(read_text(path), str(path))
    keys: list[str] = []
    units: dict[str, str | None] = {}
    faults: list[Fault] = []
    for head in table.header:
        key, unit = _column(head)
        if key is None:
            like = nearest(head, _BY_WORD)
            hint = f'Did you mean "{like}"?' if like else f"Known: {', '.join(COLUMNS)}"
            faults.append(Fault("unknown-column", f'column "{head}" is not known', hint, str(path)))
        elif key in keys:
            faults.append(
                Fault("repeated-column", f'"{head}" is a second column for {key}', "Leave one out", str(path))
            )
        keys.append(key or "")
        units[key or ""] = unit
    if "reading" not in keys:
        known = ", ".join(COLUMNS["reading"])
        faults.append(
            Fault("missing-column", "no column holds the reading", f"Name one of: {known}", str(path))
        )
    if faults:
        raise DataError(*faults)
    return [
        Row(
            TapeRow.model_validate(dict(zip(keys, cells, strict=True))),
            str(path), number, units.get("reading"), units.get("also"),
        )
        for number, cells in zip(table.row, table.rows, strict=True)
    ]  # fmt: skip


def _column(head: str) -> tuple[str | None, str | None]:
    """Which column a head names, and the unit it states: ``reading (ft)``, ``taped_m``, ``inches``."""
    words = re.sub(r"[^0-9a-z]+", " ", head.lower()).split()
    joined = " ".join(words)
    key = _BY_WORD.get(joined)
    if key is not None:
        return key, _HEAD_UNITS.get(joined)
    if len(words) > 1 and words[-1] in _HEAD_UNITS:
        return _BY_WORD.get(" ".join(words[:-1])), _HEAD_UNITS[words[-1]]
    return None, None


def settings_rows(site: Site) -> list[Row]:
    """Rows of ``[[tape]]`` in ``site.toml``, then those of the record."""
    rows = site.settings.tape
    own = len(rows) - (0 if site.recorded is None else len(site.recorded.tapes))
    return [
        Row(row, SITE_FILE, k, None, None) if k <= own else Row(row, RECORD_FILE, k - own, None, None)
        for k, row in enumerate(rows, start=1)
    ]
