"""Of a survey denser than planes need, as many returns as do; the others are put aside to be labelled.

On an invented dock of 20 million returns 55 of 75 facets were found with all of them, and 75 with a quarter. Probably
because errors of poses are common to all returns of a moment: the more returns there are, the smaller the differences
that pass for proven, and those of a few millimetres between one pass and the next then cut surfaces apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import BoolArray, Cloud, FloatArray, IntArray, sealed
from terrain.fuse.spool import Spool, SpooledPoints

Rows = dict[str, npt.NDArray[Any]]
PART = 131_072
"""Most points that are put aside in one part."""
NUMBER = "number"
"""The column of each return's place among all that were fused, which its chance depends on."""


@dataclass(frozen=True, slots=True)
class SieveSettings:
    """How dense is enough; lengths in metres."""

    returns: float = 4.0
    """In each occupied voxel of `voxel_m`, on average over a column of `column_m`."""
    voxel_m: float = 0.02
    column_m: float = 0.5
    most: int = 16_384
    """While scans are read a column holds no more than this."""
    least_left_out: float = 0.02
    """A cloud of which a smaller share would be left out stays whole."""
    far_too_many: float = 1.5
    """A cloud that was thinned already is thinned again only where it holds so many times as many as are enough."""
    most_columns: int = 1_000_000
    """On a site with more of them, a quarter of a square kilometre, everything stays from there on."""


class Sieve:
    """Goes through returns as they are fused; what it holds grows with the site and not with their number.

    What is kept where is chance, but always the same. The share changes slowly from place to place, so that the lack of
    returns over a joint stays what it is.

    Parameters
    ----------
    folder : Path or None
        Where all returns are put once some are left out; None if those are not asked for.
    """

    def __init__(self, folder: Path | None, settings: SieveSettings | None = None) -> None:
        self._folder = folder
        self._settings = settings or SieveSettings()
        self._columns: _Columns | None = None
        self._spool: Spool | None = None
        self._passed = 0
        self.leaves_out = False
        self.gave_up = False

    def pass_on(self, fresh: Rows, earlier: Rows, origin_m: FloatArray) -> int:
        """Move those of the fresh rows that are kept to their beginning, and return how many these are.

        `earlier` are the rows kept so far; the column `number` of the fresh ones is filled in.
        """
        rows = len(fresh["xyz"])
        if rows == 0:
            return 0
        fresh[NUMBER][:] = np.arange(self._passed, self._passed + rows)
        first, self._passed = self._passed, self._passed + rows
        if not self._make_room(fresh["xyz"]):
            if self._spool is not None:
                _put_aside(self._spool, fresh)
            return rows
        assert self._columns is not None
        keep = np.empty(rows, dtype=np.bool_)
        kept = self._columns.sift(fresh["xyz"], first, self._settings.most, keep)
        if kept < rows:
            self._begin(earlier, origin_m)
        if self._spool is not None:
            _put_aside(self._spool, fresh)
        _compress(fresh, keep, kept)
        return kept

    def is_due(self, held: int) -> bool:
        """Tell whether `thin` would leave out a quarter of the rows that are held."""
        if self._columns is None or self.gave_up:
            return False
        return 3 * held > 4 * max(int(self._columns.held.sum()), self._settings.most)

    def thin(self, held: Rows) -> int:
        """Move the rows that are still kept to the beginning, and return how many these are."""
        assert self._columns is not None
        keep = np.empty(len(held[NUMBER]), dtype=np.bool_)
        kept = self._columns.within(held["xyz"], held[NUMBER], keep)
        _compress(held, keep, kept)
        return kept

    def finish(self, held: Rows, origin_m: FloatArray) -> int:
        """Leave as many rows as are enough, at the beginning, and return how many these are."""
        if self._columns is None or self.gave_up:
            return len(held["xyz"])
        rows = self.thin(held) if self.leaves_out else len(held["xyz"])
        held = {name: column[:rows] for name, column in held.items()}
        keep = self.drawn(held["xyz"], held[NUMBER])
        kept = rows if keep is None else int(np.count_nonzero(keep))
        if keep is None or (not self.leaves_out and kept >= (1.0 - self._settings.least_left_out) * rows):
            return rows
        self._begin(held, origin_m)
        _compress(held, keep, kept)
        return kept

    def all_points(self, *, timed: bool, seen_from: bool) -> SpooledPoints | None:
        """Return all returns that were fused, or None where all of them are kept, or there is no folder for them."""
        return None if self._spool is None else self._spool.finish(timed=timed, seen_from=seen_from)

    def _begin(self, rows: Rows, origin_m: FloatArray) -> None:
        """Put the rows that were kept so far aside, which are all there were, where that was not done before."""
        if self.leaves_out:
            return
        self.leaves_out = True
        if self._folder is None:
            return
        self._spool = Spool(self._folder, origin_m)
        _put_aside(self._spool, rows)

    def _make_room(self, xyz_m: FloatArray) -> bool:
        """Have columns for some places; return False where the site has too many for that."""
        if self.gave_up:
            return False
        low, high = _bounds(xyz_m)
        if self._columns is None:
            self._columns = _Columns(low[:2], self._settings.column_m)
        self.gave_up = not self._columns.cover(low[:2], high[:2], self._settings.most_columns)
        return not self.gave_up

    def count(self, xyz_m: FloatArray) -> bool:
        """Count returns (n, 3) of a cloud that is there as a whole; return False where columns are too many."""
        if not self._make_room(xyz_m):
            return False
        assert self._columns is not None
        self._columns.sift(xyz_m, 0, len(xyz_m), np.empty(len(xyz_m), dtype=np.bool_))
        return True

    def drawn(self, xyz_m: FloatArray, number: IntArray) -> BoolArray | None:
        """Return which rows are drawn (n,), None where no column has too many."""
        from terrain.kernels import enough
        from terrain.kernels.threads import over_parts

        assert self._columns is not None
        columns, settings = self._columns, self._settings
        share = columns.share(xyz_m, settings)
        if share.min() >= 1.0:
            return None
        keep = np.empty(len(xyz_m), dtype=np.bool_)
        over_parts(enough.draw, len(xyz_m), _sealed(xyz_m), number, columns.low_m, columns.side_m, share, keep)
        return keep


