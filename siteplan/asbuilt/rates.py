"""Production: pieces and metres in an hour, from the times a crew noted on its runs.

A crew hour is an hour in which somebody works on the run, however many they are; a person hour is an
hour of one of them.  Times of one run that overlap are one stretch of crew hours; in the overlap the
greater number of people counts, since the phones may be two of one crew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from siteplan.asbuilt.merging import Sheaf, listed
from siteplan.asbuilt.records import Spell
from siteplan.asbuilt.ticking import Ticked
from siteplan.errors import Finding
from siteplan.laying.takeoff import Takeoff
from siteplan.model import Runs
from siteplan.units import um_to_m


@dataclass(frozen=True, slots=True)
class RateRow:
    """One run, or all of them."""

    run: int
    """-1 for the whole site"""
    pieces: int
    metres: float
    """laid, along the laying line: from the start of each piece to its end"""
    crew_hours: float
    person_hours: float

    def per_crew_hour(self, amount: float) -> float:
        """So much an hour of the crew; NaN without hours."""
        return amount / self.crew_hours if self.crew_hours > 0 else float("nan")

    def per_person_hour(self, amount: float) -> float:
        """So much an hour of one person; NaN without hours."""
        return amount / self.person_hours if self.person_hours > 0 else float("nan")


def hours(spells: Sequence[tuple[float, float, int]]) -> tuple[float, float]:
    """Crew hours and person hours of stretches of time.

    Parameters
    ----------
    spells : start and stop in seconds, and how many people

    Returns
    -------
    Hours covered by at least one stretch, and hours times the greatest number of people at each time.

    Examples
    --------
    >>> hours([(0, 3600, 2), (1800, 5400, 3)])
    (1.5, 4.0)
    """
    edges = sorted({t for start, stop, _ in spells for t in (start, stop)})
    crew = person = 0.0
    open_at: list[int] = []
    starts: dict[float, list[int]] = {}
    stops: dict[float, list[int]] = {}
    for start, stop, people in spells:
        if stop > start:
            starts.setdefault(start, []).append(people)
            stops.setdefault(stop, []).append(people)
    before = None
    for at in edges:
        if before is not None and open_at:
            crew += at - before
            person += (at - before) * max(open_at)
        for people in stops.get(at, ()):
            open_at.remove(people)
        open_at += starts.get(at, [])
        before = at
    return crew / 3600, person / 3600


def rate_rows(
    runs: Runs, result: Takeoff, ticked: Ticked, sheaf: Sheaf
) -> tuple[tuple[RateRow, ...], tuple[Finding, ...]]:
    """Rates of the runs that have times, and of all of these together.

    Returns
    -------
    Rows in order of the runs, the whole site last; nothing without times.  Findings tell times that
    were never stopped, run backwards, overlap, or belong to no run.
    """
    index = {str(name): k for k, name in enumerate(runs.run_id)}
    found: list[Finding] = []
    usable: dict[int, list[Spell]] = {}
    lost: list[str] = []
    open_ones: list[str] = []
    backwards: list[str] = []
    for spell in sheaf.times:
        if spell.run not in index:
            lost.append(spell.run)
        elif spell.stop is None:
            open_ones.append(spell.run)
        elif spell.stop <= spell.start:
            backwards.append(spell.run)
        else:
            usable.setdefault(index[spell.run], []).append(spell)
    for names, code, what in (
        (lost, "time-of-no-run", "of runs the plan does not have"),
        (open_ones, "time-not-stopped", "that were never stopped, and count for nothing"),
        (backwards, "time-backwards", "that stop before they start, and count for nothing"),
    ):
        if names:
            text = f"Times {what} ({len(names)}): {listed(dict.fromkeys(names))}."
            found.append(Finding(code, "notice", text))
    overlapping = [str(runs.run_id[r]) for r, spells in sorted(usable.items()) if _overlap(spells)]
    if overlapping:
        found.append(
            Finding("time-overlaps", "notice", f"Times overlap on {listed(overlapping)}: the overlap counts "
                    "once, with the greater number of people.")
        )  # fmt: skip
    pieces = result.pieces
    laid = ticked.laid
    count = np.bincount(pieces.run[laid], minlength=len(runs.run_id))
    span_um = np.bincount(
        pieces.run[laid], weights=(pieces.to_um - pieces.from_um)[laid], minlength=len(runs.run_id)
    )
    rows = []
    for r, spells in sorted(usable.items()):
        crew, person = hours(_seconds(spells))
        rows.append(RateRow(r, int(count[r]), um_to_m(int(span_um[r])), crew, person))
    bare = [str(runs.run_id[r.run]) for r in rows if not r.pieces]
    if bare:
        found.append(Finding("time-without-pieces", "notice", f"Hours but no laid piece on {listed(bare)}."))
    without = np.flatnonzero((count > 0) & ~np.isin(np.arange(len(count)), [r.run for r in rows]))
    if rows and len(without):
        found.append(
            Finding("no-times", "notice", f"Runs with laid pieces and no times, which rates leave out "
                    f"({len(without)}): {listed(runs.run_id[without])}.")
        )  # fmt: skip
    if rows:
        rows.append(
            RateRow(-1, sum(r.pieces for r in rows), sum(r.metres for r in rows),
                    sum(r.crew_hours for r in rows), sum(r.person_hours for r in rows))
        )  # fmt: skip
    return tuple(rows), tuple(found)


def _seconds(spells: Sequence[Spell]) -> list[tuple[float, float, int]]:
    return [(s.start.timestamp(), s.stop.timestamp(), s.people) for s in spells if s.stop is not None]


def _overlap(spells: Sequence[Spell]) -> bool:
    spans = sorted(_seconds(spells))
    return any(later[0] < before[1] for before, later in pairwise(spans))
