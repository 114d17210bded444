"""One revision written: a transaction that ends on the disk, or with nothing changed; a file put in place."""

from __future__ import annotations

import hashlib
import os
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from siteplan.errors import DataError, OutputError
from siteplan.intake.features import ROLES
from siteplan.record.connection import broken, connected, sync_folder
from siteplan.record.content import Conflict, Revision
from siteplan.record.history import Writer

REVISION: Final = "number, who, made_at, what, back_to, etag"


def head_of(base: sqlite3.Connection, path: Path) -> Revision:
    """The newest revision."""
    row = base.execute(f"SELECT {REVISION} FROM record_revisions ORDER BY number DESC LIMIT 1").fetchone()
    if row is None:
        raise broken(path, "it has no revision")
    return Revision(*row)


def _meta(base: sqlite3.Connection) -> dict[str, str]:
    return dict(base.execute("SELECT key, value FROM record_meta").fetchall())


def crs_of_file(base: sqlite3.Connection, path: Path) -> dict[str, str]:
    """CRS of each role."""
    meta = _meta(base)
    try:
        return {role: meta[f"crs of {role}"] for role in ROLES}
    except KeyError:
        raise broken(path, "it does not say in what CRS it is") from None


def srs_of_file(base: sqlite3.Connection, path: Path) -> dict[str, int]:
    """Number each role's CRS has in the file."""
    found = dict(base.execute("SELECT table_name, srs_id FROM gpkg_geometry_columns").fetchall())
    if not set(ROLES) <= set(found):
        raise broken(path, "a layer is missing")
    return {role: int(found[role]) for role in ROLES}


@contextmanager
def sound(path: Path) -> Iterator[None]:
    """What stands in the rows is what siteplan writes, or else the record is damaged."""
    try:
        yield
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        if isinstance(error, DataError):
            raise
        raise broken(
            path, str(error) if type(error) is ValueError else "what is written is not understood"
        ) from None


@contextmanager
def writing(
    path: Path,
    expected: int | None,
    who: str,
    what: str,
    when: str | None,
    etag: str | None = None,
    *,
    back_to: int | None = None,
) -> Iterator[tuple[Writer, Callable[[], Revision]]]:
    """One transaction that ends with a new revision on the disk, or with nothing changed at all.

    Yields
    ------
    the writer, and a function that gives the revision once the block has ended
    """
    done: list[Revision] = []
    with connected(path, saving=True) as base:
        base.execute("BEGIN IMMEDIATE")
        try:
            before = None if expected is None else head_of(base, path)
            if before is not None and (
                before.number != expected or (etag is not None and etag != before.etag)
            ):
                raise Conflict(before, int(expected or 0))
            number = 1 if before is None else before.number + 1
            now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") if when is None else when
            token = _meta(base).get("token", "") if before is None else before.etag
            made = Revision(
                number, who, now, what, back_to, f"{number}-{_chained(token, number, who, now, what)}"
            )
            base.execute("UPDATE record_meta SET value = 'yes' WHERE key = 'writing'")
            yield Writer(base, number, srs_of_file(base, path)), lambda: done[0]
            base.execute(
                f"INSERT INTO record_revisions ({REVISION}) VALUES (?, ?, ?, ?, ?, ?)",
                (number, who, now, what, back_to, made.etag),
            )
            base.execute(
                "UPDATE gpkg_contents SET last_change = ? WHERE table_name IN (?, ?, ?)",
                (now.replace("Z", ".000Z") if now.endswith("Z") and "." not in now else now, *ROLES),
            )
            base.execute("UPDATE record_meta SET value = 'no' WHERE key = 'writing'")
            base.execute("COMMIT")
        finally:
            if base.in_transaction:
                _roll_back(base)
        done.append(made)


def _roll_back(base: sqlite3.Connection) -> None:
    """Undo a transaction; closing the connection does it too, where the disk refuses even this."""
    try:
        base.execute("ROLLBACK")
    except sqlite3.Error:
        return


def _chained(token: str, *parts: object) -> str:
    text = "\x1f".join([token, *map(str, parts), secrets.token_hex(8)])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def into_place(partial: Path, path: Path) -> None:
    """A finished file under its own name, which nobody may have taken in the meantime."""
    with partial.open("rb") as stream:
        os.fsync(stream.fileno())
    taken = OutputError(f'"{path}" is there already; a record is never replaced')
    try:
        os.link(partial, path)
    except FileExistsError:
        raise taken from None
    except OSError:
        # No links on this disk: take the name first, so that of two processes one gets it.
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        except FileExistsError:
            raise taken from None
        partial.replace(path)
    sync_folder(path.parent)
