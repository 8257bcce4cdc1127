"""A process that has a logbook open: says so on its output, and ends when its input does.

Usage: child_holds.py LOGBOOK.
"""

import sys

from store import open_store

if __name__ == "__main__":
    with open_store(sys.argv[1]):
        print("open", flush=True)
        sys.stdin.read()
