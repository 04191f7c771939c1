"""The scans that were taken in, and what the manifest says of them."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

from terrain.follow.intake import Arrival

if TYPE_CHECKING:
    from terrain.maps.contents import InputFile


class Taken:
    """Scans by name in the order of arrival, with those that are new since the version before told apart.

    Parameters
    ----------
    survey_file : Path
        It is an input too.
    sha256 : str
        Of the survey file.
    """

    def __init__(self, survey_file: Path, sha256: str) -> None:
        self.arrivals: dict[str, Arrival] = {}
        """The last of each name, without its points."""
        self._inputs: dict[str, InputFile] = {}
        self._scans: dict[str, dict[str, Any]] = {}
        self._add_input(survey_file.name, sha256, survey_file)

    def add(self, arrival: Arrival) -> None:
        """Take note of a scan, or of what a bag holds by now."""
        self.arrivals[arrival.name] = dataclasses.replace(arrival, scans=())
        self._scans[arrival.name] = _said(arrival)
        if arrival.messages is None and arrival.path.exists():
            self._add_input(arrival.name, arrival.sha256, arrival.path)

    def _add_input(self, name: str, sha256: str, path: Path) -> None:
        from terrain.maps.contents import InputFile

        self._inputs[name] = InputFile(name, sha256, path.stat().st_size)

    def news(self) -> tuple[tuple[InputFile, ...], tuple[dict[str, Any], ...]]:
        """Return inputs and scans that are new, or other than they were, since the last time this was asked."""
        news = tuple(self._inputs.values()), tuple(self._scans.values())
        self._inputs, self._scans = {}, {}
        return news

    def scans(self) -> list[dict[str, Any]]:
        """Return what the manifest says of all scans."""
        return [_said(arrival) for arrival in self.arrivals.values()]

    def count(self) -> int:
        """Return how many scans there are, each cloud of a bag one."""
        return sum(1 if arrival.messages is None else arrival.messages for arrival in self.arrivals.values())


def _said(arrival: Arrival) -> dict[str, Any]:
    names = {"path": arrival.name, "sha256": arrival.sha256}
    return {**names, "messages": arrival.messages, "points": arrival.points}
