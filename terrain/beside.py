"""Modules of this package run by processes of their own, beside this one."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any


def start_beside(module: str, *arguments: str, **how: Any) -> subprocess.Popen[bytes]:
    """Run `python -m module` on one thread; `how` goes to `subprocess.Popen`.

    This very package is run, not one that happens to lie where the command was given: kernels are kept beside it.

    Raises
    ------
    OSError
        There is no room for another process.
    """
    command = [sys.executable, "-P", "-m", module, *arguments]
    paths = [str(Path(__file__).resolve().parents[1]), os.environ.get("PYTHONPATH", "")]
    environment = {
        **os.environ,
        "NUMBA_NUM_THREADS": "1",
        "PYTHONPATH": os.pathsep.join(path for path in paths if path),
    }
    return subprocess.Popen(command, env=environment, **how)
