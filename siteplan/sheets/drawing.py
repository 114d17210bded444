"""The ground of a sheet: walls, beds, openings, pieces and their signs.  No texts."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely

from siteplan.model import PieceKind
from siteplan.sheets import signs
from siteplan.sheets.content import Content
from siteplan.sheets.paper import MM_PT
from siteplan.sheets.pen import Pen, Stroke, turned
from siteplan.sheets.scene import Scene, rings, take_parts, within
from siteplan.sheets.tiling import View
from siteplan.types import IntArray, XYArray
from siteplan.units import um_to_m

HATCH_PT: Final = 2.2 * MM_PT
TICK_PT: Final = 2.3
"""half a joint tick, at least"""
SIGNS_FROM_PT: Final = 3.2 * MM_PT
"""a usual piece shorter than this on paper has no sign of its own, sections that is"""

SMALLEST_SIGN: Final = 0.45
"""of its usual size"""


def draw_ground(pen: Pen, view: View, scene: Scene, *, pieces: bool = True) -> None:
    """Draw everything that lies in the view.

    Parameters
    ----------
    pen, view, scene : what to draw with, where, and what
    pieces : False draws runs as lines, for small scales
    """
    west, south, east, north = view.ground
    area = shapely.box(west, south, east, north)
    _walls(pen, view, scene, area)
    _beds(pen, view, scene, area)
    _bare(pen, view, scene, area)
    _openings(pen, view, scene, area)
    _unmet(pen, view, scene)
    if pieces:
        _pieces(pen, view, scene)
    else:
        _run_lines(pen, view, scene, Stroke(signs.BLUE, 1.1))


def _in(shapes: Any, area: Any) -> IntArray:
    return np.flatnonzero(shapely.intersects(shapes, area)) if len(shapes) else np.empty(0, np.int64)


def _polygon(pen: Pen, view: View, shape: Any, fill: str | None, stroke: Stroke | None) -> None:
    xy, offsets = rings(shape)
    pen.shapes(view.points(xy), offsets, fill=fill, stroke=stroke, together=True)


def _line_of(pen: Pen, view: View, shape: Any, stroke: Stroke) -> None:
    for part in shapely.get_parts(shape):
        pen.line(view.points(shapely.get_coordinates(part)), stroke)


def _is_area(shape: Any) -> bool:
    return bool(shapely.get_dimensions(shape) == 2)


def hatch(pen: Pen, polygon: Any, stroke: Stroke, *, spacing: float = HATCH_PT, rising: bool = True) -> None:
    """Diagonal lines inside a polygon that is given in points."""
    x0, y0, x1, y1 = shapely.bounds(polygon).tolist()
    if not x1 > x0 or not y1 > y0:
        return
    step = spacing * 2**0.5
    sign = 1.0 if rising else -1.0
    # lines y = sign x + c for whole multiples of the step, so that neighbours' hatches agree
    ends = sorted((y0 - sign * x0, y0 - sign * x1, y1 - sign * x0, y1 - sign * x1))
    c = np.arange(np.floor(ends[0] / step), np.ceil(ends[-1] / step) + 1) * step
    a = np.column_stack([np.full(len(c), x0), sign * x0 + c])
    b = np.column_stack([np.full(len(c), x1), sign * x1 + c])
    lines = shapely.linestrings(np.stack([a, b], axis=1))
    cut = shapely.get_parts(shapely.intersection(lines, polygon))
    cut = cut[shapely.get_type_id(cut) == shapely.GeometryType.LINESTRING]
    cut = cut[~shapely.is_empty(cut)]
    if len(cut):
        ends_xy = shapely.get_coordinates(cut).reshape(-1, 2, 2)
        pen.segments(ends_xy[:, 0], ends_xy[:, 1], stroke)


def _walls(pen: Pen, view: View, scene: Scene, area: Any) -> None:
    for shape in scene.abutments[_in(scene.abutments, area)]:
        if not _is_area(shape):
            _line_of(pen, view, shape, Stroke(signs.GREY, 2.0))
            continue
        _polygon(pen, view, shape, signs.WALL_FILL, None)
        seen = shapely.intersection(shapely.make_valid(shape), area)
        for part in shapely.get_parts(seen):
            if _is_area(part):
                hatch(pen, shapely.transform(part, view.points), signs.HATCH)
        _polygon(pen, view, shape, None, signs.WALL)


def _beds(pen: Pen, view: View, scene: Scene, area: Any) -> None:
    for k in _in(scene.beds, area):
        shape, chosen = scene.beds[k], scene.content.chosen[k]
        if not _is_area(shape):
            if not chosen:
                _line_of(pen, view, shape, signs.OTHER_BED)
            continue
        fill = signs.BED_FILL if chosen else None
        _polygon(pen, view, shape, fill, signs.BED if chosen else signs.OTHER_BED)


def _bare(pen: Pen, view: View, scene: Scene, area: Any) -> None:
    chosen = scene.content.chosen[scene.content.plan.unedged.bed] if len(scene.bare) else np.empty(0, bool)
    for k in _in(scene.bare, area):
        if chosen[k]:
            _line_of(pen, view, scene.bare[k], signs.BARE)


def _openings(pen: Pen, view: View, scene: Scene, area: Any) -> None:
    for shape in scene.openings[_in(scene.openings, area)]:
        if _is_area(shape):
            _polygon(pen, view, shape, None, Stroke(signs.GREY, 0.5, (1.6, 1.2)))
            seen = shapely.transform(shapely.intersection(shapely.make_valid(shape), area), view.points)
            for part in shapely.get_parts(seen):
                if _is_area(part):
                    hatch(pen, part, signs.HATCH, spacing=HATCH_PT / 2, rising=False)
        elif shapely.get_dimensions(shape) == 1:
            _line_of(pen, view, shape, signs.OPENING)
        else:
            xy = view.points(shapely.get_coordinates(shape))
            signs.place(pen, signs.Sign(signs.DISC, None, Stroke(signs.GREY, 0.8, (1.2, 0.9)), 3.4), xy)


def _run_lines(pen: Pen, view: View, scene: Scene, stroke: Stroke) -> None:
    low, high = scene.leg_boxes
    legs = scene.content.legs
    legs = legs[within(low[legs], high[legs], view.ground)]
    runs = scene.content.plan.runs
    xy, offsets = take_parts(runs.xy, runs.offsets, legs)
    pen.shapes(view.points(xy), offsets, stroke=stroke, closed=False)


def pieces_in(view: View, scene: Scene) -> IntArray:
    """Pieces with any part in the view."""
    low, high = scene.piece_boxes
    pieces = scene.content.pieces
    made: IntArray = pieces[within(low[pieces], high[pieces], view.ground)]
    return made


def _pieces(pen: Pen, view: View, scene: Scene) -> None:
    content = scene.content
    pieces = content.result.pieces
    seen = pieces_in(view, scene)
    for kind, fill in signs.PIECE_FILLS.items():
        of_kind = seen[pieces.kind[seen] == kind]
        xy, offsets = take_parts(pieces.outline_xy, pieces.outline_offsets, of_kind)
        pen.shapes(view.points(xy), offsets, fill=fill, stroke=signs.PIECE_EDGE)
    a, b = joint_ticks(view, content)
    pen.segments(a, b, signs.JOINT)
    xy, across = stop_bars(view, scene)
    pen.segments(xy - across, xy + across, Stroke(signs.INK, 1.3))
    _signs(pen, view, content, seen)


def _signs(pen: Pen, view: View, content: Content, seen: IntArray) -> None:
    pieces = content.result.pieces
    usual_pt = um_to_m(content.result.usual_um) * view.pt_per_m
    at = view.points(pieces.xy[seen])
    kind = pieces.kind[seen]
    length_pt = (pieces.to_um[seen] - pieces.from_um[seen]) / 1e6 * view.pt_per_m
    for piece_kind, sign in signs.PIECE_SIGNS.items():
        if piece_kind == PieceKind.SECTION and usual_pt < SIGNS_FROM_PT:
            continue
        of_kind = kind == piece_kind
        # a sign no longer than its piece, so that short pieces beside each other stay apart
        size = np.clip(length_pt[of_kind] * 0.4 / sign.radius, SMALLEST_SIGN, 1.0)
        signs.place(pen, sign, at[of_kind], size=size)
    arrows = first_sections(content, seen)
    for point, angle in zip(view.points(pieces.xy[arrows]), 90.0 - pieces.heading_deg[arrows], strict=True):
        pen.shapes(
            turned(signs.ARROW, angle, 3.6) + point, [0, 4], fill=signs.INK, stroke=Stroke(signs.WHITE, 0.4)
        )


def first_sections(content: Content, seen: IntArray) -> IntArray:
    """The first section in view of each leg: it carries the arrow of the laying direction."""
    pieces = content.result.pieces
    sections = seen[pieces.kind[seen] == PieceKind.SECTION]
    _, first = np.unique(pieces.leg[sections], return_index=True)
    made: IntArray = sections[first]
    return made


def joint_ticks(view: View, content: Content) -> tuple[XYArray, XYArray]:
    """Ends of the strokes across the line where pieces meet, in points."""
    in_run = np.isin(content.joint_run, content.runs)
    xy, heading = content.joint_xy[in_run], np.radians(content.joint_heading_deg[in_run])
    seen = within(xy, xy, view.ground)
    at, heading = view.points(xy[seen]), heading[seen]
    depth_m = content.result.run_depth_um[content.joint_run[in_run][seen]] / 1e6
    half = np.maximum(TICK_PT, depth_m / 2 * view.pt_per_m + 0.8)
    across = np.column_stack([np.cos(heading), -np.sin(heading)]) * half[:, None]
    return at - across, at + across


def stop_bars(view: View, scene: Scene) -> tuple[XYArray, XYArray]:
    """Middles and half lengths of the bars where runs end against something, in points."""
    content = scene.content
    points, rows = content.points, scene.tee_or_wall
    xy = points.xy[rows]
    seen = rows[within(xy, xy, view.ground)]
    runs = content.plan.runs
    leg = points.leg[seen]
    start = np.hypot(*(runs.xy[runs.offsets[leg]] - points.xy[seen]).T) < 1e-9
    first = np.where(start, runs.offsets[leg], runs.offsets[leg + 1] - 2)
    along = runs.xy[first + 1] - runs.xy[first]
    along = along / np.hypot(*along.T)[:, None]
    return view.points(points.xy[seen]), np.column_stack([along[:, 1], -along[:, 0]]) * 4.2


def _unmet(pen: Pen, view: View, scene: Scene) -> None:
    legs = scene.unmet_legs
    if not len(legs):
        return
    low, high = scene.leg_boxes
    legs = legs[within(low[legs], high[legs], view.ground)]
    runs = scene.content.plan.runs
    xy, offsets = take_parts(runs.xy, runs.offsets, legs)
    pen.shapes(view.points(xy), offsets, stroke=signs.UNMET, closed=False)
