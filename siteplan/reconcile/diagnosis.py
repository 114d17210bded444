"""Why tape and map disagree: causes named with the evidence for each, or "not enough evidence"."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import chdtrc

from siteplan.laying.lines import lines_in_use
from siteplan.plans import RunPlan
from siteplan.reconcile.blunders import Variants, all_variants
from siteplan.reconcile.compare import Comparison
from siteplan.reconcile.evidence import Model, Pattern, Ratio, State, Term, Tried, search, size
from siteplan.reconcile.tapes import Tapes
from siteplan.sites import Site
from siteplan.types import FloatArray
from siteplan.units import FOOT_M, SURVEY_FOOT_M, Unit, format_length, um_to_m

WORDS: Final[dict[str, str]] = {
    "map_scale": "the whole map is out of scale",
    "web_mercator": "the map's metres are those of a web map (EPSG:3857), not of the ground",
    "web_mercator_back": "the map was divided by the scale of a web map though it did not have it",
    "feet_as_metres": "feet on the map were taken for metres",
    "metres_as_feet": "metres on the map were taken for feet",
    "grid_for_ground": "the tapes agree with the grid, not with the ground at the site's height",
    "slope": "lengths along the slope were not brought to level",
    "wrong_face": "the outline was traced on another face of the edging",
    "chords": "curves were drawn with too few vertices: chords instead of arcs",
    "shaky": "curves were traced unsteadily, which lengthens them",
    "stretched_tape": "the tape is stretched or mended: its scale is wrong",
    "zero_offset": "the tape's zero is not where it was held, in every reading",
    "tenths_throughout": "inches were written as decimals in every reading with this tape",
    "outline_wrong": "the outline is wrong here: several readings agree with each other and not with it",
    "dropped_length": "a whole tape length was miscounted",
    "transposed": "two digits were exchanged",
    "inches_as_tenths": "inches were written as tenths or hundredths of a foot",
    "tenths_as_inches": "tenths or hundredths of a foot were written as inches",
    "misread": "a whole foot or metre was misread",
    "hook": "the zero was not at the end that was held",
    "wrong_unit": "the reading has another unit than was written",
    "wrong_leg": "another leg was taped than was written",
    "unknown": "a mistake of no known cause, of the tape or of the outline here",
}
REMEDIES: Final[dict[str, str]] = {
    "map": "Check the source of the outlines before ordering",
    "tape": "Compare the tape with another one over a long straight",
    "leg": "Look at the outline here, then tape the leg once more",
    "reading": "Tape it again before it is used",
}
ALTERNATIVES: Final = 4
MOST_LEGS: Final = 4
"""legs named where several fit"""
UNKNOWN_SIZES: Final = (0.1, 1.0, 10.0, 100.0)
"""of a mistake of no known cause, in its usual size: nobody knows how large one is"""
POWER_SIGMAS: Final = 2.8
"""1.96 + 0.84: what a two-sided test at 5 % finds four times in five"""


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another cause in the same place."""

    cause: str
    target: str
    words: str
    log_ratio: float


@dataclass(frozen=True, slots=True)
class Named:
    """A cause that the readings support."""

    cause: str
    scope: str
    """``map``, ``tape``, ``leg`` or ``reading``"""
    target: str
    """tape, leg, or id of the reading; empty for the map"""
    words: str
    log_ratio: float
    """log likelihood ratio against the model without it"""
    log_margin: float
    """by how much it passes the threshold for naming, natural logarithm"""
    clear: bool
    """told apart from the next cause by the stated ratio"""
    alternatives: tuple[Alternative, ...]
    size: float
    """size of a cause that has one (scale, metres), NaN otherwise"""
    size_sigma: float
    size_text: str
    readings: tuple[str, ...]
    """ids of the readings it changes"""
    new_reading: str
    """what the reading would be, for a slip; else empty"""
    total_m: float
    """total edging of the plan, were this so; the plan's own where the map stays"""
    probability: float
    """NaN without priors"""
    remedy: str


@dataclass(frozen=True, slots=True)
class ScaleRow:
    """One meaningful scale beside what the readings say."""

    cause: str
    words: str
    scale: float
    """taped / map; a mean where it depends on direction"""
    chi2: float
    log_ratio: float
    """against scale 1"""
    verdict: str
    """``fits``, ``does not fit`` or ``too small to see``"""


