"""Rings of a multi-beam sensor: told by their elevation, and compared on flat cells."""

from __future__ import annotations

import itertools
import math

import numpy as np

from terrain.data import FloatArray, IntArray
from terrain.sensor.find import robust_sd
from terrain.sensor.surface import LEAST_COSINE

BIN_RAD = math.radians(0.05)
FEWEST, MOST = 4, 256
NEAR = 0.4
WIDEST_BINS = 6
EMPTY = 0.03
"""Share of the points that may lie between rings."""
INSIDE = 0.8
"""Share of the points that must lie on some ring."""
CELL_M = 1.0
LEAST_IN_CELL = 30
FLAT = 3.0
SHARP_M = 0.003
ONE_SURFACE = 0.98
"""A cell in which less than this share of the points lies on one plane holds two surfaces."""
LEAST_ON_RING = 50


def rings_of(raw_m: FloatArray) -> tuple[IntArray, int]:
    """Return the ring of each point (n,), -1 none, and how many rings there are; 0 where beams lie on no rings.

    Parameters
    ----------
    raw_m : (n, 3)
        Sensor frame; rings are cones about its z axis.

    Notes
    -----
    A histogram of elevations in steps of 0.05 degrees; rings are runs of full bins between empty ones. A beam that
    leaves beside the axis changes its elevation with range, so runs much nearer than rings usually are belong together.
    """
    distance = np.linalg.norm(raw_m, axis=1)
    far = distance > 1.0
    none = np.full(len(raw_m), -1, dtype=np.int64)
    if far.sum() < 1000:
        return none, 0
    elevation = np.arcsin(np.clip(raw_m[:, 2] / np.maximum(distance, 1e-9), -1.0, 1.0))
    index = np.floor((elevation + math.pi / 2.0) / BIN_RAD).astype(np.int64)
    counts = np.bincount(index[far], minlength=int(math.pi / BIN_RAD) + 2)
    filled = counts[counts > 0]
    full = counts > max(0.15 * float(np.quantile(filled, 0.9)), 5.0)
    starts = np.flatnonzero(full & ~np.concatenate(([False], full[:-1])))
    ends = np.flatnonzero(full & ~np.concatenate((full[1:], [False])))
    starts, ends = _joined(starts, ends)
    if not FEWEST <= len(starts) <= MOST or counts[full].sum() < INSIDE * far.sum():
        return none, 0
    gap = np.diff(0.5 * (starts + ends))
    if np.median(ends - starts + 1) > min(0.6 * float(np.median(gap)), WIDEST_BINS):
        return none, 0
    between = np.concatenate([counts[end + 2 : start - 1] for end, start in zip(ends[:-1], starts[1:], strict=True)])
    if len(between) < 0.3 * (ends[-1] - starts[0]) or between.sum() > EMPTY * far.sum():
        return none, 0
    label = np.full(len(counts), -1, dtype=np.int64)
    for k, (start, end) in enumerate(zip(starts, ends, strict=True)):
        label[max(0, start - 1) : end + 2] = k
    return np.where(far, label[index], -1), len(starts)


def _joined(starts: IntArray, ends: IntArray) -> tuple[IntArray, IntArray]:
    """Return runs of bins with those joined that lie nearer than rings usually do."""
    if len(starts) < 3:
        return starts, ends
    gap = np.diff(0.5 * (starts + ends))
    apart = gap > NEAR * float(np.quantile(gap, 0.75))
    return starts[np.concatenate(([True], apart))], ends[np.concatenate((apart, [True]))]


