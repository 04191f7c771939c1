"""What the scoring kernels pass around: bundles of arrays, places of the quantities, status and label numbers.

Heights are metres over the grid's z0 unless said otherwise.
"""

from __future__ import annotations

from typing import Any, NamedTuple

REACH_M = 0.10
ABOVE_LEVEL_M = 0.25
ENOUGH_SEEN = 3
SEEN_RADIUS_M = 0.03
UNKNOWN_EDGE_SD_M = 0.01
PLAIN_SD_M = 0.005
PLAIN_OVER_M = 0.002
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
    gradient: Any
    span_first: Any
    span_low: Any
    span_high: Any


class Window(NamedTuple):
    """Cells around a placement, row by row.

    column: its number; only: the only surface there and nothing else, -1 nothing at all, -2 look it up; plain: height
    of the topmost surface, -inf where there is nothing at all, NaN where there is no surface, it does not carry, its sd
    is over PLAIN_SD_M, or something there rises over it by more than PLAIN_OVER_M.
    """

    column: Any
    only: Any
    plain: Any
    width: int
    height: int
    cell: float


class Known(NamedTuple):
    """What was looked up for a whole ground, or arrays of no length.

    rooms (s,): as `find_rooms` fills it; only, plain (columns,): as `Window` has them. Of columns in open ground, see
    `find_rooms`: flat (columns,) int32, the topmost surface there that is open, or -1; run (columns,) uint8, how many
    cells of a tile's row from here on lie on the same plane, this one included; smooth (columns,) uint8, how many of
    those from here on have no roughness of their own; returns (columns,) uint32, how many returns `run` cells have.
    """

    rooms: Any
    only: Any
    plain: Any
    flat: Any
    run: Any
    smooth: Any
    returns: Any


class Foot(NamedTuple):
    """A foot profile in numbers: limits (7, 2) in the order of the reasons, comfort then limit, `observed` last.

    cover (c, 3): x and y in the sole's frame and radius, metres, of circles that together hold all that is read around
    the sole; neighbours lie within each other. edge_sure (2,): nearer than this an edge is surely not comfortable, and
    past its limit.
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
    edge_sure: Any


class Sole(NamedTuple):
    """Cells under the sole, as `lay_sole` lists them; place 0 of `at` is `base` of the window.

    starts (rows + 1,): where each row starts in the list
    """

    at: Any
    x: Any
    y: Any
    share: Any
    inside: Any
    starts: Any
    rows: int


class Around(NamedTuple):
    """Rows of cells the edge, side and clearance tests read, as `lay_rows` lists them; row 0, column 0 is `base`.

    count: how many rows; x, y: centre of `base` from the load point; distance ((2 far + 1)^2,): from the outline to
    each cell about `base`, or nothing: then it is worked out.
    """

    rows: Any
    count: int
    x: float
    y: float
    distance: Any
    far: int


class Scratch(NamedTuple):
    """Working memory of one thread.

    surface, over: of each cell under the sole, its height over the level where its centre is inside and it carries,
    NaN elsewhere; lx, ly, lz, lrow: those that can be contacts and their place in the sole's list; carried, surely: of
    that list; loud: columns of a row that may hold something; ends: of each row of it, see `find_ends`.
    """

    surface: Any
    over: Any
    lx: Any
    ly: Any
    lz: Any
    lrow: Any
    carried: Any
    surely: Any
    loud: Any
    contact: Any
    plane: Any
    ends: Any
    points: Any
    reach: Any
    hull: Any
    clip: Any
    spare: Any
    exceeds: Any
