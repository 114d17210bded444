"""Circular curves: their elements, and arcs found from points and legs.

Words of the handbooks: *delta* is the angle between the tangents (and at the centre), *chord*
the straight line from end to end, *middle ordinate* the rise of the arc above the middle of the
chord, *tangent* the distance from the point where the tangents meet to either end, *external*
the distance from there to the arc.

Every function takes arrays and works element by element; a single number is an array of one.
Lengths are in any one unit, the same for all.

Sources
-------
Elements of a simple curve and the two definitions of the degree of curve: US Army,
FM 5-430-00-1, Planning and Design of Roads, Airfields and Heliports (1994), appendix F.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from siteplan.errors import UsageError
from siteplan.types import BoolArray, FloatArray, XYArray

STATION: Final = 100.0
"""Feet in the arc or chord that the degree of a curve belongs to."""

_TWO: Final = "a curve needs two of radius, delta, arc, chord, middle, tangent, external"


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Elements of circular curves.  n curves, lengths in the unit they were asked in."""

    radius: FloatArray
    delta_deg: FloatArray
    """(n,) above 0, below 360"""
    arc: FloatArray
    chord: FloatArray
    middle: FloatArray
    tangent: FloatArray
    """(n,) NaN where delta is 180 or more: the tangents do not meet ahead"""
    external: FloatArray
    """(n,) NaN likewise"""


def radius_of_degree(degree: ArrayLike, *, definition: str) -> FloatArray:
    """Radius in feet of a curve of given degree.

    Parameters
    ----------
    degree : (n,) degrees turned in 100 ft
    definition : ``arc`` (100 ft along the curve, roads) or ``chord`` (a chord of 100 ft,
        railways); multiply by the foot that is meant to have metres

    Raises
    ------
    UsageError : another definition, or a degree that no curve has
    """
    d = np.radians(np.atleast_1d(np.asarray(degree, dtype=np.float64)))
    if definition not in ("arc", "chord"):
        raise UsageError(f'degree of curve by "{definition}" is not known; use arc or chord')
    most = np.pi if definition == "chord" else 2 * np.pi
    if not ((d > 0) & (d <= most)).all():
        raise UsageError(f"degree of curve must be above 0 and at most {np.degrees(most):g}")
    return STATION / d if definition == "arc" else STATION / 2 / np.sin(d / 2)


def curve_elements(*, major: bool = False, **two: ArrayLike) -> Curves:
    """All elements of circular curves from two of them.

    Parameters
    ----------
    two : exactly two of ``radius``, ``delta_deg``, ``arc``, ``chord``, ``middle``, ``tangent``,
        ``external``, each (n,).  Known pairs: radius with any but external; delta_deg with
        any; chord with middle or arc; arc with middle (delta up to 180)
    major : with radius and chord, take the arc longer than half a circle

    Raises
    ------
    UsageError : not two, a pair that is not known, or numbers that no circle has; the text
        says which and by how much

    Examples
    --------
    >>> float(curve_elements(chord=20.0, middle=1.0).radius[0])
    50.5
    """
    unknown = set(two) - _ELEMENTS
    if unknown or len(two) != 2:
        raise UsageError(_TWO + (f"; {sorted(unknown)[0]} is none" if unknown else f", not {len(two)}"))
    arrays = np.broadcast_arrays(*[np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in two.values()])
    values: dict[str, FloatArray] = dict(zip(two, arrays, strict=True))
    for name, value in values.items():
        if not (np.isfinite(value) & (value > 0)).all():
            raise UsageError(f"{_word(name)} of a curve must be a number above 0")
    solve = _PAIRS.get(frozenset(two))
    if solve is None:
        raise UsageError(f"a curve is not found from {' and '.join(_word(n) for n in two)}; " + _TWO)
    radius, half = solve(values)
    if major and set(two) == {"radius", "chord"}:
        half = np.pi - half
    return _elements(radius, half)


def _word(name: str) -> str:
    return {"delta_deg": "delta", "middle": "middle ordinate"}.get(name, name)


