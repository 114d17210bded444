"""Features for tests, built from shapely geometries without the intake."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siteplan.model import Features, RingKind
from siteplan.types import FloatArray


def features(geometries: Iterable[BaseGeometry], crs: str, *, role: str = "beds") -> Features:
    """Polygons (also multipart) and lines as Features, closing vertices dropped."""
    rings: list[FloatArray] = []
    kinds: list[int] = []
    owners: list[int] = []
    count = 0
    for k, geometry in enumerate(geometries):
        count = k + 1
        for part in shapely.get_parts(geometry):
            if part.geom_type == "Polygon":
                loops = [shapely.get_exterior_ring(part), *part.interiors]
                for j, loop in enumerate(loops):
                    rings.append(shapely.get_coordinates(loop)[:-1])
                    kinds.append(RingKind.ISLAND if j else RingKind.OUTER)
                    owners.append(k)
            else:
                rings.append(shapely.get_coordinates(part))
                kinds.append(RingKind.LINE if part.geom_type == "LineString" else RingKind.POINT)
                owners.append(k)
    coords = np.concatenate(rings) if rings else np.zeros((0, 2))
    ids = np.array([f"bed {k + 1}" for k in range(count)], dtype=object)
    return Features(
        role=role,
        crs=crs,
        ids=ids,
        names=ids,
        coords=coords,
        z=np.full(len(coords), np.nan),
        ring_offsets=np.concatenate([[0], np.cumsum([len(r) for r in rings])]).astype(np.int64),
        ring_kind=np.array(kinds, dtype=np.int8),
        ring_feature=np.array(owners, dtype=np.int64),
        file=np.array([f"{role}.geojson"] * count, dtype=object),
        row=np.arange(1, count + 1),
    )


def bed(coords: Sequence[Sequence[float]] | FloatArray, crs: str) -> Features:
    """One polygon."""
    return features([shapely.Polygon(coords)], crs)
