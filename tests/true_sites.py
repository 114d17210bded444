"""Invented true sites, how people see them, and what they really take.

The forward model of the calibration (docs/calibration.md).  It shares no code with
:mod:`siteplan.uncertainty`: noise along a line comes from its spectrum on a circle, lines are moved
sideways by meeting their shifted sides, a smooth bed by its own normal, broken pieces are counted out of
the pile that was ordered.  What a true site takes is what the program plans for the true outlines, with
pieces as long as they really are and joints as the crew makes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from siteplan.catalog import load_line
from siteplan.laying.cutting import plan_site_cuts
from siteplan.laying.order import OrderRules, plan_order
from siteplan.plans import RunPlan, plan_runs
from siteplan.products import ProductLine, Straight
from siteplan.sites import Site, load_site
from siteplan.takeoffs import takeoff
from tests.make_sites import line as line_of
from tests.make_sites import polygon, write_features

Noise = Literal["normal", "heavy"]
GRID_M = 0.05
"""steps noise is made at along an outline"""


@dataclass(frozen=True)
class World:
    """How the world errs: standard deviations, metres and shares."""

    vertex_m: float = 0.03
    correlation_m: float = 1.0
    noise: Noise = "normal"
    bed_m: float = 0.01
    person_m: float = 0.01
    picture_m: float = 0.02
    picture_scale: float = 500e-6
    tape_fixed_m: float = 0.008
    tape_per_length: float = 300e-6
    tape_scale: float = 600e-6
    batch: float = 500e-6
    habit_m: float = 0.0005
    breakage: float = 0.01
    hidden_m: float = 0.0
    """a bias square to every traced outline that nobody knows of"""


@dataclass(frozen=True)
class Shape:
    """A true bed: straight sides between corners, or a smooth outline by its angle."""

    name: str
    corners: np.ndarray | None = None
    """(n, 2) counter-clockwise; of an open line in its order"""
    closed: bool = True
    centre: tuple[float, float] = (0.0, 0.0)
    size: float = 0.0
    lobes: tuple[float, float] = (0.0, 0.0)

    @property
    def smooth(self) -> bool:
        return self.corners is None

    def at(self, angle: np.ndarray) -> np.ndarray:
        """Points of a smooth bed."""
        radius = self.size * (1 + self.lobes[0] * np.cos(angle) + self.lobes[1] * np.cos(2 * angle))
        made: np.ndarray = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
        made += np.array(self.centre)
        return made

    def normal(self, angle: np.ndarray) -> np.ndarray:
        """Outward unit normals of a smooth bed."""
        step = 1e-5
        tangent = self.at(angle + step) - self.at(angle - step)
        tangent /= np.linalg.norm(tangent, axis=1)[:, None]
        return np.column_stack([tangent[:, 1], -tangent[:, 0]])

    def truth(self) -> np.ndarray:
        """Vertices fine enough to stand for the bed itself."""
        if self.corners is not None:
            return self.corners
        angle = np.linspace(0, 2 * np.pi, round(2 * np.pi * self.size / 0.1), endpoint=False)
        return self.at(angle)


@dataclass(frozen=True)
class TrueSite:
    """Beds, who traced them, what is taped, the product line."""

    shapes: tuple[Shape, ...]
    line: str
    person: Mapping[str, int]
    taped: tuple[str, ...] = field(default=())


def invent(rng: np.random.Generator, number: int, *, exact: bool = False) -> TrueSite:
    """A site of four to six beds; every second one is laid with rigid pieces on straight sides.

    Corners stand some decimetres off square, as built beds do; ``exact``: sides that lie opposite are
    equally long to the last digit, which no model of errors can know.
    """
    off_square_m = 0.0 if exact else 0.12
    flexible = number % 2 == 0
    shapes, taped, person = [], [], {}
    count = int(rng.integers(4, 7))
    for k in range(count):
        name = f"B{k + 1}"
        at = np.array([30.0 * (k % 3), 30.0 * (k // 3)])
        turn = rng.uniform(0, 2 * np.pi)
        spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        w, h = rng.uniform(5, 13), rng.uniform(4, 9)
        kind = ("box", "ell", "smooth", "walk")[int(rng.choice(4, p=(0.35, 0.2, 0.3, 0.15)))]
        if kind == "smooth" and flexible:
            shapes.append(
                Shape(name, centre=tuple(at), size=rng.uniform(3, 7),
                      lobes=(rng.uniform(0, 0.15), rng.uniform(0, 0.1)))
            )  # fmt: skip
        elif kind == "walk":
            # an edge along a walk, its sides taped one by one and drawn square
            legs = rng.uniform(4, 14, int(rng.integers(1, 4)))
            heading = turn + np.pi / 2 * np.arange(len(legs))
            steps = legs[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
            shapes.append(Shape(name, np.vstack([at, at + np.cumsum(steps, axis=0)]), closed=False))
            taped.append(name)
            continue
        elif kind == "ell":
            a, b = rng.uniform(0.35, 0.65, 2)
            ell = np.array([(0, 0), (w, 0), (w, b * h), (a * w, b * h), (a * w, h), (0, h)])
            shapes.append(Shape(name, (ell + off_square_m * rng.standard_normal(ell.shape)) @ spin + at))
        else:
            box = np.array([(0, 0), (w, 0), (w, h), (0, h)])
            box = box + off_square_m * rng.standard_normal(box.shape)
            shapes.append(Shape(name, box @ spin + at))
        person[name] = int(rng.integers(2))
    return TrueSite(tuple(shapes), "flex-2m" if flexible else "rigid-900mm", person, tuple(taped))


# ---------------------------------------------------------------- how people see it


def noise_round(rng: np.random.Generator, round_m: float, world: World) -> np.ndarray:
    """(n, 2) errors at even steps round a closed line, by the spectrum of their covariance."""
    n = max(8, round(round_m / GRID_M))
    step = round_m / n
    away = np.minimum(np.arange(n), n - np.arange(n)) * step
    spectrum = np.maximum(np.fft.fft(np.exp(-away / world.correlation_m)).real, 0.0)
    # heavy: Student's t with 3 degrees of freedom, of variance 1
    heavy = world.noise == "heavy"
    white = rng.standard_t(3, (2, n)) / np.sqrt(3) if heavy else rng.standard_normal((2, n))
    made = np.fft.ifft(np.fft.fft(white, axis=1) * np.sqrt(spectrum), axis=1).real
    return world.vertex_m * made.T


def pick(noise: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Errors at shares of the way round."""
    at = share * len(noise)
    low = np.floor(at).astype(int) % len(noise)
    part = (at - np.floor(at))[:, None]
    out: np.ndarray = noise[low] * (1 - part) + noise[(low + 1) % len(noise)] * part
    return out


