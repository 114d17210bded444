"""The search: gather readings, score them, bring the best to one datum, rank, compare."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from siteplan import crs_database as database
from siteplan.detective import words
from siteplan.detective.candidates import CENTRE, Candidates, Points, gather, joined, points_of
from siteplan.detective.compare import apart
from siteplan.detective.evidence import Evidence, Weights
from siteplan.detective.report import CrsReport, Factor, Hypothesis, Status
from siteplan.detective.scoring import (
    LOCATING,
    Scores,
    distances_m,
    known_factor,
    local_factor,
    pixel_factor,
    prior,
    score,
    unplaced_factor,
    with_controls,
)
from siteplan.errors import DataError
from siteplan.geodesy import CrsFacts, DatumChange, crs_facts, datum_change, same_datum
from siteplan.types import BoolArray, FloatArray, IntArray
from siteplan.units import METRES

FITS: Final = 0.01
"""likelihood below which a reading does not explain the evidence"""
FINALISTS: Final = 60
"""readings whose datum is looked into; a third of it where each stands for all of its kind"""
OLDER_M: Final = 3.0
UNKNOWN_DATUM_M: Final = 1_000.0
"""how well a change of datum nobody published an accuracy for is taken to be"""
_SAME_DEG: Final = 1e-6
_LOOKED_UP: Final = 8
"""readings whose datum is looked into even where they do not fit"""
_HOPELESS: Final = 1e-6
"""share of the best likelihood below which the datum of a reading is not looked into"""


def examine(evidence: Evidence, *, weights: Weights | None = None, most: int = 10) -> CrsReport:
    """Rank what might explain the numbers of a file.

    Parameters
    ----------
    evidence : the numbers and what is known
    weights : of the rule; the defaults without
    most : explanations reported; what the file declares is reported besides, whatever its rank

    Returns
    -------
    The report.  Nothing is applied.  Without a place, a region or a control point, sixty
    UTM zones fit alike; then one stands for all of its kind, and their scores are summed.

    Raises
    ------
    DataError : the declared CRS, or that of a control point, is not understood.
    UsageError : a region that is not known.

    Notes
    -----
    A fraction of a second with a place or a region; two to three the first time without
    either, when every grid of the data set is tried.
    """
    weights = weights or Weights()
    points = points_of(evidence)
    pool = _on_control_datum(_pool(evidence, points, weights))
    pool = _on_wgs84(pool, evidence, points, weights)
    weight = prior(pool.candidates, points, pool.scores, weights, pool.older)
    likelihood = pool.scores.likelihood
    loose = _unplaced(evidence, points, weights)
    value = likelihood * weight * pool.alike_value
    total = pool.rest + value.sum() + sum(h.likelihood * h.prior for h in loose)
    limit = max(float(likelihood.max(initial=0.0)) / weights.told_apart, FITS)
    order = _order(pool, value)
    loose = [
        replace(h, share=float(h.likelihood * h.prior / total), fits=h.likelihood >= limit) for h in loose
    ]
    # Rows of the pool, then the readings without a place; stable, so equals keep their order.
    shares = np.concatenate([value[order] / total, [h.share for h in loose]])
    listed = []
    for rank, at in enumerate(np.argsort(-shares, kind="stable").tolist(), start=1):
        row = int(order[at]) if at < len(order) else None
        if rank > max(most, 1) and (row is None or not pool.candidates.declared[row]):
            continue
        if row is None:
            listed.append(replace(loose[at - len(order)], rank=rank))
            continue
        made = _hypothesis(pool, row, float(likelihood[row]), float(weight[row]))
        fits = bool(likelihood[row] >= limit)
        listed.append(replace(made, rank=rank, share=float(shares[at]), fits=fits))
    hypotheses = tuple(listed)
    fit_rows = order[likelihood[order] >= limit]
    count = pool.others_fit + int(pool.alike[fit_rows].sum()) + len(fit_rows) + sum(h.fits for h in loose)
    return _judged(pool, weights, hypotheses, fit_rows, count)


def _order(pool: _Pool, value: FloatArray) -> IntArray:
    """Rows by score.

    Of equals the one made for the smaller area stands first where the place is known (what
    is made for it), and last where it is not (what is used more).
    """
    size = database.box_size(pool.candidates.bounds)
    if pool.evidence.about is None:
        size = -size
    rounded = np.round(np.log10(np.maximum(value, 1e-300)), 9)
    return np.lexsort((pool.candidates.codes.astype(str), size, -rounded)).astype(np.int64)


# --- the pool ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Pool:
    """Finalists with all that is known of them."""

    candidates: Candidates
    scores: Scores
    lonlat: FloatArray
    """(n, m, 2) on WGS 84 where a published change of datum leads there"""
    facts: tuple[CrsFacts, ...]
    changes: tuple[DatumChange | None, ...]
    accuracy_m: tuple[float | None, ...]
    older: BoolArray
    alike: IntArray
    """(n,) others of its kind it stands for, that fit as well"""
    alike_value: FloatArray
    """(n,) score of all of its kind over its own"""
    rest: float
    """score of everything that is no finalist"""
    others_fit: int
    """readings that fit and are no finalists"""
    looked_at: int
    evidence: Evidence


def _pool(evidence: Evidence, points: Points, weights: Weights) -> _Pool:
    """Finalists of the search."""
    lots: list[Candidates] = []
    # Small numbers are a picture's or a drawing's; all the grids of the world would not help.
    small = max(_shapes(evidence, weights).values()) >= 0.9
    for lot in gather(evidence, points):
        lots.append(lot)
        together = joined(lots)
        scores = score(together, points, evidence, weights, together.lonlat)
        likelihood = scores.likelihood
        # A length that fits nowhere here would fit nowhere else in the world either.
        told = [v for name, v in scores.factors.items() if name in LOCATING]
        if small or np.prod(told, axis=0).max(initial=0.0) >= FITS:
            break
    none = np.zeros(len(together), dtype=np.bool_)
    value = likelihood * prior(together, points, scores, weights, none)
    declared = np.flatnonzero(together.declared)
    alike, alike_value = np.zeros(len(together), dtype=np.int64), np.ones(len(together))
    located = evidence.about is not None or evidence.region is not None
    if not located:
        kept = _one_of_each_kind(together, value, likelihood, (alike, alike_value), weights)
        kept = np.union1d(kept, declared)
    else:
        kept = np.arange(len(together))
    # Two orders: what is likely must not drop out because it is rare, nor the other way round.
    size = database.box_size(together.bounds)[kept]
    most = FINALISTS if located else FINALISTS // 3
    by_score = kept[np.lexsort((size, -(value * alike_value)[kept]))[:most]]
    by_likelihood = kept[np.lexsort((-value[kept], -likelihood[kept]))[: most // 2]]
    rows = np.unique(np.concatenate([by_score, by_likelihood, declared]))
    chosen = _without_doubles(together, rows, value)
    finalists = together.take(chosen)
    return _Pool(
        candidates=finalists,
        scores=score(finalists, points, evidence, weights, finalists.lonlat),
        lonlat=finalists.lonlat,
        facts=tuple(crs_facts(str(c)) for c in finalists.codes),
        changes=(None,) * len(finalists),
        accuracy_m=(None,) * len(finalists),
        older=np.zeros(len(finalists), dtype=np.bool_),
        alike=alike[chosen],
        alike_value=alike_value[chosen],
        rest=max(float(value.sum() - (value * alike_value)[rows].sum()), 0.0),
        others_fit=_others_fit(likelihood, rows, weights) if located else 0,
        looked_at=len(together),
        evidence=evidence,
    )


def _others_fit(likelihood: FloatArray, rows: IntArray, weights: Weights) -> int:
    """How many readings besides these fit as well."""
    fit = likelihood >= max(float(likelihood.max(initial=0.0)) / weights.told_apart, FITS)
    fit[rows] = False
    return int(fit.sum())


def _one_of_each_kind(
    c: Candidates,
    value: FloatArray,
    likelihood: FloatArray,
    stands_for: tuple[IntArray, FloatArray],
    weights: Weights,
) -> IntArray:
    """Best row of each kind of reading; fills in how many, and how much, it stands for.

    A kind is UTM, or the grids of one country, in one unit and one order of axes.
    """
    kinds: dict[tuple[str, str, bool], list[int]] = {}
    for k in np.lexsort((c.codes.astype(str), c.datums != "WGS 84", -value)).tolist():
        kinds.setdefault(_kind_of(c, k), []).append(k)
    limit = max(float(likelihood.max(initial=0.0)) / weights.told_apart, FITS)
    alike, alike_value = stands_for
    for rows in kinds.values():
        alike[rows[0]] = max(len({c.codes[k] for k in rows if likelihood[k] >= limit}) - 1, 0)
        if value[rows[0]] > 0:
            alike_value[rows[0]] = value[rows].sum() / value[rows[0]]
    return np.array(sorted(rows[0] for rows in kinds.values()), dtype=np.int64)


def _kind_of(c: Candidates, k: int) -> tuple[str, str, bool]:
    kind = str(c.kinds[k])
    if kind in ("degrees", "web") or c.declared[k]:
        kind = str(c.codes[k])
    elif kind != "utm":
        kind = f"{kind} {str(c.areas[k]).split(' - ')[0]}"
    return kind, str(c.units[k]), bool(c.swapped[k])


def _without_doubles(candidates: Candidates, rows: IntArray, value: FloatArray) -> IntArray:
    """Rows without those that put the file at the same place on the same datum in the same unit.

    The codes of a double become siblings of the one that is kept, the heavier one.
    """
    order = rows[np.lexsort((rows, -value[rows]))]
    kept: list[int] = []
    for row in order.tolist():
        twin = next((k for k in kept if _same(candidates, k, row)), None)
        if twin is None:
            kept.append(row)
        elif not candidates.recounted[row]:
            more = {str(candidates.codes[row]), *candidates.siblings[row]}
            known = {str(candidates.codes[twin]), *candidates.siblings[twin]}
            candidates.siblings[twin] = (*candidates.siblings[twin], *sorted(more - known))
    return np.array(kept, dtype=np.int64)


def _same(c: Candidates, a: int, b: int) -> bool:
    if c.datums[a] != c.datums[b] or c.units[a] != c.units[b] or c.swapped[a] != c.swapped[b]:
        return False
    return bool(np.abs(c.lonlat[a, CENTRE] - c.lonlat[b, CENTRE]).max() < _SAME_DEG)


# --- datums ------------------------------------------------------------------------


def _on_wgs84(pool: _Pool, evidence: Evidence, points: Points, weights: Weights) -> _Pool:
    """The finalists brought to WGS 84 and held against the control points."""
    n = len(pool.candidates)
    lonlat = pool.candidates.lonlat.copy()
    changes: list[DatumChange | None] = []
    accuracy: list[float | None] = []
    control_m = np.zeros((n, len(evidence.controls)))
    sigma_m = np.ones_like(control_m)
    likelihood = pool.scores.likelihood
    # Finalists come by score, best first.
    hopeless = (np.arange(n) >= _LOOKED_UP) & (likelihood < FITS)
    hopeless |= likelihood < _HOPELESS * likelihood.max(initial=0.0)
    hopeless &= ~pool.candidates.declared
    for k in range(n):
        own = pool.candidates.lonlat[k]
        if hopeless[k]:
            # Some changes of datum take a tenth of a second to find, and nobody needs these.
            changes.append(None)
            accuracy.append(None)
            control_m[k], sigma_m[k] = np.inf, 1.0
            continue
        change, good_m = _change(pool.facts[k], "EPSG:4326", own[CENTRE])
        changes.append(change)
        accuracy.append(good_m)
        if change is not None:
            lonlat[k] = _applied(change, pool.facts[k], own)
        for j, control in enumerate(evidence.controls):
            there, there_m = _change(pool.facts[k], control.crs, own[CENTRE])
            seen = own[points.controls][j][None]
            if there is not None:
                seen = _applied(there, pool.facts[k], seen)
            control_m[k, j] = distances_m(seen, np.array([[control.lon_deg, control.lat_deg]]))[0]
            sigma_m[k, j] = np.hypot(control.within_m, UNKNOWN_DATUM_M if there_m is None else there_m)
    scores = score(pool.candidates, points, evidence, weights, lonlat)
    if evidence.controls:
        with_controls(scores, control_m, sigma_m, weights)
    moved = distances_m(lonlat[:, CENTRE], pool.candidates.lonlat[:, CENTRE])
    return replace(
        pool,
        scores=scores,
        lonlat=lonlat,
        changes=tuple(changes),
        accuracy_m=tuple(accuracy),
        older=(moved > OLDER_M) | _untied(pool.candidates, accuracy),
    )


def _untied(candidates: Candidates, accuracy_m: Sequence[float | None]) -> BoolArray:
    """(n,) True for datums no published change ties to WGS 84, and that were not made to lie near it."""
    untied = np.array([a is None for a in accuracy_m], dtype=np.bool_)
    near = np.array([d in database.GEOCENTRIC for d in candidates.datums], dtype=np.bool_)
    return untied & ~near


def _on_control_datum(pool: _Pool) -> _Pool:
    """Finalists led by the realisation the control points are given in, where they have one.

    A point known in NAD83(HARN) says exactly what a grid on NAD83(HARN) makes of it, and only
    within some metres what its sibling on NAD83 does.
    """
    if not pool.evidence.controls:
        return pool
    wanted = crs_facts(pool.evidence.controls[0].crs)
    c, facts = pool.candidates, list(pool.facts)
    codes, names, siblings = c.codes.copy(), c.names.copy(), c.siblings.copy()
    for k in range(len(c)):
        if same_datum(facts[k], wanted):
            continue
        for code in siblings[k]:
            other = crs_facts(code)
            if other.datum == wanted.datum:
                siblings[k] = (codes[k], *(s for s in siblings[k] if s != code))
                codes[k], names[k], facts[k] = code, other.name, other
                break
    moved = replace(c, codes=codes, names=names, siblings=siblings)
    return replace(pool, candidates=moved, facts=tuple(facts))


def _change(facts: CrsFacts, target: str, lonlat: FloatArray) -> tuple[DatumChange | None, float | None]:
    """Change of datum and its accuracy: 0 where none is needed, None where only a guess exists."""
    lon, lat = np.round(lonlat, 1).tolist()
    west, east = ((x + 180) % 360 - 180 for x in (lon - 0.1, lon + 0.1))
    return _published(facts.shift_wkt, target, (west, max(-90.0, lat - 0.1), east, min(90.0, lat + 0.1)))


@lru_cache(maxsize=1024)
def _published(
    source: str, target: str, area: tuple[float, float, float, float]
) -> tuple[DatumChange | None, float | None]:
    try:
        change = datum_change(source, target, area)
    except DataError as error:
        if any(f.code != "ballpark-datum" for f in error.faults):
            raise
        # No published way: the place stays on its own datum, and the report says so.
        return None, None
    return (None, 0.0) if change is None else (change, change.accuracy_m)


def _applied(change: DatumChange, facts: CrsFacts, lonlat: FloatArray) -> FloatArray:
    """Places on a CRS's own datum, from Greenwich, brought to another; no place stays none."""
    fine = np.isfinite(lonlat).all(axis=1)
    out = np.full(lonlat.shape, np.inf)
    out[fine] = change.apply(lonlat[fine] - [facts.prime_meridian_deg, 0.0])
    return out


