"""What the benchmark works on: a survey, drawn or ready made, laid out in a folder of its own.

A case folder holds `case.json` (the survey file, options that stand in for its keys, its scan files, the truth if there
is one), and what jobs leave: `map`, `store` (results kept for a second foot), `cloud.npy` (the points a map of it rests
on), `members-JOB.npy` (the plane of each of them as a peer has it).
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

OTHER_FOOT = "other.toml"


@dataclass(frozen=True)
class Case:
    """A survey and where it is worked on; paths as text, so that it can be written down."""

    name: str
    survey: str
    overrides: dict[str, str]
    scans: list[str]
    truth: str | None

    @classmethod
    def read(cls, folder: Path) -> Case:
        return cls(**json.loads((folder / "case.json").read_text()))

    def write(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "case.json").write_text(json.dumps(asdict(self)))


def ready_case(folder: Path, survey: Path, name: str) -> Case:
    """Lay a case out in `folder` for a survey that is there: a survey file, or a folder with a `survey.toml`."""
    from terrain.survey import load_survey

    file = survey / "survey.toml" if survey.is_dir() else survey
    truth = file.parent / "truth.json"
    scans = [str(path.resolve()) for path in load_survey(file).scan_files]
    case = Case(name, str(file.resolve()), {}, scans, str(truth.resolve()) if truth.exists() else None)
    case.write(folder)
    write_other_foot(folder / OTHER_FOOT, file)
    return case


def drawn_case(folder: Path, millions: float, name: str, *, docks: int = 1) -> Case:
    """Draw a dock, or several in a row, of so many returns in all."""
    from clouds_demo.generate import generate

    generate(folder / "site", points=round(millions * 1e6), scale=docks)
    return ready_case(folder, folder / "site", name)


def shuffled_case(folder: Path, case: Case) -> Case | None:
    """Lay out the same survey with the returns of all its scans in an order of chance; None where they are not LAS."""
    import laspy

    if any(Path(scan).suffix.lower() not in (".las", ".laz") for scan in case.scans):
        return None
    if "[[sensors]]" in Path(case.survey).read_text():
        return None
    parts = [laspy.read(scan) for scan in case.scans]
    records = np.concatenate([part.points.array for part in parts])
    records = records[np.random.default_rng(0).permutation(len(records))]
    (folder / "scans").mkdir(parents=True, exist_ok=True)
    scans = []
    for k, rows in enumerate(np.array_split(np.arange(len(records)), len(parts))):
        las = laspy.LasData(parts[0].header)
        las.points = laspy.ScaleAwarePointRecord(
            records[rows], las.header.point_format, las.header.scales, las.header.offsets
        )
        scans.append(str(folder / "scans" / f"shuffled_{k:03d}.laz"))
        las.write(scans[-1])
    overrides = {"scans.files": str(folder / "scans" / "shuffled_*.laz")}
    made = Case(f"{case.name}, shuffled", case.survey, overrides, scans, case.truth)
    made.write(folder)
    write_other_foot(folder / OTHER_FOOT, Path(case.survey))
    return made


def write_other_foot(path: Path, survey: Path) -> None:
    """Write the survey's foot with another limit of the slope; joints and drops, which enter the ground, stay."""
    from terrain.foot import configs_folder
    from terrain.survey import load_survey

    profile = load_survey(survey).foot_profile
    own = Path(profile) if profile.endswith(".toml") else configs_folder() / "feet" / f"{profile}.toml"
    limits = r"\1 { comfort = 6.0, limit = 12.0 } "
    text, count = re.subn(r"^(slope_deg *=) [^#\n]*", limits, own.read_text(), flags=re.MULTILINE)
    if count != 1:
        raise ValueError(f"{own}: got {count} lines slope_deg, expected one")
    path.write_text(text)


def lay_out_points(folder: Path) -> int:
    """Write the points that the case's map rests on for the peers; return how many."""
    import laspy

    las = laspy.read(folder / "map" / "cloud.laz")
    np.save(folder / "cloud.npy", np.column_stack([las.x, las.y, las.z]))
    np.save(folder / "members-assess.npy", np.asarray(las["patch_id"]).astype(np.int32))
    return len(las.points)
