"""A plan as plain tables: what every output draws and lists.

A :class:`Layer` holds geometry in ground metres and columns of plain values; outputs turn
the vertices into their own coordinates.  Nothing is measured here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from siteplan.laying.corner_units import CornerHow
from siteplan.model import Features, NodeKind, PieceKind, Pieces, RingKind, Runs, Shapes
from siteplan.outline.joints import joint_um
from siteplan.phases import run_owners, run_phases
from siteplan.planar import closed_rings
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan
from siteplan.types import FloatArray, IntArray, KindArray, ObjectArray, OffsetArray, XYArray

if TYPE_CHECKING:
    import geopandas

    from siteplan.laying.takeoff import Takeoff
    from siteplan.lengths import BedMeasures
    from siteplan.slope import Steps

KIND_WORDS: Final = {
    PieceKind.SECTION: "section",
    PieceKind.CLOSER: "closer",
    PieceKind.CUT: "cut",
    PieceKind.CORNER: "corner",
    PieceKind.END: "end",
}
HOW_WORDS: Final = {
    CornerHow.BARE: "not made",
    CornerHow.UNIT: "unit",
    CornerHow.MITRE: "mitre",
    CornerHow.BUTT: "butt",
}
NODE_WORDS: Final = {
    NodeKind.CORNER: "corner",
    NodeKind.FREE: "free end",
    NodeKind.ABUTTED: "abutted end",
    NodeKind.TEE: "tee",
    NodeKind.SEAM: "joint",
    NodeKind.JOINT: "movement joint",
    NodeKind.SET: "joint",
}


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """n rows of one kind of thing, r rings (or lines, or points), v vertices.

    A table without geometry has ``geometry_type`` None and no vertices.
    """

    name: str
    geometry_type: str | None
    """OGC name of the geometry: ``Polygon``, ``LineString``, ``Point``, ``Unknown`` (mixed)"""
    columns: dict[str, Any]
    """(n,) arrays"""
    xy: XYArray
    """(v, 2) ground metres; closed rings repeat no vertex"""
    ring_offsets: OffsetArray
    """(r + 1,)"""
    ring_kind: KindArray
    """(r,) RingKind"""
    ring_row: IntArray
    """(r,) row of each ring, not decreasing"""

    def __len__(self) -> int:
        return len(next(iter(self.columns.values())))


def table(name: str, columns: dict[str, Any]) -> Layer:
    """A table without geometry."""
    return Layer(
        name,
        None,
        columns,
        np.empty((0, 2)),
        np.zeros(1, np.int64),
        np.empty(0, np.int8),
        np.empty(0, np.int64),
    )


def simple_layer(
    name: str, geometry_type: str, kind: RingKind, columns: dict[str, Any], xy: XYArray, offsets: OffsetArray
) -> Layer:
    """A layer with one ring per row."""
    n = len(offsets) - 1
    return Layer(name, geometry_type, columns, xy, offsets, np.full(n, kind, np.int8), np.arange(n))


def point_layer(name: str, columns: dict[str, Any], xy: XYArray) -> Layer:
    """A layer with one point per row."""
    return simple_layer(name, "Point", RingKind.POINT, columns, xy, np.arange(len(xy) + 1))


def _closed_coords(layer: Layer, coords: FloatArray) -> tuple[FloatArray, OffsetArray]:
    """Vertices with the first vertex of each closed ring repeated at its end."""
    closed = (layer.ring_kind == RingKind.OUTER) | (layer.ring_kind == RingKind.ISLAND)
    take, offsets = closed_rings(layer.ring_offsets, closed)
    return coords[take], offsets


def geometries(layer: Layer, coords: FloatArray | None) -> ObjectArray | None:
    """Geometry of each row as WKB, from vertices in whatever coordinates.

    Parameters
    ----------
    layer : the layer
    coords : (v, 2) its vertices in the wanted coordinates; None for a table

    Returns
    -------
    (n,) bytes, or None for a table without geometry.
    """
    if layer.geometry_type is None or coords is None:
        return None
    shapes = _shapes(layer, coords)
    made: ObjectArray = shapely.to_wkb(shapes)
    return made


def _shapes(layer: Layer, coords: FloatArray) -> ObjectArray:
    """Geometry of each row as shapely objects."""
    if layer.geometry_type == "Point":
        return np.asarray(shapely.points(coords), dtype=object)
    xy, offsets = _closed_coords(layer, coords)
    rings = len(layer.ring_kind)
    if layer.geometry_type == "LineString":
        lines: ObjectArray = shapely.from_ragged_array(shapely.GeometryType.LINESTRING, xy, (offsets,))
        return lines
    if layer.geometry_type == "Polygon":
        polygons: ObjectArray = shapely.from_ragged_array(
            shapely.GeometryType.POLYGON, xy, (offsets, np.arange(rings + 1))
        )
        return polygons
    return _mixed_shapes(layer, xy, offsets)


def _mixed_shapes(layer: Layer, xy: FloatArray, offsets: OffsetArray) -> ObjectArray:
    """Rows that may be polygons with islands and parts, lines or points."""
    made = np.empty(len(layer), dtype=object)
    kind, row = layer.ring_kind, layer.ring_row
    for family, single, multi in (
        ((RingKind.OUTER, RingKind.ISLAND), shapely.GeometryType.POLYGON, shapely.multipolygons),
        ((RingKind.LINE,), shapely.GeometryType.LINESTRING, shapely.multilinestrings),
        ((RingKind.POINT,), shapely.GeometryType.POINT, shapely.multipoints),
    ):
        rings = np.flatnonzero(np.isin(kind, family))
        if not len(rings):
            continue
        lengths = np.diff(offsets)[rings]
        starts = np.concatenate([[0], np.cumsum(lengths)])
        take = np.repeat(offsets[:-1][rings] - starts[:-1], lengths) + np.arange(starts[-1])
        if single == shapely.GeometryType.POINT:
            parts, part_row = shapely.points(xy[take]), row[rings]
        elif single == shapely.GeometryType.LINESTRING:
            parts, part_row = shapely.from_ragged_array(single, xy[take], (starts,)), row[rings]
        else:
            outer = np.flatnonzero(kind[rings] == RingKind.OUTER)
            part_offsets = np.append(outer, len(rings))
            parts = shapely.from_ragged_array(single, xy[take], (starts, part_offsets))
            part_row = row[rings][outer]
        rows, first, count = np.unique(part_row, return_index=True, return_counts=True)
        made[rows] = parts[first]
        several = np.flatnonzero(count > 1)
        for k in several:
            made[rows[k]] = multi(parts[first[k] : first[k] + count[k]])
    return made


def words(kinds: KindArray, names: dict[Any, str]) -> ObjectArray:
    """Kind numbers as words."""
    lookup = np.empty(max(int(k) for k in names) + 1, dtype=object)
    for kind, word in names.items():
        lookup[int(kind)] = word
    named: ObjectArray = lookup[kinds]
    return named


def geodataframe(site: Site, layer: Layer) -> geopandas.GeoDataFrame:
    """A layer as a GeoDataFrame in the CRS of the site's grid."""
    import geopandas
    import pandas as pd

    frame = pd.DataFrame(dict(layer.columns))
    if layer.geometry_type is None:
        return geopandas.GeoDataFrame(frame)
    return geopandas.GeoDataFrame(
        frame, geometry=_shapes(layer, site.frame.grid(layer.xy)), crs=site.frame.crs_wkt
    )


