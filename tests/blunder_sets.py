"""Invented true sites, traced outlines, tapes as people write them, and at most one blunder: forward model.

Of the second half of docs/calibration.md.  Lengths come from the true corners by Pythagoras, names of legs
from the plan as a crew would read them off the map; nothing of :mod:`siteplan.reconcile.blunders` or
:mod:`siteplan.adjust` is used.  What a person writes is text, and a blunder is made to the text or to what
was taped, as it happens in the field.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Final, Literal

import numpy as np

from siteplan.plans import RunPlan, plan_runs
from siteplan.sites import Site, load_site
from tests.make_sites import polygon, write_features

FOOT: Final = 0.3048
INCH: Final = 0.0254
Style = Literal["metric", "feet-inches", "decimal-feet"]
STYLES: Final[tuple[Style, ...]] = ("metric", "feet-inches", "decimal-feet")
STEP: Final[dict[str, float]] = {"metric": 0.01, "feet-inches": INCH / 4, "decimal-feet": FOOT / 100}
"""last place written, metres"""
CAUSES: Final = (
    "dropped_length", "transposed", "inches_as_tenths", "tenths_as_inches", "misread", "hook", "wrong_unit",
    "wrong_leg",
)  # fmt: skip
WRITTEN_IN: Final[dict[str, tuple[Style, ...]]] = {
    "inches_as_tenths": ("feet-inches",),
    "tenths_as_inches": ("decimal-feet",),
    "wrong_unit": ("metric", "decimal-feet"),
}
"""a slip of the pen needs a crew that writes so"""


@dataclass(frozen=True)
class TapeOf:
    """A tape: sigma of a reading = fixed + per_length x length, and of its scale."""

    kind: str
    fixed_m: float
    per_length: float
    scale: float


TAPES: Final = (TapeOf("steel", 0.005, 100e-6, 200e-6), TapeOf("fibreglass", 0.008, 300e-6, 600e-6))


@dataclass(frozen=True)
class World:
    """How the world errs, against what the settings say."""

    heavy: bool = False
    """Student's t with 3 degrees of freedom, same variance, for vertices and readings"""
    correlation_m: float = 0.0
    """of vertex errors along an outline; 0: none"""
    times: float = 1.0
    """all errors this many times the stated ones"""


@dataclass(frozen=True)
class Crew:
    """A site as it is traced, and what its crew tapes: v vertices, n readings."""

    site: Site
    plan: RunPlan
    true_xy: np.ndarray
    """(v, 2)"""
    traced_xy: np.ndarray
    """(v, 2)"""
    ends: np.ndarray
    """(n, 2) vertices each reading is taped between"""
    names: tuple[str, ...]
    """(n) what is written for it: a leg, or two points with " to " between"""
    tape: np.ndarray
    """(n,) index into TAPES"""
    bed: np.ndarray
    """(n,) bed of a leg, -1 of a distance"""
    vertex_m: float
    style: Style
    lengths_m: np.ndarray
    """(n,) what the tape shows, before it is written down"""
    texts: tuple[str, ...]
    """(n) as written, nothing wrong"""

    def sigma(self) -> np.ndarray:
        """(n,) of each reading without the scale of its tape, as the settings say, metres."""
        long = np.hypot(*(self.traced_xy[self.ends[:, 1]] - self.traced_xy[self.ends[:, 0]]).T)
        fixed, rate = np.array([(t.fixed_m, t.per_length) for t in TAPES])[self.tape].T
        made: np.ndarray = fixed + rate * long
        return made


def noise(rng: np.random.Generator, shape: tuple[int, ...], world: World) -> np.ndarray:
    """Errors of mean 0, and of variance 1 where the world errs as stated."""
    made = rng.standard_t(3, shape) / np.sqrt(3) if world.heavy else rng.standard_normal(shape)
    return np.asarray(world.times * made)


