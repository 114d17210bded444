"""Pieces really used, and what is left: of every code, in pieces and money."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from siteplan.asbuilt.merging import Sheaf, listed
from siteplan.asbuilt.ticking import Ticked
from siteplan.errors import DataError, Fault, Finding
from siteplan.laying.takeoff import Takeoff
from siteplan.model import PieceKind
from siteplan.ordering import Purchase
from siteplan.sites import SITE_FILE, Site
from siteplan.tomlfile import nearest


@dataclass(frozen=True, slots=True)
class StockRow:
    """One code; all numbers are pieces, money in whole minor units."""

    code: str
    name: str
    planned: int
    """pieces of the plan; a cut piece counts as its section"""
    laid: int
    """pieces of this code ticked as laid, cut ones among them"""
    laid_cut: int
    """of them cut"""
    cut_stock: int
    """sections the cut pieces came from, by the cut plan"""
    elsewhere: int
    """laid to another plan, where this plan has no such piece"""
    extra: int
    """laid beyond the plan"""
    broken: int
    delivered: int
    left: int | None
    """counted on the site; None where nobody counted"""
    price: int | None
    """of one piece"""
    weight_g: int | None
    """of one piece"""
    told: bool
    """whether a field file came: without one nothing is known of what was used"""

    @property
    def used(self) -> int:
        """Pieces that are gone by the ticks: whole ones laid, sections cut, extra, broken."""
        return self.laid - self.laid_cut + self.cut_stock + self.elsewhere + self.extra + self.broken

    @property
    def used_by_count(self) -> int | None:
        """Pieces that are gone by the count of what is left: delivered less left."""
        return None if self.left is None else self.delivered - self.left

    @property
    def unexplained(self) -> int | None:
        """Gone by the count and not by the ticks; negative where more is left than can be."""
        by_count = self.used_by_count
        return None if by_count is None else by_count - self.used

    @property
    def gone(self) -> int:
        """What is really used: by the count where there is one, else by the ticks."""
        by_count = self.used_by_count
        return self.used if by_count is None else by_count

    @property
    def rest(self) -> int:
        """What is left: counted, else what should be left by the ticks."""
        return self.delivered - self.used if self.left is None else self.left

    @property
    def used_value(self) -> int | None:
        """Value of what is really used; None without a price, or where nothing came back about it."""
        return self.money(self.gone) if self.told else None

    @property
    def left_value(self) -> int | None:
        """Value of what is left; None likewise."""
        return self.money(self.rest) if self.told else None

    def money(self, pieces: int) -> int | None:
        """Value of so many pieces; None without a price."""
        return None if self.price is None else self.price * pieces


def stock_rows(
    site: Site, result: Takeoff, bought: Purchase, ticked: Ticked, sheaf: Sheaf
) -> tuple[tuple[StockRow, ...], tuple[Finding, ...]]:
    """Every code of the order, and every other one the field files name.

    Raises
    ------
    DataError : ``asbuilt.delivered`` names a code the product lines do not have
    """
    pieces = result.pieces
    # no two product lines of a site have a code in common
    articles = {article.code: article for article in result.articles}
    order = {row.code: row for row in bought.order.rows}
    delivered = {code: row.order for code, row in order.items()}
    _refuse_unknown(site, set(articles))
    delivered.update(site.settings.asbuilt.delivered)
    laid, laid_cut = Counter[str](), Counter[str]()
    sawn = pieces.kind == PieceKind.CUT
    for k in np.flatnonzero(ticked.laid).tolist():
        code = str(ticked.used[k]) or str(pieces.code[k])
        laid[code] += 1
        if sawn[k] and not ticked.used[k]:
            laid_cut[code] += 1
    cut_stock = _cut_stock(bought, ticked)
    elsewhere = Counter(s.tick.used or s.tick.code for s in ticked.strays)
    extra, broken = Counter[str](), Counter[str]()
    for lots, into in ((sheaf.extra, extra), (sheaf.broken, broken)):
        for lot in lots:
            into[lot.code] += lot.count
    left = {row.code: row.count for row in sheaf.leftover}
    planned = {row.code: row.takeoff for row in bought.order.rows}
    named = [laid, elsewhere, extra, broken, left]
    codes = dict.fromkeys(c for c, row in order.items() if row.order or row.takeoff or delivered[c])
    codes.update(dict.fromkeys(c for group in named for c in sorted(group)))
    rows = []
    for code in codes:
        known = articles.get(code)
        rows.append(
            StockRow(
                code=code,
                name=known.name if known is not None else "not in the product line",
                planned=planned.get(code, 0),
                laid=laid[code],
                laid_cut=laid_cut[code],
                cut_stock=cut_stock[code],
                elsewhere=elsewhere[code],
                extra=extra[code],
                broken=broken[code],
                delivered=delivered.get(code, 0),
                left=left.get(code),
                price=None if known is None else known.price,
                weight_g=None if known is None else known.weight_g,
                told=bool(sheaf.files),
            )
        )
    return tuple(rows), tuple(_findings(rows, set(articles), site))


def _cut_stock(bought: Purchase, ticked: Ticked) -> Counter[str]:
    """Sections the laid cut pieces came from: those of which the cut plan has a piece that is laid."""
    saw = bought.cuts.saw_list()
    used = ticked.laid[saw.row] & (ticked.used[saw.row] == "")
    made: Counter[str] = Counter()
    for c, _ in {(str(c), int(s)) for c, s in zip(saw.code[used], saw.stock[used], strict=True)}:
        made[c] += 1
    return made


def _refuse_unknown(site: Site, known: set[str]) -> None:
    faults = []
    for code in site.settings.asbuilt.delivered:
        if code not in known:
            like = nearest(code, known)
            hint = f'Did you mean "{like}"?' if like else f"Its codes: {listed(sorted(known), 20)}"
            faults.append(
                Fault(
                    "unknown-code",
                    f'asbuilt.delivered: the product line has no piece "{code}"',
                    hint,
                    SITE_FILE,
                )
            )
    if faults:
        raise DataError(*faults)


def _findings(rows: list[StockRow], known: set[str], site: Site) -> list[Finding]:
    found = []
    strange = [r.code for r in rows if r.code not in known]
    if strange:
        found.append(
            Finding(
                "unknown-code",
                "notice",
                "The field files name codes that no product line of the site "
                f"has: {listed(strange)}. They are counted under that name, without money.",
            )
        )
    for r in rows:
        off = r.unexplained
        if off:
            what = (
                f"{off} pieces are gone that nobody ticked, broke or laid beyond the plan"
                if off > 0
                else f"{-off} pieces more are left than can be by the ticks"
            )
            found.append(
                Finding(
                    "stock-differs",
                    "error",
                    f"{r.code}: {r.delivered} delivered, {r.left} left, {r.used} used by the ticks: {what}.",
                )
            )
        if r.left is not None and r.left > r.delivered:
            found.append(
                Finding(
                    "stock-differs",
                    "error",
                    f"{r.code}: {r.left} are left of {r.delivered} delivered; "
                    "say under [asbuilt] delivered what really came.",
                )
            )
        elif r.used > r.delivered:
            found.append(
                Finding(
                    "stock-differs",
                    "error",
                    f"{r.code}: {r.used} were used of {r.delivered} delivered; "
                    "say under [asbuilt] delivered what really came.",
                )
            )
    if not site.settings.asbuilt.delivered:
        found.append(
            Finding(
                "delivered-assumed",
                "notice",
                "Delivered is taken to be what the order has; [asbuilt] "
                "delivered says otherwise where it was not so.",
            )
        )
    return found