def _elements(radius: FloatArray, half: FloatArray) -> Curves:
    if (half >= np.pi).any():
        raise UsageError("the arc goes round a full circle or more; a curve ends before it meets itself")
    open_ahead = half < np.pi / 2
    tangent = np.full(radius.shape, np.nan)
    external = np.full(radius.shape, np.nan)
    r, h = radius[open_ahead], half[open_ahead]
    tangent[open_ahead] = r * np.tan(h)
    external[open_ahead] = r * np.tan(h) * np.tan(h / 2)
    return Curves(
        radius=radius,
        delta_deg=np.degrees(2 * half),
        arc=2 * half * radius,
        chord=2 * radius * np.sin(half),
        middle=2 * radius * np.sin(half / 2) ** 2,
        tangent=tangent,
        external=external,
    )


# --- the pairs: each gives radius and half of delta in radians ---------------------------

_Values = dict[str, FloatArray]
_Pair = tuple[FloatArray, FloatArray]


def _radius_delta(v: _Values) -> _Pair:
    return v["radius"], np.radians(v["delta_deg"]) / 2


def _radius_arc(v: _Values) -> _Pair:
    return v["radius"], v["arc"] / v["radius"] / 2


def _radius_chord(v: _Values) -> _Pair:
    over = v["chord"] - 2 * v["radius"]
    if (over > 0).any():
        k = int(np.argmax(over))
        raise UsageError(
            f"chord {v['chord'][k]:.6g} is longer than the diameter {2 * v['radius'][k]:.6g}, "
            f"by {over[k]:.4g}"
        )
    return v["radius"], np.arcsin(v["chord"] / 2 / v["radius"])


def _radius_middle(v: _Values) -> _Pair:
    over = v["middle"] - 2 * v["radius"]
    if (over >= 0).any():
        k = int(np.argmax(over))
        raise UsageError(
            f"middle ordinate {v['middle'][k]:.6g} is not below the diameter {2 * v['radius'][k]:.6g}"
        )
    return v["radius"], 2 * np.arcsin(np.sqrt(v["middle"] / 2 / v["radius"]))


def _radius_tangent(v: _Values) -> _Pair:
    return v["radius"], np.arctan(v["tangent"] / v["radius"])


def _delta_and(name: str, per_radius: Callable[[FloatArray], FloatArray]) -> Callable[[_Values], _Pair]:
    def solve(v: _Values) -> _Pair:
        half = np.radians(v["delta_deg"]) / 2
        most = np.pi / 2 if name in ("tangent", "external") else np.pi
        if (half >= most).any():
            raise UsageError(f"delta must be below {np.degrees(2 * most):g} degrees with a {_word(name)}")
        return v[name] / per_radius(half), half

    return solve


def _chord_middle(v: _Values) -> _Pair:
    c, m = v["chord"], v["middle"]
    return c * c / (8 * m) + m / 2, 2 * np.arctan(2 * m / c)


def _chord_arc(v: _Values) -> _Pair:
    c, arc = v["chord"], v["arc"]
    if (arc <= c).any():
        k = int(np.argmax(c - arc))
        raise UsageError(f"arc {arc[k]:.6g} is not longer than its chord {c[k]:.6g}")
    half = _bisect(lambda x: c / arc - np.sin(x) / x, c.shape, np.pi)
    return arc / 2 / half, half


def _arc_middle(v: _Values) -> _Pair:
    arc, m = v["arc"], v["middle"]
    share = m / arc
    if (share > 1 / np.pi).any():
        k = int(np.argmax(share))
        raise UsageError(
            f"middle ordinate {m[k]:.6g} on an arc of {arc[k]:.6g} is more than half a circle's, "
            f"{arc[k] / np.pi:.6g}"
        )
    half = _bisect(lambda x: np.sin(x / 2) ** 2 / x - share, share.shape, np.pi / 2)
    return arc / 2 / half, half


def _bisect(rising: Callable[[FloatArray], FloatArray], shape: tuple[int, ...], most: float) -> FloatArray:
    """Root of a rising function of half of delta, to the last bit or two."""
    low, high = np.zeros(shape), np.full(shape, most)
    for _ in range(90):
        middle = (low + high) / 2
        above = rising(middle) > 0
        high = np.where(above, middle, high)
        low = np.where(above, low, middle)
    return np.asarray((low + high) / 2)


