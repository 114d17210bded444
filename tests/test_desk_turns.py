"""Undo, back, and beds taken out at the desk: nothing is kept that cannot be planned afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from siteplan.errors import DataError, Fault
from siteplan.parts import plan_part
from siteplan.record import DropFeature, Record, SetOverride
from siteplan.sites import load_site

from .desk_sites import Desk, desk, put, rectangle, ring, two_beds


@pytest.fixture
def three(tmp_path: Path) -> Iterator[Desk]:
    """Two beds that share an edge and one far away, afresh for each test."""
    with desk(two_beds(tmp_path / "site")) as made:
        yield made


def new_bed(**more: Any) -> dict[str, Any]:
    return {
        "op": "put", "role": "beds", "id": None, "name": None, "kinds": [0],
        "rings": [ring(rectangle(3, 3, at=(60, 0)))], "attributes": {}, **more,
    }  # fmt: skip


# ---------------------------------------------------------------- undo and back


def test_an_undo_that_cannot_be_planned_is_not_kept(three: Desk) -> None:
    """A row of two beds set in the record: without one of them the site cannot be loaded."""
    three.edit(new_bed())
    row = [{"beds": ["B3", "B4"], "offset": "0.5 m"}]
    Record.open(three.session.folder / "record.gpkg").save(
        2, [SetOverride(("row",), row)], who="Bob", what="a row"
    )
    before = three.head()
    assert before["revision"] == 3
    answer = three.post("/api/undo", {"base": 3, "revision": 2}, 422)
    assert "B4" in answer["faults"][0]["what"]
    assert three.head() == before
    assert three.get("/api/site")["beds_count"] == 4
    assert three.edit(put(three.feature("B1"), name="goes on"))["revision"] == 4
    with desk(three.session.folder, "Bob") as again:
        assert again.get("/api/site")["beds_count"] == 4


def test_going_back_to_what_cannot_be_planned_is_not_kept(
    three: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    three.edit(new_bed())

    def unplannable(*args: Any, **kwargs: Any) -> Any:
        raise DataError(Fault("bad", "it cannot be planned", "Mend it"))

    before = three.head()
    monkeypatch.setattr("siteplan.desk.session.edited", unplannable)
    assert three.post("/api/back", {"base": 2, "to": 1}, 422)["faults"][0]["mend"] == "Mend it"
    assert three.head() == before
    monkeypatch.undo()
    assert three.post("/api/back", {"base": 2, "to": 1})["revision"] == 3
    assert three.get("/api/site")["beds_count"] == 3


def test_an_undo_is_planned_once(three: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    three.edit(new_bed())
    three.session.worker.stop()
    planned: list[int] = []

    def counted(*args: Any) -> Any:
        planned.append(1)
        return plan_part(*args)

    monkeypatch.setattr("siteplan.desk.state.plan_part", counted)
    three.edit(new_bed(rings=[ring(rectangle(2, 2, at=(70, 0)))]))
    planned.clear()
    moved = three.feature("B5")
    moved["rings"][0][0][0] -= 1e-6
    three.edit(put(moved))
    assert len(planned) == 1
    planned.clear()
    three.post("/api/undo", {"base": 4, "revision": 4})
    three.get("/api/panel")
    assert len(planned) == 1


def test_a_bed_drawn_and_then_set_is_not_undrawn_by_itself(three: Desk) -> None:
    three.edit(new_bed())
    three.edit({"op": "set", "path": ["bed", "B4", "skip"], "value": "true"})
    fault = three.post("/api/undo", {"base": 3, "revision": 2}, 422)["faults"][0]
    assert "revision 3" in fault["what"]
    assert load_site(three.session.folder).settings.bed["B4"].skip
    three.post("/api/undo", {"base": 3, "revision": 3})
    three.post("/api/undo", {"base": 4, "revision": 2})
    assert three.get("/api/site")["beds_count"] == 3
    assert not load_site(three.session.folder).settings.bed


@pytest.mark.slow
def test_two_hundred_steps_are_undone_one_after_the_other(three: Desk) -> None:
    """As the page does, whose stack holds so many: back to the content before each."""
    session, steps = three.session, 200
    session.worker.stop()

    def drawn() -> Any:
        content = session.state.content
        return content.features["beds"].coords.tolist(), content.overrides

    was, plan = [], []
    for k in range(steps):
        was.append(drawn())
        plan.append(three.get("/api/panel?bed=B1")["legs"])
        feature = three.feature("B3" if k % 2 else "B1")
        feature["rings"][0][k % 4][0] += 1e-7 * (1 + k % 5)
        percent = {"op": "set", "path": ["spares", "percent"], "value": f"{k / 8}"}
        session.save(k + 1, None, f"step {k}", [put(feature) if k % 10 else percent])
    for k in reversed(range(steps)):
        session.back(2 * steps - k, k + 1)
        assert drawn() == was[k]
        assert three.get("/api/panel?bed=B1")["legs"] == plan[k]
    assert session.state.revision == 2 * steps + 1
    assert load_site(session.folder).beds.coords.tolist() == was[0][0]


# ---------------------------------------------------------------- beds taken out


def test_a_bed_with_settings_of_the_desk_is_taken_out_with_them(three: Desk) -> None:
    three.edit({"op": "set", "path": ["bed", "B3", "skip"], "value": "true"})
    assert three.edit({"op": "drop", "role": "beds", "id": "B3"})["dropped"] == [{"role": "beds", "id": "B3"}]
    assert not three.session.state.site.settings.bed
    assert not load_site(three.session.folder).settings.bed
    # what comes back brings its settings along
    three.post("/api/undo", {"base": 3, "revision": 3})
    assert three.session.state.site.settings.bed["B3"].skip
    assert not three.get("/api/panel?bed=B3")["legs"]


def test_a_bed_with_settings_of_the_desk_is_merged_away(three: Desk) -> None:
    three.edit({"op": "set", "path": ["bed", "B2", "offset"], "value": "20 mm"})
    assert three.edit({"op": "merge", "role": "beds", "ids": ["B1", "B2"]})["dropped"] == [
        {"role": "beds", "id": "B2"}
    ]
    assert not three.session.state.site.settings.bed


def test_a_bed_set_in_both_places_is_still_blamed_on_site_toml(tmp_path: Path) -> None:
    with desk(two_beds(tmp_path / "site", more='[bed.B3]\noffset = "50 mm"\n')) as made:
        made.edit({"op": "set", "path": ["bed", "B3", "skip"], "value": "true"})
        fault = made.edit({"op": "drop", "role": "beds", "id": "B3"}, status=422)["faults"][0]
        assert "[bed.B3] of site.toml" in fault["what"]


def test_a_bed_that_comes_back_is_heard_of_in_site_toml_again(tmp_path: Path) -> None:
    """Another program takes it out, which the desk follows; undone here, site.toml counts for it again."""
    with desk(two_beds(tmp_path / "site", more="[bed.B3]\nskip = true\n")) as made:
        Record.open(made.session.folder / "record.gpkg").save(
            1, [DropFeature("beds", "B3")], who="Bob", what="taken out"
        )
        assert made.get("/api/site")["beds_count"] == 2
        made.post("/api/undo", {"base": 2, "revision": 2})
        assert not made.get("/api/panel?bed=B3")["legs"]