# --- ranking -----------------------------------------------------------------------


def _hypothesis(pool: _Pool, k: int, likelihood: float, weight: float) -> Hypothesis:
    c, s, facts = pool.candidates, pool.scores, pool.facts[k]
    unit, swapped, recounted = str(c.units[k]), bool(c.swapped[k]), bool(c.recounted[k])
    code = None if recounted or facts.code is None else str(c.codes[k])
    crs = code or (
        database.counted_in(str(c.codes[k]), unit) if recounted and unit in ("m", "ft", "ftUS") else facts.wkt
    )
    name = f"{c.names[k]}, counted in {unit}" if recounted else str(c.names[k])
    change, middle = pool.changes[k], pool.lonlat[k, CENTRE]
    bare = Hypothesis(
        rank=0,
        reading="degrees" if c.kinds[k] == "degrees" else "grid",
        code=code,
        crs=None if swapped else crs,
        name=name,
        siblings=() if recounted else tuple(c.siblings[k]),
        alike=int(pool.alike[k]),
        datum=facts.datum,
        unit=unit if unit != "other" else facts.unit_name,
        swapped=swapped,
        lonlat=(float(middle[0]), float(middle[1])),
        area=database.short_area(str(c.areas[k])),
        region=database.region_name(middle),
        extent_m=(float(s.extent_m[k, 0]), float(s.extent_m[k, 1])),
        metres_per_unit=float(s.metres_per_unit[k, 0]),
        outside_km=float(s.outside_km[k]),
        place_km=_or_none(s.place_km[k]),
        region_km=_or_none(s.region_km[k]),
        measured=tuple(s.measured[k].tolist()),
        control_m=tuple(s.control_m[k].tolist()),
        datum_change=change.text if change is not None else "",
        datum_accuracy_m=pool.accuracy_m[k],
        explains="",
        remedy="",
        factors=(),
        likelihood=likelihood,
        prior=weight,
        share=0.0,
        fits=False,
    )
    evidence = pool.evidence
    told = [
        Factor(name, float(values[k]), words.why(name, bare, evidence)) for name, values in s.factors.items()
    ]
    told.append(Factor("weight", weight, words.why_weight(bare, bool(pool.older[k]), bool(c.declared[k]))))
    return replace(
        bare,
        explains=words.explains(bare, facts, evidence),
        remedy=words.remedy(bare, evidence),
        factors=tuple(told),
    )


