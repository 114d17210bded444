"""Whether a path leads to a file that can be opened: archives, parts of shapefiles, damage."""

from __future__ import annotations

import difflib
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault

EXPECTED: Final = (
    "Expected GeoJSON, GeoPackage, shapefile (also zipped), KML or another vector format that GDAL reads"
)
EXPORT_AGAIN: Final = "Open it in the program it came from and export it again"
JSON_SUFFIXES: Final = {".geojson", ".json", ".geojsonl", ".geojsons", ".topojson", ".ndjson"}
_IN_ZIP: Final = JSON_SUFFIXES | {".shp", ".gpkg", ".kml", ".gml", ".fgb", ".gpx"}


def file_fault(code: str, what: str, remedy: str, file: str) -> DataError:
    """One fault that concerns a file as a whole, ready to raise."""
    return DataError(Fault(code, what, remedy, file=file))


def listed(names: Sequence[str], most: int = 20) -> str:
    """Names in quotes, with the rest counted."""
    shown = ", ".join(f'"{n}"' for n in names[:most])
    return shown + (f" and {len(names) - most} more" if len(names) > most else "")


def checked_path(path: Path) -> Path:
    """The path, if something can be read there."""
    name = path.name or str(path)
    if not path.exists():
        near = difflib.get_close_matches(name, _neighbours(path), n=1)
        hint = f' (there is "{near[0]}")' if near else ""
        raise file_fault("no-such-file", f"there is no such file{hint}", f'Check the path "{path}"', name)
    if path.is_dir() and path.suffix.lower() != ".gdb":
        raise file_fault("is-a-folder", "this is a folder, not a file", "Name a file in it", name)
    if not os.access(path, os.R_OK):
        raise file_fault("not-readable", "the file may not be read", "Check its permissions", name)
    if re.search(r"[;!\x00-\x1f]", str(path.absolute())) and not is_zip(path):
        # The reading library takes ; and ! as parts of an address.
        raise file_fault(
            "file-name",
            'the path holds ";", "!" or a control character, which the reader cannot take',
            "Rename the file or its folder",
            name,
        )
    if path.is_file() and path.stat().st_size == 0:
        raise file_fault(
            "empty-file", "the file has no content (0 bytes)", f"{EXPECTED}; {EXPORT_AGAIN}", name
        )
    return path


def _neighbours(path: Path) -> list[str]:
    """Names beside a path that does not exist; none where the folder cannot be listed."""
    try:
        return [p.name for p in path.parent.iterdir()]
    except OSError:
        return []


def suffix_of(place: str) -> str:
    """Suffix in small letters, of a path or of a name within an archive."""
    return PurePosixPath(place).suffix.lower()


def is_zip(path: Path) -> bool:
    """Whether it is an archive to look into; a zipped GeoPackage is read by its own driver."""
    return path.suffix.lower() == ".zip" and not path.name.lower().endswith((".gpkg.zip", ".gdb.zip"))


