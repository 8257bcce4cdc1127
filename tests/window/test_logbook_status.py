"""What the logbook suffers is said as long as it stands, and a copy is kept at each end of a stint."""

import importlib
import os
import threading
from types import SimpleNamespace

import pytest

from cabapp.position.fix import Fix
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.position.recordings.replay_source import Replay
from cabapp.session.state.sentence import DANGER, QUIET, RECORDING, Sentence
from cabapp.tablet.exchange_runner import NOTHING, Exchange
from cabapp.tablet.fix_monitor import FixMonitor
from cabapp.tablet.logbook_status import ACKNOWLEDGED, LogbookStatus
from store import open_store
from store.durability.repair import kept_path
from store.errors import StoreRefused, message
from store.models import Farm, Field, Operator
from sync import export_bundle
from sync.bundle_encryption import Passphrase
from sync.enrolment import pair
from sync.folder_exchange import FolderWatcher

os.environ.setdefault("KIVY_NO_ARGS", "1")
os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")
saying = importlib.import_module("cabapp.screens.system.message_queue")


class Book:
    """As much of a logbook as is asked how it does."""

    def __init__(self, **said):
        self.trouble = self.mended = self.renewed = None
        self.tried, self.kept = 0, 0
        self.__dict__.update(said)

    def leave_memory_mode(self):
        self.tried += 1
        self.trouble = None

    def keep(self):
        self.kept += 1


def view(sentence=None):
    return SimpleNamespace(sentence=sentence)


def test_that_nothing_is_saved_stands_on_the_line_until_it_is_over():
    """Short words on the line and the whole sentence over the head of every other page stand as long as
    it lasts; only a danger goes before it on the line, and the disk is tried again without a stint."""
    book = Book(trouble="NOTHING IS BEING SAVED.")
    keeping = LogbookStatus(book)
    says = saying.MessageQueue(keeping, seconds=lambda: 0.0)
    assert says.line(view()).words == saying.NOT_SAVED and says.notice() == book.trouble
    assert says.line(view()).act_now
    assert says.line(view(Sentence(QUIET, "Grease.", i_know=True))).words == saying.NOT_SAVED
    assert says.line(view(Sentence(DANGER, "Rock ahead.", True))).words == "Rock ahead."
    keeping.look()
    assert book.tried == 1 and says.line(view()) is None and says.notice() == ""


def test_a_wrong_clock_is_said_and_a_mending_only_until_it_is_read():
    """A clock that satellites call wrong is said as long as it is; a mended logbook until it is read."""
    book, faults = Book(mended="The logbook was mended."), [None]
    keeping = LogbookStatus(book, clock_fault=lambda: faults[-1])
    says = saying.MessageQueue(keeping)
    assert says.line(view()).answers == ((message("I have read this"), ACKNOWLEDGED),)
    faults.append("This machine's clock is 2 h fast.")
    assert says.line(view()).words == faults[-1] and says.line(view()).answers == ()
    faults.append(None)
    keeping.acknowledge()
    assert says.line(view()) is None


def test_a_refusal_stays_for_some_seconds():
    """What was refused just now goes before all else, and gives way by itself."""
    now = [0.0]
    says = saying.MessageQueue(LogbookStatus(Book()), seconds=lambda: now[0])
    says.refuse("You have stopped already.")
    asked = Sentence(RECORDING, "Were you rolling since 10:31?", True)
    assert says.line(view(asked)).words == "You have stopped already."
    now[0] = saying.REFUSED_S + 0.1
    assert says.line(view(asked)).words == asked.words and says.notice() == ""


def test_a_copy_is_kept_each_time_a_stint_ends(tmp_path):
    """Finishing and handing over leave a whole copy beside the logbook; stopping does not, and a
    cab that is opened after a hand-over does not keep it again."""
    with open_store(tmp_path / "a.sqlite", carry_on=True) as store:
        store.put(Farm, name="Home", timezone="UTC", units="us")
        kept_path(store.path).unlink(missing_ok=True)
        keeping = LogbookStatus(store)
        for state in ("handed over", "ready", "working", "stopped"):
            keeping.follow(state)
        keeping.close()
        assert not kept_path(store.path).exists()
        keeping.follow("finished")
        keeping.follow("finished")
        keeping.close()
        assert kept_path(store.path).exists() and keeping.words is None


def test_a_copy_that_cannot_be_kept_is_said():
    """When no copy can be kept, the sentence why is said until one can."""
    book = Book()
    keeping = LogbookStatus(book)

    def full():
        raise StoreRefused("No copy of the logbook could be kept: the disk is full.")

    book.keep = full
    for state in ("stopped", "handed over"):
        keeping.follow(state)
    keeping.close()
    assert "disk is full" in str(keeping.words)
    del book.keep
    for state in ("stopped", "finished"):
        keeping.follow(state)
    keeping.close()
    assert keeping.words is None and book.kept == 1


def test_fixes_held_while_records_are_exchanged_are_handed_on():
    """None is lost and none comes twice."""
    receiver = SelectedReceiver(None, Replay([Fix(float(t), 50.0, 10.0) for t in range(6)], "a"))
    FixMonitor(receiver)
    assert [fix.t for fix in receiver.poll(1.0)] == [0.0, 1.0]
    receiver.hold(3.0)
    receiver.hold(4.0)
    assert [fix.t for fix in receiver.poll(5.0)] == [2.0, 3.0, 4.0, 5.0]


