"""One revision of a plan, read back from what a run wrote: ``summary.json`` and ``plan.gpkg``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar

import numpy as np
import shapely
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pyogrio import raw
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError

from siteplan.errors import DataError, Fault
from siteplan.types import ObjectArray

SUMMARY: Final = "summary.json"
PLAN: Final = "plan.gpkg"
_REMEDY: Final = "Name a folder that a run of this version wrote, or plan the revision again"
_FAULTS_SHOWN: Final = 5

Count = Annotated[int, Field(ge=0, le=10**12)]
Metres = Annotated[float, Field(allow_inf_nan=False, ge=-1e12, le=1e12)]
Money = Annotated[int, Field(ge=-(10**15), le=10**15)]


class _Part(BaseModel):
    """Part of a summary: what is not needed here is passed over."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)


class GridPart(_Part):
    """The grid of the site."""

    name: str
    unit: str
    combined_factor: Metres


class SitePart(_Part):
    """Name, line and lengths."""

    name: str
    line: str
    lines: list[str] = []
    """lines in use, where that is not ``line`` alone"""
    laid_length: Literal["ground", "slope"]
    grid: GridPart

    @property
    def all_lines(self) -> str:
        """Keys of the lines in use, for people."""
        return ", ".join(self.lines or [self.line])


class BedPart(_Part):
    """One bed."""

    bed: str
    name: str
    perimeter_m: Metres
    area_m2: Metres


class RunPart(_Part):
    """One run."""

    run: str
    bed: str
    closed: bool
    ground_m: Metres
    slope_m: Metres | None
    outside_corners: Count
    inside_corners: Count
    pieces: dict[str, Count]
    line: str = ""
    """key of its product line; a revision of an older version names that of the site alone"""
    owner: str = ""


class OrderPart(_Part):
    """One code of the order."""

    code: str
    name: str
    takeoff: Count
    cut_stock: Count
    order: Count
    pack: Annotated[int, Field(ge=1, le=10**9)]
    packs: Count
    singles: Count
    amount: Money | None
    line: str = ""
    """key of its product line; empty: the site's"""


class CutPlanPart(_Part):
    """Sections to cut."""

    stock: Count
    least: Count


class MoneyPart(_Part):
    """Money of the order, in minor units."""

    currency: str | None
    digits: Annotated[int, Field(ge=0, le=4)]
    subtotal: Money | None
    tax: Money | None
    total: Money | None
    unpriced: list[str]


class UnmetPart(_Part):
    """One thing the line cannot make."""

    leg: str
    short_m: Metres


class ItemPart(_Part):
    """One item of the groundwork."""

    key: str
    name: str
    amount: Metres
    unit: str
    cost: Money | None


class GroundworkPart(_Part):
    """Groundwork by a recipe."""

    recipe: str
    items: list[ItemPart]


class Summary(_Part):
    """What the change order needs of ``summary.json``, schema version 1."""

    schema_version: Literal[1]
    site: SitePart
    beds: list[BedPart]
    runs: list[RunPart]
    takeoff: dict[str, Count]
    by_kind: dict[str, Count]
    order: list[OrderPart]
    cut_plan: CutPlanPart
    money: MoneyPart
    weight_kg: Metres | None
    unmet: list[UnmetPart]
    groundwork: GroundworkPart | None


@dataclass(frozen=True, slots=True, eq=False)
class Revision:
    """One revision of a plan."""

    label: str
    """the folder it was read from, for people"""
    summary: Summary
    crs: str
    """of the geometries, as WKT"""
    beds: ObjectArray
    """(beds,) polygons and lines beside ``summary.beds``"""
    runs: ObjectArray
    """(runs,) lines beside ``summary.runs``"""


