"""What is odd about poses: gaps and jumps, and how coarse they are."""

from __future__ import annotations

import numpy as np

from terrain.data import FloatArray, Trajectory

JUMP_M, JUMP_RAD = 0.05, np.radians(2.0)
"""Below this a step off the walk around it is no jump, however even the walk is."""
JUMP_TIMES = 10.0
FEW_HZ = 20.0
NAMED = 3


def odd_poses(trajectory: Trajectory, *, max_gap_s: float, where: str) -> list[str]:
    """Return a line for gaps, a line for jumps, and one where poses are few a second.

    Parameters
    ----------
    trajectory : Trajectory
        Poses.
    max_gap_s : float
        Points in a wider gap are dropped.
    where : str
        What the lines call the poses.

    Notes
    -----
    A jump is a step that departs from the mean of the two steps beside it by more than 5 cm or 2 degrees and by more
    than ten times what is usual. Between two poses a distance dt apart in time, an acceleration a bends the path off
    the straight line by a dt^2 / 8.
    """
    time_s = trajectory.time_s
    if len(time_s) < 3:
        return []
    step = np.diff(time_s)
    found = [*_gaps(time_s, step, max_gap_s, where), *_jumps(trajectory, step, max_gap_s, where)]
    rate = 1.0 / float(np.median(step))
    if rate < FEW_HZ and np.median(step) <= max_gap_s:
        bend = 5.0 / rate**2 / 8.0
        found.append(
            f"{where}: {rate:.3g} poses a second are few: an acceleration of 5 m/s2 between two of them puts points "
            f"{1000.0 * bend:.2g} mm off; take 50 or more"
        )
    return found


def _gaps(time_s: FloatArray, step: FloatArray, max_gap_s: float, where: str) -> list[str]:
    wide = np.flatnonzero(step > max_gap_s)
    if len(wide) == 0 or len(wide) == len(step):
        return []
    longest = wide[np.argmax(step[wide])]
    return [
        f"{where}: {len(wide)} gap(s) wider than {max_gap_s:g} s, {step[wide].sum():.2f} s in all; the longest is "
        f"{step[longest]:.2f} s from {time_s[longest]:.3f} on; points in them are dropped"
    ]


def _jumps(trajectory: Trajectory, step: FloatArray, max_gap_s: float, where: str) -> list[str]:
    if len(step) < 5:
        return []
    moved = np.diff(trajectory.position_m, axis=0)
    before, after = trajectory.rotation_xyzw[:-1], trajectory.rotation_xyzw[1:]
    dot = np.clip(np.abs(np.einsum("ij,ij->i", before, after)), 0.0, 1.0)
    angle = 2.0 * np.arccos(dot)
    speed, turning = moved / step[:, np.newaxis], angle / step
    off_m = np.linalg.norm(speed - _beside(speed), axis=1) * step
    off_rad = np.abs(turning - _beside(turning)) * step
    jump = (off_m > np.maximum(JUMP_M, JUMP_TIMES * np.median(off_m))) | (
        off_rad > np.maximum(JUMP_RAD, JUMP_TIMES * np.median(off_rad))
    )
    jump &= step <= max_gap_s
    # A jump shows in the steps beside it at half its size: only the largest of neighbours is one.
    size = off_m / JUMP_M + off_rad / JUMP_RAD
    padded = np.concatenate(([0.0], size, [0.0]))
    rows = np.flatnonzero(jump & (size >= padded[:-2]) & (size >= padded[2:]))
    if len(rows) == 0:
        return []
    shown = "; ".join(
        f"{np.linalg.norm(moved[k]) * 100.0:.1f} cm and {np.degrees(angle[k]):.1f} degrees in "
        f"{step[k] * 1000.0:.0f} ms at {trajectory.time_s[k + 1]:.3f}"
        for k in rows[:NAMED]
    )
    more = f" and {len(rows) - NAMED} more" if len(rows) > NAMED else ""
    return [
        f"{where}: the poses jump {len(rows)} time(s): {shown}{more}; surfaces seen before and after will not fit "
        "(a loop closure or a restart of the estimator: use poses from one run without, or cut the survey there)"
    ]


def _beside(rate: FloatArray) -> FloatArray:
    """Return the mean of the rates of the steps before and after each step."""
    padded = np.concatenate((rate[1:2], rate, rate[-2:-1]))
    mean: FloatArray = 0.5 * (padded[:-2] + padded[2:])
    return mean