class _Columns:
    """Returns by column of the site; see `terrain.kernels.enough.sift` for the arrays."""

    def __init__(self, low_m: FloatArray, side_m: float) -> None:
        from terrain.kernels.enough import LEVELS

        self.side_m = side_m
        self.low_m = np.floor(low_m / side_m) * side_m
        self.limit = np.zeros((0, 0), dtype=np.uint8)
        self.total, self.held = np.zeros((0, 0), dtype=np.int64), np.zeros((0, 0), dtype=np.int32)
        self.count = np.zeros((0, 0, LEVELS), dtype=np.int32)

    def cover(self, low_m: FloatArray, high_m: FloatArray, most: int) -> bool:
        """Grow so that there are columns from low_m to high_m; return False where that takes more than `most`."""
        before = np.maximum(np.ceil((self.low_m - low_m) / self.side_m), 0.0)
        shape = np.maximum(self.total.shape[::-1], np.floor((high_m - self.low_m) / self.side_m) + 1.0) + before
        if math.prod(shape.tolist()) > most:
            return False
        old = self.total.shape
        if tuple(shape[::-1].astype(int)) != old:
            bx, by = before.astype(int)
            self.low_m = self.low_m - before * self.side_m
            for name in ("limit", "total", "held", "count"):
                values = getattr(self, name)
                grown = np.zeros((*shape[::-1].astype(int), *values.shape[2:]), dtype=values.dtype)
                grown[by : by + old[0], bx : bx + old[1]] = values
                setattr(self, name, grown)
        return True

    def sift(self, xyz_m: FloatArray, first: int, most: int, keep: BoolArray) -> int:
        from terrain.kernels import enough

        kept = enough.sift(
            _sealed(xyz_m), first, self.low_m, self.side_m, self.limit, self.total, self.held, self.count, most, keep
        )
        return int(kept)

    def within(self, xyz_m: FloatArray, number: IntArray, keep: BoolArray) -> int:
        from terrain.kernels import enough

        return int(enough.within(_sealed(xyz_m), number, self.low_m, self.side_m, self.limit, keep))

    def share(self, xyz_m: FloatArray, settings: SieveSettings) -> FloatArray:
        """Return the share of returns to keep in each column, (ny, nx), from those held (n, 3).

        Beyond what was seen that of the nearest column; nowhere more than any of the columns beside holds.
        """
        from scipy.ndimage import distance_transform_edt, minimum_filter

        voxels = _voxels_by_column(xyz_m, self.low_m, self.total.shape, settings)
        share = np.minimum(1.0, settings.returns * voxels / np.maximum(self.total, 1))
        near = distance_transform_edt(self.total == 0, return_distances=False, return_indices=True)
        held = minimum_filter(0.5**self.limit, size=3, mode="nearest")
        return np.asarray(np.minimum(share[tuple(near)], held))


