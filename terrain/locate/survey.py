"""The job behind `terrain locate`: a map folder and a survey file in, a placement out."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from terrain.locate.place import Located


def locate(
    map_folder: Path,
    survey_file: Path,
    *,
    near: tuple[float, float, float] | None = None,
    overrides: Mapping[str, str] | None = None,
    progress: Any = None,
) -> Located:
    """Return where a survey lies in the frame of a map.

    Parameters
    ----------
    map_folder : Path
        A map that `assess` made.
    survey_file : Path
        A new pass, or a single scan; with poses in a frame of their own, or fused.
    near : (x, y, yaw), optional
        Metres and radians, map frame: roughly where the body is as the pass begins (the survey's origin where there
        are no poses). Without it the whole map is searched.

    Raises
    ------
    ConfigError, ReadError, DataError, FrameError
        What is wrong with the map, the survey, its files or its points.
    """
    from terrain.fusing import fused_survey
    from terrain.locate.model import model_of
    from terrain.locate.place import place
    from terrain.maps.store import open_map

    model = model_of(open_map(map_folder))
    fused = fused_survey(survey_file, overrides=overrides, progress=progress)
    return place(model, fused.cloud, start_survey=fused.start or (0.0, 0.0, 0.0), near=near)


def report(located: Located, *, map_name: str, survey_name: str) -> dict[str, Any]:
    """Return a placement as plain values for JSON; degrees and metres, the unit in each name.

    A refused placement has no T_map_survey, so that none is used by oversight; `closest` tells where it would be.
    """
    return {
        "map": map_name,
        "survey": survey_name,
        "decision": "placed" if located.placed else "refused",
        "reasons": list(located.reasons),
        "T_map_survey": located.T_map_survey.tolist() if located.placed else None,
        "closest": None if located.placed else located.T_map_survey.tolist(),
        "yaw_deg": math.degrees(math.atan2(located.T_map_survey[1, 0], located.T_map_survey[0, 0])),
        "sd": located.sd(),
        "covariance": located.covariance.tolist(),
        "covariance_of": "x, y, z in metres at centre_m, then turns about x, y, z in radians; axes of the map",
        "centre_m": located.centre_map_m.tolist(),
        "undetermined": list(located.weak),
        "inlier_share": located.inliers,
        "square_share": located.squares,
        "overlap_share": located.overlap,
        "features": located.features,
        "rivals": list(located.rivals),
    }


def as_json(answer: Mapping[str, Any]) -> str:
    """Return the report as JSON, a key a line and a row of a matrix a line."""

    def shown(value: Any) -> str:
        if isinstance(value, list) and value and isinstance(value[0], list):
            return "[\n" + ",\n".join(f"    {json.dumps(row, allow_nan=False)}" for row in value) + "\n  ]"
        return json.dumps(value, allow_nan=False)

    return "{\n" + ",\n".join(f"  {json.dumps(key)}: {shown(value)}" for key, value in answer.items()) + "\n}"
