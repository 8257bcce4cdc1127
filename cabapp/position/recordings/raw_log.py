"""Writes every byte of a receiver, a file a day, so that any count can be made again.

Each line begins with its time of arrival in POSIX seconds. The file is a row of whole gzip pieces:
a power cut costs at most the last piece, and any gzip program reads what is before it. An error of
the disk becomes a message and never stops the reading.
"""

import gzip
import logging
import os
import re
import time
from pathlib import Path

from store.errors import Message, message

log = logging.getLogger(__name__)

PIECE_S, PIECE_BYTES = 10.0, 1 << 18
"""A piece is written after this long or this much: what a power cut may cost."""
CAP = 512 << 20
"""Bytes all raw logs of a tablet may take together; the oldest go first."""
RETRY_S = 60.0
LONGEST_LINE = 4096
SUFFIX = ".nmea.gz"
OPENED, CUT = b"#opened", b"#cut "
"""Lines of our own: the connection was opened; what had come of a line when it was lost."""


class RawLog:
    """Writes bytes into a folder.

    Parameters
    ----------
    folder : Path
        Made when missing; shared by all receivers of the tablet.
    name : str
        The receiver's; it becomes part of the file's name.
    cap : int
        Bytes that all logs of the folder may take together.

    Attributes
    ----------
    trouble : Message or None
        Why nothing is being kept just now.
    """

    def __init__(self, folder: Path, name: str, cap: int = CAP):
        self.trouble: Message | None = None
        self._folder, self._cap = Path(folder), cap
        self._name = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-") or "receiver"
        self._path: Path | None = None
        self._day = ""
        self._part = b""
        self._piece: list[bytes] = []
        self._size = 0
        self._since: float | None = None
        self._not_before = float("-inf")

    def write(self, data: bytes, at: float) -> None:
        """Take bytes that came at ``at``, POSIX s; they are on disk within `PIECE_S`."""
        *lines, self._part = (self._part + data).split(b"\n")
        if len(self._part) > LONGEST_LINE:
            lines, self._part = [*lines, self._part], b""
        for line in lines:
            stamped = b"%.3f %s\n" % (at, line.rstrip(b"\r"))
            self._piece.append(stamped)
            self._size += len(stamped)
        if self._since is None:
            self._since = at
        if not 0 <= at - self._since < PIECE_S or self._size >= PIECE_BYTES:
            self.flush(at)

    def opened(self, at: float) -> None:
        """Note that the connection was opened at ``at``: half a line before is no part of the next."""
        if self._part:
            part, self._part = self._part, b""
            self.write(CUT + part + b"\n", at)
        self.write(OPENED + b"\n", at)

    def flush(self, at: float) -> None:
        """Write what is waiting as one whole piece."""
        piece, self._piece, self._size, self._since = self._piece, [], 0, None
        if not piece or at < self._not_before:
            return
        try:
            self._write(gzip.compress(b"".join(piece), 6, mtime=0), at)
            self.trouble = None
        except OSError as fault:
            log.warning("the raw log cannot be written: %s", fault)
            self._not_before = at + RETRY_S
            self._path = None
            self.trouble = message(
                "What the receiver says is not being kept ({why}). "
                "Positions and counting go on. Make room on the disk.",
                why=fault.strerror,
            )

    def close(self) -> None:
        """Write what is waiting."""
        if self._part:
            self._piece.append(self._part + b"\n")
            self._part = b""
        self.flush(float("inf"))

    def _write(self, packed: bytes, at: float) -> None:
        day = self._day if at == float("inf") else time.strftime("%Y-%m-%d", time.gmtime(at))
        if self._path is None or day != self._day or self._path.stat().st_size > self._cap // 4:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._day = day or time.strftime("%Y-%m-%d", time.gmtime())
            self._path = self._fresh(f"{self._day}-{self._name}")
            self._make_room()
        # the file is opened for each piece, so that no handle hangs on a stick pulled out
        with self._path.open("ab") as file:
            file.write(packed)
            file.flush()
            os.fsync(file.fileno())

    def _fresh(self, stem: str) -> Path:
        """Return a file not written before: behind a piece cut off by a power cut nothing is added."""
        n = 1
        while (path := self._folder / f"{stem}-{n:03d}{SUFFIX}").exists():
            n += 1
        return path

    def _make_room(self) -> None:
        logs = sorted(self._folder.glob(f"*{SUFFIX}"), key=lambda path: path.stat().st_mtime)
        sizes = [path.stat().st_size for path in logs]
        # a quarter is kept free for the file that begins now
        over = sum(sizes) - self._cap * 3 // 4
        for path, size in zip(logs, sizes, strict=True):
            if over <= 0:
                return
            path.unlink()
            over -= size
