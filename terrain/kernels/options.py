"""How kernels are compiled.

Numba wraps what it compiles for Python and for C. Nobody calls kernels from C, and many only from other kernels:
without those wrappers they compile sooner.

`_nrt=False` leaves out the counting of references to arrays: where a kernel reads bundles of arrays cell by cell, that
counting took three quarters of its time. Such a kernel gets all arrays it fills from its caller.

While a kernel is compiled garbage is collected less often: numba makes so many small objects, nearly all of which stay,
that looking through them took a fifth of the time.
"""

from __future__ import annotations

import gc
from typing import Any

from numba import njit
from numba.core import event as numba_event


class _CollectLessOften(numba_event.Listener):
    """Raise the garbage collector's thresholds from the start of a compilation to its end."""

    THRESHOLDS = (100_000, 50, 100)

    def __init__(self) -> None:
        self._depth = 0
        self._before = gc.get_threshold()

    def on_start(self, event: numba_event.Event) -> None:
        """Keep what the program has set and set more."""
        if self._depth == 0:
            self._before = gc.get_threshold()
            gc.set_threshold(*self.THRESHOLDS)
        self._depth += 1

    def on_end(self, event: numba_event.Event) -> None:
        """Set what was set before the outermost compilation."""
        self._depth -= 1
        if self._depth == 0:
            gc.set_threshold(*self._before)


# Numba holds its lock when it tells of a compilation, which may hold others.
numba_event.register("numba:compile", _CollectLessOften())  # type: ignore[no-untyped-call]

entry: Any = njit(cache=True, nogil=True, no_cfunc_wrapper=True)  # type: ignore[call-overload]
lenient: Any = njit(  # type: ignore[call-overload]
    cache=True, error_model="numpy", nogil=True, no_cfunc_wrapper=True
)
"""The same where a division by zero is no error and gives infinity or NaN."""

helper: Any = njit(cache=True, no_cpython_wrapper=True, no_cfunc_wrapper=True)  # type: ignore[call-overload]
"""For functions that only other kernels call."""

bare: Any = njit(  # type: ignore[call-overload]
    cache=True, error_model="numpy", nogil=True, no_cfunc_wrapper=True, _nrt=False
)
inner: Any = njit(  # type: ignore[call-overload]
    cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False
)
"""Of those for functions that only other kernels call."""

each_cell: Any = njit(  # type: ignore[call-overload]
    cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False, forceinline=True
)
"""For small ones called for every cell: a call hands over the bundles' arrays one by one, which takes longer."""

part: Any = njit(  # type: ignore[call-overload]
    error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False
)
cell_part: Any = njit(  # type: ignore[call-overload]
    error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False, forceinline=True
)
"""Like `inner` and `each_cell`, for functions of one kernel: they are kept with it and not by themselves, so that their
code is made once."""
