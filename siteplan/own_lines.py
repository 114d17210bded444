"""Product lines of beds, rows and runs that are not the site's own.

What a run is laid with, the first of these that says something: ``[run."N1-1"] line``, ``line`` of
its ``[[row]]``, ``[bed."N1"] line``, the bed's attribute ``line``, ``line`` of the site.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from siteplan.catalog import load_line
from siteplan.errors import DataError, Fault, UsageError
from siteplan.model import Features, Runs
from siteplan.products import ProductLine
from siteplan.settings import SiteSettings
from siteplan.types import IntArray

SITE_LINE = 0
"""number of the site's own line; those here count from 1"""


@dataclass(frozen=True, slots=True, eq=False)
class OwnLines:
    """Lines besides the site's, and who has them.  Numbers are 0 for the site's own line."""

    lines: tuple[ProductLine, ...] = ()
    """number 1, 2, ... in order of their first mention; one that is the site's line again has a
    number of its own, so that it stays when another line takes the place of the site's"""
    bed: IntArray | None = None
    """(n,) of each bed; None: the site's"""
    row: tuple[int | None, ...] = ()
    """of row 2, 3, ...; None: that of the bed"""
    run: Mapping[str, int] = field(default_factory=dict)
    """of single runs, by the id that ``site.toml`` knows"""

    def of_runs(self, runs: Runs, row: int = 1) -> Runs:
        """Runs of a row with their lines; as they came where no bed, row or run has one of its own.

        Parameters
        ----------
        runs : runs of one row
        row : its number; 1 is the beds' own
        """
        if not self.lines:
            return runs
        own = None if row == 1 else self.row[row - 2]
        if own is not None:
            return _with_line(runs, np.full(len(runs.run_id), own, dtype=np.int64))
        if self.bed is None:
            return _with_line(runs, np.zeros(len(runs.run_id), dtype=np.int64))
        return _with_line(runs, self.bed[runs.bed])

    def of_single_runs(self, runs: Runs) -> Runs:
        """Runs of all rows, those that are named with their own lines."""
        if runs.line is None or not self.run:
            return runs
        number = [self.run.get(str(r), int(k)) for r, k in zip(runs.run_id, runs.line, strict=True)]
        return _with_line(runs, np.array(number, dtype=np.int64))


def _with_line(runs: Runs, number: IntArray) -> Runs:
    return replace(runs, line=number)


def read_own_lines(
    settings: SiteSettings, beds: Features, place: Callable[[str], str | Path], file: str
) -> OwnLines:
    """Lines that beds, rows and runs of a site have of their own.

    Parameters
    ----------
    settings : of the site
    beds : its beds, for their attribute
    place : key or path of a line as ``site.toml`` writes it
    file : name of ``site.toml`` in faults

    Raises
    ------
    DataError : lines that are not there, or have faults; every one of them, by who names it
    """
    numbers: dict[str, int] = {}
    lines: list[ProductLine] = []
    faults: list[Fault] = []

    def number(text: str, who: str, where: str) -> int:
        if text in numbers:
            return numbers[text]
        numbers[text] = SITE_LINE
        try:
            line = load_line(place(text))
        except UsageError as error:
            what = f'{who}: "{text}" is no product line'
            faults.append(Fault("no-such-line", what, f"{_sentence(error)}. {_REMEDY}", where))
        except DataError as error:
            faults.extend(error.faults)
        else:
            lines.append(line)
            numbers[text] = len(lines)
        return numbers[text]

    bed = np.zeros(len(beds), dtype=np.int64)
    for k, text, who, where in _said_of_beds(settings, beds, file):
        bed[k] = number(text, who, where)
    row = tuple(
        None if r.line is None else number(r.line, f"row[{k}].line", file)
        for k, r in enumerate(settings.row, start=1)
    )
    run = {
        name: number(own.line, f'run."{name}".line', file)
        for name, own in settings.run.items()
        if own.line is not None
    }
    if faults:
        raise DataError(*faults)
    return OwnLines(tuple(lines), bed, row, run)


_REMEDY = "Name a shipped line ('siteplan lines' lists them) or a .toml file"


def _sentence(error: Exception) -> str:
    return str(error).rstrip(".")


def _said_of_beds(settings: SiteSettings, beds: Features, file: str) -> Iterator[tuple[int, str, str, str]]:
    """Beds with a line of their own: index, the line as written, who says so, in which file."""
    name = settings.inputs.line_attribute
    attribute = beds.attributes.get(name) if name else None
    for k, bed in enumerate(beds.ids.tolist()):
        own = settings.bed.get(bed)
        if own is not None and own.line is not None:
            yield k, own.line, f'bed."{bed}".line', file
        elif attribute is not None and attribute[k] is not None and str(attribute[k]).strip():
            yield k, str(attribute[k]).strip(), f'bed "{bed}", attribute {name}', str(beds.file[k])


# ---------------------------------------------------------------- lines that can be used together


def check_together(lines: Sequence[ProductLine], file: str) -> None:
    """Refuse lines that cannot be told apart, or paid together.

    Parameters
    ----------
    lines : lines in use on one site
    file : name of ``site.toml`` in faults

    Raises
    ------
    DataError : two lines of one key; a piece code two lines have; prices in different currencies
    """
    faults = []
    for k, line in enumerate(lines):
        for other in lines[:k]:
            if line.key == other.key:
                what = f'two different product lines have the key "{line.key}"'
                remedy = "Give one of the files another key: orders and sheets name lines by it"
                faults.append(Fault("line-key-twice", what, remedy, file))
                continue
            codes = {a.code for a in other.articles}
            both = [a.code for a in line.articles if a.code in codes]
            if both:
                faults.append(
                    Fault(
                        "code-in-two-lines",
                        f"the product lines {other.key} and {line.key} both have "
                        f"{'the code' if len(both) == 1 else 'the codes'} {', '.join(both)}",
                        "Give the pieces of one of them other codes: sheets, map and order name a piece "
                        "by its code alone",
                        file,
                    )
                )
    priced = [x for x in lines if x.currency is not None]
    if len({(x.currency, x.currency_digits) for x in priced}) > 1:
        told = ", ".join(f"{x.key} in {x.currency}" for x in priced)
        faults.append(
            Fault(
                "two-currencies",
                f"the product lines have prices in different currencies: {told}",
                "Give the prices of all lines of a site in one currency: an order has one total",
                file,
            )
        )
    if faults:
        raise DataError(*faults)
