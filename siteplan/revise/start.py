"""The first revision: of a site that has files, and of a new one over a picture or at a place."""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from siteplan import geodesy
from siteplan.catalog import load_line
from siteplan.errors import DataError, Fault, OutputError, UsageError
from siteplan.frame import make_frame
from siteplan.geodesy import crs_facts
from siteplan.inputs import SITE_FILE, empty_features, line_place, said_of
from siteplan.pictures import DRIVERS
from siteplan.plans import run_names
from siteplan.rasters import from_cells, georeferenced, open_raster, raster_crs
from siteplan.record import RECORD_FILE, Record, RunNames
from siteplan.record.connection import sync_folder
from siteplan.record.sources import input_hashes
from siteplan.settings import SiteSettings
from siteplan.sites import Site, load_site
from siteplan.tomlfile import validated

_WGS84: Final = "EPSG:4326"


def record_of(place: str | Path) -> Record:
    """The record of a site.

    Raises
    ------
    DataError : it has none, or the record cannot be used
    """
    path = _record_path(place)
    if not path.exists():
        raise DataError(
            Fault(
                "no-record",
                "the site has no record: it is planned from its input files",
                "'siteplan desk' begins one, and so does 'siteplan record SITE --import'",
                str(path),
            )
        )
    return Record.open(path)


def _record_path(place: str | Path) -> Path:
    path = Path(place)
    return (path if path.is_dir() else path.parent) / RECORD_FILE


def start_record(
    place: str | Path, *, who: str, what: str = "brought in from the input files", when: str | None = None
) -> Record:
    """The record of a site, begun from its input files where it has none yet.

    Parameters
    ----------
    place : site folder, or its ``site.toml``
    who, what, when : of revision 1

    Raises
    ------
    DataError : the site cannot be loaded, or its record not be used
    OutputError : the record cannot be written
    """
    path = _record_path(place)
    if path.exists():
        return Record.open(path)
    said = said_of(place)
    # Taken before the files are read: one that changes in between is then told as changed, not lost.
    hashes = input_hashes(said.settings.inputs, said.folder)
    site = load_site(place)
    return Record.create(
        path,
        {"beds": site.beds, "abutments": site.abutments, "openings": site.openings},
        who=who,
        what=what,
        sources={file: sha256 for file, sha256 in hashes.items() if sha256 is not None},
        grid=_grid(site.frame.centre_lonlat, site.frame.datum),
        run_names=names_of_runs(site),
        when=when,
    )


def names_of_runs(site: Site) -> dict[str, RunNames]:
    """What the runs are called, to be kept with the next revision; nothing of a site that cannot be planned.

    Such a site is kept all the same: what is wrong is told when it is planned.
    """
    if not len(site.beds):
        return {}
    try:
        return run_names(site)
    except DataError:
        return {}


def _grid(centre: tuple[float, float], datum: str) -> dict[str, Any]:
    return {"centre_lonlat": [float(centre[0]), float(centre[1])], "datum": datum}


# -- a new site --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Where:
    """Where a new site is to be."""

    crs: str
    """its beds will be drawn in it"""
    centre: tuple[float, float]
    """longitude, latitude on the datum of ``crs``"""


