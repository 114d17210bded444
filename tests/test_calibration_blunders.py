"""Is a blunder found where it is, and is its cause named?  Invented crews with one blunder at most.

The experiment is ``tests/calibrate_blunders.py``, its forward model ``tests/blunder_sets.py``, its table the
second half of docs/calibration.md.  Here a small one runs every time, and one in a world that errs more
than the settings say, which must show; the whole of it is marked slow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import ncx2

from siteplan.reconcile.readings import read
from tests.blunder_sets import CAUSES, STEP, STYLES, World, crew_of, from_list, metres_of, sized, write
from tests.calibrate_blunders import (
    LARGE,
    STATED,
    TOLD,
    Found,
    Outcome,
    errors_off,
    one_set,
    run,
    theory_of,
)

FIRST = 50_000
"""number of the first set here: sets of their own, not those of the published table"""


def test_a_few_blunders_are_found_where_they_are(tmp_path: Path) -> None:
    """Four sets: found as often as theory says, give or take what chance allows."""
    made = run(range(FIRST, FIRST + 4), STATED)
    planted = [*_of(made, "seven"), *_of(made, "other")]
    # three standard errors, as in the whole experiment
    assert abs(errors_off(planted, "named")) < 3
    listed = _of(made, "listed")
    sure = [f for f in (*planted, *listed) if f.power > 0.999]
    assert len(sure) >= 3
    assert all(f.left_out for f in sure)
    assert [f.cause for f in listed] == list(CAUSES[:4])
    large = [f for f in listed if f.difference_sigmas >= LARGE]
    assert len(large) >= 2
    assert all(f.first_two for f in large)
    assert sum(o.clean_named > 0 for o in made) <= 1
    # redundancy by the network of the program and by the covariance of the readings alone
    assert max(o.gap for o in made) < 0.02


@pytest.mark.parametrize(
    ("flags", "chance", "told"),
    [
        ({"detected", "named", "left_out", "located"}, 0.001, "located"),
        ({"detected", "named"}, 0.001, "named among several"),
        ({"detected"}, 0.001, "another blamed"),
        (set(), 0.001, "detected, not locatable"),
        (set(), 0.1, "possible, not locatable"),
        (set(), 0.3, "missed"),
        (set(), float("nan"), "missed"),
    ],
)
def test_what_is_made_of_a_blunder_is_counted_once(flags: set[str], chance: float, told: str) -> None:
    every = [f.name for f in fields(Found) if f.type == "bool"]
    assert flags <= set(every)
    of: dict[str, Any] = dict.fromkeys(("off_m", "sigmas", "difference_sigmas", "redundancy", "power"), 0.0)
    of |= {name: name in flags for name in every}
    one = Found(cause="", sum_chance=chance, sum_alpha=0.15, **of)
    assert one.told == told
    assert told in TOLD


def test_a_world_that_errs_more_than_the_settings_say_shows(tmp_path: Path) -> None:
    """With errors four times the stated ones something is named on clean sets, nearly always."""
    world = World(times=4.0)
    made = [one_set(FIRST + k, world, tmp_path / str(k), adjusting=False) for k in range(5)]
    assert sum(o.clean_named > 0 for o in made) >= 3


def test_what_is_written_is_read_alike() -> None:
    """The reader of the forward model and the program's."""
    rng = np.random.default_rng(0)
    for style in STYLES:
        for metres in rng.uniform(0.5, 60, 50):
            text = write(metres, style)
            assert float(read(text).metres) == pytest.approx(metres_of(text), abs=1e-9)
            assert abs(metres_of(text) - metres) <= STEP[style] / 2 + 1e-9


@pytest.mark.parametrize("cause", CAUSES)
def test_a_blunder_is_what_it_is_called(cause: str, tmp_path: Path) -> None:
    """Sizes that can be told without the code that makes them."""
    rng = np.random.default_rng(CAUSES.index(cause))
    seen = 0
    for k, style in enumerate(STYLES):
        crew = crew_of(rng, tmp_path / style, k, STATED, (style,))
        planted = from_list(rng, crew, cause)
        if planted is None:
            continue
        seen += 1
        before, after = crew.texts[planted.reading], planted.texts[planted.reading]
        others = [j for j in range(len(crew.texts)) if planted.texts[j] != crew.texts[j]]
        assert others == [planted.reading]
        off, fine = planted.off_m, STEP[style] + 1e-9
        if cause == "dropped_length":
            assert min(abs(off + v) for v in (7.62, 15.24, 30.48, 20, 30, 50)) < fine
        elif cause == "transposed":
            assert sorted(before) == sorted(after)
        elif cause == "misread":
            assert min(abs(abs(off) - v) for v in (0.3048, 3.048, 1.0, 10.0)) < fine
        elif cause == "hook":
            assert min(abs(abs(off) - v) for v in (0.0762, 0.1016, 0.1524, 0.1)) < fine
        elif cause == "wrong_leg":
            assert after in crew.texts
        elif cause == "wrong_unit":
            assert after.split()[0] == before.split()[0]
            assert after.split()[1] != before.split()[1]
        elif cause == "inches_as_tenths":
            feet, inches = after.split()[0].split(".")
            written = int(feet) * 0.3048 + int(inches) * 0.0254
            assert abs(written - metres_of(before)) < 0.0254
        else:
            # a tenth of a foot is 1.2 in: 13.6 ft is 13 ft 7.2 in
            feet, inches = after.split()[0], after.split()[2]
            assert abs((int(feet) + int(inches) / 10) * 0.3048 - metres_of(before)) < 0.0305
    assert seen


def test_power_is_that_of_a_noncentral_chi_square(tmp_path: Path) -> None:
    """A second path to the power, and the share of tests that fail in 20,000 draws of the differences."""
    rng = np.random.default_rng(3)
    crew = crew_of(rng, tmp_path, 1, STATED)
    theory = theory_of(crew)
    planted = sized(rng, crew, 7)
    k = planted.reading
    delta = planted.off_m**2 * theory.weight[k, k]
    assert theory.power(k, planted.off_m) == pytest.approx(ncx2.sf(3.290527**2, 1, delta), abs=1e-6)
    root = np.linalg.cholesky(np.linalg.inv(theory.weight))
    off = root @ rng.standard_normal((len(crew.texts), 20_000))
    off[k] += planted.off_m
    fails = np.abs(theory.weight @ off)[k] / np.sqrt(theory.weight[k, k]) > 3.290527
    power = theory.power(k, planted.off_m)
    assert abs(fails.mean() - power) < 4 * np.sqrt(power * (1 - power) / 20_000) + 1e-4


def _of(made: Sequence[Outcome], which: str) -> list[Found]:
    return [f for o in made if (f := getattr(o, which)) is not None]


@pytest.mark.slow
def test_blunders_on_240_sets() -> None:
    """The criteria of docs/calibration.md, on the first half of its sets."""
    made = run(range(240), STATED)
    seven, other, listed = (_of(made, which) for which in ("seven", "other", "listed"))
    for found, what in ((seven, "7 sigma"), (other, "other sizes")):
        assert abs(errors_off(found, "named")) <= 3, what
    # theory itself gives 95 % at 7 sigma only from redundancy 0.5 on: docs/calibration.md
    assert np.mean([f.named for f in seven if f.redundancy >= 0.5]) >= 0.95
    large = [f for f in listed if f.difference_sigmas >= LARGE]
    assert np.mean([f.first_two for f in large]) >= 0.90
    assert np.mean([o.clean_named == 0 for o in made]) >= 0.95
