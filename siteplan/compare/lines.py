"""Product lines side by side on the same runs and corners.

Outlines, runs, legs and corners do not depend on the product line, so they are found once
and every line is laid on them.  The one exception is a flexible line that is bent round
corners: its bends make two legs one, so it is given runs of its own, and says how many bends.

On a site of several lines the lines compared take the place of the site's own ``line``; runs, rows and
beds that have a line of their own keep it, and are in every number.  What is compared is so the choice
that is open: what the estimator wrote down for a run was chosen for that run.

docs/compare.md says in words what each number is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Final

import numpy as np

from siteplan.catalog import load_line
from siteplan.errors import DataError, Fault, SiteplanError, UsageError
from siteplan.laying.order import Order
from siteplan.laying.takeoff import Takeoff
from siteplan.model import PieceKind
from siteplan.ordering import Purchase, purchase
from siteplan.plans import RunPlan, laid_length, plan_runs
from siteplan.products import ProductLine
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan, takeoff

HOURS: Final = {"h": Fraction(1), "min": Fraction(1, 60)}
"""units of recipes that are time, in hours"""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a line costs, in minor units of its currency, before tax."""

    currency: str
    digits: int
    material: int
    """the order's subtotal: whole packs, spares and all"""
    laying: int
    """pieces x laying cost"""
    cutting: int
    """cut pieces x cost of a cut"""

    @property
    def together(self) -> int:
        """Material, laying and cutting."""
        return self.material + self.laying + self.cutting


@dataclass(frozen=True, slots=True)
class LineResult:
    """One product line on the runs of a site."""

    key: str
    name: str
    behaviour: str
    bends: int
    """corners bent round, which are no corners any more"""
    length_m: float
    """ground length of all runs as they are laid; bends make it shorter, play moves legs"""
    pieces: int
    sections: int
    closers: int
    corners: int
    ends: int
    cuts: int
    """cut pieces"""
    unmet: int
    """legs, corners and stretches of curve the line cannot make"""
    unmet_m: float
    left_over_m: float
    """what the fills of the legs that are met miss them by, either way, summed"""
    cut_stock: int
    """sections bought to be cut"""
    cut_least: int
    """no cut plan takes fewer"""
    kept_m: float
    """offcuts worth keeping"""
    waste_m: float
    """other offcuts, and what the blade takes"""
    waste_percent: float
    """of the length of the sections and closers the plan takes"""
    ordered: int
    """pieces of the order"""
    order_over: int
    """pieces ordered that the plan does not use: spares and the rest of packs"""
    cost: Cost | None
    """None where a price is missing"""
    unpriced: tuple[str, ...]
    weight_kg: float | None
    """of the order"""
    hours: float | None
    """time items of the groundwork recipe; None without a recipe that has them"""
    hour_items: tuple[tuple[str, str, float], ...]
    """key, name and hours of each"""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotPlanned:
    """A line that cannot be planned on this site, and why."""

    key: str
    name: str
    why: str


@dataclass(frozen=True, slots=True)
class LineComparison:
    """Product lines on the same runs."""

    site: str
    beds: int
    runs: int
    closed: int
    legs: int
    outside: int
    inside: int
    length_m: float
    """ground length of all runs"""
    laid_length: str
    """the length the pieces are fitted to: ``ground`` or ``slope``"""
    lines: tuple[LineResult | NotPlanned, ...]
    """in the order they were asked for"""

    @property
    def planned(self) -> tuple[LineResult, ...]:
        """The lines that could be planned."""
        return tuple(x for x in self.lines if isinstance(x, LineResult))

    @property
    def currencies(self) -> tuple[str, ...]:
        """Currencies of the lines that have a cost, in order of name."""
        return tuple(sorted({x.cost.currency for x in self.planned if x.cost is not None}))


