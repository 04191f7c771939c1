"""Which placements are steppable or marginal, as people's decisions leave them, without their verdicts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from terrain.data import BoolArray, FloatArray, Label
from terrain.data.arrays import seal
from terrain.maps.answers import decisions_on, judged
from terrain.maps.overruled import beside_area

if TYPE_CHECKING:
    from terrain.maps.store import TerrainMap


@dataclass(frozen=True, slots=True, eq=False)
class Screened:
    """What `TerrainMap.screen` tells, one row a placement asked for, in the same order.

    steppable, marginal : (n,) bool
        Whether the label is that. Neither: past a limit, or not seen enough.
    """

    steppable: BoolArray
    marginal: BoolArray

    def __post_init__(self) -> None:
        seal(self, "steppable", dtype=np.bool_, copy=False)
        seal(self, "marginal", dtype=np.bool_, rows=len(self.steppable), copy=False)

    def __len__(self) -> int:
        """Return the number of placements."""
        return len(self.steppable)

    @classmethod
    def of(cls, label: npt.NDArray[np.uint8]) -> Screened:
        """Return what labels say."""
        return cls(label == Label.STEPPABLE, label == Label.MARGINAL)


def screened(terrain_map: TerrainMap, placements: FloatArray) -> npt.NDArray[np.uint8]:
    """Return the labels of checked placements, (n, 4): right where steppable or marginal, else one of the others."""
    screen = terrain_map.screen_of(len(placements))
    if screen is None:
        return judged(terrain_map, placements).label
    from terrain.score.screening import screen_placements

    label = screen_placements(terrain_map.ground, screen, placements)
    near = np.zeros(len(placements), dtype=np.bool_)
    for rule in decisions_on(terrain_map).in_force():
        near |= beside_area(placements, rule, terrain_map.foot)
    if near.any():
        label[near] = judged(terrain_map, placements[near]).label
    return label
