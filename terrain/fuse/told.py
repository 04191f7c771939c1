"""What a correction did, in words and as values for a record."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from terrain.data import SensorModel
from terrain.fuse.drift import Correction, Unseen

UNTOUCHED = "poses were used as they are: nothing was corrected"


def refine_record(asked: str, found: Correction | None) -> dict[str, Any]:
    """Return the record of a map: JSON values, millimetres and degrees; found is None where nothing was tried."""
    if found is None:
        return {"requested": asked, "corrected": False, "note": UNTOUCHED}
    record: dict[str, Any] = {
        "requested": asked,
        "corrected": found.applied,
        "note": "; ".join(notes_of(found)),
        "clock": {
            "seen": found.clock.told,
            "add_to_time_offset_s": round(found.clock.offset_s, 6) if found.clock.told else None,
            "sd_s": round(found.clock.sd_s, 6) if found.clock.told else None,
            "contradicts_stated": found.clock.contradicts,
            "applied_s": round(found.clock_s, 6),
        },
        "unconstrained": [
            {
                "what": "heading" if unseen.axis is None else "position",
                "axis": None if unseen.axis is None else [round(part, 3) for part in unseen.axis],
                "share_of_time": round(unseen.share, 3),
            }
            for unseen in found.unseen
        ],
    }
    if found.thickness is not None and found.thickness.cells:
        record["thickness_before_mm"] = round(found.thickness.before_m * 1e3, 3)
        record["thickness_after_mm"] = round(found.thickness.after_m * 1e3, 3)
        record["surfaces_compared"] = found.thickness.cells
    if found.applied and found.sd_m is not None:
        record |= {
            "largest_shift_mm": round(found.largest_m * 1e3, 3),
            "largest_turn_deg": round(math.degrees(found.largest_rad), 4),
            "end_sd_mm": [round(float(sd) * 1e3, 3) for sd in found.sd_m],
            "end_sd_heading_deg": round(math.degrees(found.sd_rad), 4),
            "poses_smoothed_s": found.smoothing_s,
            "frame": "start" if found.drifting else "mean",
            "points_lost": found.lost,
        }
    return record


def notes_of(found: Correction) -> tuple[str, ...]:
    """Return what there is to say of a correction, a line each."""
    notes = [_main_note(found)]
    notes += [_unseen_note(unseen) for unseen in found.unseen]
    if found.lost:
        notes.append(f"{found.lost} points lie outside the poses by the corrected clock and were dropped")
    return tuple(notes)


def _main_note(found: Correction) -> str:
    thin = ""
    if found.thickness is not None and found.thickness.cells:
        before, after = found.thickness.before_m * 1e3, found.thickness.after_m * 1e3
        thin = f"surfaces {before:.1f} -> {after:.1f} mm thick on points kept out of it"
    if not found.applied:
        return f"drift: nothing was corrected: {found.why}" + (f" ({thin})" if thin else "")
    what = f"poses moved by up to {found.largest_m * 1e3:.1f} mm and {math.degrees(found.largest_rad):.2f} degrees"
    if found.smoothing_s:
        what += f", smoothed over {found.smoothing_s:g} s to either side"
    if found.clock_s:
        what += f", clock moved by {found.clock_s * 1e3:.2f} ms"
    frame = "where the walk starts" if found.drifting else "where poses move least on the whole"
    return f"drift: {what}; {thin}; the frame is kept {frame}"


def _unseen_note(unseen: Unseen) -> str:
    share = f"for {unseen.share:.0%} of the time: left to the poses"
    if unseen.axis is None:
        return f"drift: no surface held the heading {share}"
    x, y, z = (round(part, 2) + 0.0 for part in unseen.axis)
    return f"drift: no surface held the position along ({x:g}, {y:g}, {z:g}) {share}"


def clock_warning(found: Correction, stated_s: tuple[float, ...]) -> str | None:
    """Return what to say where the surfaces contradict the stated clock offset of one or more sensors."""
    if not found.clock.contradicts:
        return None
    off, sd = found.clock.offset_s * 1e3, found.clock.sd_s * 1e3
    done = "and was corrected here" if found.applied and found.clock_s else "and was not corrected"
    return (
        f"the clock: surfaces are sharpest with {off:+.2f} ms (sd {sd:.2f}) added to the stated time offset, "
        f"{done}; {paste_line(found, stated_s)}"
    )


def paste_line(found: Correction, stated_s: tuple[float, ...]) -> str:
    """Return the line of the survey file that states the offset found."""
    if len(stated_s) == 1:
        return f"put into the survey file, under [sensor]: {offset_line(stated_s[0] + found.clock.offset_s)}"
    return f"add {found.clock.offset_s:+.5f} to the time_offset_s of every sensor of the survey file"


def offset_line(offset_s: float) -> str:
    """Return the survey key with its value, to a hundredth of a millisecond."""
    return f"time_offset_s = {round(offset_s, 5) + 0.0:.5f}".rstrip("0").rstrip(".")


def clock_lines(found: Correction | None, stated_s: tuple[float, ...]) -> tuple[str, ...]:
    """Return the clock offset found, with its sd and the line to paste; or why there is none."""
    if found is None:
        return ("clock: cannot be told: the points are in the map frame, placed already",)
    off, sd = found.clock.offset_s * 1e3, found.clock.sd_s * 1e3
    if not found.clock.told:
        why = found.why if math.isinf(sd) else f"an estimate would have an sd of {sd:.1f} ms"
        return (
            f"clock: cannot be told ({why}): the motion was too gentle, or too little was seen",
            "walk one turn, or five seconds of normal gait, in sight of a floor and a wall",
        )
    first = f"clock: {off:+.2f} ms (sd {sd:.2f} ms) against the stated offset"
    if found.clock.contradicts:
        return first, paste_line(found, stated_s)
    return first, "the stated offset stands: nothing to change"


def mount_lines(found: Correction | None, sensors: list[SensorModel]) -> tuple[str, ...]:
    """Return how the mount should move and, where there is one sensor, the line to paste; or why there is none."""
    if found is None or found.mount is None or found.mount_sd is None:
        return ("mount: cannot be told: nothing could be corrected",)
    turn, shift = np.degrees(found.mount[:3]), found.mount[3:] * 1e3
    turn_sd, shift_sd = np.degrees(found.mount_sd[:3]), found.mount_sd[3:] * 1e3
    turned = ", ".join(f"{axis} {a:+.3f} (sd {s:.3f})" for axis, a, s in zip("xyz", turn, turn_sd, strict=True))
    shifted = ", ".join(f"{axis} {a:+.1f} (sd {s:.1f})" for axis, a, s in zip("xyz", shift, shift_sd, strict=True))
    lines = (
        f"mount: turn by {turned} degrees about the body's axes",
        f"mount: shift by {shifted} mm; what shifts every surface alike, such as the height over one floor, "
        "cannot be seen",
    )
    if np.all(np.abs(found.mount) <= 3.0 * found.mount_sd):
        return (*lines, "no part of it is beyond 3 sd: the stated mount stands, nothing to change")
    if len(sensors) != 1:
        return lines
    return (*lines, f"put into the survey file, under [sensor]: {mount_line(found, sensors[0])}")


def mount_line(found: Correction, sensor: SensorModel) -> str:
    """Return the survey key with the mount moved as found."""
    from scipy.spatial.transform import Rotation

    moved = np.zeros(6) if found.mount is None else found.mount
    turn = Rotation.from_rotvec(moved[:3])
    place = turn.apply(sensor.mount_translation_m.copy()) + moved[3:]
    rotation = (turn * Rotation.from_quat(sensor.mount_rotation_xyzw.copy())).as_quat(canonical=True)
    shift = ", ".join(f"{value:.4f}" for value in place + 0.0)
    turned = ", ".join(f"{value:.7f}" for value in rotation + 0.0)
    return f"mount = {{ translation_m = [{shift}], rotation_xyzw = [{turned}] }}"
