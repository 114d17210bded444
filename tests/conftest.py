"""What every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

# every worker of the run keeps to one core: threads of its own would only wait for each other
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# one browser for the whole run: a second one in the same process would not start
from .browser import browser, chromium_path  # noqa: F401  (fixtures)

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of real open data beside the project, where it is developed and in CI."""
    folder = ROOT.parent / "shared" / "data"
    if folder.is_dir():
        return folder
    reason = "the folder of real open data is not beside the project"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def sample_data() -> Path:
    """The invented sample sites that ship with the project."""
    return ROOT / "sample_data"
