"""The page's service: the same verdicts as `ask`, one line for every error, and no way out of the bundle."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx
import numpy as np
import pytest
import shapely

from terrain.maps.answers import describe
from terrain.maps.overrules import read_overrules
from terrain.maps.store import open_map
from terrain.maps.write import write_map
from terrain.page.app import make_app
from terrain.page.layers import KEYS, NONE, TILE
from tests.support.listening import listening
from tests.support.map_contents import make_contents, make_raster

SQUARE = [[0.0, 0.5], [0.5, 0.5], [0.5, 1.0], [0.0, 1.0]]


def write(out: Path) -> Path:
    """Write the hand-made map, its raster at the height of its cloud."""
    raster = make_raster()
    level = replace(raster, height_m=np.where(np.isnan(raster.height_m), np.nan, 0.0).astype(np.float32))
    write_map(out, make_contents(points=2000, rasters=(level,)), replace=False)
    return out


@contextmanager
def talking(folder: Path) -> Iterator[httpx.Client]:
    with listening(make_app(folder)) as address, httpx.Client(base_url=address, timeout=60) as client:
        yield client


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("page") / "map")


@pytest.fixture(scope="module")
def reader(shared: Path) -> Iterator[httpx.Client]:
    """Talk to a page on which nobody decides anything."""
    with talking(shared) as client:
        yield client


@pytest.fixture
def folder(shared: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(shared, tmp_path / "map"))


@pytest.fixture
def client(folder: Path) -> Iterator[httpx.Client]:
    with talking(folder) as client:
        yield client


def test_the_site_names_levels_layers_foot_and_cautions(reader: httpx.Client) -> None:
    site = reader.get("/api/site").json()
    assert site["survey"] == "dry dock, east apron"
    assert [layer["key"] for layer in site["layers"]] == list(KEYS)
    assert site["levels"][0]["cells"] == [60, 40]
    assert site["foot"]["outline_m"]
    assert site["cautions"]


@pytest.mark.parametrize("key", KEYS)
def test_every_layer_has_tiles_and_a_scale(reader: httpx.Client, key: str) -> None:
    tile = reader.get(f"/api/tile/0/{key}/0/0/0")
    assert tile.status_code == 200
    cells = np.frombuffer(tile.content, dtype=np.uint8).reshape(TILE, TILE)
    assert (cells[:40, :60] != NONE).any()
    scale = reader.get(f"/api/scale/{key}").json()
    assert scale["low"] < scale["high"]
    assert reader.get(f"/api/mesh/0/{key}").status_code == 200


@pytest.mark.parametrize(
    "path",
    ["/api/tile/9/label/0/0/0", "/api/tile/0/no-such/0/0/0", "/api/tile/0/label/99/0/0", "/api/tile/0/label/0/-1/0",
     "/api/scale/no-such", "/api/mesh/9/label", "/api/mesh/0/no-such"],
)  # fmt: skip
def test_what_is_not_there_is_told_in_one_line(reader: httpx.Client, path: str) -> None:
    answer = reader.get(path)
    assert answer.status_code == 400
    assert "\n" not in answer.json()["error"]


def test_verdicts_are_those_of_ask(reader: httpx.Client, shared: Path) -> None:
    opened = open_map(shared)
    for x, y, yaw_deg in ((0.9, 1.0, 30.0), (-0.05, 0.0, 0.0), (1.1, 0.0, 90.0), (30.0, 0.0, 0.0)):
        got = reader.post("/api/judge", json={"x_m": x, "y_m": y, "yaw_deg": yaw_deg}).json()["verdict"]
        judged = opened.judge([[x, y, math.radians(yaw_deg)]])
        assert got == json.loads(json.dumps(describe(opened, judged, 0)))


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/judge", {"x_m": "a", "y_m": 0, "yaw_deg": 0}),
        ("/api/judge", {"x_m": 0, "y_m": 0}),
        ("/api/judge", {"x_m": 0, "y_m": 0, "yaw_deg": 0, "more": 1}),
        ("/api/section", {"start_m": [0], "end_m": [1, 1]}),
        ("/api/overrules", {"kind": "burn", "area_m": SQUARE, "level": 0, "name": "a", "reason": "b"}),
        ("/api/overrules", {"kind": "accept", "area_m": SQUARE[:2], "level": 0, "name": "a", "reason": "b"}),
        ("/api/overrules", {"kind": "accept", "area_m": SQUARE, "level": 0, "name": " ", "reason": "b"}),
    ],
)
def test_wrong_forms_are_told_in_one_line_and_change_nothing(
    reader: httpx.Client, shared: Path, path: str, body: dict[str, object]
) -> None:
    answer = reader.post(path, json=body)
    assert answer.status_code in (400, 422)
    assert "\n" not in answer.json()["error"]
    assert read_overrules(shared).records == ()


def test_infinite_numbers_are_refused(reader: httpx.Client) -> None:
    answer = reader.post(
        "/api/judge", content='{"x_m": 1e999, "y_m": 0, "yaw_deg": 0}', headers={"content-type": "application/json"}
    )
    assert answer.status_code == 422


def test_a_decision_reaches_ask_and_is_undone(client: httpx.Client, folder: Path) -> None:
    opened = open_map(folder)
    before = client.get("/api/overrules").json()["revision"]
    new = {"kind": "keep-out", "area_m": SQUARE, "level": None, "name": "Ines Example", "reason": "hose"}
    assert client.post("/api/overrules", json=new).json()["number"] == 1
    now = client.get("/api/overrules").json()
    assert now["revision"] != before
    assert [rule["name"] for rule in now["in_force"]] == ["Ines Example"]
    assert opened.judge([[0.2, 0.7, 0.0]]).reasons(0)[0] == "kept-out"
    tile = np.frombuffer(client.get("/api/tile/0/label/0/0/0").content, dtype=np.uint8).reshape(TILE, TILE)
    assert tile[int((0.75 + 0.5) / 0.05), int((0.25 + 1.0) / 0.05)] == 3
    assert client.post("/api/overrules/1/undo", json={"name": "Bo Example"}).status_code == 200
    assert "kept-out" not in opened.judge([[0.2, 0.7, 0.0]]).reasons(0)
    assert client.post("/api/overrules/1/undo", json={"name": "Bo Example"}).status_code == 400


def test_past_a_limit_needs_its_name(client: httpx.Client, folder: Path) -> None:
    """The hand-made map's ramp rises by 20 degrees, the biped's limit is 18."""
    opened = open_map(folder)
    ramp = [[0.65, -0.45], [1.45, -0.45], [1.45, 0.45], [0.65, 0.45]]
    placement = [[1.05, 0.0, 0.0]]
    assert opened.judge(placement).label[0] == 3
    preview = client.post("/api/overrules/preview", json={"area_m": ramp, "level": None}).json()
    past = {row["quantity"]: row["worst"] for row in preview["past_limits"]}
    assert 19.5 < past["slope_deg"] < 90.0
    new = {"kind": "accept", "area_m": ramp, "level": 0, "name": "Ines Example", "reason": "mats laid"}
    number = client.post("/api/overrules", json=new).json()["number"]
    assert opened.judge(placement).label[0] == 3
    second = {
        "past_limits": {"slope_deg": past["slope_deg"]},
        "confirmed": [],
        "name": "Ines Example",
        "reason": "mats",
    }
    assert client.post(f"/api/overrules/{number}/past-limit", json=second).status_code == 400
    assert opened.judge(placement).label[0] == 3
    second["confirmed"] = ["slope_deg"]
    assert client.post(f"/api/overrules/{number}/past-limit", json=second).status_code == 200
    judged = opened.judge(placement)
    answer = describe(opened, judged, 0)
    assert (answer["label"], answer["measured_label"]) == ("steppable", "unsteppable")
    assert answer["overrule"]["past_limits_by"][0]["name"] == "Ines Example"


def test_ground_that_nobody_saw_is_listed_with_rings_and_stops(reader: httpx.Client) -> None:
    """The hand-made raster lacks its first 10 by 10 cells, from x = -1 to -0.5 and y = -0.5 to 0."""
    found = reader.post("/api/unseen", json={"route_m": [[-0.9, -0.3], [0.5, 1.0]]}).json()
    assert found["route_m"] == [[-0.9, -0.3], [0.5, 1.0]]
    (spot,) = found["spots"]
    hole = shapely.Polygon(spot["rings_m"][0], spot["rings_m"][1:])
    assert hole.contains(shapely.Point(-0.9, -0.3))
    seen = shapely.box(-0.5, -0.5, 2.0, 1.5).union(shapely.box(-1.0, 0.0, 2.0, 1.5))
    assert hole.intersection(seen).area < 1e-6
    assert reader.post("/api/unseen", json={"route_m": [[0.0, 0.0]]}).status_code == 400


def test_changes_are_told_only_against_an_earlier_map(reader: httpx.Client, shared: Path, tmp_path: Path) -> None:
    """A block of 0.3 m square rises by 0.2 m between two passes over a floor that is otherwise the same."""
    assert reader.get("/api/changes").json() == {"earlier": None, "areas": []}
    raster = make_raster()
    flat = replace(
        raster,
        height_m=np.zeros_like(raster.height_m),
        label=np.ones_like(raster.label),
        slope_rad=np.zeros_like(raster.label),
        headroom_m=np.full_like(raster.label, np.inf),
        points=np.full_like(raster.label, 9.0),
        height_sd_m=np.full_like(raster.label, 0.001),
    )
    risen = flat.height_m.copy()
    risen[20:26, 30:36] = 0.2
    for name, height in (("before", flat.height_m), ("after", risen)):
        level = replace(flat, height_m=height)
        write_map(tmp_path / name, make_contents(points=100, rasters=(level,)), replace=False)
    with (
        listening(make_app(tmp_path / "after", earlier=tmp_path / "before")) as address,
        httpx.Client(base_url=address, timeout=60) as client,
    ):
        assert client.get("/api/site").json()["has_earlier"]
        found = client.get("/api/changes").json()
    (area,) = [row for row in found["areas"] if row["change"] == "raised"]
    assert area["height_change_m"] == pytest.approx(0.2, abs=0.005)
    assert area["area_m2"] == pytest.approx(0.09, abs=0.03)
    ring = np.array(area["rings_m"][0])
    np.testing.assert_allclose(ring.mean(axis=0), [0.65, 0.65], atol=0.1)


def test_points_come_shuffled_in_parts(reader: httpx.Client) -> None:
    whole = reader.get("/api/points?start=0&count=500000").content
    total, here = np.frombuffer(whole, dtype="<f8", count=2)
    assert total == here == 2000
    assert len(whole) == 64 + 2000 * 7
    part = reader.get("/api/points?start=1900&count=200").content
    assert np.frombuffer(part, dtype="<f8", count=2).tolist() == [2000, 100]


def test_points_that_saw_ground_are_told_from_what_stands_about(reader: httpx.Client) -> None:
    """The level lies at z = 0 where it is known: its cells show that, and points must not hide their labels."""
    whole = reader.get("/api/points?start=0&count=500000").content
    low, size = np.frombuffer(whole, dtype="<f8", count=8)[2:].reshape(2, 3)
    x, y, z = (low + size * np.frombuffer(whole, dtype="<u2", count=6000, offset=64).reshape(-1, 3) / 65535.0).T
    ground = np.frombuffer(whole, dtype=np.uint8, offset=64 + 6 * 2000)
    known = np.isfinite(make_raster().height_m)
    raster = make_raster()
    columns = np.clip(((x - raster.x0_m) / raster.cell_m).astype(int), 0, known.shape[1] - 1)
    rows = np.clip(((y - raster.y0_m) / raster.cell_m).astype(int), 0, known.shape[0] - 1)
    inner = np.abs((np.stack((x - raster.x0_m, y - raster.y0_m)) / raster.cell_m + 0.5) % 1.0 - 0.5).min(axis=0) > 0.01
    inner &= np.abs(np.abs(z) - 0.05) > 1e-4  # neither on a cell's border nor on that of the height
    expected = known[rows, columns] & (np.abs(z) < 0.05)
    assert 0 < expected[inner].sum() < inner.sum()
    assert (ground[inner] == expected[inner]).all()


def test_a_replaced_map_is_opened_anew(client: httpx.Client, folder: Path) -> None:
    first = client.get("/api/site").json()
    write_map(folder, make_contents(points=100, survey_name="second pass"), replace=True)
    second = client.get("/api/site").json()
    assert second["survey"] == "second pass"
    assert second["revision"] != first["revision"]


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/%2e%2e/app.py",
        "/..%2fapp.py",
        "/app.py",
        "/sources.sha256",
        "/dev/axe.min.js",
        "/map.json",
    ],
)
def test_no_path_leads_out_of_the_bundle(reader: httpx.Client, path: str) -> None:
    assert reader.get(path).status_code == 404


def test_the_page_may_load_nothing_from_elsewhere(reader: httpx.Client) -> None:
    policy = reader.get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy


def test_another_site_cannot_decide_anything(client: httpx.Client, folder: Path) -> None:
    new = {"kind": "accept", "area_m": SQUARE, "level": 0, "name": "Eve Example", "reason": "none"}
    assert client.post("/api/overrules", json=new, headers={"origin": "http://elsewhere.example"}).status_code == 403
    assert client.post("/api/overrules", json=new, headers={"host": "rebound.example"}).status_code == 421
    assert read_overrules(folder).records == ()
