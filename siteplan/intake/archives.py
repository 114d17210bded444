"""Zip archives looked into without trust: names, sizes and ratios first, then the content.

The archive states the unpacked size of each member, twice; both may lie, so what is read is
counted as well (PKWARE, .ZIP File Format Specification 6.3, sections 4.4.8 and 4.4.9).  KMZ is a
zip archive with a KML in it (OGC 12-007r2, annex C).
"""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import Final

from siteplan.errors import DataError
from siteplan.intake.paths import JSON_SUFFIXES, choose_layer, file_fault, listed, no_shx, suffix_of

MOST_BYTES: Final = 1_000_000_000
"""Greatest unpacked size of an archive."""
MOST_RATIO: Final = 200
"""A member of more than :data:`SMALL_BYTES` that was packed tighter than this is no map data."""
SMALL_BYTES: Final = 1_000_000
MOST_MEMBERS: Final = 20_000
OWN: Final = frozenset({".kml", ".gpx", ".dxf"})
"""Members that readers of our own take, as bytes."""
_IN_ZIP: Final = JSON_SUFFIXES | OWN | {".shp", ".gpkg", ".gml", ".fgb"}
_NESTED: Final = frozenset({".kmz", ".zip"})
_BLOCK: Final = 1 << 20
_BROKEN: Final = (
    zipfile.BadZipFile, zlib.error, OSError, RuntimeError, NotImplementedError, EOFError,
)  # fmt: skip
"""RuntimeError: a password; NotImplementedError: a way of packing nobody uses for maps."""


def is_zip(path: Path) -> bool:
    """Whether it is an archive to look into; a zipped GeoPackage is read by its own driver."""
    return path.suffix.lower() in _NESTED and not path.name.lower().endswith((".gpkg.zip", ".gdb.zip"))


def unzipped(path: Path, layer: str | None) -> tuple[str, str, bytes | None, str | None]:
    """The file to read within an archive.

    Returns
    -------
    Its address for the reading library; its name in the archive; its bytes where a reader of our
    own takes them; and the layer left to choose in it.

    Raises
    ------
    DataError : damaged, unsafe, or without one file that can be read
    """
    kmz = path.suffix.lower() == ".kmz"
    with _opened(path) as archive:
        names = _checked(archive, path.name)
        inside = [n for n in names if suffix_of(n) in ({".kml"} if kmz else _IN_ZIP)]
        if not inside:
            raise _nothing_inside(names, kmz=kmz, file=path.name)
        if kmz and (nested := [n for n in names if suffix_of(n) in _NESTED]):
            raise file_fault(
                "kmz-nested",
                f"the archive holds further archives: {listed(nested)}",
                "Unpack them and name the one that holds the outlines",
                path.name,
            )
        member, left = _chosen(inside, layer, path.name)
        if suffix_of(member) == ".shp" and member[:-4].casefold() + ".shx" not in {
            n.casefold() for n in names
        }:
            raise no_shx(path.name)
        data = read_member(archive, member, path.name) if suffix_of(member) in OWN | JSON_SUFFIXES else None
        if data is None:
            for name in names:
                if PurePosixPath(name).stem == PurePosixPath(member).stem:
                    _whole(archive, name, path.name)
    return f"/vsizip/{{{path.absolute()}}}/{member}", member, data, left


def _chosen(inside: list[str], layer: str | None, file: str) -> tuple[str, str | None]:
    """The member asked for, and the layer within it that is left to choose.

    ``walls`` is the member of that name, ``walls/Folder`` a layer in it.
    """
    stems = [PurePosixPath(n).stem for n in inside]
    if len(inside) == 1:
        return inside[0], None if layer == stems[0] else (layer or "").removeprefix(f"{stems[0]}/") or None
    asked, _, within = (layer or "").partition("/")
    wanted = layer if layer in stems else asked
    if stems.count(wanted) == 1:
        return inside[stems.index(wanted)], within or None if wanted == asked else None
    if stems.count(wanted) > 1:
        raise file_fault(
            "several-layers",
            f'the archive holds several files named "{wanted}": {listed(inside)}',
            "Unpack it and name the file",
            file,
        )
    raise choose_layer(file, stems, layer)


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except DataError:
        raise
    except _BROKEN as error:
        raise file_fault(
            "zip-damaged", f"the zip archive cannot be read ({error})", "Make the archive again", path.name
        ) from None


