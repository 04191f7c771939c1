"""How kernels are compiled that make no arrays of their own.

`_nrt=False` leaves out the counting of references to arrays: where a kernel reads bundles of arrays cell by cell, that
counting took three quarters of its time. Such a kernel gets all arrays it fills from its caller.
"""

from __future__ import annotations

from typing import Any

from numba import njit

bare: Any = njit(cache=True, error_model="numpy", nogil=True, _nrt=False)  # type: ignore[call-overload]
inner: Any = njit(  # type: ignore[call-overload]
    cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False
)
"""For functions that only other kernels call: without the wrappers for Python they compile sooner."""

each_cell: Any = njit(  # type: ignore[call-overload]
    cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False, forceinline=True
)
"""For small ones called for every cell: a call hands over the bundles' arrays one by one, which takes longer."""
