"""From the takeoff to what is ordered: cut plan, unmet legs, breakage, spares, colours, packs, phases, money.

docs/order.md says in words what is decided here.  Pieces are whole numbers, money is whole minor
units, percentages are exact fractions of the decimals a person wrote; nothing is a float but weight
shown and distance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final, Literal

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.laying.cutting import SiteCuts, first_uses, plan_site_cuts
from siteplan.laying.takeoff import NOTHING_FITS, Takeoff
from siteplan.laying.unmet import sections_for
from siteplan.model import PieceKind
from siteplan.products import Article
from siteplan.types import IntArray, ObjectArray
from siteplan.units import round_um

PacksPer = Literal["site", "phase"]
NO_COLOUR: Final = ""
NO_PHASE: Final = ""
NO_OWNER: Final = ""


@dataclass(frozen=True, slots=True)
class OrderRules:
    """What is ordered beyond the plan, and how it is packed and paid."""

    spare_percent: Fraction = Fraction(0)
    """spares against uncertainty, of every used code"""
    spare_count: Mapping[str, int] | None = None
    """spares of a code by count, instead of the percentage"""
    least_special: int = 0
    """least number of spares of every closer, corner and end code that is used"""
    breakage_percent: Fraction = Fraction(0)
    """pieces expected to break, of every used code, apart from the spares"""
    wanted: Mapping[str, int] | None = None
    """pieces of each code altogether, spares and breakage among them, in place of percentage, count and least
    number; never fewer than the plan takes"""
    broken_packs: bool = False
    """buy single pieces of codes that have a single price, where that is cheaper than a pack"""
    packs_per: PacksPer = "site"
    colours: tuple[tuple[str, int], ...] = ()
    """colour and its share, in whole parts"""
    line_colours: Mapping[str, tuple[tuple[str, int], ...]] = field(default_factory=dict)
    """another mix for single product lines, by key"""
    known_lines: tuple[str, ...] = ()
    """keys of lines that a mix may be for though no run has them"""
    tax_percent: Fraction = Fraction(0)
    returns: bool = False
    """whole packs left over go back"""
    restocking_percent: Fraction = Fraction(0)
    """kept by the seller of the value of what goes back"""


@dataclass(frozen=True, slots=True)
class OrderRow:
    """One code of the order; all numbers are pieces, money in minor units."""

    code: str
    name: str
    kind: str
    """``section``, ``closer``, ``corner`` or ``end``"""
    line: str
    """key of its product line"""
    takeoff: int
    """pieces in the plan; a cut piece counts as the section it is cut from"""
    cut_pieces: int
    """how many of them are cut"""
    cut_stock: int
    """sections bought to cut them from, by the cut plan"""
    for_unmet: int
    """sections added for legs that nothing fits"""
    breakage: int
    spares: int
    order: int
    """all pieces bought: packs and singles"""
    pack: int
    packs: int
    singles: int
    """pieces out of broken packs"""
    amount: int | None
    """money for the order of this code, None without a price"""
    weight_g: int | None
    left_over: int
    """pieces bought that neither the plan nor the expected breakage uses"""
    left_over_value: int | None
    return_packs: int
    return_value: int | None

    @property
    def need(self) -> int:
        """Pieces the plan takes: whole ones, sections to cut, sections for unmet legs."""
        return self.takeoff - self.cut_pieces + self.cut_stock + self.for_unmet


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One line to send: a code in a colour, for the site or a phase."""

    code: str
    name: str
    line: str
    """key of its product line"""
    colour: str
    """empty where the line has no colours"""
    phase: str
    """empty where packs are rounded for the whole site"""
    wanted: int
    packs: int
    singles: int
    order: int
    amount: int | None
    weight_g: int | None


@dataclass(frozen=True, slots=True)
class Delivery:
    """What goes to one phase."""

    phase: str
    rows: tuple[tuple[str, str, int], ...]
    """code, colour, pieces"""
    pieces: int
    packs: int
    """packs that are opened or whole, code and colour by code and colour"""
    pallets: int | None
    """None where a code says nothing of pallets"""
    weight_g: int | None


