"""The service: the answers of the library over HTTP, as JSON and Arrow; limits; newer maps; no server errors."""

from __future__ import annotations

import json
import os
import shutil
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from terrain.errors import ConfigError, ReadError
from terrain.maps.overrules import add_area
from terrain.maps.store import TerrainMap, open_map
from terrain.maps.write import write_map
from terrain.serve.app import Limits, make_app
from terrain.serve.arrow import ARROW
from terrain.serve.shelf import Shelf, parse_map_arguments
from terrain.web.listen import make_listener
from tests.support.map_contents import make_contents

PLACEMENTS = {"x_m": [0.3, -0.25, -0.05, 1.0, 9.0], "y_m": [0.9, 0.0, 0.0, 0.0, 9.0], "yaw_deg": [0, 90, 45, -30, 0]}
LABELS = ("unobserved", "steppable", "marginal", "unsteppable")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("serve") / "dock"
    write_map(out, make_contents(points=50), replace=False)
    return out


@pytest.fixture(scope="module")
def dock(folder: Path) -> TerrainMap:
    return open_map(folder)


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[httpx.Client]:
    with running(make_app(Shelf([("dock", folder)]), Limits(max_placements=2100))) as client:
        yield client


@contextmanager
def running(app: Any) -> Iterator[httpx.Client]:
    """Serve on a free port, as the command does, and give a client of it."""
    listener = make_listener(app)
    thread = threading.Thread(target=listener.run)
    thread.start()
    try:
        with httpx.Client(base_url=listener.address.url, timeout=60) as client:
            while not listener.server.started:
                time.sleep(0.01)
            yield client
    finally:
        listener.server.should_exit = True
        thread.join(30)


def array_of(columns: dict[str, list[Any]]) -> np.ndarray:
    return np.column_stack([columns["x_m"], columns["y_m"], np.radians(columns["yaw_deg"])])


def arrow_body(columns: dict[str, Any]) -> bytes:
    sink = pa.BufferOutputStream()
    batch = pa.record_batch({name: pa.array(values) for name, values in columns.items()})
    with pa.ipc.new_stream(sink, batch.schema) as writer:
        writer.write_batch(batch)
    return sink.getvalue().to_pybytes()


def arrow_table(body: bytes) -> pa.Table:
    return pa.ipc.open_stream(body).read_all()


# --------------------------------------------------------------------------- the answers of the library


def test_judge_as_json(client: httpx.Client, dock: TerrainMap) -> None:
    got = client.post("/maps/dock/judge", json=PLACEMENTS)
    assert got.status_code == 200
    table, want = got.json(), dock.judge(array_of(PLACEMENTS))
    columns = table["columns"]
    assert table["rows"] == 5 and {len(values) for values in columns.values()} == {5}
    assert (table["map"], table["version"]) == ("dock", dock.version)
    assert columns["label"] == [LABELS[k] for k in want.label]
    assert columns["reasons"] == [";".join(want.reasons(k)) for k in range(5)]
    assert columns["z_m"] == [None if np.isnan(z) else round(z, 6) + 0.0 for z in want.z_m]
    assert columns["slope_deg"][0] == pytest.approx(np.degrees(want.slope_rad[0]), abs=1e-6)
    assert columns["patch_id"] == [None if k < 0 else k for k in want.patch_id]
    assert len(set(columns["label"])) >= 3


def test_judge_as_arrow(client: httpx.Client, dock: TerrainMap) -> None:
    got = client.post("/maps/dock/judge", content=arrow_body(PLACEMENTS), headers={"content-type": ARROW})
    assert got.status_code == 200 and got.headers["content-type"] == ARROW
    table, want = arrow_table(got.content), dock.judge(array_of(PLACEMENTS))
    table.validate(full=True)
    for name, values in (("z_m", want.z_m), ("edge_m", want.edge_m), ("support", want.support)):
        np.testing.assert_array_equal(table[name].to_numpy(), values)
        assert table[name].null_count == np.count_nonzero(np.isnan(values))
    label = table["label"].combine_chunks()
    assert label.dictionary.to_pylist() == list(LABELS)
    np.testing.assert_array_equal(label.indices.to_numpy(), want.label)
    assert table["reasons"].to_pylist() == [";".join(want.reasons(k)) for k in range(5)]
    assert table.schema.metadata[b"version"].decode() == dock.version


