"""A map on disk, opened for reading: verdicts, patches, levels."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray, FootProfile, Ground, LevelRaster, Verdicts
from terrain.errors import DataError, ReadError
from terrain.maps.answers import judged, judged_level, judged_patches
from terrain.maps.field import Field, judge_field
from terrain.maps.folder import MANIFEST
from terrain.maps.heights import Heights, find_heights, take_patches
from terrain.maps.manifest import PATCHES, foot_from_json, level_file, read_manifest
from terrain.maps.nearest import STEP_M, Nearest, find_nearest
from terrain.maps.overrules import OVERRULES
from terrain.maps.polygons import PatchTable, read_patches
from terrain.maps.rasters import read_level
from terrain.maps.screened import Screened, screened
from terrain.maps.surfaces import open_ground, open_patch_cells
from terrain.maps.tiles import TiledGround

if TYPE_CHECKING:
    import shapely

    from terrain.kernels.verdict import Known
    from terrain.score.screening import Screen

T = TypeVar("T")
_TRIES = 5
_FIELD_REACH_M = 0.30
LOOKING_UP_PAYS = 200
"""Placements in one batch from which on open ground is looked up."""


@dataclass(frozen=True, slots=True, eq=False)
class TerrainMap:
    """A map folder: what its manifest says, the foot it was made for, and the ground, mapped into memory.

    Lengths are metres and angles radians, map frame; yaw is counter-clockwise from x. Arrays are read-only. A map
    may be used from several threads at once. It stays what it was when it was opened, also when the folder is
    replaced; `is_current` tells whether that happened.

    Examples
    --------
    >>> import terrain
    >>> dock = terrain.open_map("map-dock")
    >>> dock.name, dock.foot.name, dock.levels
    ('dry dock, east apron', 'biped', (0,))
    """

    path: Path
    manifest: dict[str, Any]
    foot: FootProfile
    ground: Ground
    version: str = ""
    """SHA-256 of `map.json`, hexadecimal: another map, another version."""
    identity: tuple[int, ...] = ()
    """Which folder it was, as the file system numbers it."""
    _kept: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def name(self) -> str:
        """Return the survey's name."""
        return str(self.manifest["survey"])

    @property
    def levels(self) -> tuple[int, ...]:
        """Return the levels that have a raster."""
        return tuple(section["level"] for section in self.manifest["levels"])

    def is_current(self) -> bool:
        """Return whether the folder still holds the map that was opened."""
        return folder_identity(self.path) == self.identity

    def decisions_seen(self) -> int:
        """Return how many of people's decisions were on record when this map was last asked anything."""
        return int(self._kept.get("decisions", 0))

    def see_decisions(self, count: int) -> None:
        """Take note of how many decisions are on record, which never become fewer.

        Raises
        ------
        ReadError
            They have.
        """
        seen = self.decisions_seen()
        if count < seen:
            raise ReadError(
                f"{self.path / OVERRULES}: got {count} of people's decisions, expected the {seen} that this map had; "
                "nothing is answered without them. Put the file back, or open the map again"
            )
        self._kept["decisions"] = count

    def known(self, placements: int) -> Known | None:
        """Return what was looked up for the whole ground, once so many placements are asked for that it pays.

        It is worked out once: 0.1 s for a million cells. None while only a few placements were asked for.
        """
        if "known" not in self._kept and placements >= LOOKING_UP_PAYS:
            from terrain.score.placements import look_up

            self._kept["known"] = look_up(self.ground, self.foot)
        known: Known | None = self._kept.get("known")
        return known

    def screen_of(self, placements: int) -> Screen | None:
        """Return what makes placements quick to screen, on the same terms as `known`; it takes 0.1 s more."""
        known = self.known(placements)
        if known is not None and "screen" not in self._kept:
            from terrain.score.screening import make_screen

            self._kept["screen"] = make_screen(self.ground, self.foot, known)
        screen: Screen | None = self._kept.get("screen")
        return screen

    def judge(self, placements: npt.ArrayLike) -> Verdicts:
        """Return the verdicts on foot placements.

        Parameters
        ----------
        placements : (n, 3) or (n, 4) array
            x, y in metres and yaw in radians, map frame, and optionally the level's height in metres; NaN for the
            topmost walkable level.

        Returns
        -------
        Verdicts
            n rows in the same order.

        Raises
        ------
        DataError
            Another shape, or x, y or yaw that is not finite, or an infinite level height.

        Examples
        --------
        >>> import numpy as np
        >>> verdicts = dock.judge([[0.3, 0.8, 0.0], [5.0, 5.0, np.pi / 2]])
        >>> [(Label(label).word, verdicts.reasons(row)) for row, label in enumerate(verdicts.label)]
        [('steppable', ()), ('unobserved', ('no-ground', 'unobserved'))]
        """
        return judged(self, checked_placements(placements))

    def screen(self, placements: npt.ArrayLike) -> Screened:
        """Return which placements are steppable and which are marginal, several times as fast as `judge`.

        Parameters
        ----------
        placements : (n, 3) or (n, 4) array
            As for `judge`.

        Returns
        -------
        Screened
            `steppable` and `marginal`, (n,) bool, exactly where the label of `judge` is that; people's decisions
            count. Where neither holds the placement is past a limit or was not seen enough: `judge` says which, and
            why.

        Raises
        ------
        DataError
            As for `judge`.

        Examples
        --------
        >>> import numpy as np
        >>> dock.screen([[0.3, 0.8, 0.0], [5.0, 5.0, np.pi / 2]]).steppable.tolist()
        [True, False]
        """
        return Screened.of(screened(self, checked_placements(placements)))

    def nearest(
        self, placements: npt.ArrayLike, radius_m: float, *, step_m: float = STEP_M, turn_rad: float = 0.0
    ) -> Nearest:
        """Return for each placement the nearest one that is steppable, else the nearest that is marginal.

        Parameters
        ----------
        placements : (n, 3) or (n, 4) array
            As for `judge`; the level height, or the lack of one, counts at every spot that is tried.
        radius_m : float
            How far the load point may move in plan, metres.
        step_m : float
            Spacing of the spots that are tried. Good ground narrower than that can be missed.
        turn_rad : float
            How far the foot may turn from the yaw asked for, in steps of 7.5 degrees; 0 keeps the yaw. A turn counts
            as far as it moves the sole's farthest point.

        Returns
        -------
        Nearest
            One row a placement: the placement and its verdict. Where there is nothing within the radius the row is
            the placement that was asked for, and `found` is False.

        Raises
        ------
        DataError
            As for `judge`; or a number is negative, not finite, or asks for too many spots.

        Notes
        -----
        Labels come first and distance second: steppable at 20 cm is better than marginal at 2 cm.

        Examples
        --------
        >>> best = dock.nearest([[-0.02, 0.5, 0.0]], radius_m=0.3)
        >>> bool(best.found[0]), Label(best.verdicts.label[0]).word, bool(best.moved_m[0] <= 0.3)
        (True, 'steppable', True)
        """
        checked = checked_placements(placements)
        arm_m = float(np.hypot(*self.foot.outline_m.T).max())
        return find_nearest(
            lambda rows: screened(self, rows),
            lambda rows: judged(self, rows),
            checked,
            radius_m=radius_m,
            step_m=step_m,
            turn_rad=turn_rad,
            arm_m=arm_m,
        )

    def field(
        self,
        x: npt.ArrayLike,
        y: npt.ArrayLike,
        yaw: float,
        *,
        level_z_m: float = np.nan,
        reach_m: float = _FIELD_REACH_M,
    ) -> Field:
        """Return the verdicts on a lattice of placements, with the distance to the border of steppable ground.

        Parameters
        ----------
        x, y : (nx,) and (ny,) arrays
            The lattice: rising, evenly spaced, metres, at least two each.
        yaw : float
            Of all placements, radians; any yaw, not only those of the map's rasters.
        level_z_m : float
            The level's height, or NaN for the topmost walkable one.
        reach_m : float
            How far to look for the border; the lattice is judged that far outside its window too.

        Returns
        -------
        Field
            (ny, nx) arrays: `label`, `border_m` (positive where steppable, negative elsewhere), `z_m`, `slope_rad`;
            and all verdicts.

        Raises
        ------
        DataError
            An axis that is no lattice, a number that is not finite, or too many nodes.

        Notes
        -----
        Every node gets the exact verdict of `judge`, when it is asked for: a map folder holds no dense judgement
        yaw by yaw. So any yaw and spacing is possible, overruled areas count at once, and the folder stays small.

        Examples
        --------
        >>> import numpy as np
        >>> field = dock.field(np.linspace(-0.2, 0.35, 12), np.linspace(0.5, 0.85, 8), 0.0)
        >>> field.label.shape, field.border_m.shape
        ((8, 12), (8, 12))
        >>> bool(((field.border_m > 0) == (field.label == Label.STEPPABLE)).all())
        True
        """
        return judge_field(lambda rows: judged(self, rows), x, y, yaw, level_z_m=float(level_z_m), reach_m=reach_m)

    def height(self, x: npt.ArrayLike, y: npt.ArrayLike, level_z_m: npt.ArrayLike = np.nan) -> Heights:
        """Return the height of the walkable ground at spots, without a foot on it.

        Parameters
        ----------
        x, y : array_like
            Metres, broadcast together.
        level_z_m : array_like
            The level's height (the nearest surface within 0.25 m counts), or NaN for the topmost walkable one.

        Returns
        -------
        Heights
            One row a spot, flat, in C order; NaN where no ground is known.

        Raises
        ------
        DataError
            x or y is not finite, level_z_m is infinite, or the shapes do not fit together.

        Examples
        --------
        >>> dock.height([0.3, 9.0], 0.8).z_m.tolist()
        [0.0, nan]
        """
        try:
            spots = np.stack([np.ravel(v) for v in np.broadcast_arrays(*map(_floats, (x, y, level_z_m)))], axis=1)
        except ValueError as error:
            raise DataError(f"x, y, level_z_m: got shapes or values that do not fit together: {error}") from error
        bad = ~np.isfinite(spots[:, :2]).all(axis=1) | np.isinf(spots[:, 2])
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            raise DataError(f"spots: row {row} is {spots[row].tolist()}, expected finite numbers")
        return find_heights(self.ground, spots)

    def patches(self) -> PatchTable:
        """Return the patches, one row each; outlines are shapely polygons with z.

        Raises
        ------
        ReadError
            `patches.gpkg` is damaged, or the folder holds another map by now.
        """
        return judged_patches(self)

    def patches_near(self, x: float, y: float, radius_m: float) -> PatchTable:
        """Return the patches whose outline in plan comes within a radius of a spot, in the order of patch_id.

        Raises
        ------
        DataError
            A number is not finite, or the radius is negative.

        Examples
        --------
        >>> near = dock.patches_near(-0.25, 0.0, 0.1)
        >>> [(int(k), Label(label).word) for k, label in zip(near.patch_id, near.label)]
        [(1, 'marginal')]
        """
        if not (np.isfinite([x, y, radius_m]).all() and radius_m >= 0.0):
            raise DataError(f"got {x!r}, {y!r}, radius {radius_m!r}, expected finite numbers and a radius from 0")
        table = self.patches()
        rows = self._patch_tree(table).query(_point(x, y), predicate="dwithin", distance=radius_m)
        return take_patches(table, np.sort(rows))

    def _patch_tree(self, table: PatchTable) -> shapely.STRtree:
        import shapely

        if "tree" not in self._kept:
            self._kept["tree"] = shapely.STRtree(list(table.outline))
        tree: shapely.STRtree = self._kept["tree"]
        return tree

    def stored_patches(self) -> PatchTable:
        """Return the patches as they are in `patches.gpkg`, before anyone overruled them; read once."""
        if "patches" not in self._kept:
            self._kept["patches"] = self._read(PATCHES, lambda: read_patches(self.path / PATCHES))
        table: PatchTable = self._kept["patches"]
        return table

    def stored_level(self, number: int) -> LevelRaster:
        """Return a level as it is in its GeoTIFF, before anyone overruled it."""

        def read() -> LevelRaster:
            cells = open_patch_cells(self.path, self.manifest["ground"], number)
            return read_level(self.path / level_file(number), level=number, patch_id=cells)

        return self._read(level_file(number), read)

    def level(self, number: int) -> LevelRaster:
        """Return the dense judgement of a level, read from its GeoTIFF.

        Raises
        ------
        DataError
            The map has no such level.
        ReadError
            The file is damaged, or the folder holds another map by now.
        """
        if number not in self.levels:
            raise DataError(f"{self.path}: got level {number}, expected one of {list(self.levels)}")
        return judged_level(self, number)

    def _read(self, file: str, read: Callable[[], T]) -> T:
        """Return what is read of this map: nothing of another that takes its place meanwhile."""
        self._check_current(file)
        try:
            found = read()
        except ReadError:
            self._check_current(file)
            raise
        self._check_current(file)
        return found

    def _check_current(self, file: str) -> None:
        if not self.is_current():
            raise ReadError(f"{self.path / file}: the map was replaced since it was opened; open it again")


