"""An application that listens on a port of its own while a test runs."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from terrain.web.listen import make_listener


@contextmanager
def listening(app: Any) -> Iterator[str]:
    """Yield the address, without a slash at its end, of the application behind its gate."""
    listener = make_listener(app)
    thread = threading.Thread(target=listener.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 20.0
    while not listener.server.started and time.monotonic() < deadline:
        time.sleep(0.01)
    try:
        yield listener.address.url.rstrip("/")
    finally:
        listener.server.should_exit = True
        thread.join(20.0)
