"""A process that offers mutated bundles to a logbook, and says what came of it as JSON.

Usage: child_mutate.py LOGBOOK BUNDLE COUNT SEED. BUNDLE may be a folder of segments and heads. The logbook has the farm and has not merged
the bundle. A mutation that Python's own zip reader finds to hold the same content may be
merged; the logbook must then be as if the sound bundle had been.
"""

import hashlib
import io
import json
import random
import resource
import shutil
import sqlite3
import struct
import sys
import time
import zipfile
from contextlib import closing
from pathlib import Path

from store import open_store
from store.models import FACTS, REFERENCES
from sync import merge_bundles
from sync.bundle_file import MANIFEST


def state(path):
    """Return a hash of every exchanged row."""
    found = hashlib.sha256()
    with closing(sqlite3.connect(path)) as raw:
        for table in (*FACTS, *REFERENCES, "page", "peer", "own"):
            for row in raw.execute(f'SELECT * FROM "{table}" ORDER BY 1, 2'):
                found.update(repr(row).encode())
    return found.hexdigest()


def scratched(data, chance):
    """Return bytes with a few random hurts: flips, cuts, swaps, losses, doubles, zeros, noise."""
    data = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 5, 20))):
        a = chance.randrange(len(data))
        n = chance.randrange(1, 80)
        match chance.randrange(8):
            case 0:
                del data[max(a, 1) :]
            case 1 | 2:
                data[a] ^= 1 << chance.randrange(8)
            case 3:
                b = chance.randrange(len(data))
                data[a : a + n], data[b : b + n] = data[b : b + n], data[a : a + n]
            case 4:
                del data[a : a + n]
            case 5:
                data[a:a] = data[a : a + n]
            case 6:
                data[a : a + n] = bytes(len(data[a : a + n]))
            case 7:
                data[a : a + n] = chance.randbytes(n)
        data = data or bytearray(b"P")
    return bytes(data)


def crafted(data, chance):
    """Return a well-made zip whose members are not those that were signed."""
    with zipfile.ZipFile(io.BytesIO(data)) as file:
        members = {n: file.read(n) for n in file.namelist()}
    victim = chance.choice(list(members))
    name, content, how = victim, members.pop(victim), zipfile.ZIP_DEFLATED
    bomb = 0
    deep = chance.choice((b"[", b'{"a":')) * chance.choice((1000, 100_000))
    match chance.randrange(10):
        case 0:
            name = chance.choice(("../../x", "/etc/x", "C:\\x", "a\0b", "x" * 3000, victim + "/"))
        case 1:
            content = b""
        case 2:
            content = deep
        case 3:
            content = content.replace(b"1", b"9" * chance.choice((2, 400, 5000)))
        case 4:
            content = content.replace(b'"', b'"<script>alert(1)</script><svg onload=x>')
        case 5:
            bomb = chance.choice((1, 70))  # MB, compressed to little
        case 6:
            content = scratched(content, chance) + b"x"
        case 7:
            how = chance.choice((zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA))
            content += b"x"
        case 8:
            content = content.replace(b":", b": NaN, ", 1) + b"\xff"
        case 9:
            members |= {f"traces/{n}.bin": b"" for n in range(chance.choice((1, 2000)))}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        for other, kept in members.items():
            file.writestr(other, kept)
        if bomb:
            with file.open(name, "w") as part:
                for _ in range(bomb):
                    part.write(bytes(1_000_000))
        else:
            file.writestr(name, content, how)
    made = bytearray(out.getvalue())
    if chance.random() < 0.1:  # a false size
        entry = made.rindex(b"PK\x01\x02")
        struct.pack_into("<I", made, entry + 24, chance.choice((0, 7, 2**31)))
    return bytes(made)


