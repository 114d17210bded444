"""What a record holds at one revision, and the changes that lead to the next one."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, TypeAlias

import numpy as np

from siteplan.errors import DataError, Fault, SiteplanError, UsageError
from siteplan.intake.features import ROLES
from siteplan.intake.ids import LONGEST_ID
from siteplan.model import Features, RingKind
from siteplan.record.plain import to_json
from siteplan.record.table import Entry, features_of, joined, take
from siteplan.types import FloatArray, IntArray

RECORD_FILE: Final = "record.gpkg"
"""name of the record in the folder of a site, and of the file drawn features come from"""

MAY_BE_SET: Final = frozenset(
    (
        "line", "length_basis", "slope_by", "show", "outline", "heights", "fit", "corners", "spares", "order",
        "phase", "groundwork", "bed", "run", "courses", "movement_joints", "row", "edge_owner", "reconcile",
        "stakeout",
    )
)  # fmt: skip
"""Keys of ``site.toml`` a record may overrule.  Where the inputs lie, the grid and the control points are
not among them: these are said in ``site.toml`` only."""

_LEAST_VERTICES: Final = {
    RingKind.OUTER: 3, RingKind.ISLAND: 3, RingKind.LINE: 2, RingKind.POINT: 1,
}  # fmt: skip
_UNSPEAKABLE: Final = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


# -- revisions and what they hold -----------------------------------------------------


@dataclass(frozen=True, slots=True)
class Revision:
    """One state of the record, and who made it."""

    number: int
    """from 1, without gaps"""
    who: str
    when: str
    """UTC, as ISO 8601 text: ``2026-05-04T09:30:00Z``"""
    what: str
    back_to: int | None = None
    """the revision whose content this one took up again"""
    etag: str = ""
    """changes with every revision, and is not the same in another record"""


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """What the record holds at one revision."""

    features: dict[str, Features]
    """``beds``, ``abutments`` and ``openings``, each also where there is none of it.  ``file`` and ``row``
    are those of the input a feature came from; one drawn at the desk has the record's name, and 0"""
    overrides: dict[str, Any] = field(default_factory=dict)
    """values that go before those of ``site.toml``, in its shape"""
    tapes: tuple[dict[str, str], ...] = ()
    """readings, with the columns of ``[[tape]]``"""
    grid: dict[str, Any] = field(default_factory=dict)
    """``centre_lonlat``: the middle the site's grid was made for, degrees on the site's datum"""
    tape_keys: tuple[str, ...] = ()
    """of each reading"""
    sources: dict[str, str] = field(default_factory=dict)
    """input file, and the SHA-256 it had when it was brought in"""

    @property
    def is_empty(self) -> bool:
        """True where there is no bed: nothing can be planned yet, but beds can be drawn."""
        return not len(self.features["beds"])


class Conflict(SiteplanError):  # noqa: N818 - it is no mistake of anybody
    """Somebody else has saved in the meantime; nothing of this save was kept.

    Parameters
    ----------
    head : the newest revision, with who made it and when
    base : the revision the save started from
    """

    def __init__(self, head: Revision, base: int) -> None:
        self.revision = head
        self.head = head.number
        self.base = base
        self.who = head.who
        self.when = head.when
        self.what = head.what
        super().__init__(
            f"the record is at revision {head.number} ({head.who}, {head.when}: {head.what}), and this "
            f"change was made on revision {base}; nothing was saved. Look at the newer revision, then make "
            "the change again"
        )


# -- changes --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class PutFeature:
    """A feature as it is to be: a new one, or in place of the one of that id."""

    role: str
    id: str
    name: str
    rings: Sequence[Any]
    """(k, 2) or (k, 3) each, in the CRS of the role, x first; closed ones without the repeated vertex"""
    kinds: Sequence[int]
    """RingKind of each ring; every island after its outer ring"""
    attributes: Mapping[str, Any] = field(default_factory=dict)
    file: str | None = None
    """where it comes from; not given: as before, else the record itself"""
    row: int | None = None


@dataclass(frozen=True, slots=True)
class DropFeature:
    """A feature taken out.  The values set for a bed (``bed.ID.*``) go with it."""

    role: str
    id: str


@dataclass(frozen=True, slots=True)
class SetOverride:
    """A value that goes before that of ``site.toml``; None: ``site.toml`` is heard again."""

    path: tuple[str, ...]
    value: Any


