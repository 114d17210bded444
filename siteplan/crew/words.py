"""Texts of legs and pieces for the crew: where a leg begins and ends, how a piece is sawn, steps."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from siteplan.layers import NODE_WORDS
from siteplan.laying.takeoff import Takeoff
from siteplan.model import NodeKind
from siteplan.plans import RunPlan
from siteplan.types import FloatArray, IntArray, KindArray
from siteplan.units import um_to_m

Show = Callable[[float], str]
LEAST_SAW_DEG = 0.05


def leg_rows(plan: RunPlan, result: Takeoff, legs: IntArray, chosen: IntArray) -> dict[str, Any]:
    """Columns of the legs: ids, runs, lengths, ends in words.

    Parameters
    ----------
    legs : rows that are wanted
    chosen : runs that are wanted; the column ``run`` counts among them
    """
    runs, stations = plan.runs, result.stations
    return {
        "ids": [str(i) for i in runs.leg_id[legs]],
        "run": np.searchsorted(chosen, runs.leg_run[legs]).tolist(),
        "um": stations.leg_um[legs].tolist(),
        "from": stations.leg_from_um[legs].tolist(),
        "straight": runs.straight[legs].tolist(),
        "start": _end_words(runs.start_kind[legs], runs.start_turn_deg[legs]),
        "far": _end_words(runs.far_kind[legs], runs.far_turn_deg[legs]),
        "joint": (runs.start_kind[legs] == NodeKind.JOINT).tolist(),
    }


def _end_words(kinds: KindArray, turns_deg: FloatArray) -> list[str]:
    words = []
    for kind, turn in zip(kinds.tolist(), turns_deg.tolist(), strict=True):
        corner = "outside corner" if turn > 0 else "inside corner"
        words.append(corner if kind == NodeKind.CORNER else NODE_WORDS[NodeKind(kind)])
    return words


def piece_notes(plan: RunPlan, result: Takeoff, rows: IntArray, show: Show) -> dict[str, list[str]]:
    """Lines about single pieces, by their place in laying order (as text: JSON has no other keys)."""
    pieces = result.pieces
    backwards = result.rules.lay_from == "far"
    place = {row: k for k, row in enumerate(rows.tolist())}
    made: dict[str, list[str]] = {}

    def say(row: int, text: str) -> None:
        if row in place:
            made.setdefault(str(place[row]), []).append(text)

    if pieces.start_saw_deg is not None and pieces.far_saw_deg is not None and pieces.stock_um is not None:
        sawn = np.isfinite(pieces.start_saw_deg) | np.isfinite(pieces.far_saw_deg)
        for row in np.flatnonzero(sawn).tolist():
            for word, angle in (("start", pieces.start_saw_deg[row]), ("end", pieces.far_saw_deg[row])):
                if np.isfinite(angle) and abs(angle) >= LEAST_SAW_DEG:
                    say(row, _saw_text(word, float(angle), backwards))
            if pieces.stock_um[row]:
                say(row, f"takes {show(um_to_m(int(pieces.stock_um[row])))} of a section")
    if result.steps is not None:
        steps = result.steps
        for before, after, rise in zip(
            steps.before.tolist(), steps.after.tolist(), steps.rise_m.tolist(), strict=True
        ):
            row, up = (before, -rise) if backwards else (after, rise)
            say(row, f"step {'up' if up > 0 else 'down'} {show(abs(up))} on to this piece")
    return made


def _saw_text(word: str, angle: float, backwards: bool) -> str:
    """How an end is sawn, as the person who lays sees it."""
    if backwards:
        word, angle = ("end" if word == "start" else "start"), -angle
    return f"{word} sawn {abs(angle):.1f}° off square, {'right' if angle > 0 else 'left'} face longer"
