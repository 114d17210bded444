"""Features as single entries, and put together from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from siteplan.model import Features
from siteplan.types import FloatArray, ObjectArray


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """One feature by itself."""

    id: str
    name: str
    rings: tuple[FloatArray, ...]
    """(k, 2) or (k, 3) each, closed ones without the repeated vertex"""
    kinds: tuple[int, ...]
    attributes: Mapping[str, Any]
    file: str
    row: int


def column(values: Sequence[object]) -> ObjectArray:
    """Values as an object array, lists among them as they are."""
    made = np.empty(len(values), dtype=object)
    for k, value in enumerate(values):
        made[k] = value
    return made


def features_of(role: str, crs: str, entries: Sequence[Entry], columns: Sequence[str] = ()) -> Features:
    """Features from single entries.

    Parameters
    ----------
    columns : attributes to have, in order; further ones of the entries follow
    """
    rings = [ring for e in entries for ring in e.rings]
    counts = [len(r) for r in rings]
    names = list(dict.fromkeys([*columns, *(name for e in entries for name in e.attributes)]))
    return Features(
        role=role,
        crs=crs,
        ids=column([e.id for e in entries]),
        names=column([e.name for e in entries]),
        coords=np.vstack([r[:, :2] for r in rings]) if rings else np.empty((0, 2)),
        z=np.concatenate([r[:, 2] if r.shape[1] == 3 else np.full(len(r), np.nan) for r in rings])
        if rings
        else np.empty(0),
        ring_offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        ring_kind=np.array([k for e in entries for k in e.kinds], dtype=np.int8),
        ring_feature=np.repeat(np.arange(len(entries)), [len(e.rings) for e in entries]).astype(np.int64),
        file=column([e.file for e in entries]),
        row=np.array([e.row for e in entries], dtype=np.int64),
        attributes={name: column([e.attributes.get(name) for e in entries]) for name in names},
    )


def entry_of(features: Features, k: int) -> Entry:
    """Feature number ``k`` by itself; attributes without a value are left out."""
    first, end = np.searchsorted(features.ring_feature, [k, k + 1]).tolist()
    rings = []
    for ring in range(first, end):
        here = slice(int(features.ring_offsets[ring]), int(features.ring_offsets[ring + 1]))
        xy, z = features.coords[here], features.z[here]
        rings.append(xy if np.isnan(z).all() else np.column_stack([xy, z]))
    return Entry(
        id=str(features.ids[k]),
        name=str(features.names[k]),
        rings=tuple(rings),
        kinds=tuple(features.ring_kind[first:end].tolist()),
        attributes={n: v[k] for n, v in features.attributes.items() if v[k] is not None},
        file=str(features.file[k]),
        row=int(features.row[k]),
    )


def entries_of(features: Features) -> list[Entry]:
    """Every feature by itself."""
    return [entry_of(features, k) for k in range(len(features))]
