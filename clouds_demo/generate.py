"""Write the invented survey: scans, poses, survey file and truth.

Run `python -m clouds_demo.generate --seed 1 --points 1500000 --out DIR`.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clouds_demo.scene import build_scene
from clouds_demo.shapes import Facet, FloatArray, HeightField, Scene
from clouds_demo.simulate import Faults, Lidar, Returns, draw_motion, record_poses, simulate

DEFAULT_SEED = 1
DEFAULT_POINTS = 1_650_000
TRUTH_FORMAT = "invented dock truth 1"
LAZ_SCALE_M = 0.001
MOVERS_FILE = "movers.npz"
"""Beside the truth, where something moves: for each scan file, which of its returns come from something moving."""


@dataclass(frozen=True, slots=True)
class Written:
    """What was written: the survey file, the truth, how many returns, the shares that are mixed and that move."""

    survey: Path
    truth: Path
    returns: int
    mixed: float
    moving: float = 0.0


def generate(
    out: Path,
    *,
    seed: int = DEFAULT_SEED,
    points: int = DEFAULT_POINTS,
    scale: int = 1,
    lidar: Lidar | None = None,
    faults: Faults | None = None,
    refine: str = "auto",
) -> Written:
    """Write an invented survey of about `points` returns into the folder `out`, which may exist.

    The same arguments give the same files.
    """
    lidar, faults = lidar or Lidar(), faults or Faults()
    scene = build_scene(seed, scale=scale)
    motion = draw_motion(scene, np.random.default_rng([seed, 4]))
    scans = out / "scans"
    scans.mkdir(parents=True, exist_ok=True)
    for old in scans.glob("scan_*.laz"):
        old.unlink()
    total = mixed = 0
    moving: dict[str, Any] = {}
    for number, part in enumerate(simulate(scene, motion, points=points, seed=seed, lidar=lidar, faults=faults)):
        write_scan(scans / f"scan_{number:03d}.laz", part)
        moving[f"scan_{number:03d}"] = part.mover
        total, mixed = total + len(part.time_s), mixed + int(part.mixed.sum())
    poses = record_poses(motion, np.random.default_rng([seed, 5]), faults=faults)
    write_poses(out / "poses.txt", *poses)
    survey = out / "survey.toml"
    survey.write_text(survey_text(seed, lidar, faults, refine), encoding="utf-8")
    truth = out / "truth.json"
    write_truth(truth, scene, lidar=lidar, faults=faults, points=total)
    (out / MOVERS_FILE).unlink(missing_ok=True)
    if faults.movers > 0.0:
        np.savez_compressed(out / MOVERS_FILE, **moving)
    share = sum(int(part.sum()) for part in moving.values()) / max(total, 1)
    return Written(survey, truth, total, mixed / max(total, 1), share)


def read_movers(folder: Path) -> Any:
    """Return which returns of the scans in a folder, in the order of the files, come from something that moves."""
    with np.load(folder / MOVERS_FILE) as parts:
        return np.concatenate([parts[name] for name in sorted(parts.files)])


def write_scan(path: Path, part: Returns) -> None:
    """Write one LAZ file, point format 6, coordinates in the sensor frame in whole millimetres."""
    import laspy

    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = np.full(3, LAZ_SCALE_M)
    header.offsets = np.zeros(3)
    header.generating_software = "invented survey"
    header.creation_date = None
    las = laspy.LasData(header)
    las.x, las.y, las.z = part.xyz_sensor_m.T
    las.gps_time = part.time_s
    las.return_number = np.ones(len(part.time_s), dtype=np.uint8)
    las.number_of_returns = np.ones(len(part.time_s), dtype=np.uint8)
    las.write(str(path))


def write_poses(path: Path, time_s: FloatArray, position_m: FloatArray, rotation_xyzw: FloatArray) -> None:
    """Write poses T_map_body, one a line."""
    rows = np.column_stack([time_s, position_m, rotation_xyzw])
    head = "invented walk; timestamp tx ty tz qx qy qz qw"
    np.savetxt(path, rows, fmt=["%.3f", *("%.4f",) * 3, *("%.6f",) * 4], header=head, encoding="utf-8")


def survey_text(seed: int, lidar: Lidar, faults: Faults, refine: str) -> str:
    """Return the survey file."""
    shift = ", ".join(f"{v:g}" for v in lidar.mount_translation_m)
    turned = ", ".join(f"{v:g}" for v in lidar.mount_rotation_xyzw)
    return f"""\
# An invented survey of an invented dry dock (seed {seed}): no real place, sensor or walk.
[survey]
name = "invented dry dock, seed {seed}"

[frame]
points = "sensor"
gravity = [0.0, 0.0, -1.0]