# ---------------------------------------------------------------- the layers of a plan


def plan_layers(site: Site, measures: BedMeasures, plan: RunPlan, result: Takeoff) -> dict[str, Layer]:
    """Every layer and table of a plan, by name, in the order they are written.

    Lengths are in metres (``_m``) or millimetres (``_mm``), whichever is easier to read.  Runs, legs
    and corners lie where they are laid: moved, where legs were moved sideways.
    """
    plan = laid_plan(site, plan, result)
    made = [
        _bed_layer(site, measures),
        _run_layer(plan, result, site),
        _leg_layer(plan, result),
        _corner_layer(plan, result),
        _piece_layer(site, plan, result),
        _piece_point_layer(site, plan, result),
        _unedged_layer(site, plan),
        _feature_layer(site.abutments, site.abutment_shapes),
        _feature_layer(site.openings, site.opening_shapes),
        *(() if site.settings.movement_joints is None else (_joint_layer(site, plan, result),)),
        *(() if result.steps is None else (_step_layer(site, plan, result, result.steps),)),
    ]
    return {layer.name: layer for layer in made}


def _um_to_m(values: IntArray) -> FloatArray:
    return np.asarray(values, dtype=np.float64) / 1e6


def _feature_columns(features: Features) -> dict[str, Any]:
    """Id, name and the attributes of the data, text as text and numbers as numbers."""
    columns: dict[str, Any] = {"id": features.ids, "name": features.names}
    for name, values in features.attributes.items():
        key = name if name.lower() not in {"id", "name", "fid", "geom"} else f"data_{name}"
        columns[key] = _plain_column(values)
    return columns


