"""Texts beside the drawing: none over another, the important ones first.

Order: bed, run, point letters, leg lengths, then piece numbers: first, last and every fifth of
each leg before the others.  What finds no room is left out; the schedules list everything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

from siteplan.model import NodeKind, PieceKind
from siteplan.sheets import signs
from siteplan.sheets.content import Content
from siteplan.sheets.drawing import first_sections, joint_ticks, pieces_in, stop_bars
from siteplan.sheets.fonts import Face
from siteplan.sheets.pen import Pen, Stroke, turned
from siteplan.sheets.placing import Taken
from siteplan.sheets.scene import Scene, take_parts
from siteplan.sheets.tiling import View
from siteplan.types import FloatArray, IntArray, XYArray
from siteplan.units import um_to_m

BED_PT: Final = 9.0
NAME_PT: Final = 5.6
RUN_PT: Final = 6.6
POINT_PT: Final = 6.2
LEG_PT: Final = 6.2
PIECE_PT: Final = 5.5
EVERY: Final = 5
LINE_HEIGHT: Final = 1.05


@dataclass(frozen=True, slots=True)
class Labelled:
    """What was written on one sheet."""

    pieces: IntArray
    """pieces whose number stands beside them"""
    beds: IntArray
    forced: int
    """beds whose id had no free place and stands over the drawing"""


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """One sheet being lettered."""

    pen: Pen
    view: View
    scene: Scene
    taken: Taken
    area: Any
    """the ground whose things are lettered here, as a polygon"""
    box: tuple[float, float, float, float]

    @property
    def content(self) -> Content:
        return self.scene.content

    def inside(self, xy: XYArray) -> np.ndarray:
        west, south, east, north = self.box
        made: np.ndarray = (
            (xy[..., 0] >= west) & (xy[..., 0] < east) & (xy[..., 1] >= south) & (xy[..., 1] < north)
        )
        return made

    def half(self, text: str, size: float, face: Face = "regular") -> tuple[float, float]:
        return self.pen.fonts.width(text, size, face) / 2 + 0.9, size * LINE_HEIGHT / 2

    def write(
        self,
        text: str,
        size: float,
        centres: XYArray,
        angles: FloatArray,
        *,
        face: Face = "regular",
        colour: str = signs.INK,
        backing: float = 0.75,
    ) -> XYArray | None:
        """Write at the first free place; the place, or None where none is free."""
        half = self.half(text, size, face)
        k = self.taken.free(centres, half, angles)
        if k is None:
            return None
        at: XYArray = centres[k]
        self.put(text, size, at, float(angles[k]), face=face, colour=colour, backing=backing)
        return at

    def put(
        self,
        text: str,
        size: float,
        at: FloatArray,
        angle: float,
        *,
        face: Face = "regular",
        colour: str = signs.INK,
        backing: float = 0.75,
    ) -> None:
        self.taken.mark_box(at, self.half(text, size, face), angle)
        self.pen.centred(
            float(at[0]), float(at[1]), text, size, face=face, colour=colour, angle_deg=angle, backing=backing
        )


def upright(angle_deg: FloatArray) -> FloatArray:
    """The same direction, readable from below or from the right: in (-90, 90]."""
    made: FloatArray = 90.0 - (90.0 - angle_deg) % 180.0
    return made


def letter_sheet(
    pen: Pen,
    view: View,
    scene: Scene,
    owned: tuple[float, float, float, float],
    *,
    inset_pt: float = 0.0,
    names: bool = True,
) -> Labelled:
    """Write every label of a sheet.

    Parameters
    ----------
    pen, view, scene : what to write with, where, and about what
    owned : west, south, east, north of the ground whose things are lettered on this sheet
    inset_pt : width along the edges that stays free of labels
    names : write the names of beds and abutments where there is room
    """
    corners = view.points(np.array([owned[:2], owned[2:]]))
    (x0, y0), (x1, y1) = corners + np.array([[inset_pt], [-inset_pt]])
    taken = Taken(x0, y0, x1 - x0, y1 - y0)
    sheet = _Sheet(pen, view, scene, taken, shapely.box(*owned), owned)
    seen = pieces_in(view, scene)
    _mark(sheet, seen)
    own = seen[sheet.inside(scene.content.result.pieces.xy[seen])]
    beds, forced = _beds(sheet, own, names=names)
    _unmet(sheet)
    _runs(sheet)
    _points(sheet)
    _legs(sheet)
    numbered = _piece_numbers(sheet, own)
    if names:
        _abutments(sheet)
    return Labelled(numbered, beds, forced)


def _mark(sheet: _Sheet, seen: IntArray) -> None:
    """Take what is drawn already."""
    content, view, taken = sheet.content, sheet.view, sheet.taken
    pieces, runs = content.result.pieces, content.plan.runs
    xy, offsets = take_parts(pieces.outline_xy, pieces.outline_offsets, seen)
    taken.mark_lines(view.points(xy), offsets, closed=True)
    xy, offsets = take_parts(runs.xy, runs.offsets, content.legs)
    taken.mark_lines(view.points(xy), offsets)
    taken.mark_segments(*joint_ticks(view, content))
    at, across = stop_bars(view, sheet.scene)
    taken.mark_segments(at - across, at + across)
    special = seen[pieces.kind[seen] != PieceKind.SECTION]
    arrows = first_sections(content, seen)
    for rows, half in ((special, 2.6), (arrows, 2.8)):
        middle = view.points(pieces.xy[rows])
        around = np.array([(a, b) for a in np.linspace(-half, half, 6) for b in np.linspace(-half, half, 6)])
        taken.mark_points((middle[:, None] + around).reshape(-1, 2))
    for shapes in (sheet.scene.bare, sheet.scene.openings):
        near = shapes[shapely.intersects(shapes, sheet.area)] if len(shapes) else shapes
        for part in shapely.get_parts(near):
            line = shapely.get_coordinates(part)
            taken.mark_lines(view.points(line), np.array([0, len(line)]))


# ---------------------------------------------------------------- beds


def _beds(sheet: _Sheet, own: IntArray, *, names: bool) -> tuple[IntArray, int]:
    content = sheet.content
    pieces, runs = content.result.pieces, content.plan.runs
    beds = np.unique(pieces.bed[own])
    unmet = sheet.scene.unmet_legs
    if len(unmet):
        places = sheet.scene.leg_places[0][unmet]
        beds = np.union1d(beds, runs.bed[runs.leg_run[unmet[sheet.inside(places).any(axis=1)]]])
    forced = 0
    for bed in beds.tolist():
        forced += _bed(sheet, bed, str(content.site.beds.names[bed]) if names else "")
    return beds, forced


def _bed(sheet: _Sheet, bed: int, name: str) -> int:
    """Write a bed's id, with its name below where both have room; 1 where it had to be forced."""
    pen, text = sheet.pen, sheet.content.bed_text[bed]
    shape = shapely.intersection(shapely.make_valid(sheet.scene.beds[bed]), sheet.area)
    if shapely.is_empty(shape):
        shape = shapely.intersection(sheet.scene.beds[bed].envelope, sheet.area)
    if shapely.is_empty(shape):
        # edging some way off its bed: the sheet's nearest point to the bed, which itself is on the next one
        shape = shapely.get_point(shapely.shortest_line(sheet.area, sheet.scene.beds[bed]), 0)
    in_points = shapely.transform(shape, sheet.view.points)
    inside, angles = _inside_places(in_points)
    name = "" if name == text else pen.fonts.fit(name, NAME_PT, 110.0, "italic")
    if name and len(inside):
        half = max(sheet.half(text, BED_PT, "bold")[0], sheet.half(name, NAME_PT, "italic")[0]), 8.4
        k = sheet.taken.free(inside, half, angles)
        if k is not None:
            _two_lines(sheet, text, name, inside[k], float(angles[k]))
            return 0
    for size in (BED_PT, 7.5):
        if sheet.write(text, size, inside, angles, face="bold", colour=signs.INK) is not None:
            return 0
    around = _outside_places(in_points, *sheet.half(text, BED_PT, "bold"))
    found = sheet.write(text, BED_PT, around, np.zeros(len(around)), face="bold")
    if found is not None:
        _leader(sheet, found, sheet.half(text, BED_PT, "bold"), in_points)
        return 0
    tried = np.concatenate([inside, around])
    turn = np.concatenate([angles, np.zeros(len(around))])
    k = int(np.argmin(sheet.taken.crowding(tried, sheet.half(text, 7.5, "bold"), turn)))
    sheet.put(text, 7.5, tried[k], float(turn[k]), face="bold", backing=0.9)
    return 1