@dataclass(frozen=True, slots=True)
class PutTape:
    """A tape reading, new or in place of that of its key."""

    key: str
    row: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class DropTape:
    """A tape reading taken out."""

    key: str


@dataclass(frozen=True, slots=True)
class PutSource:
    """An input file as it was brought in; None: it is none any more."""

    file: str
    sha256: str | None


Change: TypeAlias = PutFeature | DropFeature | SetOverride | PutTape | DropTape | PutSource


def checked(change: Change) -> Change:
    """A change looked at by itself.

    Raises
    ------
    DataError : what cannot be kept: a feature with too few vertices, numbers that are none, an id nobody can
        call out, values of a strange kind
    UsageError : a role, key or kind of ring there is not
    """
    if isinstance(change, (PutFeature, DropFeature)) and change.role not in ROLES:
        raise UsageError(f'role "{change.role}" is not known; it is one of {", ".join(ROLES)}')
    if isinstance(change, PutFeature):
        return _checked_feature(change)
    if isinstance(change, SetOverride):
        _check_path(change)
    elif isinstance(change, PutTape):
        wrong = [k for k, v in change.row.items() if not isinstance(k, str) or not isinstance(v, str)]
        if wrong or not change.key or not isinstance(change.key, str):
            raise UsageError("a tape reading has a key, and columns of text")
        to_json(change.row)
    return change


def _checked_feature(put: PutFeature) -> PutFeature:
    def fault(code: str, what: str, remedy: str, vertex: int | None = None) -> DataError:
        return DataError(Fault(code, what, remedy, f"{RECORD_FILE} ({put.role})", str(put.id), vertex))

    if not isinstance(put.id, str) or not put.id.strip() or len(put.id) > LONGEST_ID:
        raise fault("bad-id", f"an id is text of 1 to {LONGEST_ID} characters", "Give it another id")
    if _UNSPEAKABLE.search(put.id):
        raise fault(
            "id-control-character",
            "its id holds a line break or a control character",
            "Take it out of the id",
        )
    kinds = [int(k) for k in put.kinds]
    if len(kinds) != len(put.rings) or not kinds:
        raise UsageError(f"{len(put.rings)} rings and {len(kinds)} kinds of ring")
    unknown = [k for k in kinds if k not in set(RingKind)]
    if unknown:
        raise UsageError(f"there is no kind of ring {unknown[0]}")
    if put.role != "openings" and RingKind.POINT in kinds:
        raise fault("point", "it is a point, and only openings may be points", "Draw a line or an outline")
    rings: list[FloatArray] = []
    number = 1
    for place, (given, kind) in enumerate(zip(put.rings, kinds, strict=True)):
        ring = np.array(given, dtype=np.float64)
        if ring.ndim != 2 or ring.shape[1] not in (2, 3):
            raise UsageError("a ring is a list of places of two or three numbers")
        bad = np.flatnonzero(~np.isfinite(ring[:, :2]).all(axis=1))
        if len(bad):
            raise fault(
                "not-finite", "a coordinate is not a number", "Draw the vertex again", number + int(bad[0])
            )
        least = _LEAST_VERTICES[RingKind(kind)]
        if len(ring) < least or (kind == RingKind.POINT and len(ring) > 1):
            raise fault(
                "too-few-vertices",
                f"a {_KIND_WORDS[kind]} has {len(ring)} vertices, and it takes "
                f"{'one' if kind == RingKind.POINT else f'at least {least}'}",
                "Draw it again, or leave it out",
                number,
            )
        if kind == RingKind.ISLAND and (
            place == 0 or kinds[place - 1] not in (RingKind.OUTER, RingKind.ISLAND)
        ):
            raise fault("island-alone", "an island has no outline round it", "Draw the outline first", number)
        number += len(ring)
        rings.append(ring)
    to_json(dict(put.attributes))
    to_json(put.name)
    return replace(put, rings=tuple(rings), kinds=tuple(kinds))


_KIND_WORDS: Final = {0: "ring", 1: "ring of an island", 2: "line", 3: "point"}


def _check_path(change: SetOverride) -> None:
    path = change.path
    if not path or not all(isinstance(step, str) and step for step in path):
        raise UsageError("the key of a value is a list of words")
    if path[0] not in MAY_BE_SET:
        raise UsageError(
            f"{'.'.join(path)} cannot be set in the record; it is said in site.toml. "
            f"What can be set: {', '.join(sorted(MAY_BE_SET))}"
        )
    to_json(change.value)


