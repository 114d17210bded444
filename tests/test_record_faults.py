"""Records that cannot be read, and saves that cannot be made: one clear fault, the record untouched."""

from __future__ import annotations

import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

import pytest

from siteplan.errors import DataError, OutputError
from siteplan.record import Conflict, Record
from siteplan.record import connection as record_connection
from tests.make_records import GRID, assert_same_content, entry, new_record, put, square

# -- files that are no record --------------------------------------------------------------


def test_no_file_and_no_record(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no-record"):
        Record.open(tmp_path / "record.gpkg")
    with pytest.raises(DataError, match="cannot be read"):
        Record.open(tmp_path)
    place = tmp_path / "record.gpkg"
    for data, said in (
        (b"", "the file is empty"),
        (b"no database at all, only words", "no GeoPackage"),
        (b"SQLite format 3\x00" + bytes(200), "damaged"),
    ):
        place.write_bytes(data)
        with pytest.raises(DataError, match=said) as caught:
            Record.open(place)
        assert len(caught.value.faults) == 1
        assert caught.value.faults[0].file == str(place)
        assert place.read_bytes() == data


def test_a_geopackage_of_somebody_else(tmp_path: Path, sample_data: Path) -> None:
    place = tmp_path / "record.gpkg"
    shutil.copy(sample_data / "larkspur_close" / "beds.gpkg", place)
    before = place.read_bytes()
    with pytest.raises(DataError, match="a GeoPackage of other layers"):
        Record.open(place)
    assert place.read_bytes() == before
    with sqlite3.connect(tmp_path / "other.gpkg") as base:
        base.execute("CREATE TABLE t (a)")
    base.close()
    with pytest.raises(DataError, match="a database of another kind"):
        Record.open(tmp_path / "other.gpkg")


def test_a_record_of_a_newer_version(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    with sqlite3.connect(record.path) as base:
        base.execute("UPDATE record_meta SET value = '2' WHERE key = 'version'")
    base.close()
    for call in (
        lambda: Record.open(record.path),
        record.content,
        lambda: record.save(1, [], who="a", what="b"),
    ):
        with pytest.raises(DataError, match="newer siteplan") as caught:
            call()
        assert caught.value.faults[0].remedy == "Update siteplan"


def test_a_record_that_was_cut_off_or_written_over(tmp_path: Path) -> None:
    """Any damage is one fault or does no harm; never a traceback of the database, never a wrong bed."""
    record = new_record(tmp_path, *(entry(f"B{k}", square(20 * k), note="x" * 200) for k in range(40)))
    for k in range(5):
        record.save(k + 1, [put(f"B{k}", square(k))], who="a", what="b")
    whole, good = record.path.read_bytes(), record.content()
    rng = random.Random(7)
    broken = 0
    counts = set()
    for trial in range(60):
        data = bytearray(whole)
        if trial % 2:
            data = data[: rng.randrange(1, len(whole))]
        else:
            at = rng.randrange(0, len(whole) - 600)
            data[at : at + 600] = rng.randbytes(600)
        record.path.write_bytes(data)
        try:
            now = Record.open(record.path).content()
        except DataError as error:
            broken += 1
            counts.add(len(error.faults))
        else:
            assert_same_content(now, good)
    assert broken > 30
    assert counts == {1}
    record.path.write_bytes(whole)
    assert_same_content(Record.open(record.path).content(), good)


def test_layers_or_history_that_are_gone(tmp_path: Path) -> None:
    for statement, said in (
        ("DROP TABLE record_features", "damaged"),
        ("DELETE FROM gpkg_geometry_columns", "a layer is missing"),
        ("DELETE FROM record_meta WHERE key = 'crs of beds'", "in what CRS"),
        ("DELETE FROM record_meta WHERE key = 'version'", "does not say what it is"),
        ("UPDATE record_features SET shape = X'00'", "B1 is not as it was written"),
        ("UPDATE record_features SET facts = 'no json'", "not as it was written"),
        ("UPDATE record_items SET value = 'x' WHERE kind = 'grid'", "not as it was written"),
        ("UPDATE record_features SET id = 'B7' WHERE id = 'B1'", "B7 is not as it was written"),
        ("DELETE FROM record_revisions", "it has no revision"),
    ):
        folder = tmp_path / str(abs(hash(statement)))
        folder.mkdir()
        record = new_record(folder)
        with sqlite3.connect(record.path) as base:
            base.execute("UPDATE record_meta SET value = 'yes' WHERE key = 'writing'")
            base.execute(statement)
        base.close()
        with pytest.raises(DataError, match=said) as caught:
            Record.open(record.path).content()
        assert len(caught.value.faults) == 1, statement


# -- saves that cannot be made ----------------------------------------------------------------


def test_a_record_is_never_replaced(tmp_path: Path) -> None:
    record = new_record(tmp_path)
    before = record.path.read_bytes()
    with pytest.raises(OutputError, match="never replaced"):
        new_record(tmp_path)
    assert record.path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["record.gpkg"]


def test_no_links_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some disks know no hard links; the record is put in place all the same."""

    def no_link(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_link)
    record = new_record(tmp_path)
    assert record.head == 1
    assert [p.name for p in tmp_path.iterdir()] == ["record.gpkg"]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        new_record(tmp_path / "nowhere")


def test_another_program_holds_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = new_record(tmp_path)
    monkeypatch.setattr(record_connection, "WAIT_S", 0.2)
    holder = sqlite3.connect(record.path, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    with pytest.raises(OutputError, match=r"in use by another program.*nothing was saved"):
        record.save(1, [put("B9")], who="a", what="b")
    holder.execute("ROLLBACK")
    holder.execute("BEGIN IMMEDIATE")
    assert len(record.content().features["beds"]) == 2  # reading goes on beside a save that is not done
    with pytest.raises(OutputError, match="in use"):
        record.save(1, [put("B9")], who="a", what="b")
    holder.execute("ROLLBACK")
    holder.close()
    assert record.save(1, [put("B9")], who="a", what="b").number == 2


def test_a_gis_reads_while_the_desk_saves(tmp_path: Path) -> None:
    """A GIS may keep the file open in write-ahead mode; saves and readings go on."""
    record = new_record(tmp_path)
    gis = sqlite3.connect(record.path, isolation_level=None)
    assert gis.execute("PRAGMA journal_mode = WAL").fetchone() == ("wal",)
    gis.execute("BEGIN")
    assert gis.execute("SELECT count(*) FROM beds").fetchone() == (2,)
    assert record.save(1, [put("B9")], who="a", what="b").number == 2
    assert gis.execute("SELECT count(*) FROM beds").fetchone() == (2,)
    gis.execute("COMMIT")
    assert gis.execute("SELECT count(*) FROM beds").fetchone() == (3,)
    gis.close()


@contextmanager
def child(work: Callable[[Callable[[object], None]], None]) -> Iterator[tuple[int, TextIO]]:
    """A process of its own that does some work and tells lines of JSON; gone when the block ends.

    It is a copy of this one, so that nothing has to be loaded again, and none of this one's connections.
    """
    reading, writing = os.pipe()
    process = os.fork()
    if process == 0:
        status = 1
        try:
            os.close(reading)
            with os.fdopen(writing, "w") as out:
                try:
                    work(lambda value: print(json.dumps(value), file=out, flush=True))
                    status = 0
                except BaseException:
                    print(json.dumps({"traceback": traceback.format_exc()}), file=out, flush=True)
        finally:
            os._exit(status)
    os.close(writing)
    with os.fdopen(reading) as lines:
        try:
            yield process, lines
        finally:
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
            os.waitpid(process, 0)


def told(work: Callable[[Callable[[object], None]], None]) -> list[object]:
    """What a process of its own tells."""
    with child(work) as (_, lines):
        return [json.loads(line) for line in lines]


@pytest.mark.parametrize("spare", [-1, 0, 4096, 20_000, 100_000])
def test_a_full_disk(tmp_path: Path, spare: int) -> None:
    """No file may grow beyond a limit, at whatever moment of the save it is met."""
    record = new_record(tmp_path)
    before = record.content()
    limit = 1000 if spare < 0 else record.path.stat().st_size + spare

    def work(tell: Callable[[object], None]) -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        with pytest.raises(OutputError) as caught:
            record.save(
                1, [put(f"N{k}", square(20 * k), note="x" * 2000) for k in range(200)], who="a", what="b"
            )
        tell(str(caught.value))

    (said,) = told(work)
    assert isinstance(said, str)
    assert "cannot be written" in said
    assert "the record is as it was" in said
    assert_same_content(Record.open(record.path).content(), before)
    assert record.save(1, [put("B9")], who="a", what="b").number == 2


def test_a_disk_too_full_for_a_new_record(tmp_path: Path) -> None:
    def work(tell: Callable[[object], None]) -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))
        with pytest.raises(OutputError) as caught:
            new_record(tmp_path, *(entry(f"B{k}", note="x" * 3000) for k in range(100)))
        tell(str(caught.value))

    (said,) = told(work)
    assert "cannot be written" in str(said)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("what", ["folder", "file", "both"])
def test_read_only(tmp_path: Path, what: str) -> None:
    """It is read as ever; a save is refused in words. Run as a user who is bound by permissions."""
    # A folder of its own under the root of temporary files: pytest's are closed to other users.
    folder = Path(tempfile.mkdtemp(prefix="siteplan-read-only-"))
    try:
        record = new_record(folder)
        before = record.path.read_bytes()
        record.path.chmod(0o444 if what != "folder" else 0o666)
        folder.chmod(0o555 if what != "file" else 0o777)

        def work(tell: Callable[[object], None]) -> None:
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            tell(len(record.content().features["beds"]))
            with pytest.raises(OutputError) as caught:
                record.save(1, [put("B9")], who="a", what="b")
            tell(str(caught.value))

        count, said = told(work)
        assert count == 2
        assert "may not be written" in str(said) or "cannot be opened" in str(said)
        assert "the record is as it was" in str(said)
        assert record.path.read_bytes() == before
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


# -- killed at any moment ----------------------------------------------------------------------


def kill_at_random(folder: Path, saves: int, seed: int) -> tuple[int, int]:
    """A writer saves without a pause and is killed again and again, until so many saves were acknowledged.

    Returns kills, and how often the killed save was found on the disk though nobody had heard of it.
    """
    record = new_record(folder)
    rng = random.Random(seed)
    acknowledged, kills, unheard = 1, 0, 0

    def work(tell: Callable[[object], None]) -> None:
        head = record.head
        while True:
            changes = [put("B1", square(head * 0.001)), put(f"N{head}", square(head))]
            head = record.save(head, changes, who="w", what=str(head)).number
            tell(head)

    while acknowledged < saves:
        with child(work) as (process, lines):
            for _ in range(rng.randrange(0, 8)):
                acknowledged = json.loads(lines.readline())
            time.sleep(rng.random() * 0.02)
            os.kill(process, signal.SIGKILL)
            kills += 1
            # A line that was cut off was not an acknowledgement; whole ones were.
            rest = lines.read().split("\n")[:-1]
        acknowledged = max([acknowledged, *(json.loads(line) for line in rest)])
        after = Record.open(record.path)  # runs the database's own check
        assert after.head in (acknowledged, acknowledged + 1)
        unheard += after.head - acknowledged
        acknowledged = after.head
        content = after.content()
        wanted = {"B1", "B2", *(f"N{k}" for k in range(1, after.head))}
        assert set(content.features["beds"].ids) == wanted
    with sqlite3.connect(record.path) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("SELECT value FROM record_meta WHERE key = 'writing'").fetchone() == ("no",)
        layer = {row[0] for row in base.execute("SELECT id FROM beds")}
    base.close()
    assert layer == wanted
    assert [r.number for r in after.revisions()] == list(range(1, after.head + 1))
    for revision in after.revisions()[1:]:
        beds = after.content(revision.number).features["beds"]
        assert beds.coords[:4].tobytes() == square((revision.number - 1) * 0.001).tobytes()
    return kills, unheard


def test_killed_while_saving(tmp_path: Path) -> None:
    kills, _ = kill_at_random(tmp_path, 18, seed=1)
    assert kills >= 2


@pytest.mark.slow
def test_killed_at_random_moments_of_200_saves(tmp_path: Path) -> None:
    kills, unheard = kill_at_random(tmp_path, 200, seed=2)
    print(f"{kills} kills in 200 saves; {unheard} saves were on the disk without having been acknowledged")
    assert kills >= 30


def test_two_processes_save_at_once(tmp_path: Path) -> None:
    """One gets through, the other a conflict: no save is lost, none is half, none ends in a traceback."""
    record = new_record(tmp_path)

    def rival(name: str) -> Callable[[Callable[[object], None]], None]:
        def work(tell: Callable[[object], None]) -> None:
            done = conflicts = 0
            while done < 12:
                head = record.head
                try:
                    record.save(head, [put(f"{name}{done}", square(done))], who=name, what="a bed")
                except Conflict:
                    conflicts += 1
                else:
                    done += 1
            tell(conflicts)

        return work

    with child(rival("P")) as (_, one), child(rival("Q")) as (_, two):
        for lines in (one, two):
            (conflicts,) = [json.loads(line) for line in lines]
            assert isinstance(conflicts, int), conflicts
    assert record.head == 25
    names = {f"{name}{k}" for name in "PQ" for k in range(12)}
    assert set(record.content().features["beds"].ids) == {"B1", "B2", *names}
    for before, after in zip(record.revisions(), record.revisions()[1:], strict=False):
        assert after.number == before.number + 1
    with pytest.raises(Conflict):
        record.save(1, [], who="a", what="late")


def test_two_processes_begin_the_record_at_once(tmp_path: Path) -> None:
    gate_out, gate_in = os.pipe()

    def work(tell: Callable[[object], None]) -> None:
        os.close(gate_in)
        os.read(gate_out, 1)  # ends when the other side is closed, for both at once
        try:
            new_record(tmp_path)
        except OutputError as error:
            tell(str(error))
        else:
            tell("made")

    with child(work) as (_, one), child(work) as (_, two):
        os.close(gate_in)
        os.close(gate_out)
        said = sorted((json.loads(one.read()), json.loads(two.read())), key=lambda text: text != "made")
    assert said[0] == "made"
    assert "never replaced" in said[1]
    assert Record.open(tmp_path / "record.gpkg").head == 1
    assert [p.name for p in tmp_path.iterdir()] == ["record.gpkg"]
    assert GRID["centre_lonlat"] == Record.open(tmp_path / "record.gpkg").content().grid["centre_lonlat"]
