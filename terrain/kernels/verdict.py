"""What the scoring kernels pass around: bundles of arrays, places of the quantities, status and label numbers.

Heights are metres over the grid's z0 unless said otherwise.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from numba import njit

inner: Any = njit(  # type: ignore[call-overload]
    cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True
)
"""For functions that only other kernels call: without the wrappers for Python they compile sooner."""

REACH_M = 0.10
ABOVE_LEVEL_M = 0.25
ENOUGH_SEEN = 3
SEEN_RADIUS_M = 0.03
UNKNOWN_EDGE_SD_M = 0.01
(
    SLOPE, SLOPE_SD, ROUGHNESS, ROUGHNESS_SD, SUPPORT, SUPPORT_SD, ROCKING, ROCKING_SD, EDGE, EDGE_SD,
    BESIDE, BESIDE_SD, OBSERVED, OBSERVED_SD, HEADROOM, HEIGHT, GRADIENT_X, GRADIENT_Y, EDGE_SEEN, SUPPORT_BEST,
) = range(20)  # fmt: skip
QUANTITIES = 20
UNOBSERVED, STEPPABLE, MARGINAL, UNSTEPPABLE = range(4)
REASON_HEADROOM, REASON_UNOBSERVED, REASON_NO_GROUND = 6, 7, 8
NO_GROUND, UNBOUNDED, RESTING, PAST = range(4)


class Surfaces(NamedTuple):
    """The arrays of `terrain.data.Ground` that scoring reads."""

    first: Any
    height: Any
    height_sd: Any
    gradient_sd: Any
    roughness: Any
    edge_sd: Any
    seen: Any
    points: Any
    patch: Any
    level: Any
    carries: Any
    walkable: Any
    span_first: Any
    span_low: Any
    span_high: Any


class Window(NamedTuple):
    """Cells around a placement, row by row: column number, and the only surface there, -1 none, -2 look it up."""

    column: Any
    only: Any
    width: int
    height: int
    cell: float


class Foot(NamedTuple):
    """A foot profile in numbers: limits (7, 2) in the order of the reasons, comfort then limit, `observed` last.

    cover (c, 3): x and y in the sole's frame and radius, metres, of circles that together hold all that is read around
    the sole; neighbours lie within each other.
    """

    limits: Any
    outline: Any
    contact: float
    drop: float
    shin: float
    clear: float
    z: float
    margin: float
    area: float
    cover: Any


class Sole(NamedTuple):
    """Cells under the sole, as `lay_sole` lists them; place 0 of `at` is `base` of the window."""

    at: Any
    x: Any
    y: Any
    share: Any
    inside: Any


class Ring(NamedTuple):
    """Cells the edge, side and clearance tests read; distance NaN: not worked out yet."""

    at: Any
    x: Any
    y: Any
    inside: Any
    clear: Any
    distance: Any


class Scratch(NamedTuple):
    """Working memory of one thread."""

    surface: Any
    px: Any
    py: Any
    pz: Any
    row: Any
    contact: Any
    plane: Any
    points: Any
    order: Any
    hull: Any
    clip: Any
    spare: Any
    exceeds: Any
