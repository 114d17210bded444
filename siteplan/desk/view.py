"""A planned part as the page draws it: WGS 84 positions and texts, cut to what is in view.

Everything is made once per part and kept; an answer takes rows out of it.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np

from siteplan.desk.bare import bare_lines
from siteplan.desk.words import Words
from siteplan.errors import Finding
from siteplan.layers import run_lines
from siteplan.model import PieceKind
from siteplan.parts import Part
from siteplan.planar import offsets_of, ragged
from siteplan.publish.write import all_findings
from siteplan.types import BoolArray, FloatArray, IntArray, LonLatArray, OffsetArray

Box = tuple[float, float, float, float]
"""west, south, east, north"""

MOST_PIECES: Final = 15_000
"""pieces drawn at once"""
MOST_LEGS: Final = 1_500
"""legs named at once"""
FAR_LEGS: Final = 500
"""the same while pieces are too small to draw"""
LEAST_PIXELS: Final = 3.0
"""a section shorter than this on the screen is not drawn"""
PLACE_DECIMALS: Final = 10
"""of the degrees of a place that comes back to be stored: a hundredth of a millimetre"""
_UNIT: Final = 1e8
_DEGREE_M: Final = 111_320.0
_PIXEL_DEG: Final = 360.0 / 256.0
"""degrees of longitude of a pixel at zoom 0"""


@dataclass(frozen=True, eq=False)
class Lines:
    """Lines with a text each, and the bed they belong to."""

    ids: list[str]
    texts: list[str]
    bed: IntArray
    lonlat: LonLatArray
    offsets: OffsetArray
    box: FloatArray
    """(n, 4)"""

    @classmethod
    def of(
        cls,
        ids: Iterable[str],
        texts: Iterable[str],
        bed: IntArray,
        lonlat: LonLatArray,
        offsets: OffsetArray,
    ) -> Lines:
        """Lines and their boxes."""
        return cls(list(map(str, ids)), list(texts), bed, lonlat, offsets, boxes_of(lonlat, offsets))

    def within(self, box: Box | None, beds: BoolArray) -> list[int]:
        """Rows of some beds that a box may show."""
        keep = beds[self.bed]
        if box is not None:
            keep = keep & meets(self.box, box)
        return np.flatnonzero(keep).tolist()

    def line(self, row: int) -> list[list[float]]:
        """Places of a line, to the millimetre."""
        made: list[list[float]] = self._rounded[self.offsets[row] : self.offsets[row + 1]].tolist()
        return made

    @cached_property
    def _rounded(self) -> LonLatArray:
        return np.round(self.lonlat, 8)


BED_SUMS: Final = ("length_m", "runs", "legs", "pieces", "outside", "corners")
"""what is summed for every bed"""


@dataclass(frozen=True, eq=False)
class BedSums:
    """Sums of each bed.  n beds, a articles."""

    values: FloatArray
    """(n, 6) as :data:`BED_SUMS` names them"""
    counts: IntArray
    """(n, a) pieces of each article"""
    cuts: IntArray
    """(n,) cut pieces"""


@dataclass(frozen=True, eq=False)
class PartView:
    """What there is to draw of a part.  n beds."""

    part: Part
    words: Words

    @cached_property
    def bed_ids(self) -> list[str]:
        """Ids of the beds, as the indices count them."""
        return [str(i) for i in self.part.site.beds.ids]

    @cached_property
    def index(self) -> dict[str, int]:
        """Index of each bed."""
        return {bed: k for k, bed in enumerate(self.bed_ids)}

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What there is to say of the part: looked for once, not for every bed somebody clicks."""
        return all_findings(self.part.site, self.part.plan, self.part.result)

    @cached_property
    def bed_sums(self) -> BedSums:
        """What the panel of the site adds up."""
        plan, result, n = self.part.plan, self.part.result, len(self.part.site.beds)
        runs, pieces = plan.runs, result.pieces
        of_leg = runs.bed[runs.leg_run]
        of_corner = of_leg[runs.corner_leg]

        def count(bed: IntArray, weights: Any = None) -> FloatArray:
            made: FloatArray = np.bincount(bed, weights=weights, minlength=n).astype(np.float64)
            return made

        counts = np.zeros((n, result.leg_counts.shape[1]), dtype=np.int64)
        np.add.at(counts, of_leg, result.leg_counts)
        values = [
            count(runs.bed, plan.lengths.run_ground_m),
            count(runs.bed),
            count(of_leg),
            count(pieces.bed),
            count(of_corner, runs.corner_turn_deg > 0),
            count(of_corner),
        ]
        cuts = count(pieces.bed, pieces.kind == PieceKind.CUT).astype(np.int64)
        return BedSums(np.stack(values, axis=1), counts, cuts)

    @cached_property
    def runs(self) -> Lines:
        """Runs, closed ones back to their start."""
        part = self.part
        xy, offsets = run_lines(part.plan.runs)
        return Lines.of(
            part.plan.runs.run_id, [""] * len(part.plan.runs.run_id), part.plan.runs.bed,
            part.site.frame.wgs84(xy), offsets,
        )  # fmt: skip

    @cached_property
    def unmet_runs(self) -> BoolArray:
        """(r,) runs with a leg that is not met."""
        unmet = np.zeros(len(self.part.plan.runs.run_id), dtype=np.bool_)
        unmet[self.part.result.unmet.run] = True
        return unmet

    @cached_property
    def unmet_texts(self) -> list[str]:
        """What each leg lacks that is not met, and why."""
        return self.words.unmet(self.part)

    @cached_property
    def unmet(self) -> Lines:
        """What is not met, as the stretch of the leg that lies bare."""
        runs, unmet = self.part.plan.runs, self.part.result.unmet
        lines = bare_lines(runs, self.part.result)
        xy = np.concatenate(lines) if lines else np.zeros((0, 2))
        return Lines.of(
            runs.leg_id[unmet.leg], self.unmet_texts, runs.bed[unmet.run],
            self.part.site.frame.wgs84(xy), offsets_of(np.array([len(x) for x in lines], dtype=np.int64)),
        )  # fmt: skip

    @cached_property
    def corners(self) -> Lines:
        """Corners, as lines of one place."""
        runs = self.part.plan.runs
        return Lines.of(
            runs.leg_id[runs.corner_leg], self.words.corners(self.part),
            runs.bed[runs.leg_run[runs.corner_leg]],
            self.part.site.frame.wgs84(runs.corner_xy), np.arange(len(runs.corner_leg) + 1),
        )  # fmt: skip

    @cached_property
    def legs(self) -> Lines:
        """Legs, as the place of their label; their lengths are put into words where they are shown."""
        runs = self.part.plan.runs
        low, high = runs.offsets[:-1], runs.offsets[1:] - 1
        count = high - low
        # half way: between two vertices of an even number of edges it is the vertex itself
        one, two = low + (count - 1) // 2 + (count % 2 == 0), low + count // 2 + (count % 2 == 1)
        middle = (runs.xy[one] + runs.xy[np.maximum(two, one)]) / 2
        return Lines.of(
            runs.leg_id, [""] * len(runs.leg_id), runs.bed[runs.leg_run],
            self.part.site.frame.wgs84(middle), np.arange(len(runs.leg_id) + 1),
        )  # fmt: skip

    @cached_property
    def leg_lines(self) -> Lines:
        """Legs, as the lines they are: what a click on one finds."""
        runs = self.part.plan.runs
        return Lines.of(
            runs.leg_id, [""] * len(runs.leg_id), runs.bed[runs.leg_run],
            self.part.site.frame.wgs84(runs.xy), runs.offsets,
        )  # fmt: skip

    @cached_property
    def ring(self) -> IntArray:
        """(v, 2) corners of the footprints, whole 1e-8 degrees."""
        lonlat = self.part.site.frame.wgs84(self.part.result.pieces.outline_xy)
        units: IntArray = np.rint(lonlat * _UNIT).astype(np.int64)
        return units

    @cached_property
    def piece_box(self) -> FloatArray:
        """(p, 4) box of each footprint, degrees."""
        return boxes_of(self.ring / _UNIT, self.part.result.pieces.outline_offsets)

    def pieces(self, box: Box | None, beds: BoolArray) -> IntArray:
        """Pieces of some beds that a box shows."""
        keep = beds[self.part.result.pieces.bed]
        if box is not None and keep.any() and not self._lies_in(box):
            keep = keep & meets(self.piece_box, box)
        return np.flatnonzero(keep)

    def _lies_in(self, box: Box) -> bool:
        """Whether every piece surely does, without a place of each."""
        xy = self.part.result.pieces.outline_xy
        low, high = xy.min(axis=0), xy.max(axis=0)
        # sides of a rectangle of the grid are a little bent in degrees
        aside = 1.0 + 0.01 * (high - low).max()
        (west, south), (east, north) = low - aside, high + aside
        corners = np.array([[west, south], [east, south], [east, north], [west, north]])
        lon, lat = self.part.site.frame.wgs84(corners).T
        inside: bool = (lon >= box[0]).all() and (lat >= box[1]).all()
        return bool(inside and (lon <= box[2]).all() and (lat <= box[3]).all())

    def count(self, box: Box | None, beds: BoolArray) -> int:
        """How many pieces of some beds a box shows."""
        return len(self.pieces(box, beds))


