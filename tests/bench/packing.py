"""How small a trace is packed and how fast it is read, beside plain ways to keep the same.

Run by hand: python tests/bench/packing.py. A million fixes of a noisy 10 Hz drive in pieces of
five minutes; medians of 5 of the processor's time, taken turn and turn about in one run.
"""

import sqlite3
import sys
import time
import zlib
from pathlib import Path
from statistics import median

import numpy as np
from scipy.signal import lfilter

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from store.traces.trace_codec import make_trace, pack, unpack

START, POINTS, PIECE, TIMES = 1_777_000_000.0, 1_000_000, 3000, 5


def drive(n, white_m=0.01, wander_m=0.3, tau_s=60.0, seed=1):
    """Return t, lat, lon of a drive at 3.3 m/s with receiver noise.

    Noise: white on a first-order Gauss-Markov wander (common practice for a receiver with
    satellite correction; figures from memory).
    """
    chance = np.random.default_rng(seed)
    keep = np.exp(-0.1 / tau_s)
    kicks = chance.normal(0, wander_m * np.sqrt(1 - keep**2), (n, 2))
    heading = np.cumsum(chance.normal(0, 0.0005, n))
    steps = 0.33 * np.column_stack((np.sin(heading), np.cos(heading)))
    noise = lfilter([1], [1, -keep], kicks, axis=0) + chance.normal(0, white_m, (n, 2))
    xy = np.cumsum(steps, axis=0) + noise
    t = START + np.arange(n) / 10
    return t, 49 + xy[:, 1] / 111_200, -105 + xy[:, 0] / 73_000


def _packed(t, lat, lon):
    return [pack(make_trace(t[i : i + PIECE], lat[i : i + PIECE], lon[i : i + PIECE])) for i in range(0, POINTS, PIECE)]


def _squeezed(t, lat, lon):
    table = np.column_stack((t, lat, lon))
    return [zlib.compress(table[i : i + PIECE].tobytes(), 9) for i in range(0, POINTS, PIECE)]


def _rows(t, lat, lon):
    raw = sqlite3.connect(":memory:")
    raw.execute("CREATE TABLE point (n INTEGER PRIMARY KEY, t REAL, lat REAL, lon REAL)")
    raw.executemany("INSERT INTO point (t, lat, lon) VALUES (?, ?, ?)", zip(*(v.tolist() for v in (t, lat, lon))))
    return raw


def main():
    """Measure and print."""
    fixes = drive(POINTS)
    packed, squeezed, raw = _packed(*fixes), _squeezed(*fixes), _rows(*fixes)
    (pages,), (size,) = raw.execute("PRAGMA page_count"), raw.execute("PRAGMA page_size")
    asked = "SELECT t, lat, lon FROM point ORDER BY n"
    ways = {
        "packed (store.traces.trace_codec)": (packed, lambda: [unpack(piece) for piece in packed]),
        "doubles, zlib level 9": (
            squeezed, lambda: [np.frombuffer(zlib.decompress(piece)) for piece in squeezed]
        ),
        "a row a point, SQLite": ([bytes(pages[0] * size[0])], lambda: np.array(raw.execute(asked).fetchall())),
    }  # fmt: skip
    spent = {name: [] for name in ways}
    for _ in range(TIMES):
        for name, (_kept, read) in ways.items():
            begun = time.process_time()
            read()
            spent[name].append(time.process_time() - begun)
    back = np.concatenate([unpack(piece).lat for piece in packed])
    print(f"{'':24} bytes a fix   million fixes a second   time to packed")
    for name, (kept, _read) in ways.items():
        room, took = sum(map(len, kept)) / POINTS, median(spent[name])
        against = took / median(spent["packed (store.traces.trace_codec)"])
        print(f"{name:24} {room:11.2f} {POINTS / took / 1e6:24.1f} {against:16.2f}")
    print(f"largest error of latitude: {np.abs(back - fixes[1]).max():.1e} degree")


if __name__ == "__main__":
    main()