def test_question_and_answer_may_be_of_different_kinds(client: httpx.Client) -> None:
    got = client.post("/maps/dock/judge", json=PLACEMENTS, headers={"accept": ARROW})
    assert arrow_table(got.content).num_rows == 5
    got = client.post(
        "/maps/dock/judge",
        content=arrow_body({**PLACEMENTS, "x_m": np.array(PLACEMENTS["x_m"], np.float32), "note": ["a"] * 5}),
        headers={"content-type": ARROW, "accept": "text/html, application/json;q=0.9"},
    )
    assert got.json()["rows"] == 5


def test_a_level_height_chooses_the_level(client: httpx.Client) -> None:
    asked = {"x_m": [0.3, 0.3], "y_m": [0.9, 0.9], "yaw_deg": [0, 0], "level_z_m": [None, 3.0]}
    for body in (client.post("/maps/dock/judge", json=asked).json()["columns"],):
        assert body["label"] == ["steppable", "unobserved"]
        assert body["level_z_m"] == [None, 3.0]
    got = client.post("/maps/dock/judge", content=arrow_body(asked), headers={"content-type": ARROW})
    assert arrow_table(got.content)["label"].to_pylist() == ["steppable", "unobserved"]


def test_screen_tells_what_judge_calls_steppable_and_marginal(client: httpx.Client) -> None:
    """Few placements, which are judged, and many, which are not all."""
    rng = np.random.default_rng(2)
    for n in (5, 600):
        asked = {
            "x_m": rng.uniform(-1.2, 2.2, n).tolist(),
            "y_m": rng.uniform(-0.7, 1.7, n).tolist(),
            "yaw_deg": rng.uniform(-180.0, 180.0, n).tolist(),
        }
        label = client.post("/maps/dock/judge", json=asked).json()["columns"]["label"]
        got = client.post("/maps/dock/screen", json=asked).json()["columns"]
        assert got["steppable"] == [int(word == "steppable") for word in label]
        assert got["marginal"] == [int(word == "marginal") for word in label]
        packed = client.post("/maps/dock/screen", content=arrow_body(asked), headers={"content-type": ARROW})
        assert arrow_table(packed.content)["steppable"].to_pylist() == got["steppable"]
    assert sum(got["steppable"]) and sum(got["marginal"])


def test_nearest(client: httpx.Client, dock: TerrainMap) -> None:
    got = client.post("/maps/dock/nearest?radius_m=0.1&turn_deg=15", json=PLACEMENTS).json()["columns"]
    want = dock.nearest(array_of(PLACEMENTS), 0.1, turn_rad=np.radians(15.0))
    assert got["found"] == want.found.astype(int).tolist()
    assert got["moved_m"] == pytest.approx(want.moved_m, abs=1e-6)
    assert got["turned_deg"] == pytest.approx(np.degrees(want.turned_rad), abs=1e-6)
    assert got["label"] == [LABELS[k] for k in want.verdicts.label]


def test_field(client: httpx.Client, dock: TerrainMap) -> None:
    query = "x0_m=-0.4&y0_m=-0.2&nx=5&ny=4&step_m=0.1&yaw_deg=30&reach_m=0.2"
    got = client.get(f"/maps/dock/field?{query}").json()["columns"]
    want = dock.field(-0.4 + 0.1 * np.arange(5), -0.2 + 0.1 * np.arange(4), np.radians(30.0), reach_m=0.2)
    assert got["border_m"] == pytest.approx(want.border_m.ravel(), abs=1e-6)
    assert got["label"] == [LABELS[k] for k in want.label.ravel()]
    assert got["x_m"][:5] == pytest.approx([-0.4, -0.3, -0.2, -0.1, 0.0])


