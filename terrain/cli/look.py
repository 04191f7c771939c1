"""`terrain look`: what a file or a bag holds."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import click

from terrain.data import FileContents, StreamContents


@click.command("look")
@click.argument("file", type=click.Path(exists=True, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--survey", "survey_only", is_flag=True, help="Print only the survey file to start from.")
def look_command(file: Path, as_json: bool, survey_only: bool) -> None:
    """Say what FILE holds: points, poses, topics, times and how they are read, and a survey file to start from.

    FILE is a file of points (las, laz, ply, pcd, e57, bin), a ROS bag (bag, mcap, db3, or the folder of a ROS 2
    bag), or a text file of poses.
    """
    from terrain.pipeline import look

    contents = look(file)
    if survey_only:
        click.echo(contents.survey_toml, nl=False)
    elif as_json:
        click.echo(json.dumps(as_dict(contents), indent=2))
    else:
        click.echo(format_contents(contents))


def as_dict(contents: FileContents) -> dict[str, Any]:
    """Return the contents as JSON holds them."""
    values = {field.name: getattr(contents, field.name) for field in dataclasses.fields(contents)}
    values["path"] = str(contents.path)
    values["warnings"] = list(contents.warnings)
    values["streams"] = [_stream_dict(stream) for stream in contents.streams]
    return values


def _stream_dict(stream: StreamContents) -> dict[str, Any]:
    values = {field.name: getattr(stream, field.name) for field in dataclasses.fields(stream)}
    values["fields"] = dict(stream.fields)
    if stream.time is not None:
        values["time"] = {**dataclasses.asdict(stream.time), "unit": stream.time.unit}
    return values


def format_contents(contents: FileContents) -> str:
    """Return what a file holds, a few lines a stream, and the survey file below it."""
    lines = [f"{contents.path}: {contents.format}, {_size(contents.size_bytes)}", ""]
    for stream in contents.streams:
        lines += [*_stream_lines(stream), ""]
    lines += [f"  WARNING  {warning}" for warning in contents.warnings]
    if contents.survey_toml:
        command = f"terrain look {contents.path} --survey > survey.toml"
        lines += [f"A survey file to start from ({command}); what is marked <- only you know:", ""]
        lines += ["    " + line if line else "" for line in contents.survey_toml.splitlines()]
    return "\n".join(lines).rstrip()


def _stream_lines(stream: StreamContents) -> list[str]:
    lines = [f"  {stream.name}"]

    def say(word: str, words: str) -> None:
        lines.append(f"    {word:<8} {words}")

    say("what", f"{stream.type}, {_count(stream)}")
    if stream.fields:
        say("fields", ", ".join(f"{name} {kind}".strip() for name, kind in stream.fields.items()))
    if stream.frame or stream.child_frame:
        say("frame", " > ".join(frame for frame in (stream.frame, stream.child_frame) if frame))
    if stream.low_m is not None and stream.high_m is not None:
        sides = zip("xyz", stream.low_m, stream.high_m, strict=True)
        part = "" if stream.bounds_exact else " (of the first messages)"
        say("where", ", ".join(f"{axis} {low:.3f} to {high:.3f}" for axis, low, high in sides) + f" m{part}")
    if stream.first_s is not None:
        end = "" if stream.last_s is None else f" to {stream.last_s:.6f} s, {stream.last_s - stream.first_s:.3f} s"
        say("when", f"{stream.first_s:.6f}{end or ' s on'}")
    if stream.time is not None:
        say("times", stream.time.why)
    for note in stream.notes:
        say("note", note)
    return lines


def _count(stream: StreamContents) -> str:
    rate = ""
    if stream.rate_hz is not None:
        rate = f", {stream.rate_hz:,.0f} a second" if stream.rate_hz >= 100.0 else f", {stream.rate_hz:.3g} a second"
    if stream.kind == "points" and stream.points is not None:
        points = f"{'' if stream.points_exact else 'about '}{stream.points:,} points"
        in_messages = f" in {stream.messages:,} messages" if stream.type.endswith("PointCloud2") else ""
        return points + in_messages + rate
    noun = ("pose" if stream.kind == "poses" else "message") + ("" if stream.messages == 1 else "s")
    return f"{stream.messages:,} {noun}{rate}"


def _size(count: int) -> str:
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count} bytes"
