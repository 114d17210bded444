"""Whether a path leads to a file that can be opened: parts of shapefiles, damage."""

from __future__ import annotations

import difflib
import os
import re
import struct
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault

EXPECTED: Final = (
    "Expected GeoJSON, GeoPackage, shapefile (also zipped), KML, KMZ, GPX, DXF, a survey file (CSV), "
    "field notes or another vector format that GDAL reads"
)
EXPORT_AGAIN: Final = "Open it in the program it came from and export it again"
JSON_SUFFIXES: Final = {".geojson", ".json", ".geojsonl", ".geojsons", ".topojson", ".ndjson"}


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
    if re.search(r"[;!\x00-\x1f]", str(path.absolute())) and path.suffix.lower() not in (".zip", ".kmz"):
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


def no_shx(file: str) -> DataError:
    """The fault of a shapefile without its index."""
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
        raise no_shx(path.name)
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
