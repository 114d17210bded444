"""What takes the whole site: its plan in one piece, its order and cost, what there is to say of it.

A worker thread does it, one state at a time and the newest first; nobody who drags a vertex waits for it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

from siteplan.desk.panels import finding_rows
from siteplan.desk.state import State
from siteplan.desk.words import money, rows
from siteplan.errors import SiteplanError
from siteplan.laying.order import Order
from siteplan.ordering import purchase
from siteplan.parts import Part, planned
from siteplan.publish.write import all_findings

IDLE_S: Final = 0.4
"""the worker waits so long for a further change before it begins"""


@dataclass(frozen=True, eq=False)
class Reckoned:
    """The whole site at one state."""

    etag: str
    part: Part | None
    """None for a site without beds"""
    cost: dict[str, Any]
    findings: list[dict[str, Any]]
    why: str | None = None
    """why it could not be reckoned"""


def whole_part(state: State) -> Part | None:
    """The whole site as one part; None without beds."""
    if not len(state.site.beds):
        return None
    if len(state.shown) == 1 and state.shown[0].live.all():
        # settings that move no piece may have changed since it was planned
        return replace(state.shown[0].view.part, site=state.site)
    return planned(state.site)


def reckoned(state: State) -> Reckoned:
    """Order, cost and findings of a state."""
    part: Part | None = None
    try:
        part = whole_part(state)
        if part is None:
            return Reckoned(state.etag, None, {"text": "nothing to order yet", "pending": False}, [])
        order = purchase(part.site, part.plan, part.result).order
        findings = (*all_findings(part.site, part.plan, part.result), *order.findings)
        return Reckoned(state.etag, part, cost_of(order), finding_rows(part, findings))
    except SiteplanError as error:
        return Reckoned(state.etag, part, {"text": str(error), "pending": False}, [], str(error))


def cost_of(order: Order) -> dict[str, Any]:
    """The order as the page shows it."""
    currency, digits = order.currency, order.currency_digits
    priced = currency is not None

    def amount(value: int | None) -> str:
        return "no price" if value is None or currency is None else money(value, currency, digits)

    total = order.total if order.total is not None else order.subtotal
    shown = [("Subtotal", amount(order.subtotal))] if priced else []
    if priced and order.tax is not None and order.tax_percent:
        shown += [(f"Tax {float(order.tax_percent):g} %", amount(order.tax)), ("Total", amount(order.total))]
    if order.weight_g is not None:
        shown.append(("Weight", f"{order.weight_g / 1000:,.1f} kg"))
    shown.append(("Sections for the cuts", f"{order.cuts.stock:,} (at least {order.cuts.least:,})"))
    if order.unpriced:
        shown.append(("Without a price", ", ".join(order.unpriced)))
    lines = [
        [
            row.code,
            row.name,
            f"{row.takeoff:,}",
            f"{row.breakage + row.spares + row.for_unmet:,}",
            f"{row.order:,}",
            f"{row.packs:,} x {row.pack:,}" + (f" + {row.singles:,}" if row.singles else ""),
            amount(row.amount),
        ]
        for row in order.rows
        if row.order or row.takeoff
    ]
    return {
        "text": amount(total) if total is not None else "no price: the product line has none",
        "pending": False,
        "rows": rows(shown),
        "order": {
            "columns": ["Code", "What", "Plan takes", "Spares", "Order", "Packs", "Amount"],
            "rows": lines,
        },
    }


class Worker:
    """Reckons the newest state, on a thread of its own.

    Parameters
    ----------
    done : called on the worker's thread with what was reckoned
    """

    def __init__(self, done: Callable[[State, Reckoned], None]) -> None:
        self._done = done
        self._wake = threading.Condition()
        self._wanted: State | None = None
        self._since = 0.0
        self._stopped = False
        self._last: Reckoned | None = None
        self._thread = threading.Thread(target=self._run, name="reckoning", daemon=True)
        self._thread.start()

    def want(self, state: State) -> None:
        """Reckon this state, in place of what waits."""
        with self._wake:
            self._wanted, self._since = state, time.monotonic()
            self._wake.notify_all()

    def get(self, state: State) -> Reckoned | None:
        """What was reckoned of this state; None until then."""
        last = self._last
        return last if last is not None and last.etag == state.etag else None

    def wait(self, state: State) -> Reckoned:
        """What is reckoned of this state, now."""
        found = self.get(state)
        if found is None:
            found = reckoned(state)
            self._last = found
            self._done(state, found)
        return found

    def stop(self) -> None:
        """Let the thread end."""
        with self._wake:
            self._stopped = True
            self._wake.notify_all()

    def _run(self) -> None:
        while True:
            with self._wake:
                while not self._stopped and (self._wanted is None or time.monotonic() - self._since < IDLE_S):
                    self._wake.wait(None if self._wanted is None else IDLE_S)
                if self._stopped:
                    return
                state, self._wanted = self._wanted, None
            if state is not None and self.get(state) is None:
                found = reckoned(state)
                self._last = found
                self._done(state, found)