@dataclass(frozen=True, slots=True)
class ScaleFit:
    """The common scale taped / map, slips left out."""

    scale: float
    sigma: float
    chi2: float
    """at the fitted scale"""
    smallest: float
    """smallest departure from 1 these readings would show four times in five"""
    rows: tuple[ScaleRow, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the readings say."""

    named: tuple[Named, ...]
    chi2_before: float
    chi2_after: float
    readings: int
    p_before: float
    """chance of differences this great or greater, were nothing wrong"""
    p_after: float
    scale: ScaleFit
    causes: int
    trials: int
    alpha: float
    text: str
    corrected_m: tuple[float, ...]
    """(n) taped lengths with slips and tape causes taken off; NaN where none is left"""


def _patterns(site: Site, plan: RunPlan, tapes: Tapes, made: Comparison) -> tuple[Pattern, ...]:
    """Everything about the map, the tapes and the legs that may be wrong."""
    said = site.settings.reconcile
    p, n = made.patterns, len(tapes)
    foot = float(FOOT_M)
    rows = [
        Pattern("map_scale", "map", "", made.map_m, said.map_scale_ppm * 1e-6),
        Pattern("web_mercator", "map", "", -p.web_m, 0.0),
        Pattern("web_mercator_back", "map", "", -p.web_back_m, 0.0),
        Pattern("feet_as_metres", "map", "", (foot - 1) * made.map_m, 0.0),
        Pattern("metres_as_feet", "map", "", (1 / foot - 1) * made.map_m, 0.0),
        Pattern("wrong_face", "map", "", p.face, _face_width(site, plan)),
        _slope(said.grade_percent, tapes, made),
    ]
    factor = site.frame.combined_factor
    if abs(factor - 1) > 1e-9:
        rows.append(Pattern("grid_for_ground", "map", "", (factor - 1) * made.map_m, 0.0))
    if p.chords_m.any():
        rows.append(Pattern("chords", "map", "", p.chords_m, 0.0))
    if p.noise_m.any():
        rows.append(Pattern("shaky", "map", "", -p.noise_m, 0.0))
    for k, tape in enumerate(tapes.tapes):
        of_tape = tapes.tape == k
        if of_tape.sum() < 2:
            continue
        rows.append(
            Pattern("stretched_tape", "tape", tape.name, -made.tape_map_m[:, k], said.stretch_ppm * 1e-6)
        )
        width = max((um_to_m(v) for v in said.hooks), default=0.0)
        if width:
            rows.append(Pattern("zero_offset", "tape", tape.name, of_tape.astype(float), width))
    touched = np.bincount(made.legs.indices, minlength=made.legs.shape[1])
    for leg in np.flatnonzero(touched >= 2):
        column = np.asarray(made.legs[:, [leg]].todense()).ravel()
        rows.append(
            Pattern(
                "outline_wrong", "leg", str(plan.runs.leg_id[leg]), column, um_to_m(said.unknown_error) / 2
            )
        )
    return tuple(r for r in rows if r.column.any() and len(r.column) == n)


def _face_width(site: Site, plan: RunPlan) -> float:
    """How far a face may be from the line a map length is of: as deep as the deepest pieces are."""
    said = site.settings.reconcile.face_offset
    deepest = max(line.depth_um for line in lines_in_use(plan.runs, site.lines)[0])
    return um_to_m(deepest if said is None else said)


def _slope(grade_percent: float, tapes: Tapes, made: Comparison) -> Pattern:
    """Level readings that are none: known from heights, else a grade of unknown size."""
    level = np.isnan(tapes.rise_m) & ~made.on_slope
    rise = made.patterns.slope_m
    if not np.isnan(rise[level]).all():
        return Pattern("slope", "map", "", np.where(level, np.nan_to_num(rise), 0.0), 0.0)
    width = (grade_percent / 100) ** 2 / 2
    return Pattern("slope", "map", "", np.where(level, made.map_m, 0.0), width, one_sided=True)


def _throughout(tapes: Tapes, variants: Variants) -> list[Pattern]:
    """Inches written as decimals in every reading of one tape that has some."""
    rows = []
    for k, tape in enumerate(tapes.tapes):
        picked = tapes.tape[variants.reading] == k
        if picked.sum() >= 2:
            column = np.zeros(len(tapes))
            column[variants.reading[picked]] = -variants.shift_m[picked]
            rows.append(Pattern("tenths_throughout", "tape", tape.name, column, 0.0))
    return rows


class _Teller:
    """Terms of a model in words and numbers."""

    def __init__(
        self, site: Site, plan: RunPlan, tapes: Tapes, made: Comparison, model: Model, terms: tuple[Term, ...]
    ) -> None:
        self.site, self.plan, self.tapes, self.made = site, plan, tapes, made
        self.model, self.terms = model, terms
        self.show: Unit = site.settings.show.units
        self.least = float(np.log(1 / site.settings.reconcile.false_alarm))

    def length(self, metres: float) -> str:
        """In the site's units."""
        return format_length(metres, self.show, denominator=self.site.settings.show.inch_fraction)

    def target(self, term: Term) -> tuple[str, str]:
        """Scope and target of a term."""
        if term.pattern >= 0:
            pattern = self.model.tried.patterns[term.pattern]
            return pattern.scope, pattern.target
        return "reading", str(self.tapes.ids[term.reading])

    def words(self, term: Term) -> str:
        """A term in words."""
        said = WORDS[term.cause]
        if term.variant < 0:
            return said
        variants = self.model.by_cause[term.cause]
        text = str(variants.said[term.variant])
        if term.cause == "wrong_leg":
            # legs of one length cannot be told apart: name them together
            near = (
                np.abs(variants.shift_m - variants.shift_m[term.variant])
                < self.made.sigma_m[term.reading] / 2
            )
            likely = variants.weight >= variants.weight[term.variant] / 2
            same = variants.said[near & likely & (variants.reading == term.reading)]
            names = [str(v).removeprefix("it is ") for v in same]
            more = f" or {len(names) - MOST_LEGS} more" if len(names) > MOST_LEGS else ""
            text = f"it is {' or '.join(names[:MOST_LEGS])}{more}"
        return f"{said} ({text})"

    def named(self, term: Term) -> Named:
        """Everything about one term, judged with all others in place."""
        rest = tuple(t for t in self.terms if t != term)
        state = self.model.state(rest)
        found = self.model.ratios(rest)
        own = next(r for r in found if r.term == term or self._same(r.term, term))
        scope, target = self.target(term)
        others = [r for r in found if not self._same(r.term, term) and self._rivals(term, r.term)]
        gap = own.log_score - others[0].log_score if others else np.inf
        amount, sigma, text = self._size(term, state)
        return Named(
            cause=term.cause,
            scope=scope,
            target=target,
            words=self.words(term),
            log_ratio=own.log_ratio,
            log_margin=own.log_score - self.least,
            clear=gap >= float(np.log(self.site.settings.reconcile.clear_ratio)),
            alternatives=tuple(
                Alternative(r.term.cause, self.target(r.term)[1], self.words(r.term), r.log_ratio)
                for r in others[:ALTERNATIVES]
                if r.log_ratio > 0
            ),
            size=amount,
            size_sigma=sigma,
            size_text=text,
            readings=self._changed(term),
            new_reading=self._new_reading(term),
            total_m=self._total(term, amount),
            probability=self._probability(own, others),
            remedy=REMEDIES[scope],
        )

    @staticmethod
    def _same(a: Term, b: Term) -> bool:
        return (a.cause, a.pattern, a.reading) == (b.cause, b.pattern, b.reading)

    def _rivals(self, term: Term, other: Term) -> bool:
        """Whether two causes are about the same thing."""
        if term.reading >= 0:
            if other.reading >= 0:
                return other.reading == term.reading
            pattern = self.model.tried.patterns[other.pattern]
            return pattern.scope == "leg" and bool(pattern.column[term.reading])
        scope = self.target(term)[0]
        if other.pattern < 0:
            return scope == "leg" and bool(self.model.tried.patterns[term.pattern].column[other.reading])
        return (self.target(other)[0] == "leg") == (scope == "leg")

    def _size(self, term: Term, state: State) -> tuple[float, float, str]:
        nan = float("nan")
        if term.pattern < 0:
            if term.variant >= 0:
                return nan, nan, ""
            w = float(state.weight[term.reading, term.reading])
            off = float((state.weight @ state.residual_m)[term.reading]) / w
            return off, w**-0.5, f"off by {self.length(off)} +/- {self.length(w**-0.5)}"
        pattern = self.model.tried.patterns[term.pattern]
        if not pattern.width:
            return nan, nan, ""
        amount, sigma = size(state, pattern)
        if term.cause in ("map_scale", "stretched_tape"):
            text = f"{amount * 1e6:+.0f} ppm +/- {sigma * 1e6:.0f} ({amount * 100:+.3f} %)"
            if term.cause == "stretched_tape":
                text += "; plus: the tape is longer than it says and reads too short"
            return amount, sigma, text
        if term.cause == "slope":
            return amount, sigma, f"a mean grade of {100 * np.sqrt(2 * max(amount, 0.0)):.1f} %"
        if term.cause == "wrong_face":
            side = "further out than" if amount > 0 else "further in than"
            return amount, sigma, f"{self.length(abs(amount))} {side} traced, +/- {self.length(sigma)}"
        return amount, sigma, f"{self.length(amount)} +/- {self.length(sigma)}"

    def _changed(self, term: Term) -> tuple[str, ...]:
        if term.reading >= 0:
            return (str(self.tapes.ids[term.reading]),)
        pattern = self.model.tried.patterns[term.pattern]
        return tuple(str(i) for i in self.tapes.ids[pattern.column != 0])

    def _new_reading(self, term: Term) -> str:
        if term.variant < 0:
            return ""
        variants = self.model.by_cause[term.cause]
        metres = float(variants.metres[term.variant])
        if np.isnan(metres):
            return ""
        if term.cause in ("inches_as_tenths", "tenths_as_inches", "wrong_unit"):
            return str(variants.said[term.variant]).partition(": ")[2]
        return self.tapes.reading[term.reading].like(metres)

    def _total(self, term: Term, amount: float) -> float:
        """Total edging of the plan, were this so."""
        legs, plan = self.made.leg_patterns, self.made.leg_map_m
        total, foot = float(plan.sum()), float(FOOT_M)
        by_cause: dict[str, Callable[[], float]] = {
            "map_scale": lambda: total * (1 + amount),
            "web_mercator": lambda: total - float(legs["web"].sum()),
            "web_mercator_back": lambda: total - float(legs["back"].sum()),
            "feet_as_metres": lambda: total * foot,
            "metres_as_feet": lambda: total / foot,
            "grid_for_ground": lambda: total * self.site.frame.combined_factor,
            "wrong_face": lambda: total + amount * float(legs["face"].sum()),
            "chords": lambda: total + float(legs["chords"].sum()),
            "shaky": lambda: total - float(legs["noise"].sum()),
            "outline_wrong": lambda: total + amount,
        }
        return by_cause.get(term.cause, lambda: total)()

    def _probability(self, own: Ratio, others: list[Ratio]) -> float:
        """With the priors of the settings: this cause against its rivals and against none."""
        priors = self.site.settings.reconcile.priors
        if priors is None or own.term.cause not in priors.causes:
            return float("nan")
        known = [r for r in (own, *others) if r.term.cause in priors.causes]
        logs = np.array([np.log(priors.causes[r.term.cause]) + r.log_ratio for r in known])
        none = np.log(max(1 - sum(priors.causes[r.term.cause] for r in known), 1e-12))
        top = max(float(logs.max()), none)
        return float(np.exp(logs[0] - top) / (np.exp(logs - top).sum() + np.exp(none - top)))


# ---------------------------------------------------------------- the common scale


def _scale_fit(
    site: Site, made: Comparison, model: Model, terms: tuple[Term, ...], slope: Pattern
) -> ScaleFit:
    """Common scale by weighted least squares, and every meaningful value beside it."""
    state = model.state(tuple(t for t in terms if t.reading >= 0 or _of_leg(model, t)))
    common = Pattern("map_scale", "map", "", made.map_m, 1.0)
    amount, sigma = size(state, common)
    least = _chi2(state, amount * made.map_m)
    none = _chi2(state, np.zeros(len(made)))
    foot, survey = float(FOOT_M), float(SURVEY_FOOT_M)
    p = made.patterns
    rows: list[tuple[str, str, FloatArray]] = [
        ("none", "nothing wrong", np.zeros(len(made))),
        ("web_mercator", WORDS["web_mercator"], -p.web_m),
        ("web_mercator_back", WORDS["web_mercator_back"], -p.web_back_m),
        ("feet_as_metres", WORDS["feet_as_metres"], (foot - 1) * made.map_m),
        ("metres_as_feet", WORDS["metres_as_feet"], (1 / foot - 1) * made.map_m),
        (
            "survey_foot",
            "survey feet on the map were taken for international feet",
            (survey / foot - 1) * made.map_m,
        ),
        ("grid_for_ground", WORDS["grid_for_ground"], (site.frame.combined_factor - 1) * made.map_m),
    ]
    if not slope.width:
        rows.append(("slope", WORDS["slope"], slope.column))
    smallest = POWER_SIGMAS * sigma
    total = float(made.map_m.sum())
    made_rows = []
    for cause, words, column in rows:
        value = _chi2(state, column)
        scale = 1 + float(column.sum()) / total
        if cause != "none" and abs(scale - 1) < smallest:
            verdict = "too small to see"
        else:
            verdict = "fits" if value - least <= 3.841 else "does not fit"
        made_rows.append(ScaleRow(cause, words, scale, value, (none - value) / 2, verdict))
    return ScaleFit(1 + amount, sigma, least, smallest, tuple(made_rows))


def _of_leg(model: Model, term: Term) -> bool:
    return term.pattern >= 0 and model.tried.patterns[term.pattern].scope == "leg"


def _chi2(state: State, predicted_m: FloatArray) -> float:
    left = state.residual_m - predicted_m
    return float(left @ state.weight @ left)


# ---------------------------------------------------------------- all together


def diagnose(site: Site, plan: RunPlan, tapes: Tapes, made: Comparison) -> Diagnosis:
    """Causes of the disagreement that the readings support.

    Parameters
    ----------
    site, plan, tapes : the map and the readings
    made : the comparison

    Returns
    -------
    Causes in order of evidence, whole map and tapes before single readings; the common scale;
    and what can be said when nothing is named.  Deterministic.
    """
    said = site.settings.reconcile
    if not len(tapes):
        return _nothing(said.false_alarm)
    variants = all_variants(plan, tapes, made, said)
    tenths = next(v for v in variants if v.cause == "inches_as_tenths")
    patterns = (*_patterns(site, plan, tapes, made), *_throughout(tapes, tenths))
    usual = um_to_m(said.unknown_error)
    tried = Tried(patterns, variants, tuple(usual * f for f in UNKNOWN_SIZES), len(tapes))
    model = Model(made.difference_m, made.covariance_m2, tried)
    terms = search(model, said.false_alarm)
    teller = _Teller(site, plan, tapes, made, model, terms)
    named = sorted((teller.named(t) for t in terms), key=lambda c: (c.scope == "reading", -c.log_ratio))
    before, after = model.state(()), model.state(terms)
    n = len(tapes)
    p_before, p_after = float(chdtrc(n, before.chi2)), float(chdtrc(n, after.chi2))
    return Diagnosis(
        named=tuple(named),
        chi2_before=before.chi2,
        chi2_after=after.chi2,
        readings=n,
        p_before=p_before,
        p_after=p_after,
        scale=_scale_fit(site, made, model, terms, _slope(said.grade_percent, tapes, made)),
        causes=len(tried.causes),
        trials=tried.trials,
        alpha=said.false_alarm,
        text=_text(named, p_before, p_after, said.false_alarm),
        corrected_m=tuple(_corrected(tapes, model, terms).tolist()),
    )


def _nothing(alpha: float) -> Diagnosis:
    """Of a site where nothing was taped."""
    nan = float("nan")
    return Diagnosis(
        named=(), chi2_before=0.0, chi2_after=0.0, readings=0, p_before=1.0, p_after=1.0,
        scale=ScaleFit(nan, nan, 0.0, nan, ()), causes=0, trials=0, alpha=alpha,
        text="Nothing was taped: there is nothing to compare the map with.", corrected_m=(),
    )  # fmt: skip


def _text(named: list[Named], p_before: float, p_after: float, alpha: float) -> str:
    """The answer in a sentence or two."""
    if not named and p_before >= alpha:
        return (
            "Tapes and map agree within what tapes and tracing allow "
            f"(chance of such differences with nothing wrong: {p_before:.2g}). Not enough evidence "
            "for any cause."
        )
    if not named:
        return (
            "Tapes and map disagree by more than the stated standard deviations explain "
            f"(chance {p_before:.2g}), but no single cause stands out: not enough evidence. "
            "Either the standard deviations are too small, or there are several small "
            "causes; more readings would tell."
        )
    count = f"{len(named)} cause{'s' if len(named) > 1 else ''} found"
    if p_after >= alpha:
        return f"{count}; what is left is within what tapes and tracing allow (chance {p_after:.2g})."
    return (
        f"{count}, but what is left is still more than the stated standard deviations explain "
        f"(chance {p_after:.2g}): not enough evidence to say why."
    )


def _corrected(tapes: Tapes, model: Model, terms: tuple[Term, ...]) -> FloatArray:
    """Taped lengths with slips of readings and causes of tapes taken off; NaN where no length is left."""
    left = tapes.taped_m.copy()
    for term in terms:
        if term.reading >= 0:
            if term.variant >= 0 and term.cause != "wrong_leg":
                left[term.reading] += model.by_cause[term.cause].shift_m[term.variant]
            else:
                left[term.reading] = np.nan
            continue
        pattern = model.tried.patterns[term.pattern]
        if pattern.scope == "tape":
            rest = tuple(t for t in terms if t != term)
            amount = size(model.state(rest), pattern)[0] if pattern.width else 1.0
            left = left - amount * pattern.column
    return np.asarray(left)
