"""Grounds on which placements are judged in several ways that must agree: floors, steps, decks, things in the way."""

import numpy as np

from tests.support.grounds import (
    Layer,
    block,
    box,
    build_ground,
    flat,
    outside,
    plane,
    stairs,
    tread_number,
)

WIDE = {"x_m": (-1.2, 1.2), "y_m": (-0.9, 0.9)}


def deck_over_floor():
    upper = Layer(box(-0.9, -0.5, 0.2, 0.9, 1.0), patch_id=1, level=1)
    return build_ground(Layer(flat(0.0)), upper, **WIDE)


SCENES = {
    "floor": lambda: build_ground(Layer(flat()), **WIDE),
    "ramp": lambda: build_ground(Layer(plane(0.05, 0.1)), **WIDE),
    "steep": lambda: build_ground(Layer(plane(0.5, 0.1)), **WIDE),
    "hole": lambda: build_ground(Layer(outside(flat(), 0.1, 0.05, 0.06, 0.1)), **WIDE),
    "low deck": lambda: build_ground(Layer(flat()), Layer(box(0.2, 0.0, 1.0, 0.9, 0.3), patch_id=1, level=1), **WIDE),
    "two decks": deck_over_floor,
    "block and beam": lambda: build_ground(
        Layer(flat()), **WIDE,
        blocks=(block(-0.6, -0.3, -0.5, -0.2, 0.0, 0.2), block(0.3, -0.9, 0.5, 0.9, 0.9, 1.2)),
    ),
    "kerb": lambda: build_ground(
        Layer(box(-1.2, -0.9, 0.0, 0.9, 0.0)), Layer(box(0.0, -0.9, 1.2, 0.9, -0.02), patch_id=1), **WIDE
    ),
    "fold": lambda: build_ground(
        Layer(box(-1.2, -0.9, 0.0, 0.9, 0.0)),
        Layer(lambda x, y: np.where(x > 0.0, 0.1 * x, np.nan), patch_id=1, gradient=lambda x, y: (0.1 + 0 * x, 0 * y)),
        **WIDE,
    ),
    "half seen": lambda: build_ground(Layer(flat(), seen=lambda x, y: np.where(x > 0.0, 2, 9)), **WIDE),
    "rough in places": lambda: build_ground(
        Layer(flat(), roughness_m=lambda x, y: np.where(np.sin(30 * x) * np.sin(23 * y) > 0.2, 0.004, 0.0), points=3),
        **WIDE,
    ),
    "joints": lambda: build_ground(Layer(flat(), carries=lambda x, y: np.mod(x, 0.9) > 0.02), **WIDE),
    "stairs": lambda: build_ground(
        Layer(
            stairs(risers=2, tread_m=0.8, riser_m=0.17, x0_m=-0.8),
            patch_id=tread_number(risers=2, tread_m=0.8, x0_m=-0.8),
        ),
        **WIDE,
    ),
}  # fmt: skip
