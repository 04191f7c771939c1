"""What exports are made from: cells, points and patches with label and reasons, people's decisions included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import ByteArray, FloatArray, Int32Array, IntArray, Label, LevelRaster
from terrain.errors import ReadError
from terrain.maps.polygons import PatchTable
from terrain.maps.store import TerrainMap
from terrain.maps.words import reason_bits
from terrain.maps.write import CLOUD

_BATCH = 16_384
_ON_GROUND_M = 0.05
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The cells of a level that have ground, one row each; row by row of the raster, lowest y first.

    raster: the level; row, column (n,): where in the raster; reason (n, 10) int8 as in `Verdicts`, of the sole put
    down at the cell's centre in its best yaw (0 where there is none), so that it explains `raster.label`.
    """

    raster: LevelRaster
    row: IntArray
    column: IntArray
    reason: npt.NDArray[np.int8]

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.row)

    def take(self, band: str) -> npt.NDArray[Any]:
        """Return a band of the raster at the cells, (n,)."""
        values: npt.NDArray[Any] = getattr(self.raster, band)[self.row, self.column]
        return values

    def xyz_m(self) -> FloatArray:
        """Return the centres on the ground, (n, 3), map frame."""
        x = self.raster.x0_m + (self.column + 0.5) * self.raster.cell_m
        y = self.raster.y0_m + (self.row + 0.5) * self.raster.cell_m
        return np.column_stack([x, y, self.take("height_m")])


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points with what the map says of the ground they lie on.

    xyz_m (n, 3), map frame; label (n,) uint8; reasons (n,) uint16, bits as in `terrain.maps.words`; patch_id (n,)
    int32 and level (n,) int16, -1 none.
    """

    xyz_m: FloatArray
    label: ByteArray
    reasons: npt.NDArray[np.uint16]
    patch_id: Int32Array
    level: npt.NDArray[np.int16]

    def __len__(self) -> int:
        """Return the number of points."""
        return len(self.xyz_m)


@dataclass(slots=True, eq=False)
class Source:
    """A map about to be exported; what several parts of a format need is worked out once.

    progress : called with (done, total) in cells while reasons are worked out, which takes most of the time.
    levels : which levels' cells are in it.
    """

    terrain_map: TerrainMap
    progress: Progress | None
    levels: tuple[int, ...]
    _cells: tuple[Cells, ...] | None = field(default=None, repr=False)

    def patches(self) -> PatchTable:
        """Return the patches."""
        return self.terrain_map.patches()

    def cells(self) -> tuple[Cells, ...]:
        """Return the cells of each level."""
        if self._cells is None:
            rasters = [self.terrain_map.level(number) for number in self.levels]
            known = [np.nonzero(np.isfinite(raster.height_m)) for raster in rasters]
            total, done, found = sum(len(row) for row, _ in known), 0, []
            for raster, (row, column) in zip(rasters, known, strict=True):
                reason = np.full((len(row), 10), -1, dtype=np.int8)
                asked = np.flatnonzero(raster.label[row, column] != Label.STEPPABLE)
                for first in range(0, len(asked), _BATCH):
                    part = asked[first : first + _BATCH]
                    reason[part] = _reasons(self.terrain_map, raster, row[part], column[part])
                    if self.progress is not None:
                        self.progress(done + int(part[-1]), total)
                done += len(row)
                found.append(Cells(raster, row, column, reason))
            if self.progress is not None:
                self.progress(total, total)
            self._cells = tuple(found)
        return self._cells

    def points(self, kind: str) -> Points:
        """Return the cells ("cells") or the fused cloud ("cloud") as points.

        Raises
        ------
        ReadError
            The cloud is missing or damaged.
        """
        return self._cloud_points() if kind == "cloud" else self._cell_points()

    def _cell_points(self) -> Points:
        parts = self.cells()
        return Points(
            xyz_m=np.concatenate([cells.xyz_m() for cells in parts] or [np.empty((0, 3))]),
            label=_joined([cells.take("label") for cells in parts], np.uint8),
            reasons=_joined([reason_bits(cells.reason) for cells in parts], np.uint16),
            patch_id=_joined([cells.take("patch_id") for cells in parts], np.int32),
            level=_joined([np.full(len(cells), cells.raster.level) for cells in parts], np.int16),
        )

    def _cloud_points(self) -> Points:
        """Return the cloud; a point within 5 cm of a cell's ground gets what is said of the cell."""
        xyz, label, patch_id = _read_cloud(self.terrain_map)
        reasons, level = self._patch_reasons(patch_id), np.full(len(xyz), -1, dtype=np.int16)
        reasons[label == Label.STEPPABLE] = 0
        for cells in self.cells():
            raster = cells.raster
            bits = np.zeros(raster.label.shape, dtype=np.uint16)
            bits[cells.row, cells.column] = reason_bits(cells.reason)
            ix = np.floor((xyz[:, 0] - raster.x0_m) / raster.cell_m).astype(np.int64)
            iy = np.floor((xyz[:, 1] - raster.y0_m) / raster.cell_m).astype(np.int64)
            ny, nx = raster.label.shape
            rows = np.flatnonzero((ix >= 0) & (iy >= 0) & (ix < nx) & (iy < ny))
            rows = rows[np.abs(xyz[rows, 2] - raster.height_m[iy[rows], ix[rows]]) < _ON_GROUND_M]
            label[rows] = raster.label[iy[rows], ix[rows]].astype(np.uint8)
            reasons[rows], level[rows] = bits[iy[rows], ix[rows]], raster.level
        return Points(xyz_m=xyz, label=label, reasons=reasons, patch_id=patch_id, level=level)

    def _patch_reasons(self, patch_id: Int32Array) -> npt.NDArray[np.uint16]:
        from terrain.data import REASONS

        table = self.patches()
        of_patch = np.zeros(int(table.patch_id.max(initial=-1)) + 2, dtype=np.uint16)
        for number, reasons in zip(table.patch_id.tolist(), table.reasons, strict=True):
            of_patch[number] = sum(1 << REASONS.index(word) for word in reasons)
        inside = np.where((patch_id >= 0) & (patch_id < len(of_patch) - 1), patch_id, -1)
        bits: npt.NDArray[np.uint16] = of_patch[inside]
        return bits


def _joined(parts: list[npt.NDArray[Any]], dtype: Any) -> Any:
    return np.concatenate(parts).astype(dtype) if parts else np.empty(0, dtype=dtype)


def _reasons(terrain_map: TerrainMap, raster: LevelRaster, row: IntArray, column: IntArray) -> npt.NDArray[np.int8]:
    placements = np.column_stack(
        [
            raster.x0_m + (column + 0.5) * raster.cell_m,
            raster.y0_m + (row + 0.5) * raster.cell_m,
            np.nan_to_num(raster.best_yaw_rad[row, column]),
            raster.height_m[row, column],
        ]
    )
    return terrain_map.judge(placements).reason


def _read_cloud(terrain_map: TerrainMap) -> tuple[FloatArray, ByteArray, Int32Array]:
    import laspy

    path = terrain_map.path / CLOUD
    try:
        las = laspy.read(path)
        return (
            np.asarray(las.xyz, dtype=np.float64),
            np.array(las["label"], dtype=np.uint8),
            np.array(las["patch_id"], dtype=np.int32),
        )
    except (laspy.LaspyException, OSError, ValueError, RuntimeError) as error:
        raise ReadError(f"{path}: cannot read: {error}") from error
