"""Bags read while they are written: every message once, none half. Written by the rosbags and mcap libraries."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from mcap.writer import CompressionType, Writer

from terrain.data import ScanOptions
from terrain.errors import ReadError
from terrain.read.clouds import growing_scans, plan_growing
from terrain.read.tails import BagTail, kept_bag
from tests.support.bags import BagWriter

RECORD = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("t", "<f4")])


def write_clouds(writer: BagWriter, numbers: range) -> None:
    for k in numbers:
        records = np.zeros(50, dtype=RECORD)
        records["x"], records["t"] = k, np.linspace(0.0, 0.09, 50)
        writer.cloud("/points", records, 100.0 + 0.1 * k)
        writer.odometry("/odom", 100.0 + 0.1 * k, (k, 0, 0), (0, 0, 0, 1))


@pytest.mark.parametrize("chunk_bytes", [1, 200, 10_000])
def test_mcap_cut_anywhere_gives_each_message_once(tmp_path: Path, chunk_bytes: int) -> None:
    whole, cut = tmp_path / "whole.mcap", tmp_path / "cut.mcap"
    with open(whole, "wb") as file:
        writer = Writer(file, chunk_size=chunk_bytes, compression=CompressionType.ZSTD)
        writer.start()
        schema = writer.register_schema("std_msgs/msg/String", "ros2msg", b"string data")
        channel = writer.register_channel("/words", "cdr", schema)
        for k in range(40):
            writer.add_message(channel, log_time=k, data=json.dumps({"k": k}).encode(), publish_time=k)
        writer.finish()
    stored = whole.read_bytes()
    tail, got = BagTail(cut), []
    for size in [*range(0, len(stored), 61), len(stored)]:
        cut.write_bytes(stored[:size])
        got += [(raw.topic, raw.type, raw.time_ns, json.loads(raw.data)["k"]) for raw in tail.grown()]
    assert got == [("/words", "std_msgs/msg/String", k, k) for k in range(40)]


def test_space_set_aside_for_more_is_not_read(tmp_path: Path) -> None:
    with BagWriter(tmp_path, "mcap") as writer:
        write_clouds(writer, range(3))
    whole = next(writer.path.glob("*.mcap")).read_bytes()
    path = tmp_path / "grown.mcap"
    path.write_bytes(whole[:100] + bytes(5000))
    tail = BagTail(path)
    assert list(tail.grown()) == []
    path.write_bytes(whole)
    assert len(list(tail.grown())) == 6


def test_a_shorter_or_damaged_mcap_is_an_error(tmp_path: Path) -> None:
    with BagWriter(tmp_path, "mcap") as writer:
        write_clouds(writer, range(3))
    path = next(writer.path.glob("*.mcap"))
    whole = path.read_bytes()
    tail = BagTail(path)
    list(tail.grown())
    path.write_bytes(whole[:200])
    with pytest.raises(ReadError, match=r"got 200 bytes, expected the \d+ that were read before"):
        list(tail.grown())
    path.write_bytes(b"not a bag, but something else entirely")
    with pytest.raises(ReadError, match="expected MCAP"):
        list(BagTail(path).grown())
    at = whole.index(b"/points")
    path.write_bytes(whole[:at] + b"\xff" * 7 + whole[at + 7 :])
    with pytest.raises(ReadError, match="damaged at byte"):
        list(BagTail(path).grown())


@pytest.mark.parametrize("storage", ["mcap", "db3"])
def test_clouds_of_a_growing_bag_are_those_that_were_written(tmp_path: Path, storage: str) -> None:
    with BagWriter(tmp_path, storage) as writer:
        write_clouds(writer, range(5))
        tail = BagTail(writer.path)
        early = list(tail.grown())
        write_clouds(writer, range(5, 20))
    late = list(tail.grown())
    clouds = [raw for raw in early + late if raw.topic == "/points"]
    assert len(clouds) == 20 and list(tail.grown()) == []
    bag = kept_bag(writer.path, clouds)
    plan = plan_growing(bag, ScanOptions(), poses_s=(100.0, 102.0))
    scans = list(growing_scans(bag, plan))
    assert [float(scan.xyz_m[0, 0]) for scan in scans] == list(range(20))
    assert [float(scan.time_s[0]) for scan in scans] == pytest.approx([100.0 + 0.1 * k for k in range(20)])


def test_a_row_that_is_not_committed_is_not_read(tmp_path: Path) -> None:
    import sqlite3

    path = tmp_path / "pass.db3"
    link = sqlite3.connect(path)
    link.execute("PRAGMA journal_mode = WAL")
    link.execute("CREATE TABLE topics (id INTEGER PRIMARY KEY, name TEXT, type TEXT, serialization_format TEXT)")
    link.execute("CREATE TABLE messages (id INTEGER PRIMARY KEY, topic_id INTEGER, timestamp INTEGER, data BLOB)")
    link.execute("INSERT INTO topics VALUES (1, '/words', 'std_msgs/msg/String', 'cdr')")
    link.commit()
    tail = BagTail(path)
    link.execute("INSERT INTO messages VALUES (1, 1, 7, x'01')")
    assert list(tail.grown()) == []
    link.commit()
    assert [raw.time_ns for raw in tail.grown()] == [7]
    assert list(tail.grown()) == []
    link.close()
