"""Exact verdicts on single foot placements."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from terrain.data import REASONS, TILE_CELLS, FloatArray, FootProfile, Ground, IntArray, Verdicts
from terrain.errors import DataError
from terrain.score.bundles import foot_bundle, make_scratch, nothing_known, surface_bundle

if TYPE_CHECKING:
    from terrain.kernels.exact import Table
    from terrain.kernels.verdict import Foot, Known, Scratch

BATCH = 256
NEAR_M = 0.08


def judge_placements(
    ground: Ground, foot: FootProfile, placements: npt.ArrayLike, *, known: Known | None = None
) -> Verdicts:
    """Return the verdict on each placement of the sole.

    Parameters
    ----------
    ground : Ground
        Surfaces and obstacles in the map frame.
    foot : FootProfile
        The sole, its limits and its clearance.
    placements : (n, 4) or (n, 3) float64
        x, y in metres and yaw in radians, map frame, of the load point; then the height of the wanted level in
        metres, NaN (or no such column) for the topmost walkable one. A level is the walkable surface at the load
        point nearest to that height within 0.25 m.
    known : Known, optional
        What `look_up` found for this ground and foot: placements on open ground are then answered at once, others
        sooner.

    Returns
    -------
    Verdicts
        One row a placement, in the same order.

    Raises
    ------
    DataError
        Not three or four columns; or x, y or yaw not finite.

    Notes
    -----
    A sole that reaches no ground is `unobserved` for `no-ground`. Where less of the sole's ground was observed than
    the limit allows, the label is `unobserved`, unless ground or things that were seen put a quantity past its limit
    by more than z sd: that is `unsteppable`. A sole without ground on one side of the load point, over some that was
    observed, is `unsteppable` for `rocking` and the quantities that need the resting plane are NaN.

    The standard deviations:

    - slope: the three contacts' height sds through the plane's gradient; contacts on one patch share its offset and
      its gradient sd, so that a sole on one patch has the patch's;
    - roughness: height sd over the root of the number of 30 mm circles under the sole, where the ground is not one
      patch; in quadrature with proven roughness over the root of twice the number of returns;
    - support, rocking, edge, beside: by how much they change when the depth or height that decides (`contact_m`,
      `drop_m`) is narrowed by z sd of the cell's height against the plane, over z; a cell of the patch that all
      three contacts lie on has no such sd. Rocking at least the RMS edge sd of the carrying ground with the cell's
      rounding, where the border is not the sole's own; edge at least the largest edge sd of the surfaces within two
      cells of the edge; beside at least the riser's edge sd, or the cell's rounding;
    - observed: half the share of cells whose label one return more or less would change.
    """
    wanted = _checked(placements)
    from terrain.kernels.verdict import REACH_M

    quantity, label, reason, patch_id, level = judge_rows(
        ground, foot_bundle(foot), wanted, known or nothing_known(), reach_m=REACH_M, to_limit=False
    )
    (
        slope, slope_sd, roughness, roughness_sd, support, support_sd, rocking, rocking_sd, edge, edge_sd,
        beside, beside_sd, observed, observed_sd, headroom, height, a, b,
    ) = np.ascontiguousarray(quantity.T[:18])  # fmt: skip
    z_m = height + ground.grid.z0_m
    return Verdicts(
        placement=wanted,
        z_m=z_m,
        label=label,
        reason=reason,
        slope_rad=slope,
        slope_sd_rad=slope_sd,
        roughness_m=roughness,
        roughness_sd_m=roughness_sd,
        support=support,
        support_sd=support_sd,
        rocking_m=rocking,
        rocking_sd_m=rocking_sd,
        edge_m=edge,
        edge_sd_m=edge_sd,
        beside_m=beside,
        beside_sd_m=beside_sd,
        observed=observed,
        observed_sd=observed_sd,
        headroom_m=headroom,
        plane=np.column_stack([a, b, z_m]),
        patch_id=patch_id,
        level=level,
    )


def judge_rows(
    ground: Ground, foot: Foot, wanted: FloatArray, known: Known, *, reach_m: float, to_limit: bool
) -> tuple[FloatArray, npt.NDArray[np.uint8], npt.NDArray[np.int8], npt.NDArray[np.int32], npt.NDArray[np.int16]]:
    """Return quantities, label, reasons, patch and level of each of (n, 4) placements.

    reach_m : how far around the sole edges and what stands beside it are looked for
    to_limit : stop at the first quantity past its limit, `unsteppable`; nothing looked up for planes is used then
    """
    from terrain.kernels.exact import judge_batch
    from terrain.kernels.threads import in_order
    from terrain.kernels.verdict import QUANTITIES

    n, grid = len(wanted), ground.grid
    quantity = np.full((n, QUANTITIES), np.nan)
    label = np.zeros(n, dtype=np.uint8)
    reason = np.full((n, len(REASONS)), -1, dtype=np.int8)
    patch_id = np.full(n, -1, dtype=np.int32)
    level = np.full(n, -1, dtype=np.int16)
    side = window_side(ground, foot, reach_m)
    fixed = (
        surface_bundle(ground), known, grid.tile_slot, float(grid.x0_m), float(grid.y0_m), float(grid.z0_m),
        float(grid.cell_m), foot, side,
    )  # fmt: skip
    # Neighbours one after the other: what they read is at hand then.
    order = along_z_curve(wanted[:, :2] - (grid.x0_m, grid.y0_m))
    filled = (order, wanted, quantity, label, reason, patch_id, level)

    def judge_some(k: int) -> None:
        table, scratch = working_memory(side, len(foot.outline))
        judge_batch(*fixed, k * BATCH, min(n, (k + 1) * BATCH), *filled, table, scratch, reach_m, int(to_limit))

    in_order(judge_some, range(-(-n // BATCH)))
    return quantity, label, reason, patch_id, level


def window_side(ground: Ground, foot: Foot, reach_m: float) -> int:
    """Return how many cells long and wide a window about a placement is at most."""
    far_m = max(float(np.hypot(*foot.outline.T).max()) + reach_m, foot.shin) + 3.0 * ground.grid.cell_m
    return 2 * int(np.ceil(far_m / ground.grid.cell_m)) + 1


def look_up(ground: Ground, foot: FootProfile) -> Known:
    """Return what makes many placements on one ground quick to judge, for `judge_placements`.

    That is the only surface of each column, and how far open ground goes on around each surface and along each row, in
    cells. Open is one plane of one patch, well seen, with nothing in the way up to what the foot needs to be clear. 0
    where there is none; a surface whose neighbour is none has 1, and so on, up to 255.
    """
    from terrain.kernels.exact import look_up_columns
    from terrain.kernels.rooms import find_rooms
    from terrain.kernels.verdict import ABOVE_LEVEL_M, Known

    grid, surfaces = ground.grid, surface_bundle(ground)
    known = Known(
        rooms=np.zeros(len(ground.height_m), dtype=np.uint8),
        only=np.empty(grid.columns, dtype=np.int32),
        plain=np.empty(grid.columns, dtype=np.float32),
        flat=np.empty(grid.columns, dtype=np.int32),
        run=np.empty(grid.columns, dtype=np.uint8),
        smooth=np.empty(grid.columns, dtype=np.uint8),
        returns=np.empty(grid.columns, dtype=np.uint32),
    )
    look_up_columns(surfaces, known.only, known.plain)
    cell_x, cell_y = first_cells(ground)
    gap = max(float(foot.clear_height_m), 2.0 * ABOVE_LEVEL_M) + 0.01
    find_rooms(
        surfaces, grid.tile_slot, cell_x, cell_y, float(grid.cell_m), gap,
        int(ground.patch_id.max(initial=-1)) + 1, ground.levels, known,
    )  # fmt: skip
    return known


def first_cells(ground: Ground) -> tuple[IntArray, IntArray]:
    """Return the first cell of each tile in use, (slots,) along x and along y."""
    ty, tx = np.nonzero(ground.grid.tile_slot >= 0)
    order = np.argsort(ground.grid.tile_slot[ty, tx])
    return tx[order] * TILE_CELLS, ty[order] * TILE_CELLS


def along_z_curve(xy_m: FloatArray) -> IntArray:
    """Return the order (n,) of spots (n, 2) along a curve through all cells of NEAR_M that stays among neighbours.

    Morton's: a cell's place is the bits of its column and its row in turns. Cells count from 0; what lies before them
    or farther than 2^24 cells off is taken to the border.
    """
    cells = (np.clip(xy_m, 0.0, NEAR_M * (2**24 - 1)) / NEAR_M).astype(np.int64)
    for shift, mask in ((16, 0xFF0000FFFF), (8, 0xFF00FF00FF00FF), (4, 0xF0F0F0F0F0F0F0F), (2, 0x3333333333333333),
                        (1, 0x5555555555555555)):  # fmt: skip
        cells = (cells | cells << shift) & mask
    return np.argsort(cells[:, 0] | cells[:, 1] << 1, kind="stable")


def working_memory(side: int, corners: int) -> tuple[Table, Scratch]:
    """Return room for one batch, with windows of up to side x side cells."""
    from terrain.kernels.exact import Table

    cells = side * side
    table = Table(
        column=np.empty(cells, dtype=np.int64), only=np.empty(cells, dtype=np.int32),
        plain=np.empty(cells, dtype=np.float32), at=np.empty(cells, dtype=np.int64), real=np.empty((3, cells)),
        inside=np.empty(cells, dtype=np.bool_), starts=np.empty(side + 1, dtype=np.int64),
        rows=np.empty((side, 6), dtype=np.int64), turned=np.empty((corners, 7)), tilt=np.empty(2), nothing=np.empty(0),
    )  # fmt: skip
    return table, make_scratch(cells, corners)


def _checked(placements: npt.ArrayLike) -> FloatArray:
    given = np.asarray(placements, dtype=np.float64)
    if given.ndim != 2 or given.shape[1] not in (3, 4):
        raise DataError(f"placements: got shape {given.shape}, expected (n, 3) or (n, 4)")
    wrong = np.flatnonzero(~np.isfinite(given[:, :3]).all(axis=1))
    if len(wrong):
        row = int(wrong[0])
        raise DataError(f"placements: row {row}: got {given[row, :3]}, expected finite x, y and yaw")
    wrong = np.flatnonzero(np.isinf(given[:, 3:]).any(axis=1))
    if len(wrong):
        raise DataError(f"placements: row {wrong[0]}: got an infinite level, expected a height or none")
    wanted = np.full((len(given), 4), np.nan)
    wanted[:, : given.shape[1]] = given
    return wanted
