"""What a planner waits for: `NUMBA_NUM_THREADS=1 python -m tests.bench.planner MAP` (a map of the demo).

- open: a process of its own imports the package and opens the map;
- judge: placements a second in batches of 10,000, placed at random where there is ground; beside one read of the
  heights of the sole's cells at the same places, which is what no judge can do without;
- screen: the same batch, told only which are steppable and which marginal;
- http: 10,000 placements in one request, Arrow and JSON, beside the same batch in Python, both on all threads given;
- clients: four of them ask for 100 placements at a time; the median and the 99th hundredth of their waits;
- nearest and field: a plan's worth of each.

Every figure is the median of `--runs` turns. Compare figures of one run only.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import numba
import numpy as np

from terrain.data import FloatArray
from terrain.maps.store import TerrainMap, open_map

BATCH = 10_000
CLIENTS, SMALL = 4, 100


def seconds(job: Callable[[], Any], runs: int) -> float:
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        job()
        taken.append(time.perf_counter() - start)
    return median(taken)


def random_placements(terrain_map: TerrainMap, n: int) -> FloatArray:
    """Return placements where a level has ground, anywhere in the cell, at any yaw."""
    rng = np.random.default_rng(1)
    raster = terrain_map.level(terrain_map.levels[0])
    row, column = np.nonzero(np.isfinite(raster.height_m))
    k = rng.integers(0, len(row), n)
    x = raster.x0_m + (column[k] + rng.random(n)) * raster.cell_m
    y = raster.y0_m + (row[k] + rng.random(n)) * raster.cell_m
    return np.column_stack([x, y, rng.uniform(-np.pi, np.pi, n)])


@numba.njit
def read_soles(first, height, tile_slot, ix, iy, low_x, high_x, low_y, high_y):  # type: ignore[no-untyped-def]
    """Add up the topmost heights of the cells in a box about each spot, as large as the sole."""
    total = 0.0
    for k in range(len(ix)):
        for y in range(iy[k] + low_y, iy[k] + high_y):
            for x in range(ix[k] + low_x, ix[k] + high_x):
                tx, ty = x >> 6, y >> 6
                if x < 0 or y < 0 or ty >= tile_slot.shape[0] or tx >= tile_slot.shape[1] or tile_slot[ty, tx] < 0:
                    continue
                c = tile_slot[ty, tx] * 4096 + ((y & 63) << 6) + (x & 63)
                if first[c + 1] > first[c]:
                    total += height[first[c + 1] - 1]
    return total


def reader_of(terrain_map: TerrainMap, placements: FloatArray) -> Callable[[], float]:
    ground, grid = terrain_map.ground, terrain_map.ground.grid
    ix = np.floor((placements[:, 0] - grid.x0_m) / grid.cell_m).astype(np.int64)
    iy = np.floor((placements[:, 1] - grid.y0_m) / grid.cell_m).astype(np.int64)
    low, high = (
        np.round(edge / grid.cell_m).astype(int).tolist()
        for edge in (terrain_map.foot.outline_m.min(axis=0), terrain_map.foot.outline_m.max(axis=0))
    )
    box = (low[0], high[0], low[1], high[1])
    return lambda: float(read_soles(ground.first, ground.height_m, grid.tile_slot, ix, iy, *box))


def open_seconds(folder: Path) -> float:
    program = (
        "import time; start = time.perf_counter(); import terrain; terrain.open_map(__import__('sys').argv[1]); "
        "print(time.perf_counter() - start)"
    )
    done = subprocess.run([sys.executable, "-c", program, str(folder)], capture_output=True, text=True, check=True)
    return float(done.stdout)


def arrow_body(placements: FloatArray) -> bytes:
    import pyarrow as pa

    columns = dict(zip(("x_m", "y_m", "yaw_deg"), (placements * [1, 1, 180 / np.pi]).T, strict=True))
    batch = pa.record_batch({name: np.ascontiguousarray(values) for name, values in columns.items()})
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema) as writer:
        writer.write_batch(batch)
    return bytes(sink.getvalue())


def measure_service(folder: Path, placements: FloatArray, runs: int) -> dict[str, float]:
    """Serve the map in a process of its own and ask it over one connection a client, kept open."""
    import httpx

    command = [sys.executable, "-m", "terrain.cli.main", "serve", f"map={folder}", "--port", "0"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    try:
        url = process.stdout.readline().strip()
        arrow = {"content-type": "application/vnd.apache.arrow.stream"}
        body, small = arrow_body(placements), arrow_body(placements[:SMALL])
        x, y, yaw = (placements * [1, 1, 180 / np.pi]).T.tolist()
        text = json.dumps({"x_m": x, "y_m": y, "yaw_deg": yaw})
        with httpx.Client(base_url=url, timeout=120) as client:

            def ask(content: Any, headers: dict[str, str]) -> None:
                client.post("/maps/map/judge", content=content, headers=headers).raise_for_status()

            ask(body, arrow)
            found = {
                "http_arrow_s": seconds(lambda: ask(body, arrow), runs),
                "http_json_s": seconds(lambda: ask(text, {"content-type": "application/json"}), runs),
            }
        waits: list[float] = []

        def many() -> None:
            with httpx.Client(base_url=url, timeout=120) as own:
                for _ in range(50 * runs):
                    start = time.perf_counter()
                    own.post("/maps/map/judge", content=small, headers=arrow).raise_for_status()
                    waits.append(time.perf_counter() - start)

        threads = [threading.Thread(target=many) for _ in range(CLIENTS)]
        start = time.perf_counter()
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        found["clients_placements_per_s"] = len(waits) * SMALL / (time.perf_counter() - start)
        found["clients_p50_s"], found["clients_p99_s"] = np.percentile(waits, [50, 99]).tolist()
        return found
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


def seconds_of(job: Callable[[], float], runs: int) -> float:
    return median(job() for _ in range(runs))


def window(placements: FloatArray) -> tuple[FloatArray, FloatArray]:
    x, y = placements[0, :2]
    return x + np.arange(0.0, 2.0, 0.05), y + np.arange(0.0, 2.0, 0.05)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("map", type=Path)
    parser.add_argument("--runs", type=int, default=5)
    arguments = parser.parse_args()
    runs, folder = arguments.runs, arguments.map
    terrain_map = open_map(folder)
    placements = random_placements(terrain_map, BATCH)
    read = reader_of(terrain_map, placements)
    terrain_map.judge(placements[:10])
    read()
    judge_s, read_s = seconds(lambda: terrain_map.judge(placements), runs), seconds(read, runs)
    terrain_map.screen(placements)
    screen_s = seconds(lambda: terrain_map.screen(placements), runs)
    found = {
        "open_s": seconds_of(lambda: open_seconds(folder), runs),
        "threads": float(numba.get_num_threads()),
        "judge_placements_per_s": BATCH / judge_s,
        "judge_over_read": judge_s / read_s,
        "screen_placements_per_s": BATCH / screen_s,
        "screen_over_read": screen_s / read_s,
        "nearest_20_within_20_cm_s": seconds(lambda: terrain_map.nearest(placements[:20], 0.2), runs),
        "field_2_m_by_2_m_5_cm_s": seconds(lambda: terrain_map.field(*window(placements), 0.3), runs),
        **measure_service(folder, placements, runs),
    }
    found["http_arrow_over_python"] = found["http_arrow_s"] / judge_s
    for name, value in found.items():
        sys.stdout.write(f"{name:32} {value:12.4f}\n")


if __name__ == "__main__":
    main()
