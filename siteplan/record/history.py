"""Rows of the history: what was live when, closing and opening them, all within one transaction."""

from __future__ import annotations

import base64
import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from siteplan.intake.features import ROLES
from siteplan.model import Features
from siteplan.record.blobs import blob_of, box_of, digest_of, rings_of_blobs
from siteplan.record.content import (
    RECORD_FILE,
    Change,
    Content,
    DropFeature,
    DropTape,
    PutFeature,
    PutRunNames,
    PutSource,
    PutTape,
    RunNames,
    SetOverride,
    leaves,
    nested,
    no_such,
    touches,
)
from siteplan.record.plain import from_json, to_json
from siteplan.record.table import Entry, column

_LIVE: Final = "first <= :at AND (until IS NULL OR until > :at)"


def spelled(text: str) -> str:
    """Text for a column: halves of surrogate pairs, which UTF-8 has no bytes for, are replaced."""
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def row_digest(*parts: str | bytes) -> str:
    """SHA-256 of what a row of history says, the parts with their lengths."""
    made = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        made.update(b"%d:" % len(data))
        made.update(data)
    return made.hexdigest()


def _check_digest(digest: str, kind: str, name: str, *said: str | bytes) -> None:
    """Refuse a row that is not as it was written.

    Raises
    ------
    ValueError : it is not
    """
    if digest != row_digest(kind, name, *said):
        raise ValueError(f"{kind} {name} is not as it was written")


