"""The tables that travel between the stages, as frozen dataclasses of arrays.

Data flows one way (see DEVELOPERS.md)::

    intake -> Features -> frame -> outline -> Runs, Legs, Corners -> takeoff -> Takeoff, Pieces -> layers

Lengths are ground metres of the site (suffix ``_m``) or whole micrometres (``_um``).
``xy`` is always ground metres in the site's working axes: x east, y north, small
numbers; only :mod:`siteplan.frame` knows how they lie on the earth.  Ragged tables use
offsets: part k is ``values[offsets[k]:offsets[k + 1]]``.

Runs are walked with the bed on the left.  A left turn (positive) is therefore an
*outside corner*, a right turn (negative) an *inside corner*.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

from siteplan.types import (
    BoolArray,
    FloatArray,
    IntArray,
    KindArray,
    ObjectArray,
    OffsetArray,
    XYArray,
)


class RingKind(IntEnum):
    """What one ring of vertices of a feature is."""

    OUTER = 0
    """closed: the outside of a polygon part"""
    ISLAND = 1
    """closed: a hole in the polygon part before it"""
    LINE = 2
    """open: a line"""
    POINT = 3
    """a single vertex (openings only)"""


class NodeKind(IntEnum):
    """What stands at one end of a leg."""

    CORNER = 0
    """the leg meets the next one at a corner"""
    FREE = 1
    """free end of the run: an end unit stands here if the line has one"""
    ABUTTED = 2
    """the run ends against a wall, kerb or other abutment: end clearance, no end unit"""
    TEE = 3
    """the run ends against the edging of another run: half that edging's depth and the end clearance"""
    SEAM = 4
    """a closed run without corners: the leg's two ends are the same joint"""
    JOINT = 5
    """a movement joint: the leg is split here, and the joint takes its width off both parts"""
    SET = 6
    """a common joint that is held at its place: behind the half piece an even course begins with"""


class PieceKind(IntEnum):
    """Kinds of piece (trade words; see docs/words.md)."""

    SECTION = 0
    CLOSER = 1
    CUT = 2
    CORNER = 3
    END = 4


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Features of one role (beds, abutments or openings), all in one CRS, as they came.

    n features, r rings, v vertices.  Closed rings repeat no vertex: the closing vertex of
    the file is dropped.  Ring order: for each polygon part its OUTER ring, then its ISLANDs.
    """

    role: str
    """``beds``, ``abutments`` or ``openings``"""
    crs: str
    """authority code or WKT of the coordinates"""
    ids: ObjectArray
    """(n,) str, unique, not empty: the id used everywhere"""
    names: ObjectArray
    """(n,) str for people, as the data has it; may repeat; the id where the data has none"""
    coords: FloatArray
    """(v, 2) in ``crs``, x/easting/longitude first whatever the axis order of the CRS"""
    z: FloatArray
    """(v,) heights as they came, NaN where the file has none"""
    ring_offsets: OffsetArray
    """(r + 1,)"""
    ring_kind: KindArray
    """(r,) RingKind"""
    ring_feature: IntArray
    """(r,) feature of each ring; not decreasing"""
    file: ObjectArray
    """(n,) str: file (and layer) each feature came from, for messages"""
    row: IntArray
    """(n,) number of the feature in its file, from 1"""
    attributes: dict[str, ObjectArray] = field(default_factory=dict)
    """(n,) values of every attribute of the files, None where absent"""

    def __len__(self) -> int:
        return len(self.ids)


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """Features of one role in the site's working axes (made by the frame from Features).

    Same ring order and offsets as the Features they came from.
    """

    ids: ObjectArray
    """(n,) str"""
    xy: XYArray
    """(v, 2) ground metres"""
    ring_offsets: OffsetArray
    ring_kind: KindArray
    ring_feature: IntArray

    def __len__(self) -> int:
        return len(self.ids)


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Edging laid without a break, with its legs and corners.

    r runs, l legs, v vertices, c corners.  Legs are in walking order within a run, runs in
    order of bed, then ring, then along the ring.  Everything lies on the laying line.
    """

    run_id: ObjectArray
    """(r,) str such as ``B07-1``"""
    bed: IntArray
    """(r,) index into the beds"""
    ring: IntArray
    """(r,) index of the outline ring of the beds' Shapes the run follows"""
    closed: BoolArray
    """(r,) True for a ring"""
    leg_offsets: OffsetArray
    """(r + 1,) legs of each run"""

    leg_id: ObjectArray
    """(l,) str such as ``B07-1-2``"""
    leg_run: IntArray
    """(l,)"""
    xy: XYArray
    """(v, 2) vertices of all legs, both ends included, so a corner appears twice"""
    offsets: OffsetArray
    """(l + 1,) vertices of each leg; at least two each"""
    length_m: FloatArray
    """(l,) ground length of the laying line, corner point to corner point (or run end)"""
    start_kind: KindArray
    """(l,) NodeKind"""
    far_kind: KindArray
    """(l,) NodeKind"""
    start_turn_deg: FloatArray
    """(l,) signed turn at the start corner, left positive; 0 where there is none"""
    far_turn_deg: FloatArray
    """(l,) signed turn at the far corner, left positive; 0 where there is none"""
    straight: BoolArray
    """(l,) True where the leg is one straight line (two vertices)"""
    left_radius_m: FloatArray
    """(l,) least radius of left-turning (outward) curve in the leg, inf where none"""
    right_radius_m: FloatArray
    """(l,) least radius of right-turning (inward) curve in the leg, inf where none"""
    straightened_m: FloatArray
    """(l,) greatest distance a traced vertex was moved when the leg was taken as straight"""

    corner_xy: XYArray
    """(c, 2)"""
    corner_leg: IntArray
    """(c,) the arriving leg; the leaving leg is the next one of the run (cyclic when closed)"""
    corner_turn_deg: FloatArray
    """(c,) signed, left positive = outside corner"""
    corner_moved_m: FloatArray
    """(c,) distance from the nearest traced vertex to where the fitted legs meet (before the offset)"""

    walked_m: FloatArray | None = None
    """(v,) how far along its leg each vertex is as the edging is laid, on a slope; None where
    that is the length along the vertices.  0 at a leg's start, ``length_m`` at its end"""
    start_meet_deg: FloatArray | None = None
    """(l,) angle between the leg and the face it starts at (an abutment, another run), in (0, 90];
    90 is square, and where no face is known.  None: 90 everywhere"""
    far_meet_deg: FloatArray | None = None
    """(l,) the same at the far end"""
    start_joint_um: IntArray | None = None
    """(l,) what a joint held at the leg's start takes off it, in place of an end clearance; -1 where
    there is none.  None: there are no such joints"""
    far_joint_um: IntArray | None = None
    """(l,) the same at the far end"""
    course: IntArray | None = None
    """(r,) number of the course each run is of, from 1; runs of one place differ in it.  None: one course"""
    start_slide: FloatArray | None = None
    """(l,) how far the leg's start goes along the leg for a metre the leg moves sideways, away from the bed
    positive: an end at a wall that slides along its face; NaN where it may not.  None: nowhere"""
    far_slide: FloatArray | None = None
    """(l,) the same at the far end"""
    line: IntArray | None = None
    """(r,) product line each run is laid with, as the lines that travel beside the runs count.  None: the
    first of them"""
    corner_exchanged: IntArray | None = None
    """(c,) 1 where a reversible corner unit must lie with its arms exchanged, -1 where it must not, 0
    where either will do.  None: 0 everywhere"""
    edge_radius_m: FloatArray | None = None
    """(v,) radius of the fitted arc the edge after each vertex belongs to, left positive; inf on a
    fitted straight line, NaN as traced and at the end of a leg.  None: nothing was fitted.
    :func:`siteplan.outline.refit_runs.stretch_table` gives the stretches"""
    traced_m: FloatArray | None = None
    """(l,) length with the outline as traced; None where that is ``length_m``"""
    corrected_m: FloatArray | None = None
    """(l,) length with what tracing does to it on the average taken off; NaN where it is not known how
    well the outline was traced, None where that is so everywhere"""
    corrected_sigma_m: FloatArray | None = None
    """(l,) standard deviation of that"""


