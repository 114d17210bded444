"""Phases of the work: which bed belongs to which, and what each of them takes.

Every bed belongs to one phase, so runs, pieces and lengths of the phases add up to the site's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from siteplan.errors import UsageError
from siteplan.laying.order import NO_PHASE
from siteplan.model import PieceKind
from siteplan.tomlfile import nearest
from siteplan.types import BoolArray, ObjectArray

if TYPE_CHECKING:
    from siteplan.laying.takeoff import Takeoff
    from siteplan.plans import RunPlan
    from siteplan.sites import Site

SHOWN_OF_A_LIST: Final = 12


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """The takeoff of one phase."""

    phase: str
    """empty for beds that are in none"""
    beds: int
    """beds with edging"""
    runs: int
    ground_m: float
    """plan length of its runs on the ground"""
    counts: dict[str, int]
    """pieces of every code that is used, in catalogue order; a cut piece counts as one of its section"""
    by_kind: dict[str, int]
    unmet: int
    """legs and corners that are not made"""


def bed_phases(site: Site) -> ObjectArray | None:
    """(n,) phase of each bed: ``site.toml``, else attribute ``phase``; None where no bed has one."""
    attribute = site.beds.attributes.get("phase")
    own = site.settings.bed
    names = []
    for k, bed in enumerate(site.beds.ids):
        said = own[bed].phase if bed in own else None
        if said is None and attribute is not None and attribute[k] is not None:
            value = attribute[k]
            said = str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
        names.append(NO_PHASE if said is None else said.strip())
    if not any(names):
        return None
    made = np.empty(len(names), dtype=object)
    made[:] = names
    return made


def phase_names(site: Site, phase: ObjectArray) -> list[str]:
    """Phases in order of building: as ``site.toml`` lists them, then others by name."""
    listed = [p.name for p in site.settings.phase]
    return [*listed, *sorted({str(p) for p in phase} - set(listed))]


def choose_beds(site: Site, beds: Sequence[str] = (), phase: str | None = None) -> BoolArray:
    """(n,) True for the beds asked for; all where nothing was asked.

    Parameters
    ----------
    site : the site
    beds : ids; empty for all
    phase : only beds of this phase, as ``site.toml`` or the attribute says it

    Raises
    ------
    UsageError : an unknown bed (every one is named) or phase, or beds that are not of the phase.
    """
    chosen = np.ones(len(site.beds), dtype=bool) if phase is None else _of_phase(site, phase)
    if not beds:
        return chosen
    index = {str(bed): k for k, bed in enumerate(site.beds.ids)}
    unknown = [bed for bed in beds if bed not in index]
    if unknown:
        hints = []
        for bed in unknown:
            like = nearest(bed, set(index))
            hints.append(f'"{bed}"' + (f' (did you mean "{like}"?)' if like else ""))
        raise UsageError(f"there is no bed {', '.join(hints)} on this site")
    named = np.zeros(len(site.beds), dtype=bool)
    named[[index[bed] for bed in beds]] = True
    if not (named & chosen).any():
        raise UsageError(f"none of the beds named is of phase {phase}")
    return named & chosen


def _of_phase(site: Site, phase: str) -> BoolArray:
    """(n,) True for the beds of a phase."""
    of_bed = bed_phases(site)
    if of_bed is None:
        raise UsageError(
            'the beds have no attribute "phase", and site.toml gives them none; name beds with --bed instead'
        )
    chosen: BoolArray = np.array([p == phase.strip() for p in of_bed], dtype=bool)
    if not chosen.any() or not phase.strip():
        known = [name for name in phase_names(site, of_bed) if name]
        raise UsageError(f'no bed is of phase "{phase}"; phases are {", ".join(known[:SHOWN_OF_A_LIST])}')
    return chosen


def phase_rows(site: Site, plan: RunPlan, result: Takeoff) -> tuple[PhaseRow, ...]:
    """The takeoff by phase, in order of building; nothing where no bed has a phase.

    Phases without a run are left out.
    """
    phase = bed_phases(site)
    if phase is None:
        return ()
    names = phase_names(site, phase)
    rank = np.array([names.index(str(p)) for p in phase], dtype=np.int64)
    runs, pieces = plan.runs, result.pieces
    of_run, of_piece = rank[runs.bed], rank[pieces.bed]
    n = len(names)
    counts = np.zeros((n, len(result.codes)), dtype=np.int64)
    np.add.at(counts, of_run, result.run_counts)
    kinds = np.zeros((n, len(PieceKind)), dtype=np.int64)
    np.add.at(kinds, (of_piece, pieces.kind), 1)
    n_runs = np.bincount(of_run, minlength=n)
    unmet = np.bincount(of_run[result.unmet.run], minlength=n)
    length = np.bincount(of_run, weights=plan.lengths.run_ground_m, minlength=n)
    return tuple(
        PhaseRow(
            phase=name,
            beds=len(np.unique(runs.bed[of_run == p])),
            runs=int(n_runs[p]),
            ground_m=float(length[p]),
            counts={c: int(k) for c, k in zip(result.codes, counts[p], strict=True) if k},
            by_kind={k.name.lower(): int(kinds[p, k]) for k in PieceKind},
            unmet=int(unmet[p]),
        )
        for p, name in enumerate(names)
        if n_runs[p]
    )
