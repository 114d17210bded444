"""The crew page's data: laying order and turns against closed forms, packing, policy, bad input."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from siteplan.cli import program
from siteplan.crew.data import crew_plan
from siteplan.crew.packing import Places, affine, packed
from siteplan.crew.picture import crew_picture
from siteplan.crew.turns import wrapped
from siteplan.errors import UsageError
from siteplan.model import PieceKind
from siteplan.sites import load_site
from tests.make_crew import PAYLOADS, ground, held, laid_runs, numbers, page_bytes, piece_ids
from tests.make_sheets import Plan, plan_of, planned, sample
from tests.make_sites import kidney, polygon, rectangle, write_features


@pytest.fixture(scope="module")
def larkspur(sample_data: Path) -> Plan:
    return sample(sample_data / "larkspur_close")


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return plan_of(tmp_path_factory.mktemp("box"), {"B": rectangle(9, 5)})


def test_wrapped() -> None:
    assert wrapped(np.array([0, 180, -180, 181, 359, -359, 540])).tolist() == [0, 180, 180, -179, -1, 1, 180]


def test_a_rectangle_turns_left_four_times(box: Plan) -> None:
    """Walked with the bed on the left, a closed run turns by a whole circle, and by its corners alone."""
    laid = crew_plan(box.site, box.plan, box.result).laid
    corner = box.result.pieces.kind[laid.order] == PieceKind.CORNER
    assert corner.sum() == 4
    assert laid.bend_deg[corner] == pytest.approx(90, abs=0.01)
    assert laid.bend_deg[~corner] == pytest.approx(0, abs=1e-6)
    assert laid.joint_deg == pytest.approx(0, abs=1e-6)


def test_a_round_bed_of_flexible_pieces_turns_by_a_circle(tmp_path: Path) -> None:
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    plan = plan_of(tmp_path, {"R": 6 * np.column_stack([np.cos(angle), np.sin(angle)])})
    laid = crew_plan(plan.site, plan.plan, plan.result).laid
    # all but the closing joint, which is straight within a chord of the tracing: 1.5 degrees
    assert laid.bend_deg.sum() + laid.joint_deg.sum() == pytest.approx(360, abs=1.6)
    # 2 m on a radius of 6 m (less the offset of the laying line) are about 19 degrees
    usual = laid.bend_deg[plan.result.pieces.kind[laid.order] == PieceKind.SECTION]
    assert np.median(usual) == pytest.approx(np.degrees(2 / 6.0), rel=0.1)


def test_rigid_pieces_turn_at_their_joints(tmp_path: Path) -> None:
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    plan = plan_of(tmp_path, {"R": 30 * np.column_stack([np.cos(angle), np.sin(angle)])}, line="rigid-900mm")
    laid = crew_plan(plan.site, plan.plan, plan.result).laid
    assert laid.bend_deg == pytest.approx(0, abs=1e-9)
    count = len(laid.order)
    # every joint but the first piece's
    assert laid.joint_deg.sum() == pytest.approx(360 * (count - 1) / count, rel=0.02)


def test_turns_against_headings(larkspur: Plan) -> None:
    """Second path: between the middles of two pieces the line turns by the halves and the joint between."""
    laid = crew_plan(larkspur.site, larkspur.plan, larkspur.result).laid
    pieces = larkspur.result.pieces
    k = np.flatnonzero(pieces.run[1:] == pieces.run[:-1])
    middle = wrapped(pieces.heading_deg[k] - pieces.heading_deg[k + 1])
    either = laid.bend_deg[k] / 2 + laid.joint_deg[k + 1] + laid.bend_deg[k + 1] / 2
    straight = (np.abs(laid.bend_deg[k]) < 0.01) & (np.abs(laid.bend_deg[k + 1]) < 0.01)
    assert straight.sum() > 20
    # half a curved piece need not hold half of its bend: straight ones only
    assert wrapped(either - middle)[straight] == pytest.approx(0, abs=0.02)


def test_laid_from_the_far_end(box: Plan, larkspur: Plan) -> None:
    plan = larkspur
    there = crew_plan(plan.site, plan.plan, plan.result)
    far = replace(plan.result, rules=replace(plan.result.rules, lay_from="far"))
    back = crew_plan(plan.site, plan.plan, far)
    runs = plan.result.pieces.run
    for run in range(len(laid_runs(plan).run_id)):
        a, b = there.laid.order[runs[there.laid.order] == run], back.laid.order[runs[back.laid.order] == run]
        assert a.tolist() == b[::-1].tolist()
        # joints and bends the other way round, with the other sign
        at_a, at_b = np.isin(there.laid.order, a), np.isin(back.laid.order, b)
        assert there.laid.bend_deg[at_a] == pytest.approx(-back.laid.bend_deg[at_b][::-1])
        assert there.laid.joint_deg[at_a][1:] == pytest.approx(-back.laid.joint_deg[at_b][1:][::-1])
        assert there.laid.space_um[at_a][1:].tolist() == back.laid.space_um[at_b][1:][::-1].tolist()
    data = held(page_bytes(Plan(plan.site, plan.measures, plan.plan, far)))
    assert data["lay_from"] == "far"
    gaps = numbers(data["pieces"]["gap"], "<i4")
    assert sorted(gaps.tolist()) == sorted(plan.result.pieces.gap_um.tolist())


def test_what_is_packed_is_the_plan(larkspur: Plan) -> None:
    data = held(page_bytes(larkspur, revision="B"))
    pieces, runs = larkspur.result.pieces, laid_runs(larkspur)
    packed_pieces = data["pieces"]
    assert piece_ids(data) == list(map(str, pieces.piece_id))
    assert numbers(packed_pieces["from"], "<u8").tolist() == pieces.from_um.tolist()
    assert numbers(packed_pieces["um"], "<i4").tolist() == (pieces.to_um - pieces.from_um).tolist()
    assert numbers(packed_pieces["cut"], "<i4").tolist() == pieces.cut_um.tolist()
    assert numbers(packed_pieces["kind"], "u1").tolist() == pieces.kind.tolist()
    codes = [data["codes"][c]["code"] for c in numbers(packed_pieces["code"], "<u2")]
    assert codes == list(pieces.code)
    # tenths of a millimetre
    assert np.abs(ground(data, packed_pieces["xy"]) - pieces.outline_xy).max() < 0.00006
    assert np.abs(ground(data, packed_pieces["at"]) - pieces.xy).max() < 0.00006
    lonlat = (numbers(packed_pieces["lonlat"], "<i4").reshape(-1, 2) + packed_pieces["lonlat_from"]) / 1e8
    assert np.abs(lonlat - larkspur.site.frame.wgs84(pieces.xy)).max() < 0.6e-8
    assert data["runs"]["um"] == larkspur.result.stations.run_um.tolist()
    assert sum(data["runs"]["pieces"]) == len(pieces)
    assert data["legs"]["ids"] == list(map(str, runs.leg_id))
    assert data["revision"] == "B"


def test_only_some_beds(larkspur: Plan) -> None:
    data = held(page_bytes(larkspur, beds=["C1"]))
    whole = held(page_bytes(larkspur))
    assert data["plan"] == whole["plan"], "the plan's hash is of the whole plan"
    assert data["runs"]["ids"] == [r for r in whole["runs"]["ids"] if r.startswith("C1-")]
    assert piece_ids(data) == [p for p in piece_ids(whole) if p.startswith("C1-")]
    assert len(data["beds"]["ids"]) == len(whole["beds"]["ids"]), "the others stay as outlines"
    assert numbers(data["beds"]["shown"], "u1").sum() == 1
    with pytest.raises(UsageError, match='no bed "C99"'):
        crew_plan(larkspur.site, larkspur.plan, larkspur.result, beds=["C99"])


def test_where_the_phone_is(larkspur: Plan) -> None:
    """The affine change against the frame's own way to degrees."""
    data = held(page_bytes(larkspur))
    frame, xy = larkspur.site.frame, larkspur.site.bed_shapes.xy
    lonlat = frame.wgs84(xy) - data["where"]["centre"]
    a, b, c, d, e, f = data["where"]["affine"]
    made = np.column_stack([lonlat @ [a, b] + c, lonlat @ [d, e] + f])
    assert np.hypot(*(made - xy).T).max() <= data["where"]["miss_m"] + 0.001
    assert data["where"]["miss_m"] < 0.1


