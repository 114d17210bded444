"""The browser libraries that came with the installed package."""

from __future__ import annotations

import base64
import re
from pathlib import Path
from typing import Final

from siteplan.errors import OutputError

VENDOR: Final = Path(__file__).parent / "vendor"

_MIME: Final = {".png": "image/png", ".svg": "image/svg+xml", ".gif": "image/gif"}
_CSS_FILE: Final = re.compile(r"url\(\s*(['\"]?)(?!data:|#)([^'\")]+)\1\s*\)")
_SOURCE_MAP: Final = re.compile(r"^//# sourceMappingURL=.*$", re.MULTILINE)


def asset_path(name: str, *, vendor: Path = VENDOR) -> Path:
    """Path of a vendored file.

    Parameters
    ----------
    name : such as ``leaflet/dist/leaflet.js``
    vendor : folder of the vendored files

    Raises
    ------
    OutputError : the file is not there; the message says how to get it.
    """
    path = vendor / name
    if not path.is_file():
        raise OutputError(
            f'the browser library file "{name}" is not part of this installation. '
            "Install siteplan again (pip install --force-reinstall --no-deps), or in a source tree run: "
            "python siteplan/publish/fetch_assets.py"
        )
    return path


def script_text(name: str, *, vendor: Path = VENDOR) -> str:
    """Source of a vendored script, ready to stand in a page.

    The line that names its source map is left out: a browser with its developer tools
    open would look for a file that is not there.
    """
    text = asset_path(name, vendor=vendor).read_text(encoding="utf-8")
    return _SOURCE_MAP.sub("", text).strip()


def style_text(name: str, *, vendor: Path = VENDOR) -> str:
    """Vendored style sheet with its pictures inside as data URIs."""
    path = asset_path(name, vendor=vendor)
    folder = Path(name).parent

    def inlined(match: re.Match[str]) -> str:
        picture = asset_path((folder / match[2].strip()).as_posix(), vendor=vendor)
        content = base64.b64encode(picture.read_bytes()).decode("ascii")
        return f"url(data:{_MIME[picture.suffix]};base64,{content})"

    return _CSS_FILE.sub(inlined, path.read_text(encoding="utf-8")).strip()
