"""Downloads, and the plan's folder: written by :mod:`siteplan.publish` and its neighbours, as ever."""

from __future__ import annotations

import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from siteplan.desk.wire import Refused
from siteplan.lengths import bed_measures
from siteplan.parts import Part


@dataclass(frozen=True, slots=True)
class Export:
    """One download."""

    name: str
    """the last part of its address, and the file's name"""
    label: str
    text: str
    mime: str
    files: tuple[str, ...]
    """files of the plan's folder; several go into one archive"""


EXPORTS: Final = (
    Export("plan.zip", "Whole plan", "Every file of the plan in one archive.", "application/zip", ()),
    Export("map.html", "Map", "One page that opens with no network.", "text/html", ("map.html",)),
    Export(
        "plan.gpkg", "GeoPackage", "All layers for a GIS.", "application/geopackage+sqlite3", ("plan.gpkg",)
    ),
    Export("geojson", "GeoJSON", "Pieces and runs.", "application/zip", ("pieces.geojson", "runs.geojson")),
    Export(
        "order.xlsx",
        "Order",
        "Order, cut plan and quantities as a workbook.",
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        ("order.xlsx",),
    ),
    Export("takeoff.csv", "Takeoff", "Counts of every piece.", "text/csv", ("takeoff.csv",)),
    Export("cutlist.csv", "Saw list", "Every cut, for the saw.", "text/csv", ("cutlist.csv",)),
    Export("handout.zip", "Handout", "Plan sheets, pictures, points to set out.", "application/zip", ()),
)


def export_rows() -> list[dict[str, str]]:
    """What the page offers."""
    return [{"url": f"/api/export/{e.name}", "name": e.label, "text": e.text} for e in EXPORTS]


def made_export(name: str, part: Part, revision: int) -> tuple[bytes, str, str]:
    """A download: its bytes, kind and file name.

    Parameters
    ----------
    name : of the export
    part : the whole site, planned
    revision : printed on the handout

    Raises
    ------
    Refused : 404 for one that is not offered
    """
    export = next((e for e in EXPORTS if e.name == name), None)
    if export is None:
        raise Refused(404, "There is no such export")
    with tempfile.TemporaryDirectory(prefix="siteplan-export-") as temporary:
        folder = Path(temporary) / "plan"
        if name == "handout.zip":
            _handout(part, folder, revision)
        else:
            write_files(part, folder)
        if len(export.files) == 1:
            return (folder / export.files[0]).read_bytes(), export.mime, export.files[0]
        archive = Path(temporary) / "archive.zip"
        chosen = [folder / f for f in export.files] or sorted(folder.rglob("*"))
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as out:
            for path in chosen:
                if path.is_file():
                    out.write(path, path.relative_to(folder).as_posix())
        return archive.read_bytes(), export.mime, name if "." in name else f"{name}.zip"


def write_files(part: Part, folder: Path) -> Any:
    """The plan's folder, as ``siteplan takeoff`` writes it."""
    from siteplan.publish.write import write_plan

    site = part.site
    return write_plan(site, bed_measures(site.frame, site.beds), part.plan, part.result, folder)


def _handout(part: Part, folder: Path, revision: int) -> None:
    from siteplan.sheets.options import sheet_options
    from siteplan.sheets.write import write_sheets
    from siteplan.stakeout.make import make_stakeout
    from siteplan.stakeout.write import write_stakeout

    site, named = part.site, f"revision {revision}"
    options = sheet_options(
        paper="letter" if site.settings.show.units == "ft" else "a4",
        scale=None,
        beds=(),
        phase=None,
        revision=named,
        fonts=(),
        most_sheets=200,
        pictures=True,
    )
    points = make_stakeout(site, part.plan, part.result, grid=None, beds=(), phase=None)
    measures = bed_measures(site.frame, site.beds)
    write_sheets(site, measures, part.plan, part.result, folder, options)
    write_stakeout(points, folder, revision=named)
