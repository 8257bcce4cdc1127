"""The words a person names a receiver by, and the source they mean."""

import re
from collections.abc import Callable
from pathlib import Path

from cabapp.position.calibration.antenna_offset import Antenna
from cabapp.position.fix import Source
from cabapp.position.receivers.connections import (
    BAUDS,
    GPSD,
    GpsdLink,
    TcpLink,
    UdpLink,
)
from cabapp.position.receivers.discovery import ReceiverDiscovery
from cabapp.position.receivers.receiver_group import ReceiverGroup
from cabapp.position.receivers.receiver_settings import ReceiverSettings
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.position.receivers.tablet_location import TabletReceiver
from cabapp.position.recordings.raw_log import RawLog
from cabapp.position.recordings.replay_source import Replay
from cabapp.position.recordings.trace_reader import read_trace
from store.errors import Refused

FORMS = "auto, none, tablet, a serial port (perhaps @baud), tcp:HOST:PORT, udp:PORT, gpsd, gpsd:HOST:PORT or file:PATH"


class ReceiverRefused(Refused):
    """Words that name no receiver."""


def open_receiver(words: str, raw_folder: Path | None = None, kept: ReceiverSettings | None = None) -> Source | None:
    """Open the receiver that is meant; it is looked for until closed, there or not.

    Parameters
    ----------
    words : str
        As `FORMS` says.
    raw_folder : Path, optional
        Where all is kept that it says.
    kept : ReceiverSettings, optional
        What is known of the antennas; one place for all of them when not given.

    Returns
    -------
    Source or None
        None for "none".

    Raises
    ------
    ReceiverRefused
        The words mean nothing.
    TraceRefused
        They name a recording that cannot be read.
    """
    make = _meaning(words)
    antenna_of = kept.antenna if kept is not None else lambda name: Antenna()
    return make(raw_folder, antenna_of) if make else None


def checked_words(words: str) -> str:
    """Return the words if they name a receiver.

    Examples
    --------
    >>> checked_words("tcp:192.0.2.7:5017"), checked_words("/dev/ttyUSB0@115200")
    ('tcp:192.0.2.7:5017', '/dev/ttyUSB0@115200')
    >>> checked_words("tcp:nowhere")
    Traceback (most recent call last):
    cabapp.position.receivers.receiver_address.ReceiverRefused: 'tcp:nowhere' names no receiver. \
Say auto, none, tablet, a serial port (perhaps @baud), tcp:HOST:PORT, udp:PORT, gpsd, \
gpsd:HOST:PORT or file:PATH.
    """
    _meaning(words)
    return words


def _meaning(words: str) -> Callable[[Path | None, Callable], Source] | None:
    if words == "none":
        return None
    if words == "auto":
        return _search()
    if words == "tablet":
        return lambda folder, antenna_of: ReceiverGroup([TabletReceiver()], antenna_of)
    if words == "gpsd":
        return _one(GpsdLink, *GPSD)
    if words.startswith("file:") and len(words) > 5:
        path = Path(words[5:])
        return lambda folder, antenna_of: Replay(read_trace(path).fixes(), path.name)
    if words.startswith(("tcp:", "udp:", "gpsd:")):
        kind, _, where = words.partition(":")
        host, _, port = where.rpartition(":")
        if port.isascii() and port.isdigit() and 0 < int(port) < 65536:
            if kind == "udp" and not host:
                return _one(UdpLink, int(port))
            if kind != "udp" and host:
                return _one(TcpLink if kind == "tcp" else GpsdLink, host, int(port))
    elif match := re.fullmatch(r"(/[^\s@]+|COM\d+)(?:@(\d{3,7}))?", words):
        port, baud = match[1], match[2]
        bauds = (int(baud),) if baud else BAUDS
        return _search(list_ports=lambda: _there(port), gpsd=None, bauds=bauds)
    raise ReceiverRefused(f"{words!r} names no receiver. Say {FORMS}.")


def _one(make, *where):
    """Return what opens a single link of one kind."""

    def open_one(folder, antenna_of):
        link = make(*where)
        return ReceiverGroup([ReceiverThread(link, RawLog(folder, link.name) if folder else None)], antenna_of)

    return open_one


def _search(**where):
    """Return what opens a group of the receivers that are found."""

    def open_group(folder, antenna_of):
        group = ReceiverGroup(antenna_of=antenna_of)
        ReceiverDiscovery(group, folder, **where)
        return group

    return open_group


def _there(port) -> list[str]:
    return [port] if not port.startswith("/") or Path(port).exists() else []