def _two_lines(sheet: _Sheet, text: str, name: str, at: FloatArray, angle: float) -> None:
    turn = np.radians(angle)
    up = np.array([-np.sin(turn), np.cos(turn)])
    sheet.put(text, BED_PT, at + up * 3.4, angle, face="bold")
    sheet.put(name, NAME_PT, at - up * 4.6, angle, face="italic", colour=signs.GREY)


def _inside_places(shape: Any) -> tuple[XYArray, FloatArray]:
    """Places within a bed, level ones first, then along its long side."""
    if shapely.get_dimensions(shape) < 2:
        return np.empty((0, 2)), np.empty(0)
    parts = shapely.get_parts(shape)
    largest = parts[int(np.argmax(shapely.area(parts)))]
    circle = shapely.get_coordinates(shapely.maximum_inscribed_circle(largest, tolerance=1.0))[0]
    west, south, east, north = shapely.bounds(largest).tolist()
    middle = np.array([(west + east) / 2, (south + north) / 2])
    centre = shapely.get_coordinates(shapely.centroid(largest))[0]
    places = [circle, centre, middle, (circle + centre) / 2]
    # along the widest level line and the tallest upright one through the inscribed circle
    for share in (0.2, 0.35, 0.65, 0.8):
        places.append(np.array([west + (east - west) * share, circle[1]]))
        places.append(np.array([circle[0], south + (north - south) * share]))
    kept = np.array(places)[shapely.contains_xy(largest, np.array(places))]
    ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(largest))
    side = np.diff(ring, axis=0)[:2] if len(ring) >= 3 else np.array([(1.0, 0.0)])
    long = side[int(np.argmax(np.hypot(*side.T)))]
    along = float(upright(np.degrees(np.arctan2(long[1], long[0]))))
    turns = [0.0] if abs(along) < 3 else [0.0, along]
    return np.concatenate([kept] * len(turns)), np.repeat(turns, len(kept))