def _or_none(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _unplaced(evidence: Evidence, points: Points, weights: Weights) -> list[Hypothesis]:
    """Columns and rows of a picture, and a drawing's own axes."""
    cost = unplaced_factor(evidence, weights)
    out = []
    shape = _shapes(evidence, weights)
    for reading, weight in (("pixels", weights.pixels), ("local", weights.local)):
        unit, fit, measured = _own_axes(reading, evidence, points, weights)
        factors = [Factor("shape of the numbers", shape[reading], words.WHY_SHAPE[reading])]
        if cost < 1:
            factors.append(Factor("no place", cost, "it leads to no place that could be checked"))
        if evidence.known:
            factors.append(Factor("measured", fit, words.WHY_OWN_UNITS[reading]))
        likelihood = float(np.prod([f.value for f in factors]))
        factors.append(Factor("weight", weight, "how common it is"))
        out.append(
            Hypothesis(
                rank=0, reading="pixels" if reading == "pixels" else "local", code=None, crs=None,
                name=words.OWN_AXES[reading], siblings=(), alike=0, datum="", unit=unit, swapped=False,
                lonlat=None, area="", region="", extent_m=None, metres_per_unit=None, outside_km=None,
                place_km=None, region_km=None, measured=measured, control_m=(), datum_change="",
                datum_accuracy_m=None, explains=words.OWN_AXES_EXPLAINED[reading],
                remedy=words.OWN_AXES_REMEDY[reading], factors=tuple(factors), likelihood=likelihood,
                prior=weight, share=0.0, fits=False,
            )
        )  # fmt: skip
    return out


def _shapes(evidence: Evidence, weights: Weights) -> dict[str, float]:
    """How much the numbers look like a picture's, and like a drawing's own."""
    xy = evidence.finite
    return {"pixels": pixel_factor(xy, weights), "local": local_factor(xy, weights)}


def _own_axes(
    reading: str, evidence: Evidence, points: Points, weights: Weights
) -> tuple[str, float, tuple[float, ...]]:
    """Unit, fit to what was measured, and what the file has, of axes that are not on earth.

    A picture's pixel may have any size, so lengths neither speak for nor against it.
    """
    if reading == "pixels":
        return "pixels", 1.0, ()
    plain = np.array([_plain(points.xy[s], k.closed, k.area_m2 is not None)
                      for s, k in zip(points.known, evidence.known, strict=True)])  # fmt: skip
    if not len(plain):
        return "unknown", 1.0, ()
    power = np.array([2 if k.area_m2 is not None else 1 for k in evidence.known])
    best = ("unknown", -1.0, ())
    for unit in ("m", "ft"):
        measured = plain * float(METRES[unit]) ** power
        fit = float(
            np.prod([known_factor(k, measured[j : j + 1], weights)[0] for j, k in enumerate(evidence.known)])
        )
        if fit > best[1]:
            best = (unit, fit, tuple(measured.tolist()))
    return best


def _plain(xy: FloatArray, closed: bool, area: bool) -> float:
    """Length or area on the plane of the numbers."""
    if area:
        x, y = (xy - xy[0]).T
        return float(abs((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) / 2)
    steps = np.diff(xy, axis=0, append=xy[:1] if closed else xy[-1:])
    return float(np.hypot(*steps.T).sum())


# --- the verdict -------------------------------------------------------------------


def _judged(
    pool: _Pool, weights: Weights, hypotheses: tuple[Hypothesis, ...], fit_rows: IntArray, fits: int
) -> CrsReport:
    """Status, verdict and comparisons; ``fit_rows`` are the finalists that fit, best first."""
    evidence = pool.evidence
    located = evidence.about is not None or evidence.region is not None
    status: Status = "one" if fits == 1 and len(fit_rows) == 1 and located else "several"
    if not len(fit_rows) or (hypotheses[0].lonlat is None and located):
        status = "nothing"
    spread = float("nan")
    if len(fit_rows) > 1:
        middle = pool.lonlat[fit_rows, CENTRE]
        spread = float(distances_m(middle[:1], middle[1:]).max())
    placed = [h for h in hypotheses if h.lonlat is not None]
    # Where nothing fits, the least bad ones are still worth telling apart.
    least = max((h.likelihood for h in placed), default=0.0) / weights.told_apart
    report = CrsReport(
        evidence=evidence,
        weights=weights,
        hypotheses=hypotheses,
        apart=apart(weights, [h for h in placed if h.likelihood >= least]),
        status=status,
        verdict="",
        spread_m=spread,
        fit_count=fits,
        looked_at=pool.looked_at,
    )
    return replace(report, verdict=words.verdict(report))
