"""What is no part of the site: things that moved, returns between two surfaces, stray ones, the robot itself."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from terrain.data import BoolArray, ByteArray, Cloud, FloatArray, Int32Array, IntArray, Scan, SensorModel

REASONS = ("moving", "mixed", "isolated")
"""Why `clean` drops a return; the kernels' codes are these counted from 1."""

OWN_BODY = "own body"


@dataclass(frozen=True, slots=True)
class CleanSettings:
    """What cleaning is tuned by; lengths in metres."""

    voxel_m: float = 0.04
    look_s: float = 0.5
    """Returns within one such stretch of time are one look at a voxel."""
    most_looks: int = 8
    """A voxel that was seen on more occasions than this stays."""
    stride: int = 3
    """Every so many beams are followed, fewer where voxels hold more than `dense` returns on average."""
    dense: float = 10.0
    radius_m: float = 0.015
    """A beam this close to the middle of a voxel's returns went through where they are."""
    short_m: float = 0.10
    """A beam that ends this close behind did not go on: it may graze the same surface."""
    short_sd: float = 5.0
    passes: float = 3.0
    """A voxel whose beams through outnumber its returns this many times was empty most of the time."""
    passes_beside: float = 1.0
    """The same for a voxel beside gone ones with at least half as many returns as the voxels there that stay."""
    rounds: int = 4
    """How often what lies among gone voxels follows them."""
    plane_sd: float = 3.0
    """A return this close to the plane of lasting voxels around it belongs to that plane, in its own sd."""
    floor_sd_m: float = 0.003
    suspicious: float = 0.1
    """If more than this share of the points moved, it is said: poses that disagree look the same."""
    few: int = 20
    """Fewer gone returns than this within about half a metre are no thing that moved, but stray."""
    lone: int = 2
    """Up to so many returns in a cube three voxels wide are stray, in a cube of three blocks if they are far away."""
    far_m: float = 4.0
    between_m: float = 6.0
    """How far behind a stray return a surface is looked for."""
    most_cells: int = 64_000_000
    reach_m: float = 25.0
    """On sites with more blocks than that, only what is this near to the sensor's way is looked at."""


@dataclass(frozen=True, slots=True)
class CleanReport:
    """How many points were dropped for each reason, zeros among them, and what is to be said about it."""

    dropped: dict[str, int]
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    moved: WhatMoved | None = None
    """What else the cloud tells of other returns of the same survey; None where nothing could be told."""


@dataclass(slots=True)
class OwnBody:
    """A box in the body frame that holds the robot itself, and how many returns it took so far."""

    low_m: FloatArray
    high_m: FloatArray
    dropped: int = 0


def without_own_body(scans: Iterable[Scan], sensor: SensorModel, own: OwnBody) -> Iterator[Scan]:
    """Yield the scans without the returns inside the robot's own box, counting them in `own`."""
    from scipy.spatial.transform import Rotation

    rotation = Rotation.from_quat(sensor.mount_rotation_xyzw).as_matrix()
    for scan in scans:
        body = scan.xyz_m @ rotation.T + sensor.mount_translation_m
        inside = np.logical_and.reduce((body > own.low_m) & (body < own.high_m), axis=1)
        count = int(np.count_nonzero(inside))
        if count == 0:
            yield scan
            continue
        own.dropped += count
        time_s = None if scan.time_s is None else scan.time_s[~inside]
        yield dataclasses.replace(scan, xyz_m=scan.xyz_m[~inside], time_s=time_s)


