"""Find the receiver and say how good it is, in words; runs until stopped."""

import argparse
import json
import sys
import time
from pathlib import Path

from cabapp.common.farm_format import FarmFormat
from cabapp.common.rendering import render
from cabapp.common.units import Units
from cabapp.geometry.plane import Plane
from cabapp.position.calibration.side_offset_check import describe, opposite_runs, side_offset
from cabapp.position.receivers.connections import BAUDS, GPSD
from cabapp.position.receivers.receiver_address import checked_address
from cabapp.position.receivers.receiver_report import ReceiverReport, assess
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.position.recordings.trace_reader import read_recording
from store.errors import Refused

EXAMPLE = "rollbook receiver --port /dev/ttyUSB0, or: rollbook receiver --both-ways check.nmea"
LOOK_S, SHOW_S = 0.2, 2.0


def arguments(parser: argparse.ArgumentParser) -> None:
    add, here = parser.add_argument, f"{GPSD[0]}:{GPSD[1]}"
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--port", metavar="P", help="listen at this serial port only (default: find it)")
    which.add_argument("--tcp", metavar="HOST:PORT", help="connect to a receiver that serves TCP")
    which.add_argument("--udp", metavar="PORT", help="listen for NMEA sentences sent to this UDP port")
    which.add_argument("--gpsd", metavar="HOST:PORT", nargs="?", const=here, help=f"ask gpsd (default {here})")
    text = "read the recording of one line driven there and back, and say the sideways offset of the antenna"
    which.add_argument("--both-ways", type=Path, metavar="FILE", help=text)
    add("--baud", type=int, choices=sorted(BAUDS), metavar="N", help="with --port: its rate (default: tried out)")
    text = "stop after so many seconds (default: run until Ctrl-C)"
    add("--for", dest="seconds", type=float, metavar="S", help=text)
    add("--units", choices=("us", "metric"), default="us", help="feet or metres (default: us)")
    add("--keep", type=Path, metavar="DIR", help="keep all it says in this folder, compressed, a file a day")
    add("--json", action="store_true", help="print the last state as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Report on the receiver or on a recording; 1 when no position was found."""
    if args.both_ways is not None:
        return _both_ways(args)
    farm = FarmFormat(None, Units(args.units))
    source = SelectedReceiver(args.keep, _words(args))
    ends = time.monotonic() + args.seconds if args.seconds is not None else float("inf")
    shown, next_show, report = "", 0.0, None
    try:
        while True:
            now = time.time()
            source.poll(now)
            over = time.monotonic() >= ends
            if time.monotonic() >= next_show or over:
                next_show = time.monotonic() + SHOW_S
                report = assess(source.recent, source.arrival_now(now), source.state)
                lines = _lines(source, report, farm)
                if lines != shown and not args.json:
                    print(lines, flush=True)
                    shown = lines
            if over:
                break
            time.sleep(LOOK_S)
    except KeyboardInterrupt:
        print(file=sys.stderr)
    finally:
        source.close()
    if args.json:
        print(json.dumps(_figures(source, report, farm), allow_nan=False))
    if report is None or report.state in ("lost", "none"):
        do = render(report.advice, farm=farm).removesuffix(" I keep looking.") if report and report.advice else ""
        raise Refused(f"No position was found. {do}".strip())
    return 0


def _words(args) -> str:
    if args.port:
        return checked_address(args.port + (f"@{args.baud}" if args.baud else ""))
    for kind in ("tcp", "udp", "gpsd"):
        if getattr(args, kind):
            return checked_address(f"{kind}:{getattr(args, kind)}")
    return "auto"


def _lines(source, report: ReceiverReport, farm: FarmFormat) -> str:
    parts = [render(said, farm=farm) for said in (source.status, report.summary, report.advice or "")]
    satellites = source.latest.get("satellites")
    if report.interval is not None:
        sky = f" from {satellites} satellites" if satellites else ""
        parts.append(f"A place every {report.interval:.2g} s{sky}.")
    return "\n".join(part for part in parts if part) + "\n"


def _figures(source, report: ReceiverReport | None, farm: FarmFormat) -> dict:
    recent = source.recent
    newest = recent[-1] if recent else None
    return {
        "receiver": source.name or None,
        "state": report.state if report else "none",
        "words": render(report.summary, farm=farm) if report else "",
        "do": render(report.advice or "", farm=farm) if report else "",
        "between_passes_m": _round(report and report.pass_error),
        "every_s": _round(report and report.interval),
        "late_s": _round(report and report.lateness),
        "latency_s": _round(newest and newest.latency),
        "satellites": source.latest.get("satellites"),
        "lat": newest and newest.fix.lat,
        "lon": newest and newest.fix.lon,
    }


def _both_ways(args) -> int:
    track = read_recording(args.both_ways).main
    lat, lon = track.lat[track.placed], track.lon[track.placed]
    found = side_offset(*opposite_runs(Plane(float(lat[0]), float(lon[0])).to_xy(lat, lon)))
    if args.json:
        print(json.dumps({"side_m": found.side, "sure_to_m": found.standard_error, "length_m": found.length}))
    else:
        small_length = Units(args.units).small_length
        print(describe(found, small_length))
        print(f"Both ways over {found.length:.0f} m, sure to about {small_length(2 * found.standard_error)}.")
    return 0


def _round(value):
    return None if value is None else round(value, 3)
