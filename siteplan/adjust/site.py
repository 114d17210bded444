"""The outlines of a site adjusted to its tapes.

The outlines stay as they are until somebody accepts the result (``siteplan reconcile --accept``), and then
become a new revision of the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import sparse

from siteplan.adjust.conditions import Conditions, Spread, conditions_of
from siteplan.adjust.lines import legs_after
from siteplan.adjust.model import Lengths, Rows
from siteplan.adjust.moved import carried, moved
from siteplan.adjust.network import Network, Solution, solve
from siteplan.adjust.renamed import names_after
from siteplan.adjust.setup import Setup
from siteplan.adjust.snooping import Freed, Snoop, Suspects, Tests, shifts_of, snoop
from siteplan.adjust.suspects import CHECKED, suspects_of
from siteplan.errors import DataError, Fault, Finding
from siteplan.model import Runs
from siteplan.planar import part_of
from siteplan.plans import RunPlan, plan_runs
from siteplan.reconcile.compare import Comparison, compare
from siteplan.reconcile.control import Surveyed, control_of, picture_groups
from siteplan.reconcile.tapes import Tapes
from siteplan.sites import Site
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

SETTLED_M: Final = 5e-5
"""the plan with the adjusted outlines must have the adjusted lengths within this"""
MOST_PASSES: Final = 5
LEAST_SCALE: Final = 0.5
"""a picture grows by no factor smaller than this or greater than its inverse: metres for feet would"""
MOST_LOOKS: Final = 6


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """Outlines adjusted to tapes.  v vertices as drawn, l legs of the plan, t readings."""

    setup: Setup
    lengths: Lengths
    solution: Solution
    conditions: Conditions
    """with the suspects left free that data snooping found"""
    spread: Spread
    suspects: Suspects
    freed: tuple[Freed, ...]
    tests: Tests
    """of every suspect, with ``freed`` left free"""
    xy: XYArray
    """(v, 2) vertices of the beds, ground metres"""
    drawn_runs: Runs
    """as drawn"""
    plan: RunPlan
    """with the adjusted outlines, without heights"""
    leg: IntArray
    """(l,) number in ``plan`` of each leg as drawn, -1 where it is gone; outlines that move may renumber"""
    leg_before_m: FloatArray
    """(l,) ground length as drawn"""
    leg_after_m: FloatArray
    """(l,) of the plan with the adjusted outlines; NaN where a leg is no longer there"""
    same_legs: bool
    """the adjusted plan has the legs of the plan"""
    settled_m: float
    """greatest difference between the plan's lengths and the adjusted ones"""
    findings: tuple[Finding, ...]

    def legs_in(self, after: Runs) -> IntArray:
        """(l,) number of each leg as drawn in another plan of the adjusted outlines, -1 where it is gone."""
        return _legs_in(self.setup, self.solution.x, self.drawn_runs, after, self.xy)

    @property
    def wanted(self) -> BoolArray:
        """(l,) legs of the beds that were taped: their standard deviations are known."""
        return self.setup.wanted

    def leg_functions(self, legs: IntArray | None = None) -> sparse.csr_array:
        """(k, u) how leg lengths follow the unknowns, growth of walls with the picture included."""
        made = self.lengths.legs(self.solution.x)[1]
        return made if legs is None else sparse.csr_array(made[legs])

    def leg_covariance(self, legs: IntArray) -> FloatArray:
        """(k, k) joint covariance of adjusted leg lengths; legs of beds that were not taped are not known."""
        return self.spread.covariance(self.leg_functions(legs))

    def leg_sigmas(self) -> tuple[FloatArray, FloatArray]:
        """(l,) standard deviation of each leg as drawn, and as adjusted; NaN where it is not known."""
        made = self.leg_functions()
        own = made @ sparse.diags_array(self.spread.prior_sigma)
        before = np.sqrt(np.asarray(own.multiply(own).sum(axis=1)).ravel())
        after = np.sqrt(self.spread.variances(made))
        return np.where(self.wanted, before, np.nan), np.where(self.wanted, after, np.nan)

    def draw(self, rng: np.random.Generator, count: int) -> XYArray:
        """(count, v, 2) true vertices as they may be, given everything: exact joint draws."""
        error = self.spread.draw(rng, count)
        out = np.empty((count, len(self.xy), 2))
        for k in range(count):
            # adjusted less true is the error, so true is adjusted less error
            out[k] = (
                self.xy + self.lengths.world(self.solution.x - error[k]) - self.lengths.world(self.solution.x)
            )
        return out