def beds(rng: np.random.Generator) -> list[np.ndarray]:
    """Three to five true beds with straight sides, some decimetres off square, counter-clockwise."""
    made = []
    for k in range(int(rng.integers(3, 6))):
        w, h = rng.uniform(6, 18), rng.uniform(5, 14)
        if rng.random() < 0.7:
            ring = np.array([(0, 0), (w, 0), (w, h), (0, h)], dtype=float)
        else:
            a, b = rng.uniform(0.4, 0.6, 2)
            ring = np.array([(0, 0), (w, 0), (w, b * h), (a * w, b * h), (a * w, h), (0, h)])
        turn = rng.uniform(0, 2 * np.pi)
        spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        ring = ring + 0.15 * rng.standard_normal(ring.shape) - ring.mean(axis=0)
        made.append(ring @ spin + 30.0 * np.array([k % 2, k // 2]))
    return made


def _alike(rng: np.random.Generator, ring: np.ndarray, world: World) -> np.ndarray:
    """(n, 2) vertex errors of one ring in sigmas, alike along it where the world says so."""
    white = noise(rng, ring.shape, world)
    if not world.correlation_m:
        return white
    sides = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    at = np.cumsum(sides) - sides
    away = np.abs(at[:, None] - at)
    away = np.minimum(away, sides.sum() - away)
    made: np.ndarray = np.linalg.cholesky(np.exp(-away / world.correlation_m)) @ white
    return made


def write(metres: float, style: Style) -> str:
    """A length as this crew writes it."""
    if style == "metric":
        return f"{metres:.2f} m"
    if style == "decimal-feet":
        return f"{metres / FOOT:.2f} ft"
    quarters = round(metres / INCH * 4)
    feet, rest = divmod(quarters, 48)
    inches, over = divmod(rest, 4)
    fraction = {0: "", 1: " 1/4", 2: " 1/2", 3: " 3/4"}[over]
    return f"{feet} ft {inches}{fraction} in"


def metres_of(text: str) -> float:
    """A written length in metres, read by a reader of our own."""
    words = text.split()
    if words[1] == "m":
        return float(words[0])
    if len(words) == 2:
        return float(words[0]) * FOOT
    part = sum(float(a) / float(b or 1) for a, _, b in (w.partition("/") for w in words[2:-1]))
    return float(words[0]) * FOOT + part * INCH


def crew_of(
    rng: np.random.Generator, folder: Path, number: int, world: World, styles: Sequence[Style] = STYLES
) -> Crew:
    """Invent a site, trace it, and send a crew: every side, diagonals and ties, some sides twice."""
    rings = beds(rng)
    vertex_m = (0.01, 0.02, 0.03)[number % 3]
    style = styles[int(rng.integers(len(styles)))]
    scale = 1 + 300e-6 * float(noise(rng, (1,), world)[0])
    seen = [ring * scale + vertex_m * _alike(rng, ring, world) for ring in rings]
    true_xy, traced_xy = np.vstack(rings), np.vstack(seen)
    site = _written(folder, seen, vertex_m)
    plan = plan_runs(site)
    first = np.cumsum([0, *(len(r) for r in rings)])
    ends, names, bed = _sides(plan, site, traced_xy)
    again = rng.random(len(names)) < 0.35
    ends += [e for e, a in zip(ends, again, strict=True) if a]
    names += [n for n, a in zip(names, again, strict=True) if a]
    bed += [b for b, a in zip(bed, again, strict=True) if a]
    sides = len(again)

    def point(v: int) -> str:
        k = int(np.searchsorted(first, v, side="right")) - 1
        return f"B{k + 1}.v{v - int(first[k]) + 1}"

    pairs = [(int(first[k] + a), int(first[k] + b)) for k, ring in enumerate(rings) for a, b in _across(ring)]
    for k in range(len(rings) - 1):
        pairs += [
            (int(first[k] + rng.integers(len(rings[k]))), int(first[k + 1] + rng.integers(len(rings[k + 1]))))
            for _ in range(3)
        ]
    pairs = list(dict.fromkeys(pairs))
    ends += pairs
    names += [f"{point(a)} to {point(b)}" for a, b in pairs]
    bed += [-1] * len(pairs)
    tape = rng.integers(0, 2, len(names))
    # a side that is taped again is taped with the other tape
    tape[np.arange(sides, sides + int(again.sum()))] = 1 - tape[:sides][again]
    at = np.array(ends)
    made = Crew(
        site,
        plan,
        true_xy,
        traced_xy,
        at,
        tuple(names),
        tape,
        np.array(bed),
        vertex_m,
        style,
        np.empty(0),
        (),
    )
    true = np.hypot(*(true_xy[at[:, 1]] - true_xy[at[:, 0]]).T)
    tapes = 1 + np.array([t.scale for t in TAPES]) * noise(rng, (2,), world)
    # what the settings call the sigma of a reading has the rounding of the writing in it
    own = np.sqrt(made.sigma() ** 2 - STEP[style] ** 2 / 12)
    shown = true * tapes[tape] + own * noise(rng, (len(true),), world)
    return replace(made, lengths_m=shown, texts=tuple(write(x, style) for x in shown))


def _across(ring: np.ndarray) -> list[tuple[int, int]]:
    """Diagonals a crew tapes: both of a quadrilateral, three of an L."""
    return [(0, 2), (1, 3)] if len(ring) == 4 else [(0, 2), (0, 3), (3, 5)]


def _sides(
    plan: RunPlan, site: Site, traced_xy: np.ndarray
) -> tuple[list[tuple[int, int]], list[str], list[int]]:
    """Sides of the beds with the names their legs have on the map."""
    runs = plan.runs
    ends, names, bed = [], [], []
    origin = site.bed_shapes.xy
    for leg, name in enumerate(runs.leg_id):
        rows = runs.xy[[runs.offsets[leg], runs.offsets[leg + 1] - 1]]
        gap = np.hypot(*(origin[:, None] - rows).transpose(2, 0, 1))
        found = gap.argmin(axis=0)
        if gap.min(axis=0).max() > 1e-6 or len(origin) != len(traced_xy):
            raise AssertionError(f"leg {name} does not run from vertex to vertex")
        ends.append((int(found[0]), int(found[1])))
        names.append(str(name))
        bed.append(int(runs.bed[runs.leg_run[leg]]))
    return ends, names, bed


def _written(folder: Path, rings: Sequence[np.ndarray], vertex_m: float) -> Site:
    folder.mkdir(parents=True, exist_ok=True)
    write_features(folder / "beds.geojson", {f"B{k + 1}": polygon(ring) for k, ring in enumerate(rings)})
    kinds = "".join(
        f'[reconcile.kind.{t.kind}]\nfixed = "{t.fixed_m * 1e3:g} mm"\n'
        f"per_length_ppm = {t.per_length * 1e6:g}\nscale_ppm = {t.scale * 1e6:g}\n"
        for t in TAPES
    )
    (folder / "site.toml").write_text(
        'schema_version = 1\nname = "invented"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        f'[reconcile]\nvertex_sigma = "{vertex_m * 1e3:g} mm"\n[reconcile.adjust]\npicture_scale_ppm = 300\n'
        + kinds,
        encoding="utf-8",
    )
    return load_site(folder)


def csv_of(crew: Crew, texts: Sequence[str]) -> str:
    """The tape file of a crew."""
    rows = ["id,of,from,to,reading,tape,kind"]
    for k, (name, text, t) in enumerate(zip(crew.names, texts, crew.tape.tolist(), strict=True)):
        a, _, b = name.partition(" to ")
        what = f",{a},{b}" if b else f"{a},,"
        rows.append(f"r{k},{what},{text},{TAPES[t].kind},{TAPES[t].kind}")
    return "\n".join(rows) + "\n"


# ---------------------------------------------------------------- blunders


@dataclass(frozen=True)
class Planted:
    """The readings of a crew with one blunder."""

    texts: tuple[str, ...]
    reading: int
    cause: str
    off_m: float
    """as written, less what would have been written"""


def _with(crew: Crew, reading: int, text: str, cause: str) -> Planted | None:
    if text == crew.texts[reading] or metres_of(text) < 0.05:
        return None
    texts = list(crew.texts)
    texts[reading] = text
    return Planted(tuple(texts), reading, cause, metres_of(text) - metres_of(crew.texts[reading]))


def sized(rng: np.random.Generator, crew: Crew, sigmas: float) -> Planted:
    """One reading off by so many of its standard deviations, rounded up to the step it is written in."""
    k = int(rng.integers(len(crew.texts)))
    sign = 1 if rng.random() < 0.5 else -1
    step = STEP[crew.style]
    off = np.ceil(sigmas * crew.sigma()[k] / step - 1e-9) * step
    made = _with(crew, k, write(metres_of(crew.texts[k]) + sign * off, crew.style), "sized")
    assert made is not None
    return made


def from_list(rng: np.random.Generator, crew: Crew, cause: str) -> Planted | None:
    """One blunder of this cause at a reading it can happen to; None where there is none."""
    if crew.style not in WRITTEN_IN.get(cause, STYLES):
        return None
    order = rng.permutation(len(crew.texts)).tolist()
    for k in order:
        text = _slip(rng, crew, k, cause)
        made = None if text is None else _with(crew, k, text, cause)
        if made is not None:
            return made
    return None


def _slip(rng: np.random.Generator, crew: Crew, k: int, cause: str) -> str | None:
    """What is written for reading k when this happens; None where it cannot."""
    text, long, style = crew.texts[k], float(crew.lengths_m[k]), crew.style
    foreign = style != "metric"
    if cause == "dropped_length":
        # the crew counts full tapes and forgets one; a reading shorter than the tape has none to forget
        tape = float(rng.choice([25 * FOOT, 50 * FOOT, 100 * FOOT] if foreign else [20.0, 30.0, 50.0]))
        return write(long - tape, style) if long > tape + 0.1 else None
    if cause == "transposed":
        number, _, rest = text.partition(" ")
        places = [j for j, c in enumerate(number) if c.isdigit()]
        pairs = [(a, b) for a, b in pairwise(places) if number[a] != number[b]]
        if not pairs:
            return None
        a, b = pairs[int(rng.integers(len(pairs)))]
        digits = list(number)
        digits[a], digits[b] = digits[b], digits[a]
        return f"{''.join(digits)} {rest}"
    if cause == "inches_as_tenths":
        feet, inches = divmod(round(long / INCH), 12)
        return f"{feet}.{inches} ft" if inches else None
    if cause == "tenths_as_inches":
        feet, tenths = divmod(round(long / FOOT * 10), 10)
        return f"{feet} ft {tenths} in" if tenths else None
    if cause == "misread":
        whole = (FOOT if foreign else 1.0) * (10 if rng.random() < 0.2 else 1)
        return write(long + whole * (1 if rng.random() < 0.5 else -1), style)
    if cause == "hook":
        hook = float(rng.choice([3 * INCH, 4 * INCH, 6 * INCH, 0.1]))
        return write(long + hook * (1 if rng.random() < 0.5 else -1), style)
    if cause == "wrong_unit":
        number, _, unit = text.partition(" ")
        return f"{number} {'ft' if unit == 'm' else 'm'}"
    if cause == "wrong_leg":
        if crew.bed[k] < 0:
            return None
        # half the time another leg of the same bed
        legs = np.flatnonzero((crew.bed >= 0) & (np.array(crew.names) != crew.names[k]))
        same = legs[crew.bed[legs] == crew.bed[k]]
        return crew.texts[int(rng.choice(same if rng.random() < 0.5 else legs))]
    raise AssertionError(cause)
