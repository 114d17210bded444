"""Processor time of rigid pieces on curves, by hand: ``pytest tests/bench/test_bench_chords.py -s``.

A very large property: 1,000 smooth beds some 41 m round that sections follow as traced, 45,000 pieces;
twenty times that; and the same 1,000 traced with noise, so that every line must be made fair, and beds
too tight for sections.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from siteplan.catalog import load_line
from siteplan.laying.chords import chord_lines, ring_radius, walk
from siteplan.laying.takeoff import LayRules, lay
from siteplan.model import Runs
from siteplan.products import ProductLine
from tests.make_runs import Path, make_runs

KERB = load_line("rigid-900mm")
BENDS = replace(KERB, deflection_deg=11.0, gap_nominal_um=13_000, gap_greatest_um=24_000)
"""the same with wide joints, so that its sections follow a bed of 41 m"""


def beds(count: int, size_m: float, vertices: int, noise_m: float = 0.0) -> Runs:
    """Ovals of slightly different size, far apart."""
    rng = np.random.default_rng(3)
    at = np.arange(vertices) * (2 * np.pi / vertices)
    oval = np.column_stack([np.cos(at), 0.97 * np.sin(at)])
    paths = []
    for k in range(count):
        xy = oval * size_m * (1 + 0.02 * np.sin(k)) + [60.0 * (k % 100), 60.0 * (k // 100)]
        paths.append(Path(xy + rng.normal(0, noise_m, xy.shape) if noise_m else xy, closed=True))
    return make_runs(paths)


@pytest.mark.parametrize("count", [1_000, 20_000])
def test_stepping_alone(count: int) -> None:
    runs = beds(count, 6.6, 48)
    started = time.process_time()
    lines = chord_lines(runs.xy, runs.offsets, np.ones(count, bool), 2.0)
    made_s = time.process_time() - started
    n = 45
    started = time.process_time()
    walk(
        lines, np.arange(count), np.arange(count + 1) * n, np.zeros(count),
        np.full(count * n, 0.006), np.full(count * n, 0.9), np.full(count, 0.006),
    )  # fmt: skip
    walked_s = time.process_time() - started
    print(f"\n{count} lines made ready in {made_s:.3f} s, {count * n} pieces stepped in {walked_s:.3f} s")
    assert walked_s / count / n < 10e-6


@pytest.mark.parametrize(
    ("what", "count", "size_m", "vertices", "noise_m", "line"),
    [
        ("sections as traced", 1_000, 6.6, 48, 0.0, BENDS),
        ("sections as traced", 20_000, 6.6, 48, 0.0, BENDS),
        ("noise: fair lines", 1_000, 6.6, 96, 0.02, BENDS),
        ("tight: shorter pieces", 1_000, 6.6, 48, 0.0, KERB),
        ("too tight for any piece", 1_000, 2.0, 24, 0.0, KERB),
    ],
)
def test_whole_takeoff(
    what: str, count: int, size_m: float, vertices: int, noise_m: float, line: ProductLine
) -> None:
    runs = beds(count, size_m, vertices, noise_m)
    started = time.process_time()
    result = lay(runs, ["bed"], line, LayRules())
    took = time.process_time() - started
    bare = result.unmet.short_m.sum() / runs.length_m.sum()
    print(
        f"\n{what}: {count} beds, {len(result.pieces)} pieces in {took:.2f} s of processor "
        f"({took / count * 1e3:.2f} ms a bed), {bare:.1%} bare"
    )
    assert took / count < 0.02


def test_closing_rings_against_root_finding_one_by_one() -> None:
    """The floor: one scalar root per ring, nothing laid."""
    n = np.arange(104, 204)
    radii = [ring_radius(int(k), 0.9, 0.0055) for k in n]
    started = time.process_time()
    for k, r in zip(n, radii, strict=True):
        brentq(lambda g, k=k, r=r: k * (np.arcsin(0.45 / r) + np.arcsin(g / 2 / r)) - np.pi, 1e-4, 0.02)
    print(f"\n100 rings, one root each: {time.process_time() - started:.3f} s")