def _plain_column(values: ObjectArray) -> Any:
    """A column OGR can store: all numbers, or all text; None stays None."""
    present = [v for v in values if v is not None]
    if present and all(isinstance(v, (bool, np.bool_)) for v in present) and len(present) == len(values):
        return np.array(values, dtype=bool)
    if present and all(isinstance(v, (int, float, np.number)) and not isinstance(v, bool) for v in present):
        return np.array([np.nan if v is None else float(v) for v in values])
    return np.array([None if v is None else str(v) for v in values], dtype=object)


def _feature_layer(features: Features, shapes: Shapes) -> Layer:
    columns = _feature_columns(features)
    return Layer(
        features.role,
        "Unknown",
        columns,
        shapes.xy,
        shapes.ring_offsets,
        shapes.ring_kind,
        shapes.ring_feature,
    )


def _bed_layer(site: Site, measures: BedMeasures) -> Layer:
    columns = {
        **_feature_columns(site.beds),
        "area_m2": measures.area_m2,
        "perimeter_m": measures.perimeter_m,
        **({} if site.pictures is None else {"outline_sigma_m": site.pictures.outline_sigma_m}),
    }
    shapes = site.bed_shapes
    return Layer(
        "beds", "Unknown", columns, shapes.xy, shapes.ring_offsets, shapes.ring_kind, shapes.ring_feature
    )


def run_lines(runs: Runs) -> tuple[XYArray, OffsetArray]:
    """Vertices of each run: its legs joined, corners once, a closed run ending where it starts."""
    first = np.zeros(len(runs.xy), dtype=bool)
    first[runs.offsets[:-1]] = True
    first[runs.offsets[runs.leg_offsets[:-1]]] = False
    kept = ~first
    counts = np.concatenate([[0], np.cumsum(kept)])
    return runs.xy[kept], counts[runs.offsets[runs.leg_offsets]]


def corners_of_runs(runs: Runs) -> tuple[IntArray, IntArray]:
    """(r,) outside and (r,) inside corners of each run."""
    run = runs.leg_run[runs.corner_leg]
    outside = runs.corner_turn_deg > 0
    count = len(runs.run_id)
    return np.bincount(run[outside], minlength=count), np.bincount(run[~outside], minlength=count)


def _said_columns(site: Site, runs: Runs, result: Takeoff, run: IntArray) -> dict[str, Any]:
    """Product line of each row by its run; its phase and owner on a site that has any."""
    keys = _texts([x.key for x in result.lines])
    columns: dict[str, Any] = {"line": keys[result.run_line[run]]}
    for name, of_run in (("phase", run_phases(site, runs)), ("owner", run_owners(site, runs))):
        if of_run is not None:
            columns[name] = of_run[run]
    return columns


