"""Opens one input file and reads its rows; everything that concerns the file as a whole.

Geometry stays well-known binary here, in the order of the file.  No exception or
warning of the reading library leaves this module: each becomes a fault or a finding.
"""

from __future__ import annotations

import json
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import pyogrio
import pyogrio.errors
import pyogrio.raw

from siteplan.errors import DataError, Fault, Finding
from siteplan.intake.archives import is_zip, unzipped
from siteplan.intake.kmz import check_kml
from siteplan.intake.paths import (
    EXPECTED,
    EXPORT_AGAIN,
    JSON_SUFFIXES,
    check_shapefile,
    checked_path,
    choose_layer,
    file_fault,
    listed,
    part_beside,
    suffix_of,
)
from siteplan.intake.source import CrsSource, Source, Table, unused_keys
from siteplan.intake.survey_files import TEXT_SUFFIXES, read_text_file, text_kind
from siteplan.types import IntArray, ObjectArray

Place: TypeAlias = str | bytes
"""Where the reading library finds a file: its path, or its content."""
_READ_ERRORS: Final = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, OSError)
_WITHOUT_ARCS: Final = JSON_SUFFIXES | {".shp", ".kml", ".osm", ".pbf", ".csv"}
_WGS84_NAME: Final = re.compile(r"(?i)crs84h?$|epsg:.*:?(4326|4979)$|^wgs ?84$")
# Warnings whose cause is reported as a fault or finding of our own, so not repeated.
_KNOWN_WARNINGS: Final = re.compile(
    r"Non closed ring|More than one layer|Measured \(M\)|Invalid coord dimension|"
    r"Unsupported geometry type|organizePolygons|features with id = "
)


@dataclass(frozen=True)
class _File:
    """A file found, in an archive or not."""

    path: Path
    address: str
    """path, or the reading library's address of a member of an archive"""
    name: str
    """its own name, within an archive where it is in one"""
    packed: bytes | None
    """content, where it was unpacked"""
    layer: str | None

    @property
    def suffix(self) -> str:
        return suffix_of(self.name)

    @property
    def zipped(self) -> bool:
        return self.address.startswith("/vsizip/")

    def content(self) -> bytes:
        """The whole file, from wherever it is."""
        return self.packed if self.packed is not None else self.path.read_bytes()


def read_table(source: Source) -> Table:
    """Rows of one source.

    Raises
    ------
    DataError : faults that concern the whole file; see docs/inputs.md for the codes
    """
    path = checked_path(source.path)
    if is_zip(path):
        file = _File(path, *unzipped(path, source.layer))
    else:
        file = _File(path, str(path.absolute()), path.name, None, source.layer)
    own = _own_reader(file, source)
    return own if own is not None else _read_features(file, source)


def _own_reader(file: _File, source: Source) -> Table | None:
    """The table, where a reader of our own takes the file."""
    if file.zipped:
        source = replace(source, layer=file.layer)
    label = file.path.name
    if file.suffix == ".gpx":
        from siteplan.intake.gpx import read_gpx

        return read_gpx(file.content(), label, source)
    if file.suffix == ".dxf":
        from siteplan.intake.dxf import read_dxf

        return read_dxf(file.content(), label, source)
    if file.suffix in TEXT_SUFFIXES and not _looks_like_json(file):
        data = file.content()
        if text_kind(data, file.name) != "features":
            return read_text_file(data, file.name, label, source)
    return None


