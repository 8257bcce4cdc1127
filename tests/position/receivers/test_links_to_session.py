"""From a cable or a socket to the count: bytes go in at one end, covered ground comes out."""

import contextlib
import socket
import threading
import time

import pytest

from cabapp.common.clock import WallClock
from cabapp.position.receivers.connections import SerialConnection, TcpConnection, UdpConnection
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.session import Session
from store.models import Stint


class TcpServer:
    """Serves what it is told to whoever is connected."""

    def __init__(self):
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._clients = []
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self):
        while True:
            try:
                self._clients.append(self._listening.accept()[0])
            except OSError:
                return

    def say(self, data):
        for client in self._clients:
            with contextlib.suppress(OSError):
                client.sendall(data)

    @property
    def listened_to(self):
        """Whether an accepted connection was handed to the server's thread."""
        return bool(self._clients)

    def hang_up(self):
        for client in self._clients:
            client.close()
        self._clients = []

    def close(self):
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self.hang_up()
        self._thread.join(5)


class UdpSender:
    """Sends to a port of this machine."""

    listened_to = True

    def __init__(self):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def say(self, data):
        self._socket.sendto(data, ("127.0.0.1", self.port))

    def close(self):
        self._socket.close()


@pytest.fixture(params=["pseudo-terminal", "TCP", "UDP"])
def wired(request, serial_port):
    """What speaks, and the link that leads to it."""
    if request.param == "pseudo-terminal":
        port = serial_port()
        yield port, SerialConnection(port.path)
        return
    speaker = TcpServer() if request.param == "TCP" else UdpSender()
    link = (
        TcpConnection("127.0.0.1", speaker.port) if request.param == "TCP" else UdpConnection(speaker.port, "127.0.0.1")
    )
    yield speaker, link
    speaker.close()


def test_a_pass_driven_at_the_other_end_is_counted(wired, sea_farm, sea_place, told_by_a_receiver, until):
    """A pass of 30 m comes through the wire whole; the count lacks at most 3 m of it.

    Those are what it takes to know the direction at the start.
    """
    speaker, link = wired
    session = Session(sea_farm.store, WallClock(), ReceiverThread(link))
    try:
        until(lambda: session._source.times_opened, act=session.tick)
        sea_farm.take_over(session)
        session.tap("start")
        begun = time.time() + 0.1  # three seconds of driving, none of it said before it is driven
        until(lambda: speaker.listened_to)
        for n in range(61):
            until(lambda n=n: time.time() >= begun + n / 20)
            late = time.time() - (begun + n / 20)
            begun += (
                late if late > 0.05 else 0.0
            )  # a busy machine is driven later, for what is said late is no place of now
            speaker.say(told_by_a_receiver(begun + n / 20, *sea_place(n / 2, 0.0), kinds=("GGA", "RMC", "GST")))
            until(lambda n=n: len(session._source.recent) >= n, act=session.tick)
        until(lambda: len(session._source.recent) == 61, act=session.tick)
        session.tick()
        [stint] = sea_farm.store.all(Stint)
        session.tap("stop")
        trace = sea_farm.store.read_trace(stint.id)
        assert len(trace.t) == 61
        assert trace.sigma == pytest.approx(0.02)
        assert session.view.position == "good"
        assert 27 * 12 <= session.job.area_totals().covered <= 30 * 12 * 1.001
    finally:
        session.close()


def test_a_server_that_hangs_up_is_called_again(until, told_by_a_receiver):
    """Whoever serves sentences over TCP may go and come back: each time the fixes come again."""
    speaker = TcpServer()
    receiver = ReceiverThread(TcpConnection("127.0.0.1", speaker.port))

    def say():
        speaker.say(told_by_a_receiver(round(time.time(), 2), 47.0, -30.0))
        time.sleep(0.05)

    try:
        for times in (1, 2, 3):
            until(lambda: receiver.times_opened >= times, act=say)
            until(lambda: receiver.poll(time.time()), act=say)
            speaker.hang_up()
            until(lambda: receiver.state == "absent" or receiver.times_opened > times)
    finally:
        receiver.close()
        speaker.close()
