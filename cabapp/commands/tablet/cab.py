"""Open the cab: take over, work, hand over."""

import argparse
from pathlib import Path

from cabapp.commands.options import number_between
from cabapp.common.clock import FASTEST, SLOWEST, ReplayClock
from cabapp.common.paths import RECEIVER, SETTINGS, chosen_store, is_server, store_option
from cabapp.jobs.imports.trace_recovery import after_mending
from cabapp.position.receivers.receiver_address import FORMS, ReceiverRefused, checked_address
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.position.recordings.replay_source import Replay
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.tablet.tablet_settings import Settings
from store import Store, open_store
from store.errors import Refused
from store.models import Stint

EXAMPLE = "rollbook cab --replay drive.gpx --speed 10 --night"


class NoFile(Refused):
    """The cab was given a server for its logbook."""


class NoPlace(Refused):
    """There is no such folder for backups."""


def arguments(parser: argparse.ArgumentParser) -> None:
    store_option(parser)
    add, where = parser.add_argument, parser.add_mutually_exclusive_group()
    text = f"{FORMS} (default: the one chosen on the screen; at first auto, which also goes without)"
    where.add_argument("--receiver", type=_receiver, metavar="WHAT", help=text)
    text = "drive a recorded trace (GPX, CSV, NMEA) instead of the receiver"
    where.add_argument("--replay", type=Path, metavar="FILE", help=text)
    text = "how many times faster the recording runs, 1 to 60"
    add("--speed", type=number_between(SLOWEST, FASTEST), default=1.0, metavar="N", help=text)
    text = "a folder in a second place, into which the cab writes checked backups from now on, the last 7 kept; 'none' for no more"
    add("--backup", metavar="DIR", help=text)
    add("--night", action="store_true", help="begin with the night's colours")
    add("--size", type=_size, default=(1280, 800), metavar="WxH", help="window in pixels (default: 1280x800)")
    add("--dpi", type=float, default=None, help="pixels per inch of this screen (default: 149, a 10.1-inch tablet)")
    add("--fullscreen", action="store_true", help="fill the whole screen")
    text = "keep a picture of each screen as it is first shown"
    add("--screenshots", type=Path, metavar="DIR", help=text)


def run(args: argparse.Namespace) -> int:
    """Open the cab until it is left on purpose."""
    from cabapp.screens.system.launcher import DENSITY, run_cab

    logbook = chosen_store(args)
    if is_server(logbook):
        raise NoFile("The cab keeps its logbook in a file on the tablet, not on a server. Name one with --store FILE.")
    if args.backup is not None:
        choose_backup(args.backup, logbook)
    with open_store(logbook, carry_on=True) as store:
        if args.replay is not None:
            source = Replay(read_recording(args.replay).main.fixes(), args.replay.name)
            clock = ReplayClock(_where_it_was(store, source), args.speed)
        else:
            folder = logbook.with_name(RECEIVER)
            after_mending(store, folder)
            clock = source = SelectedReceiver(folder, args.receiver, lambda played: _where_it_was(store, played))
        run_cab(
            store, clock, source, night=args.night, size=args.size, dpi=args.dpi or DENSITY,
            fullscreen=args.fullscreen, screenshot_dir=args.screenshots,
        )  # fmt: skip
    return 0


def choose_backup(words: str, logbook: Path) -> None:
    """Store beside a logbook the folder of its backups; "none" for no backups."""
    place = None if words == "none" else Path(words).absolute()
    if place is not None and not place.is_dir():
        raise NoPlace(
            "There is no folder {place} for backups. Put the stick in or make the folder, then try again.", place=place
        )
    Settings(logbook.with_name(SETTINGS))["backup"] = place and str(place)


def _where_it_was(store: Store, source: Replay) -> float:
    """Return when to begin a recording: after the last fix already kept of it, else at its start."""
    for stint in reversed(store.all(Stint)):
        t = store.read_trace(stint.id).t
        if len(t):
            return float(t[-1]) + 0.01 if source.starts <= t[-1] < source.ends else source.starts
    return source.starts


def _receiver(words: str) -> str:
    try:
        return checked_address(words)
    except ReceiverRefused as refusal:
        raise argparse.ArgumentTypeError(str(refusal)) from None


def _size(words: str) -> tuple[int, int]:
    width, _, height = words.partition("x")
    if not (width.isdigit() and height.isdigit() and int(width) >= 640 and int(height) >= 400):
        raise argparse.ArgumentTypeError(f"{words!r} is no size such as 1280x800 (at least 640x400)")
    return int(width), int(height)
