"""Does the order that is said to suffice suffice?  True sites invented, seen, planned, ordered for, laid.

The experiment is ``tests/calibrate.py``, its forward model ``tests/true_sites.py``, its table
docs/calibration.md.  Here a small one runs every time, and one with a world that is not as the settings say,
which must show; the whole of it is marked slow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom, norm

from tests.calibrate import STATED, Outcome, one_site, run
from tests.true_sites import World, noise_round

EVEN = range(0, 28, 2)
"""sites laid with flexible sections: quick"""


def outcomes(world: World, folder: Path, chosen: Sequence[Fraction], said: World = STATED) -> list[Outcome]:
    return [one_site(k, world, folder / str(k), draws=200, said=said, probabilities=chosen) for k in EVEN]


def test_orders_suffice_as_often_as_they_say(tmp_path: Path) -> None:
    """Fourteen sites: no fewer than happen by chance once in a thousand, at either level."""
    made = outcomes(STATED, tmp_path, (Fraction(80, 100), Fraction(95, 100)))
    for name, probability in (("80 %", 0.80), ("95 %", 0.95)):
        hits = sum(o.enough[name] for o in made)
        assert binom.cdf(hits, len(made), probability) > 1e-3
    z = np.array([o.z_site for o in made])
    # a chi-square of 14 degrees of freedom lies between 3.0 and 36.1 but once in a thousand
    assert 3.0 < float((z**2).sum()) < 36.1


def test_a_world_that_errs_more_than_the_settings_say_shows(tmp_path: Path) -> None:
    """The same with errors eight times the stated ones: the intervals must fail, and they do."""
    small = replace(
        STATED, vertex_m=STATED.vertex_m / 8, bed_m=STATED.bed_m / 8, person_m=STATED.person_m / 8,
        picture_m=STATED.picture_m / 8, picture_scale=STATED.picture_scale / 8,
    )  # fmt: skip
    made = outcomes(STATED, tmp_path, (), said=small)
    z = np.array([o.z_site for o in made])
    assert float((z**2).sum()) > 36.1


def test_the_noise_of_the_forward_model_is_what_it_says() -> None:
    """Variance and likeness at one correlation length, 1,500 rings of 12 m."""
    world = World(vertex_m=0.02, correlation_m=1.0)
    rng = np.random.default_rng(0)
    rings = np.array([noise_round(rng, 12.0, world) for _ in range(1500)])
    assert rings.std() == pytest.approx(0.02, rel=0.02)
    steps = round(1.0 / (12.0 / rings.shape[1]))
    alike = (rings * np.roll(rings, steps, axis=1)).mean() / 0.02**2
    assert alike == pytest.approx(np.exp(-1), abs=0.03)


@pytest.mark.slow
def test_calibration_on_500_sites() -> None:
    """The criteria of docs/calibration.md."""
    made = run(range(500), STATED)
    for z, what in (
        (np.array([o.z_site for o in made]), "of the site"),
        (np.array([o.z_run for o in made]), "of one run"),
    ):
        inside = [float((np.abs(z) < norm.ppf(0.5 + p / 2)).mean()) for p in (0.90, 0.95)]
        assert 0.86 <= inside[0] <= 0.94, what
        assert 0.92 <= inside[1] <= 0.98, what
    assert np.mean([o.enough["95 %"] for o in made]) >= 0.92
    codes = {code for o in made for code in o.one_fewer}
    for code in codes:
        hits = [o.one_fewer[code] for o in made if code in o.one_fewer]
        assert np.mean(hits) < 0.98, code
    for name, probability in (("80 %", 0.8), ("90 %", 0.9), ("99 %", 0.99)):
        found = np.mean([o.enough[name] for o in made])
        # three standard errors below what is stated, or fewer
        assert found > probability - 3 * np.sqrt(probability * (1 - probability) / len(made)), name
