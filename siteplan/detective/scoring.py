"""How well a reading of the numbers explains what is known: likelihood factors, each in [0, 1].

Every factor is the probability of the evidence under the reading, relative to a perfect fit.
The likelihood is their product; the score is the likelihood times the weights that say how
common such a reading is.  All over all candidates at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from siteplan import crs_database as database
from siteplan.detective.candidates import CENTRE, CORNERS, PROBES, Candidates, Points
from siteplan.detective.evidence import Evidence, Known, Weights
from siteplan.geodesy import WGS84, inverse
from siteplan.types import BoolArray, FloatArray
from siteplan.units import METRES

LEAST_EXTENT_M: Final = 1.0
GREATEST_EXTENT_M: Final = 20_000.0
LOCATING: Final = ("place", "region", "area of use")
"""factors that speak of where the file lies"""
ZERO_M: Final = 20_000.0
_ZERO_DEG: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Measures and factors of n candidates."""

    extent_m: FloatArray
    """(n, 2) ground width and height of the file's box; inf where a corner has no place"""
    metres_per_unit: FloatArray
    """(n, 2) ground metres of one of the file's units along its first and second axis"""
    outside_km: FloatArray
    """(n,) outside the area of use, 0 inside"""
    place_km: FloatArray
    """(n,) middle of the file to the known place, NaN without one"""
    region_km: FloatArray
    """(n,) outside the region, 0 inside, NaN without one"""
    measured: FloatArray
    """(n, k) each known length or area as the file has it, in m or m2"""
    control_m: FloatArray
    """(n, c) from each control point to where the candidate puts it; NaN until the datums are known"""
    factors: dict[str, FloatArray] = field(default_factory=dict)
    """(n,) each, in the order they are told"""

    @property
    def likelihood(self) -> FloatArray:
        """(n,) product of the factors."""
        out = np.ones(len(self.extent_m))
        for factor in self.factors.values():
            out = out * factor
        return out


def distances_m(a: FloatArray, b: FloatArray) -> FloatArray:
    """Geodesic on WGS 84 between places (..., 2); inf where one of them is no place."""
    a, b = np.broadcast_arrays(np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64))
    fine = np.isfinite(a).all(axis=-1) & np.isfinite(b).all(axis=-1)
    out = np.full(fine.shape, np.inf)
    if fine.any():
        out[fine] = inverse(a[fine], b[fine])[0]
    return out


def beyond(distance: FloatArray, within: float, power: float, least: float) -> FloatArray:
    """1 up to a distance, then (within / distance) to a power, never less than a least."""
    ratio = within / np.maximum(distance, within)
    return np.maximum(ratio**power, least)


def score(
    candidates: Candidates, points: Points, evidence: Evidence, weights: Weights, lonlat: FloatArray
) -> Scores:
    """Measures and factors of candidates; control points are left for :func:`with_controls`.

    Parameters
    ----------
    candidates : n readings
    points : the m points placed
    lonlat : (n, m, 2) where they lie, on WGS 84 as far as the caller knows
    """
    corners = lonlat[:, CORNERS]
    box = np.stack(
        [distances_m(corners[:, 0], corners[:, 1]), distances_m(corners[:, 1], corners[:, 2])], axis=1
    )
    # On swapped axes the first axis of the file runs north.
    extent = np.where(candidates.swapped[:, None], box[:, ::-1], box)
    probes = distances_m(lonlat[:, None, CENTRE], lonlat[:, PROBES]) / points.step
    middle = lonlat[:, CENTRE]
    nan = np.full(len(candidates), np.nan)
    place, region = nan, nan.copy()
    if evidence.about is not None:
        at = np.array([evidence.about.lon_deg, evidence.about.lat_deg])
        # A control point says where it is itself, not where the middle of the file is.
        of = CENTRE if evidence.place is not None else points.controls.start
        place = distances_m(lonlat[:, of], at) / 1000
    if evidence.region is not None:
        boxes = database.region_boxes(evidence.region)
        region = np.min(
            [database.box_distance_km(np.broadcast_to(b, (len(middle), 4)), middle) for b in boxes], axis=0
        )
    measured = [_measured(k, lonlat[:, s]) for k, s in zip(evidence.known, points.known, strict=True)]
    scores = Scores(
        extent_m=extent,
        metres_per_unit=probes,
        outside_km=database.box_distance_km(candidates.bounds, middle),
        place_km=place,
        region_km=region,
        measured=np.stack(measured, axis=1) if measured else np.zeros((len(middle), 0)),
        control_m=np.full((len(middle), len(evidence.controls)), np.nan),
    )
    scores.factors.update(_factors(scores, candidates, points, evidence, weights))
    return scores


