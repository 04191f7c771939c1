"""What a version holds while the map grows."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import FloatArray, FootProfile, Ground, Label, LevelRaster, Patches, PatchVerdicts
from terrain.follow.few import alone
from terrain.follow.intake import WAITING, Intake
from terrain.follow.mosaic import changed_near, renumbered
from terrain.follow.pieces import Pieces
from terrain.follow.points import Tile
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

    def __init__(self, foot: FootProfile) -> None:
        self._foot, self._reach_m = foot, reach_of(foot)
        self._known: dict[tuple[float, ...], list[int]] = {}

    def ask(self, ground: Ground, changed: Mapping[Tile, int], spots: FloatArray) -> list[list[int]]:
        """Return `reasons_at` of spots (k, 3) on the ground of all windows; changed: see `Mosaic.changes`."""
        from terrain.score.patches import reasons_at

        change = [changed_near(changed, x, y, reach_m=self._reach_m) for x, y, _ in spots.tolist()]
        keys = [(*spot, number) for spot, number in zip(spots.tolist(), change, strict=True)]
        fresh = [row for row, key in enumerate(keys) if key not in self._known]
        with alone():
            found = reasons_at(ground, self._foot, spots[fresh])
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
) -> Callable[[], MapContents]:
    """Return what makes a map of all windows as they are, without a cloud; they may be renewed before it is called.

    record: what the manifest says under `follow`; before: the last map, if no window was made since.
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
        last = before
        return lambda: dataclasses.replace(last, **common)
    with clock.stage("patches"):
        now = as_they_are(windows)

    def made() -> MapContents:
        with clock.stage("patches"):
            patches, verdicts, ground, rasters = judged(now, scorer)
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

    return made


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """Ground and rasters of all windows at one moment, patches numbered as windows number them; see `as_they_are`.

    added: how many windows `pieces` had been given.
    """

    foot: FootProfile
    pieces: Pieces
    added: int
    ground: Ground
    rasters: tuple[LevelRaster, ...]
    changed: Mapping[Tile, int]


def as_they_are(windows: Windows) -> Moment:
    """Return what of the windows a version is made of."""
    mosaic, pieces = windows.mosaic, windows.pieces
    as_numbered = np.arange(pieces.next_patch + 1, dtype=np.int32)
    rasters = mosaic.rasters(as_numbered)
    return Moment(windows.foot, pieces, pieces.added, mosaic.ground(), rasters, mosaic.changes())


def judged(now: Moment, scorer: Scorer) -> tuple[Patches, PatchVerdicts, Ground, tuple[LevelRaster, ...]]:
    """Return patches, their verdicts, ground and rasters of all windows, patches numbered alike in all."""
    from terrain.score.patches import score_patches

    patches, row_of, circles = now.pieces.table(now.added)
    rasters = tuple(dataclasses.replace(raster, patch_id=renumbered(raster.patch_id, row_of)) for raster in now.rasters)
    ground = dataclasses.replace(now.ground, patch_id=renumbered(now.ground.patch_id, row_of))
    verdicts = score_patches(
        patches, ground, now.foot, rasters, circles=circles,
        ask=lambda spots: scorer.ask(ground, now.changed, spots),
    )  # fmt: skip
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