@dataclass(slots=True)
class Writer:
    """One revision being written, in a transaction of ``base``."""

    base: sqlite3.Connection
    number: int
    srs: Mapping[str, int]
    """number of the CRS of each role in the file"""

    # -- features --

    def put(
        self, entry: Entry, role: str, *, columns: Iterable[str] | None = None, came: bool = False
    ) -> None:
        """A feature as it is to be, in the place of the one of its id, or at the end.

        ``came``: it is brought in from a file, not drawn or edited.
        """
        self._columns(role, entry.attributes if columns is None else columns)
        live = self.base.execute(
            "SELECT place, facts FROM record_features "
            "WHERE role = ? AND id = ? AND (until IS NULL OR until = ?) "
            "ORDER BY until IS NULL DESC, fid DESC LIMIT 1",
            (role, entry.id, self.number),
        ).fetchone()
        if live is None:
            (place,) = self.base.execute(
                "SELECT ifnull(max(place), 0) + 1 FROM record_features WHERE role = ?", (role,)
            ).fetchone()
        else:
            place = live[0]
            self.close_feature(role, entry.id)
        shape = blob_of(entry.rings, entry.kinds, self.srs[role])
        before = None if live is None else from_json(live[1])["came"]
        facts = to_json(
            {
                "name": entry.name,
                "attributes": {k: v for k, v in entry.attributes.items() if v is not None},
                "file": entry.file,
                "row": entry.row,
                "came": digest_of(shape) if came else before,
                "brought": came,
            }
        )
        self.open_feature(role, entry.id, place, facts, shape)

    def close_feature(self, role: str, name: str) -> bool:
        """End the live row of a feature; whether there was one."""
        found = self.base.execute(
            "SELECT fid, place, first FROM record_features WHERE role = ? AND id = ? AND until IS NULL",
            (role, name),
        ).fetchone()
        if found is None:
            return False
        self._close("record_features", found[0], found[2])
        self.base.execute(f"DELETE FROM {role} WHERE fid = ?", (found[1],))
        return True

    def open_feature(self, role: str, name: str, place: int, facts: str, shape: bytes) -> None:
        """A live row of a feature, in the history and in its layer."""
        self.base.execute(
            "INSERT INTO record_features (role, id, place, first, facts, shape, digest) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (role, name, place, self.number, facts, shape, row_digest(role, name, facts, shape)),
        )
        known = json.loads(facts)
        attributes = json.dumps(known["attributes"], ensure_ascii=False)
        self.base.execute(
            f"INSERT INTO {role} (fid, geom, id, name, attributes, source_file, source_row) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                place, shape, name, spelled(known["name"]), spelled(attributes), spelled(known["file"]),
                known["row"],
            ),
        )  # fmt: skip
        west, south, east, north = box_of(shape)
        # The box of a layer need not be the least one (OGC 12-128, table 4): it only grows.
        self.base.execute(
            "UPDATE gpkg_contents SET "
            "min_x = min(ifnull(min_x, :w), :w), min_y = min(ifnull(min_y, :s), :s), "
            "max_x = max(ifnull(max_x, :e), :e), max_y = max(ifnull(max_y, :n), :n) WHERE table_name = :t",
            {"w": west, "s": south, "e": east, "n": north, "t": role},
        )

    def _columns(self, role: str, names: Iterable[str]) -> None:
        """Attributes of a role, those that are new at the end."""
        row = self.base.execute(
            "SELECT value FROM record_items WHERE kind = 'columns' AND key = ? AND until IS NULL", (role,)
        ).fetchone()
        had = [] if row is None else from_json(row[0])
        has = list(dict.fromkeys([*had, *names]))
        if row is None or has != had:
            self.item("columns", role, has)

    def _entry(self, put: PutFeature) -> Entry:
        """The feature put, with the file and row it had."""
        row = self.base.execute(
            "SELECT facts FROM record_features WHERE role = ? AND id = ? AND until IS NULL",
            (put.role, put.id),
        ).fetchone()
        known: dict[str, Any] = {"file": RECORD_FILE, "row": 0} if row is None else from_json(row[0])
        return Entry(
            id=put.id,
            name=put.name,
            rings=tuple(put.rings),
            kinds=tuple(put.kinds),
            attributes=put.attributes,
            file=known["file"] if put.file is None else put.file,
            row=known["row"] if put.row is None else put.row,
        )

    # -- everything else --

    def item(self, kind: str, key: str, value: object) -> None:
        """A value as it is to be; one that is the same stays as it is."""
        text = to_json(value)
        live = self.base.execute(
            "SELECT place, value FROM record_items WHERE kind = ? AND key = ? AND until IS NULL", (kind, key)
        ).fetchone()
        if live is not None and live[1] == text:
            return
        if live is None:
            (place,) = self.base.execute(
                "SELECT ifnull(max(place), 0) + 1 FROM record_items WHERE kind = ?", (kind,)
            ).fetchone()
        else:
            place = live[0]
            self.close_item(kind, key)
        self.open_item(kind, key, place, text)

    def close_item(self, kind: str, key: str) -> bool:
        """End the live row of an item; whether there was one."""
        found = self.base.execute(
            "SELECT fid, first FROM record_items WHERE kind = ? AND key = ? AND until IS NULL", (kind, key)
        ).fetchone()
        if found is None:
            return False
        self._close("record_items", *found)
        return True

    def open_item(self, kind: str, key: str, place: int, text: str) -> None:
        """A live row of an item."""
        self.base.execute(
            "INSERT INTO record_items (kind, key, place, first, value, digest) VALUES (?, ?, ?, ?, ?, ?)",
            (kind, key, place, self.number, text, row_digest(kind, key, text)),
        )

    def _close(self, table: str, fid: int, first: int) -> None:
        """A row ends with this revision; one that began with it never was."""
        if first == self.number:
            self.base.execute(f"DELETE FROM {table} WHERE fid = ?", (fid,))
        else:
            self.base.execute(f"UPDATE {table} SET until = ? WHERE fid = ?", (self.number, fid))

    def override(self, path: tuple[str, ...], value: object) -> None:
        """A value that goes before ``site.toml``; None ends it, with all in its table."""
        live = self.base.execute("SELECT key FROM record_items WHERE kind = 'override' AND until IS NULL")
        new = {to_json(list(p)): v for p, v in (leaves(path, value) if value is not None else [])}
        for (key,) in live.fetchall():
            if touches(tuple(from_json(key)), path) and key not in new:
                self.close_item("override", key)
        for key, inner in new.items():
            self.item("override", key, inner)

    def change(self, change: Change) -> None:
        """One change of a save, looked at before.

        Raises
        ------
        DataError : a thing to be taken out that is not there
        """
        if isinstance(change, PutFeature):
            self.put(self._entry(change), change.role, came=change.file is not None)
        elif isinstance(change, DropFeature):
            if not self.close_feature(change.role, change.id):
                raise no_such(change.role, change.id)
            if change.role == "beds":
                self.override(("bed", change.id), None)
                self.close_item("runs", change.id)
        elif isinstance(change, SetOverride):
            self.override(change.path, change.value)
        elif isinstance(change, PutTape):
            self.item("tape", change.key, dict(change.row))
        elif isinstance(change, DropTape):
            if not self.close_item("tape", change.key):
                raise no_such("tapes", change.key)
        elif isinstance(change, PutRunNames):
            lines = [[name, base64.b64encode(line).decode("ascii")] for name, line in change.names.runs]
            self.item("runs", change.bed, {"runs": lines, "used": list(change.names.used)})
        elif isinstance(change, PutSource):
            if change.sha256 is None:
                self.close_item("source", change.file)
            else:
                self.item("source", change.file, change.sha256)

    # -- taking up what was --

    def as_at(self, to: int) -> None:
        """Make the newest state that of revision ``to``."""
        for role, name in self._differing("record_features", "role", "id", to):
            self.feature_as_at(role, name, to)
        for kind, key in self._differing("record_items", "kind", "key", to):
            self.item_as_at(kind, key, to)

    def _differing(self, table: str, one: str, two: str, to: int) -> list[tuple[str, str]]:
        """Things of which another row is live at ``to`` than now."""
        found = self.base.execute(
            f"SELECT {one}, {two}, place FROM {table} WHERE (until IS NULL) <> ({_LIVE}) "
            f"GROUP BY {one}, {two} ORDER BY {one}, max(place)",
            {"at": to},
        )
        return [(row[0], row[1]) for row in found]

    def feature_as_at(self, role: str, name: str, to: int) -> None:
        """Make one feature what it was at revision ``to``."""
        was = self.base.execute(
            f"SELECT place, facts, shape FROM record_features WHERE role = :r AND id = :i AND {_LIVE}",
            {"r": role, "i": name, "at": to},
        ).fetchone()
        self.close_feature(role, name)
        if was is not None:
            self.open_feature(role, name, *was)

    def item_as_at(self, kind: str, key: str, to: int) -> None:
        """Make one item what it was at revision ``to``."""
        was = self.base.execute(
            f"SELECT place, value FROM record_items WHERE kind = :k AND key = :i AND {_LIVE}",
            {"k": kind, "i": key, "at": to},
        ).fetchone()
        self.close_item(kind, key)
        if was is not None:
            self.open_item(kind, key, *was)

    def was_live(self, role: str, name: str, at: int) -> bool:
        """Whether there was a feature at a revision."""
        found = self.base.execute(
            f"SELECT 1 FROM record_features WHERE role = :r AND id = :i AND {_LIVE}",
            {"r": role, "i": name, "at": at},
        )
        return found.fetchone() is not None

    def beds_set_since(self, revision: int) -> dict[str, int]:
        """Beds for which there is a value set later than a revision, with the last that set one."""
        found = self.base.execute(
            "SELECT key, first FROM record_items WHERE kind = 'override' AND until IS NULL AND first > ?",
            (revision,),
        )
        made: dict[str, int] = {}
        for key, first in found:
            path = from_json(key)
            if path[0] == "bed" and len(path) > 1:
                made[path[1]] = max(first, made.get(path[1], 0))
        return made

    def changed_since(self, table: str, one: tuple[str, str], two: tuple[str, str], revision: int) -> int:
        """The last revision that changed a thing again; 0 where it is as ``revision`` left it.

        What was changed and brought back since is as it was left.

        Parameters
        ----------
        table : of the thing
        one, two : columns that name it, and their values
        """
        mine = f"FROM {table} WHERE {one[0]} = :one AND {two[0]} = :two"
        named = {"one": one[1], "two": two[1], "at": revision}
        left = self.base.execute(f"SELECT digest {mine} AND {_LIVE}", named).fetchone()
        if self.base.execute(f"SELECT digest {mine} AND until IS NULL", named).fetchone() == left:
            return 0
        (last,) = self.base.execute(f"SELECT max(max(first, ifnull(until, 0))) {mine}", named).fetchone()
        return int(last)

    def touched(self, revision: int) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
        """Features and items a revision changed.

        Left out are the attributes a role has, which only grow, and the names of runs, which follow the
        outlines.
        """
        made = []
        for table, one, two in (("record_features", "role", "id"), ("record_items", "kind", "key")):
            found = self.base.execute(
                f"SELECT DISTINCT {one}, {two} FROM {table} WHERE (first = :at OR until = :at) "
                f"AND {one} NOT IN ('columns', 'runs') ORDER BY {one}, {two}",
                {"at": revision},
            )
            made.append([(row[0], row[1]) for row in found])
        return made[0], made[1]


