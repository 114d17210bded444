"""The files of an as-built report, written together or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from siteplan.asbuilt.change import WORDING
from siteplan.asbuilt.data import asbuilt_json
from siteplan.asbuilt.make import AsBuilt
from siteplan.asbuilt.page import asbuilt_pdf
from siteplan.asbuilt.report import asbuilt_html
from siteplan.asbuilt.tables import asbuilt_layers
from siteplan.asbuilt.words import figures
from siteplan.errors import Finding
from siteplan.layers import Layer
from siteplan.publish.changeorder import change_csv, change_json, change_text
from siteplan.publish.chart import printable
from siteplan.publish.files import output_set
from siteplan.publish.orderbook import rows_csv
from siteplan.publish.readback import read_back
from siteplan.publish.vectors import write_geojson, write_geopackage

FOLDER: Final = "asbuilt"
_DRAWN: Final = ("asbuilt_pieces", "asbuilt_runs", "asbuilt_points")
_BOOK: Final = ("asbuilt_runs", "asbuilt_stock", "asbuilt_rates", "asbuilt_lengths", "asbuilt_points",
                "asbuilt_other_plan", "asbuilt_notes", "asbuilt_findings")  # fmt: skip
_CREATED: Final = datetime(2000, 1, 1)
_OPTIONAL: Final = ("asbuilt_points.geojson", "points.csv", "corners.csv", "change.json", "change.csv",
                    "change.txt")  # fmt: skip
SHOWN: Final = 12


@dataclass(frozen=True, slots=True)
class AsBuiltReport:
    """What was written."""

    folder: Path
    files: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    findings: tuple[Finding, ...]
    json_text: str

    @property
    def text(self) -> str:
        """For people."""
        lines = [f"{label + ':':24}{value}" for label, value in self.rows]
        lines += [f"{f.grade}: {f.text}" for f in self.findings[:SHOWN]]
        if len(self.findings) > SHOWN:
            lines.append(f"and {len(self.findings) - SHOWN} more findings, in asbuilt.html")
        lines.append(f"Written to {self.folder}: {len(self.files)} files, begin with asbuilt.pdf")
        return "\n".join(printable(line) for line in lines)


def write_as_built(built: AsBuilt, folder: Path) -> AsBuiltReport:
    """Write the report into the folder ``asbuilt`` of an output folder.

    Raises
    ------
    OutputError : a file cannot be written; the old files stay as they were.
    """
    layers = {name: _utf8(layer) for name, layer in asbuilt_layers(built).items()}
    text = asbuilt_json(built)
    texts = {
        "summary.json": text,
        "asbuilt.html": asbuilt_html(built),
        **_change_texts(built),
        **{f"{name.removeprefix('asbuilt_')}.csv": table_csv(layer) for name, layer in layers.items()},
    }
    pdf = asbuilt_pdf(built)
    frame = built.site.frame
    with output_set(folder / FOLDER) as partial:
        grid = {name: frame.grid(layer.xy) for name, layer in layers.items()}
        write_geopackage(partial / "asbuilt.gpkg", layers, grid, frame.crs_wkt)
        read_back(partial / "asbuilt.gpkg", layers)
        for name in _DRAWN:
            if name in layers:
                write_geojson(partial / f"{name}.geojson", layers[name], frame.wgs84(layers[name].xy))
        write_book(partial / "asbuilt.xlsx", built, layers)
        (partial / "asbuilt.pdf").write_bytes(pdf)
        for name, content in texts.items():
            (partial / name).write_text(content, encoding="utf-8", errors="xmlcharrefreplace", newline="")
        files = tuple(sorted(p.name for p in partial.iterdir()))
    for old in _OPTIONAL:
        if old not in files:
            # points and money of an earlier report would be taken for those of this one
            (folder / FOLDER / old).unlink(missing_ok=True)
    return AsBuiltReport(folder / FOLDER, files, tuple(figures(built)), built.findings, text)


def _change_texts(built: AsBuilt) -> dict[str, str]:
    """The change order; nothing where there is none."""
    change = built.change
    if change is None:
        return {}
    return {
        "change.json": change_json(change, WORDING),
        "change.csv": change_csv(change, WORDING),
        "change.txt": change_text(change, WORDING),
    }


def _utf8(layer: Layer) -> Layer:
    """The layer with texts that have a UTF-8 form: a name from the data may hold half a surrogate pair."""
    columns = {}
    for name, values in layer.columns.items():
        if np.asarray(values).dtype.kind == "O":
            made = np.empty(len(values), dtype=object)
            made[:] = [
                v if v is None else str(v).encode("utf-8", "xmlcharrefreplace").decode("utf-8")
                for v in values
            ]
            columns[name] = made
        else:
            columns[name] = values
    return Layer(
        layer.name, layer.geometry_type, columns, layer.xy, layer.ring_offsets, layer.ring_kind,
        layer.ring_row,
    )  # fmt: skip


def _cell(value: Any) -> Any:
    """A value for a table: text, a number, or None where there is nothing."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return round(float(value), 6) + 0.0 if np.isfinite(value) else None
    return str(value)


def table_csv(layer: Layer) -> str:
    """The columns of a layer as CSV (RFC 4180); text is never taken for a formula."""
    rows = zip(*layer.columns.values(), strict=True)
    return rows_csv([tuple(layer.columns), *([_cell(v) for v in row] for row in rows)])


def write_book(path: Path, built: AsBuilt, layers: Mapping[str, Layer]) -> None:
    """The tables as a workbook: text is written as text, and no formula is made."""
    import xlsxwriter

    options = {
        "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
        "in_memory": True,
    }  # fmt: skip
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"title": built.site.settings.name[:200], "created": _CREATED})
        bold = book.add_format({"bold": True, "bottom": 1})
        sheet = book.add_worksheet("report")
        for r, (label, value) in enumerate(figures(built)):
            sheet.write_string(r, 0, label)
            sheet.write_string(r, 1, value)
        sheet.set_column(0, 1, 32)
        for name in _BOOK:
            if name not in layers:
                continue
            sheet = book.add_worksheet(name.removeprefix("asbuilt_").replace("_", " "))
            columns = layers[name].columns
            for c, (title, values) in enumerate(columns.items()):
                sheet.write_string(0, c, title, bold)
                widest = len(title)
                for r, value in enumerate(values, 1):
                    cell = _cell(value)
                    if isinstance(cell, str):
                        # a cell holds 32,767 characters
                        sheet.write_string(r, c, cell[:32_000])
                        widest = max(widest, min(len(cell), 60))
                    elif cell is not None:
                        sheet.write_number(r, c, cell)
                sheet.set_column(c, c, widest + 1)
            sheet.freeze_panes(1, 0)