def named_lines(names: Sequence[str]) -> tuple[ProductLine, ...]:
    """Product lines by the keys of shipped ones, or by paths to ``.toml`` files.

    Raises
    ------
    UsageError : fewer than two, the same one twice, an unknown key
    DataError : faults of every file together
    """
    if len(names) < 2:
        raise UsageError("name two product lines or more, such as --lines flex-2m,rigid-900mm")
    lines: list[ProductLine] = []
    faults: list[Fault] = []
    for name in names:
        try:
            lines.append(load_line(Path(name) if name.endswith(".toml") else name))
        except DataError as error:
            faults.extend(error.faults)
    if faults:
        raise DataError(*faults)
    keys = [line.key for line in lines]
    twice = sorted({key for key in keys if keys.count(key) > 1})
    if twice:
        raise UsageError(f"product line {', '.join(twice)} is named twice; each line is compared once")
    return tuple(lines)


def compare_lines(site: Site, lines: Sequence[ProductLine]) -> LineComparison:
    """Lay, cut and order every line on the same runs.

    Parameters
    ----------
    site : the site; its own product line counts only if it is among ``lines``
    lines : product lines with keys of their own

    Returns
    -------
    LineComparison.  A line that cannot be planned says why and leaves the others alone.

    Raises
    ------
    DataError, UsageError : what is wrong when not one line can be planned
    """
    if not lines:
        raise UsageError("there is no product line to compare")
    base = plan_runs(replace(site, line=unbent(lines[0])))
    made: list[LineResult | NotPlanned] = []
    first_error: SiteplanError | None = None
    for line in lines:
        try:
            made.append(_line_result(site, line, base, lines))
        except SiteplanError as error:
            first_error = first_error or error
            made.append(NotPlanned(line.key, line.name, _why(error)))
    if first_error is not None and all(isinstance(x, NotPlanned) for x in made):
        raise first_error
    runs = base.runs
    return LineComparison(
        site=site.settings.name,
        beds=len(site.beds),
        runs=len(runs.run_id),
        closed=int(runs.closed.sum()),
        legs=len(runs.leg_id),
        outside=int((runs.corner_turn_deg > 0).sum()),
        inside=int((runs.corner_turn_deg <= 0).sum()),
        length_m=float(base.lengths.run_ground_m.sum()),
        laid_length=laid_length(site),
        lines=tuple(made),
    )


def unbent(line: ProductLine) -> ProductLine:
    """The line without bent corners: what every line's runs start from."""
    return replace(line, corner_rules=replace(line.corner_rules, bend_radius_um=None))


def runs_for(site: Site, line: ProductLine, base: RunPlan) -> RunPlan:
    """Runs of a line: those found once, unless it may be bent round corners."""
    if line.behaviour == "rigid" or line.corner_rules.bend_radius_um is None:
        return base
    return plan_runs(replace(site, line=line))


def kept_lines(site: Site, plan: RunPlan) -> tuple[tuple[str, int], ...]:
    """Keys of the lines that beds, rows and runs have of their own, and how many runs each has."""
    if plan.runs.line is None:
        return ()
    keys = [line.key for line in site.lines]
    count = np.bincount(plan.runs.line, minlength=len(keys))
    return tuple((keys[k], int(count[k])) for k in range(1, len(keys)) if count[k])


def settings_for(
    site: Site, line: ProductLine, compared: Sequence[ProductLine] = ()
) -> tuple[Site, tuple[str, ...]]:
    """The site with another line, less the settings that name pieces or colours it does not have.

    Parameters
    ----------
    site, line : the site, and the line in place of its own
    compared : lines whose colour mixes are no fault of the settings, though this one is laid
    """
    settings, notes = site.settings, []
    lines = (line, *site.own_lines.lines)
    codes = {article.code for x in lines for article in x.articles}
    count = {code: n for code, n in settings.spares.count.items() if code in codes}
    if count != settings.spares.count:
        gone = sorted(set(settings.spares.count) - set(count))
        notes.append(f"spares by count of {', '.join(gone)} are left out: {line.key} has no such piece")
    others = {x.key for x in (site.line, *compared)} - {x.key for x in lines}
    mixes = {key: mix for key, mix in settings.order.line_colours.items() if key not in others}
    if line.key not in mixes and not set(settings.order.colours) <= set(line.colours):
        notes.append(f"the colour mix is left out: {line.key} does not have all its colours")
        mixes = {**mixes, line.key: {}}
    settings = settings.model_copy(
        update={
            "spares": settings.spares.model_copy(update={"count": count}),
            "order": settings.order.model_copy(update={"line_colours": mixes}),
        }
    )
    return replace(site, line=line, settings=settings), tuple(notes)


