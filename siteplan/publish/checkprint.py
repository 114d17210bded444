"""The findings of a check as a table for people."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from siteplan.check import CheckReport, CheckRow
from siteplan.errors import sentences

LEAST_WIDTH = 100
"""columns used where the output is no terminal"""


def _place(row: CheckRow) -> str:
    parts = [
        row.file,
        f'"{row.feature}"' if row.feature is not None else None,
        f"vertex {row.vertex}" if row.vertex is not None else None,
    ]
    return ", ".join(p for p in parts if p)


def print_check(report: CheckReport, console: Console | None = None) -> None:
    """Print a check: a row for each finding, errors first, and how many of each grade.

    Text of the inputs is shown as it is; nothing in it is taken for markup.
    """
    out = console or Console(highlight=False)
    if console is None and not out.is_terminal:
        out = Console(highlight=False, width=max(out.width, LEAST_WIDTH))
    if report.rows:
        table = Table(show_lines=True)
        for name in ("grade", "code", "where", "what"):
            table.add_column(name, overflow="fold")
        for row in report.rows:
            what = sentences(row.text, row.remedy) if row.remedy else row.text
            table.add_row(
                Text(row.grade, style="bold red" if row.grade == "error" else ""),
                Text(row.code),
                Text(_place(row)),
                Text(what),
            )
        out.print(table)
    verdict = "cannot be planned as it is" if report.errors else "can be planned"
    out.print(
        Text(
            f"{report.path}: {_count(report.errors, 'error')}, {_count(report.notices, 'notice')}: {verdict}"
        )
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
