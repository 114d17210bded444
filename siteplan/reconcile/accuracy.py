"""Positional accuracy from check points, after the National Standard for Spatial Data Accuracy.

Source
------
FGDC-STD-007.3-1998 (NSSDA), sections 3.2.1 to 3.2.3 and appendix 3-A.  The factors follow from
the circular normal distribution: 2.4477 = sqrt(-2 ln 0.05), 1.7308 = 2.4477 / sqrt 2.

The figure is about where points are.  It says nothing about lengths: an outline that is moved
as a whole has a poor figure and perfect lengths.  So nothing here becomes the standard
deviation of a length.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

import numpy as np

from siteplan.errors import DataError, Fault, UsageError
from siteplan.fieldnotes.tables import number_of, read_table, read_text
from siteplan.types import FloatArray, XYArray
from siteplan.units import parse_length

ONE_AXIS: Final = math.sqrt(-2 * math.log(0.05))
"""2.4477: radius that holds 95 % of points whose axes have standard deviation 1"""
RADIAL: Final = ONE_AXIS / math.sqrt(2)
"""1.7308: the same against the radial root mean square, where both axes are equal"""
LEAST_POINTS: Final = 20
LEAST_RATIO: Final = 0.6
SOURCE_BETTER: Final = 3.0
"""a source of check points should be this many times better (ASPRS 2014)"""
EQUAL: Final = 1e-3
"""axes whose root mean squares agree to this share are equal"""
Form = Literal["equal axes", "two axes", "not applicable"]


@dataclass(frozen=True, slots=True)
class Nssda:
    """Accuracy of a map at n check points, ground metres."""

    points: int
    mean_east_m: float
    """map less field"""
    mean_north_m: float
    rmse_east_m: float
    rmse_north_m: float
    rmse_radial_m: float
    ratio: float
    """the smaller axis over the greater, 1 where both are 0"""
    form: Form
    accuracy_m: float
    """radius of 95 %; NaN where the standard gives no form"""
    notes: tuple[str, ...]


def nssda(map_xy: XYArray, field_xy: XYArray, *, source_rmse_m: float | None = None) -> Nssda:
    """Horizontal accuracy at 95 % confidence.

    Parameters
    ----------
    map_xy, field_xy : (n, 2) ground metres, the same points in the same order
    source_rmse_m : radial root mean square error of the field coordinates, where it is known

    Returns
    -------
    The figure with its form: 1.7308 x RMSE_r where the axes are equal, 2.4477 x the mean of the
    two axes where their ratio is 0.6 or more, else none.  ``notes`` say what weakens it.

    Raises
    ------
    UsageError : no point, or arrays that do not match
    """
    a, b = np.asarray(map_xy, dtype=np.float64), np.asarray(field_xy, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 2 or a.shape[1:] != (2,) or not len(a):
        raise UsageError(
            "check points need as many map as field coordinates, two each, and at least one point"
        )
    off = a - b
    east, north = (float(v) for v in np.sqrt((off**2).mean(axis=0)))
    radial = math.hypot(east, north)
    great = max(east, north)
    ratio = min(east, north) / great if great > 0 else 1.0
    form: Form
    if 1 - ratio <= EQUAL:
        form, accuracy = "equal axes", RADIAL * radial
    elif ratio >= LEAST_RATIO:
        form, accuracy = "two axes", ONE_AXIS * (east + north) / 2
    else:
        form, accuracy = "not applicable", float("nan")
    mean = off.mean(axis=0)
    return Nssda(
        points=len(a),
        mean_east_m=float(mean[0]),
        mean_north_m=float(mean[1]),
        rmse_east_m=east,
        rmse_north_m=north,
        rmse_radial_m=radial,
        ratio=ratio,
        form=form,
        accuracy_m=accuracy,
        notes=tuple(_notes(off, ratio, form, radial, source_rmse_m)),
    )


def _notes(off: XYArray, ratio: float, form: Form, radial: float, source_rmse_m: float | None) -> list[str]:
    """What the reader must know beside the figure."""
    notes = []
    n = len(off)
    if n < LEAST_POINTS:
        notes.append(f"only {n} check points; the standard asks for at least {LEAST_POINTS}")
    if form == "not applicable":
        notes.append(
            f"the smaller axis is {ratio:.2f} of the greater one, below {LEAST_RATIO}: the standard gives "
            "no figure"
        )
    if source_rmse_m is None:
        notes.append("nothing says how good the field coordinates are; they should be three times better")
    elif source_rmse_m * SOURCE_BETTER > radial:
        notes.append(
            f"the field coordinates are good to {source_rmse_m:.3f} m, which is not three times better "
            "than the "
            f"{radial:.3f} m found: the figure is partly theirs"
        )
    mean = off.mean(axis=0)
    if n > 1:
        spread = off.std(axis=0, ddof=1) / math.sqrt(n)
        if (np.abs(mean) > 3 * np.maximum(spread, 1e-12)).any() and np.hypot(*mean) > 0:
            notes.append(
                f"the map lies {mean[0]:+.3f} m east and {mean[1]:+.3f} m north of the field on average: "
                "a shift of "
                "the whole map, which changes no length"
            )
    notes.append("about places, not lengths: it is not used as the standard deviation of a length")
    return notes


_COLUMNS: Final = {
    "point": "point", "id": "point", "name": "point", "map east": "map_e", "map north": "map_n",
    "map x": "map_e", "map y": "map_n", "field east": "field_e", "field north": "field_n",
    "field x": "field_e", "field y": "field_n",
}  # fmt: skip
_NEEDED: Final = ("map_e", "map_n", "field_e", "field_n")


@dataclass(frozen=True, slots=True, eq=False)
class CheckPoints:
    """Points known on the map and in the field, in the unit and grid of the file."""

    names: tuple[str, ...]
    map_xy: XYArray
    field_xy: XYArray


def read_check_points(path: Path) -> CheckPoints:
    """Points of a CSV file: point, map_east, map_north, field_east, field_north.

    Coordinates are those of the site's grid, in its unit.

    Raises
    ------
    DataError : every fault of the file
    """
    table = read_table(read_text(path), str(path))
    keys = [_COLUMNS.get(" ".join(re.sub(r"[^a-z]+", " ", h.lower()).split())) for h in table.header]
    lacking = [k for k in _NEEDED if k not in keys]
    if lacking:
        raise DataError(
            Fault(
                "missing-column",
                "the file of check points needs point, map_east, map_north, field_east, field_north",
                f"The columns found are: {', '.join(table.header)}",
                str(path),
            )
        )
    place: dict[str, int] = {k: keys.index(k) for k in (*_NEEDED, "point") if k in keys}
    values, names, faults = [], [], []
    for number, cells in zip(table.row, table.rows, strict=True):
        found = [number_of(cells[place[k]], table.delimiter) for k in _NEEDED]
        name = cells[place["point"]] if "point" in place else f"row {number}"
        for key, value in zip(_NEEDED, found, strict=True):
            if value is None:
                text = cells[place[key]]
                faults.append(
                    Fault("not-a-number", f'"{text}" is no coordinate', "Correct it", str(path), name)
                )
        names.append(name)
        values.append(found)
    if faults or not values:
        raise DataError(*faults or [Fault("no-points", "the file has no point", "Add some", str(path))])
    numbers = np.array(values, dtype=np.float64)
    return CheckPoints(tuple(names), numbers[:, :2], numbers[:, 2:])


def places(
    points: CheckPoints | None,
    ground_m_per_unit: float,
    source: str | None,
    *,
    marks: tuple[XYArray, XYArray, FloatArray] | None = None,
    control: Collection[str] = (),
) -> Nssda | None:
    """The figure for check points, brought to ground metres, as the standard asks; None without any.

    Parameters
    ----------
    points : of a file, in the unit of a grid
    ground_m_per_unit : ground metres of one unit of the grid
    source : how good the field coordinates of the file are, a length with its unit, or None
    marks : check points of ``site.toml``: map and field coordinates (m, 2), ground metres, and the standard
        deviation of the field ones (m,) each way, NaN where nobody said
    control : names of points that have a say in the adjustment: they check nothing and are left out

    Raises
    ------
    DataError : every point given is one of those
    """
    on_map, field, better, notes = [], [], [], []
    known = {name.casefold() for name in control}
    if points is not None:
        keep = np.array([n.casefold() not in known for n in points.names], dtype=bool)
        origin = points.map_xy.mean(axis=0)
        on_map.append((points.map_xy[keep] - origin) * ground_m_per_unit)
        field.append((points.field_xy[keep] - origin) * ground_m_per_unit)
        better += [float("nan") if source is None else float(parse_length(source))] * int(keep.sum())
        if not keep.all():
            listed = ", ".join(n for n, k in zip(points.names, keep, strict=True) if not k)
            notes.append(f"left out, because they have a say in the adjustment: {listed}")
    if marks is not None and len(marks[0]):
        on_map.append(marks[0])
        field.append(marks[1])
        better += (math.sqrt(2) * marks[2]).tolist()
    if not sum(len(xy) for xy in on_map):
        if points is None:
            return None
        text = "every check point has a say in the adjustment, so none is left to check it"
        raise DataError(Fault("no-check-points", text, 'Survey others, or give some use = "check"'))
    if control:
        notes.append(
            f"{len(control)} surveyed points have a say in the adjustment and are no check points: "
            + ", ".join(sorted(control))
        )
    rms = float(np.sqrt(np.mean(np.square(better))))
    made = nssda(
        np.concatenate(on_map), np.concatenate(field), source_rmse_m=None if math.isnan(rms) else rms
    )
    return replace(made, notes=(*made.notes[:-1], *notes, made.notes[-1]))
