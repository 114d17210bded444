"""What an input file holds now, against what was brought in of it and what became of that in the record."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import shapely

from siteplan.convert import geometries
from siteplan.errors import DataError, Fault
from siteplan.frame import Frame
from siteplan.matching import match_beds
from siteplan.model import Features
from siteplan.record import RECORD_FILE, Change, DropFeature, PutFeature
from siteplan.record.blobs import blob_of, digest_of
from siteplan.record.plain import to_json
from siteplan.record.table import Entry, entry_of
from siteplan.types import IntArray, ObjectArray

Status = Literal["new", "changed", "gone", "kept", "same"]


@dataclass(frozen=True, slots=True)
class FeatureChange:
    """What the file says of one feature, and what becomes of it in the record."""

    role: str
    id: str
    name: str
    status: Status
    """``new``, ``changed`` and ``gone``: as the file has it now; ``kept``: the file and the record both
    changed, and the record's state stands; ``same``: not changed in the file"""
    text: str
    """what is different, in words"""


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One state of a feature."""

    entry: Entry
    digest: str
    facts: str

    @property
    def key(self) -> tuple[str, str, str]:
        return self.digest, self.facts, self.entry.name


def _sides(features: Features) -> dict[str, _Side]:
    made = {}
    for k in range(len(features)):
        entry = entry_of(features, k)
        digest = digest_of(blob_of(entry.rings, entry.kinds, 0))
        made[entry.id] = _Side(entry, digest, to_json(dict(sorted(entry.attributes.items()))))
    return made


def numbered(features: Features) -> bool:
    """Whether the ids are only the numbers of the features in their order: B1, B2 ..."""
    letter = features.role[0].upper()
    return bool(features.ids.tolist() == [f"{letter}{k + 1}" for k in range(len(features))])


def plane_shapes(features: Features, frame: Frame) -> ObjectArray:
    """Geometry of each feature in ground metres."""
    coords = frame.ground_xy(features.coords, features.crs) if len(features) else features.coords
    flat = replace(features, crs="", coords=coords, z=np.full(len(features.z), np.nan), attributes={})
    return geometries(flat)


def with_kept_ids(brought: Features, file: Features, frame: Frame, taken: frozenset[str]) -> Features:
    """The features of the file with the ids they have in the record.

    Ids that stand in the data are left as they are.  Where features are only numbered, one that is the
    same as before, or lies where one lay before, has the id of that one; others get a new number.

    Parameters
    ----------
    brought : as they were last brought in
    file : as the file has them now
    taken : ids a new feature cannot have
    """
    if not numbered(file) or not len(brought):
        return file
    partner = _partners(brought, file, frame)
    letter = file.role[0].upper()
    number = max([0, *(int(m[1]) for name in taken if (m := re.fullmatch(rf"{letter}(\d+)", name)))])
    ids, names = file.ids.copy(), file.names.copy()
    for k in range(len(file)):
        if partner[k] >= 0:
            ids[k] = brought.ids[partner[k]]
        else:
            number += 1
            ids[k] = f"{letter}{number}"
        if file.names[k] == file.ids[k]:
            names[k] = ids[k]
    return replace(file, ids=ids, names=names)


def _partners(brought: Features, file: Features, frame: Frame) -> IntArray:
    """(file,) feature brought in before that each one of the file is; -1 for none."""
    old, new = plane_shapes(brought, frame), plane_shapes(file, frame)
    partner = np.full(len(file), -1, dtype=np.int64)
    places: dict[bytes, list[int]] = {}
    for i, shape in enumerate(shapely.to_wkb(old)):
        places.setdefault(shape, []).append(i)
    for k, shape in enumerate(shapely.to_wkb(new)):
        if places.get(shape):
            partner[k] = places[shape].pop(0)
    left_new = np.flatnonzero(partner < 0)
    left_old = np.setdiff1d(np.arange(len(brought)), partner)
    if len(left_new) and len(left_old):
        found = match_beds(old[left_old], new[left_new], brought.ids[left_old], file.ids[left_new])
        # A number is no name: the same one in another place says nothing.
        near = shapely.dwithin(old[left_old[found.old]], new[left_new[found.new]], _NEAR_M)
        partner[left_new[found.new[near]]] = left_old[found.old[near]]
    return partner


_NEAR_M: Final = 0.5


def differences(
    brought: Features,
    record: Features,
    file: Features | None,
    *,
    frame: Frame,
    length: Any,
    prefer_file: bool = False,
) -> tuple[list[FeatureChange], list[Change]]:
    """What is to be done so that the record takes up what changed in the file.

    Parameters
    ----------
    brought : as last brought in
    record : as it stands in the record
    file : as the file has it now, ids kept; None where the site names no file of this role
    frame : of the site
    length : function that shows metres as text
    prefer_file : where the file and the record both changed a feature, the file's state is taken

    Raises
    ------
    DataError : a new feature has the id of one drawn at the desk
    """
    if file is None:
        return [], []
    was, now, new = _sides(brought), _sides(record), _sides(file)
    rows: list[FeatureChange] = []
    changes: list[Change] = []
    clashes: list[Fault] = []
    for name, side in new.items():
        before, here = was.get(name), now.get(name)
        if before is None and here is not None:
            clashes.append(_clash(record.role, side.entry))
        elif before is None:
            rows.append(_row(record.role, side, "new", _size(side, frame, file.crs, length)))
            changes.append(_put(record.role, side.entry))
        elif side.key == before.key:
            rows.append(_row(record.role, side, "same", "as before"))
        else:
            text = _told(before, side, frame, file.crs, length)
            untouched = here is not None and here.key == before.key
            if untouched or prefer_file:
                rows.append(_row(record.role, side, "changed", text))
                changes.append(_put(record.role, side.entry))
            else:
                why = "taken out" if here is None else "changed"
                rows.append(
                    _row(record.role, side, "kept", f"in the file {text}; {why} in the record, which stands")
                )
    for name, before in was.items():
        here = now.get(name)
        if name in new or here is None:
            continue
        if here.key == before.key or prefer_file:
            rows.append(_row(record.role, here, "gone", "not in the file any more"))
            changes.append(DropFeature(record.role, name))
        else:
            text = "not in the file any more; changed in the record, which stands"
            rows.append(_row(record.role, here, "kept", text))
    if clashes:
        raise DataError(*clashes)
    return rows, changes


def _row(role: str, side: _Side, status: Status, text: str) -> FeatureChange:
    return FeatureChange(role, side.entry.id, side.entry.name, status, text)


def _put(role: str, entry: Entry) -> PutFeature:
    return PutFeature(
        role, entry.id, entry.name, entry.rings, entry.kinds, entry.attributes, entry.file, entry.row
    )


def _clash(role: str, entry: Entry) -> Fault:
    return Fault(
        "id-taken",
        f'the file has a new "{entry.id}", and one of that id was drawn at the desk ({RECORD_FILE}, {role})',
        "Give one of the two another id",
        entry.file,
        entry.id,
    )


def _plane(side: _Side, frame: Frame, crs: str) -> tuple[Any, float]:
    """A feature in ground metres: all its vertices, and the length of its rings and lines."""
    rings = [frame.ground_xy(r[:, :2], crs) for r in side.entry.rings]
    total = 0.0
    for ring, kind in zip(rings, side.entry.kinds, strict=True):
        path = np.vstack([ring, ring[:1]]) if kind <= 1 else ring
        total += float(np.hypot(*np.diff(path, axis=0).T).sum())
    return shapely.MultiPoint(np.vstack(rings)), total


def _size(side: _Side, frame: Frame, crs: str, length: Any) -> str:
    return f"outline {length(_plane(side, frame, crs)[1])}"


def _told(before: _Side, after: _Side, frame: Frame, crs: str, length: Any) -> str:
    return "; ".join(_parts(before, after, frame, crs, length))


def _parts(before: _Side, after: _Side, frame: Frame, crs: str, length: Any) -> Iterator[str]:
    if before.digest != after.digest:
        (old, old_m), (new, new_m) = (_plane(s, frame, crs) for s in (before, after))
        moved = float(shapely.hausdorff_distance(old, new))
        counts = tuple(sum(len(r) for r in s.entry.rings) for s in (before, after))
        text = f"outline {length(old_m)}, now {length(new_m)}"
        if counts[0] != counts[1]:
            text += f", {counts[0]} vertices, now {counts[1]}"
        yield text + (
            f", vertices moved by up to {length(moved)}" if moved > 0 else ", heights or order of vertices"
        )
    # The attribute "name" is where the name comes from; it is told once.
    if before.entry.name != after.entry.name:
        yield f'name "{before.entry.name}", now "{after.entry.name}"'
    yield from _attributes(before.entry.attributes, after.entry.attributes)


def _attributes(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    names: Sequence[str] = list(dict.fromkeys([*before, *after]))
    for name in names:
        old, new = (to_json(side.get(name)) for side in (before, after))
        if old != new and name.casefold() != "name":
            shown = ["nothing" if text == "null" else text for text in (old, new)]
            yield f"{name} {shown[0]}, now {shown[1]}"
