"""Where pictures lie, as surveyed points tell it: numbers, words, data, and a table of the page."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy import sparse

from siteplan.adjust.conditions import UNCONTROLLED
from siteplan.adjust.pictures import PER_FRAME
from siteplan.adjust.site import Adjustment
from siteplan.reconcile.report import Shown
from siteplan.types import IntArray, XYArray

HARDLY: Final = 0.9
"""what is left of a standard deviation above which nothing is called better known"""


@dataclass(frozen=True, slots=True)
class Known:
    """One unknown of a picture."""

    value: float
    sigma: float
    before: float
    """its standard deviation before anything was surveyed or taped; inf where it was left free, so that what
    was assumed of it is not used"""

    @property
    def redundancy(self) -> float:
        """Share of what was assumed that is given up for what was measured: 0 none, 1 all."""
        return max(0.0, 1 - (self.sigma / self.before) ** 2)

    @property
    def better(self) -> bool:
        """Whether it is known better than before."""
        return self.sigma <= HARDLY * self.before


@dataclass(frozen=True, slots=True)
class PlacedPicture:
    """Pictures that are laid out together by surveyed points."""

    name: str
    points: int
    """surveyed points seen in it, without those that are left out"""
    east: Known
    north: Known
    """metres: true less map"""
    turn: Known
    """radians, counter-clockwise"""
    edge_m: float
    """from the point it is turned about to its farthest outline"""
    scales: tuple[tuple[str, Known], ...]
    """of each of the pictures: name, and scale"""


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A surveyed point after the adjustment."""

    name: str
    picture: str
    """empty for a point that is only taped from"""
    east_m: float
    north_m: float
    """surveyed less where the picture as laid out has it; where it is left out, by how much it is off"""
    redundancy: float
    """share of an error that shows, of the direction that is checked less"""
    statistic: float
    """T of its test; chi-square with ``freedom``"""
    freedom: int
    chance: float
    left_out: bool


def known_of(made: Adjustment, at: IntArray) -> list[Known]:
    """What is known of some unknowns, by their numbers (k,)."""
    count, suspects = made.setup.layout.count, made.suspects
    pick = sparse.csr_array((np.ones(len(at)), (np.arange(len(at)), at)), shape=(len(at), count))
    sigma = np.sqrt(made.spread.variances(pick))
    before = made.setup.prior_sigma.copy()
    for f in made.freed:
        if suspects.kind[f.suspect] in ("picture", "shift", "turn"):
            first = int(suspects.first[f.suspect])
            own = suspects.prior[:, first : first + int(suspects.width[f.suspect])]
            # of a shift that is free one way both parts are, but where that way is along the other
            before[(np.abs(own @ np.array(f.along).T) > 1e-6).any(axis=1)] = np.inf
    values = zip(made.solution.x[at].tolist(), sigma.tolist(), before[at].tolist(), strict=True)
    return [Known(*v) for v in values]


def placed_pictures(made: Adjustment) -> tuple[PlacedPicture, ...]:
    """What is known of where pictures lie; empty where nothing surveyed tells of it."""
    setup, lay = made.setup, made.setup.layout
    if not lay.frames:
        return ()
    at = np.concatenate([lay.first_picture + np.arange(lay.pictures), np.arange(lay.first_frame, lay.count)])
    every: dict[int, Known] = dict(zip(at.tolist(), known_of(made, at), strict=True))

    def known(k: int) -> Known:
        return every[k]

    named = made.suspects.name[[f.suspect for f in made.freed if made.suspects.kind[f.suspect] == "control"]]
    kept = ~np.isin(setup.control.name.astype(str), named.astype(str))
    found = []
    for f, frame in enumerate(setup.placed.tolist()):
        first = lay.first_frame + PER_FRAME * f
        mine = np.flatnonzero(setup.groups.frame == frame)
        found.append(
            PlacedPicture(
                name=setup.groups.frame_name(frame),
                points=int(np.isin(setup.control.picture[kept], mine).sum()),
                east=known(first),
                north=known(first + 1),
                turn=known(first + 2),
                edge_m=float(setup.groups.radius_m[frame]),
                scales=tuple((setup.picture_name[g], known(lay.first_picture + g)) for g in mine.tolist()),
            )
        )
    return tuple(found)


