"""Joints between slabs or blocks that returns alone show: strips where their density dips.

A joint 20 mm wide is narrower than the gaps between returns, so no cell of it stands out. Counted over a strip as
long as a block is wide, its dip does. Only the two directions in which the patch's own border runs are searched: in
all directions chance finds a dip somewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, ByteArray, FloatArray

CUT, SURFACE, SUSPECTED = 0, 1, 2


@dataclass(frozen=True, slots=True)
class JointSettings:
    """What counts as a dip; lengths in metres."""

    cell_m: float = 0.006
    strip_m: float = 0.012
    length_m: float = 0.20
    flank_m: float = 0.06
    certain: float = 4.0
    suspected: float = 3.0
    """Depths of the dip in standard deviations of the counts, as they scatter on this very patch."""
    least_expected: float = 8.0
    deep: float = 0.6
    """Share of the returns beside it that a cut strip has at most."""


def border_angle(mask: BoolArray) -> float:
    """Return the direction, 0 to pi/2, in which most of the mask's border runs (or at right angles to it)."""
    from scipy.ndimage import gaussian_filter

    soft = gaussian_filter(mask.astype(np.float64), 2.0, mode="constant")
    gy, gx = np.gradient(soft)
    weight = np.hypot(gx, gy)
    angle = 4.0 * np.arctan2(gy, gx)
    return float(np.arctan2((weight * np.sin(angle)).sum(), (weight * np.cos(angle)).sum()) / 4.0 % (np.pi / 2))


def cut_joints(
    mask: BoolArray, xy_cells: FloatArray, *, cell_m: float, settings: JointSettings | None = None
) -> ByteArray:
    """Return the mask as states: 0 outside or a joint that is cut, 1 surface, 2 a suspected joint.

    Parameters
    ----------
    mask : (ny, nx) bool
        Where the surface is.
    xy_cells : (n, 2) float64
        Its returns, in cells from the corner of the mask.
    """
    from scipy.ndimage import find_objects
    from scipy.ndimage import label as connected

    settings = settings or JointSettings()
    state = mask.astype(np.uint8)
    numbered, count = connected(mask)
    column = np.clip(xy_cells[:, 0].astype(np.int64), 0, mask.shape[1] - 1)
    row = np.clip(xy_cells[:, 1].astype(np.int64), 0, mask.shape[0] - 1)
    of_point = numbered[row, column]
    by_part = np.argsort(of_point, kind="stable")
    begins = np.searchsorted(of_point[by_part], np.arange(count + 2))
    for k, box in enumerate(find_objects(numbered), start=1):
        own = numbered[box] == k
        if own.sum() * cell_m * cell_m < 0.02:
            continue
        corner = np.array([box[1].start, box[0].start])
        members = xy_cells[by_part[begins[k] : begins[k + 1]]] - corner
        found = _search(own, members, cell_m, settings)
        target = state[box]
        target[own & (found == 1)] = SUSPECTED
        target[own & (found == 2)] = CUT
    return state


