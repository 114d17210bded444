"""Opening ``record.gpkg``, and what the database says put into words.

A connection lives for one reading or one save, so that a file that was replaced, or another process
that saves, is seen at once.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from siteplan.errors import DataError, Fault, OutputError, SiteplanError

FORMAT: Final = "siteplan record"
VERSION: Final = 1
GEOPACKAGE_ID: Final = 0x47504B47
"""``application_id`` of a GeoPackage (OGC 12-128r18, requirement 2): the letters GPKG"""
WAIT_S: Final = 10.0
"""how long one process waits for another one's save"""

_BUSY: Final = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_BROKEN: Final = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT}
_WORDS: Final = {
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_READONLY: "the file or its folder may not be written",
    sqlite3.SQLITE_PERM: "the file or its folder may not be written",
    sqlite3.SQLITE_CANTOPEN: "the file, or the journal beside it, cannot be opened",
    sqlite3.SQLITE_IOERR: "the disk does not take it",
    sqlite3.SQLITE_NOLFS: "the file is too large for this disk",
}


def broken(path: Path, what: str) -> DataError:
    """The one fault of a file that is damaged."""
    return DataError(
        Fault(
            "record-broken",
            f"the record is damaged: {what}",
            "Put the last copy of it in its place, from a backup; input files and site.toml are as they were",
            str(path),
        )
    )


def in_words(error: sqlite3.Error, path: Path, *, saving: bool) -> SiteplanError:
    """An error of the database as one of our own."""
    code = (getattr(error, "sqlite_errorcode", None) or sqlite3.SQLITE_ERROR) & 0xFF
    kept = "nothing was saved, the record is as it was" if saving else "it was not read"
    if code in _BUSY:
        return OutputError(
            f'"{path}" is in use by another program, which holds it for more than {WAIT_S:g} s: {kept}. '
            "Close that program, or try again"
        )
    if code in _BROKEN or type(error) is sqlite3.DatabaseError:
        return broken(path, str(error))
    if code in _WORDS:
        return OutputError(f'"{path}" cannot be {"written" if saving else "read"}: {_WORDS[code]}; {kept}')
    if saving:
        return OutputError(f'"{path}" cannot be written: {error}; {kept}')
    return broken(path, str(error))


@contextmanager
def connected(path: Path, *, saving: bool = False) -> Iterator[sqlite3.Connection]:
    """A connection to a record, looked at and ready; errors of the database in words.

    Parameters
    ----------
    path : of the record
    saving : it is to be written, which the words say

    Raises
    ------
    DataError : no such file; not a record, a newer one, or a damaged one
    OutputError : it cannot be read or written now
    """
    _check_file(path)
    try:
        base = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=WAIT_S, isolation_level=None
        )
    except sqlite3.Error as error:
        raise in_words(error, path, saving=saving) from None
    try:
        # EXTRA: a commit counts when the journal's name is gone from the disk's own folder too, so that
        # a power cut just after it cannot bring the journal back and with it undo an acknowledged save.
        base.execute("PRAGMA synchronous = EXTRA")
        base.execute("PRAGMA trusted_schema = OFF")
        _check_record(base, path)
        yield base
    except sqlite3.Error as error:
        raise in_words(error, path, saving=saving) from None
    except UnicodeDecodeError:
        raise broken(path, "text in it is no text") from None
    finally:
        base.close()


def _check_file(path: Path) -> None:
    try:
        with path.open("rb") as stream:
            head = stream.read(16)
    except FileNotFoundError:
        raise DataError(Fault("no-record", "there is no record", "Check the path", str(path))) from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise DataError(
            Fault("not-readable", f"cannot be read: {reason}", "Check the permissions", str(path))
        ) from None
    if not head:
        raise broken(path, "the file is empty")
    if head != b"SQLite format 3\x00":
        raise _not_a_record(path, "the file is no GeoPackage")


def _not_a_record(path: Path, what: str) -> DataError:
    return DataError(
        Fault(
            "not-a-record",
            f"{what}, so it is not the record of a site",
            f"Give it another name, and name it in site.toml if it holds outlines; {path.name} is a name "
            "siteplan keeps for its own",
            str(path),
        )
    )


def _check_record(base: sqlite3.Connection, path: Path) -> None:
    """Whether the file is a record this program knows.  Any GeoPackage could have the name."""
    tables = {row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if "record_meta" not in tables:
        kind = "a GeoPackage of other layers" if "gpkg_contents" in tables else "a database of another kind"
        raise _not_a_record(path, f"the file is {kind}")
    meta = dict(base.execute("SELECT key, value FROM record_meta"))
    if meta.get("format") != FORMAT or not str(meta.get("version", "")).isdecimal():
        raise _not_a_record(path, "the file does not say what it is")
    if int(meta["version"]) > VERSION:
        raise DataError(
            Fault(
                "record-newer",
                f"the record was made by a newer siteplan (version {meta['version']} of the record, this one "
                f"reads up to {VERSION})",
                "Update siteplan",
                str(path),
            )
        )


def sync_folder(folder: Path) -> None:
    """Wait until the names in a folder are on disk, where the system can say so."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
