"""Who may ask the desk, and what becomes of requests nobody should send."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siteplan.desk.wire import MOST_BYTES, MOST_DEPTH, Refused, parsed

from .desk_sites import HEADERS, ORIGIN, Desk, desk, put, two_beds

POSTS = ("/api/try", "/api/edit", "/api/undo", "/api/back", "/api/geometry", "/api/measure", "/api/compare")


@pytest.fixture(scope="module")
def open_desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    with desk(two_beds(tmp_path_factory.mktemp("desk") / "site")) as made:
        yield made


def sent(made: Desk, path: str, body: bytes, **headers: str) -> Any:
    told = {**HEADERS, "Content-Type": "application/json", "If-Match": "x", **headers}
    return made.client.post(path, content=body, headers={k: v for k, v in told.items() if v})


# ---------------------------------------------------------------- who may ask


@pytest.mark.parametrize(
    "host", ["example.org", "example.org:80", "127.0.0.1.example.org", "127.0.0.1:1", ""]
)
def test_foreign_names_get_no_answer(open_desk: Desk, host: str) -> None:
    """A foreign name that was pointed at this machine (DNS rebinding) reads nothing."""
    for path in ("/", "/api/site", "/assets/leaflet/leaflet.js"):
        answer = open_desk.client.get(path, headers={"Host": host})
        assert answer.status_code == 400
        assert "Test site" not in answer.text
        assert "desk-token" not in answer.text


@pytest.mark.parametrize("site", ["cross-site", "same-site", "other"])
def test_other_sites_read_nothing(open_desk: Desk, site: str) -> None:
    for path in ("/", "/api/site", "/api/features", "/tiles/0/1/0/0"):
        assert open_desk.client.get(path, headers={"Sec-Fetch-Site": site}).status_code == 403
    assert open_desk.client.get("/api/site", headers={"Origin": "https://example.org"}).status_code == 403
    assert open_desk.client.get("/api/site", headers={"Sec-Fetch-Site": "same-origin"}).status_code == 200


def test_no_answer_may_be_read_by_another_site(open_desk: Desk) -> None:
    for path in ("/", "/api/site", "/api/nothing", "/assets/leaflet/leaflet.js"):
        headers = open_desk.client.get(path).headers
        assert not [k for k in headers if k.startswith("access-control")]
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["x-content-type-options"] == "nosniff"
    for method in ("OPTIONS", "PUT", "DELETE", "PATCH"):
        assert open_desk.client.request(method, "/api/site").status_code == 405


@pytest.mark.parametrize(
    ("changed", "status"),
    [
        ({"Origin": ""}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "http://localhost"}, 403),
        ({"Origin": "https://127.0.0.1"}, 403),
        ({"X-Desk-Token": ""}, 403),
        ({"X-Desk-Token": "another"}, 403),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Type": ""}, 415),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
    ],
)
def test_a_change_must_come_from_our_own_page(open_desk: Desk, changed: dict[str, str], status: int) -> None:
    before = open_desk.head()
    body = json.dumps({"base": 1, "what": "x", "changes": [{"op": "drop", "role": "beds", "id": "B3"}]})
    headers = {"If-Match": before["etag"], **changed}
    answer = sent(open_desk, "/api/edit", body.encode(), **headers)
    assert answer.status_code == status
    assert answer.json()["faults"][0]["what"]
    assert open_desk.head() == before


def test_the_page_may_run_its_own_scripts_only(open_desk: Desk) -> None:
    answer = open_desk.client.get("/")
    policy = answer.headers["content-security-policy"]
    scripts = next(p for p in policy.split(";") if p.strip().startswith("script-src"))
    assert "'self'" in scripts
    assert "unsafe" not in scripts
    for part in ("default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'none'"):
        assert part in policy
    assert "http" not in policy


@pytest.mark.parametrize(
    "path",
    [
        "/assets/desk/..%2Fsession.py",
        "/assets/desk/../session.py",
        "/assets/desk/%2e%2e/app.py",
        "/assets/desk/page.html",
        "/assets/desk/desk.css%00",
        "/assets/leaflet/../LICENSE",
        "/assets/leaflet/images/..%2f..%2f..%2fLICENSE",
        "/assets/leaflet//etc/passwd",
        "/docs",
        "/openapi.json",
        "/site.toml",
        "/tiles/0/1/0",
        "/tiles/a/1/0/0",
        "/tiles/0/999999999999/0/0",
        "/tiles/0/-1/0/0",
        "/api/export/..%2f..%2fsite.toml",
    ],
)
def test_nothing_else_is_served(open_desk: Desk, path: str) -> None:
    answer = open_desk.client.get(path)
    assert answer.status_code in (400, 404), answer.text[:200]
    assert answer.json()["faults"]


# ---------------------------------------------------------------- bodies nobody should send

BAD = [
    b"",
    b"no json",
    b"\xff\xfe",
    b"null",
    b"[]",
    b'"text"',
    b"[" * 100_000,
    b'{"a":' * 100_000,
    b"{" + b'"a":[' * 30 + b"]" * 30 + b"}",
    b'{"base": NaN}',
    b'{"base": Infinity}',
    b'{"base": 1e999}',
    b'{"base": ' + b"9" * 5000 + b"}",
    b'{"base": 1, "what": "x", "changes": [{"op": "put", "geometry": null}]}',
]


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize("body", BAD, ids=range(len(BAD)))
def test_malformed_bodies_get_a_sentence(open_desk: Desk, path: str, body: bytes) -> None:
    answer = sent(open_desk, path, body)
    assert 400 <= answer.status_code < 500, answer.text[:300]
    assert answer.json()["faults"][0]["what"]


def test_the_body_is_counted_while_it_is_read(open_desk: Desk) -> None:
    """A body of unknown length is cut off, not gathered."""
    given = []

    async def endless() -> Any:
        for _ in range(40):
            given.append(1)
            yield b" " * 1_000_000

    answer = open_desk.client.post(
        "/api/try", content=endless(), headers={**HEADERS, "Content-Type": "application/json"}
    )
    assert answer.status_code == 413
    assert len(given) <= MOST_BYTES // 1_000_000 + 2
    assert sent(open_desk, "/api/try", b" " * (MOST_BYTES + 1)).status_code == 413


PUT = {
    "op": "put",
    "role": "beds",
    "id": "B3",
    "name": "x",
    "kinds": [0],
    "rings": [[[-93.5996, 41.6], [-93.5995, 41.6], [-93.5995, 41.6001]]],
    "attributes": {},
}
STRANGE: list[Any] = [
    None,
    True,
    -1,
    0.5,
    1e300,
    -1e308,
    "",
    "x" * 3000,
    "\ud800",
    [],
    {},
    [[]],
    [None],
    {"a": {"b": []}},
]


@pytest.mark.parametrize("key", [*PUT, "base", "changes", "what"])
def test_wrong_kinds_of_values_get_a_sentence(open_desk: Desk, key: str) -> None:
    before = open_desk.head()
    for value in STRANGE:
        # some strange values are allowed, so nothing is saved with those
        allowed = key in ("id", "name", "attributes", "what", "base")
        for path in ("/api/try",) if allowed else ("/api/try", "/api/edit"):
            change = {**PUT, key: value} if key in PUT else PUT
            body = {"base": before["revision"], "what": "x", "changes": [change]}
            if key not in PUT:
                body[key] = value
            answer = sent(open_desk, path, json.dumps(body).encode(), **{"If-Match": before["etag"]})
            assert answer.status_code < 500, (key, value, answer.text[:300])
            if answer.status_code >= 400:
                assert answer.json()["faults"][0]["what"]
    assert open_desk.head() == before


@pytest.mark.parametrize(
    "rings",
    [
        [],
        [[]],
        [[[0, 0]]],
        [[[0, 0], [1, 1]]],
        [[[200, 0], [0, 0], [1, 1]]],
        [[[0, 95], [0, 0], [1, 1]]],
        [[[-93.6, 41.6, 5], [-93.59, 41.6, 5], [-93.59, 41.61, 5]]],
        [[["a", "b"], [0, 0], [1, 1]]],
        [[[-93.6, 41.6]] * 5],
        [[[0, 0], [0.001, 0], [0.001, 0.001]]],
        [[[-93.6, 41.6], [-93.5999, 41.6], [-93.6, 41.6001], [-93.5999, 41.6001]]],
        [[[-93.6, 41.6]] * 100_001],
    ],
    ids=range(12),
)
def test_drawings_that_are_none_are_refused(open_desk: Desk, rings: Any) -> None:
    before = open_desk.head()
    change = {**PUT, "rings": rings, "kinds": [0] * len(rings)}
    body = {"base": before["revision"], "what": "x", "changes": [change]}
    answer = sent(open_desk, "/api/edit", json.dumps(body).encode(), **{"If-Match": before["etag"]})
    assert answer.status_code in (400, 413, 422), answer.text[:300]
    fault = answer.json()["faults"][0]
    assert fault["what"]
    assert open_desk.head() == before


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**20), 10**20) | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)
fields = st.sampled_from(
    ["base", "changes", "what", "op", "role", "id", "ids", "rings", "kinds", "line", "ring", "path", "value",
     "leg", "reading", "key", "points", "towards", "length", "square", "a", "b", "through", "at", "pixel_m",
     "except", "lines", "revision", "to", "closed"]
)  # fmt: skip
ops = st.sampled_from(
    ["put", "drop", "split", "merge", "island", "set", "tape", "drop_tape", "next", "snap", "arc"]
)
objects = st.dictionaries(fields, json_values | st.just([[-93.6, 41.6], [-93.5999, 41.6001]]), max_size=8)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(path=st.sampled_from(POSTS), body=objects, op=ops, change=objects)
def test_no_body_makes_the_desk_stumble(
    open_desk: Desk, path: str, body: dict[str, Any], op: str, change: dict[str, Any]
) -> None:
    _fuzz(open_desk, path, body, op, change)


@pytest.mark.slow
@settings(max_examples=5_000, deadline=None, suppress_health_check=list(HealthCheck))
@given(path=st.sampled_from(POSTS), body=objects, op=ops, change=objects)
def test_no_body_of_thousands_makes_the_desk_stumble(
    open_desk: Desk, path: str, body: dict[str, Any], op: str, change: dict[str, Any]
) -> None:
    _fuzz(open_desk, path, body, op, change)


def _fuzz(made: Desk, path: str, body: dict[str, Any], op: str, change: dict[str, Any]) -> None:
    before = made.head()
    given_body = {"base": before["revision"], "op": op, **body}
    if isinstance(given_body.get("changes"), (type(None), list)):
        given_body["changes"] = [{**change, "op": op, "role": change.get("role", "beds")}]
    text = json.dumps(given_body)
    answer = sent(made, path, text.encode(), **{"If-Match": before["etag"]})
    assert answer.status_code < 500, (path, text[:500], answer.text[:300])
    if answer.status_code >= 400:
        assert answer.json()["faults"][0]["what"]


@pytest.mark.parametrize(
    "path",
    [
        "/api/features?bbox=1,2,3", "/api/features?bbox=a,b,c,d", "/api/features?bbox=nan,0,1,1",
        "/api/features?bbox=1e300,0,1,1", "/api/plan?zoom=x", "/api/plan?zoom=nan", "/api/plan?zoom=1e9",
        "/api/at", "/api/at?lon=1", "/api/at?lon=x&lat=y", "/api/at?lon=inf&lat=0", "/api/at?lon=0&lat=0",
        "/api/panel?bed=nothing", "/api/settings?bed=nothing", "/api/export/nothing",
    ],
)  # fmt: skip
def test_questions_nobody_should_ask(open_desk: Desk, path: str) -> None:
    answer = open_desk.client.get(path)
    assert 400 <= answer.status_code < 500
    assert answer.json()["faults"][0]["what"]


def test_depth_is_counted_outside_texts() -> None:
    assert parsed(json.dumps({"a": "[" * 1000 + '\\"' + "{" * 1000}).encode())["a"].startswith("[[")
    with pytest.raises(Refused, match="nested deeper"):
        parsed(b'{"a":' + b"[" * MOST_DEPTH + b"]" * MOST_DEPTH + b"}")


@given(st.floats())
def test_numbers_are_finite(value: float) -> None:
    body = f'{{"a": {json.dumps(value)}}}'.encode()
    if math.isfinite(value):
        assert parsed(body)["a"] == value
    else:
        with pytest.raises(Refused):
            parsed(body)


NAMES = [
    "<img src=x onerror=alert(1)>", "</script><script>alert(1)</script>", "{{7*7}}", "${7*7}", "`x`",
    '"quotes" and \'such\'', "\u202eright to left", "{% raw %}", "a\\b", "名前", "{# note #}",
]  # fmt: skip


def test_names_come_back_as_they_were(tmp_path: Path) -> None:
    with desk(two_beds(tmp_path / "site")) as made:
        for name in NAMES:
            answer = made.edit(put(made.feature("B3"), name=name))
            assert answer["features"][0]["name"] == name
            assert made.feature("B3")["name"] == name
            assert made.get("/api/panel?bed=B3")["title"].startswith(name)
        page = made.client.get("/").text
        assert "onerror" not in page
        assert ORIGIN not in page


def test_the_title_of_the_page_is_text(tmp_path: Path) -> None:
    folder = two_beds(tmp_path / "site")
    toml = (folder / "site.toml").read_text(encoding="utf-8")
    (folder / "site.toml").write_text(
        toml.replace("Test site", "</title><img src=x>{{7*7}}"), encoding="utf-8"
    )
    with desk(folder) as made:
        page = made.client.get("/").text
    assert "<title>&lt;/title&gt;&lt;img src=x&gt;{{7*7}}</title>" in page
