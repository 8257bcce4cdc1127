"""What carries files between machines: sticks, shared folders, mail; and what happens to files on the way."""

import shutil
from pathlib import Path
from random import Random


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
        match chance.choice(("torn", "bit", "half", "empty", "swapped", "gone", "doubled", "folder")):
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
        return f"{one.name} of {len(files)}"