def test_height_and_patches(client: httpx.Client, dock: TerrainMap) -> None:
    import shapely

    got = client.post("/maps/dock/height", json={"x_m": [-0.25, 9.0], "y_m": [0.0, 9.0]}).json()["columns"]
    assert got["height_m"] == [pytest.approx(0.1), None]
    got = client.get("/maps/dock/patches?x_m=-0.25&y_m=0&radius_m=0.1").json()["columns"]
    want = dock.patches_near(-0.25, 0.0, 0.1)
    assert got["patch_id"] == want.patch_id.tolist() and got["reasons"] == ["edge;support"]
    assert shapely.from_wkt(got["outline_wkt"][0]).equals_exact(want.outline[0], 1e-4)
    empty = client.get("/maps/dock/patches?x_m=90&y_m=0&radius_m=0.1", headers={"accept": ARROW})
    assert arrow_table(empty.content).num_rows == 0


def test_one_verdict_in_words_and_what_it_rests_on(client: httpx.Client, dock: TerrainMap) -> None:
    got = client.get("/maps/dock/ask?x_m=1&y_m=0&yaw_deg=-30").json()
    assert got["label"] == "unsteppable" and any(why.startswith("slope: tilted by") for why in got["why"])
    about = client.get("/maps/dock").json()
    assert about["limits"]["slope_deg"] == {"comfort": 10.0, "limit": 18.0} and about["cautions"]
    assert [entry["map"] for entry in client.get("/maps").json()["maps"]] == ["dock"]


def test_places_far_beyond_the_earth_are_answered_too(client: httpx.Client) -> None:
    """Found by schemathesis: rounding to micrometres overflowed."""
    spots = {"x_m": [1.7e308, -5.9e301, 2e9], "y_m": [3e16, 8e-225, -0.0]}
    columns = client.post("/maps/dock/height", json=spots).json()["columns"]
    assert columns["x_m"] == spots["x_m"] and columns["y_m"] == [3e16, 0.0, 0.0]
    assert columns["height_m"] == [None] * 3
    judged = client.post("/maps/dock/judge", json={**spots, "yaw_deg": [1e300, 0.0, -1e18]}).json()["columns"]
    assert judged["label"] == ["unobserved"] * 3
    field = "x0_m=1e9&y0_m=-1e12&nx=2&ny=2&step_m=1&reach_m=1"
    assert client.get(f"/maps/dock/field?{field}").status_code in (200, 422)
    assert client.get("/maps/dock/patches?x_m=1e308&y_m=-1e308&radius_m=1").json()["rows"] == 0
    assert client.get("/maps/dock/ask?x_m=1e308&y_m=-1e308&yaw_deg=1e308").json()["label"] == "unobserved"


def test_nothing_asked_nothing_answered(client: httpx.Client) -> None:
    for body in ({"x_m": [], "y_m": [], "yaw_deg": []},):
        assert client.post("/maps/dock/judge", json=body).json()["rows"] == 0
        got = client.post(
            "/maps/dock/judge",
            content=arrow_body({k: pa.array([], pa.float64()) for k in body}),
            headers={"content-type": ARROW},
        )
        assert arrow_table(got.content).num_rows == 0


