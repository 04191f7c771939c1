"""How often a map of the invented dock is wrong: false steppables, missed steppables, facets, slopes.

    python tests/end_to_end/figures.py MAP_DIR TRUTH.json [--placements 2200] [--seed 0]

Matching of facets: Hoover et al., PAMI 18(7), 1996, at 80 %, on points. Counted are the facets that a sole fits on,
where they were seen; once as Hoover does ("correct"), and once with joints credited ("credited"): facets side by side
across a joint narrower than `joint_mm` may be one patch, since only a wider gap separates two. The guards and the
limits of a joint are the project's own choice.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from clouds_demo.overlap import contingency, joined, overlap
from clouds_demo.placements import Judged, clearly_past, judged_placements, well_observed
from clouds_demo.shapes import Facet
from clouds_demo.truth import QUANTITIES, Truth, biped

LABELS = ("unobserved", "steppable", "marginal", "unsteppable")
GROUPS = {
    "block_top": "blocks",
    "tread": "treads",
    "ramp": "ramps",
    "deck": "deck",
    "altar_tread": "altar",
    "floor": "floor",
}
SHARE = 0.8
SEEN_CELL_M, SEEN_WITHIN_M = 0.02, 0.04
SPURIOUS_M2 = 0.01
JOINT_M, NEIGHBOUR_M = 0.025, 0.06
JOINT_TURN_DEG, JOINT_STEP_M = 3.0, 0.008


def figures(
    map_dir: Path | str,
    truth_file: Path | str,
    *,
    placements: int = 2200,
    seed: int = 0,
    opened: Any = None,
    cache: Path | None = None,
) -> dict[str, Any]:
    """Return all figures about one map.

    Parameters
    ----------
    opened : object, optional
        What `terrain.open_map` would return: `judge(placements)` with `.label`, `.observed` and `.reasons(row)`.
    cache : Path, optional
        Where the truth about the placements is kept between runs.
    """
    truth = Truth.read(truth_file)
    if opened is None:
        import terrain

        opened = terrain.open_map(Path(map_dir))
    judged = judged_placements(Path(truth_file), truth, number=placements, seed=seed, cache=cache)
    xyz, patch = read_cloud(Path(map_dir))
    out: dict[str, Any] = {"placements": placement_figures(opened, truth, judged, xyz)}
    if xyz is not None and patch is not None:
        out["facets"] = facet_figures(truth, xyz, patch, read_patches(Path(map_dir)))
    return out


# --------------------------------------------------------------------------- placements


def placement_figures(opened: Any, truth: Truth, judged: Judged, xyz: Any) -> dict[str, Any]:
    """Return label counts, the false steppables, and what became of the clearly steppable placements."""
    drawn = judged.drawn
    said = opened.judge(drawn.placement)
    label = np.asarray(said.label)
    observed = (
        well_observed(truth, drawn.placement, xyz)
        if xyz is not None
        else np.asarray(said.observed, dtype=float) >= 0.97
    )
    confusion = np.zeros((4, 4), dtype=int)
    np.add.at(confusion, (judged.measured.label, label), 1)
    doubtful = np.flatnonzero((label == 1) & (judged.measured.label == 3))
    false = doubtful[clearly_past(truth, drawn.placement[doubtful])] if len(doubtful) else doubtful
    return {
        "drawn": len(label),
        "confusion": confusion.tolist(),
        "steppable_though_past_without_guard": len(doubtful),
        "false_steppables": [_false_one(truth, judged, said, int(row)) for row in false],
        "clear": _share_lost(judged, said, label, judged.steppable & observed),
        "fair": _share_lost(judged, said, label, judged.fair & observed),
        "clear_not_observed": int((judged.steppable & ~observed).sum()),
        "clear_by_joint": int((judged.by_joint & observed).sum()),
        "clear_by_joint_kept": int((judged.by_joint & observed & (label == 1)).sum()),
    }


def _false_one(truth: Truth, judged: Judged, said: Any, row: int) -> dict[str, Any]:
    found, place = judged.measured, judged.drawn.placement[row]
    x, y, yaw, _ = place
    corners = biped().outline_m
    c, s = np.cos(yaw), np.sin(yaw)
    spots = [(x, y), *((x + c * u - s * v, y + s * u + c * v) for u, v in corners)]
    names = {truth.facets[i].name for spot in spots for _, i in truth.surfaces_at(*spot)}
    values = {
        "slope_deg": np.rad2deg(found.slope_rad[row]),
        "support": found.support[row],
        "rocking_m": found.rocking_m[row],
        "edge_m": found.edge_m[row],
        "clear_m": found.clear_m[row],
        "headroom_m": found.headroom_m[row],
        "roughness_m": found.roughness_m[row],
    }
    told = {}
    for name in ("slope_rad", "support", "rocking_m", "edge_m", "beside_m", "observed", "headroom_m", "z_m"):
        if hasattr(said, name):
            told[name] = float(np.round(getattr(said, name)[row], 4))
    return {
        "at": [round(float(v), 4) for v in place],
        "kind": str(judged.drawn.kind[row]),
        "past": [QUANTITIES[k] for k in np.flatnonzero(found.past[row])],
        "facets": sorted(names),
        "true": {key: float(np.round(value, 4)) for key, value in values.items()},
        "map": told,
    }


def _share_lost(judged: Judged, said: Any, label: Any, chosen: Any) -> dict[str, Any]:
    """Return how many of the chosen placements were not called steppable, and why."""
    rows = np.flatnonzero(chosen)
    missed = rows[(label[rows] == 0) | (label[rows] == 3)]
    marginal = rows[label[rows] == 2]

    def reasons(which: Any) -> dict[str, int]:
        words = [(said.reasons(int(row)) or ("none",))[0] for row in which]
        return dict(Counter(words).most_common())

    kinds = {}
    for kind in sorted(set(judged.drawn.kind[rows].tolist())):
        here = judged.drawn.kind == kind
        kinds[kind] = [int(here[rows].sum()), int(here[missed].sum()), int(here[marginal].sum())]
    n = max(len(rows), 1)
    return {
        "n": len(rows),
        "missed": len(missed),
        "marginal": len(marginal),
        "missed_share": len(missed) / n,
        "marginal_share": len(marginal) / n,
        "missed_reasons": reasons(missed),
        "marginal_reasons": reasons(marginal),
        "by_kind": kinds,
    }


# --------------------------------------------------------------------------- facets


def read_cloud(map_dir: Path) -> tuple[Any, Any]:
    """Return points (n, 3) and patch ids (n,) of the fused cloud, or None where the map has none."""
    path = map_dir / "cloud.laz"
    if not path.is_file():
        return None, None
    import laspy

    las = laspy.read(path)
    return np.asarray(las.xyz), np.asarray(las["patch_id"]).astype(np.int64)


def read_patches(map_dir: Path) -> dict[int, dict[str, Any]]:
    """Return slope, unit normal and area of each patch by its id."""
    import pyogrio

    path = map_dir / "patches.gpkg"
    names = ["patch_id", "slope_deg", "normal_x", "normal_y", "normal_z", "area_m2"]
    info, _, _, columns = pyogrio.raw.read(path, layer="patches", columns=names, read_geometry=False)
    table = dict(zip(info["fields"].tolist(), columns, strict=True))
    normal = np.column_stack([table[f"normal_{axis}"] for axis in "xyz"]).astype(float)
    return {
        int(number): {"slope_deg": float(table["slope_deg"][k]), "normal": normal[k], "area_m2": table["area_m2"][k]}
        for k, number in enumerate(table["patch_id"])
    }


def facet_figures(truth: Truth, xyz: Any, patch: Any, patches: dict[int, dict[str, Any]]) -> dict[str, Any]:
    """Return Hoover's counts at 80 %, the same with joints credited, merged neighbours, spurious patches, slopes."""
    facet = truth.classify(xyz)
    match = overlap(facet, patch, share=SHARE)
    wanted = room_for_a_sole(truth, xyz, facet)
    correct = {f: p for f, p in match.correct if f in wanted}
    credited = {*correct, *(f for f in joined(facet, patch, jointed(truth), share=SHARE) if f in wanted)}
    under = {f for members in match.under.values() for f in members} & wanted
    counts = {}
    for group in ("all", *dict.fromkeys(GROUPS.values()), "other"):
        ids = {f for f in wanted if group == "all" or GROUPS.get(truth.facets[f].kind, "other") == group}
        counts[group] = {
            "true": len(ids),
            "correct": len(ids & set(correct)),
            "credited": len(ids & credited),
            "over": len(ids & set(match.over)),
            "under": len(ids & under),
            "missed": len(ids & set(match.missed)),
        }
    spurious = _spurious(truth, facet, patch, patches)
    slope, angle = _slope_errors(truth, correct, patches)
    wrong = sorted(wanted - set(correct))
    return {
        "counts": counts,
        "patches": len(patches),
        "spurious": len(spurious),
        "spurious_on": dict(Counter(name for _, name in spurious).most_common(8)),
        "merged": _merged(truth, facet, patch),
        "slope_error_deg": _quantiles(slope),
        "normal_error_deg": _quantiles(angle),
        "not_correct": {
            truth.facets[f].name: _why(f, facet, patch, match) + (", credited" if f in credited else "") for f in wrong
        },
    }