def fixed_points(made: Adjustment) -> tuple[FixedPoint, ...]:
    """Surveyed points with their residuals and tests."""
    setup, lay = made.setup, made.setup.layout
    place = made.setup.prior[: lay.first_picture].reshape(-1, 2)[setup.fixed_place]
    seen = setup.fixes.xy - setup.placing.out(made.solution.x, place, setup.control.picture)
    tied = np.flatnonzero(setup.point_picture < 0)
    own = made.solution.prior_residual[lay.first_point : lay.first_picture].reshape(-1, 2)[tied]
    off = np.concatenate([seen, own])
    which = np.flatnonzero(made.suspects.kind == "control")
    shift, at = {}, 0
    for f in made.freed:
        shift[f.suspect] = np.array(f.along).T @ made.solution.shift[at : at + len(f.along)]
        at += len(f.along)
    pictures = [setup.picture_name[g] for g in setup.control.picture.tolist()] + [""] * len(tied)
    tests = made.tests
    return tuple(
        FixedPoint(
            name=str(made.suspects.name[s]),
            picture=picture,
            east_m=float(xy[0]),
            north_m=float(xy[1]),
            redundancy=float(tests.redundancy[s]),
            statistic=float(tests.statistic[s]),
            freedom=int(tests.freedom[s]),
            chance=float(np.exp(tests.log_chance[s])) if tests.freedom[s] else float("nan"),
            left_out=s in shift,
        )
        for s, picture, xy in (
            (s, p, np.asarray(shift[s]) if s in shift else xy)
            for s, p, xy in zip(which.tolist(), pictures, off, strict=True)
        )
    )


def beside(made: Adjustment, ground: XYArray) -> XYArray:
    """(v, 2) vertices on the ground without shift and turn of their picture: what moved within it."""
    return made.setup.placing.level(made.solution.x, ground, made.setup.picture)


# ---------------------------------------------------------------- words


def picture_lines(made: Adjustment, shown: Shown) -> list[str]:
    """Where each picture lies, in sentences."""
    lines = []
    for p in placed_pictures(made):
        told = {0: "tapes from surveyed points", 1: "one surveyed point"}.get(
            p.points, f"{p.points} surveyed points"
        )
        degrees, edge = math.degrees(p.turn.value), p.turn.value * p.edge_m
        lines.append(
            f"Where {p.name} lies is known from {told}. All that was traced from it moves by "
            f"{shown(p.east.value, sign=True)} east and {shown(p.north.value, sign=True)} north (sigma "
            f"{_mm(p.east.sigma)} and {_mm(p.north.sigma)}; before {_before(p.east.before, _mm)}), and turns "
            f"by {abs(degrees):.4f} degrees {'to the left' if degrees >= 0 else 'to the right'} (sigma "
            f"{_degrees(p.turn.sigma)}; before {_before(p.turn.before, _degrees)}), which is "
            f"{_mm(abs(edge))} at its edge, {shown(p.edge_m)} off."
        )
        for name, s in p.scales:
            lines.append(
                f"The scale of {name} is known to {_ppm(s.sigma)}, before {'to ' * math.isfinite(s.before)}"
                f"{_before(s.before, _ppm)}."
            )
        poor = [
            word
            for word, known in (
                ("place", max(p.east, p.north, key=lambda k: k.sigma / k.before)), ("direction", p.turn),
                *((f"scale of {name}", s) for name, s in p.scales),
            )
            if not known.better
        ]  # fmt: skip
        if poor:
            lines.append(
                f"Of {p.name} these are hardly better known than was assumed: {', '.join(poor)}. More "
                "surveyed points, far from each other, would tell."
            )
    if lines:
        rest = [
            name for name, f in zip(made.setup.picture_name, made.setup.placing.frame, strict=True) if f < 0
        ]
        if rest:
            lines.append(
                f"Nothing surveyed tells where {', '.join(rest)} lies: what was traced from it is left "
                "where it is."
            )
    return lines


def _mm(length_m: float) -> str:
    return f"{length_m * 1000:,.0f} mm"


def _degrees(turn: float) -> str:
    return f"{math.degrees(turn):.4f}"


def _ppm(scale: float) -> str:
    return f"{scale * 1e6:,.0f} ppm"


