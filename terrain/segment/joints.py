"""Joints between slabs or blocks that returns alone show: strips where their density dips.

A joint 20 mm wide is narrower than the gaps between returns, so no cell of it stands out. Counted over a strip as
long as a block is wide, its dip does. Only the two directions in which the patch's own border runs are searched: in
all directions chance finds a dip somewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data import BoolArray, ByteArray, Float32Array, FloatArray

CUT, SURFACE, SUSPECTED = 0, 1, 2


@dataclass(frozen=True, slots=True)
class JointSettings:
    """What counts as a dip; lengths in metres."""

    across_m: float = 0.006
    along_m: float = 0.024
    """Cells that returns are counted in, across a joint and along it."""
    strip_m: float = 0.012
    lengths_m: tuple[float, ...] = (0.20, 0.38)
    flank_from_m: float = 0.018
    flank_to_m: float = 0.06
    """From where to where, beyond the strip's border, the returns beside it are counted."""
    short_m: float = 0.10
    low_here: float = 0.9
    """Along a dip only where returns over `short_m` are fewer than this share of those beside."""
    certain: float = 4.0
    suspected: float = 3.8
    """Depths of the dip in standard deviations of the counts, as they scatter on this very patch."""
    offsets_rad: tuple[float, ...] = (-0.026, 0.0, 0.026)
    ragged_m2: float = 2.0
    """The border of a part smaller than this tells its direction only roughly: it is searched beside it too."""
    false_cuts: float = 0.05
    """How many strips of a whole part may pass for certain by chance; a large part asks for deeper dips."""
    least_width_m: float = 0.0115
    """A joint that is narrower separates nothing, where returns are dense enough to tell (`width_sd_m`)."""
    width_sd_m: float = 0.0022
    least_expected: float = 8.0
    deep: float = 0.65
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
    from terrain.kernels.joints import turned_back

    out = np.zeros(own.shape, dtype=np.uint8)
    angle = border_angle(np.pad(own, 4))
    small = own.sum() * cell_m**2 < settings.ragged_m2
    offsets = settings.offsets_rad if small else (0.0,)
    laid = [_laid(own, members, angle + offset + right, cell_m, settings) for offset in offsets for right in RIGHT]
    for length_m in settings.lengths_m:
        strips = [_Strips(grid.counts, grid.area, length_m, settings, trials=4 * len(offsets)) for grid in laid]
        for k, (grid, one) in enumerate(zip(laid, strips, strict=True)):
            # Many joints in a small part widen the scatter across them; the direction along them tells it too.
            other = strips[k ^ 1].scatter if small else one.scatter
            found = one.dips(float(np.sqrt(one.scatter * min(one.scatter, other))))
            if found.any():
                turned_back(found, own, grid.c, grid.s, grid.scale[0], grid.scale[1], grid.low[0], grid.low[1], out)
    return out


RIGHT = (0.0, np.pi / 2)


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Returns and mask of a part on a grid whose second axis runs along a direction."""

    counts: Float32Array
    area: Float32Array
    c: float
    s: float
    scale: FloatArray
    low: FloatArray


def _laid(own: BoolArray, members: FloatArray, turn: float, cell_m: float, settings: JointSettings) -> _Laid:
    from terrain.kernels.joints import turned_grids

    c, s = float(np.cos(turn)), float(np.sin(turn))
    scale = np.array([cell_m / settings.along_m, cell_m / settings.across_m])
    far = np.array([[0, 0], [own.shape[1], 0], [0, own.shape[0]], [own.shape[1], own.shape[0]]], dtype=np.float64)
    turned = far @ np.array([[c, -s], [s, c]]) * scale
    low = np.floor(turned.min(axis=0)) - 1
    nu, nv = (np.ceil(turned.max(axis=0)) - low + 1).astype(int)
    counts, area = turned_grids(members, own, c, s, scale[0], scale[1], low[0], low[1], nu, nv)
    return _Laid(counts, area, c, s, scale, low)


class _Strips:
    """Strips along the second axis of a grid, against the returns beside them."""

    def __init__(
        self, counts: Float32Array, area: Float32Array, length_m: float, settings: JointSettings, *, trials: int
    ) -> None:
        from scipy.special import ndtri

        from terrain.kernels.joints import strip_dips

        self._settings, self._area = settings, area
        self._along = round(length_m / settings.along_m) | 1
        self._short = round(settings.short_m / settings.along_m) | 1
        across = max(1, round(settings.strip_m / settings.across_m))
        inner = round(settings.flank_from_m / settings.across_m)
        outer = round(settings.flank_to_m / settings.across_m)
        self._depth, wide, self._share, self._near, self._width = strip_dips(
            counts, area, self._along, across, inner, outer, 3 * outer, self._short, settings.least_expected
        )
        rate = max(float(counts.sum() / max(area.sum(), 1.0)), 1e-9)
        width_sd_m = np.sqrt((across + 2 * inner) / (rate * self._along)) * settings.across_m
        self._tells_width = bool(width_sd_m < settings.width_sd_m)
        # Scan lines make counts scatter more than chance does. Against a wider surrounding, so that a joint does not
        # raise the strips beside it, and below the median, so that dips are not in it.
        values = wide[np.isfinite(wide)]
        if len(values) < 200:
            values = self._depth[np.isfinite(self._depth)]
        strips = max(1.0, trials * len(values) / (across * self._along))
        self._certain = max(settings.certain, float(-ndtri(settings.false_cuts / strips / 2.0)))
        self.scatter = (
            max(1.0, 1.4826 * float(np.median(values) - np.quantile(values, 0.25))) if len(values) else np.inf
        )

    def dips(self, scatter: float) -> ByteArray:
        """Return 1 on suspected and 2 on certain dips."""
        from scipy.ndimage import maximum_filter, maximum_filter1d, minimum_filter1d

        settings = self._settings
        out = np.zeros(self._depth.shape, dtype=np.uint8)
        if not np.isfinite(scatter):
            return out
        with np.errstate(invalid="ignore"):
            suspected = self._depth > settings.suspected * scatter
            wide = (self._width * settings.across_m > settings.least_width_m) | (not self._tells_width)
            suspected &= wide
            certain = wide & (self._depth > self._certain * scatter) & (self._share < settings.deep)
        for value, where in ((1, suspected), (2, certain)):
            if where.any():
                reach = maximum_filter1d(where.astype(np.uint8), self._along, axis=1) > 0
                low = (reach & (self._near < settings.low_here)).astype(np.uint8)
                line = minimum_filter1d(maximum_filter1d(low, self._short, axis=1), self._short, axis=1)
                if value == 2:
                    line = maximum_filter(line, 3)
                out[(line > 0) & (self._area > 0)] = value
        return out