# --------------------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("method", "path", "options", "status", "message"),
    [
        ("GET", "/nowhere", {}, 404, "no such address"),
        ("GET", "/maps/quay", {}, 404, "no map 'quay', expected one of dock"),
        ("GET", "/maps/dock/judge", {}, 405, "GET is not allowed"),
        ("GET", "/maps/dock/ask?x_m=a&y_m=0&yaw_deg=0", {}, 422, "query.x_m: got 'a'"),
        ("GET", "/maps/dock/ask?x_m=nan&y_m=0&yaw_deg=0", {}, 422, "query.x_m: got 'nan'"),
        ("GET", "/maps/dock/ask", {}, 422, "query.x_m: is missing (and 2 more)"),
        ("GET", "/maps/dock/ask?x_m=0&y_m=0&yaw_deg=0&level_m=2", {}, 422, "query.level_m: is not known, expected x_m"),
        ("POST", "/maps/dock/judge?yaws=8", {"json": PLACEMENTS}, 422, "query.yaws: is not known, expected none"),
        ("POST", "/maps/dock/judge", {"content": b"x"}, 415, "Content-Type is"),
        ("POST", "/maps/dock/judge", {"json": {"x_m": [1], "y_m": [1]}}, 422, "yaw_deg: is missing"),
        ("POST", "/maps/dock/judge", {"json": {**PLACEMENTS, "x_m": [1, None]}}, 422, "x_m.1: got None"),
        ("POST", "/maps/dock/judge", {"json": {**PLACEMENTS, "x_m": [1, "2"]}}, 422, "x_m.1: got '2'"),
        ("POST", "/maps/dock/judge", {"json": {**PLACEMENTS, "x_m": [True, 2]}}, 422, "x_m.0: got True"),
        ("GET", "/maps/dock/ask?x_m=0&y_m=0&yaw_deg=0&x_m=9", {}, 422, "query.x_m: got ['0', '9'], expected it once"),
        ("POST", "/maps/dock/judge", {"json": {**PLACEMENTS, "x_m": [1]}}, 422, "got lengths"),
        ("POST", "/maps/dock/judge", {"json": {**PLACEMENTS, "z": [1]}}, 422, "z: got [1]"),
        ("POST", "/maps/dock/judge", {"json": {k: [0.0] * 2101 for k in PLACEMENTS}}, 413, "got 2101 placements"),
        ("POST", "/maps/dock/nearest?radius_m=1", {"json": PLACEMENTS}, 413, "to try, 7845 about each"),
        ("POST", "/maps/dock/nearest?radius_m=-1", {"json": PLACEMENTS}, 422, "query.radius_m: got '-1'"),
        ("POST", "/maps/dock/nearest?radius_m=100&step_m=0.001", {"json": PLACEMENTS}, 422, "spots to try"),
        ("GET", "/maps/dock/field?x0_m=0&y0_m=0&nx=50&ny=50", {}, 413, "with those in reach"),
    ],
)
def test_refusals_are_one_clear_line(
    client: httpx.Client, method: str, path: str, options: dict[str, Any], status: int, message: str
) -> None:
    headers = {"content-type": "text/plain"} if "content" in options else {}
    got = client.request(method, path, headers=headers, **options)
    assert got.status_code == status
    assert list(got.json()) == ["error"]
    assert message in got.json()["error"] and "\n" not in got.json()["error"]


def test_an_answer_of_a_kind_that_is_not_to_be_had(client: httpx.Client) -> None:
    got = client.post("/maps/dock/judge", json=PLACEMENTS, headers={"accept": "text/csv"})
    assert got.status_code == 406 and "text/csv" in got.json()["error"]


@pytest.mark.parametrize(
    ("body", "status", "message"),
    [
        (b"no arrow", 422, "Arrow stream: cannot read"),
        (b"", 422, "Arrow stream: cannot read"),
        (arrow_body(PLACEMENTS)[:-40], 422, "Arrow stream: cannot read"),
        (arrow_body({"x_m": [1.0], "y_m": [1.0]}), 422, "no column yaw_deg: got x_m, y_m"),
        (arrow_body({**PLACEMENTS, "x_m": ["a"] * 5}), 422, "column x_m is string, expected numbers"),
        (arrow_body({**PLACEMENTS, "x_m": [1.0, None, 1, 1, 1]}), 422, "row 1"),
        (arrow_body({k: np.zeros(2101) for k in PLACEMENTS}), 413, "more than 2100 rows"),
    ],
)
def test_arrow_bodies_that_are_refused(client: httpx.Client, body: bytes, status: int, message: str) -> None:
    got = client.post("/maps/dock/judge", content=body, headers={"content-type": ARROW})
    assert (got.status_code, list(got.json())) == (status, ["error"])
    assert message in got.json()["error"]


