"""Several field files as one: what each of them adds, and where they disagree.

The rules are those of the crew page (docs/crew-page.md), so that a phone that merged the files shows
what this reads: of the ticks of a piece the later one holds; where both are of the same second, laid
goes before taken back, then the greater phone.  Everything else has an id: the later record of an
id holds, taken back goes first among equals.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from siteplan.asbuilt.records import FieldFile, Left, Lot, Note, Noted, Spell, Taped, Tick
from siteplan.errors import DataError, Fault, Finding

SHOWN: Final = 6


@dataclass(frozen=True, slots=True)
class Sheaf:
    """Field files of one site, merged but for their ticks.  Lists hold what counts, in order of time."""

    files: tuple[FieldFile, ...]
    labels: tuple[str, ...]
    lengths: tuple[Taped, ...]
    """the latest of each run and leg"""
    notes: tuple[Note, ...]
    broken: tuple[Lot, ...]
    extra: tuple[Lot, ...]
    leftover: tuple[Left, ...]
    """the latest of each code"""
    times: tuple[Spell, ...]
    people: dict[str, str]
    """phone to the name somebody gave it"""
    findings: tuple[Finding, ...]

    def name_of(self, phone: str) -> str:
        """Name of a phone's owner, else the phone's own id."""
        return self.people.get(phone) or phone


Item = TypeVar("Item", bound=Noted)


def listed(names: Iterable[str], most: int = SHOWN) -> str:
    """The first names, and how many more there are."""
    all_of = [name if len(name) <= 60 else name[:59] + "…" for name in names]
    return ", ".join(all_of[:most]) + (f" and {len(all_of) - most} more" if len(all_of) > most else "")


def _union(lists: Iterable[Iterable[Item]]) -> list[Item]:
    """Records by id, later ones first to hold; what was taken back is left out; in order of time."""
    held: dict[str, Item] = {}
    for record in (r for one in lists for r in one):
        before = held.get(record.id)
        if before is None or _rank(record) > _rank(before):
            held[record.id] = record
    kept = [r for r in held.values() if not r.removed]
    return sorted(kept, key=lambda r: (r.when, r.id))


def _rank(record: Noted) -> tuple[float, bool, str]:
    return record.when.timestamp(), record.removed, record.by


def _latest(records: Sequence[Item], key: Callable[[Item], str]) -> dict[str, list[Item]]:
    """Records of each key, the one that counts last."""
    made: dict[str, list[Item]] = {}
    for record in records:
        made.setdefault(key(record), []).append(record)
    return made


def merge(files: Sequence[FieldFile], labels: Sequence[str], site: str, digest: str) -> Sheaf:
    """Field files of one site together.

    Parameters
    ----------
    files, labels : the files, and what to call them
    site : name of the site, as its settings have it
    digest : hash of the plan; a file of this very plan is of this site whatever it is called now

    Raises
    ------
    DataError : files of another site, each named
    """
    strangers = [
        Fault(
            "another-site",
            f'the field file is of the site "{file.site[:80]}", not of "{site[:80]}"',
            "Name the folder of that site; if this site was renamed, plan it once under its old name",
            label,
        )
        for file, label in zip(files, labels, strict=True)
        if file.site != site and file.plan != digest
    ]
    if strangers:
        raise DataError(*strangers)
    found: list[Finding] = [
        Finding("site-renamed", "notice", f'{label} is of this plan, but calls the site "{file.site[:80]}".')
        for file, label in zip(files, labels, strict=True)
        if file.site != site
    ]
    lengths = _latest(_union(f.lengths for f in files), lambda r: f"{r.what} {r.of}")
    left = _latest(_union(f.leftover for f in files), lambda r: r.code)
    for word, groups, said in (
        ("as-laid lengths", lengths, lambda r: r.text),
        ("counts of leftover stock", left, lambda r: str(r.count)),
    ):
        torn = [
            f"{name} ({' and '.join(dict.fromkeys(said(r)[:20] for r in rows))})"
            for name, rows in groups.items()
            if len({said(r) for r in rows}) > 1 and len({r.by for r in rows}) > 1
        ]
        if torn:
            found.append(
                Finding(
                    "conflict",
                    "notice",
                    f"Two phones give different {word}: {listed(torn)}. The latest counts.",
                )
            )
    people: dict[str, str] = {}
    for file in sorted(files, key=lambda f: (f.saved, f.phone)):
        people.update({phone: name for phone, name in file.phones.items() if name})
    return Sheaf(
        files=tuple(files),
        labels=tuple(labels),
        lengths=tuple(rows[-1] for rows in lengths.values()),
        notes=tuple(_union(f.notes for f in files)),
        broken=tuple(_union(f.broken for f in files)),
        extra=tuple(_union(f.extra for f in files)),
        leftover=tuple(rows[-1] for rows in left.values()),
        times=tuple(_union(f.times for f in files)),
        people=people,
        findings=tuple(found),
    )


def holds_over(tick: Tick, other: Tick) -> bool:
    """Whether of two ticks of one piece this one holds."""
    return (tick.when.timestamp(), tick.laid, tick.by) > (other.when.timestamp(), other.laid, other.by)