def moved_out(corners: np.ndarray, by: float) -> np.ndarray:
    """A counter-clockwise polygon with every side moved out: where the shifted sides meet."""
    before = corners - np.roll(corners, 1, axis=0)
    after = np.roll(corners, -1, axis=0) - corners
    out = np.empty_like(corners)
    for k, (a, b) in enumerate(zip(before, after, strict=True)):
        normals = np.array([(v[1], -v[0]) / np.hypot(*v) for v in (a, b)])
        out[k] = np.linalg.solve(normals, normals @ corners[k] + by)
    return out


def traced(rng: np.random.Generator, site: TrueSite, world: World) -> dict[str, np.ndarray]:
    """Outlines as people draw them."""
    persons = rng.standard_normal(2) * world.person_m
    picture = rng.standard_normal() * world.picture_m
    scale = 1 + rng.standard_normal() * world.picture_scale
    tape = 1 + rng.standard_normal() * world.tape_scale
    made = {}
    for shape in site.shapes:
        if shape.name in site.taped:
            made[shape.name] = _taped(rng, shape, world, tape)
            continue
        out = rng.standard_normal() * world.bed_m + persons[site.person[shape.name]] + picture
        out += world.hidden_m
        if shape.corners is not None:
            seen = moved_out(shape.corners, out)
            sides = np.hypot(*(np.roll(shape.corners, -1, axis=0) - shape.corners).T)
            place = (np.cumsum(sides) - sides) / sides.sum()
            whole = float(sides.sum())
        else:
            whole = float(np.hypot(*np.diff(shape.truth(), axis=0, append=shape.truth()[:1]).T).sum())
            # a vertex every 0.7 to 1.1 m, as a hand sets them
            steps = rng.uniform(0.7, 1.1, round(whole / 0.9))
            angle = 2 * np.pi * np.cumsum(steps) / steps.sum()
            seen = shape.at(angle) + out * shape.normal(angle)
            fine = shape.at(np.linspace(0, 2 * np.pi, 2001))
            run = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
            place = np.interp(angle, np.linspace(0, 2 * np.pi, 2001), run / run[-1]) % 1.0
        seen = seen + pick(noise_round(rng, whole, world), place)
        made[shape.name] = (seen - 30.0) * scale + 30.0
    return made


def _taped(rng: np.random.Generator, shape: Shape, world: World, tape: float) -> np.ndarray:
    assert shape.corners is not None
    steps = np.diff(shape.corners, axis=0)
    true = np.hypot(*steps.T)
    sigma = world.tape_fixed_m + world.tape_per_length * true
    read = true / tape + rng.standard_normal(len(true)) * sigma
    return np.vstack(
        [shape.corners[:1], shape.corners[0] + np.cumsum(steps * (read / true)[:, None], axis=0)]
    )


