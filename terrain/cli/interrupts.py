"""Ctrl-C that comes while Python counts its locks of imports is put off until that is done."""

from __future__ import annotations

import _thread
import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

_IMPORTS = "<frozen importlib._bootstrap>"
_LATER_S = 0.02


@contextmanager
def whole_imports() -> Iterator[None]:
    """Let Ctrl-C wait for the end of Python's bookkeeping of imports, in the block.

    A KeyboardInterrupt in there is lost or leaves the lock of all imports taken for good (seen with CPython 3.11,
    `_get_module_lock`): a command that has other threads then never ends, whatever is pressed. Where another handler
    is set, or this is no main thread, nothing changes.
    """
    ours = threading.current_thread() is threading.main_thread()
    if not ours or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield
        return
    signal.signal(signal.SIGINT, _interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _interrupt(number: int, frame: FrameType | None) -> None:
    if frame is not None and frame.f_code.co_filename == _IMPORTS:
        _thread.start_new_thread(_again, (number,))  # without a lock of its own, as a handler must be
        return
    signal.default_int_handler(number, frame)


def _again(number: int) -> None:
    time.sleep(_LATER_S)
    os.kill(os.getpid(), number)
