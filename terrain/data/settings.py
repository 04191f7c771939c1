"""What a run is told: the foot and its limits, the sensor, how good the poses are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from terrain.data.arrays import FloatArray, seal


@dataclass(frozen=True, slots=True)
class Limit:
    """Up to `comfort` a quantity is comfortable, past `limit` it is out; marginal between."""

    comfort: float
    limit: float


@dataclass(frozen=True, slots=True, eq=False)
class FootProfile:
    """A sole, the limits it is judged by, and the room the leg needs; SI units.

    `outline_m` is the sole's outline, (k, 2), counter-clockwise, frame: origin under the ankle where the load
    acts, x towards the toe, y left.
    """

    name: str
    outline_m: FloatArray
    slope_rad: Limit
    roughness_m: Limit
    support: Limit
    rocking_m: Limit
    edge_m: Limit
    beside_m: Limit
    observed: Limit
    contact_m: float
    drop_m: float
    joint_m: float
    shin_radius_m: float
    clear_height_m: float
    max_up_m: float
    max_down_m: float
    max_reach_m: float
    z: float
    """One-sided normal quantile that every estimate is widened by."""

    def __post_init__(self) -> None:
        seal(self, "outline_m", columns=2)


@dataclass(frozen=True, slots=True, eq=False)
class SensorModel:
    """Where the sensor sits on the body and how well it measures.

    The sd of a range r is sqrt(range_sd_m^2 + (range_sd_per_m2 r^2)^2): stereo and depth cameras have the second part.
    """

    mount_translation_m: FloatArray
    mount_rotation_xyzw: FloatArray
    """T_body_sensor: takes sensor points to the body."""
    range_sd_m: float = 0.01
    beam_divergence_rad: float = 0.002
    min_range_m: float = 0.0
    max_range_m: float = np.inf
    time_offset_s: float = 0.0
    """Scan clock + time_offset_s = pose clock."""
    range_sd_per_m2: float = 0.0

    def __post_init__(self) -> None:
        seal(self, "mount_translation_m", rows=3)
        seal(self, "mount_rotation_xyzw", rows=4)


@dataclass(frozen=True, slots=True)
class PoseModel:
    """How well the poses are known and how far apart they may lie."""

    position_sd_m: float = 0.01
    attitude_sd_rad: float = 0.0035
    max_gap_s: float = 0.2
    refine: str = "auto"
