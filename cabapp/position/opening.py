"""The words a person names a receiver by, and the source they mean."""

import re
from collections.abc import Callable
from pathlib import Path

from cabapp.position.finding import AutoReceiver
from cabapp.position.fix import Source
from cabapp.position.links import BAUDS, GPSD, GpsdLink, Link, TcpLink, UdpLink
from cabapp.position.live import Receiver
from cabapp.position.rawlog import RawLog
from store.errors import Refused

FORMS = "auto, none, a serial port (perhaps @baud), tcp:HOST:PORT, udp:PORT, gpsd or gpsd:HOST:PORT"


class ReceiverRefused(Refused):
    """Words that name no receiver."""


def open_receiver(words: str, raw_folder: Path | None = None) -> Source | None:
    """Open the receiver that is meant; it is looked for until closed, there or not.

    Parameters
    ----------
    words : str
        As `FORMS` says.
    raw_folder : Path, optional
        Where all is kept that it says.

    Returns
    -------
    Source or None
        None for "none".

    Raises
    ------
    ReceiverRefused
        The words mean nothing.
    """
    make = _meaning(words)
    return make(raw_folder) if make else None


def checked_words(words: str) -> str:
    """Return the words if they name a receiver.

    Examples
    --------
    >>> checked_words("tcp:192.0.2.7:5017"), checked_words("/dev/ttyUSB0@115200")
    ('tcp:192.0.2.7:5017', '/dev/ttyUSB0@115200')
    >>> checked_words("tcp:nowhere")
    Traceback (most recent call last):
    cabapp.position.opening.ReceiverRefused: 'tcp:nowhere' names no receiver. \
Say auto, none, a serial port (perhaps @baud), tcp:HOST:PORT, udp:PORT, gpsd or gpsd:HOST:PORT.
    """
    _meaning(words)
    return words


def _meaning(words: str) -> Callable[[Path | None], Source] | None:
    if words == "none":
        return None
    if words == "auto":
        return AutoReceiver
    if words == "gpsd":
        return lambda folder: _one(GpsdLink(*GPSD), folder)
    if words.startswith(("tcp:", "udp:", "gpsd:")):
        kind, _, where = words.partition(":")
        host, _, port = where.rpartition(":")
        if port.isascii() and port.isdigit() and 0 < int(port) < 65536:
            if kind == "udp" and not host:
                return lambda folder: _one(UdpLink(int(port)), folder)
            if kind != "udp" and host:
                link = TcpLink if kind == "tcp" else GpsdLink
                return lambda folder: _one(link(host, int(port)), folder)
    elif match := re.fullmatch(r"(/[^\s@]+|COM\d+)(?:@(\d{3,7}))?", words):
        port, baud = match[1], match[2]
        bauds = (int(baud),) if baud else BAUDS
        return lambda folder: AutoReceiver(folder, lambda: _there(port), None, bauds)
    raise ReceiverRefused(f"{words!r} names no receiver. Say {FORMS}.")


def _one(link: Link, folder):
    return Receiver(link, RawLog(folder, link.name) if folder else None)


def _there(port) -> list[str]:
    return [port] if not port.startswith("/") or Path(port).exists() else []