@dataclass(frozen=True, eq=False)
class Shown:
    """A part, and which of its beds still stand as it planned them."""

    view: PartView
    live: BoolArray


def plan_answer(
    shown: Sequence[Shown], *, box: Box | None = None, zoom: float | None = None
) -> dict[str, Any]:
    """The plan as the page draws it.

    Parameters
    ----------
    shown : parts
    box : what is in view; everything where None
    zoom : of the map; footprints too small to see are left out
    """
    runs, corners, unmet, legs = [], [], [], []
    for each in shown:
        view, ids = each.view, each.view.bed_ids
        part = view.runs
        for k in part.within(box, each.live):
            bed = ids[part.bed[k]]
            runs.append(
                {"id": part.ids[k], "bed": bed, "unmet": bool(view.unmet_runs[k]), "line": part.line(k)}
            )
        part, turn = view.corners, view.part.plan.runs.corner_turn_deg
        for k in part.within(box, each.live):
            corners.append(
                {
                    "bed": ids[part.bed[k]],
                    "at": part.line(k)[0],
                    "turn": "outside" if turn[k] > 0 else "inside",
                    "text": part.texts[k],
                }
            )
        part = view.unmet
        for k in part.within(box, each.live):
            unmet.append(
                {"leg": part.ids[k], "bed": ids[part.bed[k]], "text": part.texts[k], "line": part.line(k)}
            )
    pieces, note = _pieces(shown, box, zoom)
    rows = [each.view.legs.within(box, each.live) for each in shown]
    # from afar nobody reads or hits a leg of a large site: its lines are not written out
    if sum(map(len, rows)) <= (FAR_LEGS if pieces is None else MOST_LEGS):
        for each, row in zip(shown, rows, strict=True):
            part, lines, ids = each.view.legs, each.view.leg_lines, each.view.bed_ids
            texts = each.view.words.lengths(each.view.part.plan.runs.length_m[row])
            legs += [
                {
                    "id": part.ids[k],
                    "bed": ids[part.bed[k]],
                    "text": text,
                    "at": part.line(k)[0],
                    "line": lines.line(k),
                }
                for k, text in zip(row, texts, strict=True)
            ]
    return {
        "runs": runs,
        "corners": corners,
        "unmet": unmet,
        "legs": legs,
        "pieces": pieces,
        "pieces_note": note,
    }


