"""KML and KMZ: folders as layers, heights, archives that mean harm; zipped walks and drawings."""

from __future__ import annotations

import time
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.errors import DataError, Fault
from siteplan.intake import Reading, Source, archives, read_features
from siteplan.model import Features
from tests.make_sites import kidney, lonlat_of, rectangle
from tests.test_gpx import BOMBS, gpx


def kml(*folders: tuple[str, dict[str, np.ndarray]], extra: str = "") -> str:
    """A KML text of polygons: folder name, then name to (n, 2) or (n, 3) vertices."""
    out = []
    for folder, shapes in folders:
        marks = []
        for name, xyz in shapes.items():
            ring = " ".join(",".join(repr(float(v)) for v in p) for p in np.vstack([xyz, xyz[:1]]))
            marks.append(
                f"<Placemark><name>{name}</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}"
                "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
            )
        out.append(f"<Folder><name>{folder}</name>{''.join(marks)}</Folder>")
    head = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
    return f"{head}{extra}{''.join(out)}</Document></kml>"


BEDS = {"K": lonlat_of(kidney()), "R": lonlat_of(rectangle(9, 3, at=(20, 0)))}
WALLS = {"house": lonlat_of(rectangle(5, 5, at=(40, 0)))}


def packed(path: Path, members: dict[str, str | bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


def read(path: Path, **options: Any) -> Features:
    return read_features([Source(path, **options)], "beds")[0]


def only(path: Path, **options: Any) -> Fault:
    with pytest.raises(DataError) as caught:
        read(path, **options)
    (fault,) = caught.value.faults
    return fault


# -- KMZ as KML ----------------------------------------------------------------


def test_a_kmz_reads_as_the_kml_in_it(tmp_path: Path) -> None:
    plain = tmp_path / "beds.kml"
    plain.write_text(kml(("beds", BEDS)))
    inside = packed(tmp_path / "beds.kmz", {"files/picture.png": b"PNG", "doc.kml": kml(("beds", BEDS))})
    a, b = read(plain), read(inside)
    assert a.names.tolist() == b.names.tolist() == ["K", "R"]
    assert np.array_equal(a.coords, b.coords)
    assert b.crs == "EPSG:4326"
    assert b.file[0] == "beds.kmz"


def test_the_real_kml_in_a_kmz(tmp_path: Path, shared_data: Path) -> None:
    path = packed(tmp_path / "real.kmz", {"doc.kml": (shared_data / "two_layers.kml").read_bytes()})
    fault = only(path)
    assert fault.code == "several-layers"
    assert '"%Bingo", "#Bingo"' in fault.what
    for layer in ("#Bingo", "doc/#Bingo"):
        found = read(path, layer=layer)
        assert len(found) == 4
        assert np.isfinite(found.z).all()
    plain = read(shared_data / "two_layers.kml", layer="#Bingo")
    assert np.array_equal(plain.coords, found.coords)
    assert np.array_equal(plain.z, found.z)
    with pytest.raises(DataError) as caught:  # the other folder holds points, and is found by its odd name
        read(path, layer="%Bingo")
    assert {f.code for f in caught.value.faults} == {"point-geometry"}


def test_several_kmls_are_chosen_by_name(tmp_path: Path) -> None:
    members: dict[str, str | bytes] = {
        "doc.kml": kml(("beds", BEDS)), "more/walls.kml": kml(("north", WALLS), ("south", BEDS)),
    }  # fmt: skip
    path = packed(tmp_path / "a.kmz", members)
    fault = only(path)
    assert fault.code == "several-layers"
    assert '"doc", "walls"' in fault.what
    assert read(path, layer="doc").names.tolist() == ["K", "R"]
    assert only(path, layer="walls").code == "several-layers"
    assert read(path, layer="walls/north").names.tolist() == ["house"]
    assert only(path, layer="wals").code == "layer-not-found"


def test_names_in_kml_stay_as_they_are(tmp_path: Path) -> None:
    odd = ["%Bingo", "#1", "100%", "{{7*7}}", "a/b"]
    shapes = {n: lonlat_of(rectangle(2, 2, at=(k * 5, 0))) for k, n in enumerate(odd)}
    path = packed(tmp_path / "a.kmz", {"doc.kml": kml(("%s", shapes))})
    assert read(path).names.tolist() == odd


def test_what_is_not_read_in_kml_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.kml"
    link = "<NetworkLink><Link><href>http://localhost:1/more.kml</href></Link></NetworkLink>"
    path.write_text(kml(("beds", BEDS), extra=link))
    _, findings = read_features([Source(path)], "beds")
    assert [f.code for f in findings] == ["kml-left-out"]
    assert "1 x NetworkLink" in findings[0].text


# -- archives that mean harm ----------------------------------------------------


def test_paths_that_lead_out_of_the_archive(tmp_path: Path) -> None:
    for name in ("../doc.kml", "/etc/doc.kml", "a/../../doc.kml", "..\\doc.kml", "C:\\doc.kml"):
        for suffix in ("kmz", "zip"):
            path = packed(tmp_path / f"a.{suffix}", {name: kml(("beds", BEDS))})
            assert only(path).code == "zip-path", name


def test_archives_in_archives(tmp_path: Path) -> None:
    inner = packed(tmp_path / "inner.kmz", {"doc.kml": kml(("beds", BEDS))}).read_bytes()
    fault = only(packed(tmp_path / "a.kmz", {"doc.kml": kml(("beds", BEDS)), "more.kmz": inner}))
    assert fault.code == "kmz-nested"
    assert "more.kmz" in fault.what
    assert only(packed(tmp_path / "b.kmz", {"more.kmz": inner})).code == "kmz-without-kml"
    assert only(packed(tmp_path / "c.zip", {"more.kmz": inner})).code == "zip-without-layer"


@pytest.mark.parametrize("suffix", ["kmz", "zip"])
def test_a_bomb_is_told_without_unpacking_it(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    packed(path, {"doc.kml": b"<kml>" + b" " * 80_000_000})
    begun = time.process_time()
    fault = only(path)
    assert time.process_time() - begun < 0.5
    assert fault.code == "zip-bomb"
    assert "80 MB" in fault.what


def test_a_bomb_beside_the_kml_counts_too(tmp_path: Path) -> None:
    path = packed(tmp_path / "a.kmz", {"doc.kml": kml(("beds", BEDS)), "x.png": bytes(3_000_000)})
    assert only(path).code == "zip-bomb"


def test_limits_on_size_and_number(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = packed(tmp_path / "a.kmz", {"doc.kml": kml(("beds", BEDS)), "x": b"x", "y": b"y"})
    monkeypatch.setattr(archives, "MOST_MEMBERS", 2)
    assert only(path).code == "zip-bomb"
    monkeypatch.setattr(archives, "MOST_MEMBERS", 3)
    assert len(read(path)) == 2
    monkeypatch.setattr(archives, "MOST_BYTES", 100)
    assert only(path).code == "zip-bomb"


def test_sizes_that_lie(tmp_path: Path) -> None:
    """The archive says a member is small; what is unpacked says otherwise."""
    path = packed(tmp_path / "a.kmz", {"doc.kml": b"<kml>" + b" " * 3_000_000})
    raw = path.read_bytes()
    size = (3_000_005).to_bytes(4, "little")
    assert raw.count(size) == 2
    path.write_bytes(raw.replace(size, (1000).to_bytes(4, "little")))
    assert only(path).code in ("zip-damaged", "zip-bomb")


def test_what_is_unpacked_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = packed(tmp_path / "a.kmz", {"doc.kml": kml(("beds", BEDS))})
    with zipfile.ZipFile(path) as archive:
        monkeypatch.setattr(archives, "MOST_BYTES", 1000)
        with pytest.raises(DataError) as caught:
            archives.read_member(archive, "doc.kml", "a.kmz")
    assert caught.value.faults[0].code == "zip-bomb"


def test_locked_and_damaged_archives(tmp_path: Path) -> None:
    path = packed(tmp_path / "a.kmz", {"doc.kml": kml(("beds", BEDS))})
    raw = bytearray(path.read_bytes())
    for mark in (b"PK\x03\x04", b"PK\x01\x02"):
        raw[raw.index(mark) + (6 if mark[2] == 3 else 8)] |= 1  # general purpose bit 0: encrypted
    path.write_bytes(bytes(raw))
    assert only(path).code == "zip-damaged"
    path.write_bytes(b"PK\x03\x04 and then nothing")
    assert only(path).code == "zip-damaged"
    path.write_text(kml(("beds", BEDS)))
    assert only(path).code == "zip-damaged"


@pytest.mark.parametrize("name", list(BOMBS))
@pytest.mark.parametrize("suffix", ["kml", "kmz", "zip"])
def test_document_types_in_kml(tmp_path: Path, name: str, suffix: str) -> None:
    text = BOMBS[name].replace("gpx", "kml")
    path = tmp_path / f"a.{suffix}"
    if suffix == "kml":
        path.write_text(text)
    else:
        packed(path, {"doc.kml": text})
    begun = time.process_time()
    assert only(path).code == "xml-doctype"
    assert time.process_time() - begun < 2


def test_broken_kml_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "a.kml"
    path.write_text(kml(("beds", BEDS)).replace("</Folder>", "\n</Folda>"))
    fault = only(path)
    assert fault.code == "damaged-file"
    assert "line 2" in fault.what


# -- other files in archives ------------------------------------------------------


def test_a_zipped_walk_is_read_as_a_walk(tmp_path: Path) -> None:
    lonlat = lonlat_of(kidney(60, size=20))
    path = packed(tmp_path / "a.zip", {"walks/one.gpx": gpx(("walk", lonlat))})
    found = read(path, reading=Reading(simplify_m=0.0))
    assert np.array_equal(found.coords, lonlat)
    found = read(path, layer="one", reading=Reading(simplify_m=0.0))
    assert len(found) == 1


# -- there and back ------------------------------------------------------------------


@settings(deadline=None, derandomize=True, max_examples=25)
@given(st.integers(0, 2**31), st.integers(3, 30), st.floats(-179, 179), st.floats(-80, 80), st.booleans())
def test_any_outline_written_as_kmz_reads_back(
    tmp_path_factory: pytest.TempPathFactory, seed: int, count: int, lon: float, lat: float, with_z: bool
) -> None:
    noise = np.random.default_rng(seed)
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    ring = np.array([lon, lat]) + 1e-4 * noise.uniform(1, 2, count)[:, None] * np.column_stack(
        [np.cos(turn), np.sin(turn)]
    )
    assert shapely.is_valid(shapely.Polygon(ring))
    z = noise.uniform(-50, 3000, count)
    shape = np.column_stack([ring, z]) if with_z else ring
    path = packed(tmp_path_factory.mktemp("kmz") / "a.kmz", {"doc.kml": kml(("beds", {"b": shape}))})
    found = read(path)
    # the text has every digit, and the reader takes them all
    assert np.array_equal(found.coords, ring)
    assert np.array_equal(found.z, z) if with_z else not np.nan_to_num(found.z).any()
