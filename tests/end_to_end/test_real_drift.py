"""Real scans from a moving vehicle: corrected surfaces are at least as thin as with the reference poses.

Source of the scans: sample files of the Ouster SDK, with odometry; kept outside the repository.
"""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pytest
from scipy.spatial import cKDTree

from terrain.data import FloatArray
from terrain.fusing import fuse_survey

STREET = Path(__file__).parents[2].parent / "shared" / "data" / "street_3scans" / "survey.toml"


def local_thickness(xyz: FloatArray, time_s: FloatArray) -> float:
    """Median over places of the RMS about the plane through all returns within 25 cm, where two revolutions saw one.

    Independent of the correction's own measure: a KD-tree and singular values.
    """
    scan = ((time_s - time_s.min()) / 0.1).astype(int)
    tree = cKDTree(xyz)
    near = np.linalg.norm(xyz[:, :2] - xyz[:, :2].mean(axis=0), axis=1) < 15.0
    places = np.random.default_rng(1).choice(np.flatnonzero(near), 3000, replace=False)
    found = []
    for rows in tree.query_ball_point(xyz[places], 0.25):
        if len(rows) < 20 or len(np.unique(scan[rows])) < 2:
            continue
        spread = np.linalg.svd(xyz[rows] - xyz[rows].mean(axis=0), compute_uv=False) / np.sqrt(len(rows))
        if spread[2] < 0.2 * spread[1]:
            found.append(spread[2])
    assert len(found) > 300
    return float(np.median(found))


def test_a_street_is_at_least_as_thin_as_with_its_reference_poses(tmp_path: Path) -> None:
    if not STREET.is_file():
        pytest.skip(f"{STREET} is missing: real scans are not part of the repository")
    thickness = {}
    for refine in ("none", "auto"):
        out = tmp_path / f"{refine}.laz"
        done = fuse_survey(STREET, overrides={"poses.refine": refine}, out=out)
        las = laspy.read(out)
        thickness[refine] = local_thickness(las.xyz, np.asarray(las.gps_time))
    assert done.correction.thickness.after_m <= done.correction.thickness.before_m
    assert thickness["auto"] <= thickness["none"] * 1.005
    assert done.correction.largest_m < 0.05
