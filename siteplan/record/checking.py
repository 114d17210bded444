"""Changes looked at before they are kept: what cannot stand in a record is refused with its place."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, UsageError
from siteplan.intake.faults import geometry_troubles
from siteplan.intake.features import ROLES
from siteplan.intake.ids import LONGEST_ID, opening_widths
from siteplan.intake.troubles import Trouble
from siteplan.model import RingKind
from siteplan.record.blobs import blob_of, wkb_of
from siteplan.record.content import (
    MAY_BE_SET,
    RECORD_FILE,
    Change,
    DropFeature,
    PutFeature,
    PutTape,
    SetOverride,
)
from siteplan.record.plain import to_json
from siteplan.record.table import column
from siteplan.types import FloatArray

_LEAST_VERTICES: Final = {
    RingKind.OUTER: 3, RingKind.ISLAND: 3, RingKind.LINE: 2, RingKind.POINT: 1,
}  # fmt: skip
_UNSPEAKABLE: Final = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


_KIND_WORDS: Final = {0: "ring", 1: "ring of an island", 2: "line", 3: "point"}


def checked(change: Change, *, drawn: bool = True) -> Change:
    """A change looked at by itself.

    Parameters
    ----------
    change : what is to be done
    drawn : look at the shape as the intake looks at a file's; not needed for what it has read already

    Raises
    ------
    DataError : what cannot be kept: a feature with too few vertices, numbers that are none, an id nobody can
        call out, values of a strange kind
    UsageError : a role, key or kind of ring there is not
    """
    if isinstance(change, (PutFeature, DropFeature)) and change.role not in ROLES:
        raise UsageError(f'role "{change.role}" is not known; it is one of {", ".join(ROLES)}')
    if isinstance(change, PutFeature):
        change = _checked_feature(change)
        return _checked_shape(change) if drawn else change
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


def _checked_shape(put: PutFeature) -> PutFeature:
    """What the intake would refuse in a file is refused here: outlines that cross themselves, and the like.

    The width of an opening is read as the intake reads it.
    """
    columns = {name: column([value]) for name, value in put.attributes.items()}
    wkb = column([wkb_of(blob_of(put.rings, put.kinds, 0))])
    _, _, troubles = geometry_troubles(wkb, np.zeros(0, dtype=np.int64), put.role)
    if put.role == "openings":
        points = np.array([tuple(put.kinds) == (RingKind.POINT,)])
        widths, found = opening_widths(columns, points)
        said = put.attributes.get("width_m")
        if not found and said is not None and widths[0] != said:
            what = f"its width is {put.attributes.get('width')!r}, and its width_m is {said!r}"
            found = [Trouble(0, "opening-width", what, "Give one of the two, or both alike")]
        troubles = [*troubles, *found]
        put = replace(put, attributes={**put.attributes, "width_m": widths[0]})
    fatal = [t for t in troubles if t.fatal]
    if fatal:
        label = f"{RECORD_FILE} ({put.role})"
        raise DataError(*(Fault(t.code, t.what, t.remedy, label, put.id, t.vertex) for t in fatal))
    return put


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