def room_for_a_sole(truth: Truth, xyz: Any, facet: Any) -> set[int]:
    """Return the planar upward facets on whose seen part a sole has room.

    Its width must fit as a circle, and its area. Seen is what lies within 40 mm of a return of the facet.
    """
    order = np.argsort(facet, kind="stable")
    starts = np.searchsorted(facet[order], np.arange(len(truth.facets) + 1))
    tops = [f for f in truth.scene.facets if f.normal[2] > 0.5]
    return {f.id for f in tops if _has_room(f, xyz[order[starts[f.id] : starts[f.id + 1]], :2])}


def _has_room(facet: Facet, xy: Any) -> bool:
    """Return whether the sole's width and area fit on the part of a facet that the returns xy (n, 2) show."""
    sole = biped().outline_m
    half_m, sole_m2 = float(np.ptp(sole[:, 1])) / 2, shapely.Polygon(sole).area
    whole = shapely.Polygon(facet.exterior[:, :2], [hole[:, :2] for hole in facet.holes])
    inner = whole.buffer(-half_m)
    if whole.area < sole_m2 or inner.is_empty or len(xy) == 0:
        return False
    x0, y0, x1, y1 = whole.bounds
    half = SEEN_CELL_M / 2
    x, y = np.meshgrid(np.arange(x0 + half, x1 + half, SEEN_CELL_M), np.arange(y0 + half, y1 + half, SEEN_CELL_M))
    cells = np.column_stack([x.ravel(), y.ravel()])
    cells = cells[shapely.contains_xy(whole, cells)]
    seen = cKDTree(xy).query(cells, distance_upper_bound=SEEN_WITHIN_M)[0] <= SEEN_WITHIN_M
    if seen.sum() * SEEN_CELL_M**2 < sole_m2:
        return False
    if seen.all():
        return True
    border = shapely.get_coordinates(shapely.segmentize(inner, SEEN_CELL_M))
    middles = np.vstack([border, cells[shapely.contains_xy(inner, cells)]])
    return bool((cKDTree(cells[~seen]).query(middles)[0] >= half_m).any())