_ELEMENTS: Final = {"radius", "delta_deg", "arc", "chord", "middle", "tangent", "external"}
_PAIRS: Final[dict[frozenset[str], Callable[[_Values], _Pair]]] = {
    frozenset({"radius", "delta_deg"}): _radius_delta,
    frozenset({"radius", "arc"}): _radius_arc,
    frozenset({"radius", "chord"}): _radius_chord,
    frozenset({"radius", "middle"}): _radius_middle,
    frozenset({"radius", "tangent"}): _radius_tangent,
    frozenset({"delta_deg", "arc"}): _delta_and("arc", lambda h: 2 * h),
    frozenset({"delta_deg", "chord"}): _delta_and("chord", lambda h: 2 * np.sin(h)),
    frozenset({"delta_deg", "middle"}): _delta_and("middle", lambda h: 2 * np.sin(h / 2) ** 2),
    frozenset({"delta_deg", "tangent"}): _delta_and("tangent", np.tan),
    frozenset({"delta_deg", "external"}): _delta_and("external", lambda h: np.tan(h) * np.tan(h / 2)),
    frozenset({"chord", "middle"}): _chord_middle,
    frozenset({"chord", "arc"}): _chord_arc,
    frozenset({"arc", "middle"}): _arc_middle,
}


# --- arcs from points and legs ---------------------------------------------------------


def _turn(u: XYArray, w: XYArray) -> FloatArray:
    """Angle from u to w in radians, left positive."""
    cross = u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]
    dot = u[:, 0] * w[:, 0] + u[:, 1] * w[:, 1]
    return np.asarray(np.arctan2(cross, dot))


