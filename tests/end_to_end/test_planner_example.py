"""The planner's script in README.md, run as it stands there."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from terrain.data import Label
from terrain.maps.store import open_map
from terrain.maps.write import write_map
from tests.support.map_contents import make_contents

README = Path(__file__).parents[2] / "README.md"
LINE = re.compile(r" *(-?\d+\.\d\d) +(-?\d+\.\d\d)  (steppable|steppable, moved (\d+) cm|no foot here: .+)")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("planner") / "map-dock"
    write_map(out, make_contents(points=50), replace=False)
    return out


def test_the_script_in_the_readme_runs(folder: Path, tmp_path: Path) -> None:
    """Along y = 0.33: floor, past the block's side, onto the ramp and past the end of the floor at x = 2."""
    section = README.read_text(encoding="utf-8").partition("## For planners")[2]
    script = re.search(r"```python\n(.*?)```", section, re.DOTALL)
    assert script is not None
    (tmp_path / "along_a_line.py").write_text(script.group(1))
    done = subprocess.run(
        [sys.executable, "along_a_line.py", str(folder), "-0.9", "0.33", "2.3", "0.33"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    lines = [LINE.fullmatch(line) for line in done.stdout.splitlines()]
    assert all(lines) and len(lines) == 17  # 3.2 m, a foot every 20 cm and one at the end
    found = [(float(line[1]), float(line[2]), line[3], line[4]) for line in lines if line]
    site = open_map(folder)
    for k, (x, y, said, moved) in enumerate(found):
        wanted = (-0.9 + 0.2 * k, 0.33)
        label = site.judge([[*wanted, 0.0]]).label[0]
        assert (said == "steppable") == (label == Label.STEPPABLE)
        if moved:
            assert abs(np.hypot(x - wanted[0], y - wanted[1]) * 100 - float(moved)) <= 1.5
            assert float(moved) <= 15
        if said.startswith("no foot"):
            assert label != Label.STEPPABLE and (x, y) == pytest.approx(wanted, abs=0.006)
    words = [said.split(",")[0].split(":")[0] for _, _, said, _ in found]
    assert {"steppable", "no foot here"} == set(words) and any(moved for *_, moved in found)
    assert "no-ground" in found[-1][2]