def contents(data):
    """Return the members by Python's own reader; None if it finds damage."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            return {n: file.read(n) for n in file.namelist()}
    except Exception:
        return None


def most_mb():
    """Return the most memory this process has held, MB."""
    status = Path("/proc/self/status")
    if status.exists():  # ru_maxrss would count what the process held that started this one
        (line,) = (x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) // 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def of_folder(logbook, folder, count, seed):
    """Offer a folder of which one file is hurt, then the same folder sound."""
    chance, place, copy = random.Random(seed), logbook.with_name("offered"), logbook.with_name("as-it-was")
    shutil.copy(logbook, copy)
    said = {"offered": 0, "refused": 0, "same": 0, "partly": 0, "escaped": [], "poisoned": 0}
    files = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert {path.suffix for path in files} == {".rbs", ".head"}
    with open_store(logbook) as store:
        merge_bundles(store, [folder])
        sound = rows(store.path)
    for _ in range(count):
        shutil.copy(copy, logbook)
        logbook.with_name(f"{logbook.stem}-seen.json").unlink(missing_ok=True)
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(folder, place)
        victim = place / chance.choice(files)
        match chance.randrange(6):
            case 0:
                victim.unlink()
            case 1:
                victim.rename(victim.with_name(chance.choice((f"x{victim.name}", f"1{victim.name}", "1-2-3.rbs"))))
            case 2:
                shutil.copy(place / chance.choice(files), victim.with_name("rollbook-other.head"))
                victim.write_bytes((place / chance.choice(files)).read_bytes())
            case _:
                victim.write_bytes(scratched(victim.read_bytes(), chance))
        said["offered"] += 1
        try:
            with open_store(logbook) as store:
                result = merge_bundles(store, [place])
                said["refused"] += bool(result.refused or result.waiting)
                found = rows(store.path)
                said["same"] += found == sound
                said["partly"] += found != sound
                merge_bundles(store, [folder])
                said["poisoned"] += rows(store.path) != sound or store.check() != []
        except BaseException as error:
            said["escaped"].append(repr(error)[:300])
    said["most_mb"] = most_mb()
    print(json.dumps(said))


def rows(path):
    """Return every exchanged row."""
    with closing(sqlite3.connect(path)) as raw:
        return {t: raw.execute(f'SELECT * FROM "{t}" ORDER BY 1, 2').fetchall() for t in (*FACTS, *REFERENCES)}


def main(words):
    """Offer them."""
    if Path(words[1]).is_dir():
        of_folder(Path(words[0]), Path(words[1]), int(words[2]), int(words[3]))
        return
    logbook, bundle, count, seed = Path(words[0]), Path(words[1]), int(words[2]), int(words[3])
    chance, sound = random.Random(seed), bundle.read_bytes()
    assert MANIFEST in contents(sound) or any(n.endswith(".rbs") for n in contents(sound))
    place, copy = logbook.with_name("rollbook-offered.zip"), logbook.with_name("as-it-was")
    shutil.copy(logbook, copy)
    before, after = state(logbook), None
    said = {"offered": 0, "refused": 0, "same": 0, "escaped": [], "changed": 0, "slowest_s": 0.0}
    said["base_mb"] = most_mb()
    store = open_store(logbook)
    for _ in range(count):
        data = (crafted if chance.random() < 0.3 else scratched)(sound, chance)
        place.write_bytes(data)
        said["offered"] += 1
        begun = time.perf_counter()
        try:
            result = merge_bundles(store, [place])
        except BaseException as error:
            said["escaped"].append(repr(error)[:300])
            continue
        said["slowest_s"] = max(said["slowest_s"], round(time.perf_counter() - begun, 2))
        now = state(logbook)
        if result.refused:
            said["refused"] += 1
            sentence = str(result.refused[0][1])
            said["changed"] += now != before or not sentence.endswith(".")
        else:
            after = after or now
            said["same"] += 1
            same = contents(data) == contents(sound)
            said["changed"] += not same
            store.close()
            shutil.copy(copy, logbook)
            store = open_store(logbook)
    store.close()
    said["most_mb"] = most_mb()
    print(json.dumps(said))


if __name__ == "__main__":
    main(sys.argv[1:])
