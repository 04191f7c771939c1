"""How often does a comparison of two passes report what did not change?

`python -m tests.bench.passes FOLDER --seeds 1 7`: for each seed the demo dock is walked twice, with other sway and
noise and nothing changed, and twice more with a timber moved and a block set down. Takes minutes a seed; maps that are
in FOLDER already are used again.
"""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path

import numpy as np

from clouds_demo import generate
from clouds_demo.scene import build_scene
from clouds_demo.shapes import Scene
from clouds_demo.simulate import Faults, Lidar, draw_motion, record_poses, simulate
from terrain.compare.compare import compare_maps
from terrain.maps.store import TerrainMap, open_map
from terrain.pipeline import assess


def changed(scene: Scene) -> Scene:
    """Return the scene with its first timber moved by 0.32 m and a copy of a keel block set down on the walk."""
    solid = {name: next(f.solid for f in scene.facets if f.name == name) for name in ("timber 0", "block A0")}
    block = [f for f in scene.facets if f.solid == solid["block A0"]]
    corner = np.concatenate([f.exterior for f in block])
    centre, foot = corner.mean(axis=0), scene.walk[len(scene.walk) // 3]
    shift = np.array([foot[0] - centre[0], foot[1] - centre[1], foot[2] - corner[:, 2].min()])
    moved = [
        dataclasses.replace(f, exterior=f.exterior + np.array([0.3, 0.1, 0.0])) if f.solid == solid["timber 0"] else f
        for f in scene.facets
    ]
    first = max(f.id for f in scene.facets) + 1
    extra = [
        dataclasses.replace(f, id=first + k, solid=10_000, exterior=f.exterior + shift) for k, f in enumerate(block)
    ]
    return dataclasses.replace(scene, facets=(*moved, *extra))


def walk(folder: Path, seed: int, noise: int, *, points: int, change: bool) -> TerrainMap:
    """Return the map of one pass over a dock."""
    if (folder / "map" / "map.json").is_file():
        return open_map(folder / "map")
    scene = changed(build_scene(seed)) if change else build_scene(seed)
    lidar, faults = Lidar(), Faults()
    motion = draw_motion(scene, np.random.default_rng([noise, 4]))
    (folder / "scans").mkdir(parents=True, exist_ok=True)
    for number, part in enumerate(simulate(scene, motion, points=points, seed=noise, lidar=lidar, faults=faults)):
        generate.write_scan(folder / "scans" / f"scan_{number:03d}.laz", part)
    poses = record_poses(motion, np.random.default_rng([noise, 5]), faults=faults)
    generate.write_poses(folder / "poses.txt", *poses)
    text = generate.survey_text(seed, lidar, faults, "none")
    (folder / "survey.toml").write_text(text, encoding="utf-8")
    assess(folder / "survey.toml", folder / "map", reuse=False)
    return open_map(folder / "map")


def main() -> None:
    """Print what each pair of passes reports."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--points", type=int, default=1_650_000)
    args = parser.parse_args()
    for seed in args.seeds:
        maps = [
            walk(args.folder / f"{seed}-{k}", seed, 100 * seed + k, points=args.points, change=k >= 2) for k in range(4)
        ]
        for k, j in ((0, 1), (2, 3), (0, 2), (1, 3)):
            got = compare_maps(maps[k], maps[j])
            areas = "; ".join(f"{a.change.word} {a.area_m2:.3f} m2 {a.height_change_m:+.3f} m" for a in got.changed)
            kind = "nothing changed" if (k < 2) == (j < 2) else "changed"
            print(f"seed {seed}, passes {k} and {j}, {kind}: {len(got.changed)} areas  {areas}", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
