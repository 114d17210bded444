"""The plan as shapes that can be looked up by sheet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import shapely

from siteplan.layers import Layer, geometries
from siteplan.laying.band import build_band, line_points
from siteplan.model import NodeKind
from siteplan.planar import part_of, ragged
from siteplan.sheets.content import Content
from siteplan.sheets.tiling import Ground
from siteplan.types import BoolArray, FloatArray, IntArray, ObjectArray, OffsetArray, XYArray

SHARES: Final = np.array(
    [
        0.5,
        0.42,
        0.58,
        0.34,
        0.66,
        0.26,
        0.74,
        0.18,
        0.82,
        0.1,
        0.9,
        0.46,
        0.54,
        0.38,
        0.62,
        0.3,
        0.7,
        0.22,
        0.78,
        0.14,
        0.86,
    ]
)
"""places along a leg where its label may stand, best first"""
COARSE: Final = 1 / 400
"""of the extent: what the key plan does not show"""
BARE_STEP_M: Final = 0.5
"""an unmet leg is looked at every so far, so that every part of it is on some sheet"""

SHARED: Final = (
    "piece_boxes", "leg_boxes", "beds", "abutments", "openings", "bare", "leg_places", "first_or_last",
)  # fmt: skip

Box = tuple[float, float, float, float]


def within(low: XYArray, high: XYArray, box: Box) -> BoolArray:
    """(n,) True where a box meets ``box`` (west, south, east, north)."""
    west, south, east, north = box
    made: BoolArray = (
        (high[:, 0] >= west) & (low[:, 0] <= east) & (high[:, 1] >= south) & (low[:, 1] <= north)
    )
    return made


def boxes(xy: XYArray, offsets: OffsetArray) -> tuple[XYArray, XYArray]:
    """Box of each part; parts must not be empty."""
    if len(offsets) < 2:
        return np.empty((0, 2)), np.empty((0, 2))
    return np.minimum.reduceat(xy, offsets[:-1]), np.maximum.reduceat(xy, offsets[:-1])


def take_parts(xy: XYArray, offsets: OffsetArray, parts: IntArray) -> tuple[XYArray, OffsetArray]:
    """The vertices of some parts."""
    counts = np.diff(offsets)[parts]
    return xy[ragged(offsets[:-1][parts], counts)], np.concatenate([[0], np.cumsum(counts)])


def rings(shape: Any) -> tuple[XYArray, OffsetArray]:
    """Rings of a polygon, of any number of parts, as vertices and offsets."""
    found = shapely.get_rings(shape)
    xy, part = shapely.get_coordinates(found, return_index=True)
    return xy, np.concatenate([[0], np.cumsum(np.bincount(part, minlength=len(found)))]).astype(np.int64)


@dataclass(frozen=True, eq=False)
class Scene:
    """Shapes of a plan in ground metres, made once and used by every sheet."""

    content: Content

    def only(self, chosen: BoolArray) -> Scene:
        """The same plan with other beds drawn; what does not depend on them is not made again."""
        made = Scene(self.content.only(chosen))
        shared = (self.piece_boxes, self.leg_boxes, self.beds, self.abutments, self.openings, self.bare,
                  self.leg_places, self.first_or_last)  # fmt: skip
        vars(made).update(zip(SHARED, shared, strict=True))
        return made

    @cached_property
    def piece_boxes(self) -> tuple[XYArray, XYArray]:
        """Boxes of the footprints."""
        pieces = self.content.result.pieces
        return boxes(pieces.outline_xy, pieces.outline_offsets)

    @cached_property
    def leg_boxes(self) -> tuple[XYArray, XYArray]:
        """Boxes of the legs."""
        runs = self.content.plan.runs
        return boxes(runs.xy, runs.offsets)

    def shapes(self, layer: Layer) -> ObjectArray:
        """Geometry of each row of a layer."""
        if not len(layer) or not len(layer.xy):
            return np.empty(0, dtype=object)
        return np.asarray(shapely.from_wkb(geometries(layer, layer.xy)), dtype=object)

    @cached_property
    def beds(self) -> ObjectArray:
        """Outlines of the beds."""
        return self.shapes(self.content.layers["beds"])

    @cached_property
    def outlines(self) -> tuple[XYArray, OffsetArray]:
        """Rings and lines of the beds that are drawn, with few vertices: for a drawing of stamp size."""
        shapes = self.beds[self.content.beds]
        west, south, east, north = shapely.total_bounds(shapes).tolist()
        parts = shapely.get_parts(shapely.simplify(shapes, max(east - west, north - south) * COARSE))
        parts = parts[~shapely.is_empty(parts) & (shapely.get_dimensions(parts) > 0)]
        area = shapely.get_dimensions(parts) == 2
        lines = np.concatenate([shapely.get_rings(parts[area]), parts[~area]])
        xy, part = shapely.get_coordinates(lines, return_index=True)
        return xy, np.concatenate([[0], np.cumsum(np.bincount(part, minlength=len(lines)))]).astype(np.int64)

    @cached_property
    def abutments(self) -> ObjectArray:
        """Abutments."""
        return self.shapes(self.content.layers["abutments"])

    @cached_property
    def openings(self) -> ObjectArray:
        """Openings."""
        return self.shapes(self.content.layers["openings"])

    @cached_property
    def bare(self) -> ObjectArray:
        """Stretches that take no edging."""
        return self.shapes(self.content.layers["unedged"])

    @cached_property
    def leg_places(self) -> tuple[XYArray, FloatArray]:
        """(l, s, 2) places along each leg and (l, s) headings there, best place for a label first."""
        content = self.content
        runs, stations = content.plan.runs, content.result.stations
        at = stations.leg_from_um[:, None] + stations.leg_um[:, None] * SHARES
        run = np.repeat(runs.leg_run, len(SHARES))
        xy, heading = line_points(build_band(runs, content.result.run_depth_um), run, at.ravel())
        return xy.reshape(-1, len(SHARES), 2), heading.reshape(-1, len(SHARES))

    @cached_property
    def unmet_legs(self) -> IntArray:
        """Legs that are drawn and not met."""
        return np.intersect1d(self.content.result.unmet.leg, self.content.legs)

    @cached_property
    def first_or_last(self) -> BoolArray:
        """(p,) True for the first and the last piece of each leg."""
        leg = self.content.result.pieces.leg
        change = np.append(True, leg[1:] != leg[:-1]) if len(leg) else np.empty(0, dtype=bool)
        return change | np.append(change[1:], True) if len(leg) else change

    def ground(self) -> Ground:
        """What must be on some sheet: every piece, and every part of a leg left bare."""
        content = self.content
        low, high = self.piece_boxes
        pieces = content.pieces
        bare, _ = self.bare_points
        usual = content.result.usual_um / 1e6
        return Ground(
            middle=np.concatenate([content.result.pieces.xy[pieces], bare]),
            low=np.concatenate([low[pieces], bare]),
            high=np.concatenate([high[pieces], bare]),
            usual_m=usual,
        )

    @cached_property
    def bare_points(self) -> tuple[XYArray, IntArray]:
        """Points along unmet legs, ends included, and the run of each."""
        runs = self.content.plan.runs
        xy, offsets = take_parts(runs.xy, runs.offsets, self.unmet_legs)
        if not len(xy):
            return xy, np.empty(0, dtype=np.int64)
        last = np.zeros(len(xy), dtype=bool)
        last[offsets[1:] - 1] = True
        a, b = xy[~last], xy[np.flatnonzero(~last) + 1]
        steps = np.maximum(1, np.ceil(np.hypot(*(b - a).T) / BARE_STEP_M)).astype(np.int64)
        share = ragged(np.zeros(len(steps), np.int64), steps + 1) / np.repeat(steps, steps + 1)
        k = part_of(np.concatenate([[0], np.cumsum(steps + 1)]))
        run = runs.leg_run[self.unmet_legs[part_of(offsets)[~last][k]]]
        return a[k] + (b - a)[k] * share[:, None], run

    @cached_property
    def tee_or_wall(self) -> IntArray:
        """Points where a run ends against something."""
        points = self.content.points
        rows = self.content.point_rows
        made: IntArray = rows[np.isin(points.kind[rows], (NodeKind.ABUTTED, NodeKind.TEE))]
        return made