def _run_layer(plan: RunPlan, result: Takeoff, site: Site) -> Layer:
    runs, lengths = plan.runs, plan.lengths
    outside, inside = corners_of_runs(runs)
    columns = {
        "run": runs.run_id,
        "bed": site.beds.ids[runs.bed],
        "closed": runs.closed,
        "geodesic_m": lengths.run_geodesic_m,
        "grid_m": lengths.run_grid_m,
        "ground_m": lengths.run_ground_m,
        "slope_m": lengths.run_slope_m,
        "outside_corners": outside,
        "inside_corners": inside,
        "pieces": result.run_counts.sum(axis=1),
        **_said_columns(site, runs, result, np.arange(len(runs.run_id))),
        **({} if runs.course is None else {"course": runs.course}),
        **({} if plan.ground is None else {"steepest_percent": plan.ground.steepest * 100}),
    }
    xy, offsets = run_lines(runs)
    return simple_layer("runs", "LineString", RingKind.LINE, columns, xy, offsets)


def _leg_layer(plan: RunPlan, result: Takeoff) -> Layer:
    runs, fits = plan.runs, result.fits
    columns = {
        "leg": runs.leg_id,
        "run": runs.run_id[runs.leg_run],
        "ground_m": runs.length_m,
        "slope_m": plan.lengths.slope_m,
        "start_kind": words(runs.start_kind, NODE_WORDS),
        "far_kind": words(runs.far_kind, NODE_WORDS),
        "straight": runs.straight,
        "left_radius_m": _finite(runs.left_radius_m),
        "right_radius_m": _finite(runs.right_radius_m),
        "straightened_m": runs.straightened_m,
        **_tracing_columns(runs),
        "chord_m": _chords(runs),
        "rest_m": _um_to_m(result.rest_um),
        "joints": fits.joints,
        "gap_mm": _um_to_m(fits.gap_total_um) * 1e3 / np.maximum(fits.joints, 1),
        "left_over_m": _um_to_m(fits.left_over_um),
        "cut_1_m": _um_to_m(fits.cut_um[:, 0]),
        "cut_2_m": _um_to_m(fits.cut_um[:, 1]),
        "unmet": _unmet_words(result),
        **({} if result.play is None else {"moved_m": result.play.moved_m}),
        "rule_sections": fits.rule_sections,
        "rule_left_over_m": _um_to_m(fits.rule_left_over_um),
    }
    return simple_layer("legs", "LineString", RingKind.LINE, columns, runs.xy, runs.offsets)


def _tracing_columns(runs: Runs) -> dict[str, Any]:
    """Lengths as traced and with the bias of tracing taken off; none where nothing is known of it."""
    columns = {
        "traced_m": runs.traced_m,
        "corrected_m": runs.corrected_m,
        "corrected_sigma_m": runs.corrected_sigma_m,
    }
    return {name: values for name, values in columns.items() if values is not None}


def _chords(runs: Runs) -> FloatArray:
    """(l,) straight ground distance from the first to the last point of each leg; 0 for a ring."""
    chord: FloatArray = np.hypot(*(runs.xy[runs.offsets[1:] - 1] - runs.xy[runs.offsets[:-1]]).T)
    return chord


def _finite(values: FloatArray) -> FloatArray:
    """Infinite radii (no curve) as NaN, which files show as no value."""
    return np.where(np.isfinite(values), values, np.nan)


def _unmet_words(result: Takeoff) -> ObjectArray:
    """(l,) why a leg is unmet, None where it is not."""
    texts = np.full(len(result.fits), None, dtype=object)
    for leg, why in zip(result.unmet.leg, result.unmet.why, strict=True):
        texts[leg] = f"{texts[leg]}; {why}" if texts[leg] else why
    return texts