def read_revision(place: Path, label: str | None = None) -> Revision:
    """A revision from the folder of a run, or from its ``summary.json``.

    Parameters
    ----------
    place : folder that holds ``summary.json`` and ``plan.gpkg``, or the first of the two
    label : what to call it; the place itself by default

    Raises
    ------
    DataError : a file is missing, damaged, of another kind or of another plan; all in one report
    """
    folder = place if place.is_dir() else place.parent
    summary_path = folder / SUMMARY if place.is_dir() else place
    plan_path = folder / PLAN
    faults: list[Fault] = []
    summary = layers = None
    try:
        summary = read_summary(summary_path)
    except DataError as error:
        faults.extend(error.faults)
    try:
        layers = _read_plan(plan_path)
    except DataError as error:
        faults.extend(error.faults)
    if faults or summary is None or layers is None:
        raise DataError(*faults)
    crs, bed_ids, beds, run_ids, runs = layers
    ordered = []
    for what, ids, shapes, wanted in (
        ("beds", bed_ids, beds, [b.bed for b in summary.beds]),
        ("runs", run_ids, runs, [r.run for r in summary.runs]),
    ):
        if sorted(ids) != sorted(wanted) or len(set(ids)) < len(ids):
            raise DataError(
                Fault(
                    "not-of-one-plan",
                    f"its {what} are not those of {SUMMARY}: {len(ids)} against {len(wanted)}",
                    f"{SUMMARY} and {PLAN} must come from the same run",
                    str(plan_path),
                )
            )
        place_of = {name: k for k, name in enumerate(ids)}
        ordered.append(shapes[np.array([place_of[name] for name in wanted], dtype=np.int64)])
    known = {b.bed for b in summary.beds}
    stray = sorted({r.bed for r in summary.runs} - known)
    if stray:
        raise DataError(
            Fault("not-of-one-plan", f'a run names the bed "{stray[0]}", which is not listed', _REMEDY,
                  str(summary_path))
        )  # fmt: skip
    return Revision(label or str(place), summary, crs, ordered[0], ordered[1])


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def read_summary(path: Path) -> Summary:
    """``summary.json``, checked.

    Raises
    ------
    DataError : missing, not readable, not JSON, or not a summary of this schema
    """

    def fault(code: str, what: str, remedy: str = _REMEDY) -> DataError:
        return DataError(Fault(code, what, remedy, str(path)))

    try:
        data = json.loads(path.read_bytes().decode("utf-8"), parse_constant=_no_constant)
    except FileNotFoundError:
        raise fault("no-such-file", f"there is no {path.name}") from None
    except OSError as error:
        raise fault("not-readable", f"cannot be read: {error.strerror or type(error).__name__}") from None
    except UnicodeDecodeError as error:
        raise fault("not-utf8", f"byte {error.start} is not UTF-8 text") from None
    except RecursionError:
        raise fault("not-json", "nested too deeply to be a summary") from None
    except ValueError as error:
        raise fault("not-json", f"not valid JSON: {error}") from None
    return _checked(Summary, data, path)


Model = TypeVar("Model", bound=BaseModel)


def _checked(model: type[Model], data: Any, path: Path) -> Model:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = error.errors(include_url=False, include_input=False, include_context=False)
        said = [f"{'.'.join(str(step) for step in e['loc']) or 'the whole'}: {e['msg']}" for e in found]
        more = f"; and {len(said) - _FAULTS_SHOWN} more" if len(said) > _FAULTS_SHOWN else ""
        raise DataError(
            Fault(
                "not-a-summary",
                f"this is no summary of a plan: {'; '.join(said[:_FAULTS_SHOWN])}{more}",
                _REMEDY,
                str(path),
            )
        ) from None


_Layers = tuple[str, list[str], ObjectArray, list[str], ObjectArray]


def _read_plan(path: Path) -> _Layers:
    """CRS, and ids and geometries of beds and runs."""
    if not path.is_file():
        raise DataError(Fault("no-such-file", f"there is no {PLAN} beside {SUMMARY}", _REMEDY, str(path)))
    bed_crs, bed_ids, beds = _read_layer(path, "beds", "id")
    run_crs, run_ids, runs = _read_layer(path, "runs", "run")
    faults = []
    if bed_crs != run_crs:
        faults.append(Fault("mixed-crs", "its beds and runs are in different grids", _REMEDY, str(path)))
    if len(runs) and not np.isin(shapely.get_type_id(runs), (1,)).all():
        faults.append(Fault("not-lines", "its runs are not all lines", _REMEDY, str(path)))
    if faults:
        raise DataError(*faults)
    return run_crs, bed_ids, beds, run_ids, runs


def _read_layer(path: Path, layer: str, id_column: str) -> tuple[str, list[str], ObjectArray]:
    """CRS, ids and geometries of one layer."""

    def fault(code: str, what: str) -> DataError:
        return DataError(Fault(code, what, _REMEDY, f"{path}, layer {layer}"))

    try:
        meta, _, wkb, columns = raw.read(str(path), layer=layer, columns=[id_column])
    except (
        DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError, OSError, ValueError,
        RuntimeError,
    ) as error:  # fmt: skip
        raise fault("not-a-plan", f"cannot be read as a plan: {' '.join(str(error).split())[:200]}") from None
    if id_column not in list(meta["fields"]) or wkb is None or not meta["crs"]:
        raise fault("not-a-plan", f"has no column {id_column}, no geometry or no CRS")
    ids = columns[list(meta["fields"]).index(id_column)]
    bad = [k for k, (name, shape) in enumerate(zip(ids, wkb, strict=True), 1) if not name or shape is None]
    if bad:
        raise fault("not-a-plan", f"row {bad[0]} has no id or no geometry")
    shapes = np.asarray(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object)
    wrong = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    wrong |= ~np.isfinite(shapely.bounds(shapes)).all(axis=1)
    if wrong.any():
        raise fault("not-a-plan", f'"{ids[int(np.argmax(wrong))]}" has a geometry that is none')
    return str(meta["crs"]), [str(name) for name in ids], shapes