def _checked(archive: zipfile.ZipFile, file: str) -> list[str]:
    """Names of the members, once names, sizes and ratios are seen to be those of map data."""
    members = [m for m in archive.infolist() if not m.filename.startswith("__MACOSX/")]
    astray = [m.filename for m in members if _leads_out(m.filename)]
    if astray:
        raise file_fault(
            "zip-path",
            f"names in the archive lead out of it: {listed(astray)}",
            "Do not unpack it; ask whoever sent it for a clean one",
            file,
        )
    total = sum(m.file_size for m in members)
    tight = [m for m in members if m.file_size > SMALL_BYTES and m.file_size > MOST_RATIO * m.compress_size]
    if total > MOST_BYTES or tight or len(members) > MOST_MEMBERS:
        why = f"{len(members)} files of {total / 1e6:.0f} MB in all"
        if tight:
            why = (
                f'"{tight[0].filename}" would grow from {tight[0].compress_size / 1e6:.3f} MB to '
                f"{tight[0].file_size / 1e6:.0f} MB"
            )
        raise _bomb(why, file)
    return [m.filename for m in members]


def _leads_out(name: str) -> bool:
    path = PurePosixPath(name.replace("\\", "/"))
    return path.is_absolute() or ".." in path.parts or (len(name) > 1 and name[1] == ":")


def _bomb(why: str, file: str) -> DataError:
    return file_fault(
        "zip-bomb",
        f"the archive unpacks to more than map data does: {why} (limits: {MOST_BYTES / 1e6:.0f} MB and "
        f"{MOST_MEMBERS} files in all, {MOST_RATIO} times its packed size for a file above "
        f"{SMALL_BYTES / 1e6:.0f} MB)",
        "Unpack it yourself, if you trust it, and name the file with the outlines",
        file,
    )


def read_member(archive: zipfile.ZipFile, name: str, file: str) -> bytes:
    """Bytes of a member, counted while they are unpacked; its checksum is verified at the end."""
    return b"".join(_blocks(archive, name, file))


def _whole(archive: zipfile.ZipFile, name: str, file: str) -> None:
    for _ in _blocks(archive, name, file):
        pass


def _blocks(archive: zipfile.ZipFile, name: str, file: str) -> Iterator[bytes]:
    packed = archive.getinfo(name).compress_size
    size = 0
    try:
        with archive.open(name) as stream:
            while block := stream.read(_BLOCK):
                size += len(block)
                if size > MOST_BYTES or (size > SMALL_BYTES and size > MOST_RATIO * max(packed, 1)):
                    raise _bomb(f'"{name}" grows beyond {size / 1e6:.0f} MB', file)
                yield block
    except DataError:
        raise
    except _BROKEN as error:
        raise file_fault(
            "zip-damaged",
            f'"{name}" in the zip archive is damaged or locked ({error}): its checksum or packing is wrong',
            "Make the archive again, without a password",
            file,
        ) from None


def _nothing_inside(names: Sequence[str], *, kmz: bool, file: str) -> DataError:
    has = listed(names) or "nothing"
    if kmz:
        return file_fault(
            "kmz-without-kml", f"no .kml in the archive (it holds {has})", "Export it again", file
        )
    return file_fault(
        "zip-without-layer",
        f"the zip archive holds no file that can be read (it holds {has})",
        "Put all parts of the shapefile (.shp, .shx, .dbf, .prj) or one GeoJSON, GeoPackage or KML in it",
        file,
    )
