"""Moving things, mixed and stray returns, the robot itself."""

from __future__ import annotations

import dataclasses

import numba
import numpy as np
import pytest

from terrain.data import Cloud, Scan, SensorModel
from terrain.fuse.clean import CleanSettings, OwnBody, clean, reasons_to_drop, without_own_body
from tests.support.walks import Thing, past, scanned, with_points

POST = Thing((0.60, 0.30, 0.0, 0.63, 0.33, 0.9))
RIM = Thing((-1.5, 0.5, 0.0, -0.2, 0.53, 0.25))
BLOCK = Thing((1.2, 0.2, 0.0, 1.8, 0.8, 0.3))
WALKER = Thing((-0.15, -0.2, 0.05, 0.15, 0.2, 1.7), past([-2.8, 1.05, 0.0], [4.2, 1.05, 0.0], 10.0))
"""Walks by at 0.7 m/s in the first ten seconds of twenty, 2.5 m from the sensor's way."""


WALLS = [Thing((-6.0, 3.0, 0.0, 6.0, 3.2, 3.0)), Thing((-6.2, -5.0, 0.0, -6.0, 3.0, 3.0))]
"""Beams above what stands must end somewhere, or nothing tells that they went through."""


@pytest.fixture(scope="module")
def crossing() -> tuple[Cloud, np.ndarray, np.ndarray]:
    cloud, hit = scanned([POST, RIM, BLOCK, WALKER, *WALLS])
    return cloud, hit, reasons_to_drop(cloud, CleanSettings())


def test_what_crossed_the_scene_is_gone(crossing) -> None:
    _, hit, reason = crossing
    assert (hit == 4).sum() > 1000
    assert (reason[hit == 4] > 0).mean() > 0.8


@pytest.mark.parametrize(("thing", "name"), [(0, "floor"), (1, "post"), (2, "rim"), (3, "block"), (5, "wall")])
def test_what_stands_stays(crossing, thing: int, name: str) -> None:
    _, hit, reason = crossing
    assert (hit == thing).sum() > 100
    assert (reason[hit == thing] > 0).mean() < (0.001 if thing == 0 else 0.03), name


def test_a_thing_that_stands_still_through_the_whole_pass_stays() -> None:
    still = Thing(WALKER.box, lambda time: np.tile([0.0, 1.05, 0.0], (len(time), 1)))
    cloud, hit = scanned([still])
    reason = reasons_to_drop(cloud, CleanSettings())
    assert (hit == 1).sum() > 1000
    assert (reason[hit == 1] > 0).mean() < 0.02


def test_counts_add_up_and_the_points_that_stay_are_untouched(crossing) -> None:
    cloud, _, reason = crossing
    kept, report = clean(cloud)
    assert len(kept) + sum(report.dropped.values()) == len(cloud)
    assert np.array_equal(kept.xyz_map_m, cloud.xyz_map_m[reason == 0])
    assert np.array_equal(kept.time_s, cloud.time_s[reason == 0])
    assert np.array_equal(kept.origin_m, cloud.origin_m)
    assert not report.warnings


def test_the_number_of_threads_changes_nothing(crossing) -> None:
    cloud, _, reason = crossing
    before = numba.get_num_threads()
    try:
        for threads in {1, min(2, numba.config.NUMBA_NUM_THREADS)}:
            numba.set_num_threads(threads)
            assert np.array_equal(reasons_to_drop(cloud, CleanSettings()), reason)
    finally:
        numba.set_num_threads(before)


def test_far_from_the_origin_it_is_the_same(crossing) -> None:
    cloud, _, reason = crossing
    shift = np.array([500_000.0, 4_000_000.0, 160.0])
    moved = dataclasses.replace(cloud, xyz_map_m=cloud.xyz_map_m + shift, origin_m=shift)
    assert (reasons_to_drop(moved, CleanSettings()) != reason).mean() < 1e-3


def test_points_of_sun_and_dust_are_isolated() -> None:
    cloud, _ = scanned([BLOCK])
    rng = np.random.default_rng(3)
    stray = rng.uniform([-3.0, -3.0, 0.9], [3.0, 3.0, 2.5], (60, 3))
    view = np.tile([0.0, -1.5, 0.8], (60, 1))
    reason = reasons_to_drop(with_points(cloud, stray, view, rng.uniform(0.0, 20.0, 60)), CleanSettings())
    assert (reason[-60:] == 3).mean() > 0.9
    assert (reason[:-60] == 0).mean() > 0.998