def _floats(values: npt.ArrayLike) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def _point(x: float, y: float) -> Any:
    import shapely

    return shapely.Point(x, y)


def folder_identity(folder: Path) -> tuple[int, ...]:
    """Return numbers that change when a folder is replaced by another of its name; empty where there is none."""
    try:
        own, manifest = folder.stat(), (folder / MANIFEST).stat()
    except OSError:
        return ()
    return (own.st_dev, own.st_ino, manifest.st_ino, manifest.st_mtime_ns, manifest.st_size)


def checked_placements(placements: npt.ArrayLike) -> FloatArray:
    """Return placements as (n, 4) float64, a missing level height as NaN; see `TerrainMap.judge`."""
    array = np.asarray(placements, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] not in (3, 4):
        raise DataError(f"placements: got shape {array.shape}, expected (n, 3) or (n, 4)")
    bad = ~np.isfinite(array[:, :3]).all(axis=1)
    if array.shape[1] == 4:
        bad |= np.isinf(array[:, 3])
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise DataError(f"placements: row {row} is {array[row].tolist()}, expected finite numbers")
    full = np.full((len(array), 4), np.nan)
    full[:, : array.shape[1]] = array
    return full


def open_map(path: str | Path) -> TerrainMap:
    """Open a map folder; its arrays are mapped into memory and read where they are used.

    A folder that is replaced while it is being opened is opened again, so that no map is made of two.

    Parameters
    ----------
    path : str or Path
        A folder that `terrain assess` wrote.

    Raises
    ------
    ReadError
        No map folder, a newer format, or a file that is missing or damaged.

    Examples
    --------
    >>> dock = open_map("map-dock")
    >>> len(dock.patches())
    3
    """
    folder = Path(path)
    for _ in range(_TRIES):
        identity = folder_identity(folder)
        try:
            return _open(folder, identity)
        except ReadError:
            if folder_identity(folder) == identity:
                raise
    raise ReadError(f"{folder}: is replaced faster than it can be opened")


def _open(folder: Path, identity: tuple[int, ...]) -> TerrainMap:
    manifest = read_manifest(folder)
    try:
        version = hashlib.sha256((folder / MANIFEST).read_bytes()).hexdigest()
        for name in manifest["files"]:
            if not (folder / name).is_file():
                raise ReadError(f"{folder / name}: is missing; the map is incomplete")
        foot = foot_from_json(manifest["foot"]["si"])
        ground = open_ground(folder, manifest["ground"])
        [section["level"] for section in manifest["levels"]]
        if folder_identity(folder) != identity:
            raise ReadError(f"{folder}: was replaced while it was opened")
        if isinstance(ground, TiledGround):  # its files are open, whatever becomes of the folder
            ground = ground.joined()
    except ReadError:
        raise
    except OSError as error:
        raise ReadError(f"{folder}: cannot read: {error}") from error
    except (KeyError, TypeError, ValueError) as error:
        raise ReadError(f"{folder / MANIFEST}: lacks or garbles a part: {error}") from error
    return TerrainMap(path=folder, manifest=manifest, foot=foot, ground=ground, version=version, identity=identity)
