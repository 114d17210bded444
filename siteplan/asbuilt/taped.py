"""As-laid lengths against planned ones, and whether the tape can tell them apart.

The standard deviation of a length is that of one reading of the kind of tape the settings name
(a + b x length), of the tape's own scale, and of the last place the length was written to (its step
over the root of 12).  The plan is taken as it is: it says what was to be laid.  With n lengths a
difference is told where its two-sided p-value is below ``reconcile.false_alarm`` / n (Bonferroni), so
that on a site laid right anything at all is told that often.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, sqrt

import numpy as np

from siteplan.asbuilt.merging import Sheaf, listed
from siteplan.asbuilt.records import Taped
from siteplan.errors import Finding, UsageError
from siteplan.plans import RunPlan, laid_length
from siteplan.reconcile.readings import read
from siteplan.sites import Site
from siteplan.units import um_to_m


@dataclass(frozen=True, slots=True)
class TapedRow:
    """One as-laid length."""

    of: str
    """id of the run or leg"""
    what: str
    text: str
    """as typed"""
    laid_m: float
    planned_m: float
    sigma_m: float
    by: str

    @property
    def difference_m(self) -> float:
        """Laid less planned."""
        return self.laid_m - self.planned_m

    @property
    def sigmas(self) -> float:
        """The difference in standard deviations."""
        return self.difference_m / self.sigma_m

    @property
    def p_value(self) -> float:
        """Chance of a difference this great or greater where there is none (two-sided, normal)."""
        return erfc(abs(self.sigmas) / sqrt(2))


def hold_lengths(site: Site, plan: RunPlan, sheaf: Sheaf) -> tuple[tuple[TapedRow, ...], tuple[Finding, ...]]:
    """Every as-laid length that is of this plan.

    Returns
    -------
    Rows in order of the plan, runs before their legs; findings tell lengths that cannot be read, are of
    a run or leg whose planned length is another now, or differ by more than the tape explains.
    """
    runs, lengths = plan.runs, plan.lengths
    on_slope = laid_length(site) == "slope"
    run_m = lengths.run_slope_m if on_slope else lengths.run_ground_m
    leg_m = lengths.slope_m if on_slope else runs.length_m
    planned: dict[tuple[str, str], tuple[float, int]] = {}
    for k, name in enumerate(runs.run_id):
        planned["run", str(name)] = float(run_m[k]), k
    for k, name in enumerate(runs.leg_id):
        planned["leg", str(name)] = float(leg_m[k]), len(runs.run_id) + k
    kind = site.settings.reconcile.kind[site.settings.asbuilt.tape]
    within_m = um_to_m(site.settings.asbuilt.tick_within)
    rows: list[tuple[int, TapedRow]] = []
    unread: list[str] = []
    bare: list[str] = []
    other: list[str] = []
    for record in sheaf.lengths:
        key = (record.what, record.of)
        length = _length(record, sheaf)
        if length is None:
            unread.append(f'{record.of} "{record.text[:30]}"')
            continue
        laid_m, step_m, lone = length
        if lone:
            bare.append(f'{record.of} "{record.text[:30]}"')
        if key not in planned:
            other.append(f"{record.of} (no such {record.what})")
            continue
        plan_m, place = planned[key]
        if abs(plan_m - um_to_m(record.planned_um)) > within_m + 1e-6:
            other.append(f"{record.of} ({um_to_m(record.planned_um):.3f} m then, {plan_m:.3f} m now)")
            continue
        reading = um_to_m(kind.fixed) + kind.per_length_ppm * 1e-6 * laid_m
        sigma = np.hypot(np.hypot(reading, kind.scale_ppm * 1e-6 * laid_m), step_m / np.sqrt(12))
        rows.append(
            (place, TapedRow(record.of, record.what, record.text, laid_m, plan_m, float(sigma), record.by))
        )
    made = tuple(row for _, row in sorted(rows, key=lambda r: r[0]))
    found = []
    for names, code, what in (
        (unread, "length-not-read", "As-laid lengths that are no lengths, left out"),
        (bare, "length-unit", "As-laid lengths without a unit, read in the unit the page showed"),
        (other, "length-of-another-plan", "As-laid lengths of another plan, left out"),
    ):
        if names:
            found.append(Finding(code, "notice", f"{what} ({len(names)}): {listed(names)}."))
    return made, (*found, *_differences(site, made))


def _length(record: Taped, sheaf: Sheaf) -> tuple[float, float, bool] | None:
    """Metres, the last place, and whether the unit had to be taken from the page; None if it is none."""
    try:
        reading = read(record.text)
        return float(reading.metres), reading.step_m, False
    except UsageError:
        pass
    # the page says which unit it showed; files that disagree leave a lone number unread
    units = {f.units for f in sheaf.files if any(r.id == record.id for r in f.lengths)}
    if len(units) != 1:
        return None
    try:
        reading = read(f"{record.text.strip()} {units.pop()}")
    except UsageError:
        return None
    return float(reading.metres), reading.step_m, True


def _differences(site: Site, rows: tuple[TapedRow, ...]) -> list[Finding]:
    alpha = site.settings.reconcile.false_alarm / max(len(rows), 1)
    told = [row for row in rows if row.p_value < alpha]
    kind = site.settings.asbuilt.tape
    return [
        Finding(
            "length-differs",
            "error",
            f"{row.of} is {abs(row.difference_m) * 1e3:.0f} mm "
            f"{'longer' if row.difference_m > 0 else 'shorter'} than planned "
            f"({row.laid_m:.3f} m for {row.planned_m:.3f} m): {abs(row.sigmas):.1f} standard deviations "
            f"of a {kind} tape.",
        )
        for row in told
    ]