def _outside_places(
    shape: Any, half_w: float, half_h: float, gaps: tuple[float, ...] = (9.0, 14.0, 20.0, 28.0)
) -> XYArray:
    """Places round a bed's box, nearer ones first."""
    west, south, east, north = shapely.bounds(shape).tolist()
    made = []
    for gap in gaps:
        for share in (0.5, 0.25, 0.75, 0.0, 1.0):
            x, y = west + (east - west) * share, south + (north - south) * share
            made += [
                (x, north + gap + half_h),
                (x, south - gap - half_h),
                (east + gap + half_w, y),
                (west - gap - half_w, y),
            ]
    return np.array(made)


def _leader(sheet: _Sheet, at: FloatArray, half: tuple[float, float], shape: Any) -> None:
    """A fine line from a label to what it names."""
    label = shapely.box(at[0] - half[0], at[1] - half[1], at[0] + half[0], at[1] + half[1])
    line = shapely.get_coordinates(shapely.shortest_line(label, shape))
    if len(line) == 2 and np.hypot(*(line[1] - line[0])) > 2.0:
        sheet.pen.line(line, Stroke(signs.INK, 0.3))
        sheet.taken.mark_segments(line[:1], line[1:])


# ---------------------------------------------------------------- runs, points, legs


def _beside(
    sheet: _Sheet, xy: XYArray, heading_deg: FloatArray, away: tuple[float, ...]
) -> tuple[XYArray, FloatArray]:
    """Places beside points of a line, at distances from its edge; positive is away from the bed.

    All distances of the first point come before those of the next.
    """
    turn = np.radians(heading_deg)
    right = np.column_stack([np.cos(turn), -np.sin(turn)])
    deepest = max(x.depth_um for x in sheet.content.result.lines)
    edge = um_to_m(deepest) / 2 * sheet.view.pt_per_m
    steps = np.array([d + np.sign(d) * edge for d in away])
    places = sheet.view.points(xy)[:, None, :] + right[:, None, :] * steps[:, None]
    angle = upright(90.0 - heading_deg)
    return places.reshape(-1, 2), np.repeat(angle, len(away))


