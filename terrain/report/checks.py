"""What the history of sensor checks says of the sensor that a map was made with."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from terrain.maps.store import TerrainMap

if TYPE_CHECKING:
    from terrain.sensor.history import Entry

_SHOWN = 10


def history_of(terrain_map: TerrainMap, stated: Path | None = None) -> Path | None:
    """Return the history: as stated, else by $TERRAIN_CHECKS, else in or beside the map's folder; None: nowhere."""
    from terrain.sensor.history import FILE_NAME, VARIABLE

    if stated is not None:
        return stated
    named = os.environ.get(VARIABLE, "")
    folder = terrain_map.path.resolve()
    for path in ([Path(named)] if named else []) + [folder / FILE_NAME, folder.parent / FILE_NAME]:
        if path.is_file():
            return path
    return None


def checks_of(terrain_map: TerrainMap, path: Path | None) -> tuple[tuple[tuple[str, ...], ...], str]:
    """Return the latest checks as rows (when, sensor, result, what was found), and what they mean for this map.

    Raises
    ------
    ReadError
        The file is no history of checks.
    """
    from terrain.sensor.history import FILE_NAME, read_history

    if path is None:
        return (), (
            f"No record of a check was found ({FILE_NAME} in or beside the map, or what --checks names). Whether "
            "mount, clock and range are right is not known: a wrong mount tilts and shifts all of a map."
        )
    entries = read_history(path)
    if not entries:
        return (), f"{path.name} holds no check."
    rows = tuple((entry.done_utc, entry.sensor, entry.verdict, _found(entry)) for entry in reversed(entries[-_SHOWN:]))
    return rows, " ".join(_meaning(terrain_map, entries[-1]))


def _found(entry: Entry) -> str:
    bad = [name for name, values in entry.quantities.items() if values[4] == "fail"]
    if bad:
        return "failed: " + "; ".join(bad)
    passed = sum(values[4] == "pass" for values in entry.quantities.values())
    return f"{passed} of {len(entry.quantities)} quantities pass"


def _meaning(terrain_map: TerrainMap, last: Entry) -> list[str]:
    """Return sentences on the last check before a reader believes the map; dates are against the map's own."""
    from terrain.sensor.history import same_mount

    said = [f"The last check, {last.done_utc}, says {last.verdict} for the sensor '{last.sensor}'."]
    made = _time(terrain_map.manifest.get("created"))
    if made is not None and made - last.when > timedelta(days=last.valid_days):
        said.append(f"The map was made more than the {last.valid_days:g} days later that it was valid for.")
    elif made is not None and last.when > made:
        said.append("It was made after the map.")
    mount = _mount(terrain_map)
    if mount is not None and last.mount is not None and not same_mount(mount, last.mount):
        said.append("It was of another mount than the one this map was made with.")
    if last.verdict != "pass":
        said.append("Do not rely on the map before that is put right.")
    return said


def _time(text: Any) -> datetime | None:
    try:
        time = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def _mount(terrain_map: TerrainMap) -> tuple[float, ...] | None:
    """Return the mount that the survey stated: translation and quaternion; None where it stated none."""
    sensor = terrain_map.manifest.get("settings", {}).get("sensor")
    mount = sensor.get("mount") if isinstance(sensor, dict) else None
    if not isinstance(mount, dict):
        return None
    numbers = [*mount.get("translation_m", ()), *mount.get("rotation_xyzw", ())]
    return tuple(float(v) for v in numbers) if len(numbers) == 7 else None
