"""From quantities and their standard deviations to the label and the reasons."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import inner
from terrain.kernels.verdict import (
    BESIDE,
    BESIDE_SD,
    EDGE_SD,
    EDGE_SEEN,
    HEADROOM,
    NO_GROUND,
    OBSERVED,
    REASON_HEADROOM,
    REASON_NO_GROUND,
    REASON_UNOBSERVED,
    RESTING,
    ROUGHNESS,
    ROUGHNESS_SD,
    SLOPE,
    SLOPE_SD,
    STEPPABLE,
    SUPPORT_BEST,
    SUPPORT_SD,
    UNBOUNDED,
    UNOBSERVED,
    UNSTEPPABLE,
)


@inner
def give_label(status, q, foot, exceeds, reason):  # type: ignore[no-untyped-def]
    """Return the label and fill in reason (10,): numbers of the reasons, worst first, then -1.

    Worst label of all quantities. Where less was observed than the limit allows the label is `unobserved`, unless
    what was seen is past its limit by more than z sd: then, and where the plane is unbounded over ground that was
    seen, `unsteppable`. NaN is past every limit.
    """
    reason[:] = -1
    exceeds[:] = -1.0
    worst = 0
    for k in range(7):
        at = OBSERVED if k == 6 else 2 * k
        name = REASON_UNOBSERVED if k == 6 else k
        if status != RESTING and k < 6 and not (k == 3 and status == UNBOUNDED):
            continue
        comfort, limit = foot.limits[k, 0], foot.limits[k, 1]
        sign = 1.0 if k < 2 else -1.0
        value = sign * q[at]
        span = max(abs(limit - comfort), 1e-9)
        if not value <= sign * limit + 1e-9:
            worst = 2
            over = (value - sign * limit) / span
            exceeds[name] = 1e12 + (min(over, 1e9) if over >= 0.0 else 1e9)
        elif not value + foot.z * q[at + 1] <= sign * comfort + 1e-9:
            worst = max(worst, 1)
            over = (value + foot.z * q[at + 1] - sign * comfort) / span
            exceeds[name] = min(over, 1e9) if over >= 0.0 else 1e9
    if status == RESTING and q[HEADROOM] < np.inf:
        worst = 2
        exceeds[REASON_HEADROOM] = 1e12 + (foot.clear - q[HEADROOM]) / foot.clear
    label = STEPPABLE + worst
    if status == NO_GROUND:
        label = UNOBSERVED
        exceeds[REASON_NO_GROUND] = 4e12
    elif status == UNBOUNDED:
        label = UNSTEPPABLE if q[OBSERVED] > 0.0 else UNOBSERVED
    elif not q[OBSERVED] >= foot.limits[6, 1] - 1e-9 and not surely_out(q, foot):
        label = UNOBSERVED
        exceeds[REASON_UNOBSERVED] = 4e12
    for place in range(10):
        pick = -1
        for k in range(10):
            if exceeds[k] >= 0.0 and (pick < 0 or exceeds[k] > exceeds[pick]):
                pick = k
        if pick < 0:
            break
        reason[place] = pick
        exceeds[pick] = -1.0
    return label


@inner
def surely_out(q, foot):  # type: ignore[no-untyped-def]
    """Return whether ground or things that were seen put a quantity past its limit by more than z sd."""
    z, limits = foot.z, foot.limits
    out = q[SLOPE] - z * q[SLOPE_SD] > limits[0, 1] or q[ROUGHNESS] - z * q[ROUGHNESS_SD] > limits[1, 1]
    out = out or q[SUPPORT_BEST] + z * q[SUPPORT_SD] < limits[2, 1]
    out = out or q[EDGE_SEEN] + z * q[EDGE_SD] < limits[4, 1]
    return out or q[BESIDE] + z * q[BESIDE_SD] < limits[5, 1] or q[HEADROOM] < np.inf