@dataclass(frozen=True, slots=True, eq=False)
class Unedged:
    """Stretches of outline that take no edging, and why.

    s stretches as polylines on the outline (before the offset).
    """

    bed: IntArray
    """(s,)"""
    ring: IntArray
    """(s,)"""
    why: ObjectArray
    """(s,) ``abutment``, ``opening``, ``shared``, or ``short`` (too short to edge)"""
    other: ObjectArray
    """(s,) str: id of the abutment or opening, or of the bed that owns the shared edge"""
    length_m: FloatArray
    xy: XYArray
    offsets: OffsetArray


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Every piece of the plan, in laying order.  p pieces, v footprint vertices."""

    piece_id: ObjectArray
    """(p,) str such as ``B07-1-2-05`` (bed-run-leg-nn)"""
    bed: IntArray
    run: IntArray
    leg: IntArray
    """a corner belongs to its arriving leg, an end unit to the leg it stands on"""
    kind: KindArray
    """(p,) PieceKind"""
    code: ObjectArray
    """(p,) str: catalogue code; a cut piece has the code of the section it is cut from"""
    from_um: IntArray
    """(p,) station along the run where the piece starts"""
    to_um: IntArray
    """(p,) station where it ends; a corner of a closed run that straddles the start has
    ``from_um`` near the end of the run and ``to_um`` beyond the run length"""
    gap_um: IntArray
    """(p,) joint gap before the piece (between it and the piece before), 0 where there is none"""
    left_over_um: IntArray
    """(p,) signed left-over of the leg stored at the joint before this piece, else 0"""
    cut_um: IntArray
    """(p,) length a cut piece is cut to, else 0"""
    heading_deg: FloatArray
    """(p,) grid heading of the laying direction at the middle, clockwise from grid north, [0, 360)"""
    xy: XYArray
    """(p, 2) middle of the piece on the laying line (a corner: the corner point)"""
    outline_xy: XYArray
    """(v, 2) footprint rings, counter-clockwise, closed ring without the repeated vertex"""
    outline_offsets: OffsetArray
    """(p + 1,)"""
    deflection_deg: FloatArray
    """(p,) angle between the piece before and this one on a rigid line's curve, left positive; 0 elsewhere"""
    inner_um: FloatArray
    """(p,) opening of the joint before the piece at its inner face (the hollow side of the turn)"""
    outer_um: FloatArray
    """(p,) opening at its outer face; where nothing is deflected both are the gap"""
    start_saw_deg: FloatArray | None = None
    """(p,) angle off square at which a mitred or bevelled cut piece is sawn where it starts, positive
    where its right face is the longer one, walking; NaN where the end is square.  None: all are"""
    far_saw_deg: FloatArray | None = None
    """(p,) the same where it ends"""
    stock_um: IntArray | None = None
    """(p,) length of section a cut piece is sawn from, without the kerf: ``cut_um`` is its centre, and
    a point at a mitred end reaches farther; 0 for a piece that is not cut"""

    def __len__(self) -> int:
        return len(self.piece_id)