def clean(cloud: Cloud, *, settings: CleanSettings | None = None) -> tuple[Cloud, CleanReport]:
    """Return the cloud without what is no part of the site, and how many points that was.

    Parameters
    ----------
    cloud : Cloud
        Fused points with times and viewpoints; without them nothing can be told, and a note says so.

    Returns
    -------
    Cloud
        The points that stay, in their order. A thing that stood still through the whole pass stays.
    CleanReport
        Counts for "moving", "mixed" and "isolated".

    Notes
    -----
    A voxel is gone if, of the beams followed, more than `passes` times as many went within `radius_m` of the middle
    of its returns and on behind it as returned from it; voxels that were seen on more than `most_looks` occasions are
    not asked. Voxels seen as rarely that lie among gone ones go with them. A return that fits the plane of lasting
    voxels around it stays all the same: thin rims and the noise of a floor are passed by closely too.
    """
    settings = settings or CleanSettings()
    none = dict.fromkeys(REASONS, 0)
    if cloud.view_map_m is None or cloud.time_s is None:
        what = "times" if cloud.time_s is None else "viewpoints"
        return cloud, CleanReport(none, notes=(f"the points have no {what}: moving things could not be told",))
    if len(cloud) == 0:
        return cloud, CleanReport(none)
    _, shape = _box(cloud, settings)
    if math.prod(shape.tolist()) > settings.most_cells:
        large = (
            "the way of the sensor spans too much for one pass of cleaning: what moved was left in; assess it in parts"
        )
        return cloud, CleanReport(none, warnings=(large,))
    moved = learned(cloud, settings)
    reason = moved.reasons(cloud, settings)
    counts = np.bincount(reason, minlength=len(REASONS) + 1)[1:]
    dropped = {name: int(counts[k]) for k, name in enumerate(REASONS)}
    warnings: tuple[str, ...] = ()
    if counts[0] > settings.suspicious * len(cloud):
        warnings = (
            f"{counts[0] / len(cloud):.0%} of the points were taken for moving things: "
            "if little moved, the poses disagree and surfaces were seen through",
        )
    if not counts.any():
        return cloud, CleanReport(dropped, warnings, moved=moved)
    return cloud.some(np.flatnonzero(reason == 0)), CleanReport(dropped, warnings, moved=moved)


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Blocks of voxels, and what was seen in each voxel; see `terrain.kernels.freespace`."""

    low_m: FloatArray
    size_m: float
    block: Int32Array
    corner: IntArray
    """(b, 3) lowest voxel of each block."""
    slot: IntArray
    hits: Int32Array
    looks: Int32Array

    def cells(self, slots: IntArray) -> IntArray:
        """Return the voxels (k, 3) of slots (k,)."""
        inner = np.column_stack([(slots >> 4) & 3, (slots >> 2) & 3, slots & 3])
        return np.asarray(self.corner[slots >> 6] + inner)

    def around(self, by_block: IntArray) -> IntArray:
        """Return the sum over the 27 blocks around each block (b,) of a count by block (b,)."""
        from terrain.kernels import freespace

        return np.asarray(freespace.blocks_around(self.corner, self.block, by_block))


def reasons_to_drop(cloud: Cloud, settings: CleanSettings) -> ByteArray:
    """Return for each point (n,) 0, or which of `REASONS` it is dropped for, counted from 1."""
    return learned(cloud, settings).reasons(cloud, settings)


def learned(cloud: Cloud, settings: CleanSettings) -> WhatMoved:
    """Return what returns and beams of a cloud tell of every voxel."""
    from terrain.kernels import freespace

    grid = _counted(cloud, settings)
    rare = np.flatnonzero((grid.hits > 0) & (grid.looks <= settings.most_looks))
    crowd = len(cloud) / (settings.dense * max(1, int(np.count_nonzero(grid.hits))))
    settings = dataclasses.replace(settings, stride=max(settings.stride, int(settings.stride * crowd)))
    passed = _beams_through(cloud, grid, rare, settings)
    gone = np.zeros(len(grid.hits), dtype=np.bool_)
    gone[rare[settings.stride * passed > settings.passes * grid.hits[rare]]] = True
    weak = np.zeros(len(grid.hits), dtype=np.bool_)
    weak[rare[settings.stride * passed > settings.passes_beside * grid.hits[rare]]] = True
    _follow(grid, rare, gone, weak, settings)
    slots = np.flatnonzero(gone)
    plane, many = _around_gone(cloud, grid, slots, gone, settings)
    at = np.full(len(grid.hits), -1, dtype=np.int32)
    at[slots] = np.arange(len(slots), dtype=np.int32)
    by_block = grid.hits.reshape(-1, freespace.SLOTS).sum(axis=1)
    return WhatMoved(
        low_m=grid.low_m, size_m=grid.size_m, block=grid.block, hits=grid.hits, gone=at, plane=plane,
        many=many, weak=weak, lone=_lone(grid, rare, gone, by_block, settings), by_block=by_block,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class WhatMoved:
    """What became of every voxel, for any return in it.

    low_m (3,), size_m, block (nx, ny, nz): the grid, see `terrain.kernels.freespace`; by slot: hits, gone (which of the
    gone ones, else -1), weak, lone (1 where its returns are stray, 2 where they are so however far away); of the gone
    ones: plane (k, 4) of what lasts around, NaN for none, and many, whether they are of something that moved rather
    than stray; by_block: hits.
    """

    low_m: FloatArray
    size_m: float
    block: Int32Array
    hits: Int32Array
    gone: Int32Array
    plane: FloatArray
    many: BoolArray
    weak: BoolArray
    lone: ByteArray
    by_block: IntArray

    @cached_property
    def _is_gone(self) -> BoolArray:
        return self.gone >= 0

    def reasons(self, cloud: Cloud, settings: CleanSettings | None = None) -> ByteArray:
        """Return for each return (n,) of a part of the survey 0, or which of `REASONS` it is dropped for, from 1."""
        from terrain.kernels import freespace

        settings = settings or CleanSettings()
        slot = np.empty(len(cloud), dtype=np.int64)
        freespace.slots_of(0, len(cloud), cloud.xyz_map_m, self.low_m, self.size_m, self.block, slot)
        reason = np.zeros(len(cloud), dtype=np.uint8)
        inside = slot >= 0
        points = np.flatnonzero(inside & self._is_gone[slot])
        if len(points):
            own = self.gone[slot[points]]
            free = ~_fits(cloud, points, self.plane[own], self.low_m, settings)
            reason[points[free]] = np.where(self.many[own[free]], 1, 3)
        lone = np.where(inside, self.lone[slot], np.uint8(0))
        self._mark_new(cloud, slot, lone, settings)
        self._mark_strays(cloud, slot, lone, reason, settings)
        return reason

    def _mark_new(self, cloud: Cloud, slot: IntArray, lone: ByteArray, settings: CleanSettings) -> None:
        """Mark returns in voxels that hold none of what was learned from, where hardly any are around."""
        from terrain.kernels import freespace

        new = np.flatnonzero((slot < 0) | (self.hits[slot] == 0))
        if len(new) == 0:
            return
        cells = np.floor((cloud.xyz_map_m[new] - self.low_m) / self.size_m).astype(np.int64)
        within = np.logical_and.reduce((cells >= 0) & (cells < freespace.SIDE * np.array(self.block.shape)), axis=1)
        new, cells = new[within], cells[within]
        alone = freespace.are_lone(cells, self.block, self.hits, self._is_gone, settings.lone)
        around = freespace.blocks_around(cells[alone], self.block, self.by_block)
        lone[new[alone]] = 1 + (around <= settings.lone)

    def _mark_strays(
        self, cloud: Cloud, slot: IntArray, lone: ByteArray, reason: ByteArray, settings: CleanSettings
    ) -> None:
        """Mark lone points as isolated, and those that lie on a beam between two surfaces as mixed.

        Far away returns are sparse: there a lone one stays unless nothing else is near or a beam went through.
        """
        from terrain.kernels import freespace

        assert cloud.view_map_m is not None
        points = np.flatnonzero(((lone > 0) & (reason == 0)) | (reason == 3))
        if len(points) == 0:
            return
        xyz = np.ascontiguousarray(cloud.xyz_map_m[points])
        toward = cloud.view_map_m[points] + cloud.origin_m - xyz
        distance = np.linalg.norm(toward, axis=1)
        toward /= np.maximum(distance, 1e-9)[:, np.newaxis]
        weak = (slot[points] >= 0) & self.weak[slot[points]]
        stays = (distance > settings.far_m) & (lone[points] < 2) & ~weak & (reason[points] == 0)
        solid = (self.hits > settings.lone) & ~self._is_gone
        arguments = self.block, solid, self.low_m, self.size_m
        before = freespace.solid_along(xyz, toward, distance, *arguments)
        behind = freespace.solid_along(xyz, -toward, np.full(len(points), settings.between_m), *arguments)
        reason[points[~stays]] = np.where((before & behind)[~stays], 2, 3)


def _bounds(xyz: Any) -> tuple[FloatArray, FloatArray]:
    from terrain.kernels import freespace

    low, high = np.empty(3), np.empty(3)
    freespace.bounds(xyz, low, high)
    return low, high


def _box(cloud: Cloud, settings: CleanSettings) -> tuple[FloatArray, IntArray]:
    """Return the grid's corner and how many blocks it has along each axis, at most `most_cells` in all."""
    side = 4.0 * settings.voxel_m
    (low, high), (way_low, way_high) = _bounds(cloud.xyz_map_m), _bounds(cloud.view_map_m)
    way_low, way_high = way_low + cloud.origin_m, way_high + cloud.origin_m
    reach = settings.reach_m
    while True:
        # Off round heights, or a floor at zero would lie on the border of two voxels.
        corner = np.floor(low / side) * side - 1.37 * settings.voxel_m
        shape = np.ceil((high - corner) / side).astype(np.int64) + 1
        if math.prod(shape.tolist()) <= settings.most_cells or reach < 1.0:
            return corner, shape
        low, high = np.maximum(low, way_low - reach), np.minimum(high, way_high + reach)
        reach /= 1.5


