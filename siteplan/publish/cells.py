"""Text in the cells of tables that spreadsheets open."""

from __future__ import annotations

from typing import Final

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(text: str) -> str:
    """Text a spreadsheet shows and never runs: a leading formula sign is quoted."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