def too_many(cloud: Cloud, settings: SieveSettings | None = None) -> IntArray | None:
    """Return the rows of enough returns, rising, of a cloud with `far_too_many` of them; None for any other.

    Drift spreads a surface over many voxels while scans are read: only once it is corrected are they too many.
    """
    settings = settings or SieveSettings()
    if len(cloud) == 0:
        return None
    sieve = Sieve(None, settings)
    number = np.arange(len(cloud))
    if not sieve.count(cloud.xyz_map_m):
        return None
    keep = sieve.drawn(cloud.xyz_map_m, number)
    if keep is None or np.count_nonzero(keep) * settings.far_too_many > len(cloud):
        return None
    return np.flatnonzero(keep)


def _voxels_by_column(
    xyz_m: FloatArray, low_m: FloatArray, shape: tuple[int, ...], settings: SieveSettings
) -> IntArray:
    """Return how many voxels of each column (ny, nx) hold returns."""
    from terrain.kernels import enough
    from terrain.kernels.threads import over_parts

    side = round(settings.column_m / settings.voxel_m)
    nx = shape[1] * side
    low, high = _bounds(xyz_m)
    nz = int((high[2] - low[2]) / settings.voxel_m) + 1
    few = shape[0] * side * nx * nz < 2**31
    keys = np.empty(len(xyz_m), dtype=np.int32 if few else np.int64)  # sorted in three fifths of the time
    over_parts(
        enough.voxel_keys, len(xyz_m), _sealed(xyz_m), np.append(low_m, low[2]), settings.column_m / side, nx, nz, keys
    )  # fmt: skip
    keys.sort()
    voxels = np.zeros(shape, dtype=np.int64)
    enough.count_voxels(keys, nx, nz, side, voxels)
    return voxels


def _sealed(xyz_m: FloatArray) -> FloatArray:
    """Return a view that cannot be written to, as those of clouds: kernels would compile anew for any other."""
    return sealed("xyz_m", xyz_m, columns=3, copy=False, finite=False)


def _bounds(xyz_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and highest coordinates, axis by axis: NumPy is slow along the long axis of (n, 3)."""
    axes = xyz_m.T
    return np.array([axis.min() for axis in axes]), np.array([axis.max() for axis in axes])


def _put_aside(spool: Spool, rows: Rows) -> None:
    """Write rows in parts of about equal size; a part is what is held at a time when they are read again."""
    parts = -(-len(rows["xyz"]) // PART)
    edges = np.linspace(0, len(rows["xyz"]), parts + 1).astype(np.int64)
    for begin, end in pairwise(edges.tolist()):
        spool.write({name: column[begin:end] for name, column in rows.items()})


def _compress(columns: Rows, keep: BoolArray, kept: int) -> None:
    """Move the rows to keep to the beginning of each column."""
    from terrain.kernels.enough import move_up
    from terrain.kernels.threads import in_order

    if kept < len(keep):
        words = [column.reshape(len(keep), -1).view(np.int32) for column in columns.values()]
        in_order(lambda column: move_up(keep, column), words)
