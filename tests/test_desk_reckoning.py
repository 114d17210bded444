"""The whole site at the desk: reckoned once, by its newest state; what downloads say of it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from siteplan.desk import reckoning
from siteplan.desk.reckoning import Reckoned, Worker
from siteplan.desk.state import State
from siteplan.parts import Part
from siteplan.sites import load_site
from siteplan.takeoffs import overlap_findings

from .desk_sites import Desk, desk, polygon, put, rectangle, ring, two_beds
from .make_sites import write_features
from .test_desk_tiles import PICTURE, quarters, write_picture


@pytest.fixture
def three(tmp_path: Path) -> Iterator[Desk]:
    """Two beds that share an edge and one far away, afresh for each test."""
    with desk(two_beds(tmp_path / "site")) as made:
        yield made


def moved(made: Desk, bed: str = "B3") -> dict[str, Any]:
    """The bed with its first vertex a little farther west."""
    feature = made.feature(bed)
    feature["rings"][0][0][0] -= 1e-6
    return put(feature)


# ---------------------------------------------------------------- the worker


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch) -> Iterator[Worker]:
    """A worker that starts at once and tells nobody."""
    monkeypatch.setattr(reckoning, "IDLE_S", 0.0)
    made = Worker(lambda state, found: None)
    yield made
    made.stop()


class Slow:
    """Stands for what is reckoned; a state that is held waits until it is let go."""

    def __init__(self, *held: str) -> None:
        self.begun: list[str] = []
        self.started = threading.Event()
        self.go = threading.Event()
        self.held = held

    def __call__(self, state: State) -> Reckoned:
        self.begun.append(state.etag)
        if state.etag in self.held:
            self.started.set()
            assert self.go.wait(10)
        return Reckoned(state.etag, None, {"text": state.etag}, [])


def states(made: Desk) -> tuple[State, State]:
    """Two states, one after the other."""
    made.session.worker.stop()
    before = made.session.state
    made.edit(moved(made))
    return before, made.session.state


def test_an_older_result_never_takes_the_place_of_a_newer(
    three: Desk, worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = states(three)
    slow = Slow(old.etag)
    monkeypatch.setattr(reckoning, "reckoned", slow)
    worker.want(old)
    assert slow.started.wait(10)
    worker.want(new)
    assert worker.wait(new).etag == new.etag
    waiting = threading.Thread(target=worker.wait, args=(old,))
    waiting.start()
    slow.go.set()
    waiting.join(10)
    found = worker.get(new)
    assert found is not None
    assert found.etag == new.etag
    assert worker.get(old) is None
    assert sorted(slow.begun) == sorted([old.etag, new.etag])


def test_whoever_asks_second_waits_for_the_first(
    three: Desk, worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = three.session.state
    slow = Slow(state.etag)
    monkeypatch.setattr(reckoning, "reckoned", slow)
    worker.want(state)
    assert slow.started.wait(10)
    assert worker.get(state) is None
    found: list[Reckoned] = []
    waiting = [threading.Thread(target=lambda: found.append(worker.wait(state))) for _ in range(3)]
    for thread in waiting:
        thread.start()
    slow.go.set()
    for thread in waiting:
        thread.join(10)
    assert len(found) == 3
    assert slow.begun == [state.etag]


def test_a_mistake_of_ours_is_told_and_the_next_state_is_reckoned(
    three: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: Any, **kwargs: Any) -> Any:
        raise ZeroDivisionError

    monkeypatch.setattr(reckoning, "IDLE_S", 0.0)
    monkeypatch.setattr(reckoning, "purchase", broken)
    three.edit(moved(three))
    assert "ZeroDivisionError" in three.session.worker.wait(three.session.now()).cost["text"]
    assert "ZeroDivisionError" in three.get("/api/panel")["cost"]["text"]
    monkeypatch.setattr(reckoning, "planned", broken)
    monkeypatch.setattr(reckoning, "as_loaded", broken)
    three.edit(moved(three))
    fault = three.get("/api/export/takeoff.csv", 422)["faults"][0]
    assert "ZeroDivisionError" in fault["what"]
    monkeypatch.undo()
    three.edit(moved(three))
    assert three.session.worker.wait(three.session.now()).why is None
    assert three.session.worker._thread.is_alive()


# ---------------------------------------------------------------- downloads


def test_a_download_names_the_revision_it_shows(three: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody saves while the download is being made."""
    printed: list[tuple[int, int]] = []
    session = three.session
    wait = session.worker.wait

    def and_saved(state: State) -> Reckoned:
        found = wait(state)
        session.save(state.revision, None, "meanwhile", [{"op": "drop", "role": "beds", "id": "B3"}])
        return found

    def made_export(name: str, part: Part, revision: int) -> tuple[bytes, str, str]:
        printed.append((len(part.site.beds), revision))
        return b"x", "text/csv", name

    monkeypatch.setattr(session.worker, "wait", and_saved)
    monkeypatch.setattr("siteplan.desk.looking.made_export", made_export)
    assert three.client.get("/api/export/takeoff.csv").status_code == 200
    assert printed == [(3, 1)]
    assert session.state.revision == 2