def new_site(
    folder: str | Path,
    name: str,
    line: str,
    units: str = "m",
    *,
    who: str,
    picture: str | Path | None = None,
    picture_crs: str | None = None,
    lonlat: tuple[float, float] | None = None,
    when: str | None = None,
) -> Record:
    """A site to be drawn from nothing: its first ``site.toml``, and a record without beds.

    Parameters
    ----------
    folder : made when it does not exist; must hold no ``site.toml`` and no record
    name : of the site
    line : key of a shipped product line, or a path to one from the folder
    units : ``m`` or ``ft``, shown
    who : for revision 1
    picture : georeferenced picture; the beds will be drawn in its CRS (in degrees of its datum where that is
        no grid to measure in), and the grid is centred on it
    picture_crs : where the picture does not say
    lonlat : WGS 84 longitude and latitude of the site, where there is no picture; beds will be drawn in these
    when : UTC as ISO 8601 text

    Raises
    ------
    DataError : no such product line or picture, a picture without a place, a place that is none
    UsageError : neither picture nor place, or both
    OutputError : there is a site already, or the folder cannot be written; nothing is left behind
    """
    folder = Path(folder)
    if (picture is None) == (lonlat is None):
        raise UsageError("say where the new site is: by a picture, or by longitude and latitude")
    for taken in (folder / SITE_FILE, folder / RECORD_FILE):
        if taken.exists():
            raise OutputError(f'"{taken}" is there already; a new site is begun in a folder of its own')
    where = (
        _of_picture(Path(picture), picture_crs) if picture is not None else _of_place(lonlat or (0.0, 0.0))
    )
    text = _first_toml(folder, name, line, units, picture, picture_crs)
    load_line(line_place(line, folder))
    frame, _ = make_frame(empty_features("beds", where.crs), centre_lonlat=where.centre)
    made_folder = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write_new(folder / SITE_FILE, text)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f'"{folder / SITE_FILE}" cannot be written: {error.strerror or error}') from None
    try:
        return Record.create(
            folder / RECORD_FILE,
            {},
            crs=where.crs,
            who=who,
            what="a new site",
            sources={},
            grid=_grid(where.centre, frame.datum),
            when=when,
        )
    except BaseException:
        (folder / SITE_FILE).unlink(missing_ok=True)
        if made_folder:
            folder.rmdir()
        raise


def _of_place(lonlat: tuple[float, float]) -> _Where:
    lon, lat = (float(v) for v in lonlat)
    if not (abs(lon) <= 180 and abs(lat) <= 89):
        raise DataError(
            Fault(
                "nowhere", f"{lon}, {lat} is no place for a site", "Give longitude, then latitude, in degrees"
            )
        )
    return _Where(_WGS84, (lon, lat))


def _of_picture(path: Path, declared: str | None) -> _Where:
    """A CRS to draw in over a picture, and the picture's middle."""
    with open_raster(path, DRIVERS) as raster:
        georeferenced(raster, path)
        crs = raster_crs(raster, declared, path)
        middle = from_cells(raster.transform, np.array([[raster.width / 2, raster.height / 2]]))
    centre = geodesy.unproject(crs, middle)[0]
    if not np.isfinite(centre).all():
        raise DataError(
            Fault(
                "nowhere", "its middle is no place on the earth", "Check its CRS and georeference", str(path)
            )
        )
    facts = crs_facts(crs)
    # A web map's projection and the like are nothing to keep outlines in; their datum is.
    grid = not facts.is_web_mercator and (facts.is_geographic or facts.unit is not None)
    use = facts if grid else crs_facts(facts.geographic_wkt)
    return _Where(use.code or use.wkt, (float(centre[0]), float(centre[1])))


def _first_toml(
    folder: Path, name: str, line: str, units: str, picture: str | Path | None, picture_crs: str | None
) -> str:
    """A first ``site.toml``, checked as any other."""
    data: dict[str, Any] = {"schema_version": 1, "name": name, "line": line, "show": {"units": units}}
    lines = [
        "# Begun by siteplan for a site drawn at the desk. It is yours: siteplan never writes it again.",
        "# docs/site-toml.md tells what can be said here.",
        "schema_version = 1",
        f"name = {_quoted(name)}",
        f"line = {_quoted(line)}",
        "",
        "[show]",
        f"units = {_quoted(units)}",
    ]
    if picture is not None:
        entry = {"file": _from_folder(Path(picture), folder)}
        if picture_crs is not None:
            entry["crs"] = picture_crs
        data["inputs"] = {"pictures": [entry]}
        lines += ["", "[[inputs.pictures]]", *(f"{key} = {_quoted(value)}" for key, value in entry.items())]
    validated(SiteSettings, data, str(folder / SITE_FILE))
    return "\n".join(lines) + "\n"


def _from_folder(path: Path, folder: Path) -> str:
    """A path from the folder where the file lies in it, else the whole path."""
    whole, home = path.absolute(), folder.absolute()
    return whole.relative_to(home).as_posix() if whole.is_relative_to(home) else str(whole)


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0: as JSON has it, but DEL is escaped too and halves of pairs are refused."""
    if re.search("[\ud800-\udfff]", text):
        raise UsageError("the text holds half a character; write it again")
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _write_new(path: Path, text: str) -> None:
    """A file that was not there, on the disk when this returns."""
    try:
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
    except FileExistsError:
        raise OutputError(f'"{path}" is there already; it is never rewritten') from None
    except OSError:
        path.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