@dataclass(frozen=True, slots=True)
class OwnerShare:
    """What one owner pays of the order.  The shares of all owners add up to it."""

    owner: str
    """empty for runs that nobody was named for"""
    rows: tuple[tuple[str, str, int], ...]
    """code, colour, pieces wanted: laid, to cut, breakage and spares, before packs are filled up"""
    wanted: int
    subtotal: int | None
    tax: int | None
    total: int | None
    weight_g: int | None
    """of all that is bought, the rest of packs shared out like the money"""


@dataclass(frozen=True, slots=True)
class Order:
    """The whole order."""

    rows: tuple[OrderRow, ...]
    """every code of the lines, line by line, in catalogue order"""
    lines: tuple[OrderLine, ...]
    deliveries: tuple[Delivery, ...]
    cuts: SiteCuts
    currency: str | None
    currency_digits: int
    subtotal: int | None
    """None where a code that is ordered has no price"""
    tax_percent: Fraction
    tax: int | None
    total: int | None
    weight_g: int | None
    left_over_value: int | None
    return_value: int | None
    unpriced: tuple[str, ...]
    """codes that are ordered and have no price"""
    findings: tuple[Finding, ...]
    owners: tuple[OwnerShare, ...] = ()
    """who pays what, in order of name; empty where no run has an owner"""


