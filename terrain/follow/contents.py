"""What a version holds while the map grows."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.data import Label
from terrain.follow.intake import WAITING, Intake
from terrain.follow.mosaic import renumbered
from terrain.follow.windows import Windows
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
    seconds: by stage.
    """

    number: int
    scans: int
    fresh: int
    backlog: int
    points: int
    latency_s: float | None
    waiting_m2: float
    steppable_m2: float
    seconds: Mapping[str, float]


def contents_of(
    intake: Intake, windows: Windows, *, inputs: tuple[InputFile, ...], record: Mapping[str, Any], clock: Clock
) -> MapContents:
    """Return a map of all windows as they are, without a cloud; `record` is what its manifest says under `follow`."""
    from terrain.maps.contents import MapContents
    from terrain.pipeline import settings_of
    from terrain.score.patches import score_patches

    patches, row_of = windows.pieces.table()
    rasters = windows.mosaic.rasters(row_of)
    ground = windows.mosaic.ground()
    ground = dataclasses.replace(ground, patch_id=renumbered(ground.patch_id, row_of))
    with clock.stage("patches"):
        verdicts = score_patches(patches, ground, windows.foot, rasters)
    dropped = _dropped(intake, windows)
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
        inputs=inputs,
        points_read=intake.read,
        points_dropped=dropped,
        points_kept=intake.read - sum(dropped.values()),
        warnings=(*intake.pose_warnings, *windows.warnings),
        refine={"used": False},
        timings_s=clock.seconds,
        settings={**settings_of(intake.survey), "notes": [*intake.notes, GROWING]},
        follow=record,
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