def brought_at(
    base: sqlite3.Connection, at: int, crs: Mapping[str, str], lineage: Iterable[int]
) -> dict[str, Features]:
    """Features as they were last brought in from files, on the way to a revision.

    Parameters
    ----------
    lineage : revisions that count: what was left behind by going back does not
    """
    counts = set(lineage)
    made = {}
    for role in ROLES:
        last: dict[str, tuple[str, str, bytes]] = {}
        for first, *row in base.execute(
            "SELECT first, id, facts, shape, digest FROM record_features "
            "WHERE role = ? AND first <= ? ORDER BY fid",
            (role, at),
        ):
            _check_digest(row.pop(), role, *row)
            if first in counts and from_json(row[1])["brought"]:
                last[row[0]] = (row[0], row[1], row[2])
        rows = list(last.values())
        made[role] = _features(role, crs[role], rows, [from_json(row[1]) for row in rows], ())
    return made


# -- reading ----------------------------------------------------------------------


def content_at(base: sqlite3.Connection, at: int, crs: Mapping[str, str]) -> Content:
    """What the record holds at a revision."""
    items: dict[str, dict[str, Any]] = {}
    for kind, key, value, digest in base.execute(
        f"SELECT kind, key, value, digest FROM record_items WHERE {_LIVE} ORDER BY kind, place, fid",
        {"at": at},
    ):
        _check_digest(digest, kind, key, value)
        items.setdefault(kind, {})[key] = from_json(value)
    columns = items.get("columns", {})
    features = {}
    edited: set[str] = set()
    for role in ROLES:
        rows = base.execute(
            f"SELECT id, facts, shape, digest FROM record_features WHERE role = :r AND {_LIVE} "
            "ORDER BY place, fid",
            {"r": role, "at": at},
        ).fetchall()
        for row in rows:
            _check_digest(row[3], role, *row[:3])
        facts = [from_json(row[1]) for row in rows]
        features[role] = _features(role, crs[role], rows, facts, columns.get(role, ()))
        if role == "beds":
            edited = {
                row[0]
                for row, known in zip(rows, facts, strict=True)
                if known["came"] is not None and known["came"] != digest_of(row[2])
            }
    tapes = items.get("tape", {})
    overrides = {tuple(from_json(key)): value for key, value in items.get("override", {}).items()}
    return Content(
        features=features,
        overrides=nested(overrides),
        tapes=tuple(tapes.values()),
        grid=items.get("grid", {}).get("", {}),
        tape_keys=tuple(tapes),
        sources=items.get("source", {}),
        dropped=_dropped(base, at, features["beds"]),
        edited=frozenset(edited),
        run_names={bed: _names(said) for bed, said in items.get("runs", {}).items()},
    )


