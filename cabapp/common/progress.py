"""A progress bar on stderr, there only when a person is looking."""

import sys

WIDTH = 30


def show(done: int, of: int, words: str = "") -> None:
    """Draw how far a long work is; draws nothing unless stderr is a terminal."""
    if not sys.stderr.isatty() or not of:
        return
    filled = WIDTH * done // of
    end = "\n" if done >= of else ""
    bar = "#" * filled + "." * (WIDTH - filled)
    print(f"\r\033[K[{bar}] {done}/{of} {words}", end=end, file=sys.stderr, flush=True)