def _measured(known: Known, lonlat: FloatArray) -> FloatArray:
    """(n,) length or area of a thing of the file under every reading; inf where it has no place.

    The area is the plane one with the meridian's and the parallel's own scale: right to 1e-4
    for anything of the size of a site, and a tape is good to a hundredth.
    """
    if known.area_m2 is None:
        ahead = np.roll(lonlat, -1, axis=1) if known.closed else lonlat[:, 1:]
        behind = lonlat if known.closed else lonlat[:, :-1]
        total: FloatArray = distances_m(behind, ahead).sum(axis=1)
        return total
    fine = database.finite_rows(lonlat).all(axis=1)
    held = np.where(np.expand_dims(fine, (1, 2)), lonlat, 0.0)
    lat = held[:, :, 1].mean(axis=1)
    east = (held[:, :, 0] - held[:, :1, 0] + 180) % 360 - 180
    x = np.radians(east) * (WGS84.prime_vertical_radius_m(lat) * np.cos(np.radians(lat)))[:, None]
    y = np.radians(held[:, :, 1] - held[:, :1, 1]) * WGS84.meridian_radius_m(lat)[:, None]
    twice = (x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)
    area: FloatArray = np.where(fine, np.abs(twice) / 2, np.inf)
    return area


def _factors(
    scores: Scores, candidates: Candidates, points: Points, evidence: Evidence, weights: Weights
) -> dict[str, FloatArray]:
    factors: dict[str, FloatArray] = {}
    diagonal = np.hypot(*scores.extent_m.T)
    about = evidence.about
    if about is not None:
        # A site has a size: its middle may be half of that from a place known to be on it.
        reach_km = about.within_m / 1000 + np.minimum(diagonal, GREATEST_EXTENT_M) / 2000
        off = np.maximum(scores.place_km / reach_km, 1.0)
        factors["place"] = np.maximum(off**-weights.place_power, weights.least)
    if evidence.region is not None:
        factors["region"] = beyond(
            scores.region_km + weights.region_m / 1000, weights.region_m / 1000, weights.place_power,
            weights.least,
        )  # fmt: skip
    factors["area of use"] = np.maximum(
        np.exp(-scores.outside_km / (weights.area_m / 1000)), weights.area_least
    )
    factors["extent"] = extent_factor(diagonal, weights)
    whole = whole_share(evidence.finite)
    if whole >= 0.9:
        degrees = candidates.kinds == "degrees"
        factors["whole numbers"] = np.where(degrees, weights.whole_numbers, 0.3)
    for k, known in enumerate(evidence.known):
        factors[f"measured {k + 1}"] = known_factor(known, scores.measured[:, k], weights)
    return factors


def extent_factor(diagonal_m: FloatArray, weights: Weights) -> FloatArray:
    """1 for 1 m to 20 km and for a single point; less for each tenfold beyond."""
    with np.errstate(divide="ignore"):
        over = np.log10(np.maximum(diagonal_m / GREATEST_EXTENT_M, 1.0))
        under = np.where(diagonal_m > 0, np.log10(np.maximum(LEAST_EXTENT_M / diagonal_m, 1.0)), 0.0)
    factor: FloatArray = np.maximum(weights.extent_per_decade ** (over + under), weights.least)
    return factor


def zero_weight(candidates: Candidates, points: Points, scores: Scores, weights: Weights) -> FloatArray:
    """(n,) weight of numbers so small that the site would lie at the very zero of the grid."""
    size = np.abs(points.xy[CENTRE]).max()
    step_m = scores.metres_per_unit.mean(axis=1)
    share = np.where(candidates.kinds == "degrees", size / _ZERO_DEG, size * step_m / ZERO_M)
    near: FloatArray = np.where(share < 1, weights.near_zero * np.maximum(share**2, 1e-6), 1.0)
    return near


