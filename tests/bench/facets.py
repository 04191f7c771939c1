"""How many true facets a labelling of points finds at 80 % overlap, as `figures.py` counts them; and peers' members.

A peer returns planes, not patches, so that its members are made here, untimed, and as well as its answer allows: every
plane is taken apart into pieces that hang together, because one plane of a site holds many facets; a box takes what
lies within three standard deviations of its middle plane, and a point in several goes to the nearest.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from clouds_demo.overlap import joined, overlap
from clouds_demo.truth import Truth
from tests.end_to_end.figures import SHARE, jointed, room_for_a_sole

COUNTED = 2_000_000
"""Shares are counted on so many points, drawn by chance."""
PIECE_M = 0.05
BOX_HALF_M = 0.024
"""Three standard deviations of the demo's range noise."""


def found(truth_file: Path, xyz: Any, labels: dict[str, Any]) -> dict[str, tuple[int, int, int]]:
    """Return for each labelling (n,) of the points (n, 3): true facets, found one by one, found with joints credited.

    A labelling that holds -2 covers only part of the points: those are left out of its count, of the truth as well.
    """
    truth = Truth.read(truth_file)
    rows = np.random.default_rng(0).permutation(len(xyz))[:COUNTED]
    xyz = xyz[rows]
    facet = truth.classify(xyz)
    wanted = room_for_a_sole(truth, xyz, facet)
    pairs = jointed(truth)
    out = {}
    for name, all_labels in labels.items():
        label = all_labels[rows].astype(np.int64)
        covered = label > -2
        mine, label = facet[covered], label[covered]
        correct = {f for f, _ in overlap(mine, label, share=SHARE).correct if f in wanted}
        credited = correct | {f for f in joined(mine, label, pairs, share=SHARE) if f in wanted}
        out[name] = len(wanted), len(correct), len(credited)
    return out


def in_pieces(xyz: Any, label: Any) -> Any:
    """Return labels in which every plane is taken apart into pieces of 5 cm cells that touch."""
    out = np.where(label < 0, label, -1).astype(np.int32)
    number = 0
    for plane in range(int(label.max(initial=-1)) + 1):
        rows = np.flatnonzero(label == plane)
        if len(rows) == 0:
            continue
        cells, cell = np.unique(np.floor(xyz[rows] / PIECE_M).astype(np.int64), axis=0, return_inverse=True)
        ends = cKDTree(cells).query_pairs(1.8, output_type="ndarray")  # a cell's 26 neighbours
        graph = sparse.coo_matrix((np.ones(len(ends), dtype=np.int8), ends.T), shape=(len(cells), len(cells)))
        pieces, piece = csgraph.connected_components(graph, directed=False)
        out[rows] = number + piece[cell.ravel()]
        number += pieces
    return out


def in_boxes(xyz: Any, boxes: Any) -> Any:
    """Return the box (centre, rotation, extent) of each point, -1 none; the nearest middle plane of several."""
    label = np.full(len(xyz), -1, dtype=np.int32)
    away = np.full(len(xyz), np.inf)
    order = np.argsort(xyz[:, 0], kind="stable")
    x = xyz[order, 0]
    for k, (centre, rotation, extent) in enumerate(boxes):
        half = np.asarray(extent) / 2.0
        thin = int(np.argmin(half))
        half[thin] = max(half[thin], BOX_HALF_M)
        reach = float(np.abs(rotation[0]) @ half)
        near = order[np.searchsorted(x, centre[0] - reach) : np.searchsorted(x, centre[0] + reach)]
        own = (xyz[near] - centre) @ rotation
        inside = (np.abs(own) <= half).all(axis=1)
        rows, off = near[inside], np.abs(own[inside, thin])
        nearer = off < away[rows]
        label[rows[nearer]], away[rows[nearer]] = k, off[nearer]
    return label
