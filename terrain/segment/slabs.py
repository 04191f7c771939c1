"""Slabs: what joints cut out of a group of nearly coplanar planes.

Blocks side by side whose tops differ by less than the noise are shared out wrongly at first: planes run across the
joints, and two of them cross in the middle of a block. The joints, searched over all planes of such a group together,
tell where the blocks are; a block whose returns one plane explains becomes one plane.
"""

from __future__ import annotations

import numpy as np

from terrain.data import BoolArray, Cloud, FloatArray, Int32Array, IntArray
from terrain.segment.beams import BeamTable, make_beams
from terrain.segment.joint_settings import JointSettings
from terrain.segment.joints import cut_joints
from terrain.segment.masks import STEEP_COSINE, MaskSettings, grow, shrink
from terrain.segment.regions import Planes, SegmentSettings, Voxels, part_moments, rows_of
from terrain.segment.windows import Windows

COPLANAR_COSINE = 0.97
"""Planes that touch and differ by less than 14 degrees are searched for joints together."""
MEET_M = 0.02


def find_slabs(
    cloud: Cloud,
    voxels: Voxels,
    planes: Planes,
    windows: Windows,
    mask_of: list[BoolArray | None],
    settings: SegmentSettings,
    masks: MaskSettings,
    joints: JointSettings,
) -> Int32Array:
    """Return the slab of each point, (n,): pieces that joints or gaps leave of each group of planes; -1 for none.

    A piece that one plane does not explain keeps its planes apart.
    """
    piece, pieces = _pieces(cloud, voxels, planes, windows, mask_of, settings, masks, joints)
    return _combined(cloud, voxels, planes, piece, pieces, settings)


def _pieces(
    cloud: Cloud,
    voxels: Voxels,
    planes: Planes,
    windows: Windows,
    mask_of: list[BoolArray | None],
    settings: SegmentSettings,
    masks: MaskSettings,
    joints: JointSettings,
) -> tuple[Int32Array, int]:
    """Return the piece of each point, (n,), -1 for none; and how many there are."""
    from terrain.kernels.threads import in_order

    group = _groups(voxels, planes)
    by_plane = rows_of(planes)
    beams = make_beams(cloud, voxels, planes, by_plane, floor_sd_m=settings.floor_sd_m, cut=settings.cut)
    piece = np.full(len(cloud), -1, dtype=np.int32)
    pieces = 0

    def one(g: int) -> tuple[Int32Array, Int32Array, int]:
        members = [int(k) for k in np.flatnonzero(group == g) if mask_of[k] is not None]
        if not members:
            return by_plane.order[:0], by_plane.order[:0], 0
        rows = by_plane.of(members[0]) if len(members) == 1 else np.concatenate([by_plane.of(k) for k in members])
        cut = _cut_group(cloud, members, rows, windows, mask_of, masks, joints, beams=beams, low_m=voxels.low_m)
        return rows, *cut

    for rows, at, count in in_order(one, np.unique(group[group >= 0]).tolist()):
        piece[rows] = np.where(at > 0, pieces + at - 1, -1)
        pieces += count
    return piece, pieces


def _groups(voxels: Voxels, planes: Planes) -> IntArray:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    from terrain.kernels.merging import touching_pairs

    n = len(planes.plane)
    upright = np.abs(planes.plane[:, 2]) > STEEP_COSINE
    pairs = touching_pairs(
        voxels.near, voxels.wider, planes.voxel_label, voxels.up, voxels.centre, planes.plane, MEET_M
    )
    if len(pairs):
        a, b = pairs[:, 0], pairs[:, 1]
        dot = (planes.plane[a, :3] * planes.plane[b, :3]).sum(axis=1)
        pairs = pairs[upright[a] & upright[b] & (dot > COPLANAR_COSINE)]
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n)) if len(pairs) else None
    label = np.arange(n) if graph is None else connected_components(graph, directed=False)[1]
    return np.where(upright, label, -1)