def _read_features(file: _File, source: Source) -> Table:
    """Rows of a file the reading library takes."""
    path, layer, suffix = file.path, file.layer, file.suffix
    unused = unused_keys(source, "file of features", path.name)
    if unused:
        raise DataError(*unused)
    place: Place = file.address
    said: tuple[Finding, ...] = ()
    if suffix == ".shp" and not file.zipped:
        check_shapefile(path)
    elif suffix == ".kml":
        data = file.content()
        said = check_kml(data, path.name)
        place = data if file.zipped else place
    text = _json_text(file) if _looks_like_json(file) else None
    if text is None and suffix not in {".kml", ".shp"}:
        layer = _chosen_layer(source, place, layer)
    label = path.name if layer is None else f"{path.name} ({layer})"
    meta, fids, wkb, fields, caught = _read(source, place, layer, label)
    if not len(wkb):
        raise DataError(_nothing_read(source, label))
    crs: str | None = meta["crs"] or None
    crs_source: CrsSource = "file" if crs else "none"
    if text is not None and crs is not None:
        crs, crs_source = _json_crs(text, crs, label)
    arcs = np.zeros(0, np.int64)
    if suffix not in _WITHOUT_ARCS and text is None:
        arcs = _rows_with_arcs(place, layer, fids)
    return Table(
        label=label,
        wkb=wkb,
        attributes=_columns(meta, fields),
        crs=crs,
        crs_source=crs_source,
        fids=fids,
        text=text,
        arcs=arcs,
        findings=(*said, *_file_findings(path, suffix, label, caught)),
    )


# -- reading -----------------------------------------------------------------


def _chosen_layer(source: Source, place: Place, layer: str | None) -> str | None:
    """The layer to read; None where the file has only one.

    A table without geometry is no candidate while there is a layer with one.
    """
    name = source.path.name
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            found = pyogrio.list_layers(place)
        except _READ_ERRORS as error:
            raise DataError(_open_fault(error, name, place)) from None
    names = [str(n) for n, _ in found]
    spatial = [str(n) for n, kind in found if kind is not None]
    if not names:
        raise file_fault("no-features", "the file has no layer", EXPORT_AGAIN, name)
    if not spatial or (layer in names and layer not in spatial):
        raise file_fault(
            "no-geometry",
            "the file is a table without geometry",
            "Give outlines, not a list of points or numbers: GeoJSON, GeoPackage, shapefile or KML",
            name,
        )
    if layer is None and len(spatial) == 1:
        return spatial[0] if len(names) > 1 else None
    if layer is None or layer not in names:
        raise choose_layer(name, spatial, layer)
    return layer