def _why(error: SiteplanError) -> str:
    if isinstance(error, DataError):
        return " ".join(fault.text for fault in error.faults)
    return str(error)


def _line_result(site: Site, line: ProductLine, base: RunPlan, compared: Sequence[ProductLine]) -> LineResult:
    own, notes = settings_for(site, line, compared)
    plan = runs_for(own, line, base)
    result = takeoff(own, plan)
    bought = purchase(own, plan, result)
    order, kinds = bought.order, result.by_kind
    met = result.laid & ~result.fits.unmet
    waste_um = sum(part.plan.waste_um for part in order.cuts.parts)
    taken_um = taken_length_um(order, result)
    hours = hour_items(bought)
    kept = tuple(f"{n} runs keep {key}, a line of their own" for key, n in kept_lines(own, plan))
    return LineResult(
        key=line.key,
        name=line.name,
        behaviour=line.behaviour,
        bends=0 if plan.bends is None else len(plan.bends),
        length_m=float(laid_plan(own, plan, result).lengths.run_ground_m.sum()),
        pieces=len(result.pieces),
        sections=kinds["section"],
        closers=kinds["closer"],
        corners=kinds["corner"],
        ends=kinds["end"],
        cuts=kinds["cut"],
        unmet=len(result.unmet),
        unmet_m=float(result.unmet.short_m.sum()),
        left_over_m=float(np.abs(result.fits.left_over_um[met]).sum() / 1e6),
        cut_stock=order.cuts.stock,
        cut_least=order.cuts.least,
        kept_m=sum(part.plan.kept_um for part in order.cuts.parts) / 1e6,
        waste_m=waste_um / 1e6,
        waste_percent=100 * waste_um / taken_um if taken_um else 0.0,
        ordered=sum(row.order for row in order.rows),
        order_over=sum(row.order - row.need for row in order.rows),
        cost=line_cost(order, result),
        unpriced=order.unpriced,
        weight_kg=None if order.weight_g is None else order.weight_g / 1000,
        hours=sum(n for *_, n in hours) if hours else None,
        hour_items=hours,
        notes=(*notes, *kept, *(finding.text for finding in order.findings)),
    )


def taken_length_um(order: Order, result: Takeoff) -> int:
    """Laying length of the sections and closers the plan takes, spares and unmet legs apart."""
    length = {s.article.code: s.laying_um for s in result.straights}
    return sum((row.need - row.for_unmet) * length.get(row.code, 0) for row in order.rows)


def line_cost(order: Order, result: Takeoff) -> Cost | None:
    """Material, laying and cutting; None where a code that is ordered has no price."""
    if order.subtotal is None or order.currency is None:
        return None
    pieces = result.pieces
    of_piece = result.run_line[pieces.run]
    count = np.bincount(of_piece, minlength=len(result.lines)).tolist()
    cuts = np.bincount(of_piece[pieces.kind == PieceKind.CUT], minlength=len(result.lines)).tolist()
    return Cost(
        currency=order.currency,
        digits=order.currency_digits,
        material=order.subtotal,
        laying=sum(n * x.laying_cost for n, x in zip(count, result.lines, strict=True)),
        cutting=sum(n * x.cut_cost for n, x in zip(cuts, result.lines, strict=True)),
    )


def hour_items(bought: Purchase) -> tuple[tuple[str, str, float], ...]:
    """Key, name and hours of the recipe's items that are time."""
    if bought.groundwork is None:
        return ()
    return tuple(
        (row.key, row.name, float(row.amount * HOURS[row.unit]))
        for row in bought.groundwork.rows
        if row.unit in HOURS
    )