def _cut_group(
    cloud: Cloud,
    members: list[int],
    rows: Int32Array,
    windows: Windows,
    mask_of: list[BoolArray | None],
    masks: MaskSettings,
    joints: JointSettings,
    *,
    beams: BeamTable | None,
    low_m: FloatArray,
) -> tuple[Int32Array, int]:
    """Return the piece of each of the group's points, from 1, 0 for none; and how many pieces there are."""
    x0, y0 = min(windows.ix0[k] for k in members), min(windows.iy0[k] for k in members)
    x1 = max(windows.ix0[k] + windows.nx[k] for k in members)
    y1 = max(windows.iy0[k] + windows.ny[k] for k in members)
    union = np.zeros((int(y1 - y0), int(x1 - x0)), dtype=bool)
    for k in members:
        mask = mask_of[k]
        if mask is not None:
            iy, ix = int(windows.iy0[k] - y0), int(windows.ix0[k] - x0)
            union[iy : iy + mask.shape[0], ix : ix + mask.shape[1]] |= mask
    if len(members) > 1:
        union = shrink(grow(union, 1.5), 1.5)
    corner = np.array([windows.x0_m + x0 * masks.cell_m, windows.y0_m + y0 * masks.cell_m])
    _, numbered, count = cut_joints(
        union, cloud.xyz_map_m, rows, corner, cell_m=masks.cell_m,
        beams=None if beams is None else lambda: beams.of_planes(members), corner_m=corner - low_m[:2], settings=joints,
    )  # fmt: skip
    return numbered[windows.cell_xy[rows, 1] - y0, windows.cell_xy[rows, 0] - x0], count


def _combined(
    cloud: Cloud, voxels: Voxels, planes: Planes, piece: Int32Array, pieces: int, settings: SegmentSettings
) -> Int32Array:
    """Return one number for each piece that one plane explains, one for each plane in every other piece."""
    from terrain.kernels.pieces import named

    n = len(planes.plane)
    # Steep planes have no pieces; they stay as they are.
    steep = np.abs(planes.plane[:, 2]) <= STEEP_COSINE
    names: IntArray
    number: Int32Array
    names, number = named(piece, planes.point_plane, steep, pieces)
    if len(names) == 0:
        return number
    of_piece = names // n
    target = np.arange(len(names), dtype=np.int32)
    # Only what shares its piece with other planes can be joined.
    several = (np.bincount(of_piece) > 1)[of_piece] & (of_piece < pieces)
    part = np.append(np.where(several, target, -1), -1).astype(np.int32)[number]
    origin, moments = part_moments(cloud, voxels, part, len(names))
    begin = 0
    for end in [*(np.flatnonzero(np.diff(of_piece)) + 1), len(names)]:
        if end - begin > 1 and of_piece[begin] < pieces:
            joint = _explained_by_one(origin, moments, list(range(begin, end)), settings)
            target[joint] = joint[0] if joint else 0
        begin = int(end)
    place: Int32Array = np.append(np.unique(target, return_inverse=True)[1], -1).astype(np.int32)
    return place[number]


def _explained_by_one(origin: FloatArray, moments: FloatArray, rows: list[int], settings: SegmentSettings) -> list[int]:
    """Return the rows that can share a plane with the largest of them, itself first, smallest number first."""
    from terrain.kernels.merging import one_plane
    from terrain.kernels.voxels import add_shifted

    rows = [k for k in rows if moments[k, 0] > 0]
    rows.sort(key=lambda k: -moments[k, 0])
    if len(rows) < 2:
        return []
    total, base = moments[rows[0]].copy(), rows[0]
    joined = [base]
    for k in rows[1:]:
        union = total.copy()
        add_shifted(union, moments[k], *(origin[k] - origin[base]))
        few = moments[k, 0] < settings.min_points
        if few or one_plane(total, moments[k], union, settings.floor_sd_m**2, settings.merge_systematic_m, 2.0):
            total = union
            joined.append(k)
    return sorted(joined) if len(joined) > 1 else []
