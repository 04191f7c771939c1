"""What arrives while a version is made is read beside that, and nothing is lost where reading fails."""

import threading
import time

import pytest

from terrain.errors import DataError
from terrain.follow.eyes import Eyes
from terrain.follow.intake import TakeAgainError


def test_what_arrives_in_the_block_is_there_at_its_end():
    eyes, arrived, seen = Eyes(), ["a"], threading.Event()

    def look():
        while arrived:
            yield arrived.pop()
            seen.set()

    with eyes.open(look) as found:
        assert seen.wait(10.0)
        seen.clear()
        arrived.append("b")
        assert seen.wait(10.0)
    assert found == ["a", "b"]
    arrived.append("c")
    time.sleep(0.1)
    assert arrived == ["c"]  # nobody looks any more
    eyes.close()


@pytest.mark.parametrize("error", [TakeAgainError("a.las changed"), DataError("poses.txt: torn")])
def test_what_was_read_before_a_failure_stays_and_the_failure_is_told_once(error):
    eyes, tried, failed = Eyes(), [], threading.Event()

    def look():
        tried.append(1)
        yield "a"
        failed.set()
        raise error

    with eyes.open(look) as found:
        assert failed.wait(10.0)
        time.sleep(0.05)
    assert found == ["a"] and len(tried) == 1
    with eyes.open(look) as more:  # until it was told, nobody goes on
        time.sleep(0.05)
    assert more == [] and len(tried) == 1
    with pytest.raises(type(error), match=str(error)):
        eyes.tell()
    eyes.tell()
    eyes.close()


def test_a_fault_of_the_program_is_raised_at_the_end_of_the_block():
    eyes, failed = Eyes(), threading.Event()

    def look():
        failed.set()
        raise ZeroDivisionError
        yield

    with pytest.raises(ZeroDivisionError), eyes.open(look):
        assert failed.wait(10.0)
    eyes.close()
