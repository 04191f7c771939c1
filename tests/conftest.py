"""Tables that tests leave for the end of a run."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest
from hypothesis import settings

os.environ["TERRAIN_REUSE"] = "off"
"""No test writes into the user's cache, or is told what an earlier one left there; `test_reuse.py` names folders."""

TABLES = pytest.StashKey[dict[str, str]]()


def pytest_configure(config: pytest.Config) -> None:
    config.stash[TABLES] = {}
    # Numba says so where TBB is older than it wants, and takes another threading layer; in bold with colorama.
    config.addinivalue_line("filterwarnings", "ignore:.*The TBB threading layer requires TBB")


@pytest.fixture(scope="session")
def leave_table(pytestconfig: pytest.Config) -> Callable[[str, str], None]:
    """Return what takes a title and a text, to be printed when all tests are done."""
    return pytestconfig.stash[TABLES].__setitem__


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for title, text in config.stash[TABLES].items():
        terminalreporter.write_sep("=", title)
        terminalreporter.write_line(text)


# The same examples in every run: a change must not fail for a scene that the change before it never met.
settings.register_profile("repeatable", derandomize=True)
settings.load_profile("repeatable")