@pytest.fixture
def two(tmp_path):
    """Return a tablet's empty logbook, and a stick on which another copy has left its records."""
    stick = tmp_path / "STICK"
    (stick / "rollbook").mkdir(parents=True)
    with open_store(tmp_path / "office.sqlite") as office:
        office.put(Farm, name="Home", timezone="UTC", units="us")
        office.put(Operator, name="Ida")
        office.put(Field, name="North")
        with open_store(tmp_path / "tablet.sqlite", carry_on=True) as store:
            pair(office, store)
            export_bundle(office, stick / "rollbook")
            yield store, stick


def test_a_stick_is_offered_once_and_taken_in_at_a_tap(two, tmp_path):
    """A stick that is put in is offered, and again after it was pulled out; one exchange takes in what
    it carries, says what was, and a second finds nothing new."""
    store, stick = two
    there = []
    exchange = Exchange(store, tmp_path / "none", lambda: list(there))
    says = saying.MessageQueue(LogbookStatus(store), exchange)
    exchange.look_round()
    assert says.line(view()) is None
    there.append(stick)
    exchange.look_round()
    line = says.line(view())
    assert [kind for _word, kind in line.answers] == [saying.EXCHANGE, saying.NOT_NOW]
    exchange.begin()
    assert exchange.busy and not exchange.offered
    exchange.close()
    assert exchange.finish() and not exchange.busy and not exchange.finish()
    assert exchange.added and exchange.done == exchange.of == 1
    assert str(exchange.messages[0]).startswith("STICK: ") and "taken in" in str(exchange.messages[0])
    assert [row.name for row in store.all(Operator)] == ["Ida"]
    exchange.look_round()
    assert not exchange.offered, "the stick that is still in is not offered again"
    exchange.begin()
    exchange.close()
    assert exchange.finish() and exchange.added == 0
    assert exchange.messages == [NOTHING] or "written" in str(exchange.messages[0])
    there.clear()
    exchange.look_round()
    there.append(stick)
    exchange.look_round()
    assert exchange.offered and exchange.messages == [], "what was said is of the stick as it was"


def test_a_refusal_is_said_again_at_each_exchange(two, tmp_path):
    """What is refused is said each time it is asked for; it is taken in once the passphrase is right, and only then said
    no more; this tablet's own files, locked with other words, are no fault."""
    store, stick = two
    with open_store(tmp_path / "office.sqlite") as office:
        office.put(Operator, name="Bea")
        FolderWatcher(office, [stick / "rollbook"], passphrase="stone heap").look()
    exchange = Exchange(store, tmp_path / "none", lambda: [stick])

    def said():
        exchange.begin()
        exchange.close()
        assert exchange.finish()
        return " ".join(map(str, exchange.messages))

    assert "locked with a passphrase" in said() and "locked with a passphrase" in said() and exchange.locked
    for words in ("wrong words here", "more wrong words"):
        exchange.lock_with(Passphrase(words))
        for _ in range(2):
            again = said()
            assert "is not the one it was locked with" in again and exchange.locked, again
            assert store.device[:8] not in again, "its own files are no fault"
    exchange.lock_with(Passphrase("stone heap"))
    assert "taken in" in said() and not exchange.locked
    assert {row.name for row in store.all(Operator)} == {"Ida", "Bea"}
    assert said() == str(NOTHING)


def test_a_watched_folder_is_taken_in_without_a_tap(two, monkeypatch):
    """Bundles that any program puts into the watched folder come in by themselves, once they stand still."""
    store, stick = two
    exchange = Exchange(store, stick / "rollbook", list)
    monkeypatch.setattr("cabapp.tablet.exchange_runner.FOLDER_S", 0.0)
    for _ in range(2):
        exchange.begin_by_itself()
        exchange.close()
        assert exchange.finish()
    assert exchange.added and [row.name for row in store.all(Field)] == ["North"]
    exchange.look_round()
    assert not exchange.offered, "the folder is always there and is no stick"


def test_a_tap_waits_for_a_look_that_nobody_asked_for(two, monkeypatch):
    """What was begun by itself is waited for, a moment at most; what a person began is not."""
    store, stick = two
    exchange, going, let_go = Exchange(store, stick / "rollbook", lambda: [stick]), threading.Event(), threading.Event()
    monkeypatch.setattr("cabapp.tablet.exchange_runner.MOMENT_S", 30.0)
    looked = exchange._folder_watch.look
    monkeypatch.setattr(exchange._folder_watch, "look", lambda: (going.set(), let_go.wait(30), looked())[-1])
    exchange.begin_by_itself()
    assert going.wait(30) and not exchange.finish()
    threading.Timer(0.05, let_go.set).start()
    exchange.wait_a_moment()
    assert exchange.finish() and not exchange.busy
    monkeypatch.setattr(FolderWatcher, "look", lambda _self, _note: let_go.wait(30) and [])
    let_go.clear()
    exchange.begin()
    exchange.wait_a_moment()
    assert exchange.busy and not exchange.finish()
    let_go.set()
    exchange.close()
