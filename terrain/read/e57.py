"""E57 files: scans with their poses, Cartesian or spherical, in chunks.

Source of the layout: ASTM E2807 (2011): each scan's points are in its own frame, its pose (quaternion stored as named
w, x, y, z) takes them to the file's frame; `timeStamp` counts seconds from `acquisitionStart`, which is GPS time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from terrain.data import QUATERNION_NORM_TOLERANCE, FloatArray
from terrain.errors import FrameError, ReadError
from terrain.read.blocks import Block

_SIGNATURE = b"ASTM-E57"
_CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
_SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")


@dataclass(frozen=True, slots=True, eq=False)
class E57Scan:
    """One scan of a file: pose T_file_scan, start of its recording (None where the file does not say)."""

    name: str
    points: int
    fields: tuple[str, ...]
    translation_m: FloatArray
    rotation_xyzw: FloatArray
    has_pose: bool
    start_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class E57File:
    """The points of all scans of an E57 file: in the file's frame where `in_map` is set, else each in its scan's."""

    where: str
    path: Path
    scans: tuple[E57Scan, ...]
    in_map: bool

    @property
    def count(self) -> int:
        """Points of all scans, those marked invalid among them."""
        return sum(scan.points for scan in self.scans)

    @property
    def fields(self) -> Mapping[str, np.dtype[Any]]:
        """Columns that can be asked for: x, y, z, and the time where every scan has it."""
        common = set.intersection(*(set(scan.fields) for scan in self.scans)) if self.scans else set()
        known = ("intensity", "timeStamp")
        return dict.fromkeys(("x", "y", "z", *(name for name in known if name in common)), np.dtype(np.float64))

    def blocks(self, names: Sequence[str], chunk_points: int) -> Iterator[Block]:
        """Yield the points that are not marked invalid; a block's stamp is that of its scan.

        Raises
        ------
        ReadError
            The file is damaged.
        """
        from scipy.spatial.transform import Rotation

        stamps, _ = scan_stamps(self.scans)
        extra = [name for name in names if name not in "xyz"]
        with _opened(self.path) as file:
            for k, scan in enumerate(self.scans):
                rotation = Rotation.from_quat(scan.rotation_xyzw).as_matrix()
                for xyz_m, more in _points(file, k, scan, extra, chunk_points, self.path):
                    placed = xyz_m @ rotation.T + scan.translation_m if self.in_map else xyz_m
                    columns = {"x": placed[:, 0], "y": placed[:, 1], "z": placed[:, 2], **more}
                    yield Block(columns, len(placed), stamps[k])
        if not self.scans:
            yield Block({name: np.empty(0) for name in names}, 0)


def open_e57(path: Path, *, in_map: bool) -> E57File:
    """Return the scans of an E57 file.

    Raises
    ------
    ReadError
        It is no E57, or damaged.
    FrameError
        A pose's quaternion is off norm 1.
    """
    with _opened(path) as file, _no_library_error(path):
        nodes = file.root()["data3D"] if file.root().isDefined("data3D") else []
        scans = tuple(_scan(path, k, nodes[k]) for k in range(len(nodes)))
    return E57File(str(path), path, scans, in_map)


def scan_stamps(scans: Sequence[E57Scan]) -> tuple[list[float], str]:
    """Return one time a scan, and how they came about: its start, or its number where starts are missing or equal."""
    starts = [scan.start_s for scan in scans]
    given = [start for start in starts if start is not None]
    if len(given) == len(scans) and given[:1] != [0.0] and all(a < b for a, b in pairwise(given)):
        return given, "acquisitionStart"
    return [float(k) for k in range(len(scans))], "number in the file"


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    with open(path, "rb") as start:
        first = start.read(8)
    if not first:
        raise ReadError(f"{path}: got an empty file, expected E57")
    if first != _SIGNATURE:
        raise ReadError(f"{path}: got a file that starts with {first!r}, expected {_SIGNATURE!r} of an E57 file")
    try:
        from pye57 import libe57
    except ImportError as error:
        raise ReadError(f"{path}: E57 files need the library pye57, which cannot be loaded: {error}") from error
    with _no_library_error(path):
        file = libe57.ImageFile(str(path), "r")
    try:
        yield file
    finally:
        file.close()


@contextmanager
def _no_library_error(path: Path) -> Iterator[None]:
    from pye57 import libe57

    try:
        yield
    except (libe57.E57Exception, RuntimeError) as error:
        said = " ".join(str(error).partition("****")[0].split())[:160] or type(error).__name__
        raise ReadError(f"{path}: damaged or cut short E57 file: {said}") from error


def _scan(path: Path, k: int, node: Any) -> E57Scan:
    from pye57 import libe57
    from pye57.utils import get_fields

    points = node["points"]
    fields = tuple(get_fields(libe57.StructureNode(points.prototype())))
    if not (set(_CARTESIAN) <= set(fields) or set(_SPHERICAL) <= set(fields)):
        raise ReadError(f"{path}, scan {k}: got the fields {', '.join(fields)}, expected {', '.join(_CARTESIAN)}")
    translation, rotation = np.zeros(3), np.array([0.0, 0.0, 0.0, 1.0])
    has_pose = bool(node.isDefined("pose"))
    if has_pose:
        translation = _numbers(node["pose"], "translation", "xyz", translation)
        rotation = _numbers(node["pose"], "rotation", "xyzw", rotation)
    norm = float(np.linalg.norm(rotation))
    if not abs(norm - 1.0) <= QUATERNION_NORM_TOLERANCE:
        raise FrameError(f"{path}, scan {k}: got a pose of quaternion norm {norm:.6f}, expected 1")
    start = None
    if node.isDefined("acquisitionStart") and node["acquisitionStart"].isDefined("dateTimeValue"):
        start = float(node["acquisitionStart"]["dateTimeValue"].value())
    name = str(node["name"].value()) if node.isDefined("name") else f"scan {k}"
    return E57Scan(name, points.childCount(), fields, translation, rotation / norm, has_pose, start)


def _numbers(node: Any, name: str, parts: str, default: FloatArray) -> FloatArray:
    """Return the parts by name: files may store them in any order."""
    if not node.isDefined(name):
        return default
    return np.array([float(node[name][part].value()) for part in parts])


def _points(
    file: Any, k: int, scan: E57Scan, extra: Sequence[str], chunk_points: int, path: Path
) -> Iterator[tuple[FloatArray, dict[str, Any]]]:
    from pye57 import libe57

    cartesian = set(_CARTESIAN) <= set(scan.fields)
    wanted = list(_CARTESIAN if cartesian else _SPHERICAL)
    invalid = "cartesianInvalidState" if cartesian else "sphericalInvalidState"
    has_invalid = invalid in scan.fields
    size = max(min(scan.points, chunk_points), 1)
    arrays = {name: np.empty(size) for name in (*wanted, *extra)}
    if has_invalid:
        arrays[invalid] = np.zeros(size, dtype=np.int8)
    with _no_library_error(path):
        buffers = libe57.VectorSourceDestBuffer()
        for name, array in arrays.items():
            buffers.append(libe57.SourceDestBuffer(file, name, array, size, True, True))
        reader = file.root()["data3D"][k]["points"].reader(buffers)
    left = scan.points
    while left or scan.points == 0:
        with _no_library_error(path):
            got = int(reader.read()) if left else 0
        if got == 0 and left:
            raise ReadError(f"{path}, scan {k}: cut short: got {scan.points - left} points, expected {scan.points}")
        good = arrays[invalid][:got] == 0 if has_invalid else np.ones(got, dtype=bool)
        three = np.column_stack([arrays[name][:got][good] for name in wanted])
        yield (three if cartesian else _from_spherical(three)), {name: arrays[name][:got][good] for name in extra}
        left -= got
        if scan.points == 0:
            return


def _from_spherical(rae: FloatArray) -> FloatArray:
    """Return x, y, z of range, azimuth and elevation (from the x-y plane)."""
    flat = rae[:, 0] * np.cos(rae[:, 2])
    return np.column_stack((flat * np.cos(rae[:, 1]), flat * np.sin(rae[:, 1]), rae[:, 0] * np.sin(rae[:, 2])))
