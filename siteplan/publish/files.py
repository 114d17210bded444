"""A set of output files, written whole or not at all.

Everything is written into a hidden folder beside the old files and moved into place when
the last byte is on disk, so that an interrupted run leaves the old output as it was.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from siteplan.errors import OutputError


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__


@contextmanager
def output_set(folder: Path) -> Iterator[Path]:
    """A temporary folder whose files move into ``folder`` when the block ends well.

    Parameters
    ----------
    folder : output folder; made when it does not exist

    Yields
    ------
    The temporary folder to write into.

    Raises
    ------
    OutputError : the folder cannot be made or written, or a file cannot be moved into place.
    """
    created = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        partial = Path(tempfile.mkdtemp(prefix=".partial-", dir=folder))
    except FileExistsError:
        raise OutputError(f'output folder "{folder}" is a file; name another folder with --out') from None
    except OSError as error:
        raise OutputError(
            f'output folder "{folder}" cannot be written: {_reason(error)}; name another folder with --out'
        ) from None
    done = False
    try:
        yield partial
        try:
            for path in sorted(partial.iterdir()):
                _sync(path)
            for path in sorted(partial.iterdir()):
                path.replace(folder / path.name)
        except OSError as error:
            raise OutputError(
                f'output "{path.name}" cannot be put into "{folder}": {_reason(error)}; '
                "close programs that hold it open"
            ) from None
        done = True
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        if created and not done and not any(folder.iterdir()):
            folder.rmdir()


def write_texts(folder: Path, texts: Mapping[str, str]) -> tuple[str, ...]:
    """Write texts as UTF-8 files into a folder, all or none; their names.

    Raises
    ------
    OutputError : the folder cannot be written
    """
    with output_set(folder) as partial:
        for name, text in texts.items():
            (partial / name).write_text(text, encoding="utf-8", newline="")
    return tuple(texts)


def _sync(path: Path) -> None:
    """Wait until a file's bytes are on disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