def adjust_site(
    site: Site,
    plan: RunPlan,
    tapes: Tapes | None,
    *,
    comparison: Comparison | None = None,
    values_m: FloatArray | None = None,
    control: Surveyed | None = None,
    every_leg: bool = False,
) -> Adjustment:
    """Adjust the outlines of a site to its tapes.

    Parameters
    ----------
    site, plan : the map, and its runs as drawn
    tapes : readings, corrected for the tape; None: nothing was taped, and only the standard deviations
        are of interest
    comparison : of these tapes with this map, where it is at hand
    values_m : (n,) lengths in place of ``tapes.taped_m``, NaN where a reading is left out: the
        diagnosis, where the user accepts it
    control : surveyed points that have a say; those of the site by default
    every_leg : standard deviations of all legs, not only of the beds that were taped

    Returns
    -------
    Adjustment.  The iteration goes on until the plan made from the adjusted outlines has the adjusted
    lengths within 0.05 mm, or says that it does not.

    Raises
    ------
    DataError : faults of the surveyed points; a picture they turn upside down or scale as no picture is; the
        adjustment does not settle, or the adjusted outlines cannot be planned
    """
    made = None if tapes is None else (comparison or compare(site, plan, tapes))
    groups = picture_groups(site)
    setup = Setup.of(
        site, plan, tapes, made, values_m, groups=groups, every_leg=every_leg,
        control=control_of(site, plan, groups) if control is None else control,
    )  # fmt: skip
    rows = setup.first_rows(site, plan)
    work = site
    before: _State | None = None
    plan_now, x = plan, setup.prior
    for number in range(1, MOST_PASSES + 1):
        lengths = setup.lengths(rows)
        network = lengths.network(setup.prior, setup.prior_sigma, setup.read, setup.fixes)
        state = _looked(network, lengths, setup, before, x)
        before, x = state, state.solution.x
        _refuse_absurd(setup, x)
        ground = _carried(site, plan, setup, lengths, x)
        work = moved(site, ground, *setup.walls(site, x))
        plan_now = plan_runs(work)
        leg = _legs_in(setup, x, plan.runs, plan_now.runs, ground)
        same = len(plan_now.runs.leg_id) == len(leg) and bool((leg >= 0).all())
        model_m, _ = lengths.legs(x)
        off = np.abs(model_m - plan_now.lengths.ground_m[leg])[setup.wanted] if same else np.full(1, np.inf)
        settled = float(off.max(initial=0.0))
        if settled <= SETTLED_M or not same or number == MOST_PASSES:
            break
        rows = setup.later_rows(work, plan_now, leg, ground, x)
    return Adjustment(
        setup=setup,
        lengths=lengths,
        solution=state.solution,
        conditions=state.conditions,
        spread=Spread.of(state.solution, state.conditions),
        suspects=state.suspects,
        freed=state.freed,
        tests=state.tests,
        xy=work.bed_shapes.xy,
        drawn_runs=plan.runs,
        plan=plan_now,
        leg=leg,
        leg_before_m=plan.lengths.ground_m,
        leg_after_m=lengths_after(plan_now, leg),
        same_legs=same,
        settled_m=settled,
        findings=(
            *_findings(rows, same, settled),
            *_unchecked(setup, state),
            *(() if tapes is None else _renamed(tapes, plan.runs, plan_now.runs, leg)),
        ),
    )


