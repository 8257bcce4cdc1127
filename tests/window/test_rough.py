"""Rough hands: random taps and gestures do no harm, and none that was answered is lost."""

import random
from collections import Counter

import pytest

from store import open_store
from store.models import Tap

pytestmark = pytest.mark.window
# written by the session itself, or with a take-over or a hand-over, which are not single taps
OWN = ("warned", "caution", "check_skipped", "take_over", "hand_over", "receive")


@pytest.mark.parametrize("taps", [300, pytest.param(10_000, marks=pytest.mark.long)])
def test_random_taps_and_drags_do_no_harm(open_cab, farm, taps, capsys):
    """Taps and drags anywhere, at any time, end in no fault, in no exit and in a sound logbook, and
    after kill -9 every tap that the screen had answered is in it, once."""
    cab = open_cab("--store", farm["store"], "--replay", farm["trace"], "--speed", 3)
    cab.tap("I have read this. Same as last time")
    cab.wait_view(state="ready")
    before = kept(farm["store"])
    known = Counter(cab.ask("done"))
    chance = random.Random(20260521)
    wide, high = cab.look()["size"]
    for k in range(taps):
        if chance.random() < 0.1:
            cab.drag(*(chance.uniform(2, n - 2) for n in (wide, high, wide, high)))
        else:
            cab.press(chance.uniform(2, wide - 2), chance.uniform(2, high - 2), seconds=0.005)
        if k % 50 == 0:
            assert cab.look()["size"] == [wide, high]
    assert cab.process.poll() is None
    cab.look()
    answered = Counter(cab.ask("done"))
    cab.kill()
    told = cab.stderr()
    assert "Traceback" not in told, told[-3000:]
    with open_store(farm["store"]) as store:
        assert store.check() == []
    new = kept(farm["store"]) - before
    # a reading of the caution is kept for the next stint, and written with it
    answered -= known
    del answered["caution"]
    with capsys.disabled():
        print(f"\n{taps} taps and drags: {answered.total()} were answered ({dict(answered)}), {new.total()} are in the logbook")
    assert new == answered and answered.total() > 10


def kept(path):
    """Return how many taps of each kind a logbook holds, without those that no key stands for."""
    with open_store(path) as store:
        return Counter(tap.kind for tap in store.all(Tap) if tap.kind not in OWN)