def _corner_layer(plan: RunPlan, result: Takeoff) -> Layer:
    runs = plan.runs
    codes = np.array([None, *(c.article.code for c in result.corner_units)], dtype=object)
    unit = np.where(result.corner_laid, result.corners.unit, -1)
    columns = {
        "leg": runs.leg_id[runs.corner_leg],
        "turn_deg": runs.corner_turn_deg,
        "side": np.where(runs.corner_turn_deg > 0, "outside", "inside").astype(object),
        "code": codes[unit + 1],
        "how": words(result.corners.how, HOW_WORDS),
        "exchanged": result.corners.exchanged,
        "moved_m": runs.corner_moved_m,
        **_sawn_columns(result),
    }
    return point_layer("corners", columns, runs.corner_xy)


def _sawn_columns(result: Takeoff) -> dict[str, Any]:
    """Saw angles and lengths of the sawn pieces at each corner; no value where nothing is sawn."""
    made = result.corner_sections
    columns: dict[str, Any] = {}
    for leg, part in (("arriving", made.arriving), ("leaving", made.leaving)):
        columns[f"{leg}_saw_deg"] = part.saw_deg
        columns[f"{leg}_outer_m"] = part.outer_um / 1e6
        columns[f"{leg}_centre_m"] = part.centre_um / 1e6
        columns[f"{leg}_inner_m"] = part.inner_um / 1e6
    return columns


def _piece_columns(site: Site, plan: RunPlan, result: Takeoff) -> dict[str, Any]:
    pieces, runs = result.pieces, plan.runs
    return {
        "piece": pieces.piece_id,
        "bed": site.beds.ids[pieces.bed],
        "run": runs.run_id[pieces.run],
        "leg": runs.leg_id[pieces.leg],
        "kind": words(pieces.kind, KIND_WORDS),
        "code": pieces.code,
        "from_m": _um_to_m(pieces.from_um),
        "to_m": _um_to_m(pieces.to_um),
        "gap_mm": np.asarray(pieces.gap_um, dtype=np.float64) / 1e3,
        "left_over_mm": np.asarray(pieces.left_over_um, dtype=np.float64) / 1e3,
        "deflection_deg": pieces.deflection_deg,
        "inner_mm": pieces.inner_um / 1e3,
        "outer_mm": pieces.outer_um / 1e3,
        "cut_m": np.where(pieces.cut_um > 0, _um_to_m(pieces.cut_um), np.nan),
        "heading_deg": pieces.heading_deg,
        **_said_columns(site, runs, result, pieces.run),
        **({} if runs.course is None else {"course": runs.course[pieces.run]}),
        **_piece_saw_columns(pieces),
    }


def _piece_saw_columns(pieces: Pieces) -> dict[str, Any]:
    """Angles off square at which cut pieces are sawn, and what they take of a section."""
    if pieces.start_saw_deg is None or pieces.far_saw_deg is None or pieces.stock_um is None:
        return {}
    return {
        "start_saw_deg": pieces.start_saw_deg,
        "far_saw_deg": pieces.far_saw_deg,
        "stock_m": np.where(pieces.stock_um > 0, _um_to_m(pieces.stock_um), np.nan),
    }


def _piece_layer(site: Site, plan: RunPlan, result: Takeoff) -> Layer:
    pieces = result.pieces
    columns = _piece_columns(site, plan, result)
    return simple_layer(
        "pieces", "Polygon", RingKind.OUTER, columns, pieces.outline_xy, pieces.outline_offsets
    )


