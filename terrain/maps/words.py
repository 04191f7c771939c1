"""Columns of words, few of them different: labels and reasons of many rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from terrain.data import REASONS, Label

LABEL_WORDS = tuple(label.word for label in Label)


class Words:
    """A column of words: (n,) numbers into a table."""

    def __init__(self, number: npt.NDArray[Any], table: tuple[str, ...]) -> None:
        self.number, self.table = number, table

    def to_list(self) -> list[str]:
        """Return the words, one a row."""
        return [self.table[k] for k in self.number.tolist()]

    def to_array(self) -> npt.NDArray[np.object_]:
        """Return the words as an array of objects, (n,)."""
        return np.array(self.table, dtype=object)[self.number] if len(self.number) else np.empty(0, dtype=object)


def label_words(label: npt.NDArray[Any]) -> Words:
    """Return (n,) labels as words."""
    return Words(label, LABEL_WORDS)


def reason_words(reason: npt.NDArray[np.int8]) -> Words:
    """Return (n, k) reasons, -1 for none, as words separated by ';', worst first."""
    packed = np.ascontiguousarray(reason).view(np.dtype((np.void, reason.shape[1]))).ravel()
    _, first, number = np.unique(packed, return_index=True, return_inverse=True)
    table = tuple(";".join(REASONS[k] for k in row if k >= 0) for row in reason[first].tolist())
    return Words(number.astype(np.int32), table)


def reason_bits(reason: npt.NDArray[np.int8]) -> npt.NDArray[np.uint16]:
    """Return (n, k) reasons, -1 for none, as one number a row: bit k stands for `REASONS[k]`."""
    bits = np.zeros(len(reason), dtype=np.uint16)
    for column in reason.T.astype(np.int64):
        bits |= np.where(column >= 0, 1 << np.maximum(column, 0), 0).astype(np.uint16)
    return bits


BIT_WORDS = ", ".join(f"{1 << k} {word}" for k, word in enumerate(REASONS))
"""What the bits of `reason_bits` mean, for files that cannot hold words."""
