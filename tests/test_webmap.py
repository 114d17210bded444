"""The map page as a file: what is in it, and what cannot get into it.  No browser here."""

from __future__ import annotations

import ast
import base64
import dataclasses
import hashlib
import inspect
import json
import os
import re
import subprocess
import sys
import types
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import OutputError, UsageError
from siteplan.model import PieceKind
from siteplan.publish import pageframe, webmap
from siteplan.publish.webmap import FindingRow, MapData, map_page, script_json, write_map

from .make_map import demo_map, ragged, texts

PACKAGE = Path(webmap.__file__).parents[1]


class Parts(HTMLParser):
    """Scripts, styles and links of a page, as a browser divides it."""

    def __init__(self, page: bytes) -> None:
        super().__init__(convert_charrefs=True)
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.styles: list[str] = []
        self.addresses: list[str] = []
        self.handlers: list[str] = []
        self.title = ""
        self.policy = ""
        self._in: str | None = None
        self.feed(page.decode("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        self.addresses += [v or "" for k, v in attrs if k in ("src", "href", "srcset", "action", "data")]
        self.handlers += [k for k, _ in attrs if k.startswith("on")]
        if tag == "script":
            self.scripts.append((named, ""))
        if tag == "style":
            self.styles.append("")
        if named.get("http-equiv") == "Content-Security-Policy":
            self.policy = named["content"] or ""
        self._in = tag if tag in ("script", "style", "title") else None

    def handle_endtag(self, tag: str) -> None:
        self._in = None

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            self.scripts[-1] = (self.scripts[-1][0], self.scripts[-1][1] + data)
        elif self._in == "style":
            self.styles[-1] += data
        elif self._in == "title":
            self.title += data

    @property
    def plan(self) -> Any:
        (found,) = [text for named, text in self.scripts if named.get("id") == "siteplan-data"]
        return json.loads(found)


def numbers(packed: str, kind: str) -> Any:
    return np.frombuffer(base64.b64decode(packed), dtype=kind)


def positions(plan: Any, packed: str) -> Any:
    return (numbers(packed, "<i4").reshape(-1, 2).astype(np.int64) + plan["origin"]) / 1e8


@pytest.fixture(scope="module")
def demo() -> MapData:
    return demo_map(12)


@pytest.fixture(scope="module")
def parts(demo: MapData) -> Parts:
    return Parts(map_page(demo))


# ---------------------------------------------------------------- what is in it


def test_positions_arrive_within_half_a_unit(demo: MapData, parts: Parts) -> None:
    plan = parts.plan
    for lonlat, packed in (
        (demo.beds.lonlat, plan["beds"]["xy"]),
        (demo.runs.lonlat, plan["runs"]["xy"]),
        (demo.unmet.lonlat, plan["unmet"]["xy"]),
        (demo.abutments.lonlat, plan["abutments"]["xy"]),
        (demo.openings.lonlat, plan["openings"]["xy"]),
        (demo.corners.lonlat, plan["corners"]["xy"]),
        (demo.pieces.lonlat, plan["pieces"]["middle"]),
        (demo.pieces.outline_lonlat, plan["pieces"]["xy"]),
    ):
        # half of 1e-8 degree, and the last digit of a double near 100 degrees
        np.testing.assert_allclose(positions(plan, packed), lonlat, rtol=0, atol=0.5e-8 + 3e-14)


def test_every_piece_arrives(demo: MapData, parts: Parts) -> None:
    sent, pieces = parts.plan["pieces"], demo.pieces
    assert sent["ids"] == list(pieces.ids)
    assert sent["stations"] == list(pieces.station)
    assert [sent["codes"][i] for i in numbers(sent["code"], "<u4")] == list(pieces.code)
    assert [sent["lengths"][i] for i in numbers(sent["length"], "<u4")] == list(pieces.length)
    assert numbers(sent["kind"], "u1").tolist() == pieces.kind.tolist()
    assert numbers(sent["ends"], "<u4").tolist() == pieces.outline_offsets.tolist()


def test_amounts_are_text_and_add_up(demo: MapData, parts: Parts) -> None:
    amounts = parts.plan["amounts"]
    assert amounts["beds"] == "12"
    kinds = ["section", "closer", "cut", "corner", "end"]
    assert sum(int(amounts[k].replace(",", "")) for k in kinds) == len(demo.pieces)
    assert int(amounts["outside"]) + int(amounts["inside"]) == len(demo.corners.outside)


def test_beyond_the_limit_no_piece_is_sent_and_the_page_says_so(demo: MapData) -> None:
    n = len(demo.pieces)
    plan = Parts(map_page(demo, piece_limit=n - 1)).plan
    assert plan["pieces"]["ids"] == []
    assert f"{n:,} pieces" in plan["piece_note"]
    assert f"at most {n - 1:,}" in plan["piece_note"]
    assert plan["amounts"] == Parts(map_page(demo)).plan["amounts"]
    assert len(Parts(map_page(demo, piece_limit=n)).plan["pieces"]["ids"]) == n


def test_a_plan_across_the_date_line_stays_in_one_piece(demo: MapData) -> None:
    shifted = demo.beds.lonlat + np.array([180.0 - demo.beds.lonlat[:, 0].mean(), 0])
    shifted[:, 0] = (shifted[:, 0] + 180) % 360 - 180
    assert np.ptp(shifted[:, 0]) > 359
    nothing = empty()
    plan = Parts(
        map_page(dataclasses.replace(nothing, beds=dataclasses.replace(demo.beds, lonlat=shifted)))
    ).plan
    got = positions(plan, plan["beds"]["xy"])
    assert np.ptp(got[:, 0]) == pytest.approx(np.ptp(demo.beds.lonlat[:, 0]), abs=1e-7)


def empty() -> MapData:
    """A plan of nothing."""
    data = demo_map(1)
    no_shapes = webmap.MapShapes(
        texts([]),
        texts([]),
        np.empty((0, 2)),
        np.zeros(1, np.int64),
        np.empty(0, np.int8),
        np.empty(0, np.int64),
    )
    no_lines = webmap.MapLines(texts([]), texts([]), *ragged([]))
    return dataclasses.replace(
        data,
        beds=no_shapes,
        abutments=no_shapes,
        openings=no_shapes,
        runs=no_lines,
        unmet=no_lines,
        corners=webmap.MapCorners(np.empty((0, 2)), np.empty(0, bool), texts([])),
        pieces=webmap._no_pieces(),
        counts=(),
        findings=(),
        notes=(),
    )


def test_a_plan_of_nothing_has_no_bounds() -> None:
    plan = Parts(map_page(empty())).plan
    assert plan["bounds"] is None
    assert plan["to_check"] == ""


def test_equal_plans_are_equal_bytes_in_another_process(demo: MapData) -> None:
    code = (
        "import hashlib; from tests.make_map import demo_map; from siteplan.publish.webmap import map_page;"
        "print(hashlib.sha256(map_page(demo_map(12))).hexdigest())"
    )
    root = Path(__file__).resolve().parents[1]
    places = os.pathsep.join([str(PACKAGE.parent), str(root)])
    environment = {**os.environ, "PYTHONHASHSEED": "77", "PYTHONPATH": places}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True, cwd=root
    )
    assert done.stdout.strip() == hashlib.sha256(map_page(demo)).hexdigest()


# ---------------------------------------------------------------- what cannot get into it


@settings(deadline=None, derandomize=True, max_examples=300)
@given(
    st.recursive(
        st.text(st.characters(exclude_categories=()))
        | st.sampled_from(["</script>", "<!--", "]]>", "\u2028", "\ud800"]),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
        max_leaves=8,
    )
)
def test_any_text_survives_and_none_can_end_the_script_element(value: Any) -> None:
    written = script_json(value)
    assert not re.search("[<>&\u2028\u2029\ud800-\udfff]", written)
    written.encode("utf-8")
    assert json.loads(written) == value


def test_json_has_no_nan() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        script_json([float("nan")])


def test_only_our_scripts_and_styles_may_run(parts: Parts) -> None:
    def sums(directive: str) -> set[str]:
        (found,) = re.findall(rf"{directive} ([^;]*)", parts.policy)
        return set(found.split())

    def of(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    runnable = [text for named, text in parts.scripts if named.get("type") != "application/json"]
    assert len(runnable) == 4  # the map library, our drawing, our page script, the map folium sets up
    assert sums("script-src") == {of(text) for text in runnable}
    assert sums("style-src") == {of(text) for text in parts.styles}
    assert "unsafe" not in parts.policy
    assert parts.policy.startswith("default-src 'none';")


def test_the_policy_stands_before_every_script(demo: MapData) -> None:
    page = map_page(demo).decode()
    assert (
        0
        < page.index("Content-Security-Policy")
        < min(page.index("<script"), page.index("<style"), page.index("<title"))
    )


def test_the_page_names_no_address(parts: Parts) -> None:
    assert parts.addresses == ["#map_siteplan"]
    assert parts.handlers == []


def test_names_change_the_data_and_the_title_only() -> None:
    """A hostile plan and a harmless one have the same frame, byte for byte."""
    hostile = "{{7*7}}${7*7}{% raw %}</title></script><script>window.pwned=1</script>"
    pages = [map_page(demo_map(3, names=[name], title=name)).decode() for name in ("x", hostile)]
    frames = {
        re.sub(r'<title>.*?</title>|(?<=id="siteplan-data">).*?(?=</script>)', "", page, flags=re.DOTALL)
        for page in pages
    }
    assert len(frames) == 1
    assert Parts(pages[1].encode()).title == hostile


def test_a_title_of_half_a_surrogate_pair_is_written(tmp_path: Path) -> None:
    page = map_page(demo_map(1, title="half \ud83c pair"))
    assert Parts(page).plan["title"] == "half \ud83c pair"


def test_the_licence_of_the_library_travels_with_the_page(demo: MapData) -> None:
    assert "Redistribution and use in source and binary forms" in map_page(demo).decode()


# ---------------------------------------------------------------- folium sees constants only

TEMPLATE_LIBRARIES = ("folium", "branca", "jinja2")
FRAME_CLASSES = {"Page", "SiteMap", "Verbatim"}


def _imports(tree: ast.AST) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module.split(".")[0])
    return found


def test_one_module_alone_knows_folium() -> None:
    users = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if _imports(ast.parse(path.read_text(encoding="utf-8"))) & set(TEMPLATE_LIBRARIES)
    }
    assert users == {"publish/pageframe.py"}


