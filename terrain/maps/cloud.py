"""The fused cloud as LAZ: LAS 1.4, point format 6, with patch and label of each point."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import ByteArray, FloatArray, Int32Array
from terrain.maps.frame import ENGINEERING_WKT1

SCALE_M = 1e-4
BLOCK_POINTS = 500_000
"""Points are compressed in blocks of this size, so that the bytes do not depend on how they were handed over."""

_CREATION_DATE_OFFSET = 90  # day of year and year, two bytes each: LAS 1.4 R15, table 3 (public header block)
_LARGEST = 2**31 - 1


class CloudWriter:
    """Writes points to a LAZ file as they come; use it in a `with` statement, or call `close`.

    Parameters
    ----------
    path : Path
        The file; it must not be one under its final name (see `terrain.maps.folder`).
    origin_m : (3,) float64
        A point near the cloud, map frame. The file's offsets are this point in whole metres, so that 0.1 mm steps
        reach 214 km around it.

    Notes
    -----
    The header carries no date and no version, and the compressor works in blocks of fixed size: the same points
    give the same bytes, whatever the number of threads or calls of `append`.
    """

    def __init__(self, path: Path, *, origin_m: npt.ArrayLike) -> None:
        import laspy
        from laspy.vlrs.known import WktCoordinateSystemVlr

        header = laspy.LasHeader(point_format=6, version="1.4")
        header.add_extra_dims(
            [
                laspy.ExtraBytesParams("patch_id", "int32", description="planar patch, -1 none"),
                laspy.ExtraBytesParams("label", "uint8", description="0 unob 1 step 2 marg 3 unstep"),
            ]
        )
        self._offset_m = np.floor(np.asarray(origin_m, dtype=np.float64))
        header.scales = np.full(3, SCALE_M)
        header.offsets = self._offset_m
        header.system_identifier = "terrain"
        header.generating_software = "terrain"
        header.global_encoding.wkt = True
        header.vlrs.append(WktCoordinateSystemVlr(ENGINEERING_WKT1))
        self._path = path
        self._header = header
        self._writer: Any = laspy.open(path, mode="w", header=header, laz_backend=laspy.LazBackend.LazrsParallel)
        self._block: Any = self._new_block()
        self._filled = 0
        self.points = 0

    def __enter__(self) -> CloudWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def append(self, xyz_map_m: FloatArray, time_s: FloatArray | None, patch_id: Int32Array, label: ByteArray) -> None:
        """Add points: (n, 3) metres in the map frame, (n,) seconds or None, (n,) patch or -1, (n,) label."""
        start = 0
        while start < len(xyz_map_m):
            stop = min(len(xyz_map_m), start + BLOCK_POINTS - self._filled)
            rows = self._block.array[self._filled : self._filled + stop - start]
            for column, name in enumerate("XYZ"):
                steps = np.rint((xyz_map_m[start:stop, column] - self._offset_m[column]) / SCALE_M)
                if not np.abs(steps).max() <= _LARGEST:
                    raise ValueError(f"a point lies more than {_LARGEST * SCALE_M:.0f} m from {self._offset_m}")
                rows[name] = steps
            rows["gps_time"] = 0.0 if time_s is None else time_s[start:stop]
            rows["patch_id"] = patch_id[start:stop]
            rows["label"] = label[start:stop]
            rows["bit_fields"] = 0x11  # return 1 of 1
            self._filled += stop - start
            start = stop
            if self._filled == BLOCK_POINTS:
                self._flush()

    def close(self) -> None:
        """Write what is left and close the file; a second call does nothing."""
        if self._writer is None:
            return
        self._flush()
        self._writer.close()
        self._writer = None
        with self._path.open("r+b") as file:
            file.seek(_CREATION_DATE_OFFSET)
            file.write(bytes(4))

    def _new_block(self) -> Any:
        import laspy

        return laspy.ScaleAwarePointRecord.zeros(BLOCK_POINTS, header=self._header)

    def _flush(self) -> None:
        if self._filled:
            self._writer.write_points(self._block[: self._filled])
            self.points += self._filled
            self._filled = 0
