"""Features and shapes taken apart and put together: tables of features as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from siteplan.model import Features, Shapes
from siteplan.planar import offsets_of, ragged
from siteplan.types import BoolArray, IntArray

Table = TypeVar("Table", Features, Shapes)


def vertices_of(table: Features | Shapes, keep: BoolArray) -> IntArray:
    """Vertices of some features, in their order."""
    ring = np.flatnonzero(keep[table.ring_feature])
    return ragged(table.ring_offsets[:-1][ring], np.diff(table.ring_offsets)[ring])


def taken(table: Table, keep: BoolArray) -> Table:
    """Some of the features, in the order they have.

    Parameters
    ----------
    table : n features
    keep : (n,)
    """
    return table if keep.all() else picked(table, np.flatnonzero(keep))


def picked(table: Table, index: IntArray) -> Table:
    """The features of the numbers given, in that order."""
    first, end = (np.searchsorted(table.ring_feature, index + step) for step in (0, 1))
    ring = ragged(first, end - first)
    size = np.diff(table.ring_offsets)[ring]
    vertex = ragged(table.ring_offsets[ring], size)
    changed: dict[str, Any] = {
        "ids": table.ids[index],
        "ring_offsets": offsets_of(size),
        "ring_kind": table.ring_kind[ring],
        "ring_feature": np.repeat(np.arange(len(index)), end - first),
    }
    if isinstance(table, Shapes):
        return replace(table, xy=table.xy[vertex], **changed)
    return replace(
        table,
        coords=table.coords[vertex],
        z=table.z[vertex],
        names=table.names[index],
        file=table.file[index],
        row=table.row[index],
        attributes={name: values[index] for name, values in table.attributes.items()},
        **changed,
    )


def joined(tables: Sequence[Table]) -> Table:
    """Tables of features one after the other.

    Parameters
    ----------
    tables : at least one, of one role and one CRS; attributes one of them lacks are None there
    """
    first = tables[0]
    if len(tables) == 1:
        return first
    before = np.cumsum([0, *(len(t) for t in tables[:-1])])

    def column(name: str) -> Any:
        return np.concatenate([getattr(t, name) for t in tables])

    changed: dict[str, Any] = {
        "ids": column("ids"),
        "ring_offsets": offsets_of(np.concatenate([np.diff(t.ring_offsets) for t in tables])),
        "ring_kind": column("ring_kind"),
        "ring_feature": np.concatenate([t.ring_feature + b for t, b in zip(tables, before, strict=True)]),
    }
    if isinstance(first, Shapes):
        return replace(first, xy=column("xy"), **changed)
    for name in ("coords", "z", "names", "file", "row"):
        changed[name] = column(name)
    names = dict.fromkeys(name for t in tables if isinstance(t, Features) for name in t.attributes)
    changed["attributes"] = {
        name: np.concatenate(
            [t.attributes.get(name, np.full(len(t), None)) for t in tables if isinstance(t, Features)]
        )
        for name in names
    }
    return replace(first, **changed)


def with_feature(table: Table, one: Table) -> Table:
    """A table with a feature in the place of the one that has its id, or behind the last.

    Parameters
    ----------
    table : n features
    one : a table of one feature
    """
    at = np.flatnonzero(table.ids == one.ids[0])
    if not len(at):
        return joined([table, one]) if len(table) else one
    if isinstance(table, Shapes) and isinstance(one, Shapes):
        rings = np.searchsorted(table.ring_feature, [at[0], at[0] + 1])
        spans = table.ring_offsets[rings[0] : rings[1] + 1]
        kinds = table.ring_kind[rings[0] : rings[1]]
        if np.array_equal(spans - spans[0], one.ring_offsets) and np.array_equal(kinds, one.ring_kind):
            # vertices moved and nothing else: the tables beside them stay
            xy = table.xy.copy()
            xy[spans[0] : spans[-1]] = one.xy
            return replace(table, xy=xy)
    number = np.arange(len(table))
    parts = [taken(table, number < at[0]), one, taken(table, number > at[0])]
    return joined([p for p in parts if len(p)])


def without(table: Table, feature_id: str) -> Table:
    """A table without the feature of this id."""
    return taken(table, table.ids != feature_id)