def _refuse_absurd(setup: Setup, x: FloatArray) -> None:
    """Refuse what no picture is: inside out, upside down, half or twice as large."""
    factor = 1 + setup.placing.scale(x)
    turn = np.zeros(len(factor))
    laid = setup.placing.frame >= 0
    turn[laid] = setup.placing.laid(x)[1][setup.placing.frame[laid]]
    tied = [setup.point_name[k] for k in np.flatnonzero(setup.point_picture < 0).tolist()]
    faults = []
    for g in np.flatnonzero(
        ~((factor >= LEAST_SCALE) & (factor <= 1 / LEAST_SCALE) & (np.cos(turn) > 0))
    ).tolist():
        points = [str(n) for n in setup.control.name[setup.control.picture == g]] + tied * bool(laid[g])
        by = f"surveyed point{'s' if len(points) > 1 else ''} {', '.join(points)}" if points else "its tapes"
        faults.append(
            Fault(
                "picture-absurd",
                f"by {by}, {setup.picture_name[g]} would be {factor[g]:,.3g} times as large as it is"
                + (f" and turned by {np.degrees(turn[g]):,.0f} degrees" if laid[g] else ""),
                "Two of them may be exchanged, or in another unit (metres, feet) or grid: look at each",
            )
        )
    if faults:
        raise DataError(*faults)


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    solution: Solution
    conditions: Conditions
    suspects: Suspects
    freed: tuple[Freed, ...]
    tests: Tests


def _looked(network: Network, lengths: Lengths, setup: Setup, before: _State | None, x: FloatArray) -> _State:
    """Solve and snoop in turn, until what is left free stays the same."""
    said = setup.settings
    bare = conditions_of(network, x)
    freed: tuple[Freed, ...] = () if before is None else before.freed
    suspects = None if before is None else before.suspects
    for _ in range(MOST_LOOKS):
        now = suspects_of(setup, lengths, x, bare)
        known = () if suspects is None else carried_over(suspects, now, freed)
        suspects = now
        found = snoop(bare, suspects, alpha=said.alpha, clear=said.clear_ratio, before=known)
        solution = solve(network, shifts_of(suspects, found), start=x)
        done = {f.suspect for f in found} == {f.suspect for f in known} and len(known) == len(freed)
        freed, x = found, solution.x
        bare = conditions_of(network, x)
        if done:
            break
    look = Snoop(bare, now)
    free = look.free_columns(freed)
    return _State(solution, bare.released(free), now, freed, look.tests(free))


def carried_over(before: Suspects, now: Suspects, freed: Sequence[Freed]) -> tuple[Freed, ...]:
    """Suspects that are free, in a table made anew; those it no longer has are left out.

    With other linear terms other vertices may have a part in the readings, so that places in the table
    change; a kind and a name stay what they are.
    """
    place = {key: k for k, key in enumerate(zip(now.kind, now.name, strict=True))}
    at = [place.get(key, -1) for key in zip(before.kind, before.name, strict=True)]
    return tuple(
        replace(
            f,
            suspect=at[f.suspect],
            rivals=tuple(replace(r, suspect=at[r.suspect]) for r in f.rivals if at[r.suspect] >= 0),
        )
        for f in freed
        if at[f.suspect] >= 0
    )


def lengths_after(after: RunPlan, leg: IntArray) -> FloatArray:
    """(l,) lengths of legs in the plan made anew; NaN where one is gone."""
    if not len(after.runs.leg_id):
        return np.full(len(leg), np.nan)
    return np.where(leg >= 0, after.lengths.ground_m[np.maximum(leg, 0)], np.nan)


def _legs_in(setup: Setup, x: FloatArray, before: Runs, after: Runs, ground: XYArray) -> IntArray:
    """(l,) number of each leg as drawn in a plan of outlines that have moved to ``ground``.

    A picture as a whole may move farther than legs are apart: that is taken off first.
    """
    level, groups = setup.placing.level, setup.groups
    row = groups.of_bed[after.bed[after.leg_run]][part_of(after.offsets)]
    beside = replace(after, xy=level(x, after.xy, row))
    return legs_after(before, beside, level(x, ground, setup.picture) - setup.drawn)


