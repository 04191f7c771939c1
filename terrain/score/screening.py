"""Which placements are steppable, and which marginal, without what makes a verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from terrain.data import FloatArray, FootProfile, Ground, Label
from terrain.score.bundles import foot_bundle, surface_bundle
from terrain.score.dense import deciding_reach, least_edge_sd
from terrain.score.placements import (
    along_z_curve,
    first_cells,
    judge_rows,
    look_up,
    window_side,
    working_memory,
)

if TYPE_CHECKING:
    from terrain.kernels.screening import Breaks
    from terrain.kernels.verdict import Foot, Known

BATCH = 1024


class Screen(NamedTuple):
    """What is worked out once for a ground and a foot, for `screen_placements`."""

    foot: Foot
    known: Known
    breaks: Breaks
    reach_m: float


def make_screen(ground: Ground, foot: FootProfile, known: Known | None = None) -> Screen:
    """Return what makes placements on one ground quick to screen; known : what `look_up` found, if it was asked."""
    from terrain.kernels.screening import Breaks, find_breaks

    reach_m, columns = deciding_reach(ground, foot), ground.grid.columns
    bundle = foot_bundle(foot, edge_sd_m=least_edge_sd(ground), reach_m=reach_m)
    known = known or look_up(ground, foot)
    bare, along, across = np.empty((3, columns), dtype=np.uint8)
    breaks = Breaks(bare, along, across, *(np.empty(n, dtype=np.float32) for n in (columns, columns // 256)))
    find_breaks(
        surface_bundle(ground), known, ground.grid.tile_slot, *first_cells(ground), float(ground.grid.cell_m), bundle,
        np.empty(columns), breaks,
    )  # fmt: skip
    return Screen(bundle, known, breaks, reach_m)


def screen_placements(ground: Ground, screen: Screen, placements: FloatArray) -> npt.NDArray[np.uint8]:
    """Return the label of each placement as `judge_placements` has it, but `unsteppable` for `unobserved` too.

    Parameters
    ----------
    ground : Ground
        Surfaces and obstacles in the map frame.
    screen : Screen
        What `make_screen` returned for this ground and a foot.
    placements : (n, 4) float64
        As for `judge_placements`, all but the level finite.

    Notes
    -----
    What lies on open ground, or on one plane with something near, has the plane's label after a look around. What lies
    on a hole, a step or under a thing is past a limit without more. The rest is judged until something is past its
    limit. Edges are looked for as far as they can change a label.
    """
    from terrain.kernels.screening import UNTOLD, screen_batch
    from terrain.kernels.threads import in_order
    from terrain.kernels.verdict import QUANTITIES

    grid, n, side = ground.grid, len(placements), window_side(ground, screen.foot, screen.reach_m)
    fixed = (
        surface_bundle(ground), screen.known, screen.breaks, grid.tile_slot, float(grid.x0_m), float(grid.y0_m),
        float(grid.z0_m), float(grid.cell_m), screen.foot, screen.reach_m, side,
    )  # fmt: skip
    order = along_z_curve(placements[:, :2] - (grid.x0_m, grid.y0_m))
    label = np.zeros(n, dtype=np.uint8)

    def screen_some(k: int) -> None:
        table, scratch = working_memory(side, len(screen.foot.outline))
        spans, q = np.empty((side, 2), dtype=np.int64), np.empty(QUANTITIES)
        part = (k * BATCH, min(n, (k + 1) * BATCH), order, placements, label)
        screen_batch(*fixed, *part, table, spans, scratch, q)

    in_order(screen_some, range(-(-n // BATCH)))
    rest = np.flatnonzero(label == UNTOLD)
    if len(rest):
        label[rest] = judge_rows(
            ground, screen.foot, placements[rest], screen.known, reach_m=screen.reach_m, to_limit=True
        )[1]
    label[label == Label.UNOBSERVED] = Label.UNSTEPPABLE
    return label