def _piece_point_layer(site: Site, plan: RunPlan, result: Takeoff) -> Layer:
    """Middles of the pieces with the position as numbers, for lists and for setting out."""
    pieces = result.pieces
    grid, lonlat = site.frame.grid(pieces.xy), site.frame.wgs84(pieces.xy)
    columns = {
        "piece": pieces.piece_id,
        "kind": words(pieces.kind, KIND_WORDS),
        "code": pieces.code,
        "station_m": _um_to_m(pieces.from_um + pieces.to_um) / 2,
        "heading_deg": pieces.heading_deg,
        "east": grid[:, 0],
        "north": grid[:, 1],
        "lon": lonlat[:, 0],
        "lat": lonlat[:, 1],
    }
    return point_layer("piece_points", columns, pieces.xy)


def _joint_layer(site: Site, plan: RunPlan, result: Takeoff) -> Layer:
    """Movement joints, along each run: where they are and how wide they are kept."""
    runs = plan.runs
    start_um, far_um = joint_um(runs)
    at_wall = np.flatnonzero((runs.start_kind == NodeKind.ABUTTED) & (start_um >= 0))
    between = np.flatnonzero((far_um >= 0) & (runs.far_kind != NodeKind.SET))
    leg = np.concatenate([at_wall, between])
    at_start = np.arange(len(leg)) < len(at_wall)
    part = result.stations
    station_um = part.leg_from_um[leg] + np.where(at_start, 0, part.leg_um[leg])
    order = np.lexsort((station_um, runs.leg_run[leg]))
    leg, at_start, station_um = leg[order], at_start[order], station_um[order]
    run = runs.leg_run[leg]
    last = leg == runs.leg_offsets[run + 1] - 1
    following = np.where(last, runs.leg_offsets[run], leg + 1)
    shared = ~at_start & (runs.far_kind[leg] == NodeKind.JOINT)
    width_um = np.where(at_start, start_um[leg], far_um[leg] + np.where(shared, start_um[following], 0))
    nth = np.arange(len(run)) - np.searchsorted(run, run, side="left") + 1
    xy = runs.xy[np.where(at_start, runs.offsets[leg], runs.offsets[leg + 1] - 1)]
    grid, lonlat = site.frame.grid(xy), site.frame.wgs84(xy)
    columns = {
        "joint": _texts([f"{runs.run_id[r]}-j{n}" for r, n in zip(run, nth, strict=True)]),
        "bed": site.beds.ids[runs.bed[run]],
        "run": runs.run_id[run],
        "station_m": _um_to_m(station_um),
        "width_mm": width_um / 1e3,
        "place": _texts(["in the run" if s else "at a building" for s in shared]),
        "east": grid[:, 0],
        "north": grid[:, 1],
        "lon": lonlat[:, 0],
        "lat": lonlat[:, 1],
    }
    return point_layer("movement_joints", columns, xy)


def _texts(values: list[str]) -> ObjectArray:
    made = np.empty(len(values), dtype=object)
    made[:] = values
    return made


def _step_layer(site: Site, plan: RunPlan, result: Takeoff, steps: Steps) -> Layer:
    """Where level pieces step to follow the ground."""
    runs, pieces = plan.runs, result.pieces
    grid, lonlat = site.frame.grid(steps.xy), site.frame.wgs84(steps.xy)
    columns = {
        "run": runs.run_id[steps.run],
        "leg": runs.leg_id[steps.leg],
        "station_m": steps.station_m,
        "after_piece": pieces.piece_id[steps.before],
        "before_piece": pieces.piece_id[steps.after],
        "rise_m": steps.rise_m,
        "too_high": steps.too_high,
        "east": grid[:, 0],
        "north": grid[:, 1],
        "lon": lonlat[:, 0],
        "lat": lonlat[:, 1],
    }
    return point_layer("steps", columns, steps.xy)


def _unedged_layer(site: Site, plan: RunPlan) -> Layer:
    unedged = plan.unedged
    columns = {
        "bed": site.beds.ids[unedged.bed],
        "why": unedged.why,
        "other": unedged.other,
        "length_m": unedged.length_m,
    }
    return simple_layer("unedged", "LineString", RingKind.LINE, columns, unedged.xy, unedged.offsets)
