"""Field notes: what was written down with a tape in hand, made into outlines.

The format is our own; its grammar, with examples to recompute by hand, is in docs/field-notes.md.
Everything comes out in metres on the notes' own axes, x east and y north of their own north;
:mod:`siteplan.fieldnotes.anchor` lays it on the map.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from siteplan.errors import DataError, Fault, Finding, UsageError
from siteplan.fieldnotes.notes_build import Anchors, Builder, Closed, Squared, Tied
from siteplan.fieldnotes.statements import statements_of_table, statements_of_text
from siteplan.fieldnotes.strings import ArcStrings, edges_of
from siteplan.fieldnotes.tables import read_text
from siteplan.fieldnotes.traverse import LEAST_RATIO, READING_M, azimuth_of
from siteplan.planar import neighbours
from siteplan.types import IntArray, ObjectArray, XYArray

__all__ = ["Anchors", "Closed", "Notes", "Squared", "Tied", "notes_of", "read_notes", "write_notes"]


@dataclass(frozen=True, slots=True, eq=False)
class Notes:
    """Field notes, worked out.  Metres on the notes' own axes."""

    outlines: ArcStrings
    node_line: IntArray
    """(v,) line of the file that made each node"""
    point_names: ObjectArray
    """(p,) every named point"""
    point_xy: XYArray
    """(p, 2)"""
    anchors: Anchors
    """points known on the map too"""
    closures: tuple[Closed, ...]
    ties: tuple[Tied, ...]
    squares: tuple[Squared, ...]
    findings: tuple[Finding, ...]


def read_notes(path: Path, *, least_ratio: float = LEAST_RATIO, reading_m: float = READING_M) -> Notes:
    """Read field notes from a file: ``.csv`` and ``.tsv`` as a table, anything else as plain text.

    Parameters
    ----------
    path : the notes, UTF-8
    least_ratio : a traverse that closes worse than one part in this many is refused
    reading_m : unless it misses by no more than this

    Raises
    ------
    DataError : every fault at once, with its line
    """
    return notes_of(
        read_text(path),
        str(path),
        table=path.suffix.lower() in (".csv", ".tsv"),
        least_ratio=least_ratio,
        reading_m=reading_m,
    )


def notes_of(
    text: str,
    label: str,
    *,
    table: bool = False,
    least_ratio: float = LEAST_RATIO,
    reading_m: float = READING_M,
) -> Notes:
    """The same from a text; ``label`` stands for the file in messages."""
    if not (np.isfinite(least_ratio) and least_ratio > 0 and np.isfinite(reading_m) and reading_m >= 0):
        raise UsageError("the least ratio must be above 0, and the reading of the tape not below it")
    statements = statements_of_table(text, label) if table else statements_of_text(text)
    if not statements:
        raise DataError(Fault("no-notes", "there is no statement in the notes", "Check the file", file=label))
    builder = Builder(label, least_ratio, reading_m)
    for statement in statements:
        builder.take(statement)
    builder.finish()
    if builder.faults:
        raise DataError(*builder.faults)
    names = np.empty(len(builder.points), dtype=object)
    names[:] = list(builder.points)
    return Notes(
        outlines=builder.strings(),
        node_line=np.array(builder.node_lines(), dtype=np.int64),
        point_names=names,
        point_xy=np.array(list(builder.points.values()), dtype=np.float64).reshape(-1, 2),
        anchors=builder.anchors(),
        closures=tuple(builder.closures),
        ties=tuple(builder.ties),
        squares=tuple(builder.squares),
        findings=tuple(builder.findings),
    )


def write_notes(outlines: ArcStrings) -> str:
    """Outlines in metres as field notes: azimuths and distances, arcs by radius and delta.

    Reading them back gives the same outlines within 1e-6 m: lengths carry 10 decimals of a
    metre, angles 12 of a degree.

    Raises
    ------
    UsageError : a name that does not fit on a line, or given twice
    """
    names = [str(n) for n in outlines.names]
    for name in names:
        if not name.strip() or name != name.strip() or len(name.splitlines()) != 1:
            raise UsageError(
                f"outline name {name!r} does not fit in notes: blank, or with blanks or line ends"
            )
    if len(set(names)) != len(names):
        raise UsageError("two outlines have the same name")
    edge = edges_of(outlines)
    _, after = neighbours(outlines.offsets, outlines.closed)
    azimuth = azimuth_of(outlines.xy[after] - outlines.xy)
    delta = np.degrees(edge.sweep_rad)
    lines: list[str] = []
    for k, name in enumerate(names):
        a, b = int(outlines.offsets[k]), int(outlines.offsets[k + 1])
        x, y = outlines.xy[a]
        lines += [f"outline {name}", f"start east {x:.10f} m, north {y:.10f} m"]
        for j in range(a, b if outlines.closed[k] else b - 1):
            if delta[j] == 0:
                lines.append(f"leg az {azimuth[j]:.12f}, {edge.length[j]:.10f} m")
                continue
            side = "left" if delta[j] > 0 else "right"
            # an arc leaves half of its delta before the chord
            leaves = (azimuth[j] + delta[j] / 2) % 360
            lines.append(
                f"curve {side}, radius {abs(edge.radius[j]):.10f} m, delta {abs(delta[j]):.12f}, "
                f"from az {leaves:.12f}"
            )
        lines += ["close"] if outlines.closed[k] else []
        lines.append("end")
    return "\n".join(lines) + "\n"
