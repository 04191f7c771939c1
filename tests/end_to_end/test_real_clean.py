"""Real traffic, kept outside the repository in `shared/data` beside the checkout.

Source: sample data of the Ouster SDK; three sweeps of 0.1 s from a moving vehicle.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from terrain.fuse.clean import clean
from terrain.fusing import fused_survey

STREET = Path(__file__).parents[2].parent / "shared" / "data" / "street_3scans"


def test_a_street_in_three_sweeps_loses_few_stray_returns_and_no_more() -> None:
    """In 0.3 s nothing is passed by three times as often as it is hit: nothing can be said to have moved."""
    if not STREET.is_dir():
        pytest.skip(f"{STREET} is missing: real scans are not part of the repository")
    fused = fused_survey(STREET / "survey.toml", overrides={"poses.refine": "none"})
    again, report = clean(fused.cloud)
    assert report.dropped["moving"] == report.dropped["mixed"] == 0
    assert len(again) > 0.99 * len(fused.cloud) > 0.98 * 0.99 * 214_078
