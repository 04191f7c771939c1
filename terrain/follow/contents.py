"""What a version holds while the map grows."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import FloatArray, Ground, Label, LevelRaster, Patches, PatchVerdicts
from terrain.follow.few import alone
from terrain.follow.intake import WAITING, Intake
from terrain.follow.mosaic import renumbered
from terrain.follow.windows import Windows, reach_of
from terrain.foot import foot_to_dict
from terrain.fusing import Clock

if TYPE_CHECKING:
    from terrain.maps.contents import InputFile, MapContents

GROWING = "growing: drift is corrected, and the whole is judged at once, when the pass ends"


@dataclass(frozen=True, slots=True)
class Version:
    """One published version of the map: counted from 1 since the follower started.

    scans and points: taken in so far; fresh: arrivals of this version that the one before did not have; backlog: those
    that came meanwhile and wait for the next; latency_s: from the last byte of the newest scan to the map in place,
    None where nothing came in since the follower started; waiting_m2: ground whose newer points wait to be judged;
    behind_s: for how long a tile near the robot has been due that is not made in this version, 0 where all are;
    rest_behind_s: the same of those farther away; rest_waiting_s: of those farther away that have any point that came
    after they were made, due or not; seconds: by stage.
    """

    number: int
    scans: int
    fresh: int
    backlog: int
    points: int
    latency_s: float | None
    waiting_m2: float
    behind_s: float
    rest_behind_s: float
    rest_waiting_s: float
    steppable_m2: float
    seconds: Mapping[str, float]


class Scorer:
    """Verdicts on patches; what is found at a spot is kept until the ground within its reach changes."""

    def __init__(self, windows: Windows) -> None:
        self._windows, self._reach_m = windows, reach_of(windows.foot)
        self._known: dict[tuple[float, ...], list[int]] = {}

    def ask(self, ground: Ground, spots: FloatArray) -> list[list[int]]:
        """Return `reasons_at` of spots (k, 3) on the ground of all windows."""
        from terrain.score.patches import reasons_at

        change = [self._windows.mosaic.changed_near(x, y, reach_m=self._reach_m) for x, y, _ in spots.tolist()]
        keys = [(*spot, number) for spot, number in zip(spots.tolist(), change, strict=True)]
        fresh = [row for row, key in enumerate(keys) if key not in self._known]
        with alone():
            found = reasons_at(ground, self._windows.foot, spots[fresh])
        self._known = {key: self._known[key] for key in keys if key in self._known}
        self._known |= {keys[row]: reasons for row, reasons in zip(fresh, found, strict=True)}
        return [self._known[key] for key in keys]


def contents_of(
    intake: Intake,
    windows: Windows,
    scorer: Scorer,
    *,
    inputs: tuple[InputFile, ...],
    record: Mapping[str, Any],
    clock: Clock,
    before: MapContents | None,
) -> MapContents:
    """Return a map of all windows as they are, without a cloud; `record` is what its manifest says under `follow`.

    before: the last one, if no window was made since.
    """
    from terrain.maps.contents import MapContents
    from terrain.pipeline import settings_of

    dropped = _dropped(intake, windows)
    common: dict[str, Any] = {
        "inputs": inputs,
        "points_read": intake.read,
        "points_dropped": dropped,
        "points_kept": intake.read - sum(dropped.values()),
        "warnings": (*intake.pose_warnings, *windows.warnings),
        "timings_s": clock.seconds,
        "settings": {**settings_of(intake.survey), "notes": [*intake.notes, GROWING]},
        "follow": record,
    }
    if before is not None:
        return dataclasses.replace(before, **common)
    with clock.stage("patches"):
        patches, verdicts, ground, rasters = judged(windows, scorer)
    return MapContents(
        survey_name=intake.survey.name,
        gravity=np.array([0.0, 0.0, -1.0]),
        foot=windows.foot,
        foot_source=foot_to_dict(windows.foot),
        patches=patches,
        patch_verdicts=verdicts,
        ground=ground,
        rasters=rasters,
        points=None,
        refine={"used": False},
        **common,
    )


def judged(windows: Windows, scorer: Scorer) -> tuple[Patches, PatchVerdicts, Ground, tuple[LevelRaster, ...]]:
    """Return patches, their verdicts, ground and rasters of all windows, patches numbered alike in all."""
    from terrain.score.patches import score_patches

    patches, row_of, circles = windows.pieces.table()
    rasters = windows.mosaic.rasters(row_of)
    ground = windows.mosaic.ground()
    ground = dataclasses.replace(ground, patch_id=renumbered(ground.patch_id, row_of))
    verdicts = score_patches(
        patches, ground, windows.foot, rasters, circles=circles, ask=lambda spots: scorer.ask(ground, spots)
    )
    return patches, verdicts, ground, rasters


def _dropped(intake: Intake, windows: Windows) -> dict[str, int]:
    """Return how many points do not count, by reason; those that wait for poses among them."""
    from terrain.fuse.clean import REASONS

    left_out = np.bincount(windows.points.left_out, minlength=len(REASONS) + 1)[1:]
    cleaned = dict(zip(REASONS, map(int, left_out), strict=True))
    every = {**intake.dropped, **cleaned, WAITING: intake.waiting}
    return {reason: count for reason, count in every.items() if count}


def steppable_m2(contents: MapContents) -> float:
    """Return the plan area of all cells that are steppable."""
    return sum(int(np.count_nonzero(raster.label == Label.STEPPABLE)) * raster.cell_m**2 for raster in contents.rasters)


def scans_in(out: Path) -> dict[str, str]:
    """Return the scans of a map that was followed, name to SHA-256; nothing for any other."""
    from terrain.maps.folder import is_map_folder
    from terrain.maps.manifest import read_manifest

    if not is_map_folder(out):
        return {}
    follow = read_manifest(out).get("follow") or {}
    return {scan["path"]: scan["sha256"] for scan in follow.get("scans", ())}
