"""Options that several commands take."""

import argparse
from collections.abc import Callable

GIVE_WORDS = "Something is locked: write the passphrase into a text file, and name it with --passphrase-file."


def number_between(low: float, high: float, what: str = "a number", *, zero: bool = True) -> Callable[[str], float]:
    """Return an argparse type for a number between limits; `zero` says whether 0 itself is one."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high or (value == 0 and not zero):
            raise argparse.ArgumentTypeError(f"{text!r} is not {what} from {low:g} to {high:g}")
        return value

    return read