def _counted(cloud: Cloud, settings: CleanSettings) -> _Grid:
    from terrain.kernels import freespace
    from terrain.kernels.threads import by_remainder, over_parts

    xyz, time_s = cloud.xyz_map_m, cloud.time_s
    assert time_s is not None
    corner, shape = _box(cloud, settings)
    block = np.full(tuple(shape), -1, dtype=np.int32)
    over_parts(
        lambda begin, end: freespace.mark_blocks(xyz, begin, end, corner, settings.voxel_m, block), len(xyz)
    )  # fmt: skip
    filled = freespace.number_blocks(block)
    slot = np.full(len(xyz), -1, dtype=np.int64)
    packed = np.zeros(len(filled) * freespace.SLOTS, dtype=np.int64)
    start_s = float(time_s.min())
    by_remainder(
        lambda part, parts: freespace.count_hits(
            xyz, time_s, start_s, settings.look_s, corner, settings.voxel_m, block, part, parts, slot, packed
        )
    )
    corners = np.stack(np.unravel_index(filled, block.shape), axis=1) * freespace.SIDE
    hits, looks = ((packed >> shift & freespace.FULL).astype(np.int32) for shift in (0, 16))
    return _Grid(corner, settings.voxel_m, block, corners, slot, hits, looks)


def _beams_through(cloud: Cloud, grid: _Grid, rare: IntArray, settings: CleanSettings) -> IntArray:
    """Return how many of the beams followed went by the middle of each rare voxel's returns (m,)."""
    from numba import get_num_threads

    from terrain.kernels import freespace
    from terrain.kernels.threads import in_order

    number = np.full(len(grid.hits), -1, dtype=np.int32)
    number[rare] = np.arange(len(rare), dtype=np.int32)
    sums = np.zeros((len(rare), 3))
    freespace.sum_points(cloud.xyz_map_m, grid.slot, number, grid.low_m, sums)
    centre = np.ascontiguousarray((sums / grid.hits[rare, np.newaxis]).T)
    begin = np.searchsorted(rare, np.arange(len(grid.corner) + 1) * freespace.SLOTS)
    short = max(settings.short_m, settings.short_sd * float(np.median(cloud.sd_m)))
    asked = np.where(np.diff(begin) > 0, np.arange(len(grid.corner)), -1).astype(np.int32)
    block = np.where(grid.block >= 0, asked[grid.block], np.int32(-1))
    threads = int(get_num_threads())
    each = settings.stride * math.ceil(len(cloud) / (settings.stride * threads))
    passed = np.zeros((threads, len(rare)), dtype=np.int32)

    def walk(k: int) -> None:
        last = min(len(cloud), (k + 1) * each)
        freespace.walk_beams(
            cloud.xyz_map_m, cloud.view_map_m, cloud.origin_m, k * each, last, settings.stride, grid.low_m,
            grid.size_m, block, begin, centre, settings.radius_m, short, passed[k],
        )  # fmt: skip

    in_order(walk, range(threads))
    return np.asarray(passed.sum(axis=0, dtype=np.int64))