def _runs(sheet: _Sheet) -> None:
    """Each run once on a sheet, near its start if that is here."""
    content = sheet.content
    runs = content.plan.runs
    places, headings = sheet.scene.leg_places
    for run in content.runs.tolist():
        legs = np.arange(runs.leg_offsets[run], runs.leg_offsets[run + 1])
        here = sheet.inside(places[legs])
        if not here.any():
            continue
        xy, heading = places[legs][here][:24], headings[legs][here][:24]
        at, angle = _beside(sheet, xy, heading, (10.0, 14.5, 19.5, -10.0, -14.5))
        several = len(content.result.lines) > 1
        line = f" {content.result.line_of_run(run).key}" if several else ""
        sheet.write(f"{content.run_text[run]}{line}", RUN_PT, at, angle, face="bold", colour=signs.BLUE)


def _points(sheet: _Sheet) -> None:
    """Letters of corners and ends, with the sign of the corner."""
    content, points = sheet.content, sheet.content.points
    rows = content.point_rows[sheet.inside(points.xy[content.point_rows])]
    compass = np.radians([315, 45, 225, 135, 0, 180, 90, 270])
    ring = np.column_stack([np.cos(compass), np.sin(compass)])
    for row in rows.tolist():
        text = str(points.letter[row])
        corner = points.kind[row] == NodeKind.CORNER
        half_w, half_h = sheet.half(text, POINT_PT, "bold")
        width = half_w + (2.6 if corner else 0.0)
        middle = sheet.view.points(points.xy[row])[0]
        places = np.concatenate([middle + ring * (r + width * 0.5) for r in (6.4, 8.5, 11.0, 14.0)])
        k = sheet.taken.free(places, (width, half_h), np.zeros(len(places)))
        if k is None:
            continue
        at = places[k]
        sheet.taken.mark_box(at, (width, half_h))
        if corner:
            sign = signs.OUTSIDE if points.turn_deg[row] > 0 else signs.INSIDE
            signs.place(sheet.pen, sign, at[None] - (half_w + 0.2, 0))
        x = float(at[0]) + (2.6 if corner else 0.0)
        sheet.pen.centred(x, float(at[1]), text, POINT_PT, face="bold", backing=0.75)


def _legs(sheet: _Sheet) -> None:
    """Length of each leg, along it."""
    content = sheet.content
    places, headings = sheet.scene.leg_places
    lengths = content.leg_m
    for leg in content.legs.tolist():
        here = sheet.inside(places[leg])
        if not here.any():
            continue
        text = content.show.one(float(lengths[leg]))
        at, angle = _beside(sheet, places[leg][here], headings[leg][here], (9.4, -9.4, 13.2, -13.2))
        sheet.write(text, LEG_PT, at, angle)


def _unmet(sheet: _Sheet) -> None:
    content = sheet.content
    places, headings = sheet.scene.leg_places
    unmet = content.result.unmet
    for leg, short in zip(unmet.leg.tolist(), unmet.short_m.tolist(), strict=True):
        here = sheet.inside(places[leg])
        if leg not in content.legs or not here.any():
            continue
        text = f"UNMET {content.show.one(short)}" if short else "UNMET"
        at, angle = _beside(sheet, places[leg][here], headings[leg][here], (6.5, -6.5, 11.0, -11.0, 16.0))
        sheet.write(text, LEG_PT, at, angle, face="bold", colour=signs.VERMILION)