def _before(sigma: float, told: Callable[[float], str]) -> str:
    return told(sigma) if math.isfinite(sigma) else "not used"


# ---------------------------------------------------------------- data


def picture_data(made: Adjustment) -> dict[str, Any]:
    """``pictures`` and ``control`` of ``adjustment.json``; nothing where nothing surveyed tells of them."""
    found = placed_pictures(made)
    if not found:
        return {}

    def known(k: Known) -> dict[str, Any]:
        return {
            "value": round(k.value, 9), "sigma": round(k.sigma, 9),
            "sigma_before": round(k.before, 9) if math.isfinite(k.before) else None,
            "redundancy": round(k.redundancy, 4), "better_known": k.better,
        }  # fmt: skip

    return {
        "pictures": [
            {
                "picture": p.name,
                "surveyed_points": p.points,
                "east_m": known(p.east),
                "north_m": known(p.north),
                "turn_rad": known(p.turn),
                "turn_deg": round(math.degrees(p.turn.value), 6),
                "edge_m": round(p.edge_m, 3),
                "turn_at_edge_m": round(p.turn.value * p.edge_m, 6),
                "scales": [{"of": name, **known(s)} for name, s in p.scales],
            }
            for p in found
        ],
        "control": [
            {
                "point": c.name,
                "picture": c.picture or None,
                "used": not c.left_out,
                "off_east_m": round(c.east_m, 6),
                "off_north_m": round(c.north_m, 6),
                "redundancy": round(c.redundancy, 4),
                "statistic": round(c.statistic, 3),
                "test_freedom": c.freedom,
                "chance": None if math.isnan(c.chance) else c.chance,
            }
            for c in fixed_points(made)
        ],
    }


def picture_tables(
    made: Adjustment, shown: Shown
) -> list[tuple[str, list[str], list[tuple[list[str], list[str]]], str]]:
    """Tables of the page: heading, heads, rows of texts and numbers, and what to say below."""
    pictures = placed_pictures(made)
    if not pictures:
        return []
    rows = []
    for p in pictures:
        edge = f"{p.turn.value * p.edge_m * 1000:+,.0f} mm at {shown(p.edge_m)}"
        parts = [
            ("east", f"{p.east.value * 1000:+,.0f} mm", p.east, 1e3, "mm"),
            ("north", f"{p.north.value * 1000:+,.0f} mm", p.north, 1e3, "mm"),
            (f"turn ({edge})", f"{math.degrees(p.turn.value):+.4f} deg", p.turn, 180 / math.pi, "deg"),
            *((f"scale of {n}", f"{s.value * 1e6:+,.0f} ppm", s, 1e6, "ppm") for n, s in p.scales),
        ]
        for word, value, k, factor, unit in parts:
            digits = 4 if unit == "deg" else 0
            rows.append(
                (
                    [p.name, word],
                    [
                        value,
                        f"{k.before * factor:,.{digits}f} {unit}" if math.isfinite(k.before) else "not used",
                        f"{k.sigma * factor:,.{digits}f} {unit}",
                        f"{k.redundancy:.2f}",
                    ],
                )
            )  # fmt: skip
    points = [
        (
            [c.name, c.picture, "left out" if c.left_out else _checked(c)],
            [
                f"{c.east_m * 1000:+,.0f} mm", f"{c.north_m * 1000:+,.0f} mm", f"{c.redundancy:.2f}",
                f"{math.sqrt(c.statistic):.1f}" if c.freedom else "",
            ],
        )
        for c in fixed_points(made)
    ]  # fmt: skip
    return [
        (
            "Where the pictures lie",
            ["picture", "", "found", "sigma before", "sigma after", "measured"],
            rows,
            "True less map. Measured: the share that was measured, not assumed (0: none, 1: all). Shift and "
            "turn change no length; the scale changes every one.",
        ),
        (
            "Surveyed points",
            ["point", "seen in", "", "east", "north", "checked", "sigmas"],
            points,
            "Surveyed less where the picture as laid out has it, and how many standard deviations that is. "
            "Checked: the share of a mistake that would show.",
        ),
    ]


def _checked(c: FixedPoint) -> str:
    return "" if c.freedom and c.redundancy >= UNCONTROLLED else "not checked"
