"""COPC: points as one LAZ file that viewers read part by part, coarse before fine."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray, IntArray
from terrain.errors import DataError
from terrain.export.source import Points
from terrain.maps.frame import ENGINEERING_WKT1

SCALE_M = 1e-4
NODE_POINTS = 50_000
MAX_DEPTH = 12
_SPACING_SHARE = 128
_COPC, _INFO_ID, _HIERARCHY_ID = "copc", 1, 1000
_INFO = struct.Struct("<5d2Q2d88x")
_ENTRY = struct.Struct("<4iQ2i")
_EVLR = struct.Struct("<H16sHQ32s")
_INFO_AT = 375 + 54  # the first record after the header of LAS 1.4
_CREATION_DATE_AT = 90
_SHUFFLE_SEED = 0


@dataclass(frozen=True, slots=True, eq=False)
class Octree:
    """Points in nodes: key (k, 4) depth, x, y, z; the points of node k are order[first[k]:first[k + 1]]."""

    centre_m: FloatArray
    half_m: float
    key: IntArray
    first: IntArray
    order: IntArray


def write_copc(path: Path, points: Points) -> None:
    """Write points as COPC 1.0: LAS 1.4 point format 6 with extra dimensions label, reasons, patch_id, level.

    Raises
    ------
    DataError
        No points, or some too far apart for steps of 0.1 mm.

    Notes
    -----
    Source: COPC specification 1.0 (copc.io). Each node of the octree is one LAZ chunk; the chunk table, read back,
    tells where each node lies. A node keeps a random part of its points and passes the rest to its children, so that
    coarse levels cover all of the map; the random numbers are the same in every run.
    """
    import lazrs
    from laspy.vlrs.known import LasZipVlr

    if not len(points):
        raise DataError("COPC: the map has no points, expected at least one")
    tree = grow_octree(points.xyz_m)
    header, rows = _header_and_rows(points)
    laz = lazrs.LazVlr.new_for_compression(6, header.point_format.num_extra_bytes, True)
    header.vlrs.append(LasZipVlr(laz.record_data()))
    header.are_points_compressed = True
    header.point_count = len(points)
    header.number_of_points_by_return[0] = len(points)
    steps = np.column_stack([rows[name] for name in "XYZ"])
    header.mins = steps.min(axis=0) * SCALE_M + header.offsets
    header.maxs = steps.max(axis=0) * SCALE_M + header.offsets
    with path.open("w+b") as file:
        header.write_to(file, ensure_same_size=False)
        start = file.tell()
        compressor = lazrs.LasZipCompressor(file, laz)
        compressor.reserve_offset_to_chunk_table()
        for k in range(len(tree.key)):
            if k > 0:
                compressor.finish_current_chunk()
            chunk = np.ascontiguousarray(rows[tree.order[tree.first[k] : tree.first[k + 1]]])
            compressor.compress_many(chunk.view(np.uint8))
        compressor.done()
        file.seek(start)
        sizes = np.array([size for _, size in lazrs.read_chunk_table(file, laz)], dtype=np.int64)
        at = file.seek(0, 2)
        hierarchy = _hierarchy(tree, start + 8 + np.concatenate([[0], np.cumsum(sizes)[:-1]]), sizes)
        file.write(_EVLR.pack(0, _COPC.encode(), _HIERARCHY_ID, len(hierarchy), b"EPT hierarchy"))
        file.write(hierarchy)
        file.seek(_INFO_AT)
        spacing = 2.0 * tree.half_m / _SPACING_SHARE
        where = (at + _EVLR.size, len(hierarchy))
        file.write(_INFO.pack(*tree.centre_m, tree.half_m, spacing, *where, 0.0, 0.0))
        file.seek(235)
        file.write(struct.pack("<QI", at, 1))  # first EVLR and their number: LAS 1.4 R15, table 3
        file.seek(_CREATION_DATE_AT)
        file.write(bytes(4))


def grow_octree(xyz_m: FloatArray, *, node_points: int = NODE_POINTS, max_depth: int = MAX_DEPTH) -> Octree:
    """Return nodes of about `node_points` points, each a random part of those in its cube, parents before children."""
    low, high = xyz_m.min(axis=0), xyz_m.max(axis=0)
    centre, half = 0.5 * (low + high), max(0.5 * float((high - low).max()) * 1.001, 0.5)
    left = np.random.default_rng(_SHUFFLE_SEED).permutation(len(xyz_m))
    keys: list[npt.NDArray[np.int64]] = []
    parts: list[npt.NDArray[np.int64]] = []
    for depth in range(max_depth + 1):
        if not len(left):
            break
        side = 1 << depth
        cell = np.clip(np.floor((xyz_m[left] - (centre - half)) * (side / (2.0 * half))), 0, side - 1).astype(np.int64)
        code = (cell[:, 0] * side + cell[:, 1]) * side + cell[:, 2]
        by_code = np.argsort(code, kind="stable")
        sorted_code = code[by_code]
        first = np.flatnonzero(np.concatenate([[True], sorted_code[1:] != sorted_code[:-1]]))
        count = np.diff(np.concatenate([first, [len(code)]]))
        rank = np.arange(len(code)) - np.repeat(first, count)
        keep = rank < node_points if depth < max_depth else np.full(len(code), True)
        for start, number in zip(first, count, strict=True):
            members = by_code[start : start + number][keep[start : start + number]]
            keys.append(np.array([depth, *cell[by_code[start]]], dtype=np.int64))
            parts.append(left[members])
        left = left[np.sort(by_code[~keep])]
    sizes = [len(part) for part in parts]
    return Octree(centre, half, np.array(keys), np.concatenate([[0], np.cumsum(sizes)]), np.concatenate(parts))


def _header_and_rows(points: Points) -> tuple[Any, npt.NDArray[Any]]:
    """Return the header with all records but LAZ's, and the points as LAS rows."""
    import laspy
    from laspy.vlrs.known import WktCoordinateSystemVlr

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.add_extra_dims(
        [
            laspy.ExtraBytesParams("label", "uint8", description="0 unob 1 step 2 marg 3 unstep"),
            laspy.ExtraBytesParams("reasons", "uint16", description="bits: see record terrain/1"),
            laspy.ExtraBytesParams("patch_id", "int32", description="planar patch, -1 none"),
            laspy.ExtraBytesParams("level", "int16", description="-1 none"),
        ]
    )
    header.scales = np.full(3, SCALE_M)
    header.offsets = np.floor(points.xyz_m.mean(axis=0))
    header.system_identifier = header.generating_software = "terrain"
    header.global_encoding.wkt = True
    header.vlrs.insert(0, laspy.VLR(_COPC, _INFO_ID, "COPC info", bytes(_INFO.size)))
    header.vlrs.append(WktCoordinateSystemVlr(ENGINEERING_WKT1))
    header.vlrs.append(laspy.VLR("terrain", 1, "reasons, added up", _bit_words()))
    steps = np.rint((points.xyz_m - header.offsets) / SCALE_M)
    if not np.abs(steps).max() <= 2**31 - 1:
        raise DataError(f"COPC: a point lies more than {2**31 * SCALE_M:.0f} m from the others; expected one site")
    record = laspy.ScaleAwarePointRecord.zeros(len(points), header=header)
    rows: npt.NDArray[Any] = record.array
    for k, name in enumerate("XYZ"):
        rows[name] = steps[:, k]
    rows["bit_fields"] = 0x11  # return 1 of 1
    for name in ("label", "reasons", "patch_id", "level"):
        rows[name] = getattr(points, name)
    return header, rows


def _bit_words() -> bytes:
    from terrain.maps.words import BIT_WORDS

    return BIT_WORDS.encode("ascii")


def _hierarchy(tree: Octree, at: IntArray, sizes: IntArray) -> bytes:
    """Return one entry a node; nodes above it that hold no points of their own do not occur."""
    counts = np.diff(tree.first)
    return b"".join(
        _ENTRY.pack(*key, int(offset), int(size), int(count))
        for key, offset, size, count in zip(tree.key.tolist(), at, sizes, counts, strict=True)
    )
