"""A map folder that appears under its final name complete, or not at all."""

from __future__ import annotations

import ctypes
import errno
import json
import logging
import os
import re
import shutil
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from copy import copy
from functools import lru_cache
from pathlib import Path
from types import TracebackType

from terrain.errors import DataError
from terrain.maps.files import check_writable

logger = logging.getLogger(__name__)

FORMAT = "terrain map"
MANIFEST = "map.json"
_OWN_FILES = re.compile(r"map\.json|overrules\.jsonl|patches\.gpkg|level-\d+\.tif|cloud\.laz|ground/[a-z0-9_-]+\.npy")
SYNCED_AT_ONCE = 8
_AT_FDCWD = -100
_RENAME_NOREPLACE = 1
_RENAME_EXCHANGE = 2


def is_map_folder(path: Path) -> bool:
    """Return whether the path is a folder whose manifest says that it is a map, of any version."""
    try:
        stat = (path / MANIFEST).stat()
    except OSError:
        return False
    return _is_manifest(path / MANIFEST, (stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns))


@lru_cache(maxsize=4)
def _is_manifest(path: Path, as_it_is: tuple[int, ...]) -> bool:
    """Read a file once as long as it is as it is: a map that grows is asked for with every version."""
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(manifest, dict) and manifest.get("format") == FORMAT


def check_target(out: Path, *, replace: bool) -> None:
    """Raise unless a map may be written to `out`; call it before hours of work, not after.

    Raises
    ------
    DataError
        `out` exists and `replace` is False, it is something else than a map folder, it is write-protected, or it cannot
        be written there.
    """
    check_writable(out.resolve())
    if not os.path.lexists(out):
        return
    if not out.is_dir():
        raise DataError(f"{out}: got a file, expected a map folder or a name that is not taken")
    if not replace:
        raise DataError(f"{out}: exists already, expected a name that is not taken (or --replace)")
    if not is_map_folder(out) and any(out.iterdir()):
        raise DataError(f"{out}: got a folder that is no map, expected a map to replace; nothing was touched")
    if not os.access(out, os.W_OK | os.X_OK):
        raise DataError(
            f"{out}: the map is write-protected, expected a folder that may be replaced; nothing was touched"
        )


class MapDraft:
    """A temporary folder beside the final name, for use in a `with` statement.

    Files go into `path`; `commit` forces them to disk and gives the folder its final name. Leaving the `with`
    statement without a commit, by an exception or Ctrl-C too, removes the temporary folder; a killed process leaves
    a hidden folder called `.NAME.partial-...` and nothing under the final name.

    Parameters
    ----------
    out : Path
        The final name. Folders above it are made where they are missing.
    replace : bool
        Whether a map of that name may be replaced. The old one stays complete until the new one is; on Linux the
        two are exchanged in one step. People's decisions on the old map go along (`terrain.maps.overrules`); files
        in the old folder that no map has are kept, in `NAME.kept`.

    Raises
    ------
    DataError
        See `check_target`; or the temporary folder cannot be made.
    """

    def __init__(self, out: Path, *, replace: bool) -> None:
        self.out = out.resolve() if out.is_symlink() else Path(os.path.abspath(out))
        self.replace = replace
        self._path: Path | None = None
        self._inode = 0

    @property
    def path(self) -> Path:
        """Return the temporary folder."""
        if self._path is None:
            raise RuntimeError("the draft is not open")
        return self._path

    def __enter__(self) -> MapDraft:
        check_target(self.out, replace=self.replace)
        try:
            self.out.parent.mkdir(parents=True, exist_ok=True)
            self._path = Path(tempfile.mkdtemp(prefix=f".{self.out.name}.partial-", dir=self.out.parent))
        except OSError as error:
            raise DataError(f"{self.out}: cannot make a folder there: {error.strerror}") from error
        self._inode = self._path.stat().st_ino
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._clear()

    def commit(self) -> None:
        """Force everything to disk and give the folder its final name."""
        umask = os.umask(0)
        os.umask(umask)
        self.path.chmod(0o777 & ~umask)
        _sync_tree(self.path)
        check_target(self.out, replace=self.replace)
        if os.path.lexists(self.out):
            from terrain.maps.overrules import carried_over

            with carried_over(self.out, self.path):
                _swap(self.path, self.out)
        else:
            _move(self.path, self.out)
        _sync_folder(self.out.parent)

    def hand_over(self) -> Callable[[], None]:
        """Return what leaving the `with` statement would do after a commit, which it then does not: clearing up."""
        rest = copy(self)
        self._path = None
        return rest._clear

    def _clear(self) -> None:
        """Remove what lies under the temporary name: our draft, or after an exchange the map it replaced."""
        if self._path is None or not self._path.exists():
            return
        if self._path.stat().st_ino == self._inode:
            shutil.rmtree(self._path, ignore_errors=True)
            return
        try:
            _discard_old_map(self._path, self.out)
        except OSError as error:  # the new map is in its place: what is left of the old one is no failure of it
            logger.warning(
                "%s was replaced; the older map cannot be deleted and is %s: %s", self.out, self._path, error
            )


