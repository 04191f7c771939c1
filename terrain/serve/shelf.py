"""The maps that a service answers from, each replaced by its newer version while requests go on."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from terrain.errors import ConfigError, TerrainError
from terrain.maps.store import TerrainMap, folder_identity, open_map

logger = logging.getLogger(__name__)

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


class Shelf:
    """Open maps by name. A request takes a map once and keeps it; a newer version is there for the next one.

    Parameters
    ----------
    folders : iterable of (str, Path)
        Name and folder of each map.

    Raises
    ------
    ConfigError
        No map, a name twice, or one that cannot stand in an address.
    ReadError
        A folder is no map.
    """

    def __init__(self, folders: Iterable[tuple[str, Path]]) -> None:
        self._folders = dict(_checked(folders))
        self._maps = {name: _ready(folder) for name, folder in self._folders.items()}
        self._trouble: dict[str, str] = {}
        self._refused: dict[str, tuple[int, ...]] = {}
        self.reloads = dict.fromkeys(self._folders, 0)

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names, in the order given."""
        return tuple(self._folders)

    def get(self, name: str) -> TerrainMap | None:
        """Return the newest version of a map that could be opened, None for a name that is not there."""
        return self._maps.get(name)

    def trouble(self, name: str) -> str | None:
        """Return why the newest version of a map could not be opened, None where it could."""
        return self._trouble.get(name)

    def refresh(self) -> None:
        """Open what has been replaced since; a map that cannot be opened stays as it was until its folder changes.

        It reads files: call it outside the loop that answers requests, and from one thread at a time.
        """
        for name, folder in self._folders.items():
            identity = folder_identity(folder)
            if identity == self._maps[name].identity:
                self._trouble.pop(name, None)
                continue
            if identity and identity == self._refused.get(name):
                continue
            try:
                fresh = _ready(folder)
            except TerrainError as error:
                if self._trouble.get(name) != str(error):
                    logger.warning("%s: the newer version cannot be used, the older one stays: %s", name, error)
                self._trouble[name], self._refused[name] = str(error), identity
                continue
            self._maps[name] = fresh
            self._trouble.pop(name, None)
            self.reloads[name] += 1
            logger.info("%s: version %s", name, fresh.version[:12])


def parse_map_arguments(words: Iterable[str]) -> list[tuple[str, Path]]:
    """Return name and folder for each MAP or NAME=MAP; a folder that exists is one, also with '=' in its name."""
    found = []
    for word in words:
        name, equals, folder = word.partition("=")
        if not equals or Path(word).exists():
            name, folder = Path(word).resolve().name, word
        found.append((name, Path(folder)))
    return found


def _checked(folders: Iterable[tuple[str, Path]]) -> list[tuple[str, Path]]:
    checked: list[tuple[str, Path]] = []
    for name, folder in folders:
        if not _NAME.fullmatch(name):
            raise ConfigError(
                f"map name {name!r} ({folder}): expected letters, digits, '.', '_' and '-'; give it one: NAME={folder}"
            )
        if name in dict(checked):
            raise ConfigError(f"map name {name!r}: got it twice; give one another name: NAME={folder}")
        checked.append((name, folder))
    if not checked:
        raise ConfigError("maps: got none, expected at least one map folder")
    return checked


def _ready(folder: Path) -> TerrainMap:
    """Return a map with what is read from files later read now, and the kernels compiled."""
    opened = open_map(folder)
    opened.stored_patches()
    grid = opened.ground.grid
    opened.judge(np.array([[grid.x0_m, grid.y0_m, 0.0]]))
    return opened
