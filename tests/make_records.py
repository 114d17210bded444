"""Records and features for the tests of the record."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from siteplan.model import Features
from siteplan.record import Content, PutFeature, Record
from siteplan.record.table import Entry, features_of

CRS = "EPSG:26916"
GRID = {"centre_lonlat": [-87.0, 41.0]}
SQUARE = [
    (500_000.1, 4_500_000.2),
    (500_010.3, 4_500_000.2),
    (500_010.3, 4_500_006.7),
    (500_000.1, 4_500_006.7),
]


def square(east: float = 0.0, north: float = 0.0) -> np.ndarray:
    made: np.ndarray = np.array(SQUARE) + np.array([east, north])
    return made


def entry(name: str, *rings: Any, kinds: tuple[int, ...] = (0,), **attributes: Any) -> Entry:
    made = tuple(np.asarray(r, dtype=np.float64) for r in (rings or (square(),)))
    return Entry(name, f"Bed {name}", made, kinds, attributes, "beds.geojson", 1)


def beds(*entries: Entry, role: str = "beds", crs: str = CRS) -> Features:
    return features_of(role, crs, entries)


def put(
    name: str, *rings: Any, kinds: tuple[int, ...] = (0,), role: str = "beds", **attributes: Any
) -> PutFeature:
    return PutFeature(role, name, f"Bed {name}", rings or (square(),), kinds, attributes)


def new_record(folder: Path, *entries: Entry, **more: Any) -> Record:
    return Record.create(
        folder / "record.gpkg",
        {"beds": beds(*(entries or (entry("B1"), entry("B2", square(20)))))},
        who="Ann",
        what="begun",
        sources={"beds.geojson": "00"},
        grid=GRID,
        **more,
    )


def assert_same_features(a: Features, b: Features) -> None:
    """Equal to the last bit."""
    assert (a.role, a.crs) == (b.role, b.crs)
    for name in ("ids", "names", "file"):
        assert getattr(a, name).tolist() == getattr(b, name).tolist(), name
    for name in ("coords", "ring_offsets", "ring_kind", "ring_feature", "row"):
        one, two = getattr(a, name), getattr(b, name)
        assert one.dtype == two.dtype, name
        assert one.tobytes() == two.tobytes(), name
    assert np.array_equal(a.z, b.z, equal_nan=True)
    assert list(a.attributes) == list(b.attributes)
    for name, values in a.attributes.items():
        for one, two in zip(values, b.attributes[name], strict=True):
            assert type(one) is type(two), name
            assert one == two or (isinstance(one, float) and math.isnan(one) and math.isnan(two)), name


def assert_same_content(a: Content, b: Content) -> None:
    for role in ("beds", "abutments", "openings"):
        assert_same_features(a.features[role], b.features[role])
    assert (a.overrides, a.tapes, a.tape_keys, a.grid, a.sources) == (
        b.overrides, b.tapes, b.tape_keys, b.grid, b.sources,
    )  # fmt: skip
    assert (a.dropped, a.edited) == (b.dropped, b.edited)
