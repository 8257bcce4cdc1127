"""Reports of gpsd (JSON, one object a line) to fixes.

Source for classes and fields: gpsd_json(5). Error estimates of TPV are left alone, because that
page calls their certainty unknown; a GST report states standard deviations and is used.
"""

import json
import math
from typing import Any

from cabapp.position.fix import HOLD_S, Fix, is_place
from store.facts.timestamp import read_time

WATCH = b'?WATCH={"enable":true,"json":true}\n'
# TPV status to the quality of GGA: differential, RTK fixed, RTK float, dead reckoning (two kinds),
# simulated; 7, a surveyed clock, stands still
_QUALITY = {2: 2, 3: 4, 4: 5, 5: 6, 6: 6, 7: 7, 8: 8, 9: 3}


class GpsdReader:
    """Takes the lines of one gpsd and returns fixes, one for each TPV report with a time.

    Attributes
    ----------
    accepted : int
        Whole reports that come from a receiver.
    rejected : int
        Lines that are no JSON object, or a report with a field that cannot be.
    timeless : int
        TPV reports without a time.
    latest : dict
        The newest of ``satellites``, ``speed`` (m/s), ``course`` (degrees) and ``device``.

    Examples
    --------
    >>> reports = GpsdReader()
    >>> line = b'{"class":"TPV","mode":3,"time":"2026-05-05T10:00:00.000Z","lat":52.5,"lon":-106.0}'
    >>> reports.feed(line)
    [Fix(t=1777975200.0, lat=52.5, lon=-106.0, sigma=None, quality=1, hdop=None)]
    >>> reports.feed(b'{"class":"TPV","mode":1,"time":"2026-05-05T10:00:01.000Z"}')[0].has_position
    False
    >>> reports.feed(b"{nonsense"), reports.rejected
    ([], 1)
    """

    def __init__(self) -> None:
        self.accepted = self.rejected = self.timeless = 0
        self.latest: dict[str, Any] = {}
        self._hdop: float | None = None
        self._sigma: tuple[float, float] | None = None
        self._last: tuple[str, float] | None = None

    def feed(self, line: bytes) -> list[Fix]:
        """Take one line, whatever it is, and return the fix it holds."""
        try:
            report = json.loads(line)
            fixes = self._take(report) if isinstance(report, dict) else None
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
            fixes = None
        if fixes is None:
            self.rejected += 1
            return []
        self.accepted += report["class"] in ("TPV", "SKY", "GST")
        return fixes

    def _take(self, report: dict[str, Any]) -> list[Fix]:
        kind = report["class"]
        if kind == "SKY":
            self._hdop = _positive(report.get("hdop", self._hdop))
            self.latest["satellites"] = report.get("uSat", self.latest.get("satellites"))
        elif kind == "GST":
            north, east = _positive(report.get("lat")), _positive(report.get("lon"))
            if "time" in report and north and east:
                sigma = math.sqrt((north**2 + east**2) / 2)
                self._sigma = read_time(str(report["time"]), zone_needed=False), sigma
        elif kind == "TPV":
            return self._place(report)
        return []

    def _place(self, report: dict[str, Any]) -> list[Fix]:
        if "time" not in report:
            self.timeless += 1
            return []
        t = read_time(str(report["time"]), zone_needed=False)
        device = str(report.get("device", ""))
        if self._last == (device, t):
            return []  # gpsd repeats a report when a later NMEA sentence of the moment adds to it
        self.latest |= {"speed": report.get("speed"), "course": report.get("track"), "device": device}
        lat, lon = report.get("lat"), report.get("lon")
        if int(report.get("mode", 0)) < 2 or lat is None or lon is None or not is_place(lat, lon):
            return [Fix(t, None, None, quality=0)]
        self._last = device, t
        sigma = self._sigma[1] if self._sigma and abs(self._sigma[0] - t) <= HOLD_S else None
        quality = _QUALITY.get(report.get("status", 0), 1)
        return [Fix(t, float(lat), float(lon), sigma, quality, self._hdop)]


def _positive(value: Any) -> float | None:
    value = float(value) if value is not None else 0.0
    return value if 0 < value < math.inf else None
