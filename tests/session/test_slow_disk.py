"""A disk that takes its time: the session goes on, and what comes meanwhile is written after."""

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing

import pytest

from store.errors import StoreRefused
from store.models import Stint

pytestmark = pytest.mark.usefixtures("each_second")


@pytest.fixture
def working(run, drive_rows, store):
    """Return a run at work whose trace is made durable beside it, and how long that trace is."""
    with ThreadPoolExecutor(1) as beside:
        one = run(drive_rows([0.0, 6.0, 12.0]), beside=beside)
        one.take_over()
        one.session.tap("start")
        one.on(30)
        beside.submit(int).result()  # what was begun before is done now
        stint = store.all(Stint)[0].id
        yield one, lambda: len(store.read_trace(stint)), lambda: beside.submit(int).result()
        one.session.close()


def test_ticks_go_on_while_the_disk_is_waited_for(working, store):
    """While another holds the logbook no tick waits or complains, and then every fix is in it."""
    one, kept, written = working
    before = kept()
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")  # a tick that waited for it would end in "locked"
        views = one.on(20)
        assert other.in_transaction
        assert not [v.sentence for v in views if v.sentence and "logbook" in str(v.sentence.words)]
        assert kept() == before
        other.rollback()
    written()
    one.on(1)
    written()
    assert kept() >= before + 20


def test_a_full_disk_is_said_when_it_is_known(working, store, monkeypatch):
    """What the disk refuses beside the session is said on the line, until it is written after all."""
    one, kept, written = working
    before = kept()

    def full(*_):
        raise StoreRefused("The disk is full.")

    with monkeypatch.context() as patch:
        patch.setattr(store, "durably", full)
        one.on(5)
        written()
        assert str(one.on(1)[-1].sentence.words) == "The disk is full."
        written()
    one.on(1)
    written()
    sentence = one.on(1)[-1].sentence
    assert sentence is None or str(sentence.words) != "The disk is full."
    written()
    assert kept() >= before + 7
