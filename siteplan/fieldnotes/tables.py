"""Text files with columns: encoding, delimiter, decimal comma, rows with their numbers."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from siteplan.errors import DataError, Fault

DELIMITERS: Final = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma"}
"""In order of preference where a file reads equally well with several."""
_LOOKED_AT: Final = 200
_LONGEST_LIST: Final = 12
_NUMBER: Final = re.compile(r"[-+\u2212]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d{1,3})?")
_MARKS: Final = {
    b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16", b"PK\x03\x04": "a zipped file such as a spreadsheet",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet or document", b"%PDF": "a PDF", b"\x1f\x8b": "a compressed file",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class TextTable:
    """A table as it was written."""

    label: str
    delimiter: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    """cells without blanks round them, as many as the header has"""
    row: tuple[int, ...]
    """line of the file each row begins on, from 1, as an editor or spreadsheet counts"""


def rows_text(rows: Iterable[int]) -> str:
    """Row numbers for people.

    Examples
    --------
    >>> rows_text([3, 4, 5, 9])
    'rows 3 to 5, 9'
    """
    spans: list[list[int]] = []
    for row in sorted(set(rows)):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    parts = [f"{a}" if a == b else f"{a} to {b}" if b > a + 1 else f"{a}, {b}" for a, b in spans]
    more = f" and {len(parts) - _LONGEST_LIST} more places" if len(parts) > _LONGEST_LIST else ""
    single = len(spans) == 1 and spans[0][0] == spans[0][1]
    return f"{'row' if single else 'rows'} {', '.join(parts[:_LONGEST_LIST])}{more}"


def read_text(path: Path) -> str:
    """Text of a UTF-8 file, with or without a byte-order mark.

    Raises
    ------
    DataError : not there, not readable, empty, or not UTF-8 (with the line)
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise DataError(
            Fault(
                "cannot-read",
                f"the file cannot be read: {error.strerror or error}",
                "Check its name and that it may be read",
                file=str(path),
            )
        ) from None
    return decode(data, str(path))


def decode(data: bytes, label: str) -> str:
    """Text of UTF-8 bytes; ``DataError`` with the line where it is not."""
    for mark, kind in _MARKS.items():
        if data.startswith(mark):
            raise DataError(
                Fault("not-text", f"the file is {kind}", "Save it as CSV or text in UTF-8", file=label)
            )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise DataError(
            Fault(
                "not-utf-8",
                f"line {line} holds the byte 0x{data[error.start]:02x}, which is not UTF-8",
                "Save the file as UTF-8 (a spreadsheet offers it as CSV UTF-8)",
                file=label,
            )
        ) from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise DataError(
            Fault("not-text", f"line {line} holds a zero byte", "Save the file as text in UTF-8", file=label)
        )
    if not text.strip():
        raise DataError(Fault("empty-file", "the file is empty", "Check the file", file=label))
    return text


def read_table(text: str, label: str) -> TextTable:
    """Split a text into its header and rows.

    The delimiter is the one that gives the header several columns and most rows just as many;
    where that leaves several, the first of tab, semicolon, bar, comma.  Blank rows are left out.

    Raises
    ------
    DataError : only one column, a quotation mark that is not closed, rows with too many cells
    """
    best: tuple[int, str] | None = None
    for delimiter in DELIMITERS:
        head = _split(text, delimiter, label, most=_LOOKED_AT)
        width = len(head[0][1]) if head else 0
        if width > 1:
            # a row may end early, but not hold more cells than there are columns
            fits = sum(len(cells) == width for _, cells in head)
            if best is None or fits > best[0]:
                best = (fits, delimiter)
    if best is None:
        raise DataError(
            Fault(
                "one-column",
                "the first row holds one column only, with tab, semicolon, bar or comma between columns",
                "The first row must name the columns, for example point,northing,easting,height,code",
                file=label,
            )
        )
    lines = _split(text, best[1], label)
    header = lines[0][1]
    long = [n for n, cells in lines[1:] if len(cells) > len(header) and any(cells[len(header) :])]
    if long:
        raise DataError(
            Fault(
                "too-many-cells",
                f"{rows_text(long)}: more cells than the {len(header)} columns of the first row "
                f"({DELIMITERS[best[1]]} between columns)",
                "Put text that holds the delimiter in quotation marks; "
                "with a decimal comma use a semicolon or tab between columns",
                file=label,
            )
        )
    width = len(header)
    return TextTable(
        label=label,
        delimiter=best[1],
        header=tuple(header),
        rows=tuple((*cells[:width], *[""] * (width - len(cells))) for _, cells in lines[1:]),
        row=tuple(n for n, _ in lines[1:]),
    )


def _split(text: str, delimiter: str, label: str, *, most: int | None = None) -> list[tuple[int, list[str]]]:
    """Rows that are not blank, each with the line it begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    found: list[tuple[int, list[str]]] = []
    begins = 1
    try:
        for cells in reader:
            stripped = [c.strip() for c in cells]
            if any(stripped):
                found.append((begins, stripped))
            begins = reader.line_num + 1
            if most is not None and len(found) >= most:
                break
    except csv.Error as error:
        if most is not None:
            return found
        raise DataError(
            Fault("not-csv", f"row {begins} is not CSV: {error}", "Check its quotation marks", file=label)
        ) from None
    return found


def number_of(text: str, delimiter: str) -> float | None:
    """Number in a cell, None where it is none.

    A comma is a decimal mark where it is not the delimiter; separators of thousands are no
    part of a number, since 1,234 could be either.
    """
    if not _NUMBER.fullmatch(text) or (delimiter == "," and "," in text):
        return None
    return float(text.replace("\u2212", "-").replace(",", "."))
