"""Changes applied in memory, without saving them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from siteplan.model import Features
from siteplan.record.checking import checked
from siteplan.record.content import (
    RECORD_FILE,
    Change,
    Content,
    DropFeature,
    DropTape,
    PutFeature,
    PutRunNames,
    PutTape,
    SetOverride,
    leaves,
    nested,
    no_such,
    touches,
)
from siteplan.record.table import Entry, entry_of, features_of
from siteplan.tables import joined, picked
from siteplan.types import IntArray


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
    names = dict(content.run_names)
    puts: dict[str, dict[str, Entry | None]] = {}
    columns: dict[str, list[str]] = {}
    came: set[str] = set()
    for given in changes:
        change = checked(given)
        if isinstance(change, PutFeature):
            held = puts.setdefault(change.role, {})
            held[change.id] = _entry(features[change.role], held, change)
            columns.setdefault(change.role, []).extend(change.attributes)
            if change.role == "beds" and change.file is not None:
                came.add(change.id)
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
                names.pop(change.id, None)
        elif isinstance(change, SetOverride):
            flat = {p: v for p, v in flat.items() if not touches(p, change.path)}
            flat.update(leaves(change.path, change.value) if change.value is not None else [])
        elif isinstance(change, PutTape):
            tapes[change.key] = dict(change.row)
        elif isinstance(change, DropTape):
            if change.key not in tapes:
                raise no_such("tapes", change.key)
            del tapes[change.key]
        elif isinstance(change, PutRunNames):
            names[change.bed] = change.names
        elif change.sha256 is None:
            sources.pop(change.file, None)
        else:
            sources[change.file] = change.sha256
    beds = puts.get("beds", {})
    here = {name for name, e in beds.items() if e is not None}
    # One that was put and taken out again in the same breath never was.
    were_there = beds.keys() & set(features["beds"].ids.tolist())
    changed = {name for name in here - came if _reshaped(features["beds"], beds[name])}
    for role, held in puts.items():
        features[role] = _merged(features[role], held, columns.get(role, ()))
    return Content(
        features=features,
        overrides=nested(flat),
        tapes=tuple(tapes.values()),
        grid=content.grid,
        tape_keys=tuple(tapes),
        sources=sources,
        dropped=(content.dropped | were_there) - here,
        run_names=names,
        edited=(content.edited - beds.keys()) | changed | ((content.edited & here) - came),
    )


def _reshaped(features: Features, entry: Entry | None) -> bool:
    """Whether a bed that was brought in has another shape now."""
    k = -1 if entry is None else _at(features, entry.id)
    if entry is None or k < 0:
        return False
    before = entry_of(features, k)
    if str(features.file[k]) == RECORD_FILE:
        return False
    return before.kinds != tuple(entry.kinds) or not all(
        a.shape == b.shape and np.array_equal(a, b, equal_nan=True)
        for a, b in zip(before.rings, entry.rings, strict=True)
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


def _merged(features: Features, held: Mapping[str, Entry | None], columns: Sequence[str]) -> Features:
    """Features with some replaced where they stand, some taken out, some added at the end."""
    places = {name: _at(features, name) for name in held}
    entries = [e for e in held.values() if e is not None]
    both = joined([features, features_of(features.role, features.crs, entries, columns)])
    order: IntArray = np.arange(len(features))
    added = []
    for number, entry in enumerate(entries, start=len(features)):
        if places[entry.id] >= 0:
            order[places[entry.id]] = number
        else:
            added.append(number)
    gone = [places[name] for name, e in held.items() if e is None and places[name] >= 0]
    order = np.concatenate([np.delete(order, gone), np.array(added, dtype=np.int64)])
    return picked(both, order)
