"""One row of a tape file understood, or its faults gathered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import NamedTuple, TypeVar

import numpy as np

from siteplan.errors import Fault, Finding, UsageError
from siteplan.plans import RunPlan
from siteplan.reconcile.names import Names
from siteplan.reconcile.readings import Reading, celsius, grade, newtons, read, spans
from siteplan.reconcile.rows import Row
from siteplan.sites import SITE_FILE, Site
from siteplan.tape_settings import KindSettings, TapeFacts, TapeKind, TapeRow
from siteplan.tomlfile import nearest
from siteplan.units import METRES, um_to_m

T = TypeVar("T")


class Target(IntEnum):
    """What was taped."""

    LEG = 0
    RUN = 1
    DISTANCE = 2
    """straight from one named point to another: a diagonal, a tie, a check across a bed"""


@dataclass(frozen=True, slots=True)
class Tape:
    """One tape: its name on paper, its kind, and how good it is."""

    name: str
    kind: TapeKind
    fixed_m: float
    per_length: float
    scale: float
    """standard deviation of its own scale"""
    length_m: float
    """what it says it is, NaN where nobody said"""
    compared: bool
    """its true length is known"""


class Read(NamedTuple):
    """One row, understood."""

    row: Row
    id: str
    what: Target
    name: str
    leg: int
    run: int
    points: tuple[str, str] | None
    reading: Reading
    tape: str
    along_slope: bool
    rise_m: float
    temperature_c: float
    pull_n: float
    sag_spans_m: tuple[float, ...]


class Reader:
    """Rows to readings; gathers faults and findings."""

    def __init__(self, site: Site, plan: RunPlan) -> None:
        self.site, self.names = site, Names(site, plan)
        self.settings = site.settings.reconcile
        self.tapes: dict[str, Tape] = {}
        self.facts: dict[str, TapeFacts | None] = {}
        self.faults: list[Fault] = []
        self.findings: list[Finding] = []
        self.points: dict[str, tuple[float, float]] = {}

    def row(self, row: Row) -> Read | None:
        """One row understood, or None with its faults gathered."""
        before = len(self.faults)
        text = row.text
        target = self._try(row, "unknown-target", lambda: self._target(text), "Use the names of the map")
        reading = self._reading(row)
        if reading is not None and text.also:
            self._second(row, reading)
        tape = self._tape(row)
        name = text.id or f"{Path(row.file).stem if row.file != SITE_FILE else 'tape'}-{row.row}"
        quantities = self._quantities(row, reading, tape)
        if len(self.faults) > before or target is None or reading is None or tape is None:
            return None
        what, shown, leg, run, points = target
        along, rise, warm, hand, hung = quantities
        return Read(row, name, what, shown, leg, run, points, reading, tape, along, rise, warm, hand, hung)

    def _fault(self, row: Row, code: str, what: str, remedy: str) -> None:
        where = row.text.id or f"row {row.row}"
        self.faults.append(Fault(code, what, remedy, row.file, where))

    def _try(self, row: Row, code: str, make: Callable[[], T], remedy: str) -> T | None:
        try:
            return make()
        except UsageError as error:
            self._fault(row, code, str(error), remedy)
            return None

    def _target(self, text: TapeRow) -> tuple[Target, str, int, int, tuple[str, str] | None]:
        names = self.names
        if text.from_ or text.to:
            if text.of:
                raise UsageError(f'the row names both "{text.of}" and points from and to')
            if not (text.from_ and text.to):
                raise UsageError("a distance needs both from and to")
            a, b = text.from_.strip(), text.to.strip()
            for name in (a, b):
                self.points[name] = names.point(name)
            gap = np.hypot(*np.subtract(self.points[a], self.points[b]))
            if gap < 1e-3:
                raise UsageError(f'"{a}" and "{b}" are the same point')
            return Target.DISTANCE, f"{a} to {b}", -1, -1, (a, b)
        of = text.of.strip()
        if not of:
            raise UsageError("the row does not say what was taped")
        if of in names.leg and of in names.run:
            raise UsageError(f'"{of}" is both a leg and a run; give the points it goes from and to')
        if of in names.leg:
            leg = names.leg[of]
            return Target.LEG, of, leg, int(names.runs.leg_run[leg]), None
        if of in names.run:
            return Target.RUN, of, -1, names.run[of], None
        raise UsageError(names.no_such("leg or run", of, [*names.leg, *names.run]))

    def _reading(self, row: Row) -> Reading | None:
        if not row.text.reading:
            self._fault(row, "no-reading", "there is no reading", "Give one, or leave the row out")
            return None
        remedy = "Write it with its unit, such as 12' 6-1/2\", 12.54 ft, 150 in or 3.82 m"
        return self._try(row, "bad-reading", lambda: read(row.text.reading, row.unit), remedy)

    def _second(self, row: Row, reading: Reading) -> None:
        """The same length written a second time must be the same length."""
        also = self._try(
            row,
            "bad-reading",
            lambda: read(row.text.also, row.also_unit),
            "Write it with its unit, or leave it out",
        )
        if also is None:
            return
        coarse = max(reading.step_m, also.step_m)
        if abs(float(reading.metres - also.metres)) > coarse / 2 * (1 + 1e-9):
            one = "in" if also.unit == "in" else also.unit
            self._fault(
                row, "two-units-disagree",
                f'"{reading.text}" is {float(reading.metres / METRES.get(one, METRES["m"])):g} '
                f'{one if one in METRES else "m"}, not "{also.text}"',
                "Look at the field sheet or tape it again, and mend the one that is wrong",
            )  # fmt: skip

    def _tape(self, row: Row) -> str | None:
        """Name of the tape of a row; the tape is made on first sight."""
        text, known = row.text, self.settings.tape
        kind = text.kind.strip().lower().replace("fiberglass", "fibreglass")
        name = text.tape.strip() or kind
        facts = known.get(text.tape.strip())
        if kind and kind not in self.settings.kind:
            like = nearest(kind, self.settings.kind)
            hint = f'Did you mean "{like}"?' if like else f"Known: {', '.join(self.settings.kind)}"
            self._fault(row, "unknown-kind", f'tape kind "{kind}" is not known', hint)
            return None
        if not kind and facts is None:
            earlier = self.tapes.get(name)
            if earlier is not None:
                return name
            what = (
                f'nothing says what kind of tape "{name}" is'
                if name
                else "nothing says what it was taped with"
            )
            self._fault(row, "no-tape-kind", what, "Fill in kind: steel, fibreglass, wheel or string")
            return None
        said: TapeKind = facts.kind if facts is not None else kind  # type: ignore[assignment]
        if kind and kind != said:
            self._fault(
                row,
                "two-kinds",
                f'tape "{name}" is {said} in site.toml and {kind} here',
                "Correct one of them",
            )
            return None
        earlier = self.tapes.get(name)
        if earlier is not None and earlier.kind != said:
            self._fault(
                row,
                "two-kinds",
                f'tape "{name}" is {earlier.kind} above and {said} here',
                "Give one another name",
            )
            return None
        self.tapes.setdefault(name, _made(name, said, self.settings.kind[said], facts))
        self.facts.setdefault(name, facts)
        return name

    def _quantities(
        self, row: Row, reading: Reading | None, tape: str | None
    ) -> tuple[bool, float, float, float, tuple[float, ...]]:
        """Slope, rise, temperature, pull and hung spans of a row."""
        text = row.text
        nan = float("nan")
        basis = text.basis.strip().lower()
        if basis not in ("", "level", "slope", "along the slope", "along slope"):
            self._fault(row, "bad-basis", f'basis "{text.basis}" is not known', 'Write "level" or "slope"')
        rise = nan
        if text.rise and text.grade:
            self._fault(row, "rise-and-grade", "both rise and grade are given", "Leave one out")
        elif text.rise:
            made = self._try(row, "bad-rise", lambda: read(text.rise.lstrip("+-")), "Write it as a length")
            rise = nan if made is None else float(made.metres)
        elif text.grade and reading is not None:
            up = self._try(row, "bad-grade", lambda: grade(text.grade), "Write it as 5 %, 3 deg or 1:20")
            rise = nan if up is None else abs(float(reading.metres) * up / np.hypot(1, up))
        sloping = basis not in ("", "level")
        if basis == "level" and not np.isnan(rise):
            self._fault(
                row, "level-with-rise", "taped level, yet a rise is given", "Say slope, or leave it out"
            )
        if reading is not None and not np.isnan(rise) and rise >= float(reading.metres):
            self._fault(row, "rise-too-great", "the rise is as great as the length", "Correct one of them")
        warm = self._number(row, "temperature", text.temperature)
        hand = self._number(row, "pull", text.pull)
        hangs = self._try(row, "bad-support", lambda: spans(text.support), "Write supported or hung") or (
            False,
            (),
        )
        hung: tuple[float, ...] = ()
        if hangs[0] and reading is not None:
            hung = hangs[1] or (float(reading.metres),)
            if sum(hung) > float(reading.metres) * (1 + 1e-6) + 1e-3:
                self._fault(
                    row, "spans-too-long", "the hung spans are longer than the reading", "Correct them"
                )
        if tape is not None:
            self._steel_only(row, tape, warm, hand, hung)
        return sloping and np.isnan(rise), rise, warm, hand, hung

    def _number(self, row: Row, what: str, text: str) -> float:
        if not text:
            return float("nan")
        make = celsius if what == "temperature" else newtons
        got = self._try(row, f"bad-{what}", lambda: make(text), "Write it with its unit")
        return float("nan") if got is None else got

    def _steel_only(self, row: Row, tape: str, warm: float, hand: float, hung: tuple[float, ...]) -> None:
        """Tell what cannot be corrected for."""
        kind, facts = self.tapes[tape].kind, self.facts[tape]
        given = not np.isnan([warm, hand]).all() or hung
        if kind != "steel" and given:
            text = f"{kind} takes no correction for temperature, pull or sag: what is given is not used"
        elif hung and (facts is None or facts.weight_n_per_m is None or np.isnan(hand)):
            text = "it hung, but pull or weight of the tape is not known: no correction for sag"
        elif (
            not np.isnan(hand)
            and not hung
            and (facts is None or not (facts.area_mm2 and facts.standard_pull_n))
        ):
            text = "a pull is given, but not the tape's area and standard pull: no correction for pull"
        else:
            return
        self.findings.append(
            Finding("not-corrected", "notice", f"Reading {row.text.id or f'in row {row.row}'}: {text}.")
        )


def _made(name: str, kind: TapeKind, how_good: KindSettings, facts: TapeFacts | None) -> Tape:
    """A tape from its kind and what is known of it."""
    ppm = how_good.scale_ppm
    if facts is not None and facts.scale_ppm is not None:
        ppm = facts.scale_ppm
    return Tape(
        name=name,
        kind=kind,
        fixed_m=um_to_m(how_good.fixed),
        per_length=how_good.per_length_ppm * 1e-6,
        scale=ppm * 1e-6,
        length_m=float("nan") if facts is None or facts.length is None else um_to_m(facts.length),
        compared=facts is not None and facts.true_length is not None,
    )
