"""The direction of the imports, and who may import what (the table in DEVELOPERS.md)."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "siteplan"

LEVELS: list[set[str]] = [
    {"errors"},
    {"types", "units"},
    {"model", "products", "tomlfile"},
    {"planar", "geodesy", "tape_settings", "stakeout_settings", "desk_settings", "uncertainty_settings"},
    {"crs_database", "asbuilt_settings"},
    {"catalog", "settings", "fieldnotes", "groundwork", "slope"},
    {"detective"},
    {"intake"},
    {"frame"},
    {"lengths", "rasters", "own_lines", "tables"},
    {"heights", "pictures", "eaves", "record"},
    {"outline", "matching"},
    {"laying"},
    {"inputs"},
    {"sites", "run_names"},
    {"plans", "marks"},
    {"takeoffs"},
    {"check", "convert", "phases", "parts"},
    {"uncertainty"},
    {"layers", "ordering"},
    {"compare"},
    {"revise"},
    {"reconcile"},
    {"adjust"},
    {"publish"},
    {"sheets"},
    {"stakeout"},
    {"crew"},
    {"desk"},
    {"asbuilt"},
    {"cli"},
    {"__main__"},
]
LEVEL = {name: level for level, names in enumerate(LEVELS) for name in names}
NUMBERS_ONLY = {"planar", "slope", "outline", "laying", "products", "model", "uncertainty"}
OUTSIDE_FOR_NUMBERS = {"numpy", "shapely", "scipy", "highspy"}
PYPROJ_ALLOWED = {"geodesy", "crs_database", "frame"}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "vendor" not in p.parts)


def area(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imports(path: Path) -> set[str]:
    """Dotted names a module imports anywhere, inside functions too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            base = node.module or ""
            found.add(base)
            if base == "siteplan":
                found.update(f"siteplan.{alias.name}" for alias in node.names)
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_flow_one_way(path: Path) -> None:
    here = area(path)
    if here == "__init__":
        return
    assert here in LEVEL, f"{here} has no level: add it to the table"
    for name in imports(path):
        if not name.startswith("siteplan."):
            continue
        there = name.split(".")[1]
        if there == "__version__":
            continue
        if there != here:
            assert LEVEL[there] < LEVEL[here], f"{path.name} imports {name}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_the_right_modules_see_crs_files_and_web(path: Path) -> None:
    here = area(path)
    outside = {n.split(".")[0] for n in imports(path)} - set(sys.stdlib_module_names) - {"siteplan"}
    if "pyproj" in outside:
        assert here in PYPROJ_ALLOWED, f"{path.name} imports pyproj"
    if here in NUMBERS_ONLY:
        assert outside <= OUTSIDE_FOR_NUMBERS, f"{path.name} imports {outside - OUTSIDE_FOR_NUMBERS}"


def test_every_module_has_a_level() -> None:
    assert {area(p) for p in modules()} - {"__init__"} == set(LEVEL) & {area(p) for p in modules()}


def test_takeoff_pulls_in_no_file_web_or_crs_library() -> None:
    """In a fresh process, what is really loaded, not what is written."""
    code = (
        "import sys, siteplan.laying.takeoff;print(' '.join(sorted({m.split('.')[0] for m in sys.modules})))"
    )
    loaded = set(
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.split()
    )
    assert not loaded & {"pyproj", "pyogrio", "fiona", "folium", "geopandas", "pandas", "jinja2", "reportlab"}


def test_command_line_starts_light() -> None:
    """Asking for help loads no geometry library."""
    code = "import sys, siteplan.cli;print(' '.join(sorted({m.split('.')[0] for m in sys.modules})))"
    loaded = set(
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.split()
    )
    assert not loaded & {"pyproj", "pyogrio", "fiona", "folium", "geopandas", "pandas", "shapely", "scipy"}
