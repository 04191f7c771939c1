"""Are sights clear that viewpoints of blind spots claim? `python -m tests.bench.sights MAP TRUTH` asks the true scene.

Every blind spot of the map counts, however small. A claimed sight is right where the first true surface on it lies no
nearer than 5 cm before the target. The share of sights not claimed that are clear says how cautious claims are.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from clouds_demo.generate import read_truth
from clouds_demo.simulate import cast
from terrain.data import BoolArray, FloatArray
from terrain.maps import blind_spots
from terrain.maps.blind_search import SearchSettings
from terrain.maps.store import open_map

MOST = 3000


def clear(caster: Any, eye_m: FloatArray, target_m: FloatArray, within_m: float) -> BoolArray:
    """Return which targets no true surface hides."""
    import open3d as o3d

    way = target_m - eye_m
    length = np.linalg.norm(way, axis=1)
    rays = np.hstack([eye_m, way / length[:, None]]).astype(np.float32)
    hit = caster.cast_rays(o3d.core.Tensor(rays))["t_hit"].numpy()
    return np.asarray(hit >= length - within_m)


def main() -> None:
    """Print the share of claimed sights that are clear."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("map", type=Path)
    parser.add_argument("truth", type=Path)
    args = parser.parse_args()
    caster, _ = cast(read_truth(args.truth))
    terrain_map, rng = open_map(args.map), np.random.default_rng(0)
    eye = blind_spots.eye_of(terrain_map)
    asked: list[tuple[FloatArray, FloatArray, BoolArray]] = []
    seen_from = blind_spots._seen_from

    def noted(terrain_map: Any, eye: Any, places: FloatArray, draft: Any) -> BoolArray:
        rows = seen_from(terrain_map, eye, places, draft)
        asked.append((places + np.array([0.0, 0.0, eye.height_m]), draft.targets, rows))
        return rows

    blind_spots._seen_from = noted
    blind_spots.find_blind_spots(terrain_map, settings=SearchSettings(least_area_m2=0.0005, most=500))
    counts = {True: np.zeros(2, dtype=int), False: np.zeros(2, dtype=int)}
    for eyes, targets, rows in asked:
        for claimed in (True, False):
            k, t = np.nonzero(rows == claimed)
            few = rng.permutation(len(k))[:MOST]
            way = targets[t[few]] - eyes[k[few]]
            few = few[np.arctan2(-way[:, 2], np.hypot(way[:, 0], way[:, 1])) >= eye.grazing_rad]
            if len(few):
                counts[claimed] += [clear(caster, eyes[k[few]], targets[t[few]], 0.05).sum(), len(few)]
    print(f"{len(asked)} blind spots")  # noqa: T201
    for claimed, (right, total) in counts.items():
        words = "claimed" if claimed else "not claimed, steep enough"
        print(f"{words}: {total} sights, {right / max(total, 1):.2%} clear")  # noqa: T201


if __name__ == "__main__":
    main()
