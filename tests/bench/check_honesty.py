"""How honest the stated U of a sensor check is: simulated plates, many seeds, the true values known.

    python -m tests.bench.check_honesty --seeds 200

Every seed draws range noise, the error of each stand's pose and the error of each plate's stated direction and place
anew. Printed is, for each quantity, the share of seeds in which the true value lies inside value +- U (k = 2: 95.45 %
of a normal distribution; over 200 seeds that share itself has a standard deviation of 1.5 %), the spread of the errors
over the stated u (1 where u is honest), the mean error over u (0 where nothing is biased), and the mean U.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from terrain.data import FloatArray
from terrain.sensor.check import Checked, examine
from tests.support.plates import ROOM, STANDS, Plate, Truth, simulate

OFF = Truth(turn_deg=(0.5, -0.5, 0.5), shift_m=(0.010, -0.010, 0.010))
NAMES = ("roll", "pitch", "yaw", "forward", "left", "up", "range offset", "range scale", "clock")


def checked(seed: int, truth: Truth, plates: tuple[Plate, ...] = ROOM, **options: object) -> tuple[Checked, FloatArray]:
    """Return the check of one simulated survey, and the true corrections (9,)."""
    made = simulate(seed, truth, plates=plates, **options)  # type: ignore[arg-type]
    with tempfile.TemporaryDirectory() as folder:
        targets = made.targets(Path(folder))
    up = np.array([0.0, 0.0, 1.0])
    return examine(made.cloud, made.trajectory, made.sensor, made.poses, targets, up=up), made.step


def across(seed: int, truth: Truth, plates: tuple[Plate, ...], options: dict[str, object], told: int) -> FloatArray:
    """Return errors over stated u of the first `told` corrections, then those u."""
    found, step = checked(seed, truth, plates, **options)
    assert found.adjustment is not None
    error = (found.adjustment.step - step)[:told]
    u = found.adjustment.sd[:told]
    return np.concatenate((error / u, u))


def single(seed: int) -> FloatArray:
    """Return bias, noise ratio and drift of each plate over their u, for a sensor that is right."""
    found, _ = checked(seed, Truth())
    rows = []
    for target in found.targets:
        values = {one.name.split(" in ")[0]: (one.value, one.expanded / 2.0) for one in target.quantities}
        ratio, u = values["noise over stated"]
        rows.append([values["bias"][0] / values["bias"][1], (ratio - 1.0) / u, values["drift"][0] / values["drift"][1]])
    return np.array(rows)


def say(line: str) -> None:
    """Write a line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def tell_across(title: str, found: FloatArray) -> None:
    """Print one table."""
    told = found.shape[1] // 2
    z, u = found[:, :told], found[:, told:]
    say(f"\n{title}, {len(found)} seeds")
    say(f"  {'':14}{'inside U':>10}{'spread':>9}{'mean':>8}{'mean U':>12}")
    units = [(np.degrees(1.0), "deg")] * 3 + [(1e3, "mm")] * 4 + [(1e6, "ppm"), (1e3, "ms")]
    for k in range(told):
        factor, unit = units[k]
        inside, spread, mean = 100 * np.mean(np.abs(z[:, k]) <= 2.0), z[:, k].std(), z[:, k].mean()
        say(f"  {NAMES[k]:14}{inside:9.1f}%{spread:9.2f}{mean:8.2f}{2 * factor * u[:, k].mean():9.3f} {unit}")
    say(f"  {'mount, pooled':14}{100 * np.mean(np.abs(z[:, :6]) <= 2.0):9.1f}%")
    say(f"  {'all, pooled':14}{100 * np.mean(np.abs(z) <= 2.0):9.1f}%")


def main() -> None:
    """Run all scenes."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.seeds)
    bent = tuple(replace(plate, bow_m=0.005) if plate.name == "left" else plate for plate in ROOM)
    ranged = replace(OFF, range_offset_m=0.015, range_scale=500e-6)
    scenes = [
        ("mount 0.5 deg and 10 mm", OFF, ROOM, {}, 8),
        ("the same, range 15 mm and 500 ppm", ranged, ROOM, {}, 8),
        ("the same, one plate bent by 5 mm", replace(ranged, points=1500), bent, {}, 8),
        ("the same, turning, clock 10 ms", replace(ranged, clock_s=0.010), ROOM, {"moving_s": 4.0}, 9),
        ("mount and range, one stand", ranged, ROOM, {"stands": STANDS[:1]}, 8),
    ]
    with ProcessPoolExecutor(given.workers) as pool:
        for title, truth, plates, options, told in scenes:
            run = partial(across, truth=truth, plates=plates, options=options, told=told)
            tell_across(title, np.array(list(pool.map(run, seeds))))
        z = np.array(list(pool.map(single, seeds)))
    say(f"\nplates one by one, sensor as stated, {len(z)} seeds of {z.shape[1]} plates")
    for k, name in enumerate(("bias", "noise", "drift")):
        part = z[:, :, k]
        say(f"  {name:14}{100 * np.mean(np.abs(part) <= 2.0):9.1f}%{part.std():9.2f}{part.mean():8.2f}")


if __name__ == "__main__":
    main()
