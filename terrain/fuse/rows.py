"""Fused points in columns that grow as scans come in."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray
from terrain.fuse.sieve import NUMBER, Sieve

SIEVED_ROOM = 32_000_000
"""Most rows that room is asked for at the start where a sieve keeps fewer than there are; memory that is not written to
costs nothing."""


class Rows:
    """Columns that grow by the chunk and are never copied as a whole where the number of rows is known before.

    With a sieve only what it lets pass is held.
    """

    def __init__(
        self, expected: int | None, columns: dict[str, tuple[tuple[int, ...], type]], sieve: Sieve | None = None
    ) -> None:
        self.count = 0
        self.capacity = expected or 0
        self.sieve = sieve
        if sieve is not None:
            self.capacity = min(self.capacity, SIEVED_ROOM)
            columns = {**columns, NUMBER: ((), np.int64)}
        self.columns: dict[str, npt.NDArray[Any]] = {
            name: np.empty((self.capacity, *tail), dtype) for name, (tail, dtype) in columns.items()
        }

    def room(self, more: int) -> dict[str, npt.NDArray[Any]]:
        """Return views of the next `more` rows; `take` says how many of them were filled."""
        needed = self.count + more
        if needed > self.capacity:
            self.capacity = max(needed, self.capacity + self.capacity // 4)
            for column in self.columns.values():
                column.resize((self.capacity, *column.shape[1:]), refcheck=False)
        return {name: column[self.count : needed] for name, column in self.columns.items()}

    def take(self, filled: int, origin_m: FloatArray) -> None:
        """Keep the first so many rows of the last `room`; origin_m: a point near them."""
        if self.sieve is not None:
            fresh = {name: column[self.count : self.count + filled] for name, column in self.columns.items()}
            filled = self.sieve.pass_on(fresh, self.filled(), origin_m)
        self.count += filled
        if self.sieve is not None and self.sieve.is_due(self.count):
            self.count = self.sieve.thin(self.filled())

    def filled(self) -> dict[str, npt.NDArray[Any]]:
        """Return the rows so far, column by column."""
        return {name: column[: self.count] for name, column in self.columns.items()}

    def finish(self, origin_m: FloatArray) -> dict[str, npt.NDArray[Any]]:
        """Return the rows that are needed; no others are held any more."""
        if self.sieve is not None:
            self.count = self.sieve.finish(self.filled(), origin_m)
            for column in self.columns.values():
                column.resize((self.count, *column.shape[1:]), refcheck=False)
        return self.filled()
