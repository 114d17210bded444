"""The command line as a user meets it: what it prints, what it writes, how it fails."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.command import ROOT, fresh_siteplan, siteplan
from tests.make_sites import kidney, polygon, rectangle, write_features

FILES = [
    "cutlist.csv",
    "map.html",
    "order.csv",
    "order.xlsx",
    "pieces.geojson",
    "plan.gpkg",
    "runs.geojson",
    "summary.json",
    "takeoff.csv",
]


@pytest.fixture
def beds(tmp_path: Path) -> Path:
    return write_features(
        tmp_path / "beds.geojson", {"K": polygon(kidney()), "R": polygon(rectangle(9, 3, at=(20, 0)))}
    )


def test_bare_file_prints_its_defaults_and_writes_everything(beds: Path) -> None:
    done = fresh_siteplan("takeoff", beds.name, "--line", "flex-2m", "--units", "ft", cwd=beds.parent)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    for part in (
        "Defaults: offset 0' 0\"",
        "2 beds",
        "Rule of thumb",
        "Unmet: none",
        "reference height: none",
    ):
        assert part.lower() in done.stdout.lower(), part
    assert sorted(p.name for p in (beds.parent / "siteplan-out" / "beds").iterdir()) == FILES


def test_json_is_the_summary_and_nothing_else(beds: Path) -> None:
    done = siteplan("takeoff", beds, "--line", "flex-2m", "--json", "--out", "o", cwd=beds.parent)
    assert done.returncode == 0
    assert done.stdout == (beds.parent / "o" / "summary.json").read_text(encoding="utf-8")
    data = json.loads(done.stdout)
    assert data["schema_version"] == 1
    assert set(data["site"]) >= {"name", "grid", "length_basis"}
    assert set(data["site"]["grid"]) >= {"name", "unit", "combined_factor"}
    assert set(data["beds"][0]) >= {"bed", "area_m2", "perimeter_m"}
    run = data["runs"][0]
    assert set(run) >= {
        "run",
        "bed",
        "closed",
        "geodesic_m",
        "grid_m",
        "ground_m",
        "slope_m",
        "outside_corners",
        "inside_corners",
        "pieces",
        "legs",
    }
    leg = run["legs"][0]
    assert set(leg) >= {"leg", "ground_m", "rest_m", "counts", "left_over_m", "cut_m", "rule_of_thumb"}
    assert set(leg["rule_of_thumb"]) == {"sections", "left_over_m"}
    assert set(data["by_kind"]) == {"section", "closer", "corner", "end", "cut"}
    # the numbers agree with one another
    assert sum(data["takeoff"].values()) == sum(data["by_kind"].values())
    for code, count in data["takeoff"].items():
        assert count == sum(r["pieces"].get(code, 0) for r in data["runs"])
    for r in data["runs"]:
        assert r["ground_m"] == pytest.approx(sum(g["ground_m"] for g in r["legs"]), abs=1e-5)


def test_two_runs_give_the_same_bytes_without_a_warning(sample_data: Path, tmp_path: Path) -> None:
    """Two processes, each with an order of its own for the words of a set; warnings are errors (-W error)."""
    for name in ("a", "b"):
        done = fresh_siteplan("takeoff", sample_data / "fennel_row", "--out", name, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        assert "Unmet: none" in done.stdout
    for name in FILES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_the_other_sample_site_runs_without_a_warning(sample_data: Path, tmp_path: Path) -> None:
    done = fresh_siteplan("takeoff", sample_data / "larkspur_close", "--out", "o", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "Unmet: none" in done.stdout


# ---------------------------------------------------------------- bad data: exit 1, nothing written


def _point(lon: Any, lat: Any) -> dict[str, Any]:
    ring = [[lon, lat], [lon + 1e-4, lat], [lon + 1e-4, lat + 1e-4], [lon, lat]]
    return {"type": "Polygon", "coordinates": [ring]}


def _far() -> list[Any]:
    return [({"bed": "a"}, _point(-93.0, 41.0)), ({"bed": "b"}, _point(-93.0, 41.5))]


BOW_TIE = np.array([(0, 0), (6, 4), (6, 0), (0, 4)])
HOLE_OUTSIDE = (rectangle(5, 5), rectangle(2, 2, at=(8, 8)))

BAD_FEATURES: dict[str, tuple[Any, list[str]]] = {
    "swapped axes": ([({"bed": "north border"}, _point(41.0, 142.0))], ["north border", "vertex 1", "142"]),
    "point": ([({"bed": "p"}, {"type": "Point", "coordinates": [-93.0, 41.0]})], ["p", "point"]),
    "null": ([({"bed": "n"}, None), ({"bed": "m"}, _point(-93, 41))], ["n", "no geometry"]),
    "empty": ([({"bed": "e"}, {"type": "Polygon", "coordinates": []})], ["e", "empty"]),
    "two vertices": (
        [({"bed": "t"}, {"type": "Polygon", "coordinates": [[[-93, 41], [-93.001, 41], [-93, 41]]]})],
        ["t", "vert"],
    ),
    "bow-tie": ({"bow": polygon(BOW_TIE)}, ["bow", "cross"]),
    "island outside": ({"hole": polygon(*HOLE_OUTSIDE)}, ["hole", "island"]),
    "over 20 km": (_far(), ["20", "km"]),
    "no feature": ([], ["no feature"]),
}


@pytest.mark.parametrize("name", BAD_FEATURES)
def test_bad_outlines_are_reported_and_nothing_is_written(name: str, tmp_path: Path) -> None:
    features, said = BAD_FEATURES[name]
    path = write_features(tmp_path / "beds.geojson", features)
    done = siteplan("takeoff", path, "--line", "flex-2m", "--out", "o", cwd=tmp_path)
    assert done.returncode == 1, done.stdout
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    for part in said:
        assert part.lower() in done.stderr.lower(), done.stderr
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"hello, this is no map", "format"),
        (b'{"type": "FeatureCollection", "features": [', ""),
        (
            b'{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"bed":"x"},'
            b'"geometry":{"type":"Polygon","coordinates":[[[NaN,41],[-93.1,41],[-93.1,41.1],[NaN,41]]]}}]}',
            "x",
        ),
    ],
    ids=["empty file", "not GeoJSON", "cut short", "NaN"],
)
def test_bad_files_are_reported(content: bytes, said: str, tmp_path: Path) -> None:
    (tmp_path / "beds.geojson").write_bytes(content)
    done = siteplan("takeoff", "beds.geojson", "--line", "flex-2m", "--out", "o", cwd=tmp_path)
    assert done.returncode == 1
    assert "beds.geojson" in done.stderr
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "o").exists()


def test_all_faults_of_a_site_in_one_report(tmp_path: Path) -> None:
    write_features(
        tmp_path / "beds.geojson",
        [({"bed": "north"}, _point(41.0, 142.0)), ({"bed": "tie"}, polygon(BOW_TIE)), ({"bed": "nil"}, None)],
    )
    (tmp_path / "mine.toml").write_text('key = "x"\n[[section]]\ncode = "S"\nlaying = "-1 m"\n')
    (tmp_path / "site.toml").write_text(
        'name = "s"\nline = "mine.toml"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        '[[inputs.abutments]]\nfile = "walls.geojson"\n'
    )
    done = siteplan("takeoff", ".", cwd=tmp_path)
    assert done.returncode == 1
    for part in ("north", "tie", "nil", "walls.geojson", "mine.toml", "-1 m"):
        assert part in done.stderr, part


def test_skip_faulty_goes_on_and_says_so_everywhere(tmp_path: Path) -> None:
    path = write_features(
        tmp_path / "beds.geojson",
        [({"bed": "good"}, polygon(rectangle(8, 3))), ({"bed": "tie"}, polygon(BOW_TIE))],
    )
    done = siteplan("takeoff", path, "--line", "flex-2m", "--skip-faulty", "--out", "o", cwd=tmp_path)
    assert done.returncode == 0
    assert "tie" in done.stdout
    data = json.loads((tmp_path / "o" / "summary.json").read_text())
    assert [f["grade"] for f in data["findings"] if f["code"] == "left-out"] == ["error"]
    assert "tie" in (tmp_path / "o" / "map.html").read_text(encoding="utf-8")


def test_bad_site_toml_names_the_nearest_spelling(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(
        'name = "s"\nlin = "flex-2m"\n[[inputs.beds]]\nfile = "b"\n[outlin]\n'
    )
    done = siteplan("takeoff", tmp_path, cwd=tmp_path)
    assert done.returncode == 1
    assert 'Did you mean "line"?' in done.stderr
    assert 'Did you mean "outline"?' in done.stderr


def test_no_such_place(tmp_path: Path) -> None:
    for args in (["nowhere"], ["nowhere.geojson", "--line", "flex-2m"], ["nowhere.toml"], ["."]):
        done = siteplan("takeoff", *args, cwd=tmp_path)
        assert done.returncode == 1, args
        assert "Traceback" not in done.stderr


# ---------------------------------------------------------------- bad usage: exit 2


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["takeoff"], "PLACE"),
        (["takeoff", "beds.geojson"], "--line"),
        (["takeoff", "beds.geojson", "--line", "flex-2n"], "flex-2m"),
        (["takeoff", "beds.geojson", "--line", "flex-2m", "--units", "yards"], "yards"),
        (["takeof", "beds.geojson"], "takeof"),
    ],
)
def test_bad_usage(args: list[str], said: str, beds: Path) -> None:
    done = siteplan(*args, cwd=beds.parent)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr


def test_site_options_belong_into_site_toml(sample_data: Path, tmp_path: Path) -> None:
    done = siteplan("takeoff", sample_data / "fennel_row", "--units", "ft", cwd=tmp_path)
    assert done.returncode == 2
    assert "site.toml" in done.stderr


# ---------------------------------------------------------------- output that cannot be written


def test_output_folder_that_is_a_file(beds: Path) -> None:
    (beds.parent / "o").write_text("keep me")
    done = siteplan("takeoff", beds, "--line", "flex-2m", "--out", "o", cwd=beds.parent)
    assert done.returncode == 1
    assert "--out" in done.stderr
    assert (beds.parent / "o").read_text() == "keep me"


def test_interrupted_write_leaves_the_old_output_whole(beds: Path) -> None:
    """Killed while the last file is being written: the old files stand, byte for byte."""
    folder = beds.parent
    assert siteplan("takeoff", beds, "--line", "flex-2m", "--out", "o", cwd=folder).returncode == 0
    before = {p.name: p.read_bytes() for p in (folder / "o").iterdir()}
    write_features(beds, {"Z": polygon(rectangle(4, 4))})
    killer = (
        "import os, siteplan.publish.write as w\n"
        "w._takeoff_csv = lambda order: os._exit(9)\n"
        "from siteplan.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", killer, "takeoff", str(beds), "--line", "flex-2m", "--out", "o"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 9
    after = {p.name: p.read_bytes() for p in (folder / "o").iterdir() if p.is_file()}
    assert after == before
    # and the next run sweeps nothing of the user's away
    assert siteplan("takeoff", beds, "--line", "flex-2m", "--out", "o", cwd=folder).returncode == 0


# ---------------------------------------------------------------- names that must stay text


HOSTILE = [
    "{{7*7}}",
    "${7*7}",
    "</script><script>x=1</script>",
    "<img src=x onerror=alert(1)>",
    "=1+1",
    "[bold]b[/bold]",
    "{% raw",
]


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    features = [
        ({"bed": name, name: name}, polygon(rectangle(6, 3, at=(12 * k, 0))))
        for k, name in enumerate(HOSTILE)
    ]
    path = write_features(tmp_path / "{{7*7}} beds.geojson", features)
    done = siteplan("takeoff", path, "--line", "flex-2m", "--out", "o", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "49" not in done.stdout.split("beds")[0]
    data = json.loads((tmp_path / "o" / "summary.json").read_text(encoding="utf-8"))
    assert [b["bed"] for b in data["beds"]] == HOSTILE
    page = (tmp_path / "o" / "map.html").read_text(encoding="utf-8")
    for raw in ("<img src=x", "<script>x=1"):
        assert raw not in page


def test_lines_are_listed(tmp_path: Path) -> None:
    done = siteplan("lines", cwd=tmp_path)
    assert done.returncode == 0
    assert done.stdout.count("invented") >= 3
