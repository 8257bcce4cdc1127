"""Finds receivers at serial ports and gpsd, and goes on searching for those plugged in later.

One thread searches; each receiver found has its own. A port is used only after good NMEA sentences
with a time came, so neither a wrong rate (each carries a checksum) nor the port of another
instrument can be mistaken for a receiver.
"""

import functools
import logging
import os
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from serial.tools import list_ports

from cabapp.position.protocols.byte_decoder import ByteDecoder
from cabapp.position.receivers.connections import BAUDS, GPSD, Connection, GpsdConnection, SerialConnection
from cabapp.position.receivers.receiver_group import ReceiverGroup
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.position.recordings.raw_log import RawLog
from store.errors import Message, message

log = logging.getLogger(__name__)

SEARCH_S = 2.0
MUTE_S, TRY_S, ENOUGH = 2.5, 1.5, 2
"""A port is mute after this silence, s; a rate is tried for so long, s, and is right after so many
good NMEA sentences with a time."""
AGAIN_S = 30.0
"""A port without a receiver is tried again after this, s."""
GONE_S = 15.0
"""A receiver away for this long is removed, so that it is found again under any name, s."""


def ports() -> list[str]:
    """Return the serial ports of this machine, the likeliest first: USB, Bluetooth, then the rest."""
    return list(named_ports())


def named_ports() -> dict[str, Message]:
    """Return the serial ports of this machine with a name for each, in the order of `ports`."""
    found = sorted(map(_named, list_ports.comports()), key=lambda one: one[:2])
    return {device: name for _, device, name in found}


def _named(port: Any) -> tuple[int, str, Message]:
    """Return rank, device and name of a port as pyserial lists it.

    A Bluetooth port is rfcomm on Linux; Windows says Bluetooth in its description, and the others
    name it so.
    """
    short = os.path.basename(port.device)
    text = f"{port.device} {port.description or ''} {port.hwid or ''}".lower()
    if "rfcomm" in text or "bluetooth" in text or "bthenum" in text:
        return 1, port.device, message("Bluetooth ({port})", port=short)
    if port.vid is not None or "usb" in text or "ttyacm" in text:
        name = message("USB ({port})", port=short)
        return (
            0,
            port.device,
            message("USB ({port}, {product})", port=short, product=port.product) if port.product else name,
        )
    return 2, port.device, message("Serial port ({port})", port=short)


def try_port(
    make: Callable[[int], Connection],
    bauds: Iterable[int] = BAUDS,
    stop: threading.Event | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> int | None:
    """Return the rate at which a receiver's good NMEA sentences come from a port, or None.

    Parameters
    ----------
    make : callable
        Returns an unopened connection for a rate.
    bauds : iterable of int
    stop : Event, optional
        Ends the search early.
    clock : callable
        Seconds that never go back.
    """
    stop = stop or threading.Event()
    for n, baud in enumerate(bauds):
        connection, decoder, began = make(baud), ByteDecoder(), clock()
        try:
            connection.open()
            while not stop.is_set():
                decoder.feed(connection.read(), clock())
                if decoder.records >= ENOUGH:
                    return baud
                listened = clock() - began
                if listened > MUTE_S and not decoder.bytes and n == 0:
                    return None  # at a wrong rate bytes come too, only wrong ones
                if listened > TRY_S and (decoder.bytes or n) and not decoder.records:
                    break
                if listened > 2 * MUTE_S:
                    break
        except OSError as fault:
            log.debug("%s: %s", connection.name, fault)
            return None
        finally:
            connection.close()
        if stop.is_set():
            return None
    return None


class ReceiverDiscovery:
    """Adds the receivers it finds to a group, and removes those that are gone.

    Parameters
    ----------
    group : ReceiverGroup
        Its members are altered until it is closed; closing it ends the search.
    raw_folder : Path, optional
        Where raw logs are written.
    list_ports : callable
        Returns the names of the serial ports there are now.
    gpsd : (str, int) or None
        Where a position service may serve.
    bauds : sequence of int
    """

    def __init__(
        self,
        group: ReceiverGroup,
        raw_folder: Path | None = None,
        list_ports: Callable[[], list[str]] = ports,
        gpsd: tuple[str, int] | None = GPSD,
        bauds: tuple[int, ...] = BAUDS,
    ):
        self._group, self._raw_folder = group, raw_folder
        self._list_ports, self._gpsd, self._bauds = list_ports, gpsd, bauds
        self._mine: dict[str, ReceiverThread] = {}
        self._away: dict[str, float] = {}
        self._not_before: dict[str, float] = {}
        self._stop = threading.Event()
        group.discovery = self
        self._thread = threading.Thread(target=self._search, name="receiver discovery", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the search."""
        self._stop.set()
        self._thread.join(timeout=10.0)

    def _search(self) -> None:
        while not self._stop.is_set():
            try:
                self._search_once()
            except Exception:
                log.exception("the search for receivers failed")
            self._stop.wait(SEARCH_S)

    def _search_once(self) -> None:
        now = time.monotonic()
        self._remove_lost(now)
        if (gpsd := self._gpsd) is not None:
            self._try("gpsd", now, lambda _: GpsdConnection(*gpsd), (0,))
        there = self._list_ports()
        held = {os.path.realpath(device) for device in self._by_gpsd()}
        for port in there:
            if os.path.realpath(port) not in held:
                self._try(port, now, functools.partial(SerialConnection, port), self._bauds)
        # a port pulled out and put in again is new
        gone = [key for key in self._not_before if key != "gpsd" and key not in there]
        for key in gone:
            del self._not_before[key]

    def _try(self, key: str, now: float, make: Callable[[int], Connection], bauds: Sequence[int]) -> None:
        if key in self._mine or now < self._not_before.get(key, now) or self._stop.is_set():
            return
        self._group.trying = make(bauds[0]).name
        baud = try_port(make, bauds, self._stop)
        self._group.trying = ""
        if baud is None:
            self._not_before[key] = time.monotonic() + AGAIN_S
            return
        connection = make(baud)
        raw_log = RawLog(self._raw_folder, connection.name) if self._raw_folder else None
        self._mine[key] = receiver = ReceiverThread(connection, raw_log)
        self._group.add(receiver)

    def _by_gpsd(self) -> list[str]:
        """Return the ports gpsd reads itself: two readers of one port get half of it each."""
        receiver = self._mine.get("gpsd")
        device = receiver.latest.get("device") if receiver else None
        return [device] if device else []

    def _remove_lost(self, now: float) -> None:
        for key, receiver in list(self._mine.items()):
            if receiver.state in ("good", "blind"):
                self._away.pop(key, None)
            elif now - self._away.setdefault(key, now) > GONE_S:
                del self._mine[key], self._away[key]
                self._group.remove(receiver)
                receiver.close()
