"""Inputs of any format written as one clean GeoPackage that reads back to the same outlines.

GeoPackage is OGC standard 12-128.  The file is written beside its place under another name and
takes the name when it is complete.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from pyogrio import raw, set_gdal_config_options
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError

from siteplan.errors import OutputError, UsageError
from siteplan.model import Features, RingKind
from siteplan.types import BoolArray, IntArray, ObjectArray

PINNED_DATE: Final = "2000-01-01T00:00:00Z"
_BIGGEST: Final = 2**63
_WRITE_ERRORS: Final = (
    DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError, OSError,
)  # fmt: skip


_BUNDLES: Final[dict[RingKind, Any]] = {
    RingKind.OUTER: shapely.MultiPolygon,
    RingKind.LINE: shapely.MultiLineString,
    RingKind.POINT: shapely.MultiPoint,
}


@dataclass(frozen=True, slots=True)
class Converted:
    """What was written."""

    path: Path
    layers: dict[str, int]
    """features in each layer"""
    renamed: tuple[tuple[str, str, str], ...]
    """layer, attribute, and the column it went to, where its name was taken"""


def convert(
    roles: Mapping[str, Features], out: Path, *, inputs: Iterable[Path] = (), replace: bool = False
) -> Converted:
    """Write features as a GeoPackage, a layer for each role, in the CRS they came in.

    Parameters
    ----------
    roles : features by role
    out : file to make, ``.gpkg``
    inputs : files that were read; none of them is ever written over
    replace : whether a file of that name may be replaced

    Raises
    ------
    UsageError : a name that does not end in ``.gpkg``
    OutputError : it exists and ``replace`` is not given; it is one of the inputs; it cannot be written
    """
    if out.suffix.lower() != ".gpkg":
        raise UsageError(f'"{out}" does not end in .gpkg: convert writes GeoPackages only')
    if out.exists():
        if any(p.exists() and p.samefile(out) for p in inputs):
            raise OutputError(f'"{out}" is one of the inputs; write to another file')
        if not replace:
            raise OutputError(f'"{out}" is there already; give --replace to replace it')
        if not out.is_file():
            raise OutputError(f'"{out}" is not a file')
    renamed: list[tuple[str, str, str]] = []
    try:
        with tempfile.TemporaryDirectory(prefix=".partial-", dir=out.parent) as folder:
            partial = Path(folder) / out.name
            for number, (role, features) in enumerate(roles.items()):
                columns, moved = _columns(features)
                renamed += [(role, old, new) for old, new in moved]
                _write(partial, role, features, columns, append=number > 0)
            with partial.open("rb") as stream:
                os.fsync(stream.fileno())
            partial.replace(out)
    except OutputError:
        raise
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise OutputError(f'"{out}" cannot be written: {reason}') from None
    return Converted(out, {role: len(f) for role, f in roles.items()}, tuple(renamed))


def _write(
    path: Path, role: str, features: Features, columns: dict[str, ObjectArray], *, append: bool
) -> None:
    names, values, masks = [], [], []
    for name, column in columns.items():
        data, mask = _typed(column)
        names.append(name)
        values.append(data)
        masks.append(mask if mask.any() else None)
    geoms = geometries(features)
    taken = {n.casefold() for n in names}
    set_gdal_config_options({"OGR_CURRENT_DATE": PINNED_DATE, "OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        raw.write(
            str(path),
            np.asarray(shapely.to_wkb(geoms, include_srid=False), dtype=object),
            values,
            names,
            field_mask=masks,
            layer=role,
            driver="GPKG",
            geometry_type=_geometry_type(geoms),
            crs=features.crs,
            append=append,
            layer_options={"FID": _free("fid", taken), "GEOMETRY_NAME": _free("geom", taken)},
        )
    except _WRITE_ERRORS as error:
        raise OutputError(f'layer "{role}" cannot be written to "{path.name}": {error}') from None
    finally:
        set_gdal_config_options({"OGR_CURRENT_DATE": None, "OGR_SQLITE_SYNCHRONOUS": None})


def _geometry_type(geoms: ObjectArray) -> str:
    """OGC name where all geometries are of one kind, else ``Unknown``."""
    kinds = np.unique(shapely.get_type_id(geoms))
    has_z = shapely.has_z(geoms)
    name = str(geoms[0].geom_type) if len(kinds) == 1 else "Unknown"
    if has_z.any():
        return f"2.5D {name}" if has_z.all() and name != "Unknown" else "Unknown"
    return name


# -- geometry --------------------------------------------------------------------


def geometries(features: Features) -> ObjectArray:
    """Shapely geometry of each feature: (n,).

    Parts that are all polygons (lines, points) make a multi-geometry, others a collection; a feature
    without any height comes without z, a vertex without height beside others as NaN.
    """
    z_known = np.isfinite(features.z)
    coords = np.column_stack([features.coords, features.z]) if z_known.any() else features.coords
    counts = np.diff(features.ring_offsets)
    kind, of_ring = features.ring_kind, features.ring_feature
    head = kind != RingKind.ISLAND
    part_of_ring = np.cumsum(head) - 1
    part_kind, part_feature = kind[head], of_ring[head]
    parts = np.empty(len(part_kind), object)
    ring_of_vertex = np.repeat(np.arange(len(counts)), counts)
    for kinds, make in (
        ((RingKind.OUTER, RingKind.ISLAND), _polygons),
        ((RingKind.LINE,), _lines),
        ((RingKind.POINT,), _points),
    ):
        rings = np.isin(kind, kinds)
        if rings.any():
            vertices = rings[ring_of_vertex]
            index = np.repeat(np.arange(int(rings.sum())), counts[rings])
            parts[np.unique(part_of_ring[rings])] = make(coords[vertices], index, part_of_ring[rings])
    made = _assembled(parts, part_kind, part_feature, len(features))
    if z_known.any():
        flat = np.ones(len(features), np.bool_)
        flat[of_ring[ring_of_vertex[z_known]]] = False
        made[flat] = shapely.force_2d(made[flat])
    return made


def _polygons(coords: Any, index: IntArray, part: IntArray) -> ObjectArray:
    rings = shapely.linearrings(coords, indices=index)
    return np.asarray(shapely.polygons(rings, indices=np.unique(part, return_inverse=True)[1]), dtype=object)


def _lines(coords: Any, index: IntArray, _: IntArray) -> ObjectArray:
    return np.asarray(shapely.linestrings(coords, indices=index), dtype=object)


def _points(coords: Any, index: IntArray, _: IntArray) -> ObjectArray:
    return np.asarray(shapely.points(coords), dtype=object)


def _assembled(parts: ObjectArray, kind: Any, owner: IntArray, count: int) -> ObjectArray:
    """One geometry for each feature from its parts."""
    made = np.full(count, None, object)
    number = np.bincount(owner, minlength=count)
    single = number[owner] == 1
    made[owner[single]] = parts[single]
    for feature in np.flatnonzero(number > 1):
        own = owner == feature
        kinds = set(kind[own].tolist())
        bundle = _BUNDLES[RingKind(kinds.pop())] if len(kinds) == 1 else shapely.GeometryCollection
        made[feature] = bundle(list(parts[own]))
    return made


# -- attributes --------------------------------------------------------------------


def _columns(features: Features) -> tuple[dict[str, ObjectArray], list[tuple[str, str]]]:
    """Attributes with the id and name the program uses in columns it will read again.

    Returns
    -------
    columns : by name, unique whatever the capitals
    renamed : attribute and column, where the name was taken
    """
    word = features.role.removesuffix("s")
    own: dict[str, ObjectArray] = {word: features.ids}
    if not _names_are_read_again(features):
        own["name"] = features.names
    columns = dict(own)
    taken = set(_folded(columns))
    renamed = []
    for name, values in features.attributes.items():
        same = next((k for k in own if k.casefold() == name.casefold()), None)
        if same is not None and _same_texts(values, own[same]):
            continue
        free = _free(name, taken)
        if free != name:
            renamed.append((name, free))
        taken.add(free.casefold())
        columns[free] = values
    return columns, renamed


def _names_are_read_again(features: Features) -> bool:
    """Whether the names come out of the attributes as they stand: ``name``, else the id."""
    column = next((v for n, v in features.attributes.items() if n.casefold() == "name"), None)
    given = np.full(len(features), None, object) if column is None else column
    known = [i if v is None else str(v) for v, i in zip(given, features.ids, strict=True)]
    return bool(known == features.names.tolist())


def _folded(names: Iterable[str]) -> list[str]:
    return [n.casefold() for n in names]


def _same_texts(values: ObjectArray, texts: ObjectArray) -> bool:
    return all(v is not None and str(v) == t for v, t in zip(values, texts, strict=True))


def _free(name: str, taken: set[str]) -> str:
    """The name, or the name with a number, so that nothing else has it."""
    made, number = name, 2
    while made.casefold() in taken:
        made, number = f"{name}_{number}", number + 1
    return made


def _typed(column: ObjectArray) -> tuple[Any, BoolArray]:
    """Values in the one type that holds all of them, and where there is none.

    Whole numbers beyond 64 bits, and a mixture of kinds, become text.
    """
    mask = np.fromiter((v is None for v in column), np.bool_, len(column))
    known = column[~mask]
    kinds = {type(v) for v in known}
    if kinds and kinds <= {bool, np.bool_}:
        return _filled(column, mask, False, np.bool_), mask
    whole = {int, np.int64, np.int32, np.int16, np.int8, np.uint8, np.uint16, np.uint32, np.uint64}
    real = {float, np.float64, np.float32}
    if kinds and kinds <= whole and all(-_BIGGEST <= int(v) < _BIGGEST for v in known):
        return _filled(column, mask, 0, np.int64), mask
    if kinds and kinds <= whole | real and all(not isinstance(v, int) or abs(v) < 2**53 for v in known):
        return _filled(column, mask, np.nan, np.float64), mask
    out = np.full(len(column), None, object)
    out[~mask] = [v if isinstance(v, str) else _text(v) for v in known]
    return out, mask


def _filled(column: ObjectArray, mask: BoolArray, blank: object, kind: Any) -> Any:
    out = column.copy()
    out[mask] = blank
    return out.astype(kind)


def _text(value: Any) -> str:
    """Lists as comma-separated text, other values as they print."""
    if isinstance(value, (list, tuple, np.ndarray)):
        return ", ".join(str(v) for v in value)
    return value.hex() if isinstance(value, bytes) else str(value)