def test_a_return_between_an_edge_and_what_is_behind_is_mixed() -> None:
    """A beam that straddles an edge returns a range between the two surfaces (Boehler et al., CIPA 2003)."""
    wall = Thing((-3.0, 1.2, 0.0, 3.0, 1.4, 2.0))
    front = Thing((-0.5, 0.0, 0.0, 0.5, 0.1, 0.4))
    cloud, _ = scanned([wall, front])
    view = np.array([0.0, -1.5, 0.8])
    edge = np.column_stack([np.linspace(-0.45, 0.45, 12), np.full(12, 0.0), np.full(12, 0.4)])
    ray = (edge - view) / np.linalg.norm(edge - view, axis=1)[:, None]
    behind = (1.2 - view[1]) / ray[:, 1]
    share = np.linspace(0.35, 0.7, 12)
    reach = np.linalg.norm(edge - view, axis=1)
    mixed = view + (reach + share * (behind - reach))[:, None] * ray
    reason = reasons_to_drop(with_points(cloud, mixed, np.tile(view, (12, 1)), np.linspace(0, 20, 12)), CleanSettings())
    assert (reason[-12:] == 2).sum() >= 10
    assert (reason[-12:] > 0).all()


@pytest.mark.parametrize("missing", ["time_s", "view_map_m"])
def test_without_times_or_viewpoints_nothing_is_dropped_and_a_note_says_so(crossing, missing: str) -> None:
    bare = dataclasses.replace(crossing[0], **{missing: None})
    kept, report = clean(bare)
    assert kept is bare
    assert report.dropped == {"moving": 0, "mixed": 0, "isolated": 0}
    assert {"time_s": "times", "view_map_m": "viewpoints"}[missing] in report.notes[0]


def test_a_way_too_long_for_one_pass_is_left_as_it_is_with_a_warning(crossing) -> None:
    kept, report = clean(crossing[0], settings=CleanSettings(most_cells=1000))
    assert kept is crossing[0]
    assert "assess it in parts" in report.warnings[0]


def test_on_a_large_site_only_what_is_near_the_way_is_looked_at(crossing) -> None:
    """Half as many blocks as all of it takes: what crossed close by still goes."""
    cloud, hit, _ = crossing
    cells = np.prod((np.ptp(cloud.xyz_map_m, axis=0) / 0.16).astype(int) + 2)
    kept, report = clean(cloud, settings=CleanSettings(most_cells=int(0.7 * cells), reach_m=5.0))
    assert report.dropped["moving"] > 0.2 * (hit == 4).sum()
    assert len(kept) + sum(report.dropped.values()) == len(cloud)


def test_surfaces_seen_through_are_warned_of() -> None:
    """Poses that sink by 15 cm after a fifth of the pass put the first floor into the air."""
    cloud, _ = scanned([], way=lambda time: np.tile([0.0, 0.0, 0.8], (len(time), 1)))
    assert cloud.time_s is not None and cloud.view_map_m is not None
    late = cloud.time_s > 3.4
    xyz, view = cloud.xyz_map_m.copy(), cloud.view_map_m.copy()
    xyz[late, 2] -= 0.15
    view[late, 2] -= 0.15
    _, report = clean(dataclasses.replace(cloud, xyz_map_m=xyz, view_map_m=view))
    assert report.dropped["moving"] > 0.09 * len(cloud)
    assert "the poses disagree" in report.warnings[0]


def test_the_robots_own_box_turns_with_the_mount() -> None:
    quarter = np.array([0.0, 0.0, np.sqrt(0.5), np.sqrt(0.5)])
    sensor = SensorModel(np.array([0.2, 0.0, 0.3]), quarter)
    # Sensor x is body y: 0.3 ahead of the sensor is (0.2, 0.3, 0.3) on the body, which the box holds.
    xyz = np.array([[0.3, 0.0, 0.0], [0.0, 0.3, 0.0], [0.6, 0.0, 0.0], [np.nan, 0.0, 0.0]])
    own = OwnBody(np.array([0.1, -0.5, 0.0]), np.array([0.4, 0.5, 0.5]))
    scans = list(without_own_body([Scan("legs", xyz, np.arange(4.0))], sensor, own))
    assert own.dropped == 1
    assert scans[0].time_s.tolist() == [1.0, 2.0, 3.0]
    empty = list(without_own_body([Scan("legs", xyz[1:], np.arange(3.0))], sensor, own))
    assert own.dropped == 1
    assert len(empty[0].xyz_m) == 3
