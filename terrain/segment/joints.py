"""Joints between slabs or blocks that returns alone show: strips where their density dips.

A joint 20 mm wide is narrower than the gaps between returns, so no cell of it stands out. Counted over a strip as
long as a block is wide, its dip does. Only the two directions in which the patch's own border runs are searched: in
all directions chance finds a dip somewhere.

An opening wider than a joint is more than that, whichever way it runs. It is looked for in longer and wider strips, in
all directions, and by returns alone: beams that graze a surface do not tell whether they went in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from terrain.data import BoolArray, ByteArray, Float32Array, FloatArray, Int32Array, IntArray
from terrain.kernels.stretches import stretches
from terrain.segment.beams import Beams
from terrain.segment.joint_settings import JointSettings
from terrain.segment.lattice import off_lattice
from terrain.segment.masks import blurred
from terrain.segment.narrow import bridged, filled_again, width_of_lines
from terrain.segment.oblique import oblique_openings

CUT, SURFACE, SUSPECTED = 0, 1, 2


def border_angle(mask: BoolArray) -> float:
    """Return the direction, 0 to pi/2, in which most of the mask's border runs (or at right angles to it)."""
    border = np.zeros_like(mask)
    border[1:] |= mask[1:] ^ mask[:-1]
    border[:, 1:] |= mask[:, 1:] ^ mask[:, :-1]
    total = 0.0 + 0.0j
    for part in stretches(border, around=BORDER_REACH, reach=BORDER_REACH):
        rise = np.gradient(blurred(mask[part.wide].astype(np.float64), 2.0))
        steep = part.inner(rise[1]) + 1.0j * part.inner(rise[0])
        steep = steep[steep != 0.0]
        total += complex((steep**4 / np.abs(steep) ** 3).sum())  # four times the angle, weighted by how steep
    return float(np.angle(total) / 4.0 % (np.pi / 2))


BORDER_REACH = 10
"""Cells beside a border in which the blurred mask rises, and that this depends on."""


def cut_joints(
    mask: BoolArray,
    xy: FloatArray,
    rows: Int32Array,
    first: FloatArray,
    *,
    cell_m: float,
    beams: Callable[[], Beams] | None = None,
    corner_m: FloatArray | None = None,
    openings: bool = False,
    settings: JointSettings | None = None,
) -> tuple[ByteArray, Any, int]:
    """Return the mask as states, and the pieces that cuts leave of it, numbered, and how many there are.

    States: 0 outside or a joint that is cut, 1 surface, 2 a suspected joint.

    Parameters
    ----------
    mask : (ny, nx) bool
        Where the surface is.
    xy, rows, first : (n, 2 or more) float64, (m,) int32, (2,) float64
        Points, which of them are the surface's returns, and the corner of the mask among them.
    beams : callable, optional
        Gives the beams that met the plane; what it gives is let go of soon. Without it only the lack of returns tells.
    corner_m : (2,) float64, optional
        The corner of the mask in the frame of the beams.
    openings : bool
        Whether openings are looked for too.
    """
    from terrain.kernels.connected import box_of, boxes_of, connected
    from terrain.kernels.joints import beams_by_part, cells_by_part

    settings = settings or JointSettings()
    state = mask.astype(np.uint8)
    numbered, count = connected(mask)
    boxes = boxes_of(numbered, count)
    corners = boxes[:, 1::-1].astype(np.float64)
    begins, cells = cells_by_part(xy, rows, first, cell_m, numbered, corners)
    met = None
    if beams is not None and corner_m is not None:
        every = beams()
        columns = every.xy_m, every.above_m, every.cosine, every.sd_m, every.on
        met = beams_by_part(*columns, corner_m, cell_m, numbered, corners)
        del every, columns
    cut, narrow = False, np.zeros_like(mask)
    for k in np.flatnonzero(boxes[:, 4] * cell_m * cell_m >= 0.02).tolist():
        box = box_of(boxes, k)
        own = numbered[box] == k
        scores = None
        if met is not None:
            part = slice(int(met[0][k]), int(met[0][k + 1]))
            beams_met = tuple(column[part] for column in met[1:])
            scores = _scored(beams_met, own, cell_m, settings, openings=openings)
        members = cells[begins[k] : begins[k + 1]]
        angle = border_angle(np.pad(own, 4))
        members = off_lattice(members * cell_m, angle) / cell_m
        found = _search(own, angle, members, scores, cell_m, settings, openings=openings)
        if openings:
            found[oblique_openings(own, angle, members, cell_m, settings)] = 3
        target = state[box]
        target[own & (found == 1)] = SUSPECTED
        target[own & (found > 1)] = CUT
        narrow[box] |= own & (found == 2)
        cut |= bool((found > 1).any())
    if cut:
        numbered, count = connected(state > 0)
        filled_again(state, numbered, narrow, SUSPECTED)
    return state, numbered, count


