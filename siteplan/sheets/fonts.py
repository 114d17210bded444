"""Letters on paper: which fonts, how wide a text is, and which letters cannot be shown.

The sheets use Bitstream Vera, which comes with reportlab and may be embedded freely.  It has
the letters of western Europe.  Further fonts can be named; a text takes each letter from the
first font that has it.  A letter no font has, and scripts that need shaping (written from
right to left, or with marks above and below), are *reported*, never drawn as empty boxes.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont

from siteplan.errors import UsageError

Face = Literal["regular", "bold", "italic"]
FILES: Final[dict[Face, str]] = {"regular": "Vera.ttf", "bold": "VeraBd.ttf", "italic": "VeraIt.ttf"}
SHOWN_FOR_MISSING: Final = "?"
_RIGHT_TO_LEFT: Final = {"R", "AL", "AN", "RLE", "RLO", "RLI"}


class Fonts:
    """The fonts of one document.

    Parameters
    ----------
    further : TrueType files tried for letters that Vera does not have, in order

    Raises
    ------
    UsageError : a file is missing or is no TrueType font that may be embedded.
    """

    def __init__(self, further: Sequence[Path] = ()) -> None:
        self._faces: dict[Face, list[Any]] = {
            face: [_registered(f"Siteplan-{face}", file)] for face, file in FILES.items()
        }
        for number, path in enumerate(further, start=1):
            font = _further(f"Siteplan-more-{number}", path)
            for fonts in self._faces.values():
                fonts.append(font)
        self._width = lru_cache(maxsize=50_000)(self._measure)
        self._parts = lru_cache(maxsize=50_000)(self._split)

    @property
    def first(self) -> str:
        """Name of the font a page starts with, so that no other one is listed in the file."""
        name: str = self._faces["regular"][0].fontName
        return name

    def missing(self, text: str) -> tuple[str, ...]:
        """Letters of a text that cannot be shown, each once, in order."""
        seen = dict.fromkeys(
            c for c in normal(text) if not _plain(c) or not any(_has(f, c) for f in self._faces["regular"])
        )
        return tuple(seen)

    def parts(self, text: str, face: Face) -> tuple[tuple[str, str], ...]:
        """A text as (font name, letters) in turn; letters that are missing show as ``?``."""
        return self._parts(text, face)

    def width(self, text: str, size: float, face: Face = "regular") -> float:
        """Width in points."""
        return self._width(text, face) * size

    def fit(self, text: str, size: float, width: float, face: Face = "regular") -> str:
        """The text, or its beginning and an ellipsis where it is too wide."""
        if self.width(text, size, face) <= width:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width(f"{text[:middle]}…", size, face) <= width:
                low = middle
            else:
                high = middle - 1
        return f"{text[:low].rstrip()}…"

    def wrap(self, text: str, size: float, width: float, face: Face = "regular") -> list[str]:
        """Lines no wider than ``width``; a single longer word is broken."""
        lines: list[str] = []
        for paragraph in text.split("\n"):
            line = ""
            for word in paragraph.split():
                tried = f"{line} {word}" if line else word
                if self.width(tried, size, face) <= width:
                    line = tried
                    continue
                if line:
                    lines.append(line)
                while self.width(word, size, face) > width and len(word) > 1:
                    head = next(
                        k
                        for k in range(len(word) - 1, 0, -1)
                        if k == 1 or self.width(word[:k], size, face) <= width
                    )
                    lines.append(word[:head])
                    word = word[head:]  # noqa: PLW2901
                line = word
            lines.append(line)
        return lines

    def _measure(self, text: str, face: Face) -> float:
        return float(sum(pdfmetrics.stringWidth(part, name, 1) for name, part in self._parts(text, face)))

    def _split(self, text: str, face: Face) -> tuple[tuple[str, str], ...]:
        fonts = self._faces[face]
        if text.isascii() and text.isprintable():
            return ((fonts[0].fontName, " ".join(text.split())),)
        made: list[tuple[str, str]] = []
        for letter in normal(text):
            shown = letter if _plain(letter) else SHOWN_FOR_MISSING
            font = next((f for f in fonts if _has(f, shown)), None)
            if font is None:
                font, shown = fonts[0], SHOWN_FOR_MISSING
            if made and made[-1][0] == font.fontName:
                made[-1] = (font.fontName, made[-1][1] + shown)
            else:
                made.append((font.fontName, shown))
        return tuple(made)


def normal(text: str) -> str:
    """Composed letters, and any run of white space or control characters as one space."""
    composed = unicodedata.normalize("NFC", text)
    return " ".join(
        "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in composed).split()
    )


def _plain(letter: str) -> bool:
    """Whether a letter stands by itself, left to right."""
    category = unicodedata.category(letter)
    return category[0] not in ("M", "C") and unicodedata.bidirectional(letter) not in _RIGHT_TO_LEFT


def _has(font: Any, letter: str) -> bool:
    return ord(letter) in font.face.charToGlyph


def _registered(name: str, path: str) -> Any:
    if name not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(name, path))
    return pdfmetrics.getFont(name)


def _further(name: str, path: Path) -> Any:
    """A font named by the user, registered anew: another document may have named another file."""
    if not path.is_file():
        raise UsageError(f'there is no font file "{path}"')
    try:
        font = TTFont(name, str(path))
    except TTFError as error:
        raise UsageError(
            f'"{path}" is no TrueType font that can be embedded ({error}); name a .ttf file'
        ) from None
    pdfmetrics.registerFont(font)
    return font