def _follow(grid: _Grid, rare: IntArray, gone: BoolArray, weak: BoolArray, settings: CleanSettings) -> None:
    """Let rare voxels whose surroundings are mostly gone go as well, and weak ones where half of that is gone."""
    from terrain.kernels import freespace

    changed = rare[gone[rare]]
    for _ in range(settings.rounds):
        near = np.zeros(len(grid.corner), dtype=np.bool_)
        freespace.mark_around(np.flatnonzero(np.bincount(changed >> 6)), grid.corner, grid.block, near)
        left = rare[~gone[rare] & near[rare >> 6]]
        around = freespace.hits_around(grid.cells(left), grid.block, grid.hits, gone)
        others = around[:, 0] - grid.hits[left]
        mostly = (around[:, 1] >= 2) & (around[:, 1] > 2 * others)
        partly = weak[left] & (around[:, 1] >= 4) & (2 * around[:, 1] > others)
        changed = left[mostly | partly]
        if len(changed) == 0:
            return
        gone[changed] = True


def _around_gone(
    cloud: Cloud, grid: _Grid, slots: IntArray, gone: BoolArray, settings: CleanSettings
) -> tuple[FloatArray, BoolArray]:
    """Return of gone slots (k,) the planes (k, 4) of what lasts around them, and whether many are gone there (k,)."""
    from terrain.kernels import freespace

    if len(slots) == 0:
        return np.zeros((0, 4)), np.zeros(0, dtype=np.bool_)
    cells = grid.cells(slots)
    lasting = (grid.looks > settings.most_looks) & ~gone
    number = np.full(len(grid.hits), -1, dtype=np.int32)
    count = freespace.number_around(cells, grid.block, lasting, number)
    moments = np.zeros((count, 10))
    freespace.add_moments(cloud.xyz_map_m, grid.slot, number, grid.low_m, moments)
    plane = freespace.planes_around(cells, grid.block, number, moments, grid.size_m)
    by_block = np.bincount(slots >> 6, grid.hits[slots], minlength=len(grid.corner)).astype(np.int64)
    return plane, grid.around(by_block)[slots >> 6] >= settings.few


