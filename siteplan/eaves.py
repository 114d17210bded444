"""Roof edges traced from a picture: brought back to the wall by the eave.

From above one sees the roof, and the wall stands under it, set back by the eave.  An
abutment with the attribute ``source`` = ``roof`` is drawn in by its own eave (attribute
``eave``, text with a unit, or ``eave_m``, a number of metres), else by the site's.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely

from siteplan.errors import DataError, Fault, Finding, UsageError
from siteplan.model import Features, RingKind, Shapes
from siteplan.planar import offsets_of, ragged
from siteplan.types import FloatArray, IntArray, ObjectArray
from siteplan.units import format_length, parse_um, um_to_m

SOURCE: Final = "source"
ROOF: Final = "roof"
KNOWN: Final = ("roof", "wall")
USUAL_M: Final = (0.3, 0.6)
"""common practice, no published source: eaves of houses"""
_MITRE: Final = 10.0
"""a mitre is cut off beyond this many eaves, as it is at corners sharper than 12 degrees"""


def roofs_to_walls(
    abutments: Features, shapes: Shapes, eave_m: float | None
) -> tuple[Shapes, tuple[Finding, ...]]:
    """Abutments with roof edges moved in to their walls.

    Parameters
    ----------
    abutments : as they came, for their attributes
    shapes : the same in ground metres
    eave_m : the site's eave, for roofs that do not say theirs

    Returns
    -------
    shapes, corners mitred.  The rings of a moved roof begin anew.
    findings : ``eave`` for what was moved, ``roof-without-eave`` (error) for roofs that no
        eave is given for, which are used as they are drawn

    Raises
    ------
    DataError : a source that is neither wall nor roof, an eave that is no length, a roof drawn
        as a line, and a roof of which nothing is left.
    """
    roof, faults = _sources(abutments)
    eave, more = _eaves(abutments, roof, eave_m)
    kind_of = shapes.ring_kind[np.searchsorted(shapes.ring_feature, np.arange(len(abutments)))]
    lines = roof & (kind_of == RingKind.LINE)
    faults += more
    faults += [
        _fault(
            abutments, k, "roof-line", "a roof drawn as a line has no inside to draw it in to",
            "Draw the roof as a polygon, or draw the wall and say source = wall",
        )
        for k in np.flatnonzero(lines).tolist()
    ]  # fmt: skip
    if faults:
        raise DataError(*faults)
    unknown = np.flatnonzero(roof & np.isnan(eave))
    moving = np.flatnonzero(roof & (eave > 0))
    moved, found = _moved(abutments, shapes, moving, eave)
    return moved, (*found, *_unknown_finding(abutments, unknown))


def _fault(abutments: Features, k: int, code: str, what: str, remedy: str) -> Fault:
    return Fault(code, what, remedy, file=str(abutments.file[k]), feature=str(abutments.ids[k]))


def _sources(abutments: Features) -> tuple[np.ndarray[Any, np.dtype[np.bool_]], list[Fault]]:
    """Which abutments are roof edges."""
    roof = np.zeros(len(abutments), dtype=bool)
    faults = []
    for k, value in enumerate(abutments.attributes.get(SOURCE, ())):
        word = str(value).strip().lower() if value is not None else "wall"
        roof[k] = word == ROOF
        # other values of source are the data's own business, unless they look like ours misspelt
        if word not in KNOWN and word[:4] in ("roof", "wall"):
            faults.append(
                _fault(
                    abutments,
                    k,
                    "abutment-source",
                    f'source is "{value}"',
                    "Say wall, or roof for a roof edge",
                )
            )
    return roof, faults


def _eaves(
    abutments: Features, roof: np.ndarray[Any, np.dtype[np.bool_]], eave_m: float | None
) -> tuple[FloatArray, list[Fault]]:
    """(n,) eave of each roof in metres, NaN where nobody says."""
    eave = np.full(len(abutments), np.nan)
    eave[roof] = np.nan if eave_m is None else eave_m
    faults = []
    none = np.full(len(abutments), None, dtype=object)
    text, number = (abutments.attributes.get(name, none) for name in ("eave", "eave_m"))
    for k in np.flatnonzero(roof).tolist():
        try:
            own = _own_eave(text[k], number[k])
        except UsageError as error:
            faults.append(
                _fault(abutments, k, "eave", str(error), 'Write eave = "0.45 m" or eave_m = 0.45, 0 or more')
            )
            continue
        if own is not None:
            eave[k] = own
    return eave, faults


def _own_eave(text: Any, number: Any) -> float | None:
    """Eave an abutment itself gives, in metres."""
    if text is not None and str(text).strip():
        try:
            value = um_to_m(parse_um(str(text)))
        except UsageError as error:
            raise UsageError(f'its eave "{text}" is not a length with a unit ({error})') from None
    elif number is not None and not (isinstance(number, float) and math.isnan(number)):
        try:
            value = float(number)
        except (TypeError, ValueError):
            raise UsageError(f'its eave_m "{number}" is not a number') from None
    else:
        return None
    if not math.isfinite(value) or value < 0:
        raise UsageError(f"its eave is {value:g} m")
    return value


def _moved(
    abutments: Features, shapes: Shapes, moving: IntArray, eave_m: FloatArray
) -> tuple[Shapes, tuple[Finding, ...]]:
    """The shapes with some polygons drawn in."""
    if not len(moving):
        return shapes, ()
    polygons = _polygons(shapes, moving)
    walls = shapely.buffer(polygons, -eave_m[moving], join_style="mitre", mitre_limit=_MITRE)
    faults, findings = [], []
    for k, roof, wall in zip(moving.tolist(), polygons, walls, strict=True):
        shown = format_length(float(eave_m[k]))
        before, after = len(shapely.get_parts(roof)), len(shapely.get_parts(wall))
        if wall.is_empty:
            faults.append(
                _fault(
                    abutments, k, "eave-too-wide",
                    f"nothing is left of the roof once its eave of {shown} is off",
                    "Give a smaller eave, or draw the wall and say source = wall",
                )
            )  # fmt: skip
        elif after > before:
            findings.append(
                Finding(
                    "roof-in-parts",
                    "notice",
                    f'abutment "{abutments.ids[k]}": with its eave of {shown} off, the roof falls into '
                    f"{after} parts; check the narrow places between them.",
                )
            )
    if faults:
        raise DataError(*faults)
    names = ", ".join(str(i) for i in abutments.ids[moving[:5]])
    names += f" and {len(moving) - 5} more" if len(moving) > 5 else ""
    sizes = sorted({format_length(float(v)) for v in eave_m[moving]})
    text = (
        f"Roof edges of {names} were brought back to the wall by an eave of {' or '.join(sizes)}, "
        "corners mitred; the abutments are used and shown so."
    )
    return _with_polygons(shapes, moving, walls), (Finding("eave", "notice", text), *findings)


def _polygons(shapes: Shapes, which: IntArray) -> ObjectArray:
    """Some features as valid (multi)polygons."""
    rings = np.flatnonzero(np.isin(shapes.ring_feature, which))
    counts = np.diff(shapes.ring_offsets)[rings]
    take = ragged(shapes.ring_offsets[:-1][rings], counts)
    lines = np.asarray(
        shapely.linearrings(shapes.xy[take], indices=np.repeat(np.arange(len(rings)), counts)), dtype=object
    )
    made = np.empty(len(which), dtype=object)
    for n, feature in enumerate(which.tolist()):
        own = np.flatnonzero(shapes.ring_feature[rings] == feature)
        parts = []
        for ring in own.tolist():
            if shapes.ring_kind[rings[ring]] == RingKind.OUTER:
                parts.append([ring])
            else:
                parts[-1].append(ring)
        made[n] = shapely.union_all([shapely.Polygon(lines[p[0]], [lines[h] for h in p[1:]]) for p in parts])
    return made


def _with_polygons(shapes: Shapes, which: IntArray, polygons: ObjectArray) -> Shapes:
    """Shapes with some features replaced; the order of the features stays."""
    new = dict(zip(which.tolist(), polygons, strict=True))
    xy, kind, feature = [], [], []
    for k in range(len(shapes)):
        if k in new:
            for part in shapely.get_parts(shapely.orient_polygons(new[k])):
                for number, ring in enumerate((part.exterior, *part.interiors)):
                    xy.append(shapely.get_coordinates(ring)[:-1])
                    kind.append(RingKind.ISLAND if number else RingKind.OUTER)
                    feature.append(k)
            continue
        for ring in np.flatnonzero(shapes.ring_feature == k).tolist():
            xy.append(shapes.xy[shapes.ring_offsets[ring] : shapes.ring_offsets[ring + 1]])
            kind.append(RingKind(shapes.ring_kind[ring]))
            feature.append(k)
    return replace(
        shapes,
        xy=np.concatenate(xy),
        ring_offsets=offsets_of(np.array([len(part) for part in xy], dtype=np.int64)),
        ring_kind=np.array(kind, dtype=np.int8),
        ring_feature=np.array(feature, dtype=np.int64),
    )


def _unknown_finding(abutments: Features, unknown: IntArray) -> tuple[Finding, ...]:
    if not len(unknown):
        return ()
    low, high = USUAL_M
    names = ", ".join(str(i) for i in abutments.ids[unknown[:5]])
    names += f" and {len(unknown) - 5} more" if len(unknown) > 5 else ""
    return (
        Finding(
            "roof-without-eave",
            "error",
            f"{names}: drawn along the roof (source = roof), and no eave is given, so the roof edge is taken "
            f"for the wall. Eaves are often {low:g} to {high:g} m: each leg that ends there would be that "
            "much longer at that end, and the stretches alongside that take no edging would shift. "
            "Give eave = '0.45 m' under [outline], or an attribute eave.",
        ),
    )
