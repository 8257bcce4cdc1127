"""Starts the cab in a process of its own, forked from one that has its modules loaded already."""

import ctypes
import multiprocessing
import os
import signal
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
LOADED = ["tests.window.preloaded"]
"""What the forking process loads; nothing of it opens a window."""
PR_SET_PDEATHSIG = 1  # linux/prctl.h
_context = multiprocessing.get_context("forkserver")


def begin(folder: Path) -> None:
    """Start the forking process; Kivy reads its settings there once, from a folder of its own."""
    kivy = {"KIVY_HOME": str(folder), "KIVY_NO_ARGS": "1", "KIVY_LOG_MODE": "PYTHON", "KIVY_NO_FILELOG": "1"}
    os.environ.update(kivy, KIVY_WINDOW="sdl2", OPENBLAS_NUM_THREADS="1")
    folder.mkdir(parents=True, exist_ok=True)
    _context.set_forkserver_preload(LOADED)


def end_with_parent() -> None:
    """Let this process be killed when the one that started it ends, however that ends (Linux; else nothing)."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


def _run(words, environment, errors):
    end_with_parent()
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(ROOT)
    os.dup2(os.open(errors, os.O_WRONLY | os.O_APPEND | os.O_CREAT), 2)
    from tests.window.probed_program import main

    sys.exit(main(words))


class Forked:
    """A cab forked from the loaded process; it is asked as a `subprocess.Popen` is."""

    def __init__(self, words: list[str], environment: dict[str, str], errors: Path):
        self._process = _context.Process(target=_run, args=(["cab", *words], environment, str(errors)))
        self._process.start()
        self.pid, self.terminate, self.kill = self._process.pid, self._process.terminate, self._process.kill

    def poll(self) -> int | None:
        """Return the exit status, None while it runs."""
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for the end and return the exit status; raise TimeoutExpired."""
        self._process.join(timeout)
        if self.poll() is None:
            raise subprocess.TimeoutExpired("cab", timeout)
        return self.poll()


def launched(words: list[str], environment: dict[str, str], errors: Path, program=None):
    """Start a cab: forked, or as a program of its own when one is named."""
    if program is None:
        return Forked(words, environment, errors)
    with errors.open("a") as file:
        return subprocess.Popen([sys.executable, *program, "cab", *words], cwd=ROOT, env=environment, stderr=file)
