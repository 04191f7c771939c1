"""What one finished map is made of, before it is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from terrain.data import (
    ByteArray,
    Cloud,
    FloatArray,
    FootProfile,
    Ground,
    Int32Array,
    LevelRaster,
    Patches,
    PatchVerdicts,
    sealed,
)


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that went into the map: its path as the survey gives it, SHA-256 in hexadecimal, and size in bytes."""

    path: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True, eq=False)
class MapContents:
    """Everything that `terrain.maps.write.write_map` puts into a map folder.

    survey_name, gravity (3,): of the survey, gravity in the map frame; foot and foot_source: the profile in SI
    units, and the dictionary of the file it came from; patches and patch_verdicts: row k is patch k; rasters: one
    a level, in the order of the levels; cloud: the fused points, or None for a map without `cloud.laz` (also where
    the caller has written it already with a `CloudWriter`); point_patch_id (n,) int32, -1 none, and point_label
    (n,) uint8: one value a point of the cloud, or None where nothing labelled the points; points_read and
    points_dropped (reason -> count): what became of the points; points_kept: those the map rests on; settings:
    survey settings as JSON values; refine: what drift correction did, as JSON values; timings_s: seconds a stage;
    follow: of a map that was followed, which scans it is made of and whether more are to come, as JSON values.
    """

    survey_name: str
    gravity: FloatArray
    foot: FootProfile
    foot_source: Mapping[str, Any]
    patches: Patches
    patch_verdicts: PatchVerdicts
    ground: Ground
    rasters: tuple[LevelRaster, ...]
    cloud: Cloud | None
    point_patch_id: Int32Array | None
    point_label: ByteArray | None
    inputs: tuple[InputFile, ...]
    points_read: int
    points_dropped: Mapping[str, int]
    points_kept: int
    warnings: tuple[str, ...]
    refine: Mapping[str, Any]
    timings_s: Mapping[str, float]
    settings: Mapping[str, Any]
    follow: Mapping[str, Any] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "gravity", sealed("gravity", self.gravity, rows=3))
        if (self.point_patch_id is None) != (self.point_label is None):
            raise ValueError("point_patch_id and point_label: got one of the two, expected both or none")
        if self.cloud is not None:
            if self.point_patch_id is None or self.point_label is None:
                raise ValueError("a cloud is written with point_patch_id and point_label, got None")
            rows = {len(self.cloud), len(self.point_patch_id), len(self.point_label)}
            if len(rows) != 1:
                raise ValueError(f"cloud, point_patch_id, point_label: got {sorted(rows)} rows, expected equal numbers")
        if len(self.patches) != len(self.patch_verdicts.label):
            raise ValueError(
                f"patch_verdicts: got {len(self.patch_verdicts.label)} rows, expected {len(self.patches)}, one a patch"
            )
        lost = self.points_read - self.points_kept - sum(self.points_dropped.values())
        if lost:
            raise ValueError(
                f"points: {self.points_read} read, {sum(self.points_dropped.values())} dropped, "
                f"{self.points_kept} kept; {lost} unaccounted for"
            )
