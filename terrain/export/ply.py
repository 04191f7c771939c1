"""PLY: points in binary, with label and reasons as properties of their own and the label as a colour."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from terrain.data import Label
from terrain.export.source import Points
from terrain.maps.words import BIT_WORDS

COLOURS = {
    Label.STEPPABLE: (0x99, 0xDD, 0xFF),
    Label.MARGINAL: (0xEE, 0xDD, 0x88),
    Label.UNSTEPPABLE: (0xEE, 0x88, 0x66),
    Label.UNOBSERVED: (0x77, 0x77, 0x77),
}
"""Those of `terrain picture`, but grey for unobserved: white would not show on a white ground."""
PROPERTIES = (
    ("x", "double", "<f8"),
    ("y", "double", "<f8"),
    ("z", "double", "<f8"),
    ("red", "uchar", "u1"),
    ("green", "uchar", "u1"),
    ("blue", "uchar", "u1"),
    ("label", "uchar", "u1"),
    ("reasons", "int", "<i4"),
    ("patch_id", "int", "<i4"),
    ("level", "int", "<i4"),
)
"""Name, type in the header, type in NumPy. Reasons are `int`, since Open3D passes over `ushort`."""
_BLOCK = 1_000_000


def write_ply(path: Path, points: Points) -> None:
    """Write points as binary little-endian PLY 1.0, coordinates as doubles in the map frame."""
    kinds = np.dtype([(name, numpy_type) for name, _, numpy_type in PROPERTIES])
    labels = ", ".join(f"{label.value} {label.word}" for label in Label)
    header = [
        "ply",
        "format binary_little_endian 1.0",
        "comment terrain map frame, metres, z up",
        f"comment label: {labels}",
        f"comment reasons, added up: {BIT_WORDS}",
        "comment patch_id, level: -1 none",
        "comment advice from geometry at scan time, not a safety function",
        f"element vertex {len(points)}",
        *(f"property {kind} {name}" for name, kind, _ in PROPERTIES),
        "end_header",
    ]
    palette = np.array([COLOURS[label] for label in Label], dtype=np.uint8)
    with path.open("wb") as file:
        file.write(("\n".join(header) + "\n").encode("ascii"))
        for first in range(0, len(points), _BLOCK):
            part = slice(first, min(first + _BLOCK, len(points)))
            rows = np.empty(part.stop - part.start, dtype=kinds)
            for k, name in enumerate("xyz"):
                rows[name] = points.xyz_m[part, k]
            colour = palette[points.label[part]]
            for k, name in enumerate(("red", "green", "blue")):
                rows[name] = colour[:, k]
            for name in ("label", "reasons", "patch_id", "level"):
                rows[name] = getattr(points, name)[part]
            file.write(rows.tobytes())
