"""Ctrl-C at any moment of a build: logbook and pages stay sound, and the next build goes on."""

import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cabapp.__main__ import main
from store import open_store

ROOT = Path(__file__).resolve().parents[2]


def begin(path, out):
    words = [sys.executable, "-m", "cabapp", "office", "--store", str(path), "--out", str(out)]
    # a run in the background of a shell would hand down that Ctrl-C is ignored
    return subprocess.Popen(
        words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip


def sound(out):
    """Every page that is there is whole."""
    for path in out.glob("*.html"):
        text = path.read_text("utf-8")
        assert text.startswith("<!doctype html>") and text.rstrip().endswith("</html>"), path.name
    for path in [*out.glob("*.geojson"), *out.glob("*.json")]:
        assert path.read_text("utf-8").rstrip().endswith("}"), path.name
    for path in out.glob("*.gpx"):
        assert path.read_text("utf-8").rstrip().endswith("</gpx>"), path.name


@pytest.mark.parametrize("tries", [2, pytest.param(8, marks=pytest.mark.long)])
def test_ctrl_c_at_random_times_leaves_all_sound(write_small, page_names, tmp_path, tries, until):
    """Interrupted at random times, no page is half, the logbook has no fault, no traceback is
    shown, and the build after that has every page of one never interrupted."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain, seeded_at=1778770000.0)
    made.book.close()
    path, out, chance = tmp_path / "logbook.sqlite", tmp_path / "out", random.Random(11)
    begun = time.monotonic()
    whole = begin(path, tmp_path / "whole")
    assert whole.wait(60) == 0
    long, cut, least = time.monotonic() - begun, 0, max(1, tries // 4)
    for n in range(tries + 5):
        if n >= tries:  # a busy machine cut too few: it tries again
            if cut >= least:
                break
            shutil.rmtree(out)
        one = begin(path, out)
        if 0 < n < tries:
            time.sleep(long * chance.uniform(0.3, 1.0))
        else:  # while pages are being written
            until(lambda: any(out.glob("*.html")))
        one.send_signal(signal.SIGINT)
        _, said = one.communicate(timeout=60)
        cut += one.returncode != 0
        # before Python has begun, or after it has ended its work, a process just dies of the signal
        assert "Traceback" not in said and one.returncode in (0, 1, -signal.SIGINT), said
        assert one.returncode != 1 or "stopped" in said
        sound(out)
        with open_store(path) as book:
            assert book.check() == []
        if chance.random() < 0.5:  # begin anew, so that the writing itself is cut
            for name in out.glob("pages.json"):
                name.unlink()
    assert cut >= least
    assert main(["office", "--store", str(path), "--out", str(out)]) == 0
    sound(out)
    names = {p.name for p in (tmp_path / "whole").iterdir()}
    assert {p.name for p in out.iterdir()} - {p.name for p in out.glob("*.part")} == names
