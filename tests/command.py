"""The command line for tests: in this process, which is quick, or in a fresh one, as a user starts it."""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from siteplan.cli import main

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Done:
    """What a command left behind: its exit code and what it printed."""

    returncode: int
    stdout: str
    stderr: str


def siteplan(*args: object, cwd: Path | None = None) -> Done:
    """The command in this process, from its entry point on; warnings are errors as in every test."""
    out, err = io.StringIO(), io.StringIO()
    with (
        patch.object(sys, "argv", ["siteplan", *map(str, args)]),
        contextlib.chdir(cwd or Path.cwd()),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as left:
            return Done(int(left.code or 0), out.getvalue(), err.getvalue())
    raise AssertionError("the command did not end itself")


def fresh_siteplan(*args: object, cwd: Path) -> Done:
    """The command in a process of its own, warnings of its imports included."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", "from siteplan.cli import main; main()", *map(str, args)],
        cwd=cwd, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False,
    )  # fmt: skip
    return Done(done.returncode, done.stdout, done.stderr)
