"""Joints between slabs or blocks that returns alone show: strips where their density dips."""

from __future__ import annotations

import numpy as np

from terrain.data import BoolArray, ByteArray, FloatArray


def cut_joints(mask: BoolArray, hits: FloatArray, *, joint_m: float, cell_m: float) -> ByteArray:
    """Return the mask as states: 0 outside or a joint that is cut, 1 surface, 2 a suspected joint."""
    return mask.astype(np.uint8)
