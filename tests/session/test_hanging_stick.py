"""A stick that hangs freezes nothing: the drawing goes on, and what it was asked for is refused in words."""

import threading
from pathlib import Path

import pytest

from cabapp.tablet import aside_work
from cabapp.tablet.aside_work import AsideWork
from cabapp.tablet.exchange_runner import Exchange
from store.durability import carrier_files
from store.errors import Refused


@pytest.fixture
def hanging(monkeypatch):
    """A stick that is mounted and answers nothing until the test is over."""
    monkeypatch.setattr(carrier_files, "SILENT_S", 0.3)
    over, stick, is_dir = threading.Event(), Path("/media/ada/HANGS"), Path.is_dir

    def asked(path):
        if "HANGS" not in path.parts:
            return is_dir(path)
        assert threading.current_thread() is not threading.main_thread(), "the drawing waits for the stick"
        return bool(over.wait())

    monkeypatch.setattr(Path, "is_dir", asked)
    yield stick
    over.set()
    for worker in list(carrier_files._hanging.values()):
        worker.join(10.0)


def test_an_exchange_with_a_stick_that_hangs_ends_and_says_so(store, hanging, tmp_path, monkeypatch, until):
    """Looking for sticks returns at once; the exchange ends by itself, and taps are taken again."""
    monkeypatch.setattr("cabapp.tablet.exchange_runner.STAND_S", 0.0)
    exchange = Exchange(store, tmp_path / "exchange", lambda: [hanging])
    for _ in range(5):
        exchange.look_round()
        assert exchange.places() == []
    exchange.begin()
    until(exchange.finish)
    assert not exchange.busy and "does not answer" in " ".join(map(str, exchange.messages))


def test_work_aside_is_not_waited_for(until):
    """What hangs is left alone; what ends is given, and what is refused is raised where the result is asked for."""
    over = threading.Event()
    hung = AsideWork(over.wait)
    assert not hung.done
    over.set()
    until(lambda: hung.done)
    assert hung.result() is True
    assert AsideWork(lambda: 7).result() == 7

    def refused():
        raise Refused("No stick is in.")

    with pytest.raises(Refused, match="No stick"):
        AsideWork(refused).result()
    with pytest.raises(Refused, match="did not work"):
        AsideWork(lambda: 1 / 0).result()
    assert aside_work.AT_ONCE_S <= 0.1