def share_out(total: int, weights: Sequence[int]) -> list[int]:
    """Whole parts of a total in proportion to weights, by largest remainder, ties to the first.

    Parameters
    ----------
    total : not negative
    weights : not negative; all zero is allowed only with a total of zero

    Examples
    --------
    >>> share_out(10, [1, 1, 1])
    [4, 3, 3]
    """
    whole = sum(weights)
    if not whole:
        if total:
            raise ValueError(f"{total} cannot be shared out over weights that are all zero")
        return [0] * len(weights)
    parts = [total * w // whole for w in weights]
    rest = [(-(total * w % whole), k) for k, w in enumerate(weights)]
    for _, k in sorted(rest)[: total - sum(parts)]:
        parts[k] += 1
    return parts


def half_up(value: Fraction) -> int:
    """Nearest whole number of a value that is not negative, half upwards: money."""
    return math.floor(value + Fraction(1, 2))


def pack_up(wanted: int, article: Article, *, broken_packs: bool) -> tuple[int, int]:
    """Packs and singles that hold so many pieces.

    Parameters
    ----------
    wanted : pieces; 0 orders nothing
    article : its pack, prices and least order
    broken_packs : buy singles where the article has a single price and they cost less than a pack

    Returns
    -------
    Whole packs and single pieces.
    """
    if wanted <= 0:
        return 0, 0
    packs, rest = divmod(max(wanted, article.least_order), article.pack)
    if not rest:
        return packs, 0
    single, price = article.single_price, article.price
    if broken_packs and single is not None and price is not None and rest * single < article.pack * price:
        return packs, rest
    return packs + 1, 0


def _amount(packs: int, singles: int, article: Article) -> int | None:
    if article.price is None:
        return None
    single = article.price if article.single_price is None else article.single_price
    return packs * article.pack * article.price + singles * single


def plan_order(
    takeoff: Takeoff,
    cuts: SiteCuts,
    rules: OrderRules,
    *,
    run_phase: ObjectArray | None = None,
    phases: Sequence[str] = (),
    run_owner: ObjectArray | None = None,
) -> Order:
    """The order of a site.

    Parameters
    ----------
    takeoff : the takeoff
    cuts : the cut plan of the site
    rules : spares, packs, colours, money
    run_phase : (r,) name of the phase of each run; one phase where not given
    phases : names in their order; further ones follow in order of name
    run_owner : (r,) who owns and pays each run; nobody is asked where not given

    Raises
    ------
    DataError : colours or codes the product lines do not have.

    Notes
    -----
    A leg that nothing fits adds the sections its shortage takes, at least one.  A curve or
    corner the line cannot make adds nothing: no number of these pieces would make it.
    """
    colours = _colours(takeoff, rules)
    names, phase = _groups(takeoff, run_phase, phases, NO_PHASE)
    owners, owner = _groups(takeoff, run_owner, (), NO_OWNER)
    shape = (len(names), len(owners), len(takeoff.codes))
    parts = _needs(takeoff, cuts, phase * len(owners) + owner, shape[0] * shape[1])
    _, cut_stock, for_unmet = (x.reshape(shape).sum(axis=1) for x in parts)
    by_owner = (parts[0] + parts[1] + parts[2]).reshape(shape)
    need = by_owner.sum(axis=1)
    breakage, spares = [], []
    for a, (article, kind) in enumerate(zip(takeoff.articles, takeoff.article_kinds, strict=True)):
        used = int(need[:, a].sum())
        broken = math.ceil(rules.breakage_percent * used / 100)
        by_count = (rules.spare_count or {}).get(article.code)
        spare = math.ceil(rules.spare_percent * used / 100) if by_count is None else by_count
        if used and kind != "section":
            spare = max(spare, rules.least_special)
        if rules.wanted is not None:
            beyond = max(0, rules.wanted.get(article.code, 0) - used)
            broken = min(broken, beyond)
            spare = beyond - broken
        breakage.append(broken)
        spares.append(spare)
    extra = np.column_stack(
        [share_out(b + s, need[:, a].tolist() if need[:, a].any() else [1] + [0] * (len(names) - 1))
         for a, (b, s) in enumerate(zip(breakage, spares, strict=True))]
    )  # fmt: skip
    lots = _by_colour(need + extra, colours)
    lines, delivered = _packed(takeoff, rules, lots, names)
    rows = _rows(takeoff, rules, need, cut_stock, for_unmet, breakage, spares, lines)
    order = _totalled(takeoff, rules, rows, lines, _deliveries(takeoff.articles, delivered, names), cuts)
    if run_owner is None:
        return order
    return replace(order, owners=_owner_shares(takeoff, order, owners, names, by_owner, extra))


_Mix = tuple[tuple[str, int], ...]


def _colours(takeoff: Takeoff, rules: OrderRules) -> list[_Mix]:
    """(a,) colour mix of each article.

    Raises
    ------
    DataError : colours a line does not have, codes no line has, a mix for a line that is none
    """
    lines, faults = takeoff.lines, []
    several = len(lines) > 1
    mixes = []
    # of several lines those that are made in one colour only have no mix
    mixed = [x for x in lines if x.colours or not several] or list(lines)
    for line in lines:
        own = rules.line_colours.get(line.key)
        mix = own if own is not None else rules.colours if line in mixed else ()
        key = "order.colours" if own is None else f'order.line_colours."{line.key}"'
        remedy = f"Its colours: {', '.join(line.colours) or 'none'}"
        if several and own is None:
            remedy += f'; give it a mix of its own: order.line_colours."{line.key}"'
        faults += [
            Fault("unknown-colour", f'{key}: the product line {line.key} has no colour "{colour}"', remedy)
            for colour, _ in mix
            if colour not in line.colours
        ]
        mixes.append(tuple(mix))
    known = list(dict.fromkeys([*(x.key for x in lines), *rules.known_lines]))
    faults += [
        Fault(
            "no-such-line",
            f'order.line_colours: there is no product line "{key}"',
            f"Known product lines: {', '.join(known)}",
        )
        for key in rules.line_colours
        if key not in known
    ]
    codes = set(takeoff.codes)
    keys = ", ".join(x.key for x in lines)
    faults += [
        Fault(
            "unknown-code",
            f"spares.count: the product line{'s' if several else ''} {keys} "
            f'ha{"ve" if several else "s"} no piece "{code}"',
            f"Its codes: {', '.join(sorted(codes))}" if not several else f"Codes: {', '.join(sorted(codes))}",
        )
        for code in rules.spare_count or {}
        if code not in codes
    ]
    if faults:
        raise DataError(*faults)
    return [mixes[k] for k in takeoff.article_line.tolist()]


def _groups(
    takeoff: Takeoff, of_run: ObjectArray | None, first: Sequence[str], none: str
) -> tuple[list[str], IntArray]:
    """Names in order, and (r,) the place of each run's among them."""
    if of_run is None:
        return [none], np.zeros(len(takeoff.run_line), dtype=np.int64)
    own = [str(p) for p in of_run]
    names = [*first, *sorted(set(own) - set(first))] or [none]
    place = {name: k for k, name in enumerate(names)}
    return names, np.array([place[p] for p in own], dtype=np.int64)


def _needs(
    takeoff: Takeoff, cuts: SiteCuts, rank: IntArray, groups: int
) -> tuple[IntArray, IntArray, IntArray]:
    """(groups, articles) whole pieces, sections to cut, sections for unmet legs; (r,) group of each run."""
    pieces = takeoff.pieces
    shape = (groups, len(takeoff.codes))
    index = {code: a for a, code in enumerate(takeoff.codes)}
    article = np.array([index[c] for c in pieces.code.tolist()], dtype=np.int64)
    group = rank[pieces.run]
    whole = np.zeros(shape, dtype=np.int64)
    uncut = pieces.kind != PieceKind.CUT
    np.add.at(whole, (group[uncut], article[uncut]), 1)
    cut_stock = np.zeros(shape, dtype=np.int64)
    # a section goes to the group that cuts the first piece of it
    for code, first in first_uses(cuts.parts, group).items():
        np.add.at(cut_stock, (first, np.full(len(first), index[code])), 1)
    for_unmet = np.zeros(shape, dtype=np.int64)
    unmet = np.flatnonzero(takeoff.unmet.code == NOTHING_FITS)
    for k, run in zip(unmet.tolist(), takeoff.unmet.run[unmet].tolist(), strict=True):
        line = takeoff.line_of_run(run)
        short_um = np.array([round_um(float(takeoff.unmet.short_m[k]))])
        for_unmet[rank[run], index[line.sections[0].article.code]] += sections_for(short_um, line)[0]
    return whole, cut_stock, for_unmet


def _by_colour(wanted: IntArray, colours: Sequence[_Mix]) -> dict[tuple[int, int, str], int]:
    """Pieces wanted by phase, article and colour; phases and colours both add up."""
    lots: dict[tuple[int, int, str], int] = {}
    for a, mix in enumerate(colours):
        if not mix:
            lots.update({(p, a, NO_COLOUR): n for p, n in enumerate(wanted[:, a].tolist()) if n})
            continue
        names = [name for name, _ in mix]
        left = share_out(int(wanted[:, a].sum()), [share for _, share in mix])
        for p in range(wanted.shape[0]):
            # in proportion to what is left of each colour: never more than there is
            parts = share_out(int(wanted[p, a]), left)
            left = [have - taken for have, taken in zip(left, parts, strict=True)]
            lots.update({(p, a, c): n for c, n in zip(names, parts, strict=True) if n})
    return lots


_Lots = dict[tuple[int, int, str], tuple[int, int]]
"""phase, article, colour: pieces and packs"""


def _packed(
    takeoff: Takeoff, rules: OrderRules, lots: dict[tuple[int, int, str], int], names: list[str]
) -> tuple[tuple[OrderLine, ...], _Lots]:
    """Lines of the order, and what of them goes to each phase."""
    per_phase = rules.packs_per == "phase"
    articles, of_line = takeoff.articles, takeoff.article_line.tolist()
    groups: dict[tuple[int, str, int], list[tuple[int, int]]] = {}
    for (p, a, colour), n in sorted(lots.items()):
        groups.setdefault((a, colour, p if per_phase else 0), []).append((p, n))
    lines, delivered = [], {}
    for (a, colour, p), parts in sorted(groups.items()):
        article = articles[a]
        wanted = sum(n for _, n in parts)
        packs, singles = pack_up(wanted, article, broken_packs=rules.broken_packs)
        order = packs * article.pack + singles
        lines.append(
            OrderLine(
                code=article.code,
                name=article.name,
                line=takeoff.lines[of_line[a]].key,
                colour=colour,
                phase=names[p] if per_phase else NO_PHASE,
                wanted=wanted,
                packs=packs,
                singles=singles,
                order=order,
                amount=_amount(packs, singles, article),
                weight_g=None if article.weight_g is None else order * article.weight_g,
            )
        )
        # whole packs as they are needed; the last phase takes what is over
        sent = so_far = 0
        for nth, (phase, n) in enumerate(parts, 1):
            so_far += n
            upto = (
                order
                if nth == len(parts)
                else min(order, math.ceil(Fraction(so_far, article.pack)) * article.pack)
            )
            pieces = upto - sent
            sent = upto
            delivered[phase, a, colour] = (pieces, math.ceil(Fraction(pieces, article.pack)))
    return tuple(lines), delivered


def _deliveries(parts: Sequence[Article], delivered: _Lots, names: list[str]) -> tuple[Delivery, ...]:
    made = []
    for p, name in enumerate(names):
        rows = [(a, c, *n) for (phase, a, c), n in sorted(delivered.items()) if phase == p and n[0]]
        if not rows:
            continue
        pallets = [(packs, parts[a].pallet) for a, _, _, packs in rows]
        weights = [(n, parts[a].weight_g) for a, _, n, _ in rows]
        made.append(
            Delivery(
                phase=name,
                rows=tuple((parts[a].code, c, n) for a, c, n, _ in rows),
                pieces=sum(n for _, _, n, _ in rows),
                packs=sum(packs for *_, packs in rows),
                pallets=known_sum(None if per is None else math.ceil(Fraction(n, per)) for n, per in pallets),
                weight_g=known_sum(None if each is None else n * each for n, each in weights),
            )
        )
    return tuple(made)


def known_sum(values: Iterable[int | None]) -> int | None:
    """Sum, or None where one is not known."""
    total = 0
    for value in values:
        if value is None:
            return None
        total += value
    return total


def _rows(
    takeoff: Takeoff,
    rules: OrderRules,
    need: IntArray,
    cut_stock: IntArray,
    for_unmet: IntArray,
    breakage: list[int],
    spares: list[int],
    lines: tuple[OrderLine, ...],
) -> tuple[OrderRow, ...]:
    pieces, counts = takeoff.pieces, takeoff.counts
    cut_codes = pieces.code[pieces.kind == PieceKind.CUT].tolist()
    each = zip(takeoff.articles, takeoff.article_kinds, takeoff.article_line.tolist(), strict=True)
    rows = []
    for a, (article, kind, of_line) in enumerate(each):
        own = [x for x in lines if x.code == article.code]
        order = sum(x.order for x in own)
        packs = sum(x.packs for x in own)
        left = order - int(need[:, a].sum()) - breakage[a]
        # packs of one colour or phase cannot stand in for another's: only what a line itself has over
        unused = [x.order - x.wanted for x in own] if len(own) > 1 else [left]
        back = sum(min(x.packs, max(0, n) // article.pack) for x, n in zip(own, unused, strict=False))
        back = back if rules.returns else 0
        price = article.price
        given_back = back * article.pack * (price or 0) * (1 - rules.restocking_percent / 100)
        rows.append(
            OrderRow(
                code=article.code,
                name=article.name,
                kind=kind,
                line=takeoff.lines[of_line].key,
                takeoff=counts.get(article.code, 0),
                cut_pieces=cut_codes.count(article.code),
                cut_stock=int(cut_stock[:, a].sum()),
                for_unmet=int(for_unmet[:, a].sum()),
                breakage=breakage[a],
                spares=spares[a],
                order=order,
                pack=article.pack,
                packs=packs,
                singles=sum(x.singles for x in own),
                amount=known_sum(x.amount for x in own) if price is not None else None,
                weight_g=None if article.weight_g is None else order * article.weight_g,
                left_over=left,
                left_over_value=None if price is None else left * price,
                return_packs=back,
                return_value=None if price is None else half_up(Fraction(given_back)),
            )
        )
    return tuple(rows)


def _totalled(
    takeoff: Takeoff,
    rules: OrderRules,
    rows: tuple[OrderRow, ...],
    lines: tuple[OrderLine, ...],
    deliveries: tuple[Delivery, ...],
    cuts: SiteCuts,
) -> Order:
    used = [row for row in rows if row.order]
    unpriced = tuple(row.code for row in used if row.amount is None)
    subtotal = known_sum(row.amount for row in used)
    tax = None if subtotal is None else half_up(rules.tax_percent * subtotal / 100)
    findings = []
    if unpriced:
        findings.append(
            Finding(
                "no-price",
                "notice",
                f"The order has no cost: the product line gives no price for {', '.join(unpriced)}"
                if len(takeoff.lines) == 1
                else f"The order has no cost: there is no price for {', '.join(unpriced)}",
            )
        )
    findings += [
        Finding(
            "cut-plan-gap",
            "notice",
            f"The cut plan of {part.code} takes {part.plan.count} sections; {part.plan.gap} fewer are not"
            f" ruled out (bound {float(part.plan.bound):.4f}"
            f"{', stopped by its time limit' if part.plan.status == 'stopped' else ''})",
        )
        for part in cuts.parts
        if part.plan.status != "optimal"
    ]
    priced = [x for x in takeoff.lines if x.currency is not None] or [takeoff.lines[0]]
    return Order(
        rows=rows,
        lines=lines,
        deliveries=deliveries,
        cuts=cuts,
        currency=priced[0].currency,
        currency_digits=priced[0].currency_digits,
        subtotal=subtotal,
        tax_percent=rules.tax_percent,
        tax=tax,
        total=None if subtotal is None or tax is None else subtotal + tax,
        weight_g=known_sum(row.weight_g for row in used),
        left_over_value=known_sum(row.left_over_value for row in used),
        return_value=known_sum(row.return_value for row in used),
        unpriced=unpriced,
        findings=tuple(findings),
    )


def _owner_shares(
    takeoff: Takeoff,
    order: Order,
    owners: list[str],
    phases: list[str],
    need: IntArray,
    extra: IntArray,
) -> tuple[OwnerShare, ...]:
    """What every owner pays: each line of the order in proportion to the pieces wanted, by largest remainder.

    Parameters
    ----------
    need : (phases, owners, articles) pieces
    extra : (phases, articles) breakage and spares
    """
    wanted = need.copy()
    for p, a in zip(*np.nonzero(extra), strict=True):
        weights = need[p, :, a] if need[p, :, a].any() else need[:, :, a].sum(axis=0)
        if not weights.any():
            weights = np.eye(1, len(owners), dtype=np.int64)[0]
        wanted[p, :, a] += share_out(int(extra[p, a]), weights.tolist())
    index = {code: a for a, code in enumerate(takeoff.codes)}
    place = {name: p for p, name in enumerate(phases)}
    per_phase = any(x.phase for x in order.lines)
    pieces: list[dict[tuple[str, str], int]] = [{} for _ in owners]
    money: list[int | None] = [0] * len(owners)
    weight: list[int | None] = [0] * len(owners)
    left = wanted if per_phase else wanted.sum(axis=0, keepdims=True)
    for x in order.lines:
        p, a = place[x.phase] if per_phase else 0, index[x.code]
        # in proportion to what is left of the code when other colours have had theirs
        own = share_out(x.wanted, left[p, :, a].tolist())
        left[p, :, a] -= own
        for k, n in enumerate(own):
            if n:
                pieces[k][x.code, x.colour] = pieces[k].get((x.code, x.colour), 0) + n
        for sums, value in ((money, x.amount), (weight, x.weight_g)):
            each = [None] * len(owners) if value is None else share_out(value, own)
            for k, part in enumerate(each):
                if own[k]:
                    before = sums[k]
                    sums[k] = None if part is None or before is None else before + part
    known = order.tax is not None and all(m is not None for m in money)
    taxes: list[int | None] = [None] * len(owners)
    if known:
        paid = [m or 0 for m in money]
        taxes = [*share_out(order.tax or 0, paid)] if any(paid) else [0] * len(owners)
    return tuple(
        OwnerShare(
            owner=owner,
            rows=tuple((code, colour, n) for (code, colour), n in pieces[k].items()),
            wanted=sum(pieces[k].values()),
            subtotal=money[k],
            tax=taxes[k],
            total=known_sum((money[k], taxes[k])),
            weight_g=weight[k],
        )
        for k, owner in enumerate(owners)
        if pieces[k]
    )


def money_text(amount: int | None, digits: int) -> str:
    """Minor units in decimals: ``1234`` with two digits is ``12.34``; empty where not known."""
    if amount is None:
        return ""
    if not digits:
        return str(amount)
    sign = "-" if amount < 0 else ""
    whole, part = divmod(abs(amount), 10**digits)
    return f"{sign}{whole}.{part:0{digits}d}"


def order_rows(takeoff: Takeoff, *, spare_percent: float, least_special: int) -> tuple[OrderRow, ...]:
    """The order by code with spares alone: no colours, phases or money settings."""
    rules = OrderRules(spare_percent=Fraction(str(spare_percent)), least_special=least_special)
    return plan_order(takeoff, plan_site_cuts(takeoff), rules).rows
