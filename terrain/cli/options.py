"""Options that several commands share."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any

import click

from terrain.settings import BadValueError, Key
from terrain.survey import KEYS

SHORT_NAMES = {"foot.profile": "--foot"}
"""Keys whose option has a name of its own; all others are the key with dashes."""


class Number(click.FloatRange):
    """A finite number within bounds: `click.FloatRange` lets NaN through, since no comparison with it holds."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number, or refuse it as wrong usage."""
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"got {value}, expected a finite number.", param, ctx)
        return number


def option_name(key: str) -> str:
    """Return the option that sets a survey key: sensor.range_sd_m is --sensor-range-sd-m."""
    return SHORT_NAMES.get(key, "--" + key.replace(".", "-").replace("_", "-"))


def _parameter_name(key: str) -> str:
    return "override_" + key.replace(".", "_")


def _checked(key: Key) -> Callable[[click.Context, click.Parameter, str | None], str | None]:
    """Return a callback that refuses a value the key does not allow, as wrong usage."""

    def check(_: click.Context, __: click.Parameter, words: str | None) -> str | None:
        if words is None:
            return None
        try:
            key.kind.check(key.kind.parse(words))
        except BadValueError:
            raise click.BadParameter(f"got {words!r}, expected {key.kind.allowed} (survey key {key.name})") from None
        return words

    return check


def survey_overrides(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command one option for every key of a survey file.

    The command is called with `overrides`, a dict of dotted key to text holding the options that were given, as
    `terrain.survey.load_survey` takes it. A value that its key does not allow is wrong usage.
    """

    @functools.wraps(command)
    def with_overrides(*args: Any, **kwargs: Any) -> Any:
        given = {key.name: kwargs.pop(_parameter_name(key.name)) for key in KEYS}
        overrides = {name: words for name, words in given.items() if words is not None}
        return command(*args, overrides=overrides, **kwargs)

    wrapped: Callable[..., Any] = with_overrides
    for key in reversed(KEYS):
        wrapped = click.option(
            option_name(key.name),
            _parameter_name(key.name),
            metavar="PROFILE" if key.name == "foot.profile" else "VALUE",
            callback=_checked(key),
            help=f"Instead of {key.name}: {key.help}.",
        )(wrapped)
    return wrapped
