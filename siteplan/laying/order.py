"""From the takeoff to what is ordered: sections for unmet legs, spares, whole packs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from siteplan.laying.takeoff import NOTHING_FITS, Takeoff
from siteplan.products import CornerUnit, EndUnit, Straight
from siteplan.units import round_um


@dataclass(frozen=True, slots=True)
class OrderRow:
    """One code of the order; all numbers are pieces."""

    code: str
    name: str
    kind: str
    """``section``, ``closer``, ``corner`` or ``end``"""
    takeoff: int
    """pieces in the plan; a cut piece counts as the section it is cut from"""
    for_unmet: int
    """sections added for legs that nothing fits"""
    spares: int
    order: int
    """takeoff, sections for unmet legs and spares, rounded up to whole packs"""
    pack: int


def order_rows(takeoff: Takeoff, *, spare_percent: float, least_special: int) -> tuple[OrderRow, ...]:
    """The order, a row for every code in catalogue order.

    Parameters
    ----------
    takeoff : the takeoff of the site
    spare_percent : spares of every used code, in percent of its takeoff, rounded up
    least_special : least number of spares of every closer, corner and end code that is used

    Notes
    -----
    A leg that nothing fits adds the sections its shortage takes, at least one.  A curve or
    corner the line cannot make adds nothing: no number of these pieces would make it.
    """
    line = takeoff.line
    section = line.sections[0]
    extra = sum(
        max(1, math.ceil(Fraction(round_um(float(short)), section.laying_um)))
        for short, code in zip(takeoff.unmet.short_m, takeoff.unmet.code, strict=True)
        if code == NOTHING_FITS
    )
    parts: tuple[tuple[str, tuple[Straight | CornerUnit | EndUnit, ...]], ...] = (
        ("section", line.sections),
        ("closer", line.closers),
        ("corner", line.corners),
        ("end", line.ends),
    )
    counts = takeoff.counts
    rows = []
    for kind, of_kind in parts:
        for part in of_kind:
            article = part.article
            used = counts.get(article.code, 0)
            for_unmet = extra if part is section else 0
            need = used + for_unmet
            spares = math.ceil(Fraction(spare_percent) * need / 100)
            if need and kind != "section":
                spares = max(spares, least_special)
            order = math.ceil(Fraction(need + spares, article.pack)) * article.pack
            rows.append(
                OrderRow(article.code, article.name, kind, used, for_unmet, spares, order, article.pack)
            )
    return tuple(rows)