def clear_leftovers(out: Path) -> None:
    """Remove the drafts that killed writers left beside a map; call it only where no other writer is at work.

    What lies under a draft's name may be the map that was replaced: files in it that no map has are kept.
    """
    final = out.resolve() if out.is_symlink() else Path(os.path.abspath(out))
    if not final.parent.is_dir():
        return
    prefix = f".{final.name}.partial-"
    for path in [path for path in final.parent.iterdir() if path.name.startswith(prefix) and path.is_dir()]:
        if is_map_folder(path):
            _discard_old_map(path, final)
        else:
            shutil.rmtree(path, ignore_errors=True)


def put_in_place(fresh: Path, final: Path) -> None:
    """Force a finished folder to disk and give it its final name; a folder of that name is exchanged and deleted.

    Raises
    ------
    DataError
        The disk does not take it, or the name was taken meanwhile.
    """
    try:
        umask = os.umask(0)
        os.umask(umask)
        fresh.chmod(0o777 & ~umask)
        _sync_tree(fresh)
        if os.path.lexists(final):
            _swap(fresh, final)
            shutil.rmtree(fresh, ignore_errors=True)
        else:
            _move(fresh, final)
        _sync_folder(final.parent)
    except OSError as error:
        if isinstance(error, DataError):
            raise
        raise DataError(f"{final}: cannot write: {error}") from error


def _sync_folder(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:  # some network file systems cannot sync a folder
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def _sync_tree(path: Path) -> None:
    """Force a folder and all in it to disk; the files at once, as disks gather what is waited for together.

    A file that has a second name is there already: it got the first one in a map that was put into place.
    """
    tree = list(os.walk(path, topdown=False))
    files = [Path(folder) / name for folder, _, names in tree for name in names]
    fresh = [file for file in files if file.stat().st_nlink == 1]
    with ThreadPoolExecutor(max(1, min(SYNCED_AT_ONCE, len(fresh)))) as pool:
        list(pool.map(_sync_file, fresh))
    for folder, _, _ in tree:
        _sync_folder(Path(folder))


def _sync_file(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _renameat2(source: Path, target: Path, flags: int) -> bool:
    """Rename by the Linux call; return False where the system or its file system does not know it."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError):
        return False
    call.argtypes = (ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint)
    if call(_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), flags) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(code, os.strerror(code), str(target))


def _move(source: Path, target: Path) -> None:
    """Rename to a name that is not taken."""
    try:
        if not _renameat2(source, target, _RENAME_NOREPLACE):
            source.rename(target)
    except FileExistsError as error:
        raise DataError(f"{target}: appeared while the map was being made, expected a free name") from error


def _swap(fresh: Path, old: Path) -> None:
    """Exchange two folders in one step, or in two renames where the system cannot."""
    if _renameat2(fresh, old, _RENAME_EXCHANGE):
        return
    aside = Path(f"{fresh}.old")
    try:
        old.rename(aside)
        fresh.rename(old)
    except BaseException:
        if aside.exists() and not old.exists():
            aside.rename(old)
        raise
    aside.rename(fresh)


def _discard_old_map(path: Path, out: Path) -> None:
    """Delete the files that a map has; move a folder in which others remain to `OUT.kept`."""
    for file in [file for file in path.rglob("*") if not file.is_dir() or file.is_symlink()]:
        if _OWN_FILES.fullmatch(file.relative_to(path).as_posix()):
            file.unlink()
    for folder in sorted((folder for folder in path.rglob("*") if folder.is_dir()), reverse=True):
        if not folder.is_symlink() and not any(folder.iterdir()):
            folder.rmdir()
    if not any(path.iterdir()):
        path.rmdir()
        return
    kept = out.with_name(f"{out.name}.kept")
    number = 1
    while os.path.lexists(kept):
        number += 1
        kept = out.with_name(f"{out.name}.kept-{number}")
    path.rename(kept)
    logger.warning("%s held files that belong to no map; they are in %s now", out, kept)
