"""What a version holds while the map grows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import FloatArray, FootProfile, Label, LevelRaster, Patches, PatchVerdicts
from terrain.follow.canvas import SIDE
from terrain.follow.counts import Tally
from terrain.follow.few import alone
from terrain.follow.intake import WAITING, Intake
from terrain.follow.mosaic import Mosaic, tiles_near
from terrain.follow.pieces import Pieces
from terrain.follow.points import CELL_M
from terrain.follow.windows import Renewed, Windows, reach_of
from terrain.foot import foot_to_dict
from terrain.fusing import Clock
from terrain.maps.tiles import Tile, TiledGround

if TYPE_CHECKING:
    from terrain.maps.blocks import Box
    from terrain.maps.contents import MapContents

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
        self._foot, self._reach_m = foot, reach_of(foot) + 2.0 * CELL_M
        self._known: dict[tuple[float, ...], list[int]] = {}

    def ask(self, ground: TiledGround, changed: Mapping[Tile, int], spots: FloatArray) -> list[list[int]]:
        """Return `reasons_at` of spots (k, 3) on the ground of all windows; changed: see `Mosaic.changes`."""
        from terrain.score.patches import reasons_at

        near = [tiles_near(x, y, reach_m=self._reach_m) for x, y, _ in spots.tolist()]
        change = [max(changed.get(tile, 0) for tile in tiles) for tiles in near]
        keys = [(*spot, number) for spot, number in zip(spots.tolist(), change, strict=True)]
        fresh = [row for row, key in enumerate(keys) if key not in self._known]
        found: list[list[int]] = []
        if fresh:
            with alone():
                found = reasons_at(
                    ground.joined({tile for row in fresh for tile in near[row]}), self._foot, spots[fresh]
                )
        self._known = {key: self._known[key] for key in keys if key in self._known}
        self._known |= {keys[row]: reasons for row, reasons in zip(fresh, found, strict=True)}
        return [self._known[key] for key in keys]


def state_of(intake: Intake, windows: Windows, record: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a version says of points and settings: fields of `MapContents` that change with each.

    record: what the manifest says under `follow`.
    """
    from terrain.pipeline import settings_of

    dropped = _dropped(intake, windows)
    return {
        "points_read": intake.read,
        "points_dropped": dropped,
        "points_kept": intake.read - sum(dropped.values()),
        "warnings": (*intake.pose_warnings, *windows.warnings),
        "settings": {**settings_of(intake.survey), "notes": [*intake.notes, GROWING]},
        "follow": record,
    }


Judged = tuple[Patches, PatchVerdicts, TiledGround, tuple[LevelRaster, ...]]
"""What a version is made of; rasters hold until the site takes more."""


class Site:
    """All windows, as far as they were handed over: what versions are made of."""

    def __init__(self, survey_name: str, foot: FootProfile) -> None:
        self.survey_name, self.foot = survey_name, foot
        self.mosaic, self.pieces, self.scorer, self.tally = Mosaic(), Pieces(), Scorer(foot), Tally()
        self._judged: Judged | None = None

    def take(self, renewed: Renewed) -> None:
        """Take what was made anew since the last time."""
        if renewed.found or renewed.fresh.ground or renewed.fresh.cells:
            self._judged = None
        for found in renewed.found:
            self.pieces.add(found)
        self.mosaic.take(renewed.fresh)
        self.tally.take(renewed.fresh.cells)

    def judged(self) -> Judged:
        """Return patches, their verdicts, ground and rasters of all windows, patches numbered alike in all."""
        if self._judged is None:
            self._judged = self._judge()
        return self._judged

    def _judge(self) -> Judged:
        from terrain.score.patches import judge_patches

        table = self.pieces.table()
        for number, tiles in self.pieces.gone():
            self.mosaic.forget_patch(number, tiles)
        rasters, ground = self.mosaic.rasters(table.row_of), self.mosaic.tiled(table.row_of)
        verdicts = judge_patches(
            table.patches, self.foot, self.tally.of(table.numbers, rasters), (table.centre_m, table.inset_m),
            partial(self.scorer.ask, ground, self.mosaic.changes()),
        )  # fmt: skip
        return table.patches, verdicts, ground, rasters

    def drawn(self) -> dict[int, list[Box]]:
        """Return by level which of the map's cells may have changed since the last time this was asked."""
        return {
            canvas.level: [(x * SIDE, (x + 1) * SIDE, y * SIDE, (y + 1) * SIDE) for x, y in canvas.changed()]
            for canvas in self.mosaic.canvases()
        }

    def contents(self, state: Mapping[str, Any], clock: Clock) -> MapContents:
        """Return a map of all windows, without a cloud; state: see `state_of`."""
        from terrain.maps.contents import MapContents

        with clock.stage("patches"):
            patches, verdicts, ground, rasters = self.judged()
        return MapContents(
            survey_name=self.survey_name,
            gravity=np.array([0.0, 0.0, -1.0]),
            foot=self.foot,
            foot_source=foot_to_dict(self.foot),
            patches=patches,
            patch_verdicts=verdicts,
            ground=ground,
            rasters=rasters,
            points=None,
            refine={"used": False},
            timings_s=clock.seconds,
            **state,
        )


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