@pytest.mark.parametrize("codec", ["lz4", "zstd"])
def test_compressed_arrow_bodies_are_refused(client: httpx.Client, codec: str) -> None:
    """A body of zeros shrinks a thousand times; unpacked it would pass every limit on the body's size."""
    batch = pa.record_batch(
        {**{k: np.zeros(1000) for k in PLACEMENTS}, "note": pa.array(["a"] * 1000).dictionary_encode()}
    )
    for options in (None, pa.ipc.IpcWriteOptions(compression=codec)):
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, batch.schema, options=options) as writer:
            writer.write_batch(batch)
        body = sink.getvalue().to_pybytes()
        got = client.post("/maps/dock/judge", content=body, headers={"content-type": ARROW})
        assert got.status_code == (422 if options else 200)
    assert "is compressed" in got.json()["error"]


def test_damaged_arrow_bodies_are_never_a_server_error(client: httpx.Client) -> None:
    whole, rng = arrow_body(PLACEMENTS), np.random.default_rng(2)
    for _ in range(60):
        body = bytearray(whole)
        for at in rng.integers(0, len(body), 3):
            body[at] = rng.integers(0, 256)
        got = client.post("/maps/dock/judge", content=bytes(body), headers={"content-type": ARROW})
        assert got.status_code in (200, 413, 422), got.text


