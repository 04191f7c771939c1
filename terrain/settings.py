"""Tables of the keys a settings file may hold, checked with one rule for every file and every command-line override.

Nothing here knows a survey or a foot: `terrain.survey` and `terrain.foot` bring their tables.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from terrain.errors import ConfigError, ReadError

REQUIRED = object()


class BadValueError(ValueError):
    """A value that a kind does not allow; its text says why, the kind says what is allowed."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What a key may hold: `check` takes the value as TOML gives it, `parse` makes one from command-line text."""

    allowed: str
    check: Callable[[Any], Any]
    parse: Callable[[str], Any]


@dataclass(frozen=True, slots=True)
class Key:
    """One key: dotted name, kind, what stands in for it where it is left out, and a line of help."""

    name: str
    kind: Kind
    default: Any
    help: str


def number(low: float, high: float, *, above_low: bool = False) -> Kind:
    """Return the kind of a finite number from low to high; `above_low` leaves low itself out."""
    allowed = f"a number above {low:g} and up to {high:g}" if above_low else f"a number from {low:g} to {high:g}"

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise BadValueError
        inside = (low < value if above_low else low <= value) and value <= high
        if not inside:
            raise BadValueError
        return float(value)

    return Kind(allowed, check, _number_from_text)


def text() -> Kind:
    """Return the kind of a text that is not blank."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or not value.strip():
            raise BadValueError
        return value

    return Kind("text that is not empty", check, str)


def choice(*words: str) -> Kind:
    """Return the kind of one of a few words."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or value not in words:
            raise BadValueError
        return value

    return Kind(" or ".join(f'"{word}"' for word in words), check, str)