def jointed(truth: Truth) -> list[tuple[int, int]]:
    """Return the pairs of upward facets that only a joint separates: narrow, no step, planes that agree."""
    tops = [f for f in truth.scene.facets if f.normal[2] > 0.5]
    shape = [shapely.Polygon(f.exterior[:, :2], [hole[:, :2] for hole in f.holes]) for f in tops]
    near = shapely.STRtree(shape).query(shape, predicate="dwithin", distance=JOINT_M).T
    out = []
    for i, j in near[near[:, 0] < near[:, 1]].tolist():
        gap = float(shapely.distance(shape[i], shape[j]))
        if gap >= JOINT_M or _between_deg(tops[i].normal, tops[j].normal) > JOINT_TURN_DEG:
            continue
        along = shapely.intersection(shape[i].buffer(gap + 0.002), shape[j].buffer(gap + 0.002))
        x, y = shapely.get_coordinates(along).T
        planes = np.array([tops[i].plane, tops[j].plane])
        height = planes[:, :1] * x + planes[:, 1:2] * y + planes[:, 2:]
        if np.abs(height[0] - height[1]).max() <= JOINT_STEP_M:
            out.append((tops[i].id, tops[j].id))
    return out


def _spurious(truth: Truth, facet: Any, patch: Any, patches: dict[int, dict[str, Any]]) -> list[tuple[int, str]]:
    """Return upward patches over 0.01 m2 that lie on no true facet: under half of one, or 15 degrees off it."""
    table = contingency(facet, patch).tocsc()
    out = []
    for number, row in patches.items():
        if row["area_m2"] < SPURIOUS_M2 or row["normal"][2] < 0.5 or number + 1 >= table.shape[1]:
            continue
        column = table[:, number + 1]
        total = column.sum()
        if total == 0:
            out.append((number, "no points"))
            continue
        best = int(column.indices[column.data.argmax()]) - 1
        found = truth.facets.get(best)
        name = found.kind if found is not None else "nothing"
        planar = isinstance(found, Facet)
        if not planar or column.data.max() < 0.5 * total or _between_deg(found.normal, row["normal"]) > 15.0:
            out.append((number, name))
    return out