def _read(
    source: Source, place: Place, layer: str | None, label: str
) -> tuple[dict[str, Any], IntArray | None, ObjectArray, Sequence[Any], list[str]]:
    """Everything of one layer, with the reader's warnings as text."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            meta, fids, wkb, fields = pyogrio.raw.read(
                place, layer=layer, where=source.where, return_fids=True, datetime_as_string=True
            )
        except UnicodeDecodeError as error:
            raise _encoding(label, error) from None
        except _READ_ERRORS as error:
            raise DataError(_read_fault(error, source, place, layer, label)) from None
    said = [str(w.message) for w in caught]
    if layer is None and any(s.startswith("More than one layer") for s in said):
        names = [str(n) for n, _ in pyogrio.list_layers(place)]
        # a KML has a layer for what stands beside its folders, mostly empty
        filled = [n for n in names if pyogrio.read_info(place, layer=n, force_feature_count=True)["features"]]
        if len(filled) != 1:
            raise choose_layer(label, filled or names, None)
        return _read(source, place, filled[0], label)
    if wkb is None:
        raise file_fault("no-geometry", "the file is a table without geometry", "Give outlines", label)
    return meta, fids, wkb, fields, said


def _encoding(label: str, error: UnicodeDecodeError) -> DataError:
    return file_fault(
        "encoding",
        f"the text of the attributes is not {error.encoding} (byte 0x{error.object[error.start]:02x})",
        "Export it again as UTF-8; for a shapefile, the .cpg part must name the encoding its .dbf part has",
        label,
    )


def _open_fault(error: Exception, file: str, place: Place) -> Fault:
    """A file that does not open: unknown format, or damaged."""
    said = str(error)
    if "not recognized as being in a supported" in said or "not recognized as a supported" in said:
        return Fault("not-a-known-format", "the format of the file is not known", EXPECTED, file=file)
    said = said.replace(place, file) if isinstance(place, str) else re.sub(r"/vsimem/\S+", file, said)
    said = re.sub(r"\s+", " ", said).strip()
    return Fault("damaged-file", f"the file cannot be read: {said}", EXPORT_AGAIN, file=file)


def _read_fault(error: Exception, source: Source, place: Place, layer: str | None, label: str) -> Fault:
    """What went wrong while reading, told from what was asked for."""
    opened = not isinstance(error, pyogrio.errors.DataSourceError)
    if opened and layer is not None:
        names = [str(n) for n, _ in pyogrio.list_layers(place)]
        if layer not in names:
            return choose_layer(source.path.name, names, layer).faults[0]
    if opened and source.where is not None:
        return Fault(
            "where-wrong",
            f'the filter "{source.where}" is not understood',
            f"Write it as in SQL, with attributes of the file: {_attribute_names(place, layer)}",
            file=label,
        )
    return _open_fault(error, label, place)


def _attribute_names(place: Place, layer: str | None) -> str:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return listed([str(f) for f in pyogrio.read_info(place, layer=layer)["fields"]]) or "it has none"


def _nothing_read(source: Source, label: str) -> Fault:
    if source.where is not None:
        return Fault(
            "where-empty",
            f'no feature matches the filter "{source.where}"',
            "Check the spelling of the value, capitals included",
            file=label,
        )
    return Fault("no-features", "the file has no features", "Draw or export at least one", file=label)


def _columns(meta: dict[str, Any], fields: Sequence[Any]) -> dict[str, ObjectArray]:
    """Attributes as Python values, None where absent.

    A column of whole numbers with gaps comes as float; it is made whole again.
    """
    columns: dict[str, ObjectArray] = {}
    for name, kind, subtype, values in zip(
        meta["fields"], meta["ogr_types"], meta["ogr_subtypes"], fields, strict=True
    ):
        out = values.astype(object)
        if values.dtype.kind == "f":
            missing = np.isnan(values)
            if kind in ("OFTInteger", "OFTInteger64"):
                whole = values[~missing].astype(np.bool_ if subtype == "OFSTBoolean" else np.int64)
                out[~missing] = whole.astype(object)
            out[missing] = None
        columns[str(name)] = out
    return columns


def _file_findings(path: Path, suffix: str, label: str, said: Sequence[str]) -> tuple[Finding, ...]:
    findings = []
    if any("Measured (M)" in s or "too many members" in s for s in said):
        findings.append(
            Finding("m-dropped", "notice", f"{label}: measures (M values) of the vertices are not used")
        )
    if suffix == ".shp" and not is_zip(path) and part_beside(path, ".dbf") is None:
        findings.append(
            Finding("no-attributes", "notice", f"{label}: the .dbf part is missing, so names and ids are too")
        )
    known = re.compile(_KNOWN_WARNINGS.pattern + "|too many members")
    for text in dict.fromkeys(s for s in said if not known.search(s)):
        findings.append(Finding("reader-says", "notice", f"{label}: while reading: {text}"))
    return tuple(findings)


def _rows_with_arcs(place: Place, layer: str | None, fids: IntArray | None) -> IntArray:
    """Rows whose geometry in the file is a curve; the reader makes chords of it without a word.

    The type as stored is the special field ``OGR_GEOMETRY`` of GDAL's own SQL dialect.  A
    curve inside a GeometryCollection is not seen.
    """
    if fids is None:
        return np.zeros(0, np.int64)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if layer is None:
            layer = str(pyogrio.list_layers(place)[0][0])
        quoted = layer.replace("\\", "\\\\").replace('"', '\\"')
        like = " OR ".join(f"OGR_GEOMETRY LIKE '%{w}%'" for w in ("CURVE", "CIRCULAR", "SURFACE"))
        _, _, _, found = pyogrio.raw.read(
            place,
            sql=f'SELECT FID FROM "{quoted}" WHERE {like}',  # noqa: S608 - a name of the file's own, quoted
            sql_dialect="OGRSQL",
            read_geometry=False,
        )
    return np.flatnonzero(np.isin(fids, found[0]))


# -- GeoJSON -----------------------------------------------------------------


def _looks_like_json(file: _File) -> bool:
    if file.suffix in JSON_SUFFIXES:
        return True
    if file.zipped or not file.path.is_file():
        return False
    with file.path.open("rb") as stream:
        return stream.read(64).lstrip(b"\xef\xbb\xbf\x1e \t\r\n")[:1] in (b"{", b"[")


def _json_text(file: _File) -> bytes:
    """Bytes of a JSON file, plain or in a zip archive."""
    text = file.content()
    if text[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise file_fault(
            "encoding", "the file is UTF-16 text, GeoJSON is UTF-8", "Save it again as UTF-8", file.path.name
        )
    return text


def _json_crs(text: bytes, crs: str, label: str) -> tuple[str | None, CrsSource]:
    """CRS of a GeoJSON, and whether the file names it.

    The reader takes WGS 84 where the ``crs`` member is null or not understood; that is
    refused here.
    """
    present, member = _crs_member(text)
    wgs84 = crs in ("EPSG:4326", "EPSG:4979") or "CRS84" in crs
    if not present:
        # A crs that was read all the same stands in a text only the reader understands.
        return ("EPSG:4326", "default") if wgs84 else (crs, "file")
    if member is None:
        return None, "none"
    if not wgs84:
        return crs, "file"
    properties = member.get("properties") if isinstance(member, dict) else None
    properties = properties if isinstance(properties, dict) else {}
    name = str(properties.get("name") or f"EPSG:{properties.get('code')}")
    if not _WGS84_NAME.search(name.strip()):
        raise file_fault(
            "crs-not-understood",
            f"its crs member is not understood: {json.dumps(member, ensure_ascii=False)[:200]}",
            'Write {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::<code>"}}',
            label,
        )
    return "EPSG:4326", "file"


def _crs_member(text: bytes) -> tuple[bool, Any]:
    """Whether the top object has a ``crs`` member, and the member.

    Parsing a large file takes longer than reading it, so what stands before the features is
    tried first, and nothing is parsed where the word does not occur.
    """
    if b'"crs"' not in text:
        return False, None
    cut = text.find(b'"features"')
    head = _parsed(text[:cut].rstrip().rstrip(b",") + b"}") if cut > 0 else None
    top = head if head is not None and "crs" in head else _parsed(text)
    return (True, top["crs"]) if top is not None and "crs" in top else (False, None)


def _parsed(text: bytes) -> dict[str, Any] | None:
    """The object in a JSON text; None where there is none (such as GeoJSON text sequences)."""
    try:
        top = json.loads(text.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return None
    return top if isinstance(top, dict) else None


def feature_ids(table: Table) -> ObjectArray | None:
    """Ids of the features themselves, in the order read, where GeoJSON has whole numbers.

    Text ids come from the reader as attribute ``id``.

    Returns
    -------
    (n,) str, or None where not every feature has an id of its own.
    """
    text, fids = table.text, table.fids
    if text is None or fids is None or re.search(rb'"id"\s*:\s*\d', text) is None:
        return None
    features = (_parsed(text) or {}).get("features")
    if not isinstance(features, list):
        return None
    ids = [f.get("id") if isinstance(f, dict) else None for f in features]
    if not all(type(i) is int and 0 <= i < 2**62 for i in ids) or len(set(ids)) != len(ids):
        return None
    if not np.isin(fids, np.array(ids)).all():
        return None
    return fids.astype(str).astype(object)
