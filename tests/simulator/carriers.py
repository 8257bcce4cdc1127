"""What carries files between machines: sticks, shared folders, mail; and what happens to files on the way."""

import os
import shutil
import threading
from contextlib import ExitStack, contextmanager
from pathlib import Path
from random import Random
from unittest.mock import patch

CALLS = ("os.stat", "os.scandir", "os.listdir", "os.open", "os.mkdir", "os.unlink", "io.open")
"""What asks a carrier for something."""


class Held(BaseException):
    """The program itself waits for a carrier that does not answer, not a thread of its beside it."""


@contextmanager
def hanging(folder: Path, after: int):
    """From so many calls on, what asks a carrier gets no answer; a wait with a limit for one who asks is over at once."""
    released, left = threading.Event(), [after]
    stuck: set[threading.Thread] = set()
    waits, inside = threading.Thread.join, str(folder)

    def asking(real):
        def asked(*words, **more):
            path = words[0] if words else None
            if isinstance(path, (str, os.PathLike)) and str(path).startswith(inside) and not released.is_set():
                left[0] -= 1
                if left[0] < 0:
                    if threading.current_thread() is threading.main_thread():
                        raise Held(str(path))
                    stuck.add(threading.current_thread())
                    released.wait()
                    raise OSError(5, "Input/output error", str(path))
            return real(*words, **more)

        return asked

    def join(thread, timeout=None):
        while timeout is not None and thread.is_alive() and thread not in stuck:
            waits(thread, 0.0005)
        if timeout is None:
            waits(thread)

    with ExitStack() as stack:
        for name in CALLS:
            module, _, function = name.partition(".")
            stack.enter_context(patch(name, asking(getattr({"os": os, "io": __import__("io")}[module], function))))
        stack.enter_context(patch.object(threading.Thread, "join", join))
        try:
            yield
        finally:
            released.set()
            for thread in stuck:
                waits(thread, 5.0)


class Carrier:
    """A folder that machines exchange with.

    `wrote`: the acts that each machine has written to it, by the machine's name: what a reader must get.
    `spoiled`: whether something happened to it, so that nothing can be asked of what is read.
    `foreign`: whether files that no honest machine wrote, or of another version, lie on it.
    """

    def __init__(self, folder: Path, name: str):
        self.folder, self.name = folder, name
        self.wrote: dict[str, frozenset[str]] = {}
        self.spoiled = self.foreign = False
        folder.mkdir(parents=True, exist_ok=True)

    def files(self) -> list[Path]:
        """Return the files on it that are read by others."""
        return sorted(p for p in self.folder.rglob("*") if p.is_file() and not p.name.startswith("."))

    def acts(self) -> frozenset[str]:
        """Return the acts that are on it."""
        return frozenset().union(*self.wrote.values())

    def wipe(self) -> None:
        """Lose all that is on it; a new one takes its place."""
        shutil.rmtree(self.folder)
        self.folder.mkdir()
        self.wrote, self.spoiled, self.foreign = {}, False, False

    def harm(self, chance: Random) -> str:
        """Let something happen to its files, and return what."""
        files = self.files()
        if not files:
            return "nothing on it"
        self.spoiled = True
        one = chance.choice(files)
        data = one.read_bytes()
        how = chance.choice(
            ("torn", "bit", "half", "empty", "swapped", "gone", "doubled", "folder", "pipe", "loop", "hidden")
        )
        match how:
            case "torn":
                one.write_bytes(data[: chance.randrange(len(data) + 1)])
            case "bit":
                at = chance.randrange(max(len(data), 1))
                one.write_bytes(
                    data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :] if data else b""
                )
            case "half":  # the copying program made it its full length first
                one.write_bytes(data[: len(data) // 2].ljust(len(data), b"\0"))
            case "empty":
                one.write_bytes(b"")
            case "swapped":
                other = chance.choice(files)
                theirs = other.read_bytes()
                other.write_bytes(data)
                one.write_bytes(theirs)
            case "gone":
                one.unlink()
            case "doubled":
                shutil.copy(one, one.with_name(f"{one.stem} (1){one.suffix}"))
            case "folder":
                one.unlink()
                one.mkdir()
            case "pipe":
                one.unlink()
                os.mkfifo(one)
            case "loop":
                one.unlink()
                one.symlink_to(one)
            case "hidden":  # what a program of another system leaves
                one.with_name(f"._{one.name}").write_bytes(b"\0" * 40)
        return f"{how}: {one.name} of {len(files)}"