def _between_deg(a: Any, b: Any) -> float:
    return float(np.rad2deg(np.arccos(np.clip(a @ b, -1.0, 1.0))))


def _merged(truth: Truth, facet: Any, patch: Any) -> dict[str, int]:
    """Return how many pairs of neighbours share a patch that holds at least half of both.

    blocks: gap from 25 to 60 mm; joints: blocks with a narrower gap; steps: neighbours of a stair or altar.
    """
    table = contingency(facet, patch).tocsr()
    kinds = ("block_top", "tread", "altar_tread")
    tops = [f for f in truth.scene.facets if f.kind in kinds]
    shape = [shapely.Polygon(f.exterior[:, :2]) for f in tops]
    counts = {"blocks": 0, "blocks_of": 0, "joints": 0, "joints_of": 0, "steps": 0, "steps_of": 0}
    for i in range(len(tops)):
        for j in range(i + 1, len(tops)):
            gap = shapely.distance(shape[i], shape[j])
            if tops[i].kind != tops[j].kind or gap > NEIGHBOUR_M:
                continue
            name = "steps" if tops[i].kind != "block_top" else "joints" if gap <= JOINT_M else "blocks"
            counts[f"{name}_of"] += 1
            rows = [_row(table, tops[k].id) for k in (i, j)]
            shared = (rows[0] >= 0.5 * max(rows[0].sum(), 1)) & (rows[1] >= 0.5 * max(rows[1].sum(), 1))
            counts[name] += bool(shared[1:].any())
    return counts


def _row(table: Any, facet: int) -> Any:
    if facet + 1 >= table.shape[0]:
        return np.zeros(table.shape[1])
    return table[facet + 1].toarray().ravel()


def _slope_errors(truth: Truth, correct: dict[int, int], patches: dict[int, dict[str, Any]]) -> tuple[Any, Any]:
    slope, angle = [], []
    for f, p in correct.items():
        normal = truth.facets[f].normal
        slope.append(abs(patches[p]["slope_deg"] - np.rad2deg(np.arccos(min(1.0, normal[2])))))
        angle.append(_between_deg(normal, patches[p]["normal"]))
    return np.array(slope), np.array(angle)


def _quantiles(values: Any) -> dict[str, float]:
    if len(values) == 0:
        return {"median": float("nan"), "p95": float("nan"), "max": float("nan")}
    return {"median": float(np.median(values)), "p95": float(np.quantile(values, 0.95)), "max": float(values.max())}