CHUNK = 1 << 15
"""Beams that are scored at a time, so that what is worked out on the way stays near the processor."""


def _scored(
    beams: tuple[Any, ...], own: BoolArray, cell_m: float, settings: JointSettings, *, openings: bool
) -> _Scores | None:
    """Return where beams met a part's plane, and how much each looks as if it went into a joint.

    beams: where they met it, (n, 2) in cells from the part's corner; above, cosine, sd and on as in `Beams`.

    A beam that enters an opening of the surface ends further away, at its far side. The score is the logarithm of how
    much more probable the range is if the way beyond the surface is evenly spread up to `opening_m` than if it is
    none; heights are taken from their average around. Scores are scaled to variance one.
    """
    from scipy.special import ndtr

    from terrain.kernels.joints import add_heights

    cells, above_m, cosine, sd_m, on = beams
    shape = own.shape
    if on.sum() < 30:
        return None
    sigma, at = settings.level_m / cell_m, np.empty(len(cells), dtype=np.int32)
    held, height, smooth = np.zeros(shape), np.zeros(shape), np.empty(shape)
    add_heights(cells, above_m, on, at, held.ravel(), height.ravel(), shape[1])
    for part in stretches(own, around=0, reach=int(4.0 * sigma + 0.5)):
        count, sum_m = (
            blurred(np.ascontiguousarray(values[part.wide]), sigma, mirrored=True) for values in (held, height)
        )
        smooth[part.core] = part.inner(sum_m / np.maximum(count, 1e-9))
    mean = smooth.ravel()
    del held, height
    reach = settings.opening_m
    made = np.empty((2, len(at)))

    def score_part(begin: int) -> None:
        part = slice(begin, begin + CHUNK)
        slant = np.maximum(cosine[part], 0.05)
        beyond = (mean[at[part]] - above_m[part]) / slant
        sd = sd_m[part] / slant
        inside = (ndtr(beyond / sd) - ndtr((beyond - reach) / sd)) / reach
        none = np.exp(-0.5 * (beyond / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
        made[0, part] = np.clip(np.log(np.maximum(inside, 1e-12) / np.maximum(none, 1e-12)), -1.5, 3.0)
        made[1, part] = np.clip(beyond, -reach, reach)

    _each(score_part, range(0, len(at), CHUNK), large=len(at) > 8 * CHUNK)
    score = made[0]
    score -= score.mean()
    score /= max(float(score.std()), 1e-6)
    return _Scores(cells, made, _grazed(at, cosine, own.shape, settings) if openings else None)


def _grazed(at: Int32Array, cosine: Float32Array, shape: tuple[int, int], settings: JointSettings) -> BoolArray | None:
    """Return in which cells beams meet the plane at too slight an angle to tell openings, in squares; None for none."""
    if not (cosine < settings.grazing).any():
        return None
    columns = -(-shape[1] // GRAZED_CELLS)
    rows = -(-shape[0] // GRAZED_CELLS)
    square = at // shape[1] // GRAZED_CELLS * columns + at % shape[1] // GRAZED_CELLS
    total = np.bincount(square, cosine, rows * columns)
    grazed = total < settings.grazing * np.bincount(square, minlength=rows * columns)
    whole = np.kron(grazed.reshape(rows, columns), np.ones((GRAZED_CELLS, GRAZED_CELLS), dtype=np.bool_))
    return np.asarray(whole[: shape[0], : shape[1]])


GRAZED_CELLS = 8
"""Cells to a side of such a square."""


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """Where beams met a part's plane, (n, 2) in cells, and made (2, n) of them.

    Their scores, and how far beyond the plane they ended, metres, within bounds. grazed: see `_grazed`.
    """

    xy_cells: FloatArray
    made: FloatArray
    grazed: BoolArray | None


def _search(
    own: BoolArray,
    angle: float,
    members: FloatArray,
    scores: _Scores | None,
    cell_m: float,
    settings: JointSettings,
    *,
    openings: bool,
) -> ByteArray:
    """Dips of one connected part, as cells of its mask: 0 none, 1 suspected, 2 certain but narrow, 3 certain."""
    out = np.zeros(own.shape, dtype=np.uint8)
    small = own.sum() * cell_m**2 < settings.ragged_m2
    offsets = settings.offsets_rad if small else (0.0,)
    turns = [angle + offset + right for offset in offsets for right in RIGHT]
    large = own.size > LARGE_CELLS
    spanned = own if scores is not None else bridged(own)
    laid = _each(lambda turn: _laid(spanned, members, scores, turn, cell_m, settings), turns, large=large)

    def strips_of(job: tuple[float, _Laid]) -> _Strips:
        return _Strips(job[1], job[0], settings, trials=4 * len(offsets))

    grids = [(length_m, grid) for length_m in settings.lengths_m for grid in laid]
    if openings and scores is not None:
        wide = [grid.by_returns() for grid in laid]
        grids += [(length_m, grid) for length_m in settings.opening_lengths_m for grid in wide]
    every = _each(strips_of, grids, large=large)
    doubtful = np.zeros_like(out)
    for k, ((_, grid), one) in enumerate(zip(grids, every, strict=True)):
        # Many joints in a small part widen the scatter across them; the direction along them tells it too.
        other = every[k ^ 1].scatter if small else one.scatter
        least, beams = min(one.scatter, other), len(grid.tables.met) > 0
        scatter = least if beams else float(np.sqrt(one.scatter * least))
        suspected_at = settings.openings_alone if grid.for_openings else settings.suspected
        certain_at = settings.certain if beams else settings.alone
        grid.turn_back(one.dips(scatter, suspected_at=suspected_at, certain_at=certain_at), own, out)
        if scores is not None and scores.grazed is not None and grid.for_openings:
            grid.turn_back(one.dips(scatter, suspected_at=settings.suspected, certain_at=np.inf), own, doubtful)
    if scores is not None and scores.grazed is not None:
        out[(doubtful > 0) & scores.grazed & (out == 0)] = 1
    return out


RIGHT = (0.0, np.pi / 2)
LARGE_CELLS = 100_000
"""A part with so many cells in its window is worked on by all cores: one such can take as long as all others."""


def _each(job: Callable[[Any], Any], items: Iterable[Any], *, large: bool) -> list[Any]:
    """Return job(item) for each item, on all cores where that pays."""
    from terrain.kernels.threads import in_order

    return in_order(job, items) if large else [job(item) for item in items]


MANY = 10_000
"""So many strips tell how much they scatter."""


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Returns and mask of a part on a grid whose second axis runs along a direction.

    rows: which of its cells are kept, nu, nv how many there are; area by rows; tables: sums over the grid; beyond: of
    how far beams end beyond the plane. rate: returns a cell. opening: cells across a strip as wide as an opening.
    """

    rows: Any
    tables: Any
    beyond: Any
    area: Float32Array
    rate: float
    widths: Any
    shape: tuple[int, int]
    c: float
    s: float
    scale: FloatArray
    low: FloatArray
    opening: int

    @property
    def for_openings(self) -> bool:
        """Whether strips are as wide as an opening, and by returns alone."""
        return bool(self.widths.across == self.opening)

    def by_returns(self) -> _Laid:
        """Return the same without beams, for strips as wide as an opening."""
        none = np.zeros(0)
        tables = self.tables._replace(met=none, score=none)
        return replace(self, tables=tables, beyond=none, widths=self.widths._replace(across=self.opening))

    def turn_back(self, found: ByteArray | None, own: BoolArray, out: ByteArray) -> None:
        """Write what was found on the grid to the cells of the mask."""
        from terrain.kernels.joints import turned_back

        if found is not None:
            turned_back(found, own, self.c, self.s, self.scale[0], self.scale[1], self.low[0], self.low[1], out)


def _laid(
    own: BoolArray,
    members: FloatArray,
    scores: _Scores | None,
    turn: float,
    cell_m: float,
    settings: JointSettings,
) -> _Laid:
    from terrain.kernels.joints import add_turned, around_rows, turned_area, turned_rows
    from terrain.kernels.strips import Tables, Widths, summed

    c, s = float(np.cos(turn)), float(np.sin(turn))
    scale = np.array([cell_m / settings.along_m, cell_m / settings.across_m])
    far = np.array([[0, 0], [own.shape[1], 0], [0, own.shape[0]], [own.shape[1], own.shape[0]]], dtype=np.float64)
    turned = far @ np.array([[c, -s], [s, c]]) * scale
    low = np.floor(turned.min(axis=0)) - 1
    nu, nv = (np.ceil(turned.max(axis=0)) - low + 1).astype(int).tolist()
    grid = c, s, scale[0], scale[1], low[0], low[1]
    rows = turned_rows(own, *grid, nu, nv)
    made = np.zeros((2 if scores is None else 5, rows.size), dtype=np.float32)
    add_turned(members, np.empty((0, len(members))), *grid, rows, made[:1])
    turned_area(own, *grid, rows, made[1])
    strips = settings.strip_m, settings.beam_strip_m, settings.opening_strip_m
    across, beam, opening = (max(1, round(wide / settings.across_m)) for wide in strips)
    inner, outer = (round(far_m / settings.across_m) for far_m in (settings.flank_from_m, settings.flank_to_m))
    widths = Widths(across, beam, inner, outer, 3 * outer)
    reach = widths.wide + max(across, beam, opening)
    longest = max(*settings.lengths_m, *settings.opening_lengths_m)
    wide = around_rows(rows, reach, round(longest / settings.along_m) // 2 + 1)
    if scores is not None:
        add_turned(scores.xy_cells, scores.made, *grid, rows, made[2:])
    counts, area = made[0], made[1]
    hits, cover, *others = summed(made, rows, wide, nu)
    met, score, beyond = others or [np.zeros(0)] * 3
    rate = max(float(counts.sum() / max(area.sum(), 1.0)), 1e-9)
    return _Laid(
        rows, Tables(hits, cover, met, score, wide.base, reach), beyond, area, rate, widths, (nv, nu), c, s, scale, low,
        opening,
    )  # fmt: skip


def _lower_half(values: Float32Array) -> float:
    """Return how far the first quartile lies below the median, as NumPy's `quantile` and `median` tell them."""
    n = len(values)
    low, middle = (n - 1) // 4, (n - 1) // 2
    high = min(low + 1, n - 1)
    sort = np.partition(values, sorted({low, high, middle, n // 2}))
    share, rise = (n - 1) % 4 / 4, sort[high] - sort[low]
    quarter = sort[low] + rise * share if share < 0.5 else sort[high] - rise * (1.0 - share)
    return float(sort[[middle, n // 2]].mean() - quarter)


class _Strips:
    """Strips along the second axis of a grid, against the returns beside them."""

    def __init__(self, grid: _Laid, length_m: float, settings: JointSettings, *, trials: int) -> None:
        from scipy.special import ndtri

        from terrain.kernels.strips import strip_depths

        self._settings, self._grid = settings, grid
        self._along = round(length_m / settings.along_m) | 1
        self._short = round(settings.short_m / settings.along_m) | 1
        self._beams = len(grid.tables.met) > 0
        self._depth, values = strip_depths(
            grid.tables, grid.area, grid.rows, grid.widths, self._along, settings.least_expected,
            settings.count_weight, settings.beam_weight,
        )  # fmt: skip
        across = grid.widths.across
        width_sd_m = np.sqrt((across + 2 * grid.widths.inner) / (grid.rate * self._along)) * settings.across_m
        self._width_sd_m = float(width_sd_m)
        self._tells_width = self._width_sd_m < settings.width_sd_m
        # Scan lines make counts scatter more than chance does. Against a wider surrounding, so that a joint does not
        # raise the strips beside it, and below the median, so that dips are not in it.
        if len(values) < 200:
            values = self._depth[np.isfinite(self._depth)]
        strips = max(1.0, trials * len(values) / (across * self._along))
        self._certain = max(settings.certain, float(-ndtri(settings.false_cuts / strips / 2.0)))
        some = values[:: len(values) // MANY + 1]  # those beside each other are nearly the same
        self.scatter = max(1.0, 1.4826 * _lower_half(some)) if len(values) else np.inf

    def dips(self, scatter: float, *, suspected_at: float, certain_at: float) -> ByteArray | None:
        """Return 1 on suspected dips, 2 on certain ones narrower than a joint, 3 on others; None where none is.

        suspected_at, certain_at: from which depths on; certain is nothing that chance makes too often.
        """
        from terrain.kernels.strips import strip_details

        settings, grid = self._settings, self._grid
        deep = np.flatnonzero(self._depth > suspected_at * scatter) if np.isfinite(scatter) else ()
        if not len(deep):
            return None
        row = np.searchsorted(grid.rows.base + grid.rows.high, deep, side="right")
        cells = np.column_stack([row, deep - grid.rows.base[row]])
        lack, share, width, beyond = strip_details(
            cells, grid.tables, grid.beyond, grid.widths, self._along, settings.least_expected
        )
        if grid.for_openings:  # what went into it lies on its far side, beside the strip
            width = (1.0 - share) * grid.widths.across
        suspected = (width * settings.across_m > settings.least_width_m) | (not self._tells_width)
        suspected &= lack > settings.least_lack
        if self._beams:
            suspected &= beyond > settings.least_beyond_m
        elif not grid.for_openings:
            suspected &= self._depth[deep] > settings.alone * scatter
        certain = suspected & (self._depth[deep] > max(self._certain, certain_at) * scatter)
        narrow = np.zeros_like(certain)
        if not self._beams:
            certain &= share < settings.deep
        if not self._beams and not grid.for_openings:
            width_m, width_sd = width_of_lines(cells, share < settings.deep, width * settings.across_m, self._along)
            certain &= width_m > 0.5 * settings.joint_m
            narrow = certain & (width_m + width_sd * self._width_sd_m < settings.joint_m)
        return self._drawn(cells[suspected], cells[narrow], cells[certain & ~narrow]) if suspected.any() else None

    def _drawn(self, suspected: IntArray, *certain: IntArray) -> ByteArray:
        """Return the lines that strips about some cells, row and column, make: 1, and 2 and 3 for certain ones."""
        from scipy.ndimage import maximum_filter

        from terrain.kernels.strips import cells_along, close_along, strip_near

        settings, grid, rows = self._settings, self._grid, self._grid.rows
        out = np.zeros(grid.shape, dtype=np.uint8)
        # All that follows happens in the strips' own rows and those beside them.
        top = max(int(suspected[0, 0]) - 1, 0)
        drawn = out[top : int(suspected[-1, 0]) + 2]
        inside = np.zeros(drawn.shape, dtype=bool)
        for k in range(len(drawn)):
            low, high, base = rows.low[top + k], rows.high[top + k], rows.base[top + k]
            inside[k, low:high] = grid.area[base + low : base + high] > 0
        for value, cells in enumerate((suspected, *certain), start=1):
            if len(cells):
                line = np.zeros(drawn.shape, dtype=np.uint8)
                # A joint goes on to the border: what is outside bridges the last few centimetres to it.
                met = cells_along(cells, top, self._along // 2, inside, line)
                near = strip_near(
                    np.add(met, (top, 0)), grid.tables, grid.widths, self._along, self._short, settings.least_expected
                )
                line[met[:, 0], met[:, 1]] = near > settings.entered_here if self._beams else near < settings.low_here
                close_along(line, self._short // 2, np.empty(drawn.shape[1] + 1, dtype=np.int64))
                if value > 1:
                    line = maximum_filter(line, 3)
                drawn[(line > 0) & inside] = value
        return out
