"""Ticks held against the pieces of the plan: what is laid, what was taken back, what fits nowhere.

A tick belongs to a piece of the plan where run and code are the same, both stations agree within the
tolerance, and the place on earth does too.  So a tick made to an older plan counts exactly where the
piece still lies as it lay; the id of the piece need not be the same, since a corner more in front
gives every later leg another number.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np

from siteplan.asbuilt.merging import Sheaf, holds_over, listed
from siteplan.asbuilt.records import FieldFile, Tick
from siteplan.errors import Finding
from siteplan.layers import KIND_WORDS
from siteplan.laying.takeoff import Takeoff
from siteplan.model import PieceKind
from siteplan.plans import RunPlan
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, IntArray, KindArray, ObjectArray, XYArray

NOT_TICKED: Final = 0
LAID: Final = 1
TAKEN_BACK: Final = 2
ROUNDED_M: Final = 0.002
"""places in a field file are written to eight decimals of a degree, a millimetre or so"""


@dataclass(frozen=True, slots=True)
class Stray:
    """A tick that fits no piece of the plan."""

    tick: Tick
    file: str
    plan: str
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Ticked:
    """What the field files say of each piece.  p pieces."""

    state: KindArray
    """(p,) :data:`NOT_TICKED`, :data:`LAID`, :data:`TAKEN_BACK`"""
    first_s: FloatArray
    """(p,) earliest moment at which the piece was ticked as laid, seconds since 1970 in UTC; NaN where
    it is not laid"""
    by: ObjectArray
    """(p,) str: the phone whose tick holds, empty where there is none"""
    used: ObjectArray
    """(p,) str: code that was really laid, empty where it is the plan's"""
    cut: ObjectArray
    """(p,) str: length it was cut to, as typed"""
    run_state: KindArray
    """(r,) pieces of the run laid: 0 none, 1 some, 2 all"""
    strays: tuple[Stray, ...]
    """ticks of laid pieces that fit nothing, each piece once"""
    stray_xy: XYArray
    """(s, 2) ground metres of these"""
    findings: tuple[Finding, ...]

    @property
    def laid(self) -> BoolArray:
        """(p,) True where laid."""
        made: BoolArray = self.state == LAID
        return made


def piece_status(ticked: Ticked, run: IntArray) -> ObjectArray:
    """(p,) words for each piece: laid, laid as another, taken back, missing, not started.

    ``missing`` is a piece nobody ticked in a run where others are laid; in a run without a laid
    piece it is ``not started``.
    """
    begun = ticked.run_state[run] > 0
    words = np.where(begun, "missing", "not started").astype(object)
    words[ticked.state == TAKEN_BACK] = "taken back"
    laid = ticked.laid
    other = laid & np.array([bool(u) or bool(c) for u, c in zip(ticked.used, ticked.cut, strict=True)])
    words[laid] = "laid"
    words[other] = "laid as another"
    return words


class _Plan:
    """Pieces of the plan, to be found by id, or by run, code and station."""

    def __init__(self, plan: RunPlan, result: Takeoff) -> None:
        pieces = result.pieces
        self.pieces = pieces
        self.run_id = plan.runs.run_id[pieces.run].astype(str)
        self.kind = [KIND_WORDS[PieceKind(int(k))] for k in pieces.kind]
        self.by_id = {str(name): k for k, name in enumerate(pieces.piece_id)}
        by_run: dict[tuple[str, str, str], list[int]] = {}
        keys = zip(self.run_id.tolist(), map(str, pieces.code), self.kind, strict=True)
        for k, key in enumerate(keys):
            by_run.setdefault(key, []).append(k)
        self.by_run = {key: np.array(rows, dtype=np.int64) for key, rows in by_run.items()}
        self.runs = set(map(str, plan.runs.run_id))

    def find(self, tick: Tick, xy: FloatArray, within_um: int) -> tuple[int, str]:
        """The piece a tick belongs to and an empty text; or -1 and why there is none."""
        near = self.by_id.get(tick.piece)
        key = (tick.run, tick.code, tick.kind)
        at = -1
        if near is not None and (self.run_id[near], self.pieces.code[near], self.kind[near]) == key:
            at = near
        if at < 0 or self._off_um(at, tick) > within_um:
            rows = self.by_run.get(key)
            if rows is not None:
                begins = np.abs(self.pieces.from_um[rows] - tick.from_um)
                ends = np.abs(self.pieces.to_um[rows] - tick.to_um)
                at = int(rows[np.argmin(np.maximum(begins, ends))])
        if tick.run not in self.runs:
            return -1, f"the plan has no run {tick.run}"
        if at < 0:
            return -1, f"run {tick.run} has no {tick.kind} {tick.code}"
        off_um = self._off_um(at, tick)
        if off_um > within_um:
            return -1, (
                f"the nearest {tick.kind} {tick.code} of run {tick.run} begins or ends {off_um / 1e3:.0f} mm "
                "from its stations"
            )
        away_m = float(np.hypot(*(self.pieces.xy[at] - xy)))
        if away_m > within_um / 1e6 + ROUNDED_M:
            return -1, f"it lay {away_m * 1e3:.0f} mm from where it lies now"
        return at, ""

    def _off_um(self, k: int, tick: Tick) -> int:
        pieces = self.pieces
        return max(abs(int(pieces.from_um[k]) - tick.from_um), abs(int(pieces.to_um[k]) - tick.to_um))


