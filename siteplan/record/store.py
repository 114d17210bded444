"""``record.gpkg``: opened, read, and saved one revision at a time."""

from __future__ import annotations

import secrets
import sqlite3
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from siteplan.errors import DataError, Fault, OutputError, UsageError
from siteplan.intake.features import ROLES
from siteplan.model import Features
from siteplan.record.checking import checked
from siteplan.record.connection import broken, connected, in_words
from siteplan.record.content import (
    RECORD_FILE,
    Change,
    Content,
    PutFeature,
    PutRunNames,
    PutTape,
    Revision,
    RunNames,
)
from siteplan.record.history import Writer, brought_at, content_at, spelled
from siteplan.record.saving import REVISION, crs_of_file, head_of, into_place, sound, srs_of_file, writing
from siteplan.record.schema import make_file
from siteplan.record.table import entries_of

__all__ = ["RECORD_FILE", "Record"]


class Record:
    """The record of a site: every state of what people made, none ever lost.

    Made by :meth:`create` or :meth:`open`.  It keeps no connection: several processes, and several threads
    of one, may use records of the same file at once.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def __repr__(self) -> str:
        return f"Record({str(self.path)!r})"

    # -- making and opening --

    @classmethod
    def create(
        cls,
        path: Path | str,
        features: Mapping[str, Features],
        *,
        who: str,
        what: str,
        sources: Mapping[str, str],
        grid: Mapping[str, Any],
        crs: str | None = None,
        overrides: Mapping[str, Any] | None = None,
        tapes: Mapping[str, Mapping[str, str]] | None = None,
        run_names: Mapping[str, RunNames] | None = None,
        when: str | None = None,
    ) -> Record:
        """A new record, with revision 1.

        Parameters
        ----------
        path : file to make; must not exist
        features : by role, as the intake gives them; roles that are missing or empty have the CRS of
            the beds
        who, what : of revision 1
        sources : input file and its SHA-256
        grid : ``centre_lonlat`` of the site's grid
        crs : of the beds, where there is none yet
        overrides, tapes, run_names : what is known from the start
        when : UTC as ISO 8601 text; now where not given

        Raises
        ------
        OutputError : the file is there already, or cannot be written
        DataError : a feature, name or CRS that cannot be kept
        UsageError : neither beds nor a CRS
        """
        path = Path(path)
        who, what = _told(who, "who"), _told(what, "what")
        crs_of = _crs_of(features, crs)
        if path.exists():
            raise OutputError(f'"{path}" is there already; a record is never replaced')
        try:
            with tempfile.TemporaryDirectory(prefix=".partial-", dir=path.parent) as folder:
                partial = Path(folder) / path.name
                make_file(partial, crs_of, token=secrets.token_hex(16))
                with writing(partial, None, who, what, when) as (writer, _):
                    writer.item("grid", "", dict(grid))
                    for file, sha256 in sources.items():
                        writer.item("source", file, sha256)
                    for role in ROLES:
                        if role in features:
                            _put_all(writer, features[role])
                    for key, row in (tapes or {}).items():
                        writer.change(checked(PutTape(key, row)))
                    for bed, names in (run_names or {}).items():
                        writer.change(PutRunNames(bed, names))
                    for top, value in (overrides or {}).items():
                        writer.override((top,), value)
                into_place(partial, path)
        except sqlite3.Error as error:
            raise in_words(error, path, saving=True) from None
        except OSError as error:
            if isinstance(error, OutputError):
                raise
            raise OutputError(f'"{path}" cannot be written: {error.strerror or error}') from None
        return cls(path)

    @classmethod
    def open(cls, path: Path | str) -> Record:
        """An existing record, looked through once.

        Raises
        ------
        DataError : no such file; not a record; made by a newer version; damaged
        OutputError : another program holds it
        """
        record = cls(Path(path))
        with connected(record.path) as base:
            (said,) = base.execute("PRAGMA quick_check(1)").fetchone()
            if said != "ok":
                raise broken(record.path, str(said))
            crs_of_file(base, record.path)
            srs_of_file(base, record.path)
            head_of(base, record.path)
        return record

    # -- reading --

    @property
    def head(self) -> int:
        """Number of the newest revision."""
        return self.newest().number

    @property
    def etag(self) -> str:
        """Text that changes with every revision, and differs from that of any other record."""
        return self.newest().etag

    def newest(self) -> Revision:
        """The newest revision."""
        with connected(self.path) as base:
            return head_of(base, self.path)

    def revisions(self) -> tuple[Revision, ...]:
        """Every revision, the first one first."""
        with connected(self.path) as base:
            rows = base.execute(f"SELECT {REVISION} FROM record_revisions ORDER BY number").fetchall()
        return tuple(Revision(*row) for row in rows)

    def content(self, revision: int | None = None) -> Content:
        """What the record holds at a revision, the newest by default.

        Raises
        ------
        UsageError : no such revision
        DataError : damaged
        """
        with connected(self.path) as base:
            base.execute("BEGIN")
            head = head_of(base, self.path).number
            at = head if revision is None else _known(revision, head)
            with sound(self.path):
                return content_at(base, at, crs_of_file(base, self.path))

    def brought(self) -> dict[str, Features]:
        """Features by role as they were last brought in from files, whatever became of them since."""
        revisions = {r.number: r for r in self.revisions()}
        with connected(self.path) as base:
            base.execute("BEGIN")
            at = head_of(base, self.path).number
            lineage, step = [], min(at, len(revisions))
            while step > 0:
                lineage.append(step)
                step = revisions[step].back_to or step - 1
            with sound(self.path):
                return brought_at(base, at, crs_of_file(base, self.path), lineage)

    # -- saving --

    def save(
        self,
        base: int,
        changes: Sequence[Change],
        *,
        who: str,
        what: str,
        etag: str | None = None,
        when: str | None = None,
    ) -> Revision:
        """Make the next revision: all of the changes, or none.

        Parameters
        ----------
        base : the revision the changes were made on
        changes : in order
        who, what : for the list of revisions
        etag : where given, must be that of ``base`` too
        when : UTC as ISO 8601 text; now where not given

        Returns
        -------
        The revision; it is on the disk when this returns.

        Raises
        ------
        Conflict : ``base`` is not the newest revision
        DataError : a change that cannot be kept
        OutputError : disk full, read-only, or in use; nothing was saved
        """
        who, what = _told(who, "who"), _told(what, "what")
        looked_at = [checked(change) for change in changes]
        with writing(self.path, base, who, what, when, etag) as (writer, made):
            for change in looked_at:
                writer.change(change)
        return made()

    def go_back(
        self,
        base: int,
        to: int,
        *,
        who: str,
        what: str | None = None,
        when: str | None = None,
        check: Callable[[Content], None] | None = None,
    ) -> Revision:
        """A new revision with the content of revision ``to``; nothing in between is lost.

        Parameters
        ----------
        check : called with what the record is going to hold; where it raises, nothing was saved

        Raises
        ------
        Conflict, OutputError : as :meth:`save`
        UsageError : no such revision
        """
        who = _told(who, "who")
        told = _told(what or f"back to revision {to}", "what")
        with writing(self.path, base, who, told, when, back_to=to) as (writer, made):
            _known(to, base)
            writer.as_at(to)
            self._look(writer, check)
        return made()

    def undo(
        self,
        base: int,
        revision: int,
        *,
        who: str,
        what: str | None = None,
        when: str | None = None,
        check: Callable[[Content], None] | None = None,
    ) -> Revision:
        """A new revision in which what ``revision`` changed is as it was before; the rest stays as it is.

        Parameters
        ----------
        check : as of :meth:`go_back`

        Raises
        ------
        Conflict, OutputError : as :meth:`save`
        UsageError : no such revision, or the first one
        DataError : a later revision changed the same things again, or set something for a bed that this one
            drew, so that it cannot be taken back by itself; or it brought in files
        """
        who = _told(who, "who")
        told = _told(what or f"revision {revision} undone", "what")
        with writing(self.path, base, who, told, when) as (writer, made):
            if _known(revision, base) == 1:
                raise UsageError("the first revision cannot be undone: there is nothing before it")
            features, items = writer.touched(revision)
            if any(kind == "source" for kind, _ in items):
                raise DataError(
                    Fault(
                        "was-brought-in",
                        f"revision {revision} brought in input files, and is not undone by itself",
                        f"Go back to revision {revision - 1} as a whole",
                        RECORD_FILE,
                    )
                )
            _refuse_later(writer, revision, features, items)
            for role, name in features:
                writer.feature_as_at(role, name, revision - 1)
            for kind, key in items:
                writer.item_as_at(kind, key, revision - 1)
            self._look(writer, check)
        return made()

    def _look(self, writer: Writer, check: Callable[[Content], None] | None) -> None:
        """Show what is going to be held to the one who asked to see it."""
        if check is None:
            return
        with sound(self.path):
            content = content_at(writer.base, writer.number, crs_of_file(writer.base, self.path))
        check(content)


def _known(revision: int, head: int) -> int:
    if not 1 <= revision <= head:
        raise UsageError(f"there is no revision {revision}; the record has 1 to {head}")
    return revision


def _told(text: str, word: str) -> str:
    """Who or what, in one line."""
    made = " ".join(spelled(text).split())
    if not made:
        raise UsageError(f"say {word}: the record keeps who saved, and what")
    return made


def _crs_of(features: Mapping[str, Features], crs: str | None) -> dict[str, str]:
    """CRS of every role."""
    unknown = set(features) - set(ROLES)
    if unknown:
        raise UsageError(f'role "{sorted(unknown)[0]}" is not known; it is one of {", ".join(ROLES)}')
    beds = features.get("beds")
    own = crs if beds is None or not len(beds) else beds.crs
    own = own if own is not None or beds is None else beds.crs
    if not own:
        raise UsageError("a record without beds needs a CRS for those to come")
    return {r: features[r].crs if r in features and len(features[r]) else own for r in ROLES}


def _put_all(writer: Writer, features: Features) -> None:
    names = list(features.attributes)
    for k, entry in enumerate(entries_of(features)):
        put = PutFeature(features.role, entry.id, entry.name, entry.rings, entry.kinds, entry.attributes)
        checked(put, drawn=False)
        writer.put(entry, features.role, columns=names if k == 0 else (), came=True)


def _refuse_later(
    writer: Writer, revision: int, features: list[tuple[str, str]], items: list[tuple[str, str]]
) -> None:
    """Refuse to undo what was changed again since."""
    faults = []
    drawn = {
        name for role, name in features if role == "beds" and not writer.was_live(role, name, revision - 1)
    }
    since = writer.beds_set_since(revision) if drawn else {}
    for table, one, two, touched in (
        ("record_features", "role", "id", features),
        ("record_items", "kind", "key", items),
    ):
        for first, second in touched:
            latest = writer.changed_since(table, (one, first), (two, second), revision)
            if first == "beds" and second in drawn:
                latest = max(latest, since.get(second, 0))
            if latest > revision:
                what = (
                    f"{first.removesuffix('s')} {second}"
                    if table == "record_features"
                    else f"{first} {second}"
                )
                faults.append(
                    Fault(
                        "changed-since",
                        f"{what} was changed again in revision {latest}, so revision {revision} cannot be "
                        "undone by itself",
                        f"Undo the later revision first, or go back to revision {revision - 1} as a whole",
                        RECORD_FILE,
                    )
                )
    if faults:
        raise DataError(*faults)