def whole_share(xy: FloatArray) -> float:
    """Share of the numbers that are whole or half."""
    return float((xy * 2 == np.round(xy * 2)).mean())


def known_factor(known: Known, measured: FloatArray, weights: Weights) -> FloatArray:
    """Normal distribution of the logarithm of measured over known."""
    length = known.length_m
    if known.area_m2 is not None:
        # An area has twice the relative error of a length of its root.
        value, share = known.area_m2, 2 * np.hypot(weights.tape_share, weights.tape_m / known.area_m2**0.5)
    else:
        assert length is not None  # noqa: S101 - Known makes sure of one of the two
        value, share = length, np.hypot(weights.tape_share, weights.tape_m / length)
    with np.errstate(divide="ignore", over="ignore"):
        off = np.log(measured / value) / share
        factor: FloatArray = np.maximum(np.exp(-0.5 * off * off), weights.least)
    return factor


def with_controls(scores: Scores, distance_m: FloatArray, sigma_m: FloatArray, weights: Weights) -> None:
    """Add the control points, once the changes of datum are known.

    Parameters
    ----------
    distance_m, sigma_m : (n, c) from each known place, and how well the two can agree:
        the point's own accuracy and that of the change of datum, in quadrature
    """
    scores.control_m[:] = distance_m
    for k in range(distance_m.shape[1]):
        off = distance_m[:, k] / sigma_m[:, k]
        scores.factors[f"control {k + 1}"] = np.maximum(np.exp(-0.5 * off * off), weights.least)


def prior(
    candidates: Candidates, points: Points, scores: Scores, weights: Weights, older: BoolArray
) -> FloatArray:
    """(n,) How common a reading is before the evidence: product of the weights that apply."""
    kind = np.array(
        [_kind_weight(k, d, weights) for k, d in zip(candidates.kinds, candidates.datums, strict=True)]
    )
    out: FloatArray = (
        kind
        * np.where(candidates.recounted, weights.other_unit, 1.0)
        * np.where(candidates.swapped, weights.swapped, 1.0)
        * np.where(candidates.withdrawn, weights.withdrawn, 1.0)
        * np.where(older, weights.older_datum, 1.0)
        * np.where(candidates.declared, weights.declared, 1.0)
        * zero_weight(candidates, points, scores, weights)
    )
    return out


def _kind_weight(kind: str, datum: str, weights: Weights) -> float:
    if kind == "degrees":
        return weights.degrees if datum == "WGS 84" else weights.degrees_other
    return {
        "web": weights.web, "utm": weights.utm, "survey grid": weights.survey_grid,
        "map grid": weights.map_grid,
    }[kind]  # fmt: skip


# --- readings without a place on earth ----------------------------------------------------


def pixel_factor(xy: FloatArray, weights: Weights) -> float:
    """Columns and rows: none negative (rows may all be), below 100,000, whole or half."""
    x, y = xy.T
    one_sign = x.min() >= -1 and (y.min() >= -1 or y.max() <= 1)
    if not one_sign or np.abs(xy).max() >= 100_000 or np.ptp(xy) < 10:
        return weights.least
    return 1.0 if whole_share(xy) >= 0.9 else weights.broken_numbers


def local_factor(xy: FloatArray, weights: Weights) -> float:
    """A drawing's own axes keep its numbers small, and a site has an extent in them."""
    size = float(np.abs(xy).max())
    small = 1.0 if size <= 20_000 else 0.1 if size <= 200_000 else 0.001
    extent = np.hypot(*np.ptp(xy, axis=0)) * np.array([1.0, float(METRES["ft"])])
    return small * float(extent_factor(extent, weights).max())


def unplaced_factor(evidence: Evidence, weights: Weights) -> float:
    """What knowing a place, a region or control points costs a reading that has no place."""
    if evidence.controls:
        return weights.least
    if evidence.place is not None:
        return weights.unplaced
    return weights.unplaced**0.5 if evidence.region is not None else 1.0