def _unit(v: XYArray) -> XYArray:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(v / np.hypot(v[:, 0], v[:, 1])[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class ThreePointArcs:
    """Arcs through three points each.  n arcs."""

    bulge: FloatArray
    """(n,) of the arc from first to last point; 0 where the three are in line, inf where the
    middle one lies in line beyond the ends, NaN where two coincide"""
    rise: FloatArray
    """(n,) distance of the middle point from the line through the other two, unsigned"""


def arc_through(first: XYArray, middle: XYArray, last: XYArray) -> ThreePointArcs:
    """Arcs from ``first`` to ``last`` that pass through ``middle``, each (n, 2).

    Notes
    -----
    The turn at the middle point is half of the arc's sweep (inscribed angle), and the bulge is
    the tangent of a quarter of the sweep: no centre is computed, so nothing is lost on flat arcs.
    """
    u, w, chord = middle - first, last - middle, last - first
    turn = _turn(u, w)
    with np.errstate(invalid="ignore", divide="ignore"):
        rise = np.abs(chord[:, 0] * u[:, 1] - chord[:, 1] * u[:, 0]) / np.hypot(chord[:, 0], chord[:, 1])
    bulge = np.tan(turn / 2)
    bulge = np.where(np.abs(turn) == np.pi, np.inf, bulge)
    coincide = (np.abs(u).sum(axis=1) == 0) | (np.abs(w).sum(axis=1) == 0) | (np.abs(chord).sum(axis=1) == 0)
    return ThreePointArcs(np.where(coincide, np.nan, bulge), np.where(coincide, np.nan, rise))


@dataclass(frozen=True, slots=True, eq=False)
class TangentArcs:
    """Arcs tangent to an arriving and a leaving leg.  n arcs."""

    start: XYArray
    """(n, 2) where the arc leaves the arriving leg"""
    end: XYArray
    """(n, 2) where it meets the leaving leg"""
    bulge: FloatArray
    """(n,) NaN where there is no such arc"""
    radius: FloatArray
    """(n,) positive"""
    tangent: FloatArray
    """(n,) distance from the point where the legs meet to either end of the arc"""


def meeting_point(a: XYArray, u: XYArray, b: XYArray, w: XYArray) -> XYArray:
    """Where the lines through ``a`` along ``u`` and through ``b`` along ``w`` meet; NaN where parallel."""
    cross = u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]
    gap = b - a
    size = np.hypot(u[:, 0], u[:, 1]) * np.hypot(w[:, 0], w[:, 1])
    parallel = np.abs(cross) <= 1e-12 * size
    safe = np.where(parallel, 1.0, cross)
    t = (gap[:, 0] * w[:, 1] - gap[:, 1] * w[:, 0]) / safe
    return np.where(parallel[:, None], np.nan, a + t[:, None] * u)


def round_corner(
    before: XYArray,
    corner: XYArray,
    after: XYArray,
    *,
    radius: FloatArray | None = None,
    tangent: FloatArray | None = None,
) -> TangentArcs:
    """Arcs that round corners, tangent to both legs.

    Parameters
    ----------
    before, corner, after : (n, 2) the legs run from ``before`` to ``corner`` to ``after``
    radius : (n,) radius of the arc, or
    tangent : (n,) distance from the corner to the point where the arc begins

    Returns
    -------
    Arcs; no arc (NaN) where the legs are in line or fold back on themselves.  Whether the legs
    are long enough is for the caller to compare with ``tangent``.

    Raises
    ------
    UsageError : both or neither of ``radius`` and ``tangent``
    """
    if (radius is None) == (tangent is None):
        raise UsageError("a corner is rounded by a radius or by a tangent distance: state one of them")
    u, w = _unit(corner - before), _unit(after - corner)
    turn = _turn(u, w)
    with np.errstate(invalid="ignore", divide="ignore"):
        half = np.abs(turn) / 2
        usable = (half > 1e-9) & (half < np.pi / 2 - 1e-9)
        slope = np.where(usable, np.tan(half), np.nan)
        r = np.asarray(radius, dtype=np.float64) if radius is not None else np.asarray(tangent) / slope
        t = r * slope
    return TangentArcs(
        start=corner - t[:, None] * u,
        end=corner + t[:, None] * w,
        bulge=np.where(usable, np.tan(turn / 4), np.nan),
        radius=np.where(usable, r, np.nan),
        tangent=t,
    )


def tangent_through(
    leg_start: XYArray, leg_end: XYArray, point: XYArray, next_start: XYArray, next_end: XYArray
) -> TangentArcs:
    """Arcs tangent to two legs that pass through a point between them.

    Parameters
    ----------
    leg_start, leg_end : (n, 2) the arriving leg
    point : (n, 2) on the arc
    next_start, next_end : (n, 2) the leaving leg

    Returns
    -------
    Arcs; NaN where the legs are parallel, or the point lies outside the corner the legs make, so
    that no arc on the corner's side passes through it.

    Notes
    -----
    With the meeting point as origin, x along the bisector into the corner, y across, and
    k = 1 / cos(delta/2), the centre is at (k R, 0) and (k^2 - 1) R^2 - 2 k x R + x^2 + y^2 = 0.  Two circles
    pass through the point; the larger one has it on the side of the corner.
    """
    u, w = _unit(leg_end - leg_start), _unit(next_end - next_start)
    meet = meeting_point(leg_end, u, next_start, w)
    turn = _turn(u, w)
    half = np.abs(turn) / 2
    inward = _unit(w - u)
    with np.errstate(invalid="ignore", divide="ignore"):
        k = 1 / np.cos(half)
        x = ((point - meet) * inward).sum(axis=1)
        square = ((point - meet) ** 2).sum(axis=1)
        flat = np.tan(half) ** 2
        root = (k * x) ** 2 - flat * square
        # a point on a leg itself has a root of zero, give or take rounding
        root = np.where(np.abs(root) < 1e-12 * square, 0.0, root)
        radius = (k * x + np.sqrt(root)) / flat
        centre = meet + (radius * k)[:, None] * inward
        seen = ((centre - point) * inward).sum(axis=1) / radius
        usable = (x > 0) & (root >= 0) & (seen >= np.cos(half) - 1e-9)
        t = radius * np.tan(half)
    arc = TangentArcs(
        start=meet - t[:, None] * u,
        end=meet + t[:, None] * w,
        bulge=np.tan(turn / 4),
        radius=radius,
        tangent=t,
    )
    return _blank(arc, usable)


def _blank(arc: TangentArcs, usable: BoolArray) -> TangentArcs:
    """NaN where there is no arc."""
    one, two = usable, usable[:, None]
    return TangentArcs(
        start=np.where(two, arc.start, np.nan),
        end=np.where(two, arc.end, np.nan),
        bulge=np.where(one, arc.bulge, np.nan),
        radius=np.where(one, arc.radius, np.nan),
        tangent=np.where(one, arc.tangent, np.nan),
    )