def hold_ticks(site: Site, plan: RunPlan, result: Takeoff, sheaf: Sheaf, digest: str) -> Ticked:
    """Every tick of the files, at the piece of the plan it belongs to.

    Parameters
    ----------
    site, plan, result : the plan, its runs where they are laid
    sheaf : the field files
    digest : hash of the plan
    """
    index = _Plan(plan, result)
    count = len(result.pieces)
    held: dict[int, tuple[Tick, str]] = {}
    laid_by: dict[int, dict[tuple[float, str], Tick]] = {}
    seen_of: dict[int, set[tuple[float, str, bool]]] = {}
    stray: dict[tuple[str, str], Stray] = {}
    stray_place: dict[tuple[str, str], FloatArray] = {}
    renamed: Counter[str] = Counter()
    older: list[tuple[str, FieldFile, int, int]] = []
    twice: dict[str, list[str]] = {}
    within_um = site.settings.asbuilt.tick_within
    for file, label in zip(sheaf.files, sheaf.labels, strict=True):
        xy = _places(site, file)
        counted = Counter(t.piece for t in file.ticks)
        again = [piece for piece, n in counted.items() if n > 1]
        if again:
            twice[label] = again
        taken = 0
        for tick, at in zip(file.ticks, xy, strict=True):
            k, why = index.find(tick, at, within_um)
            if k < 0:
                key = (file.plan, tick.piece)
                if key not in stray or holds_over(tick, stray[key].tick):
                    stray[key], stray_place[key] = Stray(tick, label, file.plan, why), at
                continue
            taken += 1
            renamed[label] += tick.piece != str(result.pieces.piece_id[k])
            seen_of.setdefault(k, set()).add((tick.when.timestamp(), tick.by, tick.laid))
            if tick.laid:
                laid_by.setdefault(k, {})[(tick.when.timestamp(), tick.by)] = tick
            if k not in held or holds_over(tick, held[k][0]):
                held[k] = tick, label
        if file.plan != digest:
            older.append((label, file, taken, len(file.ticks)))
    state = np.full(count, NOT_TICKED, dtype=np.int8)
    first_s = np.full(count, np.nan)
    by, used, cut = (np.full(count, "", dtype=object) for _ in range(3))
    for k, (tick, _) in held.items():
        state[k] = LAID if tick.laid else TAKEN_BACK
        by[k] = tick.by
        if tick.laid:
            first_s[k] = min(when for when, _ in laid_by[k])
            used[k] = tick.used if tick.used and tick.used != tick.code else ""
            cut[k] = tick.cut or ""
    lost = [key for key in sorted(stray) if stray[key].tick.laid]
    run_state = _run_state(plan, result, state)
    return Ticked(
        state, first_s, by, used, cut, run_state,
        tuple(stray[key] for key in lost),
        np.array([stray_place[key] for key in lost], dtype=np.float64).reshape(-1, 2),
        (
            *_older(sheaf, older, renamed), *_twice(result, twice, laid_by, seen_of),
            *_stray_findings(lost, stray, digest),
        ),
    )  # fmt: skip


