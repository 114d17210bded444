"""What keeps the desk quick on a large site: nothing is made twice, and what takes long waits its turn."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from siteplan.desk import panels, reckoning
from siteplan.desk.panels import site_panel
from siteplan.desk.reckoning import Reckoned, Worker
from siteplan.desk.state import State, with_shown
from siteplan.desk.view import PartView, Shown, plan_answer, rounded

from .desk_sites import Desk, desk, polygon, put, two_beds, write_site


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Desk]:
    """Two beds that share an edge and one far away."""
    with desk(two_beds(tmp_path / "site")) as made:
        yield made


def moved(made: Desk, by: float = 1e-6) -> dict[str, Any]:
    """A bed with a vertex a little farther west."""
    feature = made.feature("B3")
    feature["rings"][0][0][0] -= by
    return put(feature)


# ---------------------------------------------------------------- the worker waits its turn


@pytest.fixture
def begun(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the workers began with."""
    made: list[str] = []

    def reckoned(state: State) -> Reckoned:
        made.append(state.etag)
        return Reckoned(state.etag, None, {"text": ""}, [])

    monkeypatch.setattr(reckoning, "reckoned", reckoned)
    monkeypatch.setattr(reckoning, "IDLE_S", 0.05)
    return made


def until(holds: Any, wait_s: float = 5) -> bool:
    end = time.monotonic() + wait_s
    while not holds() and time.monotonic() < end:
        time.sleep(0.005)
    return bool(holds())


def test_order_and_findings_wait_until_the_first_plan_is_answered(tmp_path: Path, begun: list[str]) -> None:
    with desk(two_beds(tmp_path / "site")) as made:
        made.get("/api/site")
        made.get("/api/features")
        time.sleep(0.2)
        assert not begun
        made.get("/api/plan")
        assert until(lambda: begun)


def test_a_page_that_never_asks_for_the_plan_holds_nothing_up(
    tmp_path: Path, begun: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reckoning, "HOLD_S", 0.2)
    with desk(two_beds(tmp_path / "site")) as made:
        made.get("/api/site")
        assert until(lambda: begun)


def test_the_worker_does_not_begin_while_a_point_is_dragged(
    two: Desk, begun: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    two.session.worker.stop()
    monkeypatch.setattr(reckoning, "IDLE_S", 0.3)
    two.session.worker = Worker(lambda state, found: None)
    try:
        two.session.worker.want(two.session.state)
        end = time.monotonic() + 0.8
        while time.monotonic() < end:
            two.post("/api/try", {"base": 1, "changes": [moved(two)]})
            assert not begun
        assert until(lambda: begun)
    finally:
        two.session.worker.stop()


# ---------------------------------------------------------------- a try says no more than it knows


def test_a_try_leaves_the_rows_out_and_does_not_show_the_cost_of_before(two: Desk) -> None:
    two.session.worker.wait(two.session.now())
    before = two.get("/api/panel")
    assert before["cost"]["pending"] is False
    tried = two.post("/api/try", {"base": 1, "changes": [moved(two, 2e-5)]})["site"]
    assert tried["cost"]["pending"]
    assert tried["cost"]["text"] != before["cost"]["text"]
    assert "unmet" not in tried
    assert "findings" not in tried
    assert tried["unmet_count"] == before["unmet_count"]
    labels = [row["label"] for row in before["rows"]]
    assert [row["label"] for row in tried["rows"]] == labels
    assert tried["rows"] != before["rows"]
    assert tried["counts"]
    assert two.get("/api/panel") == before


def test_a_panel_names_so_many_unmet_places_and_counts_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line has no unit for corners this sharp; of two parts the cap cuts the second."""
    monkeypatch.setattr(panels, "MOST_ROWS", 4)
    beds = {"A": polygon([(0, 0), (9, 0), (4.5, 9 * 3**0.5 / 2)])}
    by_unit = '[corners]\nby = "unit"\n'
    with desk(write_site(tmp_path / "s", beds, product_line="rigid-900mm", more=by_unit)) as made:
        shown = made.session.state.shown * 2
        number = sum(len(each.view.part.result.unmet) for each in shown)
        panel = site_panel("twice", shown, 1, findings=[], cost=None)
    assert number == 6
    assert len(panel["unmet"]) == 4
    assert panel["unmet_count"] == 6


# ---------------------------------------------------------------- what is in view


def test_pieces_are_counted_alike_with_and_without_a_place_of_each(two: Desk) -> None:
    """A box with room round everything needs no place of a piece; a tight one does, and a small one cuts."""
    (each,) = two.session.state.shown
    (west, south), (east, north) = (
        each.view.piece_box[:, :2].min(axis=0),
        each.view.piece_box[:, 2:].max(axis=0),
    )
    live = np.ones_like(each.live)
    fresh = PartView(each.view.part, each.view.words)
    wide = (west - 0.01, south - 0.01, east + 0.01, north + 0.01)
    total = len(each.view.part.result.pieces.bed)
    assert len(fresh.pieces(wide, live)) == total
    assert "piece_box" not in fresh.__dict__
    assert len(fresh.pieces((west, south, east, north), live)) == total
    assert "piece_box" in fresh.__dict__
    half = (west, south, (west + east) / 2, north)
    box = fresh.piece_box
    assert len(fresh.pieces(half, live)) == int(np.count_nonzero(box[:, 0] <= half[2])) < total
    far = plan_answer((Shown(PartView(each.view.part, each.view.words), live),), box=wide, zoom=5)
    assert f"{total:,} pieces in view" in far["pieces_note"]


def test_features_in_view_are_the_same_when_asked_again(two: Desk) -> None:
    every = two.get("/api/features")["features"]
    assert two.get("/api/features")["features"] == every
    bed = next(f for f in every if f["id"] == "B3")
    ring = np.array(bed["rings"][0])
    box = ",".join(map(str, [*ring.min(axis=0), *ring.max(axis=0)]))
    assert two.get(f"/api/features?bbox={box}")["features"] == [bed]
    two.edit(moved(two))
    again = two.get("/api/features")["features"]
    changed = [f["id"] for f, g in zip(again, every, strict=True) if json.dumps(f) != json.dumps(g)]
    assert changed == ["B3"]


def test_what_was_made_of_the_features_outlives_a_plan_made_anew(two: Desk) -> None:
    """The worker puts one part in the place of many; the features are the same."""
    two.get("/api/site")
    two.get("/api/features")
    state = two.session.state
    again = with_shown(state, state.shown)
    assert again.__dict__["sent"] is state.__dict__["sent"]
    assert again.__dict__["bounds"] is state.__dict__["bounds"]


def test_a_place_that_is_none_is_not_passed_off_as_null() -> None:
    with pytest.raises(ValueError, match="not finite"):
        rounded(np.array([[1.0, np.nan]]))
