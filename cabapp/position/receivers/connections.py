"""Serial, TCP, UDP and gpsd connections. Does not decode.

A connection raises `OSError`, and nothing else, when what it leads to is gone. Reading waits at
most `WAIT_S`, so that the reading thread can be stopped.
"""

import contextlib
import os
import socket
from collections.abc import Callable
from typing import Any, Protocol

import serial

from cabapp.position.protocols.gpsd_report import WATCH

WAIT_S = 0.1
AT_ONCE = 4096
BAUDS = (4800, 9600, 38400, 115200, 57600, 19200, 230400, 460800)
"""The rates receivers are delivered with, the commonest first: 4800 is NMEA 0183 itself."""
# what a driver raises when the port goes while it is being opened, read or closed
_GONE: tuple[type[Exception], ...] = (OSError, TypeError, ValueError)
with contextlib.suppress(ImportError):  # not on Windows
    from termios import error

    _GONE = (*_GONE, error)
GPSD = ("127.0.0.1", 2947)


class Connection(Protocol):
    """A way to a receiver."""

    @property
    def name(self) -> str:
        """The name on a stint's record."""

    def open(self) -> None:
        """Open it; OSError when it is not there."""

    def read(self) -> bytes:
        """Return what came, b"" when nothing came for `WAIT_S`; OSError when it is gone."""

    def close(self) -> None:
        """Close it, open or not."""


class SerialConnection:
    """A serial port: a cable, USB, or Bluetooth serial.

    Parameters
    ----------
    port : str
        The device, as the system names it.
    baud : int
        Bits per second; makes no difference on USB and Bluetooth.
    """

    def __init__(self, port: str, baud: int = 9600):
        self.port, self.baud = port, baud
        self.name = os.path.basename(port)
        self._port: serial.Serial | None = None

    def open(self) -> None:
        """Open it; OSError when it is not there or another program has it."""
        # never let "open" reset a receiver by its control lines, nor share it with another reader
        self.close()
        self._port = _os_error(serial.Serial, self.port, self.baud, timeout=WAIT_S, exclusive=True)

    def read(self) -> bytes:
        """Return what came, b"" when nothing came in time."""
        port = self._port
        if port is None:
            raise OSError(f"{self.port} is not open")
        first = _os_error(port.read, 1)
        return first + _os_error(port.read, min(_os_error(lambda: port.in_waiting), AT_ONCE)) if first else b""

    def close(self) -> None:
        """Close it."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(*_GONE):
                port.close()


class _SocketConnection:
    """What TCP and UDP have in common."""

    name = ""
    _socket: socket.socket | None = None

    def _receive(self, most: int) -> bytes | None:
        """Return what came, None when nothing came in time."""
        if self._socket is None:
            raise OSError(f"{self.name} is not open")
        try:
            return self._socket.recv(most)
        except TimeoutError:
            return None

    def close(self) -> None:
        """Close it."""
        gone, self._socket = self._socket, None
        if gone is not None:
            gone.close()


class TcpConnection(_SocketConnection):
    """A receiver or a radio link that serves its NMEA sentences over TCP."""

    def __init__(self, host: str, port: int):
        self.host, self.port = host, port
        self.name = f"{host}:{port}"

    def open(self) -> None:
        """Connect; OSError when nobody answers within 3 s."""
        self.close()
        self._socket = socket.create_connection((self.host, self.port), timeout=3.0)
        self._socket.settimeout(WAIT_S)

    def read(self) -> bytes:
        """Return what came, b"" when nothing came in time."""
        data = self._receive(AT_ONCE)
        if data == b"":
            raise OSError(f"{self.name} has hung up")
        return data or b""


class GpsdConnection(TcpConnection):
    """The position service of a Linux tablet, asked for JSON reports."""

    def __init__(self, host: str = GPSD[0], port: int = GPSD[1]):
        super().__init__(host, port)
        self.name = f"gpsd at {host}:{port}"

    def open(self) -> None:
        """Connect and ask for reports."""
        super().open()
        if self._socket is not None:
            self._socket.sendall(WATCH)


class UdpConnection(_SocketConnection):
    """NMEA sentences sent to a UDP port of this tablet."""

    def __init__(self, port: int, host: str = ""):
        self.host, self.port = host, port
        self.name = f"UDP port {port}"

    def open(self) -> None:
        """Take the port; OSError when another program has it."""
        self.close()
        taken = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            taken.bind((self.host, self.port))
        except OSError:
            taken.close()
            raise
        taken.settimeout(WAIT_S)
        self._socket = taken

    def read(self) -> bytes:
        """Return one datagram, b"" when none came in time; nothing is ever gone with UDP."""
        data = self._receive(65535)
        # a datagram is whole NMEA sentences, but some senders leave the last line's end away
        return b"" if data is None else data if data.endswith(b"\n") else data + b"\n"


def _os_error(call: Callable[..., Any], *arguments: object, **options: object) -> Any:
    """Call a driver; every way it has of saying that the port is gone becomes an OSError."""
    try:
        return call(*arguments, **options)
    except _GONE as fault:
        raise OSError(str(fault)) from fault
