"""Laying local coordinates on the map by points known in both.

The fit is *rigid*: turned and moved, never stretched.  A similarity would stretch the taped
figure until it fits and so hide a tape that is too long, a foot taken for a metre, or a
wrong point.  The scale it would take is computed all the same, with its own standard
deviation, and shown as a diagnosis.

Sources
-------
Least-squares rotation of two point sets in the plane, closed form: B. K. P. Horn, Closed-form
solution of absolute orientation using unit quaternions, Journal of the Optical Society of
America A 4 (1987) 629-642, section 5 (coordinates taken from the centroids); in the plane the
angle is the arctangent of the sums of cross and dot products.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from siteplan.errors import DataError, Fault, Finding
from siteplan.fieldnotes.strings import ArcStrings
from siteplan.types import FloatArray, XYArray
from siteplan.units import FOOT_M

LIMIT_M: Final = 0.25
"""Greatest residual of a common point that is accepted."""
SAME_M: Final = 0.01
"""Two common points closer than this count as one."""


@dataclass(frozen=True, slots=True, eq=False)
class RigidFit:
    """How local coordinates lie on the map.  n common points."""

    angle_deg: float
    """turned counter-clockwise from local to map axes, (-180, 180]"""
    from_xy: XYArray
    """(2,) centroid of the local points"""
    to_xy: XYArray
    """(2,) centroid of the map points, where it goes"""
    residual_m: XYArray
    """(n, 2) map less fitted, east and north"""
    redundancy: int
    """equations more than the three unknowns: 2n - 3"""
    sigma0_m: float
    """standard deviation of unit weight: of one coordinate of a common point"""
    angle_sigma_deg: float
    scale: float
    """what a similarity would stretch by: diagnosis only, never applied"""
    scale_sigma: float
    """standard deviation of the scale, NaN with two points (nothing is left to judge by)"""

    def apply(self, local: XYArray) -> XYArray:
        """Map coordinates of local ones: (m, 2)."""
        a = np.radians(self.angle_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        return np.asarray((np.asarray(local) - self.from_xy) @ turn.T + self.to_xy)

    @property
    def text(self) -> str:
        """The fit in one line for people."""
        sigma = "" if np.isnan(self.scale_sigma) else f" +/- {self.scale_sigma:.6f}"
        return (
            f"turned {self.angle_deg:.4f} degrees; residuals up to {_sizes(self.residual_m).max():.3f} m, "
            f"standard deviation {self.sigma0_m:.3f} m with redundancy {self.redundancy}; "
            f"scale {self.scale:.6f}{sigma} (shown, not applied)"
        )


def _sizes(v: XYArray) -> FloatArray:
    return np.asarray(np.hypot(v[:, 0], v[:, 1]))


def rigid_fit(local: XYArray, target: XYArray) -> RigidFit:
    """Least-squares turn and shift of local points onto map points, without scale.

    Parameters
    ----------
    local, target : (n, 2) metres, the same points in the same order, n >= 2, not all one point;
        the map side in ground metres, since a grid's scale factor is not a tape's fault

    Raises
    ------
    DataError : fewer than two points, arrays that do not match, or points all at one place
    """
    a, b = np.asarray(local, dtype=np.float64), np.asarray(target, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 2 or a.shape[1] != 2 or len(a) < 2:
        raise DataError(_too_few(len(a)))
    ca, cb = a.mean(axis=0), b.mean(axis=0)
    p, q = a - ca, b - cb
    spread = float((p * p).sum())
    if not spread > 0 or not (q * q).sum() > 0:
        raise DataError(_one_place("the common points are all at one place"))
    cross = float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum())
    dot = float((p * q).sum())
    angle = float(np.arctan2(cross, dot))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    residual = q - p @ turn.T
    redundancy = 2 * len(a) - 3
    sigma0 = float(np.sqrt((residual**2).sum() / redundancy))
    scale, scale_sigma = _similarity(p, q, spread, float(np.hypot(cross, dot)))
    return RigidFit(
        angle_deg=float(np.degrees(angle)),
        from_xy=ca,
        to_xy=cb,
        residual_m=residual,
        redundancy=redundancy,
        sigma0_m=sigma0,
        # the normal equations of the angle are sum |p||q| cos: the resultant of cross and dot
        angle_sigma_deg=float(np.degrees(sigma0 / np.sqrt(np.hypot(cross, dot)))) if cross or dot else np.nan,
        scale=scale,
        scale_sigma=scale_sigma,
    )


def _similarity(p: XYArray, q: XYArray, spread: float, resultant: float) -> tuple[float, float]:
    """Scale of the four-parameter fit and its standard deviation (redundancy 2n - 4)."""
    scale = resultant / spread
    left = max(float((q * q).sum()) - resultant**2 / spread, 0.0)
    redundancy = 2 * len(p) - 4
    if redundancy == 0:
        return scale, float("nan")
    return scale, float(np.sqrt(left / redundancy / spread))


def anchor(
    names: list[str], local: XYArray, target: XYArray, *, limit_m: float = LIMIT_M, file: str | None = None
) -> tuple[RigidFit, tuple[Finding, ...]]:
    """Rigid fit with everything checked that can be wrong with common points.

    Parameters
    ----------
    names : (n) names of the common points, for messages
    local, target : (n, 2) as :func:`rigid_fit` takes them
    limit_m : greatest residual accepted
    file : the file the points come from, for messages

    Returns
    -------
    The fit; findings: the fit in words, the scale where it is not 1 within three standard deviations,
    and, with two points or points in line, that a mirrored set would not have been noticed.

    Raises
    ------
    DataError : fewer than two common points, two at one place, mirror-image data, a residual
        above the limit; every fault there is
    """
    a = np.asarray(local, dtype=np.float64).reshape(-1, 2)
    b = np.asarray(target, dtype=np.float64).reshape(-1, 2)
    faults = [*_point_faults(names, a, b)]
    if faults:
        raise DataError(*(Fault(f.code, f.what, f.remedy, file=file, feature=f.feature) for f in faults))
    fit = rigid_fit(a, b)
    decidable, mirrored = _mirror(a, b, fit)
    if mirrored is not None:
        raise DataError(Fault(mirrored.code, mirrored.what, mirrored.remedy, file=file))
    worst = _sizes(fit.residual_m)
    if worst.max() > limit_m:
        raise DataError(_residual_fault(names, a, b, fit, limit_m, file))
    return fit, _findings(fit, decidable=decidable)


def lay(strings: ArcStrings, fit: RigidFit) -> ArcStrings:
    """Outlines of the notes on the map: turned and moved, lengths and arcs untouched."""
    return replace(strings, xy=fit.apply(strings.xy))


def _too_few(count: int) -> Fault:
    return Fault(
        "too-few-anchors",
        f"{count} common point{'' if count == 1 else 's'}: the outline can be moved but not turned",
        "Give at least two points known in the notes and on the map; three show a mistake",
    )


def _one_place(what: str) -> Fault:
    return Fault("anchors-coincide", what, "Choose common points far apart, round the outline")


def _point_faults(names: list[str], a: XYArray, b: XYArray) -> list[Fault]:
    """Numbers that are none, too few points, and points that coincide."""
    finite = [np.isfinite(row).all() for row in np.hstack([a, b])]
    faults = [
        Fault("not-a-number", "a coordinate of the common point is not a number", "Write it again", feature=n)
        for n, ok in zip(names, map(bool, finite), strict=True)
        if not ok
    ]
    if len(a) < 2:
        faults.append(_too_few(len(a)))
    if faults:
        return faults
    for where, xy in (("in the notes", a), ("on the map", b)):
        gap = np.hypot(xy[:, None, 0] - xy[None, :, 0], xy[:, None, 1] - xy[None, :, 1])
        for i, j in np.argwhere(np.triu(gap < SAME_M, k=1)):
            faults.append(_one_place(f'common points "{names[i]}" and "{names[j]}" are at one place {where}'))
    return faults


def _mirror(a: XYArray, b: XYArray, fit: RigidFit) -> tuple[bool, Fault | None]:
    """Whether the sets are mirror images; and whether that can be told at all."""
    p = a - a.mean(axis=0)
    across = float(np.linalg.svd(p, compute_uv=False)[-1])
    own = float((fit.residual_m**2).sum())
    decidable = len(a) > 2 and across > 3 * max(fit.sigma0_m, SAME_M)
    flipped = rigid_fit(a * np.array([-1.0, 1.0]), b)
    other = float((flipped.residual_m**2).sum())
    rms = np.sqrt(own / len(a))
    if len(a) > 2 and across > 3 * SAME_M and rms > 3 * SAME_M and other * 9 < own:
        return True, Fault(
            "mirror-image",
            "the notes are a mirror image of the map: turned and moved they miss it by "
            f"{rms:.3f} m on average, mirrored by {np.sqrt(other / len(a)):.3f} m",
            "Left and right, or east and north, are exchanged in the notes or in the map points; "
            "exchange them back in one of the two",
        )
    return decidable, None


def _residual_fault(
    names: list[str], a: XYArray, b: XYArray, fit: RigidFit, limit_m: float, file: str | None
) -> Fault:
    """A residual above the limit, with what may have caused it."""
    size = _sizes(fit.residual_m)
    worst = int(np.argmax(size))
    hint = ""
    foot = float(FOOT_M)
    for factor, text in ((foot, "feet were read as metres"), (1 / foot, "metres were read as feet")):
        if abs(fit.scale / factor - 1) < 0.02:
            hint = f"; the scale {fit.scale:.4f} looks as if {text}"
    sure = len(a) == 2 or abs(fit.scale - 1) > 3 * fit.scale_sigma
    if not hint and sure and abs(fit.scale - 1) > 0.002:
        hint = f"; a scale of {fit.scale:.5f} would fit better, which is a tape or a unit to check"
    if not hint and len(a) > 3:
        hint = _without(names, a, b, limit_m)
    return Fault(
        "anchor-residual",
        f'the common points do not fit: {size[worst]:.3f} m left at "{names[worst]}", '
        f"more than {limit_m:g} m{hint}",
        "Check that each point is the same place in the notes and on the map, and its numbers",
        file=file,
        feature=names[worst],
    )


def _without(names: list[str], a: XYArray, b: XYArray, limit_m: float) -> str:
    """Which single point, left out, makes the others fit; empty where none does."""
    left = []
    for k in range(len(a)):
        keep = np.arange(len(a)) != k
        left.append(float(_sizes(rigid_fit(a[keep], b[keep]).residual_m).max()))
    best = int(np.argmin(left))
    if left[best] > limit_m:
        return "; no single point is to blame"
    return f'; without "{names[best]}" the others fit within {left[best]:.3f} m'


def _findings(fit: RigidFit, *, decidable: bool) -> tuple[Finding, ...]:
    found = [Finding("anchored", "notice", f"Notes laid on the map: {fit.text}.")]
    if fit.scale_sigma == fit.scale_sigma and abs(fit.scale - 1) > max(3 * fit.scale_sigma, 1e-4):
        found.append(
            Finding(
                "anchor-scale",
                "notice",
                f"The map is {1e6 * (fit.scale - 1):+.0f} ppm (+/- {1e6 * fit.scale_sigma:.0f}) against the "
                "tape: a worn or stretched tape, distances along a slope, or grid taken for ground. "
                "Not applied.",
            )
        )
    if not decidable:
        found.append(
            Finding(
                "anchor-mirror-open",
                "notice",
                "Two common points, or points in line, fit a mirror image just as well: a third one aside of "
                "them would show whether left and right are as they should be.",
            )
        )
    return tuple(found)