def _pieces(
    shown: Sequence[Shown], box: Box | None, zoom: float | None
) -> tuple[dict[str, Any] | None, str | None]:
    """Footprints packed, or why there are none."""
    rows = [each.view.pieces(box, each.live) for each in shown]
    total = sum(len(r) for r in rows)
    if total and zoom is not None:
        part = shown[0].view.part
        metres = part.site.line.sections[0].laying_um / 1e6
        lat = part.site.frame.centre_lonlat[1]
        pixel_m = _PIXEL_DEG / 2.0**zoom * _DEGREE_M * float(np.cos(np.radians(lat)))
        if metres < LEAST_PIXELS * pixel_m:
            return None, f"{total:,} pieces in view, too small to draw here. Zoom in to see each piece."
    if total > MOST_PIECES:
        return None, (
            f"{total:,} pieces in view; at most {MOST_PIECES:,} are drawn at once. Zoom in to see each piece."
        )
    ring, count, kind, ids, bed = [], [], [], [], []
    beds: list[str] = []
    codes: dict[str, int] = {}
    code: list[int] = []
    for each, row in zip(shown, rows, strict=True):
        pieces = each.view.part.result.pieces
        sizes = np.diff(pieces.outline_offsets)[row]
        ring.append(each.view.ring[ragged(pieces.outline_offsets[:-1][row], sizes)])
        count.append(sizes)
        kind.append(pieces.kind[row])
        ids += pieces.piece_id[row].tolist()
        code += [codes.setdefault(str(c), len(codes)) for c in pieces.code[row].tolist()]
        index, place = np.unique(pieces.bed[row], return_inverse=True)
        bed.append(place.ravel() + len(beds))
        beds += [each.view.bed_ids[b] for b in index.tolist()]
    xy = np.concatenate(ring) if ring else np.zeros((0, 2), dtype=np.int64)
    first = xy.min(axis=0) if len(xy) else np.zeros(2, dtype=np.int64)
    return {
        "count": total,
        "base": [int(v) / _UNIT for v in first],
        "scale": 1 / _UNIT,
        "ring": _packed(xy - first, "<i4"),
        "offsets": _packed(offsets_of(np.concatenate(count)) if count else np.zeros(1), "<u4"),
        "kind": _packed(np.concatenate(kind) if kind else np.zeros(0), "u1"),
        "id": ids,
        "code": _packed(np.array(code), "<u4"),
        "codes": list(codes),
        "bed": _packed(np.concatenate(bed) if bed else np.zeros(0), "<u4"),
        "beds": beds,
    }, None


