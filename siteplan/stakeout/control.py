"""Control points, the grid coordinates are given in, and heights of what is set out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siteplan.errors import Finding, UsageError
from siteplan.frame import NAMED_SCALE_LIMIT, Frame
from siteplan.geodesy import crs_facts, grid_factors, unproject
from siteplan.heights import model_heights
from siteplan.marks import Marks, marks
from siteplan.plans import RunPlan
from siteplan.sites import SITE_FILE, Site
from siteplan.stakeout.points import StakePoints, leg_shares
from siteplan.stakeout.walls import HOUSE, HouseCorners
from siteplan.types import FloatArray, XYArray
from siteplan.units import METRES, Unit, um_to_m

Control = Marks
"""control points of a site"""


def base_points(site: Site) -> Control:
    """The points of ``[[stakeout.base]]`` in ground metres: marks to tape from.

    Raises
    ------
    DataError : two of one name or of one place, or a place far from the site.
    """
    return marks(site, site.settings.stakeout.base, "base")


def control_points(site: Site) -> Control:
    """The control points of ``site.toml`` in ground metres.

    Raises
    ------
    DataError : two of one name or of one place, or a place far from the site.
    """
    return marks(site, site.settings.control, "control")


def control_findings(control: Control, corners: HouseCorners, show: object) -> tuple[Finding, ...]:
    """What to say where fewer than two control points are given.

    Parameters
    ----------
    show : function of a length in metres that gives its text
    """
    if len(control) >= 2:
        return ()
    count = "No control points are" if not len(control) else "Only one control point is"
    text = f"{count} given ([[control]] in {SITE_FILE}); setting out by coordinates needs at least two."
    house = corners.of(HOUSE)
    if len(house) >= 2:
        a, b, apart = longest_apart(corners.xy[house])
        shown = show(apart) if callable(show) else f"{apart:.3f} m"
        text += (
            f" {corners.name[a]} and {corners.name[b]}, {shown} apart, lie farthest from each other of the "
            "house corners and could serve, once the taped or surveyed distance between them agrees."
        )
    else:
        text += " The site has no house corners (abutments with source = wall) that could serve."
    return (Finding("no-control", "notice", text),)


def longest_apart(xy: XYArray) -> tuple[int, int, float]:
    """The two points farthest from each other, the first such pair, and their distance."""
    # the farthest two lie on the convex hull; a site has few enough corners for all pairs in blocks
    best = (0, 0, -1.0)
    for k in range(len(xy) - 1):
        apart = np.hypot(*(xy[k + 1 :] - xy[k]).T)
        j = int(np.argmax(apart))
        if apart[j] > best[2] + 1e-9:
            best = (k, k + 1 + j, float(apart[j]))
    return best


# ---------------------------------------------------------------- grid


@dataclass(frozen=True, slots=True)
class StakeGrid:
    """The grid coordinates are written in."""

    label: str
    unit: Unit
    wkt: str
    combined_factor: float
    """grid over ground length at the middle of the site"""
    convergence_deg: float
    accuracy: str
    """how coordinates came from the site's datum to this one; empty where they did not"""
    own: bool
    """True: the site's own grid"""

    def coords(self, frame: Frame, xy: XYArray) -> FloatArray:
        """(n, 2) eastings and northings of ground metres."""
        return frame.grid(xy) if self.own else frame.coords(xy, self.wkt)


def stake_grid(frame: Frame, code: str | None) -> StakeGrid:
    """The site's grid, or a named one.

    Raises
    ------
    UsageError : a CRS that is no grid in m, ft or ftUS with axes east and north, or whose scale at
        the site is more than 1 % from 1.
    DataError : CRS not understood, or only a ballpark change of datum leads to it.
    """
    if code is None:
        return StakeGrid(
            frame.name if not frame.is_local else crs_facts(frame.crs_wkt).name, frame.unit, frame.crs_wkt,
            frame.combined_factor, frame.convergence_deg, "", own=True,
        )  # fmt: skip
    facts = crs_facts(code)
    if facts.is_geographic or facts.is_web_mercator or facts.unit is None or not facts.east_north:
        raise UsageError(
            f"{facts.label} is no grid to set out in; name a UTM, state plane or national grid in m, ft or "
            "ftUS, or leave --stakeout-grid out"
        )
    xy = np.zeros((1, 2))
    coords = frame.coords(xy, code)
    if not np.isfinite(coords).all():
        raise UsageError(f"{facts.label} does not reach the site; name the grid the site lies in")
    # the factors want longitude and latitude on the grid's own datum
    factors = grid_factors(facts.wkt, unproject(facts.wkt, coords))
    scale = float(factors.scale[0])
    if not abs(scale - 1) <= NAMED_SCALE_LIMIT:
        raise UsageError(
            f"the scale of {facts.label} at the site is {scale:.6f}, too far from 1; name the grid the site "
            "lies in"
        )
    change = _change(frame, code)
    return StakeGrid(
        facts.label, facts.unit, facts.wkt, round(scale * frame.height_factor, 8),
        float(factors.convergence_deg[0]), change, own=False,
    )  # fmt: skip


def _change(frame: Frame, code: str) -> str:
    """How coordinates come to another datum, in words; empty where it is the same."""
    # the change back is the same operation, published with the same accuracy
    change = frame.datum_change(code)
    if change is None:
        return ""
    accuracy = "not stated" if change.accuracy_m is None else f"{change.accuracy_m:g} m"
    tail = f" {change.better}" if change.better else ""
    return f'datum {frame.datum} by "{change.operation}", accuracy {accuracy}.{tail}'


# ---------------------------------------------------------------- heights


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Heights of staked points and their pegs, in metres.  k points."""

    ground_m: FloatArray
    """(k,) ground at the point as the heights have it, NaN where not known"""
    top_m: FloatArray
    """(k,) top of the edging: the smoothed ground and what it stands above it"""
    peg_ground_m: FloatArray
    """(k,) ground at the peg, NaN where not known"""


def levels(site: Site, plan: RunPlan, points: StakePoints, peg_xy: XYArray) -> Levels | None:
    """Heights of what is staked; None where the site has none."""
    if plan.ground is None or site.heights is None:
        return None
    track = plan.ground.points
    low, high = track.offsets[:-1], track.offsets[1:] - 1
    length = track.at_m[high]
    shift = np.concatenate([[0.0], np.cumsum(length + 1.0)])[:-1]
    leg_of = np.repeat(np.arange(len(low)), np.diff(track.offsets))
    key = track.at_m + shift[leg_of]
    at = leg_shares(plan.runs, points) * length[points.leg] + shift[points.leg]
    smooth = np.interp(at, key, plan.ground.height_m)
    top = smooth + um_to_m(site.settings.stakeout.top_above_ground)
    return Levels(_ground(site, points.xy), np.asarray(top), _ground(site, peg_xy))


def _ground(site: Site, xy: XYArray) -> FloatArray:
    """(n,) height of the first elevation model that has one there; NaN elsewhere."""
    made = np.full(len(xy), np.nan)
    for model in site.heights.models if site.heights is not None else ():
        missing = np.flatnonzero(np.isnan(made))
        if len(missing):
            made[missing] = model_heights(model, site.frame, xy[missing])[0]
    return made


def to_unit(values: FloatArray, unit: Unit) -> FloatArray:
    """Metres in the unit of a grid."""
    made: FloatArray = np.asarray(values) / float(METRES[unit])
    return made