def _names(said: Mapping[str, Any]) -> RunNames:
    runs = tuple((name, base64.b64decode(line)) for name, line in said["runs"])
    return RunNames(runs, tuple(said["used"]))


def _dropped(base: sqlite3.Connection, at: int, beds: Features) -> frozenset[str]:
    """Beds there were before a revision, and are not at it."""
    found = base.execute("SELECT DISTINCT id FROM record_features WHERE role = 'beds' AND first <= ?", (at,))
    return frozenset(row[0] for row in found) - frozenset(beds.ids.tolist())


def _features(
    role: str,
    crs: str,
    rows: Sequence[Sequence[Any]],
    facts: Sequence[dict[str, Any]],
    columns: Sequence[str],
) -> Features:
    table = rings_of_blobs([row[2] for row in rows])
    return Features(
        role=role,
        crs=crs,
        ids=column([row[0] for row in rows]),
        names=column([f["name"] for f in facts]),
        coords=table.coords,
        z=table.z,
        ring_offsets=table.offsets,
        ring_kind=table.kind,
        ring_feature=table.feature.astype(np.int64),
        file=column([f["file"] for f in facts]),
        row=np.array([f["row"] for f in facts], dtype=np.int64),
        attributes={
            name: column([f["attributes"].get(name) for f in facts])
            for name in dict.fromkeys([*columns, *(n for f in facts for n in f["attributes"])])
        },
    )
