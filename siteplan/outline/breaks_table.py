"""The table of stretches that take no edging, between finding them and cutting the runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siteplan.types import FloatArray, IntArray, KindArray, ObjectArray, XYArray


@dataclass(frozen=True, slots=True, eq=False)
class Breaks:
    """Stretches of the repaired outline with no edging.  b stretches.

    Stretches of one ring do not overlap; they may touch.  Where a point is given for an
    end, the neighbouring leg is made longer or shorter along its own direction until it is
    level with that point: a leg that runs square into a wall goes to the face.
    """

    ring: IntArray
    """(b,) ring of the repaired Shapes"""
    from_m: FloatArray
    """(b,) station along the repaired ring from its first vertex, 0 <= from < ring length"""
    to_m: FloatArray
    """(b,) > ``from_m``; beyond the ring length where the stretch straddles vertex 0 of a
    closed ring; at most the length of an open line"""
    why: ObjectArray
    """(b,) ``abutment``, ``opening`` or ``shared``"""
    other: ObjectArray
    """(b,) str: id of the abutment or opening, or of the bed that owns the shared edge"""
    start_end: KindArray
    """(b,) NodeKind (ABUTTED, FREE or TEE) of the run end that lies at ``from_m``"""
    far_end: KindArray
    """(b,) NodeKind of the run end that lies at ``to_m``"""
    start_xy: XYArray
    """(b, 2) where the leg before the stretch must end; NaN: the point at ``from_m``"""
    far_xy: XYArray
    """(b, 2) where the leg after the stretch must start; NaN: the point at ``to_m``"""
    start_face: XYArray | None = None
    """(b, 2) direction of the face the leg before the stretch runs into, from where it ends and on
    the side on which the face comes back towards the leg; NaN where there is no such face, or
    it is square to the leg.  None: no face is known"""
    far_face: XYArray | None = None
    """(b, 2) the same for the leg after the stretch"""
    start_face_xy: XYArray | None = None
    """(b, 2) a point on that face; NaN where there is none"""
    far_face_xy: XYArray | None = None

    def __len__(self) -> int:
        return len(self.ring)


def no_breaks() -> Breaks:
    """An empty table: every outline is edged all the way."""
    return Breaks(
        ring=np.zeros(0, dtype=np.int64),
        from_m=np.zeros(0),
        to_m=np.zeros(0),
        why=np.zeros(0, dtype=object),
        other=np.zeros(0, dtype=object),
        start_end=np.zeros(0, dtype=np.int8),
        far_end=np.zeros(0, dtype=np.int8),
        start_xy=np.zeros((0, 2)),
        far_xy=np.zeros((0, 2)),
    )