def write_site(folder: Path, site: TrueSite, outlines: Mapping[str, np.ndarray], toml: str = "") -> Site:
    """A site folder with these outlines, loaded."""
    shapes = {s.name: s for s in site.shapes}
    features = {name: polygon(xy) if shapes[name].closed else line_of(xy) for name, xy in outlines.items()}
    folder.mkdir(parents=True, exist_ok=True)
    write_features(folder / "beds.geojson", features)
    head = f'schema_version = 1\nname = "invented"\nline = "{site.line}"\n'
    (folder / "site.toml").write_text(
        head + '[[inputs.beds]]\nfile = "beds.geojson"\n' + toml, encoding="utf-8"
    )
    return load_site(folder)


def settings_toml(site: TrueSite, world: World, *, draws: int, seed: int, more: str = "") -> str:
    """What a person who knows this world says of it."""
    people = {p: [n for n, q in site.person.items() if q == p] for p in (0, 1)}
    rows = [f'"person {p}" = {_names(beds)}' for p, beds in people.items() if beds]
    taped = f'taped = {{ "fibreglass" = {_names(list(site.taped))} }}\n' if site.taped else ""
    return f"""
[spares]
breakage_percent = {world.breakage * 100:g}
[reconcile.kind.fibreglass]
fixed = "{world.tape_fixed_m * 1e3:g} mm"
per_length_ppm = {world.tape_per_length * 1e6:g}
scale_ppm = {world.tape_scale * 1e6:g}
[uncertainty]
vertex_sigma = "{world.vertex_m * 1e3:g} mm"
correlation_length = "{world.correlation_m:g} m"
offset_bed = "{world.bed_m * 1e3:g} mm"
offset_operator = "{world.person_m * 1e3:g} mm"
offset_picture = "{world.picture_m * 1e3:g} mm"
picture_scale_ppm = {world.picture_scale * 1e6:g}
batch_ppm = {world.batch * 1e6:g}
joint_habit = "{world.habit_m * 1e3:g} mm"
draws = {draws}
seed = {seed}
operators = {{ {", ".join(rows)} }}
{taped}{more}"""


def _names(beds: list[str]) -> str:
    return "[" + ", ".join(f'"{b}"' for b in beds) + "]"


# ---------------------------------------------------------------- what it really takes


def real_line(line: ProductLine, batch: float, habit_m: float) -> ProductLine:
    """A product line with the pieces of this delivery and the joints of this crew."""

    def longer(um: int) -> int:
        return round(um * (1 + batch))

    def straight(s: Straight) -> Straight:
        return replace(s, laying_um=longer(s.laying_um), piece_um=longer(s.piece_um))

    shift = round(habit_m * 1e6)
    return replace(
        line,
        sections=tuple(straight(s) for s in line.sections),
        closers=tuple(straight(s) for s in line.closers),
        corners=tuple(
            replace(c, arriving_um=longer(c.arriving_um), leaving_um=longer(c.leaving_um))
            for c in line.corners
        ),
        ends=tuple(replace(e, laying_um=longer(e.laying_um)) for e in line.ends),
        gap_least_um=line.gap_least_um + shift,
        gap_nominal_um=line.gap_nominal_um + shift,
        gap_greatest_um=line.gap_greatest_um + shift,
    )


@dataclass(frozen=True)
class Truth:
    """What a true site is and takes."""

    plan: RunPlan
    need: np.ndarray
    """(a,) pieces of each code, none of them broken"""
    how: np.ndarray
    """(c,) how each corner is made"""


def planned_need(site: Site, plan: RunPlan) -> np.ndarray:
    """(a,) what a plan takes, sections to cut by the proven cut plan among it."""
    result = takeoff(site, plan)
    order = plan_order(result, plan_site_cuts(result), OrderRules())
    return np.array([row.need for row in order.rows])


def truth_of(rng: np.random.Generator, folder: Path, site: TrueSite, world: World) -> Truth:
    """Lay the true site with a delivery and a crew of this world."""
    made = write_site(folder, site, {s.name: s.truth() for s in site.shapes})
    line = load_line(site.line)
    batch, habit = rng.standard_normal(2) * np.array([world.batch, world.habit_m])
    real: Any = replace(made, line=real_line(line, batch, habit))
    plan = plan_runs(real)
    return Truth(plan, planned_need(real, plan), takeoff(real, plan).corners.how)


def is_enough(rng: np.random.Generator, order: np.ndarray, need: np.ndarray, breakage: float) -> np.ndarray:
    """(a,) whether what is left of each pile, broken pieces gone, is what the site takes."""
    broken = rng.binomial(order, breakage)
    enough: np.ndarray = order - broken >= need
    return enough
