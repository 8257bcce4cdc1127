"""Nobody but its owner reads a logbook, the key in it, or what lies beside it."""

import os
import stat

import pytest

from cabapp.tablet.tablet_settings import Settings
from store import open_store
from store.facts.signed_pages import make_page
from store.models import Farm, Field, Own
from sync import export_bundle

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights of files are those of POSIX")


@pytest.fixture
def wide_umask():
    """A machine whose new files everybody may read and write."""
    before = os.umask(0)
    yield
    os.umask(before)


def readable(folder):
    """Return the names of files that others than the owner may read or write."""
    return {path.name for path in folder.rglob("*") if path.is_file() and stat.S_IMODE(path.stat().st_mode) & 0o077}


def test_what_is_made_is_private_from_the_first_byte(tmp_path, wide_umask, monkeypatch):
    """Logbook, log, kept copy, backup, binding and settings are never readable by others, not while they are written."""
    seen, replace = [], os.replace

    def watched(source, target):
        seen.append((os.path.basename(target), stat.S_IMODE(os.stat(source).st_mode)))
        replace(source, target)

    monkeypatch.setattr(os, "replace", watched)
    with open_store(tmp_path / "logbook.sqlite") as store:
        store.put(Farm, name="Home", timezone="UTC")
        store.keep()
        store.backup(tmp_path / "backup")
        Settings(tmp_path / "tablet.json")["number"] = "1234"
        assert readable(tmp_path) <= {"logbook.sqlite.lock"}
        assert {"logbook.sqlite-wal", "logbook-kept.sqlite", "logbook-bound.json"} <= set(os.listdir(tmp_path))
    assert {mode for _name, mode in seen} == {0o600} and len(seen) >= 5


def test_an_older_logbook_is_narrowed_and_the_log_says_so(tmp_path, caplog):
    """Files that a program before left readable are narrowed at opening, with one line in the log."""
    path = tmp_path / "logbook.sqlite"
    with open_store(path) as store:
        store.put(Farm, name="Home", timezone="UTC")
        store.keep()
    for file in tmp_path.iterdir():
        file.chmod(0o644)
    (tmp_path / "other.txt").touch(0o644)
    open_store(path).close()
    assert readable(tmp_path) <= {"other.txt", "logbook.sqlite.lock"}
    (line,) = [record.getMessage() for record in caplog.records if "others could read" in record.getMessage()]
    assert "logbook.sqlite" in line and "logbook-kept.sqlite" in line
    caplog.clear()
    open_store(path).close()
    assert not [record for record in caplog.records if "others could read" in record.getMessage()]


def test_no_export_and_no_backup_has_the_key(tmp_path):
    """The private key is in no bundle and no backup; what was signed with it is."""
    with open_store(tmp_path / "logbook.sqlite") as store:
        store.put(Farm, name="Home", timezone="UTC")
        store.put(Field, name="North")
        with store.session() as session:
            key = session.query(Own).one().private_key
        bundle = export_bundle(store, tmp_path / "out")
        backup = store.backup(tmp_path / "backup")
    assert make_page("x", 1, ["{}"], key).signature
    for path in (bundle, backup):
        data = path.read_bytes()
        assert key not in data and key.hex().encode() not in data