def _search(own: BoolArray, members: FloatArray, cell_m: float, settings: JointSettings) -> ByteArray:
    """Dips of one connected part, as cells of its mask: 0 none, 1 suspected, 2 certain."""
    from scipy.ndimage import maximum_filter

    angle = border_angle(np.pad(own, 4))
    c, s = np.cos(angle), np.sin(angle)
    scale = cell_m / settings.cell_m
    corners = np.array([[0, 0], [own.shape[1], 0], [0, own.shape[0]], [own.shape[1], own.shape[0]]], dtype=np.float64)
    turn = np.array([[c, -s], [s, c]]) * scale
    low = np.floor((corners @ turn).min(axis=0)) - 2
    size = np.ceil((corners @ turn).max(axis=0) - low).astype(int) + 3
    at = (members @ turn - low).astype(np.int64)
    counts = np.zeros((size[1], size[0]), dtype=np.float32)
    np.add.at(counts, (at[:, 1], at[:, 0]), 1.0)
    v, u = np.mgrid[0 : size[1], 0 : size[0]]
    back = (np.stack([u.ravel() + 0.5, v.ravel() + 0.5], axis=1) + low) @ (turn.T / scale**2)
    ix, iy = np.floor(back[:, 0]).astype(np.int64), np.floor(back[:, 1]).astype(np.int64)
    inside = (ix >= 0) & (iy >= 0) & (ix < own.shape[1]) & (iy < own.shape[0])
    area = np.zeros(len(ix), dtype=np.float32)
    area[inside] = own[iy[inside], ix[inside]]
    area = area.reshape(counts.shape)
    found = np.maximum(_dips(counts, area, settings), _dips(counts.T, area.T, settings).T)
    out = np.zeros(own.shape, dtype=np.uint8)
    if found.any():
        wide = maximum_filter(found, 2)
        hit = (wide.ravel() > 0) & inside
        np.maximum.at(out, (iy[hit], ix[hit]), wide.ravel()[hit])
    return out


def _dips(counts: FloatArray, area: FloatArray, settings: JointSettings) -> ByteArray:
    """Strips along the second axis whose returns fall short of those beside them."""
    from scipy.ndimage import maximum_filter1d, uniform_filter, uniform_filter1d

    along = round(settings.length_m / settings.cell_m) | 1
    across = max(1, round(settings.strip_m / settings.cell_m))
    flank = round(settings.flank_m / settings.cell_m)
    counts = counts.astype(np.float64)
    area = area.astype(np.float64)

    def total(values: FloatArray, width: int, length: int) -> FloatArray:
        return np.asarray(uniform_filter(values, (width, length), mode="constant") * (width * length))

    strip, strip_area = total(counts, across, along), total(area, across, along)
    side = round(2.0 * settings.strip_m / settings.cell_m)
    side_counts = uniform_filter1d(total(counts, 1, along), flank - side, axis=0, mode="constant") * (flank - side)
    side_area = uniform_filter1d(total(area, 1, along), flank - side, axis=0, mode="constant") * (flank - side)
    shift = (flank + side) // 2
    left, right = _shifted(side_counts, shift), _shifted(side_counts, -shift)
    left_area, right_area = _shifted(side_area, shift), _shifted(side_area, -shift)
    full_side, full_strip = (flank - side) * along, across * along
    usable = (
        (left_area > 0.4 * full_side) & (right_area > 0.4 * full_side) & (strip_area > 0.5 * full_strip) & (area > 0)
    )
    if not usable.any():
        return np.zeros(counts.shape, dtype=np.uint8)
    # The poorer side decides: where density falls off to one side nothing dips.
    rate = np.minimum(left / np.maximum(left_area, 1.0), right / np.maximum(right_area, 1.0))
    expected = rate * strip_area
    usable &= expected >= settings.least_expected
    deviation = np.where(usable, (strip - expected) / np.sqrt(np.maximum(expected, 1.0)), 0.0)
    if not usable.any():
        return np.zeros(counts.shape, dtype=np.uint8)
    values = deviation[usable]
    scatter = max(1.0, 1.4826 * float(np.median(np.abs(values - np.median(values)))))
    depth = -deviation / scatter
    short = round(0.07 / settings.cell_m) | 1
    low_here = total(counts, across, short) < 0.8 * rate * np.maximum(total(area, across, short), 1.0)
    certain = usable & (depth > settings.certain) & (strip < settings.deep * expected)
    suspected = usable & (depth > settings.suspected)
    out = np.zeros(counts.shape, dtype=np.uint8)
    for value, where in ((1, suspected), (2, certain)):
        reach = maximum_filter1d(where.astype(np.uint8), along, axis=1) > 0
        out[reach & low_here] = value
    return out


def _shifted(values: FloatArray, rows: int) -> FloatArray:
    out = np.zeros_like(values)
    if rows > 0:
        out[rows:] = values[:-rows]
    else:
        out[:rows] = values[-rows:]
    return out