def _piece_numbers(sheet: _Sheet, own: IntArray) -> IntArray:
    """Numbers of pieces: first, last and every fifth of each leg, then what has room."""
    content = sheet.content
    pieces = content.result.pieces
    numbers = content.piece_number
    nth = np.array([int(numbers[p]) if numbers[p].isdigit() else 0 for p in own], dtype=np.int64)
    first = sheet.scene.first_or_last[own] | (nth % EVERY == 0)
    written: list[int] = []
    for rows in (own[first], own[~first]):
        if not len(rows):
            continue
        # kinds that differ from the usual one come first: they are what a crew looks for
        rows = rows[np.argsort(pieces.kind[rows] == PieceKind.SECTION, kind="stable")]  # noqa: PLW2901
        at, angle = _beside(sheet, pieces.xy[rows], pieces.heading_deg[rows], (5.0, -5.0, 7.0, -7.0))
        at, angle = at.reshape(len(rows), -1, 2), angle.reshape(len(rows), -1)
        written += [
            int(piece)
            for k, piece in enumerate(rows)
            if sheet.write(numbers[piece], PIECE_PT, at[k], angle[k], backing=0.0) is not None
        ]
    return np.array(sorted(written), dtype=np.int64)


def _abutments(sheet: _Sheet) -> None:
    """Names of buildings and walls, where there is room."""
    layer = sheet.content.layers["abutments"]
    for shape, name in zip(sheet.scene.abutments, layer.columns["name"], strict=True):
        if not shapely.intersects(shape, sheet.area) or shapely.get_dimensions(shape) < 2:
            continue
        seen = shapely.transform(
            shapely.intersection(shapely.make_valid(shape), sheet.area), sheet.view.points
        )
        at, angle = _inside_places(seen)
        text = sheet.pen.fonts.fit(str(name), NAME_PT, 120.0, "italic")
        half = sheet.half(text, NAME_PT, "italic")
        fits = np.array(
            [shapely.contains(seen, _box(p, half, a)) for p, a in zip(at, angle, strict=True)], dtype=bool
        )
        sheet.write(text, NAME_PT, at[fits], angle[fits], face="italic", colour=signs.GREY, backing=0.9)


def _box(at: FloatArray, half: tuple[float, float], angle_deg: float) -> Any:
    """A turned rectangle as a polygon."""
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half
    return shapely.polygons(turned(corners, angle_deg, 1.0) + at)


# ---------------------------------------------------------------- overview


def letter_overview(
    pen: Pen, view: View, scene: Scene, reserved: list[tuple[float, float, float, float]]
) -> None:
    """Ids of beds, with a leader where they do not fit, and names of abutments.

    Parameters
    ----------
    pen, view, scene : what to write with, where, and about what
    reserved : (x, y, half width, half height) of boxes that are taken
    """
    window = view.window
    inset = 10.0
    taken = Taken(window.x + inset, window.y + inset, window.width - 2 * inset, window.height - 2 * inset)
    owned = view.ground
    sheet = _Sheet(pen, view, scene, taken, shapely.box(*owned), owned)
    for x, y, half_w, half_h in reserved:
        taken.mark_box(np.array([x, y]), (half_w, half_h))
    runs = scene.content.plan.runs
    xy, offsets = take_parts(runs.xy, runs.offsets, scene.content.legs)
    taken.mark_lines(view.points(xy), offsets)
    for bed in scene.content.beds.tolist():
        _overview_bed(sheet, bed)
    _abutments(sheet)


def _overview_bed(sheet: _Sheet, bed: int) -> None:
    text, size = sheet.content.bed_text[bed], 6.8
    shape = shapely.transform(shapely.make_valid(sheet.scene.beds[bed]), sheet.view.points)
    inside, angles = _inside_places(shape)
    if sheet.write(text, size, inside, angles, face="bold") is not None:
        return
    half = sheet.half(text, size, "bold")
    around = _outside_places(shape, *half, gaps=(3.0, 6.0, 11.0, 18.0, 27.0))
    found = sheet.write(text, size, around, np.zeros(len(around)), face="bold")
    if found is not None:
        _leader(sheet, found, half, shape)
        return
    k = int(np.argmin(sheet.taken.crowding(around, half, np.zeros(len(around)))))
    sheet.put(text, size, around[k], 0.0, face="bold", backing=0.85)
    _leader(sheet, around[k], half, shape)