def leaves(path: tuple[str, ...], value: Any) -> list[tuple[tuple[str, ...], Any]]:
    """A value, or every value in a table, with its key."""
    if not isinstance(value, Mapping):
        return [(path, value)]
    return [leaf for key, inner in value.items() for leaf in leaves((*path, str(key)), inner)]


def nested(flat: Mapping[tuple[str, ...], Any]) -> dict[str, Any]:
    """Values by key as tables in tables."""
    made: dict[str, Any] = {}
    for path, value in flat.items():
        table = made
        for step in path[:-1]:
            table = table.setdefault(step, {})
        table[path[-1]] = value
    return made


# -- applying changes -----------------------------------------------------------------


def applied(content: Content, changes: Sequence[Change]) -> Content:
    """The content after changes that are not saved: what :meth:`Record.save` would make of them.

    Raises
    ------
    DataError, UsageError : as the save would
    """
    features = dict(content.features)
    flat = dict(leaves((), content.overrides))
    tapes = dict(zip(content.tape_keys, content.tapes, strict=True))
    sources = dict(content.sources)
    puts: dict[str, dict[str, Entry | None]] = {}
    for given in changes:
        change = checked(given)
        if isinstance(change, PutFeature):
            held = puts.setdefault(change.role, {})
            held[change.id] = _entry(features[change.role], held, change)
        elif isinstance(change, DropFeature):
            held = puts.setdefault(change.role, {})
            known = (
                held[change.id] is not None
                if change.id in held
                else _at(features[change.role], change.id) >= 0
            )
            if not known:
                raise no_such(change.role, change.id)
            held[change.id] = None
            if change.role == "beds":
                flat = {p: v for p, v in flat.items() if p[:2] != ("bed", change.id)}
        elif isinstance(change, SetOverride):
            flat = {p: v for p, v in flat.items() if not touches(p, change.path)}
            flat.update(leaves(change.path, change.value) if change.value is not None else [])
        elif isinstance(change, PutTape):
            tapes[change.key] = dict(change.row)
        elif isinstance(change, DropTape):
            if change.key not in tapes:
                raise no_such("tapes", change.key)
            del tapes[change.key]
        elif change.sha256 is None:
            sources.pop(change.file, None)
        else:
            sources[change.file] = change.sha256
    for role, held in puts.items():
        features[role] = _merged(features[role], held)
    return Content(features, nested(flat), tuple(tapes.values()), content.grid, tuple(tapes), sources)


def touches(path: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Whether one key is the other, or lies in its table."""
    short = min(len(path), len(other))
    return path[:short] == other[:short]


def no_such(role: str, name: str) -> DataError:
    """The fault of a thing that is to be taken out and is not there."""
    word = {"beds": "bed", "abutments": "abutment", "openings": "opening", "tapes": "tape reading"}[role]
    return DataError(
        Fault("no-such-feature", f'there is no {word} "{name}"', "Look at the newest revision", RECORD_FILE)
    )


def _at(features: Features, name: str) -> int:
    found = np.flatnonzero(features.ids == name)
    return int(found[0]) if len(found) else -1


def _entry(features: Features, held: Mapping[str, Entry | None], put: PutFeature) -> Entry:
    """The feature put, with the file and row it had."""
    file, row = RECORD_FILE, 0
    before, k = held.get(put.id), _at(features, put.id)
    if before is not None:
        file, row = before.file, before.row
    elif put.id not in held and k >= 0:
        file, row = str(features.file[k]), int(features.row[k])
    return Entry(
        id=put.id,
        name=put.name,
        rings=tuple(put.rings),
        kinds=tuple(put.kinds),
        attributes=dict(put.attributes),
        file=file if put.file is None else put.file,
        row=row if put.row is None else put.row,
    )


def _merged(features: Features, held: Mapping[str, Entry | None]) -> Features:
    """Features with some replaced where they stand, some taken out, some added at the end."""
    places = {name: _at(features, name) for name in held}
    entries = [e for e in held.values() if e is not None]
    both = joined(features, features_of(features.role, features.crs, entries))
    order: IntArray = np.arange(len(features))
    added = []
    for number, entry in enumerate(entries, start=len(features)):
        if places[entry.id] >= 0:
            order[places[entry.id]] = number
        else:
            added.append(number)
    gone = [places[name] for name, e in held.items() if e is None and places[name] >= 0]
    order = np.concatenate([np.delete(order, gone), np.array(added, dtype=np.int64)])
    return take(both, order)
