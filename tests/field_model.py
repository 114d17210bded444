"""What a crew and a surveyor would bring back: a model of its own, from the files a plan was written to.

Nothing here asks the as-built code anything.  Pieces, places and lines are read from ``plan.gpkg``
with pyogrio; files are made as docs/crew-page.md and docs/survey-points.md describe them.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
from pyogrio import raw
from shapely.affinity import translate

START = datetime(2026, 5, 4, 7, 0, tzinfo=timezone(timedelta(hours=-5)))


@dataclass(frozen=True)
class Field:
    """A plan as its files tell it."""

    site: str
    digest: str
    line: str
    pieces: list[dict[str, Any]]
    """in laying order"""
    runs: dict[str, shapely.LineString]
    """in the grid, metres"""
    legs: dict[str, shapely.LineString]
    run_m: dict[str, float]
    leg_m: dict[str, float]

    def of_run(self, *names: str) -> list[dict[str, Any]]:
        """Pieces of some runs."""
        return [p for p in self.pieces if p["run"] in names]


def read_field(folder: Path, digest: str) -> Field:
    """From a folder a takeoff was written to."""
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))

    def rows(layer: str) -> tuple[list[dict[str, Any]], Any]:
        meta, _, wkb, columns = raw.read(str(folder / "plan.gpkg"), layer=layer)
        names = list(meta["fields"])
        made = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
        return made, shapely.from_wkb(wkb)

    pieces, _ = rows("pieces")
    points, _ = rows("piece_points")
    place = {p["piece"]: (p["lon"], p["lat"]) for p in points}
    runs, run_lines = rows("runs")
    legs, leg_lines = rows("legs")
    return Field(
        site=summary["site"]["name"],
        digest=digest,
        line=summary["site"]["line"],
        pieces=[{**p, "lonlat": place[p["piece"]]} for p in pieces],
        runs=dict(zip([r["run"] for r in runs], run_lines, strict=True)),
        legs=dict(zip([r["leg"] for r in legs], leg_lines, strict=True)),
        run_m={r["run"]: r["ground_m"] for r in runs},
        leg_m={r["leg"]: r["ground_m"] for r in legs},
    )


def clock(minutes: float) -> str:
    """A time of the day of the work, as the phone writes it."""
    return (START + timedelta(seconds=round(minutes * 60))).isoformat()


def utc(minutes: float) -> str:
    """The same moment in UTC."""
    return (START + timedelta(minutes=minutes)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def tick(piece: Mapping[str, Any], minutes: float, by: str = "0a1b2c3d", **more: Any) -> dict[str, Any]:
    """A piece ticked off."""
    lon, lat = piece["lonlat"]
    return {
        "piece": piece["piece"], "run": piece["run"], "code": piece["code"], "kind": piece["kind"],
        "from_um": round(piece["from_m"] * 1e6), "to_um": round(piece["to_m"] * 1e6),
        "lon": round(lon, 8), "lat": round(lat, 8), "laid": True, "when": clock(minutes), "by": by, **more,
    }  # fmt: skip


def record(number: int, minutes: float, by: str = "0a1b2c3d", **more: Any) -> dict[str, Any]:
    """Anything with an id of its own."""
    return {"id": f"{by}-{number}", "when": clock(minutes), "by": by, "removed": False, **more}


def field_file(of: Field, by: str = "0a1b2c3d", **more: Any) -> dict[str, Any]:
    """A field file with empty lists, but for those that are given."""
    made: dict[str, Any] = {
        "format": "siteplan field file", "version": 1, "site": of.site, "plan": of.digest, "revision": "A",
        "line": of.line, "units": "m", "basis": "ground", "saved": clock(600), "phone": by,
        "phones": {by: "Ana"}, "runs": [], "ticks": [], "lengths": [], "notes": [], "broken": [],
        "extra": [], "leftover": [], "times": [],
    }  # fmt: skip
    made.update(more)
    return made


def save(path: Path, data: Any) -> Path:
    """Write JSON as a phone does."""
    path.write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
    return path


def shots_along(
    line: shapely.LineString,
    *,
    every_m: float,
    moved: tuple[float, float] = (0.0, 0.0),
    noise_m: float = 0.0,
    seed: int = 1,
    corners: bool = True,
) -> np.ndarray:
    """Points on a laid line: its corners, and places between them; then what the instrument adds."""
    line = translate(line, *moved)
    at = np.arange(0.5 * every_m, line.length, every_m)
    xy = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    if corners:
        xy = np.vstack([xy, shapely.get_coordinates(line)])
    rng = np.random.default_rng(seed)
    made: np.ndarray = xy + rng.normal(0.0, noise_m, xy.shape)
    return made


def survey_csv(path: Path, parts: Iterable[tuple[np.ndarray, Callable[[int], str]]]) -> Path:
    """A survey file: point, northing, easting, height, code."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(["point", "northing", "easting", "height", "code"])
    number = 100
    for xy, code in parts:
        for k, (east, north) in enumerate(np.asarray(xy).tolist()):
            number += 1
            rows.writerow([number, f"{north:.4f}", f"{east:.4f}", "101.250", code(k)])
    path.write_text(out.getvalue(), encoding="utf-8", newline="")
    return path


def layer_rows(path: Path, layer: str) -> list[dict[str, Any]]:
    """Rows of a layer of a GeoPackage, without their geometry."""
    frame = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)
    made: list[dict[str, Any]] = frame.to_dict("records")
    return made


def sum_codes(pieces: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    """Pieces by code, cut ones left out."""
    made: dict[str, int] = {}
    for p in pieces:
        if p["kind"] != "cut":
            made[p["code"]] = made.get(p["code"], 0) + 1
    return made
