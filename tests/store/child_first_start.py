"""Processes to be killed: each makes a logbook and is killed before its n-th step on the disk.

Usage: child_first_start.py FOLDER all|some, with write_log.so preloaded and $WRITE_LOG_UNDER naming FOLDER. The n-th
logbook is FOLDER/n/logbook.sqlite. "some" are the steps at both ends and each 30th. Prints how many steps there are.
"""

import ctypes
import os
import signal
import sys
from pathlib import Path

from store import open_store


def main(folder, which):
    """Kill first starts, each before another step."""
    disk, folder = ctypes.CDLL(None), Path(folder)
    disk.die_before(0)
    open_store(folder / "whole" / "logbook.sqlite").close()
    steps = disk.steps()
    for n in range(1, steps + 1):
        if which == "some" and 8 < n < steps - 16 and n % 30:
            continue
        child = os.fork()
        if not child:
            disk.die_before(n)
            open_store(folder / str(n) / "logbook.sqlite").close()
            os._exit(0)
        _pid, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status) or os.WTERMSIG(status) != signal.SIGKILL:
            sys.exit(f"step {n} of {steps} was not the end of it: {status}")
    print(steps)


if __name__ == "__main__":
    main(*sys.argv[1:])