def _places(site: Site, file: FieldFile) -> XYArray:
    """(t, 2) ground metres of the ticks of a file."""
    lonlat = np.array([(t.lon, t.lat) for t in file.ticks], dtype=np.float64).reshape(-1, 2)
    if not len(lonlat):
        return lonlat
    xy: XYArray = site.frame.ground_xy(lonlat, "EPSG:4326")
    return xy


def _run_state(plan: RunPlan, result: Takeoff, state: KindArray) -> KindArray:
    runs = len(plan.runs.run_id)
    all_of = np.bincount(result.pieces.run, minlength=runs)
    laid = np.bincount(result.pieces.run[state == LAID], minlength=runs)
    made: KindArray = np.where(laid == 0, 0, np.where(laid < all_of, 1, 2)).astype(np.int8)
    return made


def _older(
    sheaf: Sheaf, older: list[tuple[str, FieldFile, int, int]], renamed: Counter[str]
) -> list[Finding]:
    found = []
    for label, file, taken, ticks in older:
        revision = f", revision {file.revision[:40]}" if file.revision else ""
        other = f" {renamed[label]} of them have another number now." if renamed[label] else ""
        grade = "notice" if taken == ticks else "error"
        found.append(
            Finding(
                "older-plan",
                grade,  # type: ignore[arg-type]
                f"{label} was made to another plan ({file.plan[:12]}{revision}): {taken} of its {ticks} "
                f"ticks are of pieces that lie where they lay and count; {ticks - taken} do not."
                f"{other}",
            )
        )
    return found


def _twice(
    result: Takeoff,
    twice: dict[str, list[str]],
    laid_by: dict[int, dict[tuple[float, str], Tick]],
    seen_of: dict[int, set[tuple[float, str, bool]]],
) -> list[Finding]:
    ids = result.pieces.piece_id
    found = [
        Finding(
            "ticked-twice",
            "notice",
            f"{label} has some pieces more than once ({len(again)}): {listed(again)}.",
        )
        for label, again in twice.items()
    ]
    several = [k for k, ticks in sorted(laid_by.items()) if len({by for _, by in ticks}) > 1]
    if several:
        found.append(
            Finding(
                "ticked-twice",
                "notice",
                f"Pieces ticked on two phones ({len(several)}): {listed(str(ids[k]) for k in several)}. "
                "Each counts once, with the earliest time.",
            )
        )
    torn = [
        k
        for k in several
        if len({(t.used or "", t.cut or "") for t in laid_by[k].values()}) > 1
    ]  # fmt: skip
    if torn:
        found.append(
            Finding(
                "conflict", "notice", f"Two phones say different things of what was laid as "
                f"{listed(str(ids[k]) for k in torn)}. The later tick counts.",
            )
        )  # fmt: skip
    undone = [
        k
        for k, seen in sorted(seen_of.items())
        if len({by for _, by, _ in seen}) > 1 and len({laid for _, _, laid in seen}) > 1
    ]
    if undone:
        found.append(
            Finding(
                "conflict", "notice", f"One phone ticked and another took back "
                f"{listed(str(ids[k]) for k in undone)}. The later tick counts.",
            )
        )  # fmt: skip
    return found


def _stray_findings(
    lost: list[tuple[str, str]], stray: dict[tuple[str, str], Stray], digest: str
) -> list[Finding]:
    """One finding for each run of ticks that fit nothing."""
    by_run: dict[tuple[str, str], list[Stray]] = {}
    for key in lost:
        by_run.setdefault((stray[key].plan, stray[key].tick.run), []).append(stray[key])
    found = []
    for (plan, run), rows in sorted(by_run.items()):
        whose = "this plan, which is not so" if plan == digest else f"plan {plan[:12]}"
        why = Counter(s.why for s in rows).most_common(1)[0][0]
        found.append(
            Finding(
                "not-of-this-plan",
                "error",
                f"Run {run[:80]}: {len(rows)} pieces were laid to {whose}, and do not count here: "
                f"{listed((s.tick.piece for s in rows), 4)}. Most of them because {why[:200]}.",
            )
        )
    return found