[sensor]
mount = {{ translation_m = [{shift}], rotation_xyzw = [{turned}] }}
range_sd_m = {lidar.range_sd_m:g}
beam_divergence_mrad = {lidar.divergence_rad * 1e3:g}
min_range_m = {lidar.min_range_m:g}
max_range_m = {lidar.max_range_m:g}
time_offset_s = 0.0

[poses]
file = "poses.txt"
position_sd_m = {faults.position_sd_m:g}
attitude_sd_deg = {np.rad2deg(faults.attitude_sd_rad):.3g}
max_gap_s = 0.2
refine = "{refine}"

[scans]
files = ["scans/*.laz"]

[foot]
profile = "biped"
"""


# --------------------------------------------------------------------------- truth


def write_truth(path: Path, scene: Scene, *, lidar: Lidar, faults: Faults, points: int) -> None:
    """Write the scene as JSON, from which `read_truth` builds it again."""
    facets = [
        {
            "id": f.id,
            "name": f.name,
            "kind": f.kind,
            "solid": f.solid,
            "exterior": _rounded(f.exterior),
            **({"holes": [_rounded(hole) for hole in f.holes]} if f.holes else {}),
        }
        for f in scene.facets
    ]
    fields = [
        {
            "id": f.id,
            "name": f.name,
            "kind": f.kind,
            "solid": f.solid,
            "origin": _rounded(f.origin),
            "yaw_rad": f.yaw_rad,
            "cell_m": f.cell_m,
            "plane": f.plane.tolist(),
            "height_tenths_mm": np.round(f.height_m * 1e4).astype(int).tolist(),
        }
        for f in scene.fields
    ]
    head = {
        "format": TRUTH_FORMAT,
        "note": "invented: no real place; polygons in the map frame, metres, counter-clockwise from the open side",
        "seed": scene.seed,
        "scale": scene.scale,
        "points": points,
        "lidar": asdict(lidar),
        "faults": {name: value for name, value in asdict(faults).items() if name != "movers" or value > 0.0},
        "walk": _rounded(scene.walk),
        "pace": scene.pace.tolist(),
    }
    lines = [f" {json.dumps(key)}: {json.dumps(value)}" for key, value in head.items()]
    for key, rows in (("facets", facets), ("fields", fields)):
        body = ",\n".join("  " + json.dumps(row, separators=(",", ":")) for row in rows)
        lines.append(f' "{key}": [\n{body}\n ]')
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")


def _rounded(values: FloatArray) -> list[Any]:
    rows: list[Any] = np.round(values, 6).tolist()
    return rows


def read_truth(path: Path) -> Scene:
    """Return the scene that a truth file describes."""
    raw = json.loads(Path(path).read_text(encoding="utf-8"))
    if raw.get("format") != TRUTH_FORMAT:
        raise ValueError(f"{path}: got format {raw.get('format')!r}, expected {TRUTH_FORMAT!r}")
    facets = tuple(
        Facet(
            row["id"],
            row["name"],
            row["kind"],
            row["solid"],
            np.array(row["exterior"]),
            tuple(np.array(hole) for hole in row.get("holes", ())),
        )
        for row in raw["facets"]
    )
    fields = tuple(
        HeightField(
            row["id"],
            row["name"],
            row["kind"],
            row["solid"],
            np.array(row["origin"]),
            row["yaw_rad"],
            row["cell_m"],
            np.array(row["height_tenths_mm"]) / 1e4,
            np.array(row["plane"]),
        )
        for row in raw["fields"]
    )
    return Scene(raw["seed"], raw["scale"], facets, fields, np.array(raw["walk"]), np.array(raw["pace"]))


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Write an invented dry-dock survey and its truth.")
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="draws the dock, the walk and the noise")
    parser.add_argument("--points", type=int, default=DEFAULT_POINTS, help="about how many returns to write in all")
    parser.add_argument("--scale", type=int, default=1, help="how many docks in a row")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--refine", choices=("none", "auto"), default="auto", help="what the survey file asks for")
    parser.add_argument("--drift-m", type=float, default=0.0, help="sd of the pose drift gained in sqrt(1 s), metres")
    parser.add_argument("--clock-offset-s", type=float, default=0.0, help="scan clock ahead of the pose clock by this")
    parser.add_argument("--movers", type=float, default=0.0, help="share of the returns that people and carts make")
    args = parser.parse_args(argv)
    began = time.perf_counter()
    faults = Faults(
        drift_m=args.drift_m,
        drift_rad=args.drift_m * 0.3,
        clock_offset_s=args.clock_offset_s,
        movers=args.movers,
    )
    done = generate(args.out, seed=args.seed, points=args.points, scale=args.scale, faults=faults, refine=args.refine)
    size = sum(p.stat().st_size for p in args.out.rglob("*") if p.is_file()) / 1e6
    print(
        f"{done.survey}: {done.returns} returns ({done.mixed:.2%} mixed, {done.moving:.2%} moving), {size:.1f} MB, "
        f"{time.perf_counter() - began:.1f} s"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
