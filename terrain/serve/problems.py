"""Why a request gets no answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


class WrongTypeError(Exception):
    """A kind of body or answer that is not to be had; `status` is the HTTP status."""

    def __init__(self, status: int, message: str) -> None:
        super().__init__(message)
        self.status = status


class TooMuchError(Exception):
    """More work than one request may ask for."""


class BusyError(Exception):
    """More jobs wait already than may wait."""


def one_line(errors: Sequence[Any]) -> str:
    """Return the first of pydantic's errors as 'where: got, expected', and how many more there are."""
    first = errors[0]
    where = ".".join(str(part) for part in first["loc"]) or "body"
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    if first["type"] == "missing":
        return f"{where}: is missing{more}"
    got = repr(first.get("input"))
    shown = got if len(got) <= 60 else f"{got[:57]}..."
    return f"{where}: got {shown}: {first['msg']}{more}"
