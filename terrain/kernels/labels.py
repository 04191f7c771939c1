"""From quantities and their standard deviations to the label and the reasons."""

from __future__ import annotations

import numpy as np

from terrain.kernels.options import inner, part
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
def give_label(status, q, foot):  # type: ignore[no-untyped-def]
    """Return the label: the worst of all quantities.

    Where less was observed than the limit allows it is `unobserved`, unless what was seen is past its limit by more
    than z sd: then, and where the plane is unbounded over ground that was seen, `unsteppable`.
    """
    if status == NO_GROUND:
        return UNOBSERVED
    if status == UNBOUNDED:
        return UNSTEPPABLE if q[OBSERVED] > 0.0 else UNOBSERVED
    if not q[OBSERVED] >= foot.limits[6, 1] - 1e-9 and not surely_out(q, foot):
        return UNOBSERVED
    worst = 2 if q[HEADROOM] < np.inf else 0
    for k in range(7):
        worst = max(worst, how_bad(k, q, foot))
    return STEPPABLE + worst


@inner
def how_bad(k, q, foot):  # type: ignore[no-untyped-def]
    """Return 2 where the quantity of reason k is past its limit or NaN, 1 where it is not comfortable, else 0."""
    at, sign = OBSERVED if k == 6 else 2 * k, 1.0 if k < 2 else -1.0
    value = sign * q[at]
    if not value <= sign * foot.limits[k, 1] + 1e-9:
        return 2
    return 0 if value + foot.z * q[at + 1] <= sign * foot.limits[k, 0] + 1e-9 else 1


@part
def list_reasons(status, label, q, foot, exceeds, reason):  # type: ignore[no-untyped-def]
    """Fill in reason (10,): numbers of the reasons for a label, worst first, then -1."""
    reason[:] = -1
    exceeds[:] = -1.0
    for k in range(7):
        if status != RESTING and k < 6 and not (k == 3 and status == UNBOUNDED):
            continue
        bad = how_bad(k, q, foot)
        if bad == 0:
            continue
        at, sign = OBSERVED if k == 6 else 2 * k, 1.0 if k < 2 else -1.0
        comfort, limit = foot.limits[k, 0], foot.limits[k, 1]
        over = q[at] - limit if bad == 2 else q[at] + sign * foot.z * q[at + 1] - comfort
        over = sign * over / max(abs(limit - comfort), 1e-9)
        exceeds[REASON_UNOBSERVED if k == 6 else k] = (1e12 if bad == 2 else 0.0) + (
            min(over, 1e9) if over >= 0.0 else 1e9
        )
    if status == RESTING and q[HEADROOM] < np.inf:
        exceeds[REASON_HEADROOM] = 1e12 + (foot.clear - q[HEADROOM]) / foot.clear
    if status == NO_GROUND:
        exceeds[REASON_NO_GROUND] = 4e12
    elif label == UNOBSERVED and status != UNBOUNDED:
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


@part
def tell(status, q, foot, exceeds, reason):  # type: ignore[no-untyped-def]
    """Return the label and list its reasons."""
    label = give_label(status, q, foot)
    list_reasons(status, label, q, foot, exceeds, reason)
    return label


@inner
def surely_out(q, foot):  # type: ignore[no-untyped-def]
    """Return whether ground or things that were seen put a quantity past its limit by more than z sd."""
    z, limits = foot.z, foot.limits
    out = q[SLOPE] - z * q[SLOPE_SD] > limits[0, 1] or q[ROUGHNESS] - z * q[ROUGHNESS_SD] > limits[1, 1]
    out = out or q[SUPPORT_BEST] + z * q[SUPPORT_SD] < limits[2, 1]
    out = out or q[EDGE_SEEN] + z * q[EDGE_SD] < limits[4, 1]
    return out or q[BESIDE] + z * q[BESIDE_SD] < limits[5, 1] or q[HEADROOM] < np.inf