def test_without_pyarrow_the_error_says_what_to_install(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    got = client.post("/maps/dock/judge", content=b"", headers={"content-type": ARROW})
    assert got.status_code == 415 and "pip install 'terrain-steppability[arrow]'" in got.json()["error"]
    got = client.post("/maps/dock/judge", json=PLACEMENTS, headers={"accept": ARROW})
    assert got.status_code == 406 and "pip install" in got.json()["error"]
    assert client.post("/maps/dock/judge", json=PLACEMENTS).status_code == 200


def test_more_than_may_wait_is_told_to_come_back(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf, hold = Shelf([("dock", folder)]), threading.Event()
    slow = TerrainMap.judge
    monkeypatch.setattr(TerrainMap, "judge", lambda self, placements: (hold.wait(10), slow(self, placements))[1])
    app = make_app(shelf, Limits(max_running=1, max_waiting=1))
    with running(app) as client:
        answers: list[int] = []
        threads = [
            threading.Thread(
                target=lambda: answers.append(client.post("/maps/dock/judge", json=PLACEMENTS).status_code)
            )
            for _ in range(2)
        ]
        for thread in threads:
            thread.start()
        deadline = time.monotonic() + 10
        while "terrain_jobs_waiting 1.0" not in client.get("/metrics").text and time.monotonic() < deadline:
            time.sleep(0.01)
        refused = client.post("/maps/dock/judge", json=PLACEMENTS)
        assert refused.status_code == 429 and refused.headers["retry-after"] == "1"
        assert client.get("/health").status_code == 200  # state is told also when all are busy
        hold.set()
        for thread in threads:
            thread.join(20)
        assert answers == [200, 200]
        figures = {
            s.name: s.value for f in text_string_to_metric_families(client.get("/metrics").text) for s in f.samples
        }
        assert figures["terrain_jobs_refused_total"] == 1.0 and figures["terrain_jobs_running"] == 0.0


# --------------------------------------------------------------------------- state


def test_metrics_are_read_by_the_reference_parser(client: httpx.Client) -> None:
    client.get("/maps/dock/ask?x_m=1&y_m=0&yaw_deg=0")
    got = client.get("/metrics")
    assert got.headers["content-type"].startswith("text/plain")
    families = {family.name: family for family in text_string_to_metric_families(got.text)}
    samples = [s for s in families["terrain_requests"].samples if s.labels.get("route") == "/maps/{name}/ask"]
    assert {s.labels["status"] for s in samples} >= {"200", "422"}
    assert families["terrain_placements"].samples[0].value > 0
    assert families["terrain_map_newest"].samples[0].value == 1.0


def test_health(client: httpx.Client, dock: TerrainMap) -> None:
    got = client.get("/health").json()
    assert got["status"] == "ok"
    assert got["maps"] == [{"map": "dock", "version": dock.version, "newest": True, "trouble": None}]


def test_a_newer_map_is_taken_up_and_no_request_is_dropped(folder: Path, tmp_path: Path) -> None:
    own = tmp_path / "dock"
    shutil.copytree(folder, own)
    app = make_app(Shelf([("dock", own)]), Limits(poll_s=0.02))
    with running(app) as client:
        seen: list[tuple[int, str]] = []
        stop = threading.Event()

        def ask() -> None:
            while not stop.is_set():
                got = client.post("/maps/dock/judge", json=PLACEMENTS)
                seen.append((got.status_code, got.headers["terrain-map-version"]))

        threads = [threading.Thread(target=ask) for _ in range(2)]
        for thread in threads:
            thread.start()
        versions = []
        for points in (60, 70, 80):
            write_map(own, make_contents(points=points), replace=True)
            versions.append(open_map(own).version)
            deadline = time.monotonic() + 10
            while client.get("/health").json()["maps"][0]["version"] != versions[-1] and time.monotonic() < deadline:
                time.sleep(0.02)
        time.sleep(0.1)
        stop.set()
        for thread in threads:
            thread.join(20)
        assert {status for status, _ in seen} == {200}
        assert seen[-1][1] == versions[-1] and {version for _, version in seen} >= {versions[-1]}
        # a version that cannot be read: the older one answers, and health says why
        (own / "ground" / "height_m.npy").write_bytes(b"cut")
        manifest = json.loads((own / "map.json").read_text())
        # In one step, or the service may meet it while it is empty.
        (own / "again.json").write_text(json.dumps(manifest))
        (own / "again.json").replace(own / "map.json")
        deadline = time.monotonic() + 10
        while client.get("/health").json()["status"] == "ok" and time.monotonic() < deadline:
            time.sleep(0.02)
        health = client.get("/health").json()
        assert health["status"] == "degraded" and "height_m.npy" in health["maps"][0]["trouble"]
        assert health["maps"][0]["version"] == versions[-1]
        write_map(own, make_contents(points=90), replace=True)  # put right: it is taken up again
        deadline = time.monotonic() + 10
        while client.get("/health").json()["status"] != "ok" and time.monotonic() < deadline:
            time.sleep(0.02)
        assert client.get("/health").json()["maps"][0]["version"] == open_map(own).version


def test_areas_that_people_kept_out_count_at_once(folder: Path, tmp_path: Path) -> None:
    own = tmp_path / "dock"
    shutil.copytree(folder, own)
    with running(make_app(Shelf([("dock", own)]))) as client:
        before = client.post("/maps/dock/judge", json=PLACEMENTS).json()
        area = [(0.2, 0.8), (0.4, 0.8), (0.4, 1.0), (0.2, 1.0)]
        add_area(own, kind="keep-out", area_m=area, level=None, name="A. Nobody", reason="wet paint")
        after = client.post("/maps/dock/judge", json=PLACEMENTS).json()
        field = client.get("/maps/dock/field?x0_m=0.3&y0_m=0.9&nx=2&ny=2&reach_m=0.1").json()["columns"]
    assert (before["decisions"], after["decisions"]) == (0, 1)
    assert before["columns"]["label"][0] == "steppable" and after["columns"]["label"][0] == "unsteppable"
    assert after["columns"]["reasons"][0] == "kept-out"
    assert (after["columns"]["measured_label"][0], after["columns"]["decision"][0]) == ("steppable", 1)
    assert (before["columns"]["overruled_by"][0], after["columns"]["overruled_by"][0]) == ("", "A. Nobody")
    assert field["border_m"][0] < 0.0


def test_a_map_that_was_deleted_is_no_fault_of_the_question(folder: Path, tmp_path: Path) -> None:
    """Without its folder nobody knows what people kept out: no answer. RFC 9110, 15.5 and 15.6: whose fault it is."""
    own = tmp_path / "dock"
    shutil.copytree(folder, own)
    with running(make_app(Shelf([("dock", own)]))) as client:
        shutil.rmtree(own)
        asked = client.get("/maps/dock/ask?x_m=0.3&y_m=0.9&yaw_deg=0")
        judged = client.post("/maps/dock/judge", json=PLACEMENTS)
    assert (asked.status_code, judged.status_code) == (503, 503)
    assert "dock/map.json: cannot read" in asked.json()["error"]


def test_names_of_maps(folder: Path, tmp_path: Path) -> None:
    assert parse_map_arguments(["a/map-dock", "east=b/map-dock/"]) == [
        ("map-dock", Path("a/map-dock")),
        ("east", Path("b/map-dock/")),
    ]
    with pytest.raises(ConfigError, match="twice"):
        Shelf([("dock", folder), ("dock", folder)])
    with pytest.raises(ConfigError, match="give it one: NAME="):
        Shelf([("the dock", folder)])
    with pytest.raises(ConfigError, match="got none"):
        Shelf([])
    with pytest.raises(ReadError, match="not a map folder"):
        Shelf([("dock", tmp_path)])


# --------------------------------------------------------------------------- made-up requests


@pytest.fixture(scope="module")
def api(folder: Path) -> Iterator[Any]:
    with running(make_app(Shelf([("dock", folder)]), Limits(max_placements=500))) as client:
        yield schemathesis.openapi.from_url(f"{client.base_url}openapi.json")


CHECKS = [
    schemathesis.checks.not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
MADE_UP = int(os.environ.get("TERRAIN_MADE_UP_REQUESTS", "20"))
OPERATIONS = (
    ("GET", "/health"),
    ("GET", "/metrics"),
    ("GET", "/maps"),
    ("GET", "/maps/{name}"),
    ("GET", "/maps/{name}/ask"),
    ("GET", "/maps/{name}/field"),
    ("GET", "/maps/{name}/patches"),
    ("POST", "/maps/{name}/judge"),
    ("POST", "/maps/{name}/nearest"),
    ("POST", "/maps/{name}/screen"),
    ("POST", "/maps/{name}/height"),
)


SPOT = {"x_m": 0.3, "y_m": 0.9, "yaw_deg": 0.0}
SOUND: dict[str, dict[str, Any]] = {
    "/maps/{name}/ask": {"query": SPOT},
    "/maps/{name}/field": {"query": {"x0_m": 0.3, "y0_m": 0.9, "yaw_deg": 0.0, "nx": 2, "ny": 3, "reach_m": 0.1}},
    "/maps/{name}/patches": {"query": {"x_m": 0.3, "y_m": 0.9, "radius_m": 1.0}},
    "/maps/{name}/judge": {"body": PLACEMENTS},
    "/maps/{name}/nearest": {"body": PLACEMENTS, "query": {"radius_m": 0.1}},
    "/maps/{name}/screen": {"body": PLACEMENTS},
    "/maps/{name}/height": {"body": {"x_m": [0.3], "y_m": [0.9]}},
}
"""Beside those made up, one request that is sound: so each operation answers at least once, whatever was made up."""


def test_every_operation_is_in_the_list(api: Any) -> None:
    found = {(o.ok().method.upper(), o.ok().path) for o in api.get_all_operations()}
    assert found == set(OPERATIONS)


@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_made_up_requests_meet_the_description(api: Any, method: str, path: str) -> None:
    """schemathesis: no server error, and answers as the OpenAPI description says; half of them on a map that exists."""
    seen: set[int] = set()

    @given(case=api[path][method].as_strategy(), known=st.integers(0, 1))
    @settings(max_examples=MADE_UP, deadline=None, suppress_health_check=list(HealthCheck))
    def ask(case: Any, known: int) -> None:
        if known and "{name}" in path:
            case.path_parameters["name"] = "dock"
            if "nx" in (case.query or {}):  # nearly every made-up window is larger than a request may ask for
                case.query.update(nx=2, ny=3)
        seen.add(case.call_and_validate(checks=CHECKS).status_code)

    ask()
    operation = api[path][method]
    parts = {"media_type": "application/json"} if method == "POST" else {}
    sound = operation.Case(path_parameters={"name": "dock"}, **SOUND.get(path, {}), **parts)
    seen.add(sound.call_and_validate(checks=CHECKS).status_code)
    assert 200 in seen, seen