def test_downloads_say_what_a_fresh_start_says(tmp_path: Path) -> None:
    """A file changed, a bed dragged off the picture and a new one drawn since the desk was started."""
    folder = two_beds(tmp_path / "site", more=PICTURE)
    write_picture(folder / "aerial.tif", quarters(1000))
    with desk(folder) as made:
        made.edit(put(made.feature("B3"), rings=[ring(rectangle(7, 4, at=(140, 10)))]))
        made.edit({"op": "set", "path": ["spares", "percent"], "value": "7"})
        write_features(folder / "beds.geojson", {"B1": polygon(rectangle(8, 6))})
        made.edit(put(made.feature("B3"), id=None, name=None, rings=[ring(rectangle(3, 3, at=(30, 20)))]))
        part = made.session.whole(made.session.now())
        fresh = load_site(folder)
        assert [f.text for f in part.site.findings] == [f.text for f in fresh.findings]
        codes = {f.code for f in part.site.findings}
        assert {"record-input-changed", "record-sets"} <= codes
        assert part.site.pictures is not None
        assert fresh.pictures is not None
        assert part.site.pictures.of_bed.tolist() == fresh.pictures.of_bed.tolist()
        texts = {f["text"] for f in made.get("/api/panel")["findings"]}
        assert {f.text for f in fresh.findings} <= texts


def test_overlaps_are_looked_for_once_and_not_for_every_bed(
    three: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[int] = []

    def counted(*args: Any) -> Any:
        looked.append(1)
        return overlap_findings(*args)

    three.session.worker.wait(three.session.now())
    monkeypatch.setattr("siteplan.publish.write.overlap_findings", counted)
    for bed in ("B1", "B2", "B3"):
        assert three.get(f"/api/panel?bed={bed}")["bed"] == bed
    assert not looked
    three.session.worker.stop()
    three.edit(moved(three))  # plans one bed; its panel comes with the answer
    for bed in ("B3", "B1", "B3", "B2"):
        three.get(f"/api/panel?bed={bed}")
    assert len(looked) == 1


def test_a_bed_is_told_the_same_before_and_after_the_whole_site_is_reckoned(tmp_path: Path) -> None:
    with desk(two_beds(tmp_path / "site", more='[bed.B1]\noffset = "50 mm"\n')) as made:
        made.session.worker.stop()
        made.edit({"op": "set", "path": ["bed", "B1", "offset"], "value": "20 mm"})
        made.edit(moved(made, "B2"))
        before = made.get("/api/panel?bed=B1")["findings"]
        assert any("site.toml says" in f["text"] for f in before)
        made.session.worker.wait(made.session.now())
        assert made.get("/api/panel?bed=B1")["findings"] == before