def _carried(site: Site, plan: RunPlan, setup: Setup, lengths: Lengths, x: FloatArray) -> XYArray:
    """(v, 2) vertices on the ground, those inside straight legs taken along with the ends of their leg."""
    ground = lengths.world(x)
    runs = plan.runs
    before = np.stack([runs.xy[runs.offsets[:-1]], runs.xy[runs.offsets[1:] - 1]], axis=1)
    ends = lengths.ends(x) - before
    gradient = lengths.rows.gradient
    follows = np.zeros(len(ground), dtype=bool)
    follows[np.unique(gradient.rows.indices) // 2] = True
    return carried(site, plan, ground, ends, setup.wanted, follows[gradient.owner])


def _unchecked(setup: Setup, state: _State) -> tuple[Finding, ...]:
    """Pictures that would be moved far by so little that it may as well be wrong itself."""
    out = {(str(state.suspects.kind[f.suspect]), str(state.suspects.name[f.suspect])) for f in state.freed}
    points = np.array([("control", str(n)) not in out for n in setup.control.name], dtype=bool)
    readings = np.array([("reading", n) not in out for n in setup.reading_name], dtype=bool)
    tells, least = setup.tells(points, readings), np.log(setup.settings.alpha)
    far = np.zeros(len(tells), dtype=bool)
    for word in ("shift", "turn"):
        which = np.flatnonzero(state.suspects.kind == word)
        far |= (state.tests.log_chance[which] < least) | np.isin(which, [f.suspect for f in state.freed])
    made = []
    for f in np.flatnonzero(far & (tells < CHECKED)).tolist():
        seen = setup.control.name[points & (setup.placing.frame[setup.control.picture] == f)]
        ties = [n for n, k in zip(setup.reading_name, readings & (setup.tie_frame == f), strict=True) if k]
        either = [f"surveyed point {n}" for n in seen] + [f"reading {n}" for n in ties]
        made.append(
            Finding(
                "place-unchecked",
                "error",
                f"{' and '.join(either) or 'What was left out'} would move all that was traced from "
                f"{setup.groups.frame_name(int(setup.placed[f]))} far more than was assumed, and nothing "
                f"checks it: either {'they are' if len(either) > 1 else 'it is'} wrong or the picture lies "
                "that far off, which cannot be told apart. Survey a second point that is seen in the "
                "picture. It cannot be accepted so.",
            )
        )
    return tuple(made)


def _renamed(tapes: Tapes, before: Runs, after: Runs, leg: IntArray) -> tuple[Finding, ...]:
    """Names in the rows of the tapes that would mean something else once the outlines are accepted."""
    pairs = zip(tapes.name, names_after(tapes, before, after, leg), strict=True)
    other = dict.fromkeys((str(old), str(new)) for old, new in pairs if old != new)
    if not other:
        return ()
    shown = ", ".join(f"{old} becomes {new}" for old, new in list(other)[:12])
    return (
        Finding(
            "names-change",
            "notice",
            "With the adjusted outlines a ring starts at another corner, so its parts have other numbers. If "
            f"you accept them, write the new ones in the rows of the tapes, all at once: {shown}"
            f"{', ...' if len(other) > 12 else ''}. Until then these rows speak of other parts.",
        ),
    )


def _findings(rows: Rows, same: bool, settled: float) -> tuple[Finding, ...]:
    made = []
    if rows.gradient.doubtful:
        shown = ", ".join(rows.gradient.doubtful[:8])
        made.append(
            Finding(
                "derivative-doubtful",
                "notice",
                "These legs do not follow small movements of their outline evenly, because a corner or an "
                f"end comes and goes there: {shown}. What the adjustment says of them is less certain.",
            )
        )
    if not same:
        made.append(
            Finding(
                "legs-changed",
                "error",
                "With the adjusted outlines the plan has other legs than before: a corner came or went. They "
                "cannot be accepted so: look at the movements, and mend the outline there, or what was read.",
            )
        )
    elif settled > SETTLED_M:
        made.append(
            Finding(
                "not-settled",
                "error",
                f"The plan with the adjusted outlines still differs from the adjusted lengths by "
                f"{settled * 1000:.2f} mm.",
            )
        )
    return tuple(made)
