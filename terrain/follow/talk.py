"""Processes of this package that answer messages, one after the other, for the follower that started them.

Messages and answers are pickles behind their length, between these two processes only. A process ends when the follower
does, however that ended, after the message it is at.
"""

from __future__ import annotations

import os
import pickle
import signal
import socket
import struct
import subprocess
import time
import traceback
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from terrain.beside import start_beside
from terrain.errors import DataError, TerrainError

_LENGTH = struct.Struct("<Q")


class Companion:
    """A process that runs a module beside this one, and does what it is told in the order in which it is told.

    Parameters
    ----------
    module : str
        It calls `answer_all`.
    arguments
        Of the module.
    out : Path
        The map's folder, for messages.
    does : str
        What the process does: "writes it".
    held : iterable of int
        Open files that the process holds too, as long as it lives.

    Raises
    ------
    DataError
        There is no room for another process.
    """

    def __init__(self, module: str, *arguments: str, out: Path, does: str, held: Iterable[int] = ()) -> None:
        self.processor_s = 0.0
        """What the process has used so far."""
        self._out, self._does = out, does
        self._thread = ThreadPoolExecutor(1)
        self._socket, other = socket.socketpair()
        try:
            self.process = start_beside(
                module, *arguments, stdin=other, stdout=subprocess.DEVNULL, pass_fds=tuple(held)
            )
        except OSError as error:
            self._socket.close()
            raise DataError(f"{out}: cannot start a process that {does}: {error.strerror}") from error
        finally:
            other.close()

    def tell(self, message: Any, then: Callable[[Any], None] = lambda answer: None) -> Future[Any]:
        """Send a message as it is now, once those before are answered.

        Of the future comes the answer, or what was raised there; before, another thread calls `then` with it.
        """
        return self._thread.submit(self._exchange, pickle.dumps(message, protocol=5), then)

    def close(self) -> None:
        """End after what it was told so far."""
        self._thread.shutdown(wait=True)
        self._socket.close()
        self.process.wait()

    def _exchange(self, packed: bytes, then: Callable[[Any], None]) -> Any:
        try:
            send(self._socket, packed)
            answer, self.processor_s = receive(self._socket)
        except (EOFError, ConnectionError) as error:
            status = self.process.wait()
            raise DataError(f"{self._out}: the process that {self._does} ended, exit status {status}") from error
        if isinstance(answer, BaseException):
            raise answer
        then(answer)
        return answer


def answer_all(answer: Callable[[Any], Any]) -> None:
    """Answer the messages of a `Companion` until the process that sends them is gone."""
    for number in (signal.SIGINT, signal.SIGTERM):  # they reach all processes of a terminal or a service
        signal.signal(number, signal.SIG_IGN)
    os.dup2(2, 1)
    with socket.socket(fileno=os.dup(0)) as other:
        while True:
            try:
                message = receive(other)
            except (EOFError, ConnectionError):
                break
            try:
                packed = pickle.dumps((answer(message), time.process_time()), protocol=5)
            except Exception as error:
                packed = _packed_error(error)
            try:
                send(other, packed)
            except ConnectionError:
                break


def send(other: socket.socket, packed: bytes) -> None:
    """Write one pickle."""
    other.sendall(_LENGTH.pack(len(packed)))
    other.sendall(packed)


def receive(other: socket.socket) -> Any:
    """Return what `send` wrote.

    Raises
    ------
    EOFError, ConnectionError
        The other side is gone.
    """
    (length,) = _LENGTH.unpack(_read(other, _LENGTH.size))
    return pickle.loads(_read(other, length))


def _read(other: socket.socket, length: int) -> bytearray:
    read = bytearray(length)
    left = memoryview(read)
    while len(left):
        count = other.recv_into(left, 0, socket.MSG_WAITALL)
        if count == 0:
            raise EOFError
        left = left[count:]
    return read


def _packed_error(error: BaseException) -> bytes:
    if not isinstance(error, TerrainError):
        error.add_note("".join(traceback.format_exception(error)))
    try:
        return pickle.dumps((error, time.process_time()))
    except Exception:
        return pickle.dumps((RuntimeError("".join(traceback.format_exception(error))), time.process_time()))