def _lone(grid: _Grid, rare: IntArray, gone: BoolArray, by_block: IntArray, settings: CleanSettings) -> ByteArray:
    """Return by slot whether its returns are stray: 1, and 2 where hardly any others are within a few blocks."""
    from terrain.kernels import freespace

    single = rare[~gone[rare] & (grid.hits[rare] <= settings.lone)]
    cells = grid.cells(single)
    lone = np.zeros(len(gone), dtype=np.uint8)
    single = single[freespace.are_lone(cells, grid.block, grid.hits, gone, settings.lone)]
    lone[single] = 1 + (grid.around(by_block)[single >> 6] <= settings.lone)
    return lone


def _fits(cloud: Cloud, points: IntArray, plane: FloatArray, low_m: FloatArray, settings: CleanSettings) -> BoolArray:
    """Return whether points lie on their planes (k, 4) within `plane_sd` of their own sd; False where there is none."""
    assert cloud.view_map_m is not None
    xyz = cloud.xyz_map_m[points]
    beam = xyz - cloud.origin_m - cloud.view_map_m[points]
    beam /= np.maximum(np.linalg.norm(beam, axis=1), 1e-9)[:, np.newaxis]
    cosine2 = np.einsum("ij,ij->i", beam, plane[:, :3]) ** 2
    variance = cloud.sd_m[points] ** 2 * cosine2 + cloud.cross_sd_m[points] ** 2 * (1.0 - cosine2)
    away = np.einsum("ij,ij->i", xyz - low_m, plane[:, :3]) - plane[:, 3]
    return np.asarray(np.abs(away) <= settings.plane_sd * np.sqrt(variance + settings.floor_sd_m**2))