def unzipped(path: Path, layer: str | None) -> tuple[str, str | None]:
    """Address of the file within a zip archive, and the layer left to choose in it."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = [n for n in archive.namelist() if not n.startswith("__MACOSX/")]
            broken = archive.testzip()
    except (zipfile.BadZipFile, zlib.error, OSError, RuntimeError, NotImplementedError, EOFError) as error:
        raise file_fault(
            "zip-damaged", f"the zip archive cannot be read ({error})", "Make the archive again", path.name
        ) from None
    if broken is not None:
        raise file_fault(
            "zip-damaged",
            f'"{broken}" in the zip archive is damaged (its checksum does not match)',
            "Make the archive again",
            path.name,
        )
    inside = [n for n in names if suffix_of(n) in _IN_ZIP]
    if not inside:
        raise file_fault(
            "zip-without-layer",
            f"the zip archive holds no file that can be read (it holds {listed(names) or 'nothing'})",
            "Put all parts of the shapefile (.shp, .shx, .dbf, .prj) or one GeoJSON, GeoPackage or KML in it",
            path.name,
        )
    stems = [PurePosixPath(n).stem for n in inside]
    left = layer
    if len(inside) == 1:
        member = inside[0]
        if layer == stems[0]:
            left = None
    elif layer is not None and layer in stems:
        member, left = inside[stems.index(layer)], None
    else:
        raise choose_layer(path.name, stems, layer)
    if suffix_of(member) == ".shp":
        parts = {n.casefold() for n in names}
        if member[:-4].casefold() + ".shx" not in parts:
            raise _no_shx(path.name)
    return f"/vsizip/{{{path.absolute()}}}/{member}", left


def choose_layer(file: str, names: Sequence[str], layer: str | None) -> DataError:
    """The fault that asks for one of several layers."""
    if layer is None:
        return file_fault(
            "several-layers",
            f"the file has {len(names)} layers: {listed(names)}",
            "Say which layer to read",
            file,
        )
    near = difflib.get_close_matches(layer, names, n=1)
    return file_fault(
        "layer-not-found",
        f'there is no layer "{layer}"; the file has {listed(names)}',
        f'Did you mean "{near[0]}"?' if near else "Name one of these layers",
        file,
    )


# -- shapefiles --------------------------------------------------------------


def _no_shx(file: str) -> DataError:
    return file_fault(
        "shx-missing",
        "the .shx part of the shapefile is missing (a shapefile is several files: .shp, .shx, .dbf, .prj)",
        "Copy all parts of it into one folder, or export it again",
        file,
    )


def part_beside(path: Path, suffix: str) -> Path | None:
    """Another part of a shapefile, in small or capital letters."""
    for spelled in (suffix, suffix.upper()):
        part = path.with_suffix(spelled)
        if part.is_file():
            return part
    return None


def check_shapefile(path: Path) -> None:
    """Refuse a shapefile whose parts contradict each other.

    The header states the length of the file in 16-bit words, and the index (.shx) repeats
    place and length of every record (Environmental Systems Research Institute, ESRI
    Shapefile Technical Description, July 1998, pages 3, 4, 23 and 24).
    """
    index = part_beside(path, ".shx")
    if index is None:
        raise _no_shx(path.name)
    size = path.stat().st_size
    with path.open("rb") as stream:
        header = stream.read(100)
    what = None
    if len(header) < 100 or struct.unpack(">i", header[:4])[0] != 9994:
        what = "the .shp part is not a shapefile"
    elif (stated := struct.unpack(">i", header[24:28])[0] * 2) != size:
        what = f"the .shp part has {size} bytes but its header says {stated}"
    else:
        what = _index_contradicts(path, index, size)
    if what:
        raise file_fault("shapefile-damaged", what, f"Copy it again, complete; or: {EXPORT_AGAIN}", path.name)


def _index_contradicts(path: Path, index: Path, size: int) -> str | None:
    """What differs between the records of a shapefile and its index, or None."""
    raw = index.read_bytes()[100:]
    entries = np.frombuffer(raw[: len(raw) // 8 * 8], ">i4").reshape(-1, 2).astype(np.int64) * 2
    start, length = entries[:, 0], entries[:, 1]
    out = (start < 100) | (length < 4) | (start + 8 + length > size)
    if out.any():
        return f"record {int(np.argmax(out)) + 1} lies outside the .shp part, by the .shx part"
    if not len(entries):
        return None
    words = np.memmap(path, np.uint8, "r")
    at = (start + 4)[:, None] + np.arange(4)
    stated = words[at].astype(np.int64) @ np.array([1 << 24, 1 << 16, 1 << 8, 1]) * 2
    differs = stated != length
    if differs.any():
        k = int(np.argmax(differs))
        return f"record {k + 1} has {stated[k]} bytes by the .shp part and {length[k]} by the .shx part"
    return None
