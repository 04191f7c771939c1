"""Array types, and the check that makes an array read-only."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.errors import DataError

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
Int32Array = npt.NDArray[np.int32]
ByteArray = npt.NDArray[np.uint8]
BoolArray = npt.NDArray[np.bool_]


def sealed(
    name: str,
    values: npt.ArrayLike,
    *,
    dtype: npt.DTypeLike = np.float64,
    columns: int | None = None,
    rows: int | None = None,
    finite: bool = True,
    copy: bool = True,
) -> npt.NDArray[Any]:
    """Return the values as a read-only array after checking shape and finiteness.

    Raises
    ------
    DataError
        The shape is not (n,) or (n, columns), the row count differs, or a value is not finite.
    """
    array = np.array(values, dtype=dtype, copy=True) if copy else np.asarray(values, dtype=dtype)
    if not copy and array.flags.writeable:
        array = array.view()
    wanted = 1 if columns is None else 2
    if array.ndim != wanted or (columns is not None and array.shape[1] != columns):
        shape = "(n,)" if columns is None else f"(n, {columns})"
        raise DataError(f"{name}: got shape {array.shape}, expected {shape}")
    if rows is not None and len(array) != rows:
        raise DataError(f"{name}: got {len(array)} rows, expected {rows}")
    if finite and array.dtype.kind == "f" and not np.isfinite(array).all():
        bad = int(np.flatnonzero(~np.isfinite(array.reshape(len(array), -1)).all(axis=1))[0])
        raise DataError(f"{name}: row {bad} is not finite: {array[bad]}")
    array.flags.writeable = False
    return array


def seal(owner: object, name: str, **checks: Any) -> None:
    """Put the checked, read-only array in the place of a frozen dataclass's own; for its `__post_init__`."""
    object.__setattr__(owner, name, sealed(name, getattr(owner, name), **checks))


def rows_by(number: npt.NDArray[Any], groups: int) -> tuple[IntArray, IntArray]:
    """Return rows sorted by the number they carry, and where each number begins among them.

    The rows of number k, 0 <= k < groups, are order[begins[k]:begins[k + 1]], in their own order; rows with other
    numbers are left out. Numbers of two bytes are sorted by counting and not by comparing, ten times as fast.
    """
    rows = np.flatnonzero((number >= 0) & (number < groups))
    chosen = number[rows] if len(rows) < len(number) else number
    order = np.argsort(chosen.astype(np.uint16) if groups <= 65536 else chosen, kind="stable")
    begins = np.concatenate([[0], np.cumsum(np.bincount(chosen, minlength=groups))]).astype(np.int64)
    return rows[order], begins


def sealed_2d(name: str, values: npt.NDArray[Any], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """Return a two-dimensional array as a read-only view of the type asked for."""
    array = np.asarray(values, dtype=dtype).view()
    if array.ndim != 2:
        raise DataError(f"{name}: got shape {array.shape}, expected two dimensions")
    array.flags.writeable = False
    return array
