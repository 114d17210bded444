"""Every length of the sample sites against geographiclib and earth-centred chords.

pyproj and geographiclib are one algorithm (Karney 2013, doi:10.1007/s00190-012-0578-z), so the
chord with its arc correction is the independent path: within 1e-9 of the length plus 1e-7 m.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from siteplan.plans import plan_runs
from siteplan.sites import load_site

from .earth_centred import chord_lengths


@pytest.mark.parametrize("name", ["fennel_row", "larkspur_close"])
def test_geodesic_length_of_every_leg(name: str, sample_data: Path) -> None:
    site = load_site(sample_data / name)
    plan = plan_runs(site)
    runs = plan.runs
    lonlat = site.frame.lonlat(runs.xy)
    last = np.zeros(len(lonlat), dtype=bool)
    last[runs.offsets[1:] - 1] = True
    start, end = lonlat[~last], np.roll(lonlat, -1, axis=0)[~last]
    leg = np.repeat(np.arange(len(runs.leg_id)), np.diff(runs.offsets) - 1)

    chords = np.bincount(leg, weights=chord_lengths(start, end, site.frame.ellipsoid))
    given = plan.lengths.geodesic_m
    assert (np.abs(chords - given) <= 1e-9 * given + 1e-7 * np.bincount(leg)).all()

    earth = Geodesic(site.frame.ellipsoid.a_m, site.frame.ellipsoid.f)
    second = [earth.Inverse(a[1], a[0], b[1], b[0])["s12"] for a, b in zip(start, end, strict=True)]
    np.testing.assert_allclose(np.bincount(leg, weights=second), given, atol=2e-8)


@pytest.mark.parametrize("name", ["fennel_row", "larkspur_close"])
def test_ground_length_of_every_leg_at_its_height(name: str, sample_data: Path) -> None:
    """Plan length at the reference height against chords between the places at that height.

    Tolerance: 1e-7 of the length (the grid over 2 km) plus what a radius that does not turn
    with direction leaves, 0.0034 h/R.
    """
    site = load_site(sample_data / name)
    runs = plan_runs(site).runs
    height = site.frame.ellipsoidal_height_m
    lonlat = site.frame.lonlat(runs.xy)
    last = np.zeros(len(lonlat), dtype=bool)
    last[runs.offsets[1:] - 1] = True
    leg = np.repeat(np.arange(len(runs.leg_id)), np.diff(runs.offsets) - 1)
    chords = chord_lengths(lonlat[~last], np.roll(lonlat, -1, axis=0)[~last], site.frame.ellipsoid, height)
    ground = np.bincount(leg, weights=chords)
    tolerance = (1e-7 + 0.0034 * height / 6.37e6) * ground + 1e-7
    assert (np.abs(ground - runs.length_m) <= tolerance).all()
