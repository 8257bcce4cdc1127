"""How long do the tests of each folder take?

    python -m tests.bench.seconds            # all, as the README's command runs them
    python -m tests.bench.seconds tests/store -n 0

runs pytest and prints the seconds of all tests of a folder together (set-up included, all workers) beside those measured on
one core, one after the other, before the tests ran in parallel.
"""

import re
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BEFORE = {
    "window": 730, "position": 116, "session": 81, "sync": 59, "reports": 50, "counting": 46, "demo": 32, "store": 17,
    "planning": 16, "test_docs.py": 16,
}  # fmt: skip
"""Seconds, of 1,175 in all."""


def by_folder(said: str) -> Counter:
    """Return the seconds of each folder from what pytest printed of durations."""
    found = Counter()
    for seconds, path in re.findall(r"^([\d.]+)s (?:call|setup|teardown) +(\S+?)::", said, re.MULTILINE):
        parts = path.split("/")
        found[parts[1] if parts[0] == "tests" else "doctests"] += float(seconds)
    return found


def main() -> None:
    """Run pytest with the words given, and print the table."""
    began = time.monotonic()
    words = ["-q", "--durations=0", "--durations-min=0.005", *sys.argv[1:]]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words], cwd=ROOT, stdout=subprocess.PIPE, text=True, check=False
    )
    print("| folder | seconds before | seconds now |\n| --- | ---: | ---: |")
    for folder, seconds in by_folder(done.stdout).most_common():
        print(f"| `{folder}` | {BEFORE.get(folder, '')} | {seconds:.0f} |")
    print(f"\n{done.stdout.splitlines()[-1]}; {time.monotonic() - began:.0f} s by the clock")
    sys.exit(done.returncode)


if __name__ == "__main__":
    main()
