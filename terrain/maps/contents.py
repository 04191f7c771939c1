"""What one finished map is made of, before it is written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from terrain.data import (
    ByteArray,
    FloatArray,
    FootProfile,
    Ground,
    Int32Array,
    LevelRaster,
    Patches,
    PatchVerdicts,
    sealed,
)
from terrain.maps.tiles import TiledGround


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that went into the map: its path as the survey gives it, SHA-256 in hexadecimal, and size in bytes."""

    path: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True, eq=False)
class LabelledPart:
    """Some points of the cloud, in their order, and how many others were left out there, by reason.

    xyz_map_m (n, 3); time_s (n,) or None; patch_id (n,) int32, -1 none; label (n,) uint8.
    """

    xyz_map_m: FloatArray
    time_s: FloatArray | None
    patch_id: Int32Array
    label: ByteArray
    left_out: Mapping[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rows = {len(self.xyz_map_m), len(self.patch_id), len(self.label)}
        rows |= set() if self.time_s is None else {len(self.time_s)}
        if len(rows) != 1:
            raise ValueError(f"xyz_map_m, time_s, patch_id, label: got {sorted(rows)} rows, expected equal numbers")


class LabelledPoints(Protocol):
    """The points of a map's cloud, part by part; origin_m (3,) is a point near them."""

    @property
    def origin_m(self) -> FloatArray:
        """Return a point near the cloud."""

    def parts(self) -> Iterator[LabelledPart]:
        """Yield the points in their order; only a few parts are held at a time."""


@dataclass(frozen=True, slots=True, eq=False)
class MapContents:
    """Everything that `terrain.maps.write.write_map` puts into a map folder.

    survey_name, gravity (3,): of the survey, gravity in the map frame; foot and foot_source: the profile in SI
    units, and the dictionary of the file it came from; patches and patch_verdicts: row k is patch k; rasters: one
    a level, in the order of the levels; points: those of `cloud.laz`, or None for a map without it; points_read and
    points_dropped (reason -> count): what became of the points; points_kept: all others, of which those that `points`
    leaves out are dropped too once they were written; points_per_label: of those written, word -> count; settings:
    survey settings as JSON values; refine: what drift correction did, as JSON values; timings_s: seconds a stage;
    follow: of a map that was followed, which scans it is made of and whether more are to come, as JSON values.
    """

    survey_name: str
    gravity: FloatArray
    foot: FootProfile
    foot_source: Mapping[str, Any]
    patches: Patches
    patch_verdicts: PatchVerdicts
    ground: Ground | TiledGround
    rasters: tuple[LevelRaster, ...]
    points: LabelledPoints | None
    inputs: tuple[InputFile, ...]
    points_read: int
    points_dropped: Mapping[str, int]
    points_kept: int
    warnings: tuple[str, ...]
    refine: Mapping[str, Any]
    timings_s: Mapping[str, float]
    settings: Mapping[str, Any]
    follow: Mapping[str, Any] | None = None
    points_per_label: Mapping[str, int] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "gravity", sealed("gravity", self.gravity, rows=3))
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