def _constant(node: ast.expr) -> bool:
    try:
        ast.literal_eval(node)
    except ValueError:
        return False
    return True


def test_the_page_frame_is_classes_and_constants() -> None:
    """What is derived from folium and branca takes its texts from templates of ours alone."""
    tree = ast.parse(inspect.getsource(pageframe))
    derived = {
        node.name: node
        for node in tree.body
        if isinstance(node, ast.ClassDef)
        and any(ast.unparse(b).startswith(TEMPLATE_LIBRARIES) for b in node.bases)
    }
    assert set(derived) == FRAME_CLASSES
    inside = {id(n) for top in derived.values() for n in ast.walk(top)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in TEMPLATE_LIBRARIES:
            assert id(node) in inside
        if isinstance(node, ast.Call) and ast.unparse(node.func).startswith(TEMPLATE_LIBRARIES):
            assert all(_constant(a) for a in node.args), ast.unparse(node)


@pytest.mark.parametrize("module", [webmap], ids=lambda m: m.__name__)
def test_folium_is_called_with_constants_only(module: types.ModuleType) -> None:
    """Allow-list: every use of a class from a template library stands in ``_frame``, and what is
    passed is a literal, or one of the texts ``_frame`` makes from files of the package.
    """
    tree = ast.parse(inspect.getsource(module))
    (frame,) = [n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name == "_frame"]
    assert not frame.args.args
    assert not frame.args.kwonlyargs
    inside = {id(n) for n in ast.walk(frame)}
    allowed = {"Verbatim(text)", "page.add_child(site_map)", "page.header.add_child(Verbatim(text))"}
    allowed |= {"page.html.add_child(Verbatim(text))", "page.render()"}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in FRAME_CLASSES:
            assert id(node) in inside, ast.unparse(node)
        if not isinstance(node, ast.Call):
            continue
        called, written = ast.unparse(node.func), ast.unparse(node)
        touches = called in FRAME_CLASSES or called.startswith("page.")
        if touches and written not in allowed:
            arguments = [*node.args, *(keyword.value for keyword in node.keywords)]
            assert all(_constant(a) for a in arguments), written


def test_the_frame_reads_files_of_the_package_only() -> None:
    """No name from outside the module reaches ``_frame`` but its own helpers and constants."""
    names = set(inspect.getclosurevars(webmap._frame.__wrapped__).globals)
    assert names <= {
        "Page",
        "SiteMap",
        "Verbatim",
        "_own",
        "_policy",
        "_POLICY_MARK",
        "_TITLE_MARK",
        "_DATA_MARK",
        "asset_path",
        "script_text",
        "style_text",
    }


def test_the_page_script_makes_no_markup_from_text() -> None:
    """Our script has no way from text to markup or code."""
    script = "".join(
        (PACKAGE / "publish" / name).read_text(encoding="utf-8") for name in ("map_draw.js", "map_page.js")
    )
    banned = (
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|srcdoc|\beval\b|new Function|import\("
        r"|bindTooltip|bindPopup|[dD]ivIcon|fetch\(|XMLHttpRequest|WebSocket"
    )
    assert re.findall(banned, script) == []


def test_the_colours_are_the_published_ones() -> None:
    """Okabe and Ito (2008), values as in Wong, Nature Methods 8:441 (2011), fig. 2 (RGB)."""
    published = {
        "INK": (0, 0, 0),
        "ORANGE": (230, 159, 0),
        "SKY": (86, 180, 233),
        "GREEN": (0, 158, 115),
        "BLUE": (0, 114, 178),
        "VERMILION": (213, 94, 0),
        "PURPLE": (204, 121, 167),
    }
    script = (PACKAGE / "publish" / "map_draw.js").read_text(encoding="utf-8")
    for name, rgb in published.items():
        assert f'{name} = "#{bytes(rgb).hex().upper()}"' in script, name


# ---------------------------------------------------------------- faults


def _with(data: MapData, layer: str, **changes: Any) -> MapData:
    return dataclasses.replace(data, **{layer: dataclasses.replace(getattr(data, layer), **changes)})


def _nan(lonlat: Any) -> Any:
    out = lonlat.copy()
    out[2] = np.nan
    return out


@pytest.mark.parametrize(
    ("harm", "message"),
    [
        (lambda d: _with(d, "beds", lonlat=_nan(d.beds.lonlat)), "map beds, position 3: lon nan"),
        (lambda d: _with(d, "runs", lonlat=d.runs.lonlat * 10), "map runs, position 1: .* WGS 84 degrees"),
        (lambda d: _with(d, "runs", lonlat=d.runs.lonlat[:, 0]), r"map runs: positions have shape"),
        (
            lambda d: _with(d, "beds", texts=d.beds.texts[1:]),
            "map beds: texts has 2 rows where 3 are expected",
        ),
        (lambda d: _with(d, "beds", ring_kind=d.beds.ring_kind[1:]), "map beds rings: ring_kind has"),
        (lambda d: _with(d, "beds", ring_feature=d.beds.ring_feature + 1), "map beds: ring_feature"),
        (lambda d: _with(d, "beds", ring_offsets=d.beds.ring_offsets - 1), "map beds: offsets do not divide"),
        (lambda d: _with(d, "unmet", offsets=d.unmet.offsets[:1]), "map unmet legs: offsets has 0 rows"),
        (lambda d: _with(d, "corners", texts=d.corners.texts[1:]), "map corners: texts has"),
        (lambda d: _with(d, "pieces", length=d.pieces.length[1:]), "map pieces: length has"),
        (lambda d: _with(d, "pieces", kind=d.pieces.kind + 9), "map pieces: a kind is not one of PieceKind"),
        (
            lambda d: dataclasses.replace(d, findings=(FindingRow("notice", "far", (0.0, 0.0)),)),
            "more than 21 degrees across",
        ),
    ],
)
def test_arrays_that_do_not_fit_are_refused(harm: Any, message: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=message):
        write_map(tmp_path / "map.html", harm(demo_map(3)))
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there_is_an_output_error(demo: MapData, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r'map\.html" cannot be written: No such file'):
        write_map(tmp_path / "none" / "map.html", demo)


def test_kinds_of_the_page_are_the_kinds_of_the_model() -> None:
    """The script looks kinds up by number."""
    script = (PACKAGE / "publish" / "map_draw.js").read_text(encoding="utf-8")
    keys = re.findall(r'\{ key: "(\w+)", one:', script)
    assert keys == [k.name.lower() for k in PieceKind]
