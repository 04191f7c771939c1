"""A fused cloud and its poses as files of their own, without a map."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from terrain.data import Cloud, Trajectory
from terrain.errors import DataError
from terrain.maps.cloud import BLOCK_POINTS, SCALE_M
from terrain.maps.files import check_writable, replacing
from terrain.maps.frame import ENGINEERING_WKT1

_CREATION_DATE_OFFSET = 90  # day of year and year, two bytes each: LAS 1.4 R15, table 3 (public header block)


def check_free(path: Path | None, *, replace: bool) -> None:
    """Raise a DataError unless a file may be written to `path`; call it before hours of work, not after."""
    if path is not None and os.path.lexists(path) and not replace:
        raise DataError(f"{path}: exists already, expected a name that is not taken (or --replace)")
    if path is not None and not path.resolve().parent.is_dir():
        raise DataError(f"{path}: there is no folder {path.resolve().parent} to write to")
    if path is not None:
        check_writable(path.resolve())


def write_cloud(path: Path, cloud: Cloud) -> None:
    """Write points and times as LAZ: LAS 1.4, point format 6, steps of 0.1 mm, no date: same cloud, same bytes.

    Raises
    ------
    DataError
        The folder is missing or cannot be written to.
    """
    import laspy
    from laspy.vlrs.known import WktCoordinateSystemVlr

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, SCALE_M)
    header.offsets = np.floor(cloud.origin_m)
    header.system_identifier = "terrain"
    header.generating_software = "terrain"
    header.global_encoding.wkt = True
    header.vlrs.append(WktCoordinateSystemVlr(ENGINEERING_WKT1))
    with replacing(path) as draft:
        with laspy.open(
            draft, mode="w", header=header, do_compress=True, laz_backend=laspy.LazBackend.LazrsParallel
        ) as to:
            for start in range(0, len(cloud), BLOCK_POINTS):
                xyz = cloud.xyz_map_m[start : start + BLOCK_POINTS]
                block = laspy.ScaleAwarePointRecord.zeros(len(xyz), header=header)
                for column, name in enumerate("XYZ"):
                    block.array[name] = np.rint((xyz[:, column] - header.offsets[column]) / SCALE_M)
                block.array["gps_time"] = 0.0 if cloud.time_s is None else cloud.time_s[start : start + BLOCK_POINTS]
                block.array["bit_fields"] = 0x11  # return 1 of 1
                to.write_points(block)
        with draft.open("r+b") as file:
            file.seek(_CREATION_DATE_OFFSET)
            file.write(bytes(4))


def write_poses(path: Path, poses: Trajectory) -> None:
    """Write poses T_map_body as text, timestamp tx ty tz qx qy qz qw, one a line.

    Raises
    ------
    DataError
        The folder is missing or cannot be written to.
    """
    rows = np.column_stack([poses.time_s, poses.position_m, poses.rotation_xyzw])
    with replacing(path) as draft:
        np.savetxt(
            draft, rows, fmt=["%.9f", *("%.6f",) * 3, *("%.9f",) * 4], header="timestamp tx ty tz qx qy qz qw",
            encoding="utf-8",
        )  # fmt: skip
