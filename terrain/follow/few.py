"""Little work stays on one thread: those of parallel kernels wait for each other for longer than it takes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def alone(*, small: bool = True) -> Iterator[None]:
    """Let kernels that this thread calls until the end of the block use no other, if there is little to do."""
    from numba import get_num_threads, set_num_threads

    before = get_num_threads()
    if small:
        set_num_threads(1)
    try:
        yield
    finally:
        set_num_threads(before)
