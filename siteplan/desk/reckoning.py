"""What takes the whole site: its plan in one piece, its order and cost, what there is to say of it.

A worker thread does it, one state at a time and the newest first; nobody who drags a vertex waits for it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from siteplan.desk.panels import finding_rows
from siteplan.desk.state import State
from siteplan.desk.words import money, rows, seen_from
from siteplan.errors import DataError, Finding, SiteplanError
from siteplan.inputs import read_said, said_of
from siteplan.laying.order import Order
from siteplan.ordering import purchase
from siteplan.parts import Part, planned
from siteplan.publish.write import all_findings
from siteplan.sites import Site, assemble

LOG: Final = logging.getLogger(__name__)
IDLE_S: Final = 0.4
"""the worker waits so long for a further change before it begins"""
HOLD_S: Final = 5.0
"""the worker leaves the machine to a page that is being opened, for so long at most"""
PAINT_S: Final = 1.0
"""and so long more once the page has what it asked for, since it paints it then"""


@dataclass(frozen=True, eq=False)
class Reckoned:
    """The whole site at one state."""

    etag: str
    part: Part | None
    """None for a site without beds"""
    cost: dict[str, Any]
    findings: list[dict[str, Any]]
    """of the plan and of its order, as the page gets them"""
    found: tuple[Finding, ...] = ()
    """of the plan alone"""
    why: str | None = None
    """why it could not be reckoned"""


def as_loaded(state: State) -> Site:
    """The site as a fresh start would load it: with what there is to say of its outlines and files by now.

    The site of the state has the findings and pictures it was begun with; outlines came and went since, and
    input files may have changed.

    Raises
    ------
    DataError : it cannot be loaded any more
    """
    said = said_of(state.site.folder, content=state.content, input_changes=True)
    # the desk goes on with the settings it has, also where site.toml was edited beside it
    said = replace(said, settings=state.site.settings)
    read = read_said(said)
    if read.faults:
        raise DataError(*read.faults)
    return assemble(said, state.site.line, read, allow_empty=True)


def whole_part(state: State) -> Part | None:
    """The whole site as one part; None without beds."""
    if not len(state.site.beds):
        return None
    site = as_loaded(state)
    one = len(state.shown) == 1 and bool(state.shown[0].live.all())
    if one and np.array_equal(site.bed_shapes.xy, state.site.bed_shapes.xy):
        # settings that move no piece may have changed since it was planned
        return replace(state.shown[0].view.part, site=site)
    return planned(site)


def reckoned(state: State) -> Reckoned:
    """Order, cost and findings of a state."""
    part: Part | None = None
    try:
        part = whole_part(state)
        if part is None:
            return Reckoned(state.etag, None, {"text": "nothing to order yet", "pending": False}, [])
        order = purchase(part.site, part.plan, part.result).order
        found = all_findings(part.site, part.plan, part.result)
        told = finding_rows(part, (*found, *order.findings))
        return Reckoned(state.etag, part, cost_of(order), told, found)
    except SiteplanError as error:
        why = str(seen_from(state.site.folder, error))
    except Exception as error:
        # a mistake of ours must end neither the thread nor the wait for it
        LOG.exception("the desk stumbled over the order of revision %d", state.revision)
        why = f"The desk stumbled over this ({type(error).__name__}). Please report it"
    return Reckoned(state.etag, part, {"text": why, "pending": False}, [], why=why)


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

    Each state is reckoned once, whoever asks: who comes second waits for the first.  What is kept is that
    of the state wanted last, so an older one that takes longer never takes its place.

    Parameters
    ----------
    done : called with what was reckoned, on the thread that did
    """

    def __init__(self, done: Callable[[State, Reckoned], None]) -> None:
        self._done = done
        self._wake = threading.Condition()
        self._wanted: State | None = None
        self._newest = ""
        """etag of the state wanted last"""
        self._since = 0.0
        self._held_until = 0.0
        self._stopped = False
        self._jobs: dict[str, Future[Reckoned]] = {}
        """by etag: those at work, and that of the newest state"""
        self._thread = threading.Thread(target=self._run, name="reckoning", daemon=True)
        self._thread.start()

    def want(self, state: State) -> None:
        """Reckon this state, in place of what waits."""
        with self._wake:
            self._wanted, self._newest, self._since = state, state.etag, time.monotonic()
            self._tidy()
            self._wake.notify_all()

    def hold(self) -> None:
        """Begin with nothing until :meth:`release`, or for :data:`HOLD_S`."""
        with self._wake:
            self._held_until = time.monotonic() + HOLD_S

    def release(self) -> None:
        """What was held may begin in a moment."""
        with self._wake:
            if self._held_until:
                self._held_until, self._since = 0.0, time.monotonic() + PAINT_S
                self._wake.notify_all()

    def put_off(self) -> None:
        """Somebody is at work, so wait anew before beginning."""
        with self._wake:
            self._since = time.monotonic()

    def get(self, state: State) -> Reckoned | None:
        """What was reckoned of this state; None until then."""
        with self._wake:
            job = self._jobs.get(state.etag)
        return job.result() if job is not None and job.done() else None

    def wait(self, state: State) -> Reckoned:
        """What is reckoned of this state, now."""
        with self._wake:
            job = self._jobs.get(state.etag)
            mine = job is None
            if job is None:
                job = self._begun(state)
        if mine:
            self._reckon(state, job)
        return job.result()

    def stop(self) -> None:
        """Let the thread end."""
        with self._wake:
            self._stopped = True
            self._wake.notify_all()

    def _begun(self, state: State) -> Future[Reckoned]:
        made: Future[Reckoned] = Future()
        self._jobs[state.etag] = made
        return made

    def _reckon(self, state: State, job: Future[Reckoned]) -> None:
        found = reckoned(state)
        job.set_result(found)
        self._done(state, found)
        with self._wake:
            self._tidy()

    def _tidy(self) -> None:
        """Drop what is done and not of the newest state."""
        self._jobs = {k: job for k, job in self._jobs.items() if k == self._newest or not job.done()}

    def _early_s(self) -> float:
        """How long to wait before beginning; none where it is below zero."""
        return max(self._since + IDLE_S, self._held_until) - time.monotonic()

    def _run(self) -> None:
        while True:
            with self._wake:
                while not self._stopped and (self._wanted is None or self._early_s() > 0):
                    self._wake.wait(None if self._wanted is None else self._early_s())
                if self._stopped:
                    return
                state, self._wanted = self._wanted, None
                job = None if state is None or state.etag in self._jobs else self._begun(state)
            if state is not None and job is not None:
                self._reckon(state, job)
