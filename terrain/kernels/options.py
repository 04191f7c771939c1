"""How kernels are compiled.

Numba wraps what it compiles for Python and for C. Nobody calls kernels from C, and many only from other kernels:
without those wrappers they compile sooner.

`_nrt=False` leaves out the counting of references to arrays: where a kernel reads bundles of arrays cell by cell, that
counting took three quarters of its time. Such a kernel gets all arrays it fills from its caller.
"""

from __future__ import annotations

from typing import Any

from numba import njit

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
