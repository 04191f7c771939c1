"""Tables of the benchmark: medians, ratios, what is found, and cost as a site grows."""

from __future__ import annotations

from statistics import median
from typing import Any

Rows = list[dict[str, Any]]
Taken = dict[str, "Rows | str"]

BESIDE = {
    "read": ("decode", "copy_laz"),
    "segment": ("repeated_ransac", "planar_patches", "one_plane"),
    "score": ("raster_slope",),
    "all": ("copy_laz",),
    "no_cloud": ("decode",),
}


def ours(rows: Rows) -> list[str]:
    """Return seconds and points a second of each stage of the main job."""
    points = rows[0]["items"]
    seconds = {name: median(row["stages"][name] for row in rows) for name in rows[0]["stages"]}
    seconds["all"] = median(row["seconds"] for row in rows)
    peak = median(row["peak_mb"] for row in rows)
    lines = [f"{points:,} points, {len(rows)} runs; peak memory of the whole process {peak:,.0f} MB"]
    lines.append(f"{'stage':<10}{'s':>8}{'points/s':>13}{'ns a point':>12}")
    return lines + [
        f"{k:<10}{v:8.2f}{points / max(v, 1e-9):13,.0f}{1e9 * v / points:12,.0f}" for k, v in seconds.items()
    ]


def again(first: Rows, taken: Taken) -> list[str]:
    """Return what a second foot takes beside the first, run by run."""
    lines = []
    for name in ("second_foot", "other_joint"):
        rows = taken.get(name, [])
        if isinstance(rows, str):
            lines.append(f"{name:<14} left out: {rows}")
            continue
        if not rows:
            continue
        each = [own["seconds"] / one["seconds"] for own, one in zip(rows, first, strict=False)]
        stages = ", ".join(f"{k} {median(row['stages'][k] for row in rows):.1f}" for k in rows[0]["stages"])
        lines.append(
            f"{name:<14}{median(row['seconds'] for row in rows):8.2f} s, {median(each):.2f} of the first "
            f"({min(each):.2f} to {max(each):.2f}); {stages} s; {rows[0]['what']}"
        )
    return lines


def peers(taken: Taken, names: list[str], shares: dict[str, tuple[int, int, int]]) -> list[str]:
    """Return seconds, rate, memory, and true facets found by each peer."""
    lines = [f"{'peer':<17}{'s':>8}{'items/s':>13}{'peak MB':>9}{'runs':>6}{'facets found':>24}  what"]
    for name in names:
        rows = taken[name]
        if isinstance(rows, str):
            lines.append(f"{name:<17} left out: {rows}")
            continue
        value, peak = median(row["seconds"] for row in rows), median(row["peak_mb"] for row in rows)
        sampled = rows[0].get("sample")
        what = rows[0]["what"] + (f"; ON A SAMPLE of {sampled:,} points" if sampled else "")
        lines.append(
            f"{name:<17}{value:8.2f}{rows[0]['items'] / value:13,.0f}{peak:9,.0f}{len(rows):6d}"
            f"{share(shares.get(name)):>24}  {what}"
        )
    return lines


def share(found: tuple[int, int, int] | None) -> str:
    """Return facets found as words: one by one, and with joints credited."""
    if found is None:
        return "-"
    true, correct, credited = found
    return f"{correct} ({credited}) of {true}, {correct / max(true, 1):.0%}"


def ratios(first: Rows, taken: Taken) -> list[str]:
    """Return seconds of ours over theirs, run by run; for planes, seconds a point."""
    lines = [
        "ratio of seconds, ours over theirs (median, then least and largest over the runs); planes: seconds a point"
    ]
    for stage, names in BESIDE.items():
        own_rows = taken.get(stage, first)
        for name in names:
            rows = taken.get(name, [])
            if isinstance(rows, str) or isinstance(own_rows, str) or not rows:
                continue
            each = []
            for own, other in zip(own_rows, rows, strict=False):
                mine = own["stages"].get(stage, own["seconds"])
                scale = other["items"] / own["items"] if stage == "segment" else 1.0
                each.append(mine * scale / other["seconds"])
            if not each:
                continue
            lines.append(f"{stage + ' / ' + name:<28}{median(each):9.2f}{min(each):9.2f}{max(each):9.2f}")
    return lines


def growth(rows: list[dict[str, Any]]) -> list[str]:
    """Return the cost of a point, in all and by stage, as docks are added or one dock is scanned more densely."""
    stages = list(rows[0]["stages"])
    head = "".join(f"{name:>9}" for name in ["all", *stages])
    lines = [f"ns a point{'':<26}{head}{'peak MB':>9}"]
    for row in rows:
        each = [row["seconds"], *(row["stages"][name] for name in stages)]
        cost = "".join(f"{1e9 * value / row['items']:9,.0f}" for value in each)
        lines.append(f"{row['docks']:2d} dock(s), {row['items']:12,} returns{'':<4}{cost}{row['peak_mb']:9,.0f}")
    return lines
