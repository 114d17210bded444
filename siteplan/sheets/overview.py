"""Everything on one sheet: where the beds are, and which plan sheet shows what."""

from __future__ import annotations

import numpy as np
import shapely

from siteplan.sheets import signs
from siteplan.sheets.border import draw_grid, draw_grid_numbers, grid_marks
from siteplan.sheets.drawing import draw_ground
from siteplan.sheets.labels import letter_overview
from siteplan.sheets.paper import MM_PT, Scale, overview_scales
from siteplan.sheets.pen import Pen, Stroke
from siteplan.sheets.scene import Scene
from siteplan.sheets.tiling import Tiling, View, Window
from siteplan.types import XYArray

AIR_PT = 8.0 * MM_PT


def site_box(scene: Scene, tiling: Tiling | None = None) -> tuple[XYArray, XYArray]:
    """Least and greatest coordinates of the chosen beds, and of the sheets."""
    west, south, east, north = shapely.total_bounds(scene.beds[scene.content.beds]).tolist()
    low, high = np.array([west, south]), np.array([east, north])
    if tiling is not None and tiling.margin_pt:
        low = np.minimum(low, [(min(t.x0 for t in tiling.tiles)), min(t.y0 for t in tiling.tiles)])
        high = np.maximum(
            high, [max(t.x0 + t.width_m for t in tiling.tiles), max(t.y0 + t.height_m for t in tiling.tiles)]
        )
    return low, high


def fitting_scale(low: XYArray, high: XYArray, window: Window, units: str) -> Scale:
    """The largest round scale at which a box fits a window; the smallest one there is if none does."""
    room = np.array([window.width, window.height]) - 2 * AIR_PT
    scales = overview_scales(units)
    return next((s for s in scales if ((high - low) * s.pt_per_m <= room).all()), scales[-1])


def overview_view(scene: Scene, tiling: Tiling | None, window: Window) -> tuple[View, Scale]:
    """How everything fits a window, at a round scale."""
    low, high = site_box(scene, tiling)
    scale = fitting_scale(low, high, window, scene.content.show.unit)
    return View(window, tuple(((low + high) / 2).tolist()), scale.pt_per_m), scale


def draw_overview(pen: Pen, view: View, scene: Scene, tiling: Tiling | None, first_plan: int) -> None:
    """Beds, runs and walls, with the plan sheets as numbered frames."""
    marks = grid_marks(view, scene.content)
    draw_grid(pen, marks)
    draw_ground(pen, view, scene, pieces=False)
    tiles = tiling.tiles if tiling is not None and tiling.margin_pt else ()
    boxes = []
    for k, tile in enumerate(tiles):
        corner = view.points(np.array([(tile.x0, tile.y0)]))[0]
        w, h = tile.width_m * view.pt_per_m, tile.height_m * view.pt_per_m
        x, y = float(corner[0]), float(corner[1])
        pen.box(x, y, w, h, stroke=Stroke(signs.INK, 0.5, (6.0, 2.0)))
        pen.link(x, y, w, h, f"plan{k + 1}")
        text = f"Sheet {first_plan + k}"
        width = pen.fonts.width(text, 6.5, "bold") + 6
        boxes.append((x + width / 2 + 1.5, y + h - 6.2, width / 2, 5.0))
        pen.box(x + 1.5, y + h - 11.2, width, 9.7, fill=signs.WHITE, stroke=signs.FINE)
        pen.centred(x + 1.5 + width / 2, y + h - 6.4, text, 6.5, face="bold")
    letter_overview(pen, view, scene, boxes)
    draw_grid_numbers(pen, view, marks)