def _why(f: int, facet: Any, patch: Any, match: Any) -> str:
    """Return which of over, under or missed a facet is, and how much its best patch covers and holds of it."""
    mine = patch[facet == f]
    inside = mine[mine >= 0]
    kind = "over" if f in match.over else "under" if any(f in m for m in match.under.values()) else "missed"
    if len(inside) == 0:
        return f"{kind}: no patch on {len(mine)} points"
    ids, number = np.unique(inside, return_counts=True)
    best = int(number.argmax())
    return f"{kind}: covered {number[best] / len(mine):.0%}, pure {number[best] / (patch == ids[best]).sum():.0%}"


# --------------------------------------------------------------------------- printing


def table(found: dict[str, Any], *, longest: int = 20) -> str:
    """Return the figures as text."""
    place = found["placements"]
    lines = ["truth \\ map   " + "".join(f"{word:>13}" for word in LABELS)]
    for word, row in list(zip(LABELS, place["confusion"], strict=True))[1:]:
        lines.append(f"{word:13} " + "".join(f"{n:13d}" for n in row))
    false = place["false_steppables"]
    lines.append(
        f"false steppables {len(false)} of {place['drawn']}"
        f" ({place['steppable_though_past_without_guard']} past a limit without guard)"
    )
    for one in false[:longest]:
        lines.append(f"  {one['at']} {one['kind']} past {'+'.join(one['past'])} on {', '.join(one['facets'])}")
        lines.append(f"    true {one['true']} map {one['map']}")
    for name in ("clear", "fair"):
        lost = place[name]
        lines.append(
            f"{name}ly steppable and observed {lost['n']}: missed {lost['missed']} ({lost['missed_share']:.2%})"
            f" {lost['missed_reasons']}, marginal {lost['marginal']} ({lost['marginal_share']:.2%})"
            f" {lost['marginal_reasons']}"
        )
        body = ", ".join(f"{kind} {n}/{m}/{g}" for kind, (n, m, g) in lost["by_kind"].items())
        lines.append(f"  by kind n/missed/marginal: {body}")
    lines.append(
        f"clear by a joint {place['clear_by_joint']}, kept {place['clear_by_joint_kept']};"
        f" clear but not well observed {place['clear_not_observed']}"
    )
    if "facets" in found:
        lines += _facet_lines(found["facets"], longest)
    return "\n".join(lines)


def _facet_lines(facets: dict[str, Any], longest: int) -> list[str]:
    names = ("true", "correct", "credited", "over", "under", "missed")
    lines = ["facets at 80 %  " + "".join(f"{name:>10}" for name in names)]
    for group, n in facets["counts"].items():
        lines.append(f"  {group:14}" + "".join(f"{n[name]:10d}" for name in names))
    n = facets["counts"]["all"]
    of = max(n["true"], 1)
    lines.append(f"  found: strict {n['correct'] / of:.1%}, joints credited {n['credited'] / of:.1%}")
    merged = facets["merged"]
    pairs = ", ".join(f"{name} {merged[name]} of {merged[name + '_of']}" for name in ("blocks", "joints", "steps"))
    lines.append(f"patches {facets['patches']}, spurious {facets['spurious']} {facets['spurious_on']}; merged: {pairs}")
    for name in ("slope_error_deg", "normal_error_deg"):
        values = ", ".join(f"{key} {value:.2f}" for key, value in facets[name].items())
        lines += [f"{name}: {values}"]
    wrong = list(facets["not_correct"].items())[:longest]
    return [*lines, *(f"  not correct: {name}: {why}" for name, why in wrong)]


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Compare a map of the invented dock with its truth.")
    parser.add_argument("map", type=Path)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--placements", type=int, default=2200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--cache", type=Path, default=None, help="where the truth of the placements is kept")
    parser.add_argument("--json", type=Path, default=None, help="also write everything here")
    args = parser.parse_args(argv)
    found = figures(args.map, args.truth, placements=args.placements, seed=args.seed, cache=args.cache)
    sys.stdout.write(table(found) + "\n")
    if args.json is not None:
        args.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
