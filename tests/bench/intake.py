"""Memory and time of `rollbook measure` by length of the recording: ``python -m tests.bench.intake``.

Prints for 6, 25 and 100 hours at one fix a second (without a boundary, no pass over the same ground) the most memory the
process ever held, MB, the processor time of reading and counting, s, and the exponents of their growth over what an empty
run takes: 1 is linear.
"""

import math
import subprocess
import sys
import tempfile
from pathlib import Path

HOURS = (6, 25, 100)
CODE = """
import resource, sys, time
from cabapp.jobs.imports.trace_measurement import measure
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.track.tool import ToolGeometry
base, begun = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
measure((read_recording(path) for path in sys.argv[1:]), ToolGeometry(12.0))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, base / 1024, time.process_time() - begun)
"""


def write(path: Path, hours: int) -> None:
    """Write lanes of 400 s up and down, 11 m apart, as CSV."""
    with path.open("w", encoding="utf-8") as file:
        file.write("time,lat,lon\n")
        for n in range(hours * 3600):
            lane, along = divmod(n, 400)
            along = 399 - along if lane % 2 else along
            file.write(f"{1777975200 + n},{52 + lane * 1e-4:.7f},{-106 + along * 3.6e-5:.7f}\n")


def main() -> None:
    """Measure each length in a process of its own."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for hours in HOURS:
            path = Path(folder) / f"{hours}.csv"
            write(path, hours)
            done = subprocess.run([sys.executable, "-c", CODE, str(path)], capture_output=True, text=True, check=True)
            rows.append((hours, *map(float, done.stdout.split())))
    print("hours    MB  of it imports      s")
    for hours, most, base, spent in rows:
        print(f"{hours:5} {most:5.0f} {base:14.0f} {spent:6.2f}")
    (h0, m0, b0, s0), (h1, m1, b1, s1) = rows[0], rows[-1]
    step = math.log(h1 / h0)
    print(f"exponent: memory {math.log((m1 - b1) / (m0 - b0)) / step:.2f}, time {math.log(s1 / s0) / step:.2f}")


if __name__ == "__main__":
    main()
