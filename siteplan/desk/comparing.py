"""Tapes beside the map, and two product lines beside each other, as rows of text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from siteplan.compare.lines import LineResult, NotPlanned, compare_lines, named_lines
from siteplan.desk.words import Words
from siteplan.errors import DataError
from siteplan.parts import Part
from siteplan.publish.linestable import table_rows
from siteplan.reconcile.compare import compare
from siteplan.reconcile.tapes import load_tapes
from siteplan.sites import Site


def tape_rows(part: Part, bed: str | None, keys: Mapping[str, str]) -> list[dict[str, Any]]:
    """Readings beside the map.

    Parameters
    ----------
    part : the whole site, planned
    bed : only those of this bed
    keys : id of a reading to its key in the record; readings of files have none

    Notes
    -----
    Readings that cannot be read are rows too, with what is wrong.
    """
    site, words = part.site, Words.of(part.site)
    rows: list[dict[str, Any]] = []
    try:
        tapes = load_tapes(site, part.plan)
    except DataError as error:
        if any(f.code == "no-readings" for f in error.faults):
            return []
        rows += [
            {"key": None, "leg": f.feature or "", "reading": "", "map": "", "difference": "", "in_sigmas": "",
             "text": f.text, "fault": True}
            for f in error.faults
        ]  # fmt: skip
        try:
            tapes = load_tapes(site, part.plan, skip_faulty=True)
        except DataError:
            return rows
    if not len(tapes.ids):
        return rows
    made = compare(site, part.plan, tapes)
    for k in range(len(made)):
        name = str(tapes.name[k])
        if bed is not None and not name.startswith(f"{bed}-") and name != bed:
            continue
        off = float(made.difference_m[k])
        sign = "+" if off > 0 else ""
        sigmas = float(made.in_sigmas[k])
        own = str(tapes.ids[k])
        rows.append(
            {
                "key": keys.get(own),
                "id": own,
                "leg": name,
                "reading": tapes.reading[k].text,
                "map": words.length(float(made.map_m[k])),
                "difference": f"{sign}{words.length(off)}",
                "in_sigmas": f"{sigmas:+.1f}",
                "text": f"Tape {words.length(float(made.taped_m[k]))}, map "
                f"{words.length(float(made.map_m[k]))}: tape less map {sign}{words.length(off)}, "
                f"{abs(sigmas):.1f} times what the two are sure to",
                "fault": False,
            }
        )
    return rows


def tape_kinds(site: Site) -> list[dict[str, str]]:
    """What a tape may be: the site's own tapes by name, and kinds."""
    said = site.settings.reconcile
    own = [{"value": f"tape:{name}", "name": name} for name in said.tape]
    return own + [{"value": kind, "name": kind} for kind in said.kind]


def compared(site: Site, names: Sequence[str]) -> dict[str, Any]:
    """Product lines side by side.

    Raises
    ------
    DataError, UsageError : lines that are not there, or of which none can be planned
    """
    words = Words.of(site)
    made = compare_lines(site, named_lines(list(names)))
    rows = [["", *(x.name for x in made.lines)]]
    for title, _, show in table_rows(words.length):
        rows.append(
            [
                title.strip(),
                *(show(x) if isinstance(x, LineResult) else "cannot be planned" for x in made.lines),
            ]
        )
    notes = [f"{x.name}: {x.why}" for x in made.lines if isinstance(x, NotPlanned)]
    return {"columns": rows[0], "rows": rows[1:], "notes": notes}
