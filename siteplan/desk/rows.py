"""Features as the page gets them."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from siteplan.desk.drawing import wire_places
from siteplan.desk.view import Box, boxes_of, meets, places
from siteplan.frame import Frame
from siteplan.model import Features, RingKind

KIND: Final = {
    RingKind.OUTER: "polygon",
    RingKind.ISLAND: "polygon",
    RingKind.LINE: "line",
    RingKind.POINT: "point",
}


def feature_rows(frame: Frame, role: str, table: Features, box: Box | None = None) -> list[dict[str, Any]]:
    """Features, those alone a box shows where one is given."""
    if not len(table):
        return []
    lonlat = wire_places(frame, table)
    wanted = np.ones(len(table), dtype=np.bool_)
    if box is not None:
        wanted[:] = False
        wanted[table.ring_feature[meets(boxes_of(lonlat, table.ring_offsets), box)]] = True
    rounded = places(lonlat)
    made: dict[int, dict[str, Any]] = {}
    for ring in np.flatnonzero(wanted[table.ring_feature]).tolist():
        k = int(table.ring_feature[ring])
        kind = int(table.ring_kind[ring])
        if k not in made:
            values = {name: plain(column[k]) for name, column in table.attributes.items()}
            made[k] = {
                "role": role,
                "id": str(table.ids[k]),
                "name": str(table.names[k]),
                "kind": KIND[RingKind(kind)],
                "rings": [],
                "kinds": [],
                "attributes": {name: value for name, value in values.items() if value is not None},
            }
        made[k]["rings"].append(rounded[table.ring_offsets[ring] : table.ring_offsets[ring + 1]])
        made[k]["kinds"].append(kind)
    return list(made.values())


def plain(value: Any) -> Any:
    """A value JSON can hold; the text of one it cannot."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not np.isfinite(value):
        return None
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    return str(value)
