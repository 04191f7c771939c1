"""Files that were renamed into a folder: those are whole at once. Linux tells of them; elsewhere nothing is told."""

from __future__ import annotations

import ctypes
import os
import select
import struct
import time
from pathlib import Path

_NONBLOCK_CLOEXEC = 0o2004000
_MOVED_TO, _ONLY_FOLDERS = 0x80, 0x01000000
_HEAD = struct.Struct("iIII")
_ROOM = 65536


class Renames:
    """Names that files got by a rename since the last look, in folders that are watched."""

    def __init__(self) -> None:
        self._folders: dict[int, Path] = {}
        self._watched: set[Path] = set()
        self._handle = -1
        try:
            self._system = ctypes.CDLL(None, use_errno=True)
            self._handle = self._system.inotify_init1(_NONBLOCK_CLOEXEC)
        except (AttributeError, OSError):  # another system
            pass

    def watch(self, folder: Path) -> None:
        """Tell of what comes into a folder from now on."""
        if self._handle < 0 or folder in self._watched:
            return
        self._watched.add(folder)
        number = self._system.inotify_add_watch(self._handle, os.fsencode(folder), _MOVED_TO | _ONLY_FOLDERS)
        if number >= 0:
            self._folders[number] = folder

    def arrived(self) -> set[Path]:
        """Return what was renamed into place since the last call."""
        found: set[Path] = set()
        while self._handle >= 0:
            try:
                told = os.read(self._handle, _ROOM)
            except BlockingIOError:
                break
            at = 0
            while at < len(told):
                number, _, _, length = _HEAD.unpack_from(told, at)
                at += _HEAD.size
                name = told[at : at + length].rstrip(b"\0")
                at += length
                if number in self._folders and name:
                    found.add(self._folders[number] / os.fsdecode(name))
        return found

    def wait(self, seconds: float) -> None:
        """Wait until a name is there to be told of, or for so long."""
        if self._handle < 0:
            time.sleep(seconds)
            return
        poll = select.poll()
        poll.register(self._handle, select.POLLIN)
        poll.poll(1000.0 * seconds)

    def close(self) -> None:
        """Let go of it."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
