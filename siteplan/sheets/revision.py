"""Which plan this is: a hash of its numbers, the same on every sheet and file of a handout."""

from __future__ import annotations

import hashlib
import json
from typing import Final

import numpy as np

from siteplan.laying.takeoff import Takeoff
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.types import FloatArray, KindArray

SHOWN: Final = 12


def plan_hash(site: Site, plan: RunPlan, result: Takeoff) -> str:
    """SHA-256 of what a crew lays out, as 64 hexadecimal digits.

    It covers the grid, the product line's key (of several lines, that of every run), the length
    basis, run and leg ids with their lengths, and every piece: id, kind, code, stations, gap,
    left-over, cut length, and position in the grid.  Lengths and positions count to the nearest
    0.1 mm, so that the last digits of a projection do not make another plan.  Names, notes and
    colours do not count.
    """
    pieces, runs = result.pieces, plan.runs
    head = {
        "grid": [site.frame.name, site.frame.unit, f"{site.frame.combined_factor:.8f}", site.frame.datum],
        "basis": site.settings.length_basis,
        "line": result.lines[0].key,
        **({} if len(result.lines) == 1 else {"lines": _keys(result)}),
        "runs": list(map(str, runs.run_id)),
        "legs": list(map(str, runs.leg_id)),
        "pieces": list(map(str, pieces.piece_id)),
        "codes": list(map(str, pieces.code)),
    }
    made = hashlib.sha256(json.dumps(head, ensure_ascii=True, separators=(",", ":")).encode())
    made.update(_whole(pieces.kind))
    for um in (pieces.from_um, pieces.to_um, pieces.gap_um, pieces.left_over_um, pieces.cut_um):
        made.update(_whole(um / 100))
    metres_per_unit = site.frame.ground_m_per_grid_unit
    origin = np.asarray(site.frame.origin) * metres_per_unit
    for metres in (runs.length_m, runs.corner_xy + origin, pieces.xy + origin):
        made.update(_whole(metres * 1e4))
    return made.hexdigest()


def _keys(result: Takeoff) -> list[str]:
    """Key of the line of every run."""
    return [result.lines[k].key for k in result.run_line.tolist()]


def _whole(values: FloatArray | KindArray) -> bytes:
    """Nearest whole numbers, as the same bytes on every machine."""
    return np.rint(np.asarray(values, dtype=np.float64)).astype("<i8").tobytes()


def short_hash(digest: str) -> str:
    """The first digits, in groups that can be read out."""
    return " ".join(digest[k : k + 4] for k in range(0, SHOWN, 4))