def texts() -> Kind:
    """Return the kind of a list of at least one text; on the command line they are separated by commas."""

    def check(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or not value:
            raise BadValueError
        if not all(isinstance(item, str) and item.strip() for item in value):
            raise BadValueError
        return tuple(value)

    def parse(words: str) -> list[str]:
        return [word.strip() for word in words.split(",")]

    return Kind("a list of at least one text", check, parse)


def vector(count: int, allowed: str, *, accept: Callable[[tuple[float, ...]], bool]) -> Kind:
    """Return the kind of `count` finite numbers that `accept` takes; on the command line separated by commas."""

    def check(value: Any) -> tuple[float, ...]:
        if not isinstance(value, list) or len(value) != count:
            raise BadValueError
        if any(isinstance(item, bool) or not isinstance(item, int | float) for item in value):
            raise BadValueError
        numbers = tuple(float(item) for item in value)
        if not all(math.isfinite(item) for item in numbers) or not accept(numbers):
            raise BadValueError
        return numbers

    def parse(words: str) -> list[float]:
        return [_number_from_text(word) for word in words.split(",")]

    return Kind(allowed, check, parse)


def limit_pair(low: float, high: float, *, rising: bool) -> Kind:
    """Return the kind of `{ comfort = a, limit = b }` within low to high; rising means that larger is worse."""
    order = "comfort <= limit" if rising else "comfort >= limit"

    def check(value: Any) -> tuple[float, float]:
        if not isinstance(value, dict) or set(value) != {"comfort", "limit"}:
            raise BadValueError
        within = number(low, high)
        comfort, limit = within.check(value["comfort"]), within.check(value["limit"])
        if (comfort > limit) if rising else (comfort < limit):
            raise BadValueError
        return comfort, limit

    def parse(words: str) -> Any:
        raise BadValueError(words)

    return Kind(f"{{ comfort = ..., limit = ... }}, both from {low:g} to {high:g}, {order}", check, parse)


def points(allowed: str, *, low: float, high: float) -> Kind:
    """Return the kind of a list of at least three [x, y] pairs of numbers from low to high."""
    within = number(low, high)

    def check(value: Any) -> tuple[tuple[float, float], ...]:
        if not isinstance(value, list) or len(value) < 3:
            raise BadValueError
        if not all(isinstance(pair, list) and len(pair) == 2 for pair in value):
            raise BadValueError
        return tuple((within.check(x), within.check(y)) for x, y in value)

    def parse(words: str) -> Any:
        raise BadValueError(words)

    return Kind(allowed, check, parse)


def _number_from_text(words: str) -> float:
    try:
        return float(words)
    except ValueError:
        raise BadValueError from None


def read_toml(path: Path, *, what: str) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises
    ------
    ReadError
        The file is missing or cannot be read.
    ConfigError
        It is no TOML.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise ReadError(f"{what} {path}: no such file") from None
    except OSError as error:
        raise ReadError(f"{what} {path}: {error.strerror or error}") from error
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        hint = "; `terrain look FILE --survey` writes one for a file of scans" if what == "survey" else ""
        raise ConfigError(f"{what} {path}: no text at byte {error.start}, expected a TOML file{hint}") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{what} {path}: not TOML: {error}") from error


def shown(value: Any, *, longest: int = 80) -> str:
    """Return a value as an error message shows it: one line, not too long."""
    words = " ".join(repr(value).split())
    return words if len(words) <= longest else words[: longest - 3] + "..."


class Problems:
    """Everything that is wrong with one file, raised as one line."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.found: list[str] = []

    def add(self, key: str, got: str, expected: str) -> None:
        """Note one problem."""
        self.found.append(f"{key}: {got}, expected {expected}")

    def note(self, key: str, said: str) -> None:
        """Note a problem that says itself what was expected."""
        self.found.append(f"{key}: {said}")

    def raise_if_any(self) -> None:
        """Raise all problems as one ConfigError."""
        if self.found:
            raise ConfigError(f"{self.where}: {'; '.join(self.found)}")


def _nearest(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f' (nearest: "{close[0]}")' if close else ""


def _walk(
    table: Mapping[str, Any], prefix: str, names: Mapping[str, Key], sections: set[str], problems: Problems
) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for word, value in table.items():
        dotted = prefix + word
        if dotted in names:
            found[dotted] = value
        elif dotted in sections:
            if isinstance(value, dict):
                found |= _walk(value, dotted + ".", names, sections, problems)
            else:
                problems.add(dotted, f"got {shown(value)}", "a table of keys")
        else:
            here = {name.removeprefix(prefix).split(".")[0] for name in names if name.startswith(prefix)}
            allowed = "one of " + ", ".join(sorted(here)) + _nearest(word, sorted(here))
            problems.add(dotted, f"unknown key with value {shown(value)}", allowed)
    return found


def refuse_other_kinds(tables: Mapping[str, Any], keys: tuple[Key, ...], where: str) -> None:
    """Refuse a file that is one of another kind: to name every key that is unknown or missing would hide that.

    Raises
    ------
    ConfigError
        Of its topmost words two or more, and most, are unknown.
    """
    known = list(dict.fromkeys(key.name.split(".")[0] for key in keys))
    unknown = sum(word not in known for word in tables)
    if unknown >= 2 and 2 * unknown > len(tables):
        got = shown(", ".join(tables)).strip("'")
        raise ConfigError(f"{where}: got a file of another kind, with {got}; expected one with {', '.join(known)}")


def check_tables(
    tables: Mapping[str, Any],
    keys: tuple[Key, ...],
    problems: Problems,
    *,
    overrides: Mapping[str, str] | None = None,
    optional_sections: Callable[[Mapping[str, Any]], set[str]] = lambda found: set(),
) -> dict[str, Any]:
    """Return the checked value of every key by dotted name; problems are noted, not raised.

    Parameters
    ----------
    tables : mapping
        As tomllib gives it.
    keys : tuple of Key
        All keys there are.
    problems : Problems
        Collects what is wrong; a key with a problem has no value in the result.
    overrides : mapping of dotted name to text, optional
        Replace what the file says, or stand in for what it leaves out.
    optional_sections : callable
        Given the raw values, names the top-level sections whose keys may all be left out; such keys come as None.
    """
    names = {key.name: key for key in keys}
    sections = {name.rsplit(".", depth)[0] for name in names for depth in range(1, name.count(".") + 1)}
    raw = _walk(tables, "", names, sections, problems)
    for name, words in (overrides or {}).items():
        if name not in names:
            problems.add(name, "unknown override", "one of " + ", ".join(names) + _nearest(name, names))
            continue
        try:
            raw[name] = names[name].kind.parse(words)
        except BadValueError:
            problems.add(name, f"override {shown(words)}", names[name].kind.allowed)
    optional = optional_sections(raw)
    values: dict[str, Any] = {}
    for key in keys:
        if key.name in raw:
            try:
                values[key.name] = key.kind.check(raw[key.name])
            except BadValueError:
                problems.add(key.name, f"got {shown(raw[key.name])}", key.kind.allowed)
        elif key.name.split(".")[0] in optional:
            values[key.name] = None
        elif key.default is not REQUIRED:
            values[key.name] = key.default
        elif not any(found.startswith(f"{key.name}:") for found in problems.found):
            problems.add(key.name, "missing", key.kind.allowed)
    return values
