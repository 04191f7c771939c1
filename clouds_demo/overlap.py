"""How well patches match true facets, counted on points.

Source: Hoover et al., An experimental comparison of range image segmentation algorithms, PAMI 18(7), 1996, the
overlap measure; we count shared points instead of pixels, and an overlap of exactly the threshold is enough.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from clouds_demo.shapes import IntArray


@dataclass(frozen=True, slots=True)
class Overlap:
    """Sorted ids: correct pairs (facet, patch); over: facet -> patches; under: patch -> facets; missed facets; noise.

    A facet or patch may take part in several of correct, over and under only through different partners; where it
    could be both, correct comes first.
    """

    correct: tuple[tuple[int, int], ...]
    over: dict[int, tuple[int, ...]]
    under: dict[int, tuple[int, ...]]
    missed: tuple[int, ...]
    noise: tuple[int, ...]


def overlap(facet: IntArray, patch: IntArray, *, share: float = 0.8) -> Overlap:
    """Compare two labellings of the same points, (n,) each; -1 is no facet and no patch.

    correct: the shared points are at least `share` of both; over: two or more patches, each at least `share` inside
    one facet, cover at least `share` of it; under: the mirror; missed and noise: what is left.
    """
    table = contingency(facet, patch)
    facets, patches = np.flatnonzero(table.sum(axis=1)), np.flatnonzero(table.sum(axis=0))
    of_facet = {int(f): int(n) for f, n in zip(facets, np.asarray(table.sum(axis=1)).ravel()[facets], strict=True)}
    of_patch = {int(p): int(n) for p, n in zip(patches, np.asarray(table.sum(axis=0)).ravel()[patches], strict=True)}
    of_facet.pop(0, None), of_patch.pop(0, None)  # row and column 0 stand for -1
    cells = table.tocoo()
    pairs = [
        (int(f), int(p), int(n))
        for f, p, n in zip(cells.row, cells.col, cells.data, strict=True)
        if f > 0 and p > 0 and n > 0
    ]
    correct = [(f, p) for f, p, n in pairs if n >= share * of_facet[f] and n >= share * of_patch[p]]
    done_facets, done_patches = {f for f, _ in correct}, {p for _, p in correct}
    over = _split(
        [(f, p, n) for f, p, n in pairs if f not in done_facets and p not in done_patches], of_facet, of_patch, share
    )
    under = _split(
        [(p, f, n) for f, p, n in pairs if f not in done_facets and p not in done_patches], of_patch, of_facet, share
    )
    held_facets = done_facets | set(over) | {f for members in under.values() for f in members}
    held_patches = done_patches | set(under) | {p for members in over.values() for p in members}
    return Overlap(
        tuple(sorted((f - 1, p - 1) for f, p in correct)),
        {f - 1: tuple(p - 1 for p in members) for f, members in over.items()},
        {p - 1: tuple(f - 1 for f in members) for p, members in under.items()},
        tuple(sorted(f - 1 for f in of_facet if f not in held_facets)),
        tuple(sorted(p - 1 for p in of_patch if p not in held_patches)),
    )


def joined(facet: IntArray, patch: IntArray, pairs: Iterable[tuple[int, int]], *, share: float = 0.8) -> dict[int, int]:
    """Return facet -> patch for facets that one patch holds together with neighbours, as it may.

    At least `share` of each of the facets lies in the patch, together they are at least `share` of it, and `pairs`
    join them all, directly or through one another.
    """
    table = contingency(facet, patch)
    of_facet, of_patch = (np.asarray(table.sum(axis=axis)).ravel() for axis in (1, 0))
    cells = table.tocoo()
    inside: dict[int, dict[int, int]] = {}
    for f, p, n in zip(cells.row.tolist(), cells.col.tolist(), cells.data.tolist(), strict=True):
        if f > 0 and p > 0 and n >= share * of_facet[f]:
            inside.setdefault(p, {})[f] = n
    edges = np.array(sorted(pairs), dtype=np.int64).reshape(-1, 2) + 1
    out: dict[int, int] = {}
    for p, held in inside.items():
        ids = np.array(sorted(held))
        both = edges[np.isin(edges, ids).all(axis=1)]
        ends = np.searchsorted(ids, both)
        graph = sparse.coo_matrix((np.ones(len(ends)), ends.T), shape=(len(ids), len(ids)))
        _, group = csgraph.connected_components(graph, directed=False)
        for k in np.unique(group):
            members = ids[group == k].tolist()
            if len(members) >= 2 and sum(held[f] for f in members) >= share * of_patch[p]:
                out |= {f - 1: p - 1 for f in members}
    return dict(sorted(out.items()))


def contingency(facet: IntArray, patch: IntArray) -> sparse.csr_matrix:
    """Return how many points each facet (row id + 1) shares with each patch (column id + 1)."""
    ones = np.ones(len(facet), dtype=np.int64)
    return sparse.coo_matrix((ones, (facet + 1, patch + 1))).tocsr()


def _split(
    pairs: list[tuple[int, int, int]], of_whole: dict[int, int], of_part: dict[int, int], share: float
) -> dict[int, tuple[int, ...]]:
    members: dict[int, list[tuple[int, int]]] = {}
    for whole, part, n in pairs:
        if n >= share * of_part[part]:
            members.setdefault(whole, []).append((part, n))
    return {
        whole: tuple(sorted(part for part, _ in found))
        for whole, found in sorted(members.items())
        if len(found) >= 2 and sum(n for _, n in found) >= share * of_whole[whole]
    }
