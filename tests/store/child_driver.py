"""A process to be killed: appends trace and taps to a stint, and acknowledges what is durable.

Usage: child_driver.py LOGBOOK STINT ACKS ROUNDS PAGES. Each acknowledgement is
one line, appended to the file ACKS after that call has returned: "tap ID" or
"fixes N".
"""

import os
import sys

from sqlalchemy import text

from store import open_store
from store.models import Tap


def main(words):
    """Append until killed or done."""
    path, stint, acks, rounds, pages = words
    store = open_store(path)
    with store.writing() as session:
        # Few pages: the log is copied back into the file often, so that a cut falls into that too.
        session.execute(text(f"PRAGMA wal_autocheckpoint={int(pages)}"))
    writer = store.trace(stint)
    out = os.open(acks, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    t = 1_777_000_000.0
    for n in range(int(rounds)):
        for _ in range(10):
            t += 0.1
            writer.append(t, 49 + n * 1e-6, -105.0, 0.5, 4)
        writer.sync()
        os.write(out, f"fixes {writer.appended}\n".encode())
        tap = store.add(Tap(stint_id=stint, kind="mark", at=t, detail={"round": n}))
        os.write(out, f"tap {tap.id}\n".encode())
        if n % 25 == 24:
            writer.seal()


if __name__ == "__main__":
    main(sys.argv[1:])
