"""A slot in a floor, whichever way it runs, is an edge to the soles over it: ray-traced in closed form."""

from pathlib import Path

import numpy as np
import pytest

from terrain.data import Cloud, Label
from terrain.foot import load_foot
from terrain.ground.build import build_ground
from terrain.score.placements import judge_placements
from terrain.segment.joints import CUT
from terrain.segment.patches import segment_planes

BIPED = load_foot("biped", relative_to=Path())
SIDE_M, DEPTH_M, RANGE_SD_M = 2.0, 0.08, 0.008
POINTING_SD_RAD = np.deg2rad(0.05)


def floor(seed, *, slot_m, turn_rad, away_m, per_m2):
    """Level floor with a slot through its middle, seen from ten places 0.8 m high.

    Beams that meet the floor's plane over the slot go on to its far side, or to its bottom.
    """
    rng = np.random.default_rng(seed)
    n = rng.poisson(per_m2 * SIDE_M**2)
    met = np.column_stack([rng.uniform(-SIDE_M / 2, SIDE_M / 2, (n, 2)), np.zeros(n)])
    seen_from = rng.choice(rng.uniform(0.0, 2 * np.pi, 10), n)
    view = np.column_stack([away_m * np.cos(seen_from), away_m * np.sin(seen_from), np.full(n, 0.8)])
    unit = met - view
    length = np.linalg.norm(unit, axis=1)
    unit /= length[:, None]
    across = np.array([np.cos(turn_rad), np.sin(turn_rad)])
    place, speed = met[:, :2] @ across, unit[:, :2] @ across
    in_slot = np.abs(place) < slot_m / 2
    beyond = np.minimum((np.sign(speed) * slot_m / 2 - place) / speed, DEPTH_M / -unit[:, 2])
    xyz = met + unit * (np.where(in_slot, beyond, 0.0) + rng.normal(0.0, RANGE_SD_M, n))[:, None]
    cross = POINTING_SD_RAD * length
    xyz[:, 2] += rng.normal(0.0, cross)
    sd = np.full(n, RANGE_SD_M, np.float32)
    return Cloud(xyz, None, view.astype(np.float32), sd, cross.astype(np.float32), np.zeros(3))


def labels_along(cloud, turn_rad):
    """Labels of soles across the middle of the floor, along a direction."""
    joint_m, drop_m = BIPED.joint_m, BIPED.drop_m
    ground, _ = build_ground(cloud, segment_planes(cloud, joint_m=joint_m), joint_m=joint_m, drop_m=drop_m)
    along = np.array([-np.sin(turn_rad), np.cos(turn_rad)])
    placements = np.column_stack([np.linspace(-0.6, 0.6, 25)[:, None] * along, np.full(25, turn_rad)])
    return np.asarray(judge_placements(ground, BIPED, placements).label)


@pytest.mark.parametrize("per_m2", [4000.0, 15000.0])
@pytest.mark.parametrize("away_m", [1.5, 5.0])
@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 30.0, 45.0])
def test_no_sole_over_a_slot_of_45_mm_is_steppable(turn_deg, away_m, per_m2):
    turn = np.deg2rad(turn_deg)
    said = labels_along(floor(1, slot_m=0.045, turn_rad=turn, away_m=away_m, per_m2=per_m2), turn)
    assert not (said == Label.STEPPABLE).any()


@pytest.mark.parametrize("away_m", [1.5, 5.0])
@pytest.mark.parametrize("seed", range(2))
def test_soles_on_the_whole_floor_are_steppable(seed, away_m):
    said = labels_along(floor(seed, slot_m=0.0, turn_rad=0.0, away_m=away_m, per_m2=7000.0), 0.0)
    assert (said == Label.STEPPABLE).mean() >= 0.9


def test_whole_floors_have_no_opening_by_chance():
    """Of 16 floors of 4 m2 no more than one is cut anywhere: where chance decides, one may be."""
    cut = 0
    for seed in range(16):
        cloud = floor(100 + seed, slot_m=0.0, turn_rad=0.0, away_m=1.5, per_m2=7000.0)
        found = segment_planes(cloud, joint_m=BIPED.joint_m)
        large = np.flatnonzero(found.patches.area_m2 > 0.05)
        inside = found.masks.window(int(large[0]))[10:-10, 10:-10]
        cut += len(large) != 1 or bool((inside == CUT).any())
    assert cut <= 1
