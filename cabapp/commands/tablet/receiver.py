"""`rollbook receiver`: what receiver is found, how good it is, in words, and what to do about it."""

import argparse
import json
import sys
import time
from datetime import datetime
from pathlib import Path

from cabapp.geometry.plane import Plane
from cabapp.position.calibration.side_offset_check import both_ways, in_words, two_runs
from cabapp.position.receivers.connections import BAUDS, GPSD
from cabapp.position.receivers.receiver_address import checked_words
from cabapp.position.receivers.receiver_report import ReceiverReport, judge, say_small
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.position.recordings.trace_reader import read_trace
from store.errors import Refused

NAME = "receiver"
HELP = "Find the receiver and say how good it is, in words; runs until stopped."
EXAMPLE = "rollbook receiver --port /dev/ttyUSB0, or: rollbook receiver --both-ways check.nmea"
LOOK_S, SHOW_S = 0.2, 2.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--port", metavar="P", help="listen at this serial port only (default: find it)")
    which.add_argument("--tcp", metavar="HOST:PORT", help="connect to a receiver that serves TCP")
    which.add_argument("--udp", metavar="PORT", help="listen for sentences sent to this UDP port")
    which.add_argument(
        "--gpsd",
        metavar="HOST:PORT",
        nargs="?",
        const=f"{GPSD[0]}:{GPSD[1]}",
        help=f"ask gpsd (default {GPSD[0]}:{GPSD[1]})",
    )
    which.add_argument(
        "--both-ways",
        type=Path,
        metavar="FILE",
        help="read the recording of one line driven there and back, and say the sideways offset of the antenna",
    )
    parser.add_argument(
        "--baud", type=int, choices=sorted(BAUDS), metavar="N", help="with --port: its rate (default: tried out)"
    )
    parser.add_argument(
        "--for", dest="seconds", type=float, metavar="S", help="stop after so many seconds (default: run until Ctrl-C)"
    )
    parser.add_argument("--units", choices=("us", "metric"), default="us", help="feet or metres (default: us)")
    parser.add_argument(
        "--keep", type=Path, metavar="DIR", help="keep all it says in this folder, compressed, a file a day"
    )
    parser.add_argument("--json", action="store_true", help="print the last state as one JSON object")


def run(args: argparse.Namespace) -> int:
    """Listen and say, or read and say; exit status 1 when no position was found."""
    if args.both_ways is not None:
        return _both_ways(args)
    source = SelectedReceiver(args.keep, _words(args))
    ends = time.monotonic() + args.seconds if args.seconds is not None else float("inf")
    shown, next_show, verdict = "", 0.0, None
    try:
        while True:
            source.poll(time.time())
            over = time.monotonic() >= ends
            if time.monotonic() >= next_show or over:
                next_show = time.monotonic() + SHOW_S
                verdict = _verdict(source, args.units)
                lines = _lines(source, verdict, args.units)
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
        print(json.dumps(_figures(source, verdict), allow_nan=False))
    if verdict is None or verdict.state in ("lost", "none"):
        do = verdict.do.removesuffix(" I keep looking.") if verdict else ""
        raise Refused(f"No position was found. {do}".strip())
    return 0


def _words(args) -> str:
    if args.port:
        return checked_words(args.port + (f"@{args.baud}" if args.baud else ""))
    for kind in ("tcp", "udp", "gpsd"):
        if getattr(args, kind):
            return checked_words(f"{kind}:{getattr(args, kind)}")
    return "auto"


def _verdict(source, units) -> ReceiverReport:
    return judge(source.heard, time.time(), units, _clock, source.state)


def _lines(source, verdict, units) -> str:
    parts = [source.words, verdict.words, verdict.do]
    said = source.said
    if verdict.every is not None:
        sky = f" from {said['satellites']} satellites" if said.get("satellites") else ""
        parts.append(f"A place every {verdict.every:.2g} s{sky}.")
    return "\n".join(part for part in parts if part) + "\n"


def _figures(source, verdict) -> dict:
    said, heard = source.said, source.heard
    newest = heard[-1] if heard else None
    return {
        "receiver": source.name or None,
        "state": verdict.state if verdict else "none",
        "words": verdict.words if verdict else "",
        "do": verdict.do if verdict else "",
        "between_passes_m": _round(verdict and verdict.between),
        "every_s": _round(verdict and verdict.every),
        "late_s": _round(verdict and verdict.late),
        "latency_s": _round(newest and newest.latency),
        "satellites": said.get("satellites"),
        "lat": newest and newest.fix.lat,
        "lon": newest and newest.fix.lon,
    }


def _both_ways(args) -> int:
    trace = read_trace(args.both_ways)
    placed = trace.lat == trace.lat
    lat, lon = trace.lat[placed], trace.lon[placed]
    found = both_ways(*two_runs(Plane(float(lat[0]), float(lon[0])).to_xy(lat, lon)))
    if args.json:
        print(json.dumps({"side_m": found.side, "sure_to_m": found.sure_to, "length_m": found.length}))
    else:
        print(in_words(found, lambda m: say_small(m, args.units)))
        print(f"Both ways over {found.length:.0f} m, sure to about {say_small(2 * found.sure_to, args.units)}.")
    return 0


def _clock(t: float) -> str:
    return datetime.fromtimestamp(t).strftime("%H:%M")


def _round(value):
    return None if value is None else round(value, 3)
