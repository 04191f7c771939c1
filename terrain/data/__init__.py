"""Frozen types that pass between stages: SI units, right-handed frames, z up.

Arrays are checked at construction and made read-only. Behaviour lives in the stages.
"""

from terrain.data.arrays import (
    BoolArray,
    ByteArray,
    Float32Array,
    FloatArray,
    Int32Array,
    IntArray,
    rows_by,
    sealed,
)
from terrain.data.ground import TILE_CELLS, Grid, Ground
from terrain.data.measurements import (
    QUATERNION_NORM_TOLERANCE,
    Cloud,
    Patches,
    PatchMasks,
    Scan,
    Segmentation,
    Trajectory,
)
from terrain.data.settings import FootProfile, Limit, PoseModel, SensorModel
from terrain.data.sources import (
    UNITS_S,
    FileContents,
    PoseOptions,
    ScanOptions,
    SensorScans,
    Spindle,
    StreamContents,
    TimeReading,
)
from terrain.data.verdicts import REASONS, Label, LevelRaster, PatchVerdicts, Verdicts

__all__ = [
    "QUATERNION_NORM_TOLERANCE",
    "REASONS",
    "TILE_CELLS",
    "UNITS_S",
    "BoolArray",
    "ByteArray",
    "Cloud",
    "FileContents",
    "Float32Array",
    "FloatArray",
    "FootProfile",
    "Grid",
    "Ground",
    "Int32Array",
    "IntArray",
    "Label",
    "LevelRaster",
    "Limit",
    "PatchMasks",
    "PatchVerdicts",
    "Patches",
    "PoseModel",
    "PoseOptions",
    "Scan",
    "ScanOptions",
    "Segmentation",
    "SensorModel",
    "SensorScans",
    "Spindle",
    "StreamContents",
    "TimeReading",
    "Trajectory",
    "Verdicts",
    "rows_by",
    "sealed",
]
