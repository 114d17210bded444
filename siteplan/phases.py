"""Phases and owners: which run belongs to which, and what each of them takes.

Every run belongs to one phase and to one owner, so runs, pieces and lengths of the phases add up to
the site's, and so do those of the owners.
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
    from siteplan.model import Runs
    from siteplan.plans import RunPlan
    from siteplan.sites import Site

SHOWN_OF_A_LIST: Final = 12


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """The takeoff of one phase."""

    phase: str
    """empty for what is in none"""
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
    return _of_beds(site, "phase")


def bed_owners(site: Site) -> ObjectArray | None:
    """(n,) owner of each bed's edging: ``site.toml``, else attribute ``owner``; None where no bed has one."""
    return _of_beds(site, "owner")


def _of_beds(site: Site, name: str) -> ObjectArray | None:
    """(n,) what ``site.toml`` says of each bed under a name, else its attribute of that name."""
    attribute = site.beds.attributes.get(name)
    own = site.settings.bed
    names = []
    for k, bed in enumerate(site.beds.ids):
        said = getattr(own[bed], name) if bed in own else None
        if said is None and attribute is not None and attribute[k] is not None:
            value = attribute[k]
            said = str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
        names.append(NO_PHASE if said is None else said.strip())
    if not any(names):
        return None
    made = np.empty(len(names), dtype=object)
    made[:] = names
    return made


def run_phases(site: Site, runs: Runs) -> ObjectArray | None:
    """(r,) phase of each run: ``[run."N1-1"] phase``, else its bed's; None where nothing has one."""
    return _of_runs(runs, bed_phases(site), {r: own.phase for r, own in site.settings.run.items()})


def run_owners(site: Site, runs: Runs) -> ObjectArray | None:
    """(r,) who owns and pays each run: ``[run."N1-1"] owner``, else its bed's; None where nobody is named.

    A bed's is ``[bed."N1"] owner``, else its attribute ``owner``.
    """
    return _of_runs(runs, bed_owners(site), {r: own.owner for r, own in site.settings.run.items()})


def _of_runs(runs: Runs, of_bed: ObjectArray | None, own: dict[str, str | None]) -> ObjectArray | None:
    """(r,) what is said of each run, else of its bed; courses of a run follow it."""
    said = {name: text.strip() for name, text in own.items() if text is not None and text.strip()}
    if of_bed is None and not said:
        return None
    made = np.full(len(runs.run_id), NO_PHASE, dtype=object) if of_bed is None else of_bed[runs.bed]
    if said:
        for k, name in enumerate(named_runs(runs)):
            made[k] = said.get(name, made[k])
    return made


def named_runs(runs: Runs) -> list[str]:
    """(r,) id each run has in ``site.toml``: that of its first course."""
    ids = [str(r) for r in runs.run_id]
    if runs.course is None:
        return ids
    return [r if c == 1 else r.removesuffix(f"c{c}") for r, c in zip(ids, runs.course.tolist(), strict=True)]


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
    """The takeoff by phase, in order of building; nothing where no bed or run has a phase.

    Phases without a run are left out.
    """
    phase = run_phases(site, plan.runs)
    return () if phase is None else _rows(phase, phase_names(site, phase), plan, result)


def owner_rows(site: Site, plan: RunPlan, result: Takeoff) -> tuple[PhaseRow, ...]:
    """The takeoff by owner, in order of name, ``phase`` being the owner; nothing where nobody is named."""
    owner = run_owners(site, plan.runs)
    return () if owner is None else _rows(owner, sorted({str(o) for o in owner}), plan, result)


def _rows(of_run_name: ObjectArray, names: list[str], plan: RunPlan, result: Takeoff) -> tuple[PhaseRow, ...]:
    """The takeoff by what each run is of."""
    place = {name: k for k, name in enumerate(names)}
    of_run = np.array([place[str(p)] for p in of_run_name], dtype=np.int64)
    runs, pieces = plan.runs, result.pieces
    of_piece = of_run[pieces.run]
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
