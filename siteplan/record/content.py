"""What a record holds at one revision, and the changes that lead to the next one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

from siteplan.errors import DataError, Fault, SiteplanError
from siteplan.model import Features

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


@dataclass(frozen=True, slots=True)
class RunNames:
    """What the runs of one bed are called, so that they keep their ids when the bed is edited."""

    runs: tuple[tuple[str, bytes], ...]
    """id of each run of the bed's own laying line, and the line: longitude and latitude of each vertex in
    degrees on the site's datum, as little-endian numbers of 64 bits"""
    used: tuple[str, ...] = ()
    """ids of runs there were before, which no other run is given"""


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
    dropped: frozenset[str] = frozenset()
    """beds there were before and are not now"""
    edited: frozenset[str] = frozenset()
    """beds whose outline is not as it was brought in"""
    run_names: dict[str, RunNames] = field(default_factory=dict)
    """by bed, as they were when it was last planned for a revision"""

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
class PutRunNames:
    """What the runs of a bed are called from now on; see :mod:`siteplan.run_names`."""

    bed: str
    names: RunNames


@dataclass(frozen=True, slots=True)
class PutSource:
    """An input file as it was brought in; None: it is none any more."""

    file: str
    sha256: str | None


Change: TypeAlias = PutFeature | DropFeature | SetOverride | PutTape | DropTape | PutSource | PutRunNames


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