def test_equal_plans_equal_bytes(larkspur: Plan) -> None:
    assert page_bytes(larkspur) == page_bytes(larkspur)


def test_policy_names_the_scripts_and_nothing_is_asked_of_others(larkspur: Plan) -> None:
    text = page_bytes(larkspur).decode("utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy
    assert "default-src 'none'" in policy[1]
    assert "unsafe" not in policy[1]
    for tag in ("script", "style"):
        parts = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        assert len(parts) == 1
        digest = base64.b64encode(hashlib.sha256(parts[0].encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy[1]
    assert set(re.findall(r"https?://[^\s\"'<]*", text)) == {"http://www.w3.org/2000/svg"}
    assert re.search(r"<(link|iframe|base|object)\b", text) is None
    script = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)[0]
    for way in (
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "document.write",
        "eval(",
        "fetch(",
        "XMLHttp",
    ):
        assert way not in script


def test_names_never_become_markup(tmp_path: Path) -> None:
    rings = {name: rectangle(5, 4, at=(12 * k, 0)) for k, name in enumerate(PAYLOADS)}
    plan = plan_of(tmp_path, rings, name="n" * 300)
    page = page_bytes(plan, revision=PAYLOADS[3])
    text = page.decode("utf-8")
    assert held(page)["beds"]["ids"] == PAYLOADS
    assert held(page)["beds"]["names"] == ["n" * 300] * len(PAYLOADS)
    for name in PAYLOADS:
        if "<" in name:
            assert name not in text
    assert len(re.findall("<script", text)) == 2


@pytest.mark.parametrize("title", ["</title><img src=x>", "\ud800 half a pair", "T" * 300])
def test_titles(box: Plan, title: str) -> None:
    site = replace(box.site, settings=box.site.settings.model_copy(update={"name": title}))
    page = page_bytes(Plan(site, box.measures, box.plan, box.result))
    assert held(page)["site"] == title
    assert b"</title><img" not in page


def test_no_pieces_at_all(tmp_path: Path) -> None:
    """A round bed much tighter than rigid pieces can lie: a run that nothing fits."""
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    ring = 0.35 * np.column_stack([np.cos(angle), np.sin(angle)])
    plan = plan_of(tmp_path, {"tiny": ring}, line="rigid-900mm")
    assert len(plan.result.pieces) == 0
    data = held(page_bytes(plan))
    assert data["runs"]["pieces"] == [0]
    assert data["runs"]["unmet"]
    assert data["pieces"]["ids"] == []


def test_packing_refuses_what_does_not_fit() -> None:
    with pytest.raises(UsageError, match="cannot hold"):
        packed([70_000], "<u2")
    with pytest.raises(UsageError, match="214 km"):
        Places.of(np.array([[0.0, 0.0], [3e5, 0.0]]))


def test_affine_is_exact_where_it_can_be() -> None:
    rng = np.random.default_rng(5)
    source = rng.uniform(-10, 10, (9, 2))
    made, miss = affine(source, source @ np.array([[2.0, 1.0], [-1.0, 3.0]]) + [5, 7])
    assert made == pytest.approx([2, -1, 5, 1, 3, 7])
    assert miss < 1e-12


def test_the_picture_lies_where_the_frame_says(tmp_path: Path) -> None:
    """A picture with one bright pixel block, found again through the page's affine change."""
    import io

    import rasterio
    from PIL import Image
    from rasterio import Affine

    write_features(tmp_path / "beds.geojson", {"B": polygon(rectangle(40, 30))})
    (tmp_path / "site.toml").write_text(
        'schema_version = 1\nname = "P"\nline = "flex-2m"\n[[inputs.beds]]\nfile = "beds.geojson"\n'
        '[[inputs.pictures]]\nfile = "air.tif"\n'
    )
    # UTM zone 15: the picture's rows are turned by the grid's convergence from the site's
    bare = tmp_path / "bare"
    bare.mkdir()
    plain = plan_of(bare, {"B": rectangle(40, 30)})
    frame = plain.site.frame
    mark = plain.site.bed_shapes.xy.mean(axis=0) + [3.0, -2.0]
    low, high = (frame.coords(plain.site.bed_shapes.xy, "EPSG:32615") + s for s in (-40, 40))
    corner = low.min(axis=0)[0], high.max(axis=0)[1]
    size = np.ceil((high.max(axis=0) - low.min(axis=0)) / 0.2).astype(int)
    image = np.zeros((3, size[1], size[0]), dtype="uint8") + 40
    at = (frame.coords(mark[None], "EPSG:32615")[0] - corner) / (0.2, -0.2)
    image[:, int(at[1]) - 2 : int(at[1]) + 3, int(at[0]) - 2 : int(at[0]) + 3] = 255
    with rasterio.open(
        tmp_path / "air.tif", "w", driver="GTiff", width=size[0], height=size[1], count=3, dtype="uint8",
        crs="EPSG:32615", transform=Affine(0.2, 0, corner[0], 0, -0.2, corner[1]),
    ) as file:  # fmt: skip
        file.write(image)
    plan = planned(load_site(tmp_path))
    picture = crew_picture(plan.site)
    assert picture is not None
    shown = np.asarray(Image.open(io.BytesIO(base64.b64decode(picture.url.split(",")[1]))).convert("L"))
    assert shown.shape == picture.size[::-1]
    assert max(shown.shape) <= 4096
    rows, columns = np.nonzero(shown > 200)
    a, b, c, d, e, f = picture.affine
    u, v = columns.mean() + 0.5, rows.mean() + 0.5
    moved = plan.site.frame.ground_xy(plain.site.frame.wgs84(mark[None]), "EPSG:4326")[0]
    assert np.hypot(a * u + b * v + c - moved[0], d * u + e * v + f - moved[1]) < 0.2
    assert "air.tif" in picture.text


def test_handout_writes_it_by_default(tmp_path: Path, sample_data: Path) -> None:
    args = ["handout", str(sample_data / "larkspur_close"), "--no-pictures", "--bed", "C1", "--revision", "B"]
    done = CliRunner().invoke(program, [*args, "--out", str(tmp_path / "a")])
    assert done.exit_code == 0, done.output
    assert "Crew page: 1 run, 57 pieces" in done.output
    first = (tmp_path / "a" / "crew.html").read_bytes()
    assert held(first)["revision"] == "B"
    again = CliRunner().invoke(program, [*args, "--out", str(tmp_path / "b"), "--no-crew-page"])
    assert again.exit_code == 0
    assert not (tmp_path / "b" / "crew.html").exists()
    assert "Crew page" not in again.output


def test_several_product_lines(tmp_path: Path, sample_data: Path) -> None:
    """Codes of all lines, and of each run its own usual joint."""
    site = shutil.copytree(sample_data / "larkspur_close", tmp_path / "site")
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.write('\n[bed.C2]\nline = "rigid-900mm"\n')
    plan = planned(load_site(site))
    data = held(page_bytes(plan))
    assert data["line"] == "flex-2m, rigid-900mm"
    for run, gap in zip(data["runs"]["ids"], data["runs"]["gap_um"], strict=True):
        assert gap == (6000 if run.startswith("C2-") else 2000)
    codes = [data["codes"][c]["code"] for c in numbers(data["pieces"]["code"], "<u2")]
    assert codes == list(plan.result.pieces.code)


def test_size_per_piece(tmp_path: Path) -> None:
    """About 250 bytes a piece beside the page's own 100 kB: 5,000 pieces stay far below 3 MB."""
    rings = {f"K{k}": kidney(at=(14 * (k % 5), 14 * (k // 5))) for k in range(10)}
    plan = plan_of(tmp_path, rings)
    count = len(plan.result.pieces)
    assert count > 100
    assert len(page_bytes(plan)) < 100_000 + 450 * count