def ring_offsets(
    xyz_m: FloatArray, beam: FloatArray, ring: IntArray, count: int, noise_m: float, *, stand: IntArray | None = None
) -> tuple[FloatArray, FloatArray] | None:
    """Return the range offset of each ring against its neighbours, and its sd; NaN where a ring met no flat cell.

    Parameters
    ----------
    xyz_m, beam : (n, 3)
        Points and unit vectors of their beams; only the angle between beam and surface counts.
    ring, count
        From `rings_of`.
    noise_m : float
        Stated noise.
    stand : (n,), optional
        Cells are seen from one stand each: between stands a wrong mount shifts surfaces, and rings along with them.

    Notes
    -----
    Least squares over all flat cells at once: a plane for every cell, eliminated, and an offset for every ring, which
    shows by the cosine of the incidence. What changes slowly from ring to ring looks like a lean of the cells' planes;
    of such patterns, known worse than to 3 mm, nothing is said, and nought is given for their part.
    """
    rows = np.flatnonzero(ring >= 0)
    index = np.floor((xyz_m[rows] - xyz_m.min(axis=0) + 0.37 * CELL_M) / CELL_M).astype(np.int64)
    size = index.max(axis=0) + 1
    flat = (index[:, 2] * size[1] + index[:, 1]) * size[0] + index[:, 0]
    if stand is not None:
        flat = flat + (stand[rows] - stand.min()) * int(size.prod())
    order = np.argsort(flat, kind="stable")
    bounds = np.concatenate(([0], np.flatnonzero(np.diff(flat[order])) + 1, [len(order)]))
    matrix, right = np.zeros((count, count)), np.zeros(count)
    met, squares, freedom = np.zeros(count, dtype=np.int64), 0.0, 0
    for start, end in itertools.pairwise(bounds):
        if end - start < LEAST_IN_CELL:
            continue
        own = rows[order[start:end]]
        part = _cell(xyz_m[own], beam[own], ring[own], count, noise_m)
        if part is None:
            continue
        matrix += part[0]
        right += part[1]
        met += part[2]
        squares += part[3]
        freedom += int(part[2].sum()) - 3
    told = met >= LEAST_ON_RING
    if told.sum() < 3:
        return None
    noise2 = squares / max(freedom, 1)
    values, axes = np.linalg.eigh(matrix[np.ix_(told, told)] / noise2)
    sharp = axes[:, values > 1.0 / SHARP_M**2]
    if sharp.shape[1] == 0:
        return None
    inverse = (sharp / values[values > 1.0 / SHARP_M**2]) @ sharp.T
    offset, sd = np.full(count, math.nan), np.full(count, math.nan)
    offset[told] = inverse @ (right[told] / noise2)
    sd[told] = np.sqrt(np.maximum(np.diag(inverse), 0.0))
    return offset, sd


def _cell(
    xyz: FloatArray, beam: FloatArray, ring: IntArray, count: int, noise_m: float
) -> tuple[FloatArray, FloatArray, IntArray, float] | None:
    """Return the normal equations of the rings in one cell with its plane eliminated; None where it is not flat."""
    whole = len(xyz)
    off, values, axes = _flat(xyz)
    for _ in range(3):
        height = off @ axes[:, 0]
        inside = np.abs(height) < 4.0 * max(robust_sd(height), 0.25 * noise_m)
        if inside.all() or inside.sum() < LEAST_IN_CELL:
            break
        xyz, beam, ring = xyz[inside], beam[inside], ring[inside]
        off, values, axes = _flat(xyz)
    if len(np.unique(ring)) < 3 or len(xyz) < ONE_SURFACE * whole:
        return None
    if math.sqrt(max(values[0], 0.0)) > FLAT * noise_m or math.sqrt(max(values[1], 0.0)) < 0.1 * CELL_M:
        return None
    height = off @ axes[:, 0]
    cosine = beam @ axes[:, 0]
    if np.abs(cosine).min() < LEAST_COSINE:
        return None
    # Where the beams meet the plane, free of range noise: within a ring, noise would tell a lean that is none.
    met = off - beam * (height / cosine)[:, None]
    plane = np.column_stack((np.ones(len(off)), met @ axes[:, 1:]))
    one = np.zeros((len(off), count))
    one[np.arange(len(off)), ring] = cosine
    basis, _ = np.linalg.qr(plane)
    one_free = one - basis @ (basis.T @ one)
    rest = height - basis @ (basis.T @ height)
    return one_free.T @ one_free, one_free.T @ rest, np.bincount(ring, minlength=count), float(rest @ rest)


def _flat(xyz: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return points about their mean, and variances and axes of their scatter, least first."""
    off = xyz - xyz.mean(axis=0)
    values, axes = np.linalg.eigh(off.T @ off / len(off))
    return off, values, axes
