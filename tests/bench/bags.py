"""Stream a bag of many gigabytes: messages, points, seconds and peak memory.

    python -m tests.bench.bags FOLDER [--gigabytes 10] [--cut 0]

Writes an uncompressed MCAP: clouds of 25,000 points, each with its pose and an image of 8 MB of zeros beside it, which
the file system keeps as a hole, so that the file takes little room. Clouds and poses are read in processes of their
own. `--cut 9` cuts the file off after so many gigabytes first.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from mcap.writer import CompressionType, Writer

from tests.support.bags import BagWriter

START_S, PERIOD_S = 1_900_000_000.0, 0.1
IMAGE_BYTES = 8_000_000
RECORD = np.dtype([("x", "f4"), ("y", "f4"), ("z", "f4"), ("intensity", "f4"), ("t", "u4")])
CLOUD_POINTS = 25_000
READ = {
    "clouds": "from terrain.read.clouds import open_cloud\n"
    "parts = [len(scan.xyz_m) for scan in open_cloud(sys.argv[1])]\nprint(len(parts), 'parts', sum(parts), 'points')",
    "poses": "from terrain.read.poses import read_trajectory\n"
    "print(len(read_trajectory(sys.argv[1])[0].time_s), 'poses')",
}


class Holes:
    """A file to write to that leaves holes for long runs of zeros."""

    def __init__(self, file: BinaryIO) -> None:
        self.file = file

    def write(self, data: bytes) -> int:
        """Write the data; whole blocks of zeros are stepped over."""
        view = memoryview(data)
        for start in range(0, len(view), 65_536):
            part = view[start : start + 65_536]
            if len(part) == 65_536 and not np.frombuffer(part, np.uint8).any():
                self.file.seek(len(part), 1)
            else:
                self.file.write(part)
        return len(view)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)


class SparseBag(BagWriter):
    """The messages of a `BagWriter` in an uncompressed MCAP with holes."""

    def __init__(self, folder: Path, writer: Writer) -> None:
        super().__init__(folder, "mcap")
        self.sparse, self.channels = writer, dict[str, int]()

    def write(self, topic: str, kind: str, message: Any, time_s: float) -> None:
        """Write one message."""
        if topic not in self.channels:
            text, _ = self.store.generate_msgdef(kind, ros_version=2)
            schema = self.sparse.register_schema(kind, "ros2msg", text.encode())
            self.channels[topic] = self.sparse.register_channel(topic, "cdr", schema)
        stamp = round(time_s * 1e9)
        self.sparse.add_message(self.channels[topic], stamp, bytes(self.store.serialize_cdr(message, kind)), stamp)
        self.count += 1

    def image(self, time_s: float) -> None:
        """Write an image of zeros."""
        message = self.type("sensor_msgs/msg/CompressedImage")(
            header=self.header(time_s, "camera"), format="raw", data=np.zeros(IMAGE_BYTES, np.uint8)
        )
        self.write("/image", "sensor_msgs/msg/CompressedImage", message, time_s)


def write_bag(path: Path, size: int) -> int:
    """Write clouds, images and poses until the file is so large; return how many of each."""
    rng = np.random.default_rng(1)
    count = 0
    with path.open("wb") as file:
        writer = Writer(Holes(file), chunk_size=1 << 20, compression=CompressionType.NONE)  # type: ignore[arg-type]
        writer.start(profile="ros2", library="")
        bag = SparseBag(path.parent, writer)
        while file.tell() < size:
            time_s = START_S + PERIOD_S * count
            rows = np.zeros(CLOUD_POINTS, RECORD)
            for axis in "xyz":
                rows[axis] = rng.uniform(1.0, 9.0, CLOUD_POINTS)
            rows["t"] = np.linspace(0.0, 0.999 * PERIOD_S * 1e9, CLOUD_POINTS)
            bag.cloud("/points", rows, time_s)
            bag.image(time_s)
            bag.odometry("/odom", time_s, (0.1 * count, 0.0, 0.5), (0.0, 0.0, 0.0, 1.0))
            count += 1
        writer.finish()
    return count


def main(argv: Sequence[str] | None = None) -> int:
    """Write the bag, read it, print what that took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--gigabytes", type=float, default=10.0)
    parser.add_argument("--cut", type=float, default=0.0)
    args = parser.parse_args(argv)
    args.folder.mkdir(parents=True, exist_ok=True)
    path = args.folder / "sparse.mcap"
    count = write_bag(path, round(args.gigabytes * 1e9))
    if args.cut > 0.0:
        with path.open("r+b") as file:
            file.truncate(round(args.cut * 1e9))
    held = path.stat()
    sys.stdout.write(
        f"{count} clouds, images and poses: {held.st_size / 1e9:.2f} GB, {held.st_blocks * 512 / 1e9:.2f} on disk\n"
    )
    for what, code in READ.items():
        began = time.perf_counter()
        peak = "\nimport resource\nprint(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, 'MB at most')"
        done = subprocess.run(
            [sys.executable, "-c", f"import sys\n{code}{peak}", str(path)], capture_output=True, text=True, check=False
        )
        said = ", ".join(done.stdout.split("\n")[:-1]) or done.stderr.strip().splitlines()[-1]
        sys.stdout.write(f"{what}: {said}, {time.perf_counter() - began:.0f} s\n")
    path.unlink()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
