"""Opens the receiver that an address names."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cabapp.position.calibration.antenna_offset import Antenna
from cabapp.position.fix import Source
from cabapp.position.receivers.connections import BAUDS, GPSD, Connection, GpsdConnection, TcpConnection, UdpConnection
from cabapp.position.receivers.discovery import ReceiverDiscovery
from cabapp.position.receivers.receiver_group import ReceiverGroup
from cabapp.position.receivers.receiver_settings import ReceiverSettings
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.position.receivers.tablet_location import TabletReceiver
from cabapp.position.recordings.raw_log import RawLog
from cabapp.position.recordings.replay_source import Replay
from cabapp.position.recordings.trace_reader import read_recording
from store.errors import Refused

FORMS = "auto, none, tablet, a serial port (perhaps @baud), tcp:HOST:PORT, udp:PORT, gpsd, gpsd:HOST:PORT or file:PATH"


AntennaOf = Callable[[str], Antenna | None]
Opener = Callable[[Path | None, AntennaOf], Source]


class ReceiverRefused(Refused):
    """An address that names no receiver."""


def open_receiver(
    address: str, raw_folder: Path | None = None, settings: ReceiverSettings | None = None
) -> Source | None:
    """Open the receiver of an address, there or not; it is searched for until closed.

    Parameters
    ----------
    address : str
        In one of `FORMS`.
    raw_folder : Path, optional
        Where raw logs are written.
    settings : ReceiverSettings, optional
        Places of the antennas; one place for all of them when not given.

    Returns
    -------
    Source or None
        None for "none".

    Raises
    ------
    ReceiverRefused
        The address names no receiver.
    TraceRefused
        It names a recording that cannot be read.
    """
    make = _opener(address)
    antenna_of = settings.antenna if settings is not None else lambda name: Antenna()
    return make(raw_folder, antenna_of) if make else None


def checked_address(address: str) -> str:
    """Return an address if it names a receiver.

    Examples
    --------
    >>> checked_address("tcp:192.0.2.7:5017"), checked_address("/dev/ttyUSB0@115200")
    ('tcp:192.0.2.7:5017', '/dev/ttyUSB0@115200')
    >>> checked_address("tcp:nowhere")
    Traceback (most recent call last):
    cabapp.position.receivers.receiver_address.ReceiverRefused: 'tcp:nowhere' names no receiver. \
Say auto, none, tablet, a serial port (perhaps @baud), tcp:HOST:PORT, udp:PORT, gpsd, \
gpsd:HOST:PORT or file:PATH.
    """
    _opener(address)
    return address


def _opener(address: str) -> Opener | None:
    """Return what opens an address with the folder of raw logs and the places of antennas; None for "none"."""
    if address == "none":
        return None
    if address == "auto":
        return _search()
    if address == "tablet":
        return lambda folder, antenna_of: ReceiverGroup([TabletReceiver()], antenna_of)
    if address == "gpsd":
        return _one(GpsdConnection, *GPSD)
    if address.startswith("file:") and len(address) > 5:
        path = Path(address[5:])
        return lambda folder, antenna_of: Replay(read_recording(path).main.fixes(), path.name)
    if address.startswith(("tcp:", "udp:", "gpsd:")):
        kind, _, where = address.partition(":")
        host, _, port = where.rpartition(":")
        if port.isascii() and port.isdigit() and 0 < int(port) < 65536:
            if kind == "udp" and not host:
                return _one(UdpConnection, int(port))
            if kind != "udp" and host:
                return _one(TcpConnection if kind == "tcp" else GpsdConnection, host, int(port))
    elif match := re.fullmatch(r"(/[^\s@]+|COM\d+)(?:@(\d{3,7}))?", address):
        port, baud = match[1], match[2]
        bauds = (int(baud),) if baud else BAUDS
        return _search(list_ports=lambda: _there(port), gpsd=None, bauds=bauds)
    raise ReceiverRefused("{address} names no receiver. Say {forms}.", address=repr(address), forms=FORMS)


def _one(make: Callable[..., Connection], *where: str | int) -> Opener:
    """Return what opens a single connection of one kind."""

    def open_one(folder: Path | None, antenna_of: AntennaOf) -> Source:
        connection = make(*where)
        raw_log = RawLog(folder, connection.name) if folder else None
        return ReceiverGroup([ReceiverThread(connection, raw_log)], antenna_of)

    return open_one


def _search(**where: Any) -> Opener:
    """Return what opens a group of the receivers that are found."""

    def open_group(folder: Path | None, antenna_of: AntennaOf) -> Source:
        group = ReceiverGroup(antenna_of=antenna_of)
        ReceiverDiscovery(group, folder, **where)
        return group

    return open_group


def _there(port: str) -> list[str]:
    return [port] if not port.startswith("/") or Path(port).exists() else []
