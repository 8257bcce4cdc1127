"""Memory and time of `rollbook measure` by length of the recording: ``python -m tests.bench.intake``.

Prints for 10, 30 and 100 hours at one fix a second, half-laps on 10.36 ha an hour with lanes left out and driven twice, the
most memory the process ever held, MB, and the processor time, s: without a boundary, and in the field, where gaps are listed
and the certainty is told. The exponents are those of their growth over what a process takes that only imports: 1 is linear.
"""

import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from cabapp.geometry.plane import Plane
from tests.bench.counting import drive

HOURS = (10, 30, 100)
HECTARES = 10.36
CODE = """
import json, re, sys, time
from cabapp.jobs.imports.trace_measurement import measure
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.track.tool import ToolGeometry
def most():  # what getrusage says may be the parent's
    return int(re.search(r"VmHWM:\\s*(\\d+)", open("/proc/self/status").read())[1]) / 1024
base, begun = most(), time.process_time()
boundary = json.loads(sys.argv[2])
measure((read_recording(path) for path in sys.argv[1:2]), ToolGeometry(12.8), 2, boundary)
print(most(), base, time.process_time() - begun)
"""


def write(path: Path, hours: int) -> dict:
    """Write a drive as CSV; return the boundary of its field."""
    plane = Plane(50.0, -105.0)
    t, xy, _ = drive(HECTARES * hours, 1.0)
    fixes = slice(hours * 3600)
    with path.open("w", encoding="utf-8") as file:
        file.write("time,lat,lon\n")
        for at, lat, lon in zip(t[fixes], *plane.to_latlon(xy[fixes])):
            file.write(f"{1748736000 + at:.1f},{lat:.8f},{lon:.8f}\n")
    side = (HECTARES * hours * 1e4) ** 0.5
    lat, lon = plane.to_latlon(np.array([(0, 0), (side, 0), (side, side), (0, side), (0, 0)]))
    return {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}


def main() -> None:
    """Measure each length in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.csv"
        rows: dict[str, list[tuple[float, ...]]] = {"no field": [], "in field": []}
        for hours in HOURS:
            boundary = write(path, hours)
            for name, given in zip(rows, (None, boundary)):
                command = [sys.executable, "-c", CODE, str(path), json.dumps(given)]
                done = subprocess.run(command, capture_output=True, text=True, check=True)
                rows[name].append((hours, *map(float, done.stdout.split())))
    for name, found in rows.items():
        print(f"{name:<8} hours    MB  of it imports      s")
        for hours, most, base, spent in found:
            print(f"{hours:14} {most:5.0f} {base:14.0f} {spent:6.2f}")
        (h0, m0, b0, s0), (h1, m1, b1, s1) = found[0], found[-1]
        step = math.log(h1 / h0)
        print(f"exponent: memory {math.log((m1 - b1) / (m0 - b0)) / step:.2f}, time {math.log(s1 / s0) / step:.2f}")


if __name__ == "__main__":
    main()
