"""The cab backs its logbook up into a second place by itself, and says when it cannot."""

import os
import resource
import shutil

import pytest

from cabapp.__main__ import main
from cabapp.commands.tablet.cab import NoPlace, choose_backup
from cabapp.common.paths import store_path
from cabapp.tablet.automatic_backup import DAY_S, KEEP, RETRY_S, AutomaticBackup
from cabapp.tablet.logbook_status import LogbookStatus
from cabapp.tablet.tablet_settings import Settings
from store import open_store
from store.models import Farm, Operator

T0 = 1_779_000_000.0


class Hours:
    """A clock moved by hand."""

    def __init__(self):
        self.t = T0

    def __call__(self):
        return self.t


@pytest.fixture
def store(tmp_path):
    """A logbook with a farm."""
    with open_store(tmp_path / "logbook.sqlite", carry_on=True) as store:
        store.put(Farm, name="Home", timezone="UTC", units="us")
        yield store


@pytest.fixture
def place(tmp_path):
    """A folder that stands for a stick."""
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


def go(second, *states):
    for state in states:
        second.follow(state)
        second.close()


def backups(place):
    return sorted(place.glob("*.sqlite"))


def test_each_end_of_a_stint_is_backed_up_and_seven_are_kept(store, place):
    """Finishing and handing over leave a backup that opens whole with all records; working leaves none,
    and of ten the last seven stay."""
    second = AutomaticBackup(store, place, Hours())
    go(second, "ready", "working", "stopped", "working")
    assert backups(place) == []
    for n in range(10):
        store.put(Operator, name=f"Number {n}")
        go(second, "working", "handed over" if n % 2 else "finished", "finished" if n % 2 == 0 else "handed over")
        assert len(backups(place)) == min(n + 1, KEEP) and second.words is None
    with open_store(backups(place)[-1]) as copy:
        assert len(copy.all(Operator)) == 10 and copy.check() == []


def test_an_idle_day_is_backed_up_once(store, place):
    """While nobody has taken over there is one backup a day, however often it is looked."""
    clock = Hours()
    second = AutomaticBackup(store, place, clock)
    for n in range(3):
        for _ in range(4):
            go(second, "idle")
            clock.t += RETRY_S + 1
        assert len(backups(place)) == n + 1
        os.utime(backups(place)[-1], (clock.t, clock.t))
        clock.t += DAY_S
    go(second, "working", "stopped")
    assert len(backups(place)) == 3


def test_a_place_that_is_gone_is_said_and_used_again_when_it_is_back(store, place):
    """A stick pulled out is said in the cab's last words and no folder is made in its place; put back,
    the backup that was due is written without another tap, and the words go."""
    clock = Hours()
    second = AutomaticBackup(store, place, clock)
    keeping = LogbookStatus(store, second)
    shutil.rmtree(place)
    for state in ("working", "finished"):
        keeping.follow(state)
    keeping.close()
    assert f"{place} is not there" in str(keeping.words) and not place.exists()
    store.mended = "mended"
    assert str(LogbookStatus(store, second).words) == "mended", "it is the least of all troubles"
    place.mkdir()
    clock.t += RETRY_S + 1
    keeping.follow("working")
    keeping.close()
    assert backups(place) == [], "never while there is work"
    keeping.follow("idle")
    keeping.close()
    keeping.acknowledge()
    assert keeping.words is None and len(backups(place)) == 1


def test_a_full_place_is_said_and_the_backups_before_stay(store, place):
    """Where there is no room the cab says so in a sentence, leaves nothing half written and keeps what is
    there. The largest size of a file stands for the full stick."""
    second = AutomaticBackup(store, place, Hours())
    go(second, "working", "finished")
    [kept] = backups(place)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (kept.stat().st_size // 2, before[1]))
    try:
        go(second, "working", "finished")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "has room" in str(second.words) and list(place.iterdir()) == [kept]
    store.put(Operator, name="Ida")
    go(second, "working", "finished")
    assert second.words is None and len(backups(place)) == 2


def test_the_place_is_chosen_once(tmp_path, place, monkeypatch, capsys):
    """The folder named at the command is remembered beside the logbook until another, or none, is named;
    one that is not there is refused, and another logbook's settings stay as they were."""
    monkeypatch.setenv("ROLLBOOK_HOME", str(tmp_path / "home"))
    own = tmp_path / "home" / "tablet.json"
    choose_backup(str(place), store_path())
    assert Settings(own)["backup"] == str(place)
    with pytest.raises(NoPlace, match="no folder"):
        choose_backup(str(place / "gone"), store_path())
    assert main(["cab", "--backup", str(place / "gone")]) == 1 and "no folder" in capsys.readouterr().err
    choose_backup("none", tmp_path / "other" / "logbook.sqlite")
    assert Settings(own)["backup"] == str(place) and Settings(tmp_path / "other" / "tablet.json")["backup"] is None
    choose_backup("none", store_path())
    assert Settings(own)["backup"] is None
