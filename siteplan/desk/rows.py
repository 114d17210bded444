"""Features as the page gets them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np

from siteplan.desk.drawing import wire_places
from siteplan.desk.view import Box, boxes_of, meets, rounded
from siteplan.frame import Frame
from siteplan.model import Features, RingKind
from siteplan.types import FloatArray, LonLatArray

KIND: Final = {
    RingKind.OUTER: "polygon",
    RingKind.ISLAND: "polygon",
    RingKind.LINE: "line",
    RingKind.POINT: "point",
}


def feature_rows(frame: Frame, role: str, table: Features) -> list[dict[str, Any]]:
    """Features."""
    return Sent(frame, role, table).within(None)


@dataclass(frozen=True, eq=False)
class Sent:
    """The features of a role as the page gets them: each is put into words once."""

    frame: Frame
    role: str
    table: Features
    _made: dict[int, dict[str, Any]] = field(default_factory=dict)

    def within(self, box: Box | None) -> list[dict[str, Any]]:
        """Features a box shows; all of them where there is none."""
        if not len(self.table):
            return []
        of = self.table.ring_feature
        return [self._row(k) for k in np.unique(of if box is None else of[meets(self._boxes, box)]).tolist()]

    @cached_property
    def _places(self) -> LonLatArray:
        return rounded(wire_places(self.frame, self.table))

    @cached_property
    def _boxes(self) -> FloatArray:
        return boxes_of(self._places, self.table.ring_offsets)

    @cached_property
    def _first_ring(self) -> list[int]:
        found: list[int] = np.searchsorted(self.table.ring_feature, np.arange(len(self.table) + 1)).tolist()
        return found

    def _row(self, k: int) -> dict[str, Any]:
        made = self._made.get(k)
        if made is None:
            table = self.table
            rings = range(*self._first_ring[k : k + 2])
            values = {name: plain(column[k]) for name, column in table.attributes.items()}
            made = self._made[k] = {
                "role": self.role,
                "id": str(table.ids[k]),
                "name": str(table.names[k]),
                "kind": KIND[RingKind(table.ring_kind[rings[0]])],
                "rings": [
                    self._places[table.ring_offsets[r] : table.ring_offsets[r + 1]].tolist() for r in rings
                ],
                "kinds": [int(table.ring_kind[r]) for r in rings],
                "attributes": {name: value for name, value in values.items() if value is not None},
            }
        return made


def plain(value: Any) -> Any:
    """A value JSON can hold; the text of one it cannot."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not np.isfinite(value):
        return None
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    return str(value)
