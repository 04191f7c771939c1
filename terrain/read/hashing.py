"""Fingerprints of the files a map was made from."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path

from terrain.errors import ReadError


def sha256_of(path: str | Path) -> str:
    """Return the SHA-256 of a file as 64 hexadecimal digits, reading it piece by piece.

    Raises
    ------
    ReadError
        The file cannot be read.
    """
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ReadError(f"{path}: {error.strerror or error}") from error


def hash_files(paths: Iterable[str | Path]) -> dict[str, str]:
    """Return the SHA-256 of each file by its path, in the order given."""
    return {str(path): sha256_of(path) for path in paths}
