"""A site's adjustment from its reconciliation, as the command line asks for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from siteplan.adjust.accept import accept, already_used
from siteplan.adjust.outcome import Outcome, outcome
from siteplan.adjust.page import section
from siteplan.adjust.report import data, data_text, layers, summary_lines
from siteplan.adjust.site import Adjustment, adjust_site
from siteplan.layers import Layer
from siteplan.laying.takeoff import Takeoff
from siteplan.plans import RunPlan
from siteplan.reconcile.report import Reconciliation
from siteplan.record import RECORD_FILE, Record, Revision
from siteplan.sites import Site


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """An adjustment with all that is said of it."""

    made: Adjustment
    out: Outcome
    used: int
    """readings that were in the outlines already"""
    lines: tuple[str, ...]
    json_text: str
    html: str
    layers: tuple[Layer, ...]


def adjusted(
    site: Site, plan: RunPlan, result: Takeoff, found: Reconciliation, *, by_diagnosis: bool = False
) -> Adjusted:
    """Adjust the outlines to the tapes of a reconciliation.

    Parameters
    ----------
    site, plan, result : the plan as drawn
    found : its tapes and the diagnosis
    by_diagnosis : take the readings as the diagnosis corrects them: the user accepts it.  Otherwise they are
        taken as read, corrected for the tape, and data snooping alone says which are left out.

    Raises
    ------
    DataError : the adjustment does not settle, or the adjusted outlines cannot be planned
    """
    tapes = found.tapes
    values = np.array(found.diagnosis.corrected_m, dtype=np.float64) if by_diagnosis else tapes.taped_m.copy()
    known = already_used(site, tapes)
    values[known] = np.nan
    made = adjust_site(site, plan, tapes, comparison=found.comparison, values_m=values)
    out = outcome(site, plan, result, made)
    used = int(known.sum())
    return Adjusted(
        made=made,
        out=out,
        used=used,
        lines=tuple(summary_lines(site, tapes, made, out, used)),
        json_text=data_text(data(site, tapes, made, out, used)),
        html=section(site, tapes, made, out, used),
        layers=layers(made, out),
    )


def newest_revision(place: Path) -> Revision | None:
    """The newest revision of a site's record; None where it has none."""
    path = (place if place.is_dir() else place.parent) / RECORD_FILE
    return Record.open(path).newest() if path.exists() else None


def accepted(
    record: Record,
    site: Site,
    found: Reconciliation,
    done: Adjusted,
    *,
    who: str,
    base: Revision | None = None,
) -> Revision:
    """Keep the adjusted outlines in the site's record: see :func:`siteplan.adjust.accept.accept`."""
    return accept(record, site, done.made, found.tapes, who=who, base=base)
