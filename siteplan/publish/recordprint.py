"""The command ``siteplan record``: what it does, and how it is told."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from siteplan.errors import UsageError
from siteplan.publish.checkprint import LEAST_WIDTH
from siteplan.record import Record, Revision
from siteplan.revise import BroughtIn, bring_in, export_revision, record_of


def run_record(
    place: Path,
    *,
    who: str,
    back: int | None = None,
    bring: bool = False,
    prefer_file: bool = False,
    export: Path | None = None,
    revision: int | None = None,
    replace: bool = False,
    as_json: bool = False,
) -> None:
    """List the revisions of a site, go back to one, bring changed files in, or export one.

    Parameters
    ----------
    place : site folder, or its ``site.toml``
    who : for a revision that is made
    back : revision whose content is taken up again
    bring : bring changed input files in
    prefer_file : with ``bring``: the file's state where the record changed too
    export : file to write
    revision : of the export, the newest by default
    replace : the file may be replaced
    as_json : print JSON and nothing else

    Raises
    ------
    UsageError : more than one thing asked for, or an option without what it goes with
    DataError, OutputError, Conflict : see :mod:`siteplan.revise`
    """
    asked = [name for name, value in (("--back", back), ("--import", bring), ("--export", export)) if value]
    if len(asked) > 1:
        raise UsageError(f"{' and '.join(asked)} are asked for; one at a time")
    for option, given, needs in (
        ("--prefer-file", prefer_file, "--import"),
        ("--revision", revision is not None, "--export"),
        ("--replace", replace, "--export"),
    ):
        if given and needs not in asked:
            raise UsageError(f"{option} goes with {needs}")
    out = Console(highlight=False)
    if not out.is_terminal:
        out = Console(highlight=False, width=max(out.width, LEAST_WIDTH))
    if bring:
        _print_brought(out, bring_in(place, who=who, prefer_file=prefer_file), as_json=as_json)
        return
    record = record_of(place)
    if back is not None:
        _say(out, record.go_back(record.head, back, who=who), as_json=as_json)
    elif export is not None:
        counts = export_revision(place, record.content(revision), export, overwrite=replace)
        if as_json:
            _json(out, {"file": str(export), "features": counts})
        else:
            out.print(Text(f"{export}: {', '.join(f'{n} {role}' for role, n in counts.items())}"))
    else:
        _print_list(out, record, as_json=as_json)


def _json(out: Console, data: object) -> None:
    out.print(Text(json.dumps(data, indent=2, ensure_ascii=False)), soft_wrap=True)


def _say(out: Console, made: Revision, *, as_json: bool) -> None:
    if as_json:
        _json(out, asdict(made))
    else:
        out.print(Text(f"revision {made.number} ({made.who}, {made.when}): {made.what}"))


def _print_list(out: Console, record: Record, *, as_json: bool) -> None:
    revisions = record.revisions()
    if as_json:
        _json(out, {"path": str(record.path), "revisions": [asdict(r) for r in revisions]})
        return
    table = Table()
    for name in ("revision", "when (UTC)", "who", "what"):
        table.add_column(name, overflow="fold", justify="right" if name == "revision" else "left")
    for row in revisions:
        when = row.when.replace("T", " ").removesuffix("Z")
        table.add_row(Text(str(row.number)), Text(when), Text(row.who), Text(row.what))
    out.print(table)
    out.print(Text("Go back with --back NUMBER: a new revision takes up the old content, and none is lost."))


def _print_brought(out: Console, made: BroughtIn, *, as_json: bool) -> None:
    if as_json:
        _json(
            out,
            {
                "revision": None if made.revision is None else asdict(made.revision),
                "started": made.started,
                "features": [asdict(r) for r in made.rows],
                "findings": [asdict(f) for f in made.findings],
            },
        )
        return
    changed = [r for r in made.rows if r.status != "same"]
    if changed:
        table = Table(show_lines=True)
        for name in ("", "id", "name", "what"):
            table.add_column(name, overflow="fold")
        for row in changed:
            what = f"{row.status}: {row.text}"
            table.add_row(Text(row.role.removesuffix("s")), Text(row.id), Text(row.name), Text(what))
        out.print(table)
    for finding in made.findings:
        out.print(Text(f"  {finding.grade}: {finding.text}"))
    if made.revision is None:
        out.print(
            Text("Nothing in the input files has changed since they were brought in; no revision was made.")
        )
    elif made.started:
        out.print(Text("The site had no record: this is its first revision, as the input files are."))
    else:
        out.print(Text(f"{made.count('same')} features are as before."))
    if made.revision is not None:
        _say(out, made.revision, as_json=False)
