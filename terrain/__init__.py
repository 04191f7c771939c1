"""From lidar scans and poses to a map of where a robot's foot would rest, and why."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from terrain.maps.store import TerrainMap

__all__ = ["open_map"]

logging.getLogger(__name__).addHandler(logging.NullHandler())


def open_map(path: str | Path) -> TerrainMap:
    """Return the map in a folder, ready to judge placements; see `terrain.maps.store.open_map`."""
    from terrain.maps.store import open_map as open_stored

    return open_stored(path)


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("terrain-steppability")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
