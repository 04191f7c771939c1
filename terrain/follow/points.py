"""The points taken in so far, by tile of the ground."""

from __future__ import annotations

from collections.abc import Iterable
from threading import Lock
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import TILE_CELLS, BoolArray, ByteArray, Cloud, FloatArray, IntArray
from terrain.follow.room import Room
from terrain.maps.tiles import Tile

CELL_M = 0.01
TILE_M = TILE_CELLS * CELL_M


def tiles_of(xy_m: FloatArray) -> IntArray:
    """Return the tiles (n, 2) of points (n, 2)."""
    return np.asarray(np.floor(xy_m / TILE_M), dtype=np.int64)


class Points:
    """Fused points in columns that grow, the rows of each tile, and why a point was left out later.

    `left_out` (n,) uint8: 0 for a point that counts, else its reason in `terrain.fuse.clean.REASONS`, from 1.
    """

    def __init__(self, *, every: bool = False) -> None:
        """`every`: all points are taken, however many there are; otherwise see `Room`."""
        self.count = 0
        self._room = None if every else Room()
        self._columns: dict[str, npt.NDArray[Any]] = {}
        self._origin_m: FloatArray | None = None
        self._rows: dict[Tile, list[IntArray]] = {}
        self.in_tile: dict[Tile, int] = {}
        self._bounding, self._bounded, self._boxes = Lock(), 0, np.empty((0, 6))

    @property
    def left_out(self) -> ByteArray:
        """Return why each point was left out, 0 where it was not."""
        return self._columns["left_out"][: self.count] if self._columns else np.zeros(0, dtype=np.uint8)

    def append(self, cloud: Cloud) -> dict[Tile, FloatArray]:
        """Take the points of a cloud, as far as there is room for them; return those by tile, (k, 3) each."""
        if self._room is not None:
            keep = self._room.hold(cloud.xyz_map_m)
            cloud = cloud if keep.all() else cloud.some(np.flatnonzero(keep))
        if len(cloud) == 0:
            return {}
        fresh: dict[str, npt.NDArray[Any]] = {
            "xyz_map_m": cloud.xyz_map_m, "sd_m": cloud.sd_m, "cross_sd_m": cloud.cross_sd_m,
            "left_out": np.zeros(len(cloud), dtype=np.uint8),
        }  # fmt: skip
        if self._origin_m is None:
            self._origin_m = cloud.origin_m
        if cloud.time_s is not None:
            fresh["time_s"] = cloud.time_s
        if cloud.view_map_m is not None:
            shift = cloud.origin_m - self._origin_m
            fresh["view_map_m"] = (cloud.view_map_m + shift).astype(np.float32)
        self._grow(fresh, len(cloud))
        tile = tiles_of(cloud.xyz_map_m[:, :2])
        number = (tile[:, 1] << 32) + tile[:, 0]
        order = np.argsort(number, kind="stable")
        ends = np.flatnonzero(np.diff(number[order])) + 1
        found: dict[Tile, FloatArray] = {}
        for rows in np.split(order, ends):
            key = int(tile[rows[0], 0]), int(tile[rows[0], 1])
            self._rows.setdefault(key, []).append(self.count + rows)
            self.in_tile[key] = self.in_tile.get(key, 0) + len(rows)
            found[key] = cloud.xyz_map_m[rows]
        self.count += len(cloud)
        return found

    def _grow(self, fresh: dict[str, npt.NDArray[Any]], more: int) -> None:
        if self._columns and set(fresh) != set(self._columns):
            raise ValueError(f"columns: got {sorted(fresh)}, expected {sorted(self._columns)}")
        for name, values in fresh.items():
            column = self._columns.get(name)
            if column is None or self.count + more > len(column):
                room = max(self.count + more, 2 * self.count, 100_000)
                larger = np.empty((room, *values.shape[1:]), dtype=values.dtype)
                if column is not None:
                    larger[: self.count] = column[: self.count]
                self._columns[name] = column = larger
            column[self.count : self.count + more] = values

    def leave_out(self, rows: IntArray, reasons: ByteArray) -> IntArray:
        """Note why points (k,) are left out from now on, 0 for one that counts; return which of them that changes."""
        changed = np.flatnonzero(self.left_out[rows] != reasons)
        self.left_out[rows[changed]] = reasons[changed]
        return changed

    def rows(self, tiles: Iterable[Tile]) -> IntArray:
        """Return the rows of the points in some tiles, rising."""
        parts = [part for tile in tiles for part in self._rows.get(tile, ())]
        return np.sort(np.concatenate(parts)) if parts else np.zeros(0, dtype=np.int64)

    def xyz_m(self, rows: IntArray) -> FloatArray:
        """Return where points lie, (k, 3)."""
        return np.asarray(self._columns["xyz_map_m"][rows])

    def tiles(self, rows: IntArray) -> IntArray:
        """Return the tiles (k, 2) of rows (k,)."""
        return tiles_of(self._columns["xyz_map_m"][rows, :2])

    def cloud(self, rows: IntArray | slice) -> Cloud:
        """Return some points as a cloud."""
        column = self._columns
        assert self._origin_m is not None
        return Cloud(
            xyz_map_m=column["xyz_map_m"][rows],
            time_s=column["time_s"][rows] if "time_s" in column else None,
            view_map_m=column["view_map_m"][rows] if "view_map_m" in column else None,
            sd_m=column["sd_m"][rows],
            cross_sd_m=column["cross_sd_m"][rows],
            origin_m=self._origin_m,
        )

    @property
    def has_views(self) -> bool:
        """Return whether it is known from where each point was seen."""
        return "view_map_m" in self._columns

    def crossing(self, low_m: FloatArray, high_m: FloatArray) -> BoolArray:
        """Return which beams (n,) pass through a box, from where a point was seen up to the point itself."""
        from terrain.kernels.boxes import BLOCK, beams_through, bound_beams
        from terrain.kernels.threads import over_parts

        out = np.zeros(self.count, dtype=np.bool_)
        assert self._origin_m is not None
        xyz_m, view_m = (self._columns[name][: self.count] for name in ("xyz_map_m", "view_map_m"))
        with self._bounding:  # windows ask beside each other
            if self._bounded < self.count:
                boxes = np.empty((-(-self.count // BLOCK), 6))
                whole = self._bounded // BLOCK
                boxes[:whole] = self._boxes[:whole]
                bound_beams(whole * BLOCK, xyz_m, view_m, self._origin_m, boxes)
                self._boxes, self._bounded = boxes, self.count
        over_parts(beams_through, len(self._boxes), xyz_m, view_m, self._origin_m, self._boxes, low_m, high_m, out)
        return out