def _packed(values: Any, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")


def rounded(lonlat: LonLatArray) -> LonLatArray:
    """Places as the page gets them: ten decimals, a hundredth of a millimetre.

    Raises
    ------
    ValueError : one that is none, which JSON would pass off as null
    """
    if not np.isfinite(lonlat).all():
        raise ValueError("a place of the plan is not finite")
    made: LonLatArray = np.round(lonlat, PLACE_DECIMALS)
    return made


def places(lonlat: LonLatArray) -> list[list[float]]:
    """Places for the page, see :func:`rounded`."""
    made: list[list[float]] = rounded(lonlat).tolist()
    return made


def boxes_of(lonlat: LonLatArray, offsets: OffsetArray) -> FloatArray:
    """(n, 4) west, south, east, north of each part of a ragged table; no part is empty."""
    if len(offsets) < 2:
        return np.zeros((0, 4))
    at = offsets[:-1]
    return np.hstack([np.minimum.reduceat(lonlat, at), np.maximum.reduceat(lonlat, at)])


def meets(boxes: FloatArray, box: Box) -> BoolArray:
    """(n,) boxes that touch a box."""
    west, south, east, north = box
    found: BoolArray = (
        (boxes[:, 2] >= west) & (boxes[:, 0] <= east) & (boxes[:, 3] >= south) & (boxes[:, 1] <= north)
    )
    return found
